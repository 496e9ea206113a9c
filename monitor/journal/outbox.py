"""What is still to be told to whom. A message stays until a service took it, it expired, or a newer one replaced it.

A message that was handed over a moment before a crash is handed over again: at least once, never lost, and with the
same identity, so that a double can be seen to be one.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from typing import Any

from monitor.journal.codec import message_id_for
from monitor.journal.rows import EXPIRES_AFTER_S, Message
from monitor.journal.store import Store

# Waits after the first, second, ... failure; the last one repeats. Short at first, because most failures are a
# moment without network; never longer than 5 min, because somebody may be needed at the bucket.
BACK_OFF_S = (10.0, 30.0, 60.0, 120.0, 300.0)
STEADY_S = BACK_OFF_S[-1]

COLUMNS = (
    "about, what, person, route, title, body, created_s, urgency, not_before_s, expires_s, message_id, state, "
    "attempts, last_error, next_try_s, sent_s"
)
_OPEN = "state IN ('waiting', 'failed')"


def wait_after(attempts: int) -> float:
    """Seconds to wait after the failure number ``attempts`` (counted from 1)."""
    return BACK_OFF_S[min(max(attempts, 1), len(BACK_OFF_S)) - 1]


class Outbox(Store):
    """The table outbox."""

    def add_messages(self, messages: Iterable[Message]) -> list[Message]:
        """Put messages into the outbox; return those that were new, complete with id, expiry and first try.

        Use it inside ``transaction()`` together with the event that it tells of.
        """
        new = []
        with self.transaction():
            for message in messages:
                full = _completed(message)
                added = self._run(
                    f"INSERT INTO outbox ({COLUMNS}) VALUES ({', '.join('?' * 16)}) "
                    "ON CONFLICT (message_id) DO NOTHING",
                    dataclasses.astuple(full),
                ).rowcount
                if added:
                    new.append(full)
        return new

    def due_messages(self, now_s: float) -> list[Message]:
        """Messages to try now, the waking ones first, then the older ones.

        Times that lie further ahead than any wait of ours can (the clock has been set back since) count as come:
        better early than stuck.
        """
        rows = self._rows(
            f"SELECT {COLUMNS} FROM outbox WHERE {_OPEN} AND expires_s > ?1 "
            "AND (not_before_s <= ?1 OR created_s > ?1 + 60) AND (next_try_s <= ?1 OR next_try_s > ?1 + ?2) "
            "ORDER BY urgency <> 'now', created_s, rowid",
            (now_s, STEADY_S),
        )
        return [Message(*row) for row in rows]

    def message_sent(self, message_id: str, sent_s: float) -> None:
        """The service took it. Stands whatever the row said before: it cannot be called back."""
        with self.transaction():
            self._run(
                "UPDATE outbox SET state = 'sent', sent_s = ?, attempts = attempts + 1, last_error = '' "
                "WHERE message_id = ? AND state <> 'sent'",
                (sent_s, message_id),
            )

    def message_failed(self, message_id: str, error: str, retry: bool, now_s: float) -> Message | None:
        """It could not be handed over; return the row as it is now.

        ``retry`` false means that trying again will hardly help. Even so a waking message is tried again, at the
        steady pace, until it expires: the grower may mend the route in the meantime.
        """
        with self.transaction():
            message = self.message(message_id)
            if message is None or message.state not in ("waiting", "failed"):
                return message
            attempts = message.attempts + 1
            ended = message.expires_s is not None and now_s >= message.expires_s
            state = "given_up" if ended or not (retry or message.urgency == "now") else "failed"
            next_try_s = now_s + (wait_after(attempts) if retry else STEADY_S)
            self._run(
                "UPDATE outbox SET state = ?, attempts = ?, last_error = ?, next_try_s = ? WHERE message_id = ?",
                (state, attempts, error, next_try_s, message_id),
            )
            return self.message(message_id)

    def give_up_expired(self, now_s: float) -> list[Message]:
        """Give up what is past its expiry; return those rows, so that the grower can be told what he was not told."""
        if not self._row(f"SELECT 1 FROM outbox WHERE {_OPEN} AND expires_s <= ? LIMIT 1", (now_s,)):
            return []  # the usual case costs no commit
        with self.transaction():
            ids = self._rows(f"SELECT message_id FROM outbox WHERE {_OPEN} AND expires_s <= ?", (now_s,))
            self._run_many("UPDATE outbox SET state = 'given_up' WHERE message_id = ?", ids)
            return [found for (message_id,) in ids if (found := self.message(message_id))]

    def given_up_messages(self, person: str, since_s: float) -> list[Message]:
        """What was written for a person from ``since_s`` on, given up, and has not been summed up; the oldest first."""
        rows = self._rows(
            f"SELECT {COLUMNS} FROM outbox WHERE state = 'given_up' AND person = ? AND created_s >= ? "
            "ORDER BY created_s, rowid",
            (person, since_s),
        )
        return [Message(*row) for row in rows]

    def sum_up(self, message_ids: Iterable[str]) -> int:
        """Mark what was given up as dealt with: summed up to the person, or told otherwise; returns how many."""
        with self.transaction():
            return self._run_many(
                "UPDATE outbox SET state = 'summed_up' WHERE message_id = ? AND state = 'given_up'",
                [(message_id,) for message_id in message_ids],
            )

    def supersede_messages(self, about: str, keep: Iterable[str] = ()) -> int:
        """Take back what has not been told yet about an alarm, but for the messages ``keep`` ("cleared", ...).

        For reminders that a newer message replaces; returns how many.
        """
        kept = set(keep)
        with self.transaction():
            rows = self._rows(f"SELECT message_id, what FROM outbox WHERE about = ? AND {_OPEN}", (about,))
            stale = [(message_id,) for message_id, what in rows if what not in kept]
            return self._run_many("UPDATE outbox SET state = 'superseded' WHERE message_id = ?", stale)

    def take_back(self, message_ids: Iterable[str]) -> int:
        """Take back these messages, as far as they have not been told yet; returns how many."""
        ids = [(message_id,) for message_id in message_ids]
        if not ids:
            return 0
        with self.transaction():
            return self._run_many(
                f"UPDATE outbox SET state = 'superseded' WHERE message_id = ? AND {_OPEN}", ids
            )

    def give_up(self, message_ids: Iterable[str]) -> int:
        """Count these, which had been taken back, as not told after all; returns how many."""
        with self.transaction():
            return self._run_many(
                "UPDATE outbox SET state = 'given_up' WHERE message_id = ? AND state = 'superseded'",
                [(message_id,) for message_id in message_ids],
            )

    def hand_on(self, message_id: str, to_route: str, now_s: float) -> Message | None:
        """Let another route of the same person tell it as well, to be tried now; return what is new.

        None where it is settled or taken back already, or where that route has been given it before.
        """
        with self.transaction():
            message = self.message(message_id)
            if message is None or message.state not in ("waiting", "failed"):
                return None
            copy = dataclasses.replace(
                message, route=to_route, message_id="", state="waiting", attempts=0, last_error="", next_try_s=now_s
            )
            return next(iter(self.add_messages([copy])), None)

    def move_messages(self, person: str, from_route: str, to_route: str, now_s: float) -> int:
        """Hand what waits for a route that is gone to another route of the same person, to be tried now.

        What the other route has been given itself is superseded instead, so that it does not ring twice for it.
        """
        with self.transaction():
            rows = self._rows(
                f"SELECT message_id, about, what FROM outbox WHERE person = ? AND route = ? AND {_OPEN}",
                (person, from_route),
            )
            moved = 0
            for message_id, about, what in rows:
                twin = self._row(
                    "SELECT 1 FROM outbox WHERE about = ? AND what = ? AND person = ? AND route = ?",
                    (about, what, person, to_route),
                )
                if twin:
                    self._run("UPDATE outbox SET state = 'superseded' WHERE message_id = ?", (message_id,))
                else:
                    self._run(
                        "UPDATE outbox SET route = ?, state = 'waiting', next_try_s = ? WHERE message_id = ?",
                        (to_route, now_s, message_id),
                    )
                    moved += 1
            return moved

    def message(self, message_id: str) -> Message | None:
        """The message with this id."""
        row = self._row(f"SELECT {COLUMNS} FROM outbox WHERE message_id = ?", (message_id,))
        return Message(*row) if row else None

    def messages(self, about: str | None = None, open_only: bool = False) -> list[Message]:
        """Messages about an alarm (None: about all), the oldest first; ``open_only``: not told yet."""
        # Only by conditions that are really there is the index of what it is about used.
        where = " AND ".join(["TRUE", *(["about = ?"] if about is not None else []), *([_OPEN] if open_only else [])])
        rows: list[Any] = self._rows(
            f"SELECT {COLUMNS} FROM outbox WHERE {where} ORDER BY created_s, rowid",
            [] if about is None else [about],
        )
        return [Message(*row) for row in rows]


def _completed(message: Message) -> Message:
    not_before_s = message.created_s if message.not_before_s is None else message.not_before_s
    return dataclasses.replace(
        message,
        message_id=message.message_id or message_id_for(message.about, message.what, message.person, message.route),
        not_before_s=not_before_s,
        expires_s=max(message.created_s, not_before_s) + EXPIRES_AFTER_S
        if message.expires_s is None
        else message.expires_s,
        next_try_s=message.created_s if message.next_try_s is None else message.next_try_s,
    )
