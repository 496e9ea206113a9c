"""Invented two-exponential curves for tests and the bench: rates, lengths, noise and samplings as they may come."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.heat.bateman import bateman

Array = NDArray[np.float64]

SAMPLINGS = ("even", "jittered", "bursts", "gap", "late start")


@dataclass(frozen=True)
class Case:
    """One invented curve: hours, degrees Celsius, first guess of (k1, k2), the true rates, how it was sampled."""

    t: Array
    y: Array
    start: tuple[float, float]
    true: tuple[float, float]
    sampling: str


def model(t: Array, a: float, k1: float, k2: float, c: float) -> Array:
    """The curve as one would hand it to scipy's curve_fit."""
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):  # curve_fit tries wild rates
        return np.asarray(a * k1 / (k1 - k2) * (np.exp(-k2 * t) - np.exp(-k1 * t)) + c)


def random_case(seed: int) -> Case:
    """Rise 1 to 10, decay 0.1 to 0.5 per hour, 1,000 to 26,000 points, noise 0.1 to 0.5 K, start off by up to 3."""
    rng = np.random.default_rng(seed)
    rise, decay = float(10.0 ** rng.uniform(0.0, 1.0)), float(rng.uniform(0.1, 0.5))
    hours, points = rng.uniform(24.0, 96.0), int(10.0 ** rng.uniform(3.0, 4.41))
    sampling = SAMPLINGS[seed % len(SAMPLINGS)]
    t = np.linspace(0.0, hours, points)
    if sampling == "jittered":
        t = np.sort(np.maximum(t + np.clip(rng.normal(0.0, hours / points, points), -0.01, 0.01), 0.0))
    elif sampling == "bursts":
        t = np.sort(hours * rng.beta(0.6, 1.5, points))
    elif sampling == "gap":
        begins = rng.uniform(0.5, 0.5 * hours)
        t = t[(t < begins) | (t > begins + rng.uniform(1.0, 0.3 * hours))]
    elif sampling == "late start":
        t = t[t > rng.uniform(0.05, 0.5)]
    noise = rng.normal(0.0, rng.uniform(0.1, 0.5), t.size)
    y = bateman(t, rng.uniform(15.0, 70.0), rise, decay, rng.uniform(-5.0, 35.0)) + noise
    start = (rise * 10.0 ** rng.uniform(-0.5, 0.5), decay * 10.0 ** rng.uniform(-0.5, 0.5))
    return Case(t, y, start, (rise, decay), sampling)
