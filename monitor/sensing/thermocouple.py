"""Thermocouples: voltage to temperature and back, cold junction, and the straight-line amplifier.

Formulas: the ITS-90 reference functions of NIST SRD 60 (Monograph 175), coefficients in ``its90``. The inverse is
Newton's method on the reference function itself, so that going there and back again agrees to 1e-6 °C; NIST's own
inverse polynomials (±0.05 °C) only give the first guess.
"""

from __future__ import annotations

from math import exp, isfinite

from monitor.sensing.its90 import CURVES, Curve, Segment
from monitor.words import tr

# MAX31855, type K part: the chip multiplies by this straight line and knows no curve (datasheet 19-5793, page 8).
STRAIGHT_LINE_UV_PER_C = 41.276

_CLOSE_ENOUGH_C = 1e-9
_ROUNDING_MV = 1e-9  # the last bit of a sum of eleven terms
_MOST_STEPS = 60


class ThermocoupleError(ValueError):
    """A temperature, voltage or type that the reference functions do not cover."""


def _curve(type_letter: str) -> Curve:
    curve = CURVES.get(type_letter)
    if curve is None:
        known = ", ".join(CURVES)
        raise ThermocoupleError(
            tr(
                "Thermocouple type {type_letter!r} is not known here: use one of {known}.",
                type_letter=type_letter,
                known=known,
            )
        )
    return curve


def _emf_and_slope(segment: Segment, t_c: float) -> tuple[float, float]:
    """E(t) in mV and dE/dt in mV/°C, by one Horner pass."""
    emf = slope = 0.0
    for c in reversed(segment.coefficients):
        slope = slope * t_c + emf
        emf = emf * t_c + c
    if segment.bump is not None:
        a0, a1, a2 = segment.bump
        off = t_c - a2
        bump = a0 * exp(a1 * off * off)
        emf += bump
        slope += bump * 2.0 * a1 * off
    return emf, slope


def _segment_at(curve: Curve, t_c: float) -> Segment:
    for segment in curve.segments:
        if t_c < segment.high_c:
            return segment
    return curve.segments[-1]


def emf_mv(type_letter: str, t_c: float) -> float:
    """Voltage in mV of a junction at ``t_c`` °C against a reference junction at 0 °C.

    Raises ThermocoupleError outside the range of the reference function.
    """
    curve = _curve(type_letter)
    if not curve.low_c <= t_c <= curve.high_c:
        raise ThermocoupleError(
            tr(
                "{t_c:g} °C is outside what type {type_letter} covers ({low_c:g} to {high_c:g} °C): "
                "check the probe and its type in the settings.",
                t_c=t_c,
                type_letter=type_letter,
                low_c=curve.low_c,
                high_c=curve.high_c,
            )
        )
    return _emf_and_slope(_segment_at(curve, t_c), t_c)[0]


# The voltage at each segment's two ends, worked out once: (low mV, high mV, segment).
_ENDS = {
    letter: tuple((_emf_and_slope(s, s.low_c)[0], _emf_and_slope(s, s.high_c)[0], s) for s in curve.segments)
    for letter, curve in CURVES.items()
}


def _first_guess_c(curve: Curve, mv: float, low_mv: float, high_mv: float, segment: Segment) -> float:
    for inverse in curve.inverses:
        if inverse.low_mv <= mv <= inverse.high_mv:
            t_c = 0.0
            for d in reversed(inverse.coefficients):
                t_c = t_c * mv + d
            return t_c
    return segment.low_c + (segment.high_c - segment.low_c) * (mv - low_mv) / (high_mv - low_mv)


def temperature_c(type_letter: str, mv: float) -> float:
    """Temperature in °C of a junction that gives ``mv`` against a reference junction at 0 °C.

    The exact inverse of ``emf_mv`` (to 1e-6 °C). Raises ThermocoupleError outside its range.
    """
    curve = _curve(type_letter)
    ends = _ENDS[type_letter]
    if not isfinite(mv) or not ends[0][0] - _ROUNDING_MV <= mv <= ends[-1][1] + _ROUNDING_MV:
        raise ThermocoupleError(
            tr(
                "{mv:g} mV is outside what type {type_letter} can give ({low:.3f} to {high:.3f} mV): "
                "check the wiring, the amplifier and the probe's type in the settings.",
                mv=mv,
                type_letter=type_letter,
                low=ends[0][0],
                high=ends[-1][1],
            )
        )
    low_mv, high_mv, segment = ends[0] if mv < ends[0][1] or len(ends) == 1 else ends[-1]
    low_c, high_c = segment.low_c, segment.high_c
    t_c = min(max(_first_guess_c(curve, mv, low_mv, high_mv, segment), low_c), high_c)
    for _ in range(_MOST_STEPS):
        emf, slope = _emf_and_slope(segment, t_c)
        error = emf - mv
        # E rises all along, so each try also narrows the bracket; near -270 °C it is so flat that Newton overshoots.
        if error > 0.0:
            high_c = t_c
        else:
            low_c = t_c
        following = t_c - error / slope if slope > 0.0 else low_c
        if not low_c <= following <= high_c:
            following = 0.5 * (low_c + high_c)
        if abs(following - t_c) < _CLOSE_ENOUGH_C:
            return following
        t_c = following
    return t_c


def compensated_c(type_letter: str, mv: float, cold_junction_c: float) -> float:
    """Temperature in °C from the voltage measured against a cold junction at ``cold_junction_c`` °C.

    The cold junction is added as its voltage, never as its temperature: that would be wrong by up to 1 °C here.
    """
    return temperature_c(type_letter, mv + emf_mv(type_letter, cold_junction_c))


def straight_line_corrected_c(
    type_letter: str, shown_c: float, cold_junction_c: float, uv_per_c: float = STRAIGHT_LINE_UV_PER_C
) -> float:
    """True temperature in °C behind what an amplifier shows that takes the thermocouple for a straight line.

    E = k (T_shown - T_cj) + E(T_cj), then inverted; k in µV/°C. Source of the model: MAX31855 datasheet, page 8.
    """
    if not (isfinite(uv_per_c) and uv_per_c > 0.0):
        raise ThermocoupleError(
            tr("The amplifier's slope is {uv_per_c!r} µV/°C: it must be above 0, usually 41.276.", uv_per_c=uv_per_c)
        )
    mv = uv_per_c * 1e-3 * (shown_c - cold_junction_c) + emf_mv(type_letter, cold_junction_c)
    return temperature_c(type_letter, mv)
