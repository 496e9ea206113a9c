"""``record``: all that is kept of a batch, running or ended; and what is noted of it, or put right, afterwards."""

from __future__ import annotations

import argparse
import hashlib
import os
import re
from datetime import date
from pathlib import Path
from typing import Any

from monitor.commands import YES
from monitor.commands.common import (
    MOST_TEXT,
    CommandError,
    now_s,
    one_line,
    open_journal,
    parser_for,
    print_json,
    quoted,
    say,
    settings_of,
    shown,
    zone_of,
)
from monitor.commands.recipe_args import BEYOND_DOUBT
from monitor.commands.record_view import bag_doubts, record_json, record_lines
from monitor.commands.times import parse_when
from monitor.commands.which import batch_called, journal_of_batches
from monitor.domain import Recipe, Vessel
from monitor.journal.database import BatchRecord, Journal, Photo
from monitor.journal.photo_files import copy_photo, kept_copy, photo_folder
from monitor.settings import Settings
from monitor.trade.amend import AMENDABLE, amended, amended_fields, told_recipe
from monitor.trade.cautions import cautions_for
from monitor.trade.filled import Doubts
from monitor.trade.recipe import LyeBalance, lye_balance
from monitor.trade.record import (
    FIELDS,
    field_named,
    field_words,
    read_field,
    read_yield,
    those_that_stand,
    told_value,
)
from monitor.trade.telling import balance_sentences
from monitor.words import tr

# An amount of water, rather than which water it was.
_AMOUNT = re.compile(r"\s*[+\-\u2212]?[\d.,]+\s*[A-Za-z]")

# Larger than any photograph of a bucket.
_MOST_PHOTO_BYTES = 200_000_000
# A photograph taken from a day before the batch on belongs to it; its file's own time is then taken.
_BEFORE_START_S = 24 * 3600.0


