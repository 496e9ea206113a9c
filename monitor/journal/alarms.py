"""What the pipeline found: events, and the present state of each alarm."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from monitor.domain import Event
from monitor.journal import codec
from monitor.journal.rows import ALARM_STATES, AlarmRecord
from monitor.journal.store import Refused, Store
from monitor.words import tr

_ALARM = (
    "alarm_id, kind, bucket, batch, state, urgency, probability, raised_at_s, cleared_at_s, acknowledged_at_s, "
    'acknowledged_by, shelved_until_s, message_id, says, "do", facts'
)


class Alarms(Store):
    """The tables events and alarms."""

    def add_events(self, events: Iterable[Event]) -> list[Event]:
        """Keep events; return those that were new. After a restart the pipeline gives the old ones again, and
        only the new ones may lead to a message."""
        new = []
        with self.transaction():
            for event in events:
                added = self._run(
                    "INSERT INTO events (bucket, batch, event, at_s, key, line) VALUES (?, ?, ?, ?, ?, ?) "
                    "ON CONFLICT (batch, bucket, event, at_s, key) DO NOTHING",
                    (
                        event.bucket, event.batch, event.event, event.at_s, codec.event_key(event),
                        codec.event_text(event),
                    ),
                ).rowcount  # fmt: skip
                if added:
                    new.append(event)
        return new

    def events(self, batch: str | None = None, since_s: float | None = None) -> list[Event]:
        """Events of ``batch`` (None: of all), in the order they were kept, from ``since_s`` on."""
        asked = [("batch = ?", batch), ("at_s >= ?", since_s)]
        # Only by conditions that are really there is the index of a batch used.
        where = " AND ".join(["TRUE", *(test for test, value in asked if value is not None)])
        rows = self._rows(
            f"SELECT line FROM events WHERE {where} ORDER BY id", [value for _, value in asked if value is not None]
        )
        return [codec.event_from(row[0]) for row in rows]

    def last_event_number(self, batch: str) -> int:
        """The number of the event of ``batch`` that was kept last, 0 where it has none: whether there is a new one."""
        return int(self._row("SELECT coalesce(max(id), 0) FROM events WHERE batch = ?", (batch,))[0])

    def last_estimate(self, batch: str) -> Event | None:
        """The newest estimate of ``batch``."""
        row = self._row(
            "SELECT line FROM events WHERE batch = ? AND event = 'estimate' ORDER BY at_s DESC, id DESC LIMIT 1",
            (batch,),
        )
        return codec.event_from(row[0]) if row else None

    def estimates(self, batch: str, after_s: float = 0.0) -> list[Event]:
        """The estimates of ``batch`` that speak of a time after ``after_s``, oldest first."""
        rows = self._rows(
            "SELECT line FROM events WHERE batch = ? AND event = 'estimate' AND at_s > ? ORDER BY at_s, id",
            (batch, after_s),
        )
        return [codec.event_from(row[0]) for row in rows]

    def save_alarm(self, alarm: AlarmRecord) -> None:
        """Keep the present state of an alarm in place of the state before."""
        if alarm.state not in ALARM_STATES:
            states = ", ".join(ALARM_STATES)
            raise Refused(
                tr('"{state}" is no state of an alarm; it may be one of {states}.', state=alarm.state, states=states)
            )
        marks = ", ".join("?" * 16)
        with self.transaction():
            self._run(
                f"INSERT OR REPLACE INTO alarms ({_ALARM}) VALUES ({marks})",
                (
                    alarm.alarm_id, alarm.kind, alarm.bucket, alarm.batch, alarm.state, alarm.urgency,
                    alarm.probability, alarm.raised_at_s, alarm.cleared_at_s, alarm.acknowledged_at_s,
                    alarm.acknowledged_by, alarm.shelved_until_s, alarm.message_id, alarm.says, alarm.do,
                    codec.facts_text(alarm.facts),
                ),
            )  # fmt: skip

    def alarm(self, alarm_id: str) -> AlarmRecord | None:
        """The alarm with this id."""
        row = self._row(f"SELECT {_ALARM} FROM alarms WHERE alarm_id = ?", (alarm_id,))
        return _alarm(row) if row else None

    def alarms(self, standing_only: bool = False, batch: str | None = None) -> list[AlarmRecord]:
        """Alarms in the order they were raised; ``standing_only`` leaves out those back to normal."""
        # Only what is asked for stands in it, so that SQLite takes the index that belongs to that.
        of_batch = "1" if batch is None else "batch = ?"
        standing = "state <> 'normal'" if standing_only else "1"
        rows = self._rows(
            f"SELECT {_ALARM} FROM alarms WHERE {of_batch} AND {standing} ORDER BY raised_at_s, alarm_id",
            () if batch is None else (batch,),
        )
        return [_alarm(row) for row in rows]


def _alarm(row: Any) -> AlarmRecord:
    values = [*row[:-1], codec.facts_from(row[-1])]
    return AlarmRecord(*values)
