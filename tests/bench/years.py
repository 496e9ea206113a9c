"""A bucket's page over years: ``python -m tests.bench.years [--years 5] [--every 120]``.

Two journals of four buckets, one with a month behind it and one with five years: a batch each nine days a bucket, each
with its log, alarms, messages, estimates and readings (one each ``--every`` seconds), and in each bucket a batch that
runs since yesterday and sends each ten seconds. The page is the real one, asked without a network. For each address:
milliseconds of processor time for the first view, of a server that has read nothing yet, and for the next ones; the two
journals take turns, so that a busy machine slows both. Prints medians and the ratio of five years to one month.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from starlette.testclient import TestClient

from monitor.domain import Event, LogEntry, Reading
from monitor.journal.database import AlarmRecord, Journal, Message
from monitor.page_wiring import PageWiring
from monitor.settings import PageSettings, Settings, SiteSettings
from monitor.toml_tables import Secret
from tests.helpers_watch import NIGHT_S, batch_in

BUCKETS = 4
APART_S, HOURS = 9 * 86400.0, 72.0
RUNS_S = 24 * 3600.0
ADDRESSES = ("/bucket/shed-1", "/bucket/shed-1/steps", "/", "/status.json")


def main() -> None:
    """Fill, ask, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--years", type=float, default=5.0)
    parser.add_argument("--every", type=float, default=120.0)
    parser.add_argument("--views", type=int, default=15)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="years-") as folder:
        paths = [Path(folder) / f"{name}.sqlite" for name in ("month", "years")]
        for path, days in zip(paths, (30.0, 365.25 * args.years), strict=True):
            batches = fill(path, days, args.every)
            print(f"{path.stem}: {batches} batches, {path.stat().st_size / 1e6:.0f} MB")
        print(f"{'ms of processor time':24}{'a month':>10}{'years':>10}{'ratio':>8}")
        for address in ADDRESSES:
            for when in ("first", "next"):
                found = [[_asked(path, address, when == "first") for path in paths] for _ in range(args.views)]
                month, years = (statistics.median(column) for column in zip(*found, strict=True))
                print(f"{when + ' ' + address:24}{month:10.1f}{years:10.1f}{years / month:8.2f}")


def _asked(path: Path, address: str, first: bool) -> float:
    """Processor time of one view, ms."""
    clock_s = [NIGHT_S]
    settings = Settings(
        site=SiteSettings(name="Quillmarsh allotments (invented)", time_zone="UTC"), journal_path=path,
        page=PageSettings(passphrase=Secret("invented for the bench")),
    )  # fmt: skip
    page = PageWiring(settings, path, lambda: clock_s[0], {}, {})
    try:
        with TestClient(page.app(), base_url="http://localhost") as client:
            if not first:
                assert client.get(address).status_code == 200
                clock_s[0] += 61.0
                time.sleep(0.6)  # views of the same half second share one look into the journal
            began = time.process_time()
            answer = client.get(address)
            spent_ms = 1e3 * (time.process_time() - began)
            assert answer.status_code == 200
            assert "shed-1" in answer.text
            return spent_ms
    finally:
        page.stop()


def fill(path: Path, days: float, every_s: float) -> int:
    """So many days of batches, all ended but the last of each bucket; returns how many there are."""
    rounds = int((days * 86400.0 - RUNS_S) / APART_S) + 1
    with Journal(path) as journal:
        journal._db.execute("PRAGMA synchronous = OFF")
        for number in range(rounds):
            began_s = NIGHT_S - RUNS_S - (rounds - 1 - number) * APART_S
            running = number == rounds - 1
            with journal.transaction():
                for bucket in range(BUCKETS):
                    _batch(journal, f"shed-{bucket}", f"Quillmarsh {bucket}-{number}", began_s, running)
            hours, apart_s = (RUNS_S / 3600.0, 10.0) if running else (HOURS, every_s)
            journal.add_readings(_readings(began_s, hours, apart_s))
        journal.set_fact("last_tick_s", NIGHT_S)
        journal._run("PRAGMA wal_checkpoint(TRUNCATE)")
    return rounds * BUCKETS


def _batch(journal: Journal, bucket: str, name: str, began_s: float, running: bool) -> None:
    journal.add_batch(replace(batch_in(bucket, began_s, noted_at_s=began_s), name=name))
    deeds = (("poured", 0.0), ("blended", 600.0), ("looked", 2400.0), ("covered", 3 * 3600.0), ("stirred", 20 * 3600.0))
    for kind, after_s in deeds:
        journal.add_entry(name, LogEntry(kind, began_s + after_s, began_s + after_s))
    hours = RUNS_S / 3600.0 if running else HOURS
    values = {"completeness": 0.5, "completeness_sd": 0.05, "heat_released_kj": 300.0, "heat_released_sd_kj": 20.0}
    journal.add_events(
        Event("estimate", began_s + 600.0 * n, bucket, name, values | {"self_heating_k": 0.1 * n})
        for n in range(1, int(hours * 6))
    )
    for n, kind in enumerate(("incomplete", "sensor_fault")):
        alarm_id = f"{bucket}/{name}/{kind}/1"
        at_s = began_s + 3600.0 * (1 + n)
        journal.save_alarm(
            AlarmRecord(alarm_id, kind, bucket, name, "normal", raised_at_s=at_s, cleared_at_s=at_s + 3600.0,
                        says="Invented for the bench.", facts={"final_completeness": 0.85, "probe": "core"})
        )  # fmt: skip
        journal.add_messages([Message(alarm_id, "raised", "Ash", "json", "Invented", "For the bench.", at_s)])
        for message in journal.messages(alarm_id):
            journal.message_sent(message.message_id, at_s + 2.0)
    if not running:
        journal.end_batch(name, began_s + HOURS * 3600.0, began_s + HOURS * 3600.0, "filled")


def _readings(began_s: float, hours: float, every_s: float) -> Iterator[Reading]:
    """Core and air of all buckets, in the order in which they came."""
    for n in range(int(hours * 3600.0 / every_s)):
        at_s, after_h = began_s + every_s * n, n * every_s / 3600.0
        ripple = ((n * 2654435761) % 5 - 2) / 16.0
        core_c = round((8.0 + 75.0 * (1.0 - 2.0 ** (-after_h * 9.0)) * 2.0 ** (-after_h / 6.0)) * 16.0) / 16.0
        for bucket in range(BUCKETS):
            yield Reading(f"shed-{bucket}", "core", at_s, at_s + 0.4, core_c + ripple)
            yield Reading(f"shed-{bucket}", "ambient", at_s, at_s + 0.4, 8.0 + ripple)


if __name__ == "__main__":
    main()
