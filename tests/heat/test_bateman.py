"""The two-exponential fit against scipy's curve_fit, and on points as they come: uneven, with gaps, out of order."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import curve_fit

from monitor.heat.bateman import CannotFit, bateman, fit_bateman
from tests.heat.two_exponentials import model, random_case


def sum_of_squares(fit, t, y) -> float:
    return float(((fit.at(t) - y) ** 2).sum())


@pytest.mark.parametrize("seed", range(25))
def test_no_worse_than_curve_fit_whatever_the_sampling(seed):
    """From a start off by up to a factor of 3: at most 0.1 % above curve_fit's best from there or truth."""
    case = random_case(seed)
    best = np.inf
    for rates in (case.start, case.true):
        try:
            found, _ = curve_fit(model, case.t, case.y, p0=[50.0, *rates, 10.0])
        except RuntimeError:  # curve_fit gave up from there
            continue
        best = min(best, float(((model(case.t, *found) - case.y) ** 2).sum()))
    ours = fit_bateman(case.t, case.y, start=case.start)
    assert ours.rss <= 1.001 * best
    assert ours.rss == pytest.approx(sum_of_squares(ours, case.t, case.y), rel=1e-5)


@pytest.mark.parametrize("seed", range(100, 115))
def test_a_start_far_off_or_none_finds_the_same_curve(seed):
    """A start with both rates equal, or none at all, ends where the true rates as a start end."""
    case = random_case(seed)
    best = fit_bateman(case.t, case.y, start=case.true).rss
    assert fit_bateman(case.t, case.y, start=(1.0, 1.0)).rss <= 1.001 * best
    assert fit_bateman(case.t, case.y).rss <= 1.001 * best


def test_without_noise_the_rates_come_back():
    """26,000 points without noise give the rates to eight digits: neither the means nor single precision show."""
    t = np.arange(0.0, 72.0, 10 / 3600.0)
    fit = fit_bateman(t, bateman(t, 60.0, 3.0, 0.25, 15.0), start=(2.0, 0.1))
    assert (fit.rise_rate, fit.decay_rate) == pytest.approx((3.0, 0.25), rel=1e-8)
    assert (fit.amplitude, fit.level) == pytest.approx((60.0, 15.0), rel=1e-8)


def test_points_out_of_order_or_not_numbers_change_nothing():
    """Shuffled, and with NaN readings in between, the same curve comes out."""
    case = random_case(0)
    plain = fit_bateman(case.t, case.y, start=case.start)
    rng = np.random.default_rng(5)
    t = np.concatenate([case.t, [3.0, np.nan, 7.0]])
    y = np.concatenate([case.y, [np.nan, 40.0, np.inf]])
    order = rng.permutation(t.size)
    shuffled = fit_bateman(t[order], y[order], start=case.start)
    assert (shuffled.rise_rate, shuffled.decay_rate) == pytest.approx((plain.rise_rate, plain.decay_rate), rel=1e-9)
    assert shuffled.rss == pytest.approx(plain.rss, rel=1e-9)


def test_a_level_that_is_known_stays():
    """With the level held, only amplitude and rates are fitted."""
    case = random_case(5)
    fit = fit_bateman(case.t, case.y, start=case.start, level=12.0)
    assert fit.level == 12.0
    free = fit_bateman(case.t, case.y, start=case.start)
    held = fit_bateman(case.t, case.y, start=case.start, level=free.level)
    assert held.rss == pytest.approx(free.rss, rel=1e-6)
    assert fit.rss >= free.rss


def test_equal_rates_are_taken_to_their_limit():
    """k1 = k2 is A k t exp(-k t): the formula reaches it, and the fit comes within a thousandth of the noise."""
    t = np.linspace(0.0, 24.0, 3000)
    assert bateman(t, 40.0, 0.5, 0.5, 10.0) == pytest.approx(40.0 * 0.5 * t * np.exp(-0.5 * t) + 10.0)
    y = bateman(t, 40.0, 0.5, 0.5, 10.0) + np.random.default_rng(2).normal(0.0, 0.2, t.size)
    fit = fit_bateman(t, y, start=(2.0, 0.1))
    assert fit.rss <= 1.001 * float(((bateman(t, 40.0, 0.5, 0.5, 10.0) - y) ** 2).sum())


@pytest.mark.parametrize("points", [4, 0])
def test_too_few_points_are_refused(points):
    """Fewer than five points cannot carry four unknowns, and the sentence says so."""
    with pytest.raises(CannotFit, match="at least five points"):
        fit_bateman(np.arange(points, dtype=float), np.arange(points, dtype=float))


def test_points_at_one_time_are_refused():
    """Ten readings of one moment tell nothing of a rate."""
    with pytest.raises(CannotFit):
        fit_bateman(np.ones(10), np.arange(10.0))


@settings(max_examples=30, deadline=None)
@given(
    rise=st.floats(1.0, 10.0),
    decay=st.floats(0.1, 0.5),
    amplitude=st.floats(15.0, 80.0),
    level=st.floats(-10.0, 40.0),
    off=st.tuples(st.floats(0.3, 3.0), st.floats(0.3, 3.0)),
)
def test_the_true_curve_is_never_better_than_the_fit(rise, decay, amplitude, level, off):
    """Least squares: on the noisy points, the curve they were made from cannot fit better than the fit by 0.1 %."""
    t = np.arange(0.0, 48.0, 1 / 60.0)
    clean = bateman(t, amplitude, rise, decay, level)
    y = clean + np.random.default_rng(11).normal(0.0, 0.25, t.size)
    fit = fit_bateman(t, y, start=(rise * off[0], decay * off[1]))
    assert fit.rss <= 1.001 * float(((clean - y) ** 2).sum())
