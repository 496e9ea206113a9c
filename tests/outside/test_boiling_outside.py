"""The boiling point of water against altitude, as the two-point check takes it, held against others' formulations.

The program puts the pressure of the standard atmosphere into the backward equation of IAPWS-IF97. Witnesses: the
library ``iapws`` with the other formulation of the same body (IAPWS-95, an equation of state, solved for two phases),
and steam tables in print. What is asked for is far less than they agree to: a probe is read to 0.1 K at best, and the
weather alone moves the boiling point by half a degree and more.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from monitor.settings import _saturation_temperature_k, boiling_point_c, pressure_hpa

NOTES = (Path(__file__).parents[2] / "firmware_notes" / "README.md").read_text(encoding="utf-8")
# Steam tables, saturation by pressure (IAPWS-IF97; digits from memory): hPa -> °C, to 0.01.
STEAM_TABLE = [(500.0, 81.32), (600.0, 85.93), (700.0, 89.93), (800.0, 93.49), (900.0, 96.69), (1000.0, 99.61)]
# The ICAO standard atmosphere, geopotential metres -> hPa (ISO 2533; digits from memory), as far as people live.
ATMOSPHERE = [(0.0, 1013.25), (500.0, 954.61), (1000.0, 898.75), (2000.0, 794.95), (3000.0, 701.08), (5000.0, 540.20)]


@pytest.mark.parametrize(("hpa", "celsius"), STEAM_TABLE)
def test_the_steam_table(hpa: float, celsius: float) -> None:
    """Tolerance 0.006 K: half of the table's last digit, and its own rounding."""
    assert _saturation_temperature_k(hpa * 1e-4) - 273.15 == pytest.approx(celsius, abs=0.006)


@pytest.mark.parametrize("altitude_m", [-400.0, 0.0, 300.0, 500.0, 1000.0, 1500.0, 2000.0, 3000.0, 4500.0, 6000.0])
def test_another_formulation(altitude_m: float) -> None:
    """IAPWS-95 by the library ``iapws``, at the same pressure. Tolerance 0.06 K: 0.05 K is our rounding to a tenth, and
    the rest is more than the two formulations differ here.
    """
    from iapws import IAPWS95

    water = IAPWS95(P=pressure_hpa(altitude_m) * 1e-4, x=0.0)
    assert boiling_point_c(altitude_m) == pytest.approx(water.T - 273.15, abs=0.06)


@pytest.mark.parametrize(("altitude_m", "hpa"), ATMOSPHERE)
def test_the_table_of_the_atmosphere_to_the_boiling_point(altitude_m: float, hpa: float) -> None:
    """Both steps at once: the printed pressure through the library's IF97. Tolerance 0.051 K: our rounding."""
    from iapws import IAPWS97

    assert boiling_point_c(altitude_m) == pytest.approx(IAPWS97(P=hpa * 1e-4, x=0.0).T - 273.15, abs=0.051)


def test_what_the_notes_say_in_words() -> None:
    """About 1 K for each 300 m (within a tenth of that up to 3000 m), and 1 K for 36 hPa of weather at sea level."""
    from iapws import IAPWS97

    for altitude_m in (500.0, 1000.0, 2000.0, 3000.0):
        assert 300.0 * (100.0 - boiling_point_c(altitude_m)) / altitude_m == pytest.approx(1.0, abs=0.1)
    slope = IAPWS97(P=0.10232, x=0.0).T - IAPWS97(P=0.10032, x=0.0).T  # over 20 hPa
    found = re.search(r"1 K for each (\d+) hPa", NOTES)
    assert found is not None and 20.0 / slope == pytest.approx(float(found[1]), abs=0.5)
