"""``correct``: what somebody with a burette and a batch that did not work is told."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import pytest

from monitor.domain import LogEntry
from tests.commands.conftest import SETTINGS, Shed

TITRATED = ("--method", "barium-chloride", "--acid", "0.1mol/L", "--sample", "5.0g")
HEAVY = ("--oil", "sunflower 4.2 kg", "--koh", "1 kg", "--purity", "90%", "--water", "1.3kg", "--litres", "25L")


def test_the_cautions_of_correcting_and_testing_stand_first(shed: Shed) -> None:
    """All of both deeds, each once, with what they defer to, before any figure."""
    words = shed.ok("correct", *HEAVY, *TITRATED, "--used", "8mL", "--cause", "lye-heavy").words
    before, _, after = words.partition("Free alkali: ")
    for must in ("Goggles that close all round", "All the water first", "Visor", "aluminium", "loosely",
                 "Not for skin until", "up to 30 minutes", "112", "drain", "safety data sheet"):  # fmt: skip
        assert must in before, must
    assert before.count("All the water first") == 1
    assert "In all" in after and "Half first" in after


def test_free_alkali_with_its_range_and_why_not_in_water(shed: Shed) -> None:
    """8 mL of 0.1 mol/L in 5 g is 0.898 % KOH: told as a range, with the reason why plain water misleads."""
    said = shed.ok("correct", *HEAVY, *TITRATED, "--used", "8mL", "--cause", "lye-heavy", "--json").json
    alkali = said["free_alkali"]
    assert alkali["percent"] == pytest.approx(0.8977, abs=0.0005)
    assert alkali["low"] < 0.8977 < alkali["high"]
    assert said["plan"] == "oil" and said["first_g"] == pytest.approx(said["whole_g"]["likely"] / 2.0)
    assert said["fits"] is True and said["noted"] is False
    assert any("All the water first" in one for one in said["cautions"])
    words = shed.ok("correct", *HEAVY, *TITRATED, "--used", "8mL", "--cause", "lye-heavy").words
    assert f"{alkali['low']:.2f} to {alkali['high']:.2f} % as KOH" in words
    assert "soap itself takes up acid" in words and "caustic waste" in words


def test_the_recipe_and_its_water_come_from_the_batch(shed: Shed) -> None:
    """Recipe as last corrected; water that the log added after the making is in the mass."""
    shed.start("Quillmarsh 12", "shed-2", "--at", "4 days ago")
    now_s = time.time()
    with shed.journal() as journal:
        for kind, hours, kg in (("poured", 95.0, None), ("water-added", 94.0, 0.2), ("water-added", 24.0, 8.0),
                                ("water-added", 23.0, 8.0)):  # fmt: skip
            at_s = now_s - hours * 3600.0
            journal.add_entry("Quillmarsh 12", LogEntry(kind, at_s, at_s, kg=kg))
    for name in ("Quillmarsh 12", "shed-2"):
        said = shed.ok("correct", name, *TITRATED, "--used", "0.1mL", "--json").json
        assert said["batch"] == "Quillmarsh 12"
        assert said["mass_kg"] == pytest.approx(6.35 + 16.0), "the water an hour after the pour is of the making"
    said = shed.ok("correct", "shed-2", *TITRATED, "--used", "0.1mL", "--mass", "20 kg", "--json").json
    assert said["mass_kg"] == 20.0
    refusal = shed.refused("correct", "shed-2", "--koh", "900g", *TITRATED, "--used", "1mL")
    assert "comes from the batch" in refusal


def test_the_cause_is_the_one_that_the_tool_named(shed: Shed) -> None:
    """The newest alarm's likely cause counts, unless another is typed."""
    shed.start()
    shed.alarm("Quillmarsh 12", "shed-2", "incomplete", facts={"cause": "short_potash"})
    said = shed.ok("correct", "shed-2", "--json").json
    assert said["cause"] == "short_potash" and said["plan"] == "test"
    assert shed.ok("correct", "shed-2", "--cause", "poor-blend", "--json").json["plan"] == "blend"


def test_hot_paste_is_known_from_its_probe(shed: Shed) -> None:
    """A believed reading of the last minutes above 75 °C: wait first. An old one says nothing."""
    shed.start()
    shed.feed("shed-2", 84.0, 60.0)
    steps = shed.ok("correct", "shed-2", "--cause", "poor-blend", "--json").json["steps"]
    assert steps[0].startswith("It is at 84 °C")
    steps = shed.ok("correct", "shed-2", "--cause", "poor-blend", "--temperature", "60C", "--json").json["steps"]
    assert not steps[0].startswith("It is at")
    shed.start("B", "shed-3")
    shed.feed("shed-3", 84.0, 3600.0)
    steps = shed.ok("correct", "shed-3", "--cause", "poor-blend", "--json").json["steps"]
    assert not steps[0].startswith("It is at")


