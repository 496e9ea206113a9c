"""What a person was not told is summed up once, in their own language, when a route takes something again."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.journal.database import AlarmRecord, Journal, Message
from monitor.phone.people import Person
from monitor.phone.postman import Delivery
from monitor.settings import Settings, SiteSettings
from monitor.untold import LOOK_BACK_S, MOST_LINES, PREFIX, Untold

T0 = 1768608000.0  # Saturday 17 January 2026, 0:00 UTC
HOUR, DAY = 3600.0, 86400.0
ADA = Person("Ada", ("a://1", "a://2"))
FIRST, SECOND = ADA.labels
PEOPLE = (ADA, Person("Eva", ("e://1",), language="es"))
ABOUT = "shed-1/b/too_hot/1"


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with Journal(tmp_path / "journal.sqlite") as one:
        yield one


@pytest.fixture
def untold(journal: Journal) -> Untold:
    return Untold(journal, Settings(site=SiteSettings(time_zone="UTC")), PEOPLE)


def letter(
    journal: Journal, about: str = ABOUT, what: str = "first-1", *, at_s: float = T0, person: str = "Ada",
    route: str = FIRST, title: str = "shed-1: may boil over", state: str = "given_up",
) -> Message:
    (one,) = journal.add_messages([Message(about, what, person, route, title, "Look.", at_s, state=state)])
    return one


def summaries(journal: Journal, person: str = "Ada", open_only: bool = True) -> list[Message]:
    found = journal.messages(open_only=open_only)
    return [one for one in found if one.about.startswith(PREFIX) and one.person == person]


def taken(person: str = "Ada", route: str = FIRST, message_id: str = "m") -> Delivery:
    return Delivery(message_id, person, route, True, "took it")


def expired(person: str = "Ada") -> Delivery:
    return Delivery("m", person, FIRST, False, "not in time", expired=True)


def take(journal: Journal, untold: Untold, now_s: float) -> None:
    """A route takes the summary that waits."""
    (one,) = summaries(journal)
    journal.message_sent(one.message_id, now_s)
    untold.after(taken(route=one.route, message_id=one.message_id), now_s)


def test_what_expired_waits_in_a_summary_until_a_route_takes_it(journal: Journal, untold: Untold) -> None:
    """By the first route, and anew with all of it when more expires; taken, it is over."""
    letter(journal)
    assert untold.after(expired(), T0 + DAY)
    (one,) = summaries(journal)
    assert one.route == FIRST and one.urgency == "daylight"
    assert "Sat 00:00 shed-1: may boil over" in one.body and "see the page for what stands now" in one.body
    letter(journal, "shed-2/b/silent/1", title="shed-2: no readings", at_s=T0 + HOUR)
    assert untold.after(expired(), T0 + DAY + HOUR)
    (one,) = summaries(journal)
    assert [line for line in one.body.splitlines() if line[:2] == "- "] == [
        "- Sat 00:00 shed-1: may boil over", "- Sat 01:00 shed-2: no readings",
    ]  # fmt: skip
    take(journal, untold, T0 + 2 * DAY)
    assert not untold.after(taken(), T0 + 2 * DAY + 1) and not untold.after(expired(), T0 + 3 * DAY)
    assert {one.state for one in journal.messages() if one.about == ABOUT} == {"summed_up"}
    assert not summaries(journal)


def test_what_was_refused_for_good_waits_for_a_route_that_takes_something(journal: Journal, untold: Untold) -> None:
    """A summary would be refused as well; and it goes by the route that took."""
    letter(journal)
    assert not untold.after(Delivery("m", "Ada", FIRST, False, "refused"), T0)
    assert not summaries(journal)
    assert untold.after(taken(route=SECOND), T0 + HOUR)
    assert [one.route for one in summaries(journal)] == [SECOND]
    assert not untold.after(taken(route=SECOND), T0 + HOUR + 1), "one that waits says all of it"


@pytest.mark.parametrize("newer", ["sent", "waiting", "failed"])
def test_what_was_told_otherwise_or_will_be_is_not_summed_up(journal: Journal, untold: Untold, newer: str) -> None:
    """By another route, or by a newer message about the same; but not by an older one."""
    letter(journal)
    letter(journal, what="repeat-2", at_s=T0 + HOUR, state=newer)
    letter(journal, "shed-2/b/too_hot/1", route=SECOND, state=newer)
    letter(journal, "shed-2/b/too_hot/1")
    letter(journal, "shed-3/b/too_hot/1", state="sent", title="shed-3: may boil over")
    letter(journal, "shed-3/b/too_hot/1", "cleared-2", at_s=T0 + HOUR, title="shed-3: normal again")
    untold.after(taken(), T0 + DAY)
    (one,) = summaries(journal)
    assert "shed-1" not in one.body and "shed-2" not in one.body and "shed-3" in one.body


def test_neither_the_drill_nor_the_night_s_word_nor_what_is_old_is_summed_up(journal: Journal, untold: Untold) -> None:
    letter(journal, "drill/1", "ring-1", title="Drill")
    letter(journal, "morning/2026-01-17", "morning", title="The night")
    assert not untold.after(taken(), T0 + HOUR)
    letter(journal)
    untold.after(expired("Eva"), T0 + HOUR)
    untold.after(expired(), T0 + LOOK_BACK_S + 1.0)
    assert not summaries(journal)


def test_what_the_telling_gave_up_is_seen_although_nothing_was_there_before(journal: Journal, untold: Untold) -> None:
    """Once it has said so: without a word nobody looks again after each message that was taken."""
    assert not untold.after(taken(), T0)
    letter(journal)
    assert not untold.after(taken(), T0 + 1.0)
    untold.look_again()
    assert untold.after(taken(), T0 + 2.0)
    assert "shed-1: may boil over" in summaries(journal)[0].body


def test_how_the_alarm_is_now_stands_beside_it(journal: Journal, untold: Untold) -> None:
    letter(journal)
    letter(journal, "shed-2/b/too_hot/1", title="shed-2: may boil over")
    journal.save_alarm(AlarmRecord(ABOUT, "too_hot", "shed-1", "b", "normal", raised_at_s=T0, cleared_at_s=T0 + HOUR))
    journal.save_alarm(AlarmRecord("shed-2/b/too_hot/1", "too_hot", "shed-2", "b", "unacknowledged", raised_at_s=T0))
    untold.after(expired(), T0 + DAY)
    (one,) = summaries(journal)
    assert "shed-1: may boil over; over since Sat 01:00" in one.body
    assert "shed-2: may boil over; it still stands" in one.body


def test_a_person_s_own_language_and_a_bound_on_its_length(journal: Journal, untold: Untold) -> None:
    for number in range(MOST_LINES + 3):
        letter(journal, f"shed-{number}/b/too_hot/1", person="Eva", route=PEOPLE[1].labels[0])
    untold.after(expired("Eva"), T0 + DAY)
    (one,) = summaries(journal, "Eva")
    lines = [line for line in one.body.splitlines() if line[:2] == "- "]
    assert len(lines) == MOST_LINES + 1 and "3" in lines[-1]
    assert not summaries(journal)


@pytest.mark.parametrize("noted", [False, True])
def test_a_kill_beside_the_hand_over_sums_nothing_up_twice(journal: Journal, untold: Untold, noted: bool) -> None:
    """Whether the program had come to mark it or not; what was given up later has a summary of its own."""
    letter(journal)
    untold.after(expired(), T0 + DAY)
    if noted:
        take(journal, untold, T0 + DAY)
    else:
        journal.message_sent(summaries(journal)[0].message_id, T0 + DAY)
    again = Untold(journal, untold.settings, PEOPLE)
    assert not again.after(taken(), T0 + DAY + 60)
    letter(journal, "shed-2/b/too_hot/1", title="shed-2: may boil over", at_s=T0 + DAY + 60)
    assert again.after(expired(), T0 + 2 * DAY + 60)
    (one,) = summaries(journal)
    assert "shed-2" in one.body and "shed-1" not in one.body


def test_a_summary_that_nobody_took_is_not_the_end_of_what_it_says(journal: Journal, untold: Untold) -> None:
    """Refused for good it is given up; the next that is taken brings it anew."""
    letter(journal)
    untold.after(expired(), T0 + DAY)
    journal.message_failed(summaries(journal)[0].message_id, "refused", False, T0 + DAY)
    assert not untold.after(Delivery("m", "Ada", FIRST, False, "refused"), T0 + DAY)
    assert untold.after(taken(route=SECOND), T0 + DAY + HOUR)
    assert "shed-1: may boil over" in summaries(journal)[0].body


def test_somebody_without_a_phone_or_a_name_has_no_summary(journal: Journal) -> None:
    letter(journal)
    nobody = Untold(journal, Settings(), (Person("Ada"),))
    assert not nobody.after(expired(), T0 + DAY) and not nobody.after(expired("Zoe"), T0 + DAY)
