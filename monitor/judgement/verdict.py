"""What the estimate and the probes mean: for every alarm kind, does its criterion hold at this tick.

Pure: values and time in, ``Condition`` values out. Delays, states and repeats are the work of ``alarms``, the
sentences that of ``wording``. Every threshold on a probability is a choice between three costs: a failure missed, a
phone that rings without cause, and someone half asleep handling hot caustic. Where someone is up anyway (the first
40 minutes after blending) less certainty is asked; where the advice can wait, more.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from monitor.domain import AMBIENT, PASTE_PROBES, Batch, Condition, Estimate, LogEntry, Place, ProbeHealth

MINUTE_S = 60.0
HOUR_S = 3600.0

# In the first hour after blending the peak is minutes away; later an hour's quarter loses nothing.
SILENT_FIRST_HOUR_S = 3 * MINUTE_S
SILENT_LATER_S = 20 * MINUTE_S
# One probe of several: the bucket is still watched by the others.
ONE_SILENT_S = 300.0
# A node that sends in packs is not silent between them: this many of its usual gaps, and a minute, are waited for.
GAPS_FIRST_HOUR, GAPS_LATER = 2.0, 3.0
SILENT_AT_MOST_S = 3600.0
FAULT_FIRST_HOUR_S = 2 * MINUTE_S
FAULT_LATER_S = 5 * MINUTE_S

# not_taken is judged in this window after the (last) blending.
TAKEN_FROM_S = 15 * MINUTE_S
TAKEN_UNTIL_S = 40 * MINUTE_S

# The probe goes in right after the blend; the maker is beeped for while still standing there.
PROBE_IN_GRACE_S = 8 * MINUTE_S
# ... but a second or third probe may wait while another reads the paste: nothing goes unwatched meanwhile.
OTHER_PROBE_GRACE_S = 20 * MINUTE_S

# Swapped wires show while the batch warms. What falls as it rises a day later is a cold batch in a warm shed.
REVERSED_SHOWS_S = 12 * HOUR_S

# Where no blend is noted it is over by then (common practice: 5 to 15 minutes of blending).
BLENDED_BY_S = 25 * MINUTE_S

COLD_CORE_C = 45.0
# Past 75 to 80 °C a paste has taken (common practice); above about 75 nobody blends it again.
HOT_CORE_C = 80.0

# A forecast of too much heat needs a reading of warm paste to stand on: warmer than the usual pour, cooler than a paste
# that has taken (50 and 75 to 80 °C, common practice).
FORECAST_FROM_C = 62.0

# After a hand at the bucket (lid, probe, blender) a probe may jump; what it shows is told only when it lasts longer.
HANDLING_S = 15 * MINUTE_S

_OVER = frozenset({"cut", "water-added", "diluted", "filled"})
DEEDS = frozenset({"reblended", "looked", "tested"})
HANDLING = frozenset({"probe-in", "poured", "blended", "reblended", "lid-off", "lid-on", "looked", "stirred"})


@dataclass(frozen=True, slots=True)
class Limits:
    """How sure one must be before a phone rings, per kind; tuned in tests/bench/judgement.py, see its findings."""

    # A failure missed costs a batch and leaves corrosive paste; a call without cause costs one look, by somebody who is
    # up. At two or three looks for a failure found, one rings from 0.3 to 0.45 on: 1 / (1 + cost ratio).
    not_taken_early: float = 0.60  # at 15 minutes: ten more minutes often settle it
    not_taken_late: float = 0.36  # at 40 minutes: the paste is still soft, and somebody is up
    # A boil-over is the costliest to miss; but a core at the limit rings whatever this says, so the forecast
    # must be worth its minutes, and good batches peak only just under the limit.
    too_hot: float = 0.50
    cooled_early: float = 0.45
    # Paste over 80 degC has taken as makers know it, and is too hot to blend again: more is asked before one says no.
    while_hot: float = 0.60
    incomplete_early: float = 0.50  # waits for daylight and can ripen
    incomplete_late: float = 0.48  # at the planned dilution
    separated: float = 0.33
    clear_below: float = 0.20  # deadband: what was raised stands until it is this unlikely


@dataclass(frozen=True, slots=True)
class Course:
    """What the log says that judgement needs: when it was poured and blended, lid, cover, hands at the bucket."""

    poured_at_s: float
    blended_at_s: float
    blended_noted: bool
    first_blended_at_s: float
    reblended: bool
    lid: str | None
    cover: str
    probe_out: bool
    handled_at_s: float | None
    over: bool
    deed_at_s: float | None = None


def course_of(batch: Batch, log: Sequence[LogEntry]) -> Course:
    """Read the log (any order) into what stands now. Without entries the batch's start stands for pour and blend."""
    ordered = sorted(log, key=lambda entry: (entry.at_s, entry.noted_at_s))
    poured = blended = first_blended = None
    lid = None
    cover = batch.vessel.insulation
    probe_out = over = reblended = False
    handled = deed = None
    for entry in ordered:
        kind = entry.kind
        if kind == "poured" and poured is None:
            poured = entry.at_s
        elif kind in ("blended", "reblended"):
            first_blended = entry.at_s if first_blended is None else first_blended
            blended = entry.at_s
            reblended = reblended or kind == "reblended"
        elif kind in ("lid-on", "lid-off"):
            lid = "on" if kind == "lid-on" else "off"
        elif kind == "covered":
            cover = "blanket" if cover == "bare" else cover
        elif kind == "uncovered":
            cover = "bare"
        if kind == "probe-out":
            probe_out = True
        elif kind == "probe-in":
            probe_out = False
        if kind in HANDLING:
            handled = entry.at_s
        if kind in DEEDS:
            deed = max(entry.noted_at_s, deed or 0.0)
        over = over or kind in _OVER
    poured_at = batch.started_s if poured is None else poured
    return Course(
        poured_at_s=poured_at,
        blended_at_s=poured_at if blended is None else blended,
        blended_noted=blended is not None,
        first_blended_at_s=poured_at if first_blended is None else first_blended,
        reblended=reblended,
        lid=lid,
        cover=cover,
        probe_out=probe_out,
        handled_at_s=handled,
        over=over,
        deed_at_s=deed,
    )


