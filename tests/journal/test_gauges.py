"""Figures of the journal as a whole."""

from __future__ import annotations

from pathlib import Path

from monitor.domain import Reading
from monitor.journal.database import Journal, Message

T0 = 1768672800.0


def test_what_a_journal_amounts_to(tmp_path: Path) -> None:
    """The newest of each probe, how many were ever kept, what is still to be told; an empty one has nothing of it."""
    with Journal(tmp_path / "journal.sqlite") as journal:
        assert (journal.last_reading_number(), journal.latest_of_all(), journal.still_to_tell()) == (0, [], {})
        journal.add_readings(Reading("shed-2", "core", T0 + i, T0 + i, 60.0) for i in range(5))
        journal.add_readings([Reading("shed-1", "core", T0, T0, None, "open")], ["why"])
        journal.drop_readings([2, 3])
        assert journal.last_reading_number() == 6
        latest = [(one.reading.bucket, one.reading.time_s, one.reason) for one in journal.latest_of_all()]
        assert latest == [("shed-1", T0, "why"), ("shed-2", T0 + 4, None)]
        told = (("raised", 9), ("repeat-1", 5))
        journal.add_messages(Message("a", what, "Ash", "json", "T", "B", T0 + at_s, "now") for what, at_s in told)
        assert journal.still_to_tell() == {"waiting": (2, T0 + 5)}
        journal.shrink()
        assert journal.size_bytes() == (tmp_path / "journal.sqlite").stat().st_size


def test_what_has_come_since_one_looked(tmp_path: Path) -> None:
    """The earliest time of each bucket, of what was written since and not of what arrived before."""
    with Journal(tmp_path / "journal.sqlite") as journal:
        journal.add_readings(Reading(bucket, "core", T0, T0, 60.0) for bucket in ("shed-1", "shed-2"))
        number = journal.last_reading_number()
        assert journal.earliest_after(number) == {}
        journal.add_readings(Reading("shed-2", probe, T0 - age, T0, 60.0) for probe, age in (("core", 9), ("top", 8)))
        assert journal.earliest_after(number) == {"shed-2": T0 - 9}
        assert journal.earliest_after(0) == {"shed-1": T0, "shed-2": T0 - 9}
