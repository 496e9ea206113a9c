"""Backups of a journal and what belongs to it, and the way back.

A backup is one journal file under a dated name. Photographs lie beside it in the folder ``photos``, each once however
many backups there are. The settings file may hold secrets, so it comes along only where somebody asks for it.
"""

from __future__ import annotations

import contextlib
import os
import re
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from monitor.journal.database import Journal, JournalError, Refused
from monitor.journal.migrations import APPLICATION_ID
from monitor.journal.photo_files import copy_by_hash, copy_photo, photo_folder
from monitor.journal.putting_back import PutBack, put_back
from monitor.journal.safekeeping import (
    HALF,
    Contents,
    Progress,
    contents_of,
    copy_journal,
    free_name,
    reading,
    there_already,
)
from monitor.words import tr

# What is known of the last good backup, in the journal itself.
LAST_BACKUP = "keep/backup"
_DATED = "%Y-%m-%d-%H%M%S"


@dataclass(frozen=True, slots=True)
class Kept:
    """A backup that was made. ``photos`` lie beside it, ``lost`` are named in the journal and could not be found.

    ``open_settings``: the copy of the settings can be read by others, because the disk knows no rights.
    """

    contents: Contents
    photos: int
    lost: tuple[str, ...]
    settings: Path | None
    open_settings: bool
    same_disk: bool
    removed: tuple[Path, ...]

    @property
    def path(self) -> Path:
        """The backup's file."""
        return self.contents.path


def back_up(
    journal: Path,
    target: Path,
    at: datetime,
    *,
    keep: int | None = None,
    settings_file: Path | None = None,
    progress: Progress = lambda _done, _all: True,
    pause_s: float = 0.0,
) -> Kept:
    """Copy ``journal`` into the folder ``target`` under a name with the date ``at``, or to the file ``target``.

    ``keep``: of the backups of this journal in the folder the newest so many stay. Raises JournalError in a sentence.
    """
    if not journal.is_file():
        raise Refused(tr("There is no journal {path} yet, so there is nothing to back up.", path=journal))
    folder = is_folder(target)
    if folder:
        _make(target)
        dated = target / f"{journal.stem}-{at.strftime(_DATED)}"
        target = free_name(lambda more: dated.with_name(f"{dated.name}{more}.sqlite"))
    if settings_file is not None and _settings_beside(target).exists():
        raise there_already(_settings_beside(target))
    copy_journal(journal, target, progress, pause_s)
    with reading(target) as db:
        contents = contents_of(target, db)
        pictures = _pictures(db)
    try:
        photos, lost = _copy_photos(pictures, photo_folder(journal), photo_folder(target))
        kept_settings, is_open = _copy_settings(settings_file, target)
    except OSError as error:
        raise JournalError(
            tr("Backup {path}: it cannot be written ({reason}).", path=error.filename or target,
               reason=error.strerror or error),
            again=True,
        ) from error  # fmt: skip
    removed = _rotate(target, journal.stem, keep) if folder and keep is not None else ()
    return Kept(contents, photos, lost, kept_settings, is_open, same_disk(journal, target), removed)


def is_folder(target: Path) -> bool:
    """Whether a backup's place is meant as a folder: it is one, or is not there and its name has no ending."""
    return target.is_dir() or (not target.exists() and not target.suffix)


def same_disk(journal: Path, other: Path) -> bool:
    """Whether both lie on one disk, which takes both with it when it dies."""
    return journal.stat().st_dev == other.stat().st_dev


def is_unplugged(journal: Path, folder: Path, last: Mapping[str, object] | None) -> bool:
    """Whether the disk of the last backup (as noted) is gone: where a backup went to a disk of its own before, the same
    folder on the journal's disk is an empty mount.
    """
    if last is None or last.get("same_disk") or Path(str(last.get("path", ""))).parent != folder.absolute():
        return False
    return not folder.is_dir() or same_disk(journal, folder)


def note_backup(journal: Journal, kept: Kept, at_s: float) -> None:
    """Let the journal know of a good backup."""
    values = {
        "at_s": at_s, "path": str(kept.path.absolute()), "bytes": kept.contents.size_bytes,
        "batches": kept.contents.batches, "same_disk": kept.same_disk, "newest_s": kept.contents.newest_s,
    }  # fmt: skip
    journal.set_fact(LAST_BACKUP, values)


