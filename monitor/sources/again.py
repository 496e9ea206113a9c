"""Messages that a broker sends again although they are in the journal already.

A watch that is killed between its commit and its acknowledgement is sent the last messages once more. A reading with a
time of its own is then known by that; one without would be taken for a second, later reading. The broker marks what it
sends again (MQTT 3.1.1, MQTT-3.3.1-1), with the same number as before (MQTT-2.3.1-4): those numbers are kept here, and
by the watch in the journal, in the transaction that keeps the readings.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from monitor.domain import Reading
from monitor.sources.line import Line

# More than a stock broker sends unacknowledged (20); one that allows more may bring doubles after a kill.
KEPT = 64


class SentAgain:
    """What was taken of each source, as far as it cannot be known by its time. Not for several threads."""

    def __init__(self) -> None:
        self._taken: dict[str, dict[str, None]] = {}  # source -> deliveries, the oldest first
        self.changed: set[str] = set()  # sources of which there is something new to keep

    def knows(self, line: Line) -> bool:
        """Whether this very message has been taken before."""
        return line.duplicate and line.delivery in self._taken.get(line.origin.name, {})

    def take(self, line: Line, readings: Iterable[Reading]) -> None:
        """Remember a line, if the time of one of its readings was not the node's own."""
        if not line.delivery or not any(one.retimed or one.time_s == one.arrival_s for one in readings):
            return
        taken = self._taken.setdefault(line.origin.name, {})
        taken.pop(line.delivery, None)
        taken[line.delivery] = None
        while len(taken) > KEPT:
            del taken[next(iter(taken))]
        self.changed.add(line.origin.name)

    def as_kept(self, source: str) -> list[str]:
        """For the journal."""
        return list(self._taken.get(source, {}))

    def load(self, kept: Mapping[str, Iterable[str]]) -> None:
        """Go on with what the journal has, by source."""
        self._taken = {source: dict.fromkeys(map(str, deliveries)) for source, deliveries in kept.items()}
