"""The daemon's own trouble: raised, told, seen, over. That it is told on a broken disk: tests/faults/test_disk.py."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.journal.database import Journal
from monitor.own_trouble import KIND, OwnTrouble
from monitor.phone.people import Person
from monitor.settings import Settings
from monitor.telling import Teller

PEOPLE = [Person("Ash", ("print://one",)), Person("Wren", ("print://two",))]
NOON_S = 1768651200.0  # so that nobody's quiet hours matter


@pytest.fixture
def journal(tmp_path: Path):
    with Journal(tmp_path / "journal.sqlite") as opened:
        yield opened


def _run(own: OwnTrouble, troubles: dict[str, str], minutes: range) -> list[str]:
    changes = []
    for minute in minutes:
        changes += [str(event.values["state"]) for event in own.step(troubles, NOON_S + 60.0 * minute)]
    return changes


def test_a_lasting_trouble_is_raised_once_and_cleared_once(journal: Journal) -> None:
    """Two minutes of trouble raise it; when the trouble is gone it clears by itself, once."""
    own = OwnTrouble(journal)
    assert _run(own, {"source broker": "the broker is away."}, range(0, 2)) == []
    assert _run(own, {"source broker": "the broker is away."}, range(2, 30)) == ["raised"]
    assert _run(own, {}, range(30, 60)) == ["cleared"]


def test_a_moment_s_trouble_rings_nobody(journal: Journal) -> None:
    """A broker that is back within a minute is no cause to ring."""
    own = OwnTrouble(journal)
    assert _run(own, {"source broker": "the broker is away."}, range(0, 1)) == []
    assert _run(own, {}, range(1, 30)) == []


def test_it_is_told_through_the_outbox_and_says_not_to_rely_on_being_rung(journal: Journal) -> None:
    """The first person is told; the words do not let anybody sleep on it."""
    own, teller = OwnTrouble(journal), Teller(journal, Settings(), PEOPLE)
    _run(own, {"phone Wren": "refused."}, range(0, 5))
    assert teller.tell([], NOON_S + 300.0, own=(own.state, own.condition)) == 1
    (message,) = journal.messages()
    assert message.person == "Ash"
    assert "do not rely on being rung" in message.body.lower()


def test_a_disk_that_goes_on_refusing_needs_no_two_minutes(journal: Journal) -> None:
    """After ten seconds it is no hiccup, and rings; a single refusal rings nobody, however often one comes."""
    own = OwnTrouble(journal)
    refused = {"journal": "the disk is full."}
    for minute in range(5):
        assert own.step(refused, NOON_S + 60.0 * minute) == []
        assert own.step({}, NOON_S + 60.0 * minute + 3.0) == []
    for after_s in (0.0, 3.0, 6.0, 9.0):
        assert own.step(refused, NOON_S + 600.0 + after_s) == []
    (raised,) = own.step(refused, NOON_S + 612.0)
    assert raised.values["state"] == "raised"


def test_a_disk_that_breaks_behind_another_trouble_rings_anew(journal: Journal) -> None:
    """Whoever has seen that a phone route is dead has not heard of the disk; and it does not ring at each flicker."""
    own, teller = OwnTrouble(journal), Teller(journal, Settings(), PEOPLE)
    _run(own, {"phone Wren": "refused."}, range(0, 5))
    teller.tell([], NOON_S + 300.0, own=(own.state, own.condition))
    own.act("acknowledged", NOON_S + 310.0, "Ash", None)
    phone, both = {"phone Wren": "refused."}, {"phone Wren": "refused.", "journal": "the disk is full."}
    for hiccup_s in (320.0, 335.0):
        own.step(both, NOON_S + hiccup_s)
        own.step(phone, NOON_S + hiccup_s + 3.0)
    assert own.state.state == "acknowledged"
    for flicker_s in (350.0, 400.0, 450.0):
        for after_s in (0.0, 3.0, 6.0, 9.0, 12.0, 15.0):
            own.step(both, NOON_S + flicker_s + after_s)
        own.step(phone, NOON_S + flicker_s + 18.0)
    assert own.state.state == "unacknowledged"
    assert own.state.worsened_at_s == NOON_S + 362.0, "ten seconds after it broke, and only then"
    teller.tell([], NOON_S + 500.0, own=(own.state, own.condition))
    assert [message.what for message in journal.messages()] == ["first-1", "got-worse-2"]


@pytest.mark.parametrize(
    ("later", "problem"),
    [("judging shed-2", "worker"), ("damaged", "damaged"), ("worker wire", "worker"), ("source shed", "source"),
     ("phone Ash", "phone"), ("clock", "clock")],
)  # fmt: skip
@pytest.mark.parametrize("heard", ["acknowledged", "shelved"])
def test_what_somebody_has_seen_covers_nothing_that_breaks_later(
    journal: Journal, later: str, problem: str, heard: str
) -> None:
    """A phone route may be dead for weeks. What comes next rings after its own two minutes, is told first, and once."""
    own, teller = OwnTrouble(journal), Teller(journal, Settings(), PEOPLE)
    old = {"phone Wren": "refused."}
    _run(own, old, range(0, 5))
    teller.tell([], NOON_S + 300.0, own=(own.state, own.condition))
    if heard == "acknowledged":
        own.act("acknowledged", NOON_S + 310.0, "Ash", None)
    else:
        own.act("shelved", NOON_S + 310.0, "Ash", NOON_S + 10 * 3600.0)
    _run(own, {**old, later: "it does not."}, range(6, 7))  # a hiccup
    _run(own, old, range(7, 9))
    assert own.state.worsened_at_s is None
    for minute in range(20, 90):
        _run(own, {**old, later: "it does not."} if minute % 9 else old, range(minute, minute + 1))
        teller.tell([], NOON_S + 60.0 * minute, own=(own.state, own.condition))
        if minute == 25:
            own.act("acknowledged", NOON_S + 60.0 * minute + 5.0, "Ash", None)
    assert own.state.state == "acknowledged", "it flickers, and that rings nobody again"
    assert own.state.worsened_at_s == NOON_S + 22 * 60.0
    assert own.condition.facts["problem"] == problem
    assert [one.what for one in journal.messages() if one.what.startswith("got-worse")] == ["got-worse-2"]


def test_what_has_been_well_for_long_rings_when_it_breaks_again(journal: Journal) -> None:
    """As often as it would by itself: five minutes until it is over, twenty until it is raised again."""
    own = OwnTrouble(journal)
    old, both = {"phone Wren": "refused."}, {"phone Wren": "refused.", "source shed": "away."}
    _run(own, both, range(0, 5))
    own.act("acknowledged", NOON_S + 310.0, "Ash", None)
    _run(own, old, range(6, 31))
    _run(own, both, range(31, 36))
    assert own.state.state == "acknowledged"
    _run(own, old, range(36, 62))
    _run(own, both, range(62, 66))
    assert own.state.state == "unacknowledged"


def test_what_was_rung_for_is_known_after_a_restart(journal: Journal) -> None:
    """And what was not is not."""
    own = OwnTrouble(journal)
    _run(own, {"journal": "full.", "phone Wren": "refused."}, range(0, 5))
    own.act("acknowledged", NOON_S + 310.0, "Ash", None)
    with journal.transaction():
        own.save()
    again = OwnTrouble(journal)
    again.load()
    _run(again, {"recording": "full.", "phone Wren": "refused."}, range(6, 15))
    assert again.state.state == "acknowledged"
    _run(again, {"phone Wren": "refused.", "worker wire": "ends."}, range(15, 18))
    assert again.state.state == "unacknowledged"


@pytest.mark.parametrize("lasting", ["clock_ahead", "mirror"])
def test_what_waked_is_over_though_something_that_can_wait_goes_on(journal: Journal, lasting: str) -> None:
    """Else what somebody has seen once would cover every later trouble, for as long as the other lasts."""
    own = OwnTrouble(journal)
    waits = {lasting: "for days."}
    away = {**waits, "source broker": "the broker is away."}
    assert _run(own, waits, range(0, 5)) == ["raised"] and own.state.urgency == "daylight"
    assert _run(own, away, range(5, 10)) == [] and own.state.urgency == "now"
    own.act("acknowledged", NOON_S + 570.0, "Ash", None)
    assert _run(own, waits, range(10, 25)) == ["cleared"]
    assert _run(own, waits, range(25, 60)) == ["raised"] and own.state.urgency == "daylight"
    own.act("acknowledged", NOON_S + 3570.0, "Ash", None)
    assert _run(own, away, range(60, 65)) == []
    assert (own.state.state, own.state.urgency) == ("unacknowledged", "now"), "it rings"


def test_seen_survives_a_restart(journal: Journal) -> None:
    """What somebody has seen is still seen by the next watch."""
    own = OwnTrouble(journal)
    _run(own, {"recording": "the disk is full."}, range(0, 5))
    own.act("acknowledged", NOON_S + 310.0, "Ash", None)
    with journal.transaction():
        own.save()
    again = OwnTrouble(journal)
    again.load()
    assert again.state.state == "acknowledged"
    assert [alarm.kind for alarm in journal.alarms(standing_only=True)] == [KIND]
