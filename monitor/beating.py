"""The outward heartbeat of a running watch: a web address is called while all is well, so that silence itself rings.

Whoever answers at that address (any service that misses a regular call, or a small computer elsewhere) is to ring when
no call has come for some time: then the power, the internet, this computer or the watch is gone.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable
from pathlib import Path

from monitor.errand import Errand
from monitor.journal.database import Journal, JournalError
from monitor.phone.heartbeat import beat
from monitor.phone.routes import Outcome
from monitor.settings import HeartbeatSettings
from monitor.words import tr

# A call that fails is tried again so much later: a moment without network is not to look like the end.
_AGAIN_S = 30.0
# A call is back within a second as a rule, and ends itself after 30 s; only the look-up of its name may take longer.
_BACK_WITHIN_S = 0.5
_SLOW_S = 40.0
_PART = "heartbeat"


class Beating:
    """The worker that calls. ``amiss`` says why the call must not be made, "" when all is well."""

    def __init__(
        self,
        heartbeat: HeartbeatSettings,
        journal_path: Path,
        now_s: Callable[[], float],
        amiss: Callable[[], str],
        *,
        call: Callable[[str], Outcome] = beat,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._url = "" if heartbeat.url is None else heartbeat.url.reveal()
        self._every_s = heartbeat.every_min * 60.0
        self._path, self._now_s, self._amiss, self._call, self._monotonic = journal_path, now_s, amiss, call, monotonic
        self._turned_at = monotonic()
        self._due_at = self._called_at = monotonic()
        self._errand: Errand[Outcome] = Errand("heartbeat call")
        self._told: tuple[bool, str] | None = None

    def age_s(self) -> float:
        """How long ago it last turned round, real seconds."""
        return self._monotonic() - self._turned_at

    def beat_on(self, stop: threading.Event) -> None:
        """Call until ``stop``."""
        while not stop.is_set():
            self.turn()
            stop.wait(1.0)

    def turn(self) -> None:
        """Call if it is time and all is well."""
        self._turned_at = self._monotonic()
        if self._errand.under_way or self._errand.is_back():
            self._wait_for_it()
            return
        if self._monotonic() < self._due_at:
            return
        amiss = self._amiss()
        if amiss:
            # Looked at again soon: the first call after the trouble is over should not be late.
            self._due_at = self._monotonic() + 1.0
            self._keep(False, tr("no heartbeat goes out: {reason}", reason=amiss))
            return
        self._called_at = self._monotonic()
        self._errand.begin(lambda _: self._call(self._url))
        self._wait_for_it()

    def _wait_for_it(self) -> None:
        """For a moment; where it is not back by then the next turn waits on."""
        if self._errand.is_back(_BACK_WITHIN_S):
            outcome = self._errand.take()
            self._due_at = self._monotonic() + (self._every_s if outcome.ok else min(_AGAIN_S, self._every_s))
            self._keep(outcome.ok, outcome.says)
        elif self._monotonic() - self._called_at >= _SLOW_S:
            self._keep(
                False, tr("a heartbeat does not get out: does the network's name server answer? It is waited for.")
            )

    def _keep(self, ok: bool, says: str) -> None:
        """For page and status. That no call comes through rings outside; ringing here for it would say it twice."""
        if (ok, says) == self._told:
            return
        self._told = (ok, says)
        with contextlib.suppress(JournalError), Journal(self._path, there_already=True) as journal:
            journal.set_health(_PART, ok, says, self._now_s())
