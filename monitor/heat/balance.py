"""The heat balance, bare: heat held, heat lost, self-heating.

Semi-adiabatic calorimetry as EN 196-9 does for cement: what a reaction has released is what the vessel still
holds plus what it has lost to the air since the start. Every function is one formula on numbers or arrays;
temperatures in degrees Celsius, times in seconds, heat in joules, power in watts. Nothing here is fitted and nothing
is checked: arrays are of one length, times rise (two readings of one time are a step), and a value that is not a
number spreads into all heat after it. What is lost is integrated by trapezoids: with a reading a minute the heat of a
batch comes back to 0.01 %, with one in ten minutes, rounded to a sixteenth of a degree, to 1 % (tests/outside). What
the formulas cannot mend is a biased input: 1 K in the air over 60 hours is half of a bare bucket's heat.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from monitor.units import GAS_CONSTANT_J_MOL_K, ZERO_CELSIUS_K

# Surface coefficient of an open-standing bucket in still air, W/(m2 K) and W/(m2 K2): 8.3 + 0.07 theta, +/- 25 %.
# Computed from free convection on a 0.3 m surface plus radiation at emissivity 0.9; the a + b theta form is EN 196-9's.
SURFACE_A_W_M2_K = 8.3
SURFACE_B_W_M2_K2 = 0.07


def loss_coefficient_w_k(
    area_m2: ArrayLike,
    excess_k: ArrayLike,
    a_w_m2_k: float = SURFACE_A_W_M2_K,
    b_w_m2_k2: float = SURFACE_B_W_M2_K2,
) -> NDArray[np.float64]:
    """UA(theta) = A (a + b |theta|), W/K. ``excess_k`` is batch minus air; EN 196-9 annex A fits this form.

    In the standard theta is never negative. A batch colder than the air draws heat in as easily as it would lose it:
    free convection and radiation grow with the difference, whichever way it lies.
    """
    return np.asarray(np.multiply(area_m2, a_w_m2_k + b_w_m2_k2 * np.abs(np.asarray(excess_k, float))), float)


def loss_power_w(
    area_m2: ArrayLike,
    excess_k: ArrayLike,
    a_w_m2_k: float = SURFACE_A_W_M2_K,
    b_w_m2_k2: float = SURFACE_B_W_M2_K2,
) -> NDArray[np.float64]:
    """Heat flowing to the air, UA(theta) theta, W."""
    return np.asarray(loss_coefficient_w_k(area_m2, excess_k, a_w_m2_k, b_w_m2_k2) * np.asarray(excess_k, float), float)


def heat_held_j(heat_capacity_j_k: ArrayLike, temperature_c: ArrayLike, start_c: float) -> NDArray[np.float64]:
    """Heat the batch holds above its start, C (T - T0), J."""
    return np.asarray(np.multiply(heat_capacity_j_k, np.asarray(temperature_c, float) - start_c), float)


def heat_lost_j(time_s: ArrayLike, loss_w: ArrayLike) -> NDArray[np.float64]:
    """Heat lost since the first time, J: the running integral of ``loss_w`` by trapezoids (EN 196-9's means)."""
    t = np.asarray(time_s, float)
    p = np.asarray(loss_w, float)
    lost = np.zeros_like(p)
    np.cumsum(0.5 * (p[1:] + p[:-1]) * np.diff(t), out=lost[1:])
    return lost


def heat_released_j(  # noqa: PLR0917
    time_s: ArrayLike,
    temperature_c: ArrayLike,
    air_c: ArrayLike,
    heat_capacity_j_k: float,
    area_m2: float,
    a_w_m2_k: float = SURFACE_A_W_M2_K,
    b_w_m2_k2: float = SURFACE_B_W_M2_K2,
) -> NDArray[np.float64]:
    """Heat released since the first reading: held plus lost, J. One value for each time."""
    temperature = np.asarray(temperature_c, float)
    excess = temperature - np.asarray(air_c, float)
    lost = heat_lost_j(time_s, loss_power_w(area_m2, excess, a_w_m2_k, b_w_m2_k2))
    return heat_held_j(heat_capacity_j_k, temperature, float(temperature[0])) + lost


def self_heating_k(heat_j: ArrayLike, heat_capacity_j_k: float) -> NDArray[np.float64]:
    """Rise the batch would have shown had it lost nothing, K."""
    return np.asarray(np.asarray(heat_j, float) / heat_capacity_j_k, float)


def completeness(heat_j: ArrayLike, limiting_mol: float, heat_j_mol: float) -> NDArray[np.float64]:
    """Heat released over the heat that ``limiting_mol`` can release, a fraction."""
    return np.asarray(np.asarray(heat_j, float) / (limiting_mol * heat_j_mol), float)


def en196_9_heat_j_g(  # noqa: PLR0917
    time_h: ArrayLike,
    excess_k: ArrayLike,
    cement_g: float,
    heat_capacity_j_k: float,
    a_j_h_k: float,
    b_j_h_k2: float,
) -> NDArray[np.float64]:
    """EN 196-9: Q = (c/mc) theta + (1/mc) sum(alpha_i theta_i dt_i), J per gram of cement.

    theta is sample minus reference, K, never negative; heat held counts from its first value. ``heat_capacity_j_k`` is
    that of sample and vessel; alpha = a + b theta in J/(h K) at the mean excess of each step, time in hours. The same
    balance as ``heat_released_j`` in the standard's units; each step differs by b (step of theta)^2 dt / 4, for one
    takes the square of the mean and the other the mean of the squares. (Clause from memory; the reference that lists it
    says so.)
    """
    t = np.asarray(time_h, float)
    theta = np.asarray(excess_k, float)
    mid = 0.5 * (theta[1:] + theta[:-1])
    lost = np.concatenate(([0.0], np.cumsum((a_j_h_k + b_j_h_k2 * mid) * mid * np.diff(t))))
    return np.asarray((heat_capacity_j_k * (theta - theta[0]) + lost) / cement_g, float)


def tian_power_w(time_s: ArrayLike, signal_v: ArrayLike, w_per_v: float, time_constant_s: float) -> NDArray[np.float64]:
    """Tian's equation, P = eps (U + tau dU/dt), W, from a calorimeter signal U.

    The same as C dT/dt + UA theta when eps U = UA theta and tau = C / UA, as long as the air stands still: in air that
    swings it lacks C dTair/dt. The slope is by central differences. (Equation from memory.)
    """
    u = np.asarray(signal_v, float)
    return np.asarray(w_per_v * (u + time_constant_s * np.gradient(u, np.asarray(time_s, float), edge_order=2)), float)


def equivalent_age_s(
    time_s: ArrayLike, temperature_c: ArrayLike, activation_j_mol: float, reference_c: float
) -> NDArray[np.float64]:
    """Age at ``reference_c`` that the curve amounts to, s: sum exp(-E/R (1/T - 1/Tr)) dt, by trapezoids.

    Freiesleben Hansen and Pedersen 1977. A step of the temperature is two values at one time.
    """
    t = np.asarray(time_s, float)
    kelvin = np.asarray(temperature_c, float) + ZERO_CELSIUS_K
    speed = np.exp(-activation_j_mol / GAS_CONSTANT_J_MOL_K * (1.0 / kelvin - 1.0 / (reference_c + ZERO_CELSIUS_K)))
    return heat_lost_j(t, speed)


def bucket_size_m(litres_brim: float, litres_filled: float) -> tuple[float, float]:
    """Radius and depth of the paste in a round bucket about as high as 1.15 diameters, m. Geometry: common practice."""
    diameter_m = (litres_brim * 1e-3 * 4.0 / (np.pi * 1.15)) ** (1.0 / 3.0)
    depth_m = min(litres_filled, litres_brim) * 1e-3 / (np.pi * diameter_m**2 / 4.0)
    return float(diameter_m / 2.0), float(depth_m)


def bucket_area_m2(litres_brim: float, litres_filled: float) -> float:
    """Surface by which the paste loses heat as a free wall would, m2.

    The wall counts whole; the top 0.45, for there is a head-space and a lid between; the base 0.5, for it stands on
    a board. The two shares are reasoning from surface resistances in series, not measured.
    """
    radius_m, depth_m = bucket_size_m(litres_brim, litres_filled)
    return float(2.0 * np.pi * radius_m * depth_m + (0.45 + 0.5) * np.pi * radius_m**2)


def core_time_s(radius_m: float, depth_m: float, diffusivity_m2_s: float) -> float:
    """Time tc that heat takes from the core to the skin, s: core minus mean is tc times the rate of cooling.

    A long cylinder that loses heat evenly holds its axis R2/(8 a) times the rate above its mean, a slab of half
    thickness l its middle l2/(6 a) (textbook conduction); the two ways out stand side by side, and the base of a
    bucket counts less, which makes 6 into 4.
    """
    return 1.0 / (diffusivity_m2_s * (8.0 / radius_m**2 + 4.0 / (depth_m / 2.0) ** 2))