@dataclass(frozen=True, slots=True)
class Evidence:
    """All that one tick judges: the estimate, the probes, when paste was last heard, the log read as ``Course``.

    ``good_c`` is what a good batch shows now (5 to 95 %, °C), None where it cannot be said.
    ``paste_c`` is the latest believed temperature of each paste probe with its age in seconds.
    ``never_in_paste`` are paste probes that have read nothing but air since the pour.
    ``paste_gap_s`` is how far apart this node's packs usually arrive, None where that is not known.
    ``unheard`` are probes that have stopped sending while others of the bucket go on: for how long, and after what
    longest gap between two of their own readings (s).
    """

    now_s: float
    batch: Batch
    place: Place
    course: Course
    estimate: Estimate | None
    health: Mapping[str, ProbeHealth]
    last_paste_arrival_s: float
    paste_c: Mapping[str, tuple[float, float]]
    direction: str
    rate_k_per_h: float
    good_c: tuple[float, float] | None = None
    never_in_paste: tuple[str, ...] = ()
    paste_gap_s: float | None = None
    unheard: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    daylight: bool = False
    limits: Limits = field(default_factory=Limits)


def judge(evidence: Evidence) -> list[Condition]:
    """Every condition that can be judged at this tick, standing or not, in a fixed order."""
    conditions = [*_sensor_conditions(evidence), _silent(evidence)]
    if evidence.course.over:
        return conditions
    facts = _common_facts(evidence)
    conditions.append(_too_hot(evidence, facts))
    if evidence.estimate is not None:
        facts.update(_estimate_facts(evidence.estimate))
        course = [
            _not_taken(evidence, evidence.estimate, facts),
            _cooled_early(evidence, evidence.estimate, facts),
            _separated(evidence, evidence.estimate, facts),
            _incomplete(evidence, evidence.estimate, facts),
        ]
        if all(evidence.health.get(probe, ProbeHealth()).doubted for probe in _believed(evidence)):
            # No probe tells of the paste, or none for sure: that is what rings, now or in some minutes, and no guess at
            # the batch. What stands goes on standing.
            course = [replace(condition, standing=False) for condition in course]
        conditions += course
    return conditions


