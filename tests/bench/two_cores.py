"""A thousand recordings on two cores: ``python -m tests.bench.two_cores [--recordings 1000] [--turns 1]``.

Makes so many short recordings of good blends, each a little different, and gives the folder to the command
``reanalyse`` with one worker and with two, in turns. Prints seconds from the start of the command to its end,
medians, and their ratio; 2.0 is what two cores can give. A machine that has
other work gives less, so the processor time of both is printed beside it: where that is the same, nothing is done
twice.
"""

from __future__ import annotations

import argparse
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from monitor.domain import LogEntry
from monitor.sources.batch_file import write_batch_file
from tests.helpers_watch import NIGHT_S, batch_in, pack


def main() -> None:
    """Make, run, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--recordings", type=int, default=1000)
    parser.add_argument("--minutes", type=int, default=30, help="of each recording")
    parser.add_argument("--turns", type=int, default=1)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="two-cores-") as name:
        folder = Path(name)
        for number in range(args.recordings):
            _write(folder, number, args.minutes)
        found: dict[int, list[tuple[float, float]]] = {1: [], 2: []}
        for _ in range(args.turns):
            for workers, turns in found.items():
                turns.append(_run(folder, workers))
    median = {n: [statistics.median(column) for column in zip(*turns, strict=True)] for n, turns in found.items()}
    print(f"{args.recordings} recordings of {args.minutes} min")
    for workers, (seconds, cpu_s) in median.items():
        print(f"  {workers} worker{'s'[: workers - 1]}: {seconds:7.1f} s, {cpu_s:7.1f} s of processor time")
    print(f"  ratio {median[1][0] / median[2][0]:.2f}, of processor time {median[2][1] / median[1][1]:.2f}")


def _write(folder: Path, number: int, minutes: int) -> None:
    batch = batch_in("shed-1", NIGHT_S)
    lines = []
    for step in range(minutes * 6):
        at_s = NIGHT_S + 10.0 * step + 0.4
        core_c = 48.0 + number % 7 + 36.0 * (1.0 - 2.0 ** (-step / 36.0)) + step % 5 / 16
        lines.append(b"%.3f\t%s\n" % (at_s, pack("shed-1", round(core_c, 3))))
    (folder / f"batch-{number:04}.rec").write_bytes(b"".join(lines))
    entries = [LogEntry("poured", NIGHT_S, NIGHT_S, 50.0), LogEntry("blended", NIGHT_S + 300.0, NIGHT_S + 300.0)]
    write_batch_file(folder / f"batch-{number:04}.toml", batch, entries)


def _run(folder: Path, workers: int) -> tuple[float, float]:
    """Seconds, and those of processor time, its workers' included."""
    out = folder / "found.csv"
    command = [sys.executable, "-m", "monitor", "reanalyse", str(folder), "--out", str(out), "--workers", str(workers)]
    before, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.monotonic()
    env = os.environ | {"PYTHONPATH": str(Path(__file__).parents[2]), "OPENBLAS_NUM_THREADS": "1"}
    subprocess.run(command, check=True, env=env, stdout=subprocess.DEVNULL)
    seconds, after = time.monotonic() - began, resource.getrusage(resource.RUSAGE_CHILDREN)
    rows = len(out.read_text(encoding="utf-8").splitlines()) - 1
    assert rows == len(list(folder.glob("*.rec"))), f"{rows} rows"
    for left in folder.glob("found.*"):
        left.unlink()
    return seconds, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


if __name__ == "__main__":
    main()
