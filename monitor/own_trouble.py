"""The daemon's own trouble as an alarm like any other: disk, worker, clock, phone. Never in a replay.

Its state is kept in the journal like the others'. When the journal itself is the trouble, the outbox cannot be written
either, and the phones are told past it.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from monitor.domain import Condition, Event
from monitor.journal.database import Journal
from monitor.judgement import alarms, wording
from monitor.judgement.events import alarm_event
from monitor.judgement.messages import lock_screen
from monitor.phone import routes
from monitor.phone.people import Person
from monitor.telling import record_of
from monitor.words import ENGLISH, Voice, speaking

KIND = "watch_fault"
_STATE_KEY = "watch_fault/state"
# Told past the outbox at most this often: nobody can say "I have seen it" to a journal that cannot be written.
_PAST_JOURNAL_EVERY_S = 1800.0
# Which words of the catalogue a part of the daemon takes.
_PROBLEM_OF = {
    "journal": "journal", "recording": "disk", "events": "disk", "phone": "phone", "clock": "clock", "source": "source",
    "backup": "backup", "damaged": "damaged",
}  # fmt: skip
# What costs nobody an alarm tonight.
_CAN_WAIT = ("backup",)


@dataclass(slots=True)
class OwnTrouble:
    """Steps the alarm at every tick; ``condition`` is what the words are made from."""

    journal: Journal
    people: Sequence[Person]
    emergency_number: str = ""
    voice_of: Callable[[Person], Voice] = lambda person: ENGLISH
    tell: Callable[..., object] = routes.tell
    state: alarms.AlarmState = field(default_factory=lambda: alarms.AlarmState("", "", KIND))
    condition: Condition = field(default_factory=lambda: Condition(KIND, False, True, 0.0))
    _since_s: float | None = None
    _told_past_s: float | None = None

    def load(self) -> None:
        """Go on where the last watch was."""
        kept = self.journal.fact(_STATE_KEY)
        if kept is not None:
            self.state = alarms.AlarmState.from_dict(kept)

    def step(self, troubles: Mapping[str, str], now_s: float) -> list[Event]:
        """One tick: ``troubles`` holds a sentence for each part that is out of order now."""
        if troubles:
            self._since_s = now_s if self._since_s is None else self._since_s
            # What can wait for daylight never hides what cannot.
            part = min(troubles, key=lambda name: (_problem_of(name) in _CAN_WAIT, name))
            urgency = "daylight" if _problem_of(part) in _CAN_WAIT else "now"
            facts = {
                "problem": _problem_of(part),
                "problem_since_min": (now_s - self._since_s) / 60.0,
                "detail": "; ".join(f"{name}: {says}" for name, says in sorted(troubles.items())),
                "emergency_number": self.emergency_number,
            }
            # Silence is this program's one unforgivable fault, so it wakes: while it lasts nobody is rung for a bucket.
            self.condition = Condition(KIND, True, False, 1.0, urgency, facts=facts)
        else:
            self._since_s = None
            self.condition = Condition(KIND, False, True, 0.0, "now", facts=self.condition.facts)
        self.state, transitions = alarms.step(self.state, self.condition, now_s)
        if "journal" in troubles and self.state.stands:
            self._tell_past_journal(now_s)
        return [self._event(move) for move in transitions if move.change in ("raised", "cleared")]

    def act(self, act: str, at_s: float, who: str, until_s: float | None) -> None:
        """What a person did about it; raises AlarmError where the time of quiet is out of bounds."""
        if act in ("acknowledged", "going"):
            self.state = alarms.acknowledge(self.state, at_s, going=act == "going", by=who)[0]
        elif act == "shelved" and until_s is not None:
            self.state = alarms.shelve(self.state, until_s, at_s)[0]
        elif act == "unshelved":
            self.state = alarms.unshelve(self.state, at_s)[0]

    def save(self) -> None:
        """Into the journal, inside the caller's transaction."""
        if not self.state.count:
            return
        self.journal.set_fact(_STATE_KEY, self.state.as_dict())
        with speaking(ENGLISH):  # like every record
            message = wording.say(self.condition, batch="", bucket="")
        self.journal.save_alarm(record_of(self.state, message, self.condition.probability, self.condition.facts))

    def _tell_past_journal(self, now_s: float) -> None:
        if self._told_past_s is not None and now_s - self._told_past_s < _PAST_JOURNAL_EVERY_S:
            return
        self._told_past_s = now_s
        by_voice: dict[Voice, list[tuple[str, str]]] = {}
        for person in self.people:
            by_voice.setdefault(self.voice_of(person), []).extend((person.name, route) for route in person.routes)
        for voice, addresses in by_voice.items():
            with speaking(voice):
                message = wording.say(self.condition, batch="", bucket="")
                screen = lock_screen(message)
            # In a thread of its own: a route that hangs must not hold up the judging.
            threading.Thread(
                target=self.tell, args=(addresses, screen.title, f"{screen.body}\n\n{message.do}"), daemon=True
            ).start()

    def _event(self, move: alarms.Transition) -> Event:
        message = wording.say(self.condition, batch="", bucket="")
        if move.change == "cleared":
            message = wording.back_to_normal(KIND, bucket="", batch="", condition=self.condition)
        return alarm_event(move, self.condition.probability, message)


def _problem_of(part: str) -> str:
    return _PROBLEM_OF.get(part.partition(" ")[0], "worker")
