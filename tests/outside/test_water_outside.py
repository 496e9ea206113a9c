"""Water hardness against published conversions and arithmetic that stands here whole.

The units are those of ISO 6059 (calcium and magnesium, mmol/L) and of the national degrees. "seen": read in print by
someone here; "from memory": not.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor import units
from monitor.trade.amounts import parse_hardness_mmol_l
from monitor.trade.water import HARDNESS_UNITS, class_word, in_all_units, rain_share, soap_loss

# One degree of each, as mg/L CaCO3. Definitions: 10 mg/L CaO (German), 10 mg/L CaCO3 (French), a grain (64.79891 mg) an
# imperial gallon (English) and a US gallon. German and French degree and 17.1 seen; 14.25 and the digits from memory.
PUBLISHED_MG_L = [("dH", 17.85, 0.005), ("fH", 10.0, 0.001), ("gpg", 17.1, 0.03), ("eH", 14.25, 0.01)]


@pytest.mark.parametrize(("unit", "mg_l", "tolerance"), PUBLISHED_MG_L)
def test_one_degree_in_mg_per_litre(unit: str, mg_l: float, tolerance: float) -> None:
    """Tolerance: half of the last digit that the table prints, the French degree being exact."""
    assert in_all_units(units.hardness_mmol_l(1.0, unit))["mg/L"] == pytest.approx(mg_l, abs=tolerance)


def test_a_conversion_table() -> None:
    """1 mmol/L is 100.1 mg/L, 5.61 °dH, 10.0 °fH, 7.02 °e, 5.85 gpg (table of water works, digits from memory).

    Tolerance 0.2 %: the tables round to three digits.
    """
    told = in_all_units(1.0)
    for unit, value in (("mg/L", 100.1), ("dH", 5.61), ("fH", 10.0), ("eH", 7.02), ("gpg", 5.85), ("mmol/L", 1.0)):
        assert told[unit] == pytest.approx(value, rel=2e-3), unit


def test_degrees_from_atomic_weights() -> None:
    """The same out of the definitions, with molar masses of the library ``molmass``. Tolerance 1e-4: their digits."""
    import molmass

    lime, chalk = molmass.Formula("CaO").mass, molmass.Formula("CaCO3").mass
    told = in_all_units(1.0)
    assert told["dH"] == pytest.approx(lime / 10.0, rel=1e-4)
    assert told["fH"] == pytest.approx(chalk / 10.0, rel=1e-4)
    assert told["gpg"] == pytest.approx(chalk / (64.79891 / 3.785411784), rel=1e-4)
    assert told["eH"] == pytest.approx(chalk / (64.79891 / 4.54609), rel=1e-4)


@pytest.mark.parametrize(
    ("mg_l", "word"),
    [(0, "soft"), (60, "soft"), (61, "moderately hard"), (120, "moderately hard"), (121, "hard"), (180, "hard"),
     (181, "very hard"), (400, "very hard")],
)  # fmt: skip
def test_the_usgs_classes(mg_l: float, word: str) -> None:
    """USGS water-hardness FAQ (seen): soft to 60, moderately hard 61 to 120, hard 121 to 180, very hard above, mg/L."""
    assert class_word(units.hardness_mmol_l(mg_l, "mg/L")) == word


def test_soap_lost_by_the_arithmetic_of_the_reaction() -> None:
    """2 mol soap to 1 mol calcium or magnesium (water-treatment text, seen), by hand, with the library's molar masses.

    100 L at 15 °dH: 15 x 10 mg / 56.08 = 2.675 mmol/L, 267.5 mmol; 535 mmol of potassium oleate, 320.55 g/mol: 171.5 g.
    Tolerance 0.2 %: rounding of the paper.
    """
    import molmass

    mmol_l = 15.0 * 10.0 / molmass.Formula("CaO").mass
    by_hand_g = 100.0 * mmol_l / 1000.0 * 2.0 * molmass.Formula("C18H33KO2").mass
    assert by_hand_g == pytest.approx(171.5, rel=2e-3)
    assert soap_loss(units.hardness_mmol_l(15.0, "dH"), 100.0, 1000.0).lost_g == pytest.approx(by_hand_g, rel=2e-3)


def test_common_practice_of_hard_water() -> None:
    """Common practice: 15 °dH costs about 1 % in the making, and about a litre of dilute soap in 100 L sprayed."""
    hard = units.hardness_mmol_l(15.0, "dH")
    assert soap_loss(hard, 16.5, 3330.0).share == pytest.approx(0.01, abs=0.003)
    assert soap_loss(hard, 100.0, 1000.0).finished_litres() == pytest.approx(1.0, abs=0.15)


@given(st.floats(0.05, 15.0), st.floats(0.0, 1.0), st.floats(0.0, 15.0))
@settings(max_examples=80, deadline=None)
def test_so_much_rain_water_reaches_the_aim(hardness: float, rain_part: float, wanted: float) -> None:
    """Mixed by volume, the share of rain brings the mixture to the aim; where even rain is harder, none does."""
    rain = rain_part * hardness
    share = rain_share(hardness, wanted, rain)
    if share is None:
        assert rain > wanted
    else:
        assert 0.0 <= share <= 1.0
        mixed = share * rain + (1.0 - share) * hardness
        assert mixed <= wanted + 1e-9 if share == 0.0 else math.isclose(mixed, wanted, abs_tol=1e-9)


@given(st.floats(0.0, 19.0), st.sampled_from(sorted(HARDNESS_UNITS)))
@settings(max_examples=60, deadline=None)
def test_a_hardness_told_is_read_back(mmol_l: float, unit: str) -> None:
    """What is told in a unit is read in it as the same water."""
    value = in_all_units(mmol_l)[unit]
    assert parse_hardness_mmol_l(f"{value:.6f} {unit}") == pytest.approx(mmol_l, abs=1e-5)
