"""What "would it have rung?" costs: ``python -m tests.bench.would_ring [--hours 72]``.

One invented batch with a reading each ten seconds of core and air in a journal of its own, put through the judgement
with the settings as they are and once more 1500 m higher. Prints the seconds of both together, and how many alarms
came.
"""

from __future__ import annotations

import argparse
import dataclasses
import tempfile
import time
from pathlib import Path

from monitor.journal.database import Journal
from monitor.settings import BucketSettings, Person, Settings, SiteSettings
from monitor.toml_tables import Secret
from monitor.what_if import compare, trial_of
from tests.heat.batches import batch, curve, entries, readings


def main() -> None:
    """Fill, compare, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--hours", type=float, default=72.0)
    args = parser.parse_args()
    made = curve(hours=args.hours)
    one = batch()
    settings = Settings(
        site=SiteSettings(time_zone="UTC"), buckets=(BucketSettings(one.bucket, one.vessel.litres),),
        people=(Person("Ash", (Secret("print://"),)),),
    )  # fmt: skip
    with tempfile.TemporaryDirectory() as folder, Journal(Path(folder) / "journal.sqlite") as journal:
        journal.add_batch(one)
        for entry in entries(made):
            journal.add_entry(one.name, entry)
        count = journal.add_readings(readings(made, every_s=10.0))
        trial = dataclasses.replace(trial_of(settings), altitude_m=1500.0)
        began, began_cpu = time.perf_counter(), time.process_time()
        found = compare(journal, one.name, settings, trial)
        took, cpu = time.perf_counter() - began, time.process_time() - began_cpu
    tried = 0 if found.tried is None else len(found.tried.rings)
    print(f"{args.hours:.0f} h, {count} readings: {took:.1f} s for both ({cpu:.1f} s of processor)")
    print(f"alarms with the settings now {len(found.now.rings)}, as tried {tried}")


if __name__ == "__main__":
    main()
