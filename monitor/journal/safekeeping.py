"""Copies of a journal that are made while it is in use, and a look at one before it is trusted.

A copy is one file, checked before it gets its name, and it never takes the place of another file. Nothing here holds
up a commit: the copy reads one moment of the journal, and whoever writes goes on.
"""

from __future__ import annotations

import contextlib
import errno
import os
import sqlite3
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from monitor.journal.migrations import APPLICATION_ID, NEWEST, version_of
from monitor.journal.store import JournalError, Refused, explained, make_private, too_new
from monitor.words import tr

# Copied at a time (2 MB with our pages); in between whoever asked is told how far it is, and may stop it.
_PAGES = 2000
# A file system without hard links (a stick with FAT) answers so to an attempt at one.
_NO_LINKS = (errno.EPERM, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK, errno.EXDEV)
HALF = ".part"
# Who only reads waits for one who is just changing the file as a whole, no longer.
_WAIT_S = 5.0

# Hears pages copied and pages in all, and answers whether to go on.
Progress = Callable[[int, int], bool]


class Stopped(Exception):
    """The copy was given up because whoever asked for it said so; nothing is left of it."""


@dataclass(frozen=True, slots=True)
class Contents:
    """What a journal file holds. ``running`` names its running batches; ``newest_s`` is the newest arrival in it."""

    path: Path
    schema: int
    batches: int
    readings: int
    running: tuple[str, ...]
    newest_s: float | None
    size_bytes: int


@contextlib.contextmanager
def reading(path: Path) -> Iterator[sqlite3.Connection]:
    """A connection that only reads, also from a place where nothing can be written (a locked stick)."""
    address = f"{path.absolute().as_uri()}?mode=ro"
    db = sqlite3.connect(address, uri=True, isolation_level=None, timeout=_WAIT_S)
    try:
        try:
            db.execute("SELECT count(*) FROM sqlite_master").fetchone()
        except sqlite3.OperationalError as error:
            # Without room for its helper files SQLite cannot open a file that was left in its quick mode. With a log
            # beside it the file alone would not be the truth.
            log = path.with_name(path.name + "-wal")
            refused = error.sqlite_errorname.startswith(("SQLITE_CANTOPEN", "SQLITE_READONLY"))
            if not refused or (log.is_file() and log.stat().st_size):
                raise
            db.close()
            db = sqlite3.connect(f"{address}&immutable=1", uri=True, isolation_level=None)
        yield db
    finally:
        db.close()


def copy_journal(
    source: Path, target: Path, progress: Progress = lambda _done, _all: True, pause_s: float = 0.0
) -> int:
    """Copy the journal ``source`` to the new file ``target``; return its size in bytes.

    ``pause_s`` is waited after each part, so that a slow card has time for the readings that come meanwhile. Raises
    Refused where something of that name is there, JournalError where it cannot be done, Stopped by ``progress``.
    """
    if target.exists():
        raise there_already(target)
    half = target.with_name(target.name + HALF)
    try:
        half.unlink(missing_ok=True)
        make_private(half)
        _copy(source, half, progress, pause_s)
        with half.open("rb") as file:
            os.fsync(file.fileno())
        name_for_good(half, target)
        return target.stat().st_size
    except sqlite3.Error as error:
        raise explained(error, target if half.exists() else source) from error
    except OSError as error:
        raise JournalError(
            tr("Backup {path}: it cannot be written ({reason}).", path=target, reason=error.strerror or error),
            again=True,
        ) from error
    finally:
        with contextlib.suppress(OSError):
            half.unlink()


def _copy(source: Path, half: Path, progress: Progress, pause_s: float) -> None:
    with reading(source) as db, contextlib.closing(sqlite3.connect(half, isolation_level=None)) as copy:
        # One moment of the journal for the whole copy: without it every commit would make the copy begin anew.
        db.execute("BEGIN")
        db.execute("SELECT count(*) FROM sqlite_master").fetchone()

        def went_on(_status: int, remaining: int, total: int) -> None:
            if not progress(total - remaining, total):
                raise Stopped
            if pause_s and remaining:
                time.sleep(pause_s)

        db.backup(copy, pages=_PAGES, progress=went_on)
        copy.execute("PRAGMA journal_mode = DELETE")  # no -wal file beside a backup
        if copy.execute("PRAGMA quick_check").fetchone()[0] != "ok":
            raise JournalError(
                tr(
                    "Journal {path}: the copy of it is damaged, and no backup was made; restore the last good one, or "
                    "try another disk.",
                    path=source,
                ),
                again=True,
            )


def name_for_good(half: Path, target: Path) -> None:
    """Give a finished file its name, never that of another one, and see that the name is on the disk."""
    try:
        os.link(half, target)
    except FileExistsError:
        raise there_already(target) from None
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise
        if target.exists():
            raise there_already(target) from None
        os.rename(half, target)
    with contextlib.suppress(OSError):
        half.unlink()
    sync_folder(target.parent)


def there_already(path: Path) -> Refused:
    """The refusal to take the place of another file."""
    return Refused(tr("{path} is there already, and a backup overwrites nothing: name another file.", path=path))


def free_name(path_of: Callable[[str], Path], endings: Sequence[str] = ("",)) -> Path:
    """The first of ``path_of("")``, ``path_of("-2")``, ``path_of("-3")`` ... that nothing has, with none of the
    endings."""
    number, path = 1, path_of("")
    while any(path.with_name(path.name + ending).exists() for ending in endings):
        number += 1
        path = path_of(f"-{number}")
    return path


def sync_folder(folder: Path) -> None:
    """See that names given in ``folder`` outlast a power cut; some disks cannot promise it."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def examine(path: Path) -> Contents:
    """Read a journal file from end to end and say what is in it; it is not changed.

    JournalError in one sentence where it is no journal of ours, is damaged, or was written by a newer program.
    """
    try:
        if not path.is_file():
            raise Refused(tr("There is no backup {path}: correct the path.", path=path))
        with path.open("rb") as file:
            head = file.read(16)
        if head != b"SQLite format 3\0":
            raise JournalError(tr("{path} is no journal: name a file that emberpail backup wrote.", path=path))
        with reading(path) as db:
            return _examined(path, db)
    except sqlite3.Error as error:
        raise explained(error, path) from error
    except OSError as error:
        raise JournalError(
            tr("{path} cannot be read ({reason}).", path=path, reason=error.strerror or error), again=True
        ) from error


def _examined(path: Path, db: sqlite3.Connection) -> Contents:
    if db.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
        raise JournalError(
            tr("{path} belongs to another program: name a file that emberpail backup wrote.", path=path)
        )
    schema = version_of(db)
    if schema > NEWEST:
        raise too_new(path, schema)
    found = db.execute("PRAGMA integrity_check(1)").fetchone()[0]
    if found != "ok" or db.execute("PRAGMA foreign_key_check").fetchone() is not None:
        raise JournalError(tr("{path} is damaged: take an older backup.", path=path))
    return contents_of(path, db)


def contents_of(path: Path, db: sqlite3.Connection) -> Contents:
    """What the open journal file holds."""
    running = tuple(name for (name,) in db.execute("SELECT name FROM batches WHERE ended_s IS NULL ORDER BY name"))
    newest = db.execute("SELECT arrival_s FROM readings ORDER BY id DESC LIMIT 1").fetchone()
    return Contents(
        path,
        version_of(db),
        db.execute("SELECT count(*) FROM batches").fetchone()[0],
        db.execute("SELECT count(*) FROM readings").fetchone()[0],
        running,
        None if newest is None else newest[0],
        path.stat().st_size,
    )
