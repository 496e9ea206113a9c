"""The siren of the settings, over the journal: alarms out, the button's answers in."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable, MutableMapping
from pathlib import Path

from monitor.deeds import JournalDeeds
from monitor.journal.database import Journal, JournalError
from monitor.settings import SirenSettings
from monitor.siren.siren import SirenBroker, SirenTeller
from monitor.words import tr

# After an end that nobody foresaw the siren is tried again so much later.
_AGAIN_S = 15.0


def broker_of(siren: SirenSettings) -> SirenBroker:
    """The broker that the settings name."""
    password = None if siren.password is None else siren.password.reveal()
    return SirenBroker(
        siren.host, siren.port, siren.username, password, siren.tls, siren.ca_file, siren.client_id, siren.name,
        siren.button,
    )  # fmt: skip


class Bedside:
    """The worker that tells the siren. ``tick_age_s`` as for ``SirenTeller``; ``say`` prints a sentence of trouble."""

    def __init__(
        self,
        siren: SirenSettings,
        journal_path: Path,
        now_s: Callable[[], float],
        tick_age_s: Callable[[], float | None],
        say: Callable[[str], None],
    ) -> None:
        self._siren, self._path, self._now_s, self._tick_age_s, self._say = siren, journal_path, now_s, tick_age_s, say
        self._said = ""
        self._trouble: MutableMapping[str, str] = {}
        self._forsaken = False
        self._turned_at = time.monotonic()

    @property
    def _turning(self) -> Callable[[], float | None]:
        """``tick_age_s``, which is asked at every turn: so it shows that the turns go on."""

        def asked() -> float | None:
            self._turned_at = time.monotonic()
            return self._tick_age_s()

        return asked

    def age_s(self) -> float:
        """How long ago it last turned round, real seconds."""
        return time.monotonic() - self._turned_at

    def forsake(self) -> None:
        """The watch broke off: its end is no stop on purpose, so nothing may say "stopped" at the bed."""
        self._forsaken = True

    def tell(self, trouble: MutableMapping[str, str], stop: threading.Event) -> None:
        """Tell until ``stop``; while the siren is cut off that stands in ``trouble``."""
        self._trouble = trouble
        while not stop.is_set():
            self._turned_at = time.monotonic()
            try:
                self._tell_once(stop)
            except Exception as error:  # a thread that dies unseen would leave the bed without a siren for good
                self._trouble["siren"] = tr("the siren is not told, as nobody foresaw: {error!r}.", error=error)
                stop.wait(_AGAIN_S)

    def _tell_once(self, stop: threading.Event) -> None:
        def answer(alarm_id: str, act: str) -> None:
            deeds.act("", alarm_id, act, who=self._siren.name)

        own = Journal(self._path, read_only=True)
        deeds = JournalDeeds(lambda: Journal(self._path, there_already=True), self._now_s)
        try:
            SirenTeller(
                broker_of(self._siren), lambda: own.alarms(standing_only=True), self._now_s, self._turning, answer,
                self._amiss, planned=lambda: not self._forsaken,
            ).run(stop)  # fmt: skip
        finally:
            own.close()
            deeds.close()

    def _amiss(self, sentence: str, cut_off: bool) -> None:
        """A siren that is cut off is trouble of the watch's own; what else is amiss shows on page and status."""
        self._turned_at = time.monotonic()  # trying again is turning round, too
        if sentence and sentence != self._said:
            self._say(sentence)
        self._said = sentence
        if cut_off:
            self._trouble["siren"] = sentence
        else:
            self._trouble.pop("siren", None)
        with contextlib.suppress(JournalError), Journal(self._path, there_already=True) as journal:
            journal.set_health("siren", not sentence, sentence or tr("the siren is told."), self._now_s())
