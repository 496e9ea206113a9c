"""``watch`` with its phones and its page: what the commands ``watch`` and ``demo`` both start and stop."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from monitor.clock import ArrivalClock
from monitor.courses import Courses, forecast_of
from monitor.curve import BatchCurve
from monitor.deeds import JournalDeeds
from monitor.household import JournalHousehold
from monitor.journal.database import Journal, JournalError
from monitor.languages import LANGUAGES
from monitor.own_trouble import OwnTrouble
from monitor.page.address import phone_address
from monitor.phone.people import routes_of
from monitor.phone.postman import Postman
from monitor.phone.routes import no_routes_warning
from monitor.pipeline import Minder
from monitor.settings import Settings, SirenSettings
from monitor.sources.line import Source
from monitor.telling import Teller
from monitor.watch import Watch
from monitor.watch_parts import people_of, sleeping_hours
from monitor.words import UNIT_SYSTEMS, tr

# How often the expected band of a batch is drawn anew: it changes only with the weather and the log.
_BAND_EVERY_S = 600.0
_BAND_POINTS = 60
# One refusal is a moment's trouble; so many in a row (some minutes, by the outbox's waits) are a dead route.
_REFUSALS_ARE_TROUBLE = 3


class Running:
    """One watch, its postman and its page, each in a thread of its own."""

    def __init__(
        self,
        settings: Settings,
        journal: Journal,
        clock: ArrivalClock,
        sources: Sequence[Source],
        *,
        record: Path | None = None,
        events_file: Path | None = None,
        serve_page: bool = True,
        page_port: int | None = None,
        invented: bool = False,
        say: Callable[[str], None] = print,
        on_tick: Callable[[Watch, float], None] | None = None,
    ) -> None:
        self.settings, self.journal, self.clock = settings, journal, clock
        self.bands: dict[str, list[tuple[float, float, float]]] = {}
        self.forecasts: dict[str, list[tuple[float, float, float]]] = {}
        self._refused: dict[str, int] = {}
        self._band_due_s: dict[str, float] = {}
        self._say, self._also_on_tick = say, on_tick
        self._serve_page, self._page_port, self._invented = serve_page, page_port, invented
        self._page: Any = None
        self._done = threading.Event()
        self._siren: threading.Thread | None = None
        self._siren_says = ""
        self._ticked_at: float | None = None  # monotonic, of the last judging
        people = people_of(settings)
        # Everybody is told in their own language and units.
        voices = {person.name: settings.site.voice(person.language, person.units) for person in people}
        self._phone_journal = Journal(journal.path)
        self._postman = Postman(
            self._phone_journal, routes_of(people), clock.now, voices=voices, asleep=sleeping_hours(settings, people)
        )
        self._deeds: JournalDeeds | None = None
        self._household: JournalHousehold | None = None
        self.watch = Watch(
            settings,
            journal,
            clock,
            sources,
            teller=Teller(journal, settings, people),
            own=OwnTrouble(
                journal, people, settings.site.emergency_number, voice_of=lambda person: voices[person.name]
            ),
            record=record,
            events_file=events_file,
            say=say,
            on_tick=self._on_tick,
        )

    def run(self, stop: threading.Event) -> None:
        """Start phones and page, then be the watch until ``stop``."""
        if self.settings.no_phone:
            self._say(no_routes_warning())
        if self._serve_page:
            self._start_page()
        threading.Thread(target=self._deliver, name="phone", daemon=True).start()
        if self.settings.siren is not None:
            self._start_siren(self.settings.siren)
        names = ", ".join(source.name for source in self.watch.sources)
        self._say(tr("Minding; reading from {names}.", names=names or tr("no source")))
        self.watch.run(stop)

    def close(self) -> None:
        """Let the last messages go, then stop siren, page and phones."""
        self._done.set()
        if self._siren is not None:
            self._siren.join(timeout=5.0)
        self._postman.close()
        self._phone_journal.close()
        if self._page is not None:
            self._page.stop()
        if self._deeds is not None:
            self._deeds.close()
        if self._household is not None:
            self._household.close()

    # ---- phones ----------------------------------------------------------------------------------------------------

    def _deliver(self) -> None:
        adopted = False
        while not self._done.is_set():
            try:
                if not adopted:
                    self._postman.adopt(self.clock.now())
                    adopted = True
                self.deliver_now()
                self.watch.trouble.pop("phone", None)
            except JournalError as error:
                self.watch.trouble["phone"] = str(error)
            except Exception as error:  # whatever it is, the next round must come: nobody else rings
                self.watch.trouble["phone"] = tr("handing over failed in a way nobody foresaw: {error!r}.", error=error)
            self._done.wait(max(0.02, 1.0 / self.clock.speed))

    def deliver_now(self) -> None:
        """Hand over what is due now."""
        for delivery in self._postman.deliver_due(self.clock.now(), wait_s=1.0 / self.clock.speed):
            part = f"phone {delivery.person} {delivery.route}"
            self._refused[part] = 0 if delivery.ok else self._refused.get(part, 0) + 1
            if self._refused[part] >= _REFUSALS_ARE_TROUBLE:
                self.watch.trouble[part] = delivery.says
            else:
                self.watch.trouble.pop(part, None)
            self._phone_journal.set_health(part, delivery.ok, delivery.says, self.clock.now())
            if not delivery.ok:
                self._say(delivery.says)

    def courses(self, open_journal: Callable[[], Journal]) -> Courses:
        """The curves of batches, for the page and for the picture that goes with a message (``picture_for``)."""
        return Courses(open_journal, self.settings, self.clock.now, self.bands, self.forecasts)

    # ---- siren -----------------------------------------------------------------------------------------------------

    def _start_siren(self, siren: SirenSettings) -> None:
        from monitor.siren.siren import SirenBroker, SirenTeller

        own = Journal(self.journal.path, read_only=True)
        deeds = JournalDeeds(lambda: Journal(self.journal.path), self.clock.now)
        broker = SirenBroker(
            siren.host, siren.port, siren.username, None if siren.password is None else siren.password.reveal(),
            siren.tls, siren.ca_file, siren.client_id, siren.name, siren.button,
        )  # fmt: skip

        def age_s() -> float | None:
            return None if self._ticked_at is None else time.monotonic() - self._ticked_at

        def answer(alarm_id: str, act: str) -> None:
            deeds.act("", alarm_id, act, who=siren.name)

        def tell() -> None:
            teller = SirenTeller(
                broker, lambda: own.alarms(standing_only=True), self.clock.now, age_s, answer, self._say_of_siren
            )
            try:
                teller.run(self._done)
            finally:
                own.close()
                deeds.close()

        self._siren = threading.Thread(target=tell, name="siren", daemon=True)
        self._siren.start()

    def _say_of_siren(self, sentence: str, cut_off: bool) -> None:
        """A siren that is cut off is trouble of the watch's own; what else is amiss shows on page and status."""
        if sentence and sentence != self._siren_says:
            self._say(sentence)
        self._siren_says = sentence
        if cut_off:
            self.watch.trouble["siren"] = sentence
        else:
            self.watch.trouble.pop("siren", None)
        with contextlib.suppress(JournalError), Journal(self.journal.path) as journal:
            journal.set_health("siren", not sentence, sentence or tr("the siren is told."), self.clock.now())

    # ---- page ------------------------------------------------------------------------------------------------------

    def _start_page(self) -> None:
        from monitor.log_reading import page_log
        from monitor.page.app import make_app
        from monitor.page.log_routes import log_room
        from monitor.page.serving import serve
        from monitor.standing import page_record, page_stamp, page_view

        def to_read() -> Journal:
            return Journal(self.journal.path, read_only=True)

        def to_write() -> Journal:
            return Journal(self.journal.path)

        page, people = self.settings.page, self.settings.people
        self._deeds = JournalDeeds(to_write, self.clock.now)
        self._household = JournalHousehold(self.settings, to_read, to_write, self.clock.now, self.page_address)
        app = make_app(
            page_view(to_read, self.settings, self.clock.now, self.bands, invented=self._invented),
            local_time=self.settings.local_time,
            names=page.names,
            deeds=self._deeds,
            passphrase="" if page.passphrase is None else page.passphrase.reveal(),
            record=page_record(to_read, self.settings, self.clock.now),
            speaks=self.settings.site.voice(),
            stamp=page_stamp(to_read),
            knowing=[person.name for person in people if person.knows_the_trade],
            household=self._household,
            voices={
                (language, units): self.settings.site.voice(language, units)
                for language in LANGUAGES
                for units in UNIT_SYSTEMS
            },
            courses=self.courses(to_read),
            picture=_curve_png,
            more=[log_room(page_log(to_read, self.settings, self.clock.now))],
        )
        try:
            self._page = serve(app, page.host, page.port if self._page_port is None else self._page_port)
        except ValueError as error:
            # The page is a convenience; the phone is what wakes. A busy port must not keep the watch from minding.
            self._say(tr("No page: {reason}", reason=str(error)))
            return
        self._say(tr("Status page: {url}", url=self._page.url))
        address = self.page_address()
        if address is not None:
            self._say(tr("On a phone: {address} (a code for its camera: emberpail page)", address=address))

    def page_address(self) -> str | None:
        """Where a phone finds the page, None while none can."""
        if self._page is None:
            return None
        return phone_address(self._page.host, self._page.port, self.settings.page.address)

    def _on_tick(self, watch: Watch, tick_s: float) -> None:
        self._ticked_at = time.monotonic()
        for minder in watch.minders.values():
            name = minder.batch.name
            if tick_s >= self._band_due_s.get(name, 0.0):
                self._band_due_s[name] = tick_s + _BAND_EVERY_S
                try:
                    self.bands[name] = _band(minder, tick_s)
                    self.forecasts[name] = forecast_of(minder, tick_s)
                except Exception as error:  # the page can do without it
                    watch.trouble[f"band {minder.batch.bucket}"] = repr(error)
        if self._also_on_tick is not None:
            self._also_on_tick(watch, tick_s)


def _curve_png(curve: BatchCurve, local_time: Callable[[float], datetime], place: str) -> bytes:
    from monitor.papers.picture import curve_png  # its libraries are heavy: at the first picture

    return curve_png(curve, local_time, place)


def _band(minder: Minder, tick_s: float) -> list[tuple[float, float, float]]:
    """Where the core should run from the pour to some hours ahead: (time, low, high)."""
    poured_at_s = minder.course().poured_at_s
    until_s = max(tick_s + 2 * 3600.0, poured_at_s + 6 * 3600.0)
    step_s = (until_s - poured_at_s) / _BAND_POINTS
    band = minder.estimator.band([poured_at_s + step_s * i for i in range(_BAND_POINTS + 1)])
    return [
        (float(at), float(low), float(high))
        for at, low, high in zip(band.time_s, band.low_c, band.high_c, strict=True)
    ]