def restore(backup: Path, journal: Path, at: datetime) -> tuple[PutBack, int]:
    """Put ``backup`` in the journal's place and its photographs beside; return what was done and how many came back."""
    done = put_back(backup, journal, at.strftime(_DATED))
    source, target = photo_folder(backup), photo_folder(journal)
    if source == target:
        return done, 0
    with reading(journal) as db:
        hashes = [sha256 for sha256, _ in _pictures(db)]
    came = 0
    for sha256 in hashes:
        there = copy_by_hash(source, sha256)
        # The journal is back already: a picture that cannot be copied stays where it is, with the backup.
        with contextlib.suppress(OSError):
            if there is not None and copy_by_hash(target, sha256) is None and copy_photo(there, target, sha256):
                came += 1
    return done, came


# ---- inside --------------------------------------------------------------------------------------------------------


def _make(folder: Path) -> None:
    """The folder itself, never those above it: where a stick is not plugged in, its folder must not appear."""
    try:
        folder.mkdir(exist_ok=True)
    except OSError as error:
        raise JournalError(
            tr(
                "The folder {path} cannot be made ({reason}): is its disk or stick plugged in?",
                path=folder,
                reason=error.strerror or error,
            ),
            again=True,
        ) from error


def _pictures(db: sqlite3.Connection) -> list[tuple[str, str]]:
    """Hash and path of every photograph that the journal names, each hash once; an old schema has none."""
    if not db.execute("SELECT count(*) FROM sqlite_master WHERE name = 'photos'").fetchone()[0]:
        return []
    return db.execute("SELECT sha256, min(path) FROM photos GROUP BY sha256 ORDER BY 1").fetchall()


def _copy_photos(pictures: Sequence[tuple[str, str]], source: Path, target: Path) -> tuple[int, tuple[str, ...]]:
    count, lost = 0, []
    for sha256, path in pictures:
        if copy_by_hash(target, sha256) is not None:
            count += 1
            continue
        there = copy_by_hash(source, sha256) or Path(path)
        # One that was changed since, or that is not there any more, is told and holds up nothing.
        if sha256.isalnum() and there.is_file() and copy_photo(there, target, sha256):
            count += 1
        else:
            lost.append(path)
    return count, tuple(lost)


def _settings_beside(target: Path) -> Path:
    return target.with_suffix(".toml")


def _copy_settings(settings_file: Path | None, target: Path) -> tuple[Path | None, bool]:
    """The settings beside the backup, for their owner only; and whether others can read them all the same."""
    if settings_file is None:
        return None, False
    path = _settings_beside(target)
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "wb") as file:
        file.write(settings_file.read_bytes())
        file.flush()
        os.fsync(file.fileno())
    return path, bool(path.stat().st_mode & 0o077)


def _rotate(newest: Path, stem: str, keep: int) -> tuple[Path, ...]:
    """Remove the oldest backups of this journal beside ``newest``, which stays whatever the clock says."""
    dated = re.compile(re.escape(stem) + r"-\d{4}-\d\d-\d\d-\d{6}(-\d+)?\.sqlite")
    others = sorted(
        (path for path in newest.parent.iterdir() if dated.fullmatch(path.name) and path != newest and _is_ours(path)),
        key=lambda path: path.name,
        reverse=True,
    )
    removed = []
    for path in others[max(0, keep - 1) :]:
        with contextlib.suppress(OSError):
            path.unlink()
            _settings_beside(path).unlink(missing_ok=True)
            removed.append(path)
    for half in newest.parent.glob(f"{stem}-*.sqlite{HALF}*"):  # left by a power cut
        with contextlib.suppress(OSError):
            half.unlink()
    return tuple(removed)


def _is_ours(path: Path) -> bool:
    """Whether the file carries our mark (SQLite keeps it at byte 68 of the file)."""
    try:
        with path.open("rb") as file:
            head = file.read(72)
    except OSError:
        return False
    return head[:16] == b"SQLite format 3\0" and head[68:72] == APPLICATION_ID.to_bytes(4, "big")
