"""How well the program judges: 200 invented batches, every alarm kind, beside a program of fixed thresholds.

    python -m tests.bench.judgement [--batches 200] [--seed 1] [--jobs 2]
    python -m tests.bench.judgement --seed 1000          # report seeds begin at 1000; tune on smaller ones only
    python -m tests.bench.judgement --keep DIR           # keep recordings, truth and events
    python -m tests.bench.judgement --keep DIR --program "other {rec} {toml} {events}"

The scorer reads the truth and the events file, nothing else, so it can score any program. What is due when is the table
of the design, computed from the simulator's truth (tests/simulator/bucket.py, ``judge_truth``); how it is counted
stands beside each figure below. Intervals are Wilson's, 95 %.
"""

from __future__ import annotations

import argparse
import json
import math
import shlex
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from multiprocessing import Pool
from pathlib import Path

import numpy as np

BATCH_KINDS = ("not_taken", "too_hot", "cooled_early", "incomplete", "separated")
# Notes of the grower are to the minute and ticks on whole minutes: a deadline is met within one more minute.
MINUTE = 60.0


def wilson(hits: int, n: int) -> tuple[float, float]:
    """95 % interval of a share (Wilson 1927)."""
    if n == 0:
        return (0.0, 1.0)
    z, p = 1.959964, hits / n
    centre, half = p + z * z / (2 * n), z * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    return (max(0.0, (centre - half) / (1 + z * z / n)), min(1.0, (centre + half) / (1 + z * z / n)))


@dataclass
class Told:
    """What a program said of one batch."""

    raised: dict[str, list[float]] = field(default_factory=dict)
    spans: dict[str, list[tuple[float, float]]] = field(default_factory=dict)
    estimates: list[dict[str, object]] = field(default_factory=list)
    verdict: dict[str, object] | None = None
    seconds: float = 0.0
    error: str = ""


def read_events(path: Path) -> Told:
    """The alarms, estimates and verdict of an events file (JSON Lines as in the design)."""
    told = Told()
    standing: dict[str, tuple[str, float]] = {}
    for line in path.read_text(encoding="utf-8").splitlines():
        event = json.loads(line)
        if event["event"] == "alarm":
            kind, at = event["kind"], float(event["at"])
            if event["state"] == "raised":
                told.raised.setdefault(kind, []).append(at)
                standing[str(event.get("alarm", kind))] = (kind, at)
            elif event["state"] == "cleared" and str(event.get("alarm", kind)) in standing:
                name, since = standing.pop(str(event.get("alarm", kind)))
                told.spans.setdefault(name, []).append((since, at))
        elif event["event"] == "estimate":
            told.estimates.append(event)
        elif event["event"] == "verdict":
            told.verdict = event
    for name, since in standing.values():
        told.spans.setdefault(name, []).append((since, math.inf))
    return told


@dataclass
class Share:
    """hits of n, and the delays of the hits in minutes."""

    name: str
    hits: int = 0
    n: int = 0
    delays: list[float] = field(default_factory=list)

    def add(self, hit: bool, delay_s: float | None = None) -> None:
        self.n += 1
        self.hits += hit
        if hit and delay_s is not None:
            self.delays.append(delay_s / 60)

    @property
    def value(self) -> float:
        return self.hits / self.n if self.n else math.nan


@dataclass
class Score:
    """All figures of one program over one set."""

    program: str
    shares: dict[str, Share] = field(default_factory=dict)
    numbers: dict[str, tuple[float, int]] = field(default_factory=dict)
    misses: dict[str, list[str]] = field(default_factory=dict)
    false_kinds: dict[str, int] = field(default_factory=dict)

    def share(self, name: str) -> Share:
        return self.shares.setdefault(name, Share(name))

    def note(self, name: str, batch: str) -> None:
        self.misses.setdefault(name, []).append(batch)


def _first(times: Sequence[float], after: float, before: float) -> float | None:
    hits = [x for x in times if after <= x <= before]
    return min(hits) if hits else None


