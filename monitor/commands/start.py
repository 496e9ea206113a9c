"""``start``: a batch begins, after the cautions."""

from __future__ import annotations

import argparse
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from monitor.commands import YES
from monitor.commands.common import (
    MOST_NAME,
    MOST_TEXT,
    CommandError,
    clock_words,
    now_s,
    one_line,
    open_journal,
    open_journal_to_read,
    parser_for,
    print_json,
    quoted,
    say,
    settings_of,
    shown,
    warn,
    zone_of,
)
from monitor.commands.prompts import ask, can_ask
from monitor.commands.recipe_args import (
    add_recipe,
    ask_recipe,
    mind_bucket,
    recipe_of,
    refuse_lye_heavy,
    vessel_of,
)
from monitor.commands.times import OLDEST_S, parse_span_s, parse_when
from monitor.domain import Batch, LogEntry, Recipe
from monitor.settings import Settings
from monitor.sources.batch_file import read_batch_file
from monitor.trade.amounts import months_between, parse_temperature_c
from monitor.trade.cautions import DEFERS, caution
from monitor.trade.dilution import room
from monitor.trade.filled import NO_DOUBTS, Doubts
from monitor.trade.recipe import LyeBalance, check_recipe
from monitor.trade.record import read_field
from monitor.trade.steps import STEP_BY_ID
from monitor.trade.telling import BALANCE_WORDS, assumed_words, recipe_warnings, room_sentences, span
from monitor.words import several, tr

