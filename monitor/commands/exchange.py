"""``export`` and ``import``: batches out of the journal as CSV, JSON or SQLite, and back."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from monitor.commands import YES
from monitor.commands.common import (
    CommandError,
    now_s,
    one_line,
    open_journal,
    open_journal_to_read,
    parser_for,
    say,
    settings_of,
)
from monitor.commands.which import batch_called
from monitor.exchange.moving import FORMATS, export, import_from
from monitor.words import tr, trn

_BY_ENDING = {".csv": "csv", ".zip": "csv", ".json": "json", ".sqlite": "sqlite", ".db": "sqlite"}


def add(parsers: Any) -> None:
    """Describe both commands."""
    parser = parser_for(
        parsers, "export", tr("write batches to a file that other programs read"),
        "emberpail export shed-2 --format csv --out shed-2.zip",
        description=tr(
            "Write batches as CSV (a folder, or packed where the name ends in .zip), JSON or SQLite. Without a name "
            "all batches are written. Phone routes and messages are never in it."
        ),
    )  # fmt: skip
    parser.add_argument("batch", nargs="*", metavar="BATCH", help=tr("batches by name, number or bucket (default: all)"))
    parser.add_argument("--format", choices=FORMATS, help=tr("which form (default: by the ending of the name)"))
    parser.add_argument("--out", required=True, metavar="PATH", help=tr("where to write"))
    parser.add_argument("--from", dest="from_day", metavar=tr("DATE"), help=tr("made on or after: 2026-01 or 2026-01-17"))
    parser.add_argument("--to", dest="to_day", metavar=tr("DATE"), help=tr("made on or before"))
    parser.add_argument("--force", action="store_true", help=tr("in place of an older export of that name"))
    parser.set_defaults(run=run_export)
    parser = parser_for(
        parsers, "import", tr("take batches from an export"), "emberpail import shed-2.zip",
        description=tr(
            "Take all batches of an export into the journal, or none of them. What is there already and equal is left "
            "alone. Stop watch for it."
        ),
    )  # fmt: skip
    parser.add_argument("path", metavar="PATH", help=tr("what export wrote: a folder or .zip, JSON, or SQLite"))
    parser.add_argument(
        "--rename", metavar="SUFFIX", help=tr("take a batch that differs from the one here under its name with this")
    )
    parser.set_defaults(run=run_import)


def run_export(args: argparse.Namespace) -> int:
    """Write them."""
    from monitor.commands.batches import day_typed

    settings = settings_of(args)
    if not args.out.strip():
        raise CommandError(tr("--out has no name: give the path of a file."))
    target = Path(args.out)
    form = args.format or _BY_ENDING.get(target.suffix.lower())
    if form is None:
        raise CommandError(tr("Which form? Add --format csv, json or sqlite."))
    today = settings.local_time(now_s()).date()
    first = None if args.from_day is None else day_typed(args.from_day, today)
    last = None if args.to_day is None else day_typed(args.to_day, today, end=True)
    journal = open_journal_to_read(settings)
    if journal is None:
        raise CommandError(tr("There is no batch yet: start one first, see emberpail start --help."))
    with journal:
        named = {batch_called(journal, text).batch.name for text in args.batch}
        records = []
        for record in journal.batches():
            made = settings.local_time(record.batch.started_s).date()
            if (not named or record.batch.name in named) and not (
                (first is not None and made < first) or (last is not None and made > last)
            ):
                records.append(record)
        if not records:
            raise CommandError(tr("No batch fits."))
        export(journal, records, form, target, now_s=now_s(), force=args.force)
    say(trn("{n} batch written to {path}.", "{n} batches written to {path}.", len(records), path=target))
    return YES


def run_import(args: argparse.Namespace) -> int:
    """Take them, all or none."""
    settings = settings_of(args)
    suffix = None if args.rename is None else one_line(args.rename, "--rename", 20)
    if suffix == "":
        raise CommandError(tr('--rename needs what to add to the name, like "-b".'))
    path = Path(args.path)
    if not path.exists():
        raise CommandError(tr("{path} is not there: correct the path.", path=path))
    with open_journal(settings) as journal:
        journal.claim_watch()  # readings get new numbers, and a long import would hold up what arrives
        done = import_from(path, journal, now_s=now_s(), rename=suffix)
    for old, new in done.renamed.items():
        say(tr("{old} is taken as {new}.", old=old, new=new))
    say(trn("{n} batch taken.", "{n} batches taken.", len(done.added)))
    if done.alike:
        say(trn("{n} was there already.", "{n} were there already.", len(done.alike)))
    return YES
