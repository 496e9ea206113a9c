"""Sensors that lie, behind a pseudo-terminal: each row of the table ends in its alarm and no other."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.faults import lying_probes, lying_wires
from tests.faults.run_row import run_row
from tests.faults.sensor_rows import Row, sound
from tests.faults.wires import SerialWire

CONTROL = Row("no-fault", "nothing is wrong", sound, whole=True, within_k=1.0, keeps=0.97, hours=3.0)
ROWS = (CONTROL, *lying_probes.ROWS, *lying_wires.ROWS)


@pytest.mark.parametrize("row", ROWS, ids=[row.name for row in ROWS])
def test_a_lying_sensor_ends_in_the_right_alarm(row: Row, tmp_path: Path) -> None:
    """By the journal: the kinds raised are those of the table, and damaged lines are counted and never readings."""
    run_row(row, tmp_path, lambda hand: SerialWire(tmp_path, hand))
