"""``plan``: a recipe from any starting point, its lye balance, what the lye will do, and the curve to expect.

The cautions stand first. Everything is worked out in ``monitor.trade``; here it is asked, printed and saved.
"""

from __future__ import annotations

import argparse
import dataclasses
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from monitor.commands import YES
from monitor.commands.common import (
    MOST_NAME,
    MOST_TEXT,
    CommandError,
    one_line,
    parser_for,
    print_json,
    say,
    settings_of,
    shown,
    warn,
    width,
)
from monitor.commands.plan_expected import SHOWN_H, Told, blend_s
from monitor.commands.plan_typed import USUAL_PURITY, Plan, plan_of
from monitor.commands.recipe_args import (
    add_recipe,
    mind_bucket,
    refuse_lye_heavy,
)
from monitor.commands.taught import taught_now
from monitor.domain import Batch, LogEntry, Recipe
from monitor.judgement.history_words import based_on, learned_from
from monitor.sources.batch_file import write_batch_file
from monitor.trade.cautions import CAUTIONS, DEFERS, caution
from monitor.trade.dilution import dilution
from monitor.trade.filled import fill_in
from monitor.trade.lye import lye_temperature
from monitor.trade.making import STEPS
from monitor.trade.oils import told_name
from monitor.trade.planning import (
    LEAST_MIX_C,
    recommendation_sentences,
    size_sentences,
)
from monitor.trade.recipe import heat_budget, lye_balance, mix_volume_l
from monitor.trade.telling import (
    assumed_words,
    balance_sentences,
    dilution_sentences,
    doubt_sentences,
    lye_sentences,
    recipe_warnings,
    room_sentences,
)
from monitor.words import quantity, tr, trc


