"""Many batches of the first simulator as compact arrays: what probes without faults would show, and what came of it.

One chunk is simulated in one vectorised run (about 0.04 s of CPU a batch in chunks of 900, 0.2 s in chunks of 60) and
thinned to minute means for 90 minutes after blending, 5 minutes to hour 6, 20 to hour 24, then hours. Used by
``tests.bench.limit`` only.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.simulator import faults
from tests.simulator.bucket import (
    KOH_G_MOL,
    OILS,
    WORLD_STYLES,
    Run,
    Scenario,
    Truth,
    World,
    draw_scenario,
    simulate_with_truth,
    world_for,
)
from tests.simulator.write import SHARES, blended_again

Array = NDArray[Any]

PROBES = ("core", "ambient", "top", "bottom", "wall")
# Bin edges, seconds after blending as noted (to the minute).
EDGES = np.concatenate(
    [
        np.arange(0, 90 * 60, 60),
        np.arange(90 * 60, 6 * 3600, 300),
        np.arange(6 * 3600, 24 * 3600, 1200),
        np.arange(24 * 3600, 72 * 3600 + 1, 3600),
    ]
).astype(float)
DUE_KINDS = ("not_taken", "too_hot", "cooled_early", "incomplete", "separated")
INSULATION = {"bare": 0.0, "blanket": 1.0, "box": 2.0}
WORLDS_PER_STYLE = 10


def _probe_curves(runs: list[Run], in_s: Array) -> Array:
    """Readings on the run's own grid, [time, probe, batch]; a reading every 30 s is worth the same noise a minute."""
    t = runs[0].t_s
    dt = np.diff(t, prepend=t[0] - 10.0)
    truth = np.empty((len(t), len(PROBES), len(runs)))
    lag, offset, noise, step = (np.empty((len(PROBES), len(runs))) for _ in range(4))
    for i, run in enumerate(runs):
        fittings = {
            f.probe: f for f in faults.draw_fittings(run.scenario.seed, ambient=True, extra=("top", "bottom", "wall"))
        }
        out = t < in_s[i]
        for since_s, until_s in blended_again(run.scenario):
            out |= (t >= since_s) & (t < until_s)
        for j, probe in enumerate(PROBES):
            f = fittings[probe]
            place = faults.place_c(run, f)
            truth[:, j, i] = place if probe == "ambient" else np.where(out, run.air_c + 0.4, place)
            lag[j, i], offset[j, i], noise[j, i], step[j, i] = f.lag_s, f.offset_k, f.noise_k, f.step_k
    shown = np.empty_like(truth)
    y = truth[0].copy()
    for k in range(len(t)):
        y = truth[k] + (y - truth[k]) * np.exp(-dt[k] / lag)
        shown[k] = y
    rng = np.random.default_rng([runs[0].scenario.seed, 91])
    shown += offset + noise * np.sqrt(30.0 / np.minimum(dt, 30.0))[:, None, None] * rng.normal(size=shown.shape)
    return np.round(shown / step) * step


def _entered(s: Scenario, rng: np.random.Generator, world: World, in_s: float) -> dict[str, float]:
    """What the grower noted, and (names in ``x_``) what he could have noted or known."""
    oil = sum(kg for _, kg in s.oils)
    sv = sum(kg * sum(OILS[n]) / 2 for n, kg in s.oils) / oil
    mass = oil + s.koh_kg + s.water_kg
    radius = (4 * s.litres / 1000 / (1.1 * np.pi)) ** (1 / 3) / 2
    depth = mass / 985.0 / (np.pi * radius**2)
    by = {d.kind: d for d in s.doings}
    when = (s.poured_unix_s / 86400.0) % 365.25
    heat = world.heat_kj_mol / (world.cp_start + world.cp_gain)
    return {
        "oil_kg": oil,
        "sv": sv,
        "mass_kg": mass,
        "koh_share": s.koh_kg / mass,
        "purity": s.koh_purity,
        "lye_ratio": s.koh_kg * s.koh_purity * 1000 / KOH_G_MOL / (oil * sv / KOH_G_MOL),
        "rise_nominal_k": 58.0 * s.promised_mol / (mass * 2.55),
        "fill": mass / 985.0 * 1000 / s.litres,
        "area_per_kg": (np.pi * radius**2 * 2 + 2 * np.pi * radius * depth) / mass,
        "radius_m": radius,
        "depth_m": depth,
        "insulation": INSULATION[s.insulation],
        "season_sin": np.sin(2 * np.pi * when / 365.25),
        "season_cos": np.cos(2 * np.pi * when / 365.25),
        "hour": (s.poured_unix_s / 3600.0) % 24,
        "blend_from_s": round(s.blend_from_s / 60) * 60.0,
        "blend_for_s": round((s.blend_to_s - s.blend_from_s) / 60) * 60.0,
        "in_after_s": in_s - s.blend_to_s,
        "lid_off_s": by["lid-off"].at_s - s.blend_to_s if "lid-off" in by else np.nan,
        "covered_s": by["covered"].at_s - s.blend_to_s if "covered" in by else np.nan,
        "uncovered_s": by["uncovered"].at_s - s.blend_to_s if "uncovered" in by else np.nan,
        "reblended_s": by["reblended"].at_s - s.blend_to_s if "reblended" in by else np.nan,
        "x_pour_c": s.pour_c + float(rng.normal(0, 1.0)),
        # A checked history of this bucket: the rise per mole to 2 %.
        "x_heat": heat * float(rng.normal(1, 0.02)),
        "x_heat_exact": s.heat_kj_mol / (world.cp_start + world.cp_gain) / s.cp_factor,
        "x_kinetics": float(("droplets", "kamal", "age").index(world.kinetics)),
        "x_conductivity": world.conductivity * (1 + 4 * world.stirs_after_set),
        "x_draughty": float(world.loss == "draughty"),
        "x_vapour": world.vapour,
        "x_activation": world.activation_kj_mol,
    }


