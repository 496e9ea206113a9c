"""Makes a small journal of the present schema, to be stored beside this file before a migration is added.

    python -m tests.journal.schemas.fill tests/journal/schemas/schema-3.sqlite

An invented evening goes through the real watch: two batches with their log, an entry taken back, alarms, answers to
them, messages, estimates and a verdict; one batch has ended, one runs. It is written so that the code of older commits
can run it too (schema 1 has no record of a batch): that is how the stored files were made.
"""

from __future__ import annotations

import sqlite3
import sys
import tempfile
from contextlib import closing
from pathlib import Path

from monitor.domain import LogEntry
from monitor.journal.migrations import NEWEST
from monitor.sources.batch_file import read_batch_file
from tests.helpers_watch import NIGHT_S, RECORDINGS, Bench, StillSource, recorded_lines, settings_with

POOR, GOOD = "night-shed-2", "night-shed-1"
ENDS_S = NIGHT_S + 1.75 * 3600.0
UNTIL_S = NIGHT_S + 2.25 * 3600.0


def fill(target: Path) -> None:
    """Let the evening pass and write its journal to ``target`` as one file."""
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(
            Path(folder), NIGHT_S - 100.0, settings_with("shed-1", "shed-2", people=[("Ash", "print://")]),
            [StillSource()],
        )
        try:
            _evening(bench)
        finally:
            bench.close()
        with (
            closing(sqlite3.connect(Path(folder) / "journal.sqlite")) as source,
            closing(sqlite3.connect(target)) as out,
        ):
            source.execute("PRAGMA journal_mode = DELETE")
            source.backup(out)


def _evening(bench: Bench) -> None:
    files = [read_batch_file(RECORDINGS / f"{name}.toml") for name in (POOR, GOOD)]
    poor, good = (one.batch for one in files)
    entries = [(entry.noted_at_s, one.batch, entry) for one in files for entry in one.log]
    entries.append((NIGHT_S + 4000.0, poor, LogEntry("looked", NIGHT_S + 4000.0, NIGHT_S + 4000.0, text="oil on top")))
    slip = LogEntry("covered", NIGHT_S + 4100.0, NIGHT_S + 4100.0, text="the wrong bucket")
    entries.append((slip.noted_at_s, good, slip))
    waiting = sorted(entries, key=lambda entry: entry[0])
    for one in files:
        bench.begin(one.batch)
    answered = ended = undone = False
    for at_s, data, origin, retained in recorded_lines(POOR, GOOD):
        if at_s > UNTIL_S:
            break
        while waiting and waiting[0][0] <= at_s:
            noted_at_s, batch, entry = waiting.pop(0)
            bench.until(noted_at_s)
            bench.mark(batch, entry)
        standing = bench.desk.alarms(standing_only=True)
        if standing and not answered:
            bench.act(poor, standing[0].alarm_id, "going")
            answered = True
        if not undone and at_s > slip.noted_at_s + 60.0:
            kept = next(one for one in bench.desk.entries(good.name) if one.text == slip.text)
            bench.desk.undo_entry(kept.entry_id, bench.now_s)
            undone = True
        if not ended and at_s > ENDS_S:
            if NEWEST >= 2:
                _record(bench, poor.name)
            bench.desk.end_batch(poor.name, ENDS_S, ENDS_S, "held")
            ended = True
        bench.line(at_s, data, origin, retained=retained)
    bench.until(UNTIL_S)
    bench.desk.set_counter("wire", "crc", 3)


def _record(bench: Bench, name: str) -> None:
    from monitor.journal.database import Photo

    at_s = bench.now_s
    bench.desk.add_detail(name, "potash_lot", "K-16", at_s)
    bench.desk.add_detail(name, "potash_lot", "K-17", at_s + 1.0)
    bench.desk.add_photo(Photo(name, "invented/shed-2.jpg", "ab" * 32, "oil on top", at_s, at_s, "Ash"))
    recipe, vessel = bench.desk.recipe_now(name)
    bench.desk.amend_batch(name, recipe, vessel, at_s, "Ash")


if __name__ == "__main__":
    fill(Path(sys.argv[1]))
