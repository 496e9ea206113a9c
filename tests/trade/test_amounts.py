"""Amounts as people type them."""

from __future__ import annotations

import contextlib
from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.trade.amounts import (
    BadAmount,
    months_between,
    parse_amount,
    parse_blend,
    parse_hardness_mmol_l,
    parse_mass_kg,
    parse_oil,
    parse_opened,
    parse_purity,
    parse_strength,
    parse_temperature_c,
    parse_volume_l,
    parse_water_kg,
)
from monitor.trade.oils import OilVolume, UnknownOil
from monitor.words import UNIT_SYSTEMS, Voice, quantity, speaking


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


@pytest.mark.parametrize(
    ("typed", "blend"),
    [
        ("sunflower 70%, rapeseed 30%", {"sunflower oil": 0.7, "rapeseed oil, low erucic (canola)": 0.3}),
        ("70 % soya + 30 % palm", {"soya bean oil": 0.7, "palm oil": 0.3}),
        ("60% soya and 40% high-erucic rapeseed", {"soya bean oil": 0.6, "rapeseed oil, high erucic": 0.4}),
        ("soya: 33,3 %; palm 33,3 %; lard 33,3 %", {"soya bean oil": 1 / 3, "palm oil": 1 / 3, "lard": 1 / 3}),
        ("soya 50%, palm 25%, soybean oil 25%", {"soya bean oil": 0.75, "palm oil": 0.25}),
        ("soya", {"soya bean oil": 1.0}),
    ],
)
def test_proportions(typed: str, blend: dict[str, float]) -> None:
    """Shares by mass, in either order, those of one oil added up; they are made to add up to one."""
    assert dict(parse_blend(typed)) == pytest.approx(blend)


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("olive 70%", "adds up to 70 %; 100 % is wanted"),
        ("olive 70%, palm 70%", "adds up to 140 %"),
        ("olive -30%, palm 130%", "is -30 %; more than 0"),
        ("olive 0%, palm 100%", "is 0 %; more than 0"),
        ("olive 2 kg", "cannot be read as proportions"),
        ("", "100 % is wanted"),
        ("50%", "cannot be read as proportions"),
    ],
)
def test_bad_proportions_get_one_sentence(typed: str, said: str) -> None:
    """What does not add up, or is no share, is named."""
    with pytest.raises(BadAmount) as refused:
        parse_blend(typed)
    assert said in str(refused.value) and "\n" not in str(refused.value)


TODAY = date(2026, 11, 25)


@pytest.mark.parametrize(
    ("typed", "day"),
    [
        ("2026-05", date(2026, 5, 1)),
        ("2026-05-14", date(2026, 5, 14)),
        ("2026-11-25", TODAY),
        ("today", TODAY),
        ("new", TODAY),
        ("unopened", TODAY),
        ("10 days ago", date(2026, 11, 15)),
        ("2 weeks", date(2026, 11, 11)),
        ("a year ago", date(2025, 11, 25)),
    ],
)
def test_since_when_the_bag_is_open(typed: str, day: date) -> None:
    """A month, a day, so long ago, or not yet."""
    assert parse_opened(typed, TODAY) == day
    assert months_between(day, TODAY) == pytest.approx((TODAY - day).days / 30.44)


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("2026-12", "01 Jan 2006 to today, 25 Nov 2026, is allowed"),
        ("2026-11-26", "to today"),
        ("1999-01", "01 Jan 2006"),
        ("2026-13", "cannot be read"),
        ("2026-02-30", "cannot be read"),
        ("90 years ago", "cannot be read"),
        ("lately", "cannot be read"),
        ("", "cannot be read"),
    ],
)
def test_an_impossible_opening_gets_one_sentence(typed: str, said: str) -> None:
    """A day in the future, one before any bag, and no day at all."""
    with pytest.raises(BadAmount, match="the bag was opened") as refused:
        parse_opened(typed, TODAY)
    assert said in str(refused.value)


@pytest.mark.parametrize(("typed", "fraction"), [("15 %", 0.15), ("15", 0.15), ("0.15", 0.15), ("15,5%", 0.155)])
def test_strength(typed: str, fraction: float) -> None:
    """Read as per cent or as a fraction."""
    assert parse_strength(typed) == pytest.approx(fraction)


@pytest.mark.parametrize("typed", ["0", "1 %", "90 %", "-15 %", "strong", ""])
def test_impossible_strength(typed: str) -> None:
    """A strength outside 2 to 40 % is refused."""
    with pytest.raises(BadAmount, match="strength of the finished soap"):
        parse_strength(typed)


@given(st.floats(0.01, 150.0), st.floats(0.5, 240.0), st.floats(-20.0, 110.0), st.sampled_from(UNIT_SYSTEMS))
@settings(max_examples=100, deadline=None)
def test_what_is_told_is_read_back(kg: float, litres: float, celsius: float, unit_system: str) -> None:
    """Masses, volumes and temperatures told in either system of units are read as what they were, to their rounding."""
    with speaking(Voice(units=unit_system)):
        mass, volume, warmth = quantity(kg, "kg", 3), quantity(litres, "litres", 1), quantity(celsius, "degC")
    # Half a tenth of an ounce is 1.4 g, half a tenth of a US gallon 0.19 L, half a degree at most 0.5 K.
    assert parse_mass_kg(mass) == pytest.approx(kg, abs=0.0015)
    assert parse_volume_l(volume) == pytest.approx(litres, abs=0.19)
    assert parse_temperature_c(warmth) == pytest.approx(celsius, abs=0.51)


@given(st.text(max_size=30))
@settings(deadline=None)
def test_any_text_is_read_or_refused(typed: str) -> None:
    """Whatever is typed, the answer is an amount in range or BadAmount; nothing else escapes."""
    with contextlib.suppress(BadAmount):
        parse_opened(typed, TODAY)
    with contextlib.suppress(BadAmount, UnknownOil):
        parse_blend(typed)
    for parse in (parse_amount, parse_purity, parse_temperature_c, parse_hardness_mmol_l, parse_strength):
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
