"""A node whose battery or supply runs down: an alarm of the kind ``watch_fault`` for each. Never in a replay.

Apart from the daemon's other trouble, so that neither hides the other: a node that can wait for the morning must not
wake anybody because a phone route is dead, nor be missed because somebody has seen that already.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field

from monitor.domain import Condition, Event
from monitor.journal.database import Journal
from monitor.judgement import alarms, wording
from monitor.judgement.events import alarm_event
from monitor.own_trouble import KIND
from monitor.pipeline import Minder
from monitor.sensing.supply import DYING, OLD_S, SUPPLIES_KEY, WELL, NodeSupply, Supplies, SupplyLimits
from monitor.settings import Settings
from monitor.telling import record_of
from monitor.words import ENGLISH, speaking

_STATES_KEY = "node_supply/states"


def supplies_of(settings: Settings) -> Supplies:
    """Each bucket's limits by the settings; a bucket that is not in them has the usual ones."""
    limits: dict[str, SupplyLimits] = {bucket.name: bucket.supply for bucket in settings.buckets}
    usual = settings.bucket("").supply
    return Supplies(lambda bucket: limits.get(bucket, usual))


def silence_wakes(minders: Iterable[Minder]) -> set[str]:
    """The buckets that would wake somebody if they fell silent now: a node that dies there must not wait either."""
    return {
        minder.batch.bucket
        for minder in minders
        if (silent := minder.conditions.get("silent")) is not None and silent.urgency == "now"
    }


@dataclass(slots=True)
class NodeAlarms:
    """Steps the alarm of each bucket's node at every tick. Buckets are as many as the decoder takes, and no more."""

    journal: Journal
    supplies: Supplies
    emergency_number: str = ""
    _states: dict[str, alarms.AlarmState] = field(default_factory=dict)
    _conditions: dict[str, Condition] = field(default_factory=dict)

    def load(self) -> None:
        """Go on where the last watch was."""
        self.supplies.load(self.journal.fact(SUPPLIES_KEY, []))
        kept = [alarms.AlarmState.from_dict(one) for one in self.journal.fact(_STATES_KEY, [])]
        self._states = {state.bucket: state for state in kept}
        # Until the first tick nothing can be said of any.
        self._conditions = {bucket: self._condition(None, False) for bucket in self._states}

    def step(self, now_s: float, wakes: Collection[str]) -> list[Event]:
        """A tick; ``wakes`` holds the buckets of which even silence would wake somebody now."""
        known, events = self.supplies.known(now_s), []
        for bucket in sorted({*known, *self._states}):
            node = known.get(bucket)
            if bucket not in self._states and (node is None or node.level == WELL):
                continue
            state = self._states.get(bucket, alarms.AlarmState(bucket, "", KIND))
            condition = self._condition(node, bucket in wakes, now_s)
            self._conditions[bucket] = condition
            self._states[bucket], moves = alarms.step(state, condition, now_s)
            events += [self._event(move, condition) for move in moves if move.change in ("raised", "cleared")]
        return events

    def told(self) -> list[tuple[alarms.AlarmState, Condition]]:
        """What there is to tell, for the teller."""
        return [(state, self._conditions[bucket]) for bucket, state in self._states.items() if state.count]

    def act(self, alarm_id: str, act: str, at_s: float, who: str, until_s: float | None) -> bool:
        """What a person did about one; False where it is none of these. AlarmError where the quiet is out of bounds."""
        bucket = next((one for one, state in self._states.items() if state.alarm_id == alarm_id), None)
        if bucket is None:
            return False
        self._states[bucket] = alarms.after_act(self._states[bucket], act, at_s, who, until_s)
        return True

    def save(self, now_s: float, saved: Mapping[object, object]) -> dict[object, object]:
        """What differs from what is ``saved``, into the journal, inside the caller's transaction; returns that."""
        supplies = self.supplies.as_kept(now_s)
        changed: dict[object, object] = {}
        if saved.get(SUPPLIES_KEY, []) != supplies:
            changed[SUPPLIES_KEY] = supplies
            self.journal.set_fact(SUPPLIES_KEY, supplies)
        states = list(self._states.values())
        if saved.get(_STATES_KEY, []) != states:
            changed[_STATES_KEY] = states
            self.journal.set_fact(_STATES_KEY, [state.as_dict() for state in states])
        shown = {one[0]: one for one in supplies}
        for bucket, state in self._states.items():
            # Not at each hundredth of a volt or minute of its age: every row is a page of the card.
            age_s = now_s - shown[bucket][3] if bucket in shown else 0.0
            now, key = (state, shown.get(bucket), age_s // (2.0 * OLD_S)), (_STATES_KEY, bucket)
            if state.count and saved.get(key) != now:
                changed[key] = now
                condition = self._conditions[bucket]
                with speaking(ENGLISH):  # like every record
                    message = wording.say(condition, batch="", bucket=bucket)
                self.journal.save_alarm(record_of(state, message, condition.probability, condition.facts))
        return changed

    def _condition(self, node: NodeSupply | None, wakes: bool, now_s: float = 0.0) -> Condition:
        facts: dict[str, object] = {"problem": "supply", "emergency_number": self.emergency_number}
        if node is None:  # nobody knows, and no news never looks like good news
            return Condition(KIND, False, True, 0.0, "daylight", facts=facts)
        low, dying = node.level != WELL, node.level == DYING
        facts |= {
            "supply_v": round(node.volts, 2), "supply_dying": dying,
            "supply_age_min": round(max(0.0, now_s - node.time_s) / 60.0),
        }  # fmt: skip
        return Condition(KIND, low, not low, 1.0 if low else 0.0, "now" if dying and wakes else "daylight", facts=facts)

    @staticmethod
    def _event(move: alarms.Transition, condition: Condition) -> Event:
        with speaking(ENGLISH):  # like every event, whoever speaks
            if move.change == "raised":
                message = wording.say(condition, batch="", bucket=move.bucket)
            else:
                message = wording.back_to_normal(KIND, bucket=move.bucket, batch="", condition=condition)
        return alarm_event(move, condition.probability, message)
