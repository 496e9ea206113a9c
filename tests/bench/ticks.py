"""What a tick costs with 20 buckets at once: ``python -m tests.bench.ticks [--buckets 20] [--hours 30]``.

Twenty minders (screening, estimate, judgement, alarm states) run side by side, poured a quarter of an hour apart, core
and ambient every ten seconds. CPU time of one bucket's tick, refits included, and of a whole minute of all of them.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from monitor.domain import LogEntry, Reading
from monitor.pipeline import Minder
from tests.heat.batches import POUR_S, batch, curve, entries, readings


def main() -> None:
    """Run, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--buckets", type=int, default=20)
    parser.add_argument("--hours", type=float, default=30.0)
    args = parser.parse_args()
    made = curve(hours=args.hours)
    stream, notes = readings(made, every_s=10.0), entries(made)
    minders = [
        Minder(replace(batch(), bucket=f"shed-{i}", name=f"Quillmarsh {i}"), minded_from_s=POUR_S - 60.0)
        for i in range(args.buckets)
    ]
    feeds = [_feed(minder, list(stream), list(notes)) for minder in minders]
    one: list[float] = []
    whole: list[float] = []
    for minute in range(int(args.hours * 60)):
        spent = 0.0
        for i, (minder, feed) in enumerate(zip(minders, feeds, strict=True)):
            now = POUR_S + 60.0 * minute - 900.0 * i  # each poured a quarter of an hour after the one before
            if now < POUR_S:
                continue
            feed(now)
            begun = time.process_time()
            minder.tick(now)
            one.append((time.process_time() - begun) * 1e3)
            spent += one[-1]
        whole.append(spent)
    print(
        f"{args.buckets} buckets, {args.hours:g} h, ms of CPU\n"
        f"  one bucket's tick: median {np.median(one):.2f}, 95th percentile {np.quantile(one, 0.95):.2f}, "
        f"longest {max(one):.0f}\n"
        f"  all of them in a minute: median {np.median(whole):.1f}, longest {max(whole):.0f}; "
        f"{sum(whole) / 1e3:.0f} s in all"
    )


def _feed(minder: Minder, stream: list[Reading], notes: list[LogEntry]) -> Callable[[float], None]:
    stream.reverse()
    notes.sort(key=lambda e: -e.noted_at_s)

    def feed(now_s: float) -> None:
        while notes and notes[-1].noted_at_s <= now_s:
            minder.note(notes.pop())
        while stream and stream[-1].arrival_s < now_s:
            minder.take(replace(stream.pop(), bucket=minder.batch.bucket))

    return feed


if __name__ == "__main__":
    main()
