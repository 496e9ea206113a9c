"""Small things that outlive a restart: facts by name, counters, and what each part last said about itself."""

from __future__ import annotations

import json
from typing import Any

from monitor.journal.rows import Health
from monitor.journal.store import Store

# Facts with the name of a batch behind: what it taught, with what history it was begun, whether it is left out.
TAUGHT, BEGUN_WITH, LEFT_OUT = "taught/", "begun_with/", "left_out/"
# While a watch reads back what was kept there are no ticks to see it by: [since when it does, when it last said so].
READS_BACK_KEY = "reads_back"


class State(Store):
    """The tables facts, counters and health."""

    def fact(self, key: str, default: Any = None) -> Any:
        """The value kept under ``key`` ("last_tick_s", "boot_id", ...), or ``default``."""
        row = self._row("SELECT value FROM facts WHERE key = ?", (key,))
        return json.loads(row[0]) if row else default

    def facts_of(self, prefix: str) -> dict[str, Any]:
        """All facts whose key begins with ``prefix``, by key."""
        rows = self._rows(
            "SELECT key, value FROM facts WHERE key >= ? AND key < ? ORDER BY key", (prefix, prefix + "\U0010ffff")
        )
        return {key: json.loads(value) for key, value in rows}

    def set_fact(self, key: str, value: object) -> None:
        """Keep ``value`` (anything JSON can hold) under ``key``, in place of the one before."""
        with self.transaction():
            self._run("INSERT OR REPLACE INTO facts VALUES (?, ?)", (key, json.dumps(value)))

    def forget_fact(self, key: str) -> None:
        """Keep nothing under ``key`` any more."""
        with self.transaction():
            self._run("DELETE FROM facts WHERE key = ?", (key,))

    def set_counter(self, source: str, what: str, total: int) -> None:
        """Keep the total of something counted, such as damaged lines of a source.

        The total and not "one more": a commit that failed may be there all the same, and then would count twice.
        """
        with self.transaction():
            self._run("INSERT OR REPLACE INTO counters VALUES (?, ?, ?)", (source, what, total))

    def counters(self) -> dict[tuple[str, str], int]:
        """All totals by (source, what)."""
        rows = self._rows("SELECT source, what, total FROM counters ORDER BY source, what")
        return {(source, what): total for source, what, total in rows}

    def set_health(self, part: str, ok: bool, says: str, at_s: float) -> None:
        """Keep what a part of watch says about itself, in place of what it said before."""
        with self.transaction():
            self._run("INSERT OR REPLACE INTO health VALUES (?, ?, ?, ?)", (part, int(ok), says, at_s))

    def health(self) -> list[Health]:
        """What each part last said about itself."""
        rows = self._rows("SELECT part, ok, says, at_s FROM health ORDER BY part")
        return [Health(part, bool(ok), says, at_s) for part, ok, says, at_s in rows]

    def data_version(self) -> int:
        """A number that changes when another connection has written (SQLite, PRAGMA data_version); costs no reading."""
        return int(self._row("PRAGMA data_version")[0])
