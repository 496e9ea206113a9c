"""The heat balance against calorimetry as published and as measured.

* Heat flows: six measured runs, see data/heat_flow/README.md. They are driven through the loss model by scipy's
  solve_ivp (not by our own integrator), with air that swings, and the temperatures are given to balance.py.
* EN 196-9: the form of its formula is from memory. Its worked example, and those of EN 12390-14, NT BUILD 388 and
  ASTM C1753, could not be had in print. What was had is a measured semi-adiabatic curve with the loss coefficients
  of its calorimeter as calibrated to NF EN 196-9: Lavergne, Ben Fraj, Bayane, Barthelemy, Cement and Concrete
  Research 104 (2018) 37-60, Eq. (23), Table 11 and Fig. 15(a), as transcribed in the public library ChemistryLab.jl.
* Tian's equation: the form is from memory; no worked example with printed numbers was found.
* Equivalent age: Freiesleben Hansen and Pedersen 1977, in the form and with the constants of fib Model Code 2010
  Eq. 5.1-85 (the same as EN 1992-1-1 Eq. B.10).
"""

from functools import cache
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.interpolate import PchipInterpolator

from monitor.heat import balance
from monitor.heat.bateman import fit_bateman

HEAT_FLOW = Path(__file__).parent / "data" / "heat_flow"
RUNS = ("slow", "usual", "late", "burst", "aluminate", "quick_aluminate")
CAPACITY_J_K = 12_000.0  # some 5 kg of paste
RISE_K = 50.0  # what the heat of a run would heat it by if none were lost


@cache
def run(name: str) -> np.ndarray:
    """Seconds, W/g, J/g of one measured run."""
    lines = (HEAT_FLOW / f"{name}.csv").read_text().splitlines()
    return np.array([[float(v) for v in line.split(",")] for line in lines if line[0].isdigit()])


@cache
def heat_w(name: str):
    """The run's heat as a smooth function of time, J, scaled to RISE_K in CAPACITY_J_K; its first and last time."""
    t, _, heat = run(name).T
    scale = RISE_K * CAPACITY_J_K / (heat[-1] - heat[0])
    return PchipInterpolator(t, (heat - heat[0]) * scale), float(t[0]), float(t[-1])


# Area in m2, b of a + b theta in W/(m2 K2), swing of the air in K: a calorimeter, a box, a bare bucket; then others.
VESSELS = (
    *[(0.003, 0.07, 0.0), (0.02, 0.07, 6.0), (0.2, 0.07, 6.0), (0.2, 0.07, 0.0)],
    *[(0.02, 0.0, 0.0), (0.05, 0.0, 0.0), (0.1, 0.0, 0.0), (0.2, 0.0, 0.0)],
)


@cache
def all_vessels(name: str):
    """Times, and for each vessel the temperatures as scipy integrates them, and the air."""
    heat, first, last = heat_w(name)
    power = heat.derivative()
    area, b, swing = np.array(VESSELS).T

    def air_c(t):
        return 12.0 + swing * (np.sin(2 * np.pi * t / 86_400.0) + 0.3 * np.sin(2 * np.pi * t / 9_000.0))

    def slope(t, temperature):
        excess = temperature - air_c(t)
        return (float(power(t)) - area * (8.3 + b * np.abs(excess)) * excess) / CAPACITY_J_K

    t = np.arange(first, min(last, first + 60 * 3600.0), 60.0)
    start = np.full(len(VESSELS), 20.0)
    out = solve_ivp(slope, (t[0], t[-1]), start, t_eval=t, method="LSODA", rtol=1e-8, atol=1e-8, max_step=300.0)
    return t, out.y, air_c(t[:, None]).T


def bucket(name: str, area_m2: float, b_w_m2_k2: float, swing_k: float):
    """Times, temperatures, air of one vessel."""
    t, temperatures, air = all_vessels(name)
    which = VESSELS.index((area_m2, b_w_m2_k2, swing_k))
    return t, temperatures[which], air[which]


