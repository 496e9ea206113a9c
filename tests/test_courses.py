"""The curves that charts draw, read from the journal: every probe, every peak, and no forecast on old readings."""

from __future__ import annotations

import io
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from PIL import Image

from monitor.courses import FORECAST_IS_OLD_S, Courses, forecast_of
from monitor.domain import Batch, Event, LogEntry, Reading, Vessel
from monitor.journal.database import AlarmRecord, Journal
from monitor.pipeline import Minder
from monitor.settings import Settings
from tests.helpers_watch import RECIPE

NOW_S = 1768845600.0  # Monday 19 January 2026, 18:00 UTC
DAYS_S = 72 * 3600.0
START_S = NOW_S - DAYS_S
FORECAST = [(NOW_S - 120.0 + 600.0 * i, 30.0, 40.0) for i in range(12)]


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with Journal(tmp_path / "journal.sqlite") as one:
        one.add_batch(Batch("A", "shed-1", START_S, RECIPE, Vessel(20.0), noted_at_s=START_S))
        yield one


class _Asker:
    """Somebody who looks at charts; ``now_s`` may be moved on."""

    def __init__(self, journal: Journal) -> None:
        self.now_s = NOW_S
        self.forecasts = {"A": FORECAST}
        self.courses = Courses(lambda: journal, Settings(), lambda: self.now_s, {"A": FORECAST}, self.forecasts)


def _feed(
    journal: Journal, from_s: float, to_s: float, step_s: float = 60.0, probes: tuple[str, ...] = ("core", "ambient")
) -> None:
    times_s = [from_s + step_s * i for i in range(int((to_s - from_s) / step_s))]
    for probe in probes:
        journal.add_readings(Reading("shed-1", probe, at, NOW_S, 40.0 + at % 7 / 10) for at in times_s)


def test_four_probes_of_three_days_keep_every_peak_at_its_own_time(journal: Journal) -> None:
    """The hottest and the coldest reading of each probe are drawn when they were read, in about a thousand points."""
    probes = ("core", "wall", "top", "bottom", "ambient")
    _feed(journal, START_S, NOW_S, 10.0, probes)
    peaks = {probe: (START_S + 40 * 3600.0 + 3.0 + i, 90.0 + i) for i, probe in enumerate(probes)}
    journal.add_readings(Reading("shed-1", probe, at, NOW_S, level) for probe, (at, level) in peaks.items())
    courses = _Asker(journal).courses
    began_s = time.perf_counter()
    curve = courses.of_bucket("shed-1")
    first_s = time.perf_counter() - began_s
    began_s = time.perf_counter()
    courses.of_bucket("shed-1")
    print(f"first look {first_s:.2f} s, next {time.perf_counter() - began_s:.3f} s")
    assert curve is not None
    assert tuple(probe for probe, _ in curve.paste) == ("core", "wall", "top", "bottom")
    for probe, points in (*curve.paste, ("ambient", curve.air)):
        assert peaks[probe] in points
        assert 300 < len(points) <= 1000
        assert list(points) == sorted(points)


def test_a_part_comes_as_it_was_read(journal: Journal) -> None:
    """Whoever zooms into twenty minutes sees each reading of them, and none that was not believed."""
    _feed(journal, START_S, NOW_S, 10.0)
    journal.add_readings([Reading("shed-1", "core", START_S + 3605.0, NOW_S, 85.0)], ["power-on"])
    curve = _Asker(journal).courses.of_bucket("shed-1", (START_S + 3600.0, START_S + 4800.0))
    assert curve is not None
    assert len(curve.core) == 120
    assert max(level for _, level in curve.core) < 50.0


def test_new_readings_are_drawn_at_once_and_late_hours_soon(journal: Journal) -> None:
    """The newest minutes are read each time; hours that come late are there within half an hour."""
    _feed(journal, START_S, NOW_S - 6 * 3600.0)
    asker = _Asker(journal)
    asker.courses.of_bucket("shed-1")
    journal.add_readings([Reading("shed-1", "core", NOW_S + 5.0, NOW_S, 55.0)])
    asker.now_s += 10.0
    curve = asker.courses.of_bucket("shed-1")
    assert curve is not None and curve.core[-1] == (NOW_S + 5.0, 55.0)
    _feed(journal, NOW_S - 6 * 3600.0, NOW_S)
    asker.now_s += 1801.0
    curve = asker.courses.of_bucket("shed-1")
    assert curve is not None
    assert max(b[0] - a[0] for a, b in zip(curve.core, curve.core[1:], strict=False)) < 1200.0


