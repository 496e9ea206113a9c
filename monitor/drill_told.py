"""How the last drill went, read from the journal alone: for the page, the status and the command ``heard``."""

from __future__ import annotations

from typing import Any

from monitor.deeds import HEARD_FACT
from monitor.journal.database import Journal
from monitor.judgement.drill import Drilled, heard_by, missed
from monitor.settings import Settings
from monitor.words import DAY_TIME, tr, when

DRILL_FACT = "drill"


def drill_troubles(journal: Journal, settings: Settings, now_s: float) -> list[str]:
    """One sentence for each whose phone was not heard in the last drill, and has not been since."""
    kept = kept_of(journal)
    if settings.drill.day is None or "due_s" not in kept:
        return []
    at = when(settings.local_time(float(kept["due_s"])), DAY_TIME)
    return [
        tr(
            "Nobody heard the phone of {name} in the drill of {time}: see to it, then say emberpail heard {name}",
            name=name, time=at,
        )
        for name in missed(now_s, _from_settings(journal, settings, kept))
    ]


def drill_words(journal: Journal, settings: Settings, name: str, now_s: float) -> str:
    """How the last drill went for a person, in one sentence; "" when there was none."""
    kept = kept_of(journal)
    rung = kept.get("rung", {}).get(name)
    if not rung:
        return ""
    at = when(settings.local_time(rung[0]), DAY_TIME)
    one = next(person for person in _from_settings(journal, settings, kept) if person.name == name)
    if one.has_heard() and one.heard_at_s is not None:
        heard = when(settings.local_time(one.heard_at_s), DAY_TIME)
        return tr("Drill of {time}: heard, said so {heard}.", time=at, heard=heard)
    if one.is_missed(now_s):
        return tr("Drill of {time}: not heard.", time=at)
    return tr("Drill of {time}: rung, no answer yet.", time=at)


def _from_settings(journal: Journal, settings: Settings, kept: dict[str, Any]) -> list[Drilled]:
    heard = heard_by(journal.fact(HEARD_FACT))
    return [
        Drilled(
            person.name, len(person.routes), rung_at_s=tuple(kept.get("rung", {}).get(person.name, ())),
            heard_at_s=heard.get(person.name),
        )
        for person in settings.people
    ]


def kept_of(journal: Journal) -> dict[str, Any]:
    """The drill that was begun last: when it was due, who was rung when; {} for none."""
    kept = journal.fact(DRILL_FACT, {})
    return kept if isinstance(kept, dict) and isinstance(kept.get("rung"), dict) else {}
