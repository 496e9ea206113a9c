"""Sensors that lie, behind a real broker: each row of the table ends in its alarm and no other."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.faults import lying_brokers
from tests.faults.run_row import run_row
from tests.faults.sensor_rows import Row
from tests.faults.wires import MqttWire
from tests.sources.conftest import Broker, find_mosquitto

CONTROL = Row(
    "no-fault", "nothing is wrong", lying_brokers.messages, whole=True, within_k=1.0, keeps=0.97, hours=2.0
)  # fmt: skip
ROWS = (CONTROL, *lying_brokers.ROWS)


@pytest.fixture(scope="module")
def one_broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Broker]:
    """One broker for all rows; each has topics and a client id of its own."""
    one = Broker(find_mosquitto(), tmp_path_factory.mktemp("broker")).start()
    yield one
    one.stop()


@pytest.mark.broker
@pytest.mark.parametrize("row", ROWS, ids=[row.name for row in ROWS])
def test_a_lying_sensor_ends_in_the_right_alarm(row: Row, tmp_path: Path, one_broker: Broker) -> None:
    """By the journal: the kinds raised are those of the table, and damaged messages are counted and never readings."""
    run_row(row, tmp_path, lambda hand: MqttWire(one_broker, hand))
