"""How well faulty probes and silence are told, without the costly estimate: screening and judgement alone.

    python -m tests.bench.sensors [--batches 300] [--seed 1]       # report seeds begin at 1000; tune on smaller ones
    python -m tests.bench.sensors --kinds stuck half-out --misses  # some kinds, and which batches were missed
    python -m tests.bench.sensors --estimate --hours 12            # with the estimate: told as a batch alarm?
    python -m tests.bench.sensors --keep DIR                       # keep what was simulated and decoded

Every batch goes through real files, the decoder, screening, verdict and alarms; only ``Estimator`` is stood in for, so
that nothing is judged of the batch itself. A simulated batch serves several recordings with other probes, another node
and another fault each. Every third has no fault. What is due stands in tests/simulator/faults.py. A fault counts as
rung when its alarm stands between its beginning and a quarter of an hour after its end. False is what is raised of a
probe that nothing befell, or outside the fault's time, or while a fault stands for which nothing is due.
"""

from __future__ import annotations

import argparse
import pickle
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Sequence
from contextlib import nullcontext
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from monitor.domain import BATCH_ALARM_KINDS, PROBES, Batch, LogEntry, Reading
from monitor.pipeline import Minder, mind
from monitor.sensing.senml import Decoder
from monitor.sources.batch_file import read_batch_file
from monitor.sources.recording import read_recording
from tests.bench.judgement import wilson
from tests.sensing.replayed import without_estimator
from tests.simulator import faults, wire, write
from tests.simulator.bucket import Run, Truth
from tests.simulator.write import FIRST_REPORT_SEED, Draw, draw_batches, simulate_draws, styles_of

KINDS = tuple(kind for kind in (*faults.FAULT_KINDS, *faults.MORE_KINDS) if kind != "drift")
# Two in three get a fault.
RECORDINGS_PER_RUN = 6
LONG = ("late-fell-out", "fast-drift", "stuck-for-good")


@dataclass
class Case:
    """One recording as decoded, and what was laid over it. Times are Unix seconds."""

    name: str
    kind: str
    batch: Batch
    log: Sequence[LogEntry]
    arrivals: list[tuple[float, list[Reading]]]
    laid: list[faults.Fault]
    poured_s: float
    blended_s: float
    first_s: float
    last_s: float
    about: str


@dataclass
class Count:
    """One kind's figures. Delays in minutes, from the fault, or from the pour or first line where those are later."""

    due: int = 0
    rung: int = 0
    undue: int = 0
    rung_though_not_due: int = 0
    delays_min: list[float] = field(default_factory=list)
    named: dict[str, int] = field(default_factory=lambda: defaultdict(int))


def make_case(draw: Draw, run: Run, seed: int, kind: str | None, *, hours: float, folder: Path) -> Case:
    """A recording of this batch by some node and probes, with a fault of ``kind`` or none."""
    s = draw.scenario
    rng = np.random.default_rng([seed, 181])
    extra = write.second_probes(rng)
    ambient = bool(rng.random() < 0.75) or kind in ("sun-heated", "on-the-bucket", "ambient-open", "ambient-stuck")
    every_s = float(rng.choice([10, 15, 20, 30, 60, 120], p=[0.04, 0.06, 0.25, 0.30, 0.30, 0.05]))
    if kind in LONG:
        hours, every_s = 72.0, max(every_s, 60.0)
    t0 = write.heard_from_s(rng, s)
    t = np.arange(t0, hours * 3600.0, every_s)
    in_s = write.pushed_in_s(rng, s)
    samples = write.sample_all(run, t, in_s, seed, ambient=ambient, extra=extra)
    laid = [] if kind is None else faults.draw_more(run, samples, in_s, seed, kind)
    for fault in laid:
        for one in samples:
            if fault.probe in ("*", one.probe):
                faults.apply(fault, one, run, seed)
    if kind == "swapped" and laid:
        core, air = samples[0], samples[-1]
        core.value_c, air.value_c = air.value_c, core.value_c
    style = wire.draw_style(seed, hours)
    wide = max(1, min(style.samples_per_pack, int(120 / every_s)))
    style = replace(style, samples_per_pack=wide, backfill=None if laid else style.backfill)
    at = s.poured_unix_s
    if style.backfill and style.backfill[1] <= (hours - 0.5) * 3600:
        laid.append(faults.Fault("*", "backfill", style.backfill[0], style.backfill[1], "silent"))
    else:
        style = replace(style, backfill=None)
    toml = wire.batch_toml(
        s, draw.bucket,
        pour_noted_c=s.pour_c if rng.random() < 0.45 else None,
        probe_in_s=in_s if rng.random() < 0.5 else None,
        late_notes=bool(rng.random() < 0.2),
        unnoted=("lid-off",) if rng.random() < 0.2 else ("covered", "uncovered") if rng.random() < 0.1 else (),
    )  # fmt: skip
    # What explains an alarm without being a fault: the probe that waited, and hands at the bucket.
    if in_s > s.blend_to_s + 300:
        laid.append(faults.Fault("*", "not-in-yet", s.blend_to_s, in_s + 420, ""))
    laid += [faults.Fault("*", "reblending", a - 60, b + 420, "") for a, b in write.blended_again(s)]
    batch, log, arrivals = _decoded(wire.recording(samples, s, style, draw.bucket, seed), toml, folder)
    return Case(
        f"{s.name} {seed}", kind or "none", batch, log, arrivals,
        [replace(f, from_s=at + max(f.from_s, t0), to_s=min(at + f.to_s, at + float(t[-1]))) for f in laid],
        at, at + s.blend_to_s, at + t0, at + float(t[-1]),
        f"{draw.world_style} every {every_s:g} s, {style.pack}, in {in_s / 60:.0f} min, "
        f"{'ambient ' if ambient else ''}{' '.join(extra)}",
    )  # fmt: skip


