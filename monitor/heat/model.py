"""Forward model of a batch: heat balance and autocatalytic rate, for many parameter columns at once.

State per column: mean paste temperature T, reacted fraction x of the limiting reagent, and the core's excess over
the mean, d. All heat is divided by the heat capacity at the start, so powers are K/s:

    (1 + g x) dT/dt = D dx/dt + blender + grains - loss
    dx/dt           = k exp(E/R (1/Tref - 1/T)) (x + x0) (1 - x/m)^p          while x < m
    loss            = u f (1 + beta theta) theta + evaporation + boiling,   theta = T - air
    dd/dt           = set(x) loss - d / (kappa tau),   tau = 1 / (u f (1 + beta theta))

``D`` is the rise that the recipe promises, ``m`` the fraction within reach, ``f`` covers and lids. The paste that
has set conducts slowly, so its core does not feel the loss at once: d grows as the loss does and levels off at
kappa theta. A probe in the core shows T + d, its own lag behind.

Columns are independent: parameters of all hypotheses, all finite differences and all draws of the posterior go
through one pass, which is what makes a refit cheap in numpy.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from monitor.units import GAS_CONSTANT_J_MOL_K, ZERO_CELSIUS_K

Array = NDArray[np.float64]

# Rows of a parameter block; natural values as the comments say. Rows beyond FIXED belong to log events.
(
    HEAT,  # ln(actual rise per fraction / nominal)
    LOSS,  # ln(actual loss coefficient / nominal)
    KAPPA,  # ln of the core's excess over the mean, as a fraction of the mean's excess over the air
    START,  # temperature of the mix at the pour, degrees Celsius
    BLENDER,  # rise from the blender's work, K (values below 0 act as 0)
    GRAINS,  # ln of the rise from grains of potash that dissolve after the pour, K
    RATE,  # ln k at the reference temperature, 1/s
    SEED,  # ln x0
    ORDER,  # ln p
    REACH,  # m
    AIR,  # air temperature less what the ambient curve says, K
    DAY_SIN,  # daily swing of the air where nobody measured it, K
    DAY_COS,
    PROBE,  # offset of the core probe, K
    EVAPORATION,  # ln of the loss by evaporation at 80 degC, K/s
    ACTIVATION,  # activation energy, kJ/mol
) = range(16)
FIXED = 16
NAMES = (
    "heat", "loss", "kappa", "start", "blender", "grains", "rate", "seed", "order", "reach", "air", "day_sin",
    "day_cos", "probe", "evaporation", "activation",
)  # fmt: skip

REFERENCE_K = 60.0 + ZERO_CELSIUS_K
GRAINS_S = 900.0  # time constant with which late grains dissolve: a guess, 10 to 20 minutes
PROBE_LAG_S = 45.0  # sheathed thermocouple in paste: a guess, 20 to 90 s
SET_AT = 0.20  # fraction reacted at which the paste stops mixing itself: a guess
HALF_DAY_RATE = 2.0 * np.pi / 86400.0


@dataclass(frozen=True, slots=True)
class Change:
    """A log event as the model sees it, from ``at_s`` (since the pour) on.

    kind "cover": loss multiplied by exp(row). "lid": evaporation multiplied by ``lid``.
    kind "reblend": rows (ln k, m, blender K) restart the reaction.
    kind "pour": temperature jumps by row (K), reacted fraction thins by ``thin``.
    """

    at_s: float
    kind: str
    rows: tuple[int, ...] = ()
    value: float = 1.0


@dataclass(frozen=True, slots=True)
class Setting:
    """What is known and not fitted: nominal scales, the air, the events. Times are seconds since the pour."""

    rise_k: float  # nominal D
    loss_per_s: float  # nominal u, at theta = 0
    loss_slope_per_k: float  # beta
    capacity_growth: float  # g
    blended_s: float  # when the blender stopped
    blend_from_s: float = 0.0
    boiling_c: float = 100.0
    air_time_s: Array = field(default_factory=lambda: np.array([0.0]))
    air_c: Array = field(default_factory=lambda: np.array([15.0]))
    day_phase_s: float = 0.0  # Unix seconds of the pour, for the daily swing
    changes: tuple[Change, ...] = ()


@dataclass(frozen=True, slots=True)
class Paths:
    """What ``run`` returns: times (n,), and per time and column the mean, reacted fraction, core excess, rate."""

    time_s: Array
    mean_c: Array
    reacted: Array
    excess_k: Array
    rate_per_s: Array
    air_c: Array

    @property
    def core_c(self) -> Array:
        """The core itself, without probe offset or lag."""
        return self.mean_c + self.excess_k


def time_grid(end_s: float, blended_s: float, changes: tuple[Change, ...] = (), coarse: float = 1.0) -> Array:
    """Step ends from 0 to ``end_s``: fine while the batch is lively (also after a re-blend), coarse later."""
    stops = [0.0]
    lively = [blended_s] + [c.at_s for c in changes if c.kind in ("reblend", "pour")]
    must = sorted({c.at_s for c in changes if 0.0 < c.at_s < end_s} | {blended_s} | {end_s})
    must = [m for m in must if m <= end_s]
    now = 0.0
    for target in must:
        while now < target - 1e-9:
            since = min((now - at if now >= at else 0.0 if at - now < 300.0 else 9e9) for at in lively)
            if since < 4500.0:
                step = 45.0
            elif since < 3.0 * 3600.0:
                step = 150.0
            elif since < 6.0 * 3600.0:
                step = 360.0
            elif since < 12.0 * 3600.0:
                step = 900.0
            elif since < 24.0 * 3600.0:
                step = 1800.0
            else:
                step = 3600.0
            step *= coarse
            left = target - now
            # Two equal steps rather than one full and a sliver.
            now = target if left <= step * 1.2 else now + (left / 2.0 if left < 2.0 * step else step)
            stops.append(now)
    return np.array(stops)


def run(setting: Setting, x: Array, grid: Array) -> Paths:
    """Integrate every column of ``x`` (rows as above) over ``grid``.

    Midpoint rule for T and x; the core excess, which may be stiff, by the implicit rule. Checked against
    scipy's solve_ivp in the tests.
    """
    s = setting
    n, m = grid.size, x.shape[1]
    mean, reacted, excess = np.empty((n, m)), np.empty((n, m)), np.empty((n, m))
    speed = np.empty((n, m))

    heat = s.rise_k * np.exp(x[HEAT])
    loss_base = s.loss_per_s * np.exp(x[LOSS])
    kappa = np.exp(x[KAPPA])
    blender = np.maximum(x[BLENDER], 0.0)
    grains = np.exp(x[GRAINS])
    seed = np.exp(x[SEED])
    order = np.exp(x[ORDER])
    k = np.exp(x[RATE])
    reach = np.clip(x[REACH], 0.02, 1.03)
    evaporation = np.exp(x[EVAPORATION])
    e_over_r = x[ACTIVATION] * (1000.0 / GAS_CONSTANT_J_MOL_K)
    e_shift = e_over_r / REFERENCE_K
    # Evaporation follows the vapour pressure, about 42 kJ/mol; scaled to 1 at 80 degC.
    v_over_r = 42.0e3 / GAS_CONSTANT_J_MOL_K

    air = np.interp(grid, s.air_time_s, s.air_c)[:, None] + x[AIR][None, :]
    if np.any(x[DAY_SIN]) or np.any(x[DAY_COS]):
        angle = HALF_DAY_RATE * (grid + s.day_phase_s)
        air = air + np.sin(angle)[:, None] * x[DAY_SIN] + np.cos(angle)[:, None] * x[DAY_COS]
    air_mid = 0.5 * (air[1:] + air[:-1])

    steps = np.diff(grid)
    middles = 0.5 * (grid[1:] + grid[:-1])
    blend_span = max(s.blended_s - s.blend_from_s, 1.0)
    grain_rate = np.exp(-middles / GRAINS_S) / GRAINS_S
    boil = s.boiling_c + 3.0

    temperature = x[START].copy()
    fraction = np.zeros(m)
    d = np.zeros(m)
    cover = np.ones(m)
    vapour = evaporation
    inverse_reach = 1.0 / reach
    pending = sorted(s.changes, key=lambda c: (c.at_s, c.kind))
    next_change = 0
    extra_heat: list[tuple[float, float, Array]] = [(s.blend_from_s, s.blended_s, blender / blend_span)]
    beta, growth = s.loss_slope_per_k, s.capacity_growth

    def rhs(
        t_c: Array, f: Array, air_now: Array, ramp: float, other: Array | float
    ) -> tuple[Array, Array, Array, Array]:
        theta = t_c - air_now
        inverse = 1.0 / (t_c + ZERO_CELSIUS_K)
        left = np.maximum(1.0 - f * inverse_reach, 0.0)
        rate = np.exp(e_shift - e_over_r * inverse) * (f + seed) * left**order * k
        if ramp != 1.0:
            rate = rate * ramp
        conductance = loss_base * cover * (1.0 + beta * np.maximum(theta, 0.0))
        loss = conductance * theta + vapour * np.exp(v_over_r / 353.15 - v_over_r * inverse)
        over = np.maximum(t_c - boil, 0.0)
        slope = (heat * rate - loss - 0.01 * over + other) / (1.0 + growth * f)
        return slope, rate, loss, conductance

    mean[0], reacted[0], excess[0], speed[0] = temperature, fraction, d, 0.0
    for i, dt in enumerate(steps.tolist()):
        now = float(grid[i])
        while next_change < len(pending) and pending[next_change].at_s <= now + 1e-6:
            change = pending[next_change]
            next_change += 1
            if change.kind == "cover":
                cover = cover * np.exp(x[change.rows[0]])
            elif change.kind == "lid":
                vapour = vapour * change.value
            elif change.kind == "reblend":
                k = np.exp(x[change.rows[0]])
                inverse_reach = 1.0 / np.clip(np.maximum(x[change.rows[1]], fraction + 0.01), 0.02, 1.03)
                work = np.maximum(x[change.rows[2]], 0.0)
                d = np.zeros(m)
                extra_heat.append((now, now + 300.0, work / 300.0))
            elif change.kind == "pour":
                temperature = temperature + x[change.rows[0]]
                fraction = fraction * change.value
        middle = float(middles[i])
        ramp = min(1.0, max(0.0, (middle - s.blend_from_s) / blend_span)) if middle < s.blended_s else 1.0
        other: Array | float = grains * float(grain_rate[i])
        for since, until, power in extra_heat:
            share = min(until, now + dt) - max(since, now)
            if share > 0.0:
                other = other + power * (share / dt)
        slope, rate, _, _ = rhs(temperature, fraction, air[i], ramp, other)
        half = 0.5 * dt
        t_mid = temperature + half * slope
        f_mid = fraction + half * rate
        slope, rate, loss, conductance = rhs(t_mid, f_mid, air_mid[i], ramp, other)
        temperature = temperature + dt * slope
        # A long step must not run past what is within reach.
        fraction = np.maximum(fraction, np.minimum(fraction + dt * rate, 1.0 / inverse_reach))
        gate = f_mid / (f_mid + SET_AT)
        d = (d + dt * gate * loss) / (1.0 + dt * conductance / kappa)
        mean[i + 1], reacted[i + 1], excess[i + 1], speed[i + 1] = temperature, fraction, d, rate
    return Paths(grid, mean, reacted, excess, speed, air)


def at_times(grid: Array, values: Array, times_s: Array) -> Array:
    """Linear interpolation of every column of ``values`` (n, m) at ``times_s``."""
    where = np.clip(np.searchsorted(grid, times_s, side="right") - 1, 0, grid.size - 2)
    span = grid[where + 1] - grid[where]
    share = np.clip((times_s - grid[where]) / span, 0.0, 1.0)[:, None]
    return np.asarray(values[where] * (1.0 - share) + values[where + 1] * share, float)
