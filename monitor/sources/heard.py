"""Messages that were overheard (``sources.overhearing``) and are to come once more, by the session of the broker.

They are known by topic and content, and counted: a node without times sends the same bytes again while the temperature
stands still. The journal keeps what is still to come, in the transaction that keeps the readings: after a kill -9 the
session brings it to a new watch, for which it must not be a second reading either.
"""

from __future__ import annotations

import hashlib
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from monitor.sources.line import Line

# They are kept in sheets, so that a commit writes those that have changed and not all of them.
A_SHEET = 64
# What has not come once the session has brought all that waited does not come: its queue had no room for it
# (``Line.caught_up``). Where that is not known it goes by the time since the last one came: the computer's own, for how
# fast a broker sends what it kept does not go by ours.
FORGOTTEN_AFTER_S = 600.0


@dataclass(slots=True)
class _Open:
    """What is to come of one source: contents by the number of their sheet, and the sheets of each content."""

    sheets: dict[int, list[str]] = field(default_factory=dict)
    on: dict[str, deque[int]] = field(default_factory=dict)
    newest: int = 0
    on_newest: int = 0  # how many were written on the newest sheet, those that have come included
    at: float | None = None  # monotonic: when one was heard or met last

    def add(self, content: str) -> int:
        if self.on_newest >= A_SHEET:
            self.newest, self.on_newest = self.newest + 1, 0
        self.on_newest += 1
        self.sheets.setdefault(self.newest, []).append(content)
        self.on.setdefault(content, deque()).append(self.newest)
        return self.newest

    def take_off(self, content: str) -> int | None:
        sheets = self.on.get(content)
        if sheets is None:
            return None
        number = sheets.popleft()
        if not sheets:
            del self.on[content]
        self.sheets[number].remove(content)
        if not self.sheets[number]:
            del self.sheets[number]
        return number


class ToComeAgain:
    """What was overheard of each source and has not come by its session yet. Not for several threads."""

    def __init__(self, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._monotonic = monotonic
        self._open: dict[str, _Open] = {}
        self._changed: set[tuple[str, int]] = set()  # source, sheet

    def hear(self, line: Line) -> str:
        """An overheard line was taken: the session is to bring it, too. Returns what it is known by."""
        open_, content = self._open.setdefault(line.origin.name, _Open()), _content(line)
        self._changed.add((line.origin.name, open_.add(content)))
        open_.at = self._monotonic()
        return content

    def brings(self, line: Line) -> bool:
        """Whether the session brings with this line what was overheard before; it is then no longer to come."""
        open_ = self._open.get(line.origin.name)
        if open_ is None or not open_.sheets or not line.delivery:
            return False
        if line.caught_up and not line.duplicate:  # one like it that is sent from now on is another reading
            self.forget(line.origin.name)
            return False
        number, now = open_.take_off(_content(line)), self._monotonic()
        open_.at = now if open_.at is None or number is not None else open_.at
        if number is not None:
            self._changed.add((line.origin.name, number))
        elif not line.duplicate and now - open_.at > FORGOTTEN_AFTER_S:
            self.forget(line.origin.name)
        return number is not None

    def forget(self, source: str) -> None:
        """Nothing is to come of it any more: the session has brought what it had, or the broker has lost it."""
        open_ = self._open.get(source)
        if open_ is not None:
            self._changed |= {(source, one) for one in open_.sheets}
            open_.sheets.clear()
            open_.on.clear()

    def give_up(self, source: str, content: str) -> None:
        """What was taken of it is lost again: when the session brings it, it counts. ``content`` is of ``hear``."""
        number = self._open[source].take_off(content)
        if number is not None:
            self._changed.add((source, number))

    def changes(self) -> Iterator[tuple[str, list[str] | None]]:
        """What is to be kept in the journal: a name for each sheet that is not kept as it is now, and what is on it;
        None for one that is not needed any more.
        """
        for source, number in sorted(self._changed):
            yield _name(source, number), self._open[source].sheets.get(number)

    def kept(self) -> None:
        """All changes are on the disk."""
        self._changed.clear()

    def load(self, sources: Iterable[str], facts_of: Callable[[str], Mapping[str, object]]) -> None:
        """Go on with what the journal has; ``facts_of`` gives all that is kept under names that begin so."""
        for source in sources:
            open_ = self._open[source] = _Open()
            prefix = _name(source, None)
            kept = {key.removeprefix(prefix): value for key, value in facts_of(prefix).items()}
            for number in sorted(int(name) for name in kept if name.isdigit()):
                contents = kept[str(number)]
                if isinstance(contents, list) and contents:
                    open_.sheets[number] = list(map(str, contents))
                    open_.newest, open_.on_newest = number, A_SHEET
                    for content in open_.sheets[number]:
                        open_.on.setdefault(content, deque()).append(number)


def content_of(topic: str, data: bytes) -> str:
    """What a message is known by, wherever it came through: its topic and its bytes, in short."""
    return hashlib.blake2b(topic.encode("utf-8", "replace") + b"\0" + data, digest_size=12).hexdigest()


def _content(line: Line) -> str:
    return content_of(line.origin.topic, line.data)


def _name(source: str, sheet: int | None) -> str:
    return f"heard/{source}/{'' if sheet is None else sheet}"
