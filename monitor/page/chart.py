"""A batch's curve as one inline SVG: paste, air, the band a good batch would keep to, and what was done.

Colours and dashes come from the style sheet (no style attribute: the page's content policy forbids them). One unit of
the drawing is one pixel on a phone 360 px wide; a wider screen enlarges it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from datetime import datetime
from html import escape
from itertools import pairwise
from statistics import median

from monitor.units import celsius_from_fahrenheit, fahrenheit
from monitor.words import DAY_TIME, TIME, US, tr, voice, when

WIDTH, HEIGHT = 340, 240
LEFT, RIGHT, TOP, BOTTOM = 34, 6, 22, 24
_TIME_STEPS_S = (300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400, 172800, 604800)

Points = Sequence[tuple[float, float]]


def thinned(points: Points, slots: int = 300) -> list[tuple[float, float]]:
    """At most two points a slot of time, its lowest and its highest in their order: no peak is lost."""
    if len(points) <= 2 * slots:
        return list(points)
    start, end = points[0][0], points[-1][0]
    width = (end - start) / slots or 1.0
    kept: dict[int, list[tuple[float, float]]] = {}
    for point in points:
        slot = kept.setdefault(min(int((point[0] - start) / width), slots - 1), [point, point])
        if point[1] < slot[0][1]:
            slot[0] = point
        if point[1] > slot[1][1]:
            slot[1] = point
    # First and last stay, so that the curve begins and ends where the readings do.
    chosen = {points[0], points[-1], *(point for pair in kept.values() for point in pair)}
    return sorted(chosen)


def stretches(points: Points) -> list[list[tuple[float, float]]]:
    """The curve cut where nothing came for ten minutes (or five times the usual): a gap is drawn as a gap."""
    if len(points) < 2:
        return [list(points)] if points else []
    usual_s = median(later[0] - earlier[0] for earlier, later in pairwise(points))
    longest_s = max(600.0, 5.0 * usual_s)
    parts = [[points[0]]]
    for earlier, later in pairwise(points):
        if later[0] - earlier[0] > longest_s:
            parts.append([])
        parts[-1].append(later)
    return parts


def chart_svg(
    curve: Points,
    *,
    ambient: Points = (),
    band: Sequence[tuple[float, float, float]] = (),
    marks: Sequence[tuple[float, str]] = (),
    too_hot_c: float | None = None,
    local_time: Callable[[float], datetime],
) -> str:
    """The drawing as markup, or "" when there is no reading to draw. Marks are numbered from 1, oldest first."""
    curve, ambient = finite(curve), finite(ambient)
    band = [row for row in band if all(math.isfinite(value) for value in row)]
    if not curve:
        return ""
    start = min([curve[0][0], *(point[0] for point in ambient[:1]), *(row[0] for row in band[:1])])
    end = max([curve[-1][0], *(point[0] for point in ambient[-1:]), *(row[0] for row in band[-1:])])
    if end - start < 600:
        end = start + 600
    levels = [level for _, level in (*curve, *ambient)] + [level for row in band for level in row[1:]]
    low, high = _rounded_range(min(levels), max(levels), too_hot_c)

    def x(time_s: float) -> float:
        return LEFT + (time_s - start) / (end - start) * (WIDTH - LEFT - RIGHT)

    def y(level: float) -> float:
        return TOP + (high - level) / (high - low) * (HEIGHT - TOP - BOTTOM)

    def path(points: Points) -> str:
        return " ".join(f"{x(time_s):.1f},{y(level):.1f}" for time_s, level in points)

    label = escape(in_words(curve, local_time))
    parts = [f'<svg class="chart" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{label}">']
    parts += _level_grid(low, high, y)
    parts += _time_grid(start, end, x, local_time)
    if band:
        edge = path([(row[0], row[2]) for row in band]) + " " + path([(row[0], row[1]) for row in reversed(band)])
        parts.append(f'<polygon class="band" points="{edge}"/>')
    if too_hot_c is not None and low <= too_hot_c <= high:
        parts.append(
            f'<line class="limit" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y(too_hot_c):.1f}" y2="{y(too_hot_c):.1f}"/>'
        )
    for kind, points in (("air", ambient), ("paste", curve)):
        for whole in stretches(points):
            # Each stretch gets its share of the slots, so that a torn curve is no heavier than a whole one.
            stretch = thinned(whole, max(5, 300 * len(whole) // len(points)))
            if len(stretch) == 1:
                parts.append(
                    f'<circle class="{kind} dot" cx="{x(stretch[0][0]):.1f}" cy="{y(stretch[0][1]):.1f}" r="2"/>'
                )
            else:
                parts.append(f'<polyline class="{kind}" points="{path(stretch)}"/>')
    parts += _marks(marks, start, end, x)
    parts.append(f'<circle class="newest" cx="{x(curve[-1][0]):.1f}" cy="{y(curve[-1][1]):.1f}" r="4"/>')
    return "".join([*parts, "</svg>"])


def finite(points: Points) -> list[tuple[float, float]]:
    """The points that are figures, in the order of time."""
    return sorted((time_s, level) for time_s, level in points if math.isfinite(time_s) and math.isfinite(level))


def _rounded_range(lowest: float, highest: float, too_hot_c: float | None) -> tuple[float, float]:
    """Whole tens round the data, at least 40 K apart; the limit comes into the picture once the paste nears it."""
    if too_hot_c is not None and highest > too_hot_c - 20.0:
        highest = max(highest, too_hot_c)
    low = math.floor((lowest - 2.0) / 10.0) * 10.0
    high = math.ceil((highest + 2.0) / 10.0) * 10.0
    return low, max(high, low + 40.0)


def _level_grid(low: float, high: float, y: Callable[[float], float]) -> list[str]:
    """Lines at round figures of the unit that the reader goes by."""
    us = voice().units == US
    to_c, unit = (celsius_from_fahrenheit, "°F") if us else (float, "°C")
    first, last = (fahrenheit(low), fahrenheit(high)) if us else (low, high)
    step = next((step for step in (10, 20, 50) if (last - first) / step <= 6), 100)
    level = math.ceil(first / step) * step
    parts = [f'<text class="unit" x="2" y="12">{unit}</text>']
    while level <= last:
        at = y(to_c(level))
        parts.append(f'<line class="grid" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{at:.1f}" y2="{at:.1f}"/>')
        parts.append(f'<text class="level" x="{LEFT - 5}" y="{at + 4:.1f}">{level:g}</text>')
        level += step
    return parts


def _time_grid(
    start: float, end: float, x: Callable[[float], float], local_time: Callable[[float], datetime]
) -> list[str]:
    """Up to five times along the foot, on round local times."""
    step = next((step for step in _TIME_STEPS_S if (end - start) / step <= 5), _TIME_STEPS_S[-1])
    first = local_time(start)
    since_midnight_s = first.hour * 3600 + first.minute * 60 + first.second + first.microsecond * 1e-6
    at = start - since_midnight_s + math.ceil(since_midnight_s / step) * step
    parts = []
    while at <= end:
        local = local_time(at)
        day = when(local, DAY_TIME).partition(" ")[0]
        words = when(local, DAY_TIME) if step == 43200 else f"{day} {local:%d}" if step > 43200 else when(local, TIME)
        anchor = " first" if x(at) < LEFT + 16 else " last" if x(at) > WIDTH - RIGHT - 20 else ""
        parts.append(
            f'<line class="tick" x1="{x(at):.1f}" x2="{x(at):.1f}" y1="{HEIGHT - BOTTOM}" y2="{HEIGHT - BOTTOM + 4}"/>'
        )
        parts.append(f'<text class="time{anchor}" x="{x(at):.1f}" y="{HEIGHT - 6}">{escape(words)}</text>')
        at += step
    return parts


def _marks(marks: Sequence[tuple[float, str]], start: float, end: float, x: Callable[[float], float]) -> list[str]:
    parts = []
    last_x = -100.0
    for number, (time_s, words) in enumerate(marks, 1):
        if not start <= time_s <= end:
            continue
        here = x(time_s)
        parts.append(f'<line class="mark" x1="{here:.1f}" x2="{here:.1f}" y1="{TOP - 4}" y2="{HEIGHT - BOTTOM}"/>')
        # Two deeds minutes apart on a scale of days: the numbers step aside, the lines do not.
        label = max(here, last_x + 12)
        last_x = label
        parts.append(f'<text class="mark" x="{label:.1f}" y="{TOP - 8}">{number}<title>{escape(words)}</title></text>')
    return parts


def in_words(curve: Points, local_time: Callable[[float], datetime]) -> str:
    """The curve for those who do not see it."""
    peak = max(curve, key=lambda point: point[1])
    return tr(
        "Paste temperature from {start} to {end}: highest {peak:deg} degrees at {peak_time}, newest {newest:deg} "
        "degrees.",
        start=when(local_time(curve[0][0]), TIME),
        end=when(local_time(curve[-1][0]), TIME),
        peak=peak[1],
        peak_time=when(local_time(peak[0]), TIME),
        newest=curve[-1][1],
    )
