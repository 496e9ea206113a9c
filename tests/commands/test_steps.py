"""``steps``: the checklist in the terminal, for paper, and step by step."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import pytest

from monitor.domain import LogEntry
from monitor.trade.making import CAUTIONS, STEPS, checklist
from tests.commands.conftest import Shed


def note(shed: Shed, kind: str, hours_ago: float, batch: str = "Quillmarsh 12", **more: Any) -> None:
    at_s = time.time() - hours_ago * 3600.0
    with shed.journal() as journal:
        journal.add_entry(batch, LogEntry(kind, at_s, at_s, **more))


def up_to(shed: Shed, step_id: str, hours_ago: float = 2.0) -> None:
    """Note every step before ``step_id``, some hours ago."""
    shed.start("Quillmarsh 12", "shed-2", "--at", "3 hours ago")
    for step in STEPS:
        if step.step_id == step_id:
            return
        note(shed, step.log_kind, hours_ago, text=step.entry_text)


# ---- printed ----


def test_the_empty_list_for_paper(shed: Shed) -> None:
    """Every caution first, then a box for each step with room to write, and for the figure where one is wanted."""
    said = shed.ok("steps")
    before, _, after = said.words.partition("[ ]")
    for must in ("Goggles that close all round", "All the water first", "112", "safety data sheet", "Not for skin"):
        assert must in before, must
    assert said.out.count("[ ]") == len(STEPS) and "[x]" not in said.out
    assert after.count("temperature ________") == sum(step.asks == "temperature" for step in STEPS)
    assert after.count("water ________") == sum(step.asks == "water" for step in STEPS)
    assert not shed.journal_path.exists(), "looking at paper makes no journal"
    told = shed.ok("steps", "--json").json
    assert [step["step"] for step in told["steps"]] == [step.step_id for step in STEPS]
    assert len(told["cautions"]) == len(CAUTIONS) + 1


def test_done_next_and_to_come(shed: Shed) -> None:
    """Done with its time, the next with its text and its cautions first, the rest by their titles."""
    up_to(shed, "pour")
    said = shed.ok("steps", "shed-2")
    before, _, after = said.words.partition("Quillmarsh 12 in shed-2")
    assert "Never lift or carry a hot bucket" in before, "the caution of the pour"
    assert "[x] Make the lye (done " in after and "[>] Pour while it is warm" in after
    assert "aiming at a mix of 50 °C" in after and "[ ] Blend" in after
    told = shed.ok("steps", "Quillmarsh 12", "--json").json
    assert [step["step"] for step in told["steps"] if step["next"]] == ["pour"]
    assert told["steps"][0]["done"] is not None and told["cautions"]


def test_an_ended_batch_is_shown_without_a_next(shed: Shed) -> None:
    """Nothing is to be done to it any more."""
    up_to(shed, "pour")
    shed.ok("end", "shed-2")
    said = shed.ok("steps", "Quillmarsh 12")
    assert "It has ended" in said.words and "[>]" not in said.out and "--follow" not in said.words


@pytest.mark.parametrize(
    ("arguments", "words"),
    [(("shed-9",), "There is no batch"), (("--follow",), "needs the batch"), (("shed-2", "--follow"), "at a terminal")],
)
def test_refusals(shed: Shed, arguments: tuple[str, ...], words: str) -> None:
    """One sentence each; nothing is written."""
    assert words in shed.refused("steps", *arguments)


# ---- step by step ----


def test_enter_notes_a_step_with_its_time(shed: Shed, typing: Callable[..., Any]) -> None:
    """The entry is the one that ticks the step; its cautions stand before the question; q stops."""
    up_to(shed, "lye")
    typing("", "q")
    before_s = time.time()
    said = shed.ok("steps", "shed-2", "--follow", "--who", "Wren")
    with shed.journal() as journal:
        logged = journal.log("Quillmarsh 12")[-1]
        states = checklist(journal.entries("Quillmarsh 12"), time.time())
    assert (logged.entry.kind, logged.who) == ("lye-clear", "Wren")
    assert logged.entry.at_s == pytest.approx(before_s, abs=5.0)
    assert [state.step.step_id for state in states if state.is_next] == ["pour"]
    assert said.words.index("All the water first, cold") < said.words.index("Noted")
    assert "Never lift or carry a hot bucket" in said.words, "the next step's cautions, too"


def test_a_note_step_is_known_again_by_its_mark(shed: Shed, typing: Callable[..., Any]) -> None:
    """Putting on the gear has no kind of entry of its own."""
    shed.start()
    typing("", "q")
    shed.ok("steps", "shed-2", "--follow")
    assert "[x] Dress and lay out" in shed.ok("steps", "shed-2").out


def test_the_pour_asks_for_the_temperature(shed: Shed, typing: Callable[..., Any]) -> None:
    """In either unit, asked again when it cannot be; Enter leaves it unmeasured, which is not zero."""
    up_to(shed, "pour")
    typing("", "900", "133F", "s", "", "", "q")
    said = shed.ok("steps", "shed-2", "--follow")
    with shed.journal() as journal:
        poured, blended = journal.entries("Quillmarsh 12")[-2:]
    assert poured.kind == "poured" and poured.temperature_c == pytest.approx(56.1, abs=0.1)
    assert blended.kind == "blended" and blended.temperature_c is None, "probe-out was skipped"
    assert "is allowed" in said.complaint


def test_a_skipped_step_is_not_noted(shed: Shed, typing: Callable[..., Any]) -> None:
    """s goes on without an entry; any other word is asked again."""
    up_to(shed, "lye")
    before = shed.log("Quillmarsh 12")
    typing("s", "perhaps", "q")
    said = shed.ok("steps", "shed-2", "--follow")
    assert shed.log("Quillmarsh 12") == before and "Enter alone for done" in said.complaint


def test_the_look_after_blending_is_not_asked_before_its_time(shed: Shed, typing: Callable[..., Any]) -> None:
    """The probe is in: it says when to look, and how to go on then."""
    up_to(shed, "probe-in", hours_ago=0.02)
    typing("")
    said = shed.ok("steps", "shed-2", "--follow")
    assert "Next: Has it taken? (about " in said.words and "--follow" in said.words


def test_stirring_is_once_an_hour(shed: Shed, typing: Callable[..., Any]) -> None:
    """One tick of six, then it waits for the next hour."""
    shed.start("Quillmarsh 12", "shed-2", "--at", "5 days ago")
    note(shed, "poured", 100.0)
    note(shed, "cut", 3.0)
    note(shed, "water-added", 2.0, kg=8.0)
    typing("", "8 L", "")
    said = shed.ok("steps", "shed-2", "--follow")
    with shed.journal() as journal:
        water, stirred = journal.entries("Quillmarsh 12")[-2:]
    assert (water.kind, water.kg, stirred.kind) == ("water-added", 8.0, "stirred")
    assert "1 of 6. Stir again in an hour" in said.words
