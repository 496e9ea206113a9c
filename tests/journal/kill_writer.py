"""Run as a program by test_kill: writes to the journal without end and tells what was acknowledged.

Arguments: the journal, the number to begin with. After each commit one line "done N" goes out, N being the group.
"""

from __future__ import annotations

import sys

from monitor.domain import Event, LogEntry, Reading
from monitor.journal.database import Journal, Message

T0 = 1_773_480_000.0
GROUP = 7


def readings_of(group: int) -> list[Reading]:
    """The readings of one group; the last of each is sent again as the first of the next."""
    return [
        Reading("shed-2", "core", T0 + n, T0 + n + 0.25, 20.0 + n / 16)
        for n in range(group * GROUP, (group + 1) * GROUP + 1)
    ]


def event_of(group: int) -> Event:
    """The event of one group."""
    return Event("alarm", T0 + group, "shed-2", "Q 12", {"alarm": f"a{group}", "state": "raised"})


def message_of(group: int) -> Message:
    """What the event has to tell."""
    return Message(f"a{group}", "raised", "Ada", "json …a1b2c3", "title", "body", T0 + group, "now")


def write(journal: Journal, group: int) -> None:
    """One group, as watch writes it: readings, an alarm with its message, now and then a log entry."""
    with journal.transaction():
        journal.add_readings(readings_of(group))
        if journal.add_events([event_of(group)]):
            journal.add_messages([message_of(group)])
        if group % 5 == 0:
            journal.add_entry("Q 12", LogEntry("looked", T0 + group, T0 + group))


def main() -> None:
    """Write until killed."""
    with Journal(sys.argv[1]) as journal:
        group = int(sys.argv[2])
        while True:
            write(journal, group)
            sys.stdout.write(f"done {group}\n")
            sys.stdout.flush()
            group += 1


if __name__ == "__main__":
    main()
