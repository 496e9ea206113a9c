"""Has the emulsion broken into layers? Probes' differences and the stop of the heat, as a likelihood ratio.

When an emulsion breaks, oil rises and lye sinks. Three marks may follow, and each is weighed against the ways a batch
that did not break shows it too:

* **a layer of its own warmth**: the heat is made in one layer and no longer in the others, so that the top or the
  bottom leaves the core by some kelvin within ten minutes to an hour. A batch in one body does so slowly: its outside
  is cooler than its core, the more so the further it has set and the more it loses;
* **broke off**: the reaction lost most of its pace within a quarter of an hour in which it used up little;
* **dead while warm**: hardly anything reacts any more though much is left and the paste is warm. Lumps of a poor blend
  taper off and creep on by diffusion; layers, which meet in one plane, hardly do.

The last two are bounded: what is left of an emulsion may go on beside the layers, and then they show little.

Everything is closed form on a few dozen means: no search, no random numbers, no clock. Times are Unix seconds,
temperatures degrees Celsius. The widths are reasoning from the physics unless a source stands beside them. Three were
settled after a look at tuning batches of two simulators: SET_WANDER, WANDER_SHARE, and how little "dead" may weigh.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import exp, log, sqrt

import numpy as np
from numpy.typing import NDArray

from monitor.heat import model, priors
from monitor.heat.balance import SURFACE_A_W_M2_K, SURFACE_B_W_M2_K2
from monitor.units import GAS_CONSTANT_J_MOL_K, ZERO_CELSIUS_K

Array = NDArray[np.float64]
Curve = tuple[Array, Array]  # (time_s, temperature_c), times rising

# ---- the probes' differences
OFFSET_SD_K = 1.0  # two probes of about 0.7 K each; class 2 of IEC 60584-1 lets one be 2.5 K off
LAG_SD_S = 45.0  # by which two sheathed probes may differ: a guess, 20 to 90 s each
PLUNGE_S, PLUNGE_K = 75.0, 20.0  # a probe just pushed in reads low, and the error dies away
# Outside below core, as a share of what the paste stands above the air, at rest and once heat has had time to conduct:
# half the loss resistance of a bucket is in set paste (Biot number about 2), next to none in liquid paste. The floor
# under the bottom may take as much as the lid.
LIQUID_SHARE, LIQUID_SHARE_SD = 0.02, 0.02
SET_SHARE, SET_SHARE_SD = 0.10, 0.12
WANDER_K, WANDER_SHARE = 0.15, 0.008  # draughts, convection that starts and stops: K, and per K above the air
SET_WANDER = 0.15  # of a difference that is there: what the three shapes of setting do not follow
WANDER_LENGTH = 0.6  # e-folds of age over which that hangs together
DIFFERENCE_NOISE_K = 0.15
BOILS_C = 95.0
# The layer: by how much (K; either sign: it is warmer where the rest of the heat is made, cooler where none is),
# when it begins after the blend (s), how long it takes to its height (s).
LAYER_K, LAYER_SD_K = 0.0, 3.0
LAYER_STARTS_S = (-300.0, 120.0, 600.0, 1200.0, 2400.0, 4200.0, 6600.0, 10800.0)
LAYER_SPANS_S = (500.0, 1200.0, 2700.0)
LAYER_UNTIL_S = 5.0 * 3600.0  # what two layers do later, a set paste does, too
UNSEEN = 0.45  # share of breaks that show no warm layer: what is left reacts nowhere

# ---- the stop
# Share of what is left that reacts in an hour, at one hour of age; a tail of order above one falls as 1/age. Diffusion
# from lumps of half a centimetre to one gives 0.4 to 4 % per hour for days (priors), the tail of the pulse adds to it
# in the first hours. Layers: a plane of a few square decimetres instead of square metres.
POOR_PER_H, POOR_LN_SD = 0.10, 0.85
DEAD_PER_H, DEAD_LN_SD = 0.008, 1.0
STILL_REACTING = 0.6  # share of broken emulsions of which enough is left to go on like a poor blend
DEAD_BOUNDS = (-0.5, 0.7)
# The break: ln of the fall of the reaction's pace (at equal warmth) in BREAK_S, over the share of what was left that
# was used up meanwhile. A law of order p that reaches m gives p (1 - x) / (m - x): up to 5.5 for order two, m of a
# half, x of a quarter. Each e-fold above counts BREAK_WEIGHT.
BREAK_S, BREAK_STEP_S, BREAK_SPAN_S = 900.0, 180.0, 600.0
BREAK_USUAL, BREAK_WEIGHT, BREAK_BOUNDS = 5.5, 1.5, (-0.7, 1.2)
BREAK_UNTIL_S = 9400.0  # after that next to nothing is left to break, and the rate drowns in the loss
PACE_FLOOR = 0.25  # of the loss: what of a rate cannot be told from the loss
USED_FLOOR = 0.05
ACTIVATION_K = 1e3 * priors.SHARED[model.ACTIVATION][0] / GAS_CONSTANT_J_MOL_K
STRETCH = 0.65  # of the age: the stretch that is looked at
PACE_ERROR = 0.10  # of the loss: draughts, steam, a core that does not follow the mean


@dataclass(frozen=True, slots=True)
class Layering:
    """The evidence for layers.

    log_ratio   ln of p(curves | split) / p(curves | not split); 0 where nothing is known
    basis       ids of what it rests on, the weightiest first: "top_apart", "bottom_apart", "no_layer_seen",
                "dead_while_warm", "still_reacting", "broke_off", "tapered"
    parts       the same by part: "probes", "dead", "break"; they add up to log_ratio
    heat_share  heat made so far over what the recipe promises, as the balance with middling losses has it
    """

    log_ratio: float = 0.0
    basis: tuple[str, ...] = ()
    parts: Mapping[str, float] = field(default_factory=dict)
    heat_share: float | None = None


def layering(
    core: Curve,
    top: Curve | None,
    bottom: Curve | None,
    ambient: Curve | None,
    *,
    blended_s: float,
    now_s: float,
    rise_k: float,
    loss_per_s: float,
    loss_slope_per_k: float = SURFACE_B_W_M2_K2 / SURFACE_A_W_M2_K,
    loss_ln: float = priors.LOSS_LN,
    loss_ln_sd: float = priors.LOSS_SD_LN,
    core_time_s: float = 5400.0,
    start_c: float | None = None,
    handled: Sequence[tuple[float, float]] = (),
) -> Layering:
    """Evidence, at ``now_s``, that the batch blended until ``blended_s`` is in layers.

    core, top, bottom         minute means while each probe was in the paste; None or empty where there is none
    ambient                   the air; None: guessed, and the guess weighs
    blended_s                 end of the latest blending: a re-blend begins anew (pass its end, and ``start_c`` then)
    rise_k                    rise the recipe promises, K
    loss_per_s                loss over heat capacity at small excess, 1/s, with the covers as they are now;
                              ``loss_ln``, ``loss_ln_sd``: what is known of a factor on it
    core_time_s               time heat takes from the core to the skin once the paste has set
    start_c                   the mix at the end of blending, where it is known, degrees Celsius
    handled                   (from, until) of everything done to the bucket since (lid off, covered, probe out): what
                              falls then is no mark of a break, and is left out with twenty minutes after it
    """
    t, y = _within(core, blended_s - 60.0, now_s)
    if t.size < 8 or t[-1] - t[0] < 600.0 or rise_k <= 0.0:
        return Layering()
    air = _air_at(ambient, t)
    parts: dict[str, float] = {}
    basis: list[tuple[float, str]] = []

    early = slice(0, int(np.searchsorted(t, blended_s + LAYER_UNTIL_S)))
    differences = _differences(
        t[early], y[early], air[early], top, bottom, blended_s, min(now_s, blended_s + LAYER_UNTIL_S), handled
    )
    if differences is not None:
        ratio, warmest = _layer(*differences)
        parts["probes"] = ratio
        basis.append((abs(ratio), warmest if ratio > 0.0 else "no_layer_seen"))

    pace = _pace(t, y, air, blended_s, now_s, rise_k, loss_per_s, loss_slope_per_k, loss_ln, start_c, handled)
    share = None
    if pace is not None:
        share = pace.share
        known_air = ambient is not None and ambient[0].size > 0
        left = _much_left(pace.share)
        dead = left * _dead(pace, rise_k, loss_ln, loss_ln_sd, core_time_s, known_air)
        parts["dead"] = dead
        basis.append((abs(dead), "dead_while_warm" if dead > 0.0 else "still_reacting"))
    known = share if share is not None else 0.0
    fall = _fall(t, y, air, blended_s, rise_k, loss_per_s, loss_slope_per_k, loss_ln, loss_ln_sd, start_c, handled)
    if fall is not None:
        broke = float(np.clip(BREAK_WEIGHT * log(max(fall, 0.5) / BREAK_USUAL), *BREAK_BOUNDS)) * _much_left(known)
        parts["break"] = broke
        basis.append((abs(broke), "broke_off" if broke > 0.0 else "tapered"))
    parts = {k: float(v) for k, v in parts.items()}
    basis.sort(reverse=True)
    return Layering(sum(parts.values()), tuple(name for weight, name in basis if weight > 0.2), parts, share)


# -------------------------------------------------------------------- curves


def _within(curve: Curve | None, since_s: float, until_s: float) -> Curve:
    if curve is None:
        return np.empty(0), np.empty(0)
    t, y = np.asarray(curve[0], float), np.asarray(curve[1], float)
    keep = (t >= since_s) & (t <= until_s)
    return t[keep], y[keep]


def _air_at(ambient: Curve | None, t: Array) -> Array:
    if ambient is None or ambient[0].size == 0:
        return np.full(t.size, priors.AIR_UNKNOWN_C)
    return np.asarray(np.interp(t, ambient[0], ambient[1]), float)


def _untouched(t: Array, handled: Sequence[tuple[float, float]], after_s: float) -> NDArray[np.bool_]:
    keep = np.ones(t.size, bool)
    for since, until in handled:
        keep &= (t < since - 60.0) | (t > until + after_s)
    return keep


def _means(t: Array, edges: Array, *columns: Array) -> tuple[Array, ...]:
    """Means of t and of each column over the spans between ``edges`` that hold anything; the counts come last."""
    group = np.searchsorted(edges, t, side="right")
    _, start = np.unique(group, return_index=True)
    count = np.diff(np.append(start, t.size)).astype(float)
    return (*(np.add.reduceat(c, start) / count for c in (t, *columns)), count)


def _plan() -> Array:
    """Spans of 4 minutes in the first forty, 10 to two hours, half an hour to six: edges, s after the blend."""
    plan = ((0.0, 2400.0, 240.0), (2400.0, 7200.0, 600.0), (7200.0, 21600.0, 1800.0))
    return np.concatenate([np.arange(a, b, step) for a, b, step in plan])


_EDGES = _plan()


# -------------------------------------------------------------------- the probes' differences


def _differences(  # noqa: PLR0917
    t: Array, y: Array, air: Array, top: Curve | None, bottom: Curve | None, blended_s: float, now_s: float,
    handled: Sequence[tuple[float, float]],
) -> tuple[list[tuple[str, Array, Array, Array, Array, Array]], float] | None:  # fmt: skip
    """For each of top and bottom: name, age, difference, core above air, slope of the core, noise."""
    out = []
    if t.size < 6:
        return None
    steepness = np.gradient(y, t)
    for name, curve in (("top", top), ("bottom", bottom)):
        own_t, own_y = _within(curve, blended_s, now_s)
        if own_t.size < 6:
            continue
        shared = (t >= own_t[0] - 30.0) & (t <= own_t[-1] + 30.0)
        # Nothing to interpolate over where either was silent for more than ten minutes.
        near = np.abs(own_t[np.clip(np.searchsorted(own_t, t), 0, own_t.size - 1)] - t)
        # A core near boiling is held down by its own steam: no reference.
        shared &= (near < 600.0) & _untouched(t, handled, 1200.0) & (y < BOILS_C)
        if int(shared.sum()) < 6:
            continue
        at = t[shared]
        edges = blended_s + _EDGES[at[0] - blended_s < _EDGES]
        when, gap, excess, rise, count = _means(
            at, edges, np.interp(at, own_t, own_y) - y[shared], (y - air)[shared], steepness[shared]
        )
        plunge = PLUNGE_K * np.exp(-(when - max(float(own_t[0]), float(t[0]))) / PLUNGE_S)
        noise = DIFFERENCE_NOISE_K / np.sqrt(np.minimum(count, 5.0)) + 0.05 + plunge
        out.append((name, when - blended_s, gap, np.maximum(excess, 1.0), rise, noise))
    return (out, now_s - blended_s) if out else None


def _layer(seen: list[tuple[str, Array, Array, Array, Array, Array]], age_s: float) -> tuple[float, str]:
    """ln of the likelihood ratio of a layer at the top, the bottom or both, and which it rests on.

    Each difference is a Gaussian process: offset, lag, the cooler outside that grows as the paste sets, and a wander.
    A broken batch has a bump besides, of unknown height, start and length: one more column, so that the ratio is
    closed form (Sherman and Morrison), averaged over starts and lengths.
    """
    starts = [s for s in LAYER_STARTS_S if s < age_s - 300.0]
    shapes = [(s, w) for s in starts for w in LAYER_SPANS_S]
    if not shapes:
        return 0.0, "no_layer_seen"
    begin = np.array([s for s, _ in shapes])
    span = np.array([w for _, w in shapes])
    total = np.zeros(begin.size)
    best: tuple[float, str] = (-np.inf, "no_layer_seen")
    outer = max(seen, key=lambda s: float(np.maximum(-s[2], 0.0).sum()))
    for name, age, gap, excess, rise, noise in seen:
        # When and how far the paste sets is not known here: beside a cold end, the other is known only in part, too.
        coldest = np.maximum(np.maximum(-gap, 0.0), np.interp(age, outer[1], np.maximum(-outer[2], 0.0)) / 2.0)
        set_in = -np.expm1(-np.maximum(age, 0.0) / 3600.0)
        # Over a board that holds the warmth the bottom may be the warmest of all; the top never is.
        mean = -(LIQUID_SHARE + (SET_SHARE if name == "top" else 0.3 * SET_SHARE) * set_in) * excess
        cover = np.full((age.size, age.size), OFFSET_SD_K**2)
        for column in (
            LIQUID_SHARE_SD * excess,
            SET_SHARE_SD * excess * set_in,
            SET_SHARE_SD * excess * -np.expm1(-np.maximum(age, 0.0) / 10800.0),
            LAG_SD_S * rise,
        ):
            cover += column[:, None] * column
        wander = WANDER_K + WANDER_SHARE * excess + SET_WANDER * coldest
        far = np.abs(np.subtract.outer(*(2 * (np.log(np.maximum(age, 0.0) + 600.0),))))
        cover += wander[:, None] * wander * np.exp(-far / WANDER_LENGTH)
        cover[np.diag_indices_from(cover)] += noise**2
        factor = np.linalg.cholesky(cover)
        since = np.maximum(age[:, None] - begin, 0.0) / span
        bump = since * np.exp(1.0 - since)
        white = np.linalg.solve(factor, np.column_stack([gap - mean, bump]))
        r, b = white[:, 0], white[:, 1:]
        power = np.square(b).sum(0)
        # A height of LAYER_K +/- LAYER_SD_K against none.
        residual = r[:, None] - LAYER_K * b
        along = (b * residual).sum(0)
        ratio = (
            0.5 * (np.square(r).sum() - np.square(residual).sum(0))
            + 0.5 * along**2 / (power + 1.0 / LAYER_SD_K**2)
            - 0.5 * np.log1p(LAYER_SD_K**2 * power)
        )
        # The layer may be at this end or not.
        ratio = np.logaddexp(ratio + log(0.6), log(0.4))
        total += ratio
        best = max(best, (float(ratio.max()), f"{name}_apart"))
    high = float(total.max())
    mean_ratio = high + log(float(np.exp(total - high).mean()))
    return float(np.clip(np.logaddexp(log(UNSEEN), log(1.0 - UNSEEN) + mean_ratio), -1.0, 6.0)), best[1]


# -------------------------------------------------------------------- the stop


@dataclass(frozen=True, slots=True)
class _Pace:
    """The last stretch of the core, in spans: how it cools, and what the loss would be. Arrays hang together."""

    age_s: Array
    cooling_k_s: Array
    cooling_sd_k_s: Array
    loss_k_s: Array  # at the nominal coefficient
    excess_k: Array
    share: float  # heat made so far over the promise


def _pace(  # noqa: PLR0917
    t: Array, y: Array, air: Array, blended_s: float, now_s: float, rise_k: float, loss_per_s: float,
    loss_slope_per_k: float, loss_ln: float, start_c: float | None, handled: Sequence[tuple[float, float]],
) -> _Pace | None:  # fmt: skip
    theta = np.maximum(y - air, 0.0)
    loss = loss_per_s * (1.0 + loss_slope_per_k * theta) * theta
    lost = float(np.sum(0.5 * (loss[1:] + loss[:-1]) * np.diff(t))) * exp(loss_ln)
    began = start_c if start_c is not None else min(float(y[:5].max()), 50.0)
    share = (float(y[-3:].mean()) - began + lost) / rise_k
    age = float(t[-1]) - blended_s
    # The last two thirds of the age, less where it was handled; never less than 25 minutes' worth.
    since = max(float(t[-1]) - max(STRETCH * age, 1500.0), float(t[0]) + 240.0)
    since = max([since, *(until + 1200.0 for start, until in handled if start < now_s)])
    late = t >= since
    if int(late.sum()) < 10 or t[-1] - t[late][0] < 1200.0:
        return None
    t, y, loss, theta = t[late], y[late], loss[late], theta[late]
    spans = int(np.clip((t[-1] - t[0]) / 600.0, 2, 6))
    group = np.minimum(((t - t[0]) / (t[-1] - t[0]) * spans).astype(np.int64), spans - 1)
    start = np.flatnonzero(np.diff(group, prepend=-1))
    count = np.diff(np.append(start, t.size)).astype(float)
    keep = count >= 4.0

    def mean(x: Array) -> Array:
        return np.asarray(np.add.reduceat(x, start) / count, float)

    when, level = mean(t), mean(y)
    at = t - np.repeat(when, count.astype(np.int64))
    spread = np.add.reduceat(at * at, start)
    slope = np.add.reduceat(at * y, start) / np.maximum(spread, 1.0)
    # Minute means err by a tenth of a kelvin and a converter's step; errors of neighbours hang together.
    sd = 2.0 * 0.12 / np.sqrt(np.maximum(spread, 1.0))
    keep &= spread > 1.0
    if int(keep.sum()) < 2 or level.size == 0:
        return None
    return _Pace((when - blended_s)[keep], -slope[keep], sd[keep], mean(loss)[keep], mean(theta)[keep], share)


def _fall(  # noqa: PLR0917
    t: Array, y: Array, air: Array, blended_s: float, rise_k: float, loss_per_s: float, loss_slope_per_k: float,
    loss_ln: float, loss_ln_sd: float, start_c: float | None, handled: Sequence[tuple[float, float]],
) -> float | None:  # fmt: skip
    """Steepest fall of the reaction's pace while it ran high, per share used up; mean over three sizes of the loss."""
    early = slice(0, int(np.searchsorted(t, blended_s + BREAK_UNTIL_S)))
    t, y, air = t[early], y[early], air[early]
    if t.size < 8:
        return None
    begin = float(t[0]) + 4.0 * PLUNGE_S  # the probe just pushed in
    cut = [since for since, until in handled if until > begin]
    end = min([float(t[-1]), blended_s + BREAK_UNTIL_S, *(since - 60.0 for since in cut)])
    centre = np.arange(begin + BREAK_SPAN_S / 2.0, end - BREAK_SPAN_S / 2.0 + 1.0, BREAK_STEP_S)
    ahead = round(BREAK_S / BREAK_STEP_S)
    if centre.size <= ahead:
        return None
    theta = np.maximum(y - air, 0.0)
    columns = np.stack([np.ones(t.size), t - t[0], y, loss_per_s * (1.0 + loss_slope_per_k * theta) * theta])
    sums = np.cumsum(np.stack([*columns, (t - t[0]) ** 2, (t - t[0]) * y]), axis=1)
    sums = np.concatenate([np.zeros((6, 1)), sums], axis=1)
    low = np.searchsorted(t, centre - BREAK_SPAN_S / 2.0)
    high = np.searchsorted(t, centre + BREAK_SPAN_S / 2.0, side="right")
    n, at, level, loss, square, cross = sums[:, high] - sums[:, low]
    if n.min() < 4.0:
        return None  # a gap: no telling how steep it was
    slope = (cross - at * level / n) / np.maximum(square - at * at / n, 1.0)
    level, loss = level / n, loss / n
    began = start_c if start_c is not None else min(float(level[0]), 48.0)
    cold = np.exp(ACTIVATION_K * (1.0 / (level + ZERO_CELSIUS_K) - 1.0 / model.REFERENCE_K))
    falls = []
    for z in (-1.2, 0.0, 1.2):
        rate = (slope + exp(loss_ln + loss_ln_sd * z) * loss) / rise_k
        made = np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) * BREAK_STEP_S)])
        made += max((float(level[0]) - began) / rise_k, 0.05)
        pace, floor = np.maximum(rate, 0.0) * cold, (PACE_FLOOR * loss / rise_k + 2e-6) * cold
        used = np.maximum(made[ahead:] - made[:-ahead], 0.005) / np.maximum(0.97 - made[:-ahead], 0.1)
        fall = np.log((pace + floor)[:-ahead] / (pace + floor)[ahead:]) / (used + USED_FLOOR)
        high_up = (pace >= 0.5 * np.maximum.accumulate(pace))[:-ahead] & (made[:-ahead] < 0.75)
        falls.append(float(fall[high_up].max(initial=0.5)))
    return sum(falls) / len(falls)


