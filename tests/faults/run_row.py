"""Runs one row of the table of lying sensors on a real wire, and holds the journal against what the row says."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from monitor.domain import BATCH_ALARM_KINDS
from tests.faults.good_batch import BUCKET, FROM_S, HOUR_S, POURED_S, batch, log, shots
from tests.faults.sensor_rows import Found, Row
from tests.faults.wires import Hand, Shed

# After the last line: one more tick and its commit.
_END_S = 70.0


def run_row(row: Row, folder: Path, wire_of: Callable[[Hand], Any]) -> Found:
    """Play the row to its end and check all that it promises; answers what was found, for a table."""
    samples = shots(row.hours, *row.probes)
    buckets = [BUCKET, "shed-2"] if row.two_buckets else [BUCKET]
    minded = [(batch(bucket), log() if bucket == BUCKET else ()) for bucket in buckets]
    shed = Shed(folder, wire_of, POURED_S + FROM_S - 60.0, minded)
    try:
        shed.play(row.play(samples), POURED_S + row.hours * HOUR_S + _END_S)
        found = _found(shed)
        _check(row, found, shed, samples)
        return found
    finally:
        shed.end()


def _found(shed: Shed) -> Found:
    raised = shed.alarms()
    counted = {what: total for (_, what), total in shed.bench.desk.counters().items()}
    told = [f"{(one.at_s - POURED_S) / 60:.0f} min {one.values['kind']}: {one.values['says']}" for one in raised]
    # All but the last part of an alarm's id, its number: bucket, batch, kind and probe.
    often = Counter(str(event.values["alarm"]).rpartition("/")[0] for event in raised)
    return Found({str(event.values["kind"]) for event in raised}, often, shed.problems, counted, told)


def _check(row: Row, found: Found, shed: Shed, samples: Any) -> None:
    assert found.kinds == set(row.ends_in), found.told
    flapping = {alarm: times for alarm, times in found.often.items() if times > row.most}
    assert not flapping, f"an alarm that comes and goes: {flapping}: {found.told}"
    assert not found.kinds & set(BATCH_ALARM_KINDS), "no row may tell a lying sensor as a failing batch"
    if row.problem:
        assert (row.probe, row.problem) in found.problems, found
    missing = [what for what in row.counts if not found.counted.get(what)]
    assert not missing, f"not counted: {missing}; counted: {dict(found.counted)}"
    kept = list(shed.bench.desk.kept_readings(BUCKET))
    reasons = {one.reason for one in kept if one.reading.probe == row.probe}
    assert set(row.reasons) <= reasons, reasons
    truth = {(probe, value) for shot in samples for probe, value in shot.values.items()}
    if row.whole:
        false = [one.reading for one in kept if (one.reading.probe, one.reading.temperature_c) not in truth]
        assert not false, f"a damaged line became a reading: {false[:3]}"
    core = [one.reading for one in kept if one.reading.probe == "core" and one.reason is None]
    if row.within_k is not None:
        at_s, value_c = [shot.at_s for shot in samples], [shot.c("core") for shot in samples]
        off = [
            (abs(float(np.interp(one.time_s, at_s, value_c)) - float(str(one.temperature_c))), one) for one in core
        ]
        worst_k, worst = max(off, key=lambda pair: pair[0])
        assert worst_k <= row.within_k, (worst_k, (worst.time_s - POURED_S) / 60.0, worst)
    measured = {shot.c("core") for shot in samples}
    share = len({one.temperature_c for one in core} & measured) / len(measured)
    assert share >= row.keeps, f"only {share:.3f} of the values measured are believed"
