"""How each phone route is, as the journal keeps it and as it may be read.

The journal knows a route by a hash of its address, which stays the same over restarts and edits of the settings and is
nobody's to see: likely addresses could be tried on it. Whoever shows or hands on how the parts are reads it from here.
"""

from __future__ import annotations

from dataclasses import replace

from monitor.journal.database import Health, Journal
from monitor.phone.routes import label, names_of, without_labels
from monitor.settings import Settings


def names_by(settings: Settings) -> dict[tuple[str, str], str]:
    """(person, label) -> the name under which that route is shown, in the order of the settings."""
    return names_of((person.name, label(url.reveal())) for person in settings.people for url in person.routes)


def part_of(person: str, route: str) -> str:
    """The part of the watch that a route is: with its label for the journal, with its name for a reader."""
    return f"phone {person} {route}"


def keep_health(journal: Journal, route: tuple[str, str], name: str, ok: bool, says: str, *, at_s: float) -> None:
    """Keep what became of a message by ``route`` (person, label), which ``says`` calls ``name``.

    The sentence is kept with the label in it: the route may have another number by the time that it is read.
    """
    person, known_as = route
    journal.set_health(part_of(person, known_as), ok, says.replace(name, known_as), at_s)


def health_to_show(journal: Journal, settings: Settings) -> list[Health]:
    """What each part last said about itself, each route under the name that it has by these settings.

    One that the settings no longer have goes by its scheme; of several such of one person the worst speaks.
    """
    named = {
        part_of(person, known_as): (part_of(person, name), {known_as: name})
        for (person, known_as), name in names_by(settings).items()
    }
    found: dict[str, Health] = {}
    for one in journal.health():
        part, names = named.get(one.part, (without_labels(one.part), {}))
        shown = replace(one, part=part, says=without_labels(one.says, names))
        other = found.get(part)
        if other is None or (other.ok, -other.at_s) > (shown.ok, -shown.at_s):
            found[part] = shown
    return list(found.values())
