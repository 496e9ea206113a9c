"""The journal's write-ahead log, read as it grows, so that a copy elsewhere can follow each commit.

    base-0001-0003.sqlite       the journal at one moment
    tail-0001-0003-0001.wal     what the log held from then on, byte for byte; one file for each time it began anew
    ready-0001-0003             both are there: this chain is whole
    holder-0001.json            who ships here; the highest number has the say

Base and tails together are a journal that SQLite itself puts together (``assemble``). The form of the log is that of
sqlite.org/fileformat2.html, section 4. Only what is committed is shipped, and its check sums are followed.

The log begins anew (its frames go into the journal's own file first) only while nobody reads by it. ``Pins`` always
holds a reading open, each new one before the old one ends, and what the log holds is read in between; so nothing can
pass by unseen:

- a reading that goes by the log keeps it from beginning anew;
- one that found all of the log in the file goes by the file alone, and until it ends nothing further can be moved
  there; so the log can begin anew once, with nothing in it that had not been there, and read, when that reading began.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from monitor.journal.reopening import Known, file_at, known_by
from monitor.journal.store import JournalError, explained
from monitor.words import tr

_HEADER = struct.Struct(">IIIIIIII")
_FRAME = struct.Struct(">IIIIII")
_MAGIC_LITTLE, _MAGIC_BIG = 0x377F0682, 0x377F0683
_MASK = 0xFFFFFFFF
# From this size on the log is moved into the file; as much as it is cut back to (``store.WAL_LIMIT_BYTES``).
MOVE_AT_BYTES = 4 * 1024 * 1024


@dataclass(frozen=True, slots=True)
class Place:
    """How far a log has been read: its header, bytes up to the end of a commit, and the check sum there."""

    header: bytes
    offset: int
    sums: tuple[int, int]


@dataclass(frozen=True, slots=True)
class Grown:
    """What a log holds beyond a place. ``anew``: it began anew since, and ``data`` begins with its header."""

    place: Place | None
    data: bytes = b""
    anew: bool = False


def grown(wal: Path, since: Place | None) -> Grown:
    """What was committed to the log since ``since`` (None: from its beginning)."""
    try:
        with wal.open("rb") as file:
            header = file.read(_HEADER.size)
            start = _beginning(header)
            if start is None:
                return Grown(since)
            anew = since is None or since.header != header
            place = start if anew or since is None else since
            file.seek(place.offset)
            after, data = _committed(file, place)
    except FileNotFoundError:
        return Grown(since)
    if not data and anew:
        return Grown(since)  # begun, and nothing in it yet: it may be written over
    return Grown(after, header + data if anew else data, anew)


def _beginning(header: bytes) -> Place | None:
    """The place behind a whole header, None where there is none yet."""
    if len(header) < _HEADER.size:
        return None
    magic, *_, first, second = _HEADER.unpack(header)
    if magic not in (_MAGIC_LITTLE, _MAGIC_BIG) or _summed(header[:24], (0, 0), magic) != (first, second):
        return None
    return Place(header, _HEADER.size, (first, second))


def _committed(file: BinaryIO, place: Place) -> tuple[Place, bytes]:
    """The end of the last whole commit in ``file``, which stands at ``place``, and the bytes up to there."""
    magic, _, page_bytes, _, *salts, _, _ = _HEADER.unpack(place.header)
    size, sums, done = _FRAME.size + page_bytes, place.sums, place
    data = bytearray()
    while len(frame := file.read(size)) == size:
        _, pages_after, one, two, first, second = _FRAME.unpack_from(frame)
        if [one, two] != salts:
            break
        sums = _summed(frame[_FRAME.size :], _summed(frame[:8], sums, magic), magic)
        if sums != (first, second):
            break
        data += frame
        if pages_after:  # the last frame of a commit
            done = Place(place.header, place.offset + len(data), sums)
    return done, bytes(data[: done.offset - place.offset])


def _summed(data: bytes, sums: tuple[int, int], magic: int) -> tuple[int, int]:
    words = struct.unpack(f"{'>' if magic == _MAGIC_BIG else '<'}{len(data) // 4}I", data)
    first, second = sums
    for even, odd in zip(words[::2], words[1::2], strict=True):
        first = (first + even + second) & _MASK
        second = (second + odd + first) & _MASK
    return first, second


class Pins:
    """A reading of the journal that is always open. For one thread; ``let_go`` may be called from another.

    It is always the same journal's: while its disk is away, an empty one or that of long ago may stand in its place.
    """

    def __init__(self, journal: Path) -> None:
        self._address = f"{journal.absolute().as_uri()}?mode=rw"
        self._journal = journal
        self._held: sqlite3.Connection | None = None
        self._known: Known | None = None
        self.elsewhere = False  # the journal is in another file than that of the reading before: a disk that came back

    def move_on(self) -> sqlite3.Connection | None:
        """Begin a new reading; returns the one of before, which is to be closed once all has been read.

        JournalError where another file than this journal stands in its place; the reading of before is held then.
        """
        before = self._held
        try:
            db = sqlite3.connect(self._address, uri=True, isolation_level=None, check_same_thread=False, timeout=5.0)
            try:
                db.execute("BEGIN")
                known = known_by(db, self._journal) if _has_tables(db) else Known("", 0, 0.0, file_at(self._journal))
                if self._known is not None and not known.goes_on_from(self._known):
                    raise self._another()
            except BaseException:
                db.close()
                raise
        except sqlite3.Error as error:
            raise explained(error, self._journal) from error
        self.elsewhere = self._known is not None and known.file != self._known.file
        self._held, self._known = db, known
        return before

    def must_be_there(self) -> None:
        """JournalError where the file in the journal's place is not that of the reading any more."""
        if self._known is not None and file_at(self._journal) != self._known.file:
            raise self._another()

    def _another(self) -> JournalError:
        says = tr("Journal {path}: the file there is another journal now.", path=self._journal)
        return JournalError(says, again=True)

    def go_back(self, before: sqlite3.Connection | None) -> None:
        """Hold the reading of before again, in place of the one that was begun after it."""
        if before is not None:
            self.let_go()
            self._held = before

    def move_log(self) -> None:
        """Have the log's frames moved into the file, so that it can begin anew; nobody waits for it."""
        with contextlib.suppress(sqlite3.Error), contextlib.closing(
            sqlite3.connect(self._address, uri=True, isolation_level=None, timeout=0.5)
        ) as db:
            db.execute("PRAGMA wal_checkpoint(PASSIVE)")

    def let_go(self) -> None:
        """End the reading."""
        held, self._held = self._held, None
        if held is not None:
            with contextlib.suppress(sqlite3.Error):
                held.close()


