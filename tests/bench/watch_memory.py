"""Memory of a watch with twenty buckets. ``python -m tests.bench.watch_memory [--buckets 20] [--hours 72]``

A real ``Running`` (watch, postman, page) on a fast clock, fed by a source that makes plausible curves: two probes a
bucket, one line each 30 seconds. Prints resident memory with nothing to mind, after the first hour, and at the end.
"""

from __future__ import annotations

import argparse
import json
import math
import tempfile
import threading
import time
from pathlib import Path

from monitor.clock import ArrivalClock
from monitor.domain import Batch, LogEntry, OilShare, Recipe, Vessel
from monitor.journal.database import Journal
from monitor.running import Running
from monitor.settings import Settings
from monitor.sources.health import HealthBook
from monitor.sources.line import Line, Origin

START_S = 1768672800.0


def resident_mb() -> float:
    """Resident memory of this process, MB (Linux)."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * 4096 / 1e6


class Curves:
    """A source that plays a rise and a decay for each bucket, in step with the clock."""

    name = "curves"

    def __init__(self, clock: ArrivalClock, buckets: int, hours: float) -> None:
        self._clock, self._buckets, self._hours = clock, buckets, hours
        self._book = HealthBook(clock.now, "making curves.")

    def health(self):
        return self._book.snapshot()

    def run(self, deliver, stop) -> None:
        self._book.enter("connected", "making curves.")
        origin = Origin("bench", self.name)
        for second in range(0, int(self._hours * 3600), 30):
            while self._clock.now() < START_S + second:
                if stop.wait(0.01):
                    return
            for bucket in range(self._buckets):
                age_h = second / 3600
                core = 8 + (50 + 40 * (1 - math.exp(-age_h * 3)) + bucket * 0.1) * math.exp(-age_h / 4)
                pack = [
                    {"bn": f"b{bucket}/", "bt": START_S + second, "bu": "Cel", "n": "core", "v": round(core, 3)},
                    {"n": "ambient", "v": 8.0 + 0.01 * (second % 7)},
                ]
                deliver(Line(START_S + second, json.dumps(pack).encode(), origin))


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--buckets", type=int, default=20)
    parser.add_argument("--hours", type=float, default=72.0)
    args = parser.parse_args()
    marks: dict[str, float] = {}
    with tempfile.TemporaryDirectory() as folder, Journal(Path(folder) / "journal.sqlite") as journal:
        for i in range(args.buckets):
            recipe = Recipe((OilShare("sunflower", 4.2),), 0.85, 0.90, 1.3)
            journal.add_batch(Batch(f"bench {i}", f"b{i}", START_S, recipe, Vessel(25.0)))
            journal.add_entry(f"bench {i}", LogEntry("poured", START_S, START_S, temperature_c=50.0))
        clock = ArrivalClock(start_s=START_S, speed=20000.0, ahead_s=180.0)
        stop = threading.Event()
        began = time.process_time()

        def on_tick(watch, tick_s: float) -> None:
            age_h = (tick_s - START_S) / 3600.0
            if age_h >= 1.0:
                marks.setdefault("after the first hour", resident_mb())
            if age_h >= args.hours:
                marks.setdefault("at the end", resident_mb())
                stop.set()

        curves = Curves(clock, args.buckets, args.hours)
        running = Running(Settings(), journal, clock, [curves], page_port=0, on_tick=on_tick)
        marks["before the first line"] = resident_mb()
        running.run(stop)
        running.close()
        marks["processor seconds"] = time.process_time() - began
    for what, figure in marks.items():
        unit = "s" if "seconds" in what else "MB"
        print(f"{args.buckets} buckets, {what:<22} {figure:8.1f} {unit}")


if __name__ == "__main__":
    main()
