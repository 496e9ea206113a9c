"""What a person was not told, summed up in one message once a route takes something again.

A message is given up a day after it was written, sooner where a service refuses for good what can wait, and where an
alarm was raised anew before anybody heard of the time before (`telling`). While an alarm stands it is told anew all the
time; what is lost in a long outage is what came and went in it, good news, and reminders. Nobody is told all of that
afterwards one by one.

With the first that is given up a summary is written, and anew with each that follows, until a route takes it. Which
messages the newest one sums up is kept in its transaction, and they are marked once it has been taken: a restart in
between sums nothing up twice, and loses none.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from monitor.journal.database import Journal
from monitor.journal.database import Message as Outgoing
from monitor.phone.people import Person
from monitor.phone.postman import Delivery
from monitor.settings import Settings
from monitor.trade import reminders
from monitor.words import DAY_DATE_TIME, DAY_TIME, speaking, tr, trn, when

PREFIX = "untold/"
# By person: the newest summary and what it sums up, in the journal.
_KEY = "untold/"
# What was given up longer ago than this is in the batch's record, and no news.
LOOK_BACK_S = 14 * 86400.0
# A summary is tried for as long: it is the last word about what it sums up.
_EXPIRES_AFTER_S = LOOK_BACK_S
MOST_LINES = 12
# The drill and the morning's word have answers of their own, and are worth nothing afterwards.
_NOT_SUMMED = ("drill/", "morning/")


@dataclass(slots=True)
class Untold:
    """Decides and writes the summaries. ``people`` as in the settings."""

    journal: Journal
    settings: Settings
    people: Sequence[Person]
    _nothing_for: set[str] = field(default_factory=set)  # people for whom nothing was there at the last look

    def after(self, delivery: Delivery, now_s: float) -> bool:
        """What follows from what became of one message: where it has expired, or a route has just taken something while
        more was given up, that is summed up for its person. Returns whether a message was written.
        """
        if not delivery.ok:
            self._nothing_for.discard(delivery.person)
            # What was refused for good waits until a route takes something: a summary would only be refused as well.
            return delivery.expired and self._tell(delivery.person, "", now_s)
        return delivery.person not in self._nothing_for and self._tell(delivery.person, delivery.route, now_s)

    def look_again(self) -> None:
        """Something has been given up elsewhere: what there is to sum up goes out once a route takes a message."""
        self._nothing_for.clear()

    # ---- inside ----------------------------------------------------------------------------------------------------

    def _tell(self, person: str, route: str, now_s: float) -> bool:
        known = next((one for one in self.people if one.name == person), None)
        if known is None or not known.labels:
            return False
        with self.journal.transaction():
            open_about, ids = self._go_on_from(person)
            given_up = self.journal.given_up_messages(person, now_s - LOOK_BACK_S)
            untold = [one for one in given_up if self._is_untold(one)]
            left = {one.message_id for one in untold}
            self.journal.sum_up(one.message_id for one in given_up if one.message_id not in left)
            if not left:
                self._nothing_for.add(person)
            if left <= ids:
                return False  # what waits says all of it
            self.journal.supersede_messages(open_about)
            message = self._summary(known, route if route in known.labels else known.labels[0], untold, now_s)
            self.journal.set_fact(_KEY + person, {"about": message.about, "ids": sorted(left)})
            return bool(self.journal.add_messages([message]))

    def _go_on_from(self, person: str) -> tuple[str, set[str]]:
        """The summary that waits for a route, and what it sums up; what one has summed up that was taken is marked."""
        kept = self.journal.fact(_KEY + person, {})
        about, ids = str(kept.get("about", "")), set(map(str, kept.get("ids", ())))
        states = {one.state for one in self.journal.messages(about) if one.person == person} if about else set()
        if "sent" in states:
            self.journal.sum_up(ids)
        return (about, ids) if states & {"waiting", "failed"} and "sent" not in states else (about, set())

    def _is_untold(self, message: Outgoing) -> bool:
        """Whether nothing of it, nor anything newer about the same, has reached the person by any route, or will be
        tried again.
        """
        if message.about.startswith((PREFIX, *_NOT_SUMMED)):
            return False
        return not any(
            one.state in ("sent", "waiting", "failed") and one.created_s >= message.created_s
            for one in self.journal.messages(message.about)
            if one.person == message.person
        )

    def _summary(self, person: Person, route: str, told: Sequence[Outgoing], now_s: float) -> Outgoing:
        with speaking(self.settings.site.voice(person.language, person.units)):
            since = when(self.settings.local_time(min(one.created_s for one in told)), DAY_DATE_TIME)
            lines = [*self._alarms(told), *self._reminders(told)]
            more = len(lines) - MOST_LINES
            if more > 1:
                lines = [*lines[:MOST_LINES], tr("and {n} more", n=more)]
            body = "\n".join(
                [
                    tr("Since {since} no phone service took these messages for you. They are no news: see the page for "
                       "what stands now, before anything is done.", since=since),
                    *(f"- {line}" for line in lines),
                ]
            )  # fmt: skip
            title = tr("What you were not told")
        return Outgoing(
            about=f"{PREFIX}{person.name}/{now_s:.0f}", what="untold", person=person.name, route=route, title=title,
            body=body, created_s=now_s, expires_s=now_s + _EXPIRES_AFTER_S,
        )  # fmt: skip

    def _alarms(self, told: Sequence[Outgoing]) -> list[str]:
        lines = []
        for about in dict.fromkeys(one.about for one in told):
            if about.startswith(reminders.PREFIX):
                continue
            mine = [one for one in self.journal.messages(about) if one.person == told[0].person]
            first, record = mine[0], self.journal.alarm(about)
            at = self._time(first.created_s)
            if record is not None and record.cleared_at_s is None and record.state != "normal":
                lines.append(tr("{time} {title}; it still stands", time=at, title=first.title))
            elif record is not None and record.cleared_at_s is not None:
                until = self._time(record.cleared_at_s)
                lines.append(tr("{time} {title}; over since {until}", time=at, title=first.title, until=until))
            else:
                lines.append(tr("{time} {title}", time=at, title=first.title))
        return lines

    def _reminders(self, told: Iterable[Outgoing]) -> list[str]:
        """All of them in one line: they are stale, and the steps on the page say what is next."""
        # One that was handed on to the next route is still one.
        mine = list({(one.about, one.what): one for one in told if one.about.startswith(reminders.PREFIX)}.values())
        if not mine:
            return []
        return [
            trn(
                "{time} {title}: a reminder", "{n} reminders, the last {time}: {title}", len(mine),
                time=self._time(mine[-1].created_s), title=mine[-1].title,
            )
        ]  # fmt: skip

    def _time(self, at_s: float) -> str:
        return when(self.settings.local_time(at_s), DAY_TIME)
