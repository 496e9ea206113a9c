"""From what was typed to a plan: the starting point, the known recipe, and what has to be asked at a terminal."""

from __future__ import annotations

import argparse
import dataclasses
from datetime import date

from monitor.commands.common import (
    CommandError,
    now_s,
)
from monitor.commands.prompts import ask, can_ask
from monitor.commands.recipe_args import (
    ask_blend,
    ask_is_koh,
    ask_koh,
    ask_oils,
    ask_opened,
    ask_purity,
    ask_water,
    read_koh_kg,
    recipe_of,
    vessel_of,
)
from monitor.domain import Recipe, Vessel
from monitor.settings import Settings
from monitor.trade.amounts import (
    BadAmount,
    months_between,
    parse_amount,
    parse_blend,
    parse_hardness_mmol_l,
    parse_mass_kg,
    parse_opened,
    parse_strength,
    parse_temperature_c,
    parse_volume_l,
)
from monitor.trade.constants import FULLEST_WHEN_BLENDED, FULLEST_WHEN_DILUTED
from monitor.trade.dilution import dilution, room
from monitor.trade.filled import Doubts
from monitor.trade.planning import (
    Blend,
    Terms,
    blend_of,
    oil_for_bucket,
    oil_for_litres,
    recipe_for_oil,
    recipe_for_potash,
    scale_to_grams,
)
from monitor.trade.recipe import check_recipe, plan_recipe, scale_recipe
from monitor.words import tr

USUAL_PURITY = 0.90
_USUAL_WATER_PER_KOH = 1.55
_MIX_C, _AIR_C = 55.0, 18.0
_MOST_SCALE_ERROR_KG = 0.5


@dataclasses.dataclass(frozen=True, slots=True)
class Start:
    """From where it is planned: ``kind`` (oils, scale, make, fill-bucket, have-koh) and how much was wanted."""

    kind: str = "oils"
    wanted: float | None = None


@dataclasses.dataclass(frozen=True, slots=True)
class Plan:
    """All that is planned, and where. ``original`` is the known recipe where this one is another size of it.

    ``mix_c`` is where the weighing of ways begins; where nobody stated it, what is recommended takes its place.
    ``bucket`` is where it is to be made, "" where that is open.
    """

    recipe: Recipe
    vessel: Vessel
    settings: Settings
    start: Start
    original: Recipe | None
    doubts: Doubts
    opened: date | None
    strength: float | None
    dilute_in_it: bool
    air_c: float
    mix_c: float
    mix_stated: bool
    hardness_mmol_l: float | None
    assumed: tuple[str, ...]
    bucket: str = ""


# ---- what was typed ------------------------------------------------------------------------------------------------


