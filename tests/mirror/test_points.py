"""Readings and events as points: what identifies them, and all of their fields."""

from __future__ import annotations

import math
import re
import shutil
from pathlib import Path

import pytest

from monitor.domain import Event, Reading
from monitor.journal.database import Journal
from monitor.mirror.points import Points

T0 = 1768672800.0
POINTS = Points("Quillmarsh allotments")


def test_a_reading_has_all_its_fields_each_time() -> None:
    """Fields that are left out stay as they were in the server: so "why" is said when there is nothing to say."""
    reading = Reading("shed-2", "core", T0 + 0.5, T0 + 3.0, 61.25)
    head = r"emberpail_reading,bucket=shed-2,probe=core,site=Quillmarsh\ allotments "
    at = " 1768672800500000000"
    assert POINTS.reading(reading, None) == f'{head}temperature_c=61.25,believed=true,why=""{at}'
    assert POINTS.reading(reading, "spike") == f'{head}temperature_c=61.25,believed=false,why="spike"{at}'


@pytest.mark.parametrize("value", [None, math.nan, math.inf])
def test_what_could_not_be_measured_has_no_temperature(value: float | None) -> None:
    """It is not believed, and says why."""
    said = POINTS.reading(Reading("shed-2", "core", T0, T0, value, "open"), None)
    assert said is not None and ' believed=false,why="open" ' in said and "temperature_c" not in said
    silent = POINTS.reading(Reading("shed-2", "core", T0, T0, value), None)
    assert silent is not None and "believed=false" in silent


def test_a_time_that_no_point_can_say_makes_none() -> None:
    """A node whose clock is beside itself."""
    assert POINTS.reading(Reading("shed-2", "core", 1e12, T0, 60.0), None) is None


def test_an_alarm_has_a_point_for_each_probe_and_state() -> None:
    """Two probes that fail at one tick are two points, raised and cleared at one tick too."""

    def said(alarm: str, state: str) -> str:
        values = {"alarm": alarm, "kind": "sensor_fault", "state": state, "urgency": "now", "probability": 1.0,
                  "says": 'core says "open"', "do": "Look."}  # fmt: skip
        line = POINTS.event(Event("alarm", T0, "shed-2", "Quillmarsh 12", values))
        assert line is not None
        return line

    core = said("shed-2/Quillmarsh 12/sensor_fault.core/1", "raised")
    top = said("shed-2/Q/sensor_fault.top/1", "raised")
    assert "kind=sensor_fault,probe=core,site=" in core and "probe=top" in top and ",state=raised " in core
    assert "stands=true" in core and "stands=false" in said("shed-2/Q/sensor_fault.core/1", "cleared")
    assert r'says="core says \"open\""' in core
    assert "probe=" not in said("strange", "raised")


def test_every_event_of_an_evening_makes_a_point_of_its_own(tmp_path: Path) -> None:
    """Of an evening that the real watch has judged: no two share measurement, tags and time."""
    stored = Path(__file__).parents[1] / "journal" / "schemas" / "schema-3.sqlite"
    with Journal(shutil.copy(stored, tmp_path / "journal.sqlite")) as journal:
        said = [POINTS.event(event) for _, event in journal.events_after(0, 10_000)]
        readings = [POINTS.reading(kept.reading, kept.reason) for _, kept in journal.readings_after(0, 10_000)]
    keys = [(_head(line), line.rpartition(" ")[2]) for line in [*said, *readings] if line]
    assert len(said) > 10 and len(readings) > 500
    assert len(set(keys)) == len(said) + len(readings)


def _head(line: str) -> str:
    """Measurement and tags: up to the first space that is not escaped."""
    return re.split(r"(?<!\\) ", line, maxsplit=1)[0]


def test_an_estimate_says_its_numbers_and_its_weights() -> None:
    """Maps become a field for each name; lists and what is not known are left out."""
    values = {"completeness": 0.5, "causes": {"good": 0.75}, "assumed": ["no_ambient"], "peak_at": None, "says": "x"}
    said = POINTS.event(Event("verdict", T0, "shed-2", "Quillmarsh 12", values))
    assert said is not None and said.split(" ", 3)[-1].startswith('completeness=0.5,causes_good=0.75,says="x" ')
    assert POINTS.event(Event("estimate", T0, "shed-2", "Q", {"completeness": math.nan})) is None


def test_the_good_point_is_one() -> None:
    """It says when somebody looked."""
    assert POINTS.known_good(T0) == r"emberpail_mirror,site=Quillmarsh\ allotments checked=true 1768672800000000000"
