"""What was told to whom, as the journal keeps it: one fact for each alarm, so that a message writes little.

In one piece it came to more than a megabyte after a bad day of forty buckets, written anew with each message.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import fields, replace
from typing import Any

from monitor.journal.database import Journal
from monitor.judgement.escalation import Told

_PREFIX = "told/"


def kept_tellings(journal: Journal) -> list[Told]:
    """All that the journal knows, the oldest first."""
    found = [_read(one) for kept in journal.facts_of(_PREFIX).values() for one in kept]
    return sorted(found, key=lambda one: one.at_s)


def keep_tellings(journal: Journal, told: Iterable[Told], of_alarms: Collection[str]) -> None:
    """Write what was told of these alarms, ``told`` being all that is still to be known; of one that it does not name
    nothing stays. Inside the caller's transaction.
    """
    by_alarm: dict[str, list[Told]] = {alarm_id: [] for alarm_id in of_alarms}
    for one in told:
        if one.alarm_id in by_alarm:
            by_alarm[one.alarm_id].append(one)
    for alarm_id, mine in by_alarm.items():
        if mine:
            journal.set_fact(_PREFIX + alarm_id, [_written(one) for one in mine])
        else:
            journal.forget_fact(_PREFIX + alarm_id)


def move_tellings(journal: Journal, moved: Callable[[float], float]) -> None:
    """Give each its time anew, where the clock was set right. Inside the caller's transaction."""
    told = [replace(one, at_s=moved(one.at_s)) for one in kept_tellings(journal)]
    keep_tellings(journal, told, {one.alarm_id for one in told})


def _written(one: Told) -> dict[str, object]:
    return {each.name: getattr(one, each.name) for each in fields(Told)}


def _read(kept: Mapping[str, Any]) -> Told:
    return Told(**{**kept, "covers": tuple(kept.get("covers", ()))})
