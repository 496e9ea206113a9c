"""When a reading was taken, by a node whose clock may be wrong: stamp and arrival in, time out.

Nodes without a battery-backed clock count from their boot, start in 1980 or 2000, step by minutes or days when the
network tells them the time, or run behind by an hour because someone typed local time. Readings also arrive late,
twice, or hours later from a node's buffer, and those stamps are right. All this is told apart here from the stamps
and arrivals of one probe so far, never from what comes later.

The arrival clock is the measure: it never steps.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from monitor.domain import Reading

# RFC 8428 section 4.5.3: below this a time is relative to now, from here on it is Unix seconds.
ABSOLUTE_FROM_S = 2.0**28

# RFC 8428 allows relative times ahead; more than this ahead is a clock counting from boot (design of the wire).
BOOT_CLOCK_FROM_S = 60.0

# A stamp may run ahead of its arrival by the usual error of a network-set clock before it is taken for wrong.
MOST_LEAD_S = 5.0

# Older than any batch: a clock that was never set.
MOST_LAG_S = 4 * 86400.0

# A lag beyond this that stays constant while readings come steadily is a clock running behind. Three lines tell it: a
# node that sends one pack a minute would else be heard at the wrong hour for longer than silence may last.
SUSPECT_LAG_S = 60.0
STEADY_READINGS = 3
STEADY_S = 60.0
STEADY_WITHIN_S = 3.0
# Lines that follow one another within this time were sent together.
BURST_S = 2.0
# A sleeping node's oscillator may drift by some percent.
STEADY_DRIFT = 0.06

# A steady lag that begins with a silence may also be a queue that drains as slowly as it fills. Readings up to
# 20 minutes late are normal, so a clock is blamed only for more, or when it lasts.
QUEUE_LAG_S = 1800.0
QUEUE_STEADY_S = 600.0
QUEUE_STEADY_LONG_S = 3600.0

# A clock whose error was learned may creep, or was learned from a damaged stamp. When all lines of two minutes come
# later than it says, the quickest of them tells where it stands.
CREEP_FROM_S = 3.0
CREEP_LINES = 8
CREEP_S = 120.0

STEP_BACK_S = 3.0
_REMEMBERED = 512


def _most_missed(bursts: int) -> int:
    """How many bursts without the lag a stretch of so many with it may hold."""
    return 2 + 2 * bursts


@dataclass(slots=True)
class _SteadyLag:
    """A stretch of lines that all lag by nearly the same time.

    Samples that a node collects and sends one by one come in bursts: only the newest of a burst tells the lag, those
    before it lag by more. Stragglers and duplicates are bursts in which none has the lag; too many of these, or one
    line that lags by less, end the stretch.
    """

    first_arrival_s: float
    first_lag_s: float
    least_lag_s: float
    stepped_back: bool
    last_arrival_s: float
    lines: int = 1
    missed: int = 0
    matched: bool = True  # whether the burst that is coming in holds a line with the lag

    @classmethod
    def begun(cls, arrival_s: float, lag_s: float, stepped_back: bool) -> _SteadyLag:
        """A stretch of one line so far."""
        return cls(arrival_s, lag_s, lag_s, stepped_back, arrival_s)

    def takes(self, arrival_s: float, lag_s: float) -> bool:
        """Whether a line with this lag goes on with the stretch; if so it is counted in."""
        if arrival_s - self.last_arrival_s > BURST_S:
            self.missed += not self.matched
            self.matched = False
        self.last_arrival_s = arrival_s
        over_s = lag_s - self.first_lag_s
        within_s = STEADY_WITHIN_S + STEADY_DRIFT * (arrival_s - self.first_arrival_s)
        if over_s < -within_s or self.missed > _most_missed(self.lines):
            return False
        if over_s <= within_s:
            self.lines += not self.matched
            self.matched = True
            self.least_lag_s = min(self.least_lag_s, lag_s)
        return True

    def is_a_clock_error(self, arrival_s: float) -> bool:
        """Whether the stretch is long enough to blame the clock, and not a queue."""
        lasted_s = arrival_s - self.first_arrival_s
        if self.lines < STEADY_READINGS:
            return False
        if self.stepped_back:
            return lasted_s >= STEADY_S
        return lasted_s >= (QUEUE_STEADY_S if self.first_lag_s > QUEUE_LAG_S else QUEUE_STEADY_LONG_S)


@dataclass(slots=True)
class _Creep:
    """A stretch of lines that all come somewhat later than the learned offset says."""

    first_arrival_s: float
    least_lag_s: float
    lines: int = 1

    def takes(self, arrival_s: float, lag_s: float) -> bool:
        """Count a line in; whether the stretch is long enough to believe it."""
        self.lines += 1
        self.least_lag_s = min(self.least_lag_s, lag_s)
        return self.lines >= CREEP_LINES and arrival_s - self.first_arrival_s >= CREEP_S


@dataclass(slots=True)
class StampedClock:
    """One kind of stamp from one probe: what to add to it to get the true time, learned as readings arrive.

    ``free`` clocks (counting from boot, or never set) have no offset until the first reading; others start
    trusted, with offset 0.
    """

    free: bool
    base_s: float | None = None
    offset_s: float | None = None
    last_stamp_s: float | None = None
    last_arrival_s: float | None = None
    last_value: object = None
    changed_under_same_stamp: int = 0
    steady: _SteadyLag | None = None
    creep: _Creep | None = None
    placed: dict[tuple[float, object], float] = field(default_factory=dict)

    def place(self, stamps: list[tuple[float, object]], arrival_s: float) -> list[float]:
        """True times of one line's samples, given as (stamp, value); the line's newest sample teaches the clock."""
        newest = max(stamps, key=_stamp)
        if newest not in self.placed:
            self._learn(*newest, arrival_s)
        offset_s = self.offset_s or 0.0
        if not offset_s and not self.free:
            return [stamp for stamp, _ in stamps]
        return [self._time(sample, offset_s, arrival_s) for sample in stamps]

    def goes_on_well(self, stamp_s: float, value: object, arrival_s: float) -> bool:
        """Take a sample of a trusted clock from which there is nothing to learn; False when there may be."""
        last_s = self.last_stamp_s
        if last_s is None or stamp_s <= last_s or arrival_s - stamp_s > SUSPECT_LAG_S:
            return False
        self.last_stamp_s, self.last_arrival_s, self.last_value = stamp_s, arrival_s, value
        self.changed_under_same_stamp = 0
        self.steady = None
        return True

    def _time(self, sample: tuple[float, object], offset_s: float, arrival_s: float) -> float:
        """The same stamp and value keep the time they once got, so that a duplicate is seen to be one."""
        known_s = self.placed.get(sample)
        if known_s is not None:
            return known_s
        time_s = min(sample[0] + offset_s, arrival_s)
        self.placed[sample] = time_s
        if len(self.placed) > _REMEMBERED:
            del self.placed[next(iter(self.placed))]
        return time_s

    def _learn(self, stamp_s: float, value: object, arrival_s: float) -> None:
        last_stamp_s, last_arrival_s = self.last_stamp_s, self.last_arrival_s
        since_last_s = arrival_s - last_arrival_s if last_arrival_s is not None else 0.0
        stepped_back = last_stamp_s is not None and stamp_s < last_stamp_s - STEP_BACK_S
        if self._stands_still(stamp_s, value):
            self._anchor(stamp_s, arrival_s)
        elif self.offset_s is None:
            self._anchor(stamp_s, arrival_s)
            if self.base_s is None:
                self.base_s = stamp_s
        else:
            self._judge_lag(stamp_s, arrival_s, since_last_s, stepped_back)
        self.last_stamp_s, self.last_arrival_s, self.last_value = stamp_s, arrival_s, value

    def _judge_lag(self, stamp_s: float, arrival_s: float, since_last_s: float, stepped_back: bool) -> None:
        assert self.offset_s is not None
        lag_s = arrival_s - stamp_s - self.offset_s
        trusted = not self.free and self.offset_s == 0.0
        if lag_s < (-MOST_LEAD_S if trusted else 0.0):
            # A measurement cannot come from the future: the clock is ahead, or ran ahead of what was learned.
            if not self.free and abs(arrival_s - stamp_s) <= MOST_LEAD_S:
                self._trust()
            else:
                self._anchor(stamp_s, arrival_s)
        elif stepped_back and not self.free and not trusted and abs(arrival_s - stamp_s) <= SUSPECT_LAG_S:
            # The clock was set right.
            self._trust()
        elif lag_s > MOST_LAG_S or (stepped_back and self.free and self._booted_again(stamp_s, since_last_s)):
            self._anchor(stamp_s, arrival_s)
        elif lag_s <= SUSPECT_LAG_S:
            self.steady = None
            if not trusted:
                self._follow_creep(lag_s, arrival_s)
        elif self.steady is None or not self.steady.takes(arrival_s, lag_s):
            first_ever = self.last_stamp_s is None
            # A burst that steps back does so with its first line; its last one tells the lag.
            goes_on = self.steady is not None and self.steady.stepped_back and since_last_s <= BURST_S
            self.steady = _SteadyLag.begun(arrival_s, lag_s, stepped_back or first_ever or goes_on)
        elif self.steady.matched and self.steady.is_a_clock_error(arrival_s):
            self.offset_s += self.steady.least_lag_s
            self.steady = None

    def _follow_creep(self, lag_s: float, arrival_s: float) -> None:
        assert self.offset_s is not None
        if lag_s <= CREEP_FROM_S:
            self.creep = None
        elif self.creep is None:
            self.creep = _Creep(arrival_s, lag_s)
        elif self.creep.takes(arrival_s, lag_s):
            self.offset_s += self.creep.least_lag_s
            self.creep = None
            if not self.free and abs(self.offset_s) <= MOST_LEAD_S:
                self._trust()  # it is right as it stands

    def _booted_again(self, stamp_s: float, since_last_s: float) -> bool:
        """A clock that starts anew counts no more than has passed since the last line; a backlog's stamps do."""
        base_s = self.base_s or 0.0
        return abs(stamp_s - base_s) <= since_last_s + MOST_LEAD_S

    def _stands_still(self, stamp_s: float, value: object) -> bool:
        """Whether the clock is stuck: several lines with the same stamp and changing values."""
        if stamp_s != self.last_stamp_s:
            self.changed_under_same_stamp = 0
        elif value != self.last_value:
            self.changed_under_same_stamp += 1
        return self.changed_under_same_stamp >= 3

    def _anchor(self, stamp_s: float, arrival_s: float) -> None:
        """From now on this stamp means this arrival."""
        if self.last_stamp_s is not None and stamp_s <= self.last_stamp_s:
            # The clock began anew, so the stamps it gave before will come again and mean something else.
            self.placed.clear()
        self.offset_s = arrival_s - stamp_s
        self.steady = self.creep = None

    def _trust(self) -> None:
        self.placed.clear()
        self.offset_s = 0.0
        self.steady = self.creep = None


