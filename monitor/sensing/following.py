"""Which of a probe's values follow one another as a temperature can, and which jump.

A bucket changes by a few kelvin a minute at most. A value that jumps away is doubted; when the next ones stay with it
the probe itself has moved (pushed into the paste, lifted out), and the doubted values are believed after all. When the
next ones go back, it was a spike.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

from monitor.domain import Reading

# A lively batch heats by 2 to 3 K a minute after the blend; nothing that stays in a bucket is quicker than this.
BUCKET_K_PER_S = 4.0 / 60.0

# Values may always differ by this much, and by more where the probe has been noisier, up to the second figure.
DIFFER_K = 1.5
DIFFER_AT_MOST_K = 5.0

# A new level is believed when this many values, over this long, agree with one another; or two, over longer.
LEVEL_VALUES = 3
LEVEL_S = 20.0
SPARSE_LEVEL_S = 90.0
LEVEL_SHARE = 0.7

# Hampel identifier: further from the neighbours' median than 3 scaled MADs; the scale is floored at the coarsest
# common sensor step (0.25 °C), because the MAD of quantised values is often 0.
HAMPEL_T = 3.0
MAD_TO_SD = 1.4826
SENSOR_STEP_K = 0.25
LEAST_SPIKE_K = 1.5  # less than this misleads nobody, and ordinary noise reaches it once in some ten thousand values

# What a common digital sensor shows when it has just started; a plausible batch temperature all the same.
POWER_ON_C = 85.0

_MOST_CANDIDATES = 6
_FORGET_CANDIDATE_S = 600.0


@dataclass(slots=True)
class _Candidate:
    """A level that the probe may have gone to."""

    time_s: float
    value_c: float
    members: list[Reading]
    others: int = 0

    def is_a_level(self) -> bool:
        """Whether enough agree, for long enough, to believe that the probe has moved here."""
        n = len(self.members)
        if n < 2 or n < LEVEL_SHARE * (n + self.others):
            return False
        if all(member.temperature_c == POWER_ON_C for member in self.members):
            return False
        span_s = self.time_s - self.members[0].time_s
        return span_s >= SPARSE_LEVEL_S or (n >= LEVEL_VALUES and span_s >= LEVEL_S)


@dataclass(slots=True)
class Follower:
    """Follows one probe's values in time order. ``take`` says "" (believed) or a reason; ``revised`` collects
    readings whose verdict a later value changed, with the new one."""

    time_s: float | None = None
    value_c: float = 0.0
    level_since_s: float = 0.0
    believed: int = 0
    jitter_k: float = 0.2  # mean change from one value to the next, outliers clipped
    jitters_k: tuple[float, float] = (0.2, 0.2)  # what it was before the last two values
    other_time_s: float | None = None
    other_value_c: float = 0.0
    at_85_from_s: float | None = None  # since when nothing but 85.0 has come
    last: deque[Reading] = field(default_factory=lambda: deque(maxlen=5))
    candidates: list[_Candidate] = field(default_factory=list)
    revised: list[tuple[Reading, str]] = field(default_factory=list)
    moved: tuple[float, float, float, float] | None = None  # from when and what to when and what it went, at the last

    def start_from(self, time_s: float, value_c: float) -> None:
        """Follow on from a value believed elsewhere."""
        self.time_s, self.value_c, self.level_since_s = time_s, value_c, time_s
        self.other_time_s, self.other_value_c = time_s, value_c
        self.believed = 100
        self.last.clear()

    def tolerance_k(self, apart_s: float) -> float:
        """How far two values of one undisturbed probe may differ, K."""
        return min(max(DIFFER_K, 4.5 * self.jitter_k), DIFFER_AT_MOST_K) + BUCKET_K_PER_S * apart_s

    def take(self, reading: Reading, value_c: float) -> str:
        """The verdict on the next value, in time order: "" or "rate", "spike", "power_on_85"."""
        time_s = reading.time_s
        if value_c != POWER_ON_C:
            self.at_85_from_s = None
        elif self.at_85_from_s is None:
            self.at_85_from_s = time_s
        if self.time_s is None:
            if value_c == POWER_ON_C:
                self._doubt(reading, value_c)
                return "power_on_85"
            self._believe(reading, value_c)
            self.level_since_s = time_s
            if self.candidates:
                self._weigh_candidates(time_s)
            return ""
        change_k = abs(value_c - self.value_c)
        self.jitters_k = (self.jitters_k[1], self.jitter_k)
        self.jitter_k += 0.1 * (min(change_k, 3.0) - self.jitter_k)
        if change_k <= self.tolerance_k(time_s - self.time_s) and (value_c != POWER_ON_C or self._may_be_85(time_s)):
            if self.candidates and change_k > DIFFER_K:
                self._take_along(time_s, value_c)
            self._believe(reading, value_c)
            if self.candidates:
                self._weigh_candidates(time_s)
            return ""
        if self._doubt(reading, value_c):
            return "power_on_85" if value_c == POWER_ON_C else "rate"
        return ""

    def _may_be_85(self, time_s: float) -> bool:
        """Whether an exact 85.0 is where the neighbours say the batch is.

        One 85.0 after the other says no more than the first: a sensor that is under-supplied goes on with them, while
        the batch may well come there in time.
        """
        if self.other_time_s is None:
            return False
        from_s = time_s if self.at_85_from_s is None else self.at_85_from_s
        return abs(POWER_ON_C - self.other_value_c) <= _near_85_k(from_s - self.other_time_s)

    def _believe(self, reading: Reading, value_c: float) -> None:
        self.time_s, self.value_c = reading.time_s, value_c
        if value_c != POWER_ON_C:
            self.other_time_s, self.other_value_c = reading.time_s, value_c
        self.believed += 1
        self.last.append(reading)
        if len(self.last) >= 3:
            self._look_for_spike()

    def _look_for_spike(self) -> None:
        """Hampel identifier on the value before the newest, when it stands out to one side of both its neighbours."""
        last = self.last
        centre = last[-2]
        here, before, after = _value(centre), _value(last[-3]), _value(last[-1])
        above_before, above_after = here - before, here - after
        # A quick way out for nearly every reading.
        if above_before * above_after <= 0.0 or min(abs(above_before), abs(above_after)) <= LEAST_SPIKE_K:
            return
        neighbours = sorted(_value(reading) for reading in last if reading is not centre)
        middle = _median(neighbours)
        scale = MAD_TO_SD * _median(sorted(abs(x - middle) for x in neighbours))
        # The newest stands for only one neighbour on its side, so noise of the probe itself widens the limit too.
        limit = max(LEAST_SPIKE_K, HAMPEL_T * max(scale, SENSOR_STEP_K), 6.0 * self.jitters_k[0])
        if abs(here - middle) > limit:
            self.revised.append((centre, "spike"))
            del last[-2]

    def _doubt(self, reading: Reading, value_c: float) -> bool:
        """Put a value that jumped beside others like it; False when it is believed after all."""
        time_s = reading.time_s
        found: _Candidate | None = None
        for candidate in self.candidates:
            near = abs(value_c - candidate.value_c) <= self.tolerance_k(time_s - candidate.time_s)
            if near and (found is None or abs(value_c - candidate.value_c) < abs(value_c - found.value_c)):
                found = candidate
        for candidate in self.candidates:
            if candidate is not found:
                candidate.others += 1
        if found is None:
            self.candidates.append(_Candidate(time_s, value_c, [reading]))
            self._forget_candidates(time_s)
            return True
        found.members.append(reading)
        found.time_s, found.value_c = time_s, value_c
        if not found.is_a_level():
            return True
        self._move_to(found)
        return False

    def _move_to(self, level: _Candidate) -> None:
        """The probe has gone to another level: believe what was doubted there."""
        if self.believed <= 2:
            # What came first was the stray one.
            self.revised.extend((reading, "spike") for reading in self.last)
        first = level.members[0]
        if self.believed > 2 and self.time_s is not None:
            self.moved = (self.time_s, self.value_c, first.time_s, _value(first))
        self.candidates.clear()
        self.last.clear()
        self.level_since_s = level.members[0].time_s
        self.revised.extend((member, "") for member in level.members)
        self.last.extend(level.members[-2:])
        newest = level.members[-1]
        self.time_s, self.value_c = newest.time_s, _value(newest)
        others = [member for member in level.members if member.temperature_c != POWER_ON_C]
        self.other_time_s, self.other_value_c = others[-1].time_s, _value(others[-1])
        self.believed = len(level.members)
        self.jitter_k = min(self.jitter_k, 0.5)

    def _take_along(self, time_s: float, value_c: float) -> None:
        """What was doubted before was no spike, when a value that may follow by now agrees with that rather."""
        found = self.candidates[-1]
        apart_k = abs(value_c - found.value_c)
        alone = found.others == 0 and found.value_c != POWER_ON_C and self.time_s is not None
        if not alone or apart_k > DIFFER_K + BUCKET_K_PER_S * (time_s - found.time_s) / 2.0:
            return
        if apart_k >= 0.5 * abs(value_c - self.value_c):
            return
        first = found.members[0]
        if self.believed > 2 and self.time_s is not None:
            self.moved = (self.time_s, self.value_c, first.time_s, _value(first))
        self.revised.extend((member, "") for member in found.members)
        self.candidates.pop()

    def _weigh_candidates(self, time_s: float) -> None:
        """The probe is where it was: what stood apart was a spike, unless it still may win."""
        for candidate in self.candidates:
            if candidate.value_c == POWER_ON_C and time_s - candidate.time_s <= SPARSE_LEVEL_S + LEVEL_S:
                # What stood alone at 85.0 has found its neighbours, when the batch goes on from there.
                # A probe that shows 85.0 again and again looks noisy by that alone, so its noise excuses nothing.
                if abs(self.value_c - POWER_ON_C) <= _near_85_k(time_s - candidate.time_s):
                    self.revised.extend((member, "") for member in candidate.members)
                candidate.members = []  # the nearest neighbour has spoken; a later one would only say less
                continue
            candidate.others += 1
            if candidate.others == 1 and len(candidate.members) <= 2:
                for member in candidate.members:
                    if member.temperature_c != POWER_ON_C:
                        self.revised.append((member, "spike"))
        self._forget_candidates(time_s)

    def _forget_candidates(self, time_s: float) -> None:
        self.candidates = [
            c
            for c in self.candidates[-_MOST_CANDIDATES:]
            if c.members and time_s - c.time_s <= _FORGET_CANDIDATE_S and c.others <= 2 + len(c.members)
        ]


def _near_85_k(apart_s: float) -> float:
    """How far from 85.0 a neighbour in time may be that speaks for it, K."""
    return DIFFER_K + 0.75 * BUCKET_K_PER_S * min(apart_s, 120.0)


def _value(reading: Reading) -> float:
    assert reading.temperature_c is not None
    return reading.temperature_c


def _median(ordered: list[float]) -> float:
    n = len(ordered)
    middle = n // 2
    return ordered[middle] if n % 2 else 0.5 * (ordered[middle - 1] + ordered[middle])
