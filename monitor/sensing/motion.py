"""Books kept on every probe: how long its value stood still, whether it fell out of the paste, whether it jumped."""

from __future__ import annotations

import math
from collections import deque

# Stuck: the same value for so long, while by its own earlier slope it should have moved this far. A batch that rises
# comes to rest at its peak; one that cools goes on cooling, so less is asked of it.
STUCK_S = 300.0
STUCK_COARSE_S = 600.0
COARSE_STEP_K = 0.2
STUCK_COOLING_K = 0.75
STUCK_RISING_K = 1.0
STUCK_MOVES_STEPS = 3.0
STUCK_RISING_STEPS = 4.0
# A node that converts voltages computes the same value a little otherwise each time.
SAME_K = 0.004

# Or: it stopped at once. A batch slows down by degrees, and a lagging probe follows it; the last two changes before a
# rest that is one are of a step or two.
ABRUPT_STEPS = 4.0
ABRUPT_K = 0.5
# Of values further apart than this nobody knows how they changed in between; and a few may be the same by chance.
ABRUPT_WITHIN_S = 60.0
ABRUPT_READINGS = 8
# Long before it can be called stuck it can be asked whether it is.
DOUBTED_S = 60.0
DOUBTED_STEPS = 3.0

# Or: its own noise has vanished. Noise shows as changes of direction, which no trend has; by how often there were any,
# so many equal values in a row have a chance of one in ten million, even half way between two steps of a sensor. Next
# to a step any noise turns the value about, so turns between two neighbouring values count only when taken over a long
# stretch with several steps in it.
NOISE_PAIRS = 30
NOISE_MEMORY = 60.0
LIVELY_TURNS = 0.45
LIVELY_SAME = 0.4
BLOCK_PAIRS = 120
BLOCK_STEPS = 4.0
LEAST_TURNS = 0.2
ODDS_LOG = 16.0
FEWEST_STILL = 12
NOISE_STILL_S = 600.0
_MID_STEP = math.sqrt(0.125)

# Or: it hardly moved for longer than any bucket rests. In two simulators of many batches none stayed within 0.3 K for
# more than 88, and within 0.6 K for more than 127 kelvin (over the air) times hours: the longest rests are those of
# big, boxed batches at their peak.
REST_BAND_K = 0.4
REST_K_HOURS = 160.0
REST_LEAST_S = 5400.0
GAP_S = 1200.0
REST_OVER_AIR_K = 15.0
BOILING_C = 93.0  # what boils rests as long as it likes; even in the hills it is hotter than this
# By its slope before, halved, it should have left the band so many times over.
REST_MOVES_K = 2.0

# Out of the paste: no bucket falls this far in ten minutes. Less will do when it comes down to the air, or most of the
# way. A frosty bare bucket loses 8 K; the top and the wall go with the lid and the cover.
FALL_S = 600.0
FALL_K = 15.0
FALL_CORE_K = 11.0
FALL_STARTS_K = 3.0
# Where nobody measures the air, what the probe showed before it went in tells it to some kelvin.
FALL_TO_FIRST_K = 7.0
FIRST_AIR_K = 5.0
AIR_AT_MOST_C = 35.0
FALL_TO_AIR_SHARE = 0.5  # what is left to the air, of what it fell
HALF_OUT_K = 5.0
HALF_OUT_SHARE = 0.3  # of what it stood over the air; a bucket loses an eighth in ten minutes, a cold re-blend as much
HALF_OUT_OUTER_K = 8.0
HALF_OUT_OUTER_SHARE = 0.4
FALL_STAYS_S = 40.0
BACK_IN_SHARE = 0.5
BACK_IN_K = 8.0
# A small fall or rise must stand out of the probe's noise.
NOISES = 6.0
# Pushed into paste that is hardly warmer than the air: up by so much within ten minutes, and there to stay.
ROSE_K = 3.0
ROSE_STAYS_S = 90.0
BACK_OVER_AIR_K = 2.0  # less than that is the air's own rise in the morning

# A jump up within the paste, further than a lively batch gets in the time between two readings.
JUMP_K = 6.0
JUMP_BACK_SHARE = 0.35
# It is undone by going back as it came, or by a hand at the bucket: a batch that cools gets there too, in hours, and
# its probe shows too much all the same.
JUMP_FALLS_SHARE = 0.5

# What has glided for so long where no paste can be comes back from there with the same error. The contact of an
# amplifier that stood at its end comes back at once.
BEYOND_S = 600.0
BEYOND_K = 1.5
BEYOND_K_PER_S = 4.0 / 60.0


# Values thinned to those that nothing newer tops (HIGHEST) or undercuts (LOWEST): the first is the extreme.
_Extremes = deque[tuple[float, float]]
HIGHEST, LOWEST = 1.0, -1.0


