"""What each move of an alarm writes, and the times of each kind as ticks of a minute show them."""

from __future__ import annotations

from dataclasses import replace

import pytest

from monitor.domain import Condition
from monitor.journal.rows import ALARM_STATES
from monitor.judgement.alarms import (
    ACKNOWLEDGED,
    LEAST_QUIET_S,
    NORMAL,
    RETURNED_UNACKNOWLEDGED,
    RULES,
    STATES,
    UNACKNOWLEDGED,
    AlarmError,
    AlarmState,
    Rule,
    Transition,
    acknowledge,
    after_act,
    answer,
    shelve,
    step,
    unacknowledge,
    unshelve,
)

AT_ONCE = Rule(0.0, 0.0, 0.0, 0.0, True)
FACTS = {"core_c": 44.0}


def fresh(kind: str = "cooled_early", **more: object) -> AlarmState:
    return replace(AlarmState("shed-2", "Quillmarsh 12", kind), **more)  # type: ignore[arg-type]


def there(kind: str = "cooled_early", urgency: str = "daylight") -> Condition:
    return Condition(
        kind, standing=True, gone=False, probability=0.9, urgency=urgency, message_id="cooled_early.now", facts=FACTS
    )


def gone(kind: str = "cooled_early", **facts: object) -> Condition:
    return Condition(kind, standing=False, gone=True, probability=0.1, message_id="x", facts=facts)


# An alarm that has been through everything: what a later move forgets to reset would show.
OLD = fresh(
    state=ACKNOWLEDGED, urgency="daylight", raised_at_s=100.0, worsened_at_s=110.0, acknowledged_at_s=120.0,
    acknowledged_by="Wren", going_at_s=130.0, answered_at_s=140.0, count=1,
)  # fmt: skip


# ---- what is written ----


def test_the_states_are_called_as_stored_journals_call_them() -> None:
    """A renamed state would make every stored alarm unreadable."""
    assert STATES == ("normal", "unacknowledged", "acknowledged", "returned_unacknowledged")
    assert set(STATES) == set(ALARM_STATES)
    assert AlarmState("b", "q", "silent").urgency == "daylight"


def test_a_raising_begins_with_a_clean_slate() -> None:
    """Nothing of the raising before is left: who saw it, who went, what was answered, that it had worsened."""
    before = replace(OLD, state=NORMAL, cleared_at_s=200.0, gone_since_s=190.0)
    state, moves = step(before, there(), 300.0, AT_ONCE)
    assert state == fresh(state=UNACKNOWLEDGED, urgency="daylight", standing_since_s=300.0, raised_at_s=300.0, count=2)
    assert moves == (
        Transition(
            "raised", 300.0, "shed-2/Quillmarsh 12/cooled_early/2", "shed-2", "Quillmarsh 12", "cooled_early",
            "daylight", 0.9, "cooled_early.now", FACTS,
        ),
    )  # fmt: skip


def test_what_worsens_is_to_be_seen_and_answered_anew() -> None:
    """Whoever went for the milder trouble is asked again; the raising stays the same one."""
    state, moves = step(OLD, there(urgency="now"), 300.0, AT_ONCE)
    assert state == fresh(
        state=UNACKNOWLEDGED, urgency="now", standing_since_s=300.0, raised_at_s=100.0, worsened_at_s=300.0, count=1
    )
    assert [(move.change, move.urgency, move.probability) for move in moves] == [("worsened", "now", 0.9)]


def test_only_what_stands_can_worsen() -> None:
    """In the deadband and in the clear a milder alarm does not begin to wake."""
    for standing, is_gone in ((False, False), (False, True)):
        condition = Condition("cooled_early", standing=standing, gone=is_gone, probability=0.5, urgency="now")
        state, moves = step(OLD, condition, 101.0, RULES["cooled_early"])
        assert (state.urgency, moves) == ("daylight", ())


