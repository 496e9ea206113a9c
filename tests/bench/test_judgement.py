"""The scorer counts what it says it counts, on events and truths written by hand."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.bench.judgement import AIMS, Score, read_events, report, run_thresholds, score, wilson
from tests.simulator.write import write_set

POUR = 1_770_000_000.0
BLENDED = POUR + 600


def _truth(**more: object) -> dict[str, object]:
    return {
        "poured_at": POUR,
        "blended_at": BLENDED,
        "first_arrival_at": POUR - 60,
        "probe_in_at": BLENDED + 60,
        "kind": "poor",
        "cause": "none",
        "good": True,
        "due": {},
        "final": 0.95,
        "final_unmended": 0.95,
        "has_ambient": True,
        "any_over_95_at": None,
        "core_over_85_at": None,
        "faults": [],
        "soap": [[POUR, 0.0], [POUR + 72 * 3600, 0.95]],
        **more,
    }


def _events(tmp_path: Path, *alarms: tuple[float, str, str], completeness: float = 0.93, sd: float = 0.02) -> Path:
    rows: list[dict[str, object]] = [
        {"event": "alarm", "at": at, "bucket": "b", "batch": "B", "alarm": kind, "kind": kind, "state": state}
        for at, kind, state in alarms
    ]
    rows.append({"event": "estimate", "at": BLENDED + 3000, "completeness": 0.5, "final_completeness": 0.90})
    rows.append({"event": "verdict", "at": POUR + 1, "completeness": completeness, "completeness_sd": sd})
    path = tmp_path / f"{len(list(tmp_path.iterdir()))}.jsonl"
    path.write_text("".join(json.dumps(r) + "\n" for r in rows), encoding="utf-8")
    return path


def _score(tmp_path: Path, truth: dict[str, object], *alarms: tuple[float, str, str], **more: float) -> Score:
    return score("it", [("a", truth, read_events(_events(tmp_path, *alarms, **more)))])


def test_wilson_interval_of_eight_in_ten() -> None:
    """Worked by hand from Wilson's formula with z = 1.96: 8 of 10 gives 0.490 to 0.943, 0 of 10 gives 0 to 0.278."""
    assert wilson(8, 10) == pytest.approx((0.4902, 0.9433), abs=2e-4)
    assert wilson(0, 10) == pytest.approx((0.0, 0.2775), abs=2e-4)


def test_a_late_not_taken_is_a_miss(tmp_path: Path) -> None:
    """Called at 39 minutes it counts, at 45 minutes it does not, though it was called."""
    truth = _truth(good=False, due={"not_taken": BLENDED + 900}, final=0.5, final_unmended=0.5, cause="blend")
    assert _score(tmp_path, truth, (BLENDED + 2340, "not_taken", "raised")).shares["not_taken"].hits == 1
    assert _score(tmp_path, truth, (BLENDED + 2700, "not_taken", "raised")).shares["not_taken"].hits == 0


def test_too_hot_is_early_before_85_or_eight_minutes_ahead(tmp_path: Path) -> None:
    """Either is enough; after both it is rung, but not early."""
    over = BLENDED + 1200
    truth = _truth(good=False, due={"too_hot": over}, any_over_95_at=over, core_over_85_at=over - 240)
    for at, early in ((over - 300, 1), (over - 500, 1), (over - 120, 0)):
        got = _score(tmp_path, truth, (at, "too_hot", "raised"))
        assert got.shares["too_hot"].hits == 1
        assert got.shares["too_hot early enough"].hits == early, at


def test_false_alarms_count_on_good_batches_only(tmp_path: Path) -> None:
    """Two kinds on one good batch are two false alarms; the same kind twice is one."""
    alarms = [(BLENDED + 1000, k, "raised") for k in ("not_taken", "incomplete", "incomplete")]
    got = _score(tmp_path, _truth(), *alarms)
    assert got.numbers["false batch alarms per 100 good"] == (200.0, 1)
    bad = _truth(good=False, due={"incomplete": BLENDED}, final=0.8, final_unmended=0.8, cause="potash")
    assert "false batch alarms per 100 good" not in _score(tmp_path, bad, *alarms).numbers


def test_completeness_is_held_against_the_truth(tmp_path: Path) -> None:
    """Verdict error, coverage and the first hour's forecast, from numbers written by hand."""
    got = _score(tmp_path, _truth(), completeness=0.91, sd=0.01)
    assert got.numbers["mean absolute error, with ambient"][0] == pytest.approx(0.04)
    assert got.numbers["mean absolute error, first hour"][0] == pytest.approx(0.05)
    assert got.shares["verdicts within 2 sd"].hits == 0


def test_a_fault_counts_when_its_alarm_stands_in_its_time(tmp_path: Path) -> None:
    """Raised during the fault, or still standing from before: found. Cleared before it began: missed, and false."""
    fault = {
        "probe": "core",
        "kind": "open",
        "from_s": BLENDED + 9000,
        "to_s": BLENDED + 12000,
        "due": "sensor_fault",
    }
    truth = _truth(faults=[fault])
    assert _score(tmp_path, truth, (BLENDED + 9400, "sensor_fault", "raised")).shares["sensor_fault"].hits == 1
    early = [(BLENDED + 5000, "sensor_fault", "raised"), (BLENDED + 6000, "sensor_fault", "cleared")]
    got = _score(tmp_path, truth, *early)
    assert got.shares["sensor_fault"].hits == 0
    assert got.shares["batches with a false sensor or silent alarm"].hits == 1


def test_the_report_says_of_every_figure_whether_it_is_reached(tmp_path: Path) -> None:
    """One line a figure; the fixed thresholds run on a real recording and find a batch above 95 degC too hot."""
    (rec,) = write_set(tmp_path / "set", 3, 1, hours=8.0, styles=("droplets-still",), shares={"hot": 1.0})
    events = rec.with_suffix(".jsonl")
    run_thresholds(rec, rec.with_suffix(".toml"), events)
    truth = json.loads(rec.with_suffix(".truth.json").read_text(encoding="utf-8"))
    told = read_events(events)
    assert "too_hot" in truth["due"]
    assert told.raised["too_hot"]
    text = report([score("thresholds", [(rec.name, truth, told)])])
    assert all(aim.text in text for aim in AIMS)
    assert "reached" in text and "NOT" in text
