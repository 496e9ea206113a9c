"""The nouns of the project to JSON text and back. Floats survive unchanged (JSON writes the shortest exact form)."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Any

from monitor.domain import Event, LogEntry, OilShare, Recipe, Vessel
from monitor.journal.rows import Act


def recipe_text(recipe: Recipe) -> str:
    """A recipe as JSON; masses nobody weighed stay null."""
    return _text(
        {
            "oils": [{"name": oil.name, "kg": oil.kg} for oil in recipe.oils],
            "koh_kg": recipe.koh_kg,
            "koh_purity": recipe.koh_purity,
            "water_kg": recipe.water_kg,
        }
    )


def recipe_from(text: str) -> Recipe:
    """The recipe that ``recipe_text`` wrote."""
    data = json.loads(text)
    oils = tuple(OilShare(oil["name"], oil["kg"]) for oil in data["oils"])
    return Recipe(oils, data["koh_kg"], data["koh_purity"], data["water_kg"])


def vessel_text(vessel: Vessel) -> str:
    """A vessel as JSON."""
    return _text({"litres": vessel.litres, "insulation": vessel.insulation})


def vessel_from(text: str) -> Vessel:
    """The vessel that ``vessel_text`` wrote."""
    data = json.loads(text)
    return Vessel(data["litres"], data["insulation"])


def event_text(event: Event) -> str:
    """An event as JSON, numbers unrounded; what prints it (the events file) rounds."""
    return _text({"event": event.event, "at": event.at_s, "bucket": event.bucket, "batch": event.batch, **event.values})


def event_from(line: str) -> Event:
    """The event that ``event_text`` wrote."""
    data = json.loads(line)
    return Event(data.pop("event"), data.pop("at"), data.pop("bucket"), data.pop("batch"), data)


def event_key(event: Event) -> str:
    """What tells apart two events of one kind, batch and time: the alarm and the state it went to."""
    alarm, state = event.values.get("alarm", ""), event.values.get("state", "")
    return f"{alarm}/{state}" if alarm or state else ""


def facts_text(facts: Mapping[str, object]) -> str:
    """Facts for the wording as JSON; anything JSON has no word for is kept as its text."""
    return json.dumps(dict(facts), ensure_ascii=False, default=str)


def facts_from(text: str) -> dict[str, Any]:
    """The facts that ``facts_text`` wrote."""
    facts: dict[str, Any] = json.loads(text)
    return facts


def entry_id_for(batch: str, entry: LogEntry) -> str:
    """An id made from what the entry says, so that writing the same entry twice is writing it once."""
    return _digest("entry", batch, entry.kind, entry.at_s, entry.noted_at_s, entry.temperature_c, entry.kg, entry.text)


def act_id_for(act: Act) -> str:
    """An id made from what the act says, as for log entries."""
    return _digest("act", act.alarm_id, act.act, act.at_s, act.noted_at_s, act.until_s, act.who)


def record_id_for(kind: str, *parts: object) -> str:
    """An id of a detail, photograph or amendment, made from what it says, as for log entries."""
    return _digest(kind, *parts)


def message_id_for(about: str, what: str, person: str, route: str) -> str:
    """The identity of one message to one person by one route: the same in every restart, so nobody is rung twice."""
    return "/".join((about, what, person, route))


def _digest(*parts: object) -> str:
    return hashlib.sha256(json.dumps(parts).encode()).hexdigest()[:12]


def _text(data: Mapping[str, object]) -> str:
    return json.dumps(data, ensure_ascii=False, separators=(",", ":"), default=str)
