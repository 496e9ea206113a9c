"""Conversions and constants. Imports nothing of ours."""

from __future__ import annotations

ZERO_CELSIUS_K = 273.15  # exact, by definition of the Celsius scale (SI brochure)
GAS_CONSTANT_J_MOL_K = 8.314462618  # exact since 2019 (CODATA)

# CIAAW/IUPAC abridged atomic weights (from memory): K 39.0983, O 15.999, H 1.008, C 12.011, Ca 40.078.
KOH_G_PER_MOL = 39.0983 + 15.999 + 1.008
WATER_G_PER_MOL = 2 * 1.008 + 15.999
GLYCEROL_G_PER_MOL = 3 * 12.011 + 8 * 1.008 + 3 * 15.999
POTASSIUM_OLEATE_G_PER_MOL = 39.0983 + 18 * 12.011 + 33 * 1.008 + 2 * 15.999
CALCIUM_CARBONATE_G_PER_MOL = 40.078 + 12.011 + 3 * 15.999

KG_PER_LB = 0.45359237  # exact, international pound
KG_PER_OZ = KG_PER_LB / 16.0

LITRES_PER_US_GALLON = 3.785411784  # exact: 231 cubic inches of 2.54 cm
LITRES_PER_IMPERIAL_GALLON = 4.54609  # exact, UK Units of Measurement Regulations

# Water hardness (calcium and magnesium) in mmol per litre. A German degree is 10 mg CaO per litre, a French one
# 10 mg CaCO3 per litre, an English (Clark) one 1 grain per imperial gallon, the US grain 1 grain per US gallon.
MMOL_L_PER_GERMAN_DEGREE = 10.0 / (40.078 + 15.999)
MMOL_L_PER_FRENCH_DEGREE = 10.0 / CALCIUM_CARBONATE_G_PER_MOL
MMOL_L_PER_ENGLISH_DEGREE = 64.79891 / LITRES_PER_IMPERIAL_GALLON / CALCIUM_CARBONATE_G_PER_MOL
MMOL_L_PER_US_GRAIN = 64.79891 / LITRES_PER_US_GALLON / CALCIUM_CARBONATE_G_PER_MOL


def kelvin(celsius: float) -> float:
    """Degrees Celsius to kelvin."""
    return celsius + ZERO_CELSIUS_K


def fahrenheit(celsius: float) -> float:
    """Degrees Celsius to degrees Fahrenheit."""
    return celsius * 9.0 / 5.0 + 32.0


def celsius_from_fahrenheit(degrees_f: float) -> float:
    """Degrees Fahrenheit to degrees Celsius."""
    return (degrees_f - 32.0) * 5.0 / 9.0


def pounds_and_ounces(kg: float) -> tuple[int, float]:
    """Kilograms to whole pounds and the ounces left over."""
    pounds = int(kg / KG_PER_LB)
    return pounds, (kg - pounds * KG_PER_LB) / KG_PER_OZ


def hardness_mmol_l(value: float, unit: str) -> float:
    """Water hardness to mmol of calcium and magnesium per litre.

    ``unit``: "mmol/L", "mg/L" (as CaCO3, the same as ppm), "dH" (German), "fH" (French), "eH" (English, Clark)
    or "gpg" (US grains per gallon). Another unit raises KeyError.
    """
    factors = {
        "mmol/L": 1.0,
        "mg/L": 1.0 / CALCIUM_CARBONATE_G_PER_MOL,
        "dH": MMOL_L_PER_GERMAN_DEGREE,
        "fH": MMOL_L_PER_FRENCH_DEGREE,
        "eH": MMOL_L_PER_ENGLISH_DEGREE,
        "gpg": MMOL_L_PER_US_GRAIN,
    }
    return value * factors[unit]
