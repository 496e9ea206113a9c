"""``plan``: a recipe from any starting point, its lye balance, what the lye will do, and the curve to expect.

The cautions stand first. Everything is worked out in ``monitor.trade``; here it is asked, printed and saved.
"""

from __future__ import annotations

import argparse
import dataclasses
import time
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Any

from monitor.commands import YES
from monitor.commands.common import (
    MOST_NAME,
    CommandError,
    now_s,
    one_line,
    parser_for,
    print_json,
    say,
    settings_of,
    shown,
    warn,
    width,
)
from monitor.commands.prompts import ask, can_ask
from monitor.commands.recipe_args import (
    add_recipe,
    ask_blend,
    ask_is_koh,
    ask_koh,
    ask_oils,
    ask_opened,
    ask_purity,
    ask_water,
    mind_bucket,
    read_koh_kg,
    recipe_of,
    refuse_lye_heavy,
    vessel_of,
)
from monitor.domain import AMBIENT, INSULATIONS, Batch, LogEntry, Reading, Recipe, Vessel
from monitor.settings import Settings
from monitor.sources.batch_file import write_batch_file
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
from monitor.trade.dilution import Room, dilution, room
from monitor.trade.filled import Doubts, fill_in
from monitor.trade.lye import lye_temperature
from monitor.trade.making import CAUTIONS, DEFERS, STEPS, with_emergency_number
from monitor.trade.oils import told_name
from monitor.trade.planning import (
    LEAST_MIX_C,
    MOST_MIX_C,
    Blend,
    ExpectedBand,
    Recommendation,
    SizeOutlook,
    Terms,
    Way,
    blend_of,
    oil_for_bucket,
    oil_for_litres,
    recipe_for_oil,
    recipe_for_potash,
    recommend,
    recommendation_sentences,
    scale_to_grams,
    size_sentences,
)
from monitor.trade.recipe import check_recipe, heat_budget, lye_balance, mix_volume_l, plan_recipe, scale_recipe
from monitor.trade.telling import (
    balance_sentences,
    dilution_sentences,
    doubt_sentences,
    lye_sentences,
    recipe_warnings,
    room_sentences,
)
from monitor.words import quantity, tr, trc

# When the curve is worth looking at, hours after blending: the deciding moment, the peak, bedtime, next morning.
_SHOWN_H = (1 / 3, 1.0, 2.0, 4.0, 8.0, 12.0, 24.0)
# Finer, for what is weighed of it: minutes after blending.
_WEIGHED_MIN = (0.0, 10.0, 15.0, 20.0, 25.0, 30.0, 40.0, 50.0, 60.0, 80.0, 100.0, 120.0, 150.0, 180.0, 240.0, 480.0)
_USUAL_PURITY = 0.90
_USUAL_WATER_PER_KOH = 1.55
_MIX_C, _AIR_C = 55.0, 18.0
# How long it is blended, s for each kg, between 3 and 20 minutes: about ten minutes for the usual batch of 5 kg.
_BLEND_S_KG, _BLEND_S = 120.0, (180.0, 1200.0)
# A bucket of which nobody knows the litres, for each kg of mix: 22 litres for the usual batch.
_BUCKET_L_KG = 22.0 / 5.0
_MOST_SCALE_ERROR_KG = 0.5


@dataclasses.dataclass(frozen=True, slots=True)
class _Start:
    """From where it is planned: ``kind`` (oils, scale, make, fill-bucket, have-koh) and how much was wanted."""

    kind: str = "oils"
    wanted: float | None = None


@dataclasses.dataclass(frozen=True, slots=True)
class _Plan:
    """All that is planned, and where. ``original`` is the known recipe where this one is another size of it."""

    recipe: Recipe
    vessel: Vessel
    settings: Settings
    start: _Start
    original: Recipe | None
    doubts: Doubts
    opened: date | None
    strength: float | None
    dilute_in_it: bool
    air_c: float
    mix_c: float
    hardness_mmol_l: float | None


