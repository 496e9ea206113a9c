"""Does one group of batches do otherwise than another, by how much, how surely, and what goes along with it.

Every group is held against the largest one. With several comparisons each interval is made wider (Bonferroni), so that
all of them hold together at 95 %. Running batches do not count: their figures are not final.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from statistics import fmean

from monitor.words import mark

from .drivers import Alongside, Counted, Driver, alongside
from .groups import group_of
from .mixed import FEWEST, NO_SPREAD, Estimated, fit, leaves_rest, means, tells_buckets, welch
from .table import Row

LEVEL = 0.95

Value = Callable[[Row], float | None]


def _middle(pair: tuple[float, float] | None) -> float | None:
    return None if pair is None else pair[0]


# What can be compared: figure, words, and the unit's spec ("%" is a share of the promised soap, "h" hours).
MEASURES: Mapping[str, tuple[Value, str, str]] = {
    "completeness": (lambda row: _share(row.story.completeness), mark("potash used up"), "%"),
    "peak": (lambda row: row.peak_c, mark("peak"), "dC"),
    "warm": (lambda row: _in_hours(row.warm_s), mark("time above {60:degC}"), "h"),
    "self-heating": (lambda row: _middle(row.story.self_heating), mark("heat made"), "dK"),
    "heat": (lambda row: _middle(row.story.heat_per_kg), mark("heat released for each kg"), "kJ/kg"),
    "time-constant": (lambda row: _in_hours(_middle(row.story.time_constant_s)), mark("time constant"), "h"),
}
# Which of them are estimates, made with what earlier batches had taught by then.
_ESTIMATED = ("completeness", "self-heating", "heat", "time-constant")
# Which of them may be known only to be at least so much: such a batch does not count, its figure being too small.
_AT_LEAST: Mapping[str, Callable[[Row], bool]] = {
    "peak": lambda row: row.at_least, "warm": lambda row: row.warm_at_least,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Group:
    """A group with how many batches count, their plain mean, and the lowest and highest of them."""

    name: str
    count: int
    mean: float | None
    spread: tuple[float, float] | None = None


# Why a difference stands without an interval.
ALIKE, BUCKETS = "alike", "buckets"


@dataclass(frozen=True, slots=True)
class Difference:
    """``group`` less ``base``. ``unranged`` is "" or says why no interval can be given: ALIKE, for all batches of each
    group are, or BUCKETS, for each bucket held one group only and a group had but one. ``apart``: the two never
    shared a bucket. ``learned``: the fewest and most earlier batches on which their estimates rest, None where all rest
    on as many, or the measure is none that is estimated."""

    group: str
    base: str
    counts: tuple[int, int]
    estimated: Estimated
    along: Alongside = field(default_factory=Alongside)
    apart: bool = False
    unranged: str = ""
    learned: tuple[int, int] | None = None

    @property
    def driver(self) -> Driver | None:
        """What takes most of it away."""
        return self.along.driver

    @property
    def shown(self) -> bool:
        """Whether the interval leaves zero out."""
        return self.estimated.low > 0.0 or self.estimated.high < 0.0


@dataclass(frozen=True, slots=True)
class Compared:
    """All of it. ``refused`` are groups with too few batches for anything to be said of how they differ; ``at_least``
    is how many batches do not count, their figure being known only to be at least so much."""

    by: str
    measure: str
    groups: tuple[Group, ...]
    differences: tuple[Difference, ...]
    refused: tuple[Group, ...]
    level: float
    at_least: int = 0


def compared(rows: Sequence[Row], by: str, measure: str) -> Compared:
    """Hold the groups against each other. Raises ``mixed.LibraryMissing``."""
    return held([(group_of(row.story, by), row) for row in rows], by, measure)


def held(named: Sequence[tuple[str, Row]], by: str, measure: str) -> Compared:
    """The same with the group of each batch given ("" where that was not noted). Says nothing in words."""
    value, _, _ = MEASURES[measure]
    open_ended = _AT_LEAST.get(measure, lambda _: False)
    known = [
        (group, found, row)
        for group, row in named
        if group and not row.story.running and (found := value(row)) is not None
    ]
    counting = [one for one in known if not open_ended(one[2])]
    at_least = len(known) - len(counting)
    names = list(dict.fromkeys(group for group, _ in named if group))
    sizes = {name: sum(one == name for one, _, _ in counting) for name in names}
    groups = tuple(_group(name, [y for one, y, _ in counting if one == name]) for name in names)
    enough = [name for name in names if sizes[name] >= FEWEST]
    refused = tuple(group for group in groups if group.name not in enough)
    if len(enough) < 2:
        return Compared(by, measure, groups, (), refused, LEVEL, at_least)
    base = max(enough, key=lambda name: sizes[name])  # the first of the largest
    level = 1.0 - (1.0 - LEVEL) / (len(enough) - 1)
    kept = [one for one in counting if one[0] in enough]
    each = tuple(_difference(kept, enough, base, name, by, measure, level) for name in enough if name != base)
    return Compared(by, measure, groups, each, refused, level, at_least)


def _group(name: str, values: Sequence[float]) -> Group:
    if not values:
        return Group(name, 0, None)
    return Group(name, len(values), fmean(values), (min(values), max(values)))


def _alike(values: Sequence[float]) -> bool:
    """Whether they are one, to their last digits."""
    return max(values) - min(values) <= NO_SPREAD * max(map(abs, values))


def _difference(  # noqa: PLR0917
    kept: Sequence[Counted], names: Sequence[str], base: str, name: str, by: str, measure: str, level: float
) -> Difference:
    pair = [one for one in kept if one[0] in (name, base)]
    counts = sum(group == name for group, _, _ in pair), sum(group == base for group, _, _ in pair)
    held = {group: {row.story.bucket for one, _, row in pair if one == group} for group in (name, base)}
    apart = by != "bucket" and not held[name] & held[base]
    estimated, unranged = _estimated(kept, pair, names, base, name, by, level)
    taught = [row.story.learned_from for _, _, row in pair]
    learned = (min(taught), max(taught)) if measure in _ESTIMATED and min(taught) < max(taught) else None
    found = Difference(name, base, counts, estimated, apart=apart, unranged=unranged, learned=learned)
    return replace(found, along=alongside(pair, name, by, estimated.value)) if found.shown else found


def _estimated(  # noqa: PLR0917
    kept: Sequence[Counted], pair: Sequence[Counted], names: Sequence[str], base: str, name: str, by: str, level: float
) -> tuple[Estimated, str]:
    """The difference, and why it has no interval."""
    import numpy as np

    one, other = ([y for group, y, _ in pair if group == which] for which in (name, base))
    if _alike(one) and _alike(other):
        return means(one, other), ALIKE
    if by == "bucket":
        return welch(one, other, level=level), ""
    # All batches tell how much buckets differ; where they do not, these two groups by themselves may.
    for among, groups in ((kept, names), (pair, (name, base))):
        if not tells_buckets(_placed(among)):
            continue
        others = [group for group in groups if group != base]
        design = np.array([[1.0, *(float(group == other) for other in others)] for group, _, _ in among])
        values, buckets = [y for _, y, _ in among], [row.story.bucket for _, _, row in among]
        if not leaves_rest(values, design, buckets):
            return means(one, other), ALIKE
        weights = [0.0, *(float(other == name) for other in others)]
        return fit(values, design, buckets).contrast(weights, level=level), ""
    if 1 < len({bucket for _, bucket in _placed(pair)}) < len(pair):
        return means(one, other), BUCKETS
    return welch(one, other, level=level), ""  # one bucket for all, or one for each batch


def _placed(among: Sequence[Counted]) -> list[tuple[str, str]]:
    return [(group, row.story.bucket) for group, _, row in among]


def _share(pair: tuple[float, float] | None) -> float | None:
    return None if pair is None else 100.0 * pair[0]


def _in_hours(seconds: float | None) -> float | None:
    return None if seconds is None else seconds / 3600.0
