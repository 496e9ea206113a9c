"""Small distributions by quantiles: ranges without random numbers, so that the same input gives the same output."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from statistics import NormalDist

_NORMAL = NormalDist()


@dataclass(frozen=True, slots=True)
class Range:
    """A quantity as mean, one sd, and its 5, 50 and 95 % points."""

    mean: float
    sd: float
    low: float
    likely: float
    high: float


@lru_cache(maxsize=16)
def _levels(n: int) -> tuple[float, ...]:
    return tuple((i + 0.5) / n for i in range(n))


@lru_cache(maxsize=16)
def normal_points(n: int) -> tuple[float, ...]:
    """``n`` equally likely points of the standard normal distribution."""
    return tuple(_NORMAL.inv_cdf(level) for level in _levels(n))


def lognormal_points(median: float, rel_sd: float, n: int) -> list[float]:
    """``n`` equally likely points of a quantity that cannot be negative; for a small ``rel_sd`` it is the normal."""
    return [median * math.exp(rel_sd * z) for z in normal_points(n)]


def split_normal_points(mode: float, sd_below: float, sd_above: float, n: int) -> list[float]:
    """``n`` equally likely points of two normal halves that meet at ``mode`` (Fechner's distribution)."""
    weight_below = sd_below / (sd_below + sd_above)
    points = []
    for level in _levels(n):
        if level < weight_below:
            points.append(mode + sd_below * _NORMAL.inv_cdf(level / (2.0 * weight_below)))
        else:
            points.append(mode - sd_above * _NORMAL.inv_cdf((1.0 - level) / (2.0 * (1.0 - weight_below))))
    return points


def range_of(values: Iterable[float]) -> Range:
    """Mean, sd and quantiles of equally likely values."""
    ordered = sorted(values)
    mean = math.fsum(ordered) / len(ordered)
    sd = math.sqrt(math.fsum((value - mean) ** 2 for value in ordered) / len(ordered))
    return Range(mean, sd, quantile(ordered, 0.05), quantile(ordered, 0.50), quantile(ordered, 0.95))


def quantile(ordered: Sequence[float], level: float) -> float:
    """The value below which ``level`` of the sorted, equally likely values lie."""
    return ordered[min(len(ordered) - 1, int(level * len(ordered)))]


def between(table: Sequence[tuple[float, float]], x: float) -> float:
    """Straight-line interpolation in a table of (x, y) with rising x; beyond it, the line of its last two points."""
    last = len(table) - 1
    i = next((k for k in range(1, last) if x <= table[k][0]), last)
    (x0, y0), (x1, y1) = table[i - 1], table[i]
    return y0 + (y1 - y0) * (x - x0) / (x1 - x0)
