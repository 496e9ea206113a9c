"""Least squares in plain numpy: a small Levenberg-Marquardt, and the pieces the estimator's refit is made of.

``levenberg_marquardt`` is for problems with a handful of parameters; it is held against the NIST StRD sets in
tests/outside/. ``Whitener`` turns residuals whose errors hang together over time into independent ones, so that a
hundred readings of one wrong model do not count as a hundred witnesses.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LeastSquares:
    """What a fit found: parameters, residual sum of squares, covariance (None when singular), passes used."""

    x: Array
    rss: float
    covariance: Array | None
    passes: int
    settled: bool


def jacobian(residuals: Callable[[Array], Array], x: Array) -> Array:
    """Central differences of ``residuals`` at ``x``; step a cube root of machine precision of each parameter."""
    columns = []
    for i in range(x.size):
        step = 6e-6 * max(abs(x[i]), 1e-10)
        up, down = x.copy(), x.copy()
        up[i] += step
        down[i] -= step
        columns.append((residuals(up) - residuals(down)) / (up[i] - down[i]))
    return np.stack(columns, axis=1)


def levenberg_marquardt(
    residuals: Callable[[Array], Array],
    start: Array,
    *,
    derivative: Callable[[Array], Array] | None = None,
    passes: int = 2000,
    tolerance: float = 1e-14,
) -> LeastSquares:
    """Minimise the sum of squares of ``residuals``; derivative by central differences unless one is given.

    Marquardt's scaling by the largest column norms seen, each step solved as an augmented least-squares problem by
    QR (never by normal equations, which would cost half the digits), damping after Nielsen.
    """
    x = np.array(start, float)
    slope = derivative if derivative is not None else (lambda at: jacobian(residuals, at))
    with np.errstate(all="ignore"):
        r = residuals(x)
        cost = float(r @ r)
        j = slope(x)
        scale = np.sqrt((j * j).sum(0))
        scale[scale == 0.0] = 1.0
        damping, growth = 1e-3, 2.0
        settled, quiet, done = False, 0, 0
        for done in range(1, passes + 1):  # noqa: B007
            stacked = np.vstack([j / scale, np.sqrt(damping) * np.eye(x.size)])
            q, upper = np.linalg.qr(stacked)
            try:
                step = -np.linalg.solve(upper, q.T @ np.concatenate([r, np.zeros(x.size)])) / scale
            except np.linalg.LinAlgError:
                damping *= 10.0
                continue
            trial = x + step
            r_trial = residuals(trial)
            cost_trial = float(r_trial @ r_trial)
            linear = r + j @ step
            promised = cost - float(linear @ linear)
            if np.isfinite(cost_trial) and cost_trial <= cost:
                gain = (cost - cost_trial) / promised if promised > 0.0 else 0.0
                fell = cost - cost_trial
                small = bool(np.all(np.abs(step) <= tolerance * (np.abs(x) + tolerance)))
                x, r, cost = trial, r_trial, cost_trial
                j = slope(x)
                scale = np.maximum(scale, np.sqrt((j * j).sum(0)))
                damping *= max(1.0 / 3.0, 1.0 - (2.0 * gain - 1.0) ** 3)
                damping = max(damping, 1e-16)
                growth = 2.0
                quiet = quiet + 1 if fell <= tolerance * cost else 0
                if small or quiet >= 4:
                    settled = True
                    break
            else:
                damping *= growth
                growth *= 2.0
                if damping > 1e18:
                    settled = True
                    break
    return LeastSquares(x, cost, covariance_of(j, cost, r.size), done, settled)


def covariance_of(j: Array, rss: float, count: int) -> Array | None:
    """Covariance s2 (J'J)^-1 with s2 = rss / (n - p); None when the Jacobian has lost rank."""
    free = count - j.shape[1]
    if free <= 0:
        return None
    try:
        inverse = np.linalg.inv(np.linalg.qr(j, mode="r"))
    except np.linalg.LinAlgError:
        return None
    return np.asarray(inverse @ inverse.T * (rss / free), float)


class Whitener:
    """Makes residuals independent whose error is white noise plus a slow wander (an Ornstein-Uhlenbeck process).

    ``clock`` is the time scale on which the wander forgets: the logarithm of the age, since models of a batch err by
    minutes early and by hours late. The wander has standard deviation ``wander_k`` and correlation length ``length``
    on that clock, the white part ``noise_k`` per point. Whitening runs a scalar Kalman filter over the points, whose
    gains do not depend on the data, for all columns at once.
    """

    def __init__(self, clock: Array, noise_k: Array, wander_k: Array, length: float) -> None:
        n = clock.size
        self._keep = np.empty(n)
        self._gain = np.empty(n)
        self._inverse_sd = np.empty(n)
        unit = 1.0  # variance of the wander in units of its own standard deviation
        last = None
        for i in range(n):
            keep = 0.0 if last is None else float(np.exp(-max(clock[i] - last, 0.0) / length))
            unit = keep * keep * unit + (1.0 - keep * keep)
            a = float(wander_k[i])
            total = a * a * unit + float(noise_k[i]) ** 2
            gain = unit * a / total
            self._keep[i], self._gain[i], self._inverse_sd[i] = keep, gain, total**-0.5
            unit *= 1.0 - gain * a
            last = clock[i]
        self._wander = np.asarray(wander_k, float)
        # The whole filter is one lower-triangular matrix: build it once by filtering the identity.
        self.matrix = self._filter(np.eye(n))
        self.log_det = float(np.log(self._inverse_sd).sum())

    def _filter(self, residuals: Array) -> Array:
        out = np.empty_like(residuals)
        state = np.zeros(residuals.shape[1:])
        for i in range(residuals.shape[0]):
            state = state * self._keep[i]
            innovation = residuals[i] - self._wander[i] * state
            out[i] = innovation * self._inverse_sd[i]
            state = state + self._gain[i] * innovation
        return out


def low_discrepancy_normals(count: int, dimensions: int) -> Array:
    """Fixed standard-normal points, count x dimensions: a Halton sequence through the inverse normal.

    Antithetic pairs and rescaled columns, so that mean 0 and variance 1 hold exactly. No randomness anywhere.
    """
    half = (count + 1) // 2
    inverse = NormalDist().inv_cdf
    points = np.empty((half, dimensions))
    for d, base in enumerate(_primes(dimensions)):
        for i in range(half):
            # Skipping the first points and scrambling the digits breaks the stripes of large bases.
            points[i, d] = inverse(_radical_inverse(i + 23, base))
    points = points[:, :]
    both = np.concatenate([points, -points])[:count]
    both /= np.sqrt((both * both).mean(0))
    return both


def _primes(count: int) -> list[int]:
    found: list[int] = []
    candidate = 2
    while len(found) < count:
        if all(candidate % p for p in found):
            found.append(candidate)
        candidate += 1
    return found


def _radical_inverse(index: int, base: int) -> float:
    value, weight = 0.0, 1.0 / base
    multiplier = max(1, int(base * 0.618))
    while multiplier > 1 and base % multiplier == 0:
        multiplier -= 1
    while index:
        digit = (index % base) * multiplier % base
        value += digit * weight
        index //= base
        weight /= base
    return min(max(value, 1e-6), 1.0 - 1e-6)
