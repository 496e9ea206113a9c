"""Whom to tell, when, again, or not: by hand for the rules, by hypothesis over whole simulated days."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.domain import Condition
from monitor.judgement import alarms
from monitor.judgement.alarms import AlarmState
from monitor.judgement.escalation import (
    ASKED,
    CLEARED,
    FIRST,
    GATHERING,
    NEXT_PERSON,
    NOBODY,
    NOT_YET,
    QUIET_HOURS,
    REASONS_TO_TELL,
    REPEAT,
    SHELVED,
    WORDS_ALARM,
    WORDS_BACK_TO_NORMAL,
    WORDS_LOOK_ONLY,
    WORDS_NO_ANSWER,
    WORDS_QUESTION,
    WORSE,
    AlarmView,
    Decision,
    Person,
    Settings,
    Told,
    all_due,
    due,
    group,
    is_awake,
    next_waking_s,
    view_of,
)

MINUTE, HOUR, DAY = 60.0, 3600.0, 86400.0
# 2026-01-12T00:00:00Z: midnight, so that minutes of the day can be read off. Invented people.
MIDNIGHT = 1768176000.0
WREN, HAZEL, REED = Person("Wren"), Person("Hazel"), Person("Reed", knows_the_trade=False)
PEOPLE = (WREN, HAZEL, REED)


def view(**changes: object) -> AlarmView:
    values: dict[str, object] = {
        "alarm_id": "shed-2/Quillmarsh 12/too_hot/1", "kind": "too_hot", "bucket": "shed-2", "batch": "Quillmarsh 12",
        "urgency": "now", "state": alarms.UNACKNOWLEDGED, "raised_at_s": MIDNIGHT, "buckets": ("shed-2",),
    }  # fmt: skip
    return AlarmView(**{**values, **changes})  # type: ignore[arg-type]


def run(
    alarm: AlarmView, minutes: int, people: Sequence[Person] = PEOPLE, told: list[Told] | None = None, start: int = 0
) -> list[tuple[int, str, str, str]]:
    """Tick by tick: (minute, person, reason, words) of what is told."""
    told = [] if told is None else told
    heard = []
    for minute in range(start, minutes + 1):
        now_s = MIDNIGHT + minute * MINUTE
        for decision in all_due(alarm, told, now_s, people):
            told.append(decision.as_told(now_s))
            heard.append((minute, decision.person, decision.reason, decision.words))
    return heard


def test_what_wakes_is_told_at_once_and_again_at_growing_then_steady_intervals() -> None:
    """One person alone: at once, then after 2, 5, 10, 15, 30, 30, ... minutes, until somebody has seen it."""
    heard = run(view(), 140, [WREN])
    assert [minute for minute, *_ in heard] == [0, 2, 7, 17, 32, 62, 92, 122]
    assert [reason for _, _, reason, _ in heard] == [FIRST] + [REPEAT] * 7
    assert {person for _, person, _, _ in heard} == {"Wren"}


def test_the_next_person_joins_after_ten_minutes_and_the_last_keeps_being_rung() -> None:
    """Ten minutes after one was first told without answer the next is, in words that fit what they know."""
    heard = run(view(), 300)
    firsts = {person: (minute, reason, words) for minute, person, reason, words in reversed(heard)}
    assert firsts == {
        "Wren": (0, FIRST, WORDS_ALARM),
        "Hazel": (10, NEXT_PERSON, WORDS_ALARM),
        "Reed": (20, NEXT_PERSON, WORDS_LOOK_ONLY),
    }
    assert [minute for minute, person, *_ in heard if person == "Reed"][-1] > 270
    assert {words for _, person, _, words in heard if person == "Reed"} == {WORDS_LOOK_ONLY}


def test_someone_whom_no_route_reaches_is_passed_over_at_once() -> None:
    """When every route of the first refused the message the next person does not wait ten minutes."""
    first = due(view(), [], MIDNIGHT, PEOPLE)
    assert first is not None
    failed = replace(first.as_told(MIDNIGHT), failed=True)
    second = due(view(), [failed], MIDNIGHT, PEOPLE)
    assert second is not None and second.tell
    assert (second.person, second.reason) == ("Hazel", NEXT_PERSON)


def test_nothing_is_told_once_somebody_has_seen_it() -> None:
    """ "I have seen it" ends the ringing; there is nothing due later either."""
    assert due(view(state=alarms.ACKNOWLEDGED), [], MIDNIGHT + DAY, PEOPLE) is None
    assert run(view(state=alarms.ACKNOWLEDGED), 600) == []


def test_whoever_goes_is_asked_after_half_an_hour_and_then_the_ringing_goes_on() -> None:
    """ "I am going": the question after 30 minutes; unanswered it rings on, the next person included."""
    alarm = view(state=alarms.ACKNOWLEDGED, going_at_s=MIDNIGHT, going_by="Hazel")
    before = due(alarm, [], MIDNIGHT + 10 * MINUTE, PEOPLE)
    assert before is not None and not before.tell
    assert (before.reason, before.due_at_s) == (NOT_YET, MIDNIGHT + 30 * MINUTE)
    heard = run(alarm, 60)
    assert heard[:4] == [
        (30, "Hazel", ASKED, WORDS_QUESTION),
        (32, "Hazel", REPEAT, WORDS_QUESTION),
        (37, "Hazel", REPEAT, WORDS_QUESTION),
        (40, "Wren", NEXT_PERSON, WORDS_NO_ANSWER),
    ]
    assert ("Reed", NEXT_PERSON, WORDS_NO_ANSWER) in [one[1:] for one in heard]
    answered = replace(alarm, answered_at_s=MIDNIGHT + 20 * MINUTE)
    assert run(answered, 200) == []
    assert run(replace(alarm, state=alarms.NORMAL, cleared_at_s=MIDNIGHT + 20 * MINUTE), 200) == []


def test_what_can_wait_waits_for_each_persons_waking_hours() -> None:
    """A daylight alarm raised at midnight is told at 7:00, to those who know the trade, and never at night."""
    alarm = view(kind="incomplete", urgency="daylight")
    held = due(alarm, [], MIDNIGHT, PEOPLE)
    assert held is not None and not held.tell
    assert (held.reason, held.due_at_s) == (QUIET_HOURS, MIDNIGHT + 7 * HOUR)
    heard = run(alarm, 3 * 1440)
    assert heard[0] == (7 * 60, "Wren", FIRST, WORDS_ALARM)
    assert {person for _, person, _, _ in heard} == {"Wren", "Hazel"}
    assert all(7 * 60 <= minute % 1440 < 22 * 60 for minute, *_ in heard)
    late = Person("Reed", waking_from_min=10 * 60, waking_to_min=23 * 60)
    assert run(alarm, 1440, [late])[0][0] == 10 * 60


def test_local_time_decides_not_utc() -> None:
    """Waking hours are local: 6:00 UTC is 7:00 an hour east of it, also when the offset changes in between."""
    east = Settings(utc_offset_s=lambda at_s: HOUR)
    assert not is_awake(WREN, MIDNIGHT + 6 * HOUR - 1, east) and is_awake(WREN, MIDNIGHT + 6 * HOUR, east)
    change = Settings(utc_offset_s=lambda at_s: 0.0 if at_s < MIDNIGHT + HOUR else HOUR)
    assert next_waking_s(WREN, MIDNIGHT, change) - (MIDNIGHT + 6 * HOUR) in (0.0, HOUR)
    assert is_awake(WREN, next_waking_s(WREN, MIDNIGHT, change), change)


@given(start=st.integers(0, 1439), end=st.integers(0, 1439), at_min=st.integers(0, 3000), offset_h=st.integers(-12, 14))
def test_the_next_waking_time_is_awake_and_soon(start: int, end: int, at_min: int, offset_h: int) -> None:
    """For any hours, also past midnight: the next waking time lies in them, within a day, and is the first."""
    person = Person("x", waking_from_min=start, waking_to_min=end)
    local = Settings(utc_offset_s=lambda at_s: offset_h * HOUR)
    at_s = MIDNIGHT + at_min * MINUTE
    awake_s = next_waking_s(person, at_s, local)
    assert is_awake(person, awake_s, local) and 0 <= awake_s - at_s < DAY
    assert awake_s == at_s or not is_awake(person, awake_s - MINUTE, local)


def test_quiet_asked_for_holds_until_its_time() -> None:
    """Shelved: nothing is told, the reason and the end are given; afterwards the ringing goes on."""
    alarm = view(shelved_until_s=MIDNIGHT + 20 * MINUTE)
    held = due(alarm, [], MIDNIGHT, PEOPLE)
    assert held is not None and not held.tell
    assert (held.reason, held.due_at_s) == (SHELVED, MIDNIGHT + 20 * MINUTE)
    assert run(alarm, 60)[0][:3] == (20, "Wren", FIRST)


def test_back_to_normal_is_told_once_to_each_who_was_rung() -> None:
    """Who was rung hears of the end once, who was not hears nothing, and quiet asked for does not swallow it."""
    told: list[Told] = []
    run(view(), 12, told=told)
    over = view(state=alarms.RETURNED_UNACKNOWLEDGED, cleared_at_s=MIDNIGHT + 13 * MINUTE,
                shelved_until_s=MIDNIGHT + HOUR)  # fmt: skip
    heard = run(over, 2000, told=told, start=13)
    assert heard == [(13, "Wren", CLEARED, WORDS_BACK_TO_NORMAL), (13, "Hazel", CLEARED, WORDS_BACK_TO_NORMAL)]
    assert run(over, 2000, told=[]) == []


def test_good_news_does_not_wake_anybody() -> None:
    """Hours after the last ring, in the night, back to normal waits for waking hours."""
    told = [Told(view().alarm_id, FIRST, 1, "Wren", MIDNIGHT)]
    over = view(state=alarms.NORMAL, cleared_at_s=MIDNIGHT + 3 * HOUR)
    held = due(over, told, MIDNIGHT + 3 * HOUR, PEOPLE)
    assert held is not None and (held.tell, held.reason, held.due_at_s) == (False, QUIET_HOURS, MIDNIGHT + 7 * HOUR)
    telling = due(over, told, MIDNIGHT + 7 * HOUR, PEOPLE)
    assert telling is not None and telling.tell and not telling.wakes


def test_when_it_gets_worse_it_is_told_anew_at_once() -> None:
    """A daylight alarm that turns into one that wakes rings at once, at night too, and from the start."""
    told: list[Told] = []
    noon = 12 * 60
    run(view(urgency="daylight", kind="cooled_early"), noon, told=told)
    assert told
    worse = view(kind="cooled_early", worsened_at_s=MIDNIGHT + (noon + 1) * MINUTE)
    heard = run(worse, noon + 30, told=told, start=noon + 1)
    assert heard[0][:3] == (noon + 1, "Wren", WORSE)
    assert heard[1][:3] == (noon + 3, "Wren", REPEAT)


def test_without_people_it_says_so() -> None:
    """Nobody to tell is a reason too, so that `status` can say it; an alarm never raised has nothing to tell."""
    nobody = due(view(), [], MIDNIGHT, [])
    assert nobody is not None and (nobody.tell, nobody.reason) == (False, NOBODY)
    assert due(view_of(AlarmState("a", "b", "silent")), [], MIDNIGHT, PEOPLE) is None


def test_the_same_telling_has_the_same_identity_whenever_it_is_decided() -> None:
    """After a restart between deciding and writing down, the same telling gets the same identity; the next another."""
    first = due(view(), [], MIDNIGHT, PEOPLE)
    again = due(view(), [], MIDNIGHT + MINUTE, PEOPLE)
    assert first is not None and again is not None
    assert first.identity == again.identity == "shed-2/Quillmarsh 12/too_hot/1/first/1/Wren"
    later = due(view(), [first.as_told(MIDNIGHT)], MIDNIGHT + 2 * MINUTE, PEOPLE)
    assert later is not None and later.identity == "shed-2/Quillmarsh 12/too_hot/1/repeat-due/2/Wren"


def test_after_an_outage_one_repeat_is_told_not_all_that_were_missed() -> None:
    """A daemon that was off for three hours rings each person once when it comes back, not six times."""
    told = [Told(view().alarm_id, FIRST, 1, "Wren", MIDNIGHT)]
    decisions = all_due(view(), told, MIDNIGHT + 3 * HOUR, [WREN])
    assert [(decision.person, decision.reason) for decision in decisions] == [("Wren", REPEAT)]


# ---- one message, not ten --------------------------------------------------------------------------------------


def quiet_bucket(number: int, raised_min: float, **changes: object) -> AlarmView:
    return view(**{
        "alarm_id": f"shed-{number}/b/silent/1", "kind": "silent", "bucket": f"shed-{number}", "urgency": "daylight",
        "raised_at_s": MIDNIGHT + 12 * HOUR + raised_min * MINUTE, "source": "node", "buckets": (f"shed-{number}",),
        **changes,
    })  # fmt: skip


SOURCES = {"node": frozenset(f"shed-{n}" for n in (1, 2, 3, 4))}


def run_grouped(every: dict[int, list[AlarmView]], minutes: int, told: list[Told]) -> list[tuple[int, Decision]]:
    """``every``: from which minute on which alarms are known."""
    heard, known = [], []
    for minute in range(minutes + 1):
        known = every.get(minute, known)
        now_s = MIDNIGHT + 12 * HOUR + minute * MINUTE
        for alarm in group(known, told, buckets_of_source=SOURCES):
            for decision in all_due(alarm, told, now_s, [WREN]):
                told.append(decision.as_told(now_s))
                heard.append((minute, decision))
    return heard


@pytest.mark.parametrize("urgency", ["now", "daylight"])
def test_a_dead_router_rings_once(urgency: str) -> None:
    """Four buckets silent within two minutes make one message that covers all four (one minute where it wakes)."""
    step = 1 if urgency == "daylight" else 0
    known = [quiet_bucket(n, min(n - 1, 2) * step, urgency=urgency) for n in (1, 2, 3, 4)]
    every = {minute: [one for one in known if one.raised_at_s <= MIDNIGHT + 12 * HOUR + minute * MINUTE]
             for minute in range(3)}  # fmt: skip
    told: list[Told] = []
    heard = [one for one in run_grouped(every, 20, told) if one[1].reason == FIRST]
    assert len(heard) == 1
    minute, decision = heard[0]
    assert minute == 2 * step
    assert {decision.alarm_id, *decision.covers} == {one.alarm_id for one in known}


def test_one_silent_bucket_of_many_is_held_back_only_shortly() -> None:
    """Alone among four it is held for two minutes, one where it wakes, then told; without a shared source at once."""
    for urgency, minute in (("daylight", 2), ("now", 1)):
        heard = run_grouped({0: [quiet_bucket(1, 0, urgency=urgency)]}, 3, [])
        assert [m for m, decision in heard if decision.reason == FIRST] == [minute]
    alone = group([quiet_bucket(1, 0)], [], buckets_of_source={"node": frozenset({"shed-1"})})
    assert [one.hold_until_s for one in alone] == [None]
    held = due(group([quiet_bucket(1, 0)], [], buckets_of_source=SOURCES)[0], [], MIDNIGHT + 12 * HOUR, PEOPLE)
    assert held is not None and (held.tell, held.reason) == (False, GATHERING)


def test_who_falls_silent_after_the_group_was_told_is_not_lost() -> None:
    """A bucket that joins after the telling gets its own; one that falls silent much later too."""
    told: list[Told] = []
    first = [quiet_bucket(1, 0, urgency="now"), quiet_bucket(2, 0, urgency="now")]
    third = quiet_bucket(3, 2, urgency="now")
    fourth = quiet_bucket(4, 60, urgency="now")
    heard = run_grouped({0: first, 2: [*first, third], 60: [*first, third, fourth]}, 70, told)
    firsts = [(minute, {d.alarm_id, *d.covers}) for minute, d in heard if d.reason == FIRST]
    assert firsts == [
        (1, {first[0].alarm_id, first[1].alarm_id}), (3, {third.alarm_id}), (61, {fourth.alarm_id}),
    ]  # fmt: skip


def test_a_group_stands_until_all_are_back_and_is_seen_when_all_are() -> None:
    """Back to normal comes when the last is back; a member that was seen does not quiet the others."""
    told: list[Told] = []
    both = [quiet_bucket(1, 0), quiet_bucket(2, 0)]
    run_grouped({0: both}, 3, told)
    one_back = [replace(both[0], state=alarms.RETURNED_UNACKNOWLEDGED, cleared_at_s=MIDNIGHT + 13 * HOUR), both[1]]
    merged = group(one_back, told, buckets_of_source=SOURCES)
    assert [one.state for one in merged] == [alarms.UNACKNOWLEDGED]
    one_seen = [replace(both[0], state=alarms.ACKNOWLEDGED), both[1]]
    assert group(one_seen, told)[0].state == alarms.UNACKNOWLEDGED
    all_back = [replace(one, state=alarms.RETURNED_UNACKNOWLEDGED, cleared_at_s=MIDNIGHT + 13 * HOUR) for one in both]
    heard = []
    for minute in range(60, 70):
        for alarm in group(all_back, told, buckets_of_source=SOURCES):
            for decision in all_due(alarm, told, MIDNIGHT + 12 * HOUR + minute * MINUTE, [WREN]):
                told.append(decision.as_told(MIDNIGHT))
                heard.append(decision.reason)
    assert heard == [CLEARED]


def test_other_alarms_and_other_sources_are_not_gathered() -> None:
    """Only `silent` alarms of one and the same source share a message."""
    alarm_list = [quiet_bucket(1, 0), quiet_bucket(2, 0, source="other"), view(), quiet_bucket(3, 0, source="")]
    assert all(one.also == () for one in group(alarm_list, [], buckets_of_source=SOURCES))
    assert len(group(alarm_list, [])) == 4


# ---- whole days ------------------------------------------------------------------------------------------------

DEEDS = st.lists(
    st.tuples(
        st.integers(1, 240),  # minutes until the next happening
        st.sampled_from(["trouble", "urgent", "better", "unknown", "seen", "going", "answer", "quiet", "undo", "off"]),
        st.integers(0, 1),  # which of two buckets
    ),
    min_size=1,
    max_size=12,
)


class _Shed:
    """Two buckets, their alarms, three people and a journal of tellings; a minute at a time."""

    def __init__(self, kind: str) -> None:
        self.kind = kind
        self.states = [AlarmState("shed-1", "b", kind), AlarmState("shed-2", "b", kind)]
        self.finding: list[str] = ["better", "better"]
        self.told: list[Told] = []
        self.off = 0

    def condition(self, what: str) -> Condition | None:
        if what == "unknown":
            return None
        standing = what in ("trouble", "urgent")
        return Condition(self.kind, standing, not standing, 0.9, "now" if what == "urgent" else "daylight")

    def happen(self, what: str, which: int, now_s: float) -> None:
        state = self.states[which]
        if what in ("trouble", "urgent", "better", "unknown"):
            self.finding[which] = what
        elif what in ("seen", "going"):
            self.states[which], _ = alarms.acknowledge(state, now_s, going=what == "going", by="Wren")
        elif what == "answer":
            self.states[which], _ = alarms.answer(state, now_s)
        elif what == "undo":
            self.states[which], _ = alarms.unacknowledge(state, now_s)
        elif what == "quiet":
            self.states[which], _ = alarms.shelve(state, now_s + 30 * MINUTE, now_s)
        else:
            self.off = 45  # minutes during which the daemon is down

    def minute(self, now_s: float) -> None:
        if self.off > 0:
            self.off -= 1
            return
        for which, what in enumerate(self.finding):
            self.states[which], _ = alarms.step(self.states[which], self.condition(what), now_s)
        for state in self.states:
            self.check_telling(state, now_s)

    def check_telling(self, state: AlarmState, now_s: float) -> None:
        alarm = view_of(state)
        decisions = all_due(alarm, self.told, now_s, PEOPLE)
        assert len({decision.person for decision in decisions}) == len(decisions), "twice to one person in a minute"
        for decision in decisions:
            told = decision.as_told(now_s)
            assert decision.reason in REASONS_TO_TELL and decision.identity.startswith(state.alarm_id)
            assert told.alarm_id == state.alarm_id
            if decision.reason == CLEARED:
                assert not state.stands and not decision.wakes
                assert any(one.alarm_id == state.alarm_id and one.person == told.person for one in self.told)
            else:
                assert state.stands and not state.is_shelved(now_s)
                asked = state.going_at_s is not None and state.answered_at_s is None
                assert state.state == alarms.UNACKNOWLEDGED or (asked and now_s >= state.going_at_s + 30 * MINUTE)
                person = next(one for one in PEOPLE if one.name == told.person)
                assert state.urgency == "now" or is_awake(person, now_s, Settings())
            earlier = [one.at_s for one in self.told if one.person == told.person and one.alarm_id == told.alarm_id
                       and one.reason != CLEARED]  # fmt: skip
            if decision.reason == REPEAT:
                assert now_s - max(earlier) >= 2 * MINUTE
            self.told.append(told)
        if state.state == alarms.UNACKNOWLEDGED and not state.is_shelved(now_s):
            self.check_not_lost(state, now_s)

    def check_not_lost(self, state: AlarmState, now_s: float) -> None:
        """An unseen alarm has been told, and somebody is still to be told: it always ends at a person."""
        coming = due(view_of(state), self.told, now_s, PEOPLE)
        assert coming is not None and not coming.tell and coming.person, "an unseen alarm with nobody to tell next"
        assert coming.due_at_s is not None and now_s < coming.due_at_s <= now_s + DAY
        mine = [one for one in self.told if one.alarm_id == state.alarm_id]
        if state.urgency == "now":
            assert mine and coming.due_at_s <= now_s + 30 * MINUTE
        elif is_awake(WREN, now_s, Settings()):
            assert mine


@settings(max_examples=20, deadline=None)
@given(kind=st.sampled_from(["too_hot", "cooled_early", "sensor_fault", "watch_fault"]), happenings=DEEDS)
def test_over_whole_days_no_alarm_is_lost_doubled_or_told_after_it_was_seen(
    kind: str, happenings: list[tuple[int, str, int]]
) -> None:
    """Whatever happens, in whatever order, outages included: none lost, none doubled, none after it was seen."""
    shed, now_s = _Shed(kind), MIDNIGHT
    for wait, what, which in [*happenings, (1, "better", 0), (36 * 60, "better", 1)]:
        shed.happen(what, which, now_s)
        for _ in range(wait):
            now_s += MINUTE
            shed.minute(now_s)
    identities = [f"{one.alarm_id}/{one.reason}/{one.number}/{one.person}" for one in shed.told]
    assert len(set(identities)) == len(identities), "one telling twice"
    for one in shed.told:
        cleared = [t for t in shed.told if (t.alarm_id, t.person, t.reason) == (one.alarm_id, one.person, CLEARED)]
        assert len(cleared) <= 1
    for state in shed.states:  # a day later all is well: each who was rung for the last alarm has heard of its end
        if state.count and not state.stands:
            rung = {one.person for one in shed.told if one.alarm_id == state.alarm_id}
            heard = {one.person for one in shed.told if one.alarm_id == state.alarm_id and one.reason == CLEARED}
            assert rung == heard
