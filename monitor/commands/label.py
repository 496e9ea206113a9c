"""``label``: what is printed of a batch. A label for the can, the batch sheet, the checklist; as PDF or PNG."""

from __future__ import annotations

import argparse
import contextlib
import os
import re
import unicodedata
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from monitor.commands import YES
from monitor.commands.common import (
    CommandError,
    now_s,
    parser_for,
    print_json,
    say,
    settings_of,
    speak_for,
    warn,
)
from monitor.commands.which import batch_called, journal_of_batches
from monitor.journal.database import BatchRecord, Journal
from monitor.settings import Settings
from monitor.trade.cautions import cautions_for
from monitor.trade.steps import checklist
from monitor.words import speaking, tr

if TYPE_CHECKING:
    from monitor.papers.label import Printed

_MOST_LABELS = 500
_DPI = 200


def add(parsers: Any) -> None:
    """Describe the command."""
    parser = parser_for(
        parsers, "label", tr("print a label for the can, the batch sheet or the checklist"),
        'emberpail label "Quillmarsh 12" --size 100x70mm --png',
        description=tr(
            "Write the label of a batch, running or ended, as a PDF: what is in the can, its cautions, and a QR code "
            "that opens the batch's page. Or its one-page sheet, or the checklist of the making."
        ),
    )  # fmt: skip
    parser.add_argument(
        "batch", nargs="?", metavar=tr("BATCH"),
        help=tr("the batch, its number, or the bucket it is in; none: an empty checklist"),
    )  # fmt: skip
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--batch-sheet", action="store_true", help=tr("one page with all that is kept of the batch"))
    what.add_argument("--checklist", action="store_true", help=tr("the steps of the making, with boxes to tick"))
    form = parser.add_mutually_exclusive_group()
    form.add_argument("--pdf", action="store_true", help=tr("as PDF (the usual)"))
    form.add_argument("--png", action="store_true", help=tr("as a picture, one file for each page"))
    parser.add_argument("--size", metavar=tr("SIZE"), help=tr("of the label, like 100x70mm (default: 90x60mm)"))
    parser.add_argument("--sheet-of", type=int, metavar="N", help=tr("so many labels on sheets of paper"))
    parser.add_argument("--sheet", choices=("A4", "letter"), help=tr("the paper (default: by the units)"))
    parser.add_argument("--out", metavar=tr("FILE"), help=tr("the file to write (default: named after the batch)"))
    parser.add_argument("--force", action="store_true", help=tr("write over a file that is there"))
    parser.add_argument("--json", action="store_true", help=tr("for programs"))
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Write the paper; nothing half-written is left, and nothing is written over without --force."""
    settings = settings_of(args)
    _check(args)
    if args.batch is None:
        name = ""
        with speaking(settings.site.voice()):
            printed = _empty_checklist(args, settings)
    else:
        journal = journal_of_batches(settings)
        with journal:
            record = batch_called(journal, args.batch)
            name = record.batch.name
            # A paper is for people, even where a program asked for it.
            with speaking(settings.site.voice()):
                printed = _paper(args, settings, journal, record)
    files = _files(args, name, printed.pdf)
    _write(files, force=args.force)
    notes = list(printed.warnings)
    if not args.checklist and not settings.page.address:
        notes.append(
            tr(
                "The QR code holds the batch's number and date only, because no page address is set: with [page] "
                "address in the settings it opens the batch's page."
            )
        )
    deed = "weigh" if args.checklist else "fill"
    speak_for(args, settings)
    cautions = cautions_for(deed, settings.site.emergency_number)
    if args.json:
        print_json(
            {"batch": name, "files": [str(path) for path in files], "notes": notes, "cautions": cautions}
        )
        return YES
    for path in files:
        say(tr("Written: {path}", path=path))
    for note in notes:
        warn(note)
    for caution in cautions:
        say(caution, "! ")
    return YES


def _check(args: argparse.Namespace) -> None:
    """What does not go together is refused before anything is drawn."""
    if args.batch is None and not args.checklist:
        raise CommandError(tr('Name a batch: emberpail label "Quillmarsh 12"; without one there is only --checklist.'))
    on_label = [option for option, given in (("--size", args.size), ("--sheet-of", args.sheet_of)) if given is not None]
    if (args.batch_sheet or args.checklist) and on_label:
        raise CommandError(tr("{option} is for labels: leave it out here.", option=on_label[0]))
    if args.sheet_of is not None and not 1 <= args.sheet_of <= _MOST_LABELS:
        raise CommandError(
            tr("--sheet-of {n} labels cannot be printed: from 1 to {most} are allowed.", n=args.sheet_of,
               most=_MOST_LABELS)
        )  # fmt: skip
    if args.out is not None:
        wanted = ".png" if args.png else ".pdf"
        ending = Path(args.out).suffix.lower()
        if ending in (".pdf", ".png") and ending != wanted:
            raise CommandError(
                tr("{path} does not end in {ending}: give --png for a picture, --pdf for a PDF.", path=args.out,
                   ending=wanted)
            )  # fmt: skip


def _empty_checklist(args: argparse.Namespace, settings: Settings) -> Printed:
    from monitor.papers.checklist import checklist_pdf

    now = now_s()
    states = checklist([], now)
    return checklist_pdf(states, settings.local_time(now), settings.site.emergency_number, sheet=args.sheet or "")


def _paper(args: argparse.Namespace, settings: Settings, journal: Journal, record: BatchRecord) -> Printed:
    from monitor.commands.label_view import view_of
    from monitor.papers.checklist import checklist_pdf
    from monitor.papers.label import SIZE_MM, label_pdf, read_size
    from monitor.papers.paper import usual_sheet
    from monitor.papers.sheet import sheet_pdf

    now = now_s()
    batch = record.batch
    if args.checklist:
        states = checklist(journal.entries(batch.name), now, planned_dilution_s=batch.planned_dilution_s)
        return checklist_pdf(
            states, settings.local_time(now), settings.site.emergency_number, local_time=settings.local_time,
            batch=tr("{batch} in {bucket}", batch=batch.name, bucket=batch.bucket), sheet=args.sheet or "",
        )  # fmt: skip
    if args.batch_sheet:
        return sheet_pdf(view_of(journal, settings, record, now), args.sheet or "")
    size = SIZE_MM if args.size is None else read_size(args.size)
    on_sheets = args.sheet or ("" if args.sheet_of is None else usual_sheet())
    return label_pdf(view_of(journal, settings, record, now), size, on_sheets, args.sheet_of or (8 if on_sheets else 1))


# ---- files ---------------------------------------------------------------------------------------------------------


def _files(args: argparse.Namespace, name: str, pdf: bytes) -> Mapping[Path, bytes]:
    """What is to be written where: one PDF, or a picture for each page."""
    from monitor.papers.paper import as_png, pages_of

    what = "sheet" if args.batch_sheet else "checklist" if args.checklist else "label"
    base = Path(args.out) if args.out else Path(f"{_file_name(name)}-{what}" if name else what)
    if base.suffix.lower() in (".pdf", ".png"):
        base = base.with_suffix("")
    if not args.png:
        return {base.with_name(f"{base.name}.pdf"): pdf}
    pages = pages_of(pdf)
    numbers = [""] if pages == 1 else [f"-{page + 1}" for page in range(pages)]
    return {base.with_name(f"{base.name}{end}.png"): as_png(pdf, _DPI, page) for page, end in enumerate(numbers)}


def _file_name(name: str) -> str:
    """A batch's name as every file system takes it."""
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:60] or "batch"


def _write(files: Mapping[Path, bytes], *, force: bool) -> None:
    """Each file whole or not at all."""
    for path in files:
        if path.is_dir():
            raise CommandError(tr("{path} is a folder: name a file in it with --out.", path=path))
        if path.exists() and not force:
            raise CommandError(
                tr("{path} is there already: name another with --out, or write over it with --force.", path=path)
            )
    for path, data in files.items():
        half = path.with_name(f".{path.name}.{os.getpid()}.part")
        put: Callable[[Path, Path], None] = os.replace if force else os.link
        try:
            half.write_bytes(data)
            put(half, path)
        except FileExistsError:
            raise CommandError(
                tr("{path} is there already: name another with --out, or write over it with --force.", path=path)
            ) from None
        except OSError as error:
            raise CommandError(
                tr("{path} cannot be written: {reason}.", path=path, reason=error.strerror or error)
            ) from None
        finally:
            with contextlib.suppress(OSError):
                half.unlink(missing_ok=True)
