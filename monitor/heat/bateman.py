"""Bateman's two-exponential curve: first-order rise and first-order decay, the simplest curve of a batch.

    y(t) = A k1 / (k1 - k2) (exp(-k2 t) - exp(-k1 t)) + c,    k1 > k2 > 0

Fitted by variable projection: for given rates the amplitude and the level follow from a 2 x 2 linear system, so the
search runs over (ln k2, ln(k1 - k2)) alone. On long curves the search sees averages over runs of points
that grow with time; amplitude, level and the sum of squares that is returned are those of every point.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_SEARCH_POINTS = 200  # the residual sum of squares on all points stays within 0.1 % of the full fit's (tests)


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

    Raises CannotFit when there are fewer than five points or no spread in time.
    """
    t = np.ascontiguousarray(t, float)
    y = np.ascontiguousarray(y, float)
    if t.size < 5 or t.size != y.size or not np.ptp(t) > 0.0:
        raise CannotFit(
            f"A two-exponential curve needs at least five points at different times; {t.size} were given: add points."
        )
    if start is None:
        span = float(np.ptp(t))
        peak = max(float(t[int(np.argmax(y))] - t.min()), span / 200.0)
        start = (2.0 / peak, 1.0 / max(span - peak, span / 4.0))
    k1, k2 = max(start), min(start)
    x = np.array([np.log(k2), np.log(max(k1 - k2, 1e-9 * k1))])
    if t.size > 3 * _SEARCH_POINTS:
        x = _search(*_averaged(t, y), x, level, passes, 1e-5)
    else:
        x = _search(t, y, np.ones_like(t), x, level, passes, 1e-12)
    # All the points, once: amplitude, level and sum of squares are theirs.
    amplitude, c, r = _project(t, y, None, x, level)[1:4]
    k2 = float(np.exp(x[0]))
    k1 = k2 + float(np.exp(x[1]))
    return Bateman(amplitude / k1, k1, k2, c, float(np.einsum("i,i->", r, r)))


def _averaged(t: Array, y: Array) -> tuple[Array, Array, Array]:
    """Means over runs of points that grow with the time since the first, and the square root of their counts."""
    edges = np.unique(np.round(np.geomspace(1.0, t.size + 1.0, _SEARCH_POINTS)).astype(np.int64)) - 1
    count = np.diff(edges).astype(float)
    start = edges[:-1]
    return np.add.reduceat(t, start) / count, np.add.reduceat(y, start) / count, np.sqrt(count)


def _project(
    t: Array, y: Array, weight: Array | None, x: Array, level: float | None
) -> tuple[Array, float, float, Array, Array]:
    """For these rates: shape, best amplitude and level, residual, fast part; all but the level weighted."""
    k2 = float(np.exp(x[0]))
    gap = float(np.exp(x[1]))
    slow = np.exp(-k2 * t)
    fast = np.exp(-(k2 + gap) * t)
    shape = (slow - fast) / gap if gap * float(t[-1]) > 1e-6 else slow * t
    one: Array | float = 1.0
    if weight is not None:
        shape, fast, y, one = shape * weight, fast * weight, y * weight, weight
    if level is None:
        n = float(t.size) if weight is None else float(np.einsum("i,i->", weight, weight))
        s, q = (float(shape.sum()), float(y.sum())) if weight is None else (_dot(shape, weight), _dot(y, weight))
        sy, ss = _dot(shape, y), _dot(shape, shape)
        det = n * ss - s * s
        amplitude = (n * sy - s * q) / det if det > 0.0 else 0.0
        c = (q - amplitude * s) / n
    else:
        amplitude, c = _dot(shape, y - level * one) / max(_dot(shape, shape), 1e-300), level
    return shape, amplitude, c, y - amplitude * shape - c * one, fast


def _dot(a: Array, b: Array) -> float:
    # Not `@`: a threaded BLAS would add in an order that depends on the machine.
    return float(np.einsum("i,i->", a, b))


def _search(  # noqa: PLR0917
    t: Array, y: Array, weight: Array, x: Array, level: float | None, passes: int, tolerance: float
) -> Array:
    """Levenberg-Marquardt on the projected residual with Kaufman's Jacobian; returns (ln k2, ln(k1 - k2))."""
    shape, amplitude, _, r, fast = _project(t, y, weight, x, level)
    rss = _dot(r, r)
    damping = 1e-3
    ones = weight / np.sqrt(_dot(weight, weight)) if level is None else None
    for _pass in range(passes):
        # Kaufman: take out of each column what the linear parameters can follow.
        basis = shape if ones is None else shape - ones * _dot(ones, shape)
        norm = max(_dot(basis, basis), 1e-300)
        columns = []
        for column in ((-amplitude * np.exp(x[0])) * t * shape, amplitude * (t * fast - shape)):
            free = column if ones is None else column - ones * _dot(ones, column)
            columns.append(free - basis * (_dot(basis, free) / norm))
        j1, j2 = columns
        a, b, d = _dot(j1, j1), _dot(j1, j2), _dot(j2, j2)
        g1, g2 = _dot(j1, r), _dot(j2, r)
        moved = False
        for _try in range(12):
            aa, dd = a * (1.0 + damping) + 1e-300, d * (1.0 + damping) + 1e-300
            det = aa * dd - b * b
            step = np.array([(dd * g1 - b * g2) / det, (aa * g2 - b * g1) / det]) if det > 0.0 else np.zeros(2)
            trial = x + np.clip(step, -1.5, 1.5)
            projected = _project(t, y, weight, trial, level)
            trial_rss = _dot(projected[3], projected[3])
            if np.isfinite(trial_rss) and trial_rss <= rss:
                moved = True
                break
            damping = max(damping * 8.0, 1e-4)
        if not moved:
            break
        fell = rss - trial_rss
        x, rss = trial, trial_rss
        shape, amplitude, _, r, fast = projected
        damping *= 0.1
        if fell <= tolerance * rss and float(np.max(np.abs(step))) < 1e-3:
            break
    return x
