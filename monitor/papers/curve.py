"""A batch's curve drawn as lines: hours across, degrees up, the expected band shaded, deeds marked by number."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from itertools import pairwise
from statistics import median

from monitor.papers.paper import Paper
from monitor.papers.view import Points, SheetView
from monitor.units import celsius_from_fahrenheit, fahrenheit
from monitor.words import US, number, tr, voice

_HOUR_STEPS = (0.25, 0.5, 1.0, 2.0, 3.0, 6.0, 12.0, 24.0, 48.0, 96.0, 168.0)
_LETTERS = 7.0
_LEFT, _TOP, _BOTTOM = 9.0, 5.0, 8.0


def draw_curve(  # noqa: PLR0917
    paper: Paper, view: SheetView, x: float, y: float, width: float, height: float
) -> None:
    """The curve in that rectangle; a sentence in its place where there is no reading."""
    paste, air = _finite(view.paste), _finite(view.air)
    if not paste and not air:
        paper.paragraph(x, y, width, tr("No reading of this batch is in the journal: there is no curve."), 8.5)
        return
    band = [row for row in view.band if all(math.isfinite(value) for value in row)]
    start, end, low, high = _frame(paste, air, band, view.too_hot_c)
    # What is expected later than anything was read would stand outside the drawing.
    band = [row for row in band if start <= row[0] <= end]

    def across(hours: float) -> float:
        return x + _LEFT + (hours - start) / (end - start) * (width - _LEFT)

    def up(celsius: float) -> float:
        return y + _TOP + (high - celsius) / (high - low) * (height - _TOP - _BOTTOM)

    pdf = paper.pdf
    if len(band) > 1:
        edge = [(across(h), up(top)) for h, _, top in band] + [(across(h), up(foot)) for h, foot, _ in reversed(band)]
        pdf.set_fill_color(222)
        pdf.polygon(edge, style="F")
    _grid(paper, (start, end, low, high), across, up)
    if view.too_hot_c is not None and low <= view.too_hot_c <= high:
        pdf.set_dash_pattern(1.2, 1.0)
        paper.rule(across(start), up(view.too_hot_c), across(end), up(view.too_hot_c), 0.25)
        pdf.set_dash_pattern()
    for points, thick, dashed in ((air, 0.2, True), (paste, 0.45, False)):
        if dashed:
            pdf.set_dash_pattern(0.6, 0.6)
        for stretch in _stretches(points):
            pdf.set_draw_color(0)
            pdf.set_line_width(thick)
            if len(stretch) == 1:
                pdf.set_fill_color(0)
                pdf.circle(across(stretch[0][0]), up(stretch[0][1]), 0.5, style="F")
            else:
                pdf.polyline([(across(h), up(c)) for h, c in stretch])
        pdf.set_dash_pattern()
    _marks(paper, view, (start, end), across, y, y + height - _BOTTOM)


def legend(view: SheetView) -> str:
    """What the lines are, in one sentence."""
    parts = [tr("thick: paste"), tr("dotted: air")] if view.air else [tr("thick: paste")]
    if view.band:
        parts.append(tr("grey: where a good batch of this recipe runs"))
    if view.too_hot_c is not None:
        parts.append(tr("dashed: {limit:degC}, too hot", limit=view.too_hot_c))
    parts.append(tr("numbers: see the log"))
    return "; ".join(parts)


def _finite(points: Points) -> list[tuple[float, float]]:
    kept = [(hours, value) for hours, value in points if math.isfinite(hours) and math.isfinite(value)]
    return sorted(kept, key=lambda point: point[0])


def _frame(
    paste: Sequence[tuple[float, float]],
    air: Sequence[tuple[float, float]],
    band: Sequence[tuple[float, float, float]],
    too_hot_c: float | None,
) -> tuple[float, float, float, float]:
    """Hours and degrees Celsius between which the drawing stands."""
    hours = [point[0] for point in (*paste, *air)]
    start, end = min([0.0, *hours]), max([1.0, *hours])
    levels = [level for _, level in (*paste, *air)] + [level for h, *edges in band if h <= end for level in edges]
    lowest, highest = min(levels), max(levels)
    if too_hot_c is not None and highest > too_hot_c - 20.0:
        highest = max(highest, too_hot_c)
    low, high = math.floor((lowest - 2.0) / 10.0) * 10.0, math.ceil((highest + 2.0) / 10.0) * 10.0
    return start, end, low, max(high, low + 40.0)


def _stretches(points: Sequence[tuple[float, float]]) -> list[list[tuple[float, float]]]:
    """The curve cut where nothing came for long: a gap is drawn as a gap, never bridged."""
    if len(points) < 2:
        return [list(points)] if points else []
    gaps = [later[0] - earlier[0] for earlier, later in pairwise(points) if later[0] > earlier[0]]
    longest = max(0.25, 5.0 * median(gaps)) if gaps else 0.25
    parts = [[points[0]]]
    for earlier, later in pairwise(points):
        if later[0] - earlier[0] > longest:
            parts.append([])
        parts[-1].append(later)
    return parts


def _grid(
    paper: Paper,
    frame: tuple[float, float, float, float],
    across: Callable[[float], float],
    up: Callable[[float], float],
) -> None:
    start, end, low, high = frame
    in_f = voice().units == US
    shown = fahrenheit if in_f else float
    step = (50.0 if high - low > 60.0 else 20.0) if in_f else (20.0 if high - low > 60.0 else 10.0)
    level = math.ceil(shown(low) / step) * step
    while level <= shown(high):
        at = up(celsius_from_fahrenheit(level) if in_f else level)
        paper.rule(across(start), at, across(end), at, 0.08, 150)
        figure = number(level)
        paper.lines(across(start) - paper.wide(figure, _LETTERS) - 1.0, at - 1.5, [figure], _LETTERS)
        level += step
    paper.lines(across(start) - _LEFT, up(high) - 4.8, ["°F" if in_f else "°C"], _LETTERS)
    stride = next((step for step in _HOUR_STEPS if (end - start) / step <= 9), _HOUR_STEPS[-1])
    hour = math.ceil(start / stride) * stride
    foot = up(low)
    while hour <= end:
        paper.rule(across(hour), foot, across(hour), foot + 1.0, 0.2)
        figure = number(hour, 0 if stride >= 1.0 else 2)
        wide = paper.wide(figure, _LETTERS)
        paper.lines(min(across(hour) - wide / 2.0, across(end) - wide), foot + 1.0, [figure], _LETTERS)
        hour += stride
    title = tr("hours since the start")
    paper.lines(across(end) - paper.wide(title, _LETTERS), foot + 4.0, [title], _LETTERS)
    paper.rule(across(start), up(high), across(start), foot, 0.25)
    paper.rule(across(start), foot, across(end), foot, 0.25)


def _marks(  # noqa: PLR0917
    paper: Paper, view: SheetView, span: tuple[float, float], across: Callable[[float], float], top: float, foot: float
) -> None:
    """A line for each deed, and its number in the log where there is room for it."""
    free_from = -math.inf
    for place, line in enumerate(view.log, 1):
        if line.hours is None or not span[0] <= line.hours <= span[1]:
            continue
        here = across(line.hours)
        paper.rule(here, top + 3.5, here, foot, 0.08, 90)
        label = max(here - paper.wide(str(place), 6.5) / 2.0, free_from)
        # Deeds minutes apart on a scale of days: the numbers step aside a little, then stay away.
        if label - here < 12.0 and label < across(span[1]):
            paper.lines(label, top + 0.6, [str(place)], 6.5)
            free_from = label + paper.wide(str(place), 6.5) + 1.2