def test_without_a_titration_no_potash(shed: Shed) -> None:
    """Free oil from a laboratory alone: test first, and no gram of potash."""
    shed.start()
    said = shed.ok("correct", "shed-2", "--free-oil", "20%", "--cause", "short-potash", "--json").json
    assert said["plan"] == "test" and said["first_g"] is None and said["free_alkali"] is None
    words = shed.ok("correct", "shed-2", "--cause", "short-potash").words
    assert "Free alkali: not measured." in words and "no potash is put in on a guess" in words


def test_potash_by_both_titrations(shed: Shed) -> None:
    """Weak batch: free alkali gone, much oil by back-titration; potash as lye, water first, half first."""
    weak = ("--oil", "sunflower 4.2 kg", "--koh", "620g", "--purity", "90%", "--water", "1.3kg")
    back = ("--oil-blank", "25mL", "--oil-used", "18.2mL", "--oil-sample", "5g", "--oil-acid", "0.5N")
    said = shed.ok("correct", *weak, *TITRATED, "--used", "0.1mL", "--cause", "short-potash", *back, "--json").json
    # (25 - 18.2) mL x 0.5 = 3.4 mmol, 190.8 mg KOH in 5 g; with 0.011 % of its own; over 190.5 mg/g.
    by_hand = (3.4 * 56.105 / 5000.0 * 100.0 + 0.0112) * 1000.0 / 190.5
    assert said["free_oil"]["percent"] == pytest.approx(by_hand, rel=0.002)
    assert said["plan"] == "potash" and said["first_g"] <= said["whole_g"]["low"]
    assert said["water_g"] == pytest.approx([2.0 * said["first_g"], 3.0 * said["first_g"]])
    words = shed.ok("correct", *weak, *TITRATED, "--used", "0.1mL", "--cause", "short-potash", *back).words
    assert "Half first" in words and "clear and cold" in words


def test_total_free_alkali_and_carbonate(shed: Shed) -> None:
    """Boiled with too much acid and titrated back: with the caustic part known, the rest is carbonate."""
    total = ("--method", "total", "--acid", "0.1N", "--used", "10mL", "--sample", "5g", "--back", "5.8mL", "--base",
             "N/10")  # fmt: skip
    alone = shed.ok("correct", *HEAVY, *total, "--json").json
    assert alone["free_alkali"]["percent"] == pytest.approx(0.4713, abs=0.001) and alone["carbonate"] is None
    both = shed.ok("correct", *HEAVY, *total, "--free-alkali", "0.2%", "--json").json
    assert both["free_alkali"]["percent"] == 0.2
    assert both["carbonate"]["percent"] == pytest.approx((0.4713 - 0.2) * 1.2316, abs=0.002)


def test_finer_readings_give_a_narrower_range(shed: Shed) -> None:
    """A fine burette and scale are told with their options."""
    usual = shed.ok("correct", *HEAVY, *TITRATED, "--used", "4mL", "--json").json["free_alkali"]
    fine = shed.ok("correct", *HEAVY, *TITRATED, "--used", "4mL", "--burette-error", "0.02mL", "--scale-error",
                   "0.001g", "--acid-error", "0.5%", "--json").json["free_alkali"]  # fmt: skip
    assert fine["percent"] == usual["percent"]
    assert fine["sd"] < 0.6 * usual["sd"]


# ---- noted ----


def test_noted_in_log_and_record(shed: Shed) -> None:
    """A "tested" entry tells the result, and the record holds the figure and the method, with who."""
    shed.start()
    said = shed.ok("correct", "shed-2", *TITRATED, "--used", "0.2mL", "--free-oil", "5%", "--note", "--who", "Wren")
    assert "Noted in the log of Quillmarsh 12" in said.words
    with shed.journal() as journal:
        (entry,) = [one for one in journal.entries("Quillmarsh 12") if one.kind == "tested"]
        details = journal.details("Quillmarsh 12")
    assert "free alkali" in entry.text and "barium chloride" in entry.text and "free oil" in entry.text
    assert float(details["free_alkali_percent"].value) == pytest.approx(0.0224, abs=0.001)
    assert float(details["free_oil_percent"].value) == 5.0
    assert details["free_alkali_percent"].who == "Wren" and "barium" in details["tested_how"].value


@pytest.mark.parametrize(
    "noting",
    [("correct", "shed-2", "--free-alkali", "0.3%", "--note"), ("record", "shed-2", "free-alkali-percent", "0.3")],
)
def test_a_test_of_soap_diluted_with_nobody_knows_how_much_is_told_so(shed: Shed, noting: tuple[str, ...]) -> None:
    """It is noted all the same; once the log holds the water, nothing is said."""
    shed.start()
    assert "nothing is learned from it" not in shed.ok(*noting).words
    shed.ok("mark", "shed-2", "diluted")
    said = shed.say(*noting[:-1], "0.4%") if noting[0] == "record" else shed.say(*noting)
    assert said.code == 0 and "nothing is learned from it" in said.words
    if noting[0] == "correct":
        assert "does not say how much water" in said.complaint
    shed.ok("mark", "shed-2", "water-added", "--mass", "25kg", "--at", "now")
    assert "nothing is learned from it" not in shed.ok("record", "shed-2", "free-alkali-percent", "0.5").words