# Before the first deed of a batch; those of the dilution come on its day.
_START_KEYS = (
    "gear", "water_first", "lid_loose", "opening", "blending", "metals", "lifting", "first_aid", "spill", "skin",
)  # fmt: skip
# Options that go into the record, and the field that each of them fills.
_DETAILS = {
    "number": "number", "maker": "maker", "oil_lot": "oil_lot", "potash_lot": "potash_lot", "opened": "potash_opened",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Entered:
    """What somebody entered to start a batch."""

    batch: Batch
    log: tuple[LogEntry, ...] = ()


def add(parsers: Any) -> None:
    """Describe the command."""
    start = parser_for(
        parsers, "start", tr("start a batch in a bucket"),
        'emberpail start "Quillmarsh 12" --bucket shed-2 --oil "sunflower 4.2 kg" --koh 850g --water 1.3kg',
        description=tr("Start a batch in a bucket, after the cautions. At a terminal it asks for what was left out."),
    )  # fmt: skip
    start.add_argument("name", nargs="?", help=tr("the batch's name, for example its number"))
    start.add_argument("--bucket", help=tr("the bucket it is in, as its node sends it"))
    start.add_argument("--from", dest="batch_file", metavar="NAME.toml", help=tr("take all of it from a batch file"))
    start.add_argument(
        "--at", default="now", metavar=tr("TIME"), help=tr('when it started: "10 min ago" (default: now)')
    )
    start.add_argument(
        "--poured", metavar=tr("DEGREES"),
        help=tr("it is poured already, at the time of --at, with this mix temperature: 56C"),
    )  # fmt: skip
    start.add_argument(
        "--dilute-after", metavar=tr("SPAN"), help=tr('when it is to be diluted: "72 h" (the default)')
    )
    start.add_argument(
        "--unweighed", action="store_true",
        help=tr("start without oil or potash: nobody weighed them, so less can be said"),
    )  # fmt: skip
    add_recipe(start)
    start.add_argument("--number", help=tr("batch number, for the label (default: the name)"))
    start.add_argument("--maker", help=tr("who makes it"))
    start.add_argument("--oil-lot", help=tr("lot of the oil, as printed on its can"))
    start.add_argument("--potash-lot", help=tr("lot of the potash, as printed on its bag"))
    start.add_argument("--opened", metavar=tr("DATE"), help=tr("since when the bag is open: 2026-05, or 3 months"))
    start.add_argument("--json", action="store_true", help=tr("for programs"))
    start.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Start a batch; the cautions stand before anything else that it prints."""
    settings = settings_of(args)
    today = settings.local_time(now_s()).date()
    details = _details(args, today)
    asking = args.batch_file is None and not args.unweighed and not (args.oil and args.koh) and can_ask()
    if asking and not args.json:
        # Whoever is asked should have read them before the first answer, not after the last.
        _print_cautions(settings)
    entered = _from_file(args) if args.batch_file is not None else _typed(args, settings, asking)
    batch = entered.batch
    mind_bucket(settings, batch.bucket)
    balance = refuse_lye_heavy(batch.recipe, args.anyway, _doubts(details, today))
    with open_journal(settings) as journal, journal.transaction():
        journal.add_batch(batch)
        for entry in entered.log:
            journal.add_entry(batch.name, entry)
        for field, value in details.items():
            journal.add_detail(batch.name, field, value, batch.known_from_s)
        if args.anyway:
            reason = one_line(args.anyway, tr("The reason"), MOST_TEXT)
            text = tr("lye-heavy, gone on because: {reason}", reason=reason)
            journal.add_entry(batch.name, LogEntry("note", batch.started_s, batch.known_from_s, text=text))
    if args.json:
        print_json(
            {
                "batch": batch.name,
                "bucket": batch.bucket,
                "started": batch.started_s,
                "details": details,
                "says": _about(batch, balance),
                "cautions": _cautions(settings),
            }
        )
        return YES
    if not asking:
        _print_cautions(settings)
    print()
    say(
        tr(
            "{batch} started in {bucket}, {time}.",
            batch=batch.name,
            bucket=batch.bucket,
            time=clock_words(settings, batch.started_s),
        )
    )
    for sentence in _about(batch, balance):
        say(sentence, "- ")
    _say_what_is_next(settings, entered, details)
    return YES


def _details(args: argparse.Namespace, today: date) -> dict[str, str]:
    """What is noted of the batch beside its recipe, by the name of the field."""
    given = {field: getattr(args, option) for option, field in _DETAILS.items()}
    read = {field: read_field(field, text, today) for field, text in given.items() if text is not None}
    return {field: value for field, value in read.items() if value}


def _doubts(details: dict[str, str], today: date) -> Doubts:
    opened = details.get("potash_opened")
    if opened is None:
        return NO_DOUBTS
    return Doubts(bag_open_months=months_between(date.fromisoformat(opened), today))


def _print_cautions(settings: Settings) -> None:
    for sentence in _cautions(settings):
        say(sentence, "! ")


def _cautions(settings: Settings) -> list[str]:
    """The right bag and the right oil first, then what belongs to lye, pour and blend."""
    bag_and_oil = [STEP_BY_ID[step_id].told_text() for step_id in ("bag", "oil")]
    number = settings.site.emergency_number
    return [*bag_and_oil, *(caution(key, number) for key in _START_KEYS), tr(DEFERS)]


def _about(batch: Batch, balance: LyeBalance | None) -> list[str]:
    """What is to be said of the recipe and the bucket as entered."""
    recipe = batch.recipe
    lines = [*recipe_warnings(recipe), _balance_words(balance)]
    if recipe.koh_kg is not None and recipe.koh_purity is None:
        lines.append(assumed_words("unknown_purity"))
    if recipe.koh_kg is not None and recipe.water_kg is None:
        lines.append(assumed_words("unweighed_water"))
    lines += room_sentences(room(recipe, batch.vessel) if recipe.oils else None)
    return lines


def _balance_words(balance: LyeBalance | None) -> str:
    if balance is None or balance.word == "not known":
        return tr("Oil or potash was not weighed, so nobody can say whether it is short of lye or lye-heavy.")
    chance = 100.0 * balance.probabilities[balance.word]
    if balance.word == "short of lye":
        spare = balance.oil_to_spare_g
        return tr(
            "The recipe is likely short of lye ({chance:.0f}%), with {grams} of oil to spare.",
            chance=chance,
            grams=span(spare.low, spare.high, "grams"),
        )
    if balance.word == "lye-heavy":
        over = balance.potash_to_spare_g
        return tr(
            "The recipe is likely lye-heavy ({chance:.0f}%), with {grams} of potash left however well it reacts.",
            chance=chance,
            grams=span(over.low, over.high, "grams"),
        )
    return tr(
        "The recipe is likely {balance} ({chance:.0f}%).", balance=tr(BALANCE_WORDS[balance.word]), chance=chance
    )


def _say_what_is_next(settings: Settings, entered: _Entered, details: dict[str, str]) -> None:
    batch = entered.batch
    kinds = {entry.kind for entry in entered.log}
    if "poured" not in kinds:
        say(
            tr(
                "Next: note the pour, with the temperature of the mix by any thermometer; it is the most useful figure "
                "there is:"
            )
        )
        print(f"  emberpail mark {quoted(batch.bucket)} poured --temperature 56C")
    elif "blended" not in kinds:
        say(tr("Next: probe out, blend, probe back in, and note it:"))
        print(f"  emberpail mark {quoted(batch.bucket)} blended")
    if "potash_lot" not in details:
        # Not asked for: whoever starts a batch has the potash on the scale.
        say(tr("When there is time, note the lot that stands on the bag (maker, oil-lot and others likewise):"))
        print(f"  emberpail record {quoted(batch.name)} potash-lot K-17")
    if settings.no_phone:
        say(tr("No phone is set: nobody will be rung. Put a [[person]] with routes into emberpail.toml."), "! ")


# ---- what was entered ----------------------------------------------------------------------------------------------


def _from_file(args: argparse.Namespace) -> _Entered:
    """A batch file as it stands; nothing of it counts as noted before now."""
    beside = [option for option, value in (("NAME", args.name), ("--bucket", args.bucket), ("--oil", args.oil),
              ("--koh", args.koh), ("--purity", args.purity), ("--water", args.water), ("--litres", args.litres),
              ("--insulation", args.insulation), ("--poured", args.poured)) if value]  # fmt: skip
    if beside:
        raise CommandError(
            tr(
                "--from takes all of it from the file: leave out {options}, or leave out --from.",
                options=", ".join(beside),
            )
        )
    read = read_batch_file(args.batch_file)
    for warning in read.warnings:
        warn(warning)
    noted_at_s = now_s()
    batch = read.batch
    times = [batch.started_s, *(entry.at_s for entry in read.log)]
    if max(times) > noted_at_s + 90.0:
        raise CommandError(
            tr("{file}: it holds a time that lies in the future; only what has been can start.", file=args.batch_file)
        )
    if noted_at_s - batch.started_s > OLDEST_S:
        raise CommandError(
            tr(
                "{file}: it started more than a week ago; to judge an old batch: emberpail replay NAME.rec",
                file=args.batch_file,
            )
        )
    check_recipe(batch.recipe)
    one_line(batch.name, tr("The batch's name"))
    log = tuple(replace(entry, noted_at_s=max(entry.noted_at_s, noted_at_s)) for entry in read.log)
    return _Entered(replace(batch, noted_at_s=max(noted_at_s, batch.started_s)), log)


def _typed(args: argparse.Namespace, settings: Settings, asking: bool) -> _Entered:
    noted_at_s = now_s()
    started_s = parse_when(args.at, noted_at_s, zone_of(settings))
    planned_s = None if args.dilute_after is None else _planned_dilution_s(args.dilute_after)
    recipe = recipe_of(args)
    poured_c = None if args.poured is None else parse_temperature_c(args.poured, tr("the mix"))
    name, bucket = args.name, args.bucket
    if asking:
        name = name or ask(tr("Name or number of the batch"), _name)
        bucket = bucket or ask(_which_bucket(settings), lambda text: _free_bucket(settings, text))
    if not (name or "").strip() or not (bucket or "").strip():
        raise CommandError(
            tr('Give the batch a name and its bucket: emberpail start "Quillmarsh 12" --bucket shed-2 ...')
        )
    name, bucket = _name(name), _bucket(bucket)
    if asking:
        recipe = ask_recipe(recipe, koh_empty=tr("not weighed"), water_empty=tr("not weighed"))
        if poured_c is None:
            poured_c = ask(
                tr("Is it poured already? Then the temperature of the mix, like 56 C"),
                lambda text: parse_temperature_c(text, tr("the mix")),
                empty=tr("not yet"),
            )
    elif not args.unweighed:
        _ask_for_missing(recipe)
    batch = Batch(
        name=name,
        bucket=bucket,
        started_s=started_s,
        recipe=recipe,
        vessel=vessel_of(args, settings, bucket),
        noted_at_s=noted_at_s,
    )
    if planned_s is not None:
        batch = replace(batch, planned_dilution_s=planned_s)
    log = () if poured_c is None else (LogEntry("poured", started_s, noted_at_s, temperature_c=poured_c),)
    return _Entered(batch, log)


def _ask_for_missing(recipe: Recipe) -> None:
    missing = [] if recipe.oils else [tr('the oil (--oil "sunflower 4.2 kg")')]
    if not recipe.koh_kg:
        missing.append(tr("the potash (--koh 850g)"))
    if missing:
        raise CommandError(
            tr("Give {what} as weighed, or --unweighed where nobody weighed it.", what=several(missing))
        )


def _planned_dilution_s(text: str) -> float:
    span_s = parse_span_s(text)
    if not 24.0 <= span_s / 3600.0 <= 240.0:
        raise CommandError(tr("The paste ages one to ten days: give --dilute-after 24h to 240h."))
    return span_s


def _name(text: str) -> str:
    return one_line(text, tr("The batch's name"))


def _bucket(text: str) -> str:
    bucket = one_line(text, tr("The bucket's name"), MOST_NAME)
    if not all(c.isascii() and (c.isalnum() or c in "-:._") for c in bucket) or not bucket[:1].isalnum():
        raise CommandError(
            tr(
                "A bucket called {bucket} cannot travel over the wire: letters, digits and - : . _ are allowed, a "
                "letter or digit first, as its node sends it.",
                bucket=shown(text),
            )
        )
    return bucket


def _free_bucket(settings: Settings, text: str) -> str:
    """The bucket, while nothing runs in it: better told before ten questions than after."""
    bucket = _bucket(text)
    journal = open_journal_to_read(settings)
    if journal is not None:
        with journal:
            running = journal.batch_in(bucket)
        if running is not None:
            raise CommandError(
                tr(
                    "{batch} runs in {bucket}: name another bucket, or Ctrl-C and end it first.",
                    batch=running.name,
                    bucket=bucket,
                )
            )
    return bucket


def _which_bucket(settings: Settings) -> str:
    names = [one.name for one in settings.buckets]
    if names:
        return tr("Bucket, one of {names}", names=", ".join(names))
    return tr("Bucket, as its node sends it, like shed-2")
