"""The outbox: what is still to be told to whom."""

from __future__ import annotations

import dataclasses

import pytest

from monitor.domain import Event
from monitor.journal.database import BACK_OFF_S, Journal, Message
from monitor.journal.outbox import wait_after

T0 = 1_773_480_000.0
DAY = 24 * 3600.0


def letter(what: str = "raised", person: str = "Ada", route: str = "json …a1b2c3", **more: object) -> Message:
    base = Message("a1", what, person, route, "shed-2 has not taken", "52 °C and falling.", T0, "now")
    return dataclasses.replace(base, **more)  # type: ignore[arg-type]


def ids(messages: list[Message]) -> list[str]:
    return [message.message_id for message in messages]


def test_the_same_message_is_put_in_once(journal: Journal) -> None:
    """The id follows from alarm, occasion, person and route, so a restart rings nobody twice."""
    (kept,) = journal.add_messages([letter()])
    assert kept.message_id == "a1/raised/Ada/json …a1b2c3"
    assert journal.add_messages([letter(body="other words")]) == []
    assert len(journal.add_messages([letter("repeat-1"), letter(person="Ben"), letter(route="ntfy …0")])) == 3


def test_an_alarm_and_its_messages_are_kept_together_or_not_at_all(journal: Journal) -> None:
    """A crash between the two could else lose a message for ever."""
    event = Event("alarm", T0, "shed-2", "Q 12", {"alarm": "a1", "state": "raised"})
    with pytest.raises(RuntimeError), journal.transaction():
        journal.add_events([event])
        journal.add_messages([letter()])
        raise RuntimeError
    assert (journal.events(), journal.messages()) == ([], [])
    with journal.transaction():
        journal.add_events([event])
        journal.add_messages([letter()])
    assert (len(journal.events()), len(journal.messages())) == (1, 1)


def test_due_are_those_whose_time_has_come_waking_ones_first(journal: Journal) -> None:
    """A message for waking hours waits until then, from the second on."""
    daylight = letter("d", urgency="daylight", created_s=T0 - 50, not_before_s=T0 + 3600)
    first_day = letter("e", urgency="daylight", created_s=T0 - 60)
    journal.add_messages([daylight, first_day, letter("raised"), letter("older", created_s=T0 - 5)])
    assert [message.what for message in journal.due_messages(T0)] == ["older", "raised", "e"]
    assert [message.what for message in journal.due_messages(T0 + 3599)] == ["older", "raised", "e"]
    assert len(journal.due_messages(T0 + 3600)) == 4


def test_what_was_sent_is_sent_once(journal: Journal) -> None:
    """Neither a second report nor a late failure changes it."""
    (kept,) = journal.add_messages([letter()])
    journal.message_sent(kept.message_id, T0 + 2)
    journal.message_sent(kept.message_id, T0 + 9)
    after = journal.message_failed(kept.message_id, "late", True, T0 + 10)
    assert after is not None
    assert (after.state, after.sent_s, after.attempts, after.last_error) == ("sent", T0 + 2, 1, "")
    assert journal.due_messages(T0 + 1000) == []
    assert journal.message_failed("no such", "", True, T0) is None


def test_waits_grow_and_then_stay(journal: Journal) -> None:
    """10 s, 30 s, 1, 2 and then every 5 minutes; it is due exactly when the wait is over."""
    assert BACK_OFF_S == (10.0, 30.0, 60.0, 120.0, 300.0)
    assert [wait_after(n) for n in (0, 1, 2, 5, 50)] == [10.0, 10.0, 30.0, 300.0, 300.0]
    (kept,) = journal.add_messages([letter()])
    now = T0
    for attempt, wait in enumerate([10.0, 30.0, 60.0, 120.0, 300.0, 300.0, 300.0], 1):
        after = journal.message_failed(kept.message_id, f"failure {attempt}", True, now)
        assert after is not None
        assert ("failed", attempt, f"failure {attempt}") == (after.state, after.attempts, after.last_error)
        assert journal.due_messages(now + wait - 0.001) == []
        now += wait
        assert [kept.message_id] == ids(journal.due_messages(now))


