"""The statistics of monitor/seasons/, against certified and published answers.

NIST StRD, analysis of variance (US government work; files as scipy ships them in stats/tests/data/nist_anova, certified
values inside each). In a balanced design the REML variances follow from the certified mean squares: rest = within,
bucket = (between - within) / replicates (Searle, Casella and McCulloch, Variance Components, 1992, section 3.8, from
memory).

Dyestuff: yield of dyestuff from six batches of an intermediate, Davies and Goldsmith 1972, table 6.3; the answers as
printed in the vignette of R's lme4 for lmer(Yield ~ 1 + (1 | Batch)): 42.00, 49.51, 1527.50, 19.38 (data and answers
from memory; the mean squares of the data agree with them).

ergoStool: effort to arise from four stools, nine people, Pinheiro and Bates, Mixed-Effects Models in S and S-PLUS,
2000, section 1.2; answers as printed there for lme(effort ~ Type, random = ~ 1 | Subject). Data and
answers from memory.

Pulp: brightness of paper by four operators, Faraway, Extending the Linear Model with R, section 10.1. Data seen in
print; the REML answers 0.261, 0.326, 60.4, 0.149 from memory.
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import t

from monitor.seasons.mixed import fit, plain, welch

_DATA = Path(__file__).parent / "data" / "nist_strd"
_DYESTUFF = {
    "A": (1545, 1440, 1440, 1520, 1580), "B": (1540, 1555, 1490, 1560, 1495), "C": (1595, 1550, 1605, 1510, 1560),
    "D": (1445, 1440, 1595, 1465, 1545), "E": (1595, 1630, 1515, 1635, 1625), "F": (1520, 1455, 1450, 1480, 1445),
}  # fmt: skip
# A row for each person, a column for each stool.
_STOOLS = (
    (12, 15, 12, 10), (10, 14, 13, 12), (7, 14, 13, 9), (7, 11, 10, 9), (8, 11, 8, 7), (9, 11, 11, 10), (8, 12, 12, 11),
    (7, 11, 8, 7), (9, 13, 10, 8),
)  # fmt: skip
_PULP = {
    "a": (59.8, 60.0, 60.8, 60.8, 59.8), "b": (59.8, 60.2, 60.4, 59.9, 60.0), "c": (60.7, 60.7, 60.5, 60.9, 60.3),
    "d": (61.0, 60.8, 60.6, 60.5, 60.5),
}  # fmt: skip


def nist(name: str) -> tuple[dict[str, list[float]], float, float, float]:
    """The values by treatment, and the certified mean squares between and within, and F."""
    lines = (_DATA / f"{name}.dat").read_text().splitlines()
    between, within = (
        [float(one) for one in line.split()[2:]] for line in lines if re.match(r"(Between|Within) \w+ +\d", line)
    )
    first = max(place for place, line in enumerate(lines) if line.startswith("Data:  ")) + 1
    groups: dict[str, list[float]] = {}
    for line in lines[first:]:
        if line.split():
            group, value = line.split()
            groups.setdefault(group, []).append(float(value))
    return groups, between[2], within[2], between[3]


def one_mean(groups: dict[str, list[float]] | dict[str, tuple[float, ...]]) -> tuple[list[float], list[str]]:
    """Values and their clusters."""
    return [one for values in groups.values() for one in values], [name for name in groups for _ in groups[name]]


@pytest.mark.parametrize("name", ["SiRstv", "SmLs01", "SmLs04"])
def test_variances_agree_with_nists_certified_mean_squares(name: str) -> None:
    """To five digits where a sum of squares rests on differences of the seventh digit."""
    groups, between, within, _ = nist(name)
    values, clusters = one_mean(groups)
    replicates = len(values) / len(groups)
    found = fit(values, np.ones((len(values), 1)), clusters)
    assert found.rest_variance == pytest.approx(within, rel=1e-5)
    assert found.bucket_variance == pytest.approx((between - within) / replicates, rel=2e-4)
    # With one mean of a balanced design F is what tells the degrees of freedom: those between the clusters.
    assert found.contrast([1.0]).degrees == pytest.approx(len(groups) - 1, rel=1e-3)


def test_the_difference_of_two_agrees_with_nists_certified_f() -> None:
    """Silver's atomic weight by two instruments: with as many readings of both Welch's t squared is F."""
    groups, _, _, certified = nist("AtmWtAg")
    one, other = groups.values()
    found = welch(one, other)
    error = (found.high - found.low) / 2.0 / float(t.ppf(0.975, found.degrees))
    assert (found.value / error) ** 2 == pytest.approx(certified, rel=1e-6)


def test_plain_least_squares_agrees_with_the_library() -> None:
    """NIST's resistances against the number of the instrument, by statsmodels' own intervals (a second witness)."""
    from statsmodels.regression.linear_model import OLS

    groups, *_ = nist("SiRstv")
    values, clusters = one_mean(groups)
    design = np.column_stack([np.ones(25), [float(one) for one in clusters]])
    found, witness = plain(values, design, [0.0, 1.0]), OLS(values, design).fit()
    assert found.value == pytest.approx(witness.params[1], rel=1e-9)
    assert (found.low, found.high) == pytest.approx(tuple(witness.conf_int(0.05)[1]), rel=1e-9)
    assert found.p == pytest.approx(witness.pvalues[1], rel=1e-9)


def test_dyestuff() -> None:
    """Standard deviations, mean, its error, and an interval with the five degrees of freedom of six batches."""
    values, clusters = one_mean(_DYESTUFF)
    found = fit(values, np.ones((30, 1)), clusters)
    mean = found.contrast([1.0])
    assert found.bucket_variance**0.5 == pytest.approx(42.00, abs=0.005)
    assert found.rest_variance**0.5 == pytest.approx(49.51, abs=0.005)
    assert mean.value == pytest.approx(1527.50, abs=0.005)
    assert found.covariance[0, 0] ** 0.5 == pytest.approx(19.38, abs=0.005)
    assert mean.high - mean.low == pytest.approx(2 * 2.5706 * 19.3834, rel=1e-4)  # t at 5 degrees of freedom, 97.5 %


def test_stools_differ_as_published() -> None:
    """Differences within people: value, error, degrees of freedom, t and p as printed."""
    values = [float(one) for row in _STOOLS for one in row]
    design = np.array([[1.0, *(float(column == stool) for stool in (1, 2, 3))] for _ in _STOOLS for column in range(4)])
    found = fit(values, design, [str(person) for person in range(9) for _ in range(4)])
    assert found.bucket_variance**0.5 == pytest.approx(1.332465, rel=1e-5)
    assert found.rest_variance**0.5 == pytest.approx(1.100295, rel=1e-5)
    for stool, value, t_printed in ((1, 3.888889, 7.498), (2, 2.222222, 4.284), (3, 0.666667, 1.285)):
        one = found.contrast([float(stool == column) for column in range(4)])
        assert one.value == pytest.approx(value, abs=1e-6)
        assert one.degrees == pytest.approx(24.0, rel=1e-4)
        assert one.value / found.covariance[stool, stool] ** 0.5 == pytest.approx(t_printed, abs=5e-4)
    assert found.contrast([0.0, 0.0, 0.0, 1.0]).p == pytest.approx(0.211, abs=5e-4)


def test_pulp() -> None:
    """Four operators."""
    values, clusters = one_mean(_PULP)
    found = fit(values, np.ones((20, 1)), clusters)
    assert found.bucket_variance**0.5 == pytest.approx(0.261, abs=5e-4)
    assert found.rest_variance**0.5 == pytest.approx(0.326, abs=5e-4)
    assert found.contrast([1.0]).value == pytest.approx(60.4, abs=1e-6)
    assert found.covariance[0, 0] ** 0.5 == pytest.approx(0.149, abs=5e-4)