def _truth_soap(truth: dict, at: float) -> float:  # type: ignore[type-arg]
    table = np.array(truth["soap"])
    return float(np.interp(at, table[:, 0], table[:, 1]))


def score(program: str, sets: Sequence[tuple[str, dict, Told]]) -> Score:  # type: ignore[type-arg]
    """Count every figure."""
    out = Score(program)
    errors: dict[str, list[float]] = {}
    covered: list[bool] = []
    sds: list[float] = []
    for name, truth, told in sets:
        due, blended = truth["due"], truth["blended_at"]
        begun = max(blended, truth["first_arrival_at"])
        _batch_alarms(out, name, truth, told, begun)
        if truth["good"]:
            wrong = [k for k in BATCH_KINDS if told.raised.get(k)]
            out.share("good batches with a false alarm").add(bool(wrong))
            for kind in wrong:
                out.false_kinds[kind] = out.false_kinds.get(kind, 0) + 1
                out.note(f"false {kind}", name)
        elif "separated" not in due and truth["kind"] == "poor":
            out.share("poor blends called separated").add(bool(told.raised.get("separated")))
        _sensor_alarms(out, name, truth, told)
        if told.verdict is not None and told.verdict.get("completeness") is not None:
            value, sd = float(told.verdict["completeness"]), float(told.verdict["completeness_sd"])  # type: ignore[arg-type]
            wrong_by = value - truth["final"]
            errors.setdefault("with ambient" if truth["has_ambient"] else "without ambient", []).append(wrong_by)
            if truth["final"] < 0.85:
                errors.setdefault("failed", []).append(wrong_by)
            errors.setdefault("all", []).append(wrong_by)
            covered.append(abs(wrong_by) <= 2 * sd)
            sds.append(sd)
        else:
            out.share("no verdict").add(True)
        hour = [e for e in told.estimates if float(e["at"]) <= blended + 3600 + MINUTE]  # type: ignore[arg-type]
        if hour and truth["first_arrival_at"] < blended + 1800:
            guess = hour[-1].get("final_completeness", hour[-1].get("completeness"))
            if guess is not None:
                errors.setdefault("first hour", []).append(float(guess) - truth["final_unmended"])  # type: ignore[arg-type]
    for name, values in errors.items():
        out.numbers[f"mean absolute error, {name}"] = (float(np.mean(np.abs(values))), len(values))
        out.numbers[f"bias, {name}"] = (float(np.mean(values)), len(values))
    if covered:
        out.shares["verdicts within 2 sd"] = Share("verdicts within 2 sd", sum(covered), len(covered))
        out.numbers["median sd"] = (float(np.median(sds)), len(sds))
    good = out.shares.get("good batches with a false alarm")
    if good:
        out.numbers["false batch alarms per 100 good"] = (100 * sum(out.false_kinds.values()) / good.n, good.n)
    return out


