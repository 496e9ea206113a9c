"""Writes recordings/past-seasons.json: a year of invented batches of the Quillmarsh allotments, for demo and tests.

    python -m tests.simulator.past_seasons [--out recordings/past-seasons.json]

Each is simulated, recorded and judged by the program itself, as a replay does; then readings and estimates are thinned
to what a comparison needs. In this invented year the cold months are poured colder and, being stiffer, blend coarser;
lot K-58 of the potash is weak; shed-1 and shed-3 get a blanket from the summer on.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from monitor.curve import thinned
from monitor.domain import Event, Reading
from monitor.exchange.carry import export_batches
from monitor.journal.database import Journal
from monitor.judgement.events import event_line
from monitor.replay import Replay, replay_recording
from tests.simulator import wire
from tests.simulator.bucket import simulate_with_truth
from tests.simulator.night import WORLD, Piece, _case, _recipe, make

HOURS = 72
# (day, bucket, oil, kg, cover, poured at °C, air °C, share in coarse drops, potash lot, maker)
_MADE = (
    ("2025-01-11", "shed-1", "rapeseed", 3.30, "bare", 41.0, 2.0, 0.40, "K-41", "Ash"),
    ("2025-01-25", "shed-2", "sunflower", 4.20, "bare", 42.5, 3.5, 0.30, "K-41", "Wren"),
    ("2025-02-08", "shed-3", "olive", 2.60, "bare", 40.0, 1.0, 0.46, "K-41", "Ash"),
    ("2025-02-22", "shed-1", "rapeseed", 3.40, "bare", 43.0, 4.0, 0.24, "K-41", "Wren"),
    ("2025-04-05", "shed-2", "sunflower", 4.10, "bare", 44.0, 9.0, 0.12, "K-41", "Ash"),
    ("2025-05-10", "shed-3", "olive", 2.70, "bare", 44.5, 13.0, 0.08, "K-41", "Wren"),
    ("2025-06-21", "shed-1", "rapeseed", 3.20, "blanket", 44.0, 18.0, 0.02, "K-41", "Ash"),
    ("2025-07-12", "shed-2", "sunflower", 4.20, "bare", 45.5, 20.0, 0.02, "K-58", "Wren"),
    ("2025-07-26", "shed-3", "olive", 2.60, "blanket", 46.0, 19.0, 0.01, "K-58", "Ash"),
    ("2025-08-16", "shed-1", "rapeseed", 3.40, "blanket", 45.0, 21.0, 0.02, "K-58", "Wren"),
    ("2025-10-04", "shed-2", "sunflower", 4.00, "bare", 44.0, 11.0, 0.10, "K-58", "Ash"),
    ("2025-12-06", "shed-3", "olive", 2.50, "blanket", 41.5, 3.0, 0.36, "K-58", "Ash"),
)
_PURITY = {"K-41": 0.887, "K-58": 0.815}
_SV = {"rapeseed": 187.5, "sunflower": 190.0, "olive": 189.5}
_LITRES = {"shed-1": 20.0, "shed-2": 25.0, "shed-3": 15.0}
_KEPT = (
    "completeness", "completeness_sd", "final_completeness", "final_completeness_sd", "self_heating_k",
    "self_heating_sd_k", "heat_released_kj", "heat_released_sd_kj", "cooling_time_constant_s",
    "cooling_time_constant_sd_s", "mean_temperature_c", "mean_temperature_sd_c", "core_temperature_c", "causes",
    "probabilities", "assumed",
)  # fmt: skip


def pieces() -> list[Piece]:
    """The twelve batches."""
    style = wire.WireStyle("merged-base", crc=True, samples_per_pack=1, damaged=0.0)
    made = []
    for number, (day, bucket, oil, kg, cover, pour_c, air_c, coarse, lot, _) in enumerate(_MADE, 1):
        at = datetime.fromisoformat(f"{day}T17:30:00").replace(tzinfo=UTC).timestamp()
        koh_kg = round(kg * _SV[oil] / 1000 * 0.945 / 0.90, 3)
        scenario = _case(
            f"Quillmarsh A{number}", "good", 100 + number, at,
            **_recipe(oil, kg, koh_kg, round(koh_kg * 1.55, 2), _LITRES[bucket], cover, _SV[oil], _PURITY[lot]),
            pour_c=pour_c, blend_from_s=120.0, blend_to_s=600.0, rate=1 / 520, coarse=coarse, air_mean_c=air_c,
        )  # fmt: skip
        made.append(Piece(f"past-{number}", bucket, scenario, True, 120.0, HOURS, style, round(pour_c + 0.4)))
    return made


def judged(folder: Path) -> list[tuple[Piece, Replay]]:
    """Each simulated, written as a recording, and replayed."""
    made, out = pieces(), []
    runs = simulate_with_truth([WORLD] * len(made), [piece.scenario for piece in made])
    for piece, (run, truth) in zip(made, runs, strict=True):
        rec, toml = make(piece, run)
        path = folder / f"{piece.file}.rec"
        path.write_bytes(rec)
        path.with_suffix(".toml").write_text(toml, encoding="utf-8")
        replay = replay_recording(path)
        last = replay.verdict.values
        told = f"truth {truth.final:.3f}, judged {last['completeness']:.3f}, peak {last['peak_c']:.1f} degC"
        print(f"{piece.scenario.name}: {told}")
        out.append((piece, replay))
    return out


def keep(journal: Journal, piece: Piece, replay: Replay, row: int) -> None:
    """One batch with what belongs to it, thinned."""
    batch, minder = replay.batch, replay.minder
    assert minder is not None
    lot, maker = _MADE[row][8:]
    journal.add_batch(batch)
    for entry in minder.log():
        journal.add_entry(batch.name, entry, maker)
    for field, value in (("potash_lot", lot), ("maker", maker), ("yield_litres", f"{piece.scenario.litres * 0.8:g}")):
        journal.add_detail(batch.name, field, value, batch.known_from_s, maker)
    judged_at: dict[tuple[str, float], tuple[Reading, str | None]] = {
        (one.reading.probe, one.reading.time_s): (one.reading, one.reason) for one in minder.drain_judged()
    }
    believed: dict[str, list[tuple[float, float]]] = {}
    for reading, reason in judged_at.values():
        if reason is None and reading.temperature_c is not None:
            believed.setdefault(reading.probe, []).append((reading.time_s, reading.temperature_c))
    readings = []
    for probe, points in believed.items():
        first_h = [point for point in sorted(points) if point[0] < batch.started_s + 6 * 3600]
        later = [point for point in sorted(points) if point[0] >= batch.started_s + 6 * 3600]
        # A reading every ten minutes while a covered batch is hot, then hardly any: it only cools.
        stride = 5 if probe == "core" else 15
        warm = [point for point in later if point[0] < batch.started_s + 24 * 3600][::stride]
        rest = [point for point in later if not warm or point[0] > warm[-1][0]]
        for time_s, level in thinned(first_h, 40 if probe == "core" else 10) + warm + thinned(rest, 12):
            readings.append(Reading(batch.bucket, probe, time_s, time_s, level))
    journal.add_readings(sorted(readings, key=lambda one: one.arrival_s))
    journal.add_events(list(map(_slim, _chosen(replay.events, batch.started_s))))
    ended_s = batch.started_s + HOURS * 3600.0 + 1800.0
    journal.end_batch(batch.name, ended_s, ended_s, "filled")


def _chosen(events: list[Event], started_s: float) -> list[Event]:
    """All alarms, the verdict, and estimates: every half hour of the first four, then two a day or so, and the last."""
    estimates = [event for event in events if event.event == "estimate"]
    kept = [
        event
        for place, event in enumerate(estimates)
        if (event.at_s - started_s < 4 * 3600 and place % 3 == 0) or place % 54 == 0 or event is estimates[-1]
    ]
    return sorted([*kept, *(event for event in events if event.event != "estimate")], key=lambda event: event.at_s)


def _slim(event: Event) -> Event:
    """Rounded as the events file rounds."""
    values = json.loads(event_line(event))
    for key in ("event", "at", "bucket", "batch"):
        del values[key]
    if event.event == "estimate":
        values = {key: values[key] for key in _KEPT if key in values}
    return replace(event, values=values)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, default=Path("recordings/past-seasons.json"))
    out = parser.parse_args().out
    with tempfile.TemporaryDirectory() as folder, Journal(Path(folder) / "journal.sqlite") as journal:
        for row, (piece, replay) in enumerate(judged(Path(folder))):
            keep(journal, piece, replay, row)
        export_batches(journal, [record.batch.name for record in journal.batches()], out, "json", force=True)
    print(f"{out}: {out.stat().st_size / 1e3:.0f} kB")


if __name__ == "__main__":
    main()
