"""Messages that a broker sends again although they are in the journal already.

A watch that is killed between its commit and its acknowledgement is sent the last messages once more. A reading with a
time of its own is then known by that; one without would be taken for a second, later reading. The broker marks what it
sends again (MQTT 3.1.1, MQTT-3.3.1-1), with the same number as before (MQTT-2.3.1-4): those numbers are kept here, and
by the watch in the journal, in the transaction that keeps the readings. They belong to a session: a broker that has
lost it (MQTT-3.2.2-3) begins its numbers anew, and then they are forgotten.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field

from monitor.domain import Reading
from monitor.sources.line import Line

# They are kept in sheets, so that a commit writes the one that has changed and not all of them.
A_SHEET = 64
SHEETS = 16
# A broker may send far more unacknowledged than it says it does: mosquitto 2.0.11, for one, miscounts after a
# connection was lost and sends hundreds. The source hands on no more of them than a quarter of this at a time.
KEPT = A_SHEET * SHEETS


@dataclass(slots=True)
class _Taken:
    """What was taken of one source: its newest sheets, by the number of the sheet, and on which each delivery is."""

    sheets: dict[int, list[str]] = field(default_factory=dict)
    on: dict[str, int] = field(default_factory=dict)

    def add(self, delivery: str) -> int:
        """Write it on the newest sheet, or a fresh one; returns that sheet's number."""
        number = max(self.sheets, default=0)
        if len(self.sheets.setdefault(number, [])) >= A_SHEET:
            number += 1
            self.sheets[number] = []
        self.sheets[number].append(delivery)
        self.on[delivery] = number
        if len(self.sheets) > SHEETS:
            oldest = min(self.sheets)
            for one in self.sheets.pop(oldest):
                if self.on.get(one) == oldest:
                    del self.on[one]
        return number


class SentAgain:
    """What was taken of each source, as far as it cannot be known by its time. Not for several threads."""

    def __init__(self) -> None:
        self._taken: dict[str, _Taken] = {}
        self._changed: set[tuple[str, int]] = set()  # source, sheet

    def knows(self, line: Line) -> bool:
        """Whether this very message has been taken before."""
        taken = self._taken.get(line.origin.name)
        return line.duplicate and taken is not None and line.delivery in taken.on

    def take(self, line: Line, readings: Iterable[Reading]) -> None:
        """Remember a line, if the time of one of its readings was not the node's own."""
        if not line.delivery or not any(one.retimed or one.time_s == one.arrival_s for one in readings):
            return
        self.remember(line)

    def remember(self, line: Line) -> None:
        """Remember a line, whatever is in it."""
        if line.delivery:
            source = line.origin.name
            self._changed.add((source, self._taken.setdefault(source, _Taken()).add(line.delivery)))

    def forget(self, source: str) -> None:
        """The broker of this source knows nothing of the session in which these were taken."""
        taken = self._taken.get(source)
        if taken is None:
            return
        taken.on.clear()
        for number, sheet in taken.sheets.items():
            if sheet:
                taken.sheets[number] = []  # the journal is to have it empty, too
                self._changed.add((source, number))

    def changes(self) -> Iterator[tuple[str, object]]:
        """What is to be kept in the journal: a name for each sheet that is not kept as it is now, and what is on it."""
        for source, number in sorted(self._changed):
            sheet = self._taken[source].sheets.get(number)
            if sheet is not None:
                yield _name(source, number), {"sheet": number, "taken": sheet}

    def kept(self) -> None:
        """All changes are on the disk."""
        self._changed.clear()

    def load(self, sources: Iterable[str], fact: Callable[[str], object]) -> None:
        """Go on with what the journal has; ``fact`` gives what is kept under a name, or None."""
        for source in sources:
            taken = self._taken[source] = _Taken()
            for place in range(SHEETS):
                kept = fact(_name(source, place))
                if isinstance(kept, dict):
                    taken.sheets[int(kept["sheet"])] = list(map(str, kept["taken"]))
            for number in sorted(taken.sheets):
                taken.on.update(dict.fromkeys(taken.sheets[number], number))


def _name(source: str, sheet: int) -> str:
    """Each sheet takes the place of the one that is no longer needed."""
    return f"taken/{source}/{sheet % SHEETS}"
