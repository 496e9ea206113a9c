"""The posterior of one batch, by a general-purpose sampler as a second witness.

The estimator puts a mixture of normal distributions (Laplace) in the place of the posterior. Here emcee (the affine
invariant ensemble sampler of Goodman and Weare 2010, Foreman-Mackey et al. 2013, arXiv 1202.3665) walks the posterior
itself: the same priors, forward model and whitened residuals (tests/heat/inside.py hands them out), no linear picture.
The weight of a component is its share times its evidence; that comes from the walkers by bridge sampling (Meng and Wong
1996) against a Student t distribution fitted to the first half of them.

Tolerances. The sampler's own error, some 420 independent points a component, is 0.05 of an sd in a mean, 4 % in an sd
and 0.2 in the log of an evidence. What is granted beyond is what a reader of an Estimate would not act upon: a third
of an sd for completeness and heat, half of one for the time constant (its posterior leans to the long side, which a
normal distribution of the logarithm follows only in part), a third of the sd either way. An sd 1.5 times too small or
too large fails. Light components are left out on both sides; what is left holds at least 0.6 of the weight.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import emcee
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import gammaln, logsumexp

from monitor.domain import Place
from monitor.heat import model as m
from monitor.heat.estimator import Estimator
from tests.heat import inside
from tests.heat.batches import POUR_S, Curve, batch, curve, entries, readings

Array = NDArray[np.float64]

AGE_S = 1.5 * 3600.0
END_S = 72 * 3600.0
QUANTITIES = ("final completeness", "heat made", "time constant")
BATCHES = {"good": {}, "stalled": {"reach": 0.45, "rate": 0.6}, "short of potash": {"reach": 0.80}}
WALKERS, BURN, KEEP, PROPOSED = 120, 50, 70, 2000
FREEDOM = 5.0  # of the Student t: tails heavier than the posterior's


@dataclass(frozen=True)
class Student:
    """Multivariate Student t: to begin from, and to bridge with."""

    centre: Array
    factor: Array  # lower Cholesky factor of the scale matrix

    def draw(self, rng: np.random.Generator, count: int) -> Array:
        normal = rng.normal(size=(count, self.centre.size)) @ self.factor.T
        return np.asarray(self.centre + normal / np.sqrt(rng.chisquare(FREEDOM, (count, 1)) / FREEDOM), float)

    def log_density(self, z: Array) -> Array:
        p = self.centre.size
        square = np.square(np.linalg.solve(self.factor, (z - self.centre).T)).sum(0)
        scale = gammaln((FREEDOM + p) / 2) - gammaln(FREEDOM / 2) - p / 2 * np.log(FREEDOM * np.pi)
        scale -= np.log(np.diag(self.factor)).sum()
        return np.asarray(scale - (FREEDOM + p) / 2 * np.log1p(square / FREEDOM), float)


@dataclass(frozen=True)
class Walk:
    """What the walkers of one component found."""

    z: Array  # (points, active)
    log_evidence: float
    acceptance: float


def walk(target: Any, component: int, begin: Student, seed: int) -> Walk:
    """Sample one component's posterior; every half of the walkers is one pass of the model (``vectorize``)."""
    rng = np.random.default_rng(seed)
    p = begin.centre.size

    def log_posterior(z: Array) -> Array:
        value = target.log_likelihood(component, z) - 0.5 * np.square(z).sum(1) - p / 2 * np.log(2 * np.pi)
        return np.where(np.isfinite(value), value, -np.inf)

    first = begin.draw(rng, PROPOSED)
    weight = log_posterior(first) - begin.log_density(first)
    # The best sixty count alike: few of them would leave too many walkers on one spot.
    weight = np.exp(np.minimum(weight, np.sort(weight)[-60]) - weight.max())
    first = first[rng.choice(PROPOSED, WALKERS, replace=False, p=weight / weight.sum())]
    moves = [(emcee.moves.StretchMove(), 0.5), (emcee.moves.DEMove(), 0.5)]
    sampler = emcee.EnsembleSampler(WALKERS, p, log_posterior, vectorize=True, moves=moves)
    sampler.run_mcmc(emcee.State(first, random_state=np.random.RandomState(seed).get_state()), BURN)
    state = sampler.get_last_sample()
    sampler.reset()
    sampler.run_mcmc(state, KEEP)
    chain, log_p = sampler.get_chain(), sampler.get_log_prob()

    half = KEEP // 2
    early = chain[:half].reshape(-1, p)
    bridge = Student(early.mean(0), np.asarray(np.linalg.cholesky(np.cov(early.T)), float))
    proposed = bridge.draw(rng, PROPOSED)
    late = chain[half:].reshape(-1, p)
    ratio_walked = log_p[half:].ravel() - bridge.log_density(late)
    ratio_drawn = log_posterior(proposed) - bridge.log_density(proposed)
    independent = late.shape[0] / 20.0  # correlation time of 18 to 20 steps, measured on chains of 200
    a, b = np.log(independent / (independent + PROPOSED)), np.log(PROPOSED / (independent + PROPOSED))
    log_evidence = float(logsumexp(ratio_drawn) - np.log(PROPOSED))
    for _ in range(100):
        over = logsumexp(ratio_drawn - np.logaddexp(a + ratio_drawn, b + log_evidence)) - np.log(PROPOSED)
        under = logsumexp(-np.logaddexp(a + ratio_walked, b + log_evidence)) - np.log(ratio_walked.size)
        log_evidence = float(over - under)
    return Walk(chain.reshape(-1, p), log_evidence, float(sampler.acceptance_fraction.mean()))


