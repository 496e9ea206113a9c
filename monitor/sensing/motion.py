"""Two books kept on every probe: how long its value has stood still, and whether it fell out of the paste."""

from __future__ import annotations

from collections import deque

# Stuck: the same to the last bit for so long, while by its own earlier slope it should have moved this far.
STUCK_S = 300.0
STUCK_COARSE_S = 600.0
COARSE_STEP_K = 0.2
STUCK_MOVES_K = 0.75
STUCK_MOVES_STEPS = 3.0
STUCK_LIVELY_READINGS = 12  # or: it never stood still before (same value in under 30 %), and now for so many readings
STUCK_LIVELY_SHARE = 0.3

# Out of the paste: no bucket falls this far in ten minutes. Less will do when it comes down to the air.
FALL_S = 600.0
FALL_K = 15.0
FALL_TO_AIR_K = 10.0
FALL_STAYS_S = 40.0
NEAR_AIR_K = 4.0
NEAR_AIR_SHARE = 0.25
BACK_IN_K = 8.0


class Standstill:
    """How long a probe's value has been the same to the last bit, and how it was before."""

    __slots__ = ("pairs", "readings", "same_share", "since_s", "step_k", "stuck", "until_s", "value_c")

    def __init__(self) -> None:
        self.step_k = 1.0
        self.forget()

    def forget(self) -> None:
        self.since_s = self.until_s = 0.0
        self.value_c = float("nan")
        self.readings = 0
        self.pairs = 0
        self.same_share = 1.0
        self.stuck = False

    def take(self, time_s: float, value_c: float) -> bool:
        """Count a value in; whether the probe is known to be stuck on it."""
        if value_c == self.value_c:
            self.readings += 1
            self.until_s = time_s
            return self.stuck
        if self.readings:
            # A share that forgets over some 30 pairs; the stretch that ends now is counted in only now.
            same = self.readings - 1
            self.pairs += same + 1
            faded = (1.0 - 1.0 / 30.0) ** same
            self.same_share = (1.0 - (1.0 - self.same_share) * faded) * (1.0 - 1.0 / 30.0)
            step_k = abs(value_c - self.value_c)
            self.step_k = max(min(self.step_k, step_k), 0.05)
        self.value_c, self.since_s, self.until_s, self.readings, self.stuck = value_c, time_s, time_s, 1, False
        return False

    @property
    def lasted_s(self) -> float:
        """How long the value has been the same, s."""
        return self.until_s - self.since_s

    def may_be_stuck(self) -> bool:
        """Whether the stretch is long enough to be worth a question; coarse sensors rest longer by nature."""
        least_s = STUCK_COARSE_S if self.step_k >= COARSE_STEP_K else STUCK_S
        return self.readings >= 3 and self.lasted_s >= least_s

    def should_have_moved(self, expected_k: float) -> bool:
        """Whether so much expected movement would have shown through the sensor's steps."""
        return expected_k >= max(STUCK_MOVES_K, STUCK_MOVES_STEPS * self.step_k)

    def never_stood_still_before(self) -> bool:
        """Whether the probe's own noise has vanished: neighbours were seldom equal, and now are for long."""
        return self.pairs >= 30 and self.same_share < STUCK_LIVELY_SHARE and self.readings >= STUCK_LIVELY_READINGS


class Fall:
    """Whether a paste probe fell as only one that left the paste does."""

    __slots__ = ("_deep_for_s", "_deep_from_s", "_high", "_low", "_out", "_three", "air_c", "at_c", "from_c", "since_s")

    def __init__(self) -> None:
        self.air_c: float | None = None  # the first it showed: before it went in, most likely the air
        self.start_again()

    def start_again(self) -> None:
        """Forget what it showed, but not the air."""
        self._three: deque[tuple[float, float]] = deque(maxlen=3)
        self._deep_from_s: float | None = None
        self._deep_for_s = 0.0
        self._high: deque[tuple[float, float]] = deque()  # falling values of the last ten minutes: its first is the top
        self._low: deque[tuple[float, float]] = deque()  # rising ones: its first is the bottom
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
        while high and high[-1][1] <= value_c:
            high.pop()
        high.append((middle_s, value_c))
        while high[0][0] < time_s - FALL_S:
            high.popleft()
        while low and low[-1][1] >= value_c:
            low.pop()
        low.append((middle_s, value_c))
        while low[0][0] < time_s - FALL_S:
            low.popleft()
        self.at_c = value_c
        top_c = high[0][1]
        if self.since_s is None:
            if top_c - value_c >= FALL_TO_AIR_K:
                self.from_c = top_c
                # The last that was near the top: the first that fell may be among those that were rejected.
                self.since_s = max(t for t, v in high if v > top_c - 3.0)
                self._deep_from_s = None
        elif value_c - low[0][1] >= BACK_IN_K:
            self.since_s = None
            self._out = False
            high.clear()
            high.append((time_s, value_c))
        if self.since_s is not None:
            deep = self.from_c - value_c >= FALL_TO_AIR_K
            if not deep:
                self._deep_from_s = None
            elif self._deep_from_s is None:
                self._deep_from_s = time_s
            self._deep_for_s = time_s - self._deep_from_s if self._deep_from_s is not None else 0.0

    def is_out(self, ambient_c: float | None) -> bool:
        """Whether the fall is one out of the paste; one to the air's temperature needs to be less deep."""
        if self.since_s is None or (self._deep_for_s < FALL_STAYS_S and not self._out):
            return False
        if self.from_c - self.at_c >= FALL_K:
            self._out = True
        elif ambient_c is not None and self.from_c - ambient_c >= FALL_TO_AIR_K:
            near_k = max(NEAR_AIR_K, NEAR_AIR_SHARE * (self.from_c - ambient_c))
            self._out = self._out or self.at_c - ambient_c <= near_k
        return self._out