def test_an_ended_batch_can_still_be_tested(shed: Shed) -> None:
    """Filled and tested later: the test belongs to it."""
    shed.start()
    shed.ok("end", "shed-2")
    shed.ok("correct", "Quillmarsh 12", *TITRATED, "--used", "0.2mL", "--note")
    assert "tested" in shed.log("Quillmarsh 12")


def test_nothing_measured_is_not_noted(shed: Shed) -> None:
    """A note needs a batch and a figure; on a refusal nothing is written."""
    shed.start()
    before = shed.log("Quillmarsh 12")
    assert "Nothing was measured" in shed.refused("correct", "shed-2", "--note")
    assert "name it" in shed.refused("correct", *HEAVY, *TITRATED, "--used", "1mL", "--note")
    shed.refused("correct", "shed-2", *TITRATED, "--used", "200mL", "--note")
    with shed.journal() as journal:
        assert not journal.details("Quillmarsh 12")
    assert shed.log("Quillmarsh 12") == before


# ---- refused ----


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), "Name the batch, or give its recipe"),
        ((*HEAVY, "--used", "4mL"), "--method, --acid, --sample"),
        ((*HEAVY, "--method", "total", "--acid", "0.1N", "--used", "4mL", "--sample", "5g"), "--back, --base"),
        ((*HEAVY, "--oil-used", "4mL"), "--oil-blank, --oil-sample"),
        ((*HEAVY, "--oil-used", "20mL", "--oil-blank", "25mL", "--oil-sample", "5g"), "--oil-acid"),
        ((*HEAVY, *TITRATED, "--used", "4mL", "--free-alkali", "0.2%"), "given twice"),
        ((*HEAVY, "--free-oil", "5%", "--oil-used", "4mL"), "given twice"),
        ((*HEAVY, *TITRATED, "--used", "-4mL"), "out of range"),
        ((*HEAVY, *TITRATED, "--used", "4mL", "--mass", "9000 kg"), "the batch"),
        ((*HEAVY, *TITRATED, "--used", "4mL", "--mass", "150 kg"), "between 0.1 and 65 kg"),
        ((*HEAVY, *TITRATED, "--used", "4mL", "--temperature", "900C"), "the paste"),
        ((*HEAVY, "--free-alkali", "900%"), "0 to 50"),
        ((*HEAVY, "--free-alkali", "40%"), "cannot be"),
        ((*HEAVY, *TITRATED, "--used", "180mL"), "cannot be"),
        (("shed-9",), "There is no batch"),
        (("--oil", "moon dust 4 kg"), "moon dust"),
    ],
)
def test_what_cannot_be_is_one_sentence(shed: Shed, arguments: tuple[str, ...], words: str) -> None:
    """Each names the field and what would do."""
    assert words in shed.refused("correct", *arguments)


# ---- at a terminal ----


def test_what_is_missing_is_asked_for_after_the_cautions(
    shed: Shed, typing: Callable[..., Any], capsys: pytest.CaptureFixture[str]
) -> None:
    """Mass, cause, method, strength, acid, blank, sample; free oil may be left out."""
    shed.start()
    typing("6.2 kg", "lye-heavy", "barium-chloride", "0.1 N", "8 mL", "0.1 mL", "5 g", "")
    said = shed.ok("correct", "shed-2")
    assert said.words.index("Goggles") < said.words.index("Free alkali: ")
    assert "0.8" in said.words and "more potash than the oil can take up" in said.words
    assert "Acid used without a sample" in said.complaint and "weighed without its bucket" in said.complaint


def test_a_wrong_answer_is_asked_again(shed: Shed, typing: Callable[..., Any]) -> None:
    """With the reason; Enter takes what is told beside the question."""
    shed.start()
    typing("plenty", "", "moonlight", "", "", "")
    said = shed.ok("correct", "shed-2")
    assert "cannot be read" in said.complaint and "Answer with one of" in said.complaint
    assert "Free alkali: not measured." in said.words


def test_the_recipe_is_asked_for_where_there_is_no_batch(shed: Shed, typing: Callable[..., Any]) -> None:
    """Oil, potash, purity and water as for a plan."""
    typing("sunflower 4.2 kg", "", "1 kg", "90 %", "1.3 kg", "", "", "", "")
    said = shed.ok("correct")
    assert "6.3 kg to 6.7 kg" in said.words, "4.2 + 1 + 1.3 kg, and the doubt of what steam took"
    assert "Test first." in said.words


def test_settings_units_are_spoken(shed: Shed) -> None:
    """US customary where the place asks for it: ounces and Fahrenheit."""
    shed.settings.write_text(SETTINGS.replace("[place]", '[place]\nunits = "us"', 1), encoding="utf-8")
    shed.settings.chmod(0o600)
    words = shed.ok("correct", *HEAVY, *TITRATED, "--used", "8mL", "--cause", "lye-heavy").words
    assert " oz " in words and "167 °F" in words and " g of" not in words.partition("Free alkali: ")[2]
