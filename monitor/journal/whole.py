"""Whole batches as plain rows, table by table: what export hands out and import takes in.

A row is a dictionary with the columns of ``TABLES``. The outbox, and whatever else holds a route, is never among them.
"""

from __future__ import annotations

import contextlib
import json
import math
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from monitor.journal.readings import THINNED
from monitor.journal.store import Refused, Store
from monitor.words import tr

# Readings from so long before the start belong to a batch: they tell the air and what the probe showed before.
PRELUDE_S = 2 * 3600.0
_GROUP = 5000
_GROUP_MIN = 6 * 60
_READING = "probe, time_s, arrival_s, temperature_c, state, retimed, reason"
_OF_INCOMING = "i.time_s, i.arrival_s, i.temperature_c, i.state, i.retimed, i.reason"

# Table -> its columns, in the order in which they must be put in. "text?" and "real?" may be missing (null).
TABLES: dict[str, dict[str, str]] = {
    "batches": {
        "name": "text", "bucket": "text", "started_s": "real", "noted_at_s": "real?", "recipe": "json",
        "vessel": "json", "planned_dilution_s": "real", "ended_s": "real?", "ended_noted_s": "real?", "outcome": "text",
    },
    "entries": {
        "entry_id": "text", "batch": "text", "kind": "text", "at_s": "real", "noted_at_s": "real",
        "temperature_c": "real?", "kg": "real?", "text": "text", "who": "text", "undone_at_s": "real?",
    },
    "details": {
        "detail_id": "text", "batch": "text", "field": "text", "value": "text", "noted_at_s": "real", "who": "text",
    },
    "photos": {
        "photo_id": "text", "batch": "text", "path": "text", "sha256": "text", "caption": "text", "at_s": "real",
        "noted_at_s": "real", "who": "text", "undone_at_s": "real?",
    },
    "amendments": {
        "amendment_id": "text", "batch": "text", "recipe": "json", "vessel": "json", "noted_at_s": "real",
        "who": "text",
    },
    "acts": {
        "act_id": "text", "batch": "text", "bucket": "text", "alarm": "text", "act": "text", "until_s": "real?",
        "who": "text", "at_s": "real", "noted_at_s": "real",
    },
    "alarms": {
        "alarm_id": "text", "kind": "text", "batch": "text", "bucket": "text", "state": "text", "urgency": "text",
        "probability": "real?", "raised_at_s": "real?", "cleared_at_s": "real?", "acknowledged_at_s": "real?",
        "acknowledged_by": "text", "shelved_until_s": "real?", "message_id": "text", "says": "text", "do": "text",
        "facts": "json",
    },
    "events": {
        "bucket": "text", "batch": "text", "event": "text", "at_s": "real", "key": "text", "line": "json",
    },
    "readings": {
        "bucket": "text", "probe": "text", "time_s": "real", "arrival_s": "real", "temperature_c": "real?",
        "state": "text?", "retimed": "real", "reason": "text?",
    },
    # Of which batches the readings are not all there any more.
    "thinned": {"batch": "text", "at_s": "real", "kept": "real", "of": "real"},
}  # fmt: skip