@pytest.mark.parametrize(
    ("name", "peak_mw_g", "at_h", "heat_j_g"),
    [("slow", 2.45, 15.5, 312), ("usual", 2.44, 11.0, 281), ("late", 7.11, 13.1, 383), ("burst", 2.25, 15.9, 270)],
)
def test_the_thinned_runs_are_what_their_source_says(name, peak_mw_g, at_h, heat_j_g):
    """Flow at the main peak, nowhere more after it, and heat of the whole file, as computed from the unthinned rows."""
    heat, first, last = heat_w(name)
    scale = (run(name)[-1, 2] - run(name)[0, 2]) / (RISE_K * CAPACITY_J_K)
    t = np.arange(first + 5 * 3600, last, 60.0)
    flow = heat.derivative()(t) * scale * 1e3
    assert flow.max() == pytest.approx(peak_mw_g, abs=0.06)
    assert np.interp(at_h * 3600.0, t, flow) == pytest.approx(peak_mw_g, rel=0.03)
    assert run(name)[-1, 2] == pytest.approx(heat_j_g, abs=0.6)


@pytest.mark.parametrize("name", RUNS)
@pytest.mark.parametrize(("area_m2", "swing_k"), [(0.003, 0.0), (0.02, 6.0), (0.2, 6.0)])
def test_measured_heat_comes_back_from_the_temperature(name, area_m2, swing_k):
    """A calorimeter, a box, a bare bucket; still or swinging air: the balance gives the heat back to 0.01 %, always."""
    t, temperature_c, air_c = bucket(name, area_m2, 0.07, swing_k)
    heat = heat_w(name)[0]
    recovered = balance.heat_released_j(t, temperature_c, air_c, CAPACITY_J_K, area_m2)
    assert np.max(np.abs(recovered - heat(t))) < 1e-4 * RISE_K * CAPACITY_J_K
    self_heating = balance.self_heating_k(recovered, CAPACITY_J_K)[-1]
    rows = run(name)
    share = (np.interp(t[-1], rows[:, 0], rows[:, 2]) - rows[0, 2]) / (rows[-1, 2] - rows[0, 2])
    assert self_heating == pytest.approx(RISE_K * share, abs=0.03)


@pytest.mark.parametrize("name", RUNS)
def test_ten_minute_readings_in_steps_of_a_sixteenth_of_a_degree_will_do(name):
    """Read every 10 minutes by probes that round to 0.0625 K, in swinging air: the heat comes back to 1 %."""
    t, temperature_c, air_c = (column[::10] for column in bucket(name, 0.02, 0.07, 6.0))
    heat = heat_w(name)[0]
    probe, ambient = (np.round(column / 0.0625) * 0.0625 for column in (temperature_c, air_c))
    recovered = balance.heat_released_j(t, probe, ambient, CAPACITY_J_K, 0.02)
    assert np.max(np.abs(recovered - heat(t) + heat(t[0]))) < 0.01 * RISE_K * CAPACITY_J_K


def test_an_ambient_offset_of_one_kelvin_ruins_a_naive_balance():
    """Why the estimator does not integrate to the end: over 60 hours 1 K in a bare bucket makes up half of all heat."""
    t, temperature_c, air_c = bucket("slow", 0.2, 0.07, 0.0)
    biased = balance.heat_released_j(t, temperature_c, air_c - 1.0, CAPACITY_J_K, 0.2)[-1]
    assert biased - float(heat_w("slow")[0](t[-1])) > 0.5 * RISE_K * CAPACITY_J_K


@pytest.mark.parametrize("name", RUNS)
def test_en_196_9_form_gives_the_file_its_own_joules_per_gram(name):
    """Grams, hours and J/(h K) in, J/g out: as the file's own column of cumulative heat, within 0.4 %."""
    t, temperature_c, air_c = bucket(name, 0.003, 0.07, 0.0)
    first, total = run(name)[0, 2], run(name)[-1, 2] - run(name)[0, 2]
    grams = RISE_K * CAPACITY_J_K / total
    per_gram = balance.en196_9_heat_j_g(
        t / 3600.0, temperature_c - air_c, grams, CAPACITY_J_K, 0.003 * 8.3 * 3600.0, 0.003 * 0.07 * 3600.0
    )
    rows = run(name)[run(name)[:, 0] <= t[-1]]
    assert np.interp(rows[:, 0], t, per_gram) == pytest.approx(rows[:, 2] - first, abs=4e-3 * total)