def test_a_forecast_never_stands_on_old_or_doubted_readings(journal: Journal) -> None:
    """It begins at the present; it goes when readings stop, when it is old, and while a probe is doubted."""
    _feed(journal, START_S, NOW_S)
    asker = _Asker(journal)
    curve = asker.courses.of_bucket("shed-1")
    assert curve is not None and curve.forecast and curve.forecast[0][0] >= NOW_S - 60.0

    asker.now_s = NOW_S + 400.0
    assert (late := asker.courses.of_bucket("shed-1")) is not None and late.forecast == ()

    asker.now_s = NOW_S
    old = [(at - FORECAST_IS_OLD_S - 1.0, low, high) for at, low, high in FORECAST]
    asker.forecasts["A"] = old
    assert (stale := asker.courses.of_bucket("shed-1")) is not None and stale.forecast == ()

    asker.forecasts["A"] = FORECAST
    journal.save_alarm(
        AlarmRecord("f1", "sensor_fault", "shed-1", "A", "unacknowledged", "now", 1.0, NOW_S - 60.0, says="core: x")
    )
    assert (doubted := asker.courses.of_bucket("shed-1")) is not None and doubted.forecast == ()
    assert [words for _, words in doubted.marks] == ["alarm: core"]


def test_the_heat_comes_from_every_estimate_and_the_newest_stays(journal: Journal) -> None:
    """Estimates of ten days are thinned, new ones are added, one without a figure is passed over."""

    def estimate(i: int, kj: object) -> Event:
        return Event(
            "estimate", START_S + 600.0 * i, "shed-1", "A", {"heat_released_kj": kj, "heat_released_sd_kj": 5.0}
        )

    _feed(journal, START_S, START_S + 600.0)
    journal.add_events([estimate(i, float(i)) for i in range(1, 1400)])
    courses = _Asker(journal).courses
    curve = courses.of_bucket("shed-1")
    assert curve is not None
    assert len(curve.heat) <= 500
    assert curve.heat[-1] == (START_S + 600.0 * 1399, 1399.0, 5.0)
    journal.add_events([estimate(1400, None), estimate(1401, 1500.0)])
    assert (more := courses.of_bucket("shed-1")) is not None and more.heat[-1][1] == 1500.0


def test_an_ended_batch_keeps_its_curve_and_has_no_forecast(journal: Journal) -> None:
    """By its name it is drawn as it was; its bucket is empty."""
    _feed(journal, START_S, NOW_S)
    journal.add_entry("A", LogEntry("blended", START_S + 600.0, START_S + 600.0))
    journal.end_batch("A", NOW_S, NOW_S, "filled")
    courses = _Asker(journal).courses
    assert courses.of_bucket("shed-1") is None
    assert courses.of_batch("nobody") is None
    curve = courses.of_batch("A")
    assert curve is not None
    assert (curve.running, curve.forecast, curve.band) == (False, (), ())
    assert curve.marks == ((START_S + 600.0, "blended"),)
    assert courses.picture_for("shed-1") is None


def test_the_picture_for_a_message_is_a_picture(journal: Journal) -> None:
    """A PNG of the bucket's batch, for the phone."""
    _feed(journal, START_S, NOW_S)
    png = _Asker(journal).courses.picture_for("shed-1")
    assert png is not None
    assert Image.open(io.BytesIO(png)).size == (1000, 700)


def test_a_minder_s_forecast_begins_now_and_ends_at_the_planned_dilution() -> None:
    """Before the first estimate there is none; then a range ahead; after the planned dilution none again."""
    batch = Batch("A", "shed-1", START_S, RECIPE, Vessel(20.0), noted_at_s=START_S)
    minder = Minder(batch, minded_from_s=START_S)
    assert forecast_of(minder, START_S) == []
    for kind, minutes in (("poured", 0.0), ("blended", 10.0), ("probe-in", 12.0)):
        minder.note(LogEntry(kind, START_S + 60 * minutes, START_S + 60 * minutes, entry_id=kind))
    at_s = START_S
    while at_s < START_S + 3600.0:
        at_s += 30.0
        level = 80.0 - 15.0 * (at_s - START_S) / 3600.0
        minder.take(Reading("shed-1", "core", at_s, at_s, level))
        minder.take(Reading("shed-1", "ambient", at_s, at_s, 10.0))
        if at_s % 60.0 == 0.0:
            minder.tick(at_s)
    rows = forecast_of(minder, at_s)
    assert rows[0][0] == pytest.approx(at_s, abs=1.0)
    assert rows[-1][0] == pytest.approx(START_S + 6 * 3600.0, abs=1.0)
    assert all(low <= high for _, low, high in rows)
    assert 40.0 < rows[0][1] <= rows[0][2] < 90.0
    assert rows[-1][2] - rows[-1][1] > rows[0][2] - rows[0][1]
    assert forecast_of(minder, START_S + 73 * 3600.0) == []
