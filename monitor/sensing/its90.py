"""ITS-90 thermocouple coefficients: types K, T, J and N, numbers only.

Source: NIST Standard Reference Database 60 (ITS-90 Thermocouple Database, v3.0), which is NIST Monograph 175 (1993);
the same functions stand in IEC 60584-1:2013. Voltages in mV, temperatures in °C, reference junction at 0 °C.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Segment:
    """E(t) = sum c_i t^i + a0 exp(a1 (t - a2)^2), mV, between two temperatures in °C (ends included)."""

    low_c: float
    high_c: float
    coefficients: tuple[float, ...]
    bump: tuple[float, float, float] | None = None


@dataclass(frozen=True, slots=True)
class Inverse:
    """t = sum d_i E^i, °C, between two voltages in mV; an approximation (±0.05 °C), good for a first guess only."""

    low_mv: float
    high_mv: float
    coefficients: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Curve:
    """One thermocouple type: its segments from cold to hot, and inverse approximations where NIST gives them."""

    segments: tuple[Segment, ...]
    inverses: tuple[Inverse, ...]

    @property
    def low_c(self) -> float:
        """Coldest temperature the reference function covers, °C."""
        return self.segments[0].low_c

    @property
    def high_c(self) -> float:
        """Hottest temperature the reference function covers, °C."""
        return self.segments[-1].high_c


CURVES: dict[str, Curve] = {
    "K": Curve(
        segments=(
            Segment(
                -270.0,
                0.0,
                (
                    0.0, 3.9450128025e-2, 2.3622373598e-5, -3.2858906784e-7, -4.9904828777e-9, -6.7509059173e-11,
                    -5.7410327428e-13, -3.1088872894e-15, -1.0451609365e-17, -1.9889266878e-20, -1.6322697486e-23,
                ),
            ),
            Segment(
                0.0,
                1372.0,
                (
                    -1.7600413686e-2, 3.8921204975e-2, 1.8558770032e-5, -9.9457592874e-8, 3.1840945719e-10,
                    -5.6072844889e-13, 5.6075059059e-16, -3.2020720003e-19, 9.7151147152e-23, -1.2104721275e-26,
                ),
                # Leaving this term out costs 0.8 °C at 25 °C and 2.3 °C at 85 °C.
                bump=(0.1185976, -1.183432e-4, 126.9686),
            ),
        ),
        inverses=(
            Inverse(
                -5.891,
                0.0,
                (
                    0.0, 25.173462, -1.1662878, -1.0833638, -0.8977354, -0.37342377, -0.086632643, -0.010450598,
                    -5.1920577e-4,
                ),
            ),
            Inverse(
                0.0,
                20.644,
                (
                    0.0, 25.08355, 0.07860106, -0.2503131, 0.0831527, -0.01228034, 9.804036e-4, -4.41303e-5,
                    1.057734e-6, -1.052755e-8,
                ),
            ),
        ),
    ),
    "T": Curve(
        segments=(
            Segment(
                -270.0,
                0.0,
                (
                    0.0, 3.8748106364e-2, 4.4194434347e-5, 1.1844323105e-7, 2.0032973554e-8, 9.0138019559e-10,
                    2.2651156593e-11, 3.6071154205e-13, 3.8493939883e-15, 2.8213521925e-17, 1.4251594779e-19,
                    4.8768662286e-22, 1.079553927e-24, 1.3945027062e-27, 7.9795153927e-31,
                ),
            ),
            Segment(
                0.0,
                400.0,
                (
                    0.0, 3.8748106364e-2, 3.329222788e-5, 2.0618243404e-7, -2.1882256846e-9, 1.0996880928e-11,
                    -3.0815758772e-14, 4.547913529e-17, -2.7512901673e-20,
                ),
            ),
        ),
        inverses=(
            Inverse(
                -5.603,
                0.0,
                (0.0, 25.949192, -0.21316967, 0.79018692, 0.42527777, 0.13304473, 0.020241446, 1.2668171e-3),
            ),
            Inverse(
                0.0,
                20.872,
                (0.0, 25.928, -0.7602961, 0.04637791, -2.165394e-3, 6.048144e-5, -7.293422e-7),
            ),
        ),
    ),
    # Type J goes on to 1200 °C with a second segment; no bucket gets there, so it is left out.
    "J": Curve(
        segments=(
            Segment(
                -210.0,
                760.0,
                (
                    0.0, 5.0381187815e-2, 3.047583693e-5, -8.568106572e-8, 1.3228195295e-10, -1.7052958337e-13,
                    2.0948090697e-16, -1.2538395336e-19, 1.5631725697e-23,
                ),
            ),
        ),
        inverses=(
            Inverse(
                -8.095,
                0.0,
                (
                    0.0, 19.528268, -1.2286185, -1.0752178, -0.59086933, -0.17256713, -0.028131513, -2.396337e-3,
                    -8.3823321e-5,
                ),
            ),
            Inverse(
                0.0,
                42.919,
                (
                    0.0, 19.78425, -0.2001204, 0.01036969, -2.549687e-4, 3.585153e-6, -5.344285e-8, 5.09989e-10,
                ),
            ),
        ),
    ),
    "N": Curve(
        segments=(
            Segment(
                -270.0,
                0.0,
                (
                    0.0, 2.6159105962e-2, 1.0957484228e-5, -9.3841111554e-8, -4.6412039759e-11, -2.6303357716e-12,
                    -2.2653438003e-14, -7.6089300791e-17, -9.3419667835e-20,
                ),
            ),
            Segment(
                0.0,
                1300.0,
                (
                    0.0, 2.5929394601e-2, 1.571014188e-5, 4.3825627237e-8, -2.5261169794e-10, 6.4311819339e-13,
                    -1.0063471519e-15, 9.9745338992e-19, -6.0863245607e-22, 2.0849229339e-25, -3.0682196151e-29,
                ),
            ),
        ),
        inverses=(
            Inverse(
                -3.990,
                0.0,
                (
                    0.0, 38.436847, 1.1010485, 5.2229312, 7.2060525, 5.8488586, 2.7754916, 0.77075166, 0.11582665,
                    7.3138868e-3,
                ),
            ),
            Inverse(
                0.0,
                20.613,
                (0.0, 38.6896, -1.08267, 0.0470205, -2.12169e-6, -1.17272e-4, 5.3928e-6, -7.98156e-8),
            ),
        ),
    ),
}  # fmt: skip
