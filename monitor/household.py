"""The people, their phones, the settings and the past batches, for the page: read from journal and settings."""

from __future__ import annotations

import threading
from collections.abc import Callable

from monitor.drill_told import drill_words
from monitor.duty import end_on_call, on_call_now, set_on_call
from monitor.finding import found_in, holds
from monitor.journal.database import Journal
from monitor.judgement.on_call import OnCall, in_order, tonight_ends_s
from monitor.page.household import BatchRow, HouseholdView, PersonView, RouteView
from monitor.phone.routes import ring
from monitor.phone_health import health_to_show, keep_health, names_by, part_of
from monitor.reminding import HELD_FACT, held_until_s
from monitor.settings import MqttSource, SerialSource, Settings
from monitor.words import DAY_TIME, quantity, tr, when


class JournalHousehold:
    """Over a journal's two connections, one to read and one to write, each opened when first needed.

    ``address`` is where a phone finds the page, None where none can.
    """

    def __init__(
        self,
        settings: Settings,
        open_to_read: Callable[[], Journal],
        open_to_write: Callable[[], Journal],
        now_s: Callable[[], float],
        address: Callable[[], str | None],
    ) -> None:
        self._settings, self._now_s, self._address = settings, now_s, address
        self._open = {"read": open_to_read, "write": open_to_write}
        self._journals: dict[str, Journal] = {}
        self._lock = threading.Lock()

    def view(self) -> HouseholdView:
        """The present."""
        now_s = self._now_s()
        with self._lock:
            journal = self._journal("read")
            health = {one.part: one for one in health_to_show(journal, self._settings)}
            held_s = held_until_s(journal, now_s)
            drills = {
                person.name: drill_words(journal, self._settings, person.name, now_s)
                for person in self._settings.people
            }
            on_call = on_call_now(journal, self._settings.people, now_s, self._settings.local_time)
        names = names_by(self._settings)
        people: list[PersonView] = []
        # Who cannot be rung is not rung first.
        ordered = sorted(in_order(self._settings.people, on_call, lambda one: one.name), key=lambda one: not one.routes)
        for person in ordered:
            routes = []
            for name in (name for (who, _), name in names.items() if who == person.name):
                last = health.get(part_of(person.name, name))
                routes.append(RouteView(name) if last is None else RouteView(name, last.ok, last.says, last.at_s))
            notes = (*_notes(self._settings, person.name), *filter(None, [drills[person.name]]))
            people.append(PersonView(person.name, tuple(routes), not people, notes))
        return HouseholdView(
            at_s=now_s,
            people=tuple(people),
            on_call=_on_call_words(self._settings, on_call),
            address=self._address(),
            held_until_s=held_s,
            settings=_told(self._settings),
        )

    def batches(self, words: str) -> tuple[BatchRow, ...]:
        """All batches, the newest first, or those in whose record every word is found."""
        wanted = words.split()
        with self._lock:
            journal = self._journal("read")
            every = [found_in(journal, record) for record in reversed(journal.batches())]
        rows = []
        for one in every:
            if all(holds(word, one.texts) for word in wanted):
                batch = one.record.batch
                rows.append(
                    BatchRow(batch.name, batch.bucket, batch.started_s, one.outcome_words(), one.yield_words())
                )
        return tuple(rows)

    def ring(self, person: str) -> tuple[tuple[bool, str], ...]:
        """Test each route of a person, and keep what became of it."""
        site = self._settings.site
        found = next((one for one in self._settings.people if one.name == person), None)
        if found is None or not found.routes:
            raise ValueError(tr("No way to ring {person} is set.", person=person[:60]))
        rung = ring(
            [(person, route.reveal()) for route in found.routes],
            voices={person: site.voice(found.language, found.units)},
        )
        with self._lock:
            journal = self._journal("write")
            for one in rung:
                keep_health(journal, (one.person, one.label), one.route, one.ok, one.says, at_s=self._now_s())
        return tuple((one.ok, one.says) for one in rung)

    def on_call(self, person: str) -> None:
        """This person is rung first tonight; "" leaves it to the settings again."""
        if person and all(one.name != person for one in self._settings.people):
            raise ValueError(tr("{person} is not in the settings.", person=person[:60]))
        now_s = self._now_s()
        with self._lock:
            journal = self._journal("write")
            if person:
                set_on_call(journal, person, tonight_ends_s(now_s, self._settings.local_time), now_s)
            else:
                end_on_call(journal)

    def hold_reminders(self, hold: bool) -> None:
        """Until tomorrow noon by the clock of the place, or no longer."""
        now_s = self._now_s()
        with self._lock:
            until_s = tonight_ends_s(now_s, self._settings.local_time) if hold else 0.0
            self._journal("write").set_fact(HELD_FACT, until_s)

    def close(self) -> None:
        """Close what was opened."""
        with self._lock:
            for journal in self._journals.values():
                journal.close()
            self._journals.clear()

    def _journal(self, purpose: str) -> Journal:
        if purpose not in self._journals:
            self._journals[purpose] = self._open[purpose]()
        return self._journals[purpose]


def _on_call_words(settings: Settings, on_call: OnCall | None) -> str:
    if on_call is None:
        return ""
    until = when(settings.local_time(on_call.until_s), DAY_TIME)
    return tr("On call: {names}, until {time}.", names=", ".join(on_call.people), time=until)


def _notes(settings: Settings, name: str) -> list[str]:
    person = next(one for one in settings.people if one.name == name)
    notes = [tr("What can wait rings in waking hours only: {hours}.", hours=str(person.waking_hours))]
    if not person.knows_the_trade:
        notes.append(tr("Is asked to look only, never to open or blend."))
    return notes


def _told(settings: Settings) -> tuple[tuple[str, tuple[tuple[str, str], ...]], ...]:
    """What the file says, without its secrets."""
    site = settings.site
    place = [
        (tr("name"), site.name),
        (tr("emergency number"), site.emergency_number),
        (tr("waking hours"), str(site.waking_hours)),
    ]
    if site.altitude_m is not None:
        place.append((tr("height above the sea"), tr("{metres:.0f} m", metres=site.altitude_m)))
    if site.time_zone:
        place.append((tr("time zone"), site.time_zone))
    place.append((tr("too hot from"), quantity(settings.place().too_hot_c, "degC")))
    buckets = [
        (one.name, "" if one.litres is None else quantity(one.litres, "litres")) for one in settings.buckets
    ]
    sources = []
    for source in settings.sources:
        if isinstance(source, SerialSource):
            sources.append((source.name, tr("serial port {port}", port=source.port)))
        elif isinstance(source, MqttSource):
            sources.append((source.name, tr("broker {host}, port {port}", host=source.host, port=source.port)))
        else:
            sources.append((source.name, tr("recording {name}", name=source.path.name)))
    tables = [(tr("Place"), place), (tr("Buckets"), buckets), (tr("Sources"), sources)]
    return tuple((title, tuple(rows)) for title, rows in tables if rows)
