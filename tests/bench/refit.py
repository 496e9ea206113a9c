"""What the heat estimate costs: ``python -m tests.bench.refit [random curves]``.

Three figures: the two-exponential fit of 26,000 points against scipy's curve_fit from the same start, and how near
its sum of squares comes on so many random curves; one warm refit of
a 72 h batch; the estimator's share of a whole 72 h replay, and of one tick. CPU time, medians; set
OPENBLAS_NUM_THREADS=1, so that scipy's threads are not counted against it.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from statistics import median

import numpy as np
from scipy.optimize import curve_fit

from monitor.domain import Place
from monitor.heat.bateman import bateman, fit_bateman
from monitor.heat.estimator import Estimator
from tests.heat.batches import POUR_S, batch, curve, entries, readings
from tests.heat.two_exponentials import model, random_case


def cpu_ms(work: Callable[[], object], repeats: int = 7) -> float:
    spent = []
    for _ in range(repeats):
        begun = time.process_time()
        work()
        spent.append((time.process_time() - begun) * 1e3)
    return median(spent)


def two_exponentials() -> None:
    """Against curve_fit as one calls it: its defaults (MINPACK, slopes by differences, no bounds).

    Same points and same first guess of the rates; curve_fit has a good first guess of amplitude and level as well.
    The two take turns, so that a busy machine slows both. The last column gives curve_fit exact slopes, as few do.
    """
    print("two-exponential fit, 26,000 points, same start; ms of CPU, median of 7, taking turns")
    t = np.arange(0.0, 72.0, 10 / 3600.0)
    noise = np.random.default_rng(7).normal(0.0, 0.25, t.size)
    for rise in (1.0, 1.1, 1.5, 2.0, 3.0, 6.0, 10.0):
        y = bateman(t, 60.0, rise, 0.25, 15.0) + noise
        start = (0.6 * rise, 0.12)
        p0 = [50.0, *start, 10.0]
        works: list[Callable[[], object]] = [
            lambda y=y, start=start: fit_bateman(t, y, start=start),  # type: ignore[misc]
            lambda y=y, p0=p0: curve_fit(model, t, y, p0=p0),  # type: ignore[misc]
            lambda y=y, p0=p0: curve_fit(model, t, y, p0=p0, jac=slopes),  # type: ignore[misc]
        ]
        turns = [[cpu_ms(work, 1) for work in works] for _turn in range(7)]
        ours, theirs, exact = (median(column) for column in zip(*turns, strict=True))
        best, _ = curve_fit(model, t, y, p0=p0)
        rss = float(((model(t, *best) - y) ** 2).sum())
        fit = fit_bateman(t, y, start=start)
        excess = float(((fit.at(t) - y) ** 2).sum()) / rss - 1.0
        print(f"  rise {rise:4.1f}/h  ours {ours:5.2f}  curve_fit {theirs:5.1f}  x{theirs / ours:5.1f}", end="")
        print(f"  rss {excess:+.1e}  with exact slopes x{exact / ours:5.1f}")


def slopes(t: np.ndarray, a: float, k1: float, k2: float, c: float) -> np.ndarray:
    """Exact slopes of the curve along a, k1, k2 and c, for curve_fit."""
    slow, fast, gap = np.exp(-k2 * t), np.exp(-k1 * t), k1 - k2
    shape = (slow - fast) / gap
    along_k1 = a * shape + a * k1 * (t * fast - shape) / gap
    return np.column_stack([k1 * shape, along_k1, a * k1 * (shape - t * slow) / gap, np.ones_like(t)])


def many_fits(cases: int) -> None:
    """Sum of squares against the best that curve_fit finds from the same start or from the true rates."""
    worst = (-1.0, 0, "")
    gave_up = off = 0
    for seed in range(cases):
        case, best = random_case(seed), np.inf
        for rates in (case.start, case.true):
            try:
                found, _ = curve_fit(model, case.t, case.y, p0=[50.0, *rates, 10.0])
            except RuntimeError:
                gave_up += 1
                continue
            best = min(best, float(((model(case.t, *found) - case.y) ** 2).sum()))
        fit = fit_bateman(case.t, case.y, start=case.start)
        excess = float(((fit.at(case.t) - case.y) ** 2).sum()) / best - 1.0
        off += excess > 1e-3
        worst = max(worst, (excess, seed, case.sampling))
    print(f"{cases} random curves: rss above curve_fit's best by {worst[0]:.1e} at most ", end="")
    print(f"(seed {worst[1]}, {worst[2]}), {off} by more than 0.1 %; curve_fit gave up {gave_up} times")


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
    many_fits(int(sys.argv[1]) if len(sys.argv) > 1 else 100)
    refits()
