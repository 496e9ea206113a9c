"""``plan``: what a grower reads before anything is weighed."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from tests.commands.conftest import Shed

OIL = ("--oil", "rapeseed 3.6 L")


def test_the_usual_recipe_is_planned_as_common_practice_has_it(shed: Shed) -> None:
    """3.6 L of rapeseed oil ask for about 640 g of 90 % potash and 1 kg of water, and 16 to 17 L later.

    Common practice, as the issue's outside checks give it.
    """
    plan = shed.ok("plan", *OIL, "--purity", "90%", "--json").json
    assert plan["recipe"]["koh_kg"] == pytest.approx(0.64, abs=0.02)
    assert plan["recipe"]["water_kg"] == pytest.approx(1.0, abs=0.05)
    assert plan["lye_balance"]["word"] == "short of lye"
    assert 15.0 < plan["dilution"]["water_low_kg"] < plan["dilution"]["water_high_kg"] < 18.0


def test_the_cautions_stand_before_the_masses(shed: Shed) -> None:
    """All that the trade asks for, the right bag first; then what to weigh."""
    words = shed.ok("plan", *OIL, "--litres", "25L").words
    before, _, after = words.partition("Weigh, twice:")
    for must in ("potassium hydroxide, KOH", "Not caustic soda", "fertiliser", "High-erucic", "All the water first",
                 "loosely", "lift the far edge", "at most half full", "aluminium", "Never lift", "112", "no vinegar",
                 "sand", "Not for skin", "Goggles and gloves on dilution day", "safety data sheet"):  # fmt: skip
        assert must in before, must
    assert "potash: potassium hydroxide" in after and "oil to spare" in after


def test_no_line_is_wider_than_the_terminal(shed: Shed, monkeypatch: pytest.MonkeyPatch) -> None:
    """Eighty columns, or a phone's forty."""
    for columns in (80, 100, 40):
        monkeypatch.setenv("COLUMNS", str(columns))
        said = shed.ok("plan", *OIL, "--hardness", "15 dH", "--litres", "9L")
        assert max(map(len, said.out.splitlines())) <= max(columns, 47), columns


def test_json_holds_the_expected_curve_and_all_that_is_said(shed: Shed) -> None:
    """What a person reads a program can read, too; every band is ordered, and a box is warmer than a bare bucket."""
    plan = shed.ok("plan", *OIL, "--air", "8C", "--json").json
    expected = plan["expected"]
    for kind in ("bare", "blanket", "box"):
        low, high = expected[kind]["low_c"], expected[kind]["high_c"]
        assert len(low) == len(high) == len(expected["after_s"])
        assert all(a <= b for a, b in zip(low, high, strict=True))
    last = expected["after_s"].index(8 * 3600.0)
    assert expected["box"]["low_c"][last] > expected["bare"]["low_c"][last]
    assert plan["air_c"] == 8.0 and plan["cautions"] and plan["warnings"] and plan["says"]
    colder = shed.ok("plan", *OIL, "--air", "-5C", "--json").json
    assert colder["lye_temperature"]["high_c"] < plan["lye_temperature"]["high_c"]


def test_litres_come_from_the_bucket_s_settings(shed: Shed) -> None:
    """--bucket shed-2 has 25 litres in the settings."""
    assert "25 L bucket" in shed.ok("plan", *OIL, "--bucket", "shed-2").words
    assert "litres are not known" in shed.ok("plan", *OIL).words
    said = shed.ok("plan", *OIL, "--bucket", "shed-22")
    assert 'name no bucket "shed-22"' in said.complaint and 'Did you mean "shed-2"' in said.complaint


def test_scaling_keeps_the_balance(shed: Shed) -> None:
    """Half of everything is as short of lye as the whole."""
    whole, half = (shed.ok("plan", *OIL, "--scale", s, "--json").json for s in ("1", "0.5"))
    assert half["recipe"]["oils"][0]["kg"] == pytest.approx(whole["recipe"]["oils"][0]["kg"] / 2, abs=0.001)
    assert half["lye_balance"]["entered_ratio"] == pytest.approx(whole["lye_balance"]["entered_ratio"], abs=0.005)


