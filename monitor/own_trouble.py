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
_STATE_KEY, _RUNG_KEY = "watch_fault/state", "watch_fault/rung"
# The parts that are out of order when the disk is. A card that has hiccuped takes the next write, some seconds later;
# one that refuses for so long is full or broken, and nobody need wait two minutes to be sure of it. It is also told
# again as soon as it comes back: what is not kept cannot wait.
DISK_PARTS = frozenset({"journal", "recording", "events"})
DISK_IS_SURE_AFTER_S = 10.0
_DISK = "disk"
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
    # What waked, by name (all that a disk upsets is one): since when, since when gone, and what was rung for.
    _waking_since: dict[str, float] = field(default_factory=dict)
    _gone_since: dict[str, float] = field(default_factory=dict)
    _rung: set[str] = field(default_factory=set)
    _newest: str = ""

    def load(self) -> None:
        """Go on where the last watch was."""
        kept = self.journal.fact(_STATE_KEY)
        if kept is not None:
            self.state = alarms.AlarmState.from_dict(kept)
            self._rung = set(self.journal.fact(_RUNG_KEY, [])) if self.state.stands else set()

    def step(self, troubles: Mapping[str, str], now_s: float) -> list[Event]:
        """A tick, or a moment between two: ``troubles`` holds a sentence for each part that is out of order now."""
        sure = self._sure(troubles, now_s)
        stood, news = self.state.stands, sure - self._rung
        if news and stood:
            self._newest = min(news)
        if troubles:
            self._since_s = now_s if self._since_s is None else self._since_s
            # What can wait for daylight never hides what cannot; what rang last is told first.
            part = min(troubles, key=lambda name: (_can_wait(name), _named(name) != self._newest, name))
            urgency = "daylight" if _can_wait(part) else "now"
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
        rule = _rule_of(_DISK if _DISK in sure else "")
        self.state, transitions = alarms.step(self.state, self.condition, now_s, rule)
        unheard = self.state.state == alarms.ACKNOWLEDGED or self.state.shelved_until_s is not None
        if stood and news and (unheard or _DISK in news):
            # It stands for something else, and perhaps somebody has seen that, or wants quiet from it: a phone route
            # may be dead for weeks. This is news, and rings anew; the disk even where the other still rings.
            self.state = replace(
                alarms.unacknowledge(self.state, now_s)[0], worsened_at_s=now_s, shelved_until_s=None
            )
        self._rung = self._rung | sure if self.state.stands else set()
        self._newest = self._newest if self.state.stands else ""
        return [self._event(move) for move in transitions if move.change in ("raised", "cleared")]

    def act(self, act: str, at_s: float, who: str, until_s: float | None) -> None:
        """What a person did about it; raises AlarmError where the time of quiet is out of bounds."""
        self.state = alarms.after_act(self.state, act, at_s, who, until_s)

    def save(self) -> None:
        """Into the journal, inside the caller's transaction."""
        if not self.state.count:
            return
        self.journal.set_fact(_STATE_KEY, self.state.as_dict())
        if self.journal.fact(_RUNG_KEY, []) != sorted(self._rung):
            self.journal.set_fact(_RUNG_KEY, sorted(self._rung))
        with speaking(ENGLISH):  # like every record
            message = wording.say(self.condition, batch="", bucket="")
        self.journal.save_alarm(record_of(self.state, message, self.condition.probability, self.condition.facts))

    def _sure(self, troubles: Mapping[str, str], now_s: float) -> set[str]:
        """What wakes and has lasted for so long that it is no hiccup, each counted from when it began itself."""
        waking = {_named(part) for part in troubles if not _can_wait(part)}
        self._waking_since = {name: self._waking_since.get(name, now_s) for name in waking}
        # What comes and goes rings no oftener than it would by itself.
        self._gone_since = {name: self._gone_since.get(name, now_s) for name in self._rung - waking}
        self._rung -= {
            name for name, since_s in self._gone_since.items()
            if now_s - since_s >= _rule_of(name).off_delay_s + _rule_of(name).re_raise_after_s
        }  # fmt: skip
        return {
            name for name, since_s in self._waking_since.items() if now_s - since_s >= _rule_of(name).on_delay_s
        }  # fmt: skip

    def _event(self, move: alarms.Transition) -> Event:
        message = wording.say(self.condition, batch="", bucket="")
        if move.change == "cleared":
            message = wording.back_to_normal(KIND, bucket="", batch="", condition=self.condition)
        return alarm_event(move, self.condition.probability, message)


def _named(part: str) -> str:
    return _DISK if part in DISK_PARTS else part


def _rule_of(name: str) -> alarms.Rule:
    return _DISK_RULE if name == _DISK else alarms.rule_for(KIND)


def _can_wait(part: str) -> bool:
    return _problem_of(part) in _CAN_WAIT


def _problem_of(part: str) -> str:
    return _PROBLEM_OF.get(part.partition(" ")[0], "worker")
