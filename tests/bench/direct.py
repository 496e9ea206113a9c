"""The estimator alone on curves without faults: ``python -m tests.bench.direct [--batches 96] [--seed 31]``.

    python -m tests.bench.direct --seed 32 --batches 100 --styles column

Half the time of ``tests.bench.judgement``, since nothing goes over the wire or through screening and alarms: minute
readings of core and air (and of the second probes that the batch has) go straight into ``Estimator``. For trying a
change of model or priors; what counts in the end is ``tests.bench.judgement``. Prints

* error and bias of the final completeness by age, for failed batches and the others, and how often it is within two sd;
* what was found of due and rung of good at several limits, highest probability in the time allowed;
* how well the peak is foreseen when the core first reads 80 and 85 degrees.

Tune on seeds below 1000 only.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from multiprocessing import Pool
from pathlib import Path

import numpy as np

from monitor.domain import Batch, LogEntry, Place, Reading
from monitor.heat.estimator import Estimator
from monitor.judgement.verdict import FORECAST_FROM_C
from monitor.sources.batch_file import read_batch_file
from tests.simulator import write

MINUTES = (*range(3, 61), 75, 90, 120, 150, 180, 240, 360, 540, 720, 1440, 2880)
SHOWN = (20, 40, 60, 180, 720)
LIMITS = (0.3, 0.4, 0.5, 0.6, 0.7)


@dataclass
class Made:
    """One batch: what the grower entered, minute readings by probe, and the truth."""

    batch: Batch
    log: list[LogEntry]
    time_s: np.ndarray
    shown_c: dict[str, np.ndarray]
    told: dict  # type: ignore[type-arg]
    hottest: tuple[np.ndarray, np.ndarray]  # Unix s, degrees C


@dataclass
class Seen:
    """What the estimator said so many minutes after blending, and what core read last."""

    at_s: float
    final: float
    sd: float
    chances: dict[str, float]
    core_c: float
    peak_c: float


def make(seed: int, count: int, styles: tuple[str, ...]) -> list[Made]:
    """Simulate, probe by probe once a minute, without faults; the notes go through a real batch file."""
    return made_of(write.draw_batches(seed, count, styles))


def made_of(draws: list[write.Draw]) -> list[Made]:
    """The same for batches that are drawn already."""
    made = []
    for draw, run, truth in write.simulate_draws(draws):
        _rec, toml, told = write.record(draw, run, truth)
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "batch.toml"
            path.write_text(toml, encoding="utf-8")
            entered = read_batch_file(path)
        s, pour_s = draw.scenario, told["poured_at"]
        t = np.arange(told["first_arrival_at"] - pour_s, 72 * 3600.0, 60.0)  # type: ignore[operator]
        in_s = told["probe_in_at"] - pour_s  # type: ignore[operator]
        extra = tuple(told["extra_probes"])  # type: ignore[arg-type]
        samples = write.sample_all(run, t, in_s, s.seed, ambient=bool(told["has_ambient"]), extra=extra)  # type: ignore[arg-type]
        shown = {one.probe: one.value_c for one in samples}
        made.append(Made(entered.batch, list(entered.log), t + pour_s, shown, told, (run.t_s + pour_s, run.hottest_c)))
    return made


def ask(one: Made) -> dict[int, Seen]:
    """Feed an estimator as the program does, and ask it at MINUTES and at the planned dilution (minute 4320)."""
    estimator, said = Estimator(one.batch, Place()), {}
    times = {minute: 60.0 * round(asked_at_s(one, minute) / 60.0) for minute in (*MINUTES, 4320)}
    for minute, k in fed(estimator, one, times):
        e = estimator.estimate(times[minute])
        core_c = float(one.shown_c["core"][k - 1])
        said[minute] = Seen(
            times[minute], e.final_completeness, e.final_completeness_sd, dict(e.probabilities), core_c, e.peak_c
        )  # fmt: skip
    return said


def asked_at_s(one: Made, minute: int) -> float:
    """So many minutes after blending, Unix seconds; minute 4320 is the planned dilution."""
    return float(one.told["planned_at"] if minute == 4320 else one.told["blended_at"] + 60.0 * minute)


def fed(estimator: Estimator, one: Made, times: Mapping[int, float]) -> Iterator[tuple[int, int]]:
    """Each minute of ``times`` at which something is known, once log and readings up to then have been fed; and how
    many samples those were.
    """
    log = sorted(one.log, key=lambda e: e.noted_at_s)
    k = 0
    for minute, now in times.items():
        while log and log[0].noted_at_s <= now:
            estimator.note(log.pop(0))
        while k < one.time_s.size and one.time_s[k] < now:
            at = float(one.time_s[k])
            for probe, values in one.shown_c.items():
                if probe in ("core", "ambient") or at >= one.told["probe_in_at"]:
                    estimator.update(
                        Reading(one.batch.bucket, probe, at, arrival_s=at, temperature_c=float(values[k]), state="ok")
                    )
            k += 1
        if k:
            yield minute, k


def completeness(made: list[Made], said: list[dict[int, Seen]]) -> None:
    """Mean absolute error and bias by age; a batch blended again is left out before the end."""
    print("final completeness: mean absolute error / bias, and share within two sd")
    for minute in (*SHOWN, 4320):
        kept = [
            (s[minute].final - o.told["final"], s[minute].sd, o.told["final"] < 0.85)
            for o, s in zip(made, said, strict=True)
            if minute in s and (minute == 4320 or not o.told["reblended"])
        ]
        error, sd, failed = (np.array(column) for column in zip(*kept, strict=True))
        parts = [
            f"{name} {np.abs(error[m]).mean():.3f}/{error[m].mean():+.3f} ({m.sum()})"
            for name, m in (("all", error < 9.0), ("failed", failed), ("others", ~failed))
            if m.any()
        ]
        print(f"  {minute:5d} min  {'  '.join(parts)}  within {np.mean(np.abs(error) <= 2 * sd):.2f}")


def chances(made: list[Made], said: list[dict[int, Seen]]) -> None:
    """Found of due and rung of good, by limit."""
    good = [i for i, o in enumerate(made) if o.told["good"]]
    rows: tuple[tuple[str, str, int, int, Callable[[dict], bool]], ...] = (  # type: ignore[type-arg]
        ("not_taken", "final_below_085", 25, 40, lambda t: "not_taken" in t["due"] and t["final_unmended"] < 0.85),
        ("cooled_early", "cooled_early", 40, 60, lambda t: "cooled_early" in t["due"]),
        ("incomplete", "final_below_090", 30, 180, lambda t: "incomplete" in t["due"]),
        ("separated", "separated", 15, 360, lambda t: "separated" in t["due"]),
    )
    print(f"found of due, and rung of {len(good)} good, at limits {LIMITS}")
    for kind, name, low, high, is_due in rows:
        top = [max((v.chances[name] for a, v in s.items() if low <= a <= high), default=0.0) for s in said]
        due = [i for i, o in enumerate(made) if is_due(o.told)]
        found = [f"{sum(top[i] >= x for i in due)}, {sum(top[i] >= x for i in good)}" for x in LIMITS]
        print(f"  {kind:13s} {low} to {high} min, {len(due)} due: {' | '.join(found)}")
    hot = [i for i, o in enumerate(made) if "too_hot" in o.told["due"] and _measured(o)]
    found = []
    for x in LIMITS:
        first = [
            min((v.at_s for v in s.values() if v.core_c >= FORECAST_FROM_C and v.chances["too_hot"] >= x), default=9e99)
            for s in said
        ]
        early = sum(first[i] <= _last_useful_s(made[i]) for i in hot)
        found.append(f"{early}, {sum(first[i] < 9e99 for i in good)}")
    print(f"  too_hot early, core read {FORECAST_FROM_C:g} or more, {len(hot)} due: {' | '.join(found)}")


def _measured(one: Made) -> bool:
    return bool(one.told["probe_in_at"] < one.told["any_over_95_at"] - 120)


def _last_useful_s(one: Made) -> float:
    return max(one.told["core_over_85_at"] or 0.0, one.told["any_over_95_at"] - 480.0) + 1.0


def peaks(made: list[Made], said: list[dict[int, Seen]]) -> None:
    """What was foreseen of the peak when the core first read 80 and 85 degrees, within three hours."""
    for level in (80.0, 85.0):
        errors = []
        for one, s in zip(made, said, strict=True):
            first = next((v for a, v in s.items() if a <= 180 and v.core_c >= level), None)
            if first is not None:
                t, hottest = one.hottest
                errors.append(first.peak_c - float(hottest[t >= first.at_s].max()))
        if errors:
            off, spread = np.mean(errors), np.std(errors)
            print(f"peak foreseen at core {level:g}: off by {off:+.1f} K, sd {spread:.1f}, n {len(errors)}")


def main() -> None:
    """Simulate, ask, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--batches", type=int, default=96)
    parser.add_argument("--seed", type=int, default=31)
    parser.add_argument("--styles", nargs="*", default=["bucket"])
    parser.add_argument("--jobs", type=int, default=2)
    args = parser.parse_args()
    made = make(args.seed, args.batches, write.styles_of(tuple(args.styles)))
    with Pool(args.jobs) as pool:
        said = pool.map(ask, made, chunksize=2)
    completeness(made, said)
    chances(made, said)
    peaks(made, said)


if __name__ == "__main__":
    main()
