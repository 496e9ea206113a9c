"""Differences between groups of batches that share buckets: a mixed model, with intervals that suit small samples.

    y = mean of its group + effect of its bucket + rest,        bucket ~ N(0, sb²), rest ~ N(0, sr²)

statsmodels' MixedLM finds sb and sr (REML). Its own intervals take the normal distribution, which is too narrow for ten
batches: here Student's t with Satterthwaite's degrees of freedom stands in its place (Biometrics Bulletin 2, 1946,
110), from the expected information of the two variances, as is usual for such models. Where buckets cannot be told
from the rest (one batch each, or one bucket) it is Welch's comparison of two means, which asks for no equal spread.

statsmodels is imported only when something is worked out; LibraryMissing, one sentence, where it is not installed.
"""

from __future__ import annotations

import importlib
import math
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean
from typing import TYPE_CHECKING, Any

from monitor.words import tr

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

# Below three batches nothing is known of how much batches of one group differ by themselves. Common practice: two
# determine a spread on paper only, its 95 % factor on the mean being 12.7.
FEWEST = 3
# From here on the interval hardly changes with one batch more (t at 18 degrees of freedom: 2.10 against 1.96).
NOT_FEW = 10
# A spread so small beside the values is that of their last digits.
NO_SPREAD = 1e-7


class LibraryMissing(ValueError):
    """The statistics library is not installed; the sentence says how to get it."""


@dataclass(frozen=True, slots=True)
class Estimated:
    """A difference (or mean) with what its interval rests on. ``method`` is "mixed", "plain", "welch" or, where no
    interval can be given and it is infinite, "means"."""

    value: float
    low: float
    high: float
    p: float
    degrees: float
    method: str
    bucket_sd: float = 0.0
    rest_sd: float = 0.0


def _library(part: str) -> Any:
    """One module of statsmodels: its whole takes seconds to be read. Raises LibraryMissing."""
    try:
        return importlib.import_module(f"statsmodels.{part}")
    except ImportError:
        raise LibraryMissing(how_to_get()) from None


def how_to_get() -> str:
    """What to run where the library is missing."""
    return tr(
        "The differences between groups need the extra part for statistics, which is not installed: "
        "run ./emberpail add seasons (about 450 MB), or pip install 'emberpail[seasons]' where pip installed it."
    )


@dataclass(frozen=True, slots=True)
class Fitted:
    """Coefficients of a mixed model with all that their intervals need."""

    beta: Array
    covariance: Array
    bucket_variance: float
    rest_variance: float
    design: Array
    member: Array
    information: Array

    def contrast(self, weights: Sequence[float], *, level: float = 0.95) -> Estimated:
        """``weights`` · beta with its interval of ``level``."""
        import numpy as np

        c = np.asarray(weights, float)
        value, variance = float(c @ self.beta), float(c @ self.covariance @ c)
        degrees = self._satterthwaite(c, variance)
        return _estimated(value, math.sqrt(variance), degrees, level, "mixed",
                          math.sqrt(self.bucket_variance), math.sqrt(self.rest_variance))  # fmt: skip

    def _satterthwaite(self, c: Array, variance: float) -> float:
        """2 v² / Var(v): v the variance of the contrast, Var(v) by the delta method from both variances' covariance."""
        import numpy as np

        inverse, slopes = _inverse(self.bucket_variance, self.rest_variance, self.member), []
        for part in (self.member @ self.member.T, np.eye(len(self.member))):
            # d/ds (X' V^-1 X)^-1 = (..)^-1 X' V^-1 (dV/ds) V^-1 X (..)^-1
            inner = self.design.T @ inverse @ part @ inverse @ self.design
            slopes.append(float(c @ self.covariance @ inner @ self.covariance @ c))
        g = np.array(slopes)
        spread = float(g @ np.linalg.pinv(self.information) @ g)
        most = float(len(self.design) - self.design.shape[1])
        return most if spread <= 0.0 else min(most, max(1.0, 2.0 * variance**2 / spread))