# ---- the batch -----------------------------------------------------------------------------------------------------


def _since_blend_s(evidence: Evidence) -> float:
    return evidence.now_s - evidence.course.blended_at_s


def _too_hot(evidence: Evidence, facts: dict[str, object]) -> Condition:
    """Now: a paste probe stands at the limit, estimate or not. Forecast: the hottest part is likely to pass it."""
    estimate = evidence.estimate
    limit_c = evidence.place.too_hot_c
    hottest_c = max(_read_c(evidence).values(), default=None)
    blended = evidence.now_s >= evidence.course.first_blended_at_s
    now = blended and hottest_c is not None and hottest_c >= limit_c
    forecast = estimate.probabilities.get("too_hot", 0.0) if blended and estimate is not None else 0.0
    # Before a probe reads the paste the forecast is the recipe's alone: that is told by the plan, and rings nobody.
    founded = hottest_c is not None and hottest_c >= FORECAST_FROM_C
    probability = 1.0 if now else forecast if founded else 0.0
    standing = now or (founded and forecast >= evidence.limits.too_hot)
    # A probe that a boil-over threw out reads cool air: without a reading of the paste only the hours end the alarm.
    cooler = hottest_c < limit_c - 1.0 if hottest_c is not None else _since_blend_s(evidence) > 6 * HOUR_S
    gone = not now and forecast < evidence.limits.clear_below and cooler
    facts = {
        **facts,
        "limit_c": limit_c,
        "too_hot_in_min": None
        if now or estimate is None or estimate.too_hot_in_s is None
        else estimate.too_hot_in_s / MINUTE_S,
        "second_heat": evidence.course.reblended,
        "now": now,
    }
    return Condition("too_hot", standing, gone, probability, "now", facts=facts)


def _not_taken(evidence: Evidence, estimate: Estimate, facts: dict[str, object]) -> Condition:
    """15 to 40 minutes after blending: the heat is not that of a blend that took."""
    since_s = _since_blend_s(evidence)
    probability = estimate.probabilities.get("final_below_085", 0.0)
    share = min(1.0, max(0.0, (since_s - TAKEN_FROM_S) / (TAKEN_UNTIL_S - TAKEN_FROM_S)))
    limits = evidence.limits
    threshold = limits.not_taken_early + share * (limits.not_taken_late - limits.not_taken_early)
    threshold = _while_hot(threshold, estimate, limits)
    in_window = TAKEN_FROM_S <= since_s <= TAKEN_UNTIL_S
    gone = probability < limits.clear_below or since_s < TAKEN_FROM_S or since_s > 6 * HOUR_S
    return Condition("not_taken", in_window and probability >= threshold, gone, probability, "now", facts=facts)


def _while_hot(threshold: float, estimate: Estimate, limits: Limits) -> float:
    return max(threshold, limits.while_hot) if estimate.core_temperature_c >= HOT_CORE_C else threshold


