"""The table of lying sensors and the document that tells of it agree."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

from monitor.domain import ALARM_KINDS, BATCH_ALARM_KINDS
from tests.faults.sensor_table import PARTS, table

README = (Path(__file__).parent / "README.md").read_text(encoding="utf-8")


def test_the_document_has_the_table_as_it_is_tested() -> None:
    """A row changed here and not there misleads; print it anew with python -m tests.faults.sensor_table."""
    assert "\n".join(table()) in README


def test_no_row_may_end_in_an_alarm_about_the_batch() -> None:
    """Whatever a sensor says, the batch under it is a good one."""
    for _, rows in PARTS:
        for row in rows:
            assert set(row.ends_in) <= set(ALARM_KINDS) - set(BATCH_ALARM_KINDS), row.name


def test_every_row_has_a_name_of_its_own_and_there_are_more_than_forty() -> None:
    """A name is a test's id."""
    names = Counter(row.name for _, rows in PARTS for row in rows)
    assert max(names.values()) == 1
    assert len(names) >= 40
