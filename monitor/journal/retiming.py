"""What was stamped by a clock that stood wrong, moved to the right time once that is known."""

from __future__ import annotations

from monitor.journal.store import Store

# Table -> (the column that says when it was noted, the columns that move with it).
_NOTED = {
    "batches": ("coalesce(noted_at_s, started_s)", ("started_s", "noted_at_s")),
    "entries": ("noted_at_s", ("at_s", "noted_at_s")),
    "acts": ("noted_at_s", ("at_s", "noted_at_s", "until_s")),
    "details": ("noted_at_s", ("noted_at_s",)),
    "photos": ("noted_at_s", ("at_s", "noted_at_s")),
    "amendments": ("noted_at_s", ("noted_at_s",)),
    # What is still to be told must not count as old, nor run out, by as much.
    "outbox": ("created_s", ("created_s", "not_before_s", "expires_s", "next_try_s", "sent_s")),
}
# Table -> columns that move each by itself.
_ALONE = {
    "batches": ("ended_s", "ended_noted_s"),
    "entries": ("undone_at_s",),
    "photos": ("undone_at_s",),
    "alarms": ("raised_at_s", "cleared_at_s", "acknowledged_at_s", "shelved_until_s"),
    "health": ("at_s",),
}


class Retiming(Store):
    """Moves times of all tables."""

    def retime(self, from_s: float, shift_s: float) -> int:
        """Move everything that was noted, or arrived, from ``from_s`` on by ``shift_s`` (forward); return how many
        readings moved. In one transaction; the order of readings and rows stays. Events stay as they were told.
        """
        with self.transaction():
            for table, (noted, columns) in _NOTED.items():
                moves = ", ".join(f"{one} = {one} + ?1" for one in columns)
                self._run(f"UPDATE {table} SET {moves} WHERE {noted} >= ?2", (shift_s, from_s))
            for table, columns in _ALONE.items():
                for one in columns:
                    self._run(f"UPDATE {table} SET {one} = {one} + ?1 WHERE {one} >= ?2", (shift_s, from_s))
            return self._retime_readings(from_s, shift_s)

    def _retime_readings(self, from_s: float, shift_s: float) -> int:
        row = self._row("SELECT min(id) FROM readings WHERE arrival_s >= ?", (from_s,))
        if row[0] is None:
            return 0
        # One probe has one reading at a time, and is held to it at every single row: so out of the way first.
        moved = self._run(
            "UPDATE readings SET arrival_s = arrival_s + ?1, time_s = -(time_s + ?1) WHERE id >= ?2", (shift_s, row[0])
        ).rowcount
        self._run("UPDATE OR IGNORE readings SET time_s = -time_s WHERE id >= ? AND time_s < 0", (row[0],))
        # Another reading of that very moment is there already; both stay, a millisecond apart.
        self._run("UPDATE OR IGNORE readings SET time_s = 0.001 - time_s WHERE id >= ? AND time_s < 0", (row[0],))
        return moved
