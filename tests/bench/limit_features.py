"""What a black box is shown of a batch at an age after blending. Used by ``tests.bench.limit`` only."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.bench.limit_data import EDGES, PROBES

Array = NDArray[Any]

MINUTES = np.array(
    [3, 4, 5, 6, 7, 8, 10, 12, 14, 16, 18, 20, 23, 26, 30, 35, 40, 50, 60, 75, 90, 105, 120, 150, 180, 240, 300, 360,
     480, 600, 720, 960, 1200, 1440, 1800, 2160, 2880, 3600, 4200]
)  # fmt: skip
STATIC = (
    "oil_kg", "sv", "mass_kg", "koh_share", "purity", "lye_ratio", "rise_nominal_k", "fill", "area_per_kg", "radius_m",
    "depth_m", "insulation", "season_sin", "season_cos", "hour", "blend_from_s", "blend_for_s", "in_after_s",
)  # fmt: skip
NOTED = ("lid_off_s", "covered_s", "uncovered_s", "reblended_s")
# What may be known beside one core probe.
EXTRA = {
    "ambient": (),
    "top+bottom": (),
    "wall": (),
    "pour": ("x_pour_c",),
    "heat": ("x_heat",),
    "world": ("x_heat_exact", "x_kinetics", "x_conductivity", "x_draughty", "x_vapour", "x_activation"),
}


def filled(curve: Array) -> Array:
    """Gaps closed along the last axis: by the last reading before, and before the first reading by the first."""
    ok = np.isfinite(curve)
    last = np.maximum.accumulate(np.where(ok, np.arange(curve.shape[-1]), -1), axis=-1)
    last = np.where(last < 0, np.argmax(ok, axis=-1)[..., None], last)
    return np.take_along_axis(curve, last, axis=-1).astype(float)


def _window(series: Array, a_s: float, b_s: float) -> Array:
    """Mean over the bins that lie in [a, b]."""
    lower, upper = EDGES[: series.shape[-1]], EDGES[1 : series.shape[-1] + 1]
    inside = (lower >= a_s - 1) & (upper <= b_s + 1)
    if not inside.any():
        inside = np.zeros(len(lower), dtype=bool)
        inside[np.searchsorted(upper, b_s + 1, side="right") - 1] = True
    return np.asarray(series[..., inside].mean(axis=-1))


def features(data: dict[str, Array], age_s: float, known: tuple[str, ...]) -> tuple[Array, list[str]]:
    """One row a batch; ``known`` names what is known beside the core probe (keys of ``EXTRA``)."""
    n_bins = int(np.searchsorted(EDGES[1:], age_s + 1, side="right"))
    probes = {p: filled(data["curve"][:, i, :n_bins]) for i, p in enumerate(PROBES)}
    lower, upper = EDGES[:n_bins], EDGES[1 : n_bins + 1]
    width, middle = upper - lower, (lower + upper) / 2
    core = probes["core"]
    cols: dict[str, Array] = {f"static {k}": data[k] for k in STATIC}
    cols["static ln mass"] = np.log(data["mass_kg"])
    for k in NOTED:
        happened = data[k] <= age_s
        cols[f"noted {k}"] = happened.astype(float)
        cols[f"noted {k} since"] = np.where(happened, np.log1p(np.maximum(age_s - data[k], 0) / 600), 0)
    for name in known:
        for k in EXTRA[name]:
            cols[f"{name} {k}"] = data[k]

    if "ambient" in known:
        air = probes["ambient"]
        cols["air at blending"] = _window(air, 0, 1200)
        for a, b in ((0, 1), (1, 3), (3, 8), (8, 16), (16, 30), (30, 50), (50, 71)):
            if age_s >= b * 3600:
                cols[f"air {a}-{b} h"] = _window(air, a * 3600, b * 3600)
    else:
        guess = 11.5 - 8.0 * data["season_cos"]
        if age_s > 60 * 3600:
            guess = _window(core, 50 * 3600, age_s)
        air = np.repeat(guess[:, None], n_bins, axis=1)
    over = core - air

    marks = [m * 60.0 for m in MINUTES if m * 60 <= age_s + 1]
    if marks[-1] < age_s - 60:
        marks.append(age_s)
    at = [_window(core, m - max(60.0, 0.12 * m), m) for m in marks]
    where = [m - max(60.0, 0.12 * m) / 2 for m in marks]
    air_at = [_window(air, m - max(60.0, 0.12 * m), m) for m in marks]
    for i, m in enumerate(marks):
        cols[f"core T {m / 60:.0f}"] = at[i]
        if i:
            dt = where[i] - where[i - 1]
            rate = (at[i] - at[i - 1]) / dt
            mean_over = np.maximum((at[i] + at[i - 1] - air_at[i] - air_at[i - 1]) / 2, 3.0)
            cols[f"core rate {m / 60:.0f}"] = np.arcsinh(rate * 3600 / 2.0)
            cols[f"core loss {m / 60:.0f}"] = np.clip(rate * 3600 / mean_over, -1.5, 1.5)
    peak = core.max(axis=1)
    cols["core peak"], cols["core peak age"] = peak, np.log1p(middle[core.argmax(axis=1)] / 300)
    cols["core first"] = core[:, 0]

    # Heat made so far by a nominal loss, and by the loss that this curve itself shows once it only cools.
    start = data["x_pour_c"] if "pour" in known else core[:, 0]
    rise = data["rise_nominal_k"] * (data["x_heat"] / 22.75 if "heat" in known else 1.0)
    held = np.array([1.0, 2.4, 3.2])[data["insulation"].astype(int)]
    nominal = 11.0 * data["area_per_kg"] / 2550.0 / held
    losses = {"nominal": nominal}
    for begin, end in ((1.5, 3.0), (3.0, 6.0), (6.0, 12.0), (12.0, 24.0)):
        if age_s >= end * 3600 - 1:
            early, late = _window(over, begin * 3600, begin * 3600 * 1.15), _window(over, end * 3600 * 0.87, end * 3600)
            gap = (end * 0.935 - begin * 1.075) * 3600
            losses[f"own {begin:g}-{end:g} h"] = np.clip(
                np.log(np.maximum(early, 1.0) / np.maximum(late, 1.0)) / gap, 1e-6, 4e-4
            )
    lost = np.cumsum(over * width, axis=1)
    for name, k in losses.items():
        cols[f"heat loss {name}"] = np.log(np.maximum(k, 1e-7))
        for minute in (10, 20, 40, 60, 120, 180, 240, 360, 720, 1440):
            if minute * 60 <= age_s + 1:
                j = int(np.searchsorted(upper, minute * 60 + 1, side="right")) - 1
                held_k = _window(core, minute * 60 - max(60.0, 6.0 * minute), minute * 60)
                cols[f"heat {name} {minute}"] = (held_k - start + k * lost[:, j]) / rise
    cols["heat peak"] = (peak - start) / rise

    pairs = [p for p in ("top", "bottom") if "top+bottom" in known] + [p for p in ("wall",) if "wall" in known]
    for p in pairs:
        before: Array | None = None
        for m in marks[1::2]:
            apart = _window(probes[p] - core, m - max(60.0, 0.12 * m), m)
            cols[f"{p} less core {m / 60:.0f}"] = apart
            if before is not None:
                cols[f"{p} less core, change {m / 60:.0f}"] = np.clip(apart - before, -8, 8)
            before = apart
    if "top" in pairs:
        for m in marks[1::2]:
            top, bottom = cols[f"top less core {m / 60:.0f}"], cols[f"bottom less core {m / 60:.0f}"]
            cols[f"top less bottom {m / 60:.0f}"] = top - bottom
    names = list(cols)
    return np.stack([cols[k] for k in names], axis=1), names


def hot_snapshots(data: dict[str, Array], known: tuple[str, ...]) -> tuple[Array, Array, Array, list[str]]:
    """Whole minutes of the first 90 after blending, the core at 58 or more, to ten minutes after any part passed 95.

    Returns rows, batch index, seconds after blending at which the row is known, names.
    """
    probes = {p: filled(data["curve"][:, i, :90]) for i, p in enumerate(PROBES)}
    core = probes["core"]
    raw = data["curve"][:, 0, :90]
    first = np.argmax(np.isfinite(raw), axis=1)
    rows, batch, when = [], [], []
    names: list[str] = []
    for j in range(1, 90):
        now = EDGES[j + 1]
        passed = np.nan_to_num(data["t_any95_s"], nan=np.inf)
        use = np.flatnonzero((first <= j - 1) & (core[:, j] >= 58) & (passed + 600 >= now) & np.isfinite(raw[:, j]))
        if not len(use):
            continue
        c, f = core[use], first[use]
        cols: dict[str, Array] = {k: data[k][use] for k in STATIC}
        cols["age"] = np.full(len(use), np.log(now / 600))
        cols["since in"] = np.log((j - f + 1) / 5.0)
        cols["core now"] = c[:, j]
        cols["core first"] = c[np.arange(len(use)), f]
        for back in (1, 2, 3, 5, 8, 12):
            b = np.maximum(j - back, f)
            span = np.maximum(j - b, 1)
            cols[f"slope {back}"] = (c[:, j] - c[np.arange(len(use)), b]) / span
        mid = np.maximum(j - 4, f)
        far = np.maximum(j - 8, f)
        r = np.arange(len(use))
        cols["bend"] = (c[:, j] - c[r, mid]) / np.maximum(j - mid, 1) - (c[r, mid] - c[r, far]) / np.maximum(
            mid - far, 1
        )
        cols["below peak"] = c[:, : j + 1].max(axis=1) - c[:, j]
        rise = data["rise_nominal_k"][use] * (data["x_heat"][use] / 22.75 if "heat" in known else 1.0)
        cols["rise"] = rise
        if "ambient" in known:
            cols["air"] = probes["ambient"][use, : j + 1].mean(axis=1)
        if "pour" in known:
            pour = data["x_pour_c"][use]
            cols["pour"], cols["made"], cols["to come"] = pour, (c[:, j] - pour) / rise, pour + rise - c[:, j]
        for p in (("top", "bottom") if "top+bottom" in known else ()) + (("wall",) if "wall" in known else ()):
            cols[f"{p} gap"] = probes[p][use, j] - c[:, j]
            cols[f"{p} slope"] = (probes[p][use, j] - probes[p][use, np.maximum(j - 3, 0)]) / 3
        for name in known:
            for k in EXTRA[name]:
                cols[f"{name} {k}"] = data[k][use]
        names = list(cols)
        rows.append(np.stack(list(cols.values()), axis=1))
        batch.append(use)
        when.append(np.full(len(use), now))
    return np.concatenate(rows), np.concatenate(batch), np.concatenate(when), names
