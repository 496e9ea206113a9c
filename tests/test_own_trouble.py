"""The daemon's own trouble: raised, told, seen, over; and told even when the journal cannot be written."""

from __future__ import annotations

import threading
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
    own = OwnTrouble(journal, PEOPLE)
    assert _run(own, {"recording": "the disk is full."}, range(0, 2)) == []
    assert _run(own, {"recording": "the disk is full."}, range(2, 30)) == ["raised"]
    assert _run(own, {}, range(30, 60)) == ["cleared"]


def test_a_moment_s_trouble_rings_nobody(journal: Journal) -> None:
    """A broker that is back within a minute is no cause to ring."""
    own = OwnTrouble(journal, PEOPLE)
    assert _run(own, {"source broker": "the broker is away."}, range(0, 1)) == []
    assert _run(own, {}, range(1, 30)) == []


def test_it_is_told_through_the_outbox_and_says_not_to_rely_on_being_rung(journal: Journal) -> None:
    """The first person is told; the words do not let anybody sleep on it."""
    own, teller = OwnTrouble(journal, PEOPLE), Teller(journal, Settings(), PEOPLE)
    _run(own, {"phone Wren": "refused."}, range(0, 5))
    assert teller.tell([], NOON_S + 300.0, own=(own.state, own.condition)) == 1
    (message,) = journal.messages()
    assert message.person == "Ash"
    assert "do not rely on being rung" in message.body.lower()


def test_a_journal_that_cannot_be_written_is_told_past_it(journal: Journal) -> None:
    """With the outbox out of order every route is called directly, and not again for half an hour."""
    calls: list[list[tuple[str, str]]] = []
    rung = threading.Event()

    def tell(addresses, title, body):
        calls.append(list(addresses))
        rung.set()

    own = OwnTrouble(journal, PEOPLE, tell=tell)
    _run(own, {"journal": "the disk is full."}, range(0, 25))
    assert rung.wait(5.0)
    assert calls == [[("Ash", "print://one"), ("Wren", "print://two")]]


def test_seen_survives_a_restart(journal: Journal) -> None:
    """What somebody has seen is still seen by the next watch."""
    own = OwnTrouble(journal, PEOPLE)
    _run(own, {"recording": "the disk is full."}, range(0, 5))
    own.act("acknowledged", NOON_S + 310.0, "Ash", None)
    with journal.transaction():
        own.save()
    again = OwnTrouble(journal, PEOPLE)
    again.load()
    assert again.state.state == "acknowledged"
    assert [alarm.kind for alarm in journal.alarms(standing_only=True)] == [KIND]