def add(parsers: Any) -> None:
    """Describe the command."""
    parser = parser_for(
        parsers,
        "record",
        tr("the record of a batch: show it, add to it, put it right"),
        'emberpail record "Quillmarsh 12" potash-lot K-71 --who Ada',
        description=tr(
            "Show the whole record of a batch, running or ended; with a field and a value note it, or correct it: the "
            "old value is kept. Fields: {fields}. As weighed: {weighed}. A photograph: photo PATH. A dash takes a "
            "field back.",
            fields=", ".join(["yield", *(name.replace("_", "-") for name in FIELDS if not name.startswith("yield_"))]),
            weighed=", ".join(AMENDABLE),
        ),
    )
    parser.add_argument("batch", help=tr("the batch, its number, or its bucket"))
    parser.add_argument("field", nargs="?", help=tr("what to note: potash-lot, yield, remark, photo, koh ..."))
    parser.add_argument("value", nargs="*", help=tr('its value: "K-71", 24L, 860g, "sunflower 4.3 kg"'))
    parser.add_argument("--who", default="", help=tr("who notes it"))
    parser.add_argument("--caption", default="", help=tr("what the photograph shows"))
    parser.add_argument(
        "--at", metavar=tr("TIME"), help=tr("when the photograph was taken (default: the time of its file)")
    )
    parser.add_argument(
        "--keep-copy", action="store_true", help=tr("copy the photograph into a folder beside the journal")
    )
    parser.add_argument("--undo", action="store_true", help=tr("take the field, or the photograph PATH, off again"))
    parser.add_argument(
        "--anyway", metavar=tr("REASON"), help=tr("keep a weight that makes the batch lye-heavy, and write down why")
    )
    parser.add_argument("--json", action="store_true", help=tr("for programs"))
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Show the record, or write one thing into it."""
    settings = settings_of(args)
    who = one_line(args.who, tr("The name after --who"))
    if args.field is None:
        return _show(args, settings)
    what = _what(args.field, " ".join(args.value))
    _refuse_idle_options(args, what)
    value = " ".join(args.value).strip()
    if not value and not args.undo:
        raise CommandError(
            tr("Say what to note for {field}, or - to take it back: emberpail record --help", field=shown(args.field))
        )
    with open_journal(settings) as journal:
        record = batch_called(journal, args.batch)
        if what == "photo":
            return _note_photo(args, settings, journal, record, value, who)
        if what in AMENDABLE:
            return _amend(args, settings, journal, record, what, "" if args.undo else value, who)
        return _note_detail(args, settings, journal, record, "" if args.undo else value, who)


def _what(field: str, value: str) -> str:
    """ "photo", one of AMENDABLE, or another name, which is a field's.

    "water" is both a weight and a field (which water it was): an amount is the weight.
    """
    what = field.strip().lower()
    return "water, which" if what == "water" and not _AMOUNT.match(value) else what


def _show(args: argparse.Namespace, settings: Settings) -> int:
    journal = journal_of_batches(settings)
    with journal:
        record = batch_called(journal, args.batch)
        if args.json:
            print_json(record_json(journal, record, now_s()))
        else:
            print("\n".join(record_lines(journal, settings, record, now_s())))
    return YES


def _refuse_idle_options(args: argparse.Namespace, what: str) -> None:
    """An option that would be passed over in silence is most likely a slip."""
    for option, given, goes_with in (
        ("--caption", args.caption, ("photo",)),
        ("--at", args.at, ("photo",)),
        ("--keep-copy", args.keep_copy, ("photo",)),
        ("--anyway", args.anyway, tuple(AMENDABLE)),
    ):
        if given and what not in goes_with:
            raise CommandError(
                tr("{option} goes with {fields}, not with {field}.", option=option, fields=", ".join(goes_with),
                   field=shown(args.field))
            )  # fmt: skip


# ---- details -------------------------------------------------------------------------------------------------------


def _note_detail(  # noqa: PLR0917
    args: argparse.Namespace, settings: Settings, journal: Journal, record: BatchRecord, value: str, who: str
) -> int:
    name = record.batch.name
    field, kept = _read(journal, name, args.field, value, today_of(settings))
    with journal.transaction():
        before = stands(journal, name, field)
        changed = kept != before
        if changed:
            journal.add_detail(name, field, kept, now_s(), who)
        useless = _useless_test(journal, name) if field == "free_alkali_percent" and kept else ""
    if args.json:
        print_json({"batch": name, "field": field, "value": kept, "before": before, "changed": changed})
        return YES
    say(_told_change(name, field, before, kept))
    if not FIELDS[field].many and before and changed:
        say(tr("The old value is kept, too: emberpail record {batch}", batch=quoted(name)))
    if useless:
        say(useless)
    if field.startswith("free_"):
        _say_cautions(settings, "test")
    return YES


def _useless_test(journal: Journal, batch: str) -> str:
    """Why a test that was noted teaches nothing, "" where it does."""
    from monitor.learned import alkali_test_words  # its libraries are heavy

    return alkali_test_words(journal, batch)


def _read(journal: Journal, batch: str, field: str, value: str, today: date) -> tuple[str, str]:
    """Field and value as they are kept; "yield" alone is a mass or a volume by its unit."""
    if field.strip().lower() not in ("yield", "yield-kg-or-litres"):
        name = field_named(field).name
        return name, read_field(name, value, today)
    if value in ("", "-"):
        standing = [name for name in ("yield_kg", "yield_litres") if stands(journal, batch, name)]
        return (standing or ["yield_litres"])[0], ""
    return read_yield(value)


def _told_change(batch: str, field: str, before: str, now: str) -> str:
    words = field_words(field)
    many = FIELDS[field].many
    if now == before:
        if not now:
            return tr("{batch}: no {field} was noted, so nothing was taken back.", batch=batch, field=words)
        told = told_value(field, now)
        return tr("{batch}: {field} stands so already: {value}.", batch=batch, field=words, value=told)
    if not now:
        return tr("{batch}: {field} taken back; it was {old}.", batch=batch, field=words, old=told_value(field, before))
    if before and not many:
        return tr(
            "{batch}: {field} is {value} now; it was {old}.", batch=batch, field=words, value=told_value(field, now),
            old=told_value(field, before),
        )  # fmt: skip
    return tr("{batch}: {field} noted: {value}.", batch=batch, field=words, value=told_value(field, now))


def stands(journal: Journal, batch: str, field: str) -> str:
    """What stands for a field, "" for nothing; of remarks the last one."""
    values = [detail.value for detail in journal.detail_history(batch) if detail.field == field]
    if FIELDS[field].many:
        return (*("",), *those_that_stand(values))[-1]
    return values[-1] if values else ""


def today_of(settings: Settings) -> date:
    """The date at the place."""
    return settings.local_time(now_s()).date()


# ---- photographs ---------------------------------------------------------------------------------------------------


def _note_photo(  # noqa: PLR0917
    args: argparse.Namespace, settings: Settings, journal: Journal, record: BatchRecord, value: str, who: str
) -> int:
    batch = record.batch
    path = Path(value).expanduser().absolute()
    if args.undo:
        return _take_photo_off(args, journal, batch.name, value, path)
    caption = one_line(args.caption, tr("The caption"), MOST_TEXT)
    noted_at_s = now_s()
    sha256, file_s = _hash_of(path)
    if args.at is not None:
        at_s = parse_when(args.at, noted_at_s, zone_of(settings))
    else:
        at_s = file_s if batch.started_s - _BEFORE_START_S <= file_s <= noted_at_s else noted_at_s
    photo = Photo(batch.name, str(path), sha256, caption, at_s, noted_at_s, who)
    if args.keep_copy:
        # Before the row: a copy without a row does no harm, a row that promises a copy would.
        _keep_copy(path, settings.journal_path, photo)
    with journal.transaction():
        same = [one for one in journal.photos(batch.name) if one.sha256 == sha256 and caption in ("", one.caption)]
        photo = same[0] if same else journal.add_photo(photo)
    copy = kept_copy(settings.journal_path, photo)
    if args.json:
        print_json(
            {"batch": batch.name, "photo": photo.photo_id, "path": photo.path, "sha256": sha256, "at": photo.at_s,
             "copy": None if copy is None else str(copy), "changed": not same}
        )  # fmt: skip
        return YES
    if same:
        say(tr("{batch}: that photograph stands in the record already.", batch=batch.name))
    else:
        say(tr("{batch}: photograph noted: {path}.", batch=batch.name, path=photo.path))
    if copy is not None:
        say(tr("A copy is kept: {path}", path=copy))
    else:
        say(tr("The file stays where it is, so leave it there; --keep-copy puts a copy beside the journal."))
    return YES


def _take_photo_off(args: argparse.Namespace, journal: Journal, batch: str, typed: str, path: Path) -> int:
    there = journal.photos(batch)
    found = [photo for photo in there if photo.path == str(path) or Path(photo.path).name == typed]
    if not found:
        raise CommandError(tr("{batch} has no photograph {path}.", batch=batch, path=shown(typed)))
    with journal.transaction():
        for photo in found:
            journal.undo_photo(photo.photo_id, now_s())
    if args.json:
        print_json({"batch": batch, "undone": [photo.photo_id for photo in found]})
    else:
        say(tr("{batch}: photograph taken off the record: {path}. The file stays where it is.", batch=batch,
               path=found[-1].path))  # fmt: skip
    return YES


def _hash_of(path: Path) -> tuple[str, float]:
    """SHA-256 and time of a file; CommandError for what is none, or cannot be a photograph."""
    if path.is_dir():
        raise CommandError(tr("{path} is a folder: name one photograph in it.", path=path))
    digest = hashlib.sha256()
    try:
        with path.open("rb") as file:
            state = os.fstat(file.fileno())
            if not path.is_file() or state.st_size > _MOST_PHOTO_BYTES:
                raise CommandError(
                    tr("{path} is no photograph: a file of up to {most} MB is taken.", path=path,
                       most=_MOST_PHOTO_BYTES // 1_000_000)
                )  # fmt: skip
            while block := file.read(1 << 20):
                digest.update(block)
    except OSError as error:
        raise CommandError(
            tr("The photograph {path} cannot be read: {reason}.", path=path, reason=error.strerror or error)
        ) from None
    if state.st_size == 0:
        raise CommandError(tr("{path} is empty: it is no photograph.", path=path))
    return digest.hexdigest(), round(state.st_mtime, 3)


def _keep_copy(path: Path, journal_path: Path, photo: Photo) -> None:
    """Copy the file under its hash; whole or not at all, and only what was hashed."""
    if kept_copy(journal_path, photo) is not None:
        return
    folder = photo_folder(journal_path)
    try:
        if not copy_photo(path, folder, photo.sha256):
            raise CommandError(tr("{path} was changed while it was read; nothing was noted: try again.", path=path))
    except OSError as error:
        raise CommandError(
            tr("The photograph cannot be copied to {path}: {reason}.", path=folder, reason=error.strerror or error)
        ) from None


# ---- what was weighed, put right -----------------------------------------------------------------------------------


def _amend(  # noqa: PLR0917
    args: argparse.Namespace, settings: Settings, journal: Journal, record: BatchRecord, what: str, value: str, who: str
) -> int:
    name = record.batch.name
    noted_at_s = now_s()
    reason = one_line(args.anyway or "", tr("The reason"), MOST_TEXT)
    with journal.transaction():
        before = journal.recipe_now(name)
        after = amended(*before, what, value)
        changed = amended_fields(before, after)
        balance = _refuse_lye_heavy(before[0], after[0], reason, bag_doubts(journal, settings, record))
        if changed:
            journal.amend_batch(name, *after, noted_at_s, who)
            if reason and balance is not None and _is_heavy(balance):
                text = tr("lye-heavy as corrected, kept because: {reason}", reason=reason)
                journal.add_detail(name, "remark", text, noted_at_s, who)
    _say_amended(args, settings, record, what, (before, after), balance)
    return YES


def _is_heavy(balance: LyeBalance) -> bool:
    return balance.probabilities.get("lye-heavy", 0.0) >= BEYOND_DOUBT


def _refuse_lye_heavy(before: Recipe, after: Recipe, reason: str, doubts: Doubts) -> LyeBalance | None:
    """The lye balance as corrected. CommandError where that is lye-heavy beyond doubt and no reason was given."""
    if not after.oils:
        return None
    balance = lye_balance(after, doubts)
    if _is_heavy(balance) and not reason and before != after:
        raise CommandError(
            tr(
                "So corrected the batch is lye-heavy beyond doubt: potash for {low:.0f} % to {high:.0f} % of what the "
                "oils need. Look at the scale, the unit and the decimal point; nothing was changed. If it was weighed "
                'so, say how you know, with --anyway "reason": it stays caustic however well it reacts.',
                low=100.0 * balance.ratio_low,
                high=100.0 * balance.ratio_high,
            )
        )
    return balance


def _say_amended(  # noqa: PLR0917
    args: argparse.Namespace,
    settings: Settings,
    record: BatchRecord,
    what: str,
    states: tuple[tuple[Recipe, Vessel], tuple[Recipe, Vessel]],
    balance: LyeBalance | None,
) -> None:
    name = record.batch.name
    before, after = states
    changed = amended_fields(before, after)
    old, new = told_recipe(*before), told_recipe(*after)
    says = [
        tr("{batch}: {field} is {value} now; it was {old}.", batch=name, field=tr(AMENDABLE[field]), value=new[field],
           old=old[field])
        for field in changed
    ]  # fmt: skip
    weighed = [field for field in changed if field in ("oil", "koh", "purity")]
    if not changed:
        words, value = tr(AMENDABLE[what]), new[what]
        says = [tr("{batch}: {field} stands so already: {value}.", batch=name, field=words, value=value)]
    elif record.ended_s is None:
        says.append(tr("It counts from now on; what was said before stands as it was said."))
    if weighed and balance is not None:
        says += balance_sentences(balance)
    heavy = balance is not None and balance.word == "lye-heavy"
    number = settings.site.emergency_number
    cautions = cautions_for("correct" if heavy else "test", emergency_number=number) if weighed else ()
    if args.json:
        print_json(
            {"batch": name, "amended": list(changed), "before": {field: old[field] for field in changed},
             "now": {field: new[field] for field in changed}, "says": says, "cautions": list(cautions)}
        )  # fmt: skip
        return
    for sentence in says:
        say(sentence)
    for caution in cautions:
        say(caution, "! ")


def _say_cautions(settings: Settings, deed: str) -> None:
    for caution in cautions_for(deed, emergency_number=settings.site.emergency_number):
        say(caution, "! ")
