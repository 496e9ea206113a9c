"""Several batches' values of one thing, put together: precision-weighted random effects.

Each batch gives a value ``y`` with its own error variance ``v``; batches differ in truth, too, by a variance ``tau2``.

* ``tau2`` by DerSimonian and Laird, "Meta-analysis in clinical trials", Controlled Clinical Trials 7 (1986) 177-188.
* A variance seen on few batches is drawn towards a guess that counts as so many degrees of freedom, as in Smyth, Stat.
  Appl. Genet. Mol. Biol. 3 (2004), article 3: (d0 s0^2 + d s^2) / (d0 + d).
* The mean is that of a normal prior and normal values: weights 1 / (v + tau2), the prior being one value more (Gelman
  et al., Bayesian Data Analysis, 3rd ed., section 5.4).

What the next batch may show is the mean's own variance and ``tau2`` together: however many batches there were, it is
never surer than they were alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from statistics import median

# The median of the absolute deviations of normal values, times this, is their standard deviation.
_MAD_TO_SD = 1.4826
# Further from the middle of the others than so many sd, a batch was something else (wrong potash, a wrong mass).
ODD_SD = 3.0


@dataclass(frozen=True, slots=True)
class Pooled:
    """The mean of what the batches have in common, its sd, and the variance between batches."""

    mean: float
    sd: float
    tau2: float

    @property
    def next_sd(self) -> float:
        """What the next batch may differ from ``mean`` by, one standard deviation."""
        return sqrt(self.sd**2 + self.tau2)


def between(values: Sequence[float], variances: Sequence[float]) -> float:
    """DerSimonian and Laird's variance between batches; 0 where they differ no more than their own errors say."""
    weights = [1.0 / v for v in variances]
    total = sum(weights)
    mean = sum(w * y for w, y in zip(weights, values, strict=True)) / total
    q = sum(w * (y - mean) ** 2 for w, y in zip(weights, values, strict=True))
    scale = total - sum(w * w for w in weights) / total
    return max(0.0, (q - (len(values) - 1)) / scale) if scale > 0.0 else 0.0


def pooled(values: Sequence[float], variances: Sequence[float], tau2: float | None = None) -> Pooled:
    """Random effects without a prior; ``tau2`` by DerSimonian and Laird where none is given."""
    tau2 = between(values, variances) if tau2 is None else tau2
    weights = [1.0 / (v + tau2) for v in variances]
    total = sum(weights)
    return Pooled(sum(w * y for w, y in zip(weights, values, strict=True)) / total, sqrt(1.0 / total), tau2)


def shrunk(  # noqa: PLR0917
    values: Sequence[float],
    variances: Sequence[float],
    prior_mean: float,
    prior_sd: float,
    usual_tau: float,
    usual_counts: float,
) -> Pooled:
    """Random effects drawn towards a prior of the mean, and towards a usual spread that counts as ``usual_counts``."""
    freedom = len(values) - 1
    tau2 = (usual_counts * usual_tau**2 + freedom * between(values, variances)) / (usual_counts + freedom)
    seen = pooled(values, variances, tau2)
    total = 1.0 / prior_sd**2 + 1.0 / seen.sd**2
    return Pooled((prior_mean / prior_sd**2 + seen.mean / seen.sd**2) / total, sqrt(1.0 / total), tau2)


def not_odd(values: Sequence[float], variances: Sequence[float], least_sd: float) -> list[bool]:
    """Which values lie with the others: within ``ODD_SD`` of the median, by the spread of all and by their own error.

    The median and the median deviation stand whatever one batch, or nearly half of them, may show.
    """
    middle = median(values)
    spread = max(_MAD_TO_SD * median(abs(y - middle) for y in values), least_sd)
    return [abs(y - middle) <= ODD_SD * sqrt(spread**2 + v) for y, v in zip(values, variances, strict=True)]
