"""``backup``, ``restore`` and ``thin``: a journal put away, put back, and made smaller."""

from __future__ import annotations

import argparse
import contextlib
from pathlib import Path
from typing import Any

from monitor.commands import YES
from monitor.commands.common import (
    CommandError,
    clock_words,
    must_be_decided,
    now_s,
    open_journal,
    parser_for,
    print_json,
    say,
    settings_of,
    warn,
)
from monitor.commands.which import journal_of_batches
from monitor.copying import HOLDER_FACT
from monitor.journal.database import Journal, JournalError
from monitor.journal.safekeeping import Contents, examine
from monitor.keeping import Kept, back_up, is_folder, note_backup, restore
from monitor.settings import LEAST_RAW_DAYS, Settings
from monitor.thinning import thin
from monitor.words import localised, several, tr, trn


def add(parsers: Any) -> None:
    """Describe the commands."""
    backup = parser_for(
        parsers, "backup", tr("copy the journal to another disk, also while watch runs"),
        "emberpail backup /media/stick/emberpail --keep 14",
        description=tr(
            "Copy the journal, with its photographs, to one checked file that is named by the date. Works while watch "
            "runs, and overwrites nothing."
        ),
    )  # fmt: skip
    backup.add_argument(
        "target", nargs="?", metavar="FILE|FOLDER",
        help=tr("where to (default: backup_to of the settings, else the folder backups beside the journal)"),
    )  # fmt: skip
    backup.add_argument(
        "--keep", type=int, metavar="N", help=tr("of the backups in the folder keep the newest N, this one included")
    )
    backup.add_argument(
        "--with-settings", action="store_true",
        help=tr("copy the settings file, too; it may hold passwords, so only you may read the copy"),
    )  # fmt: skip
    backup.add_argument("--json", action="store_true", help=tr("for programs"))
    backup.set_defaults(run=run_backup)
    back = parser_for(
        parsers, "restore", tr("put a backup in the journal's place; the present one is kept"),
        "emberpail restore /media/stick/emberpail/journal-2026-01-17-033000.sqlite",
        description=tr(
            "Check a backup and put it in the journal's place. The present journal is kept beside it under a dated "
            "name. Stop watch first."
        ),
    )  # fmt: skip
    back.add_argument("file", help=tr("a file that backup wrote"))
    back.add_argument("--check", action="store_true", help=tr("only read the file and say what is in it"))
    back.add_argument("--json", action="store_true", help=tr("for programs"))
    back.set_defaults(run=run_restore)
    thin_ = parser_for(
        parsers, "thin", tr("thin the raw readings of old batches; their curves stay"),
        "emberpail thin --days 365 --dry-run",
        description=tr(
            "Of batches that ended long ago keep the readings that their curve, peak and judgement hang on, and remove "
            "the rest. Needs a backup of the last days, and works while watch runs. Batches that run are not touched."
        ),
    )  # fmt: skip
    thin_.add_argument(
        "--days", type=int, metavar="N",
        help=tr("how long ago a batch must have ended (default: raw_days; at least 30)"),
    )  # fmt: skip
    thin_.add_argument("--dry-run", action="store_true", help=tr("only say what would go"))
    thin_.add_argument(
        "--shrink", action="store_true",
        help=tr("afterwards give the room back to the disk; takes minutes, and watch must be stopped"),
    )  # fmt: skip
    thin_.add_argument("--json", action="store_true", help=tr("for programs"))
    thin_.set_defaults(run=run_thin)


def run_backup(args: argparse.Namespace) -> int:
    """Copy, rotate, and say what was kept."""
    settings = settings_of(args)
    target = _target(args, settings)
    if args.keep is not None and (args.keep < 1 or not is_folder(target)):
        raise CommandError(
            tr("--keep {n} is too few: at least 1 is kept.", n=args.keep)
            if args.keep < 1
            else tr("--keep is for a folder, and {path} is a file: name its folder, or leave --keep out.", path=target)
        )
    if args.with_settings and settings.file is None:
        raise CommandError(tr("There is no settings file to copy: leave --with-settings out."))
    at_s = now_s()
    kept = back_up(
        settings.journal_path, target, settings.local_time(at_s), keep=args.keep,
        settings_file=settings.file if args.with_settings else None,
    )  # fmt: skip
    with open_journal(settings) as journal:
        note_backup(journal, kept, at_s)
    if args.json:
        print_json(_kept_json(kept, at_s))
    else:
        _tell_kept(kept)
    return YES


def _target(args: argparse.Namespace, settings: Settings) -> Path:
    if args.target is not None:
        return Path(args.target).expanduser()
    return settings.keep.backup_to or settings.journal_path.absolute().with_name("backups")


def _tell_kept(kept: Kept) -> None:
    say(tr("Kept and checked: {what} in {path} ({size}).", what=contents_words(kept.contents), path=kept.path,
           size=size_words(kept.contents.size_bytes)))  # fmt: skip
    if kept.photos:
        say(trn("{n} photograph lies beside it.", "{n} photographs lie beside it.", kept.photos))
    if kept.settings is not None:
        say(tr("The settings lie beside it: {path}. They may hold passwords: keep them to yourself.",
               path=kept.settings))  # fmt: skip
    else:
        say(tr("The settings file is not in it, because it may hold passwords; --with-settings adds it."))
    if kept.removed:
        say(trn("{n} older backup was removed.", "{n} older backups were removed.", len(kept.removed)))
    for path in kept.lost:
        warn(tr("The photograph {path} is not there any more, or was changed: it is not in the backup.", path=path))
    if kept.open_settings:
        warn(tr("That disk knows no rights: whoever holds it can read the settings."))
    if kept.same_disk:
        warn(
            tr("It lies on the same disk as the journal and is lost with it: copy it to a stick or another computer.")
        )


