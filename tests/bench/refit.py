"""What the heat estimate costs: ``python -m tests.bench.refit``.

Three figures: the two-exponential fit of 26,000 points against scipy's curve_fit from the same start; one warm refit of
a 72 h batch; the estimator's share of a whole 72 h replay, and of one tick. CPU time, medians; set
OPENBLAS_NUM_THREADS=1, so that scipy's threads are not counted against it.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from statistics import median

import numpy as np
from scipy.optimize import curve_fit

from monitor.domain import Place
from monitor.heat.bateman import bateman, fit_bateman
from monitor.heat.estimator import Estimator
from tests.heat.batches import POUR_S, batch, curve, entries, readings


def cpu_ms(work: Callable[[], object], repeats: int = 7) -> float:
    spent = []
    for _ in range(repeats):
        begun = time.process_time()
        work()
        spent.append((time.process_time() - begun) * 1e3)
    return median(spent)


def two_exponentials() -> None:
    print("two-exponential fit, 26,000 points, same start; ms of CPU, median of 7")
    t = np.arange(0.0, 72.0, 10 / 3600.0)
    noise = np.random.default_rng(7).normal(0.0, 0.25, t.size)
    for rise in (1.0, 1.1, 2.0, 3.0, 6.0, 10.0):
        y = bateman(t, 60.0, rise, 0.25, 15.0) + noise
        start = (0.6 * rise, 0.12)

        def model(t: np.ndarray, a: float, k1: float, k2: float, c: float) -> np.ndarray:
            return a * k1 / (k1 - k2) * (np.exp(-k2 * t) - np.exp(-k1 * t)) + c

        ours = cpu_ms(lambda y=y, start=start: fit_bateman(t, y, start=start))
        theirs = cpu_ms(lambda y=y, start=start, model=model: curve_fit(model, t, y, p0=[50.0, *start, 10.0]))
        best, _ = curve_fit(model, t, y, p0=[50.0, *start, 10.0])
        rss = float(((bateman(t, *best) - y) ** 2).sum())
        excess = fit_bateman(t, y, start=start).rss / rss - 1.0
        print(f"  rise {rise:4.1f}/h  ours {ours:6.2f}  curve_fit {theirs:6.2f}  x{theirs / ours:5.1f}", end="")
        print(f"  rss +{excess:.1e}")


def refits() -> None:
    made = curve()
    stream = readings(made, every_s=10.0)
    notes = entries(made)
    estimator = Estimator(batch(), Place())
    tick, late, k, minutes, total = [], [], 0, 72 * 60, 0.0
    for minute in range(minutes):
        now = POUR_S + 60.0 * minute
        while notes and notes[0].noted_at_s <= now:
            estimator.note(notes.pop(0))
        while k < len(stream) and stream[k].arrival_s < now:
            estimator.update(stream[k])
            k += 1
        before = estimator.refits
        begun = time.process_time()
        estimator.estimate(now)
        spent = (time.process_time() - begun) * 1e3
        total += spent
        tick.append(spent)
        if estimator.refits > before and minute > 24 * 60:
            late.append(spent)
    print(f"72 h batch at 10 s: {estimator.refits} refits, {estimator.passes} passes of the model")
    print(f"  estimator in all {total / 1e3:.2f} s   one tick, median {median(tick) * 1e3:.0f} us   ", end="")
    print(f"warm refit after the first day, median {median(late):.0f} ms")


if __name__ == "__main__":
    two_exponentials()
    refits()
