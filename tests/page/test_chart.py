"""The curve's drawing: nothing that matters is lost, and a gap is a gap."""

from __future__ import annotations

import re
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.page.chart import HEIGHT, WIDTH, chart_svg, stretches, thinned
from monitor.words import US, Voice, speaking

from . import views


def _clock(unix_s: float) -> datetime:
    return datetime.fromtimestamp(unix_s, UTC)


_POINTS = st.lists(
    st.tuples(st.floats(0, 1e6), st.floats(-40, 140)), min_size=1, max_size=400, unique_by=lambda point: point[0]
).map(sorted)


@given(_POINTS, st.integers(1, 50))
def test_thinning_keeps_the_ends_the_peak_and_the_trough(points: list[tuple[float, float]], slots: int) -> None:
    """A thinned curve begins, ends, peaks and dips where the whole one does, and has few points."""
    few = thinned(points, slots)
    assert (few[0], few[-1]) == (points[0], points[-1])
    assert max(level for _, level in few) == max(level for _, level in points)
    assert min(level for _, level in few) == min(level for _, level in points)
    assert len(few) <= max(2 * slots + 2, 2)
    assert set(few) <= set(points)
    assert few == sorted(few)


def test_a_single_spike_survives_the_thinning() -> None:
    """One reading among 26000 that stands out is still in the drawing."""
    points = [(float(number), 50.0) for number in range(26000)]
    points[13001] = (13001.0, 97.0)
    assert (13001.0, 97.0) in thinned(points)


def test_a_silent_hour_is_drawn_as_a_gap() -> None:
    """No line bridges the time in which nothing came."""
    whole = chart_svg(views.curve(), local_time=_clock)
    torn = chart_svg(views.curve(gap=(7200.0, 10800.0)), local_time=_clock)
    assert whole.count("<polyline") == 1
    assert torn.count("<polyline") == 2


def test_three_days_in_slots_are_one_stretch() -> None:
    """Lowest and highest of slots of eleven minutes, both at one moment: a curve and not four hundred pieces."""
    slots = [(648.0 * place, level) for place in range(400) for level in (40.0, 41.0)]
    assert len(stretches(slots)) == 1
    torn = [point for point in slots if not 100_000.0 < point[0] < 110_000.0]
    assert len(stretches(torn)) == 2


@given(_POINTS)
def test_stretches_hold_every_point_once(points: list[tuple[float, float]]) -> None:
    """Cutting loses and doubles nothing."""
    assert [point for stretch in stretches(points) for point in stretch] == points


@given(_POINTS, st.booleans(), st.one_of(st.none(), st.floats(60, 100)))
def test_every_drawing_stays_inside_its_frame(
    points: list[tuple[float, float]], air: bool, limit: float | None
) -> None:
    """Whatever the readings, each coordinate lies within the frame."""
    svg = chart_svg(points, ambient=points if air else (), too_hot_c=limit, local_time=_clock)
    for pairs in re.findall(r'points="([^"]+)"', svg):
        for pair in pairs.split():
            x, y = map(float, pair.split(","))
            assert 0 <= x <= WIDTH
            assert 0 <= y <= HEIGHT
    assert svg.count("<svg") == svg.count("</svg>") == 1


def test_a_reading_that_is_no_number_is_left_out() -> None:
    """NaN and infinity never reach the drawing."""
    svg = chart_svg(((0.0, 50.0), (60.0, float("nan")), (120.0, float("inf")), (180.0, 51.0)), local_time=_clock)
    assert "nan" not in svg
    assert "inf" not in svg.replace("info", "")


def test_without_a_reading_there_is_no_drawing() -> None:
    """Nothing to draw gives nothing, and one reading gives one dot."""
    assert chart_svg((), local_time=_clock) == ""
    assert chart_svg(((0.0, float("nan")),), local_time=_clock) == ""
    assert 'class="paste dot"' in chart_svg(((0.0, 50.0),), local_time=_clock)


def test_the_drawing_is_told_in_words_too() -> None:
    """Who cannot see the curve hears its span, its peak and its newest value."""
    svg = chart_svg(((0.0, 50.0), (600.0, 91.4), (1200.0, 80.0)), local_time=_clock)
    assert "from 00:00 to 00:20: highest 91 degrees at 00:10, newest 80 degrees." in svg


def test_marks_are_numbered_and_do_not_cover_each_other() -> None:
    """Two deeds a minute apart keep two legible numbers."""
    svg = chart_svg(
        views.curve(), marks=((views.POURED_S, "poured"), (views.POURED_S + 60, "blended")), local_time=_clock
    )
    places = [float(x) for x in re.findall(r'<text class="mark" x="([0-9.]+)"', svg)]
    assert len(places) == 2
    assert places[1] - places[0] >= 12


def test_the_levels_are_round_in_the_units_of_the_reader() -> None:
    """With US units the axis says °F and stands at whole tens of it, each line at the height of that temperature."""
    with speaking(Voice(units=US)):
        svg = chart_svg(((0.0, 20.0), (3600.0, 80.0)), local_time=lambda at_s: datetime.fromtimestamp(at_s, UTC))
    levels = [int(text) for text in re.findall(r'class="level"[^>]*>(\d+)<', svg)]
    heights = [float(text) for text in re.findall(r'class="grid"[^>]*y1="([0-9.]+)"', svg)]
    assert "°F" in svg
    assert "°C" not in svg
    assert len(levels) >= 3
    assert all(level % 10 == 0 for level in levels)
    assert "highest 176 degrees" in svg
    # 20 and 80 °C are 68 and 176 °F (exact by definition): the curve's ends lie where those levels would.
    ends = [float(pair.split(",")[1]) for pair in re.findall(r'class="paste" points="([^"]+)"', svg)[0].split()]
    per_degree = (heights[0] - heights[-1]) / (levels[-1] - levels[0])
    assert heights[0] - (68 - levels[0]) * per_degree == pytest.approx(ends[0], abs=0.2)
    assert heights[0] - (176 - levels[0]) * per_degree == pytest.approx(ends[-1], abs=0.2)