def plan_of(args: argparse.Namespace, settings: Settings) -> Plan:
    target = _target(args)
    only_named = len(args.oil) == 1 and not any(c.isdigit() for c in args.oil[0]) and args.oil[0].strip() and target
    blend: Blend | None = None
    if args.blend is not None:
        if args.oil:
            raise CommandError(tr("Give the oils with --oil or their proportions with --blend, not both."))
        blend = parse_blend(args.blend)
    elif only_named:
        blend = parse_blend(args.oil[0])
        args.oil = []
    typed = recipe_of(args)
    vessel = vessel_of(args, settings, args.bucket)
    air_c = _AIR_C if args.air is None else parse_temperature_c(args.air, tr("the air"))
    mix_c = None if args.mix is None else parse_temperature_c(args.mix, tr("the mix"))
    hardness = None if args.hardness is None else parse_hardness_mmol_l(args.hardness)
    strength = None if args.strength is None else parse_strength(args.strength)
    # The day of the place's own calendar; the wall clock is asked once.
    today = settings.local_time(now_s()).date()
    opened = None if args.opened is None else parse_opened(args.opened, today)
    scale_error_kg = None if args.scale_error is None else _scale_error_kg(args.scale_error)
    factor = _factor(args.scale)
    if not typed.oils and blend is None:
        if not can_ask():
            raise CommandError(
                tr('Give at least one oil: emberpail plan --oil "sunflower 4.2 kg" --purity 90%'),
            )
        answers = _ask_all(_Answers(typed, None, target, opened, mix_c), vessel, today)
        typed, blend, target = answers.typed, answers.blend, answers.target
        opened, mix_c = answers.opened, answers.mix_c
    if blend is not None and target is None:
        raise CommandError(
            tr(
                "Proportions alone do not say how much: add --make 20L, --fill-bucket or --have-koh 640g, or weigh the "
                "oils."
            )
        )
    if blend is not None and typed.koh_kg is not None:
        raise CommandError(
            tr("Proportions and --koh do not go together: write --have-koh for the potash that is to be used up.")
        )
    if target is not None and factor != 1.0:
        raise CommandError(tr("--scale does not go together with --make, --fill-bucket or --have-koh: leave one out."))
    terms = Terms(typed.koh_purity or USUAL_PURITY, strength=strength)
    given = _Given(typed, blend, terms, vessel, not args.dilute_elsewhere)
    recipe, original = _sized(given, target, factor)
    check_recipe(recipe)
    if strength is not None:
        dilution(recipe, strength)  # refuses a strength that this paste does not reach
    start = target or (Start("scale", factor) if factor != 1.0 else Start())
    return Plan(
        recipe, vessel, settings, start, original,
        Doubts(None if opened is None else months_between(opened, today), scale_error_kg), opened, strength,
        not args.dilute_elsewhere, air_c, _MIX_C if mix_c is None else mix_c, mix_c is not None, hardness,
        ("unknown_purity",) if typed.koh_purity is None else (), args.bucket or "",
    )  # fmt: skip


def _target(args: argparse.Namespace) -> Start | None:
    given = [name for name, value in (("--make", args.make), ("--fill-bucket", args.fill_bucket),
             ("--have-koh", args.have_koh)) if value]  # fmt: skip
    if len(given) > 1:
        left_out = ", ".join(given[1:])
        raise CommandError(tr("Plan from one starting point at a time: leave out {options}.", options=left_out))
    if args.make is not None:
        return Start("make", _make_litres(args.make))
    if args.have_koh is not None:
        return Start("have-koh", read_koh_kg(args.have_koh))
    return Start("fill-bucket") if args.fill_bucket else None


def _make_litres(text: str) -> float:
    return parse_volume_l(text, tr("the finished soap"), default_unit="L")


def _scale_error_kg(text: str) -> float:
    kg = parse_mass_kg(text, tr("the error of the scale"), default_unit="g")
    if kg > _MOST_SCALE_ERROR_KG:
        raise BadAmount(
            tr('For the error of the scale "{typed}" is {kg:g} kg; between 1 and 500 g is allowed.', typed=text, kg=kg)
        )
    return kg


def _factor(text: str | None) -> float:
    if text is None:
        return 1.0
    try:
        factor = float(text.replace(",", "."))
    except ValueError:
        factor = float("nan")
    if not 0.01 <= factor <= 100.0:
        raise CommandError(tr("The scale is a number from 0.01 to 100: write for example --scale 1.5."))
    return factor


def _filled_out(typed: Recipe, purity: float) -> Recipe:
    """The recipe with potash and water filled in."""
    if typed.koh_kg is None:
        proposed = plan_recipe(typed.oils, purity)
        return dataclasses.replace(proposed, koh_purity=purity, water_kg=typed.water_kg or proposed.water_kg)
    if typed.water_kg is None:
        return dataclasses.replace(typed, water_kg=round(_USUAL_WATER_PER_KOH * typed.koh_kg, 3))
    return typed


@dataclasses.dataclass(frozen=True, slots=True)
class _Given:
    """The oils weighed or their proportions, and what else the size of a batch depends on."""

    typed: Recipe
    blend: Blend | None
    terms: Terms
    vessel: Vessel
    dilute_in_it: bool