def _push(extremes: _Extremes, time_s: float, value_c: float, side: float) -> None:
    while extremes and side * extremes[-1][1] <= side * value_c:
        extremes.pop()
    extremes.append((time_s, value_c))


def _forget_before(extremes: _Extremes, time_s: float) -> None:
    while extremes[0][0] < time_s:
        extremes.popleft()


class _Block:
    """A stretch of readings: how many pairs of neighbours, how many turns, how far the values went."""

    __slots__ = ("high_c", "low_c", "pairs", "turns")

    def __init__(self) -> None:
        self.pairs = self.turns = 0
        self.high_c, self.low_c = -math.inf, math.inf

    def take(self, value_c: float, pairs: int, *, turned: bool) -> None:
        self.pairs += pairs
        self.turns += turned
        self.high_c, self.low_c = max(self.high_c, value_c), min(self.low_c, value_c)


class Standstill:
    """How long a probe's value has been the same, or nearly, and how it was before."""

    __slots__ = (
        "_abrupt", "_block", "_change_k", "_high", "_last_block", "_low", "_same_share", "_turns_share", "_was_up",
        "pairs", "readings", "rest_since_s", "since_s", "step_k", "stuck_since_s", "until_s", "value_c",
    )  # fmt: skip

    def __init__(self) -> None:
        self.step_k = 1.0
        self._turns_share = 0.0
        self._same_share = 1.0
        self._block = self._last_block = _Block()
        self.pairs = 0
        self.forget()

    def forget(self) -> None:
        """Begin anew; the sensor's step and its noise are remembered."""
        self.since_s = self.until_s = self.rest_since_s = 0.0
        self.value_c = float("nan")
        self.readings = 0
        self._was_up: bool | None = None
        self._change_k = 0.0  # the one that led to the present value
        self._abrupt = False
        self.stuck_since_s: float | None = None
        self._high: _Extremes = deque()
        self._low: _Extremes = deque()

    def take(self, time_s: float, value_c: float) -> bool:
        """Count a value in; whether the probe is known to be stuck on it."""
        if self.readings and time_s - self.until_s > GAP_S:
            self.forget()  # what went on meanwhile nobody knows
        if abs(value_c - self.value_c) <= SAME_K:
            self.readings += 1
            self.until_s = time_s
            return self.stuck_since_s is not None
        if self.readings:
            self._count_change(value_c - self.value_c)
            self._keep_band(self.until_s, self.value_c)
            change_k, before_k = value_c - self.value_c, self._change_k
            if time_s - self.until_s > ABRUPT_WITHIN_S:
                change_k = 0.0
            least_k = max(ABRUPT_STEPS * self.step_k, ABRUPT_K)
            self._abrupt = change_k * before_k > 0.0 and min(abs(change_k), abs(before_k)) >= least_k
            self._change_k = change_k
        self.value_c, self.since_s, self.until_s, self.readings = value_c, time_s, time_s, 1
        self._keep_band(time_s, value_c)
        # Stuck to the last bit, or within the band: over as soon as it is neither.
        if self.stuck_since_s is not None and self.rest_since_s > self.stuck_since_s:
            self.stuck_since_s = None
        return self.stuck_since_s is not None

    def _count_change(self, change_k: float) -> None:
        """How often the value stayed and how often the direction turned; the stretch that ends now counts only now."""
        same = self.readings - 1
        self.pairs += same + 1
        up = change_k > 0.0
        turned = self._was_up is not None and up != self._was_up
        self._was_up = up
        keep = 1.0 - 1.0 / NOISE_MEMORY
        faded = keep**same
        self._turns_share = self._turns_share * faded * keep + turned / NOISE_MEMORY
        self._same_share = (1.0 - (1.0 - self._same_share) * faded) * keep
        block = self._block
        if block.pairs >= BLOCK_PAIRS:
            self._last_block, block = block, _Block()
            self._block = block
        block.take(self.value_c, same + 1, turned=turned)
        self.step_k = max(min(self.step_k, abs(change_k)), 0.05)

    def _keep_band(self, time_s: float, value_c: float) -> None:
        """Since when the latest values have all been within the band."""
        high, low = self._high, self._low
        if not high:
            self.rest_since_s = time_s
        _push(high, time_s, value_c, HIGHEST)
        _push(low, time_s, value_c, LOWEST)
        while high[0][1] - low[0][1] > REST_BAND_K:
            (high if high[0][0] < low[0][0] else low).popleft()
            self.rest_since_s = min(high[0][0], low[0][0])

    @property
    def lasted_s(self) -> float:
        """How long the value has been the same, s."""
        return self.until_s - self.since_s

    @property
    def rested_s(self) -> float:
        """How long the values have stayed within the band, s."""
        return self.until_s - self.rest_since_s if self.readings else 0.0

    def may_be_stuck(self) -> bool:
        """Whether the stretch is long enough to be worth a question; coarse sensors rest longer by nature."""
        least_s = STUCK_COARSE_S if self.step_k >= COARSE_STEP_K else STUCK_S
        return self.readings >= 3 and self.lasted_s >= least_s

    def stopped_at_once(self) -> bool:
        """Whether it went on at a good pace until it stood still, and has stood still since for long enough."""
        return self._abrupt and self.readings >= ABRUPT_READINGS and self.may_be_stuck()

    def is_doubted(self, expected_k: float) -> bool:
        """Whether it has stood still for as long as makes one ask, by its pace before, whether it is stuck."""
        if self.readings < 3 or self.lasted_s < DOUBTED_S:
            return False
        return self._abrupt or abs(expected_k) >= DOUBTED_STEPS * self.step_k

    def should_have_moved(self, expected_k: float) -> bool:
        """Whether so much expected movement (signed) would have shown through the sensor's steps."""
        if expected_k < 0.0:
            return -expected_k >= max(STUCK_COOLING_K, STUCK_MOVES_STEPS * self.step_k)
        return expected_k >= max(STUCK_RISING_K, STUCK_RISING_STEPS * self.step_k)

    def noise_has_vanished(self) -> bool:
        """Whether the probe showed noise, and has now been still for longer than such noise ever is."""
        if self.pairs < NOISE_PAIRS or self.readings < FEWEST_STILL or self.lasted_s < NOISE_STILL_S:
            return False
        turns, same = self._turns_share, self._same_share
        # White noise of s steps changes the value in about 1.128 s of the readings while s is small, and leaves it in
        # 0.282 / s of them while s is large. A value half way between two steps stays with erf(step / (sqrt(8) sd)).
        if turns >= LIVELY_TURNS and same <= LIVELY_SAME:
            noise_steps = max(turns / 1.128, 0.282 / max(same, 0.02))
        else:
            before, now = self._last_block, self._block
            pairs = before.pairs + now.pairs
            wide_k = max(before.high_c, now.high_c) - min(before.low_c, now.low_c)
            if pairs < BLOCK_PAIRS or wide_k < BLOCK_STEPS * self.step_k:
                return False
            turns = min((b.turns / b.pairs for b in (before, now) if b.pairs >= NOISE_PAIRS), default=0.0)
            if turns < LEAST_TURNS:
                return False
            noise_steps = turns / 1.128
        stays = math.erf(_MID_STEP / noise_steps)
        return self.readings * -math.log(stays) >= ODDS_LOG

    def rests_too_long(self, over_air_k: float) -> bool:
        """Whether it has stayed within the band for longer than a bucket so far above the air ever does."""
        rested_s = self.rested_s
        if rested_s < REST_LEAST_S or over_air_k < REST_OVER_AIR_K or self.value_c >= BOILING_C:
            return False
        return rested_s / 3600.0 * over_air_k >= REST_K_HOURS


