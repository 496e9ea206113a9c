"""What it costs to keep years: ``python -m tests.bench.keeping [--batches 40] [--every 10]``.

A journal with so many batches of 72 h, core and air. Prints the seconds of each deed, the longest that a commit of
somebody else had to wait meanwhile (first while nothing is done at all), and how much memory each deed took at most.
``--without exchange night thin`` leaves parts out. The file goes into a folder that is removed at the end.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import resource
import sqlite3
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from datetime import UTC, datetime
from pathlib import Path

from monitor.domain import Batch, Event, LogEntry, OilShare, Reading, Recipe, Vessel
from monitor.exchange.carry import export_batches, import_batches
from monitor.journal.database import Journal, JournalError
from monitor.keeping import back_up, note_backup, restore
from monitor.thinning import thin

START_S, HOURS = 1_600_000_000.0, 72.0
APART_S = 9 * 86400.0
RECIPE = Recipe((OilShare("rapeseed", 3.31),), koh_kg=0.64, koh_purity=0.90, water_kg=1.0)


def readings(number: int, every_s: float) -> Iterator[Reading]:
    """Core and air of one batch, with the noise of a sensor of 1/16 K."""
    from_s, bucket = START_S + number * APART_S, f"shed-{number % 4}"
    for n in range(int(HOURS * 3600.0 / every_s)):
        at_s, after_h = from_s + every_s * n, n * every_s / 3600.0
        ripple = ((n * 2654435761) % 5 - 2) / 16.0
        core_c = 8.0 + 75.0 * (1.0 - 2.0 ** (-after_h * 9.0)) * 2.0 ** (-after_h / 6.0)
        yield Reading(bucket, "core", at_s, at_s + 0.4, round(core_c * 16.0) / 16.0 + ripple)
        yield Reading(bucket, "ambient", at_s, at_s + 0.4, 8.0 + ripple)


def fill(path: Path, batches: int, every_s: float) -> None:
    """So many batches, each with its log, its estimates and its readings."""
    with Journal(path) as journal:
        journal._db.execute("PRAGMA synchronous = OFF")
        for number in range(batches):
            at_s, name = START_S + number * APART_S, f"Quillmarsh {number}"
            journal.add_batch(Batch(name, f"shed-{number % 4}", at_s, RECIPE, Vessel(20.0, "bare")))
            for kind, after_s in (("poured", 0.0), ("blended", 600.0), ("looked", 2400.0)):
                journal.add_entry(name, LogEntry(kind, at_s + after_s, at_s + after_s))
            journal.add_events(
                Event("estimate", at_s + 600.0 * n, f"shed-{number % 4}", name, {"completeness": 0.5, "sd": 0.05 + n})
                for n in range(1, 432)
            )
            journal.add_readings(readings(number, every_s))
            journal.end_batch(name, at_s + HOURS * 3600.0, at_s + HOURS * 3600.0, "filled")


def _measured(deed: Callable[[], object], out: multiprocessing.queues.SimpleQueue[object]) -> None:
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    began, began_cpu = time.perf_counter(), time.process_time()
    deed()
    more_mb = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024.0
    out.put((time.perf_counter() - began, time.process_time() - began_cpu, more_mb))


def measure(words: str, deed: Callable[[], object], path: Path, *, beside: bool = True) -> None:
    """Do it in a process of its own and print what it took; ``beside``: while another one commits all the time."""
    out: multiprocessing.queues.SimpleQueue[object] = multiprocessing.SimpleQueue()
    waits: list[float] = []
    done = threading.Event()
    thread = threading.Thread(target=_commit, args=(path, done, waits))
    process = multiprocessing.get_context("fork").Process(target=_measured, args=(deed, out))
    process.start()
    if beside:  # only now: a thread in the middle of something does not outlive a fork
        thread.start()
    took_s, cpu_s, more_mb = out.get()  # type: ignore[misc]
    process.join()
    done.set()
    if beside:
        thread.join()
    told = f", longest commit beside it {1000 * max(waits):.0f} ms of {len(waits)}" if waits else ""
    print(f"{words:<34} {took_s:7.1f} s ({cpu_s:.1f} s of processor), {more_mb:4.0f} MB more memory{told}", flush=True)


def _commit(path: Path, done: threading.Event, waits: list[float]) -> None:
    with Journal(path) as journal:
        number = 0
        while not done.wait(0.2):
            began = time.perf_counter()
            with suppress(JournalError), journal.transaction():
                journal.add_readings(
                    Reading("shed-9", "core", 1e9 + number + n, 2e9 + number + n, 20.0) for n in range(8)
                )
            waits.append(time.perf_counter() - began)
            number += 8


def _check(path: Path, pragma: str) -> None:
    with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as db:
        found = db.execute(f"PRAGMA {pragma}").fetchone()[0]
    if found != "ok":
        raise AssertionError(found)


def _exported(path: Path, target: Path, form: str) -> None:
    with Journal(path, read_only=True) as journal:
        names = [record.batch.name for record in journal.batches()]
        export_batches(journal, names, target, form)


def _imported(path: Path, source: Path) -> None:
    with Journal(path) as journal:
        import_batches(journal, source, time.time())


def _thin(path: Path, now_s: float, *, dry_run: bool = False) -> None:
    with Journal(path) as journal:
        print(json.dumps({"removed": thin(journal, 30, now_s, dry_run=dry_run).removed}), end=" ")


def _shrink(path: Path) -> None:
    with Journal(path) as journal:
        journal.shrink()


def main() -> None:
    """Fill, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--batches", type=int, default=40)
    parser.add_argument("--every", type=float, default=10.0, help="seconds from one reading to the next")
    parser.add_argument("--without", nargs="*", default=[], choices=["exchange", "night", "thin"])
    args = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="emberpail-") as name:
        folder = Path(name)
        path, at = folder / "journal.sqlite", datetime(2026, 1, 17, tzinfo=UTC)
        fill(path, args.batches, args.every)
        with Journal(path) as journal:
            journal._run("PRAGMA wal_checkpoint(TRUNCATE)")
        print(f"{args.batches} batches, {path.stat().st_size / 1e6:.0f} MB")
        measure("nothing at all", lambda: time.sleep(5.0), path)
        if "night" not in args.without:
            measure("quick_check", lambda: _check(path, "quick_check"), path)
            measure("integrity_check", lambda: _check(path, "integrity_check"), path)
            measure("backup", lambda: back_up(path, folder / "b.sqlite", at), path)
            measure("backup with the night's pauses", lambda: back_up(path, folder / "c.sqlite", at, pause_s=0.2), path)
            measure("restore", lambda: restore(folder / "b.sqlite", path, at), path, beside=False)
        if "exchange" not in args.without:
            for form, ending in (("csv", "zip"), ("json", "json"), ("sqlite", "db")):
                target = folder / f"out.{ending}"
                measure(f"export {form}", lambda t=target, f=form: _exported(path, t, f), path, beside=False)
                print(f"    {target.stat().st_size / 1e6:.0f} MB")
                other = folder / f"{form}.sqlite"
                measure(f"import {form}", lambda o=other, t=target: _imported(o, t), path, beside=False)
                other.unlink()
                target.unlink()
        if "thin" not in args.without:
            now_s = time.time()
            with Journal(path) as journal:
                note_backup(journal, back_up(path, folder / "d.sqlite", at), now_s)
            measure("thin", lambda: _thin(path, now_s), path)
            with Journal(path) as journal:
                free, pages = (journal._row(f"PRAGMA {what}")[0] for what in ("freelist_count", "page_count"))
                print(f"    {free} of {pages} pages are free for new readings")
            measure("shrink", lambda: _shrink(path), path, beside=False)
            print(f"    {path.stat().st_size / 1e6:.0f} MB")


if __name__ == "__main__":
    main()
