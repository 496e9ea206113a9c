"""The page of a running watch: what it shows, what its buttons do, and the addresses that messages carry."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any

from monitor.comparing_page import JournalSeasons
from monitor.courses import Courses
from monitor.curve import BatchCurve
from monitor.deeds import JournalDeeds
from monitor.household import JournalHousehold
from monitor.journal.database import Journal, JournalError
from monitor.judgement.escalation import AlarmView
from monitor.languages import LANGUAGES
from monitor.page.address import phone_address
from monitor.page.guard import Guard
from monitor.page.links import ANSWER, HEARD, LASTS_S, Link, address_for, token_of
from monitor.plan_desk import PLANS, PlanDesk
from monitor.settings import Settings
from monitor.what_if_jobs import WhatIfJobs
from monitor.words import UNIT_SYSTEMS, tr

# A port that is taken may come free: the last watch is perhaps not gone yet.
_TRY_PORT_EVERY_S = 10.0

_Band = list[tuple[float, float, float]]


class PageWiring:
    """One page over a journal, with connections of its own. ``bands`` and ``forecasts`` are filled by the watch.

    ``inside`` tells what only the running watch knows, for its figures (see ``metering``).
    """

    def __init__(
        self,
        settings: Settings,
        journal_path: Path,
        now_s: Callable[[], float],
        bands: Mapping[str, _Band],
        forecasts: Mapping[str, _Band],
        *,
        invented: bool = False,
        inside: Callable[[], Mapping[str, float]] = dict,
    ) -> None:
        self._settings, self._path, self._now_s = settings, journal_path, now_s
        self._bands, self._forecasts, self._invented = bands, forecasts, invented
        self._inside = inside
        self._deeds = JournalDeeds(self._to_write, now_s)
        self._household = JournalHousehold(settings, self._to_read, self._to_write, now_s, self.address)
        self._plans = PlanDesk(settings, journal_path.parent / PLANS, self._to_read, now_s)
        self._pictures = Courses(self._to_read, settings, now_s, bands, forecasts)
        self._what_if = WhatIfJobs(self._to_read, settings)
        self._seasons = JournalSeasons(self._to_read, settings)
        self._drawing = threading.Lock()
        self._served: Any = None
        self._serve: Callable[[], Any] = lambda: None

    def app(self) -> Guard:
        """The application as it is served."""
        from monitor.log_reading import page_log
        from monitor.metering import read_metrics
        from monitor.page.app import make_app
        from monitor.page.compare_routes import compare_room
        from monitor.page.log_routes import log_room
        from monitor.page.metrics import metrics_room
        from monitor.page.plan_routes import plan_room
        from monitor.page.what_if_routes import what_if_room
        from monitor.standing import page_record, page_stamp, page_view

        settings, page = self._settings, self._settings.page
        token = "" if page.metrics_token is None else page.metrics_token.reveal()
        return make_app(
            # The air is drawn by the chart of one bucket, which reads it by itself.
            page_view(self._to_read, settings, self._now_s, self._bands, invented=self._invented, with_air=False),
            local_time=settings.local_time,
            names=page.names,
            deeds=self._deeds,
            passphrase="" if page.passphrase is None else page.passphrase.reveal(),
            record=page_record(self._to_read, settings, self._now_s),
            speaks=settings.site.voice(),
            now_s=self._now_s,
            stamp=page_stamp(self._to_read),
            knowing=[person.name for person in settings.people if person.knows_the_trade],
            household=self._household,
            voices={
                (language, units): settings.site.voice(language, units)
                for language in LANGUAGES
                for units in UNIT_SYSTEMS
            },
            courses=Courses(self._to_read, settings, self._now_s, self._bands, self._forecasts),
            picture=_curve_png,
            more=[
                log_room(page_log(self._to_read, settings, self._now_s)),
                plan_room(self._plans, settings.site.emergency_number),
                what_if_room(self._what_if),
                compare_room(self._seasons),
                metrics_room(read_metrics(self._to_read, settings, self._now_s, self._inside), token),
            ],
            open_to_read=page.open_to_read,
            metrics_token=token,
        )

    def start(self, port: int | None, say: Callable[[str], None]) -> None:
        """Serve it. Where that cannot be, it is said: the page is a convenience, and the phone is what wakes."""
        from monitor.page.serving import serve

        page = self._settings.page
        self._serve = partial(serve, self.app(), page.host, page.port if port is None else port)
        try:
            self._served = self._serve()
        except ValueError as error:
            say(tr("No page: {reason}", reason=str(error)))
            return
        say(tr("Status page: {url}", url=self._served.url))
        address = self.address()
        if address is not None:
            say(tr("On a phone: {address} (a code for its camera: emberpail page)", address=address))

    def keep_serving(self, stop: threading.Event) -> None:
        """Until ``stop``: see that it is served, and serve it again when it has ended or its port is free at last."""
        while not stop.wait(1.0):
            if self._served is None or not self._served.alive:
                with contextlib.suppress(ValueError):
                    self._served = self._serve()
                    continue
                stop.wait(_TRY_PORT_EVERY_S)

    def age_s(self) -> float:
        """How long ago the page last turned round, real seconds; 0 while there is none."""
        served = self._served
        return served.age_s if served is not None and served.alive else 0.0

    def stop(self) -> None:
        """End it and close what it opened."""
        if self._served is not None:
            self._served.stop()
        self._what_if.close()
        self._seasons.close()
        self._deeds.close()
        self._household.close()
        self._plans.close()

    def address(self) -> str | None:
        """Where a phone finds the page, None while none can."""
        if self._served is None:
            return None
        return phone_address(self._served.host, self._served.port, self._settings.page.address)

    # ---- what goes with a message ----

    def link_of(self, alarm: AlarmView, person: str, now_s: float) -> str | None:
        """The address at which a person answers an alarm, and all that are told with it."""
        # The watch's own trouble stands at no bucket, and has no page of its own; nor has that of a node with no batch.
        if not alarm.bucket or not (alarm.batch or self._is_minded(alarm.bucket)):
            return None
        return self._link(ANSWER, (alarm.alarm_id, *alarm.also), person, now_s)

    def drill_link(self, person: str, now_s: float) -> str | None:
        """The address at which a person says that the drill was heard."""
        return self._link(HEARD, (), person, now_s)

    def picture_of(self, bucket: str, _now_s: float) -> bytes | None:
        """The picture of the curve in a bucket."""
        with self._drawing:
            return self._pictures.picture_for(bucket)

    def _link(self, purpose: str, about: Sequence[str], person: str, now_s: float) -> str | None:
        address = self.address()
        if address is None:
            return None
        link = Link(purpose, tuple(about), person, now_s + LASTS_S)
        return f"{address}{address_for(link, token_of(link, self._deeds.key()))}"

    def _is_minded(self, bucket: str) -> bool:
        try:
            with self._to_read() as journal:
                return journal.batch_in(bucket) is not None
        except JournalError:  # the message goes without its address
            return False

    def _to_read(self) -> Journal:
        return Journal(self._path, read_only=True)

    def _to_write(self) -> Journal:
        return Journal(self._path, there_already=True)


def _curve_png(curve: BatchCurve, local_time: Callable[[float], datetime], place: str) -> bytes:
    from monitor.papers.picture import curve_png  # its libraries are heavy: at the first picture

    return curve_png(curve, local_time, place)
