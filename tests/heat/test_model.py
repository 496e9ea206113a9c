"""The forward model, held against scipy's solve_ivp and its own identities."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from monitor.heat import model as m
from monitor.heat import priors
from monitor.heat.fit import low_discrepancy_normals

SETTING = m.Setting(
    rise_k=49.0, loss_per_s=1.3e-4, loss_slope_per_k=0.0084, capacity_growth=0.10, core_time_s=5000.0, blended_s=600.0,
    blend_from_s=200.0, air_time_s=np.array([0.0, 40000.0]), air_c=np.array([12.0, 5.0]),
)  # fmt: skip


def columns(component: int, count: int = 12) -> np.ndarray:
    """Draws from one component's prior, started at 50 degC."""
    centre, sd = priors.table(m.FIXED)
    centre[:, m.START], sd[:, m.START] = 50.0, 5.0
    centre[:, m.BLENDER], sd[:, m.BLENDER] = 4.0, 2.0
    return centre[component][:, None] + sd[component][:, None] * low_discrepancy_normals(count, m.FIXED).T


def reference(x: np.ndarray, end_s: float, at: np.ndarray) -> np.ndarray:
    """The same equations written again, one column, by scipy's stiff solver. Rows: mean, reacted, excess."""
    s = SETTING

    def rhs(t: float, state: np.ndarray) -> list[float]:
        mean, done, d = state
        air = float(np.interp(t, s.air_time_s, s.air_c)) + x[m.AIR]
        kelvin = mean + 273.15
        left = max(1.0 - done / min(x[m.REACH], 1.03), 0.0)
        rate = np.exp(x[m.RATE] + x[m.ACTIVATION] * 1e3 / 8.314462618 * (1 / 333.15 - 1 / kelvin))
        rate *= (done + np.exp(x[m.SEED])) * left ** np.exp(x[m.ORDER])
        rate *= min(1.0, max(0.0, (t - s.blend_from_s) / (s.blended_s - s.blend_from_s)))
        rate += np.exp(x[m.CREEP]) * (0.2 + mean / 75.0) * max(0.97 - done, 0.0)
        theta = mean - d - air
        loss = s.loss_per_s * np.exp(x[m.LOSS]) * (1 + s.loss_slope_per_k * theta) * theta
        loss += np.exp(x[m.EVAPORATION] + 42e3 / 8.314462618 * (1 / 353.15 - 1 / kelvin))
        warm = s.rise_k * np.exp(x[m.HEAT]) * rate - loss
        other = np.exp(x[m.GRAINS]) * np.exp(-t / m.GRAINS_S) / m.GRAINS_S - 0.01 * max(mean - s.boiling_c - 3.0, 0.0)
        if s.blend_from_s < t < s.blended_s:
            other += max(x[m.BLENDER], 0.0) / (s.blended_s - s.blend_from_s)
        gate = done / (done + m.SET_AT)
        return [
            warm / (1 + s.capacity_growth * done) + other,
            rate,
            gate * loss - d / (s.core_time_s * np.exp(x[m.SPREAD])),
        ]

    exact = {"method": "LSODA", "rtol": 1e-8, "atol": 1e-8, "max_step": 60.0}
    return solve_ivp(rhs, (0, end_s), [x[m.START], 0.0, 0.0], t_eval=at, **exact).y


@pytest.mark.parametrize("component", [0, 1, 4, 7, 9])
def test_model_agrees_with_solve_ivp(component):
    """Over twelve hours the mean stays within 1 K and the reacted fraction within 0.02 of scipy's solution."""
    x = columns(component)
    at = np.linspace(60.0, 12 * 3600.0, 300)
    paths = m.run(SETTING, x, 12 * 3600.0)
    mean = m.at_times(paths.time_s, paths.mean_c, at)
    done = m.at_times(paths.time_s, paths.reacted, at)
    excess = m.at_times(paths.time_s, paths.excess_k, at)
    for i in range(0, x.shape[1], 4):
        truth = reference(x[:, i], 12 * 3600.0, at)
        assert np.max(np.abs(mean[:, i] - truth[0])) < 1.0
        assert np.max(np.abs(done[:, i] - truth[1])) < 0.02
        assert np.max(np.abs(excess[:, i] - truth[2])) < 0.5


def test_heat_made_is_heat_held_plus_heat_lost():
    """The model conserves heat: rise times reacted fraction equals what is held and what was lost, within 1 %."""
    x = columns(0, 4)
    x[m.GRAINS], x[m.BLENDER], x[m.EVAPORATION] = -30.0, 0.0, -40.0
    paths = m.run(SETTING, x, 6 * 3600.0, coarse=0.3)
    theta = paths.mean_c - paths.excess_k - paths.air_c
    loss = SETTING.loss_per_s * np.exp(x[m.LOSS]) * (1 + SETTING.loss_slope_per_k * np.maximum(theta, 0)) * theta
    dt = np.diff(paths.time_s)[:, None]
    lost = (0.5 * (loss[1:] + loss[:-1]) * dt).sum(0)
    made = SETTING.rise_k * np.exp(x[m.HEAT]) * paths.reacted[-1]
    growth = 0.5 * SETTING.capacity_growth
    step = np.diff(paths.mean_c, axis=0)
    held = (step * (1 + growth * (paths.reacted[1:] + paths.reacted[:-1]))).sum(0)
    assert np.allclose(made, held + lost, rtol=0.01)


def test_columns_do_not_hear_of_each_other_but_through_the_step():
    """A column run alone and among others differs only by the common step: under 0.3 K."""
    x = columns(0, 12)
    among = m.run(SETTING, x, 3 * 3600.0)
    alone = m.run(SETTING, x[:, 3:4], 3 * 3600.0)
    at = np.linspace(0, 3 * 3600.0, 50)
    difference = m.at_times(among.time_s, among.mean_c[:, 3:4], at) - m.at_times(alone.time_s, alone.mean_c, at)
    assert np.max(np.abs(difference)) < 0.5


def test_no_input_gives_anything_but_finite_numbers():
    """Parameters six sd off, all up or all down, still run to finite temperatures below 170 degC."""
    centre, sd = priors.table(m.FIXED)
    centre[:, m.START], sd[:, m.START] = 50.0, 9.0
    for sign in (-6.0, 6.0):
        x = (centre + sign * sd).T
        paths = m.run(SETTING, x, 72 * 3600.0)
        assert np.all(np.isfinite(paths.mean_c))
        assert np.max(paths.mean_c) < 170.0
        assert np.all((paths.reacted >= 0.0) & (paths.reacted <= 1.031))


def test_a_second_blend_restarts_a_stalled_reaction():
    """A re-blend lifts a batch that had stopped at its reach, and the heat counts."""
    centre, _ = priors.table(m.FIXED + 3)
    x = centre[4][:, None].copy()
    x[m.START] = 48.0
    x[m.FIXED :, 0] = (np.log(3e-3), 0.95, 2.0)
    rows = (m.FIXED, m.FIXED + 1, m.FIXED + 2)
    again = m.Setting(
        49.0, 1.3e-4, 0.0084, 0.1, 5000.0, 600.0, changes=(m.Change(7200.0, "reblend", rows),)
    )
    paths = m.run(again, x, 6 * 3600.0)
    before = m.at_times(paths.time_s, paths.reacted, np.array([7200.0]))[0, 0]
    assert before < 0.5
    assert paths.reacted[-1, 0] > 0.85