def test_a_waking_message_is_not_given_up_within_its_day(journal: Journal) -> None:
    """Not even when the route says that trying again is no use: somebody may mend the route."""
    (kept,) = journal.add_messages([letter()])
    assert kept.expires_s == T0 + DAY
    now, tries = T0, 0
    while now < T0 + DAY:
        due = journal.due_messages(now)
        if due:
            tries += 1
            journal.message_failed(kept.message_id, "refused", tries % 2 == 0, now)
        assert journal.give_up_expired(now) == []
        now += 5.0
    assert tries > 280
    assert journal.due_messages(now) == []
    assert [kept.message_id] == ids(journal.give_up_expired(now))
    assert journal.give_up_expired(now) == []
    gone = journal.message(kept.message_id)
    assert gone is not None
    assert gone.state == "given_up"


def test_a_message_that_can_wait_is_given_up_when_trying_is_no_use(journal: Journal) -> None:
    """And a failure after the expiry ends any message."""
    (day,) = journal.add_messages([letter("d", urgency="daylight")])
    after = journal.message_failed(day.message_id, "unknown service", False, T0)
    assert after is not None
    assert after.state == "given_up"
    (soon,) = journal.add_messages([letter("e", expires_s=T0 + 60)])
    after = journal.message_failed(soon.message_id, "refused", True, T0 + 60)
    assert after is not None
    assert after.state == "given_up"


def test_expiry_counts_from_when_it_may_be_told(journal: Journal) -> None:
    """A message that has to wait for the morning keeps its full day."""
    (kept,) = journal.add_messages([letter(urgency="daylight", not_before_s=T0 + 9 * 3600)])
    assert kept.expires_s == T0 + 9 * 3600 + DAY


def test_stale_reminders_are_replaced_not_sent(journal: Journal) -> None:
    """What was told stays told; what the caller keeps stays due; other alarms are left alone."""
    first, *_ = journal.add_messages([letter("raised"), letter("repeat-1"), letter("cleared"), letter(about="a2")])
    journal.message_sent(first.message_id, T0)
    assert journal.supersede_messages("a1", keep=["cleared"]) == 1
    states = {message.what: message.state for message in journal.messages("a1")}
    assert states == {"raised": "sent", "repeat-1": "superseded", "cleared": "waiting"}
    assert sorted(message.what for message in journal.messages(open_only=True)) == ["cleared", "raised"]
    assert [(m.about, m.what) for m in journal.due_messages(T0)] == [("a1", "cleared"), ("a2", "raised")]


def test_a_message_handed_over_counts_even_if_superseded_meanwhile(journal: Journal) -> None:
    """The service took it; no bookkeeping calls it back. A failure then changes nothing."""
    one, two = journal.add_messages([letter("raised"), letter("repeat-1")])
    journal.supersede_messages("a1")
    journal.message_sent(one.message_id, T0)
    journal.message_failed(two.message_id, "x", True, T0)
    assert {m.what: m.state for m in journal.messages()} == {"raised": "sent", "repeat-1": "superseded"}


def test_messages_for_a_route_that_is_gone_move_to_another(journal: Journal) -> None:
    """At once, and not where that route has been given the same message itself."""
    old, *_ = journal.add_messages(
        [letter(route="old"), letter("repeat-1", route="old"), letter("repeat-1", route="new")]
    )
    journal.message_failed(old.message_id, "gone", False, T0)
    assert journal.move_messages("Ada", "old", "new", T0 + 1) == 1
    assert sorted(m.what for m in journal.due_messages(T0 + 1)) == ["raised", "repeat-1"]
    assert {"new"} == {m.route for m in journal.due_messages(T0 + 1)}
    assert [m.state for m in journal.messages() if m.route == "old"] == ["superseded"]


def test_moving_does_not_ring_a_sleeper_early(journal: Journal) -> None:
    """What waits for the morning goes on waiting by the other route."""
    journal.add_messages([letter(route="old", urgency="daylight", not_before_s=T0 + 3600)])
    journal.move_messages("Ada", "old", "new", T0)
    assert journal.due_messages(T0 + 10) == []
    assert len(journal.due_messages(T0 + 3600)) == 1


def test_a_clock_that_was_set_back_does_not_hold_messages(journal: Journal) -> None:
    """A board without a clock of its own may start in the past; then waits that lie far ahead count as over."""
    (kept,) = journal.add_messages([letter()])
    journal.message_failed(kept.message_id, "x", True, T0)
    assert journal.due_messages(T0 + 1) == []
    assert [kept.message_id] == ids(journal.due_messages(T0 - 30 * DAY))
    (day,) = journal.add_messages([letter("d", urgency="daylight", not_before_s=T0 + 3600)])
    assert day.message_id in ids(journal.due_messages(T0 - 30 * DAY))
    assert day.message_id not in ids(journal.due_messages(T0))