def add(parsers: Any) -> None:
    """Describe the command."""
    parser = parser_for(
        parsers, "plan", tr("plan a recipe: lye balance, water, expected curve, cautions"),
        'emberpail plan --oil "rapeseed 3.6 L" --purity 90% --litres 25L --air 8C\n'
        '  emberpail plan --blend "sunflower 70%, rapeseed 30%" --make 20L --opened 2026-05',
        description=tr(
            "Plan a recipe from the oils at hand, the finished litres wanted, the bucket or the potash at hand: "
            "lye balance, how hot the lye becomes, room in the bucket, water for the dilution, the curve to expect and "
            "what to do about it, after the cautions. Potash and water are worked out where they are left out. At a "
            "terminal it asks when no oil is given."
        ),
    )  # fmt: skip
    add_recipe(parser)
    parser.add_argument(
        "--blend", metavar=tr("SHARES"), help=tr('proportions of the oils by mass: "sunflower 70%%, rapeseed 30%%"')
    )
    parser.add_argument("--make", metavar=tr("VOLUME"), help=tr("so much finished soap is wanted: 20L"))
    parser.add_argument(
        "--fill-bucket", action="store_true", help=tr("the largest batch that keeps the bucket's head-room")
    )
    parser.add_argument("--have-koh", metavar=tr("MASS"), help=tr("use up the potash at hand: 640g"))
    parser.add_argument("--scale", metavar=tr("FACTOR"), help=tr("make the recipe this many times as large: 1.5"))
    parser.add_argument(
        "--strength", metavar=tr("SHARE"), help=tr("soap in the finished liquid: 15%% (default: the usual 15 to 16)")
    )
    parser.add_argument("--opened", metavar=tr("DAY"), help=tr("since when the bag of potash is open: 2026-05"))
    parser.add_argument(
        "--scale-error", metavar=tr("MASS"), help=tr("by how much the scale may be wrong: 5g (default: 0.3%% and 1 g)")
    )
    parser.add_argument("--dilute-elsewhere", action="store_true", help=tr("it is not diluted in this bucket"))
    parser.add_argument(
        "--bucket", metavar=tr("NAME"), help=tr("take litres and insulation from this bucket's settings")
    )
    parser.add_argument("--air", metavar=tr("DEGREES"), help=tr("where it will stand (default: 18C)"))
    parser.add_argument("--mix", metavar=tr("DEGREES"), help=tr("mix temperature aimed at (default: 55C)"))
    parser.add_argument(
        "--hardness", metavar=tr("AMOUNT"), help=tr('of your water: "15 dH", "270 mg/L", "16 gpg"; see water')
    )
    parser.add_argument("--save", metavar="NAME.toml", help=tr("write a batch file for start --from"))
    parser.add_argument("--overwrite", action="store_true", help=tr("with --save: replace the file that is there"))
    parser.add_argument("--json", action="store_true", help=tr("for programs"))
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Plan what was typed; the potash and the water are worked out where they were left out."""
    settings = settings_of(args)
    if args.bucket is not None:
        mind_bucket(settings, args.bucket)
    _mind_save(args)
    plan = _plan_of(args, settings)
    refuse_lye_heavy(plan.recipe, args.anyway, plan.doubts)
    # Worked out before the file is written and anything printed: what cannot be leaves nothing behind.
    told = _Told.of(plan)
    if args.save is not None:
        _save(args, plan)
    if args.json:
        print_json(_as_json(plan, told, args.save))
    else:
        _print(plan, told)
        if args.save is not None:
            print()
            say(tr("Written: {file}. To begin: emberpail start --from {file}", file=args.save))
    return YES


# ---- what was typed ------------------------------------------------------------------------------------------------


def _plan_of(args: argparse.Namespace, settings: Settings) -> _Plan:
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
    terms = Terms(typed.koh_purity or _USUAL_PURITY, strength=strength)
    given = _Given(typed, blend, terms, vessel, not args.dilute_elsewhere)
    recipe, original = _sized(given, target, factor)
    check_recipe(recipe)
    if strength is not None:
        dilution(recipe, strength)  # refuses a strength that this paste does not reach
    start = target or (_Start("scale", factor) if factor != 1.0 else _Start())
    return _Plan(
        recipe, vessel, settings, start, original,
        Doubts(None if opened is None else months_between(opened, today), scale_error_kg), opened, strength,
        not args.dilute_elsewhere, air_c, _MIX_C if mix_c is None else mix_c, hardness,
    )  # fmt: skip


def _target(args: argparse.Namespace) -> _Start | None:
    given = [name for name, value in (("--make", args.make), ("--fill-bucket", args.fill_bucket),
             ("--have-koh", args.have_koh)) if value]  # fmt: skip
    if len(given) > 1:
        left_out = ", ".join(given[1:])
        raise CommandError(tr("Plan from one starting point at a time: leave out {options}.", options=left_out))
    if args.make is not None:
        return _Start("make", _make_litres(args.make))
    if args.have_koh is not None:
        return _Start("have-koh", read_koh_kg(args.have_koh))
    return _Start("fill-bucket") if args.fill_bucket else None


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


def _sized(given: _Given, target: _Start | None, factor: float) -> tuple[Recipe, Recipe | None]:
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


def _factor_for(target: _Start, known: Recipe, given: _Given) -> float:
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
    target: _Start | None
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
            empty=quantity(_MIX_C, "degC"),
        )
    return _Answers(typed, blend, target, opened, mix_c)


def _ask_target(vessel: Vessel) -> _Start | None:
    def read(text: str) -> _Start:
        plain = text.strip().lower()
        if plain in {"bucket", tr("bucket")}:
            if vessel.litres is None:
                raise ValueError(tr("The bucket's size is not known here: start again with --litres 25L."))
            return _Start("fill-bucket")
        amount = parse_amount(text, tr("the starting point"))
        if amount.litres is not None:
            return _Start("make", amount.litres)
        return _Start("have-koh", read_koh_kg(text))

    return ask(tr("Finished soap wanted, like 20 L; or the potash at hand, like 640 g; or bucket, to fill it"), read)


# ---- what is worked out --------------------------------------------------------------------------------------------


@dataclasses.dataclass(frozen=True, slots=True)
class _Told:
    """What both people and programs are told."""

    space: Room | None
    shown: dict[str, ExpectedBand]
    advice: Recommendation
    sizes: tuple[SizeOutlook, SizeOutlook] | None

    @staticmethod
    def of(plan: _Plan) -> _Told:
        shown = {kind: expected_band(plan, kind, [3600.0 * h for h in _SHOWN_H]) for kind in INSULATIONS}
        space = room(plan.recipe, plan.vessel, plan.strength)
        aimed = Way(plan.mix_c, plan.vessel.insulation)
        weighed_s = [60.0 * minute for minute in _WEIGHED_MIN]
        mixes = sorted({plan.mix_c, *(float(c) for c in range(int(LEAST_MIX_C), int(MOST_MIX_C) + 1, 5))})
        bands = {
            Way(mix_c, kind): expected_band(plan, kind, weighed_s, mix_c=mix_c)
            for mix_c in mixes
            for kind in INSULATIONS
        }
        roomy = None if space is None else space.blends_well
        advice = recommend(bands, aimed, plan.settings.place().too_hot_c, roomy=roomy)
        sizes = None
        if plan.original is not None:
            sizes = (_size(plan, plan.original, weighed_s), _size(plan, plan.recipe, weighed_s))
        return _Told(space, shown, advice, sizes)


def blend_s(recipe: Recipe) -> float:
    """How long a batch of this mass is taken to be blended, s."""
    return min(max(_BLEND_S_KG * fill_in(recipe).mass_kg, _BLEND_S[0]), _BLEND_S[1])


def expected_band(
    plan: _Plan,
    insulation: str,
    after_blend_s: Sequence[float],
    *,
    mix_c: float | None = None,
    recipe: Recipe | None = None,
    litres: float | None = None,
) -> ExpectedBand:
    """Where a good batch's core stands (5, 50, 95 %) at so many seconds after blending, in still air."""
    from monitor.heat.estimator import Estimator

    recipe = recipe or plan.recipe
    blended_s = blend_s(recipe)
    last_s = max(after_blend_s) + blended_s + 3600.0
    batch = Batch(
        "plan", "plan", 0.0, recipe, Vessel(litres or plan.vessel.litres, insulation), planned_dilution_s=last_s
    )
    estimator = Estimator(batch, plan.settings.place())
    estimator.note(LogEntry("poured", 0.0, 0.0, temperature_c=plan.mix_c if mix_c is None else mix_c))
    estimator.note(LogEntry("blended", blended_s, blended_s))
    for minute in range(0, 60):
        estimator.update(Reading("plan", AMBIENT, 60.0 * minute, 60.0 * minute, plan.air_c))
    band = estimator.band([blended_s + after_s for after_s in after_blend_s])
    low, mid, high = (tuple(float(c) for c in edge) for edge in (band.low_c, band.median_c, band.high_c))
    return ExpectedBand(tuple(after_blend_s), low, mid, high)


