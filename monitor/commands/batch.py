"""``start``, ``mark`` and ``end``: a batch begins, something was done, it is over."""

from __future__ import annotations

import argparse
from dataclasses import replace
from typing import Any

from monitor.commands import YES
from monitor.commands.common import (
    MOST_TEXT,
    CommandError,
    clock_words,
    meant,
    now_s,
    one_line,
    open_journal,
    parser_for,
    print_json,
    say,
    settings_of,
    shown,
    zone_of,
)
from monitor.commands.prompts import can_ask
from monitor.commands.recipe_args import add_recipe, ask_recipe, mind_bucket, recipe_of, refuse_lye_heavy, vessel_of
from monitor.commands.times import parse_span_s, parse_when
from monitor.domain import LOG_KINDS, Batch, LogEntry
from monitor.journal.database import Journal
from monitor.settings import Settings
from monitor.sources.batch_file import read_batch_file
from monitor.trade.amounts import parse_mass_kg, parse_temperature_c
from monitor.trade.dilution import room
from monitor.trade.making import cautions_for
from monitor.trade.recipe import LyeBalance
from monitor.trade.telling import balance_sentences, recipe_warnings, room_sentences

# Which cautions belong to which entry: the person who notes it stands at the bucket now.
_CAUTIONS = {
    "weighed": "weigh", "lye-clear": "lye", "poured": "pour", "blended": "blend", "reblended": "blend",
    "lid-off": "open", "probe-in": "open", "probe-out": "blend", "looked": "look", "cut": "dilute",
    "water-added": "dilute", "stirred": "dilute", "diluted": "dilute", "spilled": "spill", "tested": "look",
}  # fmt: skip


def add(parsers: Any) -> None:
    """Describe the three commands."""
    start = parser_for(
        parsers, "start", "start a batch in a bucket",
        'emberpail start "Quillmarsh 12" --bucket shed-2 --oil "sunflower 4.2 kg" --koh 850g --water 1.3kg',
    )  # fmt: skip
    start.add_argument("name", nargs="?", help="the batch's name, for example its number")
    start.add_argument("--bucket", help="the bucket it is in, as its node sends it")
    start.add_argument("--from", dest="batch_file", metavar="NAME.toml", help="take all of it from a batch file")
    start.add_argument("--at", default="now", metavar="TIME", help='when it started: "10 min ago" (default: now)')
    start.add_argument("--dilute-after", metavar="SPAN", help='when it is to be diluted: "72 h" (the default)')
    add_recipe(start)
    start.add_argument("--json", action="store_true", help="for programs")
    start.set_defaults(run=run_start)

    mark = parser_for(
        parsers, "mark", "note what was done or seen at a bucket", 'emberpail mark shed-2 blended --at "10 min ago"'
    )
    mark.add_argument("bucket", help="the bucket, or the batch in it")
    mark.add_argument("kind", nargs="?", help=f"one of: {', '.join(LOG_KINDS)}")
    mark.add_argument("--at", default="now", metavar="TIME", help='when: "an hour ago", "07:30" (default: now)')
    mark.add_argument("--temperature", metavar="DEGREES", help="the mix by any thermometer: 56C or 133F")
    mark.add_argument("--mass", metavar="MASS", help="how much, for water-added: 16kg")
    mark.add_argument("--text", default="", help="a remark in your own words")
    mark.add_argument("--who", default="", help="who did it")
    mark.add_argument("--undo", action="store_true", help="take back the last entry (of KIND, if given)")
    mark.add_argument("--json", action="store_true", help="for programs")
    mark.set_defaults(run=run_mark)

    end = parser_for(parsers, "end", "end the batch in a bucket", "emberpail end shed-2 --outcome filled")
    end.add_argument("bucket", help="the bucket, or the batch in it")
    end.add_argument("--outcome", default="filled", choices=("filled", "held", "discarded"), help="how it ended")
    end.add_argument("--at", default="now", metavar="TIME", help='when: "an hour ago" (default: now)')
    end.add_argument("--json", action="store_true", help="for programs")
    end.set_defaults(run=run_end)


