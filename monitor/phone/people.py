"""Who can be rung, and by which routes."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Protocol

from monitor.phone.routes import label


class WakingHours(Protocol):
    """From when to when a message that can wait may ring."""

    def holds(self, minute_of_day: int) -> bool:
        """Whether that local minute of the day is a waking one."""


@dataclass(frozen=True, slots=True)
class Person:
    """Someone to ring. ``routes`` are Apprise URLs: they hold secrets, so they never show in a repr.

    They stand in the order in which they are tried. ``language`` and ``units`` are "" for those of the place;
    ``on_call`` holds the weekdays (Monday is 0) whose nights are theirs.
    """

    name: str
    routes: tuple[str, ...] = field(default=(), repr=False)
    waking_hours: WakingHours | None = None
    knows_the_trade: bool = True
    language: str = ""
    units: str = ""
    reminders: bool = True
    on_call: tuple[int, ...] = ()

    @property
    def labels(self) -> tuple[str, ...]:
        """By what the journal knows the routes; never shown (``routes.names_of``)."""
        return tuple(label(url) for url in self.routes)


def routes_of(people: Iterable[Person]) -> Mapping[tuple[str, str], str]:
    """(person, label) -> URL, in the order of the settings: what the postman needs to know."""
    return {(person.name, label(url)): url for person in people for url in person.routes}