@dataclass(frozen=True)
class Rung:
    """One alarm: its kind, the probe, from when to when it stood."""

    kind: str
    probe: str
    from_s: float
    to_s: float
    problem: str


def _decoded(
    rec: bytes, toml: str, folder: Path
) -> tuple[Batch, Sequence[LogEntry], list[tuple[float, list[Reading]]]]:
    """The batch, its log, and the readings as they arrive, through real files."""
    (folder / "case.rec").write_bytes(rec)
    (folder / "case.toml").write_text(toml, encoding="utf-8")
    entered = read_batch_file(folder / "case.toml")
    decoder = Decoder()
    arrivals = []
    for line in read_recording(folder / "case.rec"):
        if line.note is None:
            found = decoder.decode(line.data, line.arrival_s, default_bucket=entered.batch.bucket).readings
            arrivals.append((line.arrival_s, [one for one in found if one.bucket == entered.batch.bucket]))
    return entered.batch, entered.log, arrivals


def play(case: Case, *, estimate: bool = False) -> list[Rung]:
    """What the program rings of probes and silence; with the estimate, of the batch too."""
    with nullcontext() if estimate else without_estimator():
        minder = Minder(case.batch, minded_from_s=max(case.arrivals[0][0], case.batch.known_from_s))
    wanted = ("sensor_fault", "silent", *(BATCH_ALARM_KINDS if estimate else ()))
    standing: dict[str, Rung] = {}
    found: list[Rung] = []
    for event in mind(minder, case.arrivals, case.log):
        kind, name = str(event.values.get("kind")), str(event.values.get("alarm"))
        if event.event != "alarm" or kind not in wanted:
            continue
        if event.values["state"] == "raised":
            probe = next((p for p in PROBES if f".{p}/" in name), "")
            standing[name] = Rung(kind, probe, event.at_s, np.inf, str(event.values["says"]))
        elif name in standing:
            found.append(replace(standing.pop(name), to_s=event.at_s))
    return sorted([*found, *standing.values()], key=lambda r: r.from_s)


def score(case: Case, rung: list[Rung], counts: dict[str, Count]) -> tuple[list[str], list[str], int]:
    """Counts one case; returns what was missed, what was false, and how many false alarms there were."""
    missed, false = [], []
    mine = [f for f in case.laid if f.kind in (case.kind, "backfill")]
    # A fault of several probes is one fault: one alarm is enough.
    for kind in dict.fromkeys(f.kind for f in mine):
        parts = [f for f in mine if f.kind == kind]
        due = [f for f in parts if f.due]
        count = counts[kind]
        if not due:
            count.undue += 1
            hit = [r for r in rung for f in parts if _over(r, f)]
            count.rung_though_not_due += bool(hit)
            continue
        count.due += 1
        # A silent bucket may be told by its probe, and a probe that stopped sending by the silence.
        kinds = ("silent", "sensor_fault") if due[0].due == "silent" else ("sensor_fault",)
        hits = [r for r in rung for f in due if r.kind in kinds and _over(r, f)]
        if not hits:
            missed.append(f"{kind} {','.join(f.probe for f in due)} {case.name}: {_when(case, due[0])}; {case.about}")
            continue
        count.rung += 1
        since = max(min(f.from_s for f in due), case.first_s, case.poured_s)
        count.delays_min.append(max(0.0, min(r.from_s for r in hits) - since) / 60)
    for r in rung:
        if not any(_explains(f, r) for f in case.laid) and not _truly_silent(case, r):
            at_h = (r.from_s - case.poured_s) / 3600
            false.append(
                f"{r.kind} {r.probe} at {at_h:.2f} h ({case.kind}) {case.name}: {r.problem[:120]}; {case.about}"
            )
    return missed, false, len(false)


