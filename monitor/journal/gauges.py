"""A few figures of the journal as a whole, each by an index or a row that is at hand: asked for every few seconds."""

from __future__ import annotations

from monitor.journal.readings import COLUMNS, kept_from
from monitor.journal.rows import KeptReading
from monitor.journal.store import Store


class Gauges(Store):
    """What the figures for Prometheus ask of the journal, and whoever keeps what he has read of it."""

    def last_reading_number(self) -> int:
        """The number of the newest reading: how many were ever kept, those that thinning took since included."""
        return int(self._row("SELECT coalesce(max(id), 0) FROM readings")[0])

    def earliest_after(self, number: int) -> dict[str, float]:
        """Of the readings that are numbered higher, by bucket, the earliest time: what has changed since one looked."""
        rows = self._rows(
            "SELECT p.bucket, min(r.time_s) FROM readings r JOIN probes p ON p.id = r.probe WHERE r.id > ? "
            "GROUP BY p.bucket",
            (number,),
        )
        return {bucket: float(time_s) for bucket, time_s in rows}

    def latest_of_all(self) -> list[KeptReading]:
        """The reading that arrived last, of every probe."""
        rows = self._rows(
            f"SELECT {COLUMNS} FROM probes p JOIN readings r ON r.id = p.latest ORDER BY p.bucket, p.probe"
        )
        return [kept_from(row) for row in rows]

    def still_to_tell(self) -> dict[str, tuple[int, float]]:
        """Messages that no service has taken yet, by state (waiting, failed): how many, when the oldest was made."""
        rows = self._rows(
            "SELECT state, count(*), min(created_s) FROM outbox WHERE state IN ('waiting', 'failed') GROUP BY state"
        )
        return {state: (int(n), float(created_s)) for state, n, created_s in rows}

    def size_bytes(self) -> int:
        """The size of the file, without its write-ahead log."""
        return int(self._row("PRAGMA page_count")[0]) * int(self._row("PRAGMA page_size")[0])