def _much_left(share: float) -> float:
    """How far a stop is news: 1 where most is left, 0 where the promised heat has come. Known to about 0.1."""
    return 1.0 / (1.0 + exp((share - 0.78) / 0.06))


def _dead(  # noqa: PLR0917
    pace: _Pace, rise_k: float, loss_ln: float, loss_ln_sd: float, core_time_s: float, known_air: bool
) -> float:
    """ln of the ratio for a stretch that cools as if nothing reacted, by sums over the loss and the pace of reaction.

    Not split: what is left goes on at a pace that falls as 1/age or slower. Split: at next to nothing.
    """
    grid, weight = _NORMAL_GRID, _NORMAL_WEIGHT
    stiff = np.clip(pace.share, 0.0, 1.0) / (np.clip(pace.share, 0.0, 1.0) + 0.35)
    felt = 1.0 - 0.8 * stiff * np.exp(-pace.age_s / core_time_s)  # a set core does not feel the loss at once
    left = float(np.clip(0.97 - pace.share, 0.1, 0.97)) * rise_k / 3600.0
    hours = np.maximum(pace.age_s / 3600.0, 0.3)
    air_sd = priors.AIR_OFFSET_SD_K if known_air else priors.AIR_UNKNOWN_SD_K
    # An air that is off by so much acts like a loss that is: one factor for both.
    spread = sqrt(loss_ln_sd**2 + (air_sd / max(float(pace.excess_k.mean()), 4.0)) ** 2)
    loss = np.exp(loss_ln + spread * grid)[:, None] * (pace.loss_k_s * felt)
    sd = np.sqrt(pace.cooling_sd_k_s**2 + (PACE_ERROR * pace.loss_k_s) ** 2)

    def likelihood(shape: Array, per_h: float, ln_sd: float) -> float:
        reacts = np.exp(log(per_h) + ln_sd * grid)[:, None] * (left * shape)
        misfit = (pace.cooling_k_s - loss[:, None, :] + reacts[None, :, :]) / sd
        return float(weight @ np.exp(-0.5 * np.square(misfit).sum(-1)) @ weight)

    poor = sum(likelihood(hours**-q, POOR_PER_H, POOR_LN_SD) for q in (0.4, 1.0)) / 2.0
    dead = likelihood(1.0 / hours, DEAD_PER_H, DEAD_LN_SD)
    floor = 1e-9
    return float(np.clip(log(STILL_REACTING + (1.0 - STILL_REACTING) * (dead + floor) / (poor + floor)), *DEAD_BOUNDS))


_NORMAL_GRID = np.linspace(-2.4, 2.4, 15)
_NORMAL_WEIGHT = np.exp(-0.5 * _NORMAL_GRID**2) / np.exp(-0.5 * _NORMAL_GRID**2).sum()
