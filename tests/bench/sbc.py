"""Simulation-based calibration of the estimator: ``python -m tests.bench.sbc --batches N --seed S``.

Talts, Betancourt, Simpson, Vehtari and Gelman, "Validating Bayesian inference algorithms with simulation-based
calibration" (2018, arXiv 1804.06788): where parameters are drawn from the prior and data from the model given them, the
rank of the truth among draws of the posterior is uniform, whatever the prior, if the computation is right. So this
judges the *computation* (Laplace mixture, search, thinning), not whether a bucket obeys the model: that is what
tests.bench.judgement is for, on a simulator of another structure.

The component is drawn by its share, the parameters from its prior, the curve from ``monitor.heat.model.run``, and the
errors of the readings from the very process that the estimator's whitener assumes (white noise, and a wander that
forgets over the logarithm of the age). The draws have weights, so the rank is the weight below the truth.
A rank histogram that is hollow means too wide a posterior, one with horns at both ends too narrow, a slope a bias.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2, norm

from monitor.domain import AMBIENT, Batch, LogEntry, OilShare, Place, Reading, Recipe, Vessel
from monitor.heat import model as m
from monitor.heat.estimator import Estimator
from tests.heat import inside

Array = NDArray[np.float64]

HOUR = 3600.0
POUR_S = 1_773_475_800.0
END_S = 72 * HOUR
AGES_S = (40 * 60.0, 3 * HOUR, 72 * HOUR)
# Refits on the way, as the program makes them (there every minute at first): each starts where the last one stood.
ON_THE_WAY_S = (1800.0, 2400.0, 3600.0, 5400.0, 2 * HOUR, 3 * HOUR, 6 * HOUR, 12 * HOUR, 24 * HOUR, 48 * HOUR, END_S)
QUANTITIES = ("final completeness", "heat made", "time constant")
RANK_FLOOR = 1.0 / 200.0  # the estimator draws some 96 columns: ranks nearer to 0 or 1 than this mean nothing


@dataclass(frozen=True)
class Making:
    """One batch drawn from the prior: the truth, and what the estimator is told of it."""

    batch: Batch
    notes: tuple[LogEntry, ...]
    readings: tuple[Reading, ...]
    component: int
    truth: tuple[float, float, float]  # as in QUANTITIES: fraction at 72 h, K, s


@dataclass(frozen=True)
class Rank:
    """Where the truth lies in one posterior: weight of the draws below it, and how many sd above the mean."""

    quantity: str
    age_s: float
    rank: float
    deviation: float
    sd: float
    weight_of_truth: float  # what the posterior gave to the component that it was


def make(rng: np.random.Generator, until_s: float = END_S) -> Making:
    """Draw a batch of the Quillmarsh allotments (invented), its truth and its readings up to ``until_s``."""
    vessel = Vessel(float(rng.choice([15.0, 20.0, 25.0])), str(rng.choice(["bare", "blanket", "box"])))
    batch = Batch("Quillmarsh sbc", "shed-2", POUR_S, Recipe((OilShare("rapeseed", 4.2),), 0.85, 0.90, 1.3), vessel)
    blended_s = float(rng.uniform(480.0, 1000.0))
    notes = [
        LogEntry("poured", POUR_S, POUR_S, entry_id="1"),
        LogEntry("blended", POUR_S + blended_s, POUR_S + blended_s, entry_id="2"),
    ]
    first = float(np.ceil((blended_s + rng.uniform(60.0, 300.0)) / 60.0)) * 60.0 + 30.0
    often, seldom = np.arange(first, min(6 * HOUR, until_s), 60.0), np.arange(6 * HOUR + 30.0, until_s, 600.0)
    ages = np.asarray(np.concatenate([often, seldom]), float)
    measured = rng.random() < 0.7  # an ambient probe
    air_ages = np.arange(30.0, END_S, 600.0)
    level, swing, phase = rng.normal(13.0, 5.0), abs(rng.normal(0.0, 3.0)), rng.uniform(0.0, 2 * np.pi)
    room = level + swing * np.sin(2 * np.pi * air_ages / 86400.0 + phase)
    air = [reading(AMBIENT, t, c) for t, c in zip(air_ages, room, strict=True)] if measured else []

    # A first look at priors and setting needs some curve: any warm one will do.
    warm = [reading("core", t, 70.0) for t in (first, first + 60.0, END_S - 60.0)]
    prior = inside.target(fed(batch, notes, [*air, *warm]), POUR_S + END_S)
    share = np.exp(prior.log_share - prior.log_share.max())
    component = int(rng.choice(share.size, p=share / share.sum()))
    x = prior.natural(component, rng.normal(size=(1, prior.active.size)))
    paths = m.run(prior.setting, x, END_S)
    reacted = m.at_times(paths.time_s, paths.reacted, np.array([END_S]))[0]
    heat = inside.heat_made_k(prior.setting, x, reacted)
    truth = (float(reacted[0]), float(heat[0]), float(inside.tau_s(prior.setting, x, reacted)[0]))

    shown = prior.shown(x, ages)[:, 0]
    core = [reading("core", t, c) for t, c in zip(ages, shown, strict=True)]
    thinned = inside.target(fed(batch, notes, [*air, *core]), POUR_S + until_s)
    white = rng.normal(size=thinned.ages_s.size)
    errors = np.asarray(np.linalg.solve(thinned.whitening, white), float)
    shown = shown + _spread(errors, thinned.ages_s, ages)
    if rng.random() < 0.5:  # every other grower stuck a thermometer in the mix
        noted_c = float(x[m.START, 0] + rng.normal(0.0, 1.5))
        notes[0] = LogEntry("poured", POUR_S, POUR_S, noted_c, entry_id="1")
    told = [*(r for r in air if r.time_s < POUR_S + until_s)]
    told += [reading("core", t, c) for t, c in zip(ages, shown, strict=True)]
    told.sort(key=lambda r: r.time_s)
    return Making(batch, tuple(notes), tuple(told), component, truth)


def _spread(errors: Array, thinned_s: Array, ages_s: Array) -> Array:
    """The error of each thinned point given to every reading in it: groups follow from their mean times."""
    out = np.zeros(ages_s.size)
    at = int(np.searchsorted(ages_s, thinned_s[0] + 1e-3) - 1)  # first reading at or before the first mean
    while at > 0 and abs(ages_s[at : at + 1].mean() - thinned_s[0]) > 1e-3 and ages_s[at - 1] > thinned_s[0] - 60.0:
        at -= 1
    for g, mean in enumerate(thinned_s):
        means = np.cumsum(ages_s[at:]) / np.arange(1, ages_s.size - at + 1)
        count = int(np.argmin(np.abs(means - mean))) + 1
        out[at : at + count] = errors[g]
        at += count
        if at >= ages_s.size:
            break
    return out


def reading(probe: str, age_s: float, temperature_c: float) -> Reading:
    return Reading("shed-2", probe, POUR_S + float(age_s), POUR_S + float(age_s), float(temperature_c))


def fed(batch: Batch, notes: Sequence[LogEntry], readings: Sequence[Reading]) -> Estimator:
    """An estimator that has been told all this and asked nothing."""
    estimator = Estimator(batch, Place())
    for entry in notes:
        estimator.note(entry)
    for each in readings:
        estimator.update(each)
    return estimator


def ranks(made: Making, ages_s: Sequence[float] = AGES_S, on_the_way_s: Sequence[float] = ON_THE_WAY_S) -> list[Rank]:
    """Feed one batch and rank its truth at ``ages_s``; refits also at ``on_the_way_s``."""
    estimator = fed(made.batch, made.notes, ())
    found: list[Rank] = []
    k = 0
    for age in sorted({*ages_s, *(a for a in on_the_way_s if a <= max(ages_s))}):
        while k < len(made.readings) and made.readings[k].arrival_s < POUR_S + age:
            estimator.update(made.readings[k])
            k += 1
        if age not in ages_s:
            estimator.estimate(POUR_S + age)
            continue
        target, mixture = inside.drawn(estimator, POUR_S + age)
        reacted = m.at_times(mixture.paths.time_s, mixture.paths.reacted, np.array([END_S]))[0]
        draws = (
            reacted,
            inside.heat_made_k(target.setting, mixture.x, reacted),
            inside.tau_s(target.setting, mixture.x, reacted),
        )
        weight = float(mixture.weights[made.component])
        for quantity, truth, values in zip(QUANTITIES, made.truth, draws, strict=True):
            mean = float(values @ mixture.weight)
            sd = float(np.sqrt(np.square(values - mean) @ mixture.weight))
            below = float(mixture.weight[values < truth].sum())
            found.append(Rank(quantity, age, below, (truth - mean) / sd, sd, weight))
    return found


def normal_scores(values: Sequence[Rank]) -> Array:
    """Ranks as standard-normal scores, the ends cut off where the draws run out."""
    return np.asarray(norm.ppf(np.clip([v.rank for v in values], RANK_FLOOR, 1.0 - RANK_FLOOR)), float)


def chi_square(values: Sequence[Rank], bins: int = 10) -> tuple[NDArray[np.int64], float, float]:
    """Histogram of the ranks in equal bins, its chi-square against the flat one, and the probability of a larger."""
    counts, _ = np.histogram([v.rank for v in values], bins=bins, range=(0.0, 1.0))
    expected = len(values) / bins
    statistic = float((np.square(counts - expected) / expected).sum())
    return counts, statistic, float(chi2.sf(statistic, bins - 1))


def report(found: Sequence[Rank]) -> None:
    for age in sorted({r.age_s for r in found}):
        for quantity in QUANTITIES:
            these = [r for r in found if r.age_s == age and r.quantity == quantity]
            counts, statistic, p = chi_square(these)
            score = normal_scores(these)
            within = np.abs([r.deviation for r in these])
            off = np.abs(np.array([r.rank for r in these]) - 0.5)
            print(f"{age / HOUR:5.2f} h  {quantity:19s} ranks {' '.join(f'{c:3d}' for c in counts)}  "
                  f"chi2 {statistic:5.1f} (9), p {p:.3f}")  # fmt: skip
            print(f"         scores: mean {score.mean():+.2f}, sd {score.std():.2f}   within 1 sd "
                  f"{np.mean(within < 1):.2f} (0.68), 2 sd {np.mean(within < 2):.2f} (0.95), 50 % interval "
                  f"{np.mean(off < 0.25):.2f}, 90 % {np.mean(off < 0.45):.2f}   "
                  f"median sd {np.median([r.sd for r in these]):.3g}")  # fmt: skip
        weights = np.array([r.weight_of_truth for r in found if r.age_s == age and r.quantity == QUANTITIES[0]])
        print(f"         weight given to the true component: mean {weights.mean():.2f}, under 0.01 in "
              f"{int((weights < 0.01).sum())} of {weights.size}")  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--batches", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    begun = time.process_time()
    found: list[Rank] = []
    for i in range(given.batches):
        found += ranks(make(np.random.default_rng([given.seed, i])))
    report(found)
    print(f"{given.batches} batches, {time.process_time() - begun:.0f} s of CPU")


if __name__ == "__main__":
    main()
