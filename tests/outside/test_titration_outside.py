"""The arithmetic of the titrations against formulas and worked examples in print. Beside each stands its source.

"seen": read by somebody here; "from memory": recalled. Published examples round KOH to 56 or 56.1 g/mol, so they are
met to 0.3 %.
"""

from __future__ import annotations

import molmass
import pytest

from monitor.trade import titration
from monitor.trade.oils import find_oil
from monitor.trade.titration import BackTitre, Titre, free_alkali, free_oil, potash_taken_up, saponification_value
from monitor.units import KOH_G_PER_MOL

ROUNDED = 0.003


def test_potash_by_standard_atomic_weights() -> None:
    """56.105 g/mol, by ``molmass`` (a dictionary of standard atomic weights)."""
    assert pytest.approx(float(molmass.Formula("KOH").mass), abs=0.002) == KOH_G_PER_MOL


def test_carbonate_by_standard_atomic_weights() -> None:
    """A gram of KOH and the carbonate that takes the same acid, by ``molmass``: K2CO3 / (2 KOH) = 1.2316."""
    factor = float(molmass.Formula("K2CO3").mass) / (2.0 * float(molmass.Formula("KOH").mass))
    assert titration.carbonate(titration.Share(1.0, 0.0), titration.Share(0.0, 0.0)).percent == pytest.approx(
        factor, rel=1e-4
    )


@pytest.mark.parametrize(("blank", "used", "strength", "sample"), [
    (25.0, 12.0, 0.5, 2.0), (24.3, 10.9, 0.4987, 1.987), (50.0, 26.0, 0.5, 3.5),
])  # fmt: skip
def test_the_formula_of_iso_3657(blank: float, used: float, strength: float, sample: float) -> None:
    """SV = 56.1 c (V0 - V1) / m (ISO 3657, from memory; ASTM D94's calculation has the same, seen)."""
    assert saponification_value(BackTitre(blank, used, strength, sample)).percent == pytest.approx(
        56.1 * strength * (blank - used) / sample, rel=0.0003
    )


def test_a_printed_saponification_value() -> None:
    """1.5 g of oil, blank 25 mL, sample 15 mL of 0.5 N HCl: 186.67 (with 56) in an engineering-chemistry exercise
    (ques10, no. 50803; seen)."""
    assert saponification_value(BackTitre(25.0, 15.0, 0.5, 1.5)).percent == pytest.approx(186.67, rel=ROUNDED)


def test_a_printed_titration_of_potash() -> None:
    """31.32 mL of 0.118 mol/L HCl neutralise 0.207 g KOH (a worked example in a general-chemistry answer; seen)."""
    share = free_alkali(Titre(31.32, 0.118, 20.0))
    assert share.percent / 100.0 * 20.0 == pytest.approx(0.207, abs=0.0005)


def test_the_handbook_factor_for_free_caustic_alkali() -> None:
    """Simmons and Appleton, The Handbook of Soap Manufacture (1908; seen): 2 g in neutral alcohol, mL of N/10 acid
    x 0.0031 x 50 = % Na2O. As KOH that is 2 x 56.105 / 61.979 (molmass) times as much."""
    millilitres = 3.7
    na2o = millilitres * 0.0031 * 50.0
    as_koh = na2o * 2.0 * float(molmass.Formula("KOH").mass) / float(molmass.Formula("Na2O").mass)
    assert free_alkali(Titre(millilitres, 0.1, 2.0)).percent == pytest.approx(as_koh, rel=ROUNDED)


def test_the_formula_of_an_acid_value_turned_round() -> None:
    """EN 14104 (seen): 56.1 V c / m mg of KOH per gram for acid titrated with potash; here potash with acid, in %.
    Its figure in an exercise (seen): 2.5 mL of 0.1 N to 20 mL of an oil of 0.86 g/mL is 0.814 mg/g (with 56)."""
    share = free_alkali(Titre(2.5, 0.1, 0.86 * 20.0))
    assert 10.0 * share.percent == pytest.approx(0.814, rel=ROUNDED)
    assert 10.0 * share.percent == pytest.approx(56.1 * 2.5 * 0.1 / 17.2, rel=0.0003)


def test_pure_oil_is_all_free_oil() -> None:
    """Sunflower oil of SV 190.5 (Codex CXS 210, middle of 187 to 194, seen) as the sample comes out as 100 %."""
    sv = find_oil("sunflower").sv
    taken_ml = sv / 56.105 * 2.0 / 0.5
    oil = free_oil(BackTitre(25.0, 25.0 - taken_ml, 0.5, 2.0), sv)
    assert sv == 190.5 and oil.percent == pytest.approx(100.0, rel=0.001)
    assert potash_taken_up(BackTitre(25.0, 25.0 - taken_ml, 0.5, 2.0)).percent == pytest.approx(19.05, rel=0.001)


def test_the_burette_of_a_school_sets_the_range() -> None:
    """0.1 mL (a 25 to 50 mL burette of class B by ISO 385, from memory) at 0.1 mol/L in 5 g is 0.011 % KOH: the
    default range of a clean sample is of that size, so 0.1 % can be told from nothing."""
    clean = free_alkali(Titre(0.0, 0.1, 5.0))
    assert 0.005 < clean.high < 0.02
