"""Buckets whose trouble a test decides: real alarm states, stepped by the real rules, without any curve."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache

from monitor.domain import Condition
from monitor.judgement import alarms, wording
from monitor.judgement.alarms import AlarmState
from monitor.judgement.messages import Message
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
        return [
            (state, Told(_words(kind, self.found[kind], self.name, self.batch), 0.9, _FACTS))
            for kind, state in self.states.items()
            if state.count
        ]

    def _condition(self, kind: str) -> Condition:
        return _condition(kind, self.found[kind])


_FACTS: Mapping[str, object] = {"temperature_c": 91.0}


def _condition(kind: str, found: str) -> Condition:
    return Condition(kind, found != WELL, found == WELL, 0.9, NOW if found == NOW else DAYLIGHT, facts=_FACTS)


@cache
def _words(kind: str, found: str, bucket: str, batch: str) -> Message:
    return wording.say(_condition(kind, found), bucket=bucket, batch=batch)