def test_clearing_keeps_when_and_starts_the_on_delay_afresh() -> None:
    """An alarm that comes again at once goes through its whole on-delay; the clearing tells what was found."""
    slow = Rule(120.0, 0.0, 0.0, 0.0, True)
    for before, after in ((ACKNOWLEDGED, NORMAL), (UNACKNOWLEDGED, RETURNED_UNACKNOWLEDGED)):
        state, moves = step(replace(OLD, state=before, standing_since_s=100.0), gone(peak_c=71.0), 300.0, slow)
        assert (state.state, state.cleared_at_s, state.standing_since_s) == (after, 300.0, None)
        assert [(m.change, m.message_id, m.facts) for m in moves] == [("cleared", "x", {"peak_c": 71.0})]
        state, moves = step(state, there(), 360.0, slow)
        assert moves == ()


def test_without_news_the_on_delay_starts_afresh() -> None:
    """A minute in which nothing could be said is a break."""
    slow = Rule(120.0, 0.0, 0.0, 0.0, True)
    state, _ = step(fresh(), there(), 0.0, slow)
    state, _ = step(state, None, 60.0, slow)
    state, moves = step(state, there(), 120.0, slow)
    assert moves == () and state.standing_since_s == 120.0


# ---- who has seen it ----


def test_seeing_what_is_over_says_who_and_when() -> None:
    """It is back to normal and asks for nobody; the name stays for the record."""
    state, moves = acknowledge(replace(OLD, state=RETURNED_UNACKNOWLEDGED, acknowledged_by=""), 400.0, by="Ben")
    assert (state.state, state.acknowledged_at_s, state.acknowledged_by) == (NORMAL, 400.0, "Ben")
    assert [move.change for move in moves] == ["acknowledged"]
    assert (moves[0].probability, moves[0].message_id, moves[0].facts) == (None, "", {})


def test_going_at_once_is_kept_as_going() -> None:
    """ "I am going" as the first answer both ends the ringing and begins the wait for what was done."""
    before = replace(OLD, state=UNACKNOWLEDGED, going_at_s=None, acknowledged_at_s=None, acknowledged_by="")
    state, moves = acknowledge(before, 400.0, going=True, by="Ben")
    assert (state.state, state.going_at_s, state.answered_at_s, state.acknowledged_by) == (
        ACKNOWLEDGED, 400.0, None, "Ben",
    )  # fmt: skip
    assert [move.change for move in moves] == ["going"]
    assert acknowledge(state, 500.0, going=True, by="Cleo") == (state, ()), "who went first is on the way"


def test_seeing_without_going_ends_no_walk_and_begins_none() -> None:
    """Only seen: nobody is asked half an hour later what was done."""
    state, _ = acknowledge(replace(OLD, state=UNACKNOWLEDGED), 400.0, by="Ben")
    assert state.going_at_s is None
    seen_by_ben = replace(OLD, going_at_s=None)
    assert acknowledge(seen_by_ben, 400.0, by="Cleo") == (seen_by_ben, ())


def test_going_after_seeing_names_who_goes() -> None:
    """Another one may go than the one who saw it; an answer of before is no answer to this walk."""
    seen = replace(OLD, going_at_s=None)
    state, moves = acknowledge(seen, 400.0, going=True, by="Ben")
    assert (state.going_at_s, state.answered_at_s, state.acknowledged_by) == (400.0, None, "Ben")
    assert [move.change for move in moves] == ["going"]


@pytest.mark.parametrize("state", [fresh(), fresh(state=NORMAL, raised_at_s=1.0, count=1)])
def test_nobody_goes_to_what_does_not_stand(state: AlarmState) -> None:
    """An answer that comes after all is over changes nothing."""
    assert acknowledge(state, 400.0, going=True, by="Ben") == (state, ())


def test_a_wrong_tap_leaves_no_name() -> None:
    """Undone, it is as if nobody had tapped."""
    state, _ = unacknowledge(OLD, 400.0)
    assert (state.acknowledged_at_s, state.acknowledged_by, state.going_at_s) == (None, "", None)


def test_only_a_walk_to_a_standing_alarm_is_answered() -> None:
    """Nobody went, or it is over: there is no question to end."""
    seen = replace(OLD, going_at_s=None, answered_at_s=None)
    assert answer(seen, 400.0) == (seen, ())
    over = replace(OLD, state=NORMAL, answered_at_s=None)
    assert answer(over, 400.0) == (over, ())
    state, _ = answer(replace(OLD, answered_at_s=None), 400.0)
    assert state.answered_at_s == 400.0