@pytest.mark.parametrize("name", ["slow", "usual", "late"])
def test_tian_gives_a_measured_flow_back_from_a_sluggish_calorimeter(name):
    """Smeared by a time constant of 10 minutes, as scipy does it, the measured flow comes back after the first hour."""
    tau_s, w_per_v = 600.0, 25.0
    heat, first, last = heat_w(name)
    flow = heat.derivative()

    def slope(t, state):
        return [(flow(t) / w_per_v - state[0]) / tau_s]

    t = np.arange(first, min(last, first + 24 * 3600.0), 30.0)
    signal_v = solve_ivp(
        slope, (t[0], t[-1]), [0.0], t_eval=t, method="LSODA", rtol=1e-8, atol=1e-10, max_step=300.0
    ).y[0]
    power_w = balance.tian_power_w(t, signal_v, w_per_v, tau_s)
    later = t > first + 3 * 3600.0
    top = float(flow(t[later]).max())
    assert np.max(np.abs(power_w - flow(t))[later]) < 0.01 * top
    assert np.max(np.abs(w_per_v * signal_v - flow(t))[later]) > 0.02 * top  # uncorrected it is off


# Lavergne et al. 2018, Fig. 15(a): mortar C100 at w/b 0.5, room at 20 degC; days and degC, read off to 0.2 K.
C100 = np.array(
    [
        *[(0.61, 51.17), (0.753, 52.15), (0.9, 50.72), (1.047, 48.77), (1.203, 46.46), (1.35, 44.2), (1.497, 41.94)],
        *[(1.701, 38.91), (1.897, 36.23), (2.101, 33.75), (2.334, 31.19), (2.959, 26.59), (3.2, 25.29), (3.499, 23.99)],
    ]
)
C100_GRAMS = {"cement": 371.0, "sand": 1113.0, "water": 196.0}  # Table 11
C100_LOSS = (75.0, 0.26)  # J/(h K), J/(h K2): Eq. (23), calibrated to NF EN 196-9
# Cement and sand 0.8, water 3.8 J/(g K) as EN 196-9 has them (from memory); the vessel's "about 380" of p. 51, printed
# as kJ/K, is read as J/K: with kilojoules the mortar would warm by a third of a kelvin.
C100_CAPACITY_J_K = 0.8 * (C100_GRAMS["cement"] + C100_GRAMS["sand"]) + 3.8 * C100_GRAMS["water"] + 380.0


def c100_j_g(a_j_h_k: float = C100_LOSS[0]) -> np.ndarray:
    """J per gram of cement since the first point of the figure."""
    return balance.en196_9_heat_j_g(
        C100[:, 0] * 24.0, C100[:, 1] - 20.0, C100_GRAMS["cement"], C100_CAPACITY_J_K, a_j_h_k, C100_LOSS[1]
    )


def test_a_measured_en_196_9_run_closes():
    """From day 1.7 on the mortar cools and gives little: with the published coefficients the balance comes to rest.

    With a loss coefficient a fifth too small or too large it does not: the check can tell.
    """
    late = C100[:, 0] > 1.65
    lost = C100_CAPACITY_J_K * (C100[late, 1][0] - C100[late, 1][-1]) / C100_GRAMS["cement"]
    assert lost > 90.0
    assert np.ptp(c100_j_g()[late]) < 0.06 * lost
    assert np.ptp(c100_j_g(0.8 * C100_LOSS[0])[late]) > 0.15 * lost
    assert np.ptp(c100_j_g(1.2 * C100_LOSS[0])[late]) > 0.15 * lost
    rate = np.diff(c100_j_g()) / np.diff(C100[:, 0] * 24.0)
    assert rate[:6] == pytest.approx(sorted(rate[:6], reverse=True))
    assert rate[0] > 5.0


def test_a_measured_en_196_9_run_gives_the_heat_that_such_a_cement_gives():
    """Heat at 41 h: with no loss, or the largest possible, before the figure begins: 352 J/g (CIRIA C766) lies between.

    (352 kJ/kg for CEM I at 41 h, as seen in public code that cites it.)
    """
    first_h, first_k = C100[0, 0] * 24.0, C100[0, 1] - 20.0
    held = C100_CAPACITY_J_K * first_k / C100_GRAMS["cement"]
    at_most_lost = (C100_LOSS[0] + C100_LOSS[1] * first_k) * first_k * first_h / C100_GRAMS["cement"]
    since = float(np.interp(41.0, C100[:, 0] * 24.0, c100_j_g()))
    assert held + since < 352.0 < held + since + at_most_lost