class Whole(Store):
    """Rows out and in, without a thought for what they mean."""

    def whole_rows(self, table: str, batches: Sequence[str]) -> Iterator[dict[str, Any]]:
        """The rows of ``table`` that belong to ``batches``, in the order in which they were written."""
        if table == "readings":
            yield from self._whole_readings(batches)
            return
        if table == "thinned":
            for name in batches:
                row = self._row("SELECT value FROM facts WHERE key = ?", (f"{THINNED}{name}",))
                if row is not None:
                    yield {"batch": name, **json.loads(row[0])}
            return
        columns = list(TABLES[table])
        named = ", ".join(f'"{column}"' for column in columns)
        by = "name" if table == "batches" else "batch"
        for name in batches:
            for row in self._rows(f"SELECT {named} FROM {table} WHERE {by} = ? ORDER BY rowid", (name,)):
                yield dict(zip(columns, row, strict=True))

    def _whole_readings(self, batches: Sequence[str]) -> Iterator[dict[str, Any]]:
        """Readings of the buckets from shortly before each start to each end, every one once."""
        columns = list(TABLES["readings"])
        spans: dict[str, list[tuple[float, float]]] = {}
        for name in batches:
            bucket, started_s, ended_s = self._row(
                "SELECT bucket, started_s, ended_s FROM batches WHERE name = ?", (name,)
            )
            spans.setdefault(bucket, []).append((started_s - PRELUDE_S, 1e12 if ended_s is None else ended_s))
        for bucket, parts in spans.items():
            ids = dict(self._rows("SELECT id, probe FROM probes WHERE bucket = ? ORDER BY probe", (bucket,)))
            for number, probe in ids.items():
                for from_s, to_s in _joined(parts):
                    minute = self._minute_from(math.floor(from_s / 60.0))
                    while minute is not None and minute <= to_s / 60.0:
                        # Some hours at a time, so that four days of four probes need no memory to speak of.
                        rows = self._rows(
                            "SELECT time_s, arrival_s, temperature_c, state, retimed, reason FROM readings "
                            "WHERE minute >= ? AND minute < ? AND probe = ? AND time_s >= ? AND time_s <= ? "
                            "ORDER BY time_s",
                            (minute, minute + _GROUP_MIN, number, from_s, to_s),
                        )
                        for row in rows:
                            yield dict(zip(columns, (bucket, probe, *row), strict=True))
                        minute = self._minute_from(minute + _GROUP_MIN)

    def _minute_from(self, minute: int) -> int | None:
        """The first minute from this one on that holds a reading."""
        found = self._row("SELECT min(minute) FROM readings WHERE minute >= ?", (minute,))[0]
        return None if found is None else int(found)

    def put_rows(self, table: str, rows: Iterable[dict[str, Any]]) -> int:
        """Put rows in; one that is there already (by its key) is left as it is. Returns how many were new."""
        if table == "readings":
            return self._put_readings(rows)
        if table == "thinned":
            return self._run_many(
                "INSERT OR IGNORE INTO facts VALUES (?, ?)",
                (
                    (f"{THINNED}{row['batch']}", json.dumps({name: row[name] for name in ("at_s", "kept", "of")}))
                    for row in rows
                ),
            )
        columns = list(TABLES[table])
        named, marks = ", ".join(f'"{column}"' for column in columns), ", ".join("?" * len(columns))
        return self._run_many(
            f"INSERT OR IGNORE INTO {table} ({named}) VALUES ({marks})",
            ([row[column] for column in columns] for row in rows),
        )

    def _put_readings(self, rows: Iterable[dict[str, Any]]) -> int:
        """Readings among the others by their arrival: the order of the numbers is the order of arrival, always.

        Refused when another value stands at one of their times already.
        """
        self._run("DROP TABLE IF EXISTS temp.incoming")
        self._run(f"CREATE TEMP TABLE incoming (seq INTEGER PRIMARY KEY, bucket, {_READING})")
        probes: set[tuple[str, str]] = set()
        group: list[tuple[Any, ...]] = []
        for row in rows:
            probes.add((row["bucket"], row["probe"]))
            group.append(tuple(int(row[name]) if name == "retimed" else row[name] for name in TABLES["readings"]))
            if len(group) == _GROUP:
                self._lay_aside(group)
                group = []
        self._lay_aside(group)
        first_s = self._row("SELECT min(arrival_s) FROM temp.incoming")[0]
        if first_s is None:
            return 0
        self._run_many("INSERT OR IGNORE INTO probes (bucket, probe) VALUES (?, ?)", sorted(probes))
        there = (
            "temp.incoming i JOIN probes p ON p.bucket = i.bucket AND p.probe = i.probe "
            "JOIN readings r ON r.minute = CAST(i.time_s / 60 AS INTEGER) AND r.probe = p.id AND r.time_s = i.time_s"
        )
        clash = self._row(
            f"SELECT i.bucket, i.probe FROM {there} "
            "WHERE r.temperature_c IS NOT i.temperature_c OR r.state IS NOT i.state LIMIT 1"
        )
        if clash is not None:
            raise Refused(
                tr(
                    'Bucket {bucket}: its "{probe}" has another reading at a time of these already; nothing was taken '
                    "in.",
                    bucket=clash[0],
                    probe=clash[1],
                )
            )
        # What is there stays as it is; only the rest goes in.
        self._run(f"DELETE FROM temp.incoming WHERE seq IN (SELECT i.seq FROM {there})")
        before = self._row("SELECT count(*) FROM readings")[0]
        # What arrived later goes out and in again behind them; nothing else holds a reading by its number.
        self._run("DROP TABLE IF EXISTS temp.later")
        self._run(f"CREATE TEMP TABLE later AS SELECT id, {_READING} FROM readings WHERE arrival_s >= ?", (first_s,))
        self._run("DELETE FROM readings WHERE id IN (SELECT id FROM temp.later)")
        self._run(
            f"INSERT INTO readings ({_READING}) SELECT {_READING} FROM ("
            f"SELECT 0 AS mine, id AS seq, {_READING} FROM temp.later UNION ALL "
            f"SELECT 1, i.seq, p.id, {_OF_INCOMING} FROM temp.incoming i "
            "JOIN probes p ON p.bucket = i.bucket AND p.probe = i.probe) "
            "WHERE true ORDER BY arrival_s, mine, seq ON CONFLICT DO NOTHING"
        )
        self._run("UPDATE probes SET latest = coalesce((SELECT max(id) FROM readings WHERE probe = probes.id), 0)")
        added = self._row("SELECT count(*) FROM readings")[0] - before
        self._run("DROP TABLE temp.incoming")
        self._run("DROP TABLE temp.later")
        return int(added)

    def _lay_aside(self, group: list[tuple[Any, ...]]) -> None:
        marks = ", ".join("?" * len(TABLES["readings"]))
        self._run_many(f"INSERT INTO temp.incoming (bucket, {_READING}) VALUES ({marks})", group)

    @contextlib.contextmanager
    def snapshot(self) -> Iterator[None]:
        """All reads inside see one moment, whatever a watch writes meanwhile."""
        with self._lock:
            self._run("BEGIN")
            try:
                yield
            finally:
                self._run("ROLLBACK")

    def note_started(self, batch: str) -> None:
        """Let a watch that runs learn of a running batch that was put in."""
        self._run("INSERT OR IGNORE INTO changes (what, id) VALUES ('batch-started', ?)", (batch,))


def _joined(spans: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Spans that overlap made one, in order, so that no reading is told twice."""
    joined: list[tuple[float, float]] = []
    for from_s, to_s in sorted(spans):
        if joined and from_s <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(joined[-1][1], to_s))
        else:
            joined.append((from_s, to_s))
    return joined