def test_a_lye_heavy_recipe_is_refused_unless_somebody_says_why(shed: Shed) -> None:
    """Caustic soap however well it reacts: not by a slip."""
    heavy = ("--oil", "sunflower 4.2 kg", "--koh", "1.2 kg")
    assert "lye-heavy beyond doubt" in shed.refused("plan", *heavy)
    assert "lye-heavy beyond doubt" in shed.refused("plan", *heavy, "--anyway", "  ")
    assert "lye-heavy" in shed.ok("plan", *heavy, "--anyway", "for drains").words


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), "at least one oil"),
        (("--oil", ""), "cannot be read as an oil"),
        (("--oil", "sunflower -4 kg"), "below nothing"),
        (("--oil", "sunflower 9000 kg"), "between 0.001 and 200 kg"),
        (("--oil", "moonflower 4 kg"), 'No oil is called "moonflower"'),
        (("--oil", "beef tallow 3 L"), "weigh"),
        (("--oil", "sunflower 4.2"), "no unit"),
        ((*OIL, "--purity", "900 %"), "between 50 and 100 %"),
        ((*OIL, "--koh", "9000 kg"), "between"),
        ((*OIL, "--koh", "1 L"), "weigh it"),
        ((*OIL, "--water", "lots"), "the first water"),
        ((*OIL, "--litres", "0"), "the bucket"),
        ((*OIL, "--air", "900C"), "the air"),
        ((*OIL, "--mix", "warm"), "the mix"),
        ((*OIL, "--scale", "nan"), "from 0.01 to 100"),
        ((*OIL, "--scale", "100"), "between 0.001 and 200 kg"),
        ((*OIL, "--hardness", "hard"), "hardness"),
    ],
)
def test_what_cannot_be_gets_one_sentence(shed: Shed, arguments: tuple[str, ...], words: str) -> None:
    """Which figure, and what is allowed."""
    assert words in shed.refused("plan", *arguments)


# ---- asking ----


def test_at_a_terminal_it_asks_one_thing_at_a_time(shed: Shed, typing: Callable[..., Any]) -> None:
    """Oils, potash, purity, water, mix; pounds and ounces are taken; Enter works out what was left out."""
    typing("9 lb 4 oz sunflower", "", "", "90 %", "", "52 C")
    said = shed.ok("plan", "--json")
    plan = said.json
    assert plan["recipe"]["oils"][0]["kg"] == pytest.approx(4.196, abs=0.002)
    assert plan["recipe"]["koh_kg"] > 0.5 and plan["recipe"]["koh_purity"] == 0.9 and plan["mix_c"] == 52.0
    questions = ("Oil and how much", "Another oil", "Potash", "Purity", "First water", "Temperature of the mix")
    places = [said.err.index(question) for question in questions]
    assert places == sorted(places)


def test_a_wrong_answer_is_explained_and_asked_again(shed: Shed, typing: Callable[..., Any]) -> None:
    """The sentence of the error, then the same question."""
    typing("moonflower 4 kg", "", "sunflower 4.2 kg", "coconut 300 g", "", "9000 kg", "850 g", "900 %", "90 %", "1.3 L",
           "warm", "55")  # fmt: skip
    said = shed.ok("plan", "--json")
    assert 'No oil is called "moonflower"' in said.complaint and "between 50 and 100 %" in said.complaint
    assert said.err.count("Purity as printed") == 2 and said.err.count("Potash (KOH") == 2
    assert len(said.json["recipe"]["oils"]) == 2 and said.json["recipe"]["koh_kg"] == 0.85


def test_when_the_answers_end_nothing_is_done(shed: Shed, typing: Callable[..., Any]) -> None:
    """Ctrl-D in the middle."""
    typing("sunflower 4.2 kg")
    said = shed.say("plan")
    assert said.code == 2 and "The input ended" in said.complaint and said.out == ""


def test_endless_nonsense_is_not_asked_for_for_ever(shed: Shed, typing: Callable[..., Any]) -> None:
    """A program that answers nonsense gets an end."""
    typing(*["x" * 5000] * 50)
    said = shed.say("plan")
    assert said.code == 2 and "nothing was written" in said.complaint