def _batch_alarms(out: Score, name: str, truth: dict, told: Told, begun: float) -> None:  # type: ignore[type-arg]
    due, blended = truth["due"], truth["blended_at"]
    late_start = truth["first_arrival_at"] > blended + 900

    def count(label: str, kind: str, before: float, reference: float) -> None:
        at = _first(told.raised.get(kind, []), blended - 600, before)
        out.share(label).add(at is not None, None if at is None else at - reference)
        if at is None:
            out.note(label, name)

    if "not_taken" in due and not late_start:
        # Called from the end of blending to 40 minutes after it; delay from blending.
        count("not_taken", "not_taken", blended + 2400 + MINUTE, blended)
    if truth["final_unmended"] < 0.85 and truth["cause"] != "potash" and not late_start:
        count("not_taken, of all that end under 0.85", "not_taken", blended + 2400 + MINUTE, blended)
    if "too_hot" in due:
        over, core85 = truth["any_over_95_at"], truth["core_over_85_at"]
        if truth["first_arrival_at"] < over - 120 and truth["probe_in_at"] < over - 120:
            # Rung at the latest ten minutes after any part passed 95; delay is against that moment (negative: before).
            count("too_hot", "too_hot", over + 600, over)
            limit = over - 480 if core85 is None else max(core85, over - 480)
            # What no program can beat: the core probe was in the paste two minutes before that limit.
            out.share("too_hot, probe in early enough").add(truth["probe_in_at"] + 120 <= limit)
            at = _first(told.raised.get("too_hot", []), 0, limit + 1)
            if _first(told.raised.get("too_hot", []), 0, over + 600) is not None:
                out.share("too_hot early enough").add(at is not None)
        else:
            out.share("too_hot, nothing could be measured before").add(True)
    if "cooled_early" in due:
        count("cooled_early", "cooled_early", math.inf, blended)
        if not late_start:
            count("cooled_early within an hour", "cooled_early", blended + 3600 + MINUTE, blended)
    if "incomplete" in due:
        count("incomplete at 72 h", "incomplete", math.inf, blended)
        count(
            "incomplete at 72 h, weak or short potash"
            if truth["cause"] == "potash"
            else "incomplete at 72 h, other causes",
            "incomplete",
            math.inf,
            blended,
        )
        if not late_start:
            count("incomplete within 3 h", "incomplete", blended + 3 * 3600 + MINUTE, blended)
    if "separated" in due:
        count("separated within 4 h", "separated", max(begun, due["separated"]) + 4 * 3600 + MINUTE, due["separated"])


def _sensor_alarms(out: Score, name: str, truth: dict, told: Told) -> None:  # type: ignore[type-arg]
    windows = [(f["from_s"], f["to_s"], f) for f in truth["faults"]]
    for start, end, fault in windows:
        if not fault["due"]:
            continue
        kinds = ("silent", "sensor_fault") if fault["due"] == "silent" else ("sensor_fault",)
        stands = [s for kind in kinds for s, e in told.spans.get(kind, []) if s <= end + 900 and e >= start]
        reached = min((max(s, start) for s in stands), default=None)
        label = "silent" if fault["due"] == "silent" else "sensor_fault"
        out.share(label).add(reached is not None, None if reached is None else reached - start)
        if reached is None:
            out.note(f"{label} {fault['kind']} {fault['probe']}", name)
        if truth["good"]:
            told_as = [
                k
                for k in BATCH_KINDS
                if _first(told.raised.get(k, []), start, min(end, start + 24 * 3600) + 3600) is not None
            ]
            out.share("sensor faults told as a batch alarm").add(bool(told_as))
    false = 0
    for kind in ("silent", "sensor_fault"):
        for at in told.raised.get(kind, []):
            if not any(
                start - 60 <= at <= end + 1800
                for start, end, f in windows
                if f["kind"] not in ("spike", "stray-85", "stray-minus-127", "open-brief")
            ):
                false += 1
                out.note(f"false {kind}", name)
    out.share("batches with a false sensor or silent alarm").add(false > 0)


@dataclass(frozen=True)
class Aim:
    """One figure: where it is found, and what is asked of it."""

    text: str
    find: Callable[[Score], tuple[float, str]]
    least: float | None = None
    most: float | None = None


def _of_share(name: str) -> Callable[[Score], tuple[float, str]]:
    def find(s: Score) -> tuple[float, str]:
        share = s.shares.get(name, Share(name))
        low, high = wilson(share.hits, share.n)
        return share.value, f"{share.hits} of {share.n}, {low:.2f} to {high:.2f}"

    return find


def _of_number(name: str) -> Callable[[Score], tuple[float, str]]:
    def find(s: Score) -> tuple[float, str]:
        value, n = s.numbers.get(name, (math.nan, 0))
        return value, f"n {n}"

    return find


def _of_rate(name: str) -> Callable[[Score], tuple[float, str]]:
    def find(s: Score) -> tuple[float, str]:
        share = s.shares.get(name, Share(name))
        low, high = wilson(share.hits, share.n)
        return 100 * share.value, f"{share.hits} of {share.n}, {100 * low:.1f} to {100 * high:.1f}"

    return find


