"""Writes the recordings that ship in recordings/: an invented winter night at the Quillmarsh allotments, and 72 h.

    python -m tests.simulator.night [--out recordings]

Seeded: the same files come out every time (to the digits that numpy's generators promise within one version).
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from tests.simulator import faults, wire
from tests.simulator.bucket import Run, Scenario, Truth, draw_scenario, simulate_with_truth, world_for

WORLD = replace(
    world_for("droplets-still", 12), heat_kj_mol=56.5, heat_spread=0.0, conductivity=0.32, stirs_after_set=0.0
)
EVENING = datetime(2026, 1, 17, 18, 0, 20, tzinfo=UTC).timestamp()
SPRING = datetime(2026, 3, 14, 8, 10, 12, tzinfo=UTC).timestamp()


@dataclass(frozen=True)
class Piece:
    """One shipped recording."""

    file: str
    bucket: str
    scenario: Scenario
    ambient: bool
    every_s: float
    hours: float
    style: wire.WireStyle
    pour_noted_c: float | None
    falls_out_s: float | None = None


def _case(name: str, kind: str, seed: int, at: float, **true: object) -> Scenario:
    base = draw_scenario(kind, seed, WORLD, name, at)
    common: dict[str, object] = {
        "boil_c": 102.5,
        "lid_gap": 0.04,
        "air_mean_c": 3.5,
        "air_swing_k": 2.0,
        "air_noise_k": 0.5,
        "draught": 0.3,
        "sun_k": 0.0,
        "board_r": 0.15,
        "doings": (),
        "grains": 0.005,
        "blend_w": 130.0,
        "split_at_s": float("inf"),
        "split_rate": 0.0,
    }
    return replace(base, **{**common, **true})


def _recipe(  # noqa: PLR0917 - one row of a table
    oil: str, kg: float, koh_kg: float, water_kg: float, litres: float, insulation: str, sv: float, purity: float
) -> dict[str, object]:
    """What was entered and what is true: saponification value and purity as they really were."""
    return {
        "oils": ((oil, kg),),
        "koh_kg": koh_kg,
        "koh_purity": 0.90,
        "water_kg": water_kg,
        "litres": litres,
        "insulation": insulation,
        "true_oil_kg": kg * 1.002,
        "true_ester_mol": kg * 1.002 * sv / 56.105,
        "true_koh_mol": koh_kg * purity * 1000 / 56.105,
        "true_water_kg": water_kg + koh_kg * (1 - purity),
        "promised_mol": min(
            koh_kg * 0.90 * 1000 / 56.105,
            kg * {"rapeseed": 187.5, "sunflower": 190.5, "olive": 190.0, "soya": 192.0}[oil] / 56.105,
        ),
        "heat_kj_mol": WORLD.heat_kj_mol,
        "cp_factor": 1.0,
    }


def pieces() -> list[Piece]:
    """The five recordings, as they are told in recordings/README.md."""
    style = wire.WireStyle("merged-base", crc=True, samples_per_pack=1, damaged=0.0012)
    return [
        Piece(
            "night-shed-1",
            "shed-1",
            _case(
                "Quillmarsh 21",
                "good",
                1,
                EVENING,
                **_recipe("rapeseed", 3.31, 0.640, 1.00, 20, "bare", 187.0, 0.886),
                pour_c=46.5,
                blend_from_s=120.0,
                blend_to_s=600.0,
                rate=1 / 560,
                coarse=0.02,
            ),
            True,
            20,
            12,
            style,
            46.0,
        ),
        Piece(
            "night-shed-2",
            "shed-2",
            _case(
                "Quillmarsh 22",
                "separated",
                2,
                EVENING + 240,
                **_recipe("sunflower", 4.20, 0.830, 1.25, 25, "bare", 190.0, 0.885),
                pour_c=51.0,
                blend_from_s=180.0,
                blend_to_s=600.0,
                rate=1 / 2200,
                coarse=0.60,
                split_at_s=2400.0,
                split_rate=1 / 1800,
            ),
            False,
            20,
            12,
            replace(style, pack="one-record", crc=False, damaged=0.0008),
            51.0,
        ),
        Piece(
            "night-shed-3",
            "shed-3",
            _case(
                "Quillmarsh 23",
                "poor",
                3,
                EVENING + 420,
                **_recipe("olive", 2.50, 0.490, 0.76, 15, "bare", 189.0, 0.887),
                pour_c=50.0,
                blend_from_s=150.0,
                blend_to_s=780.0,
                rate=1 / 480,
                coarse=0.45,
            ),
            True,
            20,
            12,
            replace(style, pack="base-alone"),
            50.0,
        ),
        Piece(
            "night-shed-4",
            "shed-4",
            _case(
                "Quillmarsh 24",
                "good",
                4,
                EVENING + 660,
                **_recipe("rapeseed", 6.00, 1.150, 1.75, 30, "bare", 188.0, 0.888),
                pour_c=45.0,
                blend_from_s=150.0,
                blend_to_s=700.0,
                rate=1 / 560,
                coarse=0.02,
            ),
            True,
            20,
            12,
            replace(style, source="mqtt", crc=False, damaged=0.0005),
            45.0,
            falls_out_s=5.6 * 3600,
        ),
        Piece(
            "quillmarsh-12",
            "shed-2",
            _case(
                "Quillmarsh 12",
                "good",
                12,
                SPRING,
                **_recipe("sunflower", 4.20, 0.850, 1.30, 25, "bare", 190.0, 0.884),
                pour_c=45.0,
                blend_from_s=120.0,
                blend_to_s=600.0,
                rate=1 / 560,
                coarse=0.015,
                air_mean_c=11.0,
                air_swing_k=4.0,
            ),
            True,
            60,
            72,
            replace(style, pack="several-negative", samples_per_pack=2, damaged=0.0006),
            46.0,
        ),
    ]


def make(piece: Piece, run: Run) -> tuple[bytes, str]:
    """The bytes of the recording and the text of the notes."""
    seed, s = piece.scenario.seed, piece.scenario
    rng = np.random.default_rng([seed, 91])
    t = np.arange(-300.0, piece.hours * 3600 - 300.0, piece.every_s)
    in_s = s.blend_to_s + 150.0
    taken = []
    for base in faults.draw_fittings(seed, ambient=piece.ambient):
        fitting = replace(
            base,
            noise_k=0.06,
            step_k=0.0625,
            offset_k=float(np.clip(base.offset_k, -0.8, 0.8)),
            lag_s=min(base.lag_s, 60.0),
            near_bucket=0.0,
        )
        taken.append(faults.sample(run, fitting, t, in_s, seed))
    core = taken[0]
    faults.apply(faults.Fault("core", "spike", float(rng.uniform(3, 9)) * 3600, 0, ""), core, run, seed)
    if piece.falls_out_s is not None:
        faults.apply(faults.Fault("core", "fell-out", piece.falls_out_s, 1e9, "sensor_fault"), core, run, seed)
    rec = wire.recording(taken, s, piece.style, piece.bucket, seed)
    toml = wire.batch_toml(s, piece.bucket, pour_noted_c=piece.pour_noted_c, probe_in_s=in_s)
    return rec, toml


def runs() -> list[tuple[Piece, Run, Truth]]:
    """All five, simulated: the night for its twelve hours would do, but what was due is told at 72 h."""
    chosen = pieces()
    return [
        (p, r, t)
        for p, (r, t) in zip(
            chosen, simulate_with_truth([WORLD] * len(chosen), [p.scenario for p in chosen]), strict=True
        )
    ]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, default=Path("recordings"))
    out = parser.parse_args().out
    out.mkdir(parents=True, exist_ok=True)
    for piece, run, truth in runs():
        rec, toml = make(piece, run)
        (out / f"{piece.file}.rec").write_bytes(rec)
        (out / f"{piece.file}.toml").write_text(toml, encoding="utf-8")
        print(
            f"{piece.file}: {len(rec) / 1e3:.0f} kB, peak {truth.peak_core_c:.1f} degC, "
            f"soap at 72 h {truth.final:.2f}, due: {truth.due or 'nothing'}"
        )


if __name__ == "__main__":
    main()
