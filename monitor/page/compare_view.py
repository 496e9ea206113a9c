"""What the page of comparisons asks for, and of whom."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from monitor.seasons.curves import HOURS, POURED, TEMPERATURE
from monitor.seasons.differences import Compared
from monitor.seasons.story import Story
from monitor.seasons.table import Row

# More curves than this cannot be told apart on a phone.
MOST_CURVES = 8


@dataclass(frozen=True, slots=True)
class Choice:
    """A batch that can be laid beside others; ``more`` says when, where and how it ended."""

    name: str
    more: str


@dataclass(frozen=True, slots=True)
class Asked:
    """What is to be shown: the batches by name, how their curves are drawn and for how many hours (0: all), and what is
    held against what ("" for nothing)."""

    names: tuple[str, ...] = ()
    shown_as: str = TEMPERATURE
    zero: str = POURED
    hours: int = HOURS[0]
    by: str = ""
    of: str = "completeness"


class Seasons(Protocol):
    """Who knows the batches."""

    def choices(self) -> Sequence[Choice]:
        """All batches, the newest first."""

    def stories(self, names: Sequence[str]) -> list[Story]:
        """Those of these names, the oldest first; a name that there is not is passed over."""

    def every_row(self) -> list[Row]:
        """The figures of all batches, for the groups; of the newest where there are very many."""

    def held(self, rows: Sequence[Row], by: str, of: str) -> Compared:
        """The groups held against each other. ValueError, one sentence, where that cannot be."""
