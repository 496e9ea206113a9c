"""Water in a batch by its log: how much, and whether that is all of it."""

from __future__ import annotations

import pytest

from monitor.domain import LogEntry, OilShare, Recipe
from monitor.trade.dilution import dilution
from monitor.trade.watered import Watered, watered

RECIPE = Recipe((OilShare("rapeseed", 3.31),), koh_kg=0.64, koh_purity=0.90, water_kg=1.0)
HOUR_S = 3600.0
DAY_S = 24 * HOUR_S
POURED = LogEntry("poured", 0.0, 0.0)
TESTED_S = 4 * DAY_S


def _added(at_s: float, kg: float | None, noted_at_s: float | None = None) -> LogEntry:
    return LogEntry("water-added", at_s, at_s if noted_at_s is None else noted_at_s, kg=kg)


def _diluted(kind: str = "diluted", at_s: float = 3.5 * DAY_S) -> LogEntry:
    return LogEntry(kind, at_s, at_s)


@pytest.mark.parametrize(
    ("entries", "told"),
    [
        ((), Watered(0.0, True)),
        ((_added(3 * DAY_S, 8.0), _added(3.1 * DAY_S, 9.0), _diluted()), Watered(17.0, True)),
        ((_added(3 * DAY_S, 17.0, 9 * DAY_S), _diluted()), Watered(17.0, True)),  # noted after the test
        ((_added(3 * DAY_S, None),), Watered(0.0, False)),
        ((_added(3 * DAY_S, 17.0), _added(3.1 * DAY_S, None)), Watered(17.0, False)),
        ((_diluted(),), Watered(0.0, False)),
        ((_diluted("filled"),), Watered(0.0, False)),
        ((_added(3 * DAY_S, 3.0), _diluted()), Watered(3.0, False)),  # one going in of several
        ((_added(5 * DAY_S, None), _diluted(at_s=5.5 * DAY_S)), Watered(0.0, True)),  # after the test
        ((_added(0.5 * HOUR_S, 1.0),), Watered(0.0, True)),  # the lye's, noted late
        ((_added(-HOUR_S, None),), Watered(0.0, True)),
        ((_added(6 * HOUR_S, 17.0),), Watered(17.0, True)),  # diluted the same evening
        ((_added(6 * HOUR_S, None),), Watered(0.0, False)),
    ],
)
def test_what_the_log_says(entries: tuple[LogEntry, ...], told: Watered) -> None:
    """All of it, or that there is more."""
    assert watered((POURED, *entries), RECIPE, 0.0, TESTED_S) == told


def test_soap_that_was_filled_was_diluted() -> None:
    """Though nobody noted the diluting; what was filled after the test says nothing of it."""
    assert not watered((POURED,), RECIPE, 0.0, TESTED_S, filled_at_s=3.5 * DAY_S).known
    assert watered((POURED,), RECIPE, 0.0, TESTED_S, filled_at_s=5 * DAY_S).known
    enough = _added(3 * DAY_S, 0.6 * dilution(RECIPE).water_low_kg)
    assert watered((POURED, enough), RECIPE, 0.0, TESTED_S, filled_at_s=3.5 * DAY_S).known
