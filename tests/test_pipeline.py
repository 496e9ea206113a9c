"""The one path from readings to events, where neither screening nor verdict alone can be asked. Invented curves."""

from __future__ import annotations

import random

from monitor.domain import Batch, LogEntry, OilShare, Reading, Recipe, Vessel
from monitor.pipeline import Minder

POUR_S = 1_773_475_800.0  # 2026-03-14 08:10 UTC
RECIPE = Recipe((OilShare("rapeseed", 4.2),), 0.85, 0.90, 1.3)
BATCH = Batch("Quillmarsh cold", "shed-2", POUR_S, RECIPE, Vessel(20.0, "bare"))
NOTES = (
    LogEntry("poured", POUR_S, POUR_S),
    LogEntry("blended", POUR_S + 600.0, POUR_S + 600.0),
)
AIR_C, PASTE_C, IN_S = 16.0, 21.0, 720.0


def raised(*, pushed_in: bool) -> list[object]:
    """Kinds of the alarms of the first hour of a mix hardly warmer than the air, its probe in after two minutes."""
    minder, noise = Minder(BATCH, minded_from_s=POUR_S - 600.0), random.Random(5)
    for note in NOTES:
        minder.note(note)
    found: list[object] = []
    for step in range(-60, 360):
        at = POUR_S + 10.0 * step
        for probe, level_c in (("core", PASTE_C if pushed_in and at >= POUR_S + IN_S else AIR_C), ("ambient", AIR_C)):
            minder.take(Reading("shed-2", probe, at, at, round(level_c + noise.gauss(0.0, 0.05), 2)))
        if at % 60.0 == 0.0:
            found += [event.values["kind"] for event in minder.tick(at) if event.event == "alarm"]
    return found


def test_a_probe_in_a_cold_mix_is_known_to_be_in() -> None:
    """Five kelvin over the air and there to stay: nobody is told to push in what is in, and one left out is told of."""
    assert "sensor_fault" not in raised(pushed_in=True)
    assert "sensor_fault" in raised(pushed_in=False)