def _stamp(sample: tuple[float, object]) -> float:
    return sample[0]


class NodeClock:
    """Places the samples of one probe in time. One per bucket and probe, so it depends on no other probe's lines."""

    __slots__ = ("_boot", "_real", "_unset")

    def __init__(self) -> None:
        self._real = StampedClock(free=False, offset_s=0.0)
        self._unset: StampedClock | None = None
        self._boot: StampedClock | None = None

    def place_one(self, stamp_s: float, value: object, arrival_s: float) -> tuple[float, bool]:
        """(time, retimed) of a line's only sample: what ``place`` gives, quicker for a clock that is right."""
        real = self._real
        if real.offset_s == 0.0 and stamp_s >= ABSOLUTE_FROM_S and -MOST_LEAD_S <= arrival_s - stamp_s <= MOST_LAG_S:
            if real.goes_on_well(stamp_s, value, arrival_s):
                return stamp_s, False
        elif stamp_s <= 0.0:
            return arrival_s + stamp_s, False
        return self.place([(stamp_s, value)], arrival_s)[0]

    def place(self, stamps: list[tuple[float, object]], arrival_s: float) -> list[tuple[float, bool]]:
        """(time, retimed) of one line's samples, given as (base time + time, value), in their order.

        Below 2^28 a stamp is relative to the arrival, or, when the newest is more than 60 s ahead, a clock that
        counts from boot. Absolute stamps more than 4 days from the arrival are a clock that was never set.
        """
        relative = [stamp for stamp, _ in stamps if stamp < ABSOLUTE_FROM_S]
        newest_relative_s = max(relative, default=0.0)
        kinds: dict[str, list[int]] = {}
        for i, (stamp, _) in enumerate(stamps):
            if stamp >= ABSOLUTE_FROM_S:
                kind = "real" if abs(arrival_s - stamp) <= MOST_LAG_S else "unset"
            else:
                kind = "boot" if stamp > 0.0 and newest_relative_s > BOOT_CLOCK_FROM_S else "relative"
            kinds.setdefault(kind, []).append(i)
        result: list[tuple[float, bool]] = [(arrival_s, False)] * len(stamps)
        for kind, indices in kinds.items():
            these = [stamps[i] for i in indices]
            if kind == "relative":
                # Nothing is measured after it arrives: the newest is now, the others keep their spacing.
                ahead_s = max(0.0, newest_relative_s if newest_relative_s <= BOOT_CLOCK_FROM_S else 0.0)
                placed = [(arrival_s + stamp - ahead_s, False) for stamp, _ in these]
            else:
                clock = self._clock(kind)
                times = clock.place(these, arrival_s)
                retimed = kind != "real" or clock.offset_s != 0.0
                placed = [(time_s, retimed) for time_s in times]
            for i, pair in zip(indices, placed, strict=True):
                result[i] = pair
        return result

    def _clock(self, kind: str) -> StampedClock:
        if kind == "real":
            return self._real
        if kind == "boot":
            if self._boot is None:
                self._boot = StampedClock(free=True, base_s=0.0)
            return self._boot
        if self._unset is None:
            self._unset = StampedClock(free=True)
        return self._unset

    def stored_time_s(self, stamp_s: float, arrival_s: float) -> float | None:
        """The time of a message the broker had stored, or None when it cannot be known.

        Only an absolute stamp of the last four days tells it; nothing is learned from such a message.
        """
        if stamp_s < ABSOLUTE_FROM_S:
            return None
        time_s = stamp_s + (self._real.offset_s or 0.0)
        return time_s if -MOST_LEAD_S <= arrival_s - time_s <= MOST_LAG_S else None


