"""Amounts as people type them."""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.trade.amounts import (
    BadAmount,
    parse_amount,
    parse_hardness_mmol_l,
    parse_mass_kg,
    parse_oil,
    parse_purity,
    parse_temperature_c,
    parse_volume_l,
    parse_water_kg,
)
from monitor.trade.oils import OilVolume, UnknownOil


@pytest.mark.parametrize(
    ("typed", "kg"),
    [
        ("4.2 kg", 4.2),
        ("4,2 kg", 4.2),
        ("640 g", 0.64),
        ("640g", 0.64),
        ("0,640 kg", 0.64),
        ("9 lb 4 oz", 9.25 * 0.45359237),
        ("9lb4oz", 9.25 * 0.45359237),
        ("12 oz", 0.75 * 0.45359237),
        ("2 pounds", 2 * 0.45359237),
        ("1,234.5 g", 1.2345),
        (" 1 kg 200 g ", 1.2),
    ],
)
def test_masses(typed: str, kg: float) -> None:
    """Masses are read in kg, g, lb and oz, with a decimal point or comma (the pound is exact by definition)."""
    assert parse_mass_kg(typed) == pytest.approx(kg, rel=1e-12)


@pytest.mark.parametrize(
    ("typed", "litres"),
    [("3.6 L", 3.6), ("3,6 l", 3.6), ("750 ml", 0.75), ("2 US gal", 7.570823568), ("1 imp gal", 4.54609)],
)
def test_volumes(typed: str, litres: float) -> None:
    """Volumes are read in litres, millilitres and gallons that say whose."""
    assert parse_volume_l(typed) == pytest.approx(litres, rel=1e-12)


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("-3 kg", "below nothing"),
        ("−3 kg", "below nothing"),
        ("9000 kg", "between 0.001 and 200 kg"),
        ("0 kg", "between 0.001 and 200 kg"),
        ("4.2", "no unit"),
        ("4 stone", 'the unit "stone" is not known'),
        ("2 gal", "a gallon is 3.79 L in the US and 4.55 L in Britain"),
        ("1 fl oz", "a fluid ounce is a volume"),
        ("1,500 g", "may mean 1500 or 1.500"),
        ("1.2.3 kg", "not a number"),
        ("1 kg 2 L", "mixes a mass and a volume"),
        ("", "is empty"),
        ("some", "cannot be read"),
        ("nan kg", "cannot be read"),
        ("1e3 g", "is not known"),
    ],
)
def test_bad_amounts_get_one_sentence(typed: str, said: str) -> None:
    """What cannot be read, or cannot be, is refused in one sentence that says what is wrong."""
    with pytest.raises(BadAmount) as refused:
        parse_amount(typed, "the potash")
    sentence = str(refused.value)
    assert said in sentence
    assert sentence.endswith(".") and "\n" not in sentence and "potash" in sentence


def test_a_bare_number_takes_the_unit_it_is_asked_in() -> None:
    """Where the prompt names a unit, a bare number is in it."""
    assert parse_mass_kg("640", default_unit="g") == pytest.approx(0.64)


def test_potash_is_not_taken_by_volume_but_water_is() -> None:
    """A mass is asked where only a mass will do; a litre of water counts as a kilogram."""
    with pytest.raises(BadAmount, match="weigh it"):
        parse_mass_kg("1 L", "the potash")
    with pytest.raises(BadAmount, match="write litres"):
        parse_volume_l("1 kg")
    assert parse_water_kg("1 L") == parse_water_kg("1 kg") == 1.0


@pytest.mark.parametrize(
    ("typed", "fraction"), [("85 %", 0.85), ("85", 0.85), ("0.85", 0.85), ("90,5%", 0.905), ("1", 1.0)]
)
def test_purity(typed: str, fraction: float) -> None:
    """Purity is read as per cent or as a fraction."""
    assert parse_purity(typed) == pytest.approx(fraction)