def _cooled_early(evidence: Evidence, estimate: Estimate, facts: dict[str, object]) -> Condition:
    """The core is, or surely will be, below 45 °C with less than 0.85 of the limiting reagent reacted."""
    probability = estimate.probabilities.get("cooled_early", 0.0)
    since_s = _since_blend_s(evidence)
    core_c = estimate.core_temperature_c
    # While the blend itself is in question `not_taken` says it, and to somebody who is up; a warm paste has not cooled.
    from_s = TAKEN_UNTIL_S if core_c >= COLD_CORE_C else TAKEN_FROM_S
    threshold = _while_hot(evidence.limits.cooled_early, estimate, evidence.limits)
    standing = since_s >= from_s and probability >= threshold
    gone = probability < evidence.limits.clear_below or since_s < TAKEN_FROM_S
    # Acting now beats acting at dawn only while the paste is still warm and soft, and only where a blend would help.
    urgent = core_c > COLD_CORE_C - 5.0 and bool(facts.get("reblend_helps"))
    facts = {**facts, "limit_c": COLD_CORE_C, "can_wait_until_morning": not urgent}
    return Condition("cooled_early", standing, gone, probability, "now" if urgent else "daylight", facts=facts)


def _incomplete(evidence: Evidence, estimate: Estimate, facts: dict[str, object]) -> Condition:
    """At the planned dilution less than 0.90 of the promised soap will have formed."""
    probability = estimate.probabilities.get("final_below_090", 0.0)
    since_s = _since_blend_s(evidence)
    limits = evidence.limits
    share = min(1.0, max(0.0, (evidence.now_s - evidence.course.poured_at_s) / evidence.batch.planned_dilution_s))
    threshold = limits.incomplete_early + share * (limits.incomplete_late - limits.incomplete_early)
    standing = since_s >= TAKEN_FROM_S and probability >= threshold
    gone = probability < limits.clear_below or since_s < TAKEN_FROM_S
    facts = {**facts, "can_wait_until_morning": True}
    return Condition("incomplete", standing, gone, probability, "daylight", facts=facts)


def _separated(evidence: Evidence, estimate: Estimate, facts: dict[str, object]) -> Condition:
    """More than about 0.15 of the limiting reagent has no partner left in its layer."""
    probability = estimate.probabilities.get("separated", 0.0)
    since_s = _since_blend_s(evidence)
    early = evidence.now_s - evidence.course.poured_at_s < 4 * HOUR_S
    standing = since_s >= TAKEN_FROM_S and probability >= evidence.limits.separated
    gone = probability < evidence.limits.clear_below or since_s < TAKEN_FROM_S
    urgency = "now" if early and estimate.core_temperature_c > COLD_CORE_C else "daylight"
    facts = {**facts, "cause": "split", "can_wait_until_morning": urgency == "daylight"}
    return Condition("separated", standing, gone, probability, urgency, facts=facts)


def _common_facts(evidence: Evidence) -> dict[str, object]:
    good_low_c, good_high_c = evidence.good_c if evidence.good_c is not None else (None, None)
    read, reckoned_c = _read_c(evidence), None if evidence.estimate is None else evidence.estimate.core_temperature_c
    temperature_c = read.get("core", max(read.values(), default=reckoned_c))
    return {
        "temperature_c": temperature_c,
        # The model's figure is never told as a reading, nor an old direction as the present one.
        "temperature_reckoned": not read and temperature_c is not None,
        "hottest_c": temperature_c if "core" in read else reckoned_c,
        "direction": evidence.direction if read else "",
        "rate_k_per_h": evidence.rate_k_per_h if read else None,
        "minutes_since_blend": _since_blend_s(evidence) / MINUTE_S,
        "minutes_since_pour": (evidence.now_s - evidence.course.poured_at_s) / MINUTE_S,
        "hours_since_pour": (evidence.now_s - evidence.course.poured_at_s) / HOUR_S,
        "good_low_c": good_low_c,
        "good_high_c": good_high_c,
        "cover": evidence.course.cover,
        "lid": evidence.course.lid,
        "deed_at_s": evidence.course.deed_at_s,
    }


