"""Curves of several batches laid over each other, from the pour or from the blend on."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass

from monitor.curve import Points, finite, finite_rows, thinned
from monitor.words import mark, tr

from .story import RANGE_SD, Story

TEMPERATURE, RISE, HEAT, COMPLETENESS = "temperature", "rise", "heat", "completeness"
AS = (TEMPERATURE, RISE, HEAT, COMPLETENESS)
AS_WORDS = {
    TEMPERATURE: mark("temperature in the paste"),
    RISE: mark("rise over the air"),
    HEAT: mark("heat released, kJ for each kg"),
    COMPLETENESS: mark("potash used up, %"),
}
POURED, BLENDED = "poured", "blended"
ALIGNED = (POURED, BLENDED)
# How many hours are shown; 0 stands for all. The heat signal lives in the first ones.
HOURS = (12, 6, 24, 0)

# Half an hour before the zero shows what the probe read before; more would squeeze what matters.
_BEFORE_S = 1800.0
# An air reading so old says nothing of the air now: weather changes within hours.
_AIR_IS_OLD_S = 3600.0
_SLOTS = 150


@dataclass(frozen=True, slots=True)
class Laid:
    """One batch's curve. ``rows`` are (seconds after the zero, low, middle, high); where there is no range to tell
    (a temperature is read, not estimated) the three are one. ``place`` numbers it for its colour, stroke and sign."""

    name: str
    place: int
    state: str
    rows: tuple[tuple[float, float, float, float], ...]

    @property
    def ranged(self) -> bool:
        """Whether it has a range."""
        return any(low < high for _, low, _, high in self.rows)


@dataclass(frozen=True, slots=True)
class Overlay:
    """The curves and, for each batch that has none, a sentence why."""

    shown_as: str
    aligned: str
    curves: tuple[Laid, ...]
    left_out: tuple[str, ...]


def overlay(
    stories: Sequence[Story], shown_as: str, aligned: str, *, hours: float = 0.0, first: int = 0
) -> Overlay:
    """Lay the batches over each other for so many hours after their zero (0: all), numbered from ``first`` on."""
    curves, left_out = [], []
    until_s = hours * 3600.0 if hours > 0.0 else math.inf
    for place, story in enumerate(stories, first):
        zero_s = story.blended_s if aligned == BLENDED else story.origin_s
        if zero_s is None:
            left_out.append(tr("{batch}: nobody noted when it was blended.", batch=story.name))
            continue
        rows, lacks = _rows(story, shown_as, zero_s - _BEFORE_S, zero_s + until_s)
        inside = tuple((time_s - zero_s, low, middle, high) for time_s, low, middle, high in rows)
        if inside:
            curves.append(Laid(story.name, place, story.state, inside))
        else:
            left_out.append(lacks or tr("{batch}: nothing was read in that time.", batch=story.name))
    return Overlay(shown_as, aligned, tuple(curves), tuple(left_out))


def _rows(
    story: Story, shown_as: str, from_s: float, until_s: float
) -> tuple[list[tuple[float, float, float, float]], str]:
    """Rows on the clock within these times, and a sentence for where there are none. What is shown is what is thinned:
    the first hours of a batch of days are drawn as fine as a batch of hours."""

    def shown(points: Points) -> Points:
        return thinned([point for point in points if from_s <= point[0] <= until_s], _SLOTS)

    if shown_as == TEMPERATURE:
        points = shown(finite(story.core))
        return _bare(points), tr("{batch}: no reading from the paste is kept.", batch=story.name)
    if shown_as == RISE:
        points = shown(rise_over_air(story))
        return _bare(points), tr("{batch}: no reading of the air is kept.", batch=story.name)
    if shown_as == HEAT:
        if not story.mass_kg:
            return [], tr("{batch}: a weight is missing, so there is no heat for each kg.", batch=story.name)
        found = [
            (at_s, kj / story.mass_kg, sd / story.mass_kg)
            for at_s, kj, sd in finite_rows(story.heat)
            if from_s <= at_s <= until_s
        ]
        rows = [(at_s, max(0.0, mid - RANGE_SD * sd), mid, mid + RANGE_SD * sd) for at_s, mid, sd in found]
        return rows, tr("{batch}: its heat was never worked out.", batch=story.name)
    rows = [
        (at_s, 100.0 * max(0.0, part - RANGE_SD * sd), 100.0 * part, 100.0 * min(1.0, part + RANGE_SD * sd))
        for at_s, part, sd in finite_rows(story.done)
        if from_s <= at_s <= until_s
    ]
    return rows, tr("{batch}: how far it went was never worked out.", batch=story.name)


def _bare(points: Points) -> list[tuple[float, float, float, float]]:
    return [(time_s, level, level, level) for time_s, level in points]


def rise_over_air(story: Story) -> list[tuple[float, float]]:
    """(time, paste minus air, K) where an air reading of the last hour stands beside it."""
    air = finite(story.air)
    times = [time_s for time_s, _ in air]
    rise = []
    for time_s, level in finite(story.core):
        place = bisect_right(times, time_s) - 1
        if place >= 0 and time_s - times[place] <= _AIR_IS_OLD_S:
            rise.append((time_s, level - air[place][1]))
    return rise