AIMS = (
    Aim("too_hot: recall", _of_share("too_hot"), least=0.98),
    Aim("too_hot: early enough", _of_share("too_hot early enough"), least=0.85),
    Aim("cooled_early: recall", _of_share("cooled_early"), least=0.98),
    Aim("cooled_early: called within 1 h of blending", _of_share("cooled_early within an hour"), least=0.95),
    Aim("incomplete: recall at 72 h", _of_share("incomplete at 72 h"), least=0.92),
    Aim("incomplete: recall within 3 h", _of_share("incomplete within 3 h"), least=0.90),
    Aim("incomplete: other causes than potash", _of_share("incomplete at 72 h, other causes"), least=0.97),
    Aim("incomplete: weak or short potash", _of_share("incomplete at 72 h, weak or short potash"), least=0.60),
    Aim("separated: recall within 4 h", _of_share("separated within 4 h"), least=0.90),
    Aim("poor blends called separated", _of_share("poor blends called separated"), most=1 / 3),
    Aim("completeness error, with ambient", _of_number("mean absolute error, with ambient"), most=0.045),
    Aim("completeness error, without", _of_number("mean absolute error, without ambient"), most=0.050),
    Aim("completeness error, failed batches", _of_number("mean absolute error, failed"), most=0.075),
    Aim("completeness error, first hour's data", _of_number("mean absolute error, first hour"), most=0.055),
    Aim("within 2 sd", _of_share("verdicts within 2 sd"), least=0.90, most=0.99),
    Aim("median sd", _of_number("median sd"), most=0.06),
    Aim("not_taken: recall within 40 min", _of_share("not_taken"), least=0.95),
    Aim("false batch alarms per 100 good", _of_number("false batch alarms per 100 good"), most=2.0),
    Aim("sensor faults: recall", _of_share("sensor_fault"), least=0.98),
    Aim("silent: recall", _of_share("silent"), least=0.98),
    Aim("sensor faults told as a batch alarm", _of_share("sensor faults told as a batch alarm"), most=0.0),
    Aim(
        "batches per 100 with a false sensor or silent alarm",
        _of_rate("batches with a false sensor or silent alarm"),
        most=1.0,
    ),
)


def report(scores: Sequence[Score], *, misses: bool = False) -> str:
    """The table: every figure with its interval and whether it is reached, one column a program."""
    lines = [f"{'figure':54s} {'asked':>12s}  " + "  ".join(f"{s.program:>34s}" for s in scores)]
    for aim in AIMS:
        asked = " and ".join(
            x
            for x in (
                f">= {aim.least:g}" if aim.least is not None else "",
                f"<= {aim.most:.3g}" if aim.most is not None else "",
            )
            if x
        )
        cells = []
        for s in scores:
            value, detail = aim.find(s)
            fine = (aim.least is None or value >= aim.least) and (aim.most is None or value <= aim.most)
            word = "-" if math.isnan(value) else "reached" if fine else "NOT"
            cells.append(f"{value:6.3f} ({detail}) {word}".rjust(34))
        lines.append(f"{aim.text:54s} {asked:>12s}  " + "  ".join(cells))
    first = scores[0]
    lines += [
        "",
        f"delays of {first.program}, minutes (too_hot: against any part passing 95; faults: from the fault; "
        "separated: from when due; others: from blending)",
    ]
    for name, share in sorted(first.shares.items()):
        if share.delays:
            lines.append(
                f"  {name:44s} n {len(share.delays):4d}  median {np.median(share.delays):8.1f}"
                f"  95th {np.percentile(share.delays, 95):8.1f}"
            )
    lines += ["", "also:"]
    for s in scores:
        hits, n = _all_due(s)
        low, high = wilson(hits, n)
        lines.append(
            f"  {s.program}: {hits} of {n} due batch alarms ({hits / max(n, 1):.3f}, {low:.2f} to {high:.2f}); "
            f"false on good: {s.false_kinds or 'none'}"
        )
        other = s.shares.get("not_taken, of all that end under 0.85")
        if other:
            lines.append(f"    not_taken, of all that end under 0.85 (potash apart): {other.hits} of {other.n}")
        possible = s.shares.get("too_hot, probe in early enough")
        if possible:
            lines.append(
                f"    too_hot, probe was in early enough: {possible.hits} of {possible.n}; none can be earlier"
            )
        lines += [
            f"    {k}: {v:+.3f} (n {n_})"
            for k, (v, n_) in sorted(s.numbers.items())
            if k.startswith("bias") or k.endswith(", all")
        ]
    if misses:
        lines += ["", "missed or false:"] + [f"  {k}: {', '.join(v[:40])}" for k, v in sorted(first.misses.items())]
    return "\n".join(lines)


