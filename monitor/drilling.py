"""The weekly drill on its way to the phones: ``judgement.drill`` says who is rung when; here it is worded and written.

What was rung is written down in the transaction of the message, so that no restart rings a drill twice.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from monitor.deeds import HEARD_FACT
from monitor.drill_told import DRILL_FACT, about_of, kept_of, missed_before, ring_of, ring_refused
from monitor.journal.database import Journal
from monitor.journal.database import Message as Outgoing
from monitor.judgement import escalation
from monitor.judgement.drill import Drilled, Ring, heard_by, is_over, last_due_s, missed, rings_due
from monitor.phone.people import Person
from monitor.settings import Settings
from monitor.watch_parts import escalation_rules, for_escalation
from monitor.words import speaking, tr

# Since when drills count on this journal, and by which settings.
FROM_FACT = "drill/from_s"
# A drill that rings an hour late disturbs and shows nothing.
_EXPIRES_AFTER_S = 3600.0


@dataclass(slots=True)
class Drilling:
    """Decides and writes the rings of a drill. ``link`` gives the address at which a person says "I heard it"."""

    journal: Journal
    settings: Settings
    people: Sequence[Person]
    link: Callable[[str, float], str | None] = lambda _person, _now_s: None

    def drill(self, now_s: float) -> int:
        """Put what is due at ``now_s`` into the outbox; return how many messages are new."""
        day = self.settings.drill.day
        if day is None or not any(person.labels for person in self.people):
            if self.journal.fact(FROM_FACT) is not None:
                self.journal.set_fact(FROM_FACT, None)  # whoever turns it on again is not rung for what was off
            return 0
        due_s = last_due_s(now_s, day, self.settings.drill.minute, self.settings.local_time)
        counts = self._counts(due_s, now_s)
        kept = kept_of(self.journal)
        rung = kept["rung"] if kept.get("due_s") == due_s else {}
        if not rung and not counts:
            return 0
        before = kept["before"] if rung else missed_before(self.journal, self.settings, now_s)
        people = self._drilled(due_s, now_s, rung)
        if any(now_s - at_s <= _EXPIRES_AFTER_S for times in rung.values() for at_s in times):
            self._take_back_heard(due_s, people)
        new = 0
        for ring in rings_due(due_s, now_s, people, alarm_stands=self._alarm_stands()):
            rung = {**rung, ring.person: [*rung.get(ring.person, []), now_s]}
            new += self._write([self._ring(ring, due_s, now_s)], {"due_s": due_s, "rung": rung, "before": before})
        if rung and not new and not kept.get("told"):
            new += self._tell_of_missed(due_s, now_s, rung, before)
        return new

    # ---- inside ----------------------------------------------------------------------------------------------------

    def _counts(self, due_s: float, now_s: float) -> bool:
        """Whether it was due while this journal was watched already, with these settings: whoever sets it up, turns it
        on or puts it to another hour is not rung for last Sunday.
        """
        mine = [self.settings.drill.day, self.settings.drill.minute]
        match self.journal.fact(FROM_FACT):
            case [int() | float() as first_s, day, minute] if [day, minute] == mine:
                return due_s >= first_s
            case int() | float() as first_s:  # of a version that knew no other hour
                self.journal.set_fact(FROM_FACT, [first_s, *mine])
                return due_s >= first_s
        self.journal.set_fact(FROM_FACT, [now_s, *mine])
        return False

    def _take_back_heard(self, due_s: float, people: Sequence[Drilled]) -> None:
        """A ring that its service has not taken is not to come when its person has said that they heard one."""
        heard = {person.name for person in people if person.has_heard()}
        if heard:
            self.journal.take_back(
                one.message_id
                for one in self.journal.messages(about_of(due_s), open_only=True)
                if one.person in heard and one.what.startswith("ring")
            )

    def _drilled(self, due_s: float, now_s: float, rung: dict[str, list[float]]) -> list[Drilled]:
        heard, rules = heard_by(self.journal.fact(HEARD_FACT)), escalation_rules(self.settings)
        return [
            Drilled(
                person.name,
                len(person.labels),
                escalation.is_awake(for_escalation(person), now_s, rules),
                tuple(rung.get(person.name, ())),
                ring_refused(self.journal, due_s, person.name, len(rung.get(person.name, ()))),
                heard.get(person.name),
                not escalation.is_awake(for_escalation(person), due_s, rules),
            )
            for person in self.people
        ]

    def _alarm_stands(self) -> bool:
        return any(
            alarm.urgency == "now" and alarm.state == "unacknowledged"
            for alarm in self.journal.alarms(standing_only=True)
        )

    def _ring(self, ring: Ring, due_s: float, now_s: float) -> Outgoing:
        person = next(one for one in self.people if one.name == ring.person)
        with speaking(self.settings.site.voice(person.language, person.units)):
            address = self._link(person.name, now_s)
            answer = (
                tr("Say that you heard it (only on the farm's network): {link}", link=address)
                if address
                else tr("Say that you heard it: emberpail heard {name}", name=person.name)
            )
            title = tr("Drill: nothing is wrong")
            body = tr("This is how an alarm rings. Nothing is wrong with any batch. Please say that you heard it.")
        return Outgoing(
            about=about_of(due_s), what=ring_of(ring.number), person=person.name, route=person.labels[ring.route],
            title=title, body=f"{body}\n\n{answer}", created_s=now_s, urgency="now",
            expires_s=now_s + _EXPIRES_AFTER_S,
        )  # fmt: skip

    def _link(self, person: str, now_s: float) -> str | None:
        try:
            return self.link(person, now_s)
        except Exception:  # the ring must go out, with or without a way to answer it
            return None

    def _tell_of_missed(
        self, due_s: float, now_s: float, rung: dict[str, list[float]], before: dict[str, float]
    ) -> int:
        """Once the drill is over: to each who heard it, whose phone did not."""
        people = self._drilled(due_s, now_s, rung)
        if not is_over(now_s, people):
            return 0
        names = missed(now_s, people)
        heard = {person.name for person in people if person.has_heard()}
        messages = []
        for person in self.people if names else ():
            if person.name not in heard:
                continue
            with speaking(self.settings.site.voice(person.language, person.units)):
                title = tr("Drill: not heard by {names}", names=", ".join(names))
                body = tr(
                    "In the drill nobody heard the phone of {names}: an alarm would not have been heard there. Is it "
                    "muted, empty, or is the route wrong?",
                    names=", ".join(names),
                )
            messages += [
                Outgoing(about_of(due_s), "missed", person.name, route, title, body, now_s)
                for route in person.labels[:1]
            ]
        return self._write(messages, {"due_s": due_s, "rung": rung, "before": before, "told": True})

    def _write(self, messages: Sequence[Outgoing], fact: dict[str, Any]) -> int:
        with self.journal.transaction():
            added = self.journal.add_messages(messages)
            self.journal.set_fact(DRILL_FACT, fact)
        return len(added)
