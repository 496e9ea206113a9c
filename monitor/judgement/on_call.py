"""Who is on call tonight, and so is rung first. Pure: what was set and the time in, names out.

A night begins on its day and lasts until the next noon, so that whoever has Monday is still rung first at three on
Tuesday morning; from noon to noon somebody is always on call, because a batch is poured by day. Being on call only
puts a person first: the others keep their order, and are rung after as ever.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TypeVar

# When one night's turn ends and the next one's begins, by the clock of the place.
TURN_HOUR = 12
# Said before this hour, "tonight" is the night that is still going on; later it is the one to come.
_MORNING_HOUR = 6

_Named = TypeVar("_Named")


@dataclass(frozen=True, slots=True)
class OnCall:
    """Who is rung first, in order, and until when (Unix seconds). ``by_hand``: set for now, not by the weekdays."""

    people: tuple[str, ...]
    until_s: float
    by_hand: bool = False


def night_of(local: datetime) -> int:
    """The weekday (Monday is 0) on which the night at this local time began, or will begin."""
    return (local - timedelta(hours=TURN_HOUR)).weekday()


def turn_ends_s(at_s: float, local_time: Callable[[float], datetime]) -> float:
    """The next noon after ``at_s``, Unix seconds."""
    local = local_time(at_s)
    noon = local.replace(hour=TURN_HOUR, minute=0, second=0, microsecond=0)
    return (noon if noon > local else noon + timedelta(days=1)).timestamp()


def tonight_ends_s(at_s: float, local_time: Callable[[float], datetime]) -> float:
    """Until when "tonight" lasts for somebody who says it at ``at_s``: the noon after the night meant."""
    local = local_time(at_s)
    noon = local.replace(hour=TURN_HOUR, minute=0, second=0, microsecond=0)
    return (noon if local.hour < _MORNING_HOUR else noon + timedelta(days=1)).timestamp()


def on_call_at(
    kept: object,
    nights: Sequence[tuple[str, AbstractSet[int]]],
    now_s: float,
    local_time: Callable[[float], datetime],
) -> OnCall | None:
    """Who is on call at ``now_s``; None when nobody was set, so that the order of the settings holds.

    ``nights`` holds each person's weekdays in the order of the settings; ``kept`` is what was set for now
    ({"person": ..., "until_s": ...}), which goes before the weekdays until its time is over. A name that the settings
    no longer have, or a value of another shape, counts as not set.
    """
    names = [name for name, _ in nights]
    if isinstance(kept, Mapping):
        person, until_s = kept.get("person"), kept.get("until_s")
        if person in names and isinstance(until_s, int | float) and now_s < until_s:
            return OnCall((str(person),), float(until_s), by_hand=True)
    tonight = night_of(local_time(now_s))
    on_duty = tuple(name for name, days in nights if tonight in days)
    return OnCall(on_duty, turn_ends_s(now_s, local_time)) if on_duty else None


def in_order(
    people: Sequence[_Named], on_call: OnCall | None, name_of: Callable[[_Named], str]
) -> list[_Named]:
    """``people`` with who is on call first; the order of the others stays."""
    first = on_call.people if on_call is not None else ()
    return sorted(people, key=lambda one: first.index(name_of(one)) if name_of(one) in first else len(first))