@pytest.mark.parametrize("typed", ["900 %", "9 %", "0", "-5 %", "0.3", "", "pure"])
def test_impossible_purity(typed: str) -> None:
    """A purity outside 50 to 100 % is refused."""
    with pytest.raises(BadAmount, match="purity of the potash"):
        parse_purity(typed)


@pytest.mark.parametrize(
    ("typed", "c"), [("56", 56.0), ("56 °C", 56.0), ("56,5°C", 56.5), ("212 F", 100.0), ("−5 C", -5.0)]
)
def test_temperatures(typed: str, c: float) -> None:
    """Temperatures are °C unless F is written."""
    assert parse_temperature_c(typed) == pytest.approx(c)


@pytest.mark.parametrize("typed", ["133", "300 F", "warm", "56 K", ""])
def test_impossible_temperatures(typed: str) -> None:
    """Hotter than boiling lye is refused, most likely Fahrenheit without its F."""
    with pytest.raises(BadAmount):
        parse_temperature_c(typed)


def test_hardness_units_agree() -> None:
    """15 German degrees, 26.8 French ones and 267 mg/L as CaCO3 are the same water."""
    german = parse_hardness_mmol_l("15 °dH")
    assert parse_hardness_mmol_l("26.77 fH") == pytest.approx(german, rel=1e-3)
    assert parse_hardness_mmol_l("267.7 mg/L") == pytest.approx(german, rel=1e-3)
    assert parse_hardness_mmol_l("2.675 mmol/L") == pytest.approx(german, rel=1e-3)
    with pytest.raises(BadAmount):
        parse_hardness_mmol_l("hard")


@pytest.mark.parametrize(
    ("typed", "name", "kg"),
    [
        ("rapeseed 3.6 L", "rapeseed oil, low erucic (canola)", 3.295),
        ("rapeseed oil = 3,6 L", "rapeseed oil, low erucic (canola)", 3.295),
        ("4.2 kg sunflower oil", "sunflower oil", 4.2),
        ("high-oleic sunflower 3 kg", "sunflower oil, high oleic", 3.0),
        ("olive: 2 lb 3 oz", "olive oil, virgin and refined", 0.992),
        ("2 lb 3 oz of olive oil", "olive oil, virgin and refined", 0.992),
    ],
)
def test_an_oil_in_one_go(typed: str, name: str, kg: float) -> None:
    """An oil and its amount are read in either order; litres are weighed by the oil's density."""
    share = parse_oil(typed)
    assert (share.name, share.kg) == (name, pytest.approx(kg, abs=0.001))


@pytest.mark.parametrize(
    ("typed", "error"),
    [("rapeseed", BadAmount), ("rapeseed -3 kg", BadAmount), ("zork 3 kg", UnknownOil), ("coconut 1 L", OilVolume)],
)
def test_a_bad_oil(typed: str, error: type[ValueError]) -> None:
    """A missing amount, a minus, an unknown oil and a solid fat by the litre are each refused."""
    with pytest.raises(error):
        parse_oil(typed)


@given(st.text(max_size=30))
@settings(deadline=None)
def test_any_text_is_read_or_refused(typed: str) -> None:
    """Whatever is typed, the answer is an amount in range or BadAmount; nothing else escapes."""
    for parse in (parse_amount, parse_purity, parse_temperature_c, parse_hardness_mmol_l):
        try:
            parse(typed)
        except BadAmount as refused:
            assert "\n" not in str(refused)
    with contextlib.suppress(BadAmount, UnknownOil, OilVolume):
        parse_oil(typed)


@given(st.floats(0.01, 150.0), st.sampled_from([".", ","]))
@settings(deadline=None)
def test_written_masses_come_back(kg: float, point: str) -> None:
    """A mass written in kilograms with two or four decimals, point or comma, is read as written."""
    for decimals in (2, 4):
        written = f"{kg:.{decimals}f}"
        assert parse_mass_kg(f"{written.replace('.', point)} kg") == pytest.approx(float(written))
