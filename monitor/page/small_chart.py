"""The small curve on a bucket's card: how the paste runs against the band of a good batch, at a glance. Pure.

No axes: the figure above it has the number, the bucket's own page the scales. Its words for those who do not see it
are those of the large one.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from datetime import datetime
from html import escape

from monitor.curve import Points, finite, in_words, stretches, thinned
from monitor.words import TIME, quantity, when

WIDTH, HEIGHT = 340, 84
_TOP, _BOTTOM = 16, 18
_SLOTS = 80


def small_svg(
    curve: Points,
    *,
    band: Sequence[tuple[float, float, float]] = (),
    local_time: Callable[[float], datetime],
) -> str:
    """The drawing as markup, or "" with fewer than two readings."""
    points = finite(curve)
    if len(points) < 2:
        return ""
    rows = [row for row in band if all(math.isfinite(value) for value in row)]
    start = min(points[0][0], *(row[0] for row in rows[:1]), points[0][0])
    end = max(points[-1][0], start + 600.0)
    # The band may go on for hours; here what was is compared, so it ends soon after the newest reading.
    end = max(end, min(rows[-1][0], end + 0.15 * (end - start)) if rows else end)
    rows = [row for row in rows if row[0] <= end]
    levels = [level for _, level in points] + [level for row in rows for level in row[1:]]
    low, high = min(levels), max(levels)
    if high - low < 20.0:
        low, high = (low + high) / 2.0 - 10.0, (low + high) / 2.0 + 10.0

    def x(time_s: float) -> float:
        return 4.0 + (time_s - start) / (end - start) * (WIDTH - 8.0)

    def y(level: float) -> float:
        return _TOP + (high - level) / (high - low) * (HEIGHT - _TOP - _BOTTOM)

    def path(line: Points) -> str:
        return " ".join(f"{x(time_s):.0f},{y(level):.0f}" for time_s, level in line)

    label = escape(in_words(points, local_time))
    parts = [f'<svg class="chart little" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{label}">']
    if len(rows) > 1:
        edge = path([(row[0], row[2]) for row in rows]) + " " + path([(row[0], row[1]) for row in reversed(rows)])
        parts.append(f'<polygon class="band" points="{edge}"/>')
    for whole in stretches(points):
        line = thinned(whole, max(3, _SLOTS * len(whole) // len(points)))
        if len(line) > 1:
            parts.append(f'<polyline class="paste" points="{path(line)}"/>')
    peak = max(points, key=lambda point: point[1])
    anchor = " first" if x(peak[0]) < 60 else " last" if x(peak[0]) > WIDTH - 60 else ""
    highest = f"{quantity(peak[1], 'degC')} {when(local_time(peak[0]), TIME)}"
    parts.append(f'<circle class="top" cx="{x(peak[0]):.0f}" cy="{y(peak[1]):.0f}" r="2.5"/>')
    parts.append(f'<text class="time{anchor}" x="{x(peak[0]):.0f}" y="{_TOP - 5}">{escape(highest)}</text>')
    first, last = when(local_time(points[0][0]), TIME), when(local_time(points[-1][0]), TIME)
    parts.append(f'<text class="time first" x="4" y="{HEIGHT - 4}">{escape(first)}</text>')
    parts.append(f'<text class="time last" x="{WIDTH - 4}" y="{HEIGHT - 4}">{escape(last)}</text>')
    parts.append(f'<circle class="newest" cx="{x(points[-1][0]):.0f}" cy="{y(points[-1][1]):.0f}" r="4"/>')
    return "".join([*parts, "</svg>"])
