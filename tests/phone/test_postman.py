"""The postman: from the outbox to the service, whatever the service does."""

from __future__ import annotations

import dataclasses
import io
import threading
import time
from collections.abc import Callable
from datetime import datetime, timedelta, timezone
from typing import Any

import pytest

from monitor.journal.database import Journal, JournalError, Message
from monitor.phone.people import Person, routes_of
from monitor.phone.postman import Delivery, Postman, reference
from monitor.phone.routes import Outcome, label, send
from tests.phone.receiver import Receiver, free_port

T0 = 1_773_480_000.0


class Clock:
    """A clock that stands where it is put."""

    def __init__(self) -> None:
        self.now_s = T0

    def __call__(self) -> float:
        return self.now_s


def quick(url: str, title: str, body: str, **more: object) -> Outcome:
    """The real thing with short time-outs."""
    return send(url, title, body, connect_timeout_s=1.0, read_timeout_s=0.4, **more)  # type: ignore[arg-type]


def letter(person: str, url: str, what: str = "raised", **more: object) -> Message:
    base = Message("a1", what, person, label(url), "shed-2 has not taken", "52 °C and falling.", T0, "now")
    return dataclasses.replace(base, **more)  # type: ignore[arg-type]


def postman(
    journal: Journal,
    urls: dict[str, tuple[str, ...]],
    clock: Clock,
    sender: Callable[..., Outcome] = quick,
    **more: Any,
) -> Postman:
    return Postman(journal, routes_of(Person(name, its) for name, its in urls.items()), clock, sender=sender, **more)


def settled(man: Postman, clock: Clock, count: int, wait_s: float = 5.0) -> list[Delivery]:
    """Rounds until so many messages are settled."""
    found: list[Delivery] = []
    until = time.monotonic() + wait_s
    while len(found) < count and time.monotonic() < until:
        found += man.deliver_due(clock.now_s, wait_s=0.1)
    return found


def test_nothing_is_handed_over_until_it_may_be(journal: Journal, receiver: Receiver) -> None:
    """Where something else is to come first (a copy for the machine that takes over), the message stays due."""
    clock, url, ready = Clock(), receiver.url("ok"), threading.Event()
    journal.add_messages([letter("Ada", url), letter("Ada", url, "again")])
    man = Postman(
        journal, routes_of([Person("Ada", (url,))]), clock, sender=quick, ready=ready.is_set
    )
    for _ in range(3):
        assert man.deliver_due(clock.now_s, wait_s=0.2) == []
    assert receiver.taken == [] and len(journal.messages(open_only=True)) == 2
    ready.set()
    assert len(settled(man, clock, 2, wait_s=30.0)) == 2


def test_a_message_is_taken_once_and_recorded(journal: Journal, receiver: Receiver) -> None:
    """Further rounds send nothing more; the text carries the reference of its alarm."""
    clock, url = Clock(), receiver.url("ok")
    (kept,) = journal.add_messages([letter("Ada", url)])
    man = postman(journal, {"Ada": (url,)}, clock)
    (delivery,) = settled(man, clock, 1)
    assert (delivery.message_id, delivery.person, delivery.ok, delivery.urgency) == (
        kept.message_id,
        "Ada",
        True,
        "now",
    )
    for _ in range(3):
        assert man.deliver_due(clock.now_s + 1000, wait_s=0.1) == []
    assert len(receiver.taken) == 1
    assert receiver.taken[0]["message"] == f"52 °C and falling.\n[{reference('a1')}]"
    row = journal.message(kept.message_id)
    assert row is not None
    assert (row.state, row.sent_s, row.attempts) == ("sent", T0, 1)


def test_a_refused_message_is_tried_again_after_its_wait(journal: Journal, receiver: Receiver) -> None:
    """Not before, and with the sentence kept in the journal."""
    clock, url = Clock(), receiver.url("status/500")
    (kept,) = journal.add_messages([letter("Ada", url)])
    man = postman(journal, {"Ada": (url,)}, clock)
    assert [one.ok for one in settled(man, clock, 1)] == [False]
    clock.now_s += 9.0
    assert man.deliver_due(clock.now_s, wait_s=0.1) == []
    clock.now_s += 1.0
    assert [one.ok for one in settled(man, clock, 1)] == [False]
    row = journal.message(kept.message_id)
    assert row is not None
    assert (row.state, row.attempts, row.next_try_s) == ("failed", 2, T0 + 10.0 + 30.0)
    assert "HTTP 500" in row.last_error
    assert len(receiver.tries) == 2


def test_slow_and_dead_routes_hold_up_nobody_else(journal: Journal, receiver: Receiver) -> None:
    """Ada's service hangs, Ben's is gone, and Cem is told at once."""
    clock = Clock()
    urls = {
        "Ada": (receiver.url("hang"),),
        "Ben": (f"json://127.0.0.1:{free_port()}/x",),
        "Cem": (receiver.url("ok"),),
    }
    journal.add_messages(letter(name, its[0]) for name, its in urls.items())
    send("zzz://", "", "")  # the library is loaded before the clock runs
    man = postman(journal, urls, clock)
    began = time.monotonic()
    found = settled(man, clock, 3)
    assert {one.person: one.ok for one in found} == {"Ada": False, "Ben": False, "Cem": True}
    assert receiver.taken[0]["at"] - began < 0.35, "before Ada's time-out of 0.4 s"
    assert found[-1].person == "Ada"