# ---- quiet ----


def test_quiet_holds_to_its_very_end() -> None:
    """Up to the second that was given, not beyond, and not at all where none was asked for."""
    state, _ = shelve(fresh(), 600.0, 0.0)
    assert state.is_shelved(0.0) is True and state.is_shelved(599.9) is True
    assert state.is_shelved(600.0) is False and fresh().is_shelved(0.0) is False
    assert LEAST_QUIET_S == 60.0, "what the page and the command line take as the shortest"


def test_quiet_for_what_could_wait_ends_when_it_is_raised_as_what_cannot() -> None:
    """Quiet asked for before it was raised covers the raising it was asked for, and no worse one."""
    quiet, _ = shelve(fresh(), 600.0, 0.0)
    for urgency, expected in (("daylight", ["raised"]), ("now", ["unshelved", "raised"])):
        state, moves = step(quiet, there(urgency=urgency), 60.0, AT_ONCE)
        assert [move.change for move in moves] == expected
        assert state.is_shelved(61.0) is (urgency == "daylight")
    loud, moves = step(fresh(), there(urgency="now"), 60.0, AT_ONCE)
    assert [move.change for move in moves] == ["raised"], "without quiet there is none to end"
    asked_for_now = replace(quiet, urgency="now", state=NORMAL, count=1)
    state, moves = step(asked_for_now, there(urgency="now"), 60.0, AT_ONCE)
    assert [move.change for move in moves] == ["raised"] and state.is_shelved(61.0)
    assert not loud.is_shelved(61.0)


@pytest.mark.parametrize(
    ("kind", "minutes", "words"),
    [("too_hot", 30, "30 minutes"), ("not_taken", 60, "60 minutes"), ("cooled_early", 720, "12 hours"),
     ("incomplete", 720, "12 hours"), ("silent", 720, "12 hours"), ("watch_fault", 720, "12 hours"),
     ("sensor_fault", 720, "12 hours"), ("separated", 720, "12 hours")],
)  # fmt: skip
def test_how_long_each_kind_may_be_quiet_and_how_that_is_said(kind: str, minutes: int, words: str) -> None:
    """To the second; the refusal names the longest in the unit a person would use."""
    state, _ = shelve(fresh(kind), minutes * 60.0, 0.0)
    assert state.shelved_until_s == minutes * 60.0
    with pytest.raises(AlarmError, match=f" {words} "):
        shelve(fresh(kind), minutes * 60.0 + 1.0, 0.0)


def test_the_longest_quiet_is_said_in_minutes_up_to_an_hour_and_a_half() -> None:
    """ "90 minutes" is plain; "2 hours" for an hour and a half would be wrong."""
    for longest_s, words in ((5400.0, "90 minutes"), (5460.0, "2 hours"), (7200.0, "2 hours")):
        with pytest.raises(AlarmError, match=f" {words} "):
            shelve(fresh(), 9000.0, 0.0, replace(AT_ONCE, max_quiet_s=longest_s))


# ---- deeds ----


def test_a_deed_releases_a_split_from_the_moment_it_was_raised() -> None:
    """Noted in the very minute counts. Without a raising there is nothing a deed could answer."""
    split = fresh("separated", state=UNACKNOWLEDGED, raised_at_s=100.0, gone_since_s=0.0, count=1)
    rule = replace(RULES["separated"], off_delay_s=0.0, min_hold_s=0.0)
    _, moves = step(split, gone("separated", deed_at_s=100.0), 200.0, rule)
    assert [move.change for move in moves] == ["cleared"]
    unknown = replace(split, raised_at_s=None)
    assert step(unknown, gone("separated", deed_at_s=100.0), 200.0, rule)[1] == ()
    assert step(replace(unknown, kind="silent"), gone("silent"), 200.0, AT_ONCE)[1] != ()


# ---- the times of each kind ----

