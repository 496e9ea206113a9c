"""What earlier batches teach: the pooling against a published example, and what must never move it."""

from __future__ import annotations

from dataclasses import replace
from math import exp, hypot, log, sqrt

import pytest

from monitor.heat import learning, priors
from monitor.heat.learning import Lesson, history_from, without_prior
from monitor.heat.pooling import between, not_odd, pooled, shrunk

# The thirteen trials of the BCG vaccine (Colditz et al., JAMA 271 (1994) 698-702; R's metafor carries them as dat.bcg):
# ill and not among the vaccinated, ill and not among the others.
BCG = (
    (4, 119, 11, 128), (6, 300, 29, 274), (3, 228, 11, 209), (62, 13536, 248, 12619), (33, 5036, 47, 5761),
    (180, 1361, 372, 1079), (8, 2537, 10, 619), (505, 87886, 499, 87892), (29, 7470, 45, 7232), (17, 1699, 65, 1600),
    (186, 50448, 141, 27197), (5, 2493, 3, 2338), (27, 16886, 29, 17825),
)  # fmt: skip


def test_dersimonian_laird_on_the_bcg_trials() -> None:
    """The published answer: tau2 0.309, log risk ratio -0.714 with a standard error of 0.179."""
    values = [log(a / (a + b) / (c / (c + d))) for a, b, c, d in BCG]
    variances = [1 / a - 1 / (a + b) + 1 / c - 1 / (c + d) for a, b, c, d in BCG]
    assert between(values, variances) == pytest.approx(0.309, abs=5e-4)
    found = pooled(values, variances)
    assert found.mean == pytest.approx(-0.714, abs=5e-4)
    assert found.sd == pytest.approx(0.179, abs=5e-4)


def test_eight_schools_are_alike() -> None:
    """Bayesian Data Analysis, section 5.5: no spread beyond the errors, a pooled effect of 7.7 with 4.1."""
    values, sds = (28, 8, -3, 7, -1, 1, 18, 12), (15, 10, 16, 11, 9, 11, 10, 18)
    found = pooled(values, [s * s for s in sds])
    assert found.tau2 == 0.0
    assert (found.mean, found.sd) == (pytest.approx(7.7, abs=0.05), pytest.approx(4.1, abs=0.05))


def test_shrinkage_goes_from_the_prior_to_the_batches() -> None:
    """Few and unsure batches stay near the prior; many reach their own mean; none is narrower than they are alike."""
    few = shrunk([0.1] * 3, [0.1**2] * 3, 0.0, 0.08, 0.03, 4.0)
    many = shrunk([0.1] * 60, [0.1**2] * 60, 0.0, 0.08, 0.03, 4.0)
    assert 0.0 < few.mean < many.mean < 0.1
    assert many.mean == pytest.approx(0.1, abs=0.005)
    apart = shrunk([-0.1, 0.1] * 30, [0.01**2] * 60, 0.0, 0.08, 0.03, 4.0)
    assert apart.next_sd > 0.09


def test_an_odd_one_is_seen() -> None:
    """Whatever one of five shows, the others are kept."""
    assert not_odd([0.0, 0.02, -0.01, 0.01, 5.0], [0.001] * 5, 0.03) == [True, True, True, True, False]


def lesson(number: int, heat_ln: float = 0.08, **more: object) -> Lesson:
    return replace(
        Lesson(
            f"Quillmarsh {number}", "shed-2", 1000.0 * number, 25.0, "bare", heat_ln=heat_ln, heat_sd=0.06, mol_sd=0.02,
            loss_ln=-0.35, loss_sd=0.1, pace_ln=log(3.0e-3), pace_sd=0.2, completeness=0.97, completeness_sd=0.02,
            heat_per_completeness=-1.0,
        ),
        **more,
    )  # fmt: skip


def learned(*lessons: Lesson, before_s: float = 1e9, litres: float = 25.0) -> priors.History:
    return history_from(lessons, before_s=before_s, bucket="shed-2", litres=litres, insulation="bare")


