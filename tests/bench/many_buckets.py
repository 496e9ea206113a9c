"""What a bucket costs as they become many: ``python -m tests.bench.many_buckets [--sizes 1 10 100 1000 10000]``.

One watch with so many running batches on the second day, each sends its core every ten seconds; time is moved by hand,
so it goes as fast as the machine can. For each size a process of its own: processor time per reading (the line, its
reading, its share of commits and ticks), and resident memory per bucket beyond that of an empty watch. The fits of the
first day come on top: ``python -m tests.bench.refit`` has them, a batch's in all.

Prints the ratio of each size to the one before it; 1.0 is a straight line. The last column is the share of one core
that such a site would take.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from monitor.domain import LogEntry
from monitor.sources.line import Line, Origin
from tests.bench.watch_memory import resident_mb
from tests.helpers_watch import NIGHT_S, Bench, batch_in, pack

EVERY_S = 10.0
_AGE_S = 30 * 3600.0
# The first ticks fit each batch once, as a restart does.
_FIRST_S = 120.0


def main() -> None:
    """Each size in turn."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sizes", type=int, nargs="+", default=[1, 10, 100, 1000, 10000])
    parser.add_argument("--minutes", type=float, default=5.0)
    parser.add_argument("--one", type=int, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.one is not None:
        print(json.dumps(_run(args.one, args.minutes)))
        return
    before: tuple[float, float] | None = None
    print(f"{'buckets':>8} {'us a reading':>13} {'ratio':>6} {'kB a bucket':>12} {'ratio':>6} {'of one core':>12}")
    for size in args.sizes:
        # A single bucket sends 30 readings in five minutes: more minutes make its figure steadier.
        minutes = args.minutes * max(1.0, 100.0 / size)
        command = [sys.executable, "-m", "tests.bench.many_buckets", "--one", str(size), "--minutes", str(minutes)]
        said = subprocess.run(command, capture_output=True, text=True, check=True).stdout
        us, kb = json.loads(said)
        ratios = [f"{a / b:6.2f}" for a, b in zip((us, kb), before, strict=True)] if before else [" " * 6] * 2
        share = us * 1e-6 * size / EVERY_S
        print(f"{size:8} {us:13.0f} {ratios[0]} {kb:12.0f} {ratios[1]} {share:12.4f}", flush=True)
        before = (us, kb)


def _run(buckets: int, minutes: float) -> tuple[float, float]:
    """Microseconds of processor time per reading, and kB per bucket."""
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(Path(folder))
        bench.desk._db.execute("PRAGMA synchronous = OFF")  # for the beginning of the batches alone
        empty_mb = resident_mb()
        for number in range(buckets):
            started_s = NIGHT_S - _AGE_S
            batch = batch_in(f"shed-{number}", started_s, noted_at_s=NIGHT_S)
            poured = LogEntry("poured", started_s, NIGHT_S, 50.0)
            bench.begin(batch, poured, LogEntry("blended", started_s + 600.0, NIGHT_S))
        steps = round(minutes * 60.0 / EVERY_S)
        first = round(_FIRST_S / EVERY_S)
        began = 0.0
        for step in range(first + steps):
            if step == first:
                began = time.process_time()
            bench.until(NIGHT_S + step * EVERY_S + 1.0)
            for number in range(buckets):
                core_c = 34.0 - 1e-4 * step + step % 5 / 16
                bench.watch.deliver(Line(bench.clock.now(), pack(f"shed-{number}", core_c), Origin("serial", "wire")))
            bench._turn()
        spent = time.process_time() - began
        kb = 1000.0 * (resident_mb() - empty_mb) / buckets
        bench.close()
    return 1e6 * spent / (steps * buckets), kb


if __name__ == "__main__":
    main()