def _kept_json(kept: Kept, at_s: float) -> dict[str, object]:
    return {
        "path": str(kept.path), "at_s": at_s, **_contents_json(kept.contents), "photographs": kept.photos,
        "photographs_missing": list(kept.lost), "settings": None if kept.settings is None else str(kept.settings),
        "same_disk": kept.same_disk, "removed": [str(path) for path in kept.removed],
    }  # fmt: skip


def _contents_json(contents: Contents) -> dict[str, object]:
    return {
        "bytes": contents.size_bytes, "schema": contents.schema, "batches": contents.batches,
        "readings": contents.readings, "running": list(contents.running), "newest_reading_s": contents.newest_s,
    }  # fmt: skip


def contents_words(contents: Contents) -> str:
    """What a journal holds: "12 batches and 340,000 readings"."""
    readings = localised(f"{contents.readings:,}")
    return several(
        [
            trn("{n} batch", "{n} batches", contents.batches),
            trn("{figure} reading", "{figure} readings", contents.readings, figure=readings),
        ]
    )


def size_words(size_bytes: float) -> str:
    """A size as one reads it: "34 MB"."""
    if size_bytes < 1e6:
        return tr("{size:.0f} kB", size=max(1.0, size_bytes / 1e3))
    if size_bytes < 1e9:
        return tr("{size:.0f} MB", size=size_bytes / 1e6)
    return tr("{size:.1f} GB", size=size_bytes / 1e9)


def newest_words(settings: Settings, contents: Contents) -> str:
    """When its newest reading arrived."""
    return tr("no reading yet") if contents.newest_s is None else clock_words(settings, contents.newest_s)


def run_restore(args: argparse.Namespace) -> int:
    """Check, and unless only that was asked, put back."""
    settings = settings_of(args)
    backup = Path(args.file).expanduser()
    if args.check:
        found = examine(backup)
        if args.json:
            print_json({"path": str(backup), "sound": True, **_contents_json(found)})
        else:
            say(tr("{path} is sound: {what}, the newest of {time}.", path=backup, what=contents_words(found),
                   time=newest_words(settings, found)))  # fmt: skip
        return YES
    must_be_decided(settings)
    holder = _holder(settings)
    done, photos = restore(backup, settings.journal_path, settings.local_time(now_s()))
    if holder is not None:  # a backup of before a take-over must not look like the machine that was taken over
        with open_journal(settings) as journal:
            journal.set_fact(HOLDER_FACT, holder)
    if args.json:
        print_json(
            {"path": str(backup), "journal": str(settings.journal_path), **_contents_json(done.contents),
             "aside": None if done.aside is None else str(done.aside), "photographs": photos}
        )  # fmt: skip
        return YES
    say(tr("Restored: {what}, the newest of {time}.", what=contents_words(done.contents),
           time=newest_words(settings, done.contents)))  # fmt: skip
    if done.aside is not None:
        say(tr("The journal of before is kept: {path}.", path=done.aside))
    if photos:
        say(trn("{n} photograph came back.", "{n} photographs came back.", photos))
    if done.contents.running:
        say(
            tr(
                "Running again, as when the backup was made: {names}. Nobody has watched since: look at the buckets "
                "from the door first, and end what is over (emberpail end).",
                names=several(done.contents.running),
            )
        )
    say(tr("Nothing is watched until you start watch again."))
    return YES


def _holder(settings: Settings) -> object:
    """What the present journal knows of its copy, None where it knows nothing or cannot be read."""
    with contextlib.suppress(JournalError), Journal(settings.journal_path, read_only=True) as journal:
        return journal.fact(HOLDER_FACT)
    return None


def run_thin(args: argparse.Namespace) -> int:
    """Thin, or say what would go; then shrink the file where that was asked."""
    settings = settings_of(args)
    days = settings.keep.raw_days if args.days is None else args.days
    if days is None:
        raise CommandError(tr("Say how long ago a batch must have ended: --days 365, or raw_days in the settings."))
    if days < LEAST_RAW_DAYS:
        raise CommandError(tr("--days {n} is too few: {least} at the least.", n=days, least=LEAST_RAW_DAYS))
    with journal_of_batches(settings) if args.dry_run else _open_to_thin(settings) as journal:
        if args.shrink and not args.dry_run:
            journal.claim_watch()
        before_bytes = settings.journal_path.stat().st_size
        done = thin(journal, days, now_s(), dry_run=args.dry_run)
        if args.shrink and not args.dry_run:
            journal.shrink()
        after_bytes = settings.journal_path.stat().st_size
    if args.json:
        print_json(
            {"dry_run": args.dry_run, "batches": done.batches, "readings": done.looked_at, "removed": done.removed,
             "bytes_before": before_bytes, "bytes_after": after_bytes}
        )  # fmt: skip
        return YES
    what = {
        "of": localised(f"{done.looked_at:,}"), "batches": trn("{n} batch", "{n} batches", len(done.batches)),
    }  # fmt: skip
    what["figure"] = localised(f"{done.removed:,}")
    if args.dry_run:
        say(tr("{figure} of {of} readings would go ({batches}, and hours without a batch).", **what))
    else:
        say(tr("{figure} of {of} readings were removed ({batches}, and hours without a batch).", **what))
    if args.shrink and not args.dry_run:
        say(tr("The journal was {before} and is {after}.", before=size_words(before_bytes),
               after=size_words(after_bytes)))  # fmt: skip
    elif done.removed and not args.dry_run:
        say(tr("Their room is used for new readings; --shrink gives it back to the disk."))
    return YES


def _open_to_thin(settings: Settings) -> Journal:
    journal_of_batches(settings).close()  # says so where there is none yet
    return open_journal(settings)
