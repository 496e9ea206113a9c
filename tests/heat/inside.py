"""What the estimator computes with, caught in the act: the one place in the tests that knows its private names.

``caught`` runs one refit and hands out the posterior that the refit approximates (priors as centre and sd, predicted
curve, whitened residuals) and what it made of it (weights, draws). Both witnesses of the posterior stand on this:
tests/outside/test_posterior_witness.py, and the calibration in tests/heat/test_calibration.py and tests/bench/sbc.py.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from copy import copy
from dataclasses import dataclass
from inspect import signature
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.heat import estimator as private
from monitor.heat import model as m
from monitor.heat import priors
from monitor.heat.estimator import Estimator

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Target:
    """The posterior of every component: z are standardised parameters, x = centre + sd z, a column of the model.

    log posterior of component c, up to one constant shared by all = log_share[c] - |misfit|^2 / 2 - |z|^2 / 2
    """

    setting: m.Setting
    centre: Array  # (components, rows)
    sd: Array
    active: NDArray[np.intp]  # rows that are fitted
    log_share: Array
    ages_s: Array  # of the thinned readings, since the pour
    y_c: Array
    whitening: Array  # lower-triangular; times a residual it makes white noise of variance 1
    fitter: Any

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(c.name for c in priors.COMPONENTS)

    def natural(self, component: int, z: Array) -> Array:
        """Columns of the model (rows, n) from standardised active parameters (n, active)."""
        x = np.repeat(self.centre[component][:, None], z.shape[0], axis=1)
        x[self.active] += self.sd[component][self.active][:, None] * z.T
        return np.ascontiguousarray(x)

    def log_likelihood(self, component: int, z: Array) -> Array:
        """Of each row of ``z``, up to the constant that all components share."""
        residual = self.y_c[:, None] - self.fitter.predicted(self.natural(component, z))
        return np.asarray(-0.5 * np.square(self.whitening @ residual).sum(0), float)

    def shown(self, x: Array, ages_s: Array) -> Array:
        """What the probe would show at any ages, without error, one column for each of ``x``."""
        other = copy(self.fitter)
        other._ages, other._end_s = ages_s, float(ages_s[-1])
        other._room = np.interp(ages_s, self.setting.air_time_s, self.setting.air_c)
        return np.asarray(other.predicted(x), float)


@dataclass(frozen=True)
class Approximation:
    """The mixture of Laplace posteriors that the estimator put in the place of ``Target``, and its draws from it."""

    weights: Array  # of the components
    z: Array  # (components, active): the modes
    precision: Array  # (components, active, active), in z
    x: Array  # the draws: (rows, n)
    weight: Array
    component: NDArray[np.intp]
    paths: m.Paths


class _Enough(Exception):
    """Raised in place of the fit, where only what goes into it is asked for."""


@contextmanager
def _hooks(found: dict[str, Any], *, fit: bool) -> Iterator[None]:
    """Note by their names the arguments of the fitter's birth, of the drawing and of the tables."""
    hooked: tuple[tuple[Any, str], ...] = (
        (private._Fitter, "__init__"), (Estimator, "_draw"), (private, "_tabulate"),
    )  # fmt: skip
    before = [getattr(where, name) for where, name in hooked]

    def watched(real: Any, key: str) -> Any:
        def call(*args: Any, **named: Any) -> Any:
            found[key] = signature(real).bind(*args, **named).arguments
            made = real(*args, **named)
            if key == "__init__" and not fit:
                raise _Enough
            return made

        return call

    for (where, name), real in zip(hooked, before, strict=True):
        setattr(where, name, watched(real, name))
    try:
        yield
    finally:
        for (where, name), real in zip(hooked, before, strict=True):
            setattr(where, name, real)


def _target(estimator: Estimator, found: dict[str, Any]) -> Target:
    given = found["__init__"]
    log_share = np.array(estimator._layout_now().extra_log_share)
    return Target(given["setting"], given["centre"], given["sd"], given["active"], log_share, given["ages"], given["y"],
                  given["whiten"].matrix, given["self"])  # fmt: skip


def target(estimator: Estimator, now_s: float) -> Target:
    """The posterior that a refit at ``now_s`` would approximate; the fit itself is not run."""
    found: dict[str, Any] = {}
    with _hooks(found, fit=False):
        try:
            estimator._refit(now_s)
        except _Enough:
            return _target(estimator, found)
    raise AssertionError("The refit used no reading: is the probe in the paste?")


def drawn(estimator: Estimator, now_s: float) -> tuple[Target, Approximation]:
    """Refit at ``now_s`` whether due or not: the posterior, and what the estimator made of it."""
    found: dict[str, Any] = {}
    estimator._posterior = None  # so that fresh draws are made
    estimator._fresh = True
    with _hooks(found, fit=True):
        estimator.estimate(now_s)
    mixture, draws = found["_draw"], found["_tabulate"]
    active = mixture["active"]
    return _target(estimator, found), Approximation(
        np.array(mixture["weights"]), mixture["z"][:, active], np.array(mixture["precision"]), draws["x"], draws["w"],
        draws["kind"], draws["paths"],
    )  # fmt: skip


def final_reacted(setting: m.Setting, x: Array, end_s: float) -> Array:
    """Fraction reacted at ``end_s`` of each column."""
    paths = m.run(setting, x, end_s, coarse=1.5)
    return np.asarray(m.at_times(paths.time_s, paths.reacted, np.array([end_s]))[0], float)


def heat_made_k(setting: m.Setting, x: Array, reacted: Array) -> Array:
    """Self-heating (K) of each column of ``x`` with so much reacted; balance.py has the formula."""
    rise = setting.rise_k * np.exp(x[m.HEAT])
    return np.asarray(reacted * rise / (1.0 + 0.5 * setting.capacity_growth * reacted), float)


def tau_s(setting: m.Setting, x: Array, reacted: Array) -> Array:
    """Cooling time constant (s) at 30 K above the air, with so much reacted."""
    conductance = setting.loss_per_s * np.exp(x[m.LOSS]) * (1.0 + setting.loss_slope_per_k * 30.0)
    return np.asarray((1.0 + setting.capacity_growth * reacted) / conductance, float)
