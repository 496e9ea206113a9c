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


def _oil(story: Story) -> str:
    """The oil there was most of."""
    shares = sorted(story.recipe.oils, key=lambda share: -(share.kg or 0.0))
    if not shares:
        return ""
    try:
        return find_oil(shares[0].name).name  # whichever of its names somebody typed
    except UnknownOil:
        return shares[0].name


_GROUPED: Mapping[str, Callable[[Story], str]] = {
    # By months rather than by name: July is winter on the other half of the earth.
    "season": lambda story: _SEASONS[story.month % 12 // 3],
    "oil": _oil,
    "potash-lot": lambda story: story.potash_lot,
    "insulation": lambda story: story.cover,
    "maker": lambda story: story.maker,
    "bucket": lambda story: story.bucket,
}
BY = tuple(_GROUPED)
BY_WORDS = {
    "season": mark("season"), "oil": mark("oil"), "potash-lot": mark("lot of the potash"),
    "insulation": mark("cover"), "maker": mark("made by"), "bucket": mark("bucket"),
}  # fmt: skip


def category_of(story: Story, by: str) -> str:
    """What group a batch is in, whatever language is spoken; "" where that was not noted."""
    return _GROUPED[by](story)


def category_words(by: str, category: str) -> str:
    """How that group is called in the language spoken; what a person typed stays as it was typed."""
    if by == "season":
        return tr(category)
    if by == "insulation":
        return tr(COVER_WORDS[category]) if category in COVER_WORDS else category
    return told_name(category) if by == "oil" else category


def group_of(story: Story, by: str) -> str:
    """The group of a batch in words; "" where that was not noted."""
    category = category_of(story, by)
    return category and category_words(by, category)


def grouped(stories: Sequence[Story], by: str) -> dict[str, list[Story]]:
    """The batches by group, in the order in which each group first comes; without those of which it is not known."""
    found: dict[str, list[Story]] = {}
    for story in stories:
        name = group_of(story, by)
        if name:
            found.setdefault(name, []).append(story)
    return found