def _sized(given: _Given, target: Start | None, factor: float) -> tuple[Recipe, Recipe | None]:
    """The recipe planned, and the known one where it is another size of it."""
    typed, terms = given.typed, given.terms
    if target is None:
        known = _filled_out(typed, terms.purity)
        return (scale_recipe(known, factor), known) if factor != 1.0 else (known, None)
    if typed.oils and typed.koh_kg is not None:
        known = _filled_out(typed, terms.purity)
        check_recipe(known)
        return scale_to_grams(known, _factor_for(target, known, given)), known
    original = _filled_out(typed, terms.purity) if typed.oils else None
    shares = given.blend if given.blend is not None else blend_of(typed.oils)
    if target.kind == "make":
        recipe = recipe_for_oil(shares, oil_for_litres(shares, target.wanted or 0.0, terms), terms)
    elif target.kind == "have-koh":
        recipe = recipe_for_potash(shares, target.wanted or 0.0, terms)
    else:
        oil_kg = oil_for_bucket(shares, _litres_of(given.vessel), terms, dilute_in_it=given.dilute_in_it)
        recipe = recipe_for_oil(shares, oil_kg, terms)
    if typed.water_kg is not None:
        recipe = dataclasses.replace(recipe, water_kg=typed.water_kg)
    return recipe, original


def _factor_for(target: Start, known: Recipe, given: _Given) -> float:
    """How many times as large a known recipe must be for a target."""
    if target.kind == "make":
        return (target.wanted or 0.0) / dilution(known, given.terms.strength).litres
    if target.kind == "have-koh":
        return (target.wanted or 0.0) / (known.koh_kg or 1.0)
    space = room(known, Vessel(_litres_of(given.vessel)), given.terms.strength)
    assert space is not None
    by_blending = FULLEST_WHEN_BLENDED / space.when_blended
    return min(by_blending, FULLEST_WHEN_DILUTED / space.when_diluted) if given.dilute_in_it else by_blending


def _litres_of(vessel: Vessel) -> float:
    if vessel.litres is None:
        raise CommandError(tr("To fill a bucket its size must be known: add --litres 25L, or --bucket with its name."))
    return vessel.litres


# ---- what is asked -------------------------------------------------------------------------------------------------


@dataclasses.dataclass(frozen=True, slots=True)
class _Answers:
    """What is known so far; None (or no oils) where it has still to be asked."""

    typed: Recipe
    blend: Blend | None
    target: Start | None
    opened: date | None
    mix_c: float | None


def _ask_all(known: _Answers, vessel: Vessel, today: date) -> _Answers:
    """Ask for all that is missing, one thing at a time."""
    typed, blend, target, opened, mix_c = known.typed, known.blend, known.target, known.opened, known.mix_c
    if target is None:
        oils = ask_oils(which_rapeseed=True, empty=tr("plan from finished litres, the potash or the bucket instead"))
        typed = dataclasses.replace(typed, oils=oils)
    if not typed.oils:
        blend = ask_blend()
        target = target or _ask_target(vessel)
    ask_is_koh()
    if typed.oils and typed.koh_kg is None:
        typed = ask_koh(typed, tr("work it out"))
    if typed.koh_purity is None:
        typed = ask_purity(typed)
    if opened is None:
        opened = ask_opened(today)
    if typed.water_kg is None:
        typed = ask_water(typed, tr("work it out"))
    if mix_c is None:
        mix_c = ask(
            tr("Temperature of the mix that you aim at"),
            lambda text: parse_temperature_c(text, tr("the mix")),
            empty=tr("what is recommended"),
        )
    return _Answers(typed, blend, target, opened, mix_c)


def _ask_target(vessel: Vessel) -> Start | None:
    def read(text: str) -> Start:
        plain = text.strip().lower()
        if plain in {"bucket", tr("bucket")}:
            if vessel.litres is None:
                raise ValueError(tr("The bucket's size is not known here: start again with --litres 25L."))
            return Start("fill-bucket")
        amount = parse_amount(text, tr("the starting point"))
        if amount.litres is not None:
            return Start("make", amount.litres)
        return Start("have-koh", read_koh_kg(text))

    return ask(tr("Finished soap wanted, like 20 L; or the potash at hand, like 640 g; or bucket, to fill it"), read)
