"""What goes along with a difference between two groups of batches, and what cannot be told apart from it.

Figures (a pour temperature) and what is of one kind or another (a lot of the potash) are each put beside the group in
the model. What takes half of the difference away or more, and by itself tells something, is named. Where it says so
nearly the same as the group that nothing holds the two apart, that is named, too: it explains the difference as well as
the group does, and "nothing explains it" would be false.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, TypeVar

from monitor.words import mark

from .cover import BARE, COVERED_LATER, UNCOVERED_LATER
from .groups import BY, BY_WORDS, category_of
from .mixed import FEWEST, fit, leaves_rest, plain, tells_buckets
from .table import Row

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

# With fewer batches in all, a second explanation beside the group leaves too little to tell the two apart.
_FEWEST_FOR_DRIVERS = 8
# What takes less than half of the difference away does not drive it.
_DRIVES = 0.5
# The groups hardly differ in what differs by less than this many of its own standard deviations.
_HARDLY = 0.3
# Above this condition number the columns of the group and of the other explanation are one.
_ONE = 30.0
# Where the group tells half of the spread of the other explanation, each makes the other's error 1.4 times as large or
# more: that neither is then shown by itself says nothing against either.
_NEARLY_ONE = 0.5

Counted = tuple[str, float, Row]
T = TypeVar("T")
Value = Callable[[Row], float | None]


def _potash_per_oil(row: Row) -> float | None:
    recipe = row.story.recipe
    oil_kg = sum(share.kg or 0.0 for share in recipe.oils)
    if recipe.koh_kg is None or recipe.koh_purity is None or not oil_kg or any(s.kg is None for s in recipe.oils):
        return None
    return 1000.0 * recipe.koh_kg * recipe.koh_purity / oil_kg


def _blend_min(row: Row) -> float | None:
    return None if row.blend_after_s is None else row.blend_after_s / 60.0


# How far a batch was covered; whatever is not named here is a cover.
_COVERED = {BARE: 0.0, COVERED_LATER: 0.5, UNCOVERED_LATER: 0.5}

# What may lie behind a difference: figure, words for more of it and less of it, the unit's spec.
DRIVERS: Mapping[str, tuple[Value, str, str, str]] = {
    "pour": (lambda row: row.story.pour_c, mark("was poured warmer"), mark("was poured colder"), "dC"),
    "air": (lambda row: row.air_c, mark("stood in warmer air"), mark("stood in colder air"), "dC"),
    "blend": (_blend_min, mark("was blended longer"), mark("was blended less long"), "min"),
    "size": (lambda row: row.story.mass_kg, mark("was larger"), mark("was smaller"), "kg"),
    "lye": (_potash_per_oil, mark("had more potash to the oil"), mark("had less potash to the oil"), "g/kg"),
    "cover": (lambda row: _COVERED.get(row.story.cover, 1.0), mark("was covered more often"),
              mark("was left bare more often"), ""),
}  # fmt: skip
# How each is called by itself; what has kinds (a lot, an oil) is called as the groups by it are.
DRIVER_WORDS: Mapping[str, str] = {
    "pour": mark("pour temperature"), "air": mark("air of the first hours"), "blend": mark("length of the blending"),
    "size": mark("size"), "lye": mark("potash to the oil"), "cover": mark("cover"), **BY_WORDS,
}  # fmt: skip
# A group made by one of these is not explained by the same.
_SAME = {"insulation": ("cover",)}
# The model holds buckets alike already, and where both groups never shared one, that is said by itself. How far a batch
# was covered is among the figures.
_KINDS = tuple(by for by in BY if by != "bucket")
_KINDS_AS_FIGURES = ("insulation",)


@dataclass(frozen=True, slots=True)
class Driver:
    """What goes along with a difference: how much more of it the group had, and the share that it takes away (None
    where nothing tells it apart from the group).

    ``kind`` is set for what has kinds: the lot, oil or maker in question; ``by`` is then how much larger its share of
    the group is, and ``counts`` how many of each group it was. ``known`` are the batches of which it was noted, ``of``
    how many there are.
    """

    name: str
    by: float
    share: float | None
    kind: str = ""
    counts: tuple[tuple[int, int], tuple[int, int]] = ((0, 0), (0, 0))
    known: int = 0
    of: int = 0


@dataclass(frozen=True, slots=True)
class Unseen:
    """What could not be looked at, for it was noted for ``known`` of ``of`` batches only."""

    name: str
    known: int
    of: int


@dataclass(frozen=True, slots=True)
class Alongside:
    """What takes most of the difference away, if anything; what cannot be told apart from the group; what could not be
    looked at."""

    driver: Driver | None = None
    inseparable: tuple[Driver, ...] = ()
    unseen: tuple[Unseen, ...] = ()


def alongside(pair: Sequence[Counted], name: str, by: str, difference: float) -> Alongside:
    """Of the batches of two groups, ``name`` and its base, with the difference between them. Raises
    ``mixed.LibraryMissing``."""
    few = len(pair) < _FEWEST_FOR_DRIVERS
    drivers: list[tuple[float, Driver]] = []
    inseparable: list[Driver] = []
    unseen: list[Unseen] = []
    whole: set[str] = set()

    def judge(known: Sequence[Counted], xs: Sequence[float], found: Driver) -> None:
        """Put ``found``, which has the figure of each known batch, where it belongs."""
        weight = _stands_out(known, xs, name)
        if weight < _HARDLY:
            return
        if few:
            drivers.append((weight, found))
            return
        share = _share_taken(known, xs, name, None if len(known) < len(pair) else difference)
        if share is None:
            inseparable.append(found)
        elif share >= _DRIVES:
            drivers.append((share, replace(found, share=min(1.0, share))))

    for field in (one for one in _KINDS if one != by):
        known, kinds = _noted(pair, partial(_category, field))
        if not _enough(known, name, few):
            unseen += [Unseen(field, len(known), len(pair))] if known else []
            continue
        found, complete = _kind(field, known, kinds, name, len(pair))
        if complete:
            whole.add(field)
            inseparable.append(found)
        elif not few and field not in _KINDS_AS_FIGURES:
            judge(known, [float(kind == found.kind) for kind in kinds], found)
    for key, (value, *_) in DRIVERS.items():
        if key in _SAME.get(by, ()) or (key == "cover" and "insulation" in whole):
            continue
        known, xs = _noted(pair, value)
        if _enough(known, name, few):
            judge(known, xs, Driver(key, _more(known, xs, name), None, known=len(known), of=len(pair)))
        elif known:
            unseen.append(Unseen(key, len(known), len(pair)))
    best = max(drivers, key=lambda one: one[0], default=None)
    return Alongside(None if best is None else best[1], tuple(inseparable), tuple(unseen))


# ---- inside --------------------------------------------------------------------------------------------------------


def _noted(pair: Sequence[Counted], value: Callable[[Row], T | None]) -> tuple[list[Counted], list[T]]:
    """The batches of which it is known, and what it is."""
    both = [(one, x) for one in pair if (x := value(one[2])) is not None]
    return [one for one, _ in both], [x for _, x in both]


def _category(field: str, row: Row) -> str | None:
    return category_of(row.story, field) or None


def _enough(known: Sequence[Counted], name: str, few: bool) -> bool:
    """Whether so many batches can stand for all of them."""
    of_it = sum(group == name for group, _, _ in known)
    if few:
        return min(of_it, len(known) - of_it) >= 2
    return min(of_it, len(known) - of_it) >= FEWEST and len(known) >= _FEWEST_FOR_DRIVERS


def _kind(field: str, known: Sequence[Counted], kinds: Sequence[str], name: str, of: int) -> tuple[Driver, bool]:
    """The kind in which both groups differ most, and whether one group is of that kind alone and the other not at
    all."""
    ours, theirs = ([k for k, (one, _, _) in zip(kinds, known, strict=True) if (one == name) is mine]
                    for mine in (True, False))  # fmt: skip

    def more(kind: str) -> float:
        return ours.count(kind) / len(ours) - theirs.count(kind) / len(theirs)

    # Of two that part the groups alike, the one that is told of the group and not of its base.
    kind = max(dict.fromkeys(kinds), key=lambda one: (abs(more(one)), more(one)))
    counts = (ours.count(kind), len(ours)), (theirs.count(kind), len(theirs))
    return Driver(field, more(kind), None, kind, counts, len(known), of), abs(more(kind)) >= 1.0


def _member(known: Sequence[Counted], name: str) -> Array:
    import numpy as np

    return np.array([float(group == name) for group, _, _ in known])


def _more(known: Sequence[Counted], xs: Sequence[float], name: str) -> float:
    """By how much its mean is larger in the group."""
    import numpy as np

    x, member = np.array(xs, float), _member(known, name) > 0.5
    return float(x[member].mean() - x[~member].mean())


def _stands_out(known: Sequence[Counted], xs: Sequence[float], name: str) -> float:
    """The same in its own standard deviations, without its sign."""
    import numpy as np

    spread = float(np.std(np.array(xs, float)))
    return 0.0 if spread <= 1e-9 else abs(_more(known, xs, name)) / spread


def _share_taken(
    known: Sequence[Counted], xs: Sequence[float], name: str, difference: float | None
) -> float | None:
    """Which share of the difference is gone between batches alike in ``xs``: 0 where that tells nothing by itself, None
    where it cannot be told apart from the group. ``difference`` None: it is first found among these batches."""
    import numpy as np

    x, member = np.array(xs, float), _member(known, name)
    x = (x - x.mean()) / np.std(x)
    ones = np.ones(len(x))
    design = np.column_stack([ones, member, x])
    if np.linalg.cond(design) > _ONE:
        return None
    values, buckets = [y for _, y, _ in known], [row.story.bucket for _, _, row in known]
    mixes = tells_buckets([(group, row.story.bucket) for group, _, row in known])
    if mixes and not leaves_rest(values, design, buckets):
        # It explains all to the last digit: nothing is left to make a model of, and buckets are columns like others.
        kinds = sorted(set(buckets))[1:]
        whole = np.column_stack([design, *([float(one == kind) for one in buckets] for kind in kinds)])
        if np.linalg.matrix_rank(whole) == whole.shape[1]:
            design = whole
        mixes = False
    if mixes:
        fitted = fit(values, design, buckets)
        slope, left = fitted.contrast([0.0, 0.0, 1.0]), fitted.contrast([0.0, 1.0, 0.0])
        if difference is None:
            difference = fit(values, design[:, :2], buckets).contrast([0.0, 1.0]).value
    else:
        others = [0.0] * (design.shape[1] - 3)
        slope, left = (plain(values, design, [*one, *others]) for one in ([0.0, 0.0, 1.0], [0.0, 1.0, 0.0]))
        if difference is None:
            difference = plain(values, design[:, :2], [0.0, 1.0]).value
    if slope.low <= 0.0 <= slope.high:
        neither = left.low <= 0.0 <= left.high
        return None if neither and float(np.corrcoef(member, x)[0, 1]) ** 2 >= _NEARLY_ONE else 0.0
    return 1.0 - left.value / difference if difference else 0.0