def _all_due(s: Score) -> tuple[int, int]:
    names = ("not_taken", "too_hot", "cooled_early", "incomplete at 72 h", "separated within 4 h")
    shares = [s.shares.get(n, Share(n)) for n in names]
    return sum(x.hits for x in shares), sum(x.n for x in shares)


# --- the programs -------------------------------------------------------------------------------------------------


def run_emberpail(rec: Path, toml: Path, events: Path) -> None:
    from monitor.replay import replay_recording

    replay_recording(rec, toml, events)


def run_thresholds(rec: Path, toml: Path, events: Path) -> None:
    """Core above 95: too hot. Below 45 within 4 h: cooled early. Peak under 75 at 6 h: incomplete.

    Its completeness is the rise to the peak over the rise that handbook values promise.
    """
    import tomllib

    from monitor.sensing.senml import Decoder

    notes = tomllib.loads(toml.read_text(encoding="utf-8"))
    bucket, batch = notes["batch"]["bucket"], notes["batch"]["name"]
    blended = next(e["at"].timestamp() for e in notes["event"] if e["kind"] == "blended")
    decoder = Decoder()
    t, v = [], []
    for line in rec.read_bytes().split(b"\n"):
        if line.startswith(b"#") or b"\t" not in line:
            continue
        stamp, body = line.split(b"\t", 1)
        for r in decoder.decode(body, float(stamp)).readings:
            if r.bucket == bucket and r.probe == "core" and r.temperature_c is not None and r.time_s > blended + 300:
                t.append(r.time_s)
                v.append(r.temperature_c)
    order = np.argsort(t, kind="stable")
    time_s, core = np.array(t)[order], np.array(v)[order]
    out = []

    def ring(kind: str, at: float) -> None:
        out.append(
            {
                "event": "alarm",
                "at": float(at),
                "bucket": bucket,
                "batch": batch,
                "alarm": kind,
                "kind": kind,
                "state": "raised",
            }
        )

    hot = np.flatnonzero(core > 95)
    if len(hot):
        ring("too_hot", time_s[hot[0]])
    cool = np.flatnonzero((core < 45) & (time_s < blended + 4 * 3600))
    if len(cool):
        ring("cooled_early", time_s[cool[0]])
    before = core[time_s < blended + 6 * 3600]
    peak = float(np.median(np.sort(before)[-5:])) if len(before) else math.nan
    if len(before) and peak < 75:
        ring("incomplete", blended + 6 * 3600)
    recipe = notes["recipe"]
    oil = sum(o.get("kg", 4.0) for o in recipe["oils"])
    koh, water = recipe.get("koh_kg", 0.19 * oil), recipe.get("water_kg", 0.3 * oil)
    poured = next((e["temperature_c"] for e in notes["event"] if e["kind"] == "poured" and "temperature_c" in e), 50.0)
    promised = min(koh * recipe["koh_purity"] / 0.056105, oil * 3.37) * 55 / ((oil + koh + water) * 2.5)
    value = float(np.clip((peak - poured) / (0.9 * promised), 0, 1)) if len(before) else 0.9
    out.append(
        {
            "event": "verdict",
            "at": float(time_s[-1]) if len(time_s) else blended,
            "bucket": bucket,
            "batch": batch,
            "completeness": value,
            "completeness_sd": 0.1,
        }
    )
    out.sort(key=lambda e: (e["event"] == "verdict", e["at"]))
    events.write_text("".join(json.dumps(e) + "\n" for e in out), encoding="utf-8")


