"""The journal: one SQLite file with batches, log, readings, events, alarms, and what is still to be told to whom.

    with Journal("emberpail.sqlite") as journal:
        journal.add_batch(batch)
        with journal.transaction():             # all or nothing
            for event in journal.add_events(events):
                journal.add_messages(messages_for(event))

Every write may be repeated without harm. Several processes may have the file open at once. No method reads a clock:
times are handed in.
"""

from __future__ import annotations

from monitor.journal.alarms import Alarms
from monitor.journal.batches import Batches
from monitor.journal.codec import message_id_for
from monitor.journal.gauges import Gauges
from monitor.journal.mirrored import Mirrored
from monitor.journal.outbox import BACK_OFF_S, Outbox
from monitor.journal.readings import Readings
from monitor.journal.retiming import Retiming
from monitor.journal.rows import (
    GIVEN_UP,
    Act,
    AlarmRecord,
    Amendment,
    BatchRecord,
    Change,
    Detail,
    Health,
    KeptReading,
    LoggedEntry,
    Message,
    Photo,
)
from monitor.journal.state import State
from monitor.journal.store import JournalError, Refused
from monitor.journal.whole import Whole

__all__ = [
    "BACK_OFF_S",
    "GIVEN_UP",
    "Act",
    "AlarmRecord",
    "Amendment",
    "BatchRecord",
    "Change",
    "Detail",
    "Health",
    "Journal",
    "JournalError",
    "KeptReading",
    "LoggedEntry",
    "Message",
    "Photo",
    "Refused",
    "message_id_for",
]


class Journal(Batches, Readings, Alarms, Outbox, Mirrored, State, Whole, Retiming, Gauges):
    """An open journal. ``read_only`` for those that only look; raises JournalError with one sentence."""

    def __enter__(self) -> Journal:
        return self

    def outbox_is_known(self) -> bool:
        """Whether the messages found here are all there are; not always so where they are kept in memory (`aside`)."""
        return True
