"""What was told, by alarm: written small, read whole."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.journal.aside import Aside
from monitor.journal.database import Journal, JournalError
from monitor.judgement.escalation import Told
from monitor.tellings import keep_tellings, kept_tellings, move_tellings
from tests.journal.test_aside import Failing


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with Journal(tmp_path / "journal.sqlite") as opened:
        yield opened


T0 = 1_773_480_000.0
HOT = Told("shed-1/b/too_hot/1", "first", 1, "Ada", T0)
AGAIN = Told("shed-1/b/too_hot/1", "repeat due", 2, "Ada", T0 + 120.0, failed=True)
SILENT = Told("shed-2/b/silent/1", "first", 1, "Ben", T0 + 60.0, covers=("shed-3/b/silent/1",))


def test_all_of_it_comes_back_in_the_order_of_time(journal: Journal) -> None:
    keep_tellings(journal, [HOT, SILENT, AGAIN], [HOT.alarm_id, SILENT.alarm_id])
    assert kept_tellings(journal) == [HOT, SILENT, AGAIN]


def test_only_what_is_named_is_written(journal: Journal) -> None:
    keep_tellings(journal, [HOT, SILENT, AGAIN], [HOT.alarm_id])
    assert kept_tellings(journal) == [HOT, AGAIN]


def test_of_an_alarm_without_any_nothing_stays(journal: Journal) -> None:
    keep_tellings(journal, [HOT, SILENT], [HOT.alarm_id, SILENT.alarm_id])
    keep_tellings(journal, [SILENT], [HOT.alarm_id])
    assert kept_tellings(journal) == [SILENT]
    assert list(journal.facts_of("told/")) == ["told/" + SILENT.alarm_id]


def test_a_clock_set_right_moves_them(journal: Journal) -> None:
    keep_tellings(journal, [HOT, SILENT], [HOT.alarm_id, SILENT.alarm_id])
    move_tellings(journal, lambda at_s: at_s + 3600.0)
    assert [one.at_s for one in kept_tellings(journal)] == [T0 + 3600.0, T0 + 3660.0]


def test_while_the_disk_refuses_what_was_told_goes_on_in_memory(tmp_path: Path) -> None:
    """And is one with what the file holds, now and afterwards."""
    disk = Failing(tmp_path / "journal.sqlite")
    aside = Aside()
    beside = aside.beside(disk)
    keep_tellings(beside, [HOT], [HOT.alarm_id])
    disk.writes = False
    with pytest.raises(JournalError):
        keep_tellings(beside, [HOT, SILENT], [SILENT.alarm_id])
    keep_tellings(beside, [HOT, SILENT], [SILENT.alarm_id])
    assert kept_tellings(beside) == [HOT, SILENT] and kept_tellings(disk) == [HOT]
    disk.writes = True
    aside.come_back(disk)
    assert kept_tellings(disk) == kept_tellings(beside) == [HOT, SILENT]
    disk.close()
