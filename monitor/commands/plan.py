"""``plan``: a recipe, its lye balance, what the lye will do, and the curve to expect, with the cautions first."""

from __future__ import annotations

import argparse
import dataclasses
from typing import Any

from monitor.commands import YES
from monitor.commands.common import CommandError, parser_for, print_json, say, settings_of, width
from monitor.commands.prompts import ask, can_ask
from monitor.commands.recipe_args import add_recipe, ask_recipe, mind_bucket, recipe_of, refuse_lye_heavy, vessel_of
from monitor.domain import AMBIENT, INSULATIONS, Batch, LogEntry, Reading, Recipe, Vessel
from monitor.settings import Settings
from monitor.trade.amounts import parse_hardness_mmol_l, parse_temperature_c
from monitor.trade.dilution import dilution, room
from monitor.trade.lye import lye_temperature
from monitor.trade.making import CAUTIONS, DEFERS, STEPS, with_emergency_number
from monitor.trade.recipe import check_recipe, heat_budget, lye_balance, plan_recipe, scale_recipe
from monitor.trade.telling import (
    balance_sentences,
    dilution_sentences,
    lye_sentences,
    recipe_warnings,
    room_sentences,
)

# When the curve is worth looking at: the deciding moment, the peak, bedtime, next morning.
_SHOWN_H = (1 / 3, 1.0, 2.0, 4.0, 8.0, 12.0, 24.0)
_USUAL_PURITY = 0.90
_USUAL_WATER_PER_KOH = 1.55
_MIX_C, _AIR_C = 55.0, 18.0


@dataclasses.dataclass(frozen=True, slots=True)
class _Plan:
    """All that is planned, and where."""

    recipe: Recipe
    vessel: Vessel
    settings: Settings
    air_c: float
    mix_c: float
    hardness_mmol_l: float | None