def _over(r: Rung, fault: faults.Fault) -> bool:
    return fault.probe in ("*", r.probe, "") and r.from_s <= fault.to_s + 900 and r.to_s >= fault.from_s


def _explains(fault: faults.Fault, r: Rung) -> bool:
    if fault.kind in faults.HARMLESS:
        return False
    # Where the air stands for the core, what the other probes are held against is wrong too.
    probes = fault.probe in ("*", r.probe) or r.kind == "silent" or fault.kind == "swapped"
    return probes and fault.from_s - 60 <= r.from_s <= fault.to_s + 1800


def _truly_silent(case: Case, r: Rung) -> bool:
    """Damaged and late lines too make a silence as long as the design's: then it is due."""
    heard = [a for a, readings in case.arrivals if a < r.from_s and any(x.probe != "ambient" for x in readings)]
    again = [entry.at_s for entry in case.log if entry.kind == "reblended"]
    early = any(0.0 <= r.from_s - at_s <= 3660.0 for at_s in (case.poured_s, case.blended_s, *again))
    least_s = 180.0 if early else 1200.0
    return r.kind == "silent" and r.from_s - max(heard, default=-np.inf) > least_s


def _when(case: Case, fault: faults.Fault) -> str:
    return f"{(fault.from_s - case.poured_s) / 3600:.2f} to {(fault.to_s - case.poured_s) / 3600:.2f} h"


def _simulated(args: argparse.Namespace, count: int) -> list[tuple[Draw, Run, Truth]]:
    path = args.keep / f"runs-{args.seed}-{count}-{'-'.join(args.styles)}.pickle" if args.keep else None
    if path is not None and path.exists():
        kept: list[tuple[Draw, Run, Truth]] = pickle.loads(path.read_bytes())
        return kept
    runs = simulate_draws(draw_batches(args.seed, count, styles_of(args.styles)))
    if path is not None:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(pickle.dumps(runs))
    return runs


