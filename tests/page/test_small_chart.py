"""The small curve on a card and the line that each bucket has at the top: what they show, and what they must not."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime

from hypothesis import given
from hypothesis import strategies as st

from monitor.page.markup import status_page
from monitor.page.small_chart import HEIGHT, WIDTH, small_svg
from tests.page import views


def utc(time_s: float) -> datetime:
    return datetime.fromtimestamp(time_s, UTC)


def drawn(svg: str, kind: str) -> list[list[tuple[float, float]]]:
    """The points of each line of a kind."""
    return [
        [(float(x), float(y)) for x, y in (pair.split(",") for pair in points.split())]
        for points in re.findall(rf'class="{kind}" points="([^"]*)"', svg)
    ]


@given(st.integers(1, 25_000))
def test_one_hot_reading_among_three_days_is_not_thinned_away(where: int) -> None:
    """The drawing touches its top exactly there, and its words say how hot."""
    points = [(10.0 * number, 50.0) for number in range(25_920)]
    points[where] = (10.0 * where, 91.0)
    svg = small_svg(points, local_time=utc)
    top = min(y for line in drawn(svg, "paste") for _, y in line)
    assert top == 16.0
    assert "91" in svg.partition('class="time')[2]
    assert len(svg) < 4000


@given(st.lists(st.tuples(st.floats(0, 3e5), st.floats(-40, 140)), max_size=60), st.floats(0, 3e5))
def test_all_lies_within_the_drawing(points: list[tuple[float, float]], ahead_s: float) -> None:
    """Whatever the readings and the band are."""
    band = [(time_s + ahead_s, level - 5.0, level + 5.0) for time_s, level in sorted(points)]
    svg = small_svg(points, band=band, local_time=utc)
    for line in [*drawn(svg, "paste"), *drawn(svg, "band")]:
        assert all(0 <= x <= WIDTH and 0 <= y <= HEIGHT for x, y in line)


def test_a_gap_is_a_gap_and_nothing_draws_nothing() -> None:
    """Two hours without a reading are not bridged."""
    svg = small_svg(views.curve(gap=(7200.0, 14400.0)), local_time=utc)
    assert len(drawn(svg, "paste")) == 2
    assert small_svg((), local_time=utc) == small_svg(((0.0, 1.0),), local_time=utc) == ""
    assert small_svg(((0.0, float("nan")), (9.0, 1.0)), local_time=utc) == ""


def test_each_bucket_has_a_line_at_the_top_the_worst_first() -> None:
    """With its figure, its state in words, and the way to its card."""
    html = status_page(views.status(views.GOOD, views.BAD, views.LATE, views.SPARE), utc)
    strip = html.partition('<ul class="glance">')[2].partition("</ul>")[0]
    rows = re.findall(r'href="#([^"]+)".*?<b>(.*?)</b> <span>(.*?)</span> <span>(.*?)</span>', strip)
    assert [(name, state) for _, name, _, state in rows] == [
        ("shed-3", "Act now"), ("barn-1", "No fresh reading"), ("shed-2", "No alarm"), ("spare", "No batch"),
    ]  # fmt: skip
    assert all(f'id="{anchor}"' in html for anchor, *_ in rows)
    figures = {name: figure.replace("\u00a0", " ") for _, name, figure, _ in rows}
    # A reading too old to go by is no figure of the present.
    assert figures == {"shed-3": "52 °C", "barn-1": "", "shed-2": "71 °C", "spare": ""}


def test_one_bucket_needs_no_list() -> None:
    """Its card is the page."""
    assert 'class="glance"' not in status_page(views.status(views.GOOD), utc)


def test_names_that_differ_only_in_signs_have_places_of_their_own() -> None:
    """Two buckets must not share an anchor."""
    pair = (replace(views.GOOD, name="a.b"), replace(views.GOOD, name="a b"))
    anchors = re.findall(r'<article [^>]*id="([^"]+)"', status_page(views.status(*pair), utc))
    assert len(set(anchors)) == 2
