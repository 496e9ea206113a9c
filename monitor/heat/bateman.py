"""Bateman's two-exponential curve: first-order rise and first-order decay, the simplest curve of a batch.

    y(t) = A k1 / (k1 - k2) (exp(-k2 t) - exp(-k1 t)) + c,    k1 > k2 > 0

Fitted by variable projection: for given rates the amplitude and the level follow from a 2 x 2 linear system, so the
search runs over (ln k2, ln(k1 - k2)) alone. The search sees averages of neighbouring points, and the sum of squares
that is returned is that of every point, after a last step on all of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_SEARCH_POINTS = 400  # shifts k1 by about 0.2 % on 26,000 points, which the last full step takes back


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

    @property
    def peak_time(self) -> float:
        """When it peaks, ln(k1/k2) / (k1 - k2)."""
        k1, k2 = self.rise_rate, self.decay_rate
        return float(np.log(k1 / k2) / (k1 - k2))

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
    thin = t.size > 3 * _SEARCH_POINTS
    if thin:
        size = t.size // _SEARCH_POINTS
        cut = size * _SEARCH_POINTS
        # Points taken in order: averages over runs of equal length, and the few left over as one more.
        ts = t[:cut].reshape(_SEARCH_POINTS, size).mean(1)
        ys = y[:cut].reshape(_SEARCH_POINTS, size).mean(1)
        x, *_ = _search(ts, ys, x, level, passes, 1e-7)
        x, amplitude, c, rss = _search(t, y, x, level, 1, 0.0)
    else:
        x, amplitude, c, rss = _search(t, y, x, level, passes, 1e-12)
    k2 = float(np.exp(x[0]))
    k1 = k2 + float(np.exp(x[1]))
    return Bateman(amplitude / k1, k1, k2, c, rss)


def _project(t: Array, y: Array, x: Array, level: float | None) -> tuple[Array, float, float, Array, Array]:
    k2 = float(np.exp(x[0]))
    gap = float(np.exp(x[1]))
    slow = np.exp(-k2 * t)
    fast = slow * np.exp(-gap * t)
    shape = (slow - fast) / gap if gap * float(np.max(np.abs(t))) > 1e-6 else slow * t
    if level is None:
        n = t.size
        s, sy, ss, q = float(shape.sum()), float(shape @ y), float(shape @ shape), float(y.sum())
        det = n * ss - s * s
        amplitude = (n * sy - s * q) / det if det > 0.0 else 0.0
        c = (q - amplitude * s) / n
    else:
        amplitude, c = float(shape @ (y - level)) / max(float(shape @ shape), 1e-300), level
    return shape, amplitude, c, fast, y - amplitude * shape - c


def _search(  # noqa: PLR0917
    t: Array, y: Array, x: Array, level: float | None, passes: int, tolerance: float
) -> tuple[Array, float, float, float]:
    """Levenberg-Marquardt on the projected residual with Kaufman's Jacobian."""
    shape, amplitude, c, fast, r = _project(t, y, x, level)
    rss = float(r @ r)
    damping = 1e-3 if tolerance else 0.0
    for _ in range(passes):
        k2 = np.exp(x[0])
        d1 = (-amplitude * k2) * t * shape
        d2 = amplitude * (t * fast - shape)
        # Kaufman: take out of each column what the linear parameters can follow.
        free_level = level is None
        j1, j2 = _reduce(d1, shape, free_level), _reduce(d2, shape, free_level)
        a, b, d = float(j1 @ j1), float(j1 @ j2), float(j2 @ j2)
        g1, g2 = float(j1 @ r), float(j2 @ r)
        moved = False
        for _try in range(12):
            aa, dd = a * (1.0 + damping) + 1e-300, d * (1.0 + damping) + 1e-300
            det = aa * dd - b * b
            step = np.array([(dd * g1 - b * g2) / det, (aa * g2 - b * g1) / det]) if det > 0.0 else np.zeros(2)
            trial = x + np.clip(step, -1.5, 1.5)
            projected = _project(t, y, trial, level)
            trial_rss = float(projected[4] @ projected[4])
            if np.isfinite(trial_rss) and trial_rss <= rss:
                moved = True
                break
            damping = max(damping * 8.0, 1e-4)
        if not moved:
            break
        fell = rss - trial_rss
        x, (shape, amplitude, c, fast, r), rss = trial, projected, trial_rss
        damping *= 0.1
        if fell <= tolerance * rss and float(np.max(np.abs(step))) < 1e-6:
            break
    return x, amplitude, c, rss


def _reduce(column: Array, shape: Array, free_level: bool) -> Array:
    if not free_level:
        return np.asarray(column - shape * (float(shape @ column) / max(float(shape @ shape), 1e-300)), float)
    centred = shape - float(shape.mean())
    column = column - float(column.mean())
    return np.asarray(column - centred * (float(centred @ column) / max(float(centred @ centred), 1e-300)), float)
