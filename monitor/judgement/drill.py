"""The weekly drill: every phone is rung as an alarm would ring it, and whoever has it says that it was heard. Pure.

A phone that is muted, empty or lost shows in the drill and not in the night that matters. A drill begins at its hour of
the week, unless an alarm that wakes stands then; it is made up for afterwards. In quiet hours it rings only where the
settings put it there. Each person is rung by one route after the other until they say so; who does not is told of to
the others, and stands on the page until heard.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

# How long an answer is waited for before the next route rings.
ANSWER_WITHIN_S = 15 * 60.0
# So often at the least, however few the routes: a phone may lie in another room.
LEAST_RINGS = 2
# So long after its hour a drill may still begin without asking whether people are awake.
ON_TIME_S = 15 * 60.0
# A drill that the settings put into quiet hours may go on ringing in them for so long.
NIGHT_DRILL_S = 2 * 3600.0
# Later than this it is left to the next week.
MADE_UP_WITHIN_S = 3 * 86400.0


@dataclass(frozen=True, slots=True)
class Drilled:
    """One person in a drill. ``rung_at_s`` holds the time of each ring; ``refused`` whether the service of the newest
    ring's route refused it; ``heard_at_s`` when they last said that they heard a drill, None for never; ``due_asleep``
    whether the settings put the drill into their quiet hours.
    """

    name: str
    routes: int
    awake: bool = True
    rung_at_s: tuple[float, ...] = ()
    refused: bool = False
    heard_at_s: float | None = None
    due_asleep: bool = False

    @property
    def most_rings(self) -> int:
        """How often this person is rung in one drill."""
        return max(LEAST_RINGS, self.routes)

    def has_heard(self) -> bool:
        """Whether they answered this drill."""
        return bool(self.rung_at_s) and self.heard_at_s is not None and self.heard_at_s >= self.rung_at_s[0]

    def is_missed(self, now_s: float) -> bool:
        """Whether every ring of this drill went unheard."""
        if self.has_heard() or len(self.rung_at_s) < self.most_rings:
            return False
        return self.refused or now_s >= self.rung_at_s[-1] + ANSWER_WITHIN_S


@dataclass(frozen=True, slots=True)
class Ring:
    """Ring a person now by their route number ``route`` (from 0); it is their ring number ``number`` (from 1)."""

    person: str
    number: int
    route: int


def last_due_s(now_s: float, weekday: int, minute: int, local_time: Callable[[float], datetime]) -> float:
    """The newest time at or before ``now_s`` at which a drill was due, by the clock of the place. Monday is 0."""
    local = local_time(now_s).replace(tzinfo=None)
    then = local.replace(hour=minute // 60, minute=minute % 60, second=0, microsecond=0)
    then -= timedelta(days=(local.weekday() - weekday) % 7)
    if then > local:
        then -= timedelta(days=7)
    # The zone may be known by its present offset only, and the clock have changed since: ask what it showed then.
    due_s = now_s - (local - then).total_seconds()
    due_s -= (local_time(due_s).replace(tzinfo=None) - then).total_seconds()
    # Of an hour that the clock shows twice the first counts, or the drill would be due again in the second.
    return due_s - 3600.0 if local_time(due_s - 3600.0).replace(tzinfo=None) == then else due_s


def rings_due(due_s: float, now_s: float, people: Sequence[Drilled], *, alarm_stands: bool) -> list[Ring]:
    """Who is to be rung at ``now_s`` in the drill that was due at ``due_s``.

    Nobody while an alarm that wakes stands: a ring must mean one thing at a time.
    """
    if alarm_stands or now_s < due_s:
        return []
    due = []
    for person in people:
        if not person.routes or person.has_heard() or len(person.rung_at_s) >= person.most_rings:
            continue
        late_s = now_s - due_s
        at_night = late_s <= (NIGHT_DRILL_S if person.due_asleep else ON_TIME_S)
        waits = not person.awake and not at_night
        if person.rung_at_s:
            waits |= not person.refused and now_s < person.rung_at_s[-1] + ANSWER_WITHIN_S
        else:
            waits |= late_s > MADE_UP_WITHIN_S
        if not waits:
            number = len(person.rung_at_s) + 1
            due.append(Ring(person.name, number, (number - 1) % person.routes))
    return due


def missed(now_s: float, people: Sequence[Drilled]) -> tuple[str, ...]:
    """Whose phone was rung to the end and not heard."""
    return tuple(person.name for person in people if person.is_missed(now_s))


def is_over(now_s: float, people: Sequence[Drilled]) -> bool:
    """Whether everybody who was rung has heard it or missed it."""
    rung = [person for person in people if person.rung_at_s]
    return bool(rung) and all(person.has_heard() or person.is_missed(now_s) for person in rung)


def heard_by(kept: object) -> Mapping[str, float]:
    """When each person last heard a drill, from what the journal keeps; what has another shape counts as never."""
    if not isinstance(kept, Mapping):
        return {}
    return {str(name): float(at_s) for name, at_s in kept.items() if isinstance(at_s, int | float)}