class Rise:
    """When a probe last went up, and stayed up, as one pushed into something warm."""

    __slots__ = ("_low", "_since_s", "rose_s")

    def __init__(self) -> None:
        self._low: _Extremes = deque()  # of the last ten minutes
        self._since_s: float | None = None
        self.rose_s: float | None = None

    def take(self, time_s: float, value_c: float, noise_k: float) -> None:
        """Count a value in; ``noise_k`` is the probe's noise."""
        low = self._low
        _push(low, time_s, value_c, LOWEST)
        _forget_before(low, time_s - FALL_S)
        if value_c - low[0][1] < max(ROSE_K, NOISES * noise_k):
            self._since_s = None
        elif self._since_s is None:
            self._since_s = time_s
        elif time_s - self._since_s >= ROSE_STAYS_S:
            self.rose_s = time_s


class Jump:
    """Whether a probe in the paste went up at once, further than a batch can."""

    __slots__ = ("_high", "from_c", "since_s", "to_c")

    def __init__(self) -> None:
        self.since_s: float | None = None
        self.from_c = self.to_c = 0.0
        self._high: _Extremes = deque()  # of the last ten minutes, or the last before them

    def begin(self, time_s: float, from_c: float, to_c: float) -> None:
        """The probe has gone from one level to another."""
        self.since_s, self.from_c, self.to_c = time_s, from_c, to_c
        self._high = deque([(time_s, to_c)])

    def is_undone_by(self, time_s: float, value_c: float) -> bool:
        """Count a value in; whether it lies about where the probe was before it jumped, or lower, and fell there."""
        high, height_k = self._high, self.to_c - self.from_c
        _push(high, time_s, value_c, HIGHEST)
        while len(high) > 1 and high[1][0] <= time_s - FALL_S:
            high.popleft()
        fell_k = high[0][1] - value_c
        return value_c <= self.from_c + JUMP_BACK_SHARE * height_k and fell_k >= JUMP_FALLS_SHARE * height_k