def _size(plan: _Plan, recipe: Recipe, after_blend_s: Sequence[float]) -> SizeOutlook:
    """How a batch of this size keeps its heat, bare, in a bucket in proportion to it."""
    from monitor.heat.balance import bucket_area_m2, loss_coefficient_w_k

    mass_kg = fill_in(recipe).mass_kg
    planned_kg = fill_in(plan.recipe).mass_kg
    litres = (plan.vessel.litres or _BUCKET_L_KG * planned_kg) * mass_kg / planned_kg
    budget = heat_budget(recipe, Vessel(litres))
    warm_k = 40.0  # a paste on its way down
    loss_w_k = float(loss_coefficient_w_k(bucket_area_m2(litres, budget.volume_l), warm_k))
    band = expected_band(plan, "bare", after_blend_s, recipe=recipe, litres=litres)
    return SizeOutlook(
        mass_kg, 1000.0 * budget.heat_capacity_end_kj_k / loss_w_k, band.peak()[0], band.median_at(4 * 3600.0)
    )


# ---- for people ----------------------------------------------------------------------------------------------------


def _print(plan: _Plan, told: _Told) -> None:
    recipe = plan.recipe
    print(tr("Before anything else:"))
    for caution in _cautions(plan):
        say(caution, "  ! ")
    print("\n" + tr("Weigh, twice:"))
    purity = 100.0 * (recipe.koh_purity or _USUAL_PURITY)
    for kg, what in (
        *((share.kg, told_name(share.name)) for share in recipe.oils),
        (recipe.koh_kg, tr("potash: potassium hydroxide (KOH), {purity:.0f}% on the bag", purity=purity)),
        (recipe.water_kg, tr("soft water, all of it before the potash")),
    ):
        say(what, f"  {quantity(kg or 0.0, 'kg', 3):>11}  ")
    print()
    for sentence in _sentences(plan, told):
        say(sentence, "- ")
    print()
    for line in _expected_lines(plan, told):
        say(line) if len(line) > width() else print(line)
    print()
    for sentence in _advice(told):
        say(sentence, "- ")


