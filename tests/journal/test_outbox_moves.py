"""The outbox to the second and to the row: what is due, what is taken back, handed on and moved, and what is not."""

from __future__ import annotations

from dataclasses import replace

from monitor.domain import Event
from monitor.journal.database import AlarmRecord, Journal, Message
from monitor.journal.outbox import STEADY_S
from monitor.journal.rows import GIVEN_UP

T0 = 1_773_480_000.0
DAY = 24 * 3600.0


def letter(what: str = "raised", person: str = "Ada", route: str = "old", **more: object) -> Message:
    base = Message("a1", what, person, route, "shed-2 has not taken", "52 °C and falling.", T0, "now")
    return replace(base, **more)  # type: ignore[arg-type]


def states(journal: Journal) -> dict[str, str]:
    return {message.message_id: message.state for message in journal.messages()}


def put(journal: Journal, *messages: Message) -> list[str]:
    return [message.message_id for message in journal.add_messages(messages)]


# ---- put in ----


def test_a_message_comes_back_with_every_field(journal: Journal) -> None:
    """What was left open is filled in; what was given stays as it was given."""
    (kept,) = journal.add_messages([letter()])
    assert kept == letter(
        message_id="a1/raised/Ada/old", not_before_s=T0, expires_s=T0 + DAY, next_try_s=T0, state="waiting"
    )
    assert journal.message(kept.message_id) == kept
    given = letter(
        "other", message_id="mine", not_before_s=T0 + 5, expires_s=T0 + 7, next_try_s=T0 + 6, state="failed",
        attempts=3, last_error="busy",
    )  # fmt: skip
    assert journal.add_messages([given]) == [given]
    assert journal.message("mine") == given
    assert journal.message("nobody's") is None


def test_the_oldest_come_first_and_those_of_one_moment_as_they_were_put_in(journal: Journal) -> None:
    """For the page as for the postman; a subject or the open ones alone can be asked for."""
    first, late, early, other = put(
        journal, letter("z"), letter("y", created_s=T0 + 9), letter("x", created_s=T0 - 9), letter("a", about="a2")
    )
    assert [message.message_id for message in journal.messages()] == [early, first, other, late]
    assert [message.message_id for message in journal.due_messages(T0 + 10)] == [early, first, other, late]
    assert [message.message_id for message in journal.messages("a2")] == [other]
    journal.take_back([first])
    journal.message_sent(early, T0)
    journal.message_failed(late, "busy", True, T0)
    assert [message.message_id for message in journal.messages(open_only=True)] == [other, late]
    assert [message.message_id for message in journal.messages("a1", open_only=True)] == [late]


# ---- due ----


def test_a_clock_set_back_is_believed_after_a_minute(journal: Journal) -> None:
    """A message that was written up to a minute "ahead" is no sign of a clock set back; more is."""
    put(journal, letter("wait", not_before_s=T0 + 8 * 3600.0, expires_s=T0 + DAY, next_try_s=T0 - DAY))
    assert journal.due_messages(T0 - 60.0) == []
    assert len(journal.due_messages(T0 - 60.5)) == 1


def test_a_wait_longer_than_any_of_ours_counts_as_over(journal: Journal) -> None:
    """Our longest is five minutes; what says six was written before the clock was set back."""
    put(journal, letter("ours", next_try_s=T0 + STEADY_S), letter("no wait of ours", next_try_s=T0 + STEADY_S + 0.5))
    assert STEADY_S == 300.0
    assert [message.what for message in journal.due_messages(T0)] == ["no wait of ours"]
    assert [message.what for message in journal.due_messages(T0 + STEADY_S)] == ["ours"]


def test_what_is_past_its_time_is_not_rung_any_more(journal: Journal) -> None:
    """From the second of its expiry on, also before it has been given up."""
    put(journal, letter(expires_s=T0 + 60))
    assert len(journal.due_messages(T0 + 59.9)) == 1
    assert journal.due_messages(T0 + 60) == []


def test_only_what_is_open_is_due(journal: Journal) -> None:
    """Sent, superseded and given up are settled, whatever their times say."""
    put(journal, *(letter(state, state=state) for state in ("waiting", "failed", "sent", "superseded", "given_up")))
    assert [message.what for message in journal.due_messages(T0)] == ["waiting", "failed"]


# ---- sent, failed, given up ----


def test_a_report_concerns_its_own_message_only(journal: Journal) -> None:
    """Two people, two routes: what one service says is nothing about the other."""
    one, two = put(journal, letter(), letter(person="Ben"))
    before = journal.message(two)
    journal.message_failed(one, "busy", True, T0 + 1)
    journal.message_sent(one, T0 + 2)
    assert journal.message(two) == before
    sent = journal.message(one)
    assert sent is not None
    assert (sent.state, sent.attempts, sent.last_error, sent.sent_s) == ("sent", 2, "", T0 + 2)


