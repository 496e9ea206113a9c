"""One person's routes are tried one after the other; what wakes does not wait for a route that gives no answer."""

from __future__ import annotations

import dataclasses
import threading

import pytest

from monitor.journal.database import Journal, Message
from monitor.phone.people import Person, routes_of
from monitor.phone.postman import JOIN_AFTER_S, Delivery, Postman
from monitor.phone.routes import Outcome, label

T0 = 1_773_480_000.0
ONE, TWO, THREE = "a://one", "a://two", "a://three"
ADA = Person("Ada", (ONE, TWO, THREE))
TAKEN = Outcome(True, False, "took it")
REFUSED = Outcome(False, False, "refused it")
AWAY = Outcome(False, True, "no answer")


class Phones:
    """A sender whose routes answer as they are told to; ``calls`` are the URLs in order."""

    def __init__(self, **answers: Outcome) -> None:
        self.answers = answers
        self.calls: list[str] = []
        self.go = threading.Event()

    def __call__(self, url: str, title: str, body: str, **_: object) -> Outcome:
        self.calls.append(url)
        answer = self.answers.get(url.partition("//")[2])
        if answer is None:
            self.go.wait(20)
            return TAKEN
        return answer


class Bench:
    """A postman whose two clocks stand where they are put."""

    def __init__(self, journal: Journal, phones: Phones, **more: object) -> None:
        self.now_s, self.moment = T0, 100.0
        self.journal, self.phones = journal, phones
        self.man = Postman(
            journal, routes_of([ADA]), lambda: self.now_s, sender=phones, monotonic=lambda: self.moment,
            **more,  # type: ignore[arg-type]
        )  # fmt: skip

    def put(self, route: str = ONE, **more: object) -> Message:
        message = Message("shed-2/b/too_hot/1", "first-1", "Ada", label(route), "title", "body", self.now_s, "now")
        (kept,) = self.journal.add_messages([dataclasses.replace(message, **more)])  # type: ignore[arg-type]
        return kept

    def rounds(self, n: int, step_s: float = 1.0, wait_s: float = 2.0) -> list[Delivery]:
        found: list[Delivery] = []
        for _ in range(n):
            found += self.man.deliver_due(self.now_s, wait_s=wait_s)
            self.now_s += step_s
            self.moment += step_s
        return found


def test_the_first_route_alone_is_used_while_it_takes_the_message(journal: Journal) -> None:
    """Nobody's every device rings for what one of them has told."""
    bench = Bench(journal, Phones(one=TAKEN, two=TAKEN, three=TAKEN))
    bench.put()
    bench.rounds(30)
    assert bench.phones.calls == [ONE]


@pytest.mark.parametrize("answer", [REFUSED, AWAY])
def test_a_refusal_lets_the_next_route_join_at_once(journal: Journal, answer: Outcome) -> None:
    """From the first to the last, within the next rounds of the postman."""
    bench = Bench(journal, Phones(one=answer, two=answer, three=TAKEN))
    bench.put()
    bench.rounds(4)
    assert bench.phones.calls == [ONE, TWO, THREE]


def test_a_route_that_hangs_is_joined_after_ten_seconds(journal: Journal) -> None:
    """What waits behind another message in a lane that hangs is joined too; nothing waits for the ninety seconds."""
    bench = Bench(journal, Phones(two=TAKEN, three=TAKEN))
    bench.put()
    bench.rounds(int(JOIN_AFTER_S), wait_s=0.01)
    assert bench.phones.calls == [ONE]
    bench.put(what="behind")
    bench.rounds(1, wait_s=0.01)
    bench.rounds(2, wait_s=0.3)
    assert bench.phones.calls == [ONE, TWO], "and the third need not ring"
    bench.rounds(int(JOIN_AFTER_S), wait_s=0.01)
    bench.rounds(1, wait_s=0.3)
    assert bench.phones.calls == [ONE, TWO, TWO]
    bench.phones.go.set()
    bench.man.close()


def test_what_can_wait_is_tried_twice_before_the_next_route_joins(journal: Journal) -> None:
    """A moment without network is no cause; a refusal for good is, at once."""
    bench = Bench(journal, Phones(one=AWAY, two=TAKEN))
    bench.put(urgency="daylight")
    bench.rounds(9)
    assert bench.phones.calls == [ONE]
    bench.rounds(4)
    assert bench.phones.calls == [ONE, ONE, TWO]
    refusing = Bench(journal, Phones(one=REFUSED, two=TAKEN))
    refusing.put(urgency="daylight", what="other")
    refusing.rounds(3)
    assert refusing.phones.calls == [ONE, TWO]


def test_what_was_taken_back_is_not_handed_on(journal: Journal) -> None:
    """Somebody answered while the first route was still at it: neither the next one nor the rest of the lane rings."""
    phones = Phones(two=TAKEN)
    bench = Bench(journal, phones)
    first, second = bench.put(), bench.put(what="second")
    bench.rounds(1, wait_s=0.01)
    journal.take_back([first.message_id, second.message_id])
    bench.rounds(15, wait_s=0.01)
    phones.answers["one"] = AWAY
    phones.go.set()
    bench.rounds(30, wait_s=0.05)
    assert phones.calls == [ONE]
    assert [one.state for one in journal.messages()] == ["sent", "superseded"]


def test_a_try_that_failed_by_day_is_not_made_up_for_at_night(journal: Journal) -> None:
    """The network comes back at two: what can wait waits for the morning, what wakes goes out."""
    night = (T0 + 100.0, T0 + 8 * 3600.0)
    phones = Phones(one=AWAY, two=AWAY, three=AWAY)
    bench = Bench(journal, phones, asleep=lambda _, at_s: night[0] <= at_s < night[1])
    bench.put(urgency="daylight")
    bench.rounds(20, 4.0)
    phones.answers = {"one": TAKEN, "two": TAKEN, "three": TAKEN}
    phones.calls.clear()
    bench.now_s = night[0] + 3600.0
    bench.rounds(5, 60.0)
    assert phones.calls == []
    bench.put(what="wakes")
    good_news = bench.put(what="cleared-3", urgency="daylight")
    bench.rounds(1)
    assert phones.calls == [ONE, ONE], "and what was written for this hour of the night"
    assert good_news.message_id in {one.message_id for one in journal.messages() if one.state == "sent"}
    bench.now_s = night[1]
    bench.rounds(1)
    assert len(phones.calls) > 2


def test_a_gone_route_hands_on_to_the_first_there_is(journal: Journal) -> None:
    """Nothing that wakes is lost to a changed settings file."""
    bench = Bench(journal, Phones(one=TAKEN))
    bench.put("a://gone")
    bench.rounds(3)
    assert bench.phones.calls == [ONE]




def test_what_can_wait_goes_by_one_route_at_a_time(journal: Journal) -> None:
    """Two that are due in one round would both tell it; when the first has, the other need not."""
    phones = Phones(two=TAKEN)
    bench = Bench(journal, phones)
    first = bench.put(urgency="daylight")
    bench.now_s += 5.0
    assert journal.hand_on(first.message_id, label(TWO), bench.now_s)
    bench.rounds(3, wait_s=0.1)
    assert phones.calls == [ONE]
    phones.go.set()
    bench.rounds(5)
    assert phones.calls == [ONE]
    assert [one.state for one in journal.messages()] == ["sent", "superseded"]
