"""From alarm states to the outbox: by which routes, in whose order, what is taken back, and where to answer."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from monitor.duty import set_on_call
from monitor.journal.aside import Aside
from monitor.journal.database import Act, AlarmRecord, Journal, JournalError, Message
from monitor.judgement import alarms
from monitor.judgement.escalation import AlarmView, Told
from monitor.phone.people import Person
from monitor.phone.routes import label
from monitor.settings import Settings, SiteSettings
from monitor.telling import Teller
from monitor.tellings import keep_tellings
from tests.alarmed import DAYLIGHT, NOW, WELL, AlarmedBucket
from tests.journal.test_aside import Failing

NOON_S = 1768651200.0
ADA = Person("Ada", ("a://1", "a://2", "a://3"))
BEN = Person("Ben", ("b://1",))
SETTINGS = Settings(site=SiteSettings(time_zone="UTC"))


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with Journal(tmp_path / "journal.sqlite") as opened:
        yield opened


class Night:
    """A bucket that is too hot, minute by minute."""

    def __init__(self, journal: Journal, people: list[Person], found: str = NOW, **more: Any) -> None:
        self.journal, self.now_s = journal, NOON_S
        self.bucket = AlarmedBucket("shed-2", ("cooled_early",))
        self.teller = Teller(journal, SETTINGS, people, **more)
        self.bucket.found["cooled_early"] = found

    def pass_minutes(self, n: int) -> None:
        for _ in range(n):
            self.now_s += 60.0
            self.bucket.tick(self.now_s)
            self.teller.tell([self.bucket], self.now_s)  # type: ignore[list-item]

    def rung(self) -> list[tuple[str, str, int]]:
        """(person, route, minutes after the first message) of every message written."""
        rows = self.journal.messages()
        return [(one.person, one.route, round((one.created_s - rows[0].created_s) / 60.0)) for one in rows]

    def sent(self) -> None:
        for one in self.journal.messages(open_only=True):
            self.journal.message_sent(one.message_id, self.now_s)

    def fail(self, route: str, times: int = 1) -> None:
        for one in self.journal.messages(open_only=True):
            for _ in range(times if one.route == label(route) else 0):
                self.journal.message_failed(one.message_id, "no answer", True, self.now_s)


def test_a_route_joins_with_every_telling_that_was_not_answered(journal: Journal) -> None:
    """The first at once, the second after two minutes, the third after seven; the next person after ten as ever."""
    night = Night(journal, [ADA, BEN])
    for _ in range(17):
        night.pass_minutes(1)
        night.sent()
    one, two, three = (label(route) for route in ADA.routes)
    assert night.rung() == [
        ("Ada", one, 0), ("Ada", one, 2), ("Ada", two, 2), ("Ada", one, 7), ("Ada", two, 7), ("Ada", three, 7),
        ("Ben", label("b://1"), 10),
    ]  # fmt: skip


def test_who_has_no_route_is_passed_over_at_once(journal: Journal) -> None:
    """Ten minutes of waiting for somebody who cannot be rung are ten minutes lost."""
    night = Night(journal, [Person("Cem"), BEN])
    night.pass_minutes(7)
    assert [one[0] for one in night.rung()] == ["Ben"]


def test_the_next_person_s_turn_comes_at_once_only_when_every_route_was_tried(journal: Journal) -> None:
    """Not for one route's refusals, and not before the second try."""
    night = Night(journal, [ADA, BEN])
    night.pass_minutes(6)
    night.fail("a://1", times=2)
    night.pass_minutes(1)
    assert {one[0] for one in night.rung()} == {"Ada"}
    (first,) = [one for one in night.journal.messages(open_only=True) if one.what == "first-1"]
    for url in ADA.routes[1:]:
        added = night.journal.hand_on(first.message_id, label(url), night.now_s)
        assert isinstance(added, Message)
        night.journal.message_failed(added.message_id, "no answer", True, night.now_s)
    night.teller.tell([night.bucket], night.now_s)  # type: ignore[list-item]
    assert {one[0] for one in night.rung()} == {"Ada", "Ben"}


