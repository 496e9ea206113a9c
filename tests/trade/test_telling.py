"""Plain sentences about a recipe."""

from __future__ import annotations

import re

import pytest

from monitor.domain import OilShare, Recipe, Vessel
from monitor.trade.dilution import dilution, potash_left, room
from monitor.trade.filled import Doubts
from monitor.trade.lye import lye_temperature
from monitor.trade.recipe import lye_balance
from monitor.trade.telling import (
    balance_sentences,
    dilution_sentences,
    doubt_sentences,
    lye_sentences,
    potash_left_sentence,
    recipe_warnings,
    room_sentences,
    span,
)
from monitor.words import METRIC, US, Voice, speaking

USUAL = Recipe((OilShare("rapeseed", 3.31),), 0.640, 0.90, 1.0)


def everything(recipe: Recipe, vessel: Vessel) -> tuple[str, ...]:
    return (
        *balance_sentences(lye_balance(recipe)),
        *lye_sentences(recipe, lye_temperature(recipe), 20.0),
        *room_sentences(room(recipe, vessel)),
        *dilution_sentences(dilution(recipe), 2.67),
        potash_left_sentence(potash_left(recipe, 0.95, 0.03)),
        *recipe_warnings(recipe),
    )


def test_the_usual_margin_is_no_fault() -> None:
    """4 to 10 % short of lye is told as the recipe's margin, in the words "oil to spare"."""
    text = " ".join(balance_sentences(lye_balance(USUAL)))
    assert "7 % short of lye" in text and "not a fault" in text and "oil to spare" in text


def test_far_short_and_heavy_are_told() -> None:
    """Much too little potash and too much are each said plainly."""
    far = Recipe(USUAL.oils, 0.40, 0.90, 0.7)
    heavy = Recipe(USUAL.oils, 0.80, 0.90, 1.2)
    assert any("far short" in line for line in balance_sentences(lye_balance(far)))
    assert any("stays caustic" in line for line in balance_sentences(lye_balance(heavy)))


@pytest.mark.parametrize(
    ("recipe", "said"),
    [
        (USUAL, "High-erucic rapeseed"),
        (Recipe((OilShare("zork", 3.31),), 0.640, 0.90, 1.0), '"zork" is not in the table'),
        (Recipe(USUAL.oils, 0.640, 0.90, 0.4), "Take more water"),
        (Recipe(USUAL.oils, 0.640, 0.90, 3.0), "a great deal of water"),
        (Recipe(USUAL.oils, 0.640, 0.99, 1.0), "rare in flakes"),
    ],
)
def test_odd_recipes_are_warned_of(recipe: Recipe, said: str) -> None:
    """What looks odd about a recipe that can be is said in one sentence."""
    assert any(said in line for line in recipe_warnings(recipe))


def test_a_small_bucket_is_warned_of_and_an_unknown_one_said() -> None:
    """A bucket that is too small for blending or for diluting is named; an unknown one is not passed over."""
    small = " ".join(room_sentences(room(USUAL, Vessel(8))))
    assert "foam over" in small and "not hold the dilution" in small
    assert "not known" in room_sentences(None)[0]


def test_cold_oil_in_a_large_batch_asks_to_be_warmed() -> None:
    """Where even hot lye does not bring the mix to 50 °C, the oil is to be warmed."""
    lines = lye_sentences(USUAL, lye_temperature(USUAL, 5.0), 5.0)
    assert any("warm the oil" in line for line in lines)


@pytest.mark.parametrize("koh_kg", [0.40, 0.64, 0.69, 0.80])
def test_no_sentence_calls_it_safe(koh_kg: float) -> None:
    """Whatever the balance, no sentence says "safe" or uses words kept off the phone."""
    for line in everything(Recipe(USUAL.oils, koh_kg, 0.90, 1.0), Vessel(25)):
        words = set(line.lower().replace(",", " ").replace(".", " ").split())
        assert not words & {"safe", "safely", "adiabatic", "limiting", "nan"}
        assert line[-1] in ".?"


def test_used_oil_is_said_to_thicken_falsely() -> None:
    """And that its need is known only roughly."""
    lines = recipe_warnings(Recipe((OilShare("used cooking oil", 3.31),), 0.60, 0.90, 1.0))
    assert any("only roughly" in line and "thickens before it has reacted" in line for line in lines)


def test_the_bag_s_age_is_said_or_said_to_be_unknown() -> None:
    """With what the bag is taken to hold; nothing where no potash or no purity is known."""
    assert "is not known" in doubt_sentences(USUAL, Doubts())[0]
    assert "open for 6 months" in doubt_sentences(USUAL, Doubts(6.0))[0]
    assert "open for 1 month:" in doubt_sentences(USUAL, Doubts(1.0))[0]
    assert "newly opened" in doubt_sentences(USUAL, Doubts(0.0))[0]
    assert doubt_sentences(Recipe(USUAL.oils, 0.640, None, 1.0), Doubts()) == ()
    assert doubt_sentences(Recipe(USUAL.oils, None, 0.90, 1.0), Doubts()) == ()


def test_a_range_says_its_unit_once() -> None:
    """Unless it takes two figures to say."""
    assert span(142.0, 422.0, "grams") == "142 to 422 g"
    with speaking(Voice(units=US)):
        assert span(142.0, 422.0, "grams") == "5.0 to 14.9 oz"
        assert span(1.0, 5.0, "kg") == "2 lb 3.3 oz to 11 lb 0.4 oz"
        assert span(16.0, 16.9, "litres", 1) == "4.2 to 4.5 US gal"


def test_head_room_is_told_with_its_minimum() -> None:
    """Litres free and the least that is asked, while there is enough."""
    assert any("Head-room" in line and "at least 12.5 L" in line for line in room_sentences(room(USUAL, Vessel(25))))
    full = room_sentences(room(USUAL, Vessel(8)), dilute_in_it=False)
    assert any("foam over" in line for line in full) and not any("hold the dilution" in line for line in full)


@pytest.mark.parametrize("units", [METRIC, US])
def test_no_metric_word_is_told_to_whom_speaks_us_units(units: str) -> None:
    """Every quantity follows the voice: no kilogram, litre or degree Celsius where US units are spoken."""
    with speaking(Voice(units=units)):
        text = " ".join(everything(USUAL, Vessel(25)))
    metric = re.findall(r"\d (?:kg|g|g/L|L|°C)\b", text)
    assert bool(metric) == (units == METRIC), metric
    assert ("US gal" in text and "°F" in text and " oz" in text) == (units == US)
