"""By what batches are grouped, and how each group is called."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from monitor.trade.oils import UnknownOil, find_oil, told_name
from monitor.words import mark, tr

from .cover import COVERED_LATER, UNCOVERED_LATER
from .story import Story

_SEASONS = (
    mark("December to February"),
    mark("March to May"),
    mark("June to August"),
    mark("September to November"),
)
COVER_WORDS = {
    "bare": mark("bare"), "blanket": mark("under a blanket"), "box": mark("in a box"),
    COVERED_LATER: mark("covered later"), UNCOVERED_LATER: mark("uncovered later"),
}  # fmt: skip


def _season(story: Story) -> str:
    # By months rather than by name: July is winter on the other half of the earth.
    return tr(_SEASONS[story.month % 12 // 3])


def _oil(story: Story) -> str:
    """The oil there was most of."""
    shares = sorted(story.recipe.oils, key=lambda share: -(share.kg or 0.0))
    if not shares:
        return ""
    try:
        return told_name(find_oil(shares[0].name).name)  # whichever of its names somebody typed
    except UnknownOil:
        return shares[0].name


def _insulation(story: Story) -> str:
    return tr(COVER_WORDS.get(story.cover, story.cover))


_GROUPED: Mapping[str, Callable[[Story], str]] = {
    "season": _season,
    "oil": _oil,
    "potash-lot": lambda story: story.potash_lot,
    "insulation": _insulation,
    "maker": lambda story: story.maker,
    "bucket": lambda story: story.bucket,
}
BY = tuple(_GROUPED)
BY_WORDS = {
    "season": mark("season"), "oil": mark("oil"), "potash-lot": mark("lot of the potash"),
    "insulation": mark("cover"), "maker": mark("made by"), "bucket": mark("bucket"),
}  # fmt: skip


def group_of(story: Story, by: str) -> str:
    """What group a batch is in; "" where that was not noted."""
    return _GROUPED[by](story)


def grouped(stories: Sequence[Story], by: str) -> dict[str, list[Story]]:
    """The batches by group, in the order in which each group first comes; without those of which it is not known."""
    found: dict[str, list[Story]] = {}
    for story in stories:
        name = group_of(story, by)
        if name:
            found.setdefault(name, []).append(story)
    return found
