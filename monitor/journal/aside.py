"""Where messages go while the disk refuses: the journal's own tables once more, in memory, until it takes them again.

A phone must ring when the disk is full, read-only or broken, and by the same rules as ever: by turns, by the next route
where one fails, not twice for one thing. So whoever writes to the outbox (the telling, the postman) does it through
``Aside.beside(journal)``. The first write that the disk refuses copies the outbox into memory, and from then on that
copy is the outbox, with the identities that the disk would have given. ``come_back`` merges it into the file.
"""

from __future__ import annotations

import contextlib
import sqlite3
import threading
from collections.abc import Callable, Iterator
from typing import Any, cast

import monitor
from monitor.journal.database import Journal, JournalError, Refused
from monitor.journal.migrations import migrate
from monitor.journal.outbox import COLUMNS

# What is written and read in memory while the disk refuses, beside the facts; everything else still asks the disk.
_MESSAGES = frozenset({
    "add_messages", "due_messages", "message_sent", "message_failed", "give_up_expired", "supersede_messages",
    "given_up_messages", "give_up", "sum_up", "take_back", "hand_on", "move_messages", "message", "messages",
})  # fmt: skip
# So many messages, the newest, are taken along: those of some weeks, some MB. What is still to be told always is.
_MOST_COPIED = 5000

# Where in a row the two stand that decide which of two rows counts.
_ID, _STATE = (COLUMNS.split(", ").index(one) for one in ("message_id", "state"))
_MARKS = ", ".join("?" * len(COLUMNS.split(", ")))


class Memory(Journal):
    """A journal in memory: the same tables, gone when it is closed."""

    def __init__(self) -> None:
        super().__init__(":memory:")

    def _opened(self, there_already: bool) -> sqlite3.Connection:
        db = sqlite3.connect(":memory:", isolation_level=None, check_same_thread=False)
        migrate(db, monitor.__version__)
        return db


class Aside:
    """Shared by all who write messages to one journal file, each through a connection and ``beside`` of its own."""

    def __init__(self) -> None:
        # Held over every deed: none may fall between the copying and the switching.
        self.lock = threading.RLock()
        self._memory: Memory | None = None
        self._copied = False

    @property
    def in_use(self) -> bool:
        """Whether messages are kept in memory now."""
        return self._memory is not None

    def beside(self, disk: Journal, *, copies_late: bool = True) -> Journal:
        """``disk``, but for its messages and facts, which go on in memory where it refuses.

        The deed that was refused raises JournalError all the same, because what it was part of has been rolled back;
        done again, it succeeds. Where nothing could be read of the file at that moment, the copy is made up for as soon
        as it can be; but not by who hands over (``copies_late`` False), for of what comes late somebody has first to
        say what is still wanted.
        """
        return cast(Journal, _Beside(self, disk, copies_late))

    def step(self, disk: Journal) -> None:
        """From now on in memory. What cannot be read of the file now is copied when it can be."""
        with self.lock:
            if self._memory is None:
                self._memory, self._copied = Memory(), False
            self._copy(disk)

    def come_back(self, disk: Journal) -> None:
        """Merge what memory holds, if anything, into the file, in one transaction. Raises JournalError, and then all
        stays in memory.
        """
        with self.lock:
            memory = self._memory
            if memory is None:
                return
            if not self._copied:
                self._fill(memory, disk)
            with disk.transaction():
                _merge(memory, disk)
            self._memory = None
            memory.close()

    def box(self, disk: Journal, *, copies_late: bool = True) -> Journal:
        """The outbox of this moment."""
        if self._memory is None:
            return disk
        if copies_late:
            self._copy(disk)
        return self._memory

    @property
    def is_known(self) -> bool:
        """Whether the outbox of this moment holds all there is: the file, or a memory into which it was copied."""
        return self._memory is None or self._copied

    def _copy(self, disk: Journal) -> None:
        if self._memory is not None and not self._copied:
            with contextlib.suppress(JournalError):
                self._fill(self._memory, disk)

    def _fill(self, memory: Memory, disk: Journal) -> None:
        rows = disk._rows(
            f"SELECT {COLUMNS} FROM outbox WHERE state IN ('waiting', 'failed') UNION "
            f"SELECT {COLUMNS} FROM (SELECT * FROM outbox ORDER BY rowid DESC LIMIT {_MOST_COPIED}) "
            "ORDER BY created_s"
        )
        memory._run_many(f"INSERT OR IGNORE INTO outbox ({COLUMNS}) VALUES ({_MARKS})", rows)
        self._copied = True