class Beyond:
    """Whether a paste probe glides, or has glided here, from where no paste can be, as one does in another unit."""

    __slots__ = ("_since_s", "_time_s", "_value_c")

    def __init__(self) -> None:
        self._since_s = self._value_c = 0.0
        self._time_s: float | None = None

    def take(self, time_s: float, value_c: float, *, possible: bool) -> bool:
        """Count a value in; whether it cannot be believed. ``possible``: by itself it could be a paste's."""
        follows = self._time_s is not None and time_s - self._time_s <= GAP_S
        if follows:
            assert self._time_s is not None
            follows = abs(value_c - self._value_c) <= BEYOND_K + BEYOND_K_PER_S * (time_s - self._time_s)
        if possible and not (follows and time_s - self._since_s >= BEYOND_S):
            self._time_s = None
            return False
        if not follows:
            self._since_s = time_s
        self._time_s, self._value_c = time_s, value_c
        return True


class Fall:
    """Whether a paste probe fell as only one that left the paste does. ``outer``: it sits where lid or cover are."""

    __slots__ = (
        "_deep_for_s", "_deep_from_s", "_high", "_low", "_out", "_three", "air_c", "air_now_c", "at_c", "from_c",
        "noise_k", "outer", "since_s",
    )  # fmt: skip

    def __init__(self, *, outer: bool = False) -> None:
        self.outer = outer
        self.air_now_c: float | None = None  # by another probe
        self.noise_k = 0.0
        self.air_c: float | None = None  # the first it showed: before it went in, most likely the air
        self.start_again()

    def start_again(self) -> None:
        """Forget what it showed, but not the air."""
        self._three: deque[tuple[float, float]] = deque(maxlen=3)
        self._deep_from_s: float | None = None
        self._deep_for_s = 0.0
        self._high: _Extremes = deque()  # of the last ten minutes
        self._low: _Extremes = deque()
        self._out = False
        self.since_s: float | None = None
        self.from_c = 0.0
        self.at_c = 0.0

    def take(self, time_s: float, value_c: float) -> None:
        high, low = self._high, self._low
        if self.air_c is None:
            self.air_c = value_c
        # The middle of three, so that one stray value that was believed makes no fall.
        three = self._three
        if three and time_s - three[-1][0] > 0.5 * FALL_S:
            three.clear()
        three.append((time_s, value_c))
        middle_s = time_s
        if len(three) == 3:
            middle_s, value_c = three[1][0], sorted(v for _, v in three)[1]
        for extremes, side in ((high, HIGHEST), (low, LOWEST)):
            _push(extremes, middle_s, value_c, side)
            _forget_before(extremes, time_s - FALL_S)
        self.at_c = value_c
        if self._out:
            rose_k = value_c - low[0][1]
            over_air = self.air_now_c is None or value_c - self.air_now_c >= BACK_OVER_AIR_K
            if over_air and rose_k >= min(BACK_IN_K, BACK_IN_SHARE * (self.from_c - low[0][1])):
                self.since_s = self._deep_from_s = None
                self._out = False
                high.clear()
                high.append((time_s, value_c))
            return
        top_c = high[0][1]
        if top_c - value_c < FALL_STARTS_K:
            self.since_s = self._deep_from_s = None
            return
        self.from_c = top_c
        if self.since_s is None:
            # The last that was near the top: the first that fell may be among those that were rejected.
            self.since_s = max(t for t, v in high if v > top_c - 3.0)
            self._deep_from_s = time_s
        self._deep_for_s = time_s - (self._deep_from_s or time_s)

    def is_out(self, ambient_c: float | None) -> bool:
        """Whether the fall is one out of the paste; one to the air, or most of the way, needs to be less deep."""
        if self.since_s is None:
            return False
        if self._deep_for_s >= FALL_STAYS_S and not self._out:
            self._out = self._is_deep(ambient_c)
        return self._out

    def _is_deep(self, ambient_c: float | None) -> bool:
        fell_k = self.from_c - self.at_c
        if fell_k >= (FALL_K if self.outer else FALL_CORE_K):
            return True
        if ambient_c is None:
            first_c = self.air_c
            known = first_c is not None and first_c <= min(AIR_AT_MOST_C, self.from_c - FALL_TO_FIRST_K)
            return known and fell_k >= FALL_TO_FIRST_K and self.at_c <= (first_c or 0.0) + FIRST_AIR_K
        if fell_k < NOISES * self.noise_k:
            return False
        if self.at_c - ambient_c <= FALL_TO_AIR_SHARE * fell_k:
            return True
        least_k = HALF_OUT_OUTER_K if self.outer else HALF_OUT_K
        share = HALF_OUT_OUTER_SHARE if self.outer else HALF_OUT_SHARE
        return fell_k >= max(least_k, share * (self.from_c - ambient_c))
