"""``batches``: batches are found again by what stands in their record."""

from __future__ import annotations

import argparse
import re
from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

from monitor.commands import NO, YES
from monitor.commands.common import (
    CommandError,
    now_s,
    open_journal_to_read,
    parser_for,
    print_json,
    say,
    settings_of,
    shown,
)
from monitor.finding import Found, found_in, holds
from monitor.settings import Settings
from monitor.trade.amounts import BadAmount, parse_opened
from monitor.trade.oils import UnknownOil, find_oil
from monitor.trade.record import one_way_date
from monitor.words import DATE, tr, trn, when


def add(parsers: Any) -> None:
    """Describe the command."""
    parser = parser_for(
        parsers, "batches", tr("find batches, running and past"),
        "emberpail batches drill --oil rapeseed --from 2026-01",
        description=tr(
            "All batches, the newest first, or those that fit: every word given must be found in name, bucket, oils, "
            "record or log. Exit code 1 when none fits."
        ),
    )  # fmt: skip
    parser.add_argument("words", nargs="*", help=tr("words in name, bucket, oils, record or log"))
    add_filters(parser)
    parser.add_argument("--outcome", choices=("running", "filled", "held", "discarded"), help=tr("how it ended"))
    parser.add_argument("--json", action="store_true", help=tr("for programs"))
    parser.set_defaults(run=run)


def add_filters(parser: argparse.ArgumentParser) -> None:
    """The options by which ``fits_of`` chooses batches, beside ``outcome`` and ``words``."""
    parser.add_argument("--oil", help=tr("with this oil in it"))
    parser.add_argument("--maker", help=tr("made by"))
    parser.add_argument("--lot", help=tr("with this lot of oil or potash"))
    parser.add_argument(
        "--from", dest="from_day", metavar=tr("DATE"), help=tr("made on or after: 2026-01 or 2026-01-17")
    )
    parser.add_argument("--to", dest="to_day", metavar=tr("DATE"), help=tr("made on or before"))


def run(args: argparse.Namespace) -> int:
    """The batches that fit, the newest first; 1 when none does."""
    settings = settings_of(args)
    fits = fits_of(args, settings)
    journal = open_journal_to_read(settings)
    found: list[Found] = []
    if journal is not None:
        with journal:
            every = (found_in(journal, record) for record in reversed(journal.batches()))
            found = [one for one in every if fits(one)]
    if args.json:
        print_json([_values(one) for one in found])
        return YES if found else NO
    if not found:
        say(tr("No batch fits."))
        return NO
    for one in found:
        say(_line(settings, one), "", "    ")
    say(trn("{n} batch.", "{n} batches.", len(found)))
    return YES


def fits_of(args: argparse.Namespace, settings: Settings) -> Callable[[Found], bool]:
    """What the options ask for; CommandError for a date that cannot be read."""
    today = settings.local_time(now_s()).date()
    first = None if args.from_day is None else day_typed(args.from_day, today)
    last = None if args.to_day is None else day_typed(args.to_day, today, end=True)
    if first is not None and last is not None and last < first:
        raise CommandError(tr("--to lies before --from: no day is left between them."))
    oil = None if args.oil is None else _oil_name(args.oil)

    def fits(one: Found) -> bool:
        made = settings.local_time(one.record.batch.started_s).date()
        return (
            (args.outcome is None or one.outcome == args.outcome)
            and (first is None or made >= first)
            and (last is None or made <= last)
            and (oil is None or any(_is_oil(share.name, oil, args.oil) for share in one.recipe.oils))
            and (args.maker is None or holds(args.maker, [one.details.get("maker", "")]))
            and (args.lot is None or holds(args.lot, (one.details.get(f, "") for f in ("oil_lot", "potash_lot"))))
            and all(holds(word, one.texts) for word in args.words)
        )

    return fits


def _oil_name(typed: str) -> str:
    """An oil by any of its names; what is in no table is looked for as it was typed."""
    try:
        return find_oil(typed).name
    except UnknownOil:
        return typed


def _is_oil(name: str, oil: str, typed: str) -> bool:
    """Whether an oil in a batch is the one meant: by any name of it (a batch file may hold another than the table's),
    or by the letters typed."""
    return _oil_name(name) == oil or holds(typed, [name])


def day_typed(text: str, today: date, *, end: bool = False) -> date:
    """A day, or a month, which stands for its first (or last) day."""
    plain = text.strip()
    try:
        day = parse_opened(one_way_date(plain, tr("the day")), today)
    except BadAmount:
        raise CommandError(
            tr("{text} is no day of the last years: write it like 2026-01 or 2026-01-17.", text=shown(text))
        ) from None
    if end and re.fullmatch(r"\d{4}-\d{1,2}", plain):
        return (day.replace(day=28) + timedelta(days=4)).replace(day=1) - timedelta(days=1)
    return day


def _line(settings: Settings, one: Found) -> str:
    batch = one.record.batch
    numbered = tr("{batch} (number {number})", batch=batch.name, number=one.number)
    name = batch.name if one.number == batch.name else numbered
    parts = [
        when(settings.local_time(batch.started_s).date(), DATE),
        name,
        batch.bucket,
        one.outcome_words(),
    ]
    return "  ".join([*parts, *filter(None, [one.yield_words()])])


def _values(one: Found) -> dict[str, object]:
    batch = one.record.batch
    return {
        "batch": batch.name, "number": one.number, "bucket": batch.bucket, "started_s": batch.started_s,
        "ended_s": one.record.ended_s, "outcome": one.outcome, "oils": [share.name for share in one.recipe.oils],
        "details": one.details,
    }  # fmt: skip
