"""The journal's connection: opening, transactions, and errors in one plain sentence.

One connection per ``Journal``, guarded by one re-entrant lock that a transaction holds from its start to its end. Where
the disk goes and comes back the file is opened anew (``reopening``).
So a ``Journal`` may be shared by threads (their writes queue up), and a second process, or a thread that only reads,
opens its own.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import sqlite3
import threading
import time
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import IO, Any, Self

import monitor
from monitor.journal import reopening
from monitor.journal.migrations import NEWEST, is_foreign, migrate, version_of
from monitor.words import mark, tr

# How long to wait for another process's write. Longer than the slowest commit seen on a tired memory card.
BUSY_S = 10.0
# A commit touches a row in many places (one per probe) and writes a whole page for each: small pages wear the card
# less than half as much as the usual 4096 (README). The size is fixed when the file is made.
PAGE_BYTES = 1024
# Pages in the write-ahead log before they are moved into the file: about 4 MB, as with pages of the usual size.
CHECKPOINT_PAGES = 4000
# The write-ahead log is cut back to this after a checkpoint, so that it cannot fill a small card.
WAL_LIMIT_BYTES = 4 * 1024 * 1024


class JournalError(ValueError):
    """The journal could not do it. ``str()`` is one sentence; ``again`` says whether trying later may help, ``damaged``
    whether the file itself is at fault.
    """

    def __init__(self, says: str, *, again: bool = False, damaged: bool = False) -> None:
        super().__init__(says)
        self.again, self.damaged = again, damaged


class Refused(JournalError):
    """The journal is in order; what was asked for is not (a bucket that is taken, a name that is unknown)."""


# SQLite result codes by name (sqlite.org/rescode.html) -> (what to say, whether trying again helps).
_SAYS = {
    "SQLITE_FULL": (mark("the disk is full; free some space and it goes on by itself"), True),
    "SQLITE_READONLY": (mark("it cannot be written (the file, its folder or the disk is read-only)"), True),
    "SQLITE_BUSY": (mark("another program is writing to it and does not let go; try again"), True),
    "SQLITE_LOCKED": (mark("another program is writing to it and does not let go; try again"), True),
    "SQLITE_NOTADB": (mark("the file is not a journal; name another file or restore a backup"), False),
    "SQLITE_CORRUPT": (mark("the file is damaged; restore the last backup"), False),
    "SQLITE_CANTOPEN": (mark("the file cannot be opened; does its folder exist and may this user write there?"), True),
    "SQLITE_PERM": (mark("this user may not read or write it"), False),
    "SQLITE_IOERR": (mark("the disk reports an error; look at the card or the disk and its cable"), True),
    "SQLITE_NOMEM": (mark("the machine is out of memory"), True),
    "SQLITE_PROTOCOL": (mark("another program is writing to it and does not let go; try again"), True),
}
# What SQLite says, too, where a disk that is full or read-only has no place for its helper files.
_ALSO_SAID_OF_THE_DISK = ("SQLITE_IOERR", "SQLITE_CANTOPEN")
# The index of the write-ahead log grows by so much at a time.
_LEAST_ROOM_BYTES = 32 * 1024
_DAMAGED = ("SQLITE_CORRUPT", "SQLITE_NOTADB")


def explained(error: sqlite3.Error, path: Path) -> JournalError:
    """What went wrong with the journal at ``path``, in one sentence."""
    name = getattr(error, "sqlite_errorname", "") or ""
    if name.startswith(_ALSO_SAID_OF_THE_DISK):
        if has_no_room(path.parent):
            name = "SQLITE_FULL"
        elif _is_read_only(path.parent):
            name = "SQLITE_READONLY"
    for prefix, (says, again) in _SAYS.items():
        if name == prefix or name.startswith(prefix + "_"):
            damaged = prefix in _DAMAGED
            return JournalError(tr("Journal {path}: {says}.", path=path, says=tr(says)), again=again, damaged=damaged)
    if isinstance(error, sqlite3.ProgrammingError) and "closed" in str(error):
        return JournalError(tr("Journal {path}: it has been closed.", path=path))
    return JournalError(tr("Journal {path}: {says}.", path=path, says=str(error) or type(error).__name__))


def has_no_room(folder: Path) -> bool:
    """Whether the disk of ``folder`` is full; False where it cannot be asked."""
    try:
        disk = os.statvfs(folder)
    except OSError:
        return False
    return disk.f_bavail * disk.f_frsize < _LEAST_ROOM_BYTES


def _is_read_only(folder: Path) -> bool:
    try:
        return bool(os.statvfs(folder).f_flag & os.ST_RDONLY)
    except OSError:
        return False


def claim_of(path: Path) -> IO[str]:
    """The lock of the one watch on the journal at ``path``, held until it is closed; Refused when another has it."""
    make_private(Path(f"{path}.watch"))  # whoever can open it can hold it, and then no watch begins
    claim = _opened_to_hold(Path(f"{path}.watch"))
    try:
        fcntl.flock(claim, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        claim.close()
        raise Refused(tr("Journal {path}: a watch already runs on it; stop that one first.", path=path)) from error
    return claim


def _opened_to_hold(path: Path) -> IO[str]:
    """Open as long as it is held. A lock needs no writing: on a disk that has become read-only the file that is there
    does.
    """
    try:
        return path.open("w", encoding="ascii")
    except OSError as error:
        if error.errno != errno.EROFS:
            raise
        return path.open(encoding="ascii")


def make_private(path: Path) -> None:
    """Make a file that is not there yet, for this user only: a journal holds the key that signs the page's addresses.

    What cannot be made is left to whoever opens it next, who says why.
    """
    with contextlib.suppress(OSError):
        os.close(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600))


def too_new(path: Path, version: int) -> JournalError:
    """The refusal of a file that a newer program has written."""
    return JournalError(
        tr(
            "Journal {path}: it was written by a newer Emberpail (schema {version}, this one knows up to {newest}); "
            "install the newer one again or name another file.",
            path=path,
            version=version,
            newest=NEWEST,
        )
    )


class Store:
    """An open journal file: the part that all tables share.

    ``there_already``: for the parts of a watch, whose disk may be away by now. A journal that is not there is refused
    then (``again``), and none is made at its empty mount point.
    """

    def __init__(
        self,
        path: str | os.PathLike[str],
        *,
        read_only: bool = False,
        there_already: bool = False,
        busy_s: float = BUSY_S,
    ) -> None:
        self.path = Path(path)
        self.read_only = read_only
        self._busy_s = busy_s
        self._lock = threading.RLock()
        self._depth = 0
        self._probe_ids: dict[tuple[str, str], int] = {}
        self._watch_claim: IO[str] | None = None
        self._each_time: list[str] = []  # statements for this connection, and for one that takes its place
        self._ill = False  # the disk has refused since something was last written
        self._look_at = time.monotonic() + reopening.REOPEN_EVERY_S  # when the file is to be looked at
        self._db = self._opened(there_already)
        try:
            self._known = reopening.known_by(self._db, self.path)
        except sqlite3.Error as error:
            self._db.close()
            raise explained(error, self.path) from error

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; what was committed is on the disk. Closing twice does no harm."""
        with self._lock:
            reopening.leave(self._db, self._known.file, self.path)
            if self._watch_claim:
                self._watch_claim.close()
                self._watch_claim = None

    # ---- opening ----

    def _opened(self, there_already: bool) -> sqlite3.Connection:
        if there_already and not self.path.exists():
            raise self._not_there()
        if self.read_only and not self.path.exists():
            raise JournalError(
                tr("Journal {path}: there is no such file yet; start a batch or run watch first.", path=self.path)
            )
        if not self.read_only and not there_already:
            try:
                self.path.parent.mkdir(parents=True, exist_ok=True)
            except OSError as error:
                raise JournalError(
                    tr("Journal {path}: its folder cannot be made ({reason}).", path=self.path, reason=error.strerror),
                    again=True,
                ) from error
            make_private(self.path)
        mode = "ro" if self.read_only else "rw" if there_already else "rwc"
        address = f"{self.path.absolute().as_uri()}?mode={mode}"
        try:
            db = sqlite3.connect(address, uri=True, timeout=self._busy_s, isolation_level=None, check_same_thread=False)
            try:
                self._prepare(db, there_already)
            except BaseException:
                db.close()
                raise
        except sqlite3.Error as error:
            raise explained(error, self.path) from error
        return db

    def _prepare(self, db: sqlite3.Connection, there_already: bool) -> None:
        # First of all: switching to WAL takes a lock, and would fail at once without a time to wait.
        db.execute(f"PRAGMA busy_timeout = {int(self._busy_s * 1000)}")
        if is_foreign(db):
            raise JournalError(
                tr("Journal {path}: the file belongs to another program; name another file.", path=self.path)
            )
        version = version_of(db)
        if version > NEWEST:
            raise too_new(self.path, version)
        if self.read_only or there_already:
            if version < NEWEST:
                raise JournalError(
                    tr(
                        "Journal {path}: it is from an older Emberpail (schema {version}); start watch once, "
                        "which brings it up to date.",
                        path=self.path,
                        version=version,
                    )
                )
            if self.read_only:
                return
        if version == 0:
            db.execute(f"PRAGMA page_size = {PAGE_BYTES}")
        self._switch_to_wal(db)
        db.execute(f"PRAGMA wal_autocheckpoint = {CHECKPOINT_PAGES}")
        db.execute("PRAGMA synchronous = FULL")
        db.execute("PRAGMA foreign_keys = ON")
        db.execute(f"PRAGMA journal_size_limit = {WAL_LIMIT_BYTES}")
        migrate(db, monitor.__version__)

    # ---- a disk that went and came back ----

    def _mend(self) -> None:
        """Open the file anew where the disk has refused for a while, or has another file in the place."""
        now = time.monotonic()
        if now < self._look_at or self._depth or self._db.in_transaction:
            return
        self._look_at = now + reopening.REOPEN_EVERY_S
        if self._ill or reopening.file_at(self.path) not in (None, self._known.file):
            with contextlib.suppress(JournalError, sqlite3.Error, OSError):  # it is tried again
                self._open_anew()
        else:
            self._know_anew()  # one that only reads commits nothing

    def _must_be_in_place(self) -> None:
        """Nothing more is written to a file that is not at its name any more: whoever opens the journal tomorrow would
        not find it. A disk may have been mounted over the file, or a backup copied into its place.

        Raises JournalError (``again``), so that what is read is not acknowledged, and the phones hear of it.
        """
        if self.read_only or self._known.file is None:  # memory has no file
            return
        there = reopening.file_at(self.path)
        if there != self._known.file:
            self._mend()  # it may be the journal, on its disk that came back
        if there == self._known.file:
            return
        if there is None:
            raise self._not_there()
        raise JournalError(
            tr(
                "Journal {path}: another journal is in its place now; put the right disk back, or restart the watch to "
                "go on with that one.",
                path=self.path,
            ),
            again=True,
        )

    def _not_there(self) -> JournalError:
        return JournalError(
            tr("Journal {path}: the file is not there; is its disk plugged in?", path=self.path), again=True
        )

    def _know_anew(self) -> None:
        """A watch runs for months: what may take the journal's place is measured by what it holds now."""
        with contextlib.suppress(sqlite3.Error):  # it can be said less surely then
            self._known = reopening.known_by_now(self._db, self._known)

    def _open_anew(self) -> None:
        db = self._opened(there_already=True)
        try:
            known = reopening.known_by(db, self.path)
            if not known.goes_on_from(self._known):
                raise Refused(tr("Journal {path}: the file there is another journal now.", path=self.path))
            if not self.read_only:
                db.execute("BEGIN IMMEDIATE")  # whether it can be written
                db.execute("ROLLBACK")
            for sql in self._each_time:
                db.execute(sql)
            claim = self._claim_there()
        except BaseException:
            db.close()
            raise
        if self._watch_claim is not None and claim is not self._watch_claim:
            self._watch_claim.close()
        old, before = self._db, self._known
        self._db, self._known, self._watch_claim, self._ill = db, known, claim, False
        self._probe_ids.clear()
        reopening.leave(old, before.file, self.path)

    def _claim_there(self) -> IO[str] | None:
        """The claim on the file that is there now; Refused where another watch has it."""
        claim = self._watch_claim
        if claim is None:
            return None
        held = os.fstat(claim.fileno())
        same = reopening.file_at(Path(f"{self.path}.watch")) == (held.st_dev, held.st_ino)
        return claim if same else claim_of(self.path)

    def _told(self, error: sqlite3.Error) -> JournalError:
        if not self._ill and (getattr(error, "sqlite_errorname", "") or "").startswith(reopening.DISK_GONE):
            self._ill, self._look_at = True, time.monotonic() + reopening.REOPEN_EVERY_S
        return explained(error, self.path)

    def _switch_to_wal(self, db: sqlite3.Connection) -> None:
        """Two processes that make a new file at once can meet here, and SQLite may answer without waiting."""
        give_up_at = time.monotonic() + self._busy_s
        while True:
            try:
                mode = db.execute("PRAGMA journal_mode = WAL").fetchone()[0]
                break
            except sqlite3.OperationalError as error:
                if not error.sqlite_errorname.startswith("SQLITE_BUSY") or time.monotonic() > give_up_at:
                    raise
                time.sleep(0.05)
        if mode.lower() != "wal":
            raise JournalError(
                tr(
                    "Journal {path}: this disk does not support write-ahead logging (a network share?); "
                    "put the journal on a local disk.",
                    path=self.path,
                )
            )

    # ---- reading and writing ----

    @contextlib.contextmanager
    def transaction(self) -> Iterator[None]:
        """All writes inside are kept together or not at all. Nests: an inner one can fail without the outer one.

        Raises JournalError when the commit fails. The disk may hold the commit even then, which is why every write
        of the journal can be repeated without harm.
        """
        with self._lock:
            inner = self._depth > 0
            if not inner:
                self._must_be_in_place()
            self._run("SAVEPOINT inner_part" if inner else "BEGIN IMMEDIATE")
            self._depth += 1
            before = self._db.total_changes
            try:
                yield
            except BaseException:
                self._depth -= 1
                self._roll_back(inner)
                raise
            self._depth -= 1
            try:
                self._run("RELEASE inner_part" if inner else "COMMIT")
            except JournalError:
                self._roll_back(inner)
                raise
            if not inner and self._db.total_changes != before:  # one without a change writes nothing
                self._ill = False
                self._know_anew()

    def _roll_back(self, inner: bool) -> None:
        self._probe_ids.clear()  # numbers given out inside are void
        if not self._db.in_transaction:  # SQLite itself rolls back after some disk errors
            return
        with contextlib.suppress(sqlite3.Error):
            self._db.execute("ROLLBACK TO inner_part" if inner else "ROLLBACK")
            if inner:
                self._db.execute("RELEASE inner_part")

    def _guard(self) -> None:
        """After some disk errors SQLite rolls back by itself; going on would keep a group without its beginning."""
        self._mend()
        if self._depth and not self._db.in_transaction:
            raise JournalError(
                tr("Journal {path}: the disk refused the write; nothing was kept.", path=self.path), again=True
            )

    def _run(self, sql: str, values: Sequence[object] = ()) -> sqlite3.Cursor:
        with self._lock:
            try:
                self._guard()
                return self._db.execute(sql, values)
            except sqlite3.Error as error:
                raise self._told(error) from error

    def _run_many(self, sql: str, rows: Iterable[Sequence[object]]) -> int:
        """Run ``sql`` for each row; return how many rows of the file changed."""
        with self._lock:
            try:
                self._guard()
                before = self._db.total_changes
                self._db.executemany(sql, rows)
                return self._db.total_changes - before
            except sqlite3.Error as error:
                raise self._told(error) from error

    def _rows(self, sql: str, values: Sequence[object] = ()) -> list[Any]:
        with self._lock:
            cursor = self._run(sql, values)
            try:
                return cursor.fetchall()
            except sqlite3.Error as error:
                raise self._told(error) from error

    def _row(self, sql: str, values: Sequence[object] = ()) -> Any:
        """The first row, or None."""
        rows = self._rows(sql, values)
        return rows[0] if rows else None

    # ---- the file as a whole ----

    def claim_watch(self) -> None:
        """Take the place of the one watch on this journal, until closed; Refused when another holds it.

        Two of them would send every message twice. The claim is a lock on a file beside the journal, which the
        system drops when the process dies, also by kill -9. From then on the journal has an identity, too.
        """
        with self._lock:
            self._watch_claim = claim_of(self.path)
            with contextlib.suppress(sqlite3.Error):  # a full disk does not keep anybody from watching
                reopening.name(self._db)
                self._known = reopening.known_by(self._db, self.path)

    def check(self) -> str:
        """Read the whole file and say that it is sound; raises JournalError, in one sentence, when it is not."""
        found = [row[0] for row in self._rows("PRAGMA integrity_check(5)")]
        if found != ["ok"]:
            where = " ".join(found[0].split())[:80]
            raise JournalError(
                tr(
                    "Journal {path}: the file is damaged ({where}); restore the last backup.",
                    path=self.path,
                    where=where,
                )
            )
        loose = self._rows("PRAGMA foreign_key_check")
        if loose:
            raise JournalError(
                tr(
                    "Journal {path}: {n} rows of {table} have lost what they belong to; restore the last backup.",
                    path=self.path,
                    n=len(loose),
                    table=loose[0][0],
                )
            )
        readings = self._row("SELECT count(*) FROM readings")[0]
        waiting = self._row("SELECT count(*) FROM outbox WHERE state IN ('waiting', 'failed')")[0]
        return tr(
            "Journal {path} is sound: {readings} readings, {waiting} messages still to be told.",
            path=self.path,
            readings=readings,
            waiting=waiting,
        )

    def shrink(self) -> None:
        """Give the room of what was removed back to the disk: the whole file is written anew, so nobody may watch."""
        with self._lock:
            self._run("VACUUM")
            self._run("PRAGMA wal_checkpoint(TRUNCATE)")
