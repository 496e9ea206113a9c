"""A weight corrected while the watch runs: it counts from then on, through restarts and in the replay alike."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.sources.batch_file import read_batch_file
from monitor.trade.recipe import scale_recipe
from tests.helpers_watch import NIGHT_S, RECORDINGS, Bench, recorded_lines

MINUTE_S = 60.0


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    one = Bench(tmp_path, NIGHT_S - 6 * MINUTE_S)
    yield one
    one.close()


def heats_kj(bench: Bench, bucket: str) -> list[tuple[float, float]]:
    """(time, heat released) of the estimates so far."""
    events = [json.loads(line) for line in bench.events(bucket)]
    return [(event["at"], event["heat_released_kj"]) for event in events if event["event"] == "estimate"]


def test_a_correction_counts_live_after_a_kill_and_in_the_replay(bench: Bench) -> None:
    """Twice of everything had been entered. The heat halves when it is put right, and stays right after kill -9."""
    entered = read_batch_file(RECORDINGS / "night-shed-1.toml")
    right = entered.batch.recipe
    batch = replace(entered.batch, recipe=scale_recipe(right, 2.0))
    waiting = sorted(entered.log, key=lambda one: one.noted_at_s)
    amended_s, killed_s, end_s = NIGHT_S + 45.5 * MINUTE_S, NIGHT_S + 58.2 * MINUTE_S, NIGHT_S + 90 * MINUTE_S
    begun = amended = killed = False
    for at_s, data, origin, retained in recorded_lines("night-shed-1"):
        if at_s > end_s:
            break
        if not begun and at_s >= batch.started_s:
            bench.begin(batch)
            begun = True
        while waiting and waiting[0].noted_at_s <= at_s:
            bench.mark(batch, waiting.pop(0))
        if not amended and at_s >= amended_s:
            bench.until(amended_s)
            bench.desk.amend_batch(batch.name, right, batch.vessel, bench.now_s, "Ada")
            amended = True
        if not killed and at_s >= killed_s:
            bench.until(killed_s)
            bench.kill()
            bench.start()
            killed = True
        bench.line(at_s, data, origin, retained=retained)
    bench.stop()
    assert begun and amended and killed
    told = heats_kj(bench, batch.bucket)
    before = [heat_kj for at_s, heat_kj in told if at_s < amended_s][-1]
    after = [heat_kj for at_s, heat_kj in told if at_s > amended_s]
    assert len(after) >= 4
    assert all(0.4 * before < heat_kj < 0.65 * before for heat_kj in after)
    assert bench.replayed(batch) == bench.events(batch.bucket)