def test_a_waking_message_refused_for_good_is_tried_at_the_steady_pace(journal: Journal) -> None:
    """Not after ten seconds: the route has said that this does not help."""
    (one,) = put(journal, letter())
    after = journal.message_failed(one, "no such user", False, T0)
    assert after is not None
    assert (after.state, after.next_try_s) == ("failed", T0 + STEADY_S)
    after = journal.message_failed(one, "no such user", False, T0 + DAY)
    assert after is not None
    assert after.state == "given_up", "a failure at the very expiry ends it"


def test_what_can_wait_is_tried_again_where_that_may_help(journal: Journal) -> None:
    """A network that is down for a minute costs nobody the news of the morning."""
    (one,) = put(journal, letter(urgency="daylight"))
    after = journal.message_failed(one, "no network", True, T0)
    assert after is not None
    assert (after.state, after.next_try_s) == ("failed", T0 + 10.0)


def test_only_what_is_past_its_time_is_given_up(journal: Journal) -> None:
    """And nothing that was settled before; the rows given back are those as they are now."""
    over, later, sent = put(
        journal, letter("over", expires_s=T0 + 60), letter("later", expires_s=T0 + 61), letter("s", expires_s=T0 + 9)
    )
    journal.message_sent(sent, T0)
    given_up = journal.give_up_expired(T0 + 60)
    assert [(message.message_id, message.state) for message in given_up] == [(over, "given_up")]
    assert states(journal) == {over: "given_up", later: "waiting", sent: "sent"}


def test_looking_for_what_is_past_its_time_waits_for_nobody(journal: Journal) -> None:
    """It is asked every few seconds; while there is nothing to give up it does not ask for the right to write."""
    put(journal, letter(), letter("settled", expires_s=T0 - 1, state="superseded"))
    with Journal(journal.path) as writer, writer.transaction():
        writer.set_fact("busy", True)
        assert journal.give_up_expired(T0) == []


def test_what_was_given_up_for_a_person_can_be_summed_up_once(journal: Journal) -> None:
    """Their own, from the time asked for on, the oldest first; not what waits, was told or has been summed up."""
    ids = put(
        journal,
        letter("late", state="given_up", created_s=T0 + 9),
        letter("first", state="given_up"),
        letter("second", state="given_up"),
        letter("old", state="given_up", created_s=T0 - 1),
        letter("hers", state="given_up", person="Ben"),
        letter("open"),
        letter("told", state="sent"),
    )
    given_up = journal.given_up_messages("Ada", T0)
    assert [message.what for message in given_up] == ["first", "second", "late"]
    assert given_up[0] == journal.message(ids[1])
    assert journal.sum_up(ids[i] for i in (1, 0, 5, 6)) == 2
    assert [message.what for message in journal.given_up_messages("Ada", T0)] == ["second"]
    assert {message.what: message.state for message in journal.messages()} == {
        "late": "summed_up", "first": "summed_up", "second": "given_up", "old": "given_up", "hers": "given_up",
        "open": "waiting", "told": "sent",
    }  # fmt: skip
    assert journal.sum_up(ids[:2]) == 0
    assert {"given_up", "summed_up"} == set(GIVEN_UP), "the states that nobody tries any more"


def test_only_what_was_taken_back_can_be_given_up_after_all(journal: Journal) -> None:
    """Not what was told, what still waits, nor what has been summed up."""
    states = ("superseded", "sent", "waiting", "failed", "summed_up")
    ids = put(journal, *(letter(state, state=state) for state in states), letter("other", state="superseded"))
    assert journal.give_up(ids[:5]) == 1
    after = {message.what: message.state for message in journal.messages()}
    assert after == {state: state for state in states} | {"superseded": "given_up", "other": "superseded"}
    assert journal.give_up(ids[:5]) == 0


def test_what_does_not_say_that_it_wakes_can_wait() -> None:
    """A forgotten word must not ring anybody out of bed."""
    assert Message("a1", "raised", "Ada", "old", "title", "body", T0).urgency == "daylight"
    assert AlarmRecord("a1", "silent", "shed-2", "Q 12", "normal").urgency == "daylight"


# ---- superseded, taken back ----


def test_superseding_leaves_the_settled_and_the_others_alone(journal: Journal) -> None:
    """Only what has not been told, only about this alarm, and the number of them."""
    one, two, kept, sent, other = put(
        journal, letter("raised"), letter("repeat-1"), letter("cleared"), letter("repeat-0"), letter(about="a2")
    )
    journal.message_sent(sent, T0)
    journal.message_failed(two, "busy", True, T0)
    assert journal.supersede_messages("a1", keep=["cleared"]) == 2
    assert states(journal) == {one: "superseded", two: "superseded", kept: "waiting", sent: "sent", other: "waiting"}
    assert journal.supersede_messages("a1", keep=["cleared"]) == 0


