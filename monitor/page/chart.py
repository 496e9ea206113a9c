"""A batch's curve as inline SVG: paste, air, the band a good batch would keep to, what was done; and the heat below it.

Colours and dashes come from the style sheet (no style attribute: the page's content policy forbids them). One unit of
the drawing is one pixel on a phone 360 px wide; a wider screen enlarges it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from html import escape

from monitor.curve import (
    LocalTime,
    Points,
    Ranged,
    finite,
    finite_rows,
    heat_ticks,
    in_words,
    level_ticks,
    rounded_range,
    stretches,
    thinned,
    thinned_stretches,
    time_ticks,
)
from monitor.words import TIME, number, tr, when

__all__ = ["HEAT_HEIGHT", "HEIGHT", "WIDTH", "chart_svg", "heat_svg", "stretches", "thinned"]

WIDTH, HEIGHT, HEAT_HEIGHT = 340, 240, 150
LEFT, RIGHT, TOP, BOTTOM = 34, 6, 22, 24

Across = Callable[[float], float]


def chart_svg(
    curve: Points,
    *,
    ambient: Points = (),
    band: Ranged = (),
    marks: Sequence[tuple[float, str]] = (),
    too_hot_c: float | None = None,
    local_time: LocalTime,
    others: Sequence[tuple[str, Points]] = (),
    forecast: Ranged = (),
) -> str:
    """The drawing as markup, or "" when there is no reading to draw. Marks are numbered from 1, oldest first.

    ``others`` are further probes in the paste by name, ``forecast`` is what is expected of this batch.
    """
    curve, ambient = finite(curve), finite(ambient)
    band, forecast = finite_rows(band), finite_rows(forecast)
    lines = [("air", ambient), *((probe, finite(points)) for probe, points in others), ("paste", curve)]
    if not curve:
        return ""
    start, end = _span([*(points for _, points in lines), band, forecast])
    levels = [level for _, points in lines for _, level in points]
    levels += [level for row in (*band, *forecast) for level in row[1:]]
    low, high = rounded_range(min(levels), max(levels), too_hot_c)
    x, y = _across(start, end), _up(low, high, HEIGHT)

    parts = [_open(HEIGHT, in_words(curve, local_time))]
    parts.append(_area("band", band, x, y))
    parts += _level_grid(low, high, y)
    parts += _time_grid(start, end, x, local_time, HEIGHT)
    parts.append(_area("forecast", forecast, x, y))
    if too_hot_c is not None and low <= too_hot_c <= high:
        at = y(too_hot_c)
        parts.append(f'<line class="limit" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{at:.1f}" y2="{at:.1f}"/>')
    for kind, points in lines:
        parts += _polylines(escape(kind), points, x, y)
    parts += _marks(marks, start, end, x, HEIGHT)
    parts.append(f'<circle class="newest" cx="{x(curve[-1][0]):.1f}" cy="{y(curve[-1][1]):.1f}" r="4"/>')
    return "".join([*parts, "</svg>"])


def heat_svg(
    heat: Ranged, *, marks: Sequence[tuple[float, str]] = (), local_time: LocalTime, span: Sequence[Points] = ()
) -> str:
    """The heat released, rows (time, kJ, standard deviation), as a line in the range of twice its standard deviation.

    "" with fewer than two rows. ``span`` are points that the time axis covers too, so that it matches another drawing.
    """
    heat = finite_rows(heat)
    if len(heat) < 2:
        return ""
    rows = [(time_s, max(0.0, kj - 2 * sd), kj + 2 * sd) for time_s, kj, sd in heat]
    line = [(time_s, kj) for time_s, kj, _ in heat]
    ticks = heat_ticks(max(high for _, _, high in rows))
    start, end = _span([line, *map(finite, span)])
    x, y = _across(start, end), _up(min(0.0, *(kj for _, kj in line)), ticks[-1], HEAT_HEIGHT)
    words = tr(
        "Heat released until {end}: {kj:.0f} kJ, give or take {apart:.0f} kJ.",
        end=when(local_time(line[-1][0]), TIME), kj=line[-1][1], apart=2 * heat[-1][2],
    )  # fmt: skip
    parts = [_open(HEAT_HEIGHT, words), '<text class="unit" x="2" y="12">kJ</text>']
    for whole in stretches(line):
        inside = [row for row in rows if whole[0][0] <= row[0] <= whole[-1][0]]
        parts.append(_area("heat-range", inside, x, y))
    for tick in ticks:
        parts.append(_rule(y(tick)) + _level(y(tick), number(tick, 0 if ticks[1] >= 1.0 else 1)))
    parts += _time_grid(start, end, x, local_time, HEAT_HEIGHT)
    parts += _polylines("heat", line, x, y)
    parts += _marks(marks, start, end, x, HEAT_HEIGHT)
    return "".join([*parts, "</svg>"])


# ---- the parts of a drawing ----------------------------------------------------------------------------------------


def _span(every: Sequence[Sequence[Sequence[float]]]) -> tuple[float, float]:
    """First and last time of all, at least ten minutes apart."""
    start = min(rows[0][0] for rows in every if rows)
    end = max(rows[-1][0] for rows in every if rows)
    return start, max(end, start + 600.0)


def _across(start: float, end: float) -> Across:
    return lambda time_s: LEFT + (time_s - start) / (end - start) * (WIDTH - LEFT - RIGHT)


def _up(low: float, high: float, height: float) -> Across:
    return lambda level: TOP + (high - level) / (high - low) * (height - TOP - BOTTOM)


def _open(height: int, words: str) -> str:
    return f'<svg class="chart" viewBox="0 0 {WIDTH} {height}" role="img" aria-label="{escape(words)}">'


def _path(points: Points, x: Across, y: Across) -> str:
    return " ".join(f"{x(time_s):.1f},{y(level):.1f}" for time_s, level in points)


def _area(kind: str, rows: Ranged, x: Across, y: Across) -> str:
    if not rows:
        return ""
    edge = _path([(row[0], row[2]) for row in rows], x, y) + " " + _path([(r[0], r[1]) for r in reversed(rows)], x, y)
    return f'<polygon class="{kind}" points="{edge}"/>'


def _polylines(kind: str, points: Points, x: Across, y: Across) -> list[str]:
    parts = []
    for stretch in thinned_stretches(points):
        if len(stretch) == 1:
            parts.append(f'<circle class="{kind} dot" cx="{x(stretch[0][0]):.1f}" cy="{y(stretch[0][1]):.1f}" r="2"/>')
        else:
            parts.append(f'<polyline class="{kind}" points="{_path(stretch, x, y)}"/>')
    return parts


def _rule(at: float) -> str:
    return f'<line class="grid" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{at:.1f}" y2="{at:.1f}"/>'


def _level(at: float, words: str) -> str:
    return f'<text class="level" x="{LEFT - 5}" y="{at + 4:.1f}">{escape(words)}</text>'


def _level_grid(low: float, high: float, y: Across) -> list[str]:
    """Lines at round figures of the unit that the reader goes by."""
    unit, ticks = level_ticks(low, high)
    return [f'<text class="unit" x="2" y="12">{unit}</text>'] + [
        _rule(y(level)) + _level(y(level), words) for level, words in ticks
    ]


def _time_grid(start: float, end: float, x: Across, local_time: LocalTime, height: float) -> list[str]:
    """Up to five times along the foot, on round local times."""
    parts = []
    for at, words in time_ticks(start, end, local_time):
        anchor = " first" if x(at) < LEFT + 16 else " last" if x(at) > WIDTH - RIGHT - 20 else ""
        parts.append(
            f'<line class="tick" x1="{x(at):.1f}" x2="{x(at):.1f}" y1="{height - BOTTOM}" y2="{height - BOTTOM + 4}"/>'
        )
        parts.append(f'<text class="time{anchor}" x="{x(at):.1f}" y="{height - 6}">{escape(words)}</text>')
    return parts


def _marks(marks: Sequence[tuple[float, str]], start: float, end: float, x: Across, height: float) -> list[str]:
    parts = []
    last_x = -100.0
    for place, (time_s, words) in enumerate(marks, 1):
        if not start <= time_s <= end:
            continue
        here = x(time_s)
        parts.append(f'<line class="mark" x1="{here:.1f}" x2="{here:.1f}" y1="{TOP - 4}" y2="{height - BOTTOM}"/>')
        # Two deeds minutes apart on a scale of days: the numbers step aside a little, then stay away; the lines do not.
        label = max(here, last_x + 12)
        if label - here > 40 or label > WIDTH - 4:
            continue
        last_x = label
        parts.append(f'<text class="mark" x="{label:.1f}" y="{TOP - 8}">{place}<title>{escape(words)}</title></text>')
    return parts