def test_nothing_is_learned_from_fewer_than_three() -> None:
    """Two cannot show which of them is odd."""
    assert learned(lesson(1), lesson(2)).batches == 0
    assert learned(lesson(1), lesson(2), lesson(3)).batches == 3


def test_one_odd_batch_moves_nothing() -> None:
    """With it and without it the next batch begins with the very same."""
    usual = [lesson(n, 0.07 + 0.005 * n) for n in range(1, 6)]
    assert learned(*usual, lesson(9, 0.9)).heat_ln == learned(*usual).heat_ln


def test_failed_batches_never_become_what_is_usual() -> None:
    """However many: they carry a reason, and nothing is read from them."""
    usual = [lesson(n) for n in range(1, 4)]
    failed = [lesson(n, -0.3, why_not="failed", loss_ln=1.0) for n in range(4, 40)]
    assert learned(*usual, *failed) == learned(*usual)


def test_only_what_ended_before_it_began() -> None:
    """A batch that ended later teaches nothing to one that had begun."""
    assert learned(*(lesson(n) for n in range(1, 6)), before_s=2500.0).batches == 0


def test_limits_hold() -> None:
    """The heat stays in its published range, loss and pace near theirs, and none gets surer than the floor."""
    wild = learned(*(lesson(n, 2.0, loss_ln=9.0, pace_ln=9.0) for n in range(1, 60)))
    assert wild.heat_ln <= learning.MOST_DRIFT_SD * hypot(priors.HEAT_SD_LN, priors.CAPACITY_SD_LN) + 1e-9
    assert priors.HEAT_KJ_MOL * exp(-wild.heat_ln) >= 48.0 and priors.HEAT_KJ_MOL * exp(wild.heat_ln) <= 70.0
    assert wild.loss_ln <= priors.LOSS_LN + learning.MOST_DRIFT_SD * priors.LOSS_SD_LN + 1e-9
    assert wild.pace_ln <= priors.GOOD_RATE[0] + learning.MOST_DRIFT_SD * priors.GOOD_RATE[1] + 1e-9
    alike = learned(*(lesson(n) for n in range(1, 60)))
    assert alike.heat_sd >= learning.LEAST_HEAT_SD
    assert alike.loss_sd >= learning.LEAST_LOSS_SD


def test_the_loss_is_this_buckets_alone() -> None:
    """In a bucket of another size the heat is known and the loss is not."""
    other = learned(*(lesson(n) for n in range(1, 6)), litres=15.0)
    assert (other.heat_batches, other.loss_batches, other.loss_ln) == (5, 0, priors.LOSS_LN)


def test_the_pace_is_its_makers() -> None:
    """Where somebody is named, of that maker's batches alone; too few of them say nothing of the pace."""
    all_of_them = [lesson(n, maker="Ash" if n % 2 else "Rowan") for n in range(1, 8)]

    def pace_of(maker: str) -> int:
        return history_from(
            all_of_them, before_s=1e9, bucket="shed-2", litres=25.0, insulation="bare", maker=maker
        ).pace_batches

    assert (pace_of("Ash"), pace_of("Rowan"), pace_of("Hazel"), pace_of("")) == (4, 3, 0, 7)


def test_old_batches_teach_no_more() -> None:
    """The newest so many count, however many there were before."""
    old = [lesson(n, -0.08) for n in range(1, 30)]
    new = [lesson(n) for n in range(30, 30 + learning.MOST)]
    assert learned(*old, *new) == learned(*new)


def test_the_prior_is_taken_out() -> None:
    """Normal prior and normal data: what comes out is the data."""
    prior, data = (0.0, 0.09), (0.12, 0.05)
    precision = 1 / prior[1] ** 2 + 1 / data[1] ** 2
    mean, sd = without_prior(data[0] / data[1] ** 2 / precision, sqrt(1 / precision), *prior)
    assert (mean, sd) == (pytest.approx(data[0]), pytest.approx(data[1]))
    assert without_prior(0.0, 0.0899, 0.0, 0.09)[1] is None
