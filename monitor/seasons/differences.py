"""Does one group of batches do otherwise than another, by how much, how surely, and what goes along with it.

Every group is held against the largest one. With several comparisons each interval is made wider (Bonferroni), so that
all of them hold together at 95 %. Running batches do not count: their figures are not final.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from statistics import fmean
from typing import TYPE_CHECKING

from monitor.words import mark

from .cover import BARE, COVERED_LATER, UNCOVERED_LATER
from .groups import group_of
from .mixed import FEWEST, Estimated, fit, plain, welch
from .table import Row

if TYPE_CHECKING:
    import numpy as np

LEVEL = 0.95
# With fewer batches in all, a second explanation beside the group leaves too little to tell the two apart.
_FEWEST_FOR_DRIVERS = 8
# What takes less than half of the difference away does not drive it.
_DRIVES = 0.5

Value = Callable[[Row], float | None]


def _middle(pair: tuple[float, float] | None) -> float | None:
    return None if pair is None else pair[0]


def _potash_per_oil(row: Row) -> float | None:
    recipe = row.story.recipe
    oil_kg = sum(share.kg or 0.0 for share in recipe.oils)
    if recipe.koh_kg is None or recipe.koh_purity is None or not oil_kg or any(s.kg is None for s in recipe.oils):
        return None
    return 1000.0 * recipe.koh_kg * recipe.koh_purity / oil_kg


# How far a batch was covered; whatever is not named here is a cover.
_COVERED = {BARE: 0.0, COVERED_LATER: 0.5, UNCOVERED_LATER: 0.5}

# What can be compared: figure, words, and the unit's spec ("%" is a share of the promised soap, "h" hours).
MEASURES: Mapping[str, tuple[Value, str, str]] = {
    "completeness": (lambda row: _share(row.story.completeness), mark("potash used up"), "%"),
    "peak": (lambda row: row.peak_c, mark("peak"), "dC"),
    "warm": (lambda row: _in_hours(row.warm_s), mark("time above {60:degC}"), "h"),
    "self-heating": (lambda row: _middle(row.story.self_heating), mark("heat made"), "dK"),
    "heat": (lambda row: _middle(row.story.heat_per_kg), mark("heat released for each kg"), "kJ/kg"),
    "time-constant": (lambda row: _in_hours(_middle(row.story.time_constant_s)), mark("time constant"), "h"),
}
# What may lie behind a difference: figure, words for more of it and less of it, the unit's spec.
DRIVERS: Mapping[str, tuple[Value, str, str, str]] = {
    "pour": (lambda row: row.story.pour_c, mark("was poured warmer"), mark("was poured colder"), "dC"),
    "air": (lambda row: row.air_c, mark("stood in warmer air"), mark("stood in colder air"), "dC"),
    "blend": (lambda row: _in_minutes(row.blend_after_s), mark("was blended longer"), mark("was blended less long"),
              "min"),
    "size": (lambda row: row.story.mass_kg, mark("was larger"), mark("was smaller"), "kg"),
    "lye": (_potash_per_oil, mark("had more potash to the oil"), mark("had less potash to the oil"),
            "g/kg"),
    "cover": (lambda row: _COVERED.get(row.story.cover, 1.0), mark("was covered more often"),
              mark("was left bare more often"), ""),
}  # fmt: skip
# A group made by one of these is not explained by the same.
_SAME = {"insulation": ("cover",)}


@dataclass(frozen=True, slots=True)
class Group:
    """A group with how many batches count, their plain mean, and the lowest and highest of them."""

    name: str
    count: int
    mean: float | None
    spread: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class Driver:
    """What goes along with a difference: how much more of it the group had, and the share that it takes away (None
    where there were too few batches to tell it apart from the group)."""

    name: str
    by: float
    share: float | None


@dataclass(frozen=True, slots=True)
class Difference:
    """``group`` less ``base``."""

    group: str
    base: str
    counts: tuple[int, int]
    estimated: Estimated
    driver: Driver | None = None
    apart: bool = False

    @property
    def shown(self) -> bool:
        """Whether the interval leaves zero out."""
        return self.estimated.low > 0.0 or self.estimated.high < 0.0


@dataclass(frozen=True, slots=True)
class Compared:
    """All of it. ``refused`` are groups with too few batches for anything to be said of how they differ."""

    by: str
    measure: str
    groups: tuple[Group, ...]
    differences: tuple[Difference, ...]
    refused: tuple[Group, ...]
    level: float


def compared(rows: Sequence[Row], by: str, measure: str) -> Compared:
    """Hold the groups against each other. Raises ``mixed.LibraryMissing``."""
    return held([(group_of(row.story, by), row) for row in rows], by, measure)


def held(named: Sequence[tuple[str, Row]], by: str, measure: str) -> Compared:
    """The same with the group of each batch given ("" where that was not noted). Says nothing in words."""
    value, _, _ = MEASURES[measure]
    counting = [
        (group, found, row)
        for group, row in named
        if group and not row.story.running and (found := value(row)) is not None
    ]
    names = list(dict.fromkeys(group for group, _ in named if group))
    sizes = {name: sum(one == name for one, _, _ in counting) for name in names}
    groups = tuple(_group(name, [y for one, y, _ in counting if one == name]) for name in names)
    enough = [name for name in names if sizes[name] >= FEWEST]
    refused = tuple(group for group in groups if group.name not in enough)
    if len(enough) < 2:
        return Compared(by, measure, groups, (), refused, LEVEL)
    base = max(enough, key=lambda name: sizes[name])  # the first of the largest
    level = 1.0 - (1.0 - LEVEL) / (len(enough) - 1)
    kept = [one for one in counting if one[0] in enough]
    each = tuple(_difference(kept, enough, base, name, by, level) for name in enough if name != base)
    return Compared(by, measure, groups, each, refused, level)


def _group(name: str, values: Sequence[float]) -> Group:
    if not values:
        return Group(name, 0, None)
    return Group(name, len(values), fmean(values), (min(values), max(values)))


def _difference(  # noqa: PLR0917
    kept: Sequence[tuple[str, float, Row]], names: Sequence[str], base: str, name: str, by: str, level: float
) -> Difference:
    import numpy as np

    others = [one for one in names if one != base]
    design = np.array([[1.0, *(float(group == other) for other in others)] for group, _, _ in kept])
    weights = [0.0, *(float(other == name) for other in others)]
    values, buckets = [y for _, y, _ in kept], [row.story.bucket for _, _, row in kept]
    mixes = _tells_buckets(kept)
    if by != "bucket" and mixes:
        estimated = fit(values, design, buckets).contrast(weights, level=level)
    else:
        one, other = ([y for group, y, _ in kept if group == which] for which in (name, base))
        estimated = welch(one, other, level=level)
    counts = sum(group == name for group, _, _ in kept), sum(group == base for group, _, _ in kept)
    pair = [one for one in kept if one[0] in (name, base)]
    held = {group: {row.story.bucket for one, _, row in pair if one == group} for group in (name, base)}
    apart = by != "bucket" and not held[name] & held[base]
    found = Difference(name, base, counts, estimated, apart=apart)
    if not found.shown:
        return found
    return Difference(name, base, counts, estimated, _driver(pair, name, by, estimated.value, mixes), apart)


def _tells_buckets(kept: Sequence[tuple[str, float, Row]]) -> bool:
    """Whether the spread between buckets can be told from the rest, and from the groups."""
    buckets = [row.story.bucket for _, _, row in kept]
    groups_of = {bucket: {group for group, _, row in kept if row.story.bucket == bucket} for bucket in buckets}
    if not 1 < len(groups_of) < len(kept):
        return False
    # Where every bucket holds one group alone, each group needs two buckets before their spread shows.
    if all(len(groups) == 1 for groups in groups_of.values()):
        held = [next(iter(groups)) for groups in groups_of.values()]
        return all(held.count(group) >= 2 for group in held)
    return True


def _driver(
    pair: Sequence[tuple[str, float, Row]], name: str, by: str, difference: float, mixes: bool
) -> Driver | None:
    """What takes most of the difference away when it is held alike; with few batches, what merely differs most."""
    import numpy as np

    best: Driver | None = None
    most = 0.0
    for key, (value, *_) in DRIVERS.items():
        xs = [value(row) for _, _, row in pair]
        if key in _SAME.get(by, ()) or any(x is None for x in xs):
            continue
        x = np.array([float(one) for one in xs if one is not None])
        member = np.array([group == name for group, _, _ in pair])
        more = float(x[member].mean() - x[~member].mean())
        spread = float(np.std(x))
        if spread <= 1e-9 or abs(more) < 0.3 * spread:
            continue  # the groups hardly differ in it
        if len(pair) < _FEWEST_FOR_DRIVERS:
            if abs(more) / spread > most:
                best, most = Driver(key, more, None), abs(more) / spread
            continue
        share = _share_taken(pair, member, (x - x.mean()) / spread, difference, mixes)
        if share is not None and share >= _DRIVES and share > most:
            best, most = Driver(key, more, min(1.0, share)), share
    return best


def _share_taken(
    pair: Sequence[tuple[str, float, Row]], member: np.ndarray, x: np.ndarray, difference: float, mixes: bool
) -> float | None:
    """Which share of the difference is gone between batches alike in ``x``; None where ``x`` itself tells nothing."""
    import numpy as np

    design = np.column_stack([np.ones(len(x)), member.astype(float), x])
    if np.linalg.cond(design) > 30.0:
        return None  # it says the same as the group: nothing holds the two apart
    values = [y for _, y, _ in pair]
    if mixes:
        fitted = fit(values, design, [row.story.bucket for _, _, row in pair])
        slope, left = fitted.contrast([0.0, 0.0, 1.0]), fitted.contrast([0.0, 1.0, 0.0]).value
    else:
        slope, left = plain(values, design, [0.0, 0.0, 1.0]), plain(values, design, [0.0, 1.0, 0.0]).value
    if slope.low <= 0.0 <= slope.high:
        return None
    return 1.0 - left / difference


def _share(pair: tuple[float, float] | None) -> float | None:
    return None if pair is None else 100.0 * pair[0]


def _in_hours(seconds: float | None) -> float | None:
    return None if seconds is None else seconds / 3600.0


def _in_minutes(seconds: float | None) -> float | None:
    return None if seconds is None else seconds / 60.0
