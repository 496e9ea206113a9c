"""How the last drill went, read from the journal alone: for the page, the status and the command ``heard``."""

from __future__ import annotations

from typing import Any

from monitor.deeds import HEARD_FACT
from monitor.journal.database import GIVEN_UP, Journal
from monitor.judgement.drill import Drilled, heard_by, missed
from monitor.settings import Settings
from monitor.words import DAY_DATE_TIME, DAY_TIME, tr, when

DRILL_FACT = "drill"


def drill_troubles(journal: Journal, settings: Settings, now_s: float) -> list[str]:
    """One sentence for each whose phone was not heard in the last drill, and has not been since."""
    kept = kept_of(journal)
    if settings.drill.day is None or "due_s" not in kept:
        return []
    people = _from_settings(journal, settings, kept)
    since = {name: float(kept["due_s"]) for name in missed(now_s, people)}
    # A new drill does not take back what the last one showed: only an answer does.
    before = {name: at_s for name, at_s in kept["before"].items() if name not in since}
    since |= {one.name: before[one.name] for one in people if one.name in before and not _heard_since(one, before)}
    return [
        tr(
            "Nobody heard the phone of {name} in the drill of {time}: see to it, then say emberpail heard {name}",
            name=name, time=when(settings.local_time(at_s), DAY_TIME),
        )
        for name, at_s in since.items()
    ]


def missed_before(journal: Journal, settings: Settings, now_s: float) -> dict[str, float]:
    """Who is still to be shown when the next drill begins, and since which drill, Unix seconds."""
    kept = kept_of(journal)
    if "due_s" not in kept:
        return {}
    people = _from_settings(journal, settings, kept)
    before = {one.name: kept["before"][one.name] for one in people if one.name in kept["before"]}
    still = {one.name: before[one.name] for one in people if one.name in before and not _heard_since(one, before)}
    return {**{name: float(kept["due_s"]) for name in missed(now_s, people)}, **still}


def _heard_since(one: Drilled, before: dict[str, float]) -> bool:
    return one.heard_at_s is not None and one.heard_at_s >= before[one.name]


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
        if one.heard_at_s is None:
            return tr("Drill of {time}: not heard. Nobody has ever said that this phone rang.", time=at)
        last = when(settings.local_time(one.heard_at_s), DAY_DATE_TIME)
        return tr("Drill of {time}: not heard. Last heard {heard}.", time=at, heard=last)
    if one.refused:
        return tr("Drill of {time}: the newest ring was refused by its service.", time=at)
    return tr("Drill of {time}: rung, no answer yet.", time=at)


def _from_settings(journal: Journal, settings: Settings, kept: dict[str, Any]) -> list[Drilled]:
    heard = heard_by(journal.fact(HEARD_FACT))
    return [
        Drilled(
            person.name, len(person.routes), rung_at_s=tuple(kept.get("rung", {}).get(person.name, ())),
            refused=ring_refused(journal, float(kept["due_s"]), person.name, len(kept["rung"].get(person.name, ()))),
            heard_at_s=heard.get(person.name),
        )
        for person in settings.people
    ]


def kept_of(journal: Journal) -> dict[str, Any]:
    """The drill that was begun last: when it was due (``due_s``), who was ``rung`` when, and who was missed ``before``
    it and in which drill; {} for none, or where what is kept cannot be read.
    """
    kept = journal.fact(DRILL_FACT, {})
    try:
        rung = {str(name): [float(at_s) for at_s in times] for name, times in kept["rung"].items()}
        before = {str(name): float(at_s) for name, at_s in kept.get("before", {}).items()}
        return {"due_s": float(kept["due_s"]), "rung": rung, "before": before, "told": bool(kept.get("told"))}
    except (TypeError, ValueError, KeyError, AttributeError):
        return {}


def ring_refused(journal: Journal, due_s: float, person: str, number: int) -> bool:
    """Whether ring ``number`` of a drill (0 for none yet) was refused by its service twice, or for good."""
    if number == 0:
        return False
    mine = [
        message
        for message in journal.messages(about_of(due_s))
        if (message.person, message.what) == (person, ring_of(number))
    ]
    return bool(mine) and all(
        message.state in GIVEN_UP or (message.state == "failed" and message.attempts >= 2) for message in mine
    )


def about_of(due_s: float) -> str:
    """What the messages of a drill are about."""
    return f"drill/{due_s:.0f}"


def ring_of(number: int) -> str:
    """Which message of the drill the ring ``number`` is."""
    return f"ring-{number}"
