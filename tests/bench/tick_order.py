"""How much work lies before an alarm: ``python -m tests.bench.tick_order [--buckets 200] [--minutes 8]``.

The watch of ``hand_over`` by a clock that is moved by hand, all buckets young, so that each minute fits all of them
anew. Counted is processor time, which other programs on the machine do not change: from the begin of the tick that
raised an alarm to its message in the outbox, from where the postman takes it. Twice in one run: in the order in which
the batches were begun, and in the order of ``monitor/minded.py``; the last column is the ratio of the two.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

from monitor.domain import LogEntry
from monitor.journal.database import Journal
from monitor.minded import Minded
from monitor.pipeline import Minder
from monitor.settings import ReminderSettings
from monitor.sources.line import Line, Origin
from tests.helpers_watch import NIGHT_S, Bench, batch_in, pack, settings_with

_EVERY_S = 10.0
_MORE_A_MINUTE = 5
_BLENDED_S = 240.0  # before the watch begins


class Timed(Journal):
    """Notes when the first message about each alarm is put into the outbox, in seconds of processor time."""

    at: dict[str, float]

    def add_messages(self, messages: Any) -> Any:
        new = super().add_messages(messages)
        for one in new:
            self.at.setdefault(one.about, time.process_time())
        return new


def main() -> None:
    """Both orders, beside each other."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--buckets", type=int, default=200)
    parser.add_argument("--burst", type=int, default=30)
    parser.add_argument("--minutes", type=int, default=8)
    args = parser.parse_args()
    ours = Minded.in_order

    def as_begun(self: Minded, _tick_s: float) -> list[Minder]:
        return list(self.values())

    found = []
    for order in (as_begun, ours):
        Minded.in_order = order  # type: ignore[method-assign,assignment]
        found.append(_run(args.buckets, args.burst, args.minutes))
    print(f"{args.buckets} buckets, {len(found[0][0])} and {len(found[1][0])} alarms; seconds of processor time")
    for name, i, share in (("alarm to outbox, p50", 0, 0.5), ("alarm to outbox, p99", 0, 0.99), ("tick, p50", 1, 0.5)):
        plain, sorted_ = (float(np.quantile(one[i], share)) for one in found)
        print(f"  {name:22} as begun {plain:6.2f}   in order {sorted_:6.2f}   ratio {plain / sorted_:5.1f}")


def _run(buckets: int, burst: int, minutes: int) -> tuple[list[float], list[float]]:
    """What each alarm waited for, and what each tick took."""
    waited: list[float] = []
    took: list[float] = []
    with tempfile.TemporaryDirectory() as folder:
        Timed.at = {}
        settings = settings_with(people=[("Ash", "json://127.0.0.1:9/")], reminders=ReminderSettings(enabled=False))
        bench = Bench(Path(folder), settings=settings, journal_type=Timed)
        for number in range(buckets):
            batch = batch_in(f"shed-{number}", NIGHT_S - 660.0, noted_at_s=NIGHT_S)
            poured = LogEntry("poured", NIGHT_S - 660.0, NIGHT_S, 50.0)
            bench.begin(batch, poured, LogEntry("blended", NIGHT_S - _BLENDED_S, NIGHT_S))
        watch, tick = bench.watch, bench.watch._tick

        def timed(tick_s: float) -> None:
            began = time.process_time()
            known = set(Timed.at)
            tick(tick_s)
            took.append(time.process_time() - began)
            waited.extend(at - began for about, at in Timed.at.items() if "/too_hot/" in about and about not in known)

        watch._tick = timed  # type: ignore[method-assign]
        for step in range(int(minutes * 60 / _EVERY_S)):
            at_s = NIGHT_S + step * _EVERY_S + 1.0
            bench.until(at_s)
            for number in range(buckets):
                late = buckets - 1 - number  # those which go too hot were begun last
                hot_from_s = 60.0 * (3 if late < burst else 4 + (late - burst) // _MORE_A_MINUTE)
                core_c = _core_c(at_s - NIGHT_S, hot_from_s)
                data = pack(f"shed-{number}", core_c + step % 5 / 16)
                watch.deliver(Line(bench.clock.now(), data, Origin("serial", "wire")))
            bench._turn()
        bench.close()
    return waited, took[2:]


def _core_c(since_s: float, hot_from_s: float) -> float:
    """A good blend, quick at first; from ``hot_from_s`` on it goes 20 K beyond itself within two minutes."""
    minutes = (since_s + _BLENDED_S) / 60.0
    return 50.0 + 32.0 * (1.0 - 2.0 ** (-minutes / 6.0)) + 20.0 * min(1.0, max(0.0, (since_s - hot_from_s) / 120.0))


if __name__ == "__main__":
    main()
