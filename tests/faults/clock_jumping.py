"""A batch minded through jumps of the wall clock, and what is then otherwise than without them: nothing that matters.

The wall clock is set at seeded moments, by a hand, by summer time or by a dead battery; the node's own clock steps
along or not. What is judged and told must be the same at the same times.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from pathlib import Path

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
Answer = tuple[list[tuple[str, str, float]], list[tuple[str, str, str, float]], list[float], LogEntry]


def minded(folder: Path, kind: str, jumps: Sequence[float], *, node: bool, seed: int, start_s: float) -> Answer:
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


def differences(answer: Answer, steady: Answer, *, node: bool) -> list[str]:
    """What a batch with jumps has otherwise than the same one without, in words; ``node``: its clock stepped along."""
    alarms, messages, times, noted = answer
    expected, told, steady_times, steadily_noted = steady
    # A reading whose stamp cannot be believed is placed by its arrival, which may tip one tick.
    apart_s = 2 * MINUTE if node else 1e-3
    # Three lines tell a clock that runs behind from a queue; until then those of a node that stepped are misplaced.
    most_stray = 4 if node else 0
    found = []
    if [one[:2] for one in alarms] != [one[:2] for one in expected]:
        found.append(f"alarms {alarms}, expected {expected}")
    elif any(abs(one[2] - other[2]) > apart_s for one, other in zip(alarms, expected, strict=True)):
        found.append(f"alarms at other times: {alarms}, expected {expected}")
    if sorted(one[:3] for one in messages) != sorted(one[:3] for one in told):
        found.append(f"messages {messages}, expected {told}")
    if len(times) != len(steady_times):
        found.append(f"{len(times)} readings, expected {len(steady_times)}")
    elif sum(abs(one - other) > 60.0 for one, other in zip(times, steady_times, strict=True)) > most_stray:
        found.append("readings at other times")
    if not node and times != sorted(times):
        found.append("readings out of order")
    if abs(noted.at_s - steadily_noted.at_s) > 3.0 or abs(noted.noted_at_s - steadily_noted.noted_at_s) > 3.0:
        found.append(f"what was noted stands at {noted.at_s}, expected {steadily_noted.at_s}")
    return found
