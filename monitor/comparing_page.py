"""Batches side by side for the page, out of the journal. What is over does not change, so it is read once."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures import TimeoutError as TooLong
from concurrent.futures.process import BrokenProcessPool
from dataclasses import replace
from multiprocessing import get_context

from monitor.comparing import stories_of
from monitor.finding import found_in
from monitor.journal.database import BatchRecord, Journal
from monitor.page.compare_view import Choice
from monitor.seasons.differences import Compared, held
from monitor.seasons.groups import group_of
from monitor.seasons.mixed import LibraryMissing, how_to_get
from monitor.seasons.story import Story
from monitor.seasons.table import Row, row_of
from monitor.settings import Settings
from monitor.words import DATE, tr, when

# The library alone takes some seconds to be read on a small computer.
_AT_MOST_S = 120.0
_KEPT = 200


class NotHeld(ValueError):
    """The groups could not be held against each other; one sentence says why."""


class JournalSeasons:
    """Over a journal's connection to read, opened when first needed. Any thread may ask."""

    def __init__(self, open_journal: Callable[[], Journal], settings: Settings) -> None:
        self._open, self._settings = open_journal, settings
        self._journal: Journal | None = None
        self._lock = threading.Lock()
        self._one_at_a_time = threading.Lock()
        self._over: dict[str, tuple[object, Story]] = {}

    def choices(self) -> list[Choice]:
        """All batches, the newest first."""
        with self._lock:
            journal = self._opened()
            return [self._choice(journal, record) for record in reversed(journal.batches())]

    def stories(self, names: Sequence[str]) -> list[Story]:
        """Those of these names, the oldest first."""
        with self._lock:
            journal = self._opened()
            records = [record for record in journal.batches() if record.batch.name in names]
            return [self._story(journal, record) for record in records]

    def every_row(self) -> list[Row]:
        """The figures of all batches."""
        with self._lock:
            journal = self._opened()
            return [row_of(self._story(journal, record)) for record in journal.batches()]

    def held(self, rows: Sequence[Row], by: str, of: str) -> Compared:
        """In a process of its own, which ends with it: the library would stay in the memory of the watch for good."""
        named = [(group_of(row.story, by), _light(row)) for row in rows]
        if not self._one_at_a_time.acquire(blocking=False):
            raise NotHeld(tr("Groups are being held against each other just now: try again in a moment."))
        try:
            with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as apart:
                return apart.submit(held, named, by, of).result(timeout=_AT_MOST_S)
        except LibraryMissing:
            raise LibraryMissing(how_to_get()) from None  # again here, in the language of who asks
        except (TooLong, BrokenProcessPool):
            raise NotHeld(tr("The groups could not be held against each other: it took too long.")) from None
        finally:
            self._one_at_a_time.release()

    def close(self) -> None:
        """Close what was opened."""
        with self._lock:
            if self._journal is not None:
                self._journal.close()
                self._journal = None

    # ---- inside ----

    def _opened(self) -> Journal:
        if self._journal is None:
            self._journal = self._open()
        return self._journal

    def _choice(self, journal: Journal, record: BatchRecord) -> Choice:
        found = found_in(journal, record)
        started = when(self._settings.local_time(record.batch.started_s).date(), DATE)
        more = (started, record.batch.bucket, found.outcome_words(), found.yield_words())
        return Choice(record.batch.name, " · ".join(filter(None, more)))

    def _story(self, journal: Journal, record: BatchRecord) -> Story:
        name = record.batch.name
        recipe = journal.recipe_now(name)
        details = {field: detail.value for field, detail in journal.details(name).items()}
        mark = (record, recipe, tuple(sorted(details.items())), tuple(journal.entries(name)))
        kept = self._over.get(name)
        if kept is not None and kept[0] == mark and record.ended_s is not None:
            return kept[1]
        story = stories_of(journal, [record], self._settings.local_time)[0]
        if len(self._over) >= _KEPT:
            self._over.clear()
        self._over[name] = mark, story
        return story


def _light(row: Row) -> Row:
    """Without its curves, which no figure of a group needs any more."""
    return replace(row, story=replace(row.story, core=(), air=(), done=(), heat=row.story.heat[-1:]))