def _estimate_facts(estimate: Estimate) -> dict[str, object]:
    failures = {cause: weight for cause, weight in estimate.causes.items() if cause != "good"}
    cause = max(sorted(failures), key=lambda name: failures[name], default="unknown")
    return {
        "completeness": estimate.completeness,
        "completeness_sd": estimate.completeness_sd,
        "final_completeness": estimate.final_completeness,
        "final_completeness_sd": estimate.final_completeness_sd,
        "cause": cause if sum(failures.values()) > 0.3 else "unknown",
        "cause_probability": failures.get(cause, 0.0),
        "reblend_helps": estimate.probabilities.get("reblend_helps", 0.0) >= 0.5,
        "help_window_h": _soft_for_h(estimate),
        "assumed": estimate.assumed,
    }


def _believed(evidence: Evidence) -> dict[str, tuple[float, float]]:
    """What paste probes read, with its age: of none that lies in the air or cannot be so."""
    return {
        probe: read
        for probe, read in evidence.paste_c.items()
        if evidence.health.get(probe, ProbeHealth()).problem is None and probe not in evidence.never_in_paste
    }


def _read_c(evidence: Evidence) -> dict[str, float]:
    """Fresh readings of the paste by probe."""
    return {probe: value for probe, (value, age_s) in _believed(evidence).items() if age_s < 10 * MINUTE_S}


def _soft_for_h(estimate: Estimate, soft_c: float = 40.0) -> float | None:
    """Hours until the paste is too stiff to blend by hand, taken as 40 °C (common practice), cooling towards 15 °C."""
    over_k = estimate.core_temperature_c - 15.0
    if over_k <= soft_c - 15.0:
        return None
    return estimate.cooling_time_constant_s / HOUR_S * math.log(over_k / (soft_c - 15.0))


# ---- the probes ----------------------------------------------------------------------------------------------------


def in_first_hour(evidence: Evidence) -> bool:
    """Within an hour of the pour or of the last blending: then silence and faults are rung sooner."""
    course = evidence.course
    latest = max(course.poured_at_s, course.blended_at_s)
    return course.poured_at_s <= evidence.now_s <= latest + HOUR_S


def _since_heat_h(evidence: Evidence) -> float:
    """Hours since the pour or the last blending: a re-blend has first hours of its own."""
    return (evidence.now_s - max(evidence.course.poured_at_s, evidence.course.blended_at_s)) / HOUR_S


def _silent(evidence: Evidence) -> Condition:
    limit_s = _silent_limit_s(evidence)
    quiet_s = evidence.now_s - evidence.last_paste_arrival_s
    hours = (evidence.now_s - evidence.course.poured_at_s) / HOUR_S
    # A bucket silent in its first hours may be boiling over; on day three nothing is lost by morning.
    urgency = "now" if _since_heat_h(evidence) < 6 else "daylight"
    facts = {
        "silent_min": quiet_s / MINUTE_S,
        "hours_since_pour": hours,
        "minutes_since_blend": _since_blend_s(evidence) / MINUTE_S,
        "cover": evidence.course.cover,
        "lid": evidence.course.lid,
        "last_good_c": max((value for value, _ in evidence.paste_c.values()), default=None),
        "can_wait_until_morning": urgency == "daylight",
    }
    standing = quiet_s > limit_s and not evidence.course.over
    gone = quiet_s <= limit_s / 2 or evidence.course.over
    return Condition("silent", standing, gone, 1.0 if standing else 0.0, urgency, facts=facts)


def _silent_limit_s(evidence: Evidence) -> float:
    """How long a quiet is no silence yet: the design's 3 and 20 minutes, longer for a node that sends seldom."""
    usual_s = evidence.paste_gap_s or 0.0
    if in_first_hour(evidence):
        return max(SILENT_FIRST_HOUR_S, min(GAPS_FIRST_HOUR * usual_s + MINUTE_S, SILENT_LATER_S))
    return max(SILENT_LATER_S, min(GAPS_LATER * usual_s + MINUTE_S, SILENT_AT_MOST_S))


