"""The supply voltage that nodes send along: the latest of each bucket's node, and whether it is low. Pure.

A node that runs down takes its bucket's readings with it. Its voltage tells that hours ahead.
"""

from __future__ import annotations

import statistics
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

# The levels, in order: well, to be seen to by daylight, about to die.
WELL, LOW, DYING = "", "low", "dying"
# Whether it is low is the median of so many values, once there are so many: a radio that starts pulls one of them down.
VALUES, LEAST_VALUES = 5, 3
# So much over its limit it is well again: a battery that rests recovers by some hundredths of a volt (common
# practice).
BACK_ABOVE = 1.03
# Of a node's backlog only what was measured just now tells how the battery is.
OLD_S = 15 * 60.0
# A node whose battery died says nothing any more, and that it was low goes on to be true until somebody has seen to
# it. After a day either it is at work again or its bucket's silence has long been told.
FORGOTTEN_AFTER_S = 24 * 3600.0
# Under this name the journal keeps the latest of each: ``Supplies.as_kept``.
SUPPLIES_KEY = "supplies"
# More is no extra-low voltage any more, and no node of these has it.
MOST_V = 60.0


class Supply(NamedTuple):
    """One value of ``BUCKET/supply``, V, with the time at which it was measured (Unix seconds)."""

    bucket: str
    time_s: float
    volts: float


class SupplyLimits(NamedTuple):
    """Below ``low_v`` it is told by daylight, below ``dying_v`` it may wake; 0 for never."""

    low_v: float
    dying_v: float


@dataclass(slots=True)
class NodeSupply:
    """What is known of one bucket's node."""

    volts: float = 0.0
    time_s: float = 0.0
    level: str = WELL
    _latest: list[float] = field(default_factory=list)

    def take(self, supply: Supply, limits: SupplyLimits) -> None:
        """One more value; the level follows the median of the last few."""
        self.time_s = supply.time_s
        self._latest = [*self._latest[1 - VALUES :], supply.volts]
        self.volts = statistics.median(self._latest)
        if len(self._latest) < LEAST_VALUES:
            return
        self.level = _level(self.volts, self.level, limits)


class Supplies:
    """The latest supply of each bucket's node. Which buckets are taken the decoder decides, so there are not many."""

    def __init__(self, limits_of: Callable[[str], SupplyLimits]) -> None:
        self._limits_of = limits_of
        self._nodes: dict[str, NodeSupply] = {}

    def take(self, supply: Supply, arrival_s: float) -> None:
        """A value as it came. None of 0 V was ever measured on a node that lives; an old one is no news."""
        if not 0.0 < supply.volts <= MOST_V or arrival_s - supply.time_s > OLD_S:
            return
        node = self._nodes.setdefault(supply.bucket, NodeSupply())
        if supply.time_s > node.time_s:  # not one that came twice
            node.take(supply, self._limits_of(supply.bucket))

    def known(self, now_s: float) -> Mapping[str, NodeSupply]:
        """By bucket; what nobody has sent for a day is forgotten."""
        for bucket in [one for one, node in self._nodes.items() if now_s - node.time_s > FORGOTTEN_AFTER_S]:
            del self._nodes[bucket]
        return self._nodes

    def as_kept(self, now_s: float) -> list[list[Any]]:
        """For the journal: bucket, volts, level and time. Rounded, for each change is a write of the card."""
        return [
            [bucket, round(round(node.volts * 20.0) / 20.0, 2), node.level, node.time_s // OLD_S * OLD_S]
            for bucket, node in sorted(self.known(now_s).items())
        ]

    def load(self, kept: Iterable[Sequence[Any]]) -> None:
        """Go on where the last watch was: a node that died since goes on to be told."""
        for bucket, volts, level, time_s in kept:
            self._nodes[bucket] = NodeSupply(volts, time_s, level)

    def move(self, moved: Callable[[float], float]) -> None:
        """The clock has been set right: what was measured moves with it."""
        for node in self._nodes.values():
            node.time_s = moved(node.time_s)


def _level(volts: float, before: str, limits: SupplyLimits) -> str:
    """What it falls to at a limit, it leaves only somewhat above."""
    if volts < limits.dying_v * (BACK_ABOVE if before == DYING else 1.0):
        return DYING
    if volts < limits.low_v * (BACK_ABOVE if before != WELL else 1.0):
        return LOW
    return WELL
