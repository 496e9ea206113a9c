"""Readings that are removed, what is noted of it, and the room that comes back."""

from __future__ import annotations

import pytest

from monitor.domain import Batch, Reading
from monitor.journal.database import Journal

T0 = 1_773_480_000.0


@pytest.fixture
def filled(journal: Journal) -> Journal:
    journal.add_batch(Batch("Quillmarsh 12", "shed-2", T0))
    journal.add_readings(
        Reading("shed-2", "core", T0 + n, T0 + n, None if n == 5 else 20.0 + n, "open" if n == 5 else "ok")
        for n in range(2000)
    )
    journal.add_readings([Reading("shed-2", "core", 100.0, T0 + 3000.0, 20.0)])
    journal.mark_readings([("shed-2", "core", T0 + 7.0, "spike")])
    return journal


def test_raw_rows_tell_what_is_not_plain_and_leave_out_a_clock_that_was_off(filled: Journal) -> None:
    rows = filled.raw_rows("shed-2", "core", T0, T0 + 10.0)
    assert [row[1:] for row in rows[4:8]] == [
        (T0 + 4.0, 24.0, None), (T0 + 5.0, None, "open"), (T0 + 6.0, 26.0, None), (T0 + 7.0, 27.0, "spike"),
    ]  # fmt: skip
    assert filled.raw_rows("shed-2", "core", 0.0, 1000.0) == []
    assert filled.first_reading_s("shed-2", "core") == 100.0
    assert filled.first_reading_s("shed-2", "wall") is None


def test_what_is_dropped_is_gone_but_the_latest(filled: Journal) -> None:
    """Once more removes nothing; the latest reading of a probe stays, for everything shows it."""
    numbers = [row[0] for row in filled.raw_rows("shed-2", "core", T0, T0 + 4000.0)]
    latest = filled.latest("shed-2")["core"]
    assert filled.drop_readings([*numbers, filled._row("SELECT max(id) FROM readings")[0]]) == len(numbers)
    assert filled.drop_readings(numbers) == 0
    assert filled.latest("shed-2")["core"] == latest
    assert [one.time_s for one in filled.readings()] == [100.0]


def test_the_note_is_kept_and_the_first_that_is_taken_in_stays(filled: Journal) -> None:
    assert filled.thinned_note("Quillmarsh 12") is None
    assert list(filled.whole_rows("thinned", ["Quillmarsh 12"])) == []
    filled.note_thinned("Quillmarsh 12", T0, 3, 10)
    (row,) = filled.whole_rows("thinned", ["Quillmarsh 12"])
    assert row == {"batch": "Quillmarsh 12", "at_s": T0, "kept": 3, "of": 10}
    assert filled.put_rows("thinned", [{**row, "kept": 4}, {**row, "batch": "Quillmarsh 13"}]) == 1
    assert filled.thinned_note("Quillmarsh 12") == {"at_s": T0, "kept": 3, "of": 10}
    assert filled.thinned_note("Quillmarsh 13") == {"at_s": T0, "kept": 3, "of": 10}


def test_the_room_comes_back(filled: Journal) -> None:
    before = filled._row("PRAGMA page_count")[0]
    filled.drop_readings([row[0] for row in filled.raw_rows("shed-2", "core", T0, T0 + 4000.0)])
    assert filled._row("PRAGMA page_count")[0] == before
    filled.shrink()
    assert filled._row("PRAGMA page_count")[0] < before
    filled.check()
