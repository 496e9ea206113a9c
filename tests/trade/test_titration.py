"""Free alkali and free oil from what was read on a burette."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.trade.titration import (
    NOT_IN_WATER,
    BackTitre,
    BadTitration,
    Errors,
    Share,
    Titre,
    carbonate,
    free_alkali,
    free_oil,
    parse_aliquot,
    parse_percent,
    parse_sample_g,
    parse_strength_mol_l,
    parse_volume_ml,
    potash_taken_up,
)

PERFECT = Errors(0.0, 0.0, 0.0, 0.0)


def test_by_hand() -> None:
    """4.2 mL of 0.1 mol/L are 0.42 mmol, 23.56 mg of KOH; in 5 g that is 0.471 %."""
    assert free_alkali(Titre(4.2, 0.1, 5.0)).percent == pytest.approx(0.42 * 56.1053 / 5000.0 * 100.0, rel=1e-6)


def test_blank_and_aliquot() -> None:
    """The blank is taken off; of a quarter of the sample the same acid means four times as much."""
    plain = free_alkali(Titre(4.2, 0.1, 5.0))
    assert free_alkali(Titre(4.5, 0.1, 5.0, blank_ml=0.3)).percent == pytest.approx(plain.percent)
    assert free_alkali(Titre(4.2, 0.1, 5.0, aliquot=0.25)).percent == pytest.approx(4.0 * plain.percent)
    assert free_alkali(Titre(4.5, 0.1, 5.0, blank_ml=0.3)).sd > plain.sd, "two readings are worse than one"


def test_what_is_titrated_back_is_taken_off() -> None:
    """Boiled with 10 mL of 0.1 mol/L acid and 5.8 mL of 0.1 mol/L alkali back: the 4.2 mL of before."""
    total = free_alkali(Titre(10.0, 0.1, 5.0, back_ml=5.8, back_mol_l=0.1))
    assert total.percent == pytest.approx(free_alkali(Titre(4.2, 0.1, 5.0)).percent)
    assert total.sd > free_alkali(Titre(4.2, 0.1, 5.0)).sd


def test_each_error_adds_its_part() -> None:
    """By hand: two sd of 0.1 mL in 5 mL are 1 %, of 0.1 g in 5 g 1 %, of 2 % strength 1 % (one sd each)."""
    titre = Titre(5.0, 0.1, 5.0)
    for errors in (Errors(0.1, 0.0, 0.0, 0.0), Errors(0.0, 0.1, 0.0, 0.0), Errors(0.0, 0.0, 0.1, 0.0),
                   Errors(0.0, 0.0, 0.0, 0.02)):  # fmt: skip
        share = free_alkali(titre, errors)
        assert share.sd == pytest.approx(0.01 * share.percent)
    assert free_alkali(titre, Errors(0.1, 0.0, 0.1, 0.02)).sd == pytest.approx(
        math.sqrt(3.0) * 0.01 * free_alkali(titre).percent
    )


def test_the_range_covers_what_reading_errors_do() -> None:
    """Readings off by draws of their errors (normal, 2 sd as stated) lie within 5 to 95 % nine times of ten."""
    import random

    dice = random.Random(7)
    errors = Errors()
    inside = 0
    rounds = 2000
    for _ in range(rounds):
        read_ml = 4.2 + dice.gauss(0.0, errors.burette_ml / 2.0) + dice.gauss(0.0, errors.end_point_ml / 2.0)
        weighed_g = 5.0 + dice.gauss(0.0, errors.scale_g / 2.0)
        labelled = 0.1 * (1.0 + dice.gauss(0.0, errors.strength_share / 2.0))
        share = free_alkali(Titre(read_ml, labelled, weighed_g), errors)
        inside += share.low <= 0.42 * 5.61053 / 5.0 <= share.high
    assert 0.88 <= inside / rounds <= 0.92


def test_nothing_is_not_less_than_nothing() -> None:
    """A sample that took a drop less than the blank holds no alkali that can be told; its range begins at zero."""
    share = free_alkali(Titre(0.25, 0.1, 5.0, blank_ml=0.30))
    assert share.percent < 0.0 and share.low == 0.0 and share.high > 0.0 and not share.is_found
    with pytest.raises(BadTitration, match="exchanged"):
        free_alkali(Titre(0.3, 0.1, 5.0, blank_ml=4.2))


def test_free_oil_by_hand() -> None:
    """24.6 less 21.0 mL of 0.5 mol/L is 1.8 mmol, 101 mg of KOH: at 190 mg/g, 0.5315 g oil in 5 g, 10.63 %."""
    oil = free_oil(BackTitre(24.6, 21.0, 0.5, 5.0), 190.0)
    assert oil.percent == pytest.approx(1.8 * 56.1053 / 190.0 / 5.0 * 100.0, rel=1e-6)
    with_alkali = free_oil(BackTitre(24.6, 21.0, 0.5, 5.0), 190.0, alkali=Share(0.19, 0.0))
    assert with_alkali.percent == pytest.approx(oil.percent + 1.0), "its own alkali had hidden a per cent of oil"
    assert free_oil(BackTitre(24.6, 21.0, 0.5, 5.0), 190.0, sv_sd=5.0).sd > oil.sd


def test_own_alkali_hides_free_oil_and_shows_where_there_is_more_of_it() -> None:
    """Below zero: the sample left more than the blank. Without its free alkali that has no meaning, with it it has."""
    back = BackTitre(24.0, 26.0, 0.5, 5.0)
    assert potash_taken_up(back).percent == pytest.approx(-1.0 * 5.61053 / 5.0)
    with pytest.raises(BadTitration, match="free alkali"):
        free_oil(back, 190.0)
    assert free_oil(back, 190.0, alkali=Share(2.0, 0.02)).percent == pytest.approx(
        1000.0 * (2.0 - 1.0 * 5.61053 / 5.0) / 190.0
    )


def test_an_excess_must_be_left() -> None:
    """A sample that used up nearly all the potash may have wanted more: the figure would be too low."""
    with pytest.raises(BadTitration, match="no excess"):
        free_oil(BackTitre(24.6, 1.0, 0.5, 5.0), 190.0)


def test_carbonate_is_total_less_caustic() -> None:
    """0.5 % less 0.3 % as KOH: 0.2 % KOH is 3.565 mmol in 100 g, half of it K2CO3 of 138.2 g/mol: 0.246 %."""
    assert carbonate(Share(0.5, 0.01), Share(0.3, 0.01)).percent == pytest.approx(
        0.2 / 56.1053 / 2.0 * 138.2046, rel=1e-4
    )
    with pytest.raises(BadTitration, match="one of the two"):
        carbonate(Share(0.3, 0.01), Share(0.5, 0.01))


@given(
    used=st.floats(0.5, 40.0), strength=st.floats(0.01, 0.2), sample=st.floats(2.0, 50.0), factor=st.floats(0.5, 3.0)
)
def test_the_same_soap_gives_the_same_figure(used: float, strength: float, sample: float, factor: float) -> None:
    """Twice the sample takes twice the acid, and half the strength takes twice the acid: the per cent stay."""
    once = free_alkali(Titre(used, strength, sample), PERFECT)
    assert free_alkali(Titre(used * factor, strength, sample * factor), PERFECT).percent == pytest.approx(once.percent)
    assert free_alkali(Titre(used * factor, strength / factor, sample), PERFECT).percent == pytest.approx(once.percent)


@pytest.mark.parametrize(("typed", "mol_l"), [
    ("0.1mol/L", 0.1), ("0.1 N", 0.1), ("0,5 M", 0.5), ("N/10", 0.1), ("n/2", 0.5), ("0.1 mol/L HCl", 0.1),
    ("1 n", 1.0),
])  # fmt: skip
def test_strengths_as_typed(typed: str, mol_l: float) -> None:
    """Normality and molarity of a one-proton acid are the same figure."""
    assert parse_strength_mol_l(typed) == pytest.approx(mol_l)


def test_other_figures_as_typed() -> None:
    """Units may be left out where only one is meant; a decimal comma is read."""
    assert parse_volume_ml("4,2 mL") == parse_volume_ml("4.2") == parse_volume_ml("4.2 ml") == 4.2
    assert parse_sample_g("480 mg") == pytest.approx(0.48) and parse_sample_g("5.0 g") == 5.0
    assert parse_aliquot("25/100") == parse_aliquot("25 mL of 100 mL") == 0.25
    assert parse_percent("0.3 %", "it", 50.0) == 0.3


@pytest.mark.parametrize(("read", "typed", "words"), [
    (parse_strength_mol_l, "strong", "the strength of the acid"), (parse_strength_mol_l, "37 N", "0.001 to 5"),
    (parse_strength_mol_l, "0.1", "0.1 N"), (parse_strength_mol_l, "N/0", "0.1 N"),
    (parse_volume_ml, "-4.2 mL", "out of range"), (parse_volume_ml, "9000", "0 to 250"),
    (parse_volume_ml, "a drop", "4.2 mL"), (parse_sample_g, "5 kg", "0.2 to 500"), (parse_sample_g, "0", "0.2 to 500"),
    (parse_aliquot, "100/25", "part first"), (parse_aliquot, "25", "25 mL of 100 mL"), (parse_aliquot, "1/0", "100 mL"),
])  # fmt: skip
def test_what_cannot_be_is_told_in_one_sentence(read: object, typed: str, words: str) -> None:
    """The sentence names the field, what was typed or its value, and what is allowed."""
    with pytest.raises(BadTitration) as told:
        read(typed)  # type: ignore[operator]
    assert words in str(told.value) and str(told.value).endswith(".") and "  " not in str(told.value)


@pytest.mark.parametrize("titre", [
    Titre(-1.0, 0.1, 5.0), Titre(4.2, 0.0, 5.0), Titre(4.2, 0.1, 0.0), Titre(float("nan"), 0.1, 5.0),
    Titre(4.2, 0.1, 5.0, blank_ml=-1.0), Titre(4.2, 0.1, 5.0, aliquot=0.0), Titre(4.2, 0.1, 5.0, aliquot=2.0),
    Titre(10.0, 0.1, 5.0, back_ml=2.0), Titre(250.0, 5.0, 0.2),
])  # fmt: skip
def test_impossible_titrations_are_refused(titre: Titre) -> None:
    """Below nothing, not a number, more alkali than sample, titrated back with nothing."""
    with pytest.raises(BadTitration):
        free_alkali(titre)


def test_water_is_warned_of() -> None:
    """The one mistake that everybody makes is named with its reason."""
    assert "plain water" in NOT_IN_WATER and "soap itself takes up acid" in NOT_IN_WATER
