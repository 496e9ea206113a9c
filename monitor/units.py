"""Conversions and constants. Imports nothing of ours."""

from __future__ import annotations

ZERO_CELSIUS_K = 273.15  # exact, by definition of the Celsius scale (SI brochure)
GAS_CONSTANT_J_MOL_K = 8.314462618  # exact since 2019 (CODATA)

# CIAAW/IUPAC abridged atomic weights: K 39.0983, O 15.999, H 1.008 (reference file, from memory).
KOH_G_PER_MOL = 39.0983 + 15.999 + 1.008

KG_PER_LB = 0.45359237  # exact, international pound
KG_PER_OZ = KG_PER_LB / 16.0


def kelvin(celsius: float) -> float:
    """Degrees Celsius to kelvin."""
    return celsius + ZERO_CELSIUS_K


def fahrenheit(celsius: float) -> float:
    """Degrees Celsius to degrees Fahrenheit."""
    return celsius * 9.0 / 5.0 + 32.0