def test_a_late_answer_is_recorded_when_it_comes(journal: Journal, receiver: Receiver) -> None:
    """Within the time-out nothing is sent twice, however many rounds go by."""
    clock, url = Clock(), receiver.url("late/0.5")
    journal.add_messages([letter("Ada", url)])
    man = postman(journal, {"Ada": (url,)}, clock, sender=send)
    assert man.deliver_due(clock.now_s, wait_s=0.05) == []
    clock.now_s += 60.0
    assert [one.ok for one in settled(man, clock, 1)] == [True]
    assert len(receiver.tries) == 1


def test_an_answer_after_the_time_out_makes_a_double_that_can_be_seen_as_one(
    journal: Journal, receiver: Receiver
) -> None:
    """At least once: the service had taken it, we could not know, and both copies carry the same reference."""
    clock, url = Clock(), receiver.url("late/0.8")
    journal.add_messages([letter("Ada", url)])
    man = postman(journal, {"Ada": (url,)}, clock)
    (first,) = settled(man, clock, 1)
    assert not first.ok
    assert "may have arrived" in first.says
    clock.now_s += 10.0
    settled(man, clock, 1)
    until = time.monotonic() + 3.0
    while len(receiver.taken) < 2 and time.monotonic() < until:
        time.sleep(0.02)
    assert len({taken["message"] for taken in receiver.taken}) == 1
    assert reference("a1") in receiver.taken[0]["message"]


def test_a_lane_keeps_its_order_waking_first(journal: Journal, receiver: Receiver) -> None:
    """One person's messages by one route come one after the other."""
    clock, url = Clock(), receiver.url("ok")
    names = ["first", "second", "third"]
    journal.add_messages(letter("Ada", url, name, title=name, created_s=T0 - 9 + n) for n, name in enumerate(names))
    journal.add_messages([letter("Ada", url, "day", title="day", urgency="daylight", created_s=T0 - 99)])
    settled(postman(journal, {"Ada": (url,)}, clock), clock, 4)
    assert [taken["title"] for taken in receiver.taken] == ["first", "second", "third", "day"]


def test_a_late_message_says_how_old_it_is(journal: Journal, receiver: Receiver) -> None:
    """What was written hours ago must not read as news."""
    clock, url = Clock(), receiver.url("ok")
    journal.add_messages([letter("Ada", url, created_s=T0 - 3 * 3600 - 600)])
    settled(postman(journal, {"Ada": (url,)}, clock), clock, 1)
    assert receiver.taken[0]["message"].startswith("Late: this was written ")
    assert "3 h 10 min ago" in receiver.taken[0]["message"]


def test_a_late_message_names_the_time_of_the_place(journal: Journal, receiver: Receiver) -> None:
    """A small computer often stands on UTC; whoever reads it goes by the clock of the settings."""
    clock, url, written_s = Clock(), receiver.url("ok"), T0 - 3 * 3600
    journal.add_messages([letter("Ada", url, created_s=written_s)])
    place = timezone(timedelta(hours=5, minutes=45))
    man = postman(
        journal, {"Ada": (url,)}, clock, local_time=lambda at_s: datetime.fromtimestamp(at_s, place)
    )
    settled(man, clock, 1)
    assert f"{datetime.fromtimestamp(written_s, place):%H:%M}" in receiver.taken[0]["message"]


def test_the_demo_phone_prints_to_the_stream_given(journal: Journal) -> None:
    """The demo route goes the same way as a real one."""
    clock, stream = Clock(), io.StringIO()
    journal.add_messages([letter("Ada", "print://")])
    man = Postman(journal, routes_of([Person("Ada", ("print://",))]), clock, stream=stream)
    assert [one.ok for one in settled(man, clock, 1)] == [True]
    assert "shed-2 has not taken" in stream.getvalue()


def test_an_expired_message_is_given_up_and_said_to_be(journal: Journal) -> None:
    """So that the morning can tell what the night could not."""
    clock, url = Clock(), f"json://127.0.0.1:{free_port()}/x"
    journal.add_messages([letter("Ada", url)])
    man = postman(journal, {"Ada": (url,)}, clock)
    (given_up,) = man.deliver_due(T0 + 24 * 3600.0, wait_s=0.1)
    assert (given_up.expired, given_up.ok) == (True, False)
    assert "Ada was not told in time: shed-2 has not taken." in given_up.says
    assert man.deliver_due(T0 + 24 * 3600.0, wait_s=0.1) == []


def test_messages_of_a_route_that_was_changed_find_the_new_one(journal: Journal, receiver: Receiver) -> None:
    """A mistyped route, mended in the settings: after the restart the alarm of the night still arrives."""
    clock, url = Clock(), receiver.url("ok")
    journal.add_messages([letter("Ada", "json://mistyped"), letter("Ben", "json://left")])
    man = postman(journal, {"Ada": (url,)}, clock)
    assert man.adopt(T0) == 1
    found = {one.person: one for one in settled(man, clock, 2)}
    assert found["Ada"].ok
    assert not found["Ben"].ok
    assert "no longer have this route" in found["Ben"].says


