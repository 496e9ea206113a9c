"""``plan``: a recipe, its lye balance, what the lye will do, and the curve to expect, with the cautions first."""

from __future__ import annotations

import argparse
import dataclasses
from typing import Any

from monitor.commands import YES
from monitor.commands.common import CommandError, parser_for, print_json, settings_of
from monitor.commands.recipe_args import add_recipe, recipe_of, refuse_lye_heavy, vessel_of
from monitor.domain import Batch, LogEntry, Recipe, Vessel
from monitor.settings import Settings
from monitor.trade.amounts import parse_hardness_mmol_l, parse_temperature_c
from monitor.trade.dilution import dilution, room
from monitor.trade.lye import lye_temperature
from monitor.trade.making import CAUTIONS, DEFERS, with_emergency_number
from monitor.trade.recipe import heat_budget, lye_balance, plan_recipe, scale_recipe
from monitor.trade.telling import (
    balance_sentences,
    dilution_sentences,
    lye_sentences,
    recipe_warnings,
    room_sentences,
)

# When the curve is worth looking at: the deciding moment, the peak, bedtime, next morning.
_SHOWN_H = (1 / 3, 1.0, 2.0, 4.0, 8.0, 12.0, 24.0)


def add(parsers: Any) -> None:
    """Describe the command."""
    parser = parser_for(
        parsers, "plan", "plan a recipe: lye balance, water, expected curve, cautions",
        'emberpail plan --oil "rapeseed 3.6 L" --purity 90% --litres 25L --air 8C',
    )  # fmt: skip
    add_recipe(parser)
    parser.add_argument("--scale", type=float, metavar="FACTOR", help="make the recipe this many times as large")
    parser.add_argument("--air", default="18", metavar="DEGREES", help="where it will stand (default: 18C)")
    parser.add_argument("--mix", default="55", metavar="DEGREES", help="mix temperature aimed at (default: 55C)")
    parser.add_argument("--hardness", metavar="AMOUNT", help='of your water: "15 dH", "270 mg/L", "16 gpg"')
    parser.add_argument("--json", action="store_true", help="for programs")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Plan what was typed; the potash and the water are worked out where they were left out."""
    settings = settings_of(args)
    recipe = _planned(args)
    refuse_lye_heavy(recipe, args.anyway)
    vessel = vessel_of(args, settings, None)
    air_c, mix_c = parse_temperature_c(args.air, "the air"), parse_temperature_c(args.mix, "the mix")
    hardness = None if args.hardness is None else parse_hardness_mmol_l(args.hardness)
    if args.json:
        print_json(_as_json(recipe, vessel, settings))
        return YES
    for line in _in_words(recipe, vessel, settings, air_c, mix_c, hardness):
        print(line)
    return YES


def _planned(args: argparse.Namespace) -> Recipe:
    typed = recipe_of(args)
    if not typed.oils:
        raise CommandError('Give at least one oil: emberpail plan --oil "sunflower 4.2 kg" --purity 90%')
    if typed.koh_kg is None:
        proposed = plan_recipe(typed.oils, typed.koh_purity or 0.90)
        typed = dataclasses.replace(
            proposed, koh_purity=typed.koh_purity or 0.90, water_kg=typed.water_kg or proposed.water_kg
        )
    elif typed.water_kg is None:
        typed = dataclasses.replace(typed, water_kg=round(1.55 * typed.koh_kg, 3))
    if args.scale is not None:
        typed = scale_recipe(typed, args.scale)
    return typed


def _in_words(  # noqa: PLR0917
    recipe: Recipe, vessel: Vessel, settings: Settings, air_c: float, mix_c: float, hardness: float | None
) -> list[str]:
    number = settings.site.emergency_number
    boils_c = settings.place().boiling_point_c
    lines = ["Before anything else:"]
    for key in ("gear", "water_first", "lid_loose", "metals", "lifting", "first_aid", "spill"):
        lines.append(f"  ! {with_emergency_number(CAUTIONS[key], number)}")
    lines += [f"  ! {DEFERS}", "", "Weigh, twice:"]
    lines += [f"  {share.kg or 0.0:8.3f} kg  {share.name}" for share in recipe.oils]
    purity = recipe.koh_purity or 0.90
    lines += [
        f"  {recipe.koh_kg or 0.0:8.3f} kg  potash: potassium hydroxide, {purity:.0%} on the bag; not caustic soda",
        f"  {recipe.water_kg or 0.0:8.3f} kg  soft water, all of it before the potash",
        "",
    ]
    for part in (
        recipe_warnings(recipe),
        balance_sentences(lye_balance(recipe)),
        lye_sentences(recipe, lye_temperature(recipe, air_c, boils_c), air_c),
        room_sentences(room(recipe, vessel)),
        dilution_sentences(dilution(recipe), hardness),
    ):
        lines += [f"- {sentence}" for sentence in part]
    lines += ["", *_expected(recipe, vessel, settings, air_c, mix_c)]
    return lines


def _expected(recipe: Recipe, vessel: Vessel, settings: Settings, air_c: float, mix_c: float) -> list[str]:
    """The band of a good batch, bare, under a blanket and in a box, poured at ``mix_c`` into air of ``air_c``."""
    lines = [f"A good batch poured at {mix_c:.0f} °C where it is {air_c:.0f} °C (core, 5 to 95 %):"]
    lines.append("  after        " + "".join(f"{_span(hours):>10}" for hours in _SHOWN_H))
    for insulation in ("bare", "blanket", "box"):
        low, high = expected_band(recipe, Vessel(vessel.litres, insulation), settings, air_c, mix_c, _SHOWN_H)
        cells = "".join(f"{f'{a:.0f}-{b:.0f}':>10}" for a, b in zip(low, high, strict=True))
        lines.append(f"  {insulation:<10} °C" + cells)
    limit_c = settings.place().too_hot_c
    lines.append(f"Past {limit_c:.0f} °C it can boil over: then no blanket, room in the bucket, lid loose.")
    return lines


def expected_band(  # noqa: PLR0917
    recipe: Recipe, vessel: Vessel, settings: Settings, air_c: float, mix_c: float, hours: tuple[float, ...]
) -> tuple[list[float], list[float]]:
    """Lower and upper edge (5, 95 %, °C) of a good batch's core at so many hours after the pour, in still air."""
    from monitor.domain import AMBIENT, Reading
    from monitor.heat.estimator import Estimator

    batch = Batch("plan", "plan", 0.0, recipe, vessel)
    estimator = Estimator(batch, settings.place())
    estimator.note(LogEntry("poured", 0.0, 0.0, temperature_c=mix_c))
    estimator.note(LogEntry("blended", 600.0, 600.0))
    for minute in range(0, 60):
        estimator.update(Reading("plan", AMBIENT, 60.0 * minute, 60.0 * minute, air_c))
    band = estimator.band([3600.0 * hour for hour in hours])
    return [float(value) for value in band.low_c], [float(value) for value in band.high_c]


def _span(hours: float) -> str:
    return f"{hours * 60:.0f} min" if hours < 1 else f"{hours:.0f} h"


def _as_json(recipe: Recipe, vessel: Vessel, settings: Settings) -> dict[str, object]:
    balance = lye_balance(recipe)
    lye = lye_temperature(recipe, 20.0, settings.place().boiling_point_c)
    space = room(recipe, vessel)
    return {
        "recipe": dataclasses.asdict(recipe),
        "lye_balance": dataclasses.asdict(balance),
        "lye_temperature": {**dataclasses.asdict(lye), "may_boil": lye.may_boil},
        "heat_budget": dataclasses.asdict(heat_budget(recipe, vessel)),
        "room": None if space is None else dataclasses.asdict(space),
        "dilution": dataclasses.asdict(dilution(recipe)),
        "cautions": [with_emergency_number(text, settings.site.emergency_number) for text in CAUTIONS.values()],
        "defers": DEFERS,
    }
