"""The daemon's own trouble as an alarm like any other: disk, worker, clock, phone. Never in a replay.

Its state is kept in the journal like the others'. When the journal itself is the trouble, its messages go by the outbox
in memory (``journal.aside``), as those of every alarm do then.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from monitor.domain import Condition, Event
from monitor.journal.database import Journal
from monitor.judgement import alarms, wording
from monitor.judgement.events import alarm_event
from monitor.telling import record_of
from monitor.words import ENGLISH, speaking

KIND = "watch_fault"
_STATE_KEY = "watch_fault/state"
# The parts that are out of order when the disk is. A card that has hiccuped takes the next write, some seconds later;
# one that refuses for so long is full or broken, and nobody need wait two minutes to be sure of it. It is also told
# again as soon as it comes back: what is not kept cannot wait.
DISK_PARTS = frozenset({"journal", "recording", "events"})
DISK_IS_SURE_AFTER_S = 10.0
_DISK_RULE = replace(alarms.RULES[KIND], on_delay_s=DISK_IS_SURE_AFTER_S, re_raise_after_s=0.0)
# Which words of the catalogue a part of the daemon takes.
_PROBLEM_OF = {
    "journal": "journal", "recording": "disk", "events": "disk", "phone": "phone", "clock": "clock", "source": "source",
    "backup": "backup", "copy": "backup", "damaged": "damaged", "mirror": "mirror", "clock_ahead": "clock_ahead",
}  # fmt: skip
# What costs nobody an alarm tonight.
_CAN_WAIT = ("backup", "mirror", "clock_ahead")


@dataclass(slots=True)
class OwnTrouble:
    """Steps the alarm at every tick; ``condition`` is what the words are made from."""

    journal: Journal
    emergency_number: str = ""
    state: alarms.AlarmState = field(default_factory=lambda: alarms.AlarmState("", "", KIND))
    condition: Condition = field(default_factory=lambda: Condition(KIND, False, True, 0.0))
    _since_s: float | None = None
    _disk_since_s: float | None = None
    _rang_for_disk: bool = False

    def load(self) -> None:
        """Go on where the last watch was."""
        kept = self.journal.fact(_STATE_KEY)
        if kept is not None:
            self.state = alarms.AlarmState.from_dict(kept)

    def step(self, troubles: Mapping[str, str], now_s: float) -> list[Event]:
        """A tick, or a moment between two: ``troubles`` holds a sentence for each part that is out of order now."""
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
            # What waked is over though something that can wait goes on, for days perhaps: that is raised by itself
            # then, or the next trouble that cannot wait would be taken for one that somebody has seen already.
            over = self.state.stands and self.state.urgency == "now" and urgency != "now"
            # Silence is this program's one unforgivable fault, so it wakes: while it lasts nobody is rung for a bucket.
            self.condition = Condition(KIND, not over, over, 1.0, urgency, facts=facts)
        else:
            self._since_s = None
            self.condition = Condition(KIND, False, True, 0.0, "now", facts=self.condition.facts)
        disk_is_sure = self._disk_is_sure(troubles, now_s)
        rule = _DISK_RULE if disk_is_sure else alarms.rule_for(KIND)
        stood = self.state.stands
        self.state, transitions = alarms.step(self.state, self.condition, now_s, rule)
        if stood and disk_is_sure and not self._rang_for_disk:
            # It stands for something else, and perhaps somebody has seen that: the disk is news, and rings anew.
            self.state = replace(
                alarms.unacknowledge(self.state, now_s)[0], worsened_at_s=now_s, shelved_until_s=None
            )
        self._rang_for_disk = self.state.stands and (self._rang_for_disk or disk_is_sure)
        return [self._event(move) for move in transitions if move.change in ("raised", "cleared")]

    def act(self, act: str, at_s: float, who: str, until_s: float | None) -> None:
        """What a person did about it; raises AlarmError where the time of quiet is out of bounds."""
        self.state = alarms.after_act(self.state, act, at_s, who, until_s)

    def save(self) -> None:
        """Into the journal, inside the caller's transaction."""
        if not self.state.count:
            return
        self.journal.set_fact(_STATE_KEY, self.state.as_dict())
        with speaking(ENGLISH):  # like every record
            message = wording.say(self.condition, batch="", bucket="")
        self.journal.save_alarm(record_of(self.state, message, self.condition.probability, self.condition.facts))

    def _disk_is_sure(self, troubles: Mapping[str, str], now_s: float) -> bool:
        """Whether the disk has refused for so long that it is no hiccup; counted from when its own trouble began."""
        if DISK_PARTS.isdisjoint(troubles):
            self._disk_since_s = None
            return False
        self._disk_since_s = now_s if self._disk_since_s is None else self._disk_since_s
        return now_s - self._disk_since_s >= DISK_IS_SURE_AFTER_S

    def _event(self, move: alarms.Transition) -> Event:
        message = wording.say(self.condition, batch="", bucket="")
        if move.change == "cleared":
            message = wording.back_to_normal(KIND, bucket="", batch="", condition=self.condition)
        return alarm_event(move, self.condition.probability, message)


def _problem_of(part: str) -> str:
    return _PROBLEM_OF.get(part.partition(" ")[0], "worker")
