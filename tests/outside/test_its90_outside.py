"""Thermocouple functions against published tables and against a general-purpose library as second witness."""

from __future__ import annotations

import pytest
import thermocouple_its90

from monitor.sensing import its90
from monitor.sensing.thermocouple import (
    ThermocoupleError,
    compensated_c,
    emf_mv,
    straight_line_corrected_c,
    temperature_c,
)

# NIST SRD 60 reference functions evaluated; three public packages agree on these (reference file, section 1.3).
CHECK_TABLE_MV = {
    -20: (-0.7775, -0.7568, -0.9947, -0.5180),
    0: (0.0, 0.0, 0.0, 0.0),
    20: (0.7981, 0.7896, 1.0191, 0.5252),
    25: (1.0002, 0.9920, 1.2773, 0.6586),
    50: (2.0231, 2.0357, 2.5853, 1.3398),
    80: (3.2666, 3.3577, 4.1866, 2.1889),
    85: (3.4743, 3.5851, 4.4562, 2.3337),
    100: (4.0962, 4.2785, 5.2689, 2.7741),
    110: (4.5091, 4.7500, 5.8136, 3.0724),
    120: (4.9199, 5.2284, 6.3603, 3.3744),
}

# The same function to six decimals, from an independently typed list of coefficients.
TYPE_K_MV = {
    -20: -0.777540, -10: -0.391854, 0: 0.0, 10: 0.396862, 20: 0.798120, 30: 1.203275, 40: 1.611792, 50: 2.023078,
    60: 2.436472, 70: 2.851249, 80: 3.266642, 90: 3.681879, 100: 4.096230, 110: 4.509060, 120: 4.919882,
    130: 5.328395, 140: 5.734508, 150: 6.138344,
}  # fmt: skip


@pytest.mark.parametrize("t_c", CHECK_TABLE_MV)
def test_the_check_table_is_met_to_its_last_digit(t_c: int) -> None:
    """Types K, T, J and N give the check table's voltages (NIST SRD 60) to 0.00005 mV."""
    for letter, expected in zip("KTJN", CHECK_TABLE_MV[t_c], strict=True):
        assert emf_mv(letter, t_c) == pytest.approx(expected, abs=0.5001e-4)


@pytest.mark.parametrize("t_c", TYPE_K_MV)
def test_type_k_is_met_to_six_decimals(t_c: int) -> None:
    """Type K from -20 to 150 °C agrees with an independent typing of NIST SRD 60 to 1e-6 mV."""
    assert emf_mv("K", t_c) == pytest.approx(TYPE_K_MV[t_c], abs=0.51e-6)


@pytest.mark.parametrize(
    ("letter", "t_c", "mv"),
    [
        # NIST type T table, as printed to 0.001 mV.
        ("T", -50, -1.819), ("T", -60, -2.153), ("T", -100, -3.379), ("T", -150, -4.648), ("T", -200, -5.603),
        # A published type K table, as printed to 0.001 mV.
        ("K", -130, -4.411), ("K", -140, -4.669), ("K", -150, -4.913), ("K", -200, -5.891), ("K", -250, -6.404),
    ],
)  # fmt: skip
def test_printed_tables_are_met_to_their_last_digit(letter: str, t_c: float, mv: float) -> None:
    """Printed thermocouple tables are reproduced to the last digit they print."""
    assert round(emf_mv(letter, t_c), 3) == mv


@pytest.mark.parametrize("letter", "KTJN")
def test_a_public_library_agrees(letter: str) -> None:
    """thermocouple-its90, built from the machine-read SRD 60 files, agrees from -50 to 400 °C, forth and back."""
    witness = thermocouple_its90.get(letter)
    for t_c in range(-50, 401):
        mv = emf_mv(letter, t_c)
        assert mv == pytest.approx(witness.emf(t_c), abs=5e-9)
        assert temperature_c(letter, mv) == pytest.approx(witness.temperature(mv), abs=1e-6)


@pytest.mark.parametrize("letter", "KTJN")
def test_the_cold_junction_agrees_with_a_public_library(letter: str) -> None:
    """Compensating in mV gives what thermocouple-its90 gives with its ``reference``."""
    witness = thermocouple_its90.get(letter)
    for cold_c in (-5.0, 0.0, 10.0, 25.0, 40.0):
        for mv in (-0.5, 0.0, 0.8, 2.5, 3.6):
            assert compensated_c(letter, mv, cold_c) == pytest.approx(
                witness.temperature(mv, reference=cold_c), abs=1e-6
            )


@pytest.mark.parametrize("letter", "KTJN")
def test_the_inverse_polynomials_keep_nists_error_bands(letter: str) -> None:
    """NIST's inverse approximations, typed here for first guesses, stay within the 0.06 °C that SRD 60 states."""
    for inverse in its90.CURVES[letter].inverses:
        for k in range(101):
            mv = inverse.low_mv + (inverse.high_mv - inverse.low_mv) * k / 100.0
            guess_c = 0.0
            for d in reversed(inverse.coefficients):
                guess_c = guess_c * mv + d
            try:
                exact_c = temperature_c(letter, mv)
            except ThermocoupleError:
                continue  # the approximation's range is rounded outwards
            assert guess_c == pytest.approx(exact_c, abs=0.06)


@pytest.mark.parametrize(
    ("cold_c", "true_c", "shown_c"),
    [
        (25, 50, 49.78), (25, 60, 59.80), (25, 80, 79.91), (25, 100, 100.01),
        (10, 50, 49.40), (10, 80, 79.53), (10, 100, 99.63),
        (40, 50, 49.96), (40, 80, 80.09), (40, 100, 100.19),
    ],
)  # fmt: skip
def test_the_straight_line_amplifier_is_put_right(cold_c: float, true_c: float, shown_c: float) -> None:
    """The model of the MAX31855 datasheet (41.276 µV/°C, no curve) is undone to two decimals of the worked values."""
    assert straight_line_corrected_c("K", shown_c, cold_c) == pytest.approx(true_c, abs=0.006)


@pytest.mark.parametrize(("hot_c", "cold_c", "error_k"), [(85, 25, 0.91), (60, 10, 0.40), (85, 40, 1.10)])
def test_adding_the_cold_junction_as_degrees_would_be_wrong(hot_c: float, cold_c: float, error_k: float) -> None:
    """What compensating in degrees would cost (worked values), and that compensating in mV costs nothing."""
    measured_mv = emf_mv("K", hot_c) - emf_mv("K", cold_c)
    assert temperature_c("K", measured_mv) + cold_c - hot_c == pytest.approx(error_k, abs=0.006)
    assert compensated_c("K", measured_mv, cold_c) == pytest.approx(hot_c, abs=1e-6)
