"""An entry noted at the wrong bucket, put to the right one. The journal keeps both: struck where it stood, and entered
where it belongs with the time at which it happened.

Where an entry came from stands in its own id, ``BUCKET@ID``: so it travels wherever the log does, and moving it twice
is moving it once.
"""

from __future__ import annotations

from dataclasses import replace

from monitor.domain import Batch, LogEntry
from monitor.journal.database import Journal, LoggedEntry
from monitor.words import tr

# An entry from before the batch belongs to its making; from the day before it is a slip.
BEFORE_START_S = 24 * 3600.0


class NotMoved(ValueError):
    """The entry stays where it is; one sentence says why."""


def moved_id(bucket: str, entry_id: str) -> str:
    """The id of an entry after it was moved away from ``bucket``."""
    return f"{bucket}@{entry_id}"


def moved_from(entry_id: str) -> str:
    """The bucket from which an entry was moved here, "" where it was noted here."""
    return entry_id.partition("@")[0] if "@" in entry_id else ""


def moved_to(journal: Journal, bucket: str, entry_id: str) -> tuple[str, LoggedEntry] | None:
    """To which bucket an entry of ``bucket`` was moved, and what stands there; None where it was not."""
    there = journal.entry(moved_id(bucket, entry_id))
    if there is None:
        return None
    batch = journal.batch(there.batch)
    return None if batch is None else (batch.batch.bucket, there)


def move_entry(journal: Journal, batch: Batch, entry_id: str, other: Batch, now_s: float) -> LogEntry:
    """Strike an entry of ``batch`` and enter it for ``other``, in one transaction; return it as it stands there.

    Raises NotMoved where it is not one of ``batch``, was taken back, or is older than ``other``. Moving it again to
    where it has been moved changes nothing.
    """
    if other.name == batch.name:
        raise NotMoved(tr("{bucket} is where it stands: name the other bucket.", bucket=batch.bucket))
    with journal.transaction():
        logged = journal.entry(entry_id)
        if logged is None or logged.batch != batch.name:
            raise NotMoved(tr("There is no such entry in the log of {batch}.", batch=batch.name))
        old = logged.entry
        if logged.undone_at_s is not None:
            there = journal.entry(moved_id(batch.bucket, entry_id))
            if there is not None and there.batch == other.name and there.undone_at_s is None:
                return there.entry
            raise NotMoved(tr("That entry has been taken back already: look at the log anew."))
        if old.at_s < other.started_s - BEFORE_START_S:
            raise NotMoved(
                tr("It happened more than a day before {batch} in {bucket} started: look at which bucket it was.",
                   batch=other.name, bucket=other.bucket)
            )  # fmt: skip
        # When it happened stays; that it was in this bucket nobody knew before now.
        entry = replace(old, noted_at_s=max(now_s, old.noted_at_s), entry_id=moved_id(batch.bucket, entry_id))
        new = journal.add_entry(other.name, entry, who=logged.who)
        journal.undo_entry(entry_id, max(now_s, old.noted_at_s))
    return new
