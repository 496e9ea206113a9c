"""``would-ring``: a past batch through the judgement again, with other settings; nobody is rung."""

from __future__ import annotations

import argparse
import dataclasses
import re
from typing import Any

from monitor.commands import YES
from monitor.commands.common import CommandError, meant, parser_for, print_json, say, settings_of, shown
from monitor.commands.which import batch_called, journal_of_batches
from monitor.page.what_if_form import read_trial, typed_of
from monitor.page.what_if_page import columns_of, ring_words, sentences, summary, title_of
from monitor.page.what_if_view import SURENESS, USUAL, Comparison, Outcome, Trial, TriedPerson, keys_of
from monitor.settings import Settings, load_settings
from monitor.words import tr


def add(parsers: Any) -> None:
    """Describe the command."""
    parser = parser_for(
        parsers, "would-ring", tr("say what would have rung in a past batch with other settings"),
        'emberpail would-ring "Quillmarsh 12" --altitude 1200m --order "Ben, Ada"',
        description=tr(
            "Put a batch of the journal through the judgement once more and say what rang then, what would ring with "
            "the settings as they are now, and with those tried: each alarm with its times, and who would have been "
            "woken. Nobody is rung, and neither journal nor settings change."
        ),
    )  # fmt: skip
    parser.add_argument("batch", help=tr("the batch, its number, or its bucket"))
    parser.add_argument("--with", dest="other", metavar="FILE", help=tr("try place and people of this settings file"))
    parser.add_argument("--altitude", metavar=tr("HEIGHT"), help=tr("try this height above the sea: 1200m or 4000ft"))
    parser.add_argument(
        "--order", metavar=tr("NAMES"), help=tr('try this order of ringing; who is left out is not rung: "Ben, Ada"')
    )
    parser.add_argument(
        "--waking", metavar=tr("HOURS"), action="append", default=[],
        help=tr('try these waking hours, for all or for one: 06:00-23:00 or "Ben 06:00-23:00"'),
    )  # fmt: skip
    parser.add_argument(
        "--sure", choices=SURENESS, default=USUAL,
        help=tr("ring sooner, or only when surer; only to see how near it was, there is no such setting"),
    )  # fmt: skip
    parser.add_argument("--json", action="store_true", help=tr("for programs"))
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Work it out and print it; 0 whatever would have rung."""
    from monitor.what_if import compare  # its libraries are heavy

    settings = settings_of(args)
    trial = _trial(args, settings)
    with journal_of_batches(settings) as journal:
        record = batch_called(journal, args.batch)
        found = compare(journal, record.batch.name, settings, trial)
    if args.json:
        print_json(_as_json(found))
        return YES
    columns = columns_of(found)
    say(tr("{batch} in {bucket}", batch=record.batch.name, bucket=record.batch.bucket))
    for words, outcome in columns:
        say(f"{words}: {summary(outcome, settings.local_time)}", "  ", "    ")
    for key in keys_of([outcome for _, outcome in columns]):
        print()
        say(title_of(key))
        for words, outcome in columns:
            ring = next((one for one in outcome.rings if one.key == key), None)
            told = tr("does not ring") if ring is None else ring_words(ring, settings.local_time)
            say(f"{words}: {told}", "  ", "    ")
    print()
    for sentence in sentences(found):
        say(sentence, "- ")
    return YES


def _trial(args: argparse.Namespace, settings: Settings) -> Trial:
    from monitor.what_if import trial_of

    present = trial_of(settings if args.other is None else _other(args.other, settings))
    fields = typed_of(present)
    if args.altitude is not None:
        fields["altitude"] = args.altitude.strip()
    read, wrong = read_trial({**fields, "sure": args.sure}, present)
    if read is None:
        raise CommandError(next(iter(wrong.values())))
    people = read.people
    for typed in args.waking:
        people = _with_hours(typed, people)
    if args.order is not None:
        people = _in_order(args.order, people)
    return dataclasses.replace(read, people=people)


def _other(path: str, settings: Settings) -> Settings:
    """The place and the people of another file; people whom the settings here do not know cannot be tried."""
    other = load_settings(path)
    known = {one.name for one in settings.people}
    strange = [one.name for one in other.people if one.name not in known]
    if strange:
        raise CommandError(
            tr("{file} names {people}, whom the settings in use do not have; only people set there can be tried.",
               file=shown(path), people=", ".join(strange))
        )  # fmt: skip
    return other


def _with_hours(typed: str, people: tuple[TriedPerson, ...]) -> tuple[TriedPerson, ...]:
    # The hours stand last, with blanks round their dash or without; what comes before is a name.
    found = re.fullmatch(r"(.*?)\s*(\S+(?:\s*[-\u2013]\s*\S+)?)", typed.strip())
    name, hours = (found[1], found[2]) if found else ("", typed)
    read, wrong = read_trial({"hours-0": hours}, Trial(people=(TriedPerson("", 0, 60),)))
    if read is None:
        raise CommandError(next(iter(wrong.values())))
    chosen = _named(name, people) if name else None
    start, end = read.people[0].waking_from, read.people[0].waking_to
    return tuple(
        dataclasses.replace(one, waking_from=start, waking_to=end) if chosen in (None, one) else one for one in people
    )


def _in_order(typed: str, people: tuple[TriedPerson, ...]) -> tuple[TriedPerson, ...]:
    names = [name.strip() for name in typed.split(",") if name.strip()]
    return tuple(dict.fromkeys(_named(name, people) for name in names))


def _named(name: str, people: tuple[TriedPerson, ...]) -> TriedPerson:
    for one in people:
        # "Ben, next door" cannot stand in a list with commas: what comes before the comma is enough.
        if name.casefold() in (one.name.casefold(), one.name.partition(",")[0].strip().casefold()):
            return one
    names = [one.name for one in people]
    raise CommandError(
        tr("The settings have no {name}; they have {names}.{meant}", name=shown(name),
           names=", ".join(names) or tr("nobody"), meant=meant(name, names))
    )  # fmt: skip


def _as_json(found: Comparison) -> dict[str, object]:
    def plain(outcome: Outcome | None) -> object:
        if outcome is None:
            return None
        return {
            "alarms": [dataclasses.asdict(ring) for ring in outcome.rings],
            "woken": [{"person": person, "at_s": at_s} for person, at_s in outcome.woken],
        }

    return {
        "batch": found.batch,
        "then": plain(found.then),
        "now": plain(found.now),
        "tried": plain(found.tried),
        "trial": dataclasses.asdict(found.trial),
        "too_hot_now_c": found.too_hot_now_c,
        "too_hot_tried_c": found.too_hot_tried_c,
        "watch_assumed": found.watch_assumed,
        "took_s": found.took_s,
    }
