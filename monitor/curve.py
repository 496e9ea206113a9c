"""A batch's course as plain values, and what every drawing of it shares: thinning, gaps, ranges and round figures.

The page and the papers draw alike because both draw from this. Times are UTC Unix seconds, temperatures degrees
Celsius, heat kilojoules.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from statistics import median

from monitor.units import celsius_from_fahrenheit, fahrenheit
from monitor.words import DAY_TIME, TIME, US, tr, voice, when

Points = Sequence[tuple[float, float]]
Ranged = Sequence[tuple[float, float, float]]
LocalTime = Callable[[float], datetime]

_TIME_STEPS_S = (300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400, 172800, 604800)
_DAY_S = 86400


@dataclass(frozen=True, slots=True)
class BatchCurve:
    """All that a chart of one batch shows.

    paste       (probe, its points) of each paste probe that has any; the first is the one to go by
    air         points of the ambient probe
    band        (time, low, high): where a good batch of this recipe runs today, 5 to 95 %
    forecast    the same for the hours ahead of this batch, if nobody does anything; () when nothing can be said
    heat        (time, heat released, its standard deviation), kJ
    marks       what was done and what alarmed: (time, words), oldest first
    too_hot_c   where it boils over, None when not known
    """

    bucket: str
    batch: str = ""
    at_s: float = 0.0
    running: bool = True
    paste: tuple[tuple[str, tuple[tuple[float, float], ...]], ...] = ()
    air: tuple[tuple[float, float], ...] = ()
    band: tuple[tuple[float, float, float], ...] = ()
    forecast: tuple[tuple[float, float, float], ...] = ()
    heat: tuple[tuple[float, float, float], ...] = ()
    marks: tuple[tuple[float, str], ...] = ()
    too_hot_c: float | None = None

    @property
    def core(self) -> tuple[tuple[float, float], ...]:
        """The points of the probe to go by, () when no paste was read."""
        return self.paste[0][1] if self.paste else ()


# ---- points --------------------------------------------------------------------------------------------------------


def finite(points: Points) -> list[tuple[float, float]]:
    """In the order of time, without what is no number."""
    return sorted((time_s, level) for time_s, level in points if math.isfinite(time_s) and math.isfinite(level))


def finite_rows(rows: Ranged) -> list[tuple[float, float, float]]:
    """The same for bands."""
    return [row for row in rows if all(math.isfinite(value) for value in row)]


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
    # Lowest and highest of a slot may stand at the same moment, which says nothing of how often readings come.
    apart_s = [later[0] - earlier[0] for earlier, later in pairwise(points) if later[0] > earlier[0]]
    longest_s = max(600.0, 5.0 * median(apart_s)) if apart_s else 600.0
    parts = [[points[0]]]
    for earlier, later in pairwise(points):
        if later[0] - earlier[0] > longest_s:
            parts.append([])
        parts[-1].append(later)
    return parts


def thinned_stretches(points: Points, slots: int = 300) -> list[list[tuple[float, float]]]:
    """Each stretch with its share of the slots, so that a torn curve is no heavier than a whole one."""
    return [thinned(whole, max(5, slots * len(whole) // max(1, len(points)))) for whole in stretches(points)]


# ---- frame and round figures ---------------------------------------------------------------------------------------


def rounded_range(lowest: float, highest: float, too_hot_c: float | None) -> tuple[float, float]:
    """Whole tens round the data, at least 40 K apart; the limit comes into the picture once the paste nears it."""
    if too_hot_c is not None and highest > too_hot_c - 20.0:
        highest = max(highest, too_hot_c)
    low = math.floor((lowest - 2.0) / 10.0) * 10.0
    high = math.ceil((highest + 2.0) / 10.0) * 10.0
    return low, max(high, low + 40.0)


def level_ticks(low: float, high: float) -> tuple[str, list[tuple[float, str]]]:
    """The unit that the reader goes by, and (degrees Celsius, figure) of its round figures from low to high."""
    us = voice().units == US
    first, last = (fahrenheit(low), fahrenheit(high)) if us else (low, high)
    step = next((step for step in (10, 20, 50) if (last - first) / step <= 6), 100)
    return "°F" if us else "°C", [
        (celsius_from_fahrenheit(level) if us else float(level), f"{level:g}")
        for level in range(math.ceil(first / step) * step, math.floor(last) + 1, step)
    ]


def heat_ticks(highest_kj: float) -> list[float]:
    """Up to five round figures from 0 to just above ``highest_kj``."""
    rough = max(highest_kj, 1.0) / 4.0
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(factor * power for factor in (1.0, 2.0, 2.5, 5.0, 10.0) if factor * power >= rough)
    return [step * place for place in range(math.ceil(highest_kj / step) + 1)] if highest_kj > 0 else [0.0, step]


def time_ticks(start_s: float, end_s: float, local_time: LocalTime, most: int = 5) -> list[tuple[float, str]]:
    """Up to ``most`` round local times with their words; days where the hours would say too little."""
    step = next((step for step in _TIME_STEPS_S if (end_s - start_s) / step <= most), _TIME_STEPS_S[-1])
    # Walked on the wall's clock, so that midnight is midnight on both sides of a change to summer time.
    wall_s = math.ceil((start_s + offset_s(start_s, local_time)) / step) * step
    ticks: list[tuple[float, str]] = []
    while True:
        at = wall_s - offset_s(wall_s - offset_s(wall_s, local_time), local_time)
        if at > end_s:
            return ticks
        local = local_time(at)
        day = when(local, DAY_TIME).partition(" ")[0]
        words = when(local, DAY_TIME) if step == 43200 else f"{day} {local:%d}" if step > 43200 else when(local, TIME)
        if at >= start_s and not (ticks and at <= ticks[-1][0]):
            ticks.append((at, words))
        wall_s += step


def offset_s(at_s: float, local_time: LocalTime) -> float:
    """How far the wall's clock is ahead of UTC at that moment, seconds."""
    offset = local_time(at_s).utcoffset()
    return 0.0 if offset is None else offset.total_seconds()


def zone_changes(start_s: float, end_s: float, local_time: LocalTime) -> list[tuple[float, float]]:
    """(from when on, seconds ahead of UTC): one row, and one more for each change of the clocks in between."""
    rows = [(start_s, offset_s(start_s, local_time))]
    at = start_s
    while at < end_s:
        later = min(at + _DAY_S, end_s)
        if offset_s(later, local_time) != rows[-1][1]:
            low, high = at, later
            while high - low > 1.0:  # halved down to the second: clocks change on whole minutes
                middle = (low + high) / 2.0
                low, high = (middle, high) if offset_s(middle, local_time) == rows[-1][1] else (low, middle)
            rows.append((float(round(high)), offset_s(later, local_time)))
        at = later
    return rows


def in_words(curve: Points, local_time: LocalTime) -> str:
    """The paste's curve for whoever cannot see it: span, peak and newest value."""
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
