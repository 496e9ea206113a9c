"""Alarm states: (state, condition, now) -> (state, transitions). Pure.

The states and moves are those of ANSI/ISA-18.2 and IEC 62682, from memory, as the reference says:

    normal --raised--> unacknowledged --seen--> acknowledged --cleared--> normal
                            |                                 ^
                            '--cleared--> returned_unacknowledged --seen--> normal
                                                  |
                                                  '--raised--> unacknowledged

"Shelved" ("quiet until" on screen) lies across them: the state goes on, only the telling stops, and it ends by itself.
What the verdict finds at a tick is a `Condition`; this module adds the time: slow to raise, slow to clear, no chatter.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields, replace

from monitor.domain import ALARM_KINDS, Condition
from monitor.words import tr

NORMAL = "normal"
UNACKNOWLEDGED = "unacknowledged"
ACKNOWLEDGED = "acknowledged"
RETURNED_UNACKNOWLEDGED = "returned_unacknowledged"
STATES = (NORMAL, UNACKNOWLEDGED, ACKNOWLEDGED, RETURNED_UNACKNOWLEDGED)
STANDING_STATES = (UNACKNOWLEDGED, ACKNOWLEDGED)

_MINUTE_S = 60.0
_HOUR_S = 3600.0


class AlarmError(ValueError):
    """Something asked of an alarm that cannot be done; the text is one sentence for the person who asked."""


@dataclass(frozen=True, slots=True)
class Rule:
    """The times of one alarm kind, all in seconds.

    on_delay_s         the criterion must hold this long, without a break, before the alarm is raised
    off_delay_s        the criterion to clear must hold this long, without a break, before it is cleared
    min_hold_s         once raised it stands at least this long
    re_raise_after_s   after it cleared it is not raised again sooner than this
    clears_by_itself   False: it stays (latched) until somebody has seen it or done something about it
    max_quiet_s        the longest that a person may keep it quiet at one go
    """

    on_delay_s: float
    off_delay_s: float
    min_hold_s: float
    re_raise_after_s: float
    clears_by_itself: bool
    max_quiet_s: float = 12 * _HOUR_S

    @property
    def shortest_cycle_s(self) -> float:
        """Least time from one raising to the next, seconds."""
        return max(self.off_delay_s, self.min_hold_s) + max(self.on_delay_s, self.re_raise_after_s)


# A shorter quiet is a slip of the finger; how long it may be is the kind's own (``Rule.max_quiet_s``).
LEAST_QUIET_S = 60.0

# Starting points: ISA-18.2-2009 / EEMUA 191 give 60 s as the delay for temperatures (from memory) and 1 % of range as
# the deadband (1 K on 0..100 °C, applied in the verdict: "standing" against "gone"). On-delay where a brief excursion
# needs no deed, off-delay where any excursion does (ISA-TR18.2.3). The longer times are a design choice: one person
# and a phone, so far fewer tellings than a staffed console bears.
RULES: Mapping[str, Rule] = {
    # Someone stands there with the blender, so it rings at the second tick that says so; ten minutes of hold keep
    # a batch that wavers round the limit from ringing twice for one and the same blend.
    "not_taken": Rule(60.0, 5 * _MINUTE_S, 10 * _MINUTE_S, 10 * _MINUTE_S, True, max_quiet_s=_HOUR_S),
    # Any excursion needs a deed, so the delay is short before (a single odd tick must not ring) and long after. It
    # rises anew without a wait: the second heat of a re-blend is a new danger. Quiet for half an hour at most, because
    # that is about how long a fast rise lasts.
    "too_hot": Rule(60.0, 15 * _MINUTE_S, 10 * _MINUTE_S, 0.0, True, max_quiet_s=30 * _MINUTE_S),
    # Hours are at stake, not minutes: five minutes make sure of it. An opened lid or an emptied blanket warms and cools
    # the top for a quarter of an hour, which must not clear it.
    "cooled_early": Rule(5 * _MINUTE_S, 15 * _MINUTE_S, 30 * _MINUTE_S, 30 * _MINUTE_S, True),
    # A forecast for three days ahead; it moves slowly and so does its alarm.
    "incomplete": Rule(10 * _MINUTE_S, _HOUR_S, _HOUR_S, _HOUR_S, True),
    # Layers do not mix themselves again: numbers that sink below the limit are no proof. It stays until somebody
    # has seen it or noted a deed (a re-blend, a look, a test).
    "separated": Rule(10 * _MINUTE_S, _HOUR_S, _HOUR_S, _HOUR_S, False),
    # Its five minutes (two in the first hour) are judged where the probe is judged, so no delay here. A loose
    # contact comes and goes every few minutes: it stays one alarm until a quarter of an hour is clean.
    "sensor_fault": Rule(0.0, 15 * _MINUTE_S, 5 * _MINUTE_S, 0.0, True),
    # Its 20 minutes (three in the first hour) are judged in the verdict. It clears when readings have come for two
    # minutes, for a link that lets through one reading an hour is not back.
    "silent": Rule(0.0, 2 * _MINUTE_S, 5 * _MINUTE_S, 5 * _MINUTE_S, True),
    # The daemon's own trouble. Many a broker or router comes back within two minutes and needs nobody.
    "watch_fault": Rule(2 * _MINUTE_S, 5 * _MINUTE_S, 10 * _MINUTE_S, 20 * _MINUTE_S, True),
}


@dataclass(frozen=True, slots=True)
class AlarmState:
    """One alarm kind of one batch in one bucket. Times are Unix seconds of the pipeline's clock; None: not so.

    state               one of STATES
    urgency             "now" or "daylight"; while the alarm stands it only grows
    shelved_until_s     until when nobody wants to hear of it
    standing_since_s    since when the criterion to raise holds (the on-delay runs from here)
    gone_since_s        since when the criterion to clear holds (the off-delay runs from here)
    raised_at_s         when it was last raised
    worsened_at_s       when it last turned from "daylight" to "now" while it stood
    cleared_at_s        when it last cleared; None while it stands
    acknowledged_at_s   when somebody last said "I have seen it"
    acknowledged_by     who said so, as far as known
    going_at_s          when somebody said "I am going", None when they only have seen it
    answered_at_s       when somebody answered what was done
    count               how many times it was raised in this batch
    probe               whose fault it is, where one kind stands for each probe apart; else empty
    """

    bucket: str
    batch: str
    kind: str
    state: str = NORMAL
    urgency: str = "daylight"
    shelved_until_s: float | None = None
    standing_since_s: float | None = None
    gone_since_s: float | None = None
    raised_at_s: float | None = None
    worsened_at_s: float | None = None
    cleared_at_s: float | None = None
    acknowledged_at_s: float | None = None
    acknowledged_by: str = ""
    going_at_s: float | None = None
    answered_at_s: float | None = None
    count: int = 0
    probe: str = ""

    @property
    def alarm_id(self) -> str:
        """The same for the same raising whoever reckons it: bucket/batch/kind[.probe]/how-manieth."""
        subject = f"{self.kind}.{self.probe}" if self.probe else self.kind
        return f"{self.bucket}/{self.batch}/{subject}/{self.count}"

    @property
    def stands(self) -> bool:
        """Whether the trouble is there now, seen by somebody or not."""
        return self.state in STANDING_STATES

    def is_shelved(self, now_s: float) -> bool:
        """Whether somebody asked for quiet and the time they gave has not run out."""
        return self.shelved_until_s is not None and now_s < self.shelved_until_s

    def as_dict(self) -> dict[str, object]:
        """Plain values for the journal; `from_dict` gives the same state again."""
        return asdict(self)

    @classmethod
    def from_dict(cls, values: Mapping[str, object]) -> AlarmState:
        """A state as `as_dict` gave it. Unknown names are passed over (a newer journal), missing ones take defaults."""
        known = {f.name for f in fields(cls)}
        given = {name: value for name, value in values.items() if name in known}
        missing = [name for name in ("bucket", "batch", "kind") if not isinstance(given.get(name), str)]
        if missing:
            raise AlarmError(
                tr("A stored alarm state lacks {names}; restore the journal from a backup.", names=", ".join(missing))
            )
        if given.get("state", NORMAL) not in STATES:
            raise AlarmError(
                tr(
                    "A stored alarm state is {state!r}, which is none of {states}; restore the journal from a backup.",
                    state=given["state"],
                    states=", ".join(STATES),
                )
            )
        return cls(**given)  # type: ignore[arg-type]


@dataclass(frozen=True, slots=True)
class Transition:
    """One move of an alarm, as it goes into events and journal.

    ``change`` is raised, cleared, worsened (from "daylight" to "now"), acknowledged, going, answered, unacknowledged,
    shelved or unshelved. Only raised and cleared are lines of the events file.
    """

    change: str
    at_s: float
    alarm_id: str
    bucket: str
    batch: str
    kind: str
    urgency: str
    probability: float | None = None
    message_id: str = ""
    facts: Mapping[str, object] = field(default_factory=dict)


def rule_for(kind: str) -> Rule:
    """The rule of an alarm kind; AlarmError for a kind that the design does not know."""
    try:
        return RULES[kind]
    except KeyError:
        raise AlarmError(f"There is no alarm kind {kind!r}; the kinds are {', '.join(ALARM_KINDS)}.") from None


def step(
    state: AlarmState, condition: Condition | None, now_s: float, rule: Rule | None = None
) -> tuple[AlarmState, tuple[Transition, ...]]:
    """Take what the verdict finds at one tick. Stepping twice at the same time changes nothing the second time.

    ``condition`` None means that nothing can be said now: both delays start afresh and a standing alarm stays. No
    news never clears.
    """
    rule = rule or rule_for(state.kind)
    moves: list[Transition] = []
    if state.shelved_until_s is not None and now_s >= state.shelved_until_s:
        state = _unshelved(state, now_s, moves)
    if condition is None:
        return replace(state, standing_since_s=None, gone_since_s=None), tuple(moves)
    state = replace(
        state,
        standing_since_s=_since(state.standing_since_s, condition.standing, now_s),
        gone_since_s=_since(state.gone_since_s, condition.gone and not condition.standing, now_s),
    )
    if not state.stands:
        if may_raise(state, now_s, rule):
            state = _raised(state, condition, now_s, moves)
    elif condition.standing and condition.urgency == "now" and state.urgency != "now":
        state = _worsened(state, condition, now_s, moves)
    elif _may_clear(state, condition, now_s, rule):
        state = _cleared(state, condition, now_s, moves)
    return state, tuple(moves)


def acknowledge(
    state: AlarmState, now_s: float, *, going: bool = False, by: str = ""
) -> tuple[AlarmState, tuple[Transition, ...]]:
    """Somebody has seen it ("I have seen it"), or goes to it (``going``, "I am going"). Repeated, it does nothing."""
    if state.state == RETURNED_UNACKNOWLEDGED:
        after = replace(state, state=NORMAL, acknowledged_at_s=now_s, acknowledged_by=by)
        return after, (_move("acknowledged", after, now_s),)
    if state.state == UNACKNOWLEDGED:
        after = replace(
            state, state=ACKNOWLEDGED, acknowledged_at_s=now_s, acknowledged_by=by,
            going_at_s=now_s if going else None, answered_at_s=None,
        )  # fmt: skip
        return after, (_move("going" if going else "acknowledged", after, now_s),)
    if state.state == ACKNOWLEDGED and going and state.going_at_s is None:
        after = replace(state, going_at_s=now_s, answered_at_s=None, acknowledged_by=by or state.acknowledged_by)
        return after, (_move("going", after, now_s),)
    return state, ()


def unacknowledge(state: AlarmState, now_s: float) -> tuple[AlarmState, tuple[Transition, ...]]:
    """Undo "I have seen it" (a wrong tap): the alarm is told again as if nobody had seen it."""
    if state.state != ACKNOWLEDGED:
        return state, ()
    after = replace(state, state=UNACKNOWLEDGED, acknowledged_at_s=None, acknowledged_by="", going_at_s=None)
    return after, (_move("unacknowledged", after, now_s),)


def answer(state: AlarmState, now_s: float) -> tuple[AlarmState, tuple[Transition, ...]]:
    """Whoever went has said what was done (or noted a deed): the question after 30 minutes is not asked, or ends."""
    if state.going_at_s is None or state.answered_at_s is not None or not state.stands:
        return state, ()
    after = replace(state, answered_at_s=now_s)
    return after, (_move("answered", after, now_s),)


def shelve(
    state: AlarmState, until_s: float, now_s: float, rule: Rule | None = None
) -> tuple[AlarmState, tuple[Transition, ...]]:
    """Keep the alarm quiet until ``until_s``. The state machine goes on; only the telling stops.

    Raises AlarmError when the time lies in the past or farther ahead than the kind allows.
    """
    rule = rule or rule_for(state.kind)
    if until_s <= now_s:
        raise AlarmError(
            tr("The time until which it shall be quiet lies in the past; give one that is still to come.")
        )
    if until_s - now_s > rule.max_quiet_s:
        minutes = rule.max_quiet_s / _MINUTE_S
        longest = (
            tr("{hours:.0f} hours", hours=minutes / 60.0)
            if minutes > 90
            else tr("{minutes:.0f} minutes", minutes=minutes)
        )
        raise AlarmError(
            tr(
                "{kind} may be kept quiet for {longest} at a time, no longer; give an earlier time and, if need be, "
                "ask again then.",
                kind=state.kind,
                longest=longest,
            )
        )
    after = replace(state, shelved_until_s=until_s)
    return after, (_move("shelved", after, now_s),)


def unshelve(state: AlarmState, now_s: float) -> tuple[AlarmState, tuple[Transition, ...]]:
    """End the quiet before its time."""
    if state.shelved_until_s is None:
        return state, ()
    moves: list[Transition] = []
    return _unshelved(state, now_s, moves), tuple(moves)


def after_act(state: AlarmState, act: str, at_s: float, who: str, until_s: float | None) -> AlarmState:
    """The state once a person has seen it, is going, or asked for quiet or for its end; any other act changes nothing.
    Raises AlarmError where the time of quiet is out of bounds."""
    if act in ("acknowledged", "going"):
        return acknowledge(state, at_s, going=act == "going", by=who)[0]
    if act == "shelved" and until_s is not None:
        return shelve(state, until_s, at_s)[0]  # nosec B403 # our own, no module
    return unshelve(state, at_s)[0] if act == "unshelved" else state


def _since(since_s: float | None, holds: bool, now_s: float) -> float | None:
    if not holds:
        return None
    return now_s if since_s is None else since_s


def may_raise(state: AlarmState, now_s: float, rule: Rule) -> bool:
    """Whether an alarm that does not stand is raised at ``now_s``, Unix seconds, if its criterion goes on to hold."""
    if state.standing_since_s is None or now_s - state.standing_since_s < rule.on_delay_s:
        return False
    return state.cleared_at_s is None or now_s - state.cleared_at_s >= rule.re_raise_after_s


def _may_clear(state: AlarmState, condition: Condition, now_s: float, rule: Rule) -> bool:
    if state.gone_since_s is None or now_s - state.gone_since_s < rule.off_delay_s:
        return False
    if state.raised_at_s is not None and now_s - state.raised_at_s < rule.min_hold_s:
        return False
    return rule.clears_by_itself or state.state == ACKNOWLEDGED or _deed_noted(state, condition)


def _deed_noted(state: AlarmState, condition: Condition) -> bool:
    """Whether the log holds a deed (``deed_at_s`` in the facts) since the alarm was raised."""
    deed_at_s = condition.facts.get("deed_at_s")
    if not isinstance(deed_at_s, (int, float)) or state.raised_at_s is None:
        return False
    return deed_at_s >= state.raised_at_s


def _raised(state: AlarmState, condition: Condition, now_s: float, moves: list[Transition]) -> AlarmState:
    # Quiet asked for something that could wait does not cover what cannot.
    if state.shelved_until_s is not None and state.urgency != "now" and condition.urgency == "now":
        state = _unshelved(state, now_s, moves)
    state = replace(
        state, state=UNACKNOWLEDGED, urgency=condition.urgency, raised_at_s=now_s, worsened_at_s=None,
        cleared_at_s=None, acknowledged_at_s=None, acknowledged_by="", going_at_s=None, answered_at_s=None,
        count=state.count + 1,
    )  # fmt: skip
    moves.append(_move("raised", state, now_s, condition))
    return state


def _worsened(state: AlarmState, condition: Condition, now_s: float, moves: list[Transition]) -> AlarmState:
    """From "daylight" to "now": ISA's re-alarm. Whoever saw the milder one has not seen this one."""
    if state.shelved_until_s is not None:
        state = _unshelved(state, now_s, moves)
    state = replace(
        state, state=UNACKNOWLEDGED, urgency="now", worsened_at_s=now_s, acknowledged_at_s=None, acknowledged_by="",
        going_at_s=None, answered_at_s=None,
    )  # fmt: skip
    moves.append(_move("worsened", state, now_s, condition))
    return state


def _cleared(state: AlarmState, condition: Condition, now_s: float, moves: list[Transition]) -> AlarmState:
    seen = state.state == ACKNOWLEDGED
    state = replace(state, state=NORMAL if seen else RETURNED_UNACKNOWLEDGED, cleared_at_s=now_s)
    moves.append(_move("cleared", state, now_s, condition))
    return state


def _unshelved(state: AlarmState, now_s: float, moves: list[Transition]) -> AlarmState:
    state = replace(state, shelved_until_s=None)
    moves.append(_move("unshelved", state, now_s))
    return state


def _move(change: str, state: AlarmState, now_s: float, condition: Condition | None = None) -> Transition:
    return Transition(
        change=change,
        at_s=now_s,
        alarm_id=state.alarm_id,
        bucket=state.bucket,
        batch=state.batch,
        kind=state.kind,
        urgency=state.urgency,
        probability=None if condition is None else condition.probability,
        message_id="" if condition is None else condition.message_id,
        facts={} if condition is None else condition.facts,
    )
