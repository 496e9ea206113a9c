"""What people enter: batches, their log, acts on alarms, and the serial number by which watch learns of each."""

from __future__ import annotations

import dataclasses
from typing import Any

from monitor.domain import Batch, LogEntry
from monitor.journal import codec
from monitor.journal.records import AMENDMENT, Records, amendment_from
from monitor.journal.rows import ACTS, Act, BatchRecord, Change, LoggedEntry
from monitor.journal.store import Refused
from monitor.words import tr

_BATCH = "name, bucket, started_s, noted_at_s, recipe, vessel, planned_dilution_s, ended_s, ended_noted_s, outcome"
_ENTRY = "entry_id, batch, kind, at_s, noted_at_s, temperature_c, kg, text, who, undone_at_s"
_ACT = "act_id, batch, bucket, alarm, act, until_s, who, at_s, noted_at_s"


class Batches(Records):
    """The tables batches, entries, acts and changes."""

    # ---- batches ----

    def add_batch(self, batch: Batch) -> None:
        """Start ``batch``; starting the same one again changes nothing.

        Refused when its bucket has a running batch, or when another batch has the name.
        """
        with self.transaction():
            there = self.batch(batch.name)
            if there and there.batch == batch:
                return
            if there:
                raise Refused(
                    tr(
                        'There is a batch "{batch}" already, in {bucket}; choose another name.',
                        batch=batch.name,
                        bucket=there.batch.bucket,
                    )
                )
            running = self.batch_in(batch.bucket)
            if running:
                raise Refused(
                    tr(
                        'Bucket {bucket} already has a running batch, "{batch}"; end it first, or name another bucket.',
                        bucket=batch.bucket,
                        batch=running.name,
                    )
                )
            self._run(
                f"INSERT INTO batches ({_BATCH}) VALUES (?, ?, ?, ?, ?, ?, ?, NULL, NULL, '')",
                (
                    batch.name, batch.bucket, batch.started_s, batch.noted_at_s, codec.recipe_text(batch.recipe),
                    codec.vessel_text(batch.vessel), batch.planned_dilution_s,
                ),
            )  # fmt: skip
            self._note_change("batch-started", batch.name)

    def end_batch(self, name: str, at_s: float, noted_at_s: float, outcome: str = "") -> None:
        """End the batch; the same end again changes nothing, another end is Refused."""
        with self.transaction():
            there = self.batch(name)
            if there is None:
                raise self._unknown(name)
            if there.ended_s is not None:
                if there.ended_s == at_s:
                    return
                raise Refused(tr('Batch "{batch}" has been ended already.', batch=name))
            self._run(
                "UPDATE batches SET ended_s = ?, ended_noted_s = ?, outcome = ? WHERE name = ?",
                (at_s, noted_at_s, outcome, name),
            )
            self._note_change("batch-ended", name)

    def batch(self, name: str) -> BatchRecord | None:
        """The batch called ``name``, running or ended."""
        row = self._row(f"SELECT {_BATCH} FROM batches WHERE name = ?", (name,))
        return _record(row) if row else None

    def batch_in(self, bucket: str) -> Batch | None:
        """The batch that runs in ``bucket``."""
        row = self._row(f"SELECT {_BATCH} FROM batches WHERE bucket = ? AND ended_s IS NULL", (bucket,))
        return _record(row).batch if row else None

    def running_batches(self) -> list[Batch]:
        """Batches that have not been ended, the oldest first."""
        rows = self._rows(f"SELECT {_BATCH} FROM batches WHERE ended_s IS NULL ORDER BY started_s, name")
        return [_record(row).batch for row in rows]

    def batches(self) -> list[BatchRecord]:
        """All batches, the oldest first."""
        return [_record(row) for row in self._rows(f"SELECT {_BATCH} FROM batches ORDER BY started_s, name")]

    # ---- the log ----

    def add_entry(self, batch: str, entry: LogEntry, who: str = "") -> LogEntry:
        """Add ``entry`` to the log of ``batch``; return it with its id. The same entry again changes nothing."""
        entry = dataclasses.replace(entry, entry_id=entry.entry_id or codec.entry_id_for(batch, entry))
        with self.transaction():
            if self.batch(batch) is None:
                raise self._unknown(batch)
            added = self._run(
                f"INSERT INTO entries ({_ENTRY}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, NULL) "
                "ON CONFLICT (entry_id) DO NOTHING",
                (
                    entry.entry_id, batch, entry.kind, entry.at_s, entry.noted_at_s, entry.temperature_c, entry.kg,
                    entry.text, who,
                ),
            ).rowcount  # fmt: skip
            if added:
                self._note_change("entry-added", entry.entry_id)
        return entry

    def undo_entry(self, entry_id: str, now_s: float) -> LoggedEntry:
        """Take an entry back. What it said stays in the journal; taking it back twice changes nothing."""
        with self.transaction():
            row = self._row(f"SELECT {_ENTRY} FROM entries WHERE entry_id = ?", (entry_id,))
            if row is None:
                raise Refused(tr('There is no log entry "{entry}".', entry=entry_id))
            there = _logged(row)
            if there.undone_at_s is not None:
                return there
            self._run("UPDATE entries SET undone_at_s = ? WHERE entry_id = ?", (now_s, entry_id))
            self._note_change("entry-undone", entry_id)
        return dataclasses.replace(there, undone_at_s=now_s)

    def entry(self, entry_id: str) -> LoggedEntry | None:
        """The log entry with this id, whether it stands or was taken back."""
        row = self._row(f"SELECT {_ENTRY} FROM entries WHERE entry_id = ?", (entry_id,))
        return _logged(row) if row else None

    def log(self, batch: str) -> list[LoggedEntry]:
        """The whole log of ``batch`` in the order it was noted, with what was taken back."""
        rows = self._rows(f"SELECT {_ENTRY} FROM entries WHERE batch = ? ORDER BY noted_at_s, rowid", (batch,))
        return [_logged(row) for row in rows]

    def entries(self, batch: str) -> list[LogEntry]:
        """The log entries of ``batch`` that stand, in the order they were noted."""
        return [logged.entry for logged in self.log(batch) if logged.undone_at_s is None]

    # ---- acts on alarms ----

    def add_act(self, act: Act) -> Act:
        """Keep what a person did about an alarm; return it with its id. The same act again changes nothing."""
        if act.act not in ACTS:
            raise Refused(
                tr('"{act}" is no act on an alarm; it may be one of {acts}.', act=act.act, acts=", ".join(ACTS))
            )
        act_id = act.act_id or codec.act_id_for(act)
        act = dataclasses.replace(act, act_id=act_id)
        with self.transaction():
            added = self._run(
                f"INSERT INTO acts ({_ACT}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (act_id) DO NOTHING",
                (
                    act.act_id, act.batch, act.bucket, act.alarm_id, act.act, act.until_s, act.who, act.at_s,
                    act.noted_at_s,
                ),
            ).rowcount  # fmt: skip
            if added:
                self._note_change("act", act.act_id)
        return act

    def acts(self, batch: str | None = None) -> list[Act]:
        """Acts on the alarms of ``batch`` (of all batches when None), in the order they were noted."""
        which, values = ("WHERE batch = ?", (batch,)) if batch is not None else ("", ())
        return [_act(row) for row in self._rows(f"SELECT {_ACT} FROM acts {which} ORDER BY noted_at_s, rowid", values)]

    # ---- what is new ----

    def changes_since(self, seq: int) -> tuple[list[Change], int]:
        """What people entered after number ``seq``, in order, and the number to ask from next time.

        Each carries the row as it is now: an entry that was taken back already comes as "entry-added" and as
        "entry-undone", with the same values.
        """
        rows = self._rows("SELECT seq, what, id FROM changes WHERE seq > ? ORDER BY seq", (seq,))
        return [self._change(*row) for row in rows], (rows[-1][0] if rows else seq)

    def last_change(self) -> int:
        """The number of the newest change, 0 when there is none."""
        return int(self._row("SELECT coalesce(max(seq), 0) FROM changes")[0])

    def _change(self, seq: int, what: str, key: str) -> Change:
        if what == "act":
            return Change(seq, what, act=_act(self._row(f"SELECT {_ACT} FROM acts WHERE act_id = ?", (key,))))
        if what == "batch-amended":
            row = self._row(f"SELECT {AMENDMENT} FROM amendments WHERE amendment_id = ?", (key,))
            return Change(seq, what, amendment=amendment_from(row))
        if what.startswith("batch"):
            return Change(seq, what, batch=self.batch(key))
        row = self._row(f"SELECT {_ENTRY} FROM entries WHERE entry_id = ?", (key,))
        return Change(seq, what, entry=_logged(row))

    # ---- taken up later than noted ----
    # watch takes up what it finds at the next tick. Was that tick later than the time noted, the later time is the
    # true one ("nothing has an effect before it is known"), and a rebuild must see it so. Never moved back.

    def renote(self, entry_id: str, noted_at_s: float) -> None:
        """Move the time at which a log entry was noted to a later one."""
        self._later("UPDATE entries SET noted_at_s = ?1 WHERE entry_id = ?2 AND noted_at_s < ?1", noted_at_s, entry_id)

    def correct_clock_of_entry(self, entry_id: str, at_s: float, noted_at_s: float) -> None:
        """Put a log entry, which was noted by a clock that stood wrong, where it belongs."""
        with self.transaction():
            self._run(
                "UPDATE entries SET at_s = ?, noted_at_s = ? WHERE entry_id = ?", (at_s, noted_at_s, entry_id)
            )

    def renote_undo(self, entry_id: str, undone_at_s: float) -> None:
        """Move the time at which a log entry was taken back to a later one."""
        self._later(
            "UPDATE entries SET undone_at_s = ?1 WHERE entry_id = ?2 AND undone_at_s < ?1", undone_at_s, entry_id
        )

    def renote_act(self, act_id: str, noted_at_s: float) -> None:
        """Move the time at which an act was noted to a later one."""
        self._later("UPDATE acts SET noted_at_s = ?1 WHERE act_id = ?2 AND noted_at_s < ?1", noted_at_s, act_id)

    def renote_batch(self, name: str, noted_at_s: float) -> None:
        """Move the time at which a batch was noted to a later one."""
        self._later(
            "UPDATE batches SET noted_at_s = ?1 WHERE name = ?2 AND coalesce(noted_at_s, started_s) < ?1",
            noted_at_s,
            name,
        )

    def renote_end(self, name: str, ended_noted_s: float) -> None:
        """Move the time at which a batch's end was noted to a later one."""
        self._later("UPDATE batches SET ended_noted_s = ?1 WHERE name = ?2 AND ended_noted_s < ?1", ended_noted_s, name)

    def renote_amendment(self, amendment_id: str, noted_at_s: float) -> None:
        """Move the time at which a corrected recipe was noted to a later one."""
        self._later(
            "UPDATE amendments SET noted_at_s = ?1 WHERE amendment_id = ?2 AND noted_at_s < ?1",
            noted_at_s,
            amendment_id,
        )

    def count_from(self, now_s: float) -> None:
        """Have all that is noted at a later time than ``now_s`` count from then.

        A watch that was killed before it committed its last ticks, on a computer that lost its time with it, goes on at
        an earlier time than what was noted in between.
        """
        with self.transaction():
            for table, column in (
                ("entries", "noted_at_s"), ("entries", "undone_at_s"), ("acts", "noted_at_s"),
                ("amendments", "noted_at_s"), ("batches", "noted_at_s"), ("batches", "ended_noted_s"),
            ):  # fmt: skip
                self._run(f"UPDATE {table} SET {column} = ?1 WHERE {column} > ?1", (now_s,))

    def _later(self, sql: str, at_s: float, key: str) -> None:
        with self.transaction():
            self._run(sql, (at_s, key))


def _record(row: Any) -> BatchRecord:
    name, bucket, started_s, noted_at_s, recipe, vessel, planned_dilution_s, *end = row
    batch = Batch(
        name, bucket, started_s, codec.recipe_from(recipe), codec.vessel_from(vessel), planned_dilution_s, noted_at_s
    )
    return BatchRecord(batch, *end)


def _logged(row: Any) -> LoggedEntry:
    entry_id, batch, kind, at_s, noted_at_s, temperature_c, kg, text, who, undone_at_s = row
    return LoggedEntry(LogEntry(kind, at_s, noted_at_s, temperature_c, kg, text, entry_id), batch, who, undone_at_s)


def _act(row: Any) -> Act:
    act_id, batch, bucket, alarm, act, until_s, who, at_s, noted_at_s = row
    return Act(alarm, act, at_s, noted_at_s, who, until_s, batch, bucket, act_id)
