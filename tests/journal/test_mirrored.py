"""What the journal knows of its mirror: how far it is, and which readings have changed behind it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.domain import Event, Reading
from monitor.journal.database import Journal, KeptReading

T0 = 1768672800.0


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with Journal(tmp_path / "journal.sqlite") as one:
        one.add_readings(_reading(i) for i in range(10))
        one.note_changed_readings()
        yield one


def _reading(i: int, probe: str = "core") -> Reading:
    return Reading("shed-2", probe, T0 + i, T0 + i, 60.0 + i)


def test_rows_come_in_the_order_of_their_numbers(journal: Journal) -> None:
    """Each with its number, so many at a time: one that arrived late comes after those that were there."""
    late = Reading("shed-2", "ambient", T0 - 3600.0, T0 + 20.0, 8.0)
    journal.add_readings([late], ["spike"])
    assert [number for number, _ in journal.readings_after(3, 4)] == [4, 5, 6, 7]
    assert journal.readings_after(10, 9) == [(11, KeptReading(late, "spike"))]
    assert journal.readings_after(11, 9) == []
    assert (journal.waiting_since_s(10), journal.waiting_since_s(11)) == (T0 + 20.0, None)


def test_events_come_in_the_order_of_their_numbers(journal: Journal) -> None:
    """As they were kept."""
    events = [Event("estimate", T0 + i, "shed-2", "Quillmarsh 12", {"completeness": i / 10}) for i in range(3)]
    journal.add_events(events)
    assert journal.events_after(1, 5) == [(2, events[1]), (3, events[2])]
    assert journal.events_after(0, 1) == [(1, events[0])]


def test_the_mark_is_kept_and_set_back_to_before_what_has_changed(journal: Journal) -> None:
    """The first of the changed ones counts, whichever changed first; what says the same as before is no change."""
    assert journal.mirror_state() == {} and not journal.readings_changed()
    assert journal.settle_mirror({"readings": 9, "events": 0, "to": "a"}) is None
    assert journal.mirror_state() == {"readings": 9, "events": 0, "to": "a"}
    journal.mark_readings([("shed-2", "core", T0 + 2, None)])
    assert not journal.readings_changed()
    journal.mark_readings([("shed-2", "core", T0 + 8, "spike"), ("shed-2", "core", T0 + 3, "spike")])
    journal.mark_readings([("shed-2", "core", T0 + 9, "spike")])
    assert journal.readings_changed()
    assert journal.settle_mirror({"readings": 9, "events": 0}) == 4
    assert journal.mirror_state()["readings"] == 3 and not journal.readings_changed()


def test_a_change_before_the_mark_that_is_kept_leaves_it_no_further(journal: Journal) -> None:
    """One further on than the mark changes nothing of it."""
    journal.mark_readings([("shed-2", "core", T0 + 8, "spike")])
    assert journal.settle_mirror({"readings": 2, "events": 0}) == 9
    assert journal.mirror_state()["readings"] == 2


def test_numbers_are_compared_as_numbers(journal: Journal) -> None:
    """9 comes before 10, though not as a text."""
    journal.add_readings(_reading(i) for i in range(10, 12))
    journal.mark_readings([("shed-2", "core", T0 + 10, "spike")])
    journal.mark_readings([("shed-2", "core", T0 + 8, "spike")])
    assert journal.settle_mirror({"readings": 12, "events": 0}) == 9


def test_readings_that_are_moved_have_changed(journal: Journal) -> None:
    """A clock that stood wrong is set right."""
    journal.retime(T0 + 5, 7200.0)
    assert journal.settle_mirror({"readings": 10, "events": 0}) == 6


def test_a_change_that_is_taken_back_is_none(journal: Journal) -> None:
    """The note is part of the same transaction."""
    with pytest.raises(RuntimeError), journal.transaction():
        journal.mark_readings([("shed-2", "core", T0, "spike")])
        raise RuntimeError
    assert not journal.readings_changed()


def test_a_journal_that_nobody_asked_notes_nothing(tmp_path: Path) -> None:
    """Without a mirror it costs nothing; asking twice does no harm."""
    with Journal(tmp_path / "other.sqlite") as journal:
        journal.add_readings([_reading(0)])
        journal.mark_readings([("shed-2", "core", T0, "spike")])
        assert not journal.readings_changed()
        journal.note_changed_readings()
        journal.note_changed_readings()
        journal.mark_readings([("shed-2", "core", T0, None)])
        assert journal.readings_changed()