def run_start(args: argparse.Namespace) -> int:
    """Start a batch; the cautions stand before anything else that it prints."""
    settings = settings_of(args)
    batch, log = _entered(args, settings)
    balance = refuse_lye_heavy(batch.recipe, args.anyway)
    with open_journal(settings) as journal, journal.transaction():
        journal.add_batch(batch)
        for entry in log:
            journal.add_entry(batch.name, entry)
        if args.anyway:
            note = LogEntry("note", batch.started_s, now_s(), text=f"lye-heavy, gone on because: {args.anyway}")
            journal.add_entry(batch.name, note)
    if args.json:
        print_json({"batch": batch.name, "bucket": batch.bucket, "started": batch.started_s})
        return YES
    _print_cautions(("weigh", "lye", "pour", "blend"), settings)
    say()
    say("The bag must say potassium hydroxide, KOH. Caustic soda is another thing: the same mass is far too much.")
    for sentence in _about(batch, balance):
        say(sentence)
    say()
    say(f"{batch.name} started in {batch.bucket}.")
    say(f'Note the pour next, with the mix temperature: emberpail mark "{batch.bucket}" poured --temperature 56C')
    if settings.no_phone:
        say("No phone is set: nobody will be rung. Put a [[person]] with routes into emberpail.toml.")
    return YES


def run_mark(args: argparse.Namespace) -> int:
    """Note an entry, or take the last one back."""
    settings = settings_of(args)
    with open_journal(settings) as journal:
        batch = running_in(journal, args.bucket)
        if args.undo:
            return _undo(args, settings, journal, batch)
        if args.kind is None:
            raise CommandError(f"Say what was done; one of: {', '.join(LOG_KINDS)}.")
        if args.kind not in LOG_KINDS:
            hint = meant(args.kind, LOG_KINDS)
            raise CommandError(f"{shown(args.kind)} is no log entry.{hint} It may be: {', '.join(LOG_KINDS)}.")
        at_s = parse_when(args.at, now_s(), zone_of(settings))
        if at_s < batch.started_s - 24 * 3600.0:
            raise CommandError(
                f"{clock_words(settings, at_s)} is more than a day before {batch.name} started "
                f"({clock_words(settings, batch.started_s)}); check the time or the bucket."
            )
        temperature_c = None if args.temperature is None else parse_temperature_c(args.temperature)
        kg = None if args.mass is None else parse_mass_kg(args.mass)
        text, who = one_line(args.text, "The remark", MOST_TEXT), one_line(args.who, "The name")
        entry = LogEntry(args.kind, at_s, max(now_s(), at_s), temperature_c, kg, text)
        entry = journal.add_entry(batch.name, entry, who=who)
    if args.json:
        print_json({"entry": entry.entry_id, "kind": entry.kind, "at": entry.at_s, "batch": batch.name})
        return YES
    if entry.kind in _CAUTIONS:
        _print_cautions((_CAUTIONS[entry.kind],), settings)
        say()
    say(
        f"{batch.bucket}, {batch.name}: {entry.kind} at {clock_words(settings, at_s)}. "
        f'Wrong? emberpail mark "{batch.bucket}" --undo'
    )
    return YES


def run_end(args: argparse.Namespace) -> int:
    """End a batch: its bucket is free and its alarms stand no longer."""
    settings = settings_of(args)
    with open_journal(settings) as journal:
        batch = running_in(journal, args.bucket)
        at_s = parse_when(args.at, now_s(), zone_of(settings))
        journal.end_batch(batch.name, at_s, max(now_s(), at_s), args.outcome)
    if args.json:
        print_json({"batch": batch.name, "bucket": batch.bucket, "ended": at_s, "outcome": args.outcome})
    else:
        say(f"{batch.name} in {batch.bucket} has ended: {args.outcome}. Not for skin until tested for free alkali.")
    return YES