def _has_tables(db: sqlite3.Connection) -> bool:
    return bool(db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0])


@dataclass(frozen=True, slots=True)
class Chain:
    """One base and its tails, in a folder."""

    folder: Path
    generation: int
    number: int

    @property
    def _name(self) -> str:
        return f"{self.generation:04d}-{self.number:04d}"

    @property
    def base(self) -> Path:
        """The journal at one moment."""
        return self.folder / f"base-{self._name}.sqlite"

    @property
    def ready(self) -> Path:
        """The file that says that the chain is whole."""
        return self.folder / f"ready-{self._name}"

    def tail(self, era: int) -> Path:
        """What the log held, the ``era``-th time that it began anew."""
        return self.folder / f"tail-{self._name}-{era:04d}.wal"

    def tails(self) -> list[Path]:
        """All tails, in their order."""
        return sorted(self.folder.glob(f"tail-{self._name}-*.wal"))


def chains(folder: Path) -> list[Chain]:
    """The whole chains of a folder, the newest last."""
    found = []
    for path in folder.glob("ready-*-*"):
        parts = path.name.split("-")
        if len(parts) == 3 and all(part.isdigit() for part in parts[1:]):
            found.append(Chain(folder, int(parts[1]), int(parts[2])))
    return sorted(found, key=lambda chain: (chain.generation, chain.number))


def highest(folder: Path, generation: int) -> int:
    """The highest number of a chain of that holder, whole or begun; 0 where there is none."""
    found = [path.name.partition(".")[0].split("-") for path in folder.glob(f"*-{generation:04d}-*")]
    numbers = [parts[2] for parts in found if parts[1] == f"{generation:04d}"]  # and not the number of a chain
    return max((int(number) for number in numbers if number.isdigit()), default=0)


def clear_all_but(chain: Chain) -> None:
    """Remove the other chains of a folder, whole or begun, as far as they are not of a later holder."""
    for path in sorted(chain.folder.glob("*-*-*"), key=lambda path: not path.name.startswith("ready-")):
        parts = path.name.partition(".")[0].split("-")
        if parts[0] in ("base", "tail", "ready") and all(part.isdigit() for part in parts[1:3]):
            other = (int(parts[1]), int(parts[2]))
            if other != (chain.generation, chain.number) and other[0] <= chain.generation:
                path.unlink(missing_ok=True)


def assemble(chain: Chain, target: Path) -> int:
    """Put base and tails together as the new file ``target``; return how many pages of the tails were damaged.

    SQLite reads each tail as the log that it is, up to the first frame whose check sum does not fit.
    """
    wal, lost = target.with_name(target.name + "-wal"), 0
    try:
        shutil.copyfile(chain.base, target)
        os.chmod(target, 0o600)
        with contextlib.closing(sqlite3.connect(target, isolation_level=None)) as db:
            db.execute("PRAGMA journal_mode = WAL")  # else a log beside it would be thrown away
            page_bytes = int(db.execute("PRAGMA page_size").fetchone()[0])
        for tail in chain.tails():
            if lost:
                lost += _frames(tail, page_bytes)  # behind a damaged one none fits any more
                continue
            shutil.copyfile(tail, wal)
            with contextlib.closing(sqlite3.connect(target, isolation_level=None)) as db:
                db.execute("SELECT count(*) FROM sqlite_master").fetchone()
                _, in_log, moved = db.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
                lost += max(0, _frames(tail, page_bytes) - in_log)
                if moved != in_log:
                    raise JournalError(tr("Journal {path}: the copy could not be put together.", path=target))
                db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    except sqlite3.Error as error:
        raise explained(error, chain.base) from error
    return lost


def _frames(tail: Path, page_bytes: int) -> int:
    return max(0, tail.stat().st_size - _HEADER.size) // (_FRAME.size + page_bytes)
