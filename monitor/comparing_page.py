"""Batches side by side for the page, out of the journal. What is over is read once, and again when something of it has
come late: an event, a reading, or what people noted."""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from multiprocessing import get_context
from multiprocessing.connection import Connection

from monitor.comparing import stories_of
from monitor.finding import found_in
from monitor.journal.database import BatchRecord, Journal
from monitor.page.compare_view import Choice
from monitor.page.turns import Busy
from monitor.seasons.differences import Compared, held
from monitor.seasons.groups import group_of
from monitor.seasons.mixed import LibraryMissing, how_to_get
from monitor.seasons.story import Story
from monitor.seasons.table import Row, row_of
from monitor.settings import Settings
from monitor.words import DATE, tr, when

# The library alone takes some seconds to be read on a small computer.
_AT_MOST_S = 120.0
_LOOK_EVERY_S = 0.2
# Curves of so many batches are kept in memory, and bare figures of so many for the groups.
_STORIES, MOST_IN_GROUPS = 16, 300
# The curves of eight batches take a second or two to be read; behind the figures of hundreds nobody waits.
_WAIT_S = 4.0


class NotHeld(ValueError):
    """The groups could not be held against each other; one sentence says why."""


@dataclass(frozen=True, slots=True)
class _Mark:
    """What a batch that is over can still change by, beside its readings: how it ended, its newest event, and what was
    noted of it (recipe, record, entries)."""

    record: BatchRecord
    event: int
    noted: tuple[object, ...]


class JournalSeasons:
    """Over a journal's connection to read, opened when first needed. Any thread may ask, one at a time: whoever has
    waited ``wait_s`` for another is told so (Busy)."""

    def __init__(self, open_journal: Callable[[], Journal], settings: Settings, wait_s: float = _WAIT_S) -> None:
        self._open, self._settings, self._wait_s = open_journal, settings, wait_s
        self._closing = threading.Event()
        self._journal: Journal | None = None
        self._lock = threading.Lock()
        self._one_at_a_time = threading.Lock()
        self._stories: dict[str, tuple[_Mark, Story]] = {}
        self._rows: dict[str, tuple[_Mark, Row]] = {}
        self._seen = 0  # the number of the newest reading when what is kept was last held against the readings

    def choices(self) -> list[Choice]:
        """All batches, the newest first."""
        with self._reading() as journal:
            return [self._choice(journal, record) for record in reversed(journal.batches())]

    def stories(self, names: Sequence[str]) -> list[Story]:
        """Those of these names, the oldest first."""
        with self._reading() as journal:
            self._forget_late(journal)
            records = [record for record in journal.batches() if record.batch.name in names]
            return [self._story(journal, record) for record in records]

    def every_row(self) -> list[Row]:
        """The figures of all batches, of the newest where there are very many; without their curves."""
        with self._reading() as journal:
            self._forget_late(journal)
            rows = []
            for record in journal.batches()[-MOST_IN_GROUPS:]:
                if self._closing.is_set():  # the first time it takes a minute: the watch must not wait for it to end
                    raise Busy
                rows.append(self._row(journal, record))
            return rows

    def held(self, rows: Sequence[Row], by: str, of: str) -> Compared:
        """In a process of its own, which ends with it: the library would stay in the memory of the watch for good."""
        named = [(group_of(row.story, by), row) for row in rows]
        if not self._one_at_a_time.acquire(blocking=False):
            raise NotHeld(tr("Groups are being held against each other just now: try again in a moment."))
        try:
            found = _apart(named, by, of, self._closing)
        except (OSError, EOFError):  # no room for another process, or it was killed for its memory
            found = None
        finally:
            self._one_at_a_time.release()
        if isinstance(found, LibraryMissing):
            raise LibraryMissing(how_to_get())  # again here, in the language of who asks
        if not isinstance(found, Compared):
            raise NotHeld(
                tr("The groups could not be held against each other: the computer lacks time or memory for it.")
            )
        return found

    def close(self) -> None:
        """Close what was opened."""
        self._closing.set()
        with self._lock:
            if self._journal is not None:
                self._journal.close()
                self._journal = None

    # ---- inside ----

    @contextmanager
    def _reading(self) -> Iterator[Journal]:
        if not self._lock.acquire(timeout=self._wait_s):
            raise Busy
        try:
            if self._journal is None:
                self._journal = self._open()
            yield self._journal
        finally:
            self._lock.release()

    def _choice(self, journal: Journal, record: BatchRecord) -> Choice:
        found = found_in(journal, record)
        started = when(self._settings.local_time(record.batch.started_s).date(), DATE)
        more = (started, record.batch.bucket, found.outcome_words(), found.yield_words())
        return Choice(record.batch.name, " · ".join(filter(None, more)))

    def _forget_late(self, journal: Journal) -> None:
        """Of which readings have come since they were read (a backlog of a node, say), those batches are read anew."""
        number = journal.last_reading_number()
        new = number > self._seen and bool(self._stories or self._rows)
        for bucket, from_s in (journal.earliest_after(self._seen) if new else {}).items():
            for kept in (self._stories, self._rows):
                for name, (mark, _) in list(kept.items()):
                    if mark.record.batch.bucket == bucket and from_s < (mark.record.ended_s or math.inf):
                        del kept[name]
        self._seen = number

    def _story(self, journal: Journal, record: BatchRecord) -> Story:
        mark = _mark(journal, record)
        kept = self._stories.get(record.batch.name)
        if kept is not None and kept[0] == mark:
            return kept[1]
        story = stories_of(journal, [record], self._settings.local_time)[0]
        if _is_over(story):
            if len(self._stories) >= _STORIES:
                self._stories.pop(next(iter(self._stories)))
            self._stories[record.batch.name] = mark, story
        return story

    def _row(self, journal: Journal, record: BatchRecord) -> Row:
        mark = _mark(journal, record)
        kept = self._rows.get(record.batch.name)
        if kept is not None and kept[0] == mark:
            return kept[1]
        row = _light(row_of(stories_of(journal, [record], self._settings.local_time)[0]))
        if _is_over(row.story):
            if len(self._rows) >= MOST_IN_GROUPS:
                self._rows.pop(next(iter(self._rows)))
            self._rows[record.batch.name] = mark, row
        return row


