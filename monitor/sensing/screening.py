"""Which readings to believe, and why not; and what is wrong with a probe.

One ``ProbeScreen`` per probe. Every reading is judged from what has arrived so far, at the next tick, and once more
when later neighbours speak for or against it. Nothing is thrown away: a rejected reading keeps its reason.
"""

from __future__ import annotations

import math
from array import array
from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from itertools import pairwise

from monitor.domain import AMBIENT, PASTE_PROBES, ProbeHealth, Reading
from monitor.sensing.clocks import LaggingLines
from monitor.sensing.following import BUCKET_K_PER_S, MAD_TO_SD, POWER_ON_C, Follower
from monitor.sensing.motion import (
    BOILING_C,
    JUMP_K,
    REST_MOVES_K,
    Beyond,
    Fall,
    Jump,
    Rise,
    Standstill,
)

LOST_C = -127.0  # what a common host library gives for a digital sensor that does not answer

REASONS = (
    "", "open", "short-gnd", "short-vcc", "not_measured", "out_of_range", "rate", "spike", "power_on_85", "lost_-127",
    "stuck", "noise", "clock",
)  # fmt: skip
_CODE = {reason: code for code, reason in enumerate(REASONS)}
_CONFLICT = "conflict"

PROBLEM_OF = {
    "open": "open", "not_measured": "open", "short-gnd": "short", "short-vcc": "short", "out_of_range": "out_of_range",
    "rate": "noisy", "spike": "noisy", "noise": "noisy", "power_on_85": "lost", "lost_-127": "lost", "stuck": "stuck",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Limits:
    """What a probe may show, and when its silence of change or its scatter is a fault."""

    low_c: float
    high_c: float
    paste: bool
    noise_k: float = 2.5  # robust standard deviation above which nothing can be told from the probe
    window_s: float = 300.0  # health looks back this far, or four readings


def limits_for(probe: str) -> Limits:
    """Usual limits: paste between frost and just above boiling, air between a hard winter and a shed in the sun."""
    if probe == AMBIENT:
        return Limits(low_c=-40.0, high_c=60.0, paste=False)
    return Limits(low_c=-20.0, high_c=115.0, paste=probe in PASTE_PROBES)


@dataclass(frozen=True, slots=True)
class Judged:
    """A verdict: ``reason`` is None for a reading that is believed. A later verdict on the same reading replaces it."""

    reading: Reading
    reason: str | None


# Health. A problem stands when more than half of the window is bad, and goes when few are, or all were good lately.
BAD_SHARE = 0.5
GOOD_SHARE = 0.34
GOOD_AGAIN_READINGS = 6
GOOD_AGAIN_S = 60.0
FEWEST_READINGS = 4
# A loose contact: so large a share cannot be measured, in every quarter of twenty minutes.
LOOSE_SHARE = 0.33
LOOSE_S = 1200.0
LOOSE_READINGS = 8
LOOSE_BREAKS = 4
WIDEST_WINDOW_S = 1200.0
# White noise turns about at two in three of its values.
STORM_TURNS = 0.35
STORM_VALUES = 15
MEAN_TO_SD = 1.2533  # of absolute deviations
HOT_C = 60.0
SUDDEN_S = 150.0

# So far have the other probes gone while a stuck one stood still. At its peak a core rests for half an hour, by a
# coarse sensor to the last bit, while the top cools by 4 K.
MOVED_ELSEWHERE_K = 8.0

# Reversed wires: below the air by this much, which no bucket is, and either below frost or come down to there (an
# ambient probe may hang in a warmer place than the bucket).
BELOW_AIR_K = 8.0
COLD_FOR_PASTE_C = -5.0
YOUNG_RISE = 0.4
# A rest is worth a question after so long.
REST_ASKED_S = 900.0

WARM_C = 38.0  # no shed reads that
OVER_AIR_K = 8.0
# Where nobody measures the air: a warm shed, so that a rest is rather too short for a fault than too long.
AIR_GUESS_C = 22.0
# A probe just pushed in may be pushed further in.
SETTLES_IN_S = 1200.0
HANDLED_S = 900.0

_REMEMBER_S = 3 * 3600.0


class ProbeScreen:
    """Screens one probe: ``take`` readings as they arrive, ``settle`` at ticks, ask ``health``."""

    def __init__(self, probe: str, limits: Limits | None = None) -> None:
        self.probe = probe
        self.limits = limits or limits_for(probe)
        self.duplicates = 0
        self._pending: list[Reading] = []
        self._times = array("d")
        self._values = array("d")
        self._codes = bytearray()
        self._recent: dict[float, Reading] = {}
        self._touched: dict[float, Reading] = {}
        self._follower = Follower()
        self._run = Standstill()
        self._fall = Fall(outer=probe in _OUTER)
        self._jump = Jump()
        self._beyond = Beyond()
        self._rise = Rise()
        self._air_c: float | None = None
        self._warm_since_s: float | None = None
        self._problem: str | None = None
        self._since_s: float | None = None
        self._suddenly = False
        self._sound_from_s = float("-inf")
        self._storm = False
        self._storm_from_s = 0.0
        self._noise_k = 0.0
        self._fresh_from_s = float("-inf")
        self._was_warm = False
        self._lagging = LaggingLines()
        self._misplaced: list[Reading] = []

    # -- feeding ---------------------------------------------------------------------------------------------------

    def take(self, reading: Reading) -> None:
        """Keep a reading for the next ``settle``. Readings are to be given in the order of their arrival."""
        self._pending.append(reading)
        self._misplaced += self._lagging.take(reading)

    @property
    def newest_taken(self) -> Reading | None:
        """The last to arrive of those that wait for the next ``settle``."""
        return self._pending[-1] if self._pending else None

    def settle(self, now_s: float) -> list[Judged]:
        """Verdicts on all readings taken since the last call, and on earlier ones that are now seen otherwise.

        A duplicate (same time, same value) gets none; of two values at one time the first stands and the second is a
        "conflict".
        """
        if not self._pending:
            return []
        pending, self._pending = self._pending, []
        pending.sort(key=_time)
        conflicts: list[Judged] = []
        late: list[Reading] = []
        newest_s = self._times[-1] if self._times else float("-inf")
        for reading in pending:
            if reading.time_s > newest_s:
                newest_s = reading.time_s
                self._take_in_order(reading)
            elif (twin := self._index(reading.time_s)) is None:
                late.append(reading)
            elif self._is_same(twin, reading):
                self.duplicates += 1
            else:
                conflicts.append(Judged(reading, _CONFLICT))
        if late:
            conflicts += self._take_late(late)
        if self._misplaced:
            self._reject_misplaced()
        self._mind_storm()
        self._mind_stuck()
        judged = [Judged(r, REASONS[self._code_at(t)] or None) for t, r in self._touched.items()]
        self._touched.clear()
        if self._recent and newest_s - next(iter(self._recent)) > 2 * _REMEMBER_S:
            self._recent = {t: r for t, r in self._recent.items() if newest_s - t <= _REMEMBER_S}
        return judged + conflicts

    def begin_anew(self, at_s: float) -> None:
        """The grower has moved the probe or changed the batch: what it shows from now on is not held against before."""
        self._fall = Fall(outer=self._fall.outer)
        self._jump = Jump()
        self._beyond = Beyond()
        self._run.forget()
        self._was_warm = False
        self._fresh_from_s = at_s
        if self._problem in _MOTIONS:
            self._problem = self._since_s = None

    # -- judging ---------------------------------------------------------------------------------------------------

    def _first_look(self, reading: Reading) -> str:
        """What one reading alone tells: "" or the reason to reject it."""
        value_c = reading.temperature_c
        if value_c is None:
            return reading.state if reading.state in ("open", "short-gnd", "short-vcc") else "not_measured"
        if value_c == LOST_C:
            return "lost_-127"
        if not self.limits.low_c <= value_c <= self.limits.high_c:
            return "power_on_85" if value_c == POWER_ON_C else "out_of_range"
        return ""

    def _take_in_order(self, reading: Reading) -> None:
        reason = self._first_look(reading)
        value_c = reading.temperature_c
        # Only above: what is below all paste has its wires swapped, and that is told otherwise.
        measured = value_c is not None and value_c > self.limits.low_c and reason in ("", "out_of_range")
        if measured and self.limits.paste:
            assert value_c is not None
            if self._beyond.take(reading.time_s, value_c, possible=not reason):
                reason = "out_of_range"
        if not reason:
            assert value_c is not None
            reason = self._follower.take(reading, value_c)
            if self._follower.revised:
                self._times.append(reading.time_s)
                self._values.append(value_c)
                self._codes.append(_CODE[reason])
                self._touch(reading)
                self._apply_revised(self._follower)
                self._after(reading, value_c, reason)
                return
        self._times.append(reading.time_s)
        self._values.append(float("nan") if value_c is None else value_c)
        self._codes.append(_CODE[reason])
        self._touch(reading)
        self._after(reading, value_c, reason)

    def _after(self, reading: Reading, value_c: float | None, reason: str) -> None:
        """Keep the books of an in-order reading: constant stretches and falls."""
        if value_c is None or reason in ("lost_-127", "out_of_range", "power_on_85"):
            return
        if self._run.take(reading.time_s, value_c) and not reason:
            self._set(reading, "stuck")
            return
        if self.limits.paste and not reason:
            self._mind_jump(reading.time_s, value_c)
            self._fall.take(reading.time_s, value_c)
            self._rise.take(reading.time_s, value_c, self._noise_k)

    def _mind_jump(self, time_s: float, value_c: float) -> None:
        """Whether the probe, in the paste by itself and undisturbed, went up at once by more than a batch can."""
        jump = self._jump
        if jump.since_s is not None and jump.is_undone_by(time_s, value_c):
            self._fall.start_again()
            jump.since_s = None
        moved, self._follower.moved = self._follower.moved, None
        if moved is None or jump.since_s is not None or self._storm or self._fall.since_s is not None:
            return
        from_s, from_c, to_s, to_c = moved
        warm_c = AIR_GUESS_C + OVER_AIR_K if self._air_c is None else self._air_c + OVER_AIR_K
        settled = self._warm_since_s is not None and from_s - self._warm_since_s >= SETTLES_IN_S
        if from_c < warm_c or not settled or from_s - self._fresh_from_s < HANDLED_S or to_s - from_s > SUDDEN_S:
            return
        i = bisect_left(self._times, from_s - 300.0)
        before = [(self._times[k], self._values[k]) for k in range(i, len(self._times)) if self._codes[k] == 0]
        first_s, first_c = before[0] if before else (from_s, from_c)
        pace_k_per_s = max(0.0, from_c - first_c) / (from_s - first_s) if from_s - first_s > 100.0 else BUCKET_K_PER_S
        if to_c - from_c - pace_k_per_s * (to_s - from_s) >= JUMP_K:
            jump.begin(to_s, from_c, to_c)
            self._fall.start_again()

    def _apply_revised(self, follower: Follower) -> None:
        for reading, reason in follower.revised:
            index = self._index(reading.time_s)
            if index is None or REASONS[self._codes[index]] in ("stuck", "noise"):
                continue
            was = self._codes[index]
            self._codes[index] = _CODE[reason]
            if was != self._codes[index]:
                self._touch(reading)
                if not reason and self.limits.paste:
                    assert reading.temperature_c is not None
                    self._fall.take(reading.time_s, reading.temperature_c)
        follower.revised.clear()

    def _take_late(self, late: list[Reading]) -> list[Judged]:
        """Readings that belong between others, oldest first; each is held against its neighbours in time."""
        conflicts: list[Judged] = []
        follower: Follower | None = None
        doubted: list[Reading] = []
        self._merge(late, conflicts)
        for reading in late:
            index = self._index(reading.time_s)
            assert index is not None
            if self._codes[index] != _UNJUDGED:
                continue
            reason = self._first_look(reading)
            if not reason:
                assert reading.temperature_c is not None
                left = self._believed_beside(index, -1)
                if follower is None or (left is not None and left[0] > (follower.time_s or float("-inf"))):
                    follower = Follower()
                    if left is not None:
                        follower.start_from(*left)
                reason = follower.take(reading, reading.temperature_c)
                if reason:
                    doubted.append(reading)
            self._codes[index] = _CODE[reason]
            self._touch(reading)
            if follower is not None and follower.revised:
                self._apply_revised(follower)
        for reading in reversed(doubted):
            index = self._index(reading.time_s)
            assert index is not None and reading.temperature_c is not None
            if self._codes[index] not in (_CODE["rate"], _CODE["power_on_85"]):
                continue
            right = self._believed_beside(index, +1)
            if right is None:
                continue
            change_k = abs(reading.temperature_c - right[1])
            if change_k <= Follower().tolerance_k(min(right[0] - reading.time_s, 60.0)):
                self._set(reading, "")
            elif self._codes[index] == _CODE["rate"]:
                self._set(reading, "spike")
        return conflicts

    def _merge(self, late: list[Reading], conflicts: list[Judged]) -> None:
        """Put late readings in their places, not judged yet. One at a time is quick; many are merged by sorting."""
        fresh: list[Reading] = []
        seen: dict[float, Reading] = {}
        for reading in late:
            twin = seen.get(reading.time_s)
            if twin is None:
                seen[reading.time_s] = reading
                fresh.append(reading)
            elif twin.temperature_c == reading.temperature_c and twin.state == reading.state:
                self.duplicates += 1
            else:
                conflicts.append(Judged(reading, _CONFLICT))
        late[:] = fresh
        start = bisect_left(self._times, fresh[0].time_s)
        tail = [
            *zip(self._times[start:], self._values[start:], self._codes[start:], strict=True),
            *((r.time_s, _number(r.temperature_c), _UNJUDGED) for r in fresh),
        ]
        tail.sort(key=_first)
        del self._times[start:], self._values[start:], self._codes[start:]
        self._times.extend(t for t, _, _ in tail)
        self._values.extend(v for _, v, _ in tail)
        self._codes.extend(c for _, _, c in tail)

    def _believed_beside(self, index: int, step: int) -> tuple[float, float] | None:
        i = self._codes.rfind(0, 0, index) if step < 0 else self._codes.find(0, index + 1)
        return (self._times[i], self._values[i]) if i >= 0 else None

    def _reject_misplaced(self) -> None:
        """What a clock that was behind had placed too early, before it was found out, is not where it belongs."""
        for reading in self._misplaced:
            index = self._index(reading.time_s)
            if index is not None and self._is_same(index, reading):
                self._set(reading, "clock")
        self._misplaced.clear()

    # -- storms and stuck values -----------------------------------------------------------------------------------

    def _window_from(self, window_s: float, fewest: int, *, widest_s: float = WIDEST_WINDOW_S) -> int:
        """Index of the first reading of the last ``window_s``, or of the last ``fewest`` if that reaches further."""
        n = len(self._times)
        start = bisect_left(self._times, self._times[-1] - window_s)
        if n - start < fewest:
            start = max(n - fewest, bisect_left(self._times, self._times[-1] - widest_s), 0)
        return start

    def _mind_storm(self) -> None:
        """While the values scatter wildly about any trend, none of them tells the temperature."""
        self._fall.noise_k = self._noise_k
        quiet = self._follower.jitter_k <= 1.0
        if (quiet and not self._storm) or not self._times:
            self._noise_k = self._follower.jitter_k / 1.128  # mean difference of two Normal values is 1.128 sd
            return
        start = self._window_from(self.limits.window_s, STORM_VALUES, widest_s=2.0 * WIDEST_WINDOW_S)
        indices = [i for i in range(start, len(self._times)) if self._codes[i] in _SCATTERED][-60:]
        values = [self._values[i] for i in indices]
        if len(values) < 8:
            self._storm = False
            return
        self._noise_k = min(_noise_by_neighbours(values), _noise_about_trend(values))
        calm = [abs(values[k] - values[k - 1]) <= self.limits.noise_k for k in range(1, len(values))]
        # What goes one way, as a slow probe pushed into the paste, bends but does not turn about.
        wild = self._storm or _turns_share(values) >= STORM_TURNS
        # So many values tell a small storm from bad luck; a great one shows in eight.
        wild = wild and (self._storm or len(values) >= STORM_VALUES or self._noise_k > 2.0 * self.limits.noise_k)
        if not wild or self._noise_k <= (0.6 if self._storm else 1.0) * self.limits.noise_k:
            if self._storm:
                self._storm = False
                self._end_storm(indices, calm)
            return
        self._fall.start_again()
        if not self._storm:
            self._storm = True
            self._storm_from_s = self._times[indices[calm.index(False) + 1 if False in calm else 0]]
        for i in indices:
            if self._codes[i] != _CODE["noise"] and self._times[i] >= self._storm_from_s:
                reading = self._recent.get(self._times[i])
                if reading is not None:
                    self._set(reading, "noise")

    def _end_storm(self, indices: list[int], calm: list[bool]) -> None:
        """The storm is over: what has been calm since its last jump is believed after all."""
        for k in range(len(indices) - 1, 0, -1):
            reading = self._recent.get(self._times[indices[k]])
            if not calm[k - 1] or reading is None:
                break
            if self._codes[indices[k]] == _CODE["noise"]:
                self._set(reading, "")

    def _mind_stuck(self) -> None:
        run = self._run
        if run.stuck_since_s is not None:
            return
        if run.may_be_stuck():
            expected_k = self._expected_k(run.since_s, run.lasted_s)
            stopped = self.limits.paste and run.stopped_at_once() and run.value_c < BOILING_C
            if stopped or run.noise_has_vanished() or run.should_have_moved(expected_k):
                self._call_stuck(run.since_s)
                return
        if not self.limits.paste or run.rested_s < REST_ASKED_S or run.value_c >= BOILING_C:
            return
        if -self._expected_k(run.rest_since_s, run.rested_s) >= REST_MOVES_K:
            self._call_stuck(run.rest_since_s)

    def _expected_k(self, since_s: float, lasted_s: float) -> float:
        """How far it should have moved since then (signed, K) by its own slope before, halved; 0 where not known.

        The smallest slope of the last five and fifteen minutes counts, if they have one sign; a younger rise may be the
        probe's own, and counts for less. A batch that has been cooling for long does so slowly, and goes on: then the
        last three quarters of an hour tell more.
        """
        if not self.limits.paste:
            return 0.0  # air turns as it likes
        five, quarter = self._slope_before(since_s, 300.0), self._slope_before(since_s, 900.0)
        if five and (quarter is None or five * quarter > 0.0):
            slope = (YOUNG_RISE * five if five > 0.0 else five) if quarter is None else min(five, quarter, key=abs)
            return 0.5 * slope * lasted_s if slope < 0.0 or self._run.value_c < BOILING_C else 0.0
        long = self._slope_before(since_s, 2700.0)
        if long is not None and long < 0.0 and (quarter or 0.0) <= 0.0:
            return 0.5 * long * lasted_s
        return 0.0

    def _slope_before(self, since_s: float, back_s: float) -> float | None:
        """Slope of the believed values over ``back_s`` before a time, K/s, rather too small; None where not known."""
        from_s = max(self._follower.level_since_s, self._fresh_from_s)
        if since_s - back_s < from_s - 60.0:
            return None
        last = bisect_left(self._times, since_s)
        i = max(bisect_right(self._times, since_s - back_s) - 1, 0)
        while i >= 0 and self._codes[i] != 0:
            i -= 1
        if i < 0 or self._times[i] < from_s or self._times[i] < since_s - 2.0 * back_s or last >= len(self._times):
            return None
        # A staircase seen just after its step looks steeper than it is, by up to one step; noise does as much.
        change_k = self._values[last] - self._values[i]
        doubt_k = max(self._run.step_k, 1.5 * self._noise_k)
        return math.copysign(max(0.0, abs(change_k) - doubt_k), change_k) / (since_s - self._times[i])

    def _call_stuck(self, since_s: float) -> None:
        self._run.stuck_since_s = since_s
        first = bisect_right(self._times, since_s)
        for i in range(first, len(self._times)):
            if self._codes[i] == 0:
                reading = self._recent.get(self._times[i])
                if reading is not None:
                    self._set(reading, "stuck")

    # -- health ----------------------------------------------------------------------------------------------------

    @property
    def rose_s(self) -> float | None:
        """When it last went up, and stayed up, as a probe does that is pushed into paste hardly warmer than the air."""
        return self._rise.rose_s

    @property
    def constant_since_s(self) -> float | None:
        """Since when the value has been the same to the last bit, where that is long enough to be worth a question."""
        return self._run.since_s if self._run.may_be_stuck() else None

    def moved_k(self, since_s: float) -> float:
        """How far the believed values have moved since then, K; for holding one probe against another.

        Taken between the medians of eight stretches: the range of hundreds of values is the probe's noise. One that has
        a fault of its own, or is falling out of the paste, tells nothing.
        """
        if self._problem is not None or self._fall.since_s is not None or self._jump.since_s is not None:
            return 0.0
        start = bisect_left(self._times, max(since_s, self._sound_from_s))
        values = [self._values[i] for i in range(start, len(self._times)) if self._codes[i] == 0]
        if not values:
            return 0.0
        each = -(-len(values) // 8)
        middles = [_middle(values[i : i + each]) for i in range(0, len(values), each)]
        return max(middles) - min(middles)

    def health(
        self, now_s: float, *, ambient_c: float | None = None, moved_elsewhere_k: float | None = None
    ) -> ProbeHealth:
        """What is wrong with the probe as of the readings settled so far.

        ``ambient_c``: the air, when another probe tells it. ``moved_elsewhere_k``: how far the other paste probes
        have moved since this one's ``constant_since_s``. Silence is not judged here.
        """
        if not self._times:
            return ProbeHealth()
        run = self._run
        if moved_elsewhere_k is not None and moved_elsewhere_k >= MOVED_ELSEWHERE_K and run.may_be_stuck():
            run.stuck_since_s = run.since_s
        self._mind_air(ambient_c)
        start = self._window_from(self.limits.window_s, FEWEST_READINGS)
        codes = bytes(self._codes[start:]).replace(_CLOCK, b"")  # the node's clock is no fault of the probe
        bad_share = 1.0 - codes.count(0) / len(codes) if codes else 0.0
        self._mind_problem(codes, bad_share, start, ambient_c)
        good = self._codes.rfind(0)
        return ProbeHealth(
            problem=self._problem,
            since_s=self._since_s,
            bad_share=bad_share,
            last_good_s=self._times[good] if good >= 0 else None,
            last_good_c=self._values[good] if good >= 0 else None,
            suddenly=self._problem is not None and self._suddenly,
            noise_k=self._noise_k,
            constant_since_s=run.since_s if run.readings >= 2 else None,
            fell_from_c=self._fall.from_c if self._problem == "out_of_paste" else None,
            doubted=self.limits.paste and run.is_doubted(self._expected_k(run.since_s, run.lasted_s)),
        )

    def _mind_air(self, ambient_c: float | None) -> None:
        """What the air tells: whether the probe is in the paste, and whether it rests there for longer than it can."""
        self._air_c = self._fall.air_now_c = ambient_c
        run = self._run
        if not self.limits.paste or not run.readings:
            return
        warm = run.value_c >= (WARM_C if ambient_c is None else ambient_c + OVER_AIR_K)
        if warm and self._warm_since_s is None:
            self._warm_since_s = run.since_s
        over_air_k = run.value_c - (AIR_GUESS_C if ambient_c is None else ambient_c)
        if run.stuck_since_s is None and run.rests_too_long(over_air_k):
            self._call_stuck(run.rest_since_s)

    def _is_loose(self) -> bool:
        """Whether a contact comes and goes: many cannot be measured, in every part of the last twenty minutes."""
        n = len(self._times)
        start = bisect_left(self._times, self._times[-1] - LOOSE_S)
        if n - start < LOOSE_READINGS:
            return False
        hard = [code in _HARD for code in self._codes[start:]]
        if sum(hard) < LOOSE_SHARE * len(hard):
            return False
        quarters = {
            int((self._times[-1] - self._times[start + i]) * 3.999 / LOOSE_S) for i, bad in enumerate(hard) if bad
        }
        return len(quarters) == 4 and sum(a and not b for a, b in pairwise(hard)) >= LOOSE_BREAKS

    def _mind_problem(self, codes: bytes, bad_share: float, start: int, ambient_c: float | None) -> None:
        reversed_since = self._reversed_since(start, ambient_c) if self.limits.paste else None
        bad = len(codes) - codes.count(0)
        failing = bad_share > BAD_SHARE and bad >= 2
        if bad and not failing:
            hard = sum(code in _HARD for code in codes)
            failing = (hard >= 3 and 2 * hard >= len(codes)) or self._is_loose()
        if self._run.stuck_since_s is not None:
            self._set_problem("stuck", self._run.stuck_since_s)
        elif reversed_since is not None:
            self._set_problem("reversed", reversed_since)
        elif failing:
            reason = REASONS[max(set(codes) - {0}, key=codes.count)]
            self._set_problem(PROBLEM_OF[reason], None)
        elif self._fall.is_out(ambient_c if self._warm_since_s is not None else None):
            self._set_problem("out_of_paste", self._fall.since_s)
        elif self._jump.since_s is not None:
            self._set_problem("rate", self._jump.since_s)
        elif self._problem is not None and not self._still_bad(bad_share):
            self._problem = self._since_s = None
            self._sound_from_s = self._times[-1]

    def _still_bad(self, bad_share: float) -> bool:
        """Hysteresis of the kinds that come from a share of bad readings; the others end by themselves."""
        if self._problem in _MOTIONS or bad_share < GOOD_SHARE:
            return False
        n = len(self._codes)
        lately = self._codes[-GOOD_AGAIN_READINGS:].replace(_CLOCK, b"\0")
        all_good = n >= GOOD_AGAIN_READINGS and not any(lately)
        return not (all_good and self._times[-1] - self._times[-GOOD_AGAIN_READINGS] >= GOOD_AGAIN_S)

    def _set_problem(self, problem: str, since_s: float | None) -> None:
        if problem == self._problem:
            return
        # One fault that shows now as open, now as out of range, has lasted since the first of them.
        goes_on = self._problem is not None and since_s is None and self._since_s is not None
        self._problem = problem
        if goes_on:
            return
        self._since_s = self._first_bad_s() if since_s is None else since_s
        self._suddenly = self._was_hot_before(self._since_s)

    def _first_bad_s(self) -> float:
        """The first bad reading after the last good spell of a minute (at least three readings)."""
        first_bad_s = self._times[-1]
        good = 0
        spell_end_s = 0.0
        for i in range(len(self._codes) - 1, -1, -1):
            if self._codes[i] == _CLOCK[0]:
                continue
            if self._codes[i]:
                first_bad_s = self._times[i]
                good = 0
                continue
            if good == 0:
                spell_end_s = self._times[i]
            good += 1
            if good >= 3 and spell_end_s - self._times[i] >= 60.0:
                break
        return first_bad_s

    def _was_hot_before(self, since_s: float) -> bool:
        i = bisect_left(self._times, since_s) - 1
        while i >= 0 and since_s - self._times[i] <= SUDDEN_S:
            if self._codes[i] == 0:
                return self._values[i] >= HOT_C
            i -= 1
        return self._fall.since_s == since_s and self._fall.from_c >= HOT_C

    def _reversed_since(self, start: int, ambient_c: float | None) -> float | None:
        """Since when a paste probe has shown less than the air, as one with its wires swapped does."""
        shown = [
            self._values[i] for i in range(start, len(self._times)) if REASONS[self._codes[i]] in ("", "out_of_range")
        ]
        if len(shown) < 3 or 2 * len(shown) < len(self._times) - start:
            return None
        middle = sorted(shown)[len(shown) // 2]
        first_c = self._fall.air_c
        # Wires are swapped from the beginning. What once read warm paste has them right, however cold it is later,
        # beside an ambient probe in the sun.
        self._was_warm = self._was_warm or middle >= (WARM_C if ambient_c is None else ambient_c + BELOW_AIR_K)
        if self._was_warm:
            return None
        if ambient_c is not None:
            limit = ambient_c - BELOW_AIR_K
            if first_c is None or first_c - middle < BELOW_AIR_K:
                limit = min(limit, COLD_FOR_PASTE_C)
        elif first_c is not None:
            limit = min(first_c - BELOW_AIR_K, COLD_FOR_PASTE_C)
        else:
            return None
        if middle >= limit:
            return None
        if self._problem == "reversed":
            return self._since_s
        i = len(self._times) - 1
        while i > 0 and self._times[-1] - self._times[i - 1] <= _REMEMBER_S and self._values[i - 1] < limit:
            i -= 1
        return self._times[i]

    # -- books -----------------------------------------------------------------------------------------------------

    def _index(self, time_s: float) -> int | None:
        i = bisect_left(self._times, time_s)
        return i if i < len(self._times) and self._times[i] == time_s else None

    def _code_at(self, time_s: float) -> int:
        return self._codes[bisect_left(self._times, time_s)]

    def _is_same(self, index: int, reading: Reading) -> bool:
        value_c = reading.temperature_c
        if value_c is None:
            return self._values[index] != self._values[index]
        return self._values[index] == value_c

    def _touch(self, reading: Reading) -> None:
        self._touched[reading.time_s] = reading
        self._recent[reading.time_s] = reading

    def _set(self, reading: Reading, reason: str) -> None:
        index = self._index(reading.time_s)
        if index is not None:
            self._codes[index] = _CODE[reason]
            self._touched[reading.time_s] = reading


_UNJUDGED = 255
# The problems that do not come from a share of bad readings, but from how the value moved.
_MOTIONS = ("stuck", "reversed", "out_of_paste", "rate")
_OUTER = ("top", "wall")
_HARD = frozenset(
    _CODE[r] for r in ("open", "short-gnd", "short-vcc", "not_measured", "out_of_range", "power_on_85", "lost_-127")
)
_CLOCK = bytes([_CODE["clock"]])
_SCATTERED = frozenset(_CODE[reason] for reason in ("", "rate", "spike", "noise"))


def _time(reading: Reading) -> float:
    return reading.time_s


def _first(row: tuple[float, float, int]) -> float:
    return row[0]


def _number(value_c: float | None) -> float:
    return float("nan") if value_c is None else value_c


def _middle(values: list[float]) -> float:
    return sorted(values)[len(values) // 2]


def _turns_share(values: list[float]) -> float:
    """The share of inner values that are higher, or lower, than both their neighbours."""
    inner = range(1, len(values) - 1)
    turns = sum((values[k] - values[k - 1]) * (values[k + 1] - values[k]) < 0.0 for k in inner)
    return turns / max(1, len(values) - 2)


def _noise_by_neighbours(values: list[float]) -> float:
    """Robust sd from each value's distance to the mean of its two neighbours (white noise: sd * sqrt(1.5)).

    By their median, which outliers leave alone, or their mean, which scatters less in a dozen values: the smaller.
    """
    apart = [abs(values[k] - 0.5 * (values[k - 1] + values[k + 1])) for k in range(1, len(values) - 1)]
    return min(MAD_TO_SD * _middle(apart), MEAN_TO_SD * sum(apart) / len(apart)) / 1.2247


def _noise_about_trend(values: list[float]) -> float:
    """Robust sd about the line through the medians of the two halves."""
    half = len(values) // 2
    early, late = _middle(values[:half]), _middle(values[-half:])
    slope = (late - early) / (len(values) - half)
    left = 0.5 * (half - 1)
    return MAD_TO_SD * _middle([abs(v - early - slope * (k - left)) for k, v in enumerate(values)])
