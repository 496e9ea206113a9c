"""The bare heat balance, against worked numbers and exact solutions."""

import numpy as np
import pytest

from monitor.heat import balance


def test_worked_example_of_the_reference_notes():
    """C 11.5 kJ/K, 50 to 80 degC in 20 min at 20 degC air: 345 kJ held, 120 kJ lost, 82 % of 565 kJ released.

    Worked example of the project's reference notes (computed there, not from a standard).
    """
    mean_excess = 45.0
    loss_w = balance.loss_power_w(0.195, mean_excess)
    assert balance.loss_coefficient_w_k(0.195, mean_excess) / 0.195 == pytest.approx(11.45, abs=0.06)
    lost_kj = float(loss_w) * 1200.0 / 1000.0
    held_kj = float(balance.heat_held_j(11500.0, 80.0, 50.0)) / 1000.0
    assert held_kj == 345.0
    assert lost_kj == pytest.approx(120.0, abs=1.5)
    released = balance.completeness((held_kj + lost_kj) * 1000.0, 10.27, 55e3)
    assert float(released) == pytest.approx(0.82, abs=0.005)


def test_a_cooling_batch_releases_nothing():
    """Newton cooling is an exact solution with no heat released: held plus lost stay at zero."""
    capacity, area, a = 11500.0, 0.2, 10.0
    t = np.linspace(0.0, 6 * 3600.0, 2000)
    temperature = 15.0 + 60.0 * np.exp(-area * a / capacity * t)
    heat = balance.heat_released_j(t, temperature, np.full_like(t, 15.0), capacity, area, a, 0.0)
    assert np.max(np.abs(heat)) < 2e-6 * capacity * 60.0


def test_constant_heating_comes_back_as_power_times_time():
    """With power P into C and loss k theta, theta = P/k (1 - exp(-k t / C)) exactly; the balance gives back P t."""
    capacity, area, a, power = 11500.0, 0.2, 10.0, 150.0
    k = area * a
    t = np.linspace(0.0, 4 * 3600.0, 3000)
    temperature = 15.0 + power / k * (1.0 - np.exp(-k * t / capacity))
    heat = balance.heat_released_j(t, temperature, np.full_like(t, 15.0), capacity, area, a, 0.0)
    assert heat[-1] == pytest.approx(power * t[-1], rel=1e-6)
    assert balance.self_heating_k(heat, capacity)[-1] == pytest.approx(power * t[-1] / capacity, rel=1e-6)


def test_en_196_9_form_is_the_same_balance():
    """EN 196-9's sum (hours, J/(h K), per gram) and the balance in SI agree on one and the same curve."""
    t_h = np.linspace(0.0, 41.0, 4000)
    theta = 30.0 * (np.exp(-t_h / 30.0) - np.exp(-t_h / 6.0))
    c, cement_g, a_h, b_h = 1900.0, 360.0, 90.0, 0.12
    per_gram = balance.en196_9_heat_j_g(t_h, theta, cement_g, c, a_h, b_h)
    air = np.full_like(theta, 20.0)
    si = balance.heat_released_j(t_h * 3600.0, theta + 20.0, air, c, 1.0, a_h / 3600.0, b_h / 3600.0)
    assert np.allclose(per_gram * cement_g, si, atol=0.5)


def test_tian_equation_is_the_heat_balance_in_other_words():
    """With eps U = UA theta and tau = C / UA, Tian's power equals C dT/dt + UA theta."""
    t = np.linspace(0.0, 7200.0, 4000)
    theta = 20.0 * np.sin(t / 1500.0) ** 2 + 3.0
    capacity, ua, w_per_v = 9000.0, 2.5, 40.0
    tian = balance.tian_power_w(t, ua * theta / w_per_v, w_per_v, capacity / ua)
    exact = capacity * 20.0 * np.sin(2 * t / 1500.0) / 1500.0 + ua * theta
    assert np.max(np.abs(tian - exact)) < 1e-3 * np.max(np.abs(exact))


def test_a_wide_shallow_batch_loses_heat_from_core_to_skin_quickest():
    """The time from core to skin grows with the batch, and a thin layer is quick."""
    small = balance.core_time_s(*balance.bucket_size_m(10.0, 5.0), 1.34e-7)
    large = balance.core_time_s(*balance.bucket_size_m(60.0, 50.0), 1.34e-7)
    thin = balance.core_time_s(*balance.bucket_size_m(60.0, 5.0), 1.34e-7)
    assert thin < small < large
    assert 1200.0 < small < 4 * 3600.0
