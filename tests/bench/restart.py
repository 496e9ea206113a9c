"""How long a restarted watch goes without minding: ``python -m tests.bench.restart [--buckets 40] [--hours 24]``.

Buckets with a reading of core and ambient every thirty seconds, all of them the good batch of the fault tests. What is
known of them is folded through new minders, all together in one walk through the readings, and one bucket after the
other, each with a walk of its own.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

from monitor.clock import ArrivalClock
from monitor.domain import LogEntry, Reading
from monitor.journal.database import Journal
from monitor.settings import Settings
from monitor.stored import WATCHED_KEY
from monitor.telling import Teller
from monitor.watch import Watch
from tests.faults import good_batch
from tests.helpers_watch import batch_in


def main() -> None:
    """Run both ways on one journal, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--buckets", type=int, default=40)
    parser.add_argument("--hours", type=float, default=24.0)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="restart-") as folder:
        path = Path(folder) / "journal.sqlite"
        end_s = _fill(path, args.buckets, args.hours)
        together = _took_s(path, end_s, one_by_one=False)
        alone = _took_s(path, end_s, one_by_one=True)
    print(
        f"{args.buckets} buckets of {args.hours:.0f} h: one walk {together:.1f} s, one by one {alone:.1f} s of "
        f"processor, ratio {alone / together:.2f}; {together / args.buckets:.2f} s a bucket"
    )


def _fill(path: Path, buckets: int, hours: float) -> float:
    """A journal as a watch that was killed leaves it; returns when that was."""
    shots = good_batch.shots(hours, "core", "ambient")
    end_s = shots[-1].at_s
    with Journal(path) as journal, journal.transaction():
        for number in range(buckets):
            batch = batch_in(f"shed-{number}", good_batch.POURED_S, noted_at_s=good_batch.POURED_S)
            journal.add_batch(batch)
            journal.add_entry(batch.name, LogEntry("poured", batch.started_s, batch.started_s, 50.0))
            journal.add_entry(batch.name, LogEntry("blended", batch.started_s + 420.0, batch.started_s + 420.0))
            journal.set_fact(f"minded_from/{batch.name}", batch.started_s)
        for shot in shots:
            journal.add_readings(
                Reading(f"shed-{number}", probe, shot.at_s, shot.at_s, shot.c(probe))
                for number in range(buckets) for probe in shot.values
            )  # fmt: skip
        journal.set_fact(WATCHED_KEY, [[good_batch.POURED_S, end_s]])
    return end_s


def _took_s(path: Path, end_s: float, *, one_by_one: bool) -> float:
    settings = Settings()
    with Journal(path) as journal:
        watch = Watch(
            settings, journal, ArrivalClock(start_s=end_s + 1.0, wall=lambda: end_s + 1.0), [],
            teller=Teller(journal, settings, []), say=lambda words: None,
        )  # fmt: skip
        watch._watched, watch._last_s = [[good_batch.POURED_S, end_s]], end_s
        batches = journal.running_batches()
        began_s = time.process_time()
        for part in [[batch] for batch in batches] if one_by_one else [batches]:
            watch._resume(part, end_s + 1.0)
        return time.process_time() - began_s


if __name__ == "__main__":
    main()