def _cautions(plan: _Plan) -> list[str]:
    """What stands before the recipe: the right bag first, then whatever this day and the third one ask for."""
    number = plan.settings.site.emergency_number
    steps = [tr(step.text) for step in STEPS if step.step_id in ("bag", "oil")]
    return [*steps, *(with_emergency_number(text, number) for text in CAUTIONS.values()), tr(DEFERS)]


def _start_sentences(plan: _Plan) -> list[str]:
    wanted = plan.start.wanted or 0.0
    if plan.start.kind == "make":
        return [tr("Planned from {litres:litres1} of finished soap.", litres=wanted)]
    if plan.start.kind == "have-koh":
        return [tr("Planned from {mass:kg3} of potash, all of it used.", mass=wanted)]
    if plan.start.kind == "fill-bucket" and plan.vessel.litres is not None:
        if not plan.dilute_in_it:
            return [tr("Planned as the largest batch that leaves half of the bucket free for boiling and blending.")]
        return [
            tr(
                "Planned as the largest batch that leaves half of the bucket free for boiling and blending, and a "
                "tenth of it when it is diluted."
            )
        ]
    if plan.start.kind == "scale":
        return [tr("Planned as {factor:g} times the recipe given.", factor=wanted)]
    return []


def _sentences(plan: _Plan, told: _Told) -> list[str]:
    recipe = plan.recipe
    lye = lye_temperature(recipe, plan.air_c, plan.settings.place().boiling_point_c)
    space = room_sentences(told.space, dilute_in_it=plan.dilute_in_it)
    return [
        *_start_sentences(plan),
        *recipe_warnings(recipe),
        *balance_sentences(lye_balance(recipe, plan.doubts)),
        *doubt_sentences(recipe, plan.doubts),
        *lye_sentences(recipe, lye, plan.air_c),
        *space,
        *dilution_sentences(dilution(recipe, plan.strength), plan.hardness_mmol_l),
        *(size_sentences(*told.sizes) if told.sizes is not None else ()),
    ]


