"""What stands in the file: compact, readable, and under ids that stay the same from one release to the next."""

from __future__ import annotations

import dataclasses
from pathlib import Path

from monitor.domain import Batch, Event, LogEntry, OilShare, Recipe, Vessel
from monitor.journal import codec
from monitor.journal.database import Act, Journal

T0 = 1_773_480_000.0


def test_text_in_the_file_is_compact_and_readable() -> None:
    """Each byte wears the card, and whoever opens the file with another program should be able to read it."""
    event = Event("alarm", T0, "shed-2", "Q 12", {"alarm": "a1", "says": "52 °C"})
    text = '{"event":"alarm","at":1773480000.0,"bucket":"shed-2","batch":"Q 12","alarm":"a1","says":"52 °C"}'
    assert codec.event_text(event) == text
    recipe = Recipe((OilShare("nuez del ñandú", 4.2),), None, 0.9, 1.3)
    written = '{"oils":[{"name":"nuez del ñandú","kg":4.2}],"koh_kg":null,"koh_purity":0.9,"water_kg":1.3}'
    assert codec.recipe_text(recipe) == written
    assert codec.vessel_text(Vessel(25.0, "box")) == '{"litres":25.0,"insulation":"box"}'
    assert codec.facts_text({"word": "°"}) == '{"word": "°"}'


def test_what_json_has_no_word_for_is_kept_as_its_text() -> None:
    """A fact of a kind nobody thought of must not keep an alarm out of the file."""
    odd = {"path": Path("winter.rec")}
    assert codec.facts_from(codec.facts_text(odd)) == {"path": "winter.rec"}
    event = Event("alarm", T0, "shed-2", "Q 12", odd)
    assert codec.event_from(codec.event_text(event)).values == {"path": "winter.rec"}


def test_ids_are_those_of_the_first_release() -> None:
    """A write that is repeated after an update must find the row of before, or it would be there twice."""
    entry = LogEntry("poured", T0, T0 + 30, 56.25, 0.4, "soft")
    assert codec.entry_id_for("Q 12", entry) == "ac7d4d02a694"
    assert codec.act_id_for(Act("a1", "shelved", T0, T0 + 1, "Ada", T0 + 60)) == "b1ce8c5760bc"
    assert codec.record_id_for("detail", "Q 12", "maker", "Ada", T0, "") == "78c5eb406f06"
    assert codec.message_id_for("a1", "raised", "Ada", "route") == "a1/raised/Ada/route"


def test_each_thing_that_is_said_makes_another_id() -> None:
    """Two entries of one minute that differ in one field are two entries; so with acts."""
    entry = LogEntry("poured", T0, T0 + 30, 56.25, 0.4, "soft")
    others = [
        dataclasses.replace(entry, **change)  # type: ignore[arg-type]
        for change in ({"kind": "note"}, {"at_s": T0 + 1}, {"noted_at_s": T0}, {"temperature_c": 1.0}, {"kg": 1.0},
                       {"text": "hard"})
    ]  # fmt: skip
    ids = [codec.entry_id_for("Q 12", one) for one in (entry, *others)] + [codec.entry_id_for("Q 13", entry)]
    assert len(set(ids)) == len(ids)
    act = Act("a1", "shelved", T0, T0 + 1, "Ada", T0 + 60)
    acts = [
        dataclasses.replace(act, **change)  # type: ignore[arg-type]
        for change in ({"alarm_id": "a2"}, {"act": "going"}, {"at_s": T0 + 9}, {"noted_at_s": T0}, {"who": "Ben"},
                       {"until_s": None})
    ]  # fmt: skip
    assert len({codec.act_id_for(one) for one in (act, *acts)}) == len(acts) + 1


def test_two_alarms_of_one_minute_are_both_kept(journal: Journal) -> None:
    """A broken probe may raise one alarm and clear another at the same tick; so may two of one kind."""
    events = [
        Event("alarm", T0, "shed-2", "Q 12", {"alarm": alarm, "state": state})
        for alarm in ("a1", "a2")
        for state in ("raised", "cleared")
    ]
    plain = Event("estimate", T0, "shed-2", "Q 12", {"completeness": 0.5})
    nameless = Event("alarm", T0, "shed-2", "Q 12", {"alarm": "a3"})
    assert journal.add_events([*events, plain, nameless]) == [*events, plain, nameless]
    assert [codec.event_key(event) for event in (events[0], plain, nameless)] == ["a1/raised", "", "a3/"]


def test_an_id_that_was_given_is_kept(journal: Journal) -> None:
    """An entry that moves to another bucket, and what is taken in from a file, go by the id they have."""
    journal.add_batch(Batch("Q 12", "shed-2", T0))
    entry = journal.add_entry("Q 12", LogEntry("poured", T0, T0, entry_id="mine"))
    act = journal.add_act(Act("a1", "going", T0, T0, act_id="my own"))
    assert (entry.entry_id, act.act_id) == ("mine", "my own")
    assert [logged.entry.entry_id for logged in journal.log("Q 12")] == ["mine"]
    assert [kept.act_id for kept in journal.acts()] == ["my own"]
