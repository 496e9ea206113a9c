"""Bateman's two-exponential curve: first-order rise and first-order decay, the simplest curve of a batch.

    y(t) = A k1 / (k1 - k2) (exp(-k2 t) - exp(-k1 t)) + c,    k1 > k2 > 0

Fitted by variable projection (Golub and Pereyra): for given rates the amplitude and the level follow from a linear
system, so the search runs over (ln k2, ln(k1 - k2)) alone. A long curve is searched on means over spans of time
that grow with the time since the first point; the mean of an exponential over a span is not its value at the mean
time, and is put right by the spread of the times in the span. Amplitude, level and the sum of squares that
is returned are those of every point. Times may be uneven, out of order and have gaps; points that are not numbers
are left out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_SPANS = 80  # means that the search of a long curve sees
_LONG = 1000  # curves up to this many points are searched as they are
# The search ends when its next step promises to lower the sum of squares by less than this share of itself. The sum
# over the means is a few hundredths of the sum over a long curve's points, so much is lost of that at most.
_SEARCH_LONG = 1e-4
_SEARCH_SHORT = 1e-13
# What makes the search start once more elsewhere: means that scatter so many times what their points do, or a rise that
# is over (exp(-10) is nothing) before that many means.
_LACK_OF_FIT = 1.5
_SEEN_RISING = 4
# A single-precision exponential is right to some 1e-7; where that could show in the residuals, double is used.
_SINGLE_ERROR = 1e-7
_SINGLE_SHARE = 1e-3
_DECAYED = 30.0  # exp(-30) is 1e-13: nothing


class CannotFit(ValueError):
    """The points given cannot carry a two-exponential curve."""


@dataclass(frozen=True, slots=True)
class Bateman:
    """A fitted curve. ``amplitude`` and ``level`` in the unit of y, rates in 1 / (unit of t)."""

    amplitude: float
    rise_rate: float
    decay_rate: float
    level: float
    rss: float

    def at(self, t: Array | float) -> Array:
        """The curve at ``t``."""
        return bateman(np.asarray(t, float), self.amplitude, self.rise_rate, self.decay_rate, self.level)


def bateman(t: Array, amplitude: float, k1: float, k2: float, level: float) -> Array:
    """The formula itself; k1 near k2 is taken to its limit A k t exp(-k t)."""
    return np.asarray(amplitude * k1 * _shape(t, k1, k2) + level, float)


def _shape(t: Array, k1: float, k2: float) -> Array:
    gap = k1 - k2
    # exp(-k2 t) (1 - exp(-gap t)) / gap does not cancel when the rates come together.
    slow = np.exp(-k2 * t)
    return slow * t if abs(gap) < 1e-12 * max(k1, 1e-300) else slow * -np.expm1(-gap * t) / gap


def fit_bateman(
    t: Array,
    y: Array,
    *,
    start: tuple[float, float] | None = None,
    level: float | None = None,
    passes: int = 60,
) -> Bateman:
    """Fit the curve; ``start`` is a first guess (k1, k2), ``level`` holds c fixed where it is known.

    ``passes`` bounds the steps of one search. Raises CannotFit when there are fewer than five points or no spread in
    time.
    """
    t, y = _usable(t, y)
    long = t.size > _LONG
    points, tolerance = (_means(t, y, level), _SEARCH_LONG) if long else (_each(t, y, level), _SEARCH_SHORT)
    best: Bateman | None = None
    if start is not None:
        x, rss = _search(points, _logs(*start), passes, tolerance)
        best = _on_all(t, y, x, level)
    if best is None or _doubtful(points, rss, best, best.rss / t.size if long else _noise(y)):
        # No start, or one so far off that the search may have ended in a wrong valley. (Or the curve is none of
        # these: then little is lost.)
        x, _ = min((_search(points, x, passes, tolerance) for x in _guesses(points)), key=lambda found: found[1])
        best = _better(best, _on_all(t, y, x, level))
    if long and not _single_will_do(best, t.size):  # hardly any noise: what the means leave out would show
        x, _ = _search(_each(t, y, level), _logs(best.rise_rate, best.decay_rate), passes, _SEARCH_SHORT)
        best = _better(best, _on_all(t, y, x, level))
    return best


def _doubtful(points: _Points, rss: float, found: Bateman, noise: float) -> bool:
    rising = int(np.searchsorted(points.t, 10.0 / found.rise_rate))
    return rising < _SEEN_RISING or rss / points.t.size > _LACK_OF_FIT * noise


def _better(one: Bateman | None, other: Bateman) -> Bateman:
    return other if one is None or other.rss < one.rss else one


def _usable(t: Array, y: Array) -> tuple[Array, Array]:
    """Both as double precision, without points that are not numbers, in order of time."""
    t = np.ascontiguousarray(t, float)
    y = np.ascontiguousarray(y, float)
    if t.size == y.size and not math.isfinite(float(t.sum()) + float(y.sum())):
        keep = np.isfinite(t) & np.isfinite(y)
        t, y = t[keep], y[keep]
    if t.size > 1 and t.size == y.size and not bool((t[1:] >= t[:-1]).all()):
        order = np.argsort(t, kind="stable")
        t, y = t[order], y[order]
    if t.size < 5 or t.size != y.size or not t[-1] > t[0]:
        raise CannotFit(
            f"A two-exponential curve needs at least five points at different times; {t.size} were given: add points."
        )
    return t, y


class _Points:
    """What the search sees: mean times, variance of the times and square root of the count in each span.

    ``rows`` are the five rows whose products tell everything: shape, one, its slopes along both unknowns, values; all
    times the square root of the count. The shape and its slopes are written anew for each pair of rates; the
    values stand clear of the level that is given, or of their mean.
    """

    def __init__(self, t: Array, y: Array, spread: Array, weight: Array, level: float | None) -> None:
        self.t, self.spread, self.weight, self.free_level = t, spread, weight, level is None
        self.rows = np.empty((5, t.size))
        self.rows[1] = weight
        self.rows[4] = (y - (float(y.mean()) if level is None else level)) * weight


def _means(t: Array, y: Array, level: float | None) -> _Points:
    """Means over spans that grow with the time since the first point. ``t`` in order."""
    span = float(t[-1] - t[0])
    edges = t[0] + span * np.exp(np.arange(-_SPANS, 0) * (math.log(t.size) / _SPANS))
    first = np.searchsorted(t, edges)
    first = np.concatenate(([0], first[np.diff(first, prepend=0) > 0]))
    count = np.diff(first, append=t.size).astype(float)
    since = t - t[0]
    mean = np.add.reduceat(since, first) / count
    spread = np.maximum(np.add.reduceat(since * since, first) / count - mean * mean, 0.0)
    return _Points(mean + t[0], np.add.reduceat(y, first) / count, spread, np.sqrt(count), level)


def _each(t: Array, y: Array, level: float | None) -> _Points:
    """Every point for itself."""
    return _Points(t, y, np.zeros_like(t), np.ones_like(t), level)


def _noise(y: Array) -> float:
    """Variance of the noise, or more: from the steps between neighbours."""
    steps = np.diff(y)
    return 0.5 * _dot(steps, steps) / steps.size


def _logs(one: float, other: float) -> tuple[float, float]:
    """(ln k2, ln(k1 - k2)), whichever of the two rates is the larger."""
    k1, k2 = max(one, other), min(one, other)
    return math.log(k2), math.log(max(k1 - k2, 1e-3 * k1))


def _dot(a: Array, b: Array) -> float:
    # Not `@`: a threaded BLAS would add in an order that depends on the machine.
    return float(np.einsum("i,i->", a, b))


class _Projected:
    """Sum of squares at one pair of rates, best amplitude and level taken; and the step's normal equations.

    The slopes are taken clear of what the amplitude and the level can follow (Kaufman's form of variable projection).
    """

    __slots__ = ("a11", "a12", "a22", "g1", "g2", "rss")

    def __init__(self, points: _Points, x: tuple[float, float]) -> None:
        rows = points.rows
        k2, gap = math.exp(x[0]), math.exp(x[1])
        k = np.array([[k2], [k2 + gap]])
        # The mean over a span is exp(-k t) times about exp(k^2 spread / 2). Where that grows large all is decayed.
        stretch = k * points.spread
        both = np.exp(np.minimum(0.5 * k * stretch, 0.5) - k * points.t) * points.weight
        stretch -= points.t
        stretch *= both  # the slopes along k, from here on
        if gap * float(points.t[-1]) > 1e-6:
            np.multiply(both[0] - both[1], 1.0 / gap, out=rows[0])
        else:
            np.multiply(both[0], points.t, out=rows[0])
        np.multiply(stretch[0] - stretch[1], k2 / gap, out=rows[2])
        np.add(stretch[1], rows[0], out=rows[3])  # with its sign turned
        products = np.einsum("ik,jk->ij", rows, rows).tolist()
        (ss, so, s1, s2, sy), (_, oo, o1, o2, oy), (_, _, p11, p12, p1y), (_, _, _, p22, p2y), (*_, yy) = products
        if points.free_level:  # clear of the row of ones
            ss, s1, s2, sy = ss - so * so / oo, s1 - so * o1 / oo, s2 - so * o2 / oo, sy - so * oy / oo
            p11, p12, p22 = p11 - o1 * o1 / oo, p12 - o1 * o2 / oo, p22 - o2 * o2 / oo
            p1y, p2y, yy = p1y - o1 * oy / oo, p2y - o2 * oy / oo, yy - oy * oy / oo
        share = 1.0 / ss if ss > 0.0 else 0.0
        a = sy * share
        self.rss = max(yy - a * sy, 0.0)
        self.a11, self.a22 = a * a * (p11 - s1 * s1 * share), a * a * (p22 - s2 * s2 * share)
        self.a12 = -a * a * (p12 - s1 * s2 * share)
        self.g1, self.g2 = a * (p1y - a * s1), -a * (p2y - a * s2)

    def step(self, damping: float) -> tuple[float, float]:
        """Damped Gauss-Newton step, at most 1.5 (a factor of 4.5 in a rate) along either unknown."""
        b11, b22 = self.a11 * (1.0 + damping) + 1e-300, self.a22 * (1.0 + damping) + 1e-300
        det = b11 * b22 - self.a12 * self.a12
        if not det > 0.0:
            return 0.0, 0.0
        one, two = (b22 * self.g1 - self.a12 * self.g2) / det, (b11 * self.g2 - self.a12 * self.g1) / det
        shrink = 1.5 / max(abs(one), abs(two), 1.5)
        return shrink * one, shrink * two


def _guesses(points: _Points) -> list[tuple[float, float]]:
    """Where to start: for each of some decay times per length of the curve, the best of some ratios of the rates."""
    longest = max(float(points.t[-1]), float(points.t[-1] - points.t[0]))
    guesses = []
    for decays in (1.0, 4.0, 16.0, 64.0):
        ratios = [(math.log(decays / longest), math.log(r * decays / longest)) for r in (0.3, 2.0, 10.0, 50.0, 250.0)]
        guesses.append(min(ratios, key=lambda x: _Projected(points, x).rss))
    return guesses


def _search(
    points: _Points, x: tuple[float, float], passes: int, tolerance: float
) -> tuple[tuple[float, float], float]:
    """Levenberg-Marquardt on the projected residual; returns (ln k2, ln(k1 - k2)) and the sum of squares there."""
    here = _Projected(points, x)
    damping = 1e-3
    for _pass in range(passes):
        for _try in range(12):
            step = here.step(damping)
            trial = (x[0] + step[0], x[1] + step[1])
            there = _Projected(points, trial)
            if math.isfinite(there.rss) and there.rss <= here.rss:
                break
            damping = max(damping * 8.0, 1e-4)
        else:
            break
        fell = here.rss - there.rss
        x, here = trial, there
        damping *= 0.1
        promised = here.step(damping)
        short = max(abs(promised[0]), abs(promised[1])) < 0.05
        if here.g1 * promised[0] + here.g2 * promised[1] <= tolerance * here.rss and (
            short or fell <= tolerance * here.rss
        ):
            if short:  # enough to be taken on trust
                x = (x[0] + promised[0], x[1] + promised[1])
            break
    return x, here.rss


def _on_all(t: Array, y: Array, x: tuple[float, float], level: float | None) -> Bateman:
    """The curve of these rates, with amplitude, level and sum of squares over every point."""
    k2, gap = math.exp(x[0]), math.exp(x[1])
    k1 = k2 + gap
    single = t.astype(np.float32)
    both = np.exp(single * np.float32(-k2))
    early = int(np.searchsorted(t, _DECAYED / k1))
    both[:early] -= np.exp(single[:early] * np.float32(-k1))
    factor, c, rss = _linear(both.astype(float), y, level)
    found = Bateman(factor * gap / k1, k1, k2, c, rss)
    if _single_will_do(found, t.size):
        return found
    factor, c, rss = _linear(_shape(t, k1, k2), y, level)
    return Bateman(factor / k1, k1, k2, c, rss)


def _single_will_do(found: Bateman, points: int) -> bool:
    """Whether the residuals are far larger than the rounding of single-precision exponentials."""
    factor = found.amplitude * found.rise_rate / max(found.rise_rate - found.decay_rate, 1e-300)
    return abs(factor) * _SINGLE_ERROR < _SINGLE_SHARE * math.sqrt(found.rss / points)


def _linear(shape: Array, y: Array, level: float | None) -> tuple[float, float, float]:
    """Least squares of ``y`` on the shape, with a level unless it is given; factor, level, sum of squares."""
    sy, ss = _dot(shape, y), _dot(shape, shape)
    if level is None:
        n, s, q = float(y.size), float(shape.sum()), float(y.sum())
        det = n * ss - s * s
        factor = (n * sy - s * q) / det if det > 0.0 else 0.0
        c = (q - factor * s) / n
    else:
        c = level
        factor = (sy - level * float(shape.sum())) / max(ss, 1e-300)
    residual = shape * -factor
    residual += y
    residual -= c
    return factor, c, _dot(residual, residual)