def _came(s: Scenario, run: Run, truth: Truth, blended_s: float) -> dict[str, float]:
    known = min(s.true_koh_mol, s.true_ester_mol) / s.promised_mol
    none = np.nan
    return {
        "t_final": truth.final,
        "t_unmended": truth.final_unmended,
        "t_good": float(truth.good),
        "t_known": known,
        "t_potash": float(truth.final < 0.90 and known < 0.905),
        "t_kind": float(list(SHARES).index(s.kind)),
        "t_lonely": float(run.unpartnered.max()),
        "t_core85_s": none if truth.core_over_85_s is None else truth.core_over_85_s - blended_s,
        "t_any95_s": none if truth.any_over_95_s is None else truth.any_over_95_s - blended_s,
        "t_peak_hot_c": float(run.hottest_c[run.t_s >= s.blend_to_s].max()),
        **{f"t_due_{k}": truth.due[k] - blended_s if k in truth.due else none for k in DUE_KINDS},
        **{f"t_soap_{m}": float(np.interp(blended_s + m * 60, run.t_s, run.soap)) for m in (0, 20, 40, 60, 180, 240)},
    }


def chunk(seed: int, count: int) -> dict[str, Array]:
    """``count`` batches of tuning seed ``seed``: {"curve": [batch, probe, bin], "name of a column": [batch], ...}."""
    rng = np.random.default_rng([seed, 3])
    kinds = list(SHARES)
    weights = np.array([SHARES[k] for k in kinds]) / sum(SHARES.values())
    worlds, scenarios, groups = [], [], []
    for i in range(count):
        style = WORLD_STYLES[i % len(WORLD_STYLES)]
        world_seed = seed * 10 + (i // len(WORLD_STYLES)) % WORLDS_PER_STYLE
        world = world_for(style, world_seed)
        worlds.append(world)
        groups.append(world_seed * len(WORLD_STYLES) + i % len(WORLD_STYLES))
        scenarios.append(draw_scenario(str(rng.choice(kinds, p=weights)), seed * 100_000 + i, world))
    answers = simulate_with_truth(worlds, scenarios)
    runs = [run for run, _ in answers]
    in_s = np.array(
        [s.blend_to_s + (rng.uniform(60, 300) if rng.random() < 0.95 else rng.uniform(600, 1500)) for s in scenarios]
    )
    shown = _probe_curves(runs, in_s)
    t = runs[0].t_s
    curve = np.full((count, len(PROBES), len(EDGES) - 1), np.nan, dtype=np.float32)
    columns: dict[str, list[float]] = {}
    for i, (s, (run, truth)) in enumerate(zip(scenarios, answers, strict=True)):
        blended = s.blend_from_s + round((s.blend_to_s - s.blend_from_s) / 60) * 60.0
        # Bins end where they end: a mean over a bin is known at its upper edge.
        place = np.searchsorted(t, EDGES + blended)
        first, last = place[:-1], np.maximum(place[1:], place[:-1])
        sums = np.concatenate([np.zeros((1, len(PROBES))), np.cumsum(shown[:, :, i], axis=0)])
        n = (last - first)[:, None]
        mean = (sums[last] - sums[first]) / np.where(n > 0, n, np.nan)
        lower, upper = EDGES[:-1], EDGES[1:]
        out = lower + blended < in_s[i] + 30
        for d in s.doings:
            if d.kind == "reblended":
                out |= (upper + blended > d.at_s - 60) & (lower + blended < d.at_s + d.for_s + 180)
        mean[out[:, None] & (np.array(PROBES) != "ambient")[None, :]] = np.nan
        curve[i] = mean.T
        row = {**_entered(s, rng, worlds[i], in_s[i]), **_came(s, run, truth, blended), "world": float(groups[i])}
        for name, value in row.items():
            columns.setdefault(name, []).append(float(value))
    return {"curve": curve, **{k: np.array(v) for k, v in columns.items()}}


def many(batches: int, seed: int, keep: Path | None, size: int = 900) -> dict[str, Array]:
    """``batches`` batches in chunks of ``size`` from tuning seeds ``seed``, ``seed`` + 1, ...; kept in ``keep``."""
    parts: list[dict[str, Array]] = []
    k, left = seed, batches
    while left > 0:
        if k >= 1000:
            raise ValueError(f"Seed {k} is for reports; begin lower or ask for fewer batches.")
        count = min(size, left)
        path = None if keep is None else keep / f"chunk-{k}-{count}.npz"
        if path is not None and path.exists():
            with np.load(path) as stored:
                parts.append({name: stored[name] for name in stored.files})
        else:
            parts.append(chunk(k, count))
            if path is not None:
                path.parent.mkdir(parents=True, exist_ok=True)
                np.savez_compressed(path, **parts[-1])  # type: ignore[arg-type]
        k, left = k + 1, left - count
    return {name: np.concatenate([p[name] for p in parts]) for name in parts[0]}
