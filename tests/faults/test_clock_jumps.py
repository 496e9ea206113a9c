"""The wall clock is set by a hand, by summer time or by a dead battery, while a batch is minded: nothing comes of it.

A batch that is too hot for an hour and a good one go through the watch with and without jumps of the wall clock, at
seeded moments, the node's own clock stepping along or not. What is judged and told must be the same at the same times.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.domain import Batch, LogEntry, Vessel
from tests.faults.week_nodes import HOUR, MINUTE, Curve, pack
from tests.faults.week_world import RECIPE
from tests.helpers_watch import Bench, settings_with

DAY = 24 * HOUR
CURVE = Curve()
# Sunday 29 March 2026, 0:00 UTC: London's clocks go forward at 1:00, while the batch is hot.
SPRING_S = 1774742400.0
# 19 January 2038, 3:14:08 UTC: where Unix seconds no longer fit into 31 bits.
SECONDS_OF_31_BITS = 2.0**31
JUMPS = {
    "30 days ahead": (30 * DAY,),
    "30 days back": (-30 * DAY,),
    "30 days ahead and back": (30 * DAY, 0.0),
    "an hour ahead, as summer time written by hand": (HOUR,),
    "an hour back, as winter time written by hand": (-HOUR,),
    "to 1970 and back": (-SPRING_S, 0.0),
    "beyond 2038": (SECONDS_OF_31_BITS + HOUR - SPRING_S,),
}
Answer = tuple[list[tuple[str, str, float]], list[tuple[str, str, str, float]], list[float], LogEntry]


def minded(folder: Path, kind: str, jumps: tuple[float, ...], *, node: bool, seed: int, start_s: float) -> Answer:
    """Three hours of a batch: (alarm events, messages, times of the core's readings, what was noted at 70 minutes)."""
    folder.mkdir()
    at_random = random.Random(seed)
    moments = sorted(start_s + at_random.uniform(20, 65) * MINUTE for _ in jumps)

    def offset_s(now_s: float) -> float:
        passed = [jump for moment, jump in zip(moments, jumps, strict=True) if moment <= now_s]
        return passed[-1] if passed else 0.0

    settings = settings_with("shed-1", people=[("Ash", "print://")])
    bench = Bench(folder, start_s, settings)
    wall: Callable[[], float] = lambda: bench.now_s + offset_s(bench.now_s)  # noqa: E731
    bench.clock._wall = wall
    batch = Batch("Invented jumps", "shed-1", start_s, RECIPE, Vessel(25.0, "bare"))
    bench.begin(
        batch,
        LogEntry("poured", start_s, start_s, temperature_c=46.0),
        LogEntry("blended", start_s + 10 * MINUTE, start_s + 10 * MINUTE),
        LogEntry("probe-in", start_s + 13 * MINUTE, start_s + 13 * MINUTE),
    )
    noted = None
    while bench.now_s < start_s + 3 * HOUR:
        now_s = bench.now_s + 30.0
        age_s = now_s - start_s
        stamp_s = round(now_s + (offset_s(now_s) if node else 0.0), 3)
        bench.line(now_s, pack("shed-1", stamp_s, CURVE.core(kind, age_s), CURVE.at("ambient", age_s)))
        if noted is None and age_s >= 70 * MINUTE:
            # A command notes by the computer's clock that somebody looked five minutes ago.
            noted = bench.mark(batch, LogEntry("looked", wall() - 5 * MINUTE, wall()))
            bench.until(bench.now_s + 2.0)
    assert noted is not None
    [kept] = [one for one in bench.desk.entries(batch.name) if one.kind == "looked"]
    alarms = [
        (str(one.values["kind"]), str(one.values["state"]), one.at_s)
        for one in bench.desk.events() if one.event == "alarm"
    ]  # fmt: skip
    messages = [(one.about, one.what, one.person, one.created_s) for one in bench.desk.messages()]
    times = [one.time_s for one in bench.journal.readings("shed-1") if one.probe == "core"]
    bench.close()
    return alarms, messages, times, kept


@pytest.fixture(scope="module")
def steady(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Answer]:
    """What comes of both batches without any jump."""
    folder = tmp_path_factory.mktemp("steady")
    return {
        kind: minded(folder / kind, kind, (), node=False, seed=0, start_s=SPRING_S) for kind in ("hot", "good")
    }


@pytest.mark.slow
@pytest.mark.parametrize("name", JUMPS)
def test_a_wall_clock_that_jumps_changes_nothing(name: str, tmp_path: Path, steady: dict[str, Answer]) -> None:
    """The alarm that is due comes when it is due, none that is not; reminders are neither lost nor doubled; readings
    keep their order; and what people note counts from now."""
    seed = list(JUMPS).index(name) + name.startswith("to 1970")
    node = seed % 2 == 0 or name.startswith("to 1970")
    for kind in ("hot", "good"):
        alarms, messages, times, noted = minded(
            tmp_path / kind, kind, JUMPS[name], node=node, seed=seed, start_s=SPRING_S
        )
        expected, told, _, _ = steady[kind]
        assert [one[:2] for one in alarms] == [one[:2] for one in expected], f"{kind}, seed {seed}"
        # A reading whose stamp cannot be believed is placed by its arrival, which may tip one tick.
        apart_s = 2 * MINUTE if node else 0.0
        assert [one[2] for one in alarms] == pytest.approx([one[2] for one in expected], abs=apart_s)
        assert sorted(one[:3] for one in messages) == sorted(one[:3] for one in told)
        # Three lines tell a clock that runs behind from a queue; until then those of a node that stepped are misplaced.
        stray = sum(abs(one - other) > 60.0 for one, other in zip(times, steady[kind][2], strict=True))
        assert stray <= (4 if node else 0)
        assert node or times == sorted(times)
        assert noted.at_s == pytest.approx(steady[kind][3].at_s, abs=3.0)
        assert noted.noted_at_s == pytest.approx(steady[kind][3].noted_at_s, abs=3.0)
    assert [one[1] for one in steady["hot"][0] if one[0] == "too_hot"] == ["raised", "cleared"]
    assert not steady["good"][0]


@pytest.mark.slow
def test_a_batch_over_the_19th_of_january_2038_is_like_any_other(tmp_path: Path, steady: dict[str, Answer]) -> None:
    """It begins an hour before; all comes at the same times after the pour."""
    start_s = (SECONDS_OF_31_BITS - HOUR) // MINUTE * MINUTE  # on the grid of the ticks, as the other
    alarms, messages, times, _ = minded(tmp_path / "hot", "hot", (), node=False, seed=0, start_s=start_s)
    expected, told, readings, _ = steady["hot"]
    assert [one[:2] for one in alarms] == [one[:2] for one in expected]
    assert [one[2] - start_s for one in alarms] == pytest.approx([one[2] - SPRING_S for one in expected])
    assert len(messages) == len(told)
    assert [one - start_s for one in times] == pytest.approx([one - SPRING_S for one in readings], abs=0.01)
