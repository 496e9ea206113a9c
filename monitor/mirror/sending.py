"""A list of points on its way to a server that may refuse one of them, all of them, or be away.

The server says of a list that something in it cannot be taken, not always what. So the list is halved until the point
is found; that one is passed over and the rest goes on. A server that refuses even a point with which nothing is wrong
refuses everything, for a reason of its own: then nothing is passed over, and it is tried again later.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from monitor.words import tr

# A list in which many are refused is left after so many requests, and goes on at the next turn from where it was.
MOST_REQUESTS = 200


class Refused(ValueError):
    """The server will not take these points as they are; sending them again is of no use. ``dropped``: how many of them
    it left out while it wrote the others, where it says so."""

    def __init__(self, says: str, dropped: int | None = None) -> None:
        super().__init__(says)
        self.dropped = dropped


class Away(ValueError):
    """The server cannot take anything now. ``again_s``: when it asked to be tried again, None when it did not say.
    ``slow``: it was there and the time ran out, so that a shorter list may do."""

    def __init__(self, says: str, again_s: float | None = None, *, slow: bool = False) -> None:
        super().__init__(says)
        self.again_s, self.slow = again_s, slow


@dataclass(slots=True)
class Sent:
    """What became of a list: the first ``done`` are settled, ``refused`` of these were passed over (each with why), and
    ``away`` says why it ended early."""

    done: int = 0
    refused: list[tuple[str, str]] = field(default_factory=list)
    away: Away | None = None


Write = Callable[[Sequence[str]], None]


def send(lines: Sequence[str], write: Write, known_good: Callable[[], str]) -> Sent:
    """Write ``lines`` in their order. ``write`` raises Refused or Away; ``known_good`` makes the point to try with."""
    sent = Sent()
    parts = [(0, len(lines))] if lines else []
    proved, requests = False, 0
    try:
        while parts and requests < MOST_REQUESTS:
            begin, end = parts.pop()
            requests += 1
            try:
                write(lines[begin:end])
                proved = True
            except Refused as error:
                # One that left out every point of a list (it keeps none so old) need not be asked of each.
                if end - begin > 1 and error.dropped != end - begin:
                    middle = (begin + end) // 2
                    parts += [(middle, end), (begin, middle)]
                    continue
                if not proved:
                    _prove(write, known_good, error)
                    proved = True
                sent.refused += [(line, str(error)) for line in lines[begin:end]]
            sent.done = end
    except Away as error:
        sent.away = error
    return sent


def _prove(write: Write, known_good: Callable[[], str], why: Refused) -> None:
    try:
        write([known_good()])
    except Refused:
        raise Away(tr("it takes no point at all ({why})", why=str(why))) from None