def _advice(told: _Told) -> list[str]:
    aim = tr("Aim at a mix of {least:degC} or more: a batch that starts cool does not carry itself.", least=LEAST_MIX_C)
    return [aim, *recommendation_sentences(told.advice)]


def _expected_lines(plan: _Plan, told: _Told) -> list[str]:
    """The band of a good batch as a table of times, bare, under a blanket and in a box."""
    limit_c = plan.settings.place().too_hot_c
    names = {
        "bare": trc("heading", "bare"),
        "blanket": trc("heading", "blanket"),
        "box": trc("heading", "box"),
    }
    lines = [
        tr(
            "What a good batch shows in its core, {unit}, poured at {mix:degC} where it is {air:degC} and blended for "
            "{minutes:.0f} min (19 of 20 stay above the lower figure, 19 of 20 below the upper one):",
            unit=quantity(0.0, "degC").split()[-1], mix=plan.mix_c, air=plan.air_c, minutes=blend_s(plan.recipe) / 60.0,
        ),
        "",
        "  " + f"{tr('after blending'):<16}" + "".join(f"{names[kind]:>12}" for kind in told.shown),
    ]  # fmt: skip
    for place, hours in enumerate(_SHOWN_H):
        cells = "".join(
            f"{tr('{low:deg} to {high:deg}', low=band.low_c[place], high=band.high_c[place]):>12}"
            for band in told.shown.values()
        )
        lines.append(f"  {_span(hours):<16}{cells}")
    lines += [
        "",
        tr(
            "Past {limit:degC} it can boil over: no blanket and no box then, room in the bucket, the lid loose. Stiff "
            "and past {75:deg} to {80:degC} 20 minutes after blending, it has taken.",
            limit=limit_c,
        ),
    ]
    return lines


def _span(hours: float) -> str:
    return tr("{minutes:.0f} min", minutes=hours * 60) if hours < 1 else tr("{hours:.0f} h", hours=hours)


# ---- the batch file ------------------------------------------------------------------------------------------------


def _mind_save(args: argparse.Namespace) -> None:
    """Refuse a file that cannot be written, before anything is worked out."""
    if args.save is None:
        if args.overwrite:
            raise CommandError(tr("--overwrite goes with --save."))
        return
    path = Path(args.save)
    if path.suffix != ".toml" or path.stem in ("", ".toml"):
        raise CommandError(
            tr("{file} is no name for a batch file: it ends in .toml, like Quillmarsh-12.toml.", file=shown(args.save))
        )
    one_line(path.stem, tr("The batch's name"), MOST_NAME)
    if args.bucket is None:
        raise CommandError(tr("A batch file names its bucket: add --bucket, as its node sends it, like shed-2."))
    if path.exists() and not args.overwrite:
        raise CommandError(
            tr(
                "{file} is there already and stays as it is: choose another name, or add --overwrite.",
                file=shown(args.save),
            )
        )


