"""The whole story on one page: reading or tick in, events out. Live, replay and the tests all go through here.

Time in here is the arrival clock, which never steps. Readings and log entries are only taken in; everything is
judged at ticks, which lie on whole minutes. A tick sees the readings that arrived before it and the log entries
noted up to it, so that cutting a recording anywhere cannot change what was said before the cut.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from monitor.domain import (
    AMBIENT,
    BATCH_ALARM_KINDS,
    PASTE_PROBES,
    Batch,
    Condition,
    Estimate,
    Event,
    LogEntry,
    Place,
    ProbeHealth,
    Reading,
    Recipe,
    Vessel,
)
from monitor.heat.estimator import Estimator, History
from monitor.judgement import alarms, verdict, wording
from monitor.judgement.events import alarm_event, estimate_event, verdict_event
from monitor.judgement.history_words import based_on, learned_from
from monitor.judgement.summaries import verdict_text
from monitor.sensing.screening import OVER_AIR_K, WARM_C, Judged, ProbeScreen
from monitor.trade.dilution import potash_left
from monitor.trade.recipe import without_bad_numbers
from monitor.words import ENGLISH, speaking

TICK_S = 60.0
ESTIMATE_EVERY_S = 600.0
# Readings from before the start tell the ambient probe's offset; older ones belong to another batch.
PRELUDE_S = 2 * 3600.0
# Screening's word for a second value at a time that has one already.
_CONFLICT = "conflict"
GOOD_EVERY_S = 300.0
# An air temperature older than this says nothing of whether a paste probe reads the air now.
AIR_IS_OLD_S = 1800.0
# A probe that has not gone in so long after the blend can be said not to have gone in.
PROBE_IN_BY_S = 300.0
# What a fault of ours in the mathematics raises.
_OUR_FAULTS = (ArithmeticError, ValueError, IndexError, KeyError, TypeError)
# Lines that arrive within this time are of one pack; a gap longer than the second is a silence, not a rhythm.
SAME_PACK_S = 2.0
GAP_AT_MOST_S = 1800.0
# The direction shown is that of the last ten minutes.
TREND_S = 600.0


@dataclass(frozen=True, slots=True)
class Act:
    """What a person did about an alarm: "acknowledged", "going", "shelved" (until ``until_s``) or "unshelved"."""

    alarm_id: str
    act: str
    at_s: float
    until_s: float | None = None
    who: str = ""


@dataclass(frozen=True, slots=True)
class Pause:
    """Nobody watched: the last tick was at ``last_tick_s``, and watching began anew at ``from_s``.

    There are no ticks in between, and the silence in between is nobody's fault but ours.
    """

    last_tick_s: float
    from_s: float


@dataclass(frozen=True, slots=True)
class Amendment:
    """From now on the batch is known to have been made so: what was weighed has been corrected."""

    recipe: Recipe
    vessel: Vessel


# What arrives at one moment.
Arrived = Sequence[Reading] | Pause | Act | Amendment


@dataclass(frozen=True, slots=True)
class Told:
    """What is said of an alarm now, and the facts behind the words."""

    message: wording.Message
    probability: float
    facts: Mapping[str, object]


class Minder:
    """Minds one batch. Feed it in the order of arrival; ask it at every whole minute."""

    def __init__(
        self,
        batch: Batch,
        *,
        minded_from_s: float,
        place: Place | None = None,
        limits: verdict.Limits | None = None,
        history: History | None = None,
        emergency_number: str = "",
    ) -> None:
        self.batch = batch
        self.place = place or Place()
        self.limits = limits or verdict.Limits()
        self.minded_from_s = max(minded_from_s, batch.known_from_s)
        self.alarms: dict[str, alarms.AlarmState] = {}
        self.taken_over: set[str] = set()  # ids of those that no judging of this minder has raised
        self.conditions: dict[str, Condition] = {}
        self.estimate: Estimate | None = None
        self.trouble: str | None = None  # the estimator's own failure; the raw checks go on without it
        self._history = history
        self._emergency_number = emergency_number
        self._log: dict[str, LogEntry] = {}
        self._told: dict[str, Told] = {}
        self._screens: dict[str, ProbeScreen] = {}
        self._latest: dict[str, tuple[float, float]] = {}
        self._trend: dict[str, deque[tuple[float, float]]] = {}
        self._in_paste: set[str] = set()
        self._never_in: set[str] = set()
        self._on_its_way: set[str] = set()
        self._shown: dict[str, tuple[float, float]] = {}  # the newest value, believed or not
        self._least_c: dict[str, float] = {}  # the least that was believed
        self._last_paste_arrival_s = self.minded_from_s
        self._judged: list[Judged] = []
        self._pack_arrival_s = -math.inf
        self._pack_from_s = self._pack_span_s = 0.0
        self._gaps_s: deque[float] = deque(maxlen=15)
        self._arrived: dict[str, tuple[float, float]] = {}  # by probe: the newest arrival, its longest gap so far
        self._good: tuple[float, tuple[float, float] | None] | None = None
        self._estimated_upto = -1
        self._ticked = False
        self._prelude_from_s = batch.started_s - PRELUDE_S
        # A recording must be read whatever was typed beside it: what cannot be counts as never weighed.
        recipe, self.recipe_warnings = without_bad_numbers(batch.recipe)
        self._recipe = recipe
        self._potash_left: tuple[float, tuple[float, float] | None] | None = None
        self._estimator = Estimator(replace(batch, recipe=recipe), self.place, history)

    # ---- what comes in ---------------------------------------------------------------------------------------------

    def take(self, reading: Reading) -> None:
        """Take in one reading of this bucket. Cheap: it is judged at the next tick.

        One from long before the start is passed over, however late it came: it belongs to another batch, or to no
        time at all, as one with a damaged stamp.
        """
        if reading.time_s < self._prelude_from_s:
            return
        screen = self._screens.get(reading.probe)
        if screen is None:
            screen = self._screens[reading.probe] = ProbeScreen(reading.probe)
        screen.take(reading)

    def note(self, entry: LogEntry) -> None:
        """Take in a log entry, at the time it was noted."""
        key = entry.entry_id or f"{entry.kind}@{entry.at_s!r}/{entry.noted_at_s!r}#{len(self._log)}"
        if key in self._log:
            return
        self._log[key] = entry
        self._estimator.note(entry)
        if entry.kind in verdict.HANDLING:  # a probe that was moved by hand is not held against what it showed before
            for probe, screen in self._screens.items():
                if probe in PASTE_PROBES:
                    screen.begin_anew(entry.at_s)
        if entry.kind in verdict.DEEDS:  # whoever went has done something: do not ask again what
            self.alarms = {
                name: alarms.answer(state, entry.noted_at_s)[0] for name, state in self.alarms.items()
            }

    def knows(self, entry_id: str) -> bool:
        """Whether this log entry has been taken in."""
        return entry_id in self._log

    def undo(self, entry_id: str) -> None:
        """Take a log entry back, as if it had never been noted."""
        if self._log.pop(entry_id, None) is not None:
            self._estimator.forget(entry_id)

    def amend(self, amendment: Amendment) -> None:
        """Masses or vessel have been corrected: what was said stands; from the next tick on the new ones count."""
        recipe, self.recipe_warnings = without_bad_numbers(amendment.recipe)
        if recipe == self._recipe and amendment.vessel == self.batch.vessel:
            return
        self.batch = replace(self.batch, recipe=amendment.recipe, vessel=amendment.vessel)
        self._recipe = recipe
        self._potash_left = self._good = None
        self._estimator = self._estimator.amended(recipe, amendment.vessel)

    def pause(self, pause: Pause) -> None:
        """Watching began anew. The time without it does not count as silence, nor as time with a probe in the air."""
        if pause.from_s <= self.minded_from_s:
            return
        unheard_s = pause.from_s - max(pause.last_tick_s, self._last_paste_arrival_s)
        self._last_paste_arrival_s += max(0.0, unheard_s)
        if not self._ticked:
            self.minded_from_s = pause.from_s

    def act(self, act: Act) -> bool:
        """Carry out what a person did about an alarm. False where no such alarm is known."""
        for key, state in self.alarms.items():
            if state.alarm_id == act.alarm_id:
                self.alarms[key] = _after(state, act)
                return True
        return False

    def try_act(self, act: Act) -> str:
        """As ``act``; returns in one sentence what was wrong with it, "" where nothing was."""
        try:
            self.act(act)
        except alarms.AlarmError as error:  # a time of quiet out of bounds; the command has said so already
            return str(error)
        return ""

    def take_over(self, state: alarms.AlarmState, found: Condition) -> None:
        """An alarm that was raised before and was not found again goes on from here as it stood; ``found`` is what was
        last found of it. The coming ticks judge it like the others.
        """
        key = f"{state.kind}.{state.probe}" if state.probe else state.kind
        self.alarms[key] = state
        self.taken_over.add(state.alarm_id)
        with speaking(ENGLISH):
            message = wording.say(found, batch=self.batch.name, bucket=self.batch.bucket)
        self._told[key] = Told(message, found.probability, found.facts)

    # ---- what goes out ---------------------------------------------------------------------------------------------

    def tick(self, now_s: float) -> list[Event]:
        """Judge all that arrived before ``now_s``; give the events of this minute, in a fixed order.

        Events and records are English and metric, whoever speaks: a program reads them, and a replay must say the same.
        """
        self._ticked = True
        self._settle(now_s)
        course = verdict.course_of(self.batch, list(self._log.values()))
        self._see_paste(course)
        self.estimate = self._estimate(now_s, fit=not self._rings_hot(now_s))
        with speaking(ENGLISH):
            events = self._alarm_events(now_s, course)
        due = math.floor((now_s - course.poured_at_s) / ESTIMATE_EVERY_S)
        if due >= 1 and due > self._estimated_upto and not course.over and self.estimate is not None:
            self._estimated_upto = due
            learned = learned_from(self._history)
            events.append(estimate_event(self.batch.bucket, self.batch.name, self.estimate, learned))
        return events

    def last_word(self, at_s: float) -> Event:
        """The last word on the batch so far; its completeness is that of the planned dilution."""
        kinds = [state.kind for state in self.alarms.values() if state.stands]
        facts = {"potash_left_g_l": self._potash_left_g_l(at_s), "unread_min": self._unread_min(at_s)}
        with speaking(ENGLISH):
            says = verdict_text(
                self.estimate, bucket=self.batch.bucket, batch=self.batch.name, kinds=kinds, facts=facts
            )
            if self.estimate is not None:
                says = " ".join(filter(None, (says, based_on(self._history))))
        return verdict_event(self.batch.bucket, self.batch.name, at_s, self.estimate, says)

    def close(self, at_s: float) -> list[Event]:
        """The batch has been ended: its alarms no longer stand, and the verdict is the last event."""
        last_word = self.last_word(at_s)  # while the alarms still stand, for they belong to it
        for key, state in self.alarms.items():
            if state.state != alarms.NORMAL:
                cleared_at_s = at_s if state.stands else state.cleared_at_s
                self.alarms[key] = replace(state, state=alarms.NORMAL, cleared_at_s=cleared_at_s)
        return [last_word]

    def told(self) -> list[tuple[alarms.AlarmState, Told]]:
        """Every alarm that was ever raised, with the words that belong to it now."""
        return [(state, self._told[key]) for key, state in self.alarms.items() if key in self._told and state.count]

    def drain_judged(self) -> list[Judged]:
        """What screening decided since the last call; a later decision on the same reading supersedes."""
        judged, self._judged = self._judged, []
        return judged

    def log(self) -> Sequence[LogEntry]:
        """The log entries that stand, in the order they were noted."""
        return tuple(self._log.values())

    def reads_paste_since(self, since_s: float) -> bool:
        """Whether a probe has shown, after ``since_s``, what only one in the paste shows, believed yet or not."""
        for probe in self._in_paste | self._on_its_way:
            rose_s = self._screens[probe].rose_s
            rose = rose_s is not None and rose_s >= since_s
            if self._shown[probe][0] > since_s and (rose or probe in self._on_its_way):
                return True
        return False

    def course(self) -> verdict.Course:
        """What the log says stands now."""
        return verdict.course_of(self.batch, self.log())

    @property
    def history(self) -> History | None:
        """What earlier batches taught, with which this one was begun."""
        return self._history

    @property
    def estimator(self) -> Estimator:
        """For the expected band and the forecast that the page draws."""
        return self._estimator

    def latest_c(self) -> Mapping[str, tuple[float, float]]:
        """Per probe: when it was last believed, and what it read (°C)."""
        return dict(self._latest)

    def unjudged(self) -> list[Reading]:
        """The newest reading of each probe that waits for the coming tick, believed or not."""
        found = (screen.newest_taken for screen in self._screens.values())
        return [reading for reading in found if reading is not None]

    def doubts_a_probe(self) -> bool:
        """Whether at the last tick something was wrong with a probe that is not rung for yet."""
        return any(one.facts.get("problem") and not one.standing for one in self.conditions.values())

    def is_costly(self, now_s: float) -> bool:
        """Whether a tick at ``now_s`` will most likely fit the curve anew, some hundred times the work of the rest."""
        return self._estimator.is_due(now_s, more=bool(self.unjudged()))

    def trend(self) -> tuple[str, float]:
        """Direction in a word and rate in K/h of the paste, over the last ten minutes."""
        for probe in PASTE_PROBES:
            points = self._trend.get(probe)
            if not points or points[-1][0] - points[0][0] < TREND_S / 2:
                continue
            middle = points[len(points) // 2][0]
            early = [value for time_s, value in points if time_s < middle]
            late = [value for time_s, value in points if time_s >= middle]
            if not early or not late:
                continue
            half_s = (points[-1][0] - points[0][0]) / 2
            rate = (sum(late) / len(late) - sum(early) / len(early)) / half_s * 3600.0
            # Half a degree within ten minutes is what a 0.25 K sensor can tell from noise.
            return ("rising" if rate > 3.0 else "falling" if rate < -1.5 else "steady"), rate
        return "", 0.0

    # ---- inside ----------------------------------------------------------------------------------------------------

    def _settle(self, now_s: float) -> None:
        counted_s = self._pack_arrival_s
        fresh: list[Reading] = []
        for probe, screen in self._screens.items():
            settled = screen.settle(now_s)
            if settled:
                self._hear(probe, settled)
                self._take_judged(probe, settled)
                if probe in PASTE_PROBES:
                    fresh += [
                        one.reading for one in settled if one.reading.arrival_s > counted_s and one.reason != _CONFLICT
                    ]
        self._count_gaps(fresh)

    def _take_judged(self, probe: str, settled: list[Judged]) -> None:
        estimator = self._estimator
        latest = self._latest.get(probe, (-math.inf, 0.0))
        shown = self._shown.get(probe, (-math.inf, 0.0))
        least_c = self._least_c.get(probe, math.inf)
        points = self._trend.setdefault(probe, deque())
        for judged in settled:
            reading, reason = judged.reading, judged.reason
            if reason == _CONFLICT:
                # Another value for a moment that has one: the first stands, here as in the journal.
                continue
            self._judged.append(judged)
            time_s, value = reading.time_s, reading.temperature_c
            if value is not None and time_s >= shown[0]:
                shown = (time_s, value)
            if reason is not None or value is None:
                estimator.withdraw(reading)
                continue
            estimator.update(reading)
            least_c = min(value, least_c)
            if time_s < latest[0]:
                continue
            latest = (time_s, value)
            points.append(latest)
            while points[0][0] < time_s - TREND_S:
                points.popleft()
        if latest[0] > -math.inf:
            self._latest[probe] = latest
            self._least_c[probe] = least_c
        if shown[0] > -math.inf:
            self._shown[probe] = shown

    def _hear(self, probe: str, settled: list[Judged]) -> None:
        for arrival_s in sorted(judged.reading.arrival_s for judged in settled):
            newest_s, longest_s = self._arrived.get(probe, (arrival_s, 0.0))
            gap_s = arrival_s - newest_s
            self._arrived[probe] = (
                max(newest_s, arrival_s), max(longest_s, gap_s if gap_s <= GAP_AT_MOST_S else 0.0)
            )  # fmt: skip

    def _unheard(self) -> dict[str, tuple[float, float]]:
        """Probes that others of the bucket have outlasted: by how long, s, and their own longest gap, s.

        A paste probe is held against the other paste probes: where none of them sends, the bucket is silent.
        """
        found = {}
        for probe, (newest_s, longest_s) in self._arrived.items():
            others = [
                at_s for other, (at_s, _) in self._arrived.items()
                if other != probe and (other in PASTE_PROBES or probe not in PASTE_PROBES)
            ]  # fmt: skip
            unheard_s = max(others, default=newest_s) - newest_s
            if unheard_s > 0.0:
                found[probe] = (unheard_s, longest_s)
        return found

    def _count_gaps(self, fresh: list[Reading]) -> None:
        """When paste was last heard, and how far apart this bucket's packs usually arrive.

        Until three have, a pack's own span tells it. Duplicates are not among ``fresh``: the journal has none either.
        """
        for reading in sorted(fresh, key=_arrival):
            self._last_paste_arrival_s = max(self._last_paste_arrival_s, reading.arrival_s)
            gap_s = reading.arrival_s - self._pack_arrival_s
            if gap_s == 0.0:
                span_s = abs(reading.time_s - self._pack_from_s)
                self._pack_span_s = min(max(self._pack_span_s, span_s), GAP_AT_MOST_S)
                continue
            self._pack_arrival_s, self._pack_from_s = reading.arrival_s, reading.time_s
            if SAME_PACK_S < gap_s <= GAP_AT_MOST_S:
                self._gaps_s.append(gap_s)

    def _usual_gap_s(self) -> float | None:
        gaps = sorted(self._gaps_s)
        if len(gaps) < 3:
            return self._pack_span_s or None
        return gaps[(len(gaps) - 1) // 2]  # the lower middle: what was late widens every second gap

    def _see_paste(self, course: verdict.Course) -> None:
        """A paste probe that was once well above the air since the pour has been in paste."""
        air = self._latest.get(AMBIENT)
        for probe, shown in self._shown.items():
            if probe not in PASTE_PROBES or shown[0] < course.poured_at_s:
                continue
            # Where no ambient probe tells the air: the least the probe itself has shown was most likely it.
            least_c = min(WARM_C, self._least_c.get(probe, 30.0) + OVER_AIR_K) if air is None else air[1] + OVER_AIR_K
            latest = self._latest.get(probe)
            if latest is not None and latest[0] >= course.poured_at_s and latest[1] >= least_c:
                self._in_paste.add(probe)
            # A cold mix lies hardly above the air: then a quick rise that stays, after the blend, tells. In a mix that
            # was poured warm it would be that of a probe which shows next to nothing of the warmth it is in.
            rose_s = self._screens[probe].rose_s
            cold = air is None or self._poured_c() < air[1] + 2.0 * OVER_AIR_K
            if cold and rose_s is not None and rose_s >= max(course.poured_at_s, course.blended_at_s):
                self._in_paste.add(probe)
            # One that is on its way up has gone in, though what it shows is not believed yet.
            if shown[1] >= least_c:
                self._on_its_way.add(probe)
            else:
                self._on_its_way.discard(probe)

    def _poured_c(self) -> float:
        """How warm the mix was poured, as noted; where nobody noted it, as cold as a mix may be."""
        noted = [entry.temperature_c for entry in self._log.values() if entry.kind == "poured"]
        return max((c for c in noted if c is not None), default=-math.inf)

    def _rings_hot(self, now_s: float) -> bool:
        """Whether this tick raises "too hot" by readings alone: then nobody waits for a fit; the next tick has it."""
        state = self.alarms.get("too_hot")
        if state is None or state.stands or not alarms.may_raise(state, now_s, alarms.RULES["too_hot"]):
            return False
        return any(
            now_s - time_s < TICK_S and value >= self.place.too_hot_c
            for probe, (time_s, value) in self._latest.items()
            if probe in PASTE_PROBES
        )

    def _estimate(self, now_s: float, *, fit: bool = True) -> Estimate | None:
        try:
            return self._estimator.estimate(now_s) if fit else self._estimator.as_fitted(now_s)
        except _OUR_FAULTS as error:
            # A fault of ours in the mathematics must not silence the checks that need none.
            self.trouble = f"{type(error).__name__}: {error}"
            return None

    def _never_in_paste(self, course: verdict.Course, now_s: float) -> tuple[str, ...]:
        """Paste probes that have read only air; not claimed when minding began too late to tell, or hours later.

        What was claimed once holds until the probe reads paste: time alone puts no probe in.
        """
        told_s = max(course.blended_at_s, course.poured_at_s)
        if self.minded_from_s > told_s + 900.0:
            return ()
        # What it showed before is no evidence: it goes in right after the blend, and its readings may be on their way.
        if now_s <= told_s + 3 * 3600.0:
            shown_s = told_s + PROBE_IN_BY_S
            heard = {p for p in PASTE_PROBES if self._latest.get(p, (-math.inf,))[0] >= shown_s}
            self._never_in = heard - self._on_its_way
        self._never_in -= self._in_paste
        return tuple(probe for probe in PASTE_PROBES if probe in self._never_in)

    def _health(self, now_s: float) -> dict[str, ProbeHealth]:
        """Each probe's health, held against the air and against what the other paste probes do."""
        air = self._latest.get(AMBIENT)
        air_c = air[1] if air is not None and now_s - air[0] < AIR_IS_OLD_S else None
        found = {}
        for probe, screen in self._screens.items():
            moved_k = None
            since_s = screen.constant_since_s
            if probe in PASTE_PROBES and since_s is not None:
                others = [other for name, other in self._screens.items() if name != probe and name in PASTE_PROBES]
                moved_k = max((other.moved_k(since_s) for other in others), default=None)
            found[probe] = screen.health(now_s, ambient_c=air_c, moved_elsewhere_k=moved_k)
        return found

    def _unread_min(self, at_s: float) -> float | None:
        """Minutes since the paste was last read by a probe that was in it, as of the last tick; None where none was."""
        read_s = []
        for probe in self._in_paste:
            fault = self.conditions.get(f"sensor_fault.{probe}")
            bad_min = fault.facts["problem_since_min"] if fault is not None and fault.facts.get("problem") else 0.0
            read_s.append(min(self._latest[probe][0], at_s - 60.0 * float(str(bad_min))))
        return max(0.0, at_s - max(read_s)) / 60.0 if read_s else None

    def _potash_left_g_l(self, now_s: float) -> tuple[float, float] | None:
        """Potash left in each litre after dilution (5 to 95 %), if nobody does anything; reckoned every few minutes."""
        if self.estimate is None or not self._recipe.oils:
            return None
        if self._potash_left is None or not 0.0 <= now_s - self._potash_left[0] < GOOD_EVERY_S:
            share, sd = self.estimate.final_completeness, self.estimate.final_completeness_sd
            left = potash_left(self._recipe, share, sd).grams_per_litre
            self._potash_left = (now_s, (max(0.0, left.low), max(0.0, left.high)))
        return self._potash_left[1]

    def _good_now(self, now_s: float) -> tuple[float, float] | None:
        """What a good batch shows now; it moves slowly, so it is worked out only every few minutes."""
        if self._good is None or not 0.0 <= now_s - self._good[0] < GOOD_EVERY_S:
            try:
                self._good = (now_s, self._estimator.good_now(now_s))
            except _OUR_FAULTS as error:
                self.trouble = f"{type(error).__name__}: {error}"
                self._good = (now_s, None)
        return self._good[1]

    def _evidence(self, now_s: float, course: verdict.Course) -> verdict.Evidence:
        direction, rate = self.trend()
        return verdict.Evidence(
            now_s=now_s,
            batch=self.batch,
            place=self.place,
            course=course,
            estimate=self.estimate,
            health=self._health(now_s),
            last_paste_arrival_s=self._last_paste_arrival_s,
            paste_c={
                probe: (value, now_s - time_s)
                for probe, (time_s, value) in self._latest.items()
                if probe in PASTE_PROBES
            },
            direction=direction,
            rate_k_per_h=rate,
            good_c=self._good_now(now_s) if now_s > course.blended_at_s else None,
            never_in_paste=self._never_in_paste(course, now_s),
            paste_gap_s=self._usual_gap_s(),
            unheard=self._unheard(),
            limits=self.limits,
        )

    def _alarm_events(self, now_s: float, course: verdict.Course) -> list[Event]:
        conditions = {_key(condition): condition for condition in verdict.judge(self._evidence(now_s, course))}
        for key, state in self.alarms.items():
            if key not in conditions:  # nothing judges it any more: the batch is being diluted, the probe is gone
                conditions[key] = Condition(state.kind, standing=False, gone=True, probability=0.0)
        self.conditions = conditions
        events = []
        for key, condition in conditions.items():
            known = self.alarms.get(key)
            if known is None and not condition.standing:
                continue
            if known is None:
                probe = str(condition.facts.get("probe", "")) if condition.kind == "sensor_fault" else ""
                known = alarms.AlarmState(self.batch.bucket, self.batch.name, condition.kind, probe=probe)
            state, transitions = alarms.step(known, condition, now_s)
            self.alarms[key] = state
            if state.stands or transitions:
                self._told[key] = self._words(condition, now_s)
            events += [
                self._alarm_event(transition, self._told[key], condition)
                for transition in transitions
                if transition.change in ("raised", "cleared")
            ]
        return events

    def _words(self, condition: Condition, now_s: float) -> Told:
        facts = {**condition.facts, "emergency_number": self._emergency_number}
        if condition.kind in BATCH_ALARM_KINDS:
            facts["potash_left_g_l"] = self._potash_left_g_l(now_s)
        message = wording.say(replace(condition, facts=facts), batch=self.batch.name, bucket=self.batch.bucket)
        return Told(message, condition.probability, facts)

    def _alarm_event(self, transition: alarms.Transition, told: Told, condition: Condition) -> Event:
        message = told.message
        if transition.change == "cleared":
            message = wording.back_to_normal(
                transition.kind, batch=self.batch.name, bucket=self.batch.bucket, condition=condition
            )
        return alarm_event(transition, told.probability, message)