def _sensor_conditions(evidence: Evidence) -> list[Condition]:
    """One condition per probe, so that a lost ambient probe does not hide a lost core probe."""
    hold_s = FAULT_FIRST_HOUR_S if in_first_hour(evidence) else FAULT_LATER_S
    conditions = []
    for probe in (*PASTE_PROBES, AMBIENT):
        health = evidence.health.get(probe)
        if health is None:
            continue
        problem, since_s = health.problem, health.since_s
        if problem is None and probe in evidence.never_in_paste:
            problem, since_s = _still_in_air(evidence)
        if probe in evidence.unheard and _has_stopped(evidence, probe):
            problem, since_s = "silent", evidence.now_s - evidence.unheard[probe][0]
        if problem == "reversed" and since_s is not None and since_s > evidence.course.poured_at_s + REVERSED_SHOWS_S:
            problem = None
        # Hands explain it for now: nobody is rung. But what stands already does not read well for all that.
        bad_all_the_same = False
        if problem is not None and probe in PASTE_PROBES and _excused(evidence, problem):
            problem, bad_all_the_same = None, not evidence.course.probe_out
        lasted_s = 0.0 if problem is None or since_s is None else evidence.now_s - since_s
        standing = problem is not None and lasted_s >= hold_s and not evidence.course.over
        # What it shows once it is out is the air; what it fell from is the last that was known of the paste.
        last_good_c = health.fell_from_c if problem == "out_of_paste" else health.last_good_c
        hot = (last_good_c or 0.0) >= 60.0
        suddenly = probe in PASTE_PROBES and hot and health.suddenly and problem in ("open", "out_of_paste", "lost")
        hours = (evidence.now_s - evidence.course.poured_at_s) / HOUR_S
        # A hot probe that is suddenly lost may mean a boil-over; a lost paste probe in the first hours leaves the
        # deciding time unwatched. Everything else waits for daylight.
        urgent = suddenly or (probe in PASTE_PROBES and _since_heat_h(evidence) < 2.0)
        facts = {
            "probe": probe,
            "problem": problem or "",
            "problem_since_min": lasted_s / MINUTE_S,
            "suddenly_lost": suddenly,
            "last_good_c": last_good_c,
            "hours_since_pour": hours,
            "minutes_since_blend": _since_blend_s(evidence) / MINUTE_S,
            "cover": evidence.course.cover,
            "lid": evidence.course.lid,
            "can_wait_until_morning": not urgent,
        }
        conditions.append(
            Condition(
                "sensor_fault",
                standing,
                (problem is None and not bad_all_the_same) or evidence.course.over,
                1.0 if standing else 0.0,
                "now" if urgent else "daylight",
                facts=facts,
            )
        )
    return conditions


def _has_stopped(evidence: Evidence, probe: str) -> bool:
    """One probe is silent while others of its bucket send: its record is missing, or its node is gone."""
    unheard_s, longest_gap_s = evidence.unheard[probe]
    return unheard_s > max(_silent_limit_s(evidence), ONE_SILENT_S, 2.0 * longest_gap_s + MINUTE_S)


def _still_in_air(evidence: Evidence) -> tuple[str | None, float | None]:
    """A paste probe nobody has pushed in. Counted from the blend; where none was noted, from when it must be over."""
    course = evidence.course
    since_s = course.blended_at_s if course.blended_noted else course.poured_at_s + BLENDED_BY_S
    others_in = any(probe in PASTE_PROBES and probe not in evidence.never_in_paste for probe in evidence.paste_c)
    grace_s = OTHER_PROBE_GRACE_S if others_in else PROBE_IN_GRACE_S
    # What it read is known only when its pack has come.
    if evidence.now_s < since_s + grace_s + (evidence.paste_gap_s or 0.0) or course.probe_out:
        return None, None
    return "never_in", since_s


def _excused(evidence: Evidence, problem: str) -> bool:
    """Hands at the bucket explain a probe that jumped or reads air for a while; they do not explain an open wire."""
    course = evidence.course
    if problem in ("open", "short", "lost", "silent", "never_in"):
        return False
    if course.probe_out:
        return True
    return course.handled_at_s is not None and 0 <= evidence.now_s - course.handled_at_s < HANDLING_S
