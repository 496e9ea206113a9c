"""Voltage to temperature and back: exactness, ranges and their sentences, cost."""

from __future__ import annotations

import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.sensing.its90 import CURVES
from monitor.sensing.thermocouple import (
    ThermocoupleError,
    compensated_c,
    emf_mv,
    straight_line_corrected_c,
    temperature_c,
)


@pytest.mark.parametrize("letter", CURVES)
@given(share=st.floats(0.0, 1.0))
def test_there_and_back_is_exact(letter: str, share: float) -> None:
    """Over its whole range the inverse returns the temperature to 1e-6 °C, the flat cold end included."""
    curve = CURVES[letter]
    t_c = curve.low_c + share * (curve.high_c - curve.low_c)
    assert temperature_c(letter, emf_mv(letter, t_c)) == pytest.approx(t_c, abs=1e-6)


@given(shown_c=st.floats(-20.0, 120.0), cold_c=st.floats(-20.0, 60.0))
def test_correction_moves_little(shown_c: float, cold_c: float) -> None:
    """The correction of a straight-line amplifier stays below 3 °C for buckets, and is none at the cold junction."""
    assert straight_line_corrected_c("K", shown_c, cold_c) == pytest.approx(shown_c, abs=3.0)
    assert straight_line_corrected_c("K", cold_c, cold_c) == pytest.approx(cold_c, abs=1e-6)


def test_compensation_adds_voltages() -> None:
    """A junction at the cold junction's own temperature gives 0 mV, whatever that temperature is."""
    assert compensated_c("T", 0.0, 17.5) == pytest.approx(17.5, abs=1e-6)


def test_errors_are_one_sentence_that_says_how_to_mend_it() -> None:
    """An unknown type, a temperature or voltage out of range, or a slope of 0 is refused by name with its range."""
    with pytest.raises(ThermocoupleError, match=r"type 'X' is not known here: use one of K, T, J, N"):
        emf_mv("X", 20.0)
    with pytest.raises(ThermocoupleError, match=r"1500 °C is outside what type K covers \(-270 to 1372 °C\)"):
        emf_mv("K", 1500.0)
    with pytest.raises(ThermocoupleError, match=r"90 mV is outside what type J can give"):
        temperature_c("J", 90.0)
    for not_a_number in (float("nan"), float("inf")):
        with pytest.raises(ThermocoupleError):
            temperature_c("K", not_a_number)
        with pytest.raises(ThermocoupleError):
            emf_mv("K", not_a_number)
    with pytest.raises(ThermocoupleError, match=r"usually 41\.276"):
        straight_line_corrected_c("K", 60.0, 20.0, 0.0)


def test_inversion_is_quick() -> None:
    """One inversion costs tens of microseconds at most; the bound is wide because test machines are shared."""
    best_s = 1.0
    for _ in range(5):
        start = time.perf_counter()
        for k in range(200):
            temperature_c("K", 0.02 * k)
        best_s = min(best_s, (time.perf_counter() - start) / 200)
    assert best_s < 60e-6
