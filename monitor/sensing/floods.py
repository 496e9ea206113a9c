"""How many readings are kept of each minute of a probe in a bucket that nobody named: a bound for what sends without
end. Pure. Of a bucket that somebody named, in the settings or by a batch, every reading is kept.

Counted by the minute in which a reading was taken and not by when it came, so that a backlog of days that comes at
once is kept whole.
"""

from __future__ import annotations

from array import array

from monitor.sensing.clocks import MOST_LAG_S
from monitor.words import tr

# Under this name they are counted (``senml.FAULTS``).
TOO_MANY = "too_many"

# A probe sends each 5 to 30 seconds; one that sends four times a second has room for a fifth more.
MOST_A_MINUTE = 300
# Of readings without a good time of their own, whose minute is that of their arrival: what waited somewhere comes at
# once, so one minute may hold far more than was measured in it. A stock broker keeps 1000 messages and sends 20 more
# without an answer; a serial port's buffer of 4 kB holds some 130 lines of the shortest kind; a live minute at four a
# second comes on top of either.
MOST_AT_ONE_ARRIVAL = 1500

_MINUTE_S = 60.0
# Four days late, five seconds early, and whatever is cut by the minute at both ends.
_MINUTES = int(MOST_LAG_S / _MINUTE_S) + 3
# "Up to 100 s late, in any order" is within as many minutes.
_KNOWN_MINUTES = 3


def too_many_words(source: str) -> str:
    """What a person is told about it."""
    return tr(
        "{source} sends more than {most} readings a minute of a probe in a bucket that nobody named; the rest is not "
        "kept. See which node sends without end; name the bucket in emberpail.toml if it is yours.",
        source=source,
        most=MOST_A_MINUTE,
    )


class MinuteRoom:
    """The room that is left in each minute of one probe.

    A good node loses nothing. A reading whose very time was taken before is let through and takes no room, within the
    three minutes that were begun last: a node that hears no answer may send each of its lines again, as often as it
    likes (the journal keeps the first of one time). A backlog that is sent again as a whole finds its minutes
    counted: what is refused then is what is kept already, unless the first sending had lost some of it; of a node
    that sends each 10 seconds a minute may come fifty times over before that.

    A node without a clock, or with a dead one, has the wider bound (``MOST_AT_ONE_ARRIVAL``): its readings carry the
    time at which they came, and a burst out of a buffer stands in one minute. A broker that was told to keep more than
    a stock one does may bring more than that at once; those times are false, and the next minute has room again.

    Takes 15 kB, of a probe that sends without end 60 kB (measured).
    """

    __slots__ = ("_counts", "_newest", "_times")

    def __init__(self) -> None:
        self._counts = array("H")  # by minute, in a ring over all minutes that can still come
        self._newest = 0
        self._times: dict[int, set[float]] = {}  # of the minutes begun last: the times taken, where they are its own

    def takes(self, time_s: float, *, own_time: bool) -> bool:
        """Whether a reading of this time (Unix seconds, at most four days late) is kept; it counts from now on.

        ``own_time``: the time is that of a node's good clock, and was not made from the arrival.
        """
        minute = int(time_s // _MINUTE_S)
        times = self._times.get(minute)
        if times is None:
            times = self._open(minute)
        if time_s in times:
            return True
        slot = minute % _MINUTES
        count = self._counts[slot]
        if count >= (MOST_A_MINUTE if own_time else MOST_AT_ONE_ARRIVAL):
            return False
        self._counts[slot] = count + 1
        if own_time:
            times.add(time_s)
        return True

    def _open(self, minute: int) -> set[float]:
        """Make a minute one of those whose times are known; of the one that goes only the count stays."""
        if not self._counts:
            self._counts, self._newest = array("H", bytes(2 * _MINUTES)), minute
        # Going on, the ring comes round to minutes that are too old to come again.
        for gone in range(max(self._newest, minute - _MINUTES) + 1, minute + 1):
            self._counts[gone % _MINUTES] = 0
        self._newest = max(self._newest, minute)
        if len(self._times) >= _KNOWN_MINUTES:
            del self._times[next(iter(self._times))]
        times = self._times[minute] = set()
        return times
