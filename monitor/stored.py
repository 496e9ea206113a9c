"""A batch as the journal holds it, folded through a minder: readings, log, answers to alarms and ticks in one order.

``watch`` goes on after a restart by this, and "would it have rung?" asks by it; there is no other way through.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import partial
from itertools import chain, pairwise

from monitor.domain import Reading
from monitor.journal.database import Journal
from monitor.pipeline import PRELUDE_S, TICK_S, Act, Amendment, Minder, Pause, first_tick_s

# Of one moment: what was entered goes before the tick, and what a person did about an alarm after it.
BEFORE_TICK, AT_TICK, AFTER_TICK = 0, 1, 2
# The times at which somebody watched, as [start, last tick]; those that are older than this are forgotten.
WATCHED_KEY = "watched"
FORGET_WATCHED_S = 30 * 86400.0

Deed = Callable[[], object]
Timed = tuple[float, int, Deed]


def fold(*streams: Iterable[Timed]) -> None:
    """Do the deeds of all streams, each in order by itself, in one order of time."""
    for _, _, deed in heapq.merge(*streams, key=lambda item: item[:2]):
        deed()


def stored_readings(
    journal: Journal, minders: Sequence[Minder], waiting: Iterable[Reading] = (), to_arrival_s: float | None = None
) -> Iterator[Timed]:
    """Those of the journal that arrived before ``to_arrival_s``, and those that wait for a commit; for each minder its
    own. One walk serves all: one for each would be a thousand times a thousand buckets' readings.
    """
    mine: dict[str, list[tuple[float, Minder]]] = {}
    for minder in minders:
        mine.setdefault(minder.batch.bucket, []).append((minder.batch.started_s - PRELUDE_S, minder))
    if not mine:
        return
    from_s = min(from_s for each in mine.values() for from_s, _ in each)
    kept = journal.readings(list(mine), from_arrival_s=from_s, to_arrival_s=to_arrival_s)
    for reading in chain(kept, waiting):
        for minder_from_s, minder in mine.get(reading.bucket, ()):
            if reading.arrival_s >= minder_from_s:
                yield reading.arrival_s, AFTER_TICK, partial(minder.take, reading)


def stored_ticks(
    minder: Minder, watched: Sequence[Sequence[float]], until_s: float, tick: Callable[[float], object]
) -> Iterator[Timed]:
    """The ticks before ``until_s`` of all the times at which somebody watched; between them there were none."""
    for began_s, last_tick_s in watched:
        tick_s = first_tick_s(max(minder.minded_from_s, began_s))
        while tick_s <= last_tick_s and tick_s < until_s:
            yield tick_s, AT_TICK, partial(tick, tick_s)
            tick_s += TICK_S


def stored_deeds(
    journal: Journal, minder: Minder, watched: Sequence[Sequence[float]], act: Callable[[Minder, Act], object]
) -> list[Timed]:
    """What people entered, each at the time from which it counted, and the pauses of the watch."""
    name = minder.batch.name
    deeds: list[Timed] = [
        (began_s, BEFORE_TICK, partial(minder.pause, Pause(last_tick_s, began_s)))
        for (_, last_tick_s), (began_s, _) in pairwise(watched)
    ]
    for logged in journal.log(name):
        entry = logged.entry
        deeds.append((entry.noted_at_s, BEFORE_TICK, partial(minder.note, entry)))
        if logged.undone_at_s is not None:
            undone_s = max(logged.undone_at_s, entry.noted_at_s)
            deeds.append((undone_s, BEFORE_TICK, partial(minder.undo, entry.entry_id)))
    for amended in journal.amendments(name):
        corrected = Amendment(amended.recipe, amended.vessel)
        deeds.append((amended.noted_at_s, AFTER_TICK, partial(minder.amend, corrected)))
    for kept in journal.acts(name):
        did = Act(kept.alarm_id, kept.act, kept.noted_at_s, kept.until_s, kept.who)
        deeds.append((kept.noted_at_s, AFTER_TICK, partial(act, minder, did)))
    return sorted(deeds, key=lambda item: item[:2])
