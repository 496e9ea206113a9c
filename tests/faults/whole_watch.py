"""A whole watch in a thread of this process, and what it says of itself."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from monitor.clock import ArrivalClock
from monitor.journal.database import Journal
from monitor.running import Running
from monitor.settings import Settings
from monitor.sources.line import Source


@contextmanager
def whole_watch(
    folder: Path, settings: Settings, clock: ArrivalClock, sources: Sequence[Source]
) -> Iterator[list[str]]:
    """It runs inside, without its page; gives what it says so far, "ANEW" where it is given up."""
    went: list[str] = []
    with Journal(folder / "journal.sqlite") as journal:
        one = Running(settings, journal, clock, sources, serve_page=False, say=went.append,
                      begin_anew=lambda: went.append("ANEW"))  # fmt: skip
        stop = threading.Event()
        thread = threading.Thread(target=one.run, args=(stop,), daemon=True)
        thread.start()
        try:
            yield went
        finally:
            stop.set()
            thread.join(10.0)
            one.close()
