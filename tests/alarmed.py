"""Buckets whose trouble a test decides: real alarm states, stepped by the real rules, without any curve."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from monitor.domain import Condition
from monitor.judgement import alarms, wording
from monitor.judgement.alarms import AlarmState
from monitor.pipeline import Told

# Kinds of trouble a bucket may have, as they are found: what wakes and what can wait.
NOW, DAYLIGHT, WELL = "now", "daylight", "well"


@dataclass
class AlarmedBucket:
    """Stands in for a minder as far as the telling asks one: ``told()``."""

    name: str
    kinds: tuple[str, ...] = ("too_hot",)
    batch: str = "b"
    states: dict[str, AlarmState] = field(default_factory=dict)
    found: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for kind in self.kinds:
            self.states.setdefault(kind, AlarmState(self.name, self.batch, kind))
            self.found.setdefault(kind, WELL)

    def tick(self, now_s: float) -> None:
        """What is found at this minute."""
        for kind, state in self.states.items():
            condition = self._condition(kind)
            self.states[kind], _ = alarms.step(state, condition, now_s)

    def told(self) -> list[tuple[AlarmState, Told]]:
        """Every alarm that was ever raised, with what is said of it."""
        facts: Mapping[str, object] = {"temperature_c": 91.0}
        return [
            (
                state,
                Told(
                    wording.say(self._condition(kind), bucket=self.name, batch=self.batch), 0.9, facts,
                ),
            )
            for kind, state in self.states.items()
            if state.count
        ]  # fmt: skip

    def _condition(self, kind: str) -> Condition:
        found = self.found[kind]
        urgency = NOW if found == NOW else DAYLIGHT
        return Condition(kind, found != WELL, found == WELL, 0.9, urgency, facts={"temperature_c": 91.0})