@dataclass(frozen=True)
class _Work:
    rec: Path
    program: str
    command: str = ""


def _do(work: _Work) -> tuple[str, str, Told]:
    rec, toml = work.rec, work.rec.with_suffix(".toml")
    events = rec.with_suffix(f".{work.program}.jsonl")
    began = time.perf_counter()
    error = ""
    try:
        if work.command:
            subprocess.run(
                [x.format(rec=rec, toml=toml, events=events) for x in shlex.split(work.command)],
                check=True,
                capture_output=True,
                timeout=600,
            )
        elif work.program == "thresholds":
            run_thresholds(rec, toml, events)
        else:
            run_emberpail(rec, toml, events)
    except Exception as e:
        error = f"{type(e).__name__}: {e}"
        events.write_text("", encoding="utf-8")
    told = read_events(events)
    told.seconds, told.error = time.perf_counter() - began, error
    return work.program, rec.name, told


def main(argv: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--batches", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1, help="below 1000 for tuning, 1000 and above for reports")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument(
        "--hours",
        type=float,
        default=72.0,
        help="shorter recordings for a quick look; the verdict is still held against 72 h",
    )
    parser.add_argument("--styles", nargs="*", help="worlds: bucket, column, or names such as age-draughty")
    parser.add_argument("--keep", type=Path, help="keep everything here, and use what is already there")
    parser.add_argument("--program", default="", help="another program: a command with {rec} {toml} {events}")
    parser.add_argument("--misses", action="store_true", help="name the batches that were missed or falsely rung")
    args = parser.parse_args(argv)
    if args.keep is None:
        with tempfile.TemporaryDirectory(prefix="judgement-") as folder:
            return _run(args, Path(folder))
    return _run(args, args.keep)


def _run(args: argparse.Namespace, folder: Path) -> int:
    from tests.simulator.bucket import WORLD_STYLES
    from tests.simulator.write import FIRST_REPORT_SEED, write_set

    paths = sorted(folder.glob(f"batch-{args.seed}-*.rec"))[: args.batches]
    began = time.perf_counter()
    if len(paths) < args.batches:
        paths = write_set(folder, args.seed, args.batches, hours=args.hours, styles=tuple(args.styles or WORLD_STYLES))
    made = time.perf_counter() - began
    truths = {p.name: json.loads(p.with_suffix(".truth.json").read_text(encoding="utf-8")) for p in paths}
    name = "other" if args.program else "emberpail"
    works = [_Work(p, name, args.program) for p in paths] + [_Work(p, "thresholds") for p in paths]
    told: dict[str, list[tuple[str, dict, Told]]] = {name: [], "thresholds": []}  # type: ignore[type-arg]
    with Pool(args.jobs) as pool:
        for program, rec, answer in pool.imap_unordered(_do, works, chunksize=2):
            told[program].append((rec, truths[rec], answer))
    for answers in told.values():
        answers.sort(key=lambda x: x[0])
    seed_use = "report" if args.seed >= FIRST_REPORT_SEED else "tuning"
    print(
        f"{len(paths)} batches, seed {args.seed} ({seed_use}), {sum(t['good'] for t in truths.values())} good, "
        f"simulated in {made:.0f} s"
    )
    print("due: " + ", ".join(f"{k} {sum(k in t['due'] for t in truths.values())}" for k in BATCH_KINDS))
    print(report([score(program, answers) for program, answers in told.items()], misses=args.misses))
    seconds = [a.seconds for _, _, a in told[name]]
    print(f"\nreplay of {args.hours:g} h: median {np.median(seconds):.2f} s, longest {max(seconds):.2f} s")
    errors = [f"{rec}: {a.error}" for _, _, a in told[name] if a.error]
    print("\n".join([f"{len(errors)} replays broke", *errors[:10]]) if errors else "no replay broke")
    return 0


if __name__ == "__main__":
    sys.exit(main())