def _save(args: argparse.Namespace, plan: _Plan) -> None:
    """Write what ``start --from`` reads; it counts as started now, which the file says and anybody may change."""
    path = Path(args.save)
    there = path.exists()
    started_s = float(int(time.time() // 60) * 60)
    recipe = dataclasses.replace(plan.recipe, koh_purity=plan.recipe.koh_purity or _USUAL_PURITY)
    # A note, kept in English like every log entry of the program's own.
    note = f"planned: mix of {plan.mix_c:.0f} °C, {plan.air_c:.0f} °C air"
    if plan.opened is not None:
        note += f", bag open since {plan.opened.isoformat()}"
    if plan.strength is not None:
        note += f", dilute to {100.0 * plan.strength:g} % soap"
    entry = LogEntry("note", started_s, started_s, text=note)
    write_batch_file(path, Batch(path.stem, args.bucket, started_s, recipe, plan.vessel), (entry,))
    if there:
        warn(tr("{file} was there and has been replaced.", file=shown(args.save)))


# ---- for programs --------------------------------------------------------------------------------------------------


def _as_json(plan: _Plan, told: _Told, saved: str | None) -> dict[str, object]:
    recipe, settings = plan.recipe, plan.settings
    lye = lye_temperature(recipe, plan.air_c, settings.place().boiling_point_c)
    space, advice, diluted = told.space, told.advice, dilution(recipe, plan.strength)
    original = None
    if plan.original is not None and told.sizes is not None:
        original = {
            "recipe": dataclasses.asdict(plan.original),
            "size": dataclasses.asdict(told.sizes[0]),
            "planned_size": dataclasses.asdict(told.sizes[1]),
        }
    return {
        "start": dataclasses.asdict(plan.start),
        "recipe": dataclasses.asdict(recipe),
        "vessel": dataclasses.asdict(plan.vessel),
        "dilute_in_it": plan.dilute_in_it,
        "air_c": plan.air_c,
        "mix_c": plan.mix_c,
        "mix_volume_l": mix_volume_l(fill_in(recipe)),
        "hardness_mmol_l": plan.hardness_mmol_l,
        "opened": None if plan.opened is None else plan.opened.isoformat(),
        "doubts": dataclasses.asdict(plan.doubts),
        "strength": plan.strength,
        "lye_balance": dataclasses.asdict(lye_balance(recipe, plan.doubts)),
        "lye_temperature": {**dataclasses.asdict(lye), "may_boil": lye.may_boil, "dissolves": lye.dissolves},
        "heat_budget": dataclasses.asdict(heat_budget(recipe, plan.vessel, plan.doubts)),
        "room": None if space is None else {**dataclasses.asdict(space), **_properties(space, (
            "blends_well", "dilutes_in_it", "free_when_blended_l", "least_free_when_blended_l", "free_when_diluted_l",
            "least_free_when_diluted_l",
        ))},
        "dilution": {**dataclasses.asdict(diluted), "water_kg": diluted.water_kg, "litres": diluted.litres},
        "original": original,
        "expected": {
            "after_s": [3600.0 * hours for hours in _SHOWN_H],
            "blend_s": blend_s(recipe),
            **{
                kind: {"low_c": band.low_c, "median_c": band.median_c, "high_c": band.high_c}
                for kind, band in told.shown.items()
            },
        },
        "recommendation": {
            "mix_c": advice.way.mix_c,
            "insulation": advice.way.insulation,
            "pour": advice.pour,
            "cover_after_peak": advice.cover_after_peak,
            "outlook": dataclasses.asdict(advice.outlook),
            "as_aimed": {**dataclasses.asdict(advice.aimed), **dataclasses.asdict(advice.aimed_outlook)},
            "other_covers": {kind: dataclasses.asdict(seen) for kind, seen in advice.others.items()},
            "says": _advice(told),
        },
        "too_hot_c": settings.place().too_hot_c,
        "saved": saved,
        "warnings": list(recipe_warnings(recipe)),
        "says": _sentences(plan, told),
        "cautions": _cautions(plan),
        "defers": tr(DEFERS),
    }  # fmt: skip


def _properties(value: object, names: Sequence[str]) -> dict[str, object]:
    return {name: getattr(value, name) for name in names}
