"""``backup`` and ``restore``: a journal put away, and put back."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from monitor.commands import YES
from monitor.commands.common import (
    CommandError,
    clock_words,
    now_s,
    open_journal,
    parser_for,
    print_json,
    say,
    settings_of,
    warn,
)
from monitor.journal.safekeeping import Contents, examine
from monitor.keeping import Kept, back_up, is_folder, note_backup, restore
from monitor.settings import Settings
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
                   time=_newest_words(settings, found)))  # fmt: skip
        return YES
    done, photos = restore(backup, settings.journal_path, settings.local_time(now_s()))
    if args.json:
        print_json(
            {"path": str(backup), "journal": str(settings.journal_path), **_contents_json(done.contents),
             "aside": None if done.aside is None else str(done.aside), "photographs": photos}
        )  # fmt: skip
        return YES
    say(tr("Restored: {what}, the newest of {time}.", what=contents_words(done.contents),
           time=_newest_words(settings, done.contents)))  # fmt: skip
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


def _newest_words(settings: Settings, contents: Contents) -> str:
    return tr("no reading yet") if contents.newest_s is None else clock_words(settings, contents.newest_s)