class LaggingLines:
    """Remembers the readings of one probe that came late by the same lag, until it is known why.

    They stand where their stamps said. If the lines caught up, that was right. If the node's clock was found out
    (``retimed``), they stand too early by as much, and nobody can believe them there.
    """

    __slots__ = ("_burst", "_bursts", "_lag_s", "_missed", "_since_s", "_waiting")

    def __init__(self) -> None:
        self._burst: list[Reading] = []  # what is coming in together
        self._waiting: list[Reading] = []  # earlier bursts that lag alike
        self._bursts = self._missed = 0
        self._lag_s = self._since_s = 0.0

    def take(self, reading: Reading) -> list[Reading]:
        """Count in the next reading to arrive; the readings that are now known to be misplaced, mostly none."""
        if not self._burst and not self._bursts and not _lags(reading):
            return []
        if self._burst and reading.arrival_s - self._burst[-1].arrival_s > BURST_S:
            self._end_burst()
        if not reading.retimed:
            self._burst.append(reading)
            return []
        found: list[Reading] = []
        if self._bursts >= STEADY_READINGS - 1:
            found = self._waiting + [one for one in self._burst if _lags(one)]
        self._forget()
        return found

    def _end_burst(self) -> None:
        """A burst is whole: its newest reading says whether it lags, and whether as those before it did."""
        newest = max(self._burst, key=_time)
        lag_s = newest.arrival_s - newest.time_s
        if lag_s <= SUSPECT_LAG_S:
            self._forget()
            return
        over_s = lag_s - self._lag_s
        within_s = STEADY_WITHIN_S + STEADY_DRIFT * (newest.arrival_s - self._since_s)
        straggles = self._bursts > 0 and over_s > within_s
        self._missed += straggles
        if not self._bursts or over_s < -within_s or self._missed > _most_missed(self._bursts):
            self._waiting, self._bursts, self._missed = [], 0, 0
            self._lag_s, self._since_s = lag_s, newest.arrival_s
            straggles = False
        self._waiting += self._burst
        self._burst = []
        self._bursts += not straggles

    def _forget(self) -> None:
        self._burst, self._waiting, self._bursts, self._missed = [], [], 0, 0


def _time(reading: Reading) -> float:
    return reading.time_s


def _lags(reading: Reading) -> bool:
    return not reading.retimed and reading.arrival_s - reading.time_s > SUSPECT_LAG_S