def running_in(journal: Journal, bucket_or_batch: str) -> Batch:
    """The running batch of a bucket, by the bucket's or the batch's name; CommandError with those that run."""
    running = journal.running_batches()
    for batch in running:
        if bucket_or_batch in (batch.bucket, batch.name):
            return batch
    if not running:
        raise CommandError(f"No batch runs in {shown(bucket_or_batch)}: start one first, see emberpail start --help.")
    known = ", ".join(f"{batch.bucket} ({batch.name})" for batch in running)
    hint = meant(bucket_or_batch, [batch.bucket for batch in running])
    raise CommandError(f"No batch runs in {shown(bucket_or_batch)}.{hint} These do: {known}.")


def _entered(args: argparse.Namespace, settings: Settings) -> tuple[Batch, tuple[LogEntry, ...]]:
    noted_at_s = now_s()
    if args.batch_file is not None:
        entered = read_batch_file(args.batch_file)
        noted = max(noted_at_s, entered.batch.started_s)
        log = tuple(replace(entry, noted_at_s=max(entry.noted_at_s, noted)) for entry in entered.log)
        return replace(entered.batch, noted_at_s=noted), log
    if not args.name or not args.bucket:
        raise CommandError('Give the batch a name and its bucket: emberpail start "Quillmarsh 12" --bucket shed-2 ...')
    started_s = parse_when(args.at, now_s(), zone_of(settings))
    name, bucket = one_line(args.name, "The batch's name"), one_line(args.bucket, "The bucket's name")
    if not name or not bucket:
        raise CommandError("The batch and its bucket need names that are not empty.")
    mind_bucket(settings, bucket)
    recipe = recipe_of(args)
    if can_ask() and (not recipe.oils or recipe.koh_kg is None) and not args.json:
        recipe = ask_recipe(recipe, koh_empty="nobody weighed it", water_empty="nobody weighed it")
    batch = Batch(
        name=name,
        bucket=bucket,
        started_s=started_s,
        recipe=recipe,
        vessel=vessel_of(args, settings, bucket),
        noted_at_s=max(noted_at_s, started_s),
    )
    if args.dilute_after is not None:
        hours = parse_span_s(args.dilute_after) / 3600.0
        if not 24.0 <= hours <= 240.0:
            raise CommandError("The paste ages one to ten days: give --dilute-after 24h to 240h.")
        batch = replace(batch, planned_dilution_s=hours * 3600.0)
    return batch, ()


def _undo(args: argparse.Namespace, settings: Settings, journal: Journal, batch: Batch) -> int:
    entries = [entry for entry in journal.entries(batch.name) if args.kind in (None, entry.kind)]
    if not entries:
        raise CommandError(f"The log of {batch.name} holds nothing to take back.")
    entry = entries[-1]
    journal.undo_entry(entry.entry_id, now_s())
    if args.json:
        print_json({"undone": entry.entry_id, "kind": entry.kind, "batch": batch.name})
    else:
        say(f"Taken back: {entry.kind} at {clock_words(settings, entry.at_s)} of {batch.name}.")
    return YES


def _print_cautions(deeds: tuple[str, ...], settings: Settings) -> None:
    """The full cautions of these deeds, each once, the deference to data sheet and local rules last."""
    lines: dict[str, None] = {}
    for deed in deeds:
        *cautions, defers = cautions_for(deed, emergency_number=settings.site.emergency_number)
        lines.update(dict.fromkeys(cautions))
    for caution in (*lines, defers):
        say(caution, first="! ", rest="  ")


def _about(batch: Batch, balance: LyeBalance | None) -> list[str]:
    """What the recipe and the bucket say about this batch, one sentence each."""
    if balance is None:
        return ["No oil was entered, so whether the recipe is lye-heavy is not known."]
    return [
        *recipe_warnings(batch.recipe),
        *balance_sentences(balance),
        *(room_sentences(room(batch.recipe, batch.vessel)) if batch.vessel.litres is not None else ()),
    ]
