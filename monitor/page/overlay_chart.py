"""Curves of several batches in one drawing, as inline SVG. Pure.

Each curve has a number at its end, a dash of its own and a colour (of eight); a batch that failed or still runs has its
sign beside the number. Colours come from the style sheet: no style attribute, the page's content policy forbids them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from html import escape
from itertools import pairwise

from monitor.curve import level_ticks
from monitor.page.parts import text_of
from monitor.seasons.curves import AS_WORDS, COMPLETENESS, HEAT, RISE, TEMPERATURE, Laid, Overlay
from monitor.seasons.story import FAILED, RUNNING
from monitor.seasons.table import STATE_SIGNS, STATE_WORDS
from monitor.words import US, number, quantity, tr, voice

WIDTH, HEIGHT = 340, 260
_LEFT, _RIGHT, _TOP, _BOTTOM = 34, 26, 22, 30
STROKES = 8
# The height of a number at a curve's end.
_LABEL = 10.0
# Ranges of more curves than this would cover each other.
_MOST_RANGES = 4
_HOUR_STEPS = (0.25, 0.5, 1, 2, 3, 4, 6, 8, 12, 24, 48)
# A temperature that was not read for so long is drawn as a gap. What is estimated is known in between, too.
_GAP_S = 2 * 3600.0

Row = tuple[float, float, float, float]
Along = Callable[[float], float]


def overlay_svg(laid: Overlay) -> str:
    """The drawing, "" when there is nothing to draw."""
    curves = laid.curves
    if not curves:
        return ""
    first_s = min(curve.rows[0][0] for curve in curves)
    last_s = max(first_s + 600.0, *(curve.rows[-1][0] for curve in curves))
    ranged = len(curves) <= _MOST_RANGES and any(curve.ranged for curve in curves)
    levels = [level for curve in curves for row in curve.rows for level in (row[1:] if ranged else row[2:3])]
    low, high, unit, ticks = _levels(laid.shown_as, min(levels), max(levels))

    def x(time_s: float) -> float:
        return _LEFT + (time_s - first_s) / (last_s - first_s) * (WIDTH - _LEFT - _RIGHT)

    def y(level: float) -> float:
        return _TOP + (high - level) / (high - low) * (HEIGHT - _TOP - _BOTTOM)

    words = tr(
        "{what}, hours since {zero}: {batches}.",
        what=tr(AS_WORDS[laid.shown_as]),
        zero=zero_words(laid.aligned),
        batches="; ".join(_in_words(curve, laid.shown_as) for curve in curves),
    )
    parts = [
        f'<svg class="chart over" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{escape(words)}">',
        f'<text class="unit" x="2" y="12">{text_of(unit)}</text>',
    ]
    for level, told in ticks:
        parts.append(f'<line class="grid" x1="{_LEFT}" x2="{WIDTH - _RIGHT}" y1="{y(level):.1f}" y2="{y(level):.1f}"/>')
        parts.append(f'<text class="level" x="{_LEFT - 5}" y="{y(level) + 4:.1f}">{escape(told)}</text>')
    parts += _hours(first_s, last_s, x)
    if ranged:
        parts += [_range(curve, x, y) for curve in curves if curve.ranged]
    for curve in curves:
        parts += _line(curve, x, y)
    parts += _ends(curves, x, y)
    return "".join([*parts, "</svg>"])


def key_html(laid: Overlay) -> str:
    """What each number, dash and sign stands for."""
    rows = "".join(
        f'<li><svg viewBox="0 0 28 12" aria-hidden="true"><line class="over-{curve.place % STROKES}" x1="0" x2="28" '
        f'y1="6" y2="6"/></svg>{text_of(_label(curve))}</li>'
        for curve in laid.curves
    )
    return f'<ul class="key">{rows}</ul>' if rows else ""


def zero_words(aligned: str) -> str:
    """ "the pour" or "the blend"."""
    return tr("the pour") if aligned == "poured" else tr("the blend")


# ---- the parts -----------------------------------------------------------------------------------------------------


def _label(curve: Laid) -> str:
    if curve.state not in (FAILED, RUNNING):
        return f"{curve.place + 1} {curve.name}"
    return f"{curve.place + 1} {curve.name} ({STATE_SIGNS[curve.state]} {tr(STATE_WORDS[curve.state])})"


def _in_words(curve: Laid, shown_as: str) -> str:
    top = max(curve.rows, key=lambda row: row[2])
    last = curve.rows[-1]
    at = top if shown_as in (TEMPERATURE, RISE) else last
    figure = {
        TEMPERATURE: lambda: quantity(at[2], "degC"),
        RISE: lambda: quantity(at[2], "dC"),
        HEAT: lambda: tr("{middle:.0f} kJ ({low:.0f} to {high:.0f})", middle=at[2], low=at[1], high=at[3]),
        COMPLETENESS: lambda: tr("{middle:.0f} % ({low:.0f} to {high:.0f})", middle=at[2], low=at[1], high=at[3]),
    }[shown_as]()
    return tr("{batch} {figure} after {hours:.1f} h", batch=_label(curve), figure=figure, hours=at[0] / 3600.0)


def _levels(shown_as: str, lowest: float, highest: float) -> tuple[float, float, str, list[tuple[float, str]]]:
    """Lowest and highest level of the frame, the unit, and (level, figure) of the lines across."""
    if shown_as == TEMPERATURE:
        low, high = math.floor((lowest - 2.0) / 10.0) * 10.0, math.ceil((highest + 2.0) / 10.0) * 10.0
        unit, ticks = level_ticks(low, high)
        return low, high, unit, ticks
    if shown_as == COMPLETENESS:
        return 0.0, 100.0, "%", [(float(level), str(level)) for level in (0, 25, 50, 75, 100)]
    factor, unit = (5.0 / 9.0, "°F") if shown_as == RISE and voice().units == US else (1.0, "°C")
    unit = "kJ/kg" if shown_as == HEAT else unit
    step = next(step for step in (5, 10, 20, 25, 50, 100, 200, 500) if highest / factor / step <= 5 or step == 500)
    top = math.ceil(max(highest / factor, 1.0) / step) * step
    bottom = min(0, math.floor(lowest / factor / step) * step)
    ticks = [(level * factor, number(level)) for level in range(bottom, top + 1, step)]
    return bottom * factor, top * factor, unit, ticks


def _hours(first_s: float, last_s: float, x: Along) -> list[str]:
    span_h = (last_s - first_s) / 3600.0
    step = next((step for step in _HOUR_STEPS if span_h / step <= 6), _HOUR_STEPS[-1])
    parts = []
    hour = math.ceil(first_s / 3600.0 / step) * step
    while hour * 3600.0 <= last_s:
        at = x(hour * 3600.0)
        told = number(hour, 0 if float(hour).is_integer() else 2 if step < 0.5 else 1)
        foot = HEIGHT - _BOTTOM
        parts.append(f'<line class="tick" x1="{at:.1f}" x2="{at:.1f}" y1="{foot}" y2="{foot + 4}"/>')
        parts.append(f'<text class="time" x="{at:.1f}" y="{HEIGHT - 14}">{escape(told)}</text>')
        hour += step
    parts.append(f'<text class="time last" x="{WIDTH - 4}" y="{HEIGHT - 2}">{text_of(tr("hours"))}</text>')
    return parts


def _range(curve: Laid, x: Along, y: Along) -> str:
    upper = " ".join(f"{x(row[0]):.1f},{y(row[3]):.1f}" for row in curve.rows)
    lower = " ".join(f"{x(row[0]):.1f},{y(row[1]):.1f}" for row in reversed(curve.rows))
    return f'<polygon class="over-range over-{curve.place % STROKES}" points="{upper} {lower}"/>'


def _line(curve: Laid, x: Along, y: Along) -> list[str]:
    parts: list[list[Row]] = [[curve.rows[0]]]
    for earlier, later in pairwise(curve.rows):
        if later[0] - earlier[0] > _GAP_S and not curve.ranged:
            parts.append([])
        parts[-1].append(later)
    return [
        f'<polyline class="over-{curve.place % STROKES}" points="'
        f'{" ".join(f"{x(row[0]):.1f},{y(row[2]):.1f}" for row in part)}"/>'
        for part in parts
        if len(part) > 1
    ]


def _ends(curves: Sequence[Laid], x: Along, y: Along) -> list[str]:
    """Each curve's number (and the sign of what failed or still runs) at its end, in the order of the ends; what would
    lie on another steps down, and where there is no room below, all of them step up."""
    ordered = sorted(curves, key=lambda one: (-one.rows[-1][2], one.place))
    levels = [y(curve.rows[-1][2]) + 3.5 for curve in ordered]
    for place in range(1, len(levels)):
        levels[place] = max(levels[place], levels[place - 1] + _LABEL)
    lowest = HEIGHT - _BOTTOM + 3.5
    for place in reversed(range(len(levels))):
        levels[place] = min(levels[place], lowest)
        lowest = levels[place] - _LABEL
    parts = []
    for curve, level in zip(ordered, levels, strict=True):
        sign = STATE_SIGNS[curve.state] if curve.state in (FAILED, RUNNING) else ""
        here = x(curve.rows[-1][0]) + 3.0
        parts.append(f'<text class="end" x="{here:.1f}" y="{level:.1f}">{curve.place + 1}{sign}</text>')
    return parts
