"""For a notebook: the batches of a journal as pandas data frames.

    from monitor.notebook import frames
    batches, curves = frames("journal.sqlite")
    batches.groupby("season")["completeness"].agg(["mean", "count"])

Needs the extra part: ./emberpail add seasons, or pip install 'emberpail[seasons]'. The journal is only read, also while
a watch runs.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from datetime import datetime
from zoneinfo import ZoneInfo

from monitor.comparing import stories_of
from monitor.journal.database import Journal
from monitor.seasons.frames import Frames, frames_of


def frames(
    journal: str | os.PathLike[str], batches: Iterable[str] | None = None, *, time_zone: str = "UTC"
) -> Frames:
    """The batches of these names (None: all) as two data frames, see ``Frames``. ``time_zone`` says in which month a
    batch was begun.

    Raises LibraryMissing without pandas, JournalError where the journal cannot be read.
    """
    zone, wanted = ZoneInfo(time_zone), None if batches is None else set(batches)
    with Journal(journal, read_only=True) as opened:
        records = [one for one in opened.batches() if wanted is None or one.batch.name in wanted]
        stories = stories_of(opened, records, lambda at_s: datetime.fromtimestamp(at_s, zone))
    return frames_of(stories)