@dataclass(frozen=True)
class Side:
    """One witness: weights of the components, and per quantity mean and sd of the mixture."""

    weights: Array
    moments: dict[str, tuple[float, float]]


def moments(weights: Array, values: list[tuple[Array, Array]]) -> tuple[float, float]:
    """Mean and sd of a mixture of components, each (values, weights within)."""
    mean = sum(w * float(v @ inner) for w, (v, inner) in zip(weights, values, strict=True))
    square = sum(w * float(np.square(v - mean) @ inner) for w, (v, inner) in zip(weights, values, strict=True))
    return float(mean), float(np.sqrt(square))


def quantities(setting: m.Setting, x: Array, reacted: Array) -> tuple[Array, Array, Array]:
    return reacted, inside.heat_made_k(setting, x, reacted), inside.tau_s(setting, x, reacted)


def told(made: Curve) -> Estimator:
    """An estimator that has seen 90 minutes of this curve and has been asked nothing."""
    estimator = Estimator(batch(), Place())
    for entry in entries(made):
        estimator.note(entry)
    for reading in readings(made, until_s=AGE_S, every_s=60.0):
        estimator.update(reading)
    return estimator


@cache
def witnesses(name: str) -> tuple[Side, Side, list[Walk]]:
    """The estimator's answer and the sampler's for one batch, over the same components."""
    target, laplace = inside.drawn(told(curve(**BATCHES[name])), POUR_S + AGE_S)
    heaviest = [int(i) for i in np.argsort(-laplace.weights)[:3]]
    while laplace.weights[heaviest[:-1]].sum() > 0.75:
        heaviest.pop()
    assert laplace.weights[heaviest].sum() > 0.6
    walks = []
    for i in heaviest:
        spread = np.asarray(np.linalg.cholesky(1.2 * np.linalg.inv(laplace.precision[i])), float)
        begin = Student(laplace.z[i], spread)
        walks.append(walk(target, i, begin, seed=11 + i))
    log_weight = np.array([target.log_share[i] + w.log_evidence for i, w in zip(heaviest, walks, strict=True)])
    weights = np.exp(log_weight - logsumexp(log_weight))

    rng = np.random.default_rng(3)
    sampled = []
    for i, w in zip(heaviest, walks, strict=True):
        x = target.natural(i, w.z[rng.choice(w.z.shape[0], 1000, replace=False)])
        sampled.append(quantities(target.setting, x, inside.final_reacted(target.setting, x, END_S)))
    reacted = m.at_times(laplace.paths.time_s, laplace.paths.reacted, np.array([END_S]))[0]
    drawn = quantities(target.setting, laplace.x, reacted)
    even = np.full(1000, 1e-3)
    ours, theirs = {}, {}
    own = laplace.weights[heaviest] / laplace.weights[heaviest].sum()
    for k, quantity in enumerate(QUANTITIES):
        parts = []
        for i in heaviest:
            mine = laplace.component == i
            parts.append((drawn[k][mine], laplace.weight[mine] / laplace.weight[mine].sum()))
        ours[quantity] = moments(own, parts)
        theirs[quantity] = moments(weights, [(s[k], even) for s in sampled])
    return Side(own, ours), Side(weights, theirs), walks


