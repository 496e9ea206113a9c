"""The bare heat balance, against worked numbers, exact solutions, and whatever hypothesis makes up."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.integrate import solve_ivp

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


# Bursts of heat (kJ, hour of the middle, hours of spread) and waves of the air (K, hours, phase).
BURSTS = st.lists(
    st.tuples(st.floats(-200.0, 800.0), st.floats(0.0, 12.0), st.floats(0.2, 4.0)), min_size=1, max_size=4
)
WAVES = st.lists(st.tuples(st.floats(0.0, 8.0), st.floats(2.0, 48.0), st.floats(0.0, 6.3)), max_size=3)


@settings(max_examples=20, deadline=None)
@given(
    bursts=BURSTS,
    waves=WAVES,
    start_c=st.floats(-5.0, 70.0),
    capacity=st.floats(3e3, 1.5e5),
    tau_h=st.floats(0.5, 60.0),
)
def test_any_smooth_heat_in_any_air_comes_back(bursts, waves, start_c, capacity, tau_h):
    """Heat let loose in bursts, some of them cold, in air that swings: scipy's temperature gives it back to 0.1 %."""

    def released_j(t):
        """Sum of smooth steps, each tanh-shaped, in closed form."""
        return sum(500.0 * kj * (1.0 + np.tanh((t / 3600.0 - middle) / width)) for kj, middle, width in bursts)

    def power_w(t):
        return sum(kj / 7.2 / width / math.cosh((t / 3600.0 - middle) / width) ** 2 for kj, middle, width in bursts)

    def air_c(t, sin=np.sin):
        return 10.0 + sum(k * sin(2 * np.pi * t / (hours * 3600.0) + phase) for k, hours, phase in waves)

    def slope(t, state):
        excess = float(state[0]) - air_c(float(t), math.sin)
        return [(power_w(float(t)) - area_m2 * (8.3 + 0.07 * abs(excess)) * excess) / capacity]

    area_m2 = capacity / (8.3 * tau_h * 3600.0)

    t = np.arange(0.0, 18 * 3600.0, 60.0)
    solved = solve_ivp(slope, (0.0, t[-1]), [start_c], t_eval=t, method="LSODA", rtol=1e-8, atol=1e-8, max_step=600.0)
    temperature, air = solved.y[0], air_c(t) * np.ones_like(t)
    heat = balance.heat_released_j(t, temperature, air, capacity, area_m2)
    moved = (
        sum(abs(kj) for kj, _, _ in bursts) * 1e3
        + 60.0 * np.abs(balance.loss_power_w(area_m2, temperature - air)).sum()
    )
    assert np.max(np.abs(heat - (released_j(t) - released_j(0.0)))) < 1e-3 * moved + 1.0


CURVE = arrays(float, 10, elements=st.floats(-20.0, 90.0))
STEPS = arrays(float, 9, elements=st.floats(1.0, 900.0))


@settings(max_examples=50, deadline=None)
@given(theta=CURVE, steps=STEPS, capacity=st.floats(1e3, 2e5), ua=st.floats(0.05, 20.0), w_per_v=st.floats(0.1, 1e3))
def test_tian_is_the_balance_to_rounding_on_any_readings(theta, steps, capacity, ua, w_per_v):
    """Any curve, any uneven times: eps (U + tau dU/dt) is C dtheta/dt + UA theta to the last digits."""
    t = np.concatenate([[0.0], np.cumsum(steps)])
    tian = balance.tian_power_w(t, ua * theta / w_per_v, w_per_v, capacity / ua)
    stored = capacity * np.gradient(theta, t, edge_order=2)
    largest = (capacity * 4.0 / steps.min() + ua) * np.abs(theta).max()  # the largest term that goes into the sum
    assert np.abs(tian - (stored + ua * theta)).max() <= 1e-13 * largest


@settings(max_examples=50, deadline=None)
@given(theta=CURVE, steps=STEPS, capacity=st.floats(1e3, 2e5), a=st.floats(5.0, 200.0), b=st.floats(0.0, 1.0))
def test_en_196_9_differs_from_the_balance_by_what_is_said(theta, steps, capacity, a, b):
    """On any readings the two sums differ by b (step of theta)^2 dt / 4 for each step, and by nothing else."""
    t_h = np.concatenate([[0.0], np.cumsum(steps)]) / 3600.0
    theta = np.abs(theta)  # the standard's sample is never colder than its reference
    standard = balance.en196_9_heat_j_g(t_h, theta, 1.0, capacity, a, b)
    air = np.full_like(theta, 20.0)
    ours = balance.heat_released_j(t_h * 3600.0, theta + 20.0, air, capacity, 1.0, a / 3600.0, b / 3600.0)
    between = np.concatenate([[0.0], np.cumsum(0.25 * b * np.diff(theta) ** 2 * np.diff(t_h))])
    assert ours - standard == pytest.approx(between, abs=1e-9 * (capacity * 100.0 + np.abs(ours).max()))


def test_in_swinging_air_tian_lacks_the_warmth_of_the_air():
    """Tian's theta counts from the air: where the air warms, its power is short by C dTair/dt; the balance is not."""
    t = np.linspace(0.0, 86_400.0, 8641)
    air = 15.0 + 5.0 * np.sin(2 * np.pi * t / 86_400.0)
    capacity, ua = 9000.0, 0.8
    temperature = air + 20.0  # held above the air by just what is lost and what it takes to keep up
    needed = capacity * 5.0 * 2 * np.pi / 86_400.0 * np.cos(2 * np.pi * t / 86_400.0) + ua * 20.0
    tian = balance.tian_power_w(t, ua * (temperature - air), 1.0, capacity / ua)
    assert tian == pytest.approx(np.full_like(t, ua * 20.0))
    heat = balance.heat_released_j(t, temperature, air, capacity, 1.0, ua, 0.0)
    exact = capacity * 5.0 * np.sin(2 * np.pi * t / 86_400.0) + ua * 20.0 * t
    assert heat == pytest.approx(exact, abs=1.0)
    assert np.max(np.abs(tian - needed)) == pytest.approx(capacity * 5.0 * 2 * np.pi / 86_400.0)


def test_equivalent_age_counts_a_step_of_two_values_at_one_time():
    """A day at 20 and a day at 40 degC: the step in between adds nothing of its own."""
    t = np.array([0.0, 86_400.0, 86_400.0, 172_800.0])
    age = balance.equivalent_age_s(t, np.array([20.0, 20.0, 40.0, 40.0]), 48e3, 20.0)
    speed = np.exp(48e3 / 8.314462618 * (1 / 293.15 - 1 / 313.15))
    assert age / 86_400.0 == pytest.approx([0.0, 1.0, 1.0, 1.0 + speed])


def test_a_wide_shallow_batch_loses_heat_from_core_to_skin_quickest():
    """The time from core to skin grows with the batch, and a thin layer is quick."""
    small = balance.core_time_s(*balance.bucket_size_m(10.0, 5.0), 1.34e-7)
    large = balance.core_time_s(*balance.bucket_size_m(60.0, 50.0), 1.34e-7)
    thin = balance.core_time_s(*balance.bucket_size_m(60.0, 5.0), 1.34e-7)
    assert thin < small < large
    assert 1200.0 < small < 4 * 3600.0
