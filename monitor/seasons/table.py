"""What one line of the comparison says of a batch: figures from its curve, and what was reckoned of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import fmean

from monitor.curve import finite, stretches
from monitor.judgement.phrases import percent_with_range
from monitor.words import mark, number, quantity, tr, trn

from .story import FAILED, RANG, RANGE_SD, RUNNING, UNKNOWN, WENT_WELL, Story

# The temperature above which the time is counted: paste hotter than this reacts by itself and burns at once.
WARM_C = 60.0
# The air of the first hours is what the batch gave its heat to.
_AIR_HOURS_S = 6 * 3600.0
# Readings that begin so soon after the blend, or go on for so long after the peak, leave nothing out.
_SOON_S = 300.0
# What may have happened while nothing was read: in the hours in which the heat is made paste may have gone up by a
# kelvin a minute (a good blend; from memory) and come down again as fast.
_STEEP_S = 6 * 3600.0
_RISE_K_PER_S = 1.0 / 60.0

STATE_WORDS = {
    WENT_WELL: mark("went well"),
    RANG: mark("rang, and came out well"),
    FAILED: mark("failed"),
    UNKNOWN: mark("not known"),
    RUNNING: mark("still running"),
}
# A sign for each, so that a state is told without colour.
STATE_SIGNS = {WENT_WELL: "✓", RANG: "!", FAILED: "✗", UNKNOWN: "?", RUNNING: "…"}


@dataclass(frozen=True, slots=True)
class Row:
    """One batch's figures; None where nothing tells.

    peak_c, peak_after_s   hottest believed reading of the core, and how long after the pour
    at_least               it may have been hotter while nothing was read
    warm_s                 time above WARM_C; ``warm_at_least`` where it may have been longer while nothing was read
    air_c                  mean of the air in the first six hours
    blend_after_s          from pour to blend
    """

    story: Story
    peak_c: float | None = None
    peak_after_s: float | None = None
    at_least: bool = False
    warm_s: float | None = None
    warm_at_least: bool = False
    air_c: float | None = None
    blend_after_s: float | None = None

    def cells(self) -> tuple[tuple[str, str], ...]:
        """(what, value) in words; a completeness always with its range."""
        story = self.story
        return tuple(
            (what, value or "–")
            for what, value in (
                (tr("peak"), self._peak()),
                (tr("peak after the pour"), _hours(self.peak_after_s)),
                (tr("time above {60:degC}"), self._warm()),
                (tr("heat made"), _ranged(story.self_heating, "dK")),
                (tr("time constant of cooling"), _ranged_hours(story.time_constant_s)),
                (tr("potash used up"), _completeness(story)),
                (tr("learned from earlier"), learned_words(story)),
                (tr("verdict"), verdict_words(story)),
                (tr("yield"), yield_words(story)),
            )
        )

    def _peak(self) -> str:
        if self.peak_c is None:
            return ""
        told = quantity(self.peak_c, "degC")
        return tr("at least {figure}", figure=told) if self.at_least else told

    def _warm(self) -> str:
        told = _hours(self.warm_s)
        return tr("at least {figure}", figure=told) if told and self.warm_at_least else told


def row_of(story: Story) -> Row:
    """Work the figures of one batch out."""
    core = [point for point in finite(story.core) if point[0] >= story.origin_s]
    if not core:
        return Row(story, air_c=_air(story), blend_after_s=_blend_after(story))
    # A probe that was hot from another batch, or lay in the sun before it went in, is not this batch's peak.
    in_paste_s = story.origin_s if story.blended_s is None else story.blended_s
    peak = max([point for point in core if point[0] >= in_paste_s] or core, key=lambda point: point[1])
    unread = _unread(core, in_paste_s)
    last_s, last_c = core[-1]
    return Row(
        story,
        peak[1],
        peak[0] - story.origin_s,
        at_least=last_s - peak[0] <= _SOON_S or any(one.may_pass(peak[1], in_paste_s) for one in unread),
        warm_s=_time_above(core, WARM_C),
        warm_at_least=last_c > WARM_C or any(one.may_pass(WARM_C, in_paste_s) for one in unread),
        air_c=_air(story),
        blend_after_s=_blend_after(story),
    )


def rows_of(stories: Sequence[Story]) -> list[Row]:
    """A row for each."""
    return [row_of(story) for story in stories]


def range_note(rows: Sequence[Row]) -> str:
    """What the ranges behind figures hold, for a range of groups holds more; "" where there is none."""
    if not any(row.story.completeness or row.story.self_heating or row.story.time_constant_s for row in rows):
        return ""
    return tr("A range in brackets behind a batch's figure holds 90 of 100.")


def verdict_words(story: Story) -> str:
    """A sign and a word."""
    return f"{STATE_SIGNS[story.state]} {tr(STATE_WORDS[story.state])}"


def yield_words(story: Story) -> str:
    """What came of it, "" where nobody noted it."""
    if story.yield_litres is not None:
        return quantity(story.yield_litres, "litres", 0 if float(story.yield_litres).is_integer() else 1)
    return "" if story.yield_kg is None else quantity(story.yield_kg, "kg", 1)


@dataclass(frozen=True, slots=True)
class _Unread:
    """A time in which nothing was read, and the hotter of the readings on its sides."""

    from_s: float
    to_s: float
    side_c: float

    def may_pass(self, limit_c: float, in_paste_s: float) -> bool:
        """Whether it may have been hotter than ``limit_c`` in it."""
        climbed_k = (self.to_s - self.from_s) / 2.0 * _RISE_K_PER_S if self.from_s < in_paste_s + _STEEP_S else 0.0
        return self.side_c + climbed_k > limit_c or self.side_c == limit_c


def _unread(core: Sequence[tuple[float, float]], in_paste_s: float) -> list[_Unread]:
    """From the blend on."""
    parts = stretches(core)
    gaps = [
        _Unread(before[-1][0], after[0][0], max(before[-1][1], after[0][1]))
        for before, after in pairwise(parts)
        if after[0][0] > in_paste_s
    ]
    if core[0][0] > in_paste_s + _SOON_S:
        gaps.insert(0, _Unread(in_paste_s, *core[0]))
    return gaps


def learned_words(story: Story) -> str:
    """On how many earlier batches its estimates rest, "" where on the published values alone."""
    n = story.learned_from
    return trn("{n} batch", "{n} batches", n) if n else ""


def _time_above(core: Sequence[tuple[float, float]], limit_c: float) -> float:
    """Seconds above the limit by straight lines between readings, gaps left out."""
    total_s = 0.0
    for part in stretches(core):
        for (from_s, from_c), (to_s, to_c) in pairwise(part):
            low, high = min(from_c, to_c), max(from_c, to_c)
            if low >= limit_c:
                total_s += to_s - from_s
            elif high > limit_c:
                total_s += (to_s - from_s) * (high - limit_c) / (high - low)
    return total_s


def _air(story: Story) -> float | None:
    first = [level for time_s, level in finite(story.air) if 0.0 <= time_s - story.origin_s <= _AIR_HOURS_S]
    return fmean(first) if first else None


def _blend_after(story: Story) -> float | None:
    if story.blended_s is None or story.poured_s is None:
        return None
    return max(0.0, story.blended_s - story.poured_s)


# ---- words ---------------------------------------------------------------------------------------------------------


def _completeness(story: Story) -> str:
    told = "" if story.completeness is None else percent_with_range(*story.completeness)
    if told and story.running:
        told = tr("{figure} so far", figure=told)
    if story.tested is None:
        return told
    tested = percent_with_range(*story.tested)
    if story.tested_at_most:
        tested = tr("at most {figure}", figure=tested)
    if not told:
        return tr("by its test {tested}", tested=tested)
    return tr("by its test {tested}, by its heat {figure}", tested=tested, figure=told)


def _hours(seconds: float | None) -> str:
    if seconds is None:
        return ""
    if seconds < 5400.0:
        return tr("{minutes:.0f} min", minutes=seconds / 60.0)
    return tr("{hours:.1f} h", hours=seconds / 3600.0)


def _ranged(pair: tuple[float, float] | None, kind: str) -> str:
    """ "48 K (44 to 52)", the range holding 90 %."""
    if pair is None:
        return ""
    middle, half = pair[0], RANGE_SD * pair[1]
    low, high = (quantity(level, kind).partition(" ")[0] for level in (middle - half, middle + half))
    return tr("{middle} ({low} to {high})", middle=quantity(middle, kind), low=low, high=high)


def _ranged_hours(pair: tuple[float, float] | None) -> str:
    if pair is None:
        return ""
    middle, half = pair[0] / 3600.0, RANGE_SD * pair[1] / 3600.0
    low, high = number(max(0.0, middle - half), 1), number(middle + half, 1)
    return tr("{middle:.1f} h ({low} to {high})", middle=middle, low=low, high=high)