def test_a_message_that_was_sent_but_not_recorded_is_not_sent_again(journal: Journal, receiver: Receiver) -> None:
    """The disk is full at the moment of the answer; the record is made up when it can be."""

    class FullDisk(Journal):
        full = True

        def message_sent(self, message_id: str, sent_s: float) -> None:
            if self.full:
                raise JournalError("Journal: the disk is full.", again=True)
            super().message_sent(message_id, sent_s)

    clock, url = Clock(), receiver.url("ok")
    with FullDisk(journal.path) as full:
        (kept,) = full.add_messages([letter("Ada", url)])
        man = postman(full, {"Ada": (url,)}, clock)
        assert [one.ok for one in settled(man, clock, 1)] == [True]
        for _ in range(3):
            clock.now_s += 400.0
            assert man.deliver_due(clock.now_s, wait_s=0.05) == []
        full.full = False
        man.deliver_due(clock.now_s, wait_s=0.05)
        row = full.message(kept.message_id)
        assert row is not None
        assert (row.state, row.sent_s) == ("sent", T0)
    assert len(receiver.tries) == 1


def test_an_outbox_that_cannot_be_read_is_the_callers_to_hear_of(journal: Journal) -> None:
    """The postman does not hide it."""
    man = postman(journal, {}, Clock())
    journal.close()
    with pytest.raises(JournalError):
        man.deliver_due(T0)


class Stuck:
    """A sender that hangs until let go, however often it is called."""

    def __init__(self) -> None:
        self.calls: list[str] = []
        self.go = threading.Event()

    def __call__(self, url: str, title: str, body: str, **_: object) -> Outcome:
        self.calls.append(title)
        self.go.wait(10)
        return Outcome(True, False, "took it")


def test_a_lane_that_hangs_for_good_is_taken_over_a_few_times(journal: Journal) -> None:
    """Its thread cannot be killed: it is counted, a new one tries again, and threads do not pile up without end."""
    clock, stuck = Clock(), Stuck()
    first, second = journal.add_messages([letter("Ada", "json://x", "one"), letter("Ada", "json://x", "two")])
    man = postman(journal, {"Ada": ("json://x",)}, clock, sender=stuck, hung_after_s=0.1)
    says = []
    for _ in range(20):
        says += [one.says for one in man.deliver_due(clock.now_s, wait_s=0.05)]
        clock.now_s += 301.0
    assert len(stuck.calls) == 3, "no more threads than are borne"
    assert man.hung == [("Ada", label("json://x"))]
    assert any("no answer within" in text for text in says)
    row = journal.message(first.message_id)
    assert row is not None
    assert row.state == "failed"
    stuck.go.set()
    found = settled(man, clock, 2)
    man.close()
    assert all(one.ok for one in found)
    for kept in (first, second):
        row = journal.message(kept.message_id)
        assert row is not None
        assert row.state == "sent"
    until = time.monotonic() + 3.0
    while man.hung and time.monotonic() < until:  # a thread that has answered takes a moment to end
        time.sleep(0.01)
    assert man.hung == []


def test_a_sender_that_raises_is_a_failure_like_others(journal: Journal) -> None:
    """The lane lives on and tries again later."""

    def broken(*_: object, **__: object) -> Outcome:
        raise RuntimeError("https://hushhush")

    clock = Clock()
    journal.add_messages([letter("Ada", "json://x")])
    (failed,) = settled(postman(journal, {"Ada": ("json://x",)}, clock, sender=broken), clock, 1)
    assert not failed.ok
    assert "RuntimeError" in failed.says
    assert "hushhush" not in failed.says


def test_closing_waits_for_what_is_under_way(journal: Journal, receiver: Receiver) -> None:
    """A message handed over at the moment of the stop is recorded, and so not sent again by the next start."""
    clock, url = Clock(), receiver.url("late/0.3")
    (kept,) = journal.add_messages([letter("Ada", url)])
    man = postman(journal, {"Ada": (url,)}, clock, sender=send)
    man.deliver_due(clock.now_s, wait_s=0.0)
    man.close(wait_s=5.0)
    row = journal.message(kept.message_id)
    assert row is not None
    assert row.state == "sent"


@pytest.mark.parametrize("people", [40])
def test_many_people_are_told_at_once(journal: Journal, receiver: Receiver, people: int) -> None:
    """With a hanging and a dead route among them, everyone else's message is with the service while that one hangs."""
    clock = Clock()
    urls = {f"P{n}": (receiver.url(f"ok/{n}"),) for n in range(people)}
    urls["hung"], urls["dead"] = (receiver.url("hang"),), (f"json://127.0.0.1:{free_port()}/x",)
    journal.add_messages(letter(name, its[0]) for name, its in urls.items())
    man = postman(journal, urls, clock, sender=send)
    found = settled(man, clock, people + 1)
    assert sum(one.ok for one in found) == people
    assert "hung" not in {one.person for one in found}