def test_first_order_heat_in_steady_air_is_the_two_exponential_curve():
    """With loss proportional to the excess, scipy's temperature is Bateman's: rise rate, C/UA and rise come back."""
    rate_h, area_m2 = 2.0, 0.15
    loss_h = area_m2 * 8.3 / CAPACITY_J_K * 3600.0

    def slope(t, state):
        return [RISE_K * rate_h * np.exp(-rate_h * t) - loss_h * (state[0] - 12.0)]

    t = np.linspace(0.0, 24.0, 1441)
    temperature_c = solve_ivp(slope, (0.0, 24.0), [12.0], t_eval=t, rtol=1e-10, atol=1e-10).y[0]
    fit = fit_bateman(t, temperature_c)
    assert (fit.rise_rate, fit.decay_rate) == pytest.approx((rate_h, loss_h), rel=1e-5)
    assert (fit.amplitude, fit.level) == pytest.approx((RISE_K, 12.0), rel=1e-5)


@pytest.mark.parametrize("area_m2", [0.02, 0.05, 0.1, 0.2])
def test_a_quick_measured_reaction_is_nearly_that_curve(area_m2):
    """The run most like a blend, in steady known air: the area under the fitted curve times UA/C is its heat, to 6 %.

    To the area the two exponentials can be held, not to their rates: the real reaction slows down as it goes.
    """
    t, temperature_c, air_c = bucket("quick_aluminate", area_m2, 0.0, 0.0)
    fit = fit_bateman((t - t[0]) / 3600.0, temperature_c, level=float(air_c[0]))
    loss_h = area_m2 * 8.3 / CAPACITY_J_K * 3600.0
    start_k = float(temperature_c[0] - air_c[0])  # heat that the bucket brought with it
    assert fit.amplitude / fit.decay_rate * loss_h == pytest.approx(RISE_K + start_k, rel=0.06)
    assert fit.rise_rate > 1.0


def test_a_slow_measured_reaction_is_no_such_curve():
    """A hydrating cement is not first-order: the best two-exponential curve misses widely, the balance does not."""
    t, temperature_c, air_c = bucket("usual", 0.02, 0.0, 0.0)
    fit = fit_bateman((t - t[0]) / 3600.0, temperature_c, level=float(air_c[0]))
    assert np.sqrt(fit.rss / t.size) > 0.5
    recovered = balance.heat_released_j(t, temperature_c, air_c, CAPACITY_J_K, 0.02, 8.3, 0.0)
    assert np.max(np.abs(recovered - heat_w("usual")[0](t))) < 1e-4 * RISE_K * CAPACITY_J_K


def equivalent_days(*stays: tuple[float, float]) -> float:
    """Age at 20 degC of so many days at such a temperature, one after the other; E/R 4000 K as in the Model Code."""
    ends = np.cumsum([days for days, _ in stays])
    times = np.ravel(np.column_stack([ends - [days for days, _ in stays], ends])) * 86_400.0
    temperatures = np.repeat([temperature for _, temperature in stays], 2)
    return float(balance.equivalent_age_s(times, temperatures, 4000.0 * 8.314462618, 20.0)[-1] / 86_400.0)


@pytest.mark.parametrize(
    ("stays", "days"),
    [(((7.0, 20.0),), 6.98687), (((7.0, 20.0), (7.0, 25.0)), 15.7723)],
)
def test_equivalent_age_on_a_published_example(stays, days):
    """Seven days at 20 and seven at 25 degC count as 15.77 days, seven at 20 alone as 6.987.

    Numbers: the tests of the fib's own reference library for its Model Code 2010 (structuralcodes), Eq. 5.1-85. That
    rounds 4000/293 to 13.65 and 273.15 to 273, hence the 0.25 %. A worked example of the 1977 paper, or of ASTM C1074,
    was not to be had.
    """
    assert equivalent_days(*stays) == pytest.approx(days, rel=2.5e-3)


@pytest.mark.parametrize("temperature_c", range(0, 81, 10))
def test_equivalent_age_follows_eurocode_2_over_its_range(temperature_c):
    """EN 1992-1-1 Eq. B.10, 0 to 80 degC: exp(13.65 - 4000 / (273 + T)) per day, to the rounding of its constants."""
    speed = np.exp(13.65 - 4000.0 / (273.0 + temperature_c))
    assert equivalent_days((1.0, float(temperature_c))) == pytest.approx(speed, rel=7e-3)


def test_equivalent_age_at_the_reference_temperature_is_the_age():
    """At the reference temperature a day is a day, whatever the activation energy."""
    t = np.linspace(0, 86400.0, 100)
    assert balance.equivalent_age_s(t, np.full(100, 20.0), 33.3e3, 20.0)[-1] == pytest.approx(86400.0)