def test_messages_are_taken_back_by_name_as_far_as_they_were_not_told(journal: Journal) -> None:
    """What a service has taken cannot be called back and is not counted."""
    one, two, sent, other = put(journal, letter("1"), letter("2"), letter("3"), letter("4"))
    journal.message_sent(sent, T0)
    journal.message_failed(two, "busy", True, T0)
    assert journal.take_back([one, two, sent, "nobody's"]) == 2
    assert states(journal) == {one: "superseded", two: "superseded", sent: "sent", other: "waiting"}
    assert journal.take_back(iter([one])) == 0
    with Journal(journal.path) as writer, writer.transaction():
        writer.set_fact("busy", True)
        assert journal.take_back([]) == 0, "nothing to take back asks for nothing"


# ---- handed on, moved ----


def test_another_route_tells_it_as_well(journal: Journal) -> None:
    """The copy begins afresh and is due now; the first route goes on trying."""
    (one,) = put(journal, letter(not_before_s=T0 - 5))
    journal.message_failed(one, "busy", True, T0 + 1)
    copy = journal.hand_on(one, "new", T0 + 2)
    assert copy == letter(
        route="new", message_id="a1/raised/Ada/new", not_before_s=T0 - 5, expires_s=T0 + DAY, next_try_s=T0 + 2
    )
    assert journal.message("a1/raised/Ada/new") == copy
    assert states(journal) == {one: "failed", "a1/raised/Ada/new": "waiting"}
    assert [message.route for message in journal.due_messages(T0 + 2)] == ["new"]
    assert journal.hand_on(one, "new", T0 + 3) is None, "it has been given it before"


def test_what_is_settled_is_not_handed_on(journal: Journal) -> None:
    """Told, taken back, given up or unknown: nobody is to be rung for it by another route."""
    sent, gone, over, waiting = put(
        journal, letter("s"), letter("t", state="superseded"), letter("g", state="given_up"), letter("w")
    )
    journal.message_sent(sent, T0)
    for message_id in (sent, gone, over, "nobody's"):
        assert journal.hand_on(message_id, "new", T0) is None
    assert len(journal.messages()) == 4
    assert journal.hand_on(waiting, "new", T0) is not None


def test_moving_concerns_the_one_person_and_the_one_route(journal: Journal) -> None:
    """Others by the same route, and the same person's other routes, are left as they are."""
    mine, second, ben, other, sent = put(
        journal, letter("1"), letter("2"), letter("1", person="Ben"), letter("3", route="third"), letter("4")
    )
    journal.message_sent(sent, T0)
    journal.message_failed(second, "busy", True, T0)
    assert journal.move_messages("Ada", "old", "new", T0 + 7) == 2
    assert {message.message_id: (message.route, message.state) for message in journal.messages()} == {
        mine: ("new", "waiting"),
        second: ("new", "waiting"),
        ben: ("old", "waiting"),
        other: ("third", "waiting"),
        sent: ("old", "sent"),
    }
    assert {message.next_try_s for message in journal.messages() if message.route == "new"} == {T0 + 7}
    assert journal.move_messages("Ada", "old", "new", T0 + 8) == 0


def test_a_twin_is_the_same_message_to_the_same_person(journal: Journal) -> None:
    """Something else that the other route has been given is no reason to keep this from it."""
    mine, *_ = put(
        journal,
        letter("raised"),
        letter("repeat-1", route="new"),  # other occasion
        letter("raised", person="Ben", route="new"),  # other person
        letter("raised", about="a2", route="new"),  # other alarm
        letter("raised", route="third"),  # other route
    )
    assert journal.move_messages("Ada", "old", "new", T0) == 1
    moved = journal.message(mine)
    assert moved is not None
    assert (moved.route, moved.state) == ("new", "waiting")
    assert {message.state for message in journal.messages()} == {"waiting"}


def test_with_a_twin_only_the_old_one_ends(journal: Journal) -> None:
    """The one that the other route has been given goes its way."""
    old, twin, bystander = put(journal, letter(), letter(route="new"), letter("repeat-1", route="third"))
    assert journal.move_messages("Ada", "old", "new", T0) == 0
    assert states(journal) == {old: "superseded", twin: "waiting", bystander: "waiting"}


def test_each_of_these_is_whole_or_not_at_all(journal: Journal) -> None:
    """Inside a larger group they go with it: an alarm's end and the taking back of its reminders are one write."""
    one, two = put(journal, letter("1"), letter("2"))
    before = journal.messages()
    for act in (
        lambda: journal.message_sent(one, T0),
        lambda: journal.message_failed(one, "busy", True, T0),
        lambda: journal.give_up_expired(T0 + 2 * DAY),
        lambda: journal.supersede_messages("a1"),
        lambda: journal.take_back([one, two]),
        lambda: journal.hand_on(one, "new", T0),
        lambda: journal.move_messages("Ada", "old", "new", T0),
        lambda: journal.add_messages([letter("3")]),
    ):
        try:
            with journal.transaction():
                journal.add_events([Event("alarm", T0, "shed-2", "Q 12", {"alarm": "a1", "state": "cleared"})])
                act()
                assert journal.messages() != before
                raise InterruptedError
        except InterruptedError:
            pass
        assert journal.messages() == before
    assert journal.events() == []