def test_who_is_on_call_is_rung_first(journal: Journal) -> None:
    """And the others after, in their order."""
    set_on_call(journal, "Ben", NOON_S + 3600.0, NOON_S)
    night = Night(journal, [ADA, BEN])
    night.pass_minutes(6)
    assert [one[0] for one in night.rung()] == ["Ben"]
    night.pass_minutes(10)
    assert "Ada" in {one[0] for one in night.rung()}


def test_an_unsent_ring_makes_room_for_the_newer_one(journal: Journal) -> None:
    """When the network is back after an hour, it is not eight messages that come."""
    night = Night(journal, [BEN])
    night.pass_minutes(70)
    assert len(night.rung()) > 4
    assert len(night.journal.messages(open_only=True)) == 1


@pytest.mark.parametrize("deed", ["seen", "going", "quiet", "over", "ended"])
def test_what_was_not_handed_over_yet_is_taken_back(journal: Journal, deed: str) -> None:
    """Nobody is rung for what somebody has answered, kept quiet, or what is over."""
    night = Night(journal, [ADA, BEN])
    night.pass_minutes(17)
    assert {one.person for one in night.journal.messages(open_only=True)} == {"Ada", "Ben"}
    state = night.bucket.states["cooled_early"]
    if deed == "seen":
        state, _ = alarms.acknowledge(state, night.now_s)
    elif deed == "going":
        state, _ = alarms.acknowledge(state, night.now_s, going=True)
    elif deed == "quiet":
        state, _ = alarms.shelve(state, night.now_s + 1800.0, night.now_s)
    elif deed == "over":
        night.bucket.found["cooled_early"] = WELL
        night.pass_minutes(40)
        state = night.bucket.states["cooled_early"]
    night.bucket.states["cooled_early"] = state
    night.teller.tell([] if deed == "ended" else [night.bucket], night.now_s)  # type: ignore[list-item]
    left = night.journal.messages(open_only=True)
    if deed == "over":
        assert sorted(one.person for one in left) == ["Ada", "Ben"], "each hears once that it is over"
        assert all(one.what.startswith("cleared") for one in left)
    else:
        assert left == []


def test_the_address_ends_the_message_and_stays_off_the_lock_screen_title(journal: Journal) -> None:
    """For each person their own; not with the news that all is well."""
    asked: list[tuple[str, str]] = []

    def link(view: AlarmView, person: str, now_s: float) -> str:
        asked.append((view.alarm_id, person))
        return f"http://shed.local:8737/a/{person}"

    night = Night(journal, [BEN], link=link)
    night.pass_minutes(7)
    (message,) = journal.messages(open_only=True)
    assert message.body.endswith("\n\nAnswer it (only on the farm's network): http://shed.local:8737/a/Ben")
    assert "http" not in message.title and "http" not in message.body.partition("\n\n")[0]
    assert set(asked) == {("shed-2/b/cooled_early/1", "Ben")}
    night.bucket.found["cooled_early"] = WELL
    night.pass_minutes(60)
    (over,) = [one for one in journal.messages() if one.what.startswith("cleared")]
    assert "http" not in over.body


def test_a_link_that_cannot_be_made_leaves_the_ring_alone(journal: Journal) -> None:
    """Whatever is wrong with it."""
    def broken(*_: object) -> str:
        raise RuntimeError("no key")

    for night in (Night(journal, [BEN], link=broken), Night(journal, [ADA], DAYLIGHT)):
        night.pass_minutes(7)
    assert len(journal.messages()) == 2
    assert not any("Answer it" in one.body for one in journal.messages())


# ---- an alarm that is no more, and of which nobody heard ----

HOUR_S = 3600.0