def add(parsers: Any) -> None:
    """Describe the command."""
    parser = parser_for(
        parsers, "plan", "plan a recipe: lye balance, water, expected curve, cautions",
        'emberpail plan --oil "rapeseed 3.6 L" --purity 90% --litres 25L --air 8C',
        description="Plan a recipe: lye balance, how hot the lye becomes, room in the bucket, water for the dilution, "
        "and the curve to expect, after the cautions. Potash and water are worked out where they are left out. At a "
        "terminal it asks when no oil is given.",
    )  # fmt: skip
    add_recipe(parser)
    parser.add_argument("--bucket", metavar="NAME", help="take litres and insulation from this bucket's settings")
    parser.add_argument("--scale", metavar="FACTOR", help="make the recipe this many times as large: 1.5")
    parser.add_argument("--air", metavar="DEGREES", help="where it will stand (default: 18C)")
    parser.add_argument("--mix", metavar="DEGREES", help="mix temperature aimed at (default: 55C)")
    parser.add_argument("--hardness", metavar="AMOUNT", help='of your water: "15 dH", "270 mg/L", "16 gpg"')
    parser.add_argument("--json", action="store_true", help="for programs")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Plan what was typed; the potash and the water are worked out where they were left out."""
    settings = settings_of(args)
    if args.bucket is not None:
        mind_bucket(settings, args.bucket)
    typed = recipe_of(args)
    air_c = _AIR_C if args.air is None else parse_temperature_c(args.air, "the air")
    mix_c = None if args.mix is None else parse_temperature_c(args.mix, "the mix")
    hardness = None if args.hardness is None else parse_hardness_mmol_l(args.hardness)
    vessel, factor = vessel_of(args, settings, args.bucket), _factor(args.scale)
    if not typed.oils:
        if not can_ask():
            raise CommandError('Give at least one oil: emberpail plan --oil "sunflower 4.2 kg" --purity 90%')
        typed = ask_recipe(typed, koh_empty="work it out", water_empty="work it out")
        if mix_c is None:
            mix_c = ask(
                "Temperature of the mix that you aim at",
                lambda text: parse_temperature_c(text, "the mix"),
                empty=f"{_MIX_C:.0f} °C",
            )
    recipe = _planned(typed, factor)
    refuse_lye_heavy(recipe, args.anyway)
    plan = _Plan(recipe, vessel, settings, air_c, _MIX_C if mix_c is None else mix_c, hardness)
    if args.json:
        print_json(_as_json(plan))
    else:
        _print(plan)
    return YES


def _factor(text: str | None) -> float:
    if text is None:
        return 1.0
    try:
        factor = float(text.replace(",", "."))
    except ValueError:
        factor = float("nan")
    if not 0.01 <= factor <= 100.0:
        raise CommandError("The scale is a number from 0.01 to 100: write for example --scale 1.5.")
    return factor


def _planned(typed: Recipe, factor: float) -> Recipe:
    """The recipe with potash and water filled in and the whole scaled."""
    purity = typed.koh_purity or _USUAL_PURITY
    if typed.koh_kg is None:
        proposed = plan_recipe(typed.oils, purity)
        typed = dataclasses.replace(proposed, koh_purity=purity, water_kg=typed.water_kg or proposed.water_kg)
    elif typed.water_kg is None:
        typed = dataclasses.replace(typed, water_kg=round(_USUAL_WATER_PER_KOH * typed.koh_kg, 3))
    recipe = scale_recipe(typed, factor) if factor != 1.0 else typed
    check_recipe(recipe)
    return recipe


# ---- for people ----------------------------------------------------------------------------------------------------


def _print(plan: _Plan) -> None:
    recipe = plan.recipe
    print("Before anything else:")
    for caution in _cautions(plan):
        say(caution, "  ! ")
    print("\nWeigh, twice:")
    for share in recipe.oils:
        say(share.name, f"  {share.kg or 0.0:8.3f} kg  ")
    purity = recipe.koh_purity or _USUAL_PURITY
    say(f"potash: potassium hydroxide (KOH), {purity:.0%} on the bag", f"  {recipe.koh_kg or 0.0:8.3f} kg  ")
    say("soft water, all of it before the potash", f"  {recipe.water_kg or 0.0:8.3f} kg  ")
    print()
    for sentence in _sentences(plan):
        say(sentence, "- ")
    print()
    for line in _expected_lines(plan):
        say(line) if len(line) > width() else print(line)


def _cautions(plan: _Plan) -> list[str]:
    """What stands before the recipe: the right bag first, then whatever this day and the third one ask for."""
    number = plan.settings.site.emergency_number
    steps = [step.text for step in STEPS if step.step_id in ("bag", "oil")]
    return [*steps, *(with_emergency_number(text, number) for text in CAUTIONS.values()), DEFERS]


def _sentences(plan: _Plan) -> list[str]:
    recipe = plan.recipe
    lye = lye_temperature(recipe, plan.air_c, plan.settings.place().boiling_point_c)
    return [
        *recipe_warnings(recipe),
        *balance_sentences(lye_balance(recipe)),
        *lye_sentences(recipe, lye, plan.air_c),
        *room_sentences(room(recipe, plan.vessel)),
        *dilution_sentences(dilution(recipe), plan.hardness_mmol_l),
    ]


def _expected_lines(plan: _Plan) -> list[str]:
    """The band of a good batch as a table of times, bare, under a blanket and in a box."""
    limit_c = plan.settings.place().too_hot_c
    bands = {kind: expected_band(plan, kind, _SHOWN_H) for kind in INSULATIONS}
    lines = [
        f"What a good batch shows in its core, °C, poured at {plan.mix_c:.0f} °C where it is {plan.air_c:.0f} °C "
        "(19 of 20 stay above the lower figure, 19 of 20 below the upper one):",
        "",
        "  " + f"{'after':<10}" + "".join(f"{kind:>12}" for kind in INSULATIONS),
    ]
    for place, hours in enumerate(_SHOWN_H):
        cells = "".join(f"{f'{low[place]:.0f} to {high[place]:.0f}':>12}" for low, high in bands.values())
        lines.append(f"  {_span(hours):<10}{cells}")
    lines += [
        "",
        f"Past {limit_c:.0f} °C it can boil over: no blanket and no box then, room in the bucket, the lid loose. "
        "Stiff and past 75 to 80 °C 20 minutes after blending, it has taken.",
    ]
    return lines


def expected_band(plan: _Plan, insulation: str, hours: tuple[float, ...]) -> tuple[list[float], list[float]]:
    """Lower and upper edge (5, 95 %, °C) of a good batch's core at so many hours after the pour, in still air."""
    from monitor.heat.estimator import Estimator

    batch = Batch("plan", "plan", 0.0, plan.recipe, Vessel(plan.vessel.litres, insulation))
    estimator = Estimator(batch, plan.settings.place())
    estimator.note(LogEntry("poured", 0.0, 0.0, temperature_c=plan.mix_c))
    estimator.note(LogEntry("blended", 600.0, 600.0))
    for minute in range(0, 60):
        estimator.update(Reading("plan", AMBIENT, 60.0 * minute, 60.0 * minute, plan.air_c))
    band = estimator.band([3600.0 * hour for hour in hours])
    return [float(value) for value in band.low_c], [float(value) for value in band.high_c]


def _span(hours: float) -> str:
    return f"{hours * 60:.0f} min" if hours < 1 else f"{hours:.0f} h"


# ---- for programs --------------------------------------------------------------------------------------------------


def _as_json(plan: _Plan) -> dict[str, object]:
    recipe, settings = plan.recipe, plan.settings
    lye = lye_temperature(recipe, plan.air_c, settings.place().boiling_point_c)
    space = room(recipe, plan.vessel)
    bands = {kind: expected_band(plan, kind, _SHOWN_H) for kind in INSULATIONS}
    return {
        "recipe": dataclasses.asdict(recipe),
        "vessel": dataclasses.asdict(plan.vessel),
        "air_c": plan.air_c,
        "mix_c": plan.mix_c,
        "hardness_mmol_l": plan.hardness_mmol_l,
        "lye_balance": dataclasses.asdict(lye_balance(recipe)),
        "lye_temperature": {**dataclasses.asdict(lye), "may_boil": lye.may_boil, "dissolves": lye.dissolves},
        "heat_budget": dataclasses.asdict(heat_budget(recipe, plan.vessel)),
        "room": None if space is None else dataclasses.asdict(space),
        "dilution": dataclasses.asdict(dilution(recipe)),
        "expected": {
            "after_s": [3600.0 * hours for hours in _SHOWN_H],
            **{kind: {"low_c": low, "high_c": high} for kind, (low, high) in bands.items()},
        },
        "too_hot_c": settings.place().too_hot_c,
        "warnings": list(recipe_warnings(recipe)),
        "says": _sentences(plan),
        "cautions": _cautions(plan),
        "defers": DEFERS,
    }
