"""Invented batches as they are compared, for the tests."""

from __future__ import annotations

import math

from monitor.domain import OilShare, Recipe, Vessel
from monitor.seasons.story import Story

POURED_S = 1767290400.0
_DAY_S = 86400.0


def story(
    number: int = 1, bucket: str = "shed-2", *, peak_c: float = 88.0, done: float = 0.95, **more: object
) -> Story:
    """A batch that peaks after forty minutes and cools with a time constant of four hours; ``number`` days later."""
    poured_s = POURED_S + number * _DAY_S
    core = tuple(
        (poured_s + 60.0 * minute, _level(minute / 60.0, peak_c)) for minute in range(-10, 24 * 60, 5)
    )
    hours = (1, 2, 4, 8, 16, 24)
    usual: dict[str, object] = {
        "poured_s": poured_s, "blended_s": poured_s + 600.0, "outcome": "filled", "pour_c": 48.0, "mass_kg": 6.0,
        "recipe": Recipe((OilShare("sunflower", 4.0),), 0.8, 0.9, 1.2), "vessel": Vessel(25.0, "bare"),
        "core": core, "air": tuple((time_s, 10.0) for time_s, _ in core),
        "heat": tuple((poured_s + 3600.0 * h, 600.0 * (1 - math.exp(-h)), 30.0) for h in hours),
        "done": tuple((poured_s + 3600.0 * h, done * (1 - math.exp(-h)), 0.05) for h in hours),
        "completeness": (done, 0.04), "self_heating": (45.0, 2.0), "time_constant_s": (14400.0, 1800.0),
        "yield_litres": 20.0,
    }  # fmt: skip
    values = {"month": 1, **usual, **more}
    return Story(f"Quillmarsh {number}", bucket, poured_s, **values)  # type: ignore[arg-type]


def _level(hours: float, peak_c: float) -> float:
    if hours < 0.0:
        return 10.0
    top_h = 40.0 / 60.0
    if hours < top_h:
        return 48.0 + (peak_c - 48.0) * hours / top_h
    return 10.0 + (peak_c - 10.0) * math.exp((top_h - hours) / 4.0)