def add(parsers: Any) -> None:
    """Describe the command."""
    parser = parser_for(
        parsers, "plan", tr("plan a recipe: lye balance, water, expected curve, cautions"),
        'emberpail plan --oil "rapeseed 3.6 L" --purity 90% --litres 25L --air 8C',
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
    parser.add_argument(
        "--mix", metavar=tr("DEGREES"), help=tr("mix temperature aimed at (default: what is recommended)")
    )
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
    plan = plan_of(args, settings)
    refuse_lye_heavy(plan.recipe, args.anyway, plan.doubts)
    # Worked out before the file is written and anything printed: what cannot be leaves nothing behind.
    plan, told = Told.of(plan, taught_now(settings))
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


# ---- for people ----------------------------------------------------------------------------------------------------


def _print(plan: Plan, told: Told) -> None:
    print(tr("Before anything else:"))
    for text in cautions_of(plan):
        say(text, "  ! ")
    print("\n" + tr("Weigh, twice:"))
    for kg, what in amounts_of(plan.recipe):
        say(what, f"  {quantity(kg, 'kg', 3):>11}  ")
    print()
    for sentence in sentences_of(plan, told):
        say(sentence, "- ")
    print()
    for line in _expected_lines(plan, told):
        say(line) if len(line) > width() else print(line)
    print()
    for sentence in advice_of(told):
        say(sentence, "- ")


def amounts_of(recipe: Recipe) -> tuple[tuple[float, str], ...]:
    """What is weighed: kilograms, and of what."""
    purity = 100.0 * (recipe.koh_purity or USUAL_PURITY)
    return (
        *((share.kg or 0.0, told_name(share.name)) for share in recipe.oils),
        (recipe.koh_kg or 0.0, tr("potash: potassium hydroxide (KOH), {purity:.0f}% on the bag", purity=purity)),
        (recipe.water_kg or 0.0, tr("soft water, all of it before the potash")),
    )


def cautions_of(plan: Plan) -> list[str]:
    """What stands before the recipe: the right bag first, then whatever this day and the third one ask for."""
    number = plan.settings.site.emergency_number
    steps = [step.told_text() for step in STEPS if step.step_id in ("bag", "oil")]
    return [*steps, *(caution(key, number) for key in CAUTIONS), tr(DEFERS)]


def _start_sentences(plan: Plan) -> list[str]:
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


def sentences_of(plan: Plan, told: Told) -> list[str]:
    """What is to be known of the recipe: where it was planned from, its balance, the lye, the room, the dilution."""
    recipe = plan.recipe
    lye = lye_temperature(recipe, plan.air_c, plan.settings.place().boiling_point_c)
    space = room_sentences(told.space, dilute_in_it=plan.dilute_in_it)
    return [
        *_start_sentences(plan),
        *recipe_warnings(recipe),
        *balance_sentences(lye_balance(recipe, plan.doubts)),
        *map(assumed_words, plan.assumed),
        *doubt_sentences(recipe, plan.doubts),
        *lye_sentences(recipe, lye, plan.air_c),
        *space,
        *dilution_sentences(dilution(recipe, plan.strength), plan.hardness_mmol_l),
        *(size_sentences(*told.sizes) if told.sizes is not None else ()),
    ]


def advice_of(told: Told) -> list[str]:
    """How warm to pour and what to put round it."""
    aim = tr("Aim at a mix of {least:degC} or more: a batch that starts cool does not carry itself.", least=LEAST_MIX_C)
    return [aim, *recommendation_sentences(told.advice)]


@dataclasses.dataclass(frozen=True, slots=True)
class Expected:
    """The band of a good batch as a table: what it is, its heading, a row for each time, what to take from it."""

    title: str
    heading: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str


def expected_of(plan: Plan, told: Told) -> Expected:
    """The band of a good batch at the times that matter, bare, under a blanket and in a box."""
    limit_c = plan.settings.place().too_hot_c
    names = {
        "bare": trc("heading", "bare"),
        "blanket": trc("heading", "blanket"),
        "box": trc("heading", "box"),
    }
    return Expected(
        tr(
            "What a good batch shows in its core, {unit}, poured at {mix:degC} where it is {air:degC} and blended for "
            "{minutes:.0f} min (19 of 20 stay above the lower figure, 19 of 20 below the upper one):",
            unit=quantity(0.0, "degC").split()[-1], mix=plan.mix_c, air=plan.air_c, minutes=blend_s(plan.recipe) / 60.0,
        ),
        (tr("after blending"), *(names[kind] for kind in told.shown)),
        tuple(
            (
                span_words(hours),
                *(
                    tr("{low:deg} to {high:deg}", low=band.low_c[place], high=band.high_c[place])
                    for band in told.shown.values()
                ),
            )
            for place, hours in enumerate(SHOWN_H)
        ),
        " ".join(
            filter(
                None,
                (
                    based_on(told.history),
                    tr(
                        "Past {limit:degC} it can boil over: no blanket and no box then, room in the bucket, the lid "
                        "loose. Stiff and past {75:deg} to {80:degC} 20 minutes after blending, it has taken.",
                        limit=limit_c,
                    ),
                ),
            )
        ),
    )  # fmt: skip


def _expected_lines(plan: Plan, told: Told) -> list[str]:
    expected = expected_of(plan, told)
    rows = [f"  {first:<16}" + "".join(f"{cell:>12}" for cell in cells)
            for first, *cells in (expected.heading, *expected.rows)]  # fmt: skip
    return [expected.title, "", *rows, "", expected.note]


def span_words(hours: float) -> str:
    """A time after blending."""
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


def _save(args: argparse.Namespace, plan: Plan) -> None:
    """Write what ``start --from`` reads; it counts as started now, which the file says and anybody may change."""
    path = Path(args.save)
    there = path.exists()
    write_plan(path, args.bucket, plan, args.anyway)
    if there:
        warn(tr("{file} was there and has been replaced.", file=shown(args.save)))


def write_plan(path: Path, bucket: str, plan: Plan, anyway: str | None = None) -> None:
    """Write the plan as a batch file, whole or not at all; ``anyway`` is why a lye-heavy recipe is gone on with."""
    started_s = float(int(time.time() // 60) * 60)
    recipe = dataclasses.replace(plan.recipe, koh_purity=plan.recipe.koh_purity or USUAL_PURITY)
    # A note, kept in English like every log entry of the program's own.
    note = f"planned: mix of {plan.mix_c:.0f} °C, {plan.air_c:.0f} °C air"
    if plan.opened is not None:
        note += f", bag open since {plan.opened.isoformat()}"
    if plan.strength is not None:
        note += f", dilute to {100.0 * plan.strength:g} % soap"
    if anyway:
        note += f", lye-heavy, gone on because: {one_line(anyway, tr('The reason'), MOST_TEXT)}"
    entry = LogEntry("note", started_s, started_s, text=note)
    write_batch_file(path, Batch(path.stem, bucket, started_s, recipe, plan.vessel), (entry,))


# ---- for programs --------------------------------------------------------------------------------------------------


def _as_json(plan: Plan, told: Told, saved: str | None) -> dict[str, object]:
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
        "assumed": list(plan.assumed),
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
            "after_s": [3600.0 * hours for hours in SHOWN_H],
            "blend_s": blend_s(recipe),
            "learned_from": learned_from(told.history),
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
            "says": advice_of(told),
        },
        "too_hot_c": settings.place().too_hot_c,
        "saved": saved,
        "warnings": list(recipe_warnings(recipe)),
        "says": sentences_of(plan, told),
        "cautions": cautions_of(plan),
        "defers": tr(DEFERS),
    }  # fmt: skip


def _properties(value: object, names: Sequence[str]) -> dict[str, object]:
    return {name: getattr(value, name) for name in names}