# Minutes: raised after; cleared after, when it was gone at once; cleared after the first clear tick, when it stood
# long; raised anew after it cleared, when it came back at once. Worked out by hand from the reasons beside RULES.
TIMES = [
    ("not_taken", 1, 10, 5, 10),
    ("too_hot", 1, 16, 15, 2),
    ("cooled_early", 5, 30, 15, 30),
    ("incomplete", 10, 61, 60, 60),
    ("separated", 10, None, None, None),
    ("sensor_fault", 0, 16, 15, 1),
    ("silent", 0, 5, 2, 5),
    ("watch_fault", 2, 10, 5, 20),
]


def _minutes_until(change: str, state: AlarmState, condition: Condition, now_s: float) -> tuple[AlarmState, int | None]:
    """Tick on from the minute after ``now_s`` until the change comes; how many minutes after ``now_s`` that was."""
    for minute in range(1, 200):
        state, moves = step(state, condition, now_s + minute * 60.0)
        if change in [move.change for move in moves]:
            return state, minute
    return state, None


@pytest.mark.parametrize(("kind", "raised", "held", "cleared", "again"), TIMES)
def test_times_of_each_kind(kind: str, raised: int, held: int | None, cleared: int | None, again: int | None) -> None:
    """As a person would see it: minutes from what was found to what was told."""
    state, minute = _minutes_until("raised", fresh(kind), there(kind), -60.0)
    assert minute is not None and minute - 1 == raised
    at_s = raised * 60.0
    over, minute = _minutes_until("cleared", state, gone(kind), at_s)
    assert minute == held
    if held is not None:
        _, minute = _minutes_until("raised", over, there(kind), at_s + held * 60.0)
        assert minute == again
    for tick in range(1, 121):
        state, _ = step(state, there(kind), at_s + tick * 60.0)
    _, minute = _minutes_until("cleared", state, gone(kind), at_s + 120 * 60.0)
    assert (None if minute is None else minute - 1) == cleared


def test_a_split_stands_an_hour_and_is_not_raised_anew_for_another() -> None:
    """Once seen it goes by the same kind of times as the others."""
    state, _ = _minutes_until("raised", fresh("separated"), there("separated"), -60.0)
    state, _ = acknowledge(state, 600.0)
    state, minute = _minutes_until("cleared", state, gone("separated"), 600.0)
    assert minute == 61
    _, minute = _minutes_until("raised", state, there("separated"), 600.0 + 61 * 60.0)
    assert minute == 60


@pytest.mark.parametrize("kind", ["too_hot", "sensor_fault"])
def test_a_new_danger_waits_for_nothing(kind: str) -> None:
    """The second heat of a re-blend is rung as the first; so is another fault of a probe."""
    assert RULES[kind].re_raise_after_s == 0.0


# ---- what a person did ----


def test_each_act_is_the_move_of_its_name_and_any_other_changes_nothing() -> None:
    """As it comes from the page, a command or the button: word, time, who, and until when."""
    rung = step(fresh(), there(), 0.0, AT_ONCE)[0]
    assert rung.state == UNACKNOWLEDGED
    assert after_act(rung, "acknowledged", 60.0, "Wren", None) == acknowledge(rung, 60.0, by="Wren")[0]
    going = after_act(rung, "going", 60.0, "Wren", None)
    assert going == acknowledge(rung, 60.0, going=True, by="Wren")[0] and going.going_at_s == 60.0
    quiet = after_act(rung, "shelved", 60.0, "Wren", 60.0 + LEAST_QUIET_S)
    assert quiet == shelve(rung, 60.0 + LEAST_QUIET_S, 60.0)[0] and quiet.shelved_until_s == 60.0 + LEAST_QUIET_S
    assert after_act(quiet, "unshelved", 90.0, "Wren", None) == unshelve(quiet, 90.0)[0] != quiet
    assert after_act(rung, "shelved", 60.0, "Wren", None) == rung
    assert after_act(quiet, "looked", 90.0, "Wren", None) == quiet
    with pytest.raises(AlarmError):
        after_act(rung, "shelved", 60.0, "Wren", 59.0)
