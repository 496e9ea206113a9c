"""The whole log of a running batch for the page, from the journal: what stands, what was struck, what was moved."""

from __future__ import annotations

import threading
from collections.abc import Callable

from monitor.journal.database import Journal, LoggedEntry
from monitor.moving import moved_from, moved_to
from monitor.page.log_page import LogRow, LogView
from monitor.settings import Settings
from monitor.standing import log_line


def log_view(journal: Journal, settings: Settings, bucket: str, now_s: float) -> LogView | None:
    """The log of the batch that runs in ``bucket``; None where neither the settings nor a running batch name it."""
    running = {batch.bucket: batch.name for batch in journal.running_batches()}
    if bucket not in running:
        known = any(one.name == bucket for one in settings.buckets)
        return LogView(bucket, "", now_s) if known else None
    return LogView(
        bucket,
        running[bucket],
        now_s,
        tuple(_row(journal, bucket, logged) for logged in journal.log(running[bucket])),
        tuple((other, batch) for other, batch in running.items() if other != bucket),
    )


def _row(journal: Journal, bucket: str, logged: LoggedEntry) -> LogRow:
    entry = logged.entry
    to = None if logged.undone_at_s is None else moved_to(journal, bucket, entry.entry_id)
    put_back = None
    if to is not None and to[1].undone_at_s is None:
        put_back = (to[0], to[1].batch, to[1].entry.entry_id)
    return LogRow(
        log_line(entry, with_origin=False),
        who=logged.who,
        struck_at_s=logged.undone_at_s,
        moved_from=moved_from(entry.entry_id),
        moved_to="" if to is None else to[0],
        put_back=put_back,
    )


def page_log(
    open_journal: Callable[[], Journal], settings: Settings, now_s: Callable[[], float]
) -> Callable[[str], LogView | None]:
    """A function for the page: the log of a bucket by its name, from a connection of its own."""
    journals: list[Journal] = []
    lock = threading.Lock()

    def read(bucket: str) -> LogView | None:
        with lock:
            if not journals:
                journals.append(open_journal())
            return log_view(journals[0], settings, bucket, now_s())

    return read