def _evening_and_again(night: Night, then: Callable[[], object] = lambda: None) -> list[tuple[str, str]]:
    """An alarm that can wait comes at noon, goes after everybody's waking hours, and comes anew; how the messages of
    the first time stand, by person.
    """
    night.pass_minutes(20)
    assert night.journal.messages()
    then()
    night.now_s += 11 * HOUR_S  # 23:05
    night.bucket.found["cooled_early"] = WELL
    night.pass_minutes(40)
    first = night.bucket.states["cooled_early"].alarm_id
    assert not night.bucket.states["cooled_early"].stands
    night.bucket.found["cooled_early"] = DAYLIGHT
    night.pass_minutes(40)
    assert night.bucket.states["cooled_early"].alarm_id != first
    return [(one.person, one.state) for one in night.journal.messages(first)]


def test_what_came_and_went_unheard_and_came_again_is_given_up_for_the_summary(journal: Journal) -> None:
    """The last word to each, once: what has been summed up since stays so."""
    looked: list[bool] = []
    night = Night(journal, [ADA, BEN], DAYLIGHT, on_given_up=lambda: looked.append(True))
    assert _evening_and_again(night) == [("Ada", "given_up")]
    assert looked == [True]
    (one,) = journal.given_up_messages("Ada", 0.0)
    journal.sum_up([one.message_id])
    night.teller = Teller(journal, SETTINGS, [ADA, BEN], on_given_up=lambda: looked.append(True))
    night.pass_minutes(3)
    assert looked == [True] and journal.message(one.message_id).state == "summed_up"  # type: ignore[union-attr]


def test_what_somebody_was_told_of_is_not(journal: Journal) -> None:
    night = Night(journal, [ADA, BEN], DAYLIGHT)
    assert _evening_and_again(night, night.sent) == [("Ada", "sent")]


@pytest.mark.parametrize("act", ["acknowledged", "shelved"])
def test_nor_is_what_somebody_did_something_about(journal: Journal, act: str) -> None:
    """On the page, while no phone could be reached."""
    night = Night(journal, [ADA, BEN], DAYLIGHT)

    def seen() -> None:
        state = night.bucket.states["cooled_early"]
        journal.save_alarm(AlarmRecord(state.alarm_id, state.kind, "shed-2", "b", state.state))
        journal.add_act(Act(state.alarm_id, act, night.now_s, night.now_s, "Ada", None, "b", "shed-2"))

    assert _evening_and_again(night, seen) == [("Ada", "superseded")]


def test_the_end_of_its_batch_is_no_reason(journal: Journal) -> None:
    """Who ends a batch stands beside it."""
    night = Night(journal, [ADA, BEN])
    night.pass_minutes(20)
    (first, *_) = journal.messages(open_only=True)
    night.teller.tell([], night.now_s)
    assert {one.state for one in journal.messages(first.about)} == {"superseded"}


def test_what_one_was_not_told_hides_nothing_from_another(journal: Journal) -> None:
    """Ada's service refuses for good, so hers are given up already; Ben's waited."""
    night = Night(journal, [ADA, Person("Eva", ("e://1",))], DAYLIGHT)
    night.pass_minutes(20)
    for _ in range(3):
        for one in journal.messages(open_only=True):
            if one.person == "Ada":
                journal.message_failed(one.message_id, "refused", False, night.now_s)
        night.now_s += 2 * HOUR_S
        night.pass_minutes(1)
    about = {one.about for one in journal.messages()}
    assert {one.person for one in journal.messages(open_only=True)} == {"Eva"} and len(about) == 1
    night.now_s += 6 * HOUR_S
    night.bucket.found["cooled_early"] = WELL
    night.pass_minutes(40)
    night.bucket.found["cooled_early"] = DAYLIGHT
    night.pass_minutes(40)
    states = {(one.person, one.state) for one in journal.messages(*about)}
    assert ("Eva", "given_up") in states and ("Ada", "given_up") in states and ("Ada", "waiting") not in states


def test_that_it_was_over_is_no_last_word_once_it_rings_anew(journal: Journal) -> None:
    """The all-clear waits for a route; it came again meanwhile: nobody may read "over" after the ring."""
    night = Night(journal, [ADA, BEN])
    night.pass_minutes(20)
    night.bucket.found["cooled_early"] = WELL
    night.pass_minutes(40)
    over = [one for one in journal.messages(open_only=True) if one.what.startswith("cleared")]
    assert over
    night.bucket.found["cooled_early"] = NOW
    night.pass_minutes(40)
    again = journal.messages(open_only=True)
    assert again and not [one for one in again if one.what.startswith("cleared")]
    assert {one.state for one in journal.messages(over[0].about)} == {"superseded", "given_up"}


