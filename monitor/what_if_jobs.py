"""One comparison at a time in a thread of its own, for the page. It takes a processor for some seconds to minutes; the
watch goes on beside it.
"""

from __future__ import annotations

import logging
import secrets
import threading
from collections.abc import Callable
from dataclasses import replace

from monitor.journal.database import Journal
from monitor.page.what_if_view import Progress, Trial
from monitor.settings import Settings
from monitor.what_if import NotTried, Stopped, compare, trial_of
from monitor.words import Voice, speaking, tr, voice

log = logging.getLogger(__name__)

# So many results can be looked at again; an older one is worked out anew.
_KEPT = 8


class WhatIfJobs:
    """What the page's button starts. ``open_journal`` opens the journal to read, once for each comparison."""

    def __init__(self, open_journal: Callable[[], Journal], settings: Settings) -> None:
        self._open, self._settings = open_journal, settings
        self._lock = threading.Lock()
        self._all: dict[str, tuple[Trial, Progress]] = {}
        self._running: str | None = None
        self._thread: threading.Thread | None = None
        self._closing = threading.Event()

    def present(self) -> Trial:
        """The settings as they are now."""
        return trial_of(self._settings)

    def knows(self, batch: str) -> bool:
        """Whether there is such a batch."""
        with self._open() as journal:
            return journal.batch(batch) is not None

    def start(self, batch: str, trial: Trial) -> str:
        """Begin; the name under which to look. The same again while it runs is the same; another one is refused."""
        with self._lock:
            if self._running is not None:
                there, progress = self._all[self._running]
                if (progress.batch, there) == (batch, trial):
                    return self._running
                raise NotTried(
                    tr("{batch} is being worked out just now ({percent:.0f} % is done): wait until it is over.",
                       batch=progress.batch, percent=100.0 * progress.share)
                )  # fmt: skip
            number = self._running = secrets.token_hex(6)
            self._all[number] = trial, Progress(batch)
            for old in list(self._all)[:-_KEPT]:
                del self._all[old]
            self._thread = threading.Thread(
                target=self._work, args=(number, batch, trial, voice()), name="would-ring", daemon=True
            )
            self._thread.start()
        return number

    def look(self, number: str) -> Progress | None:
        """How far it is."""
        with self._lock:
            found = self._all.get(number)
        return None if found is None else found[1]

    def close(self) -> None:
        """Give up what is under way."""
        self._closing.set()
        if self._thread is not None:
            self._thread.join(timeout=5.0)

    # ---- inside ----

    def _work(self, number: str, batch: str, trial: Trial, speaks: Voice) -> None:
        def progress(share: float) -> bool:
            self._set(number, share=min(1.0, max(0.0, share)))
            return not self._closing.is_set()

        with speaking(speaks):
            try:
                with self._open() as journal:
                    result = compare(journal, batch, self._settings, trial, progress=progress)
                self._set(number, share=1.0, result=result)
            except Stopped:
                self._set(number, trouble=tr("It was given up, because the watch is ending."))
            except ValueError as error:
                self._set(number, trouble=str(error))
            except Exception as error:  # a fault of ours here must not look as if it still ran
                log.exception("would-ring failed")
                self._set(number, trouble=tr("It failed in a way nobody foresaw: {error!r}.", error=error))
            finally:
                with self._lock:
                    self._running = None

    def _set(self, number: str, **values: object) -> None:
        with self._lock:
            trial, there = self._all[number]
            self._all[number] = trial, replace(there, **values)  # type: ignore[arg-type]
