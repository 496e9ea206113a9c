"""How long a restarted watch goes without minding: ``python -m tests.bench.restart [--buckets 300] [--hours 24]``.

Buckets with a reading of core and ambient every thirty seconds, all of them the good batch of the fault tests. What is
known of them is folded through new minders. Timed on their own: the folding of the first few buckets, one walk through
the readings for all, and walks for one bucket at a time (the first few); from these a whole restart is reckoned.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

from monitor.clock import ArrivalClock
from monitor.domain import LogEntry, Reading
from monitor.journal.database import Journal
from monitor.pipeline import Minder
from monitor.settings import Settings
from monitor.stored import WATCHED_KEY, stored_readings
from monitor.telling import Teller
from monitor.watch import Watch
from tests.faults import good_batch
from tests.helpers_watch import batch_in

# So many buckets stand for all where each would cost the same.
_SOME = 4


def main() -> None:
    """Time the parts, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--buckets", type=int, default=300)
    parser.add_argument("--hours", type=float, default=24.0)
    args = parser.parse_args()
    some = min(_SOME, args.buckets)
    with tempfile.TemporaryDirectory(prefix="restart-") as folder:
        path = Path(folder) / "journal.sqlite"
        end_s = _fill(path, args.buckets, args.hours)
        with Journal(path) as journal:
            minders = [Minder(batch, minded_from_s=end_s) for batch in journal.running_batches()]
            one_walk = _walked_s(journal, [minders])
            own_walk = _walked_s(journal, [[minder] for minder in minders[:some]]) / some
        fold = _folded_s(path, end_s, some) / some
    together, alone = args.buckets * fold + one_walk, args.buckets * (fold + own_walk)
    print(
        f"{args.buckets} buckets of {args.hours:.0f} h, s of processor: folding {fold:.2f} a bucket; one walk for all "
        f"{one_walk:.1f}, of its own {own_walk:.3f} a bucket; reckoned restart {together:.0f} and {alone:.0f}, "
        f"ratio {alone / together:.2f}"
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


def _walked_s(journal: Journal, parts: list[list[Minder]]) -> float:
    began_s = time.process_time()
    for minders in parts:
        for _ in stored_readings(journal, minders):
            pass
    return time.process_time() - began_s


def _folded_s(path: Path, end_s: float, buckets: int) -> float:
    settings = Settings()
    with Journal(path) as journal:
        watch = Watch(
            settings, journal, ArrivalClock(start_s=end_s + 1.0, wall=lambda: end_s + 1.0), [],
            teller=Teller(journal, settings, []), say=lambda words: None,
        )  # fmt: skip
        watch._watched, watch._last_s = [[good_batch.POURED_S, end_s]], end_s
        batches = journal.running_batches()[:buckets]
        walk_s = _walked_s(journal, [[Minder(batch, minded_from_s=end_s) for batch in batches]])
        began_s = time.process_time()
        watch._resume(batches, end_s + 1.0)
        return time.process_time() - began_s - walk_s


if __name__ == "__main__":
    main()
