"""``watch`` with its phones and its page: what the commands ``watch`` and ``demo`` both start and stop.

Every part is a worker that the supervisor looks after; the judging itself runs in the caller's thread.
"""

from __future__ import annotations

import contextlib
import math
import threading
import time
import traceback
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

from monitor.beating import Beating
from monitor.bedside import Bedside
from monitor.clock import PLAUSIBLE, ArrivalClock
from monitor.copying import PART as COPY
from monitor.copying import Copying
from monitor.courses import forecast_of
from monitor.housekeeping import Housekeeping
from monitor.journal.aside import Aside
from monitor.journal.database import Journal, JournalError
from monitor.mirroring import Mirroring, forget_mirror
from monitor.own_trouble import OwnTrouble
from monitor.page_wiring import PageWiring
from monitor.phone.people import routes_of
from monitor.phone.postman import Postman
from monitor.phone.routes import make_ready, no_routes_warning, without_labels
from monitor.phone_health import keep_health, part_of
from monitor.pipeline import Minder
from monitor.sensing.division import part_words
from monitor.service import Beginnings, Service
from monitor.settings import Settings
from monitor.sources.line import Line, Source
from monitor.sources.mqtt import Announcement, MqttSource
from monitor.supervising import CHECK_EVERY_S, Supervisor, Work
from monitor.telling import Teller
from monitor.untold import Untold
from monitor.watch import Watch
from monitor.watch_parts import people_of, sleeping_hours
from monitor.words import tr

# How long a round of the postman waits for answers; the slower ones come with a later round.
_ANSWERS_WITHIN_S = 0.1
# How often the expected band of a batch is drawn anew: it changes only with the weather and the log.
_BAND_EVERY_S = 600.0
_BAND_POINTS = 60
# One refusal is a moment's trouble; so many in a row (some minutes, by the outbox's waits) are a dead route.
_REFUSALS_ARE_TROUBLE = 3
# Judging comes every minute; a long fit on a small computer may take its time.
_TICK_LATE_S = 180.0


class _Handing:
    """A source's lines on their way to the watch. A source that waits there for room does not hang: the watch goes its
    long way at the start, or hangs itself.
    """

    def __init__(self, take: Callable[[Line], None]) -> None:
        self._take = take
        self._waits = False
        self._handed_at: float | None = None  # monotonic

    def __call__(self, line: Line) -> None:
        self._waits = True
        try:
            self._take(line)
        finally:
            self._handed_at, self._waits = time.monotonic(), False

    def age_s(self) -> float:
        """How long ago it last handed a line on, real seconds; 0 while it waits to."""
        if self._waits:
            return 0.0
        return math.inf if self._handed_at is None else time.monotonic() - self._handed_at


