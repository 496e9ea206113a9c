"""Keeping an alarm quiet from the page: within what its kind allows, and to be ended there."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.journal.database import AlarmRecord, Journal
from monitor.judgement.alarms import RULES, AlarmState, rule_for, shelve
from tests.page.test_press import BATCH, HERE, T0, Phone

ALARM_ID = "shed-2/Quillmarsh 12/too_hot/1"


@pytest.fixture
def phone(tmp_path: Path) -> Iterator[Phone]:
    with Journal(tmp_path / "journal.sqlite") as journal:
        journal.add_batch(BATCH)
        journal.save_alarm(
            AlarmRecord(
                alarm_id=ALARM_ID, kind="too_hot", bucket="shed-2", batch=BATCH.name, state="unacknowledged",
                urgency="now", probability=0.99, raised_at_s=T0 + 10.0, message_id="too_hot", says="Hot.", do="Look.",
            )
        )  # fmt: skip
    one = Phone(tmp_path / "journal.sqlite")
    one.enter()
    yield one
    one.deeds.close()


def acts(phone: Phone) -> list[tuple[str, float | None]]:
    with Journal(phone.path) as journal:
        return [(act.act, act.until_s) for act in journal.acts(BATCH.name)]


def test_only_what_the_kind_allows_is_offered(phone: Phone) -> None:
    """A hot bucket for half an hour at most."""
    words = phone.client.get("/bucket/shed-2").text
    offered = {int(minutes) for minutes in re.findall(r'name="minutes" value="(\d+)"', words)}
    assert offered == {15, 30}
    assert max(offered) * 60 <= rule_for("too_hot").max_quiet_s < 60 * 60


def test_the_longest_offered_is_taken_by_the_alarm_itself(phone: Phone) -> None:
    """Whatever the clock shows: times of this size are known to a few ten-millionths of a second only."""
    for number in range(40):
        phone.now_s = T0 + 100.0 + number * 61.0137
        assert phone.press(what="quiet", alarm=ALARM_ID, minutes="30") == 303
        act, until_s = acts(phone)[-1]
        assert act == "shelved" and until_s is not None
        state = AlarmState("shed-2", BATCH.name, "too_hot", state="unacknowledged", raised_at_s=T0)
        assert shelve(state, until_s, phone.now_s)[0].is_shelved(phone.now_s + 29 * 60.0)


@pytest.mark.parametrize("minutes", ["31", "480", "9999"])
def test_longer_is_refused_in_one_sentence(phone: Phone, minutes: str) -> None:
    """By a form that was made by hand."""
    assert phone.press(what="quiet", alarm=ALARM_ID, minutes=minutes) == 409
    assert acts(phone) == []


def test_quiet_can_be_ended(phone: Phone) -> None:
    """No minutes end it; a second press of the same changes nothing."""
    assert phone.press(what="quiet", alarm=ALARM_ID, minutes="15") == 303
    assert phone.press(what="quiet", alarm=ALARM_ID, minutes="15") == 303
    phone.now_s += 1.0
    assert phone.press(what="quiet", alarm=ALARM_ID, minutes="0") == 303
    assert [act for act, _ in acts(phone)] == ["shelved", "unshelved"]


def test_a_visitor_cannot(phone: Phone) -> None:
    """Without the passphrase no form is shown, and none is taken."""
    phone.client.cookies.clear()
    assert 'name="minutes"' not in phone.client.get("/bucket/shed-2").text
    data = {"what": "quiet", "alarm": ALARM_ID, "minutes": "15", "token": "x"}
    assert phone.client.post("/bucket/shed-2/do", data=data, headers=HERE).status_code == 403
    assert acts(phone) == []


def test_every_kind_has_an_end_of_its_quiet() -> None:
    """None can be kept quiet for ever."""
    assert all(60.0 <= rule.max_quiet_s <= 86400.0 for rule in RULES.values())