def _case(
    args: argparse.Namespace, runs: list[tuple[Draw, Run, Truth]], i: int, kind: str | None, folder: Path
) -> Case:
    name = f"case-{args.seed}-{i}-{len(runs)}-{args.styles[0]}-{len(args.styles)}-{kind}-{args.hours:g}.pickle"
    path = args.keep / name if args.keep else None
    if path is not None and path.exists():
        kept: Case = pickle.loads(path.read_bytes())
        return kept
    draw, run, _ = runs[i // RECORDINGS_PER_RUN]
    case = make_case(draw, run, args.seed * 10_000 + i, kind, hours=args.hours, folder=folder)
    if path is not None:
        path.write_bytes(pickle.dumps(case))
    return case


def main(argv: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--batches", type=int, default=300, help="how many recordings")
    parser.add_argument("--seed", type=int, default=1, help="below 1000 for tuning, 1000 and above for reports")
    parser.add_argument("--hours", type=float, default=30.0, help="length of the recordings after the pour")
    parser.add_argument(
        "--styles", nargs="*", default=["bucket"], help='only these worlds; "column" is the second simulator'
    )
    parser.add_argument("--kinds", nargs="*", default=list(KINDS), help="only these faults; 'none' for none")
    parser.add_argument("--keep", type=Path, help="keep the simulated batches here, and use what is already there")
    parser.add_argument("--estimate", action="store_true", help="good batches only, with the real estimate")
    parser.add_argument("--misses", action="store_true", help="name what was missed and what was false")
    args = parser.parse_args(argv)
    began = time.perf_counter()
    runs = _simulated(args, -(-args.batches // RECORDINGS_PER_RUN))
    made_s = time.perf_counter() - began
    if args.estimate:
        with tempfile.TemporaryDirectory(prefix="sensors-") as folder:
            return _told_as_batch_alarm(args, [one for one in runs if one[2].good], Path(folder))
    counts: dict[str, Count] = defaultdict(Count)
    missed: list[str] = []
    false: list[str] = []
    bad = with_false = 0
    by_kind: dict[str, int] = defaultdict(int)
    with tempfile.TemporaryDirectory(prefix="sensors-") as folder:
        for i in range(args.batches):
            wanted = None if i % 3 == 2 else args.kinds[(i - i // 3) % len(args.kinds)]
            case = _case(args, runs, i, None if wanted == "none" else wanted, Path(folder))
            try:
                rung = play(case)
            except Exception as error:
                bad += 1
                print(f"broke: {case.name} ({case.kind}): {type(error).__name__}: {error}")
                continue
            lost, wrong, _ = score(case, rung, counts)
            missed += lost
            false += wrong
            with_false += bool(wrong)
            if wrong:
                by_kind[case.kind] += 1
    use = "report" if args.seed >= FIRST_REPORT_SEED else "tuning"
    print(f"{args.batches} recordings of {len(runs)} batches, seed {args.seed} ({use}); simulated in {made_s:.0f} s, "
          f"all in {time.perf_counter() - began:.0f} s; {bad} broke")  # fmt: skip
    print(table(counts))
    low, high = wilson(with_false, args.batches)
    print(
        f"recordings per 100 with a false sensor or silent alarm: {100 * with_false / args.batches:.2f} "
        f"({with_false} of {args.batches}, {100 * low:.1f} to {100 * high:.1f}) {dict(by_kind)}"
    )
    if args.misses:
        print("\n".join(["missed:", *missed, "false:", *false]))
    return 0


def _told_as_batch_alarm(args: argparse.Namespace, good: list[tuple[Draw, Run, Truth]], folder: Path) -> int:
    """Every kind of fault in good batches: which raise an alarm about the batch that it does not raise without them."""
    cases = with_alarm = 0
    told: dict[str, list[str]] = defaultdict(list)
    plain: dict[int, set[str]] = {}
    for i in range(min(args.batches, len(good) * len(args.kinds))):
        which, kind = i % len(good), args.kinds[i % len(args.kinds)]
        draw, run, _ = good[which]
        seed = args.seed * 10_000 + which
        case = make_case(draw, run, seed, kind, hours=args.hours, folder=folder)
        mine = [f for f in case.laid if f.kind == kind and f.from_s < case.last_s - 1800]
        if not mine or kind in LONG:
            continue
        if which not in plain:
            without = make_case(draw, run, seed, None, hours=args.hours, folder=folder)
            plain[which] = {r.kind for r in play(without, estimate=True)}
        cases += 1
        rung = [
            r for r in play(case, estimate=True)
            if r.kind in BATCH_ALARM_KINDS and r.kind not in plain[which]
            and any(f.from_s <= r.from_s <= f.to_s + 3600 for f in mine)
        ]  # fmt: skip
        with_alarm += bool(rung)
        told[kind] += [
            f"{r.kind} {(r.from_s - mine[0].from_s) / 60:.0f} min after {mine[0].probe}, {case.name}, "
            f"{(mine[0].from_s - case.poured_s) / 3600:.2f} h"
            for r in rung
        ]
        print(f"{kind:20s} {'; '.join(told[kind][-len(rung) :]) if rung else '-'}", flush=True)
    low, high = wilson(with_alarm, cases)
    print(f"{with_alarm} of {cases} faults in good batches told as a batch alarm ({low:.2f} to {high:.2f})")
    return 0


def table(counts: dict[str, Count]) -> str:
    """One line a kind."""
    lines = [
        f"{'kind':20s} {'due':>4s} {'rung':>5s} {'median min':>11s} {'95 % min':>9s}  {'not due':>7s} {'rung':>5s}"
    ]
    due = rung = 0
    for kind, c in counts.items():
        middle, late = (np.percentile(c.delays_min, q) if c.delays_min else float("nan") for q in (50, 95))
        lines.append(
            f"{kind:20s} {c.due:4d} {c.rung:5d} {middle:11.1f} {late:9.1f}  {c.undue:7d} {c.rung_though_not_due:5d}"
        )
        due, rung = due + c.due, rung + c.rung
    low, high = wilson(rung, due)
    lines.append(f"{'all':20s} {due:4d} {rung:5d}   recall {rung / max(due, 1):.3f} ({low:.3f} to {high:.3f})")
    return "\n".join(lines)


if __name__ == "__main__":
    sys.exit(main())
