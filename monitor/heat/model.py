"""Forward model of a batch: heat balance and autocatalytic rate, for many parameter columns at once.

State per column: mean paste temperature T, reacted fraction x of the limiting reagent, and the core's excess over
the mean, d. All heat is divided by the heat capacity at the start, so powers are K/s:

    (1 + g x) dT/dt = D dx/dt + blender + grains - loss
    dx/dt           = k exp(E/R (1/Tref - 1/T)) (x + x0) (1 - x/m)^p + creep (0.2 + T/75) (0.97 - x)
    loss            = u f (1 + beta |theta|) theta + evaporation + boiling,   theta = T - d - air
    dd/dt           = set(x) loss - d / tc,               set = (x/s)^3 / (1 + (x/s)^3)

``D`` is the rise that the recipe promises, ``m`` the fraction within reach, ``f`` covers and lids. The paste that
has set conducts slowly: its core does not feel the loss at once, d grows as the loss does and levels off at loss times
tc, the time that heat takes from the core to the skin; and its skin runs as far below the mean (parabola over a
cylinder), which slows the loss. A probe in the core shows T + d, its own lag behind.

Columns are independent: parameters of all hypotheses, all finite differences and all draws of the posterior go
through one pass, which is what makes a refit cheap in numpy.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field
from math import cos, exp, sin

import numpy as np
from numpy.typing import NDArray

from monitor.units import GAS_CONSTANT_J_MOL_K, ZERO_CELSIUS_K

Array = NDArray[np.float64]

# Rows of a parameter block; natural values as the comments say. Rows beyond FIXED belong to log events.
(
    HEAT,  # ln(actual rise per fraction / nominal)
    LOSS,  # ln(actual loss coefficient / nominal)
    SPREAD,  # ln(actual time heat takes from the core to the skin / nominal)
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
    CREEP,  # ln of the rate at which coarse drops go on reacting by diffusion, 1/s at 60 degC
    SET,  # ln of the fraction reacted at which the paste half stops mixing itself
    LAG,  # ln of the time constant of the probe in its sheath, s: of the reading, not of the batch
) = range(19)
FIXED = 19
NAMES = (
    "heat", "loss", "spread", "start", "blender", "grains", "rate", "seed", "order", "reach", "air", "day_sin",
    "day_cos", "probe", "evaporation", "activation", "creep", "set", "lag",
)  # fmt: skip

REFERENCE_K = 60.0 + ZERO_CELSIUS_K
GRAINS_S = 900.0  # time constant with which late grains dissolve: a guess, 10 to 20 minutes
# (until this long after the blend, step in s): the steepest rise lies within the first hour.
_STEPS = ((1800.0, 50.0), (4800.0, 90.0), (3 * 3600.0, 240.0), (6 * 3600.0, 600.0), (12 * 3600.0, 1200.0),
          (24 * 3600.0, 2400.0), (9e18, 4800.0))  # fmt: skip
# Diffusion through soap quickens by 2 % a kelvin (20 kJ/mol, a guess); a straight line is near enough: 0.2 + T/75.
CREEP_COLD, CREEP_PER_K = 0.2, 1.0 / 75.0
BOIL_OFF_PER_S = 0.01  # how fast steam takes what stands above boiling: a guess
SHORTEST_S = 15.0
GAIN_A_STEP = 0.12  # e-folds of autocatalysis in one step
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
    core_time_s: float  # nominal tc
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


def run(setting: Setting, x: Array, end_s: float, coarse: float = 1.0) -> Paths:
    """Integrate every column of ``x`` (rows as above) from the pour to ``end_s``.

    All columns share the steps: short while any of them reacts fast, and while the batch is young; long later.
    ``coarse`` stretches them.

    Adams-Bashforth of second order for the reaction, Crank-Nicolson in effect for loss and core excess. Checked against
    scipy's solve_ivp in the tests.
    """
    s = setting
    m = x.shape[1]
    heat = s.rise_k * np.exp(x[HEAT])
    # Bounds far outside every prior, so that a search gone astray stays finite.
    loss_base = s.loss_per_s * np.exp(np.clip(x[LOSS], -3.0, 2.0))
    inverse_core_time = np.exp(-x[SPREAD]) / s.core_time_s
    inverse_set = np.exp(-np.clip(x[SET], -4.0, 1.0))
    creep = np.exp(np.minimum(x[CREEP], -8.0))
    blender = np.maximum(x[BLENDER], 0.0)
    grains = np.exp(np.minimum(x[GRAINS], 3.0))
    seed = np.exp(x[SEED])
    order = np.exp(x[ORDER])
    reach = np.clip(x[REACH], 0.02, 1.03)
    e_over_r = x[ACTIVATION] * (1000.0 / GAS_CONSTANT_J_MOL_K)
    e_shift = e_over_r / REFERENCE_K
    # Evaporation follows the vapour pressure, about 42 kJ/mol; scaled to 1 at 80 degC.
    v_over_r = 42.0e3 / GAS_CONSTANT_J_MOL_K

    offset, day_sin, day_cos = x[AIR], x[DAY_SIN], x[DAY_COS]
    swings = bool(np.any(day_sin) or np.any(day_cos))

    air_times, air_values = s.air_time_s.tolist(), s.air_c.tolist()

    def air_at(t: float) -> Array:
        i = bisect_right(air_times, t)
        if i == 0 or i == len(air_times):
            measured = air_values[min(i, len(air_times) - 1)]
        else:
            share = (t - air_times[i - 1]) / (air_times[i] - air_times[i - 1])
            measured = air_values[i - 1] * (1.0 - share) + air_values[i] * share
        level: Array = offset + measured
        if swings:
            angle = HALF_DAY_RATE * (t + s.day_phase_s)
            level = level + sin(angle) * day_sin + cos(angle) * day_cos
        return level

    blend_span = max(s.blended_s - s.blend_from_s, 1.0)
    boil = s.boiling_c + 3.0

    temperature = x[START].copy()
    fraction = np.zeros(m)
    d = np.zeros(m)
    cover = np.ones(m)
    log_vapour = np.clip(x[EVAPORATION], -20.0, -4.0) + v_over_r / 353.15
    log_k = np.clip(x[RATE], -13.0, -2.5) + e_shift
    inverse_reach = 1.0 / reach
    conductance_base = loss_base
    pending = sorted(s.changes, key=lambda c: (c.at_s, c.kind))
    next_change = 0
    extra_heat: list[tuple[float, float, Array]] = [(s.blend_from_s, s.blended_s, blender / blend_span)]
    last_heat = s.blended_s
    beta, growth = s.loss_slope_per_k, s.capacity_growth

    # Work space: at a hundred columns numpy's time is the count of calls and new arrays, so both are kept low.
    theta, inverse, rate, left, conductance, loss, slope, work, growth_now, creeping = (np.empty(m) for _ in range(10))
    rate_before = np.zeros(m)
    before = 0.0  # length of the last step, 0 after an event: then one plain Euler step
    lively = [s.blended_s] + [c.at_s for c in s.changes if c.kind in ("reblend", "pour")]
    stops = sorted({c.at_s for c in s.changes if 0.0 < c.at_s < end_s} | {min(s.blended_s, end_s), end_s})
    times, airs = [0.0], [air_at(0.0)]
    means, fractions, excesses, speeds = [temperature], [fraction], [d], [np.zeros(m)]
    quickest = 0.0

    now, air = 0.0, airs[0]
    while now < end_s - 1e-6:
        while next_change < len(pending) and pending[next_change].at_s <= now + 1e-6:
            change = pending[next_change]
            next_change += 1
            before = 0.0
            if change.kind == "cover":
                cover = cover * np.exp(x[change.rows[0]])
                conductance_base = loss_base * cover
            elif change.kind == "lid":
                log_vapour = log_vapour + np.log(change.value)
            elif change.kind == "reblend":
                log_k = np.clip(x[change.rows[0]], -13.0, -2.5) + e_shift
                inverse_reach = 1.0 / np.clip(np.maximum(x[change.rows[1]], fraction + 0.01), 0.02, 1.03)
                d = np.zeros(m)
                extra_heat.append((now, now + 300.0, np.maximum(x[change.rows[2]], 0.0) / 300.0))
                last_heat = now + 300.0
            elif change.kind == "pour":
                temperature = temperature + x[change.rows[0]]
                fraction = fraction * change.value
        # Heat leaves by the skin, which a set paste lets fall as far below the mean as the core stands above it.
        np.subtract(temperature, air, out=theta)
        np.subtract(theta, d, out=theta)
        np.add(temperature, ZERO_CELSIUS_K, out=inverse)
        np.divide(1.0, inverse, out=inverse)
        # rate = exp(ln k - E/RT) (x + x0) (1 - x/m)^p
        np.multiply(fraction, inverse_reach, out=left)
        np.subtract(1.0, left, out=left)
        np.maximum(left, 0.0, out=left)
        np.power(left, order, out=left)
        np.multiply(e_over_r, inverse, out=rate)
        np.subtract(log_k, rate, out=rate)
        np.exp(rate, out=rate)
        np.multiply(rate, left, out=rate)
        quickest = float(rate.max())
        np.add(fraction, seed, out=work)
        np.multiply(rate, work, out=rate)
        dt = _next_step(now, lively, stops, quickest, coarse)
        if now < s.blended_s:
            np.multiply(rate, min(1.0, max(0.0, (now - s.blend_from_s) / blend_span)), out=rate)
        np.subtract(0.97, fraction, out=work)
        np.maximum(work, 0.0, out=work)
        np.multiply(work, creep, out=creeping)
        np.multiply(temperature, CREEP_PER_K, out=work)
        np.add(work, CREEP_COLD, out=work)
        np.multiply(creeping, work, out=creeping)
        np.add(rate, creeping, out=rate)
        # loss = u f (1 + beta |theta|) theta + evaporation
        np.abs(theta, out=conductance)  # the air may be the warmer of the two
        np.minimum(conductance, 150.0, out=conductance)
        np.multiply(conductance, beta, out=conductance)
        np.add(conductance, 1.0, out=conductance)
        np.multiply(conductance, conductance_base, out=conductance)
        np.multiply(inverse, v_over_r, out=loss)
        np.subtract(log_vapour, loss, out=loss)
        np.exp(loss, out=loss)
        np.multiply(conductance, theta, out=work)
        np.add(loss, work, out=loss)
        # Two-step Adams-Bashforth for the reaction, one look at the formulas a step; Crank-Nicolson in effect for the
        # loss, which must stand steps as long as the time constant.
        new_rate = rate.copy()
        ratio = 0.5 * dt / before if before else 0.0
        np.multiply(rate, 1.0 + ratio, out=rate)
        if ratio:
            np.multiply(rate_before, ratio, out=work)
            np.subtract(rate, work, out=rate)
            np.maximum(rate, 0.0, out=rate)
        np.multiply(heat, rate, out=slope)
        np.subtract(slope, loss, out=slope)
        np.multiply(fraction, growth / dt, out=work)
        np.add(work, 1.0 / dt, out=work)
        np.multiply(conductance, 0.5, out=growth_now)
        np.add(work, growth_now, out=work)
        np.divide(slope, work, out=slope)
        np.multiply(rate, dt, out=rate)
        temperature = temperature + slope
        # What comes in by itself is known ahead and needs no extrapolation.
        if now < 5400.0:
            np.multiply(grains, exp(-now / GRAINS_S) - exp(-(now + dt) / GRAINS_S), out=work)
            temperature += work
        if now < last_heat:
            for since, until, power in extra_heat:
                share = min(until, now + dt) - max(since, now)
                if share > 0.0:
                    temperature += power * share
        np.subtract(temperature, boil, out=work)
        np.maximum(work, 0.0, out=work)
        np.multiply(work, 1.0 - exp(-BOIL_OFF_PER_S * dt), out=work)
        np.subtract(temperature, work, out=temperature)
        np.minimum(temperature, boil + 30.0, out=temperature)  # no paste stands so far above boiling
        # A long step must not run past what is within reach; only the creep may.
        np.multiply(creeping, dt, out=work)
        np.add(work, fraction, out=work)
        np.maximum(work, 1.0 / inverse_reach, out=work)
        np.add(fraction, rate, out=rate)
        np.minimum(rate, work, out=rate)
        fraction = np.maximum(fraction, rate)
        # Core excess in the same way, with the loss of the middle of the step (`slope` is the step of T).
        np.multiply(slope, conductance, out=work)
        np.multiply(work, 0.5, out=work)
        np.add(loss, work, out=loss)
        np.multiply(fraction, inverse_set, out=work)
        np.multiply(work, np.square(work), out=work)
        np.divide(work, 1.0 + work, out=work)
        np.multiply(loss, work, out=loss)
        np.multiply(d, inverse_core_time, out=slope)
        np.subtract(loss, slope, out=loss)
        np.multiply(work, conductance, out=work)
        np.add(work, inverse_core_time, out=work)
        np.multiply(work, 0.5, out=work)
        np.add(work, 1.0 / dt, out=work)
        np.divide(loss, work, out=loss)
        d = d + loss
        rate_before, before = new_rate, dt
        now += dt
        air = air_at(now)
        times.append(now)
        airs.append(air)
        means.append(temperature)
        fractions.append(fraction)
        excesses.append(d)
        speeds.append(new_rate)
    parts = (means, fractions, excesses, speeds, airs)
    return Paths(np.array(times), *(np.array(part) for part in parts))


def _next_step(now: float, lively: list[float], stops: list[float], quickest: float, coarse: float) -> float:
    since = min((now - at if now >= at else 0.0 if at - now < 300.0 else 9e9) for at in lively)
    longest = next(span for until, span in _STEPS if since < until)
    step = coarse * min(longest, max(SHORTEST_S, GAIN_A_STEP / quickest if quickest > 0.0 else longest))
    left = next(stop for stop in stops if stop > now + 1e-6) - now
    # Two equal steps rather than one full and a sliver.
    return left if left <= step * 1.2 else (left / 2.0 if left < 2.0 * step else step)


def at_times(grid: Array, values: Array, times_s: Array) -> Array:
    """Linear interpolation of every column of ``values`` (n, m) at ``times_s``."""
    where = np.clip(np.searchsorted(grid, times_s, side="right") - 1, 0, grid.size - 2)
    span = grid[where + 1] - grid[where]
    share = np.clip((times_s - grid[where]) / span, 0.0, 1.0)[:, None]
    return np.asarray(values[where] * (1.0 - share) + values[where + 1] * share, float)
