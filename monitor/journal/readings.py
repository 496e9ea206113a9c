"""Readings, in the order they arrived. One that is not believed carries the reason; none is deleted but by thinning,
which is off unless somebody asks for it (``monitor/thinning.py``)."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from monitor.domain import Reading
from monitor.journal.rows import KeptReading
from monitor.journal.store import Store

# Rows fetched at a time: the lock is free in between, so a long read does not hold up the next commit.
PAGE = 5000
# Before a batch's name: the fact that its readings were thinned.
THINNED = "thinned/"

# Of readings r and probes p, as ``kept_from`` reads them.
COLUMNS = "r.id, p.bucket, p.probe, r.time_s, r.arrival_s, r.temperature_c, r.state, r.retimed, r.reason"
# The believed readings of a probe (?1 bucket, ?2 probe) with ?3 <= time < ?4. The index begins with the minute (see
# migration 3), so one goes from minute to minute: of those that there can be, and that hold anything at all.
_MINUTES = (
    "WITH RECURSIVE minutes (m) AS ("
    "SELECT min(minute) FROM readings WHERE minute >= CAST(?3 / 60 AS INTEGER) UNION ALL "
    "SELECT (SELECT min(minute) FROM readings WHERE minute > m) FROM minutes WHERE m < CAST(?4 / 60 AS INTEGER))"
)
_IN_MINUTES = (
    "FROM minutes CROSS JOIN readings WHERE minute = m "
    "AND probe = (SELECT id FROM probes WHERE bucket = ?1 AND probe = ?2) AND time_s >= ?3 AND time_s < ?4 "
    "AND reason IS NULL AND state IS NULL AND temperature_c IS NOT NULL"
)
_FROM = "FROM readings r JOIN probes p ON p.id = r.probe"


class Readings(Store):
    """The tables probes and readings.

    Rows are numbered as they are written, and watch writes them as they arrive: the order of the numbers is the
    order of arrival. Asking "from an arrival on" relies on arrival times that never step back; watch sees to that
    across restarts with ``last_arrival_s``.
    """

    def add_readings(self, readings: Iterable[Reading], reasons: Iterable[str | None] = ()) -> int:
        """Keep ``readings`` in one transaction; return how many were new. The first value of a
        (bucket, probe, time) stays. ``reasons``, where given, says why each is not believed."""
        group = list(readings)
        why = list(reasons) or [None] * len(group)
        if not group:
            return 0
        with self.transaction():
            ids = [self._probe_id(reading.bucket, reading.probe) for reading in group]
            newest_before = self._row("SELECT coalesce(max(id), 0) FROM readings")[0]
            added = self._run_many(
                "INSERT INTO readings (probe, time_s, arrival_s, temperature_c, state, retimed, reason) "
                "VALUES (?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING",
                [_row_of(probe, reading, reason) for probe, reading, reason in zip(ids, group, why, strict=True)],
            )
            self._run_many(
                "UPDATE probes SET latest = ? WHERE id = ?",
                self._rows("SELECT max(id), probe FROM readings WHERE id > ? GROUP BY probe", (newest_before,)),
            )
        return added

    def mark_readings(self, marks: Iterable[tuple[str, str, float, str | None]]) -> None:
        """Set why readings are not believed: (bucket, probe, time, reason), reason None to believe it again."""
        with self.transaction():
            # A row that says so already is not written again: most readings are believed from the start.
            self._run_many(
                "UPDATE readings SET reason = ?1 WHERE minute = CAST(?2 / 60 AS INTEGER) AND time_s = ?2 "
                "AND probe = (SELECT id FROM probes WHERE bucket = ?3 AND probe = ?4) AND reason IS NOT ?1",
                [(reason, float(time_s), bucket, probe) for bucket, probe, time_s, reason in marks],
            )

    def readings(
        self,
        bucket: str | Sequence[str] | None = None,
        from_arrival_s: float | None = None,
        to_arrival_s: float | None = None,
        believed_only: bool = False,
    ) -> Iterator[Reading]:
        """Readings of ``bucket`` (or of several; None: of all) in the order they arrived, from <= arrival < to."""
        for kept in self.kept_readings(bucket, from_arrival_s, to_arrival_s, believed_only):
            yield kept.reading

    def kept_readings(
        self,
        bucket: str | Sequence[str] | None = None,
        from_arrival_s: float | None = None,
        to_arrival_s: float | None = None,
        believed_only: bool = False,
    ) -> Iterator[KeptReading]:
        """As ``readings``, each with the reason why it is not believed."""
        tests: list[str] = ["r.id > ?"]
        values: list[object] = []
        if bucket is not None:
            # Its probes first, once: the readings of all other buckets, which are walked too, then need no look-up.
            buckets = [bucket] if isinstance(bucket, str) else bucket
            marks = ", ".join("?" * len(buckets))
            tests.append(f"r.probe IN (SELECT id FROM probes WHERE bucket IN ({marks}))")
            values += buckets
        if from_arrival_s is not None:
            tests.append("r.arrival_s >= ?")
            values.append(from_arrival_s)
        if to_arrival_s is not None:
            tests.append("r.arrival_s < ?")
            values.append(to_arrival_s)
        if believed_only:
            tests.append("r.reason IS NULL AND r.state IS NULL AND r.temperature_c IS NOT NULL")
        # CROSS JOIN keeps the readings as the outer loop: they must be walked by number, not probe by probe.
        sql = (
            f"SELECT {COLUMNS} FROM readings r CROSS JOIN probes p ON p.id = r.probe "
            f"WHERE {' AND '.join(tests)} ORDER BY r.id LIMIT {PAGE}"
        )
        after = 0 if from_arrival_s is None else self._first_from(from_arrival_s) - 1
        while True:
            rows = self._rows(sql, [after, *values])
            for row in rows:
                yield kept_from(row)
            if len(rows) < PAGE:
                return
            after = rows[-1][0]

    def latest(self, bucket: str) -> dict[str, KeptReading]:
        """The reading that arrived last, for each probe of ``bucket``."""
        rows = self._rows(f"SELECT {COLUMNS} {_FROM} WHERE p.bucket = ? AND r.id = p.latest", (bucket,))
        return {row[2]: kept_from(row) for row in rows}

    def probes(self) -> list[tuple[str, str]]:
        """Every (bucket, probe) that has ever sent a reading."""
        return self._rows("SELECT bucket, probe FROM probes ORDER BY bucket, probe")

    def last_arrival_s(self) -> float | None:
        """When the newest reading arrived; a clock that starts earlier than this has been set back."""
        row = self._row("SELECT arrival_s FROM readings ORDER BY id DESC LIMIT 1")
        return row[0] if row else None

    def thinned(
        self, bucket: str, probe: str, from_s: float, to_s: float, points: int = 400
    ) -> list[tuple[float, float, float]]:
        """For a chart: at most ``points`` slots of equal length over from <= time < to, empty ones left out.

        Each is (mean time, lowest, highest) of the believed readings in it, so that no spike of a curve is lost.
        """
        if points < 1 or not to_s > from_s:
            return []
        return self._rows(
            f"{_MINUTES} SELECT avg(time_s), min(temperature_c), max(temperature_c) {_IN_MINUTES} "
            "GROUP BY CAST((time_s - ?3) * ?5 AS INTEGER) ORDER BY 1",
            (bucket, probe, float(from_s), float(to_s), points / (to_s - from_s)),
        )

    def extremes(
        self, bucket: str, probe: str, from_s: float, to_s: float, slots: int = 400
    ) -> list[tuple[float, float]]:
        """For a chart to zoom into: of each of ``slots`` equal slots the lowest and the highest believed reading, each
        at its own time, in the order of time."""
        if slots < 1 or not to_s > from_s:
            return []
        values = (bucket, probe, float(from_s), float(to_s), slots / (to_s - from_s))
        # SQLite gives the time of the very row that holds the minimum or maximum (lang_select, "bare columns").
        found = {
            (float(time_s), float(value))
            for extreme in ("min", "max")
            for time_s, value in self._rows(
                f"{_MINUTES} SELECT time_s, {extreme}(temperature_c) {_IN_MINUTES} "
                "GROUP BY CAST((time_s - ?3) * ?5 AS INTEGER)",
                values,
            )
        }
        return sorted(found)

    # ---- thinning ----

    def first_reading_s(self, bucket: str, probe: str) -> float | None:
        """The earliest time of a reading of the probe; None where it has none."""
        row = self._row(
            "SELECT time_s FROM readings WHERE probe = (SELECT id FROM probes WHERE bucket = ? AND probe = ?) "
            "ORDER BY minute, time_s LIMIT 1",
            (bucket, probe),
        )
        return None if row is None else float(row[0])

    def raw_rows(
        self, bucket: str, probe: str, from_s: float, to_s: float
    ) -> list[tuple[int, float, float | None, str | None]]:
        """Number, time, value and what is not plain (why it is not believed, or its state) of the readings of a probe
        over from <= time < to, in the order of time. One whose clock was a day off is not among them."""
        return self._rows(
            "SELECT id, time_s, temperature_c, coalesce(reason, state) FROM readings "
            "WHERE minute BETWEEN CAST(?3 / 60 AS INTEGER) AND CAST(?4 / 60 AS INTEGER) "
            "AND probe = (SELECT id FROM probes WHERE bucket = ?1 AND probe = ?2) AND time_s >= ?3 AND time_s < ?4 "
            "AND abs(arrival_s - time_s) < 86400.0 ORDER BY time_s",
            (bucket, probe, float(from_s), float(to_s)),
        )

    def drop_readings(self, numbers: Sequence[int]) -> int:
        """Remove these readings in one transaction, never a probe's latest; return how many went."""
        with self.transaction():
            return self._run_many(
                "DELETE FROM readings WHERE id = ? AND id NOT IN (SELECT latest FROM probes)",
                [(number,) for number in numbers],
            )

    def note_thinned(self, batch: str, at_s: float, kept: int, of: int) -> None:
        """Note that of the raw readings of ``batch`` only ``kept`` of ``of`` are left."""
        with self.transaction():
            self._run(
                "INSERT OR REPLACE INTO facts VALUES (?, ?)",
                (f"{THINNED}{batch}", json.dumps({"at_s": at_s, "kept": kept, "of": of})),
            )

    def thinned_note(self, batch: str) -> dict[str, Any] | None:
        """When the readings of ``batch`` were thinned, and how many of how many were left; None where they were not."""
        row = self._row("SELECT value FROM facts WHERE key = ?", (f"{THINNED}{batch}",))
        return json.loads(row[0]) if row else None

    def _probe_id(self, bucket: str, probe: str) -> int:
        known = self._probe_ids.get((bucket, probe))
        if known is None:
            self._run("INSERT OR IGNORE INTO probes (bucket, probe) VALUES (?, ?)", (bucket, probe))
            known = int(self._row("SELECT id FROM probes WHERE bucket = ? AND probe = ?", (bucket, probe))[0])
            self._probe_ids[bucket, probe] = known
        return known

    def _first_from(self, arrival_s: float) -> int:
        """The number of the first reading that arrived at ``arrival_s`` or later, by halving: no index to feed."""
        low, high = self._row(
            # Two look-ups in the index; asked for together, SQLite would walk the whole table.
            "SELECT coalesce((SELECT min(id) FROM readings), 1), coalesce((SELECT max(id) FROM readings), 0) + 1"
        )
        while low < high:
            middle = (low + high) // 2
            row = self._row("SELECT arrival_s FROM readings WHERE id >= ? ORDER BY id LIMIT 1", (middle,))
            if row is not None and row[0] < arrival_s:
                low = middle + 1
            else:
                high = middle
        return int(low)


def _row_of(probe_id: int, reading: Reading, reason: str | None) -> tuple[object, ...]:
    temperature_c, state = reading.temperature_c, None if reading.state == "ok" else reading.state
    if temperature_c is not None and math.isnan(temperature_c):
        # SQLite has no NaN and would keep NULL, which beside "ok" means nothing.
        temperature_c, state = None, state or "not-a-number"
    time_s, retimed = reading.time_s, reading.retimed
    if not math.isfinite(time_s):
        time_s, retimed = reading.arrival_s, True
    return probe_id, time_s, reading.arrival_s, temperature_c, state, int(retimed), reason


def kept_from(row: Any) -> KeptReading:
    """A row of ``COLUMNS`` as the reading that it keeps."""
    _, bucket, probe, time_s, arrival_s, temperature_c, state, retimed, reason = row
    reading = Reading(bucket, probe, time_s, arrival_s, temperature_c, state or "ok", bool(retimed))
    return KeptReading(reading, reason)
