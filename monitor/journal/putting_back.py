"""A backup put in the place of the present journal: the old one or the new one, never half of either.

What the present journal holds is kept under a dated name first. A journal that is in order gets the contents of the
backup in one transaction of its own, so that a kill at any moment, and whoever has the file open, does no harm. One
that cannot be opened any more is moved aside as it is.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
from dataclasses import dataclass
from pathlib import Path

from monitor.journal.migrations import is_foreign
from monitor.journal.safekeeping import Contents, copy_journal, examine, free_name, name_for_good, reading, sync_folder
from monitor.journal.store import BUSY_S, PAGE_BYTES, JournalError, Refused, Store, claim_of, explained
from monitor.words import tr

_DAMAGED = ("SQLITE_NOTADB", "SQLITE_CORRUPT")


@dataclass(frozen=True, slots=True)
class PutBack:
    """What was put back, and where the journal of before is kept (None: there was none)."""

    contents: Contents
    aside: Path | None


def put_back(backup: Path, journal: Path, dated: str) -> PutBack:
    """Put ``backup`` in the place of ``journal``; ``dated`` names what is kept aside ("2026-01-17-180500").

    Refused while a watch runs on the journal; JournalError in one sentence where the backup cannot be trusted or the
    disk refuses. The backup itself is not changed, an older schema is brought up to the present one on the way.
    """
    if backup.exists() and journal.exists() and backup.samefile(journal):
        raise Refused(tr("{path} is the journal itself: name a backup.", path=backup))
    contents = examine(backup)
    try:
        journal.parent.mkdir(parents=True, exist_ok=True)
        claim = claim_of(journal)
    except OSError as error:
        raise _cannot_write(journal, error) from error
    staged = journal.with_name(f".{journal.name}.restoring")
    try:
        _make_room(journal, contents.size_bytes)
        _stage(backup, staged, journal)
        _give(staged, journal)
        _give(Path(claim.name), journal)
        return PutBack(contents, _swap(staged, journal, dated))
    except sqlite3.Error as error:
        raise explained(error, journal) from error
    except OSError as error:
        raise _cannot_write(journal, error) from error
    finally:
        _remove(staged)
        claim.close()


def _cannot_write(journal: Path, error: OSError) -> JournalError:
    return JournalError(
        tr("Journal {path}: it cannot be written ({reason}); nothing was changed.", path=journal,
           reason=error.strerror or error),
        again=True,
    )  # fmt: skip


def _give(path: Path, journal: Path) -> None:
    """Let ``path`` belong to whoever the journal, or its folder, belongs to: root may restore for the watch's user."""
    owner = (journal if journal.exists() else journal.parent).stat()
    with contextlib.suppress(OSError):
        os.chown(path, owner.st_uid, owner.st_gid)


def _make_room(journal: Path, backup_bytes: int) -> None:
    """The backup is needed twice on the way, and the present journal once more."""
    present_bytes = journal.stat().st_size if journal.exists() else 0
    needed = 2 * backup_bytes + present_bytes
    free = shutil.disk_usage(journal.parent).free
    if free < needed:
        raise JournalError(
            tr("Journal {path}: {needed:.0f} MB must be free on its disk to restore, and {free:.0f} MB are; free some "
               "space first.", path=journal, needed=needed / 1e6, free=free / 1e6),
            again=True,
        )  # fmt: skip


def _remove(path: Path) -> None:
    for ending in ("", "-wal", "-shm", "-journal", ".part"):
        with contextlib.suppress(OSError):
            path.with_name(path.name + ending).unlink()


def _stage(backup: Path, staged: Path, journal: Path) -> None:
    """A copy of the backup beside the journal, of the present schema and with the journal's pages, checked."""
    _remove(staged)
    copy_journal(backup, staged)
    page_bytes = _page_bytes(journal)
    with contextlib.closing(sqlite3.connect(staged, isolation_level=None)) as db:
        if db.execute("PRAGMA page_size").fetchone()[0] != page_bytes:
            db.execute(f"PRAGMA page_size = {page_bytes}")
            db.execute("VACUUM")
    with Store(staged) as store:
        store.check()
    with contextlib.closing(sqlite3.connect(staged, isolation_level=None)) as db:
        db.execute("PRAGMA journal_mode = DELETE")
    with staged.open("rb") as file:
        os.fsync(file.fileno())


