"""``export`` and ``import``: batches to files that other programs read, and back."""

from __future__ import annotations

import argparse
from datetime import date
from pathlib import Path
from typing import Any

from monitor.commands import YES
from monitor.commands.batches import day_typed
from monitor.commands.common import (
    CommandError,
    now_s,
    one_line,
    open_journal,
    parser_for,
    print_json,
    say,
    settings_of,
)
from monitor.commands.which import batch_called, journal_of_batches
from monitor.exchange.carry import FORMS, export_batches, import_batches
from monitor.journal.database import Journal
from monitor.settings import Settings
from monitor.words import tr, trn


def add(parsers: Any) -> None:
    """Describe the two commands."""
    export = parser_for(
        parsers, "export", tr("write batches to files: CSV, JSON or SQLite"),
        "emberpail export --format csv --out winter.zip --from 2026-01",
        description=tr(
            "Write batches with all that is kept of them. CSV for spreadsheets, as a folder or a .zip; JSON for "
            "programs; SQLite as a journal of its own. No phone routes are in it."
        ),
    )  # fmt: skip
    export.add_argument("batches", nargs="*", metavar="batch", help=tr("batches or buckets (default: all batches)"))
    export.add_argument("--format", choices=FORMS, required=True, help=tr("which form"))
    export.add_argument("--out", metavar="PATH", required=True, help=tr("the file, or for csv the folder or .zip"))
    export.add_argument("--from", dest="from_day", metavar="DATE", help=tr("made on or after: 2026-01 or 2026-01-17"))
    export.add_argument("--to", dest="to_day", metavar="DATE", help=tr("made on or before"))
    export.add_argument("--force", action="store_true", help=tr("replace what is there"))
    export.add_argument("--json", action="store_true", help=tr("for programs"))
    export.set_defaults(run=run_export)
    taking = parser_for(
        parsers, "import", tr("take in batches that export wrote"), "emberpail import winter.zip",
        description=tr("Take in every batch of the file that is not there yet: all of them or none."),
    )  # fmt: skip
    taking.add_argument("path", help=tr("the file, folder or .zip"))
    taking.add_argument(
        "--rename", default="", metavar="ENDING", help=tr("put this behind the name of a batch that differs: -2")
    )
    taking.add_argument("--json", action="store_true", help=tr("for programs"))
    taking.set_defaults(run=run_import)


def run_export(args: argparse.Namespace) -> int:
    """Write the batches named, or all."""
    settings = settings_of(args)
    journal = journal_of_batches(settings)
    today = settings.local_time(now_s()).date()
    first = None if args.from_day is None else day_typed(args.from_day, today)
    last = None if args.to_day is None else day_typed(args.to_day, today, end=True)
    with journal:
        names = _chosen(journal, settings, args.batches, first, last)
        if not names:
            raise CommandError(tr("No batch fits."))
        thinned = [name for name in names if journal.thinned_note(name) is not None]
        target = Path(args.out).expanduser()
        export_batches(journal, names, target, args.format, force=args.force)
    if args.json:
        print_json({"batches": names, "path": str(target), "thinned": thinned})
    else:
        say(trn("{n} batch written to {path}.", "{n} batches written to {path}.", len(names), path=str(target)))
        for name in thinned:
            say(tr("The raw readings of {batch} were thinned: not all of them are there any more.", batch=name))
    return YES


def _chosen(
    journal: Journal, settings: Settings, typed: list[str], first: date | None, last: date | None
) -> list[str]:
    records = [batch_called(journal, text) for text in typed] if typed else journal.batches()
    made = {record.batch.name: settings.local_time(record.batch.started_s).date() for record in records}
    return [
        name for name, day in made.items() if (first is None or day >= first) and (last is None or day <= last)
    ]


def run_import(args: argparse.Namespace) -> int:
    """Take in what is new."""
    settings = settings_of(args)
    rename = one_line(args.rename, tr("What stands after --rename"))
    with open_journal(settings) as journal:
        # Readings are put in their place by arrival, which a watch that runs must not meet half done.
        journal.claim_watch()
        taken = import_batches(journal, Path(args.path).expanduser(), now_s(), rename=rename)
    if args.json:
        print_json({"added": taken.added, "known": taken.known})
        return YES
    say(trn("{n} batch taken in.", "{n} batches taken in.", len(taken.added)))
    if taken.known:
        say(trn("{n} was there already, the same.", "{n} were there already, the same.", len(taken.known)))
    return YES
