"""How far the journal has been copied to the mirror, and what of it has changed since.

Rows are copied in the order of their numbers, not of their times: what arrives late has a number of its own. A row that
changes after it was copied (a reading is not believed any more, or its clock is put right) is noted by its number, the
least of them is enough: from there all is copied again, which changes nothing where nothing had changed.
"""

from __future__ import annotations

from typing import Any

from monitor.domain import Event
from monitor.journal import codec
from monitor.journal.readings import COLUMNS, kept_from
from monitor.journal.rows import KeptReading
from monitor.journal.state import State

MIRROR = "mirror"
_AGAIN = "mirror/again"
# Of this connection alone, so that a journal without a mirror pays nothing: whoever changes readings asks for it.
_NOTE_CHANGES = (
    "CREATE TEMP TRIGGER IF NOT EXISTS reading_changed AFTER UPDATE OF time_s, reason ON main.readings BEGIN "
    "INSERT INTO facts VALUES ('mirror/again', new.id) "
    "ON CONFLICT (key) DO UPDATE SET value = min(CAST(value AS INTEGER), CAST(excluded.value AS INTEGER)); END"
)


class Mirrored(State):
    """What the mirror asks of the journal."""

    def note_changed_readings(self) -> None:
        """From now on note which readings are changed through this connection."""
        self._run(_NOTE_CHANGES)
        self._each_time.append(_NOTE_CHANGES)

    def mirror_state(self) -> dict[str, Any]:
        """What was kept by ``settle_mirror`` last; empty where there has been no mirror."""
        return dict(self.fact(MIRROR, {}))

    def readings_changed(self) -> bool:
        """Whether a reading has changed since ``settle_mirror``."""
        return self.fact(_AGAIN) is not None

    def settle_mirror(self, state: dict[str, Any]) -> int | None:
        """Keep how far the mirror is (``readings``, the number of the last one copied, beside whatever else is to be
        kept). The number of the first reading that has changed since the last time, None where none has: what is kept
        is then set back to before it.
        """
        with self.transaction():
            changed: int | None = self.fact(_AGAIN)
            if changed is not None:
                state = {**state, "readings": min(state["readings"], changed - 1)}
                self._run("DELETE FROM facts WHERE key = ?", (_AGAIN,))
            self.set_fact(MIRROR, state)
        return changed

    def readings_after(self, number: int, most: int) -> list[tuple[int, KeptReading]]:
        """The next readings after this number, each with its own."""
        rows = self._rows(
            f"SELECT {COLUMNS} FROM readings r CROSS JOIN probes p ON p.id = r.probe "
            "WHERE r.id > ? ORDER BY r.id LIMIT ?",
            (number, most),
        )
        return [(row[0], kept_from(row)) for row in rows]

    def events_after(self, number: int, most: int) -> list[tuple[int, Event]]:
        """The next events after this number, each with its own."""
        rows = self._rows("SELECT id, line FROM events WHERE id > ? ORDER BY id LIMIT ?", (number, most))
        return [(row[0], codec.event_from(row[1])) for row in rows]

    def waiting_since_s(self, number: int) -> float | None:
        """When the first reading after this number arrived; None where there is none."""
        row = self._row("SELECT arrival_s FROM readings WHERE id > ? ORDER BY id LIMIT 1", (number,))
        return None if row is None else float(row[0])