def fit(values: Sequence[float], design: Array, clusters: Sequence[str]) -> Fitted:
    """The mixed model by REML. Raises LibraryMissing, and ValueError where the columns do not tell anything apart."""
    import numpy as np

    y, names = np.asarray(values, float), sorted(set(clusters))
    member = np.array([[float(one == name) for name in names] for one in clusters])
    scale = float(np.std(y)) or 1.0
    # Before the warnings are turned off, for on its first import it turns its own on.
    model = _library("regression.mixed_linear_model").MixedLM
    with warnings.catch_warnings():
        # It warns of a variance on the border of what is possible: no bucket effect, which is an answer.
        warnings.simplefilter("ignore")
        # Without derivatives: a step of the quasi-Newton methods may jump to where the matrix is singular.
        found = model((y - float(np.mean(y))) / scale, design, groups=list(clusters)).fit(reml=True, method="powell")
    rest = max(float(found.scale), 1e-18) * scale**2
    bucket = max(float(np.asarray(found.cov_re)[0, 0]), 0.0) * scale**2
    inverse = _inverse(bucket, rest, member)
    covariance = np.asarray(np.linalg.inv(design.T @ inverse @ design), float)
    beta = covariance @ design.T @ inverse @ y
    project = inverse - inverse @ design @ covariance @ design.T @ inverse
    parts = (member @ member.T, np.eye(len(y)))
    information = np.array([[0.5 * np.trace(project @ a @ project @ b) for b in parts] for a in parts])
    return Fitted(beta, covariance, bucket, rest, design, member, information)


def _inverse(bucket: float, rest: float, member: Array) -> Array:
    import numpy as np

    return np.asarray(np.linalg.inv(bucket * member @ member.T + rest * np.eye(len(member))), float)


def tells_buckets(placed: Sequence[tuple[str, str]]) -> bool:
    """Whether the spread between buckets can be told from the rest, and from the groups, over the (group, bucket) of
    each batch."""
    groups_of = {bucket: {group for group, stood in placed if stood == bucket} for _, bucket in placed}
    if not 1 < len(groups_of) < len(placed):
        return False
    # Where every bucket holds one group alone, each group needs two buckets before their spread shows.
    if all(len(groups) == 1 for groups in groups_of.values()):
        held = [next(iter(groups)) for groups in groups_of.values()]
        return all(held.count(group) >= 2 for group in held)
    return True


def leaves_rest(values: Sequence[float], design: Array, clusters: Sequence[str]) -> bool:
    """Whether batches differ by more than the columns and their bucket: without a rest there is no model of it."""
    import numpy as np

    y = np.asarray(values, float)
    columns = np.column_stack([design, *([float(one == name) for one in clusters] for name in sorted(set(clusters)))])
    found, *_ = np.linalg.lstsq(columns, y, rcond=None)
    return float(np.max(np.abs(y - columns @ found))) > NO_SPREAD * float(np.max(np.abs(y)))


def plain(values: Sequence[float], design: Array, weights: Sequence[float], *, level: float = 0.95) -> Estimated:
    """A contrast of ordinary least squares: where there are no buckets to tell apart. Raises LibraryMissing."""
    import numpy as np

    _library("regression.linear_model")  # asked for alike, so that an answer never hangs on which buckets there are
    y, c = np.asarray(values, float), np.asarray(weights, float)
    beta, *_ = np.linalg.lstsq(design, y, rcond=None)
    degrees = float(len(y) - design.shape[1])
    rest = float(np.sum((y - design @ beta) ** 2)) / degrees
    error = math.sqrt(max(0.0, float(c @ np.linalg.inv(design.T @ design) @ c) * rest))
    return _estimated(float(c @ beta), error, degrees, level, "plain", 0.0, math.sqrt(rest))


def welch(values: Sequence[float], base: Sequence[float], *, level: float = 0.95) -> Estimated:
    """Mean of ``values`` less mean of ``base``, each with a spread of its own. Raises LibraryMissing."""
    weighed = _library("stats.weightstats")
    one, other = weighed.DescrStatsW(list(values)), weighed.DescrStatsW(list(base))
    both = weighed.CompareMeans(one, other)
    low, high = both.tconfint_diff(alpha=1.0 - level, usevar="unequal")
    _, p, degrees = both.ttest_ind(usevar="unequal")
    return Estimated(float(one.mean - other.mean), float(low), float(high), float(p), float(degrees), "welch")


def means(values: Sequence[float], base: Sequence[float]) -> Estimated:
    """Mean of ``values`` less mean of ``base``, of which nothing tells how sure it is."""
    return Estimated(fmean(values) - fmean(base), -math.inf, math.inf, 1.0, 0.0, "means")


def _estimated(value: float, error: float, degrees: float, level: float, method: str, *sds: float) -> Estimated:
    from scipy.stats import t  # comes with statsmodels

    half = float(t.ppf(0.5 + level / 2.0, degrees)) * error
    p = 2.0 * float(t.sf(abs(value) / error, degrees)) if error > 0.0 else float(value == 0.0)
    return Estimated(value, value - half, value + half, p, degrees, method, *sds)