def _page_bytes(journal: Path) -> int:
    """The size of the present journal's pages: it takes in only pages of its own size."""
    if not journal.exists():
        return PAGE_BYTES
    try:
        with reading(journal) as db:
            return int(db.execute("PRAGMA page_size").fetchone()[0])
    except sqlite3.Error:
        return PAGE_BYTES


def _swap(staged: Path, journal: Path, dated: str) -> Path | None:
    if not journal.exists() or journal.stat().st_size == 0:
        _remove_helpers(journal)
        os.replace(staged, journal)
        sync_folder(journal.parent)
        return None
    return _move_aside(staged, journal, dated) if is_damaged(journal) else _take_in(staged, journal, dated)


def is_damaged(journal: Path) -> bool:
    """Whether a journal cannot be read, or not to its end. Refused where it is another program's."""
    try:
        with reading(journal) as db:
            if is_foreign(db):
                raise Refused(
                    tr("Journal {path}: the file belongs to another program; name another file.", path=journal)
                )
            return bool(db.execute("PRAGMA quick_check(1)").fetchone()[0] != "ok")
    except sqlite3.DatabaseError as error:
        if error.sqlite_errorname.startswith(_DAMAGED):
            return True
        raise


def _take_in(staged: Path, journal: Path, dated: str) -> Path:
    """The journal is in order: keep a copy of it, and let it take the backup in, in one transaction.

    It is copied aside when it is locked for all who write already, so that nothing is in neither.
    """
    aside = _free_name(journal, f"before-restore-{dated}")

    def keep_it_first(status: int, _remaining: int, _total: int) -> None:
        if status in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            # SQLite has waited its time; Python would go on for ever for one who does not let go.
            busy = sqlite3.OperationalError("database is locked")
            busy.sqlite_errorname = "SQLITE_BUSY"
            raise busy
        if not aside.exists():
            copy_journal(journal, aside)

    with (
        contextlib.closing(sqlite3.connect(journal, isolation_level=None, timeout=BUSY_S)) as present,
        contextlib.closing(sqlite3.connect(staged, isolation_level=None)) as source,
    ):
        present.execute("PRAGMA journal_mode = WAL")  # so that it can be read while it is being written
        # Page by page: after the first one nothing is decided yet, however small the file is.
        source.backup(present, pages=1, progress=keep_it_first)
        present.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return aside


def _move_aside(staged: Path, journal: Path, dated: str) -> Path:
    """The journal is damaged: keep what is there byte for byte, and put the backup in its place."""
    aside = _free_name(journal, f"damaged-{dated}")
    for ending in ("", "-wal"):
        part = journal.with_name(journal.name + ending)
        if part.exists():
            half = aside.with_name(aside.name + ending + ".part")
            shutil.copyfile(part, half)
            with half.open("rb") as file:
                os.fsync(file.fileno())
            name_for_good(half, aside.with_name(aside.name + ending))
    # A write-ahead log of the old file must never meet the new one.
    _remove_helpers(journal)
    os.replace(staged, journal)
    sync_folder(journal.parent)
    return aside


def _remove_helpers(journal: Path) -> None:
    for ending in ("-wal", "-shm", "-journal"):
        journal.with_name(journal.name + ending).unlink(missing_ok=True)
    sync_folder(journal.parent)


def _free_name(journal: Path, what: str) -> Path:
    """A name beside the journal that nothing has: journal-before-restore-2026-01-17-180500.sqlite."""
    ending = journal.suffix or ".sqlite"
    return free_name(lambda more: journal.with_name(f"{journal.stem}-{what}{more}{ending}"), ("", "-wal"))