def _after(state: alarms.AlarmState, act: Act) -> alarms.AlarmState:
    """The state after what a person did; raises AlarmError where the time of quiet is out of bounds."""
    if act.act == "answered":
        return alarms.answer(state, act.at_s)[0]
    return alarms.after_act(state, act.act, act.at_s, act.who, act.until_s)


def _arrival(reading: Reading) -> float:
    return reading.arrival_s


def _key(condition: Condition) -> str:
    """One alarm per kind, and per probe for sensor faults."""
    probe = condition.facts.get("probe")
    return f"{condition.kind}.{probe}" if condition.kind == "sensor_fault" and probe else condition.kind


def first_tick_s(from_s: float) -> float:
    """The first whole minute at or after ``from_s``."""
    return math.ceil(from_s / TICK_S) * TICK_S


def mind(
    minder: Minder, arrivals: Iterable[tuple[float, Arrived]], entries: Sequence[LogEntry]
) -> Iterator[Event]:
    """Run a minder over a whole recording: what arrived, in order, and the log entries; the verdict comes last.

    The same order of deeds as the live daemon keeps: all readings that arrived before a tick, all entries noted up
    to it, then the tick, then what somebody did about an alarm. Ticks end with the last arrival; a ``Pause`` among
    the arrivals has none.
    """
    waiting = deque(sorted(entries, key=lambda entry: entry.noted_at_s))
    tick_s = first_tick_s(minder.minded_from_s)
    last_s = minder.minded_from_s
    for arrival_s, readings in arrivals:
        while tick_s <= (readings.last_tick_s if isinstance(readings, Pause) else arrival_s):
            while waiting and waiting[0].noted_at_s <= tick_s:
                minder.note(waiting.popleft())
            yield from minder.tick(tick_s)
            tick_s += TICK_S
        if isinstance(readings, Pause):
            minder.pause(readings)
            tick_s = max(tick_s, first_tick_s(readings.from_s))
        elif isinstance(readings, Act):
            minder.try_act(readings)
        elif isinstance(readings, Amendment):
            minder.amend(readings)
        else:
            for reading in readings:
                minder.take(reading)
        last_s = max(last_s, arrival_s)
    yield minder.last_word(last_s)