def test_a_disk_that_cannot_be_read_keeps_nothing_from_ringing(tmp_path: Path) -> None:
    """What is left to do about an alarm that is gone is done when it can be."""
    with Failing(tmp_path / "journal.sqlite") as disk:
        night = Night(Aside().beside(disk), [ADA, BEN], DAYLIGHT)
        night.pass_minutes(20)
        night.now_s += 11 * HOUR_S
        night.bucket.found["cooled_early"] = WELL
        night.pass_minutes(40)
        night.bucket.found["cooled_early"] = NOW
        disk.reads = disk.writes = False
        for _ in range(40):
            with suppress(JournalError):
                night.pass_minutes(1)
        rings = [one.about for one in night.journal.messages(open_only=True)]
        assert night.bucket.states["cooled_early"].alarm_id in rings


def test_what_cannot_be_known_now_is_looked_at_again(tmp_path: Path) -> None:
    """The disk refuses and cannot be read either: that no message is found does not settle that nobody heard of it."""
    with Failing(tmp_path / "journal.sqlite") as disk:
        aside, looked = Aside(), list[bool]()
        teller = Teller(aside.beside(disk), SETTINGS, [ADA], on_given_up=lambda: looked.append(True))
        gone, live = "shed-1/b/too_hot/1", "shed-1/b/too_hot/2"
        keep_tellings(disk, [Told(gone, "first", 1, "Ada", NOON_S)], [gone])
        teller.take_back([], NOON_S)  # it knows now what was told
        [one] = disk.add_messages([Message(gone, "first-1", "Ada", ADA.labels[0], "hot", "x", NOON_S, "now")])
        disk.take_back([one.message_id])  # it was over before anybody could be reached
        disk.reads = disk.writes = False
        with suppress(JournalError):
            teller.journal.set_fact("x", 1)
        assert aside.in_use
        teller._give_up_on_gone({live}, {live})
        disk.reads = disk.writes = True
        aside.come_back(disk)
        teller._give_up_on_gone({live}, {live})
        assert looked and [two.state for two in disk.messages()] == ["given_up"]


def test_a_group_s_words_wait_while_one_of_it_stands(journal: Journal) -> None:
    """They are those of its first bucket, and speak of the others, too."""
    teller = Teller(journal, SETTINGS, [ADA])
    told = [Told("shed-1/b/silent/1", "first", 1, "Ada", NOON_S, ("shed-2/c/silent/1",))]
    keep_tellings(journal, told, ["shed-1/b/silent/1"])
    (one,) = journal.add_messages(
        [Message("shed-1/b/silent/1", "first-1", "Ada", ADA.labels[0], "2 silent", "x", NOON_S, state="superseded")]
    )
    live = {"shed-1/b/silent/2", "shed-2/c/silent/1"}
    teller._give_up_on_gone(live, {"shed-2/c/silent/1"})
    assert journal.message(one.message_id).state == "superseded"  # type: ignore[union-attr]
    teller._give_up_on_gone(live, set())
    assert journal.message(one.message_id).state == "given_up"  # type: ignore[union-attr]


def test_nor_is_what_somebody_has_seen(journal: Journal) -> None:
    """On the page, while no phone could be reached."""
    night = Night(journal, [ADA, BEN], DAYLIGHT)

    def seen() -> None:
        state = alarms.acknowledge(night.bucket.states["cooled_early"], night.now_s, by="Ada")[0]
        night.bucket.states["cooled_early"] = state
        journal.save_alarm(
            AlarmRecord(state.alarm_id, state.kind, "shed-2", "b", state.state, acknowledged_at_s=night.now_s)
        )

    assert _evening_and_again(night, seen) == [("Ada", "superseded")]
