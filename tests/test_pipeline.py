"""The one path from readings to events, where neither screening nor verdict alone can be asked. Invented curves."""

from __future__ import annotations

import json
import random
from dataclasses import replace

from monitor.domain import Batch, LogEntry, OilShare, Reading, Recipe, Vessel
from monitor.pipeline import Amendment, Minder
from monitor.replay import amendment_note, amendment_of

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


# ---- what was weighed is corrected ---------------------------------------------------------------------------------

TRUE = Recipe((OilShare("rapeseed", 4.2),), 0.85, 0.90, 1.3)
# The scale read the oil without its can, and the potash with the tin.
AS_FIRST_ENTERED = Recipe((OilShare("rapeseed", 3.3),), 1.05, 0.90, 1.3)


def lively_curve(upto_min: int) -> list[Reading]:
    """Poured at 55, at 85 after forty minutes, then slowly cooler: an invented good batch, a reading a minute."""
    readings = []
    for minute in range(-30, upto_min):
        at = POUR_S + 60.0 * minute
        rise = 30.0 * min(1.0, max(0, minute) / 40.0) - 0.05 * max(0, minute - 40)
        core_c = AIR_C if minute < 12 else 55.0 + rise
        readings += [Reading("shed-2", "core", at, at, round(core_c, 2)), Reading("shed-2", "ambient", at, at, AIR_C)]
    return readings


def minded(recipe: Recipe, amended_min: int | None = None) -> tuple[Minder, list[object]]:
    """Two hours of it, minded with ``recipe``, put right after so many minutes."""
    minder = Minder(replace(BATCH, recipe=recipe), minded_from_s=POUR_S - 1800.0)
    for note in NOTES:
        minder.note(replace(note, temperature_c=55.0) if note.kind == "poured" else note)
    events: list[object] = []
    for reading in lively_curve(120):
        if reading.probe == "core" and reading.arrival_s % 60.0 == 0.0:
            minute = round((reading.arrival_s - POUR_S) / 60.0)
            events += minder.tick(reading.arrival_s)
            if minute == amended_min:
                minder.amend(Amendment(TRUE, BATCH.vessel))
        minder.take(reading)
    return minder, events


def test_a_corrected_weight_counts_from_then_on_and_changes_nothing_said_before() -> None:
    """After the correction the estimate is that of the right recipe; the events before it are those without it."""
    wrong, wrong_events = minded(AS_FIRST_ENTERED)
    right, _ = minded(TRUE)
    mended, mended_events = minded(AS_FIRST_ENTERED, amended_min=60)
    assert wrong.estimate is not None and right.estimate is not None and mended.estimate is not None
    off = abs(wrong.estimate.completeness - right.estimate.completeness)
    assert off > 0.05  # or the correction below would show nothing
    assert abs(mended.estimate.completeness - right.estimate.completeness) < 0.2 * off
    before = [event for event in wrong_events if event.at_s <= POUR_S + 3600.0]
    assert [event for event in mended_events if event.at_s <= POUR_S + 3600.0] == before
    assert before


def test_a_correction_that_changes_nothing_disturbs_nothing() -> None:
    """Entering the same weights again leaves every event as it was."""
    assert minded(TRUE, amended_min=60)[1] == minded(TRUE)[1]


def test_a_correction_survives_the_recording() -> None:
    """What a recording notes of a correction reads back as the same; a damaged note counts as not weighed."""
    amendment = Amendment(TRUE, Vessel(25.0, "box"))
    note = json.loads(json.dumps(amendment_note("Quillmarsh cold", amendment, POUR_S)))
    assert amendment_of(note) == amendment
    torn = amendment_of({"recipe": {"oils": [7, {"kg": 1}], "koh_kg": "much"}, "vessel": []})
    assert torn == Amendment(Recipe(), Vessel())
