"""Finding an oil by the names people use, and turning litres into kilograms."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.trade.oils import (
    _NAMES,
    GENERIC,
    OILS,
    OilVolume,
    UnknownOil,
    _keys,
    find_oil,
    find_oil_or_generic,
    kg_from_litres,
    litres_from_kg,
    told_name,
    which_rapeseed_is_open,
)

LOW_ERUCIC = "rapeseed oil, low erucic (canola)"


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("rapeseed", LOW_ERUCIC),
        ("Canola", LOW_ERUCIC),
        ("rapeseed oil", LOW_ERUCIC),
        ("RAPE-SEED  oil", LOW_ERUCIC),
        ("rape seed", LOW_ERUCIC),
        ("low erucic rapeseed", LOW_ERUCIC),
        ("high-erucic rapeseed", "rapeseed oil, high erucic"),
        ("Rapeseed oil (high erucic)", "rapeseed oil, high erucic"),
        ("sunflower", "sunflower oil"),
        ("sunflower seed oil", "sunflower oil"),
        ("sunfl", "sunflower oil"),
        ("high oleic sunflower", "sunflower oil, high oleic"),
        ("High-Oleic Sunflower Oil", "sunflower oil, high oleic"),
        ("olive", "olive oil, virgin and refined"),
        ("extra virgin olive oil", "olive oil, virgin and refined"),
        ("olive pomace", "olive-pomace oil"),
        ("corn", "maize (corn) oil"),
        ("soy", "soya bean oil"),
        ("soybean oil", "soya bean oil"),
        ("peanut", "groundnut (arachis) oil"),
        ("palm", "palm oil"),
        ("palm kernel", "palm kernel oil"),
        ("coconut", "coconut oil"),
        ("flaxseed", "linseed (flaxseed) oil"),
        ("lard", "lard"),
        ("tallow", "tallow, edible"),
        ("used cooking oil", "used cooking oil"),
        ("Waste vegetable oil", "used cooking oil"),
        ("used rapeseed oil", "used cooking oil"),
        ("aceite de girasol", "sunflower oil"),
        ("aceite de maíz", "maize (corn) oil"),
        ("Aceite usado de cocina", "used cooking oil"),
    ],
)
def test_everyday_names_are_found(typed: str, meant: str) -> None:
    """An oil is found by the names people use, whatever the case, spaces and punctuation."""
    assert find_oil(typed).name == meant


@pytest.mark.parametrize("oil", OILS, ids=lambda oil: oil.name)
def test_every_row_is_found_by_all_its_names(oil) -> None:
    """Each oil is found by its name and every other name it has, and no name leads to two oils."""
    for name in (oil.name, re.sub(r"\([^)]*\)", "", oil.name), *oil.also_called):
        assert find_oil(name) == oil, name


def test_every_name_of_the_table_is_marked_for_the_catalogue() -> None:
    """The names stand once more as words, and none is missing there."""
    assert tuple(oil.name for oil in OILS) == _NAMES
    assert told_name("sunflower oil") == "sunflower oil" and told_name("{odd}") == "{odd}"


def test_no_two_oils_share_a_key() -> None:
    """No key of one oil is a key of another, so that the order of the table does not matter."""
    seen: dict[str, str] = {}
    for oil in OILS:
        for name in (oil.name, *oil.also_called):
            for key in _keys(name):
                assert seen.setdefault(key, oil.name) == oil.name


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("rapsede", "rapeseed oil, low erucic"),
        ("mustrad", "mustardseed oil"),
        ("xyzzy", "known are"),
        ("high", "may be any of"),
        ("vegetable oil", "does not say which oil"),
        ("frying oil", "does not say which oil"),
        ("mixed rapeseed oil", "in no table"),
        ("", "does not say which oil"),
        ("42", "does not say which oil"),
    ],
)
def test_an_unknown_oil_gets_one_sentence(typed: str, said: str) -> None:
    """An unknown, nameless or ambiguous oil is refused in one sentence that helps on."""
    with pytest.raises(UnknownOil) as refused:
        find_oil(typed)
    sentence = str(refused.value)
    assert said in sentence
    assert sentence.endswith((".", "?")) and "\n" not in sentence


@given(st.text(max_size=40))
@settings(deadline=None)
def test_any_text_finds_an_oil_or_says_so(typed: str) -> None:
    """Whatever is typed, an oil is found or UnknownOil says why; recordings get a generic oil."""
    try:
        oil = find_oil(typed)
    except UnknownOil:
        assert find_oil_or_generic(typed) is GENERIC
    else:
        assert find_oil_or_generic(typed) == oil


def test_used_oil_is_wider_than_any_standard_s() -> None:
    """Used oil has a range of its own, wider than every fresh oil's that a standard describes."""
    used = find_oil("used cooking oil")
    assert all(used.sv_sd / used.sv > oil.sv_sd / oil.sv for oil in OILS if oil is not used)


@pytest.mark.parametrize(
    ("typed", "is_open"),
    [("rapeseed", True), ("rape oil", True), ("colza", True), ("canola", False), ("high erucic rapeseed", False),
     ("rapeseed oil, low erucic (canola)", False), ("sunflower", False)],
)  # fmt: skip
def test_a_bare_rapeseed_leaves_open_which(typed: str, is_open: bool) -> None:
    """Only a name that says neither kitchen nor high erucic has to be asked about."""
    assert which_rapeseed_is_open(typed) == is_open


def test_the_generic_oil_is_wider_than_any_oil_of_the_table() -> None:
    """An oil nobody knows is less certain than each that somebody knows."""
    assert max(oil.sv_sd / oil.sv for oil in OILS) < GENERIC.sv_sd / GENERIC.sv


@given(
    st.sampled_from([oil for oil in OILS if oil.solid_below_c is None]),
    st.floats(0.01, 100.0),
    st.floats(-5.0, 110.0),
)
@settings(deadline=None)
def test_litres_and_back(oil, kg: float, temperature_c: float) -> None:
    """Oil to volume and back gives the same mass, at any temperature."""
    litres = litres_from_kg(oil, kg, temperature_c)
    assert kg_from_litres(oil, litres, temperature_c) == pytest.approx(kg, rel=1e-12)


def test_warm_oil_is_lighter() -> None:
    """A litre of oil at 60 °C weighs some 27 g less than at 20 °C (0.00068 kg/L per K, from memory)."""
    oil = find_oil("rapeseed")
    assert kg_from_litres(oil, 1.0, 20.0) - kg_from_litres(oil, 1.0, 60.0) == pytest.approx(0.0272, abs=1e-4)


@pytest.mark.parametrize("name", ["tallow", "lard", "coconut", "palm", "palm kernel", "babassu"])
def test_a_solid_fat_is_not_measured_by_volume(name: str) -> None:
    """At 20 °C the solid fats are refused by the litre, with the way out; melted they are taken."""
    with pytest.raises(OilVolume, match="weigh it, or melt it"):
        kg_from_litres(find_oil(name), 1.0, 20.0)
    assert 0.8 < kg_from_litres(find_oil(name), 1.0, 60.0) < 0.93


def test_an_impossible_oil_temperature_is_refused() -> None:
    """An oil at 400 °C is a slip of the pen."""
    with pytest.raises(OilVolume, match="between -10 and 120"):
        kg_from_litres(find_oil("olive"), 1.0, 400.0)
