"""``water``: what a grower learns of the water before it meets the soap."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from tests.commands.conftest import SETTINGS, Shed


@pytest.mark.parametrize("typed", ["15 dH", "15 °dH", "26.77 fH", "18.79 Clark", "267.7 mg/L", "267.7 ppm", "15.64 gpg",
                                   "2.675 mmol/L"])  # fmt: skip
def test_any_usual_unit_is_told_in_all_of_them(shed: Shed, typed: str) -> None:
    """The same water by eight names is the same water in six units."""
    told = shed.ok("water", typed, "--json").json["hardness"]
    for unit, value in (("dH", 15.0), ("fH", 26.77), ("eH", 18.79), ("mg/L", 267.7), ("gpg", 15.64), ("mmol/L", 2.675)):
        assert told[unit] == pytest.approx(value, rel=1e-3)
    words = shed.ok("water", *typed.split()).words
    for shown in (
        "268 mg/L CaCO3 (ppm)",
        "15.0 German degrees",
        "26.8 French",
        "18.8 English",
        "15.6 grains",
        " mmol/L",
    ):
        assert shown in words, shown


def test_little_is_lost_in_the_making_and_much_in_the_spraying(shed: Shed) -> None:
    """15 dH: about 1 % of the soap in the making; 171 g in 100 L sprayed, the soap of a litre."""
    said = shed.ok("water", "15 dH", "--json").json
    assert said["making"]["lost_share"] == pytest.approx(0.0085, abs=0.001) and said["making"]["rain_share"] == 0.0
    assert said["spraying"]["lost_g"] == pytest.approx(171.5, abs=0.5)
    assert said["spraying"]["lost_finished_l"] == pytest.approx(1.08, abs=0.05)
    words = shed.ok("water", "15 dH").words
    assert "It will do for the making" in words and "will not do well for spraying" in words


def test_rain_water_is_reckoned_for_a_loss_that_is_tolerated(shed: Shed) -> None:
    """Mixed as told, the loss is just what was tolerated; rain that is harder than that helps nothing."""
    said = shed.ok("water", "20 dH", "--put-in", "2L", "--tolerate", "10%", "--rain", "1 dH", "--json").json
    share = said["spraying"]["rain_share"]
    mixed_dh = share * 1.0 + (1.0 - share) * 20.0
    again = shed.ok("water", f"{mixed_dh:.6f} dH", "--put-in", "2L", "--tolerate", "10%", "--json").json
    assert again["spraying"]["lost_share"] == pytest.approx(0.10, abs=1e-4)
    hard_rain = shed.ok("water", "20 dH", "--put-in", "1L", "--tolerate", "1%", "--rain", "10 dH")
    assert "too hard itself" in hard_rain.words


def test_soft_water_will_do(shed: Shed) -> None:
    """No rain water is asked for where none is needed."""
    words = shed.ok("water", "2 dH").words
    assert (
        "soft water" in words
        and "It will do for the making" in words
        and "It is soft: it will do for spraying" in words
    )


def test_all_of_a_little_soap_can_be_lost(shed: Shed) -> None:
    """More than all cannot be lost, and it is said that only scum is left."""
    said = shed.ok("water", "30 dH", "--put-in", "500 ml")
    assert "It takes all of it" in said.words and "100 %" in said.words


def test_no_dose_no_claim_and_the_cautions_first(shed: Shed) -> None:
    """The clarity test is told in words; cautions and the data sheet stand before; no pest is named."""
    said = shed.ok("water", "15 dH").words
    assert said.index("Goggles") < said.index("mg/L CaCO3") < said.index("clarity test")
    assert "safety data sheet" in said
    for word in ("aphid", "insect", "mite", "kills", "dose of", " safe "):
        assert word not in said.lower().replace("safety", ""), word


def test_without_a_figure_the_clarity_test_alone(shed: Shed, typing: Callable[..., Any]) -> None:
    """Nobody knows the hardness: five drops of soap tell; at a terminal it is asked first."""
    assert "five drops" in shed.ok("water").words
    typing("hard", "15 dH")
    said = shed.ok("water")
    assert "cannot be read" in said.complaint and "15.0 German degrees" in said.words
    typing("")
    assert "German" not in shed.ok("water").words


def test_us_units(shed: Shed) -> None:
    """[place] units = "us": ounces and gallons, grains first."""
    shed.settings.write_text(SETTINGS.replace("[place]", '[place]\nunits = "us"'), encoding="utf-8")
    words = shed.ok("water", "16 gpg").words
    assert "26.4 US gal of it take" in words and "oz of soap" in words
    assert words.index("grains per US gallon") < words.index("mg/L CaCO3")


def test_no_line_is_wider_than_the_terminal(shed: Shed) -> None:
    """Eighty columns."""
    assert max(map(len, shed.ok("water", "15 dH", "--put-in", "2L").out.splitlines())) <= 80


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("hard",), "the hardness of the water"),
        (("-3 dH",), "below nothing"),
        (("15",), "write it like 15 dH"),
        (("900 dH",), "0 to 110 dH (20 mmol/L) is allowed"),
        (("15 dH", "--rain", "wet"), "the rain water"),
        (("15 dH", "--tolerate", "90%"), "between 0.1 and 50 %"),
        (("15 dH", "--tolerate", "much"), "between 0.1 and 50 %"),
        (("15 dH", "--put-in", "9000 L"), "between 0.001 and 250 L"),
        (("15 dH", "--put-in", "2 kg"), "the soap put in"),
        (("15 dH", "--litres", "-5 L"), "the dilution water"),
        (("15 dH", "--strength", "70%"), "between 2 and 40 %"),
        (("--json",), "how hard the water is"),
    ],
)
def test_what_cannot_be_gets_one_sentence(shed: Shed, arguments: tuple[str, ...], words: str) -> None:
    """Which figure, and what is allowed."""
    assert words in shed.refused("water", *arguments)