class _Turning:
    """How long ago a source's thread turned round. The time at which it says that it did is the arrival clock's, which
    moves by years when it is set right: nobody hangs for that.
    """

    def __init__(self, source: Source, clock: ArrivalClock) -> None:
        self._source, self._clock = source, clock
        self._said_s = math.nan  # arrival clock
        self._seen_at = 0.0  # monotonic

    def age_s(self) -> float:
        """Real seconds; to be asked at each look of the supervisor."""
        said_s = self._source.health().progress_s
        if said_s != self._said_s:
            self._said_s, self._seen_at = said_s, time.monotonic()
        # It may have turned round right after the look before this one.
        at_most_s = time.monotonic() - self._seen_at + CHECK_EVERY_S
        return min((self._clock.now() - said_s) / self._clock.speed, at_most_s)


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
        service: Service | None = None,
        begin_anew: Callable[[], None] | None = None,
    ) -> None:
        """``begin_anew`` replaces the process when a worker hangs; without it a hanging worker is only told of."""
        self.settings, self.journal, self.clock = settings, journal, clock
        self._service = service or Service({})
        self._begin_anew = begin_anew
        self.minds = False  # whether the minding has begun
        self.beginnings = Beginnings(Path(f"{journal.path}.anew"))
        self.bands: dict[str, list[tuple[float, float, float]]] = {}
        self.forecasts: dict[str, list[tuple[float, float, float]]] = {}
        with contextlib.suppress(JournalError):  # the copy must not keep the watch from beginning
            if settings.mirror is None:
                forget_mirror(journal, clock.now())
            if settings.mirror is not None or journal.mirror_state():
                journal.note_changed_readings()
        self._refused: dict[str, int] = {}
        self._band_due_s: dict[str, float] = {}
        self._undrawn: set[str] = set()  # batches whose band could not be drawn the last time
        self._say, self._also_on_tick = say, on_tick
        self._page = PageWiring(settings, journal.path, clock.now, self.bands, self.forecasts, invented=invented,
                                inside=self._inside)  # fmt: skip
        self._serve_page, self._page_port = serve_page, page_port
        self._bedside: Bedside | None = None
        self._mirroring: Mirroring | None = None
        self._copying: Copying | None = None
        self._stop = threading.Event()
        self._due_now = threading.Event()  # something may have been told since the postman last looked
        self._copy_says: str | None = None
        self._ticked_at: float | None = None  # monotonic, of the last judging
        for source in sources:
            if isinstance(source, MqttSource):
                source.tells_new_session = True
        people = self._people = people_of(settings)
        # Everybody is told in their own language and units.
        voices = {person.name: settings.site.voice(person.language, person.units) for person in people}
        self._phone_journal = Journal(journal.path, there_already=True)
        aside = Aside()
        phones = aside.beside(self._phone_journal, copies_late=False)
        self._untold = Untold(phones, settings, people)
        self._postman = Postman(
            phones, routes_of(people), clock.now, voices=voices,
            asleep=sleeping_hours(settings, people), picture=self._page.picture_of,
            # What is to be told is in the copy first: else whoever takes over would tell it a second time.
            ready=lambda: self._copying is None or self._copying.in_step(), local_time=settings.local_time,
        )  # fmt: skip
        self.watch = Watch(
            settings,
            journal,
            clock,
            sources,
            teller=Teller(
                aside.beside(journal), settings, people, link=self._page.link_of, drill_link=self._page.drill_link,
                on_given_up=self._untold.look_again,
            ),
            own=OwnTrouble(journal, settings.site.emergency_number),
            aside=aside,
            record=record,
            events_file=events_file,
            say=say,
            on_tick=self._on_tick,
            on_open=self._opened,
            let_sources_go=self._let_sources_go,
            on_told=self._due_now.set,
            release=None if settings.keep.copy_to is None else self._release,
        )
        self.lost = ""  # why this watch stands down: another machine has taken it over
        if settings.keep.copy_to is not None:
            self._copying = Copying(
                journal.path, settings.keep.copy_to, clock.now, self.watch.trouble, on_lost=self._stand_down
            )
        self._supervisor = Supervisor(self.watch.trouble, self._give_up, alive=self._service.alive, say=say)
        self._delivered_at = time.monotonic()

    def run(self, stop: threading.Event) -> None:
        """Start every worker, then be the watch until ``stop``.

        Raises TakenOver where another machine minds this watch's buckets by now.
        """
        self._stop = stop
        if self._copying is not None:
            self._copying.claim()
            # Never called hung: a folder that does not answer must not have the watch begin anew.
            self._supervisor.add(Work(COPY, self._copying.keep_on, over=lambda: bool(self.lost)))
        if self.settings.no_phone:
            self._say(no_routes_warning())
        # The sources first: going on where the last watch ended takes its time, and what comes meanwhile waits.
        self._announce()
        for source in self.watch.sources:
            self._supervisor.add(self._reading(source))
        if self._serve_page:
            self._page.start(self._page_port, self._say)
            self._supervisor.add(Work("page", self._page.keep_serving, self._page.age_s))
        urls = [url for person in self._people for url in person.routes]
        threading.Thread(target=make_ready, args=(urls,), name="phone library", daemon=True).start()
        self._supervisor.add(Work("phone", self._deliver, lambda: time.monotonic() - self._delivered_at))
        if self.settings.siren is not None:
            self._bedside = Bedside(self.settings.siren, self.journal.path, self.clock.now, self.tick_age_s, self._say)
            self._supervisor.add(Work("siren", partial(self._bedside.tell, self.watch.trouble), self._bedside.age_s))
        if self.settings.heartbeat.url:
            beating = Beating(self.settings.heartbeat, self.journal.path, self.clock.now, self.amiss)
            self._supervisor.add(Work("heartbeat", beating.beat_on, beating.age_s))
        night = Housekeeping(self.settings, self.journal.path, self.clock.now, self.watch.trouble)
        self._supervisor.add(Work("housekeeping", night.run, night.age_s))
        if self.settings.mirror is not None:
            mirroring = self._mirroring = Mirroring(
                self.settings, self.settings.mirror, self.journal.path, self.clock.now, self.watch.trouble,
                holds=lambda: self.clock.waits == PLAUSIBLE,
            )  # fmt: skip
            self._supervisor.add(Work("mirror", mirroring.run, mirroring.age_s))
        self._supervisor.add(Work("judging", None, lambda: self.watch.age_s))
        self._supervisor.watch_over()
        names = ", ".join(source.name for source in self.watch.sources)
        self._say(tr("Minding; reading from {names}.", names=names or tr("no source")))
        if part := part_words(self.settings.division):
            self._say(part)
        try:
            self.watch.run(stop)
        except Exception as error:
            if self._bedside is not None:
                self._bedside.forsake()
            if self._begin_anew is None or not self.minds:
                raise  # at the start somebody is there to read why
            traceback.print_exc()
            self._say(tr("Judging failed in a way nobody foresaw ({error!r}): the watch begins anew.", error=error))
            self.beginnings.note(["judging"])
            self._begin_anew()
            raise

    def close(self) -> None:
        """Let the last messages go, then stop siren, page and phones."""
        self._service.stopping()
        self._supervisor.stop()
        self._due_now.set()  # it need not sit out its wait
        self._supervisor.join(5.0)
        self._postman.close()
        self._phone_journal.close()
        self._page.stop()

    # ---- the copy for a machine that takes over ------------------------------------------------------------------

    @property
    def never_held(self) -> bool:
        """Where it is ``lost``: the copy's folder has always been another journal's, and perhaps nobody minds."""
        return self._copying is not None and self._copying.never_held

    def _release(self, acks: Sequence[Callable[[], None]]) -> None:
        assert self._copying is not None
        self._copying.release(acks)

    def _stand_down(self, says: str) -> None:
        """Nothing is said any more of what the other machine says now: neither on the broker nor by the siren."""
        self.lost = says
        for source in self.watch.sources:
            if isinstance(source, MqttSource):
                source.announcement = None
        if self._bedside is not None:
            self._bedside.forsake()
        self._stop.set()

    def _mind_copy(self) -> None:
        """A copy that does not answer holds up no acknowledgement for long; how it is stands in the journal."""
        if self._copying is None:
            return
        self._copying.mind()
        says = self.watch.trouble.get(COPY, "")
        if says != self._copy_says:
            good = tr("the copy in {path} is in step.", path=self._copying.folder)
            with contextlib.suppress(JournalError):
                self._phone_journal.set_health(COPY, not says, says or good, self.clock.now())
                self._copy_says = says

    # ---- workers ---------------------------------------------------------------------------------------------------

    def _reading(self, source: Source) -> Work:
        hands, turning = _Handing(self.watch.deliver), _Turning(source, self.clock)
        return Work(
            source.name,
            lambda stop: source.run(hands, stop),
            lambda: min(hands.age_s(), turning.age_s()),
            lambda: bool(getattr(source, "finished", False)),
        )

    def _announce(self) -> None:
        """The first broker is told how the watch is, and keeps a last will for it."""
        topic = self.settings.heartbeat.topic
        first = next((source for source in self.watch.sources if isinstance(source, MqttSource)), None)
        if topic and first is not None:
            patterns = list(self.settings.division.patterns)
            first.announcement = Announcement(
                topic, lambda: "amiss" if self.amiss() else "minding", {"minds": patterns} if patterns else {}
            )

    def _let_sources_go(self) -> None:
        """What they have read by now is still taken in."""
        names = [source.name for source in self.watch.sources]
        self._supervisor.stop(names)
        self._supervisor.join(3.0, names)

    def _opened(self) -> None:
        self.minds = True
        self._service.ready()
        last = self.beginnings.last()
        with contextlib.suppress(JournalError):  # on a full disk it must mind all the same
            self.journal.set_health("watch", not self.beginnings.trouble(), last or tr("it minds."), self.clock.now())

    def _give_up(self, parts: Sequence[str]) -> None:
        """A worker hangs, and a thread cannot be stopped: the process begins anew, and folds the journal."""
        says = tr("{parts} hangs: the watch begins anew.", parts=", ".join(parts))
        if self._begin_anew is None:
            self.watch.trouble["worker " + parts[0]] = says
            return
        self._say(says)
        self._service.status(says)
        self.beginnings.note(parts)
        self._begin_anew()

    # ---- phones ----------------------------------------------------------------------------------------------------

    def _deliver(self, stop: threading.Event) -> None:
        adopted = False
        while not stop.is_set():
            self._delivered_at = time.monotonic()
            self._due_now.clear()
            try:
                if not adopted:
                    self._postman.adopt(self.clock.now())
                    adopted = True
                self._mind_copy()
                if not self.lost:
                    self.deliver_now()
                self.watch.trouble.pop("phone", None)
            except JournalError as error:
                self.watch.trouble["phone"] = str(error)
            except Exception as error:  # whatever it is, the next round must come: nobody else rings
                # It may be about a lane, and so name its route's label.
                says = tr("handing over failed in a way nobody foresaw: {error!r}.", error=error)
                self.watch.trouble["phone"] = without_labels(says)
            self._due_now.wait(max(0.02, 1.0 / self.clock.speed))

    def deliver_now(self) -> None:
        """Hand over what is due now."""
        for delivery in self._postman.deliver_due(self.clock.now(), wait_s=_ANSWERS_WITHIN_S / self.clock.speed):
            name = self._postman.name_of(delivery.person, delivery.route)
            part, shown = part_of(delivery.person, delivery.route), part_of(delivery.person, name)
            self._refused[part] = 0 if delivery.ok else self._refused.get(part, 0) + 1
            if self._refused[part] >= _REFUSALS_ARE_TROUBLE:
                self.watch.trouble[shown] = delivery.says
            else:
                self.watch.trouble.pop(shown, None)
            with contextlib.suppress(JournalError):  # the disk's own trouble is told elsewhere
                keep_health(
                    self._phone_journal, (delivery.person, delivery.route), name, delivery.ok, delivery.says,
                    at_s=self.clock.now(),
                )  # fmt: skip
            self._untold.after(delivery, self.clock.now())
            if not delivery.ok:
                self._say(delivery.says)

    def tick_age_s(self) -> float | None:
        """How long ago the watch last judged, None when it has not yet, or when what it judges cannot be kept: the
        alarms of the journal are then older than its findings, and the siren must not be told that all is still.
        """
        if self._ticked_at is None or "journal" in self.watch.trouble:
            return None
        return time.monotonic() - self._ticked_at

    def _inside(self) -> dict[str, float]:
        """What only we know of the figures that the page gives to programs."""
        copied = None if self._mirroring is None else self._mirroring.copied()
        return self.watch.waiting() | ({} if copied is None else {"mirrored": float(copied)})

    def amiss(self) -> str:
        """Why nobody should rely on being rung, in one sentence; "" when all that ringing needs is well."""
        if self.lost:
            return self.lost
        age_s = self.tick_age_s()
        if age_s is None or age_s > _TICK_LATE_S:
            return tr("the watch does not judge.")
        for part, says in dict(self.watch.trouble).items():
            if part in ("journal", "phone") or part.startswith(("worker ", "judging ")):
                return says
        routes = [part_of(person.name, label) for person in self._people for label in person.labels]
        if routes and all(self._refused.get(route, 0) >= _REFUSALS_ARE_TROUBLE for route in routes):
            return tr("no phone route takes a message.")
        return ""

    def _on_tick(self, watch: Watch, tick_s: float) -> None:
        self._ticked_at = time.monotonic()
        self._look_at_ourselves()
        minded = {minder.batch.name for minder in watch.minders.values()}
        for of_batches in (self.bands, self.forecasts, self._band_due_s):
            for name in of_batches.keys() - minded:  # ended: nobody asks for them again
                del of_batches[name]
        self._undrawn &= minded
        for minder in watch.minders.values():
            name = minder.batch.name
            if tick_s >= self._band_due_s.get(name, 0.0):
                self._band_due_s[name] = tick_s + _BAND_EVERY_S
                self._draw(minder, tick_s)
        if self._also_on_tick is not None:
            self._also_on_tick(watch, tick_s)

    def _draw(self, minder: Minder, tick_s: float) -> None:
        """The expected band and the forecast of a batch, for its chart. The page can do without: where they cannot be
        drawn that is said once, and is no trouble to ring for.
        """
        name = minder.batch.name
        try:
            self.bands[name] = _band(minder, tick_s)
            self.forecasts[name] = forecast_of(minder, tick_s)
        except Exception as error:  # a fault of ours in a drawing
            if name not in self._undrawn:
                self._say(tr("{batch}: the expected curve cannot be drawn, for a fault of ours ({error!r}); it is "
                             "tried again every ten minutes.", batch=name, error=error))  # fmt: skip
            self._undrawn.add(name)
        else:
            self._undrawn.discard(name)

    def _look_at_ourselves(self) -> None:
        """What the supervisor cannot see: that it does not look itself, and that the watch begins anew too often."""
        too_often = self.beginnings.trouble()
        if too_often:
            self.watch.trouble["worker beginnings"] = too_often
        else:
            self.watch.trouble.pop("worker beginnings", None)
        if not self._supervisor.looks:
            self._give_up(["supervisor"])


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
