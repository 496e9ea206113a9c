"""Past batches, or the whole journal, sent to the mirror once more: after its server has lost them, or to a new one.

The same points as the watch sends, so it may run beside one, may be broken off, and may be done twice. The watch's own
mark is neither asked nor moved.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from monitor.domain import Reading
from monitor.journal.database import Journal
from monitor.mirror.points import Points
from monitor.mirror.sending import Write, send
from monitor.mirroring import LEAST_POINTS, MOST_POINTS
from monitor.words import tr

# A server that hiccups is tried again so often before the command gives up, with a wait before each.
_WAITS_S = (1.0, 3.0, 10.0)


@dataclass(slots=True)
class Again:
    """What was sent: points taken, and points that the server refused or that cannot be said, with why the last."""

    points: int = 0
    refused: int = 0
    why: str = ""


def mirror_again(
    journal: Journal,
    points: Points,
    batch: str | None,
    write: Write,
    now_s: Callable[[], float],
    *,
    progress: Callable[[int], None] = lambda points: None,
    wait: Callable[[float], None] = time.sleep,
) -> Again:
    """Send the readings and events of ``batch`` (None: of the whole journal), list by list.

    ``progress`` hears how many points the server has taken so far. Raises Away where the server cannot take them now.
    """
    done, most = Again(), MOST_POINTS
    rows = _all(journal, points) if batch is None else _of_batch(journal, points, batch)
    for lines in _lists(rows, done):
        most = _send(lines, most, points, write, now_s, wait, done)
        progress(done.points)
    return done


def _send(  # noqa: PLR0917
    lines: Sequence[str], most: int, points: Points, write: Write, now_s: Callable[[], float],
    wait: Callable[[float], None], done: Again,
) -> int:  # fmt: skip
    """Send them, at most ``most`` at a time; returns how many the line carried in time, for the next list."""
    waits = list(_WAITS_S)
    while lines:
        sent = send(lines[:most], write, lambda: points.known_good(now_s()))
        lines = lines[sent.done :]
        done.points += sent.done - len(sent.refused)
        if sent.refused:
            done.refused, done.why = done.refused + len(sent.refused), sent.refused[-1][1]
        if sent.away is not None:
            if sent.away.slow and most > LEAST_POINTS:  # shorter is worth a try, as it is for the watch
                most = max(LEAST_POINTS, min(most, len(lines)) // 2)
                wait(_WAITS_S[-1])
                continue
            if not waits:
                raise sent.away
            wait(max(waits.pop(0), min(sent.away.again_s or 0.0, 60.0)))
    return most


def _lists(rows: Iterator[str | None], done: Again) -> Iterator[list[str]]:
    lines: list[str] = []
    for line in rows:
        if line is None:
            done.refused, done.why = done.refused + 1, tr("its time can be said by no point")
            continue
        lines.append(line)
        if len(lines) == MOST_POINTS:
            yield lines
            lines = []
    if lines:
        yield lines


def _all(journal: Journal, points: Points) -> Iterator[str | None]:
    number = 0
    while readings := journal.readings_after(number, MOST_POINTS):
        yield from (points.reading(kept.reading, kept.reason) for _, kept in readings)
        number = readings[-1][0]
    number = 0
    while events := journal.events_after(number, MOST_POINTS):
        yield from (points.event(event) for _, event in events)
        number = events[-1][0]


def _of_batch(journal: Journal, points: Points, batch: str) -> Iterator[str | None]:
    for row in journal.whole_rows("readings", [batch]):
        reading = Reading(
            row["bucket"], row["probe"], row["time_s"], row["arrival_s"], row["temperature_c"], row["state"] or "ok"
        )
        yield points.reading(reading, row["reason"])
    yield from map(points.event, journal.events(batch))