def _apart(
    named: Sequence[tuple[str, Row]], by: str, of: str, closing: threading.Event
) -> Compared | Exception | None:
    """What a process of its own finds; None where it takes too long or the watch ends. It is gone afterwards."""
    context = get_context("spawn")
    here, there = context.Pipe(duplex=False)
    process = context.Process(target=_work, args=(there, named, by, of), daemon=True)
    with here:
        process.start()
        there.close()
        try:
            until_s = time.monotonic() + _AT_MOST_S
            while not here.poll(_LOOK_EVERY_S):
                if closing.is_set() or time.monotonic() > until_s:
                    return None
            found: Compared | Exception = here.recv()
            return found
        finally:
            process.kill()
            process.join()


def _work(there: Connection, named: Sequence[tuple[str, Row]], by: str, of: str) -> None:
    try:
        there.send(held(named, by, of))
    except Exception as error:
        there.send(error)


def _is_over(story: Story) -> bool:
    """Whether it may be kept: it has ended, and if it was watched its verdict is in."""
    return not story.running and bool(story.says or not story.heat)


def _mark(journal: Journal, record: BatchRecord) -> _Mark:
    name = record.batch.name
    details = sorted((field, detail.value, detail.noted_at_s) for field, detail in journal.details(name).items())
    noted = journal.recipe_now(name), tuple(details), tuple(journal.entries(name))
    return _Mark(record, journal.last_event_number(name), noted)


def _light(row: Row) -> Row:
    """Without its curves, which no figure of a group needs any more."""
    return replace(row, story=replace(row.story, core=(), air=(), done=(), heat=row.story.heat[-1:]))
