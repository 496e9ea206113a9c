"""Who is on call, kept in the journal: set by the command or by a button of the page, read by whoever rings."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from datetime import datetime
from typing import Protocol

from monitor.journal.database import Journal
from monitor.judgement.on_call import OnCall, in_order, on_call_at
from monitor.phone.people import Person as PhonePerson
from monitor.words import tr

ON_CALL_KEY = "on_call"
# Set for a holiday at the most: what was forgotten must not send the rings of a whole season to the wrong bed.
LONGEST_S = 14 * 86400.0


class OnCallError(ValueError):
    """Somebody cannot be put on call so; one sentence for the person who asked."""


class _OnRota(Protocol):
    """What is needed of a person of the settings, or of the phone."""

    @property
    def name(self) -> str: ...
    @property
    def on_call(self) -> Collection[int]: ...


def set_on_call(journal: Journal, person: str, until_s: float, now_s: float) -> None:
    """Ring ``person`` first until ``until_s`` (Unix seconds), whatever the weekdays say.

    The caller sees to it that the settings know the name. Raises OnCallError for a time that is over or too far ahead.
    """
    if until_s <= now_s:
        raise OnCallError(tr("The time until which {person} is on call is over; give a later one.", person=person))
    if until_s - now_s > LONGEST_S:
        raise OnCallError(
            tr(
                "{person} can be on call for {days:.0f} days at a time; give an earlier time, or set weekdays under "
                "[[person]] in the settings.",
                person=person,
                days=LONGEST_S / 86400.0,
            )
        )
    journal.set_fact(ON_CALL_KEY, {"person": person, "until_s": until_s, "set_at_s": now_s})


def end_on_call(journal: Journal) -> None:
    """Nobody is set by hand any more: the weekdays of the settings hold again, or their order."""
    journal.set_fact(ON_CALL_KEY, None)


def on_call_now(
    journal: Journal, people: Sequence[_OnRota], now_s: float, local_time: Callable[[float], datetime]
) -> OnCall | None:
    """Who is on call at ``now_s``; None when the order of the settings holds."""
    nights = [(person.name, frozenset(person.on_call)) for person in people]
    return on_call_at(journal.fact(ON_CALL_KEY), nights, now_s, local_time)


def ringing_order(
    journal: Journal, people: Sequence[PhonePerson], now_s: float, local_time: Callable[[float], datetime]
) -> list[PhonePerson]:
    """The people to ring for an alarm, in order: who is on call first, and nobody who has no route.

    An alarm that waited its ten minutes on somebody who cannot be rung would only come late to the next.
    """
    can_be_rung = [person for person in people if person.labels]
    return in_order(can_be_rung, on_call_now(journal, people, now_s, local_time), lambda person: person.name)