def _merge(memory: Memory, disk: Journal) -> None:
    """What differs goes into the file; that a message was sent stands whatever the other side says."""
    there = {row[_ID]: tuple(row) for row in disk._rows(f"SELECT {COLUMNS} FROM outbox")}
    rows = [tuple(row) for row in memory._rows(f"SELECT {COLUMNS} FROM outbox ORDER BY rowid")]
    changed = [
        row for row in rows
        if there.get(row[_ID]) != row and (row[_ID] not in there or there[row[_ID]][_STATE] != "sent")
    ]  # fmt: skip
    disk._run_many("DELETE FROM outbox WHERE message_id = ?", [(row[_ID],) for row in changed if row[_ID] in there])
    disk._run_many(f"INSERT INTO outbox ({COLUMNS}) VALUES ({_MARKS})", changed)
    disk._run_many("INSERT OR REPLACE INTO facts VALUES (?, ?)", memory._rows("SELECT key, value FROM facts"))


class _Beside:
    """What ``Aside.beside`` gives: by its shape a ``Journal``."""

    def __init__(self, aside: Aside, disk: Journal, copies_late: bool) -> None:
        self._aside, self._disk, self._depth, self._copies_late = aside, disk, 0, copies_late

    def __getattr__(self, name: str) -> Any:
        deed = getattr(self._disk, name)
        if name in _MESSAGES:
            return lambda *args, **more: self._do(lambda box: getattr(box, name)(*args, **more))
        return deed

    def fact(self, key: str, default: Any = None) -> Any:
        """As the journal's; while the disk refuses, what was kept since comes before what the file holds."""
        missing = object()

        def look(box: Journal) -> Any:
            kept = box.fact(key, missing)
            if kept is not missing or box is self._disk:
                return default if kept is missing else kept
            with contextlib.suppress(JournalError):
                return self._disk.fact(key, default)
            return default

        return self._do(look)

    def facts_of(self, prefix: str) -> dict[str, Any]:
        """As the journal's; while the disk refuses, what was kept since comes before what the file holds."""

        def look(box: Journal) -> dict[str, Any]:
            if box is self._disk:
                return box.facts_of(prefix)
            there: dict[str, Any] = {}
            with contextlib.suppress(JournalError):
                there = self._disk.facts_of(prefix)
            return dict(sorted({**there, **box.facts_of(prefix)}.items()))

        return cast("dict[str, Any]", self._do(look))

    def outbox_is_known(self) -> bool:
        """As the journal's; not while the disk refuses and nothing could be read of it either."""
        return bool(self._do(lambda box: self._aside.is_known))

    def set_fact(self, key: str, value: object) -> None:
        """As the journal's."""
        self._do(lambda box: box.set_fact(key, value))

    def forget_fact(self, key: str) -> None:
        """As the journal's; while the disk refuses, what the file holds of it stays there."""
        self._do(lambda box: box.forget_fact(key))

    @contextlib.contextmanager
    def transaction(self) -> Iterator[None]:
        """As the journal's: all inside is kept together or not at all, on the disk or in memory."""
        with self._on_one_box() as box, box.transaction():
            yield

    def _do(self, deed: Callable[[Journal], Any]) -> Any:
        with self._on_one_box() as box:
            return deed(box)

    @contextlib.contextmanager
    def _on_one_box(self) -> Iterator[Journal]:
        """The outbox of this moment, until this and all that it is a part of is over; then it may be another."""
        with self._aside.lock:
            box = self._aside.box(self._disk, copies_late=self._copies_late)
            self._depth += 1
            try:
                yield box
            except JournalError as error:
                # Only at the outermost, where all is rolled back: what an open transaction held must not be copied.
                if self._depth == 1 and box is self._disk and not isinstance(error, Refused):
                    self._aside.step(self._disk)
                raise
            finally:
                self._depth -= 1
