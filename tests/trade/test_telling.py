"""Plain sentences about a recipe."""

from __future__ import annotations

import pytest

from monitor.domain import OilShare, Recipe, Vessel
from monitor.trade.dilution import dilution, potash_left, room
from monitor.trade.lye import lye_temperature
from monitor.trade.recipe import lye_balance
from monitor.trade.telling import (
    balance_sentences,
    dilution_sentences,
    lye_sentences,
    potash_left_sentence,
    recipe_warnings,
    room_sentences,
)

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
