"""Every row of the table of lying sensors for longer, under several good batches.

    python -m tests.faults.soak sensors [--batches 4] [--hours 8] [--rows open stuck ...]

The rows that end early in CI run on for hours here, since a probe that lies may be told as a failing batch only later;
and the batch under the faults is another one each time. Promised: the alarms of
the row and no others. A batch that rings without a fault is passed over.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from tests.faults import good_batch, lying_brokers
from tests.faults.run_row import run_row
from tests.faults.sensor_rows import Row, sound
from tests.faults.sensor_table import PARTS
from tests.faults.wires import MqttWire, SerialWire
from tests.sources.conftest import Broker, find_mosquitto


def soak(arguments: Sequence[str]) -> int:
    """Run them all; prints each row that does not end as it must, and the count. Returns how many did not."""
    parser = argparse.ArgumentParser(prog="python -m tests.faults.soak sensors")
    parser.add_argument("--batches", type=int, default=4, help="how many good batches")
    parser.add_argument("--hours", type=float, default=8.0, help="at the least so long after the pour")
    parser.add_argument("--rows", nargs="*", help="only these rows")
    args = parser.parse_args(arguments)
    rows = [row for _, part in PARTS for row in part if not args.rows or row.name in args.rows]
    broken = runs = batches = number = 0
    with tempfile.TemporaryDirectory(prefix="sensors-") as place:
        broker = Broker(find_mosquitto(), Path(place)).start()
        try:
            while batches < args.batches:
                good_batch.choose(number)
                if _one(Row("no-fault", "nothing is wrong", sound), number, args.hours, broker):
                    print(f"batch {number} rings without a fault: passed over, it is no ground for a fault", flush=True)
                else:
                    batches += 1
                    broken += sum(_one(row, number, args.hours, broker) for row in rows)
                    runs += len(rows)
                number += 1
        finally:
            broker.stop()
            good_batch.choose(0)
    print(f"{runs} runs under {batches} good batches, {args.hours:g} h each: {broken} did not end as they must")
    return broken


def _one(row: Row, number: int, hours: float, broker: Broker) -> bool:
    """Run one row; whether it was broken."""
    # What share is believed, and how far it lies off, depends on the batch's pace; the short form holds it.
    on_broker = row in lying_brokers.ROWS
    longer = replace(row, hours=max(row.hours, hours), keeps=0.0, within_k=None, reasons=())
    with tempfile.TemporaryDirectory(prefix="row-") as folder:
        place = Path(folder)
        try:
            if on_broker:
                run_row(longer, place, lambda hand: MqttWire(broker, hand))
            else:
                run_row(longer, place, lambda hand: SerialWire(place, hand))
        except (AssertionError, pytest.fail.Exception) as error:
            print(f"batch {number}, {row.name}: {str(error)[:1500]}", flush=True)
            return True
    return False