class Known:
    """A linear model with normal errors: mean, sd and evidence of its posterior are known exactly."""

    def __init__(self) -> None:
        rng = np.random.default_rng(5)
        self.slope = rng.normal(size=(40, 14))
        self.y = self.slope @ rng.normal(size=14) + rng.normal(size=40)

    def log_likelihood(self, _component: int, z: Array) -> Array:
        return np.asarray(-0.5 * np.square(self.y[:, None] - self.slope @ z.T).sum(0), float)


def test_the_witness_is_sound_where_the_answer_is_known() -> None:
    """On a linear model of 14 parameters the walkers find the exact mean, sd and evidence, from a poor start."""
    known = Known()
    precision = known.slope.T @ known.slope + np.eye(14)
    mode = np.linalg.solve(precision, known.slope.T @ known.y)
    sd = np.sqrt(np.diag(np.linalg.inv(precision)))
    at_mode = float(known.log_likelihood(0, np.asarray(mode[None], float))[0]) - 0.5 * mode @ mode
    exact = float(at_mode - 0.5 * np.linalg.slogdet(precision)[1])
    wide = np.asarray(np.linalg.cholesky(1.5 * np.linalg.inv(precision)), float)
    found = walk(known, 0, Student(mode + 0.5 * sd, wide), seed=1)
    assert found.log_evidence == pytest.approx(exact, abs=0.2)
    assert np.max(np.abs(found.z.mean(0) - mode) / sd) < 0.2
    assert np.max(np.abs(found.z.std(0) / sd - 1.0)) < 0.15


@pytest.mark.parametrize("name", BATCHES)
def test_walkers_walk(name: str) -> None:
    """A tenth to two fifths of the steps are taken, and no walker stands still: the chains are fit to testify."""
    for found in witnesses(name)[2]:
        assert 0.1 < found.acceptance < 0.4
        chain = found.z.reshape(KEEP, WALKERS, -1)
        assert np.mean(chain.std(0).min(1) == 0.0) < 0.02


@pytest.mark.parametrize("quantity", QUANTITIES)
@pytest.mark.parametrize("name", BATCHES)
def test_laplace_agrees_with_the_sampler(name: str, quantity: str) -> None:
    """Mean within a third of an sd (half for the time constant), sd within a third, of what the sampler finds."""
    ours, theirs, _ = witnesses(name)
    mean, sd = theirs.moments[quantity]
    assert abs(ours.moments[quantity][0] - mean) < (0.5 if quantity == "time constant" else 0.33) * sd
    assert 0.67 * sd < ours.moments[quantity][1] < 1.4 * sd


@pytest.mark.parametrize("name", BATCHES)
def test_weights_of_the_components_agree(name: str) -> None:
    """Laplace evidence gives each of the heavy components its weight to within 0.15."""
    ours, theirs, _ = witnesses(name)
    assert np.max(np.abs(ours.weights - theirs.weights)) < 0.15
