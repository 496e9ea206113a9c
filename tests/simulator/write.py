"""Writes invented batches: NAME.rec, NAME.toml and NAME.truth.json each.

    python -m tests.simulator.write --seed N --count M --out DIR [--styles column droplets-still]

Two simulators can stand behind a batch: ``bucket.py``, and ``column.py`` for world styles that begin with "column-".
"column" means all of these, "bucket" all of the others; without a word it is "bucket".

Seeds below 1000 are for tuning, seeds from 1000 on for reports; nothing else tells them apart, so keep to it.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np

from tests.simulator import column, faults, wire
from tests.simulator.bucket import (
    WORLD_STYLES,
    Run,
    Scenario,
    Truth,
    draw_scenario,
    simulate_with_truth,
    world_for,
)

FIRST_REPORT_SEED = 1000
WORLDS_PER_STYLE = 3
SHARES = {"good": 0.39, "hot": 0.12, "poor": 0.13, "separated": 0.22, "weak": 0.09, "cold": 0.05}


@dataclass(frozen=True)
class Draw:
    """Everything about one batch that is not physics: what was recorded, noted and broken."""

    scenario: Scenario | column.ColumnScenario
    world_style: str
    world_seed: int
    bucket: str


def styles_of(names: Sequence[str]) -> tuple[str, ...]:
    """World styles for what was asked: their own names, or "bucket" or "column" for all of one simulator."""
    groups = {"bucket": WORLD_STYLES, "column": column.STYLES}
    out = tuple(style for name in names for style in groups.get(name, (name,)))
    unknown = [x for x in out if x not in WORLD_STYLES + column.STYLES]
    if unknown:
        raise ValueError(f"no such world style: {unknown[0]}; there are {', '.join(WORLD_STYLES + column.STYLES)}")
    return out


def draw_batches(
    seed: int, count: int, styles: tuple[str, ...] = WORLD_STYLES, shares: dict[str, float] | None = None
) -> list[Draw]:
    """``count`` batches over several worlds; kinds are drawn by ``shares``, else by the simulator's own."""
    styles = styles_of(styles)
    rng = np.random.default_rng([seed, 1])
    out = []
    for i in range(count):
        style = styles[i % len(styles)]
        world_seed = seed * 10 + (i // len(styles)) % WORLDS_PER_STYLE
        of_column = style in column.STYLES
        mixture = shares or (column.SHARES if of_column else SHARES)
        weights = np.array(list(mixture.values()))
        kind = str(rng.choice(list(mixture), p=weights / weights.sum()))
        number, name = seed * 100_000 + i, f"Quillmarsh {seed}-{i:04d}"
        scenario = (
            column.draw_column(kind, number, column.column_world(style, world_seed), name=name)
            if of_column
            else draw_scenario(kind, number, world_for(style, world_seed), name=name)
        )
        out.append(Draw(scenario, style, world_seed, f"bucket-{i % 9}"))
    return out


def simulate_draws(draws: list[Draw], hours: float = 72.0) -> list[tuple[Draw, Run, Truth]]:
    """Simulate them all; answers come in the order of ``draws``."""
    in_columns = [(i, d.scenario) for i, d in enumerate(draws) if isinstance(d.scenario, column.ColumnScenario)]
    in_buckets = [(i, d.scenario) for i, d in enumerate(draws) if not isinstance(d.scenario, column.ColumnScenario)]
    results: dict[int, tuple[Run, Truth]] = {}
    if in_columns:
        column_worlds = [column.column_world(draws[i].world_style, draws[i].world_seed) for i, _ in in_columns]
        answers = column.column_with_truth(column_worlds, [s for _, s in in_columns], hours)
        results |= {i: answer for (i, _), answer in zip(in_columns, answers, strict=True)}
    if in_buckets:
        worlds = [world_for(draws[i].world_style, draws[i].world_seed) for i, _ in in_buckets]
        answers = simulate_with_truth(worlds, [s for _, s in in_buckets], hours)
        results |= {i: answer for (i, _), answer in zip(in_buckets, answers, strict=True)}
    return [(d, *results[i]) for i, d in enumerate(draws)]


def second_probes(rng: np.random.Generator) -> tuple[str, ...]:
    """Which probes there are beside the core: mostly none."""
    more = rng.random()
    if more < 0.2:
        return ("top", "bottom")
    if more < 0.35:
        return ("wall",)
    return ("wall", "top", "bottom") if more < 0.4 else ()


def heard_from_s(rng: np.random.Generator, scenario: Scenario) -> float:
    """When the recorder starts, seconds after the pour: before it, minutes late, or half an hour after the blend."""
    start = rng.random()
    if start < 0.6:
        return float(rng.uniform(-2400, -60))
    if start < 0.94:
        return float(rng.uniform(0, 600))
    return scenario.blend_to_s + float(rng.uniform(1800, 7200))


def pushed_in_s(rng: np.random.Generator, scenario: Scenario) -> float:
    """When the core probe goes in, seconds after the pour: right after the blend, or forgotten for a while."""
    soon = rng.random() < 0.95
    return scenario.blend_to_s + (float(rng.uniform(60, 300)) if soon else float(rng.uniform(600, 1500)))


def blended_again(scenario: Scenario) -> tuple[tuple[float, float], ...]:
    """From when to when every paste probe is out for a re-blend, seconds after the pour."""
    return tuple((d.at_s - 60, d.at_s + d.for_s + 60) for d in scenario.doings if d.kind == "reblended")


def sample_all(
    run: Run, t_s: np.ndarray, in_s: float, seed: int, *, ambient: bool, extra: tuple[str, ...]
) -> list[faults.Samples]:
    """What every probe of the node shows, out of the paste while it is blended again; the core comes first."""
    out_windows = blended_again(run.scenario)
    return [
        faults.sample(run, f, t_s, in_s + (20 if f.probe != "core" else 0), seed, out_windows=out_windows)
        for f in faults.draw_fittings(seed, ambient=ambient, extra=extra)
    ]


def record(draw: Draw, run: Run, truth: Truth, hours: float = 72.0) -> tuple[bytes, str, dict[str, object]]:
    """The recording, the grower's notes, and the truth for the scorer."""
    s = draw.scenario
    rng = np.random.default_rng([s.seed, 81])
    ambient = bool(rng.random() < 0.75)
    extra = second_probes(rng)
    every = float(rng.choice([10, 15, 20, 30, 60], p=[0.04, 0.06, 0.25, 0.35, 0.30]))
    t0 = heard_from_s(rng, s)
    t = np.arange(t0, hours * 3600.0, every)
    in_s = pushed_in_s(rng, s)
    samples = sample_all(run, t, in_s, s.seed, ambient=ambient, extra=extra)
    style = wire.draw_style(s.seed, hours)
    # A node that kept its samples back for longer would be silent by the design's three minutes of the first hour.
    style = replace(style, samples_per_pack=max(1, min(style.samples_per_pack, int(120 / every))))
    laid: list[faults.Fault] = []
    for _ in range(int(rng.choice([0, 1, 2], p=[0.55, 0.38, 0.07]))):
        victim = samples[0] if len(samples) == 1 or rng.random() < 0.7 else samples[int(rng.integers(1, len(samples)))]
        fault = faults.draw_fault(run, victim, max(in_s, t0), int(rng.integers(1 << 30)))
        if fault.from_s > (hours - 0.75) * 3600:
            continue
        if any(x.from_s - 3600 < fault.to_s and fault.from_s < x.to_s + 3600 for x in laid):
            continue
        if fault.kind == "silent":
            for each in samples:
                faults.apply(replace(fault, probe=each.probe), each, run, s.seed)
            fault = replace(fault, probe="*")
        else:
            faults.apply(fault, victim, run, s.seed)
        laid.append(fault)
    if style.backfill and style.backfill[1] > (hours - 0.5) * 3600:
        style = replace(style, backfill=None)
    if style.backfill:
        if any(x.from_s < style.backfill[1] and style.backfill[0] < x.to_s for x in laid):
            style = replace(style, backfill=None)
        else:
            laid.append(faults.Fault("*", "backfill", style.backfill[0], style.backfill[1], "silent"))
    if in_s > s.blend_to_s + 300:
        laid.append(faults.Fault("core", "not-in-yet", s.blend_to_s, in_s + 420, ""))
    for a, b in blended_again(s):
        laid.append(faults.Fault("core", "reblending", a - 60, b + 420, ""))

    forget: tuple[str, ...] = ()
    if rng.random() < 0.08:
        forget = (str(rng.choice(["oil", "water", "koh"])),)
    rec = wire.recording(samples, s, style, draw.bucket, s.seed)
    toml = wire.batch_toml(
        s,
        draw.bucket,
        pour_noted_c=s.pour_c + float(rng.normal(0, 1.0)) if rng.random() < 0.45 else None,
        probe_in_s=in_s if rng.random() < 0.5 else None,
        forget=forget,
        late_notes=bool(rng.random() < 0.2),
        unnoted=("lid-off",) if rng.random() < 0.2 else ("covered", "uncovered") if rng.random() < 0.1 else (),
    )
    at = s.poured_unix_s
    known = min(s.true_koh_mol, s.true_ester_mol) / s.promised_mol
    told = {
        "name": s.name,
        "bucket": draw.bucket,
        "seed": s.seed,
        "world": f"{draw.world_style}/{draw.world_seed}",
        "kind": s.kind,
        "poured_at": at,
        "blended_at": at + s.blend_to_s,
        "planned_at": at + 72 * 3600.0,
        "first_arrival_at": at + t0,
        "probe_in_at": at + in_s,
        "has_ambient": ambient,
        "extra_probes": list(extra),
        "pour_noted": "temperature_c" in toml,
        "forgotten": list(forget),
        "good": truth.good,
        "due": {k: at + v for k, v in truth.due.items()},
        "final": truth.final,
        "final_unmended": truth.final_unmended,
        "reblended": any(d.kind == "reblended" for d in s.doings),
        "cause": "none" if truth.final >= 0.90 else "potash" if known < 0.905 else "blend",
        "core_over_85_at": None if truth.core_over_85_s is None else at + truth.core_over_85_s,
        "any_over_95_at": None if truth.any_over_95_s is None else at + truth.any_over_95_s,
        "peak_core_c": truth.peak_core_c,
        "soap": [
            [round(at + x, 1), round(float(np.interp(x, run.t_s, run.soap)), 4)]
            for x in (*range(0, 4 * 3600, 600), *range(4 * 3600, 72 * 3600 + 1, 3600))
        ],
        "faults": [{**asdict(f), "from_s": at + max(f.from_s, t0), "to_s": at + f.to_s} for f in laid],
        "wire": asdict(style),
        "every_s": every,
    }
    return rec, toml, told


def write_set(
    out: Path,
    seed: int,
    count: int,
    *,
    hours: float = 72.0,
    styles: tuple[str, ...] = WORLD_STYLES,
    shares: dict[str, float] | None = None,
) -> list[Path]:
    """Write ``count`` batches into ``out``, recorded for ``hours`` (the truth: of 72 h); returns the recordings."""
    out.mkdir(parents=True, exist_ok=True)
    paths = []
    for i, (draw, run, truth) in enumerate(simulate_draws(draw_batches(seed, count, styles, shares))):
        rec, toml, told = record(draw, run, truth, hours)
        path = out / f"batch-{seed}-{i:04d}.rec"
        path.write_bytes(rec)
        path.with_suffix(".toml").write_text(toml, encoding="utf-8")
        path.with_suffix(".truth.json").write_text(json.dumps(told) + "\n", encoding="utf-8")
        paths.append(path)
    return paths


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--count", type=int, default=10)
    parser.add_argument(
        "--hours",
        type=float,
        default=72.0,
        help="length of the recordings after the pour; what was due is always told for 72 h",
    )
    parser.add_argument("--styles", nargs="*", default=["bucket"], help='worlds: "bucket", "column", or their names')
    parser.add_argument("--out", type=Path, required=True)
    args = parser.parse_args()
    for path in write_set(args.out, args.seed, args.count, hours=args.hours, styles=tuple(args.styles)):
        told = json.loads(path.with_suffix(".truth.json").read_text(encoding="utf-8"))
        print(
            f"{path.name}: {told['world']} {told['kind']}, ends at {told['final']:.3f}, "
            f"due: {', '.join(told['due']) or 'nothing'}"
        )


if __name__ == "__main__":
    main()
