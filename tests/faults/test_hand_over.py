"""An alarm is with the phone's service within seconds, whatever the other routes and the other buckets do."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.faults.handing_over import MOST_P99_S, handed_over, p99_s


@pytest.mark.slow
def test_many_alarms_at_once_are_told_within_seconds(tmp_path: Path) -> None:
    """Thirty of two hundred buckets at one tick, with a route that takes eight seconds and one that never answers: all
    told, 99 in 100 of them within five seconds of their tick."""
    found = handed_over(tmp_path, buckets=200, burst=30, minutes=2)
    assert found.alarms >= 30
    assert found.untold == 0
    assert p99_s(found) <= MOST_P99_S, sorted(found.anywhere_s)[-5:]
