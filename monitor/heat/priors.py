"""Every prior in one place: centre, width, where it comes from.

A prior is a normal distribution on the row's own scale (see model.py: many rows are logarithms). The hypotheses
share all rows but those named in ``HYPOTHESES``: what sets them apart is how fast the reaction runs and how far it
can go. Widths are one standard deviation. "guess" marks what rests on nobody's measurement.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log

import numpy as np
from numpy.typing import NDArray

from monitor.heat import model as m

# kJ per mol of alkali consumed: 55, range 48 to 70 (Hess cycle on ethyl acetate plus neutralisation; a computed
# judgement, no calorimetry of a triglyceride with potash was found). The range is taken as about 2.5 sd.
HEAT_KJ_MOL = 56.0
HEAT_SD_LN = 0.085
# Heat capacity of the whole batch, computed by mixing: 4 % (oils +/- 0.1 kJ/(kg K), lye extrapolated).
CAPACITY_SD_LN = 0.04
# Loss coefficient 8.3 + 0.07 theta W/(m2 K) +/- 25 % real, and the paste's surface from the vessel's volume only.
LOSS_SD_LN = 0.28
# Blanket 20-40 mm brings U from about 10 to 1-2 at best; loosely laid, factor 2 to 4. Box: the same or better. guess
INSULATION_LN = {"bare": (0.0, 0.0), "blanket": (log(1 / 2.4), 0.35), "box": (log(1 / 3.2), 0.40)}
COVERED_LN, COVERED_SD = log(1 / 2.2), 0.40
LID_OFF_LN, LID_OFF_SD = log(1.25), 0.20  # guess; and evaporation times
LID_OFF_EVAPORATION = 4.0
NO_LOSS_KNOWN_SD = 0.45  # vessel not given

AIR_OFFSET_SD_K = 1.2  # an ambient probe near a wall, or a cheap sensor
AIR_UNKNOWN_C, AIR_UNKNOWN_SD_K = 15.0, 8.0
AIR_SWING_SD_K = 2.0
START_GUESS = (52.0, 9.0)  # nobody noted it: poured between lukewarm and hot (trade: aim at 50 or more)
NOTED_START_SD_K = 1.5

# Priors of the rows shared by all hypotheses: (centre, sd).
SHARED: dict[int, tuple[float, float]] = {
    m.KAPPA: (log(0.22), 0.6),  # Biot number near 2 for a half radius of 0.07 m: core well above the mean
    m.BLENDER: (2.5, 2.0),  # 300 W for 10 min is 16 K at most; motor losses stay in the tool
    m.GRAINS: (log(0.5), 1.2),  # guess: mostly nothing, sometimes several kelvin
    m.SEED: (log(0.06), 0.7),  # S-shaped conversion, slow start; no primary source
    m.PROBE: (0.0, 0.7),  # class 2 type K: 2.5 K at most, most are better
    m.EVAPORATION: (log(6.0e-4), 0.8),  # K/s at 80 degC under a loose lid: a tenth of the dry loss. guess
    m.ACTIVATION: (48.0, 2.5),  # kJ/mol, Tsujikawa and Inoue 1966: 48.4; range 43 to 50
}


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """One way a batch may go: its share of batches, and its own priors (rate, order, reach, start)."""

    name: str
    share: float
    rate: tuple[float, float]
    order: tuple[float, float]
    reach: tuple[float, float]
    start_shift: tuple[float, float] = (0.0, 0.0)  # centre of the start less the usual one, and its own sd (0: usual)


# Shares: guess, most batches go well. Rates: a good blend poured at 50-55 passes 80 about 20 minutes after blending
# (common practice), which is k of about 1/300 s at 60 degC; a poor one is several times slower or stops early.
HYPOTHESES: tuple[Hypothesis, ...] = (
    Hypothesis("good", 0.66, (log(3.5e-3), 0.45), (log(1.2), 0.30), (0.970, 0.022)),
    Hypothesis("poor_blend", 0.12, (log(1.4e-3), 0.80), (log(1.2), 0.30), (0.62, 0.20)),
    Hypothesis("split", 0.07, (log(3.0e-3), 0.60), (log(0.35), 0.45), (0.45, 0.20)),
    Hypothesis("short_potash", 0.10, (log(3.5e-3), 0.45), (log(1.2), 0.30), (0.83, 0.055)),
    Hypothesis("cold", 0.05, (log(2.2e-3), 0.70), (log(1.2), 0.30), (0.95, 0.05), (-17.0, 6.0)),
)
NAMES = tuple(h.name for h in HYPOTHESES)

# After a re-blend: what a maker who blends again mostly gets.
REBLEND_RATE = (log(3.0e-3), 0.7)
REBLEND_REACH = (0.93, 0.08)
REBLEND_WORK_K = (2.0, 1.5)
SECOND_POUR_JUMP_K = (0.0, 6.0)

# Errors of the model itself, which hang together over time: K, and the length of an e-fold of age over which
# they do. Tuned on batches of simulators unlike this model (tests/bench), then left.
WANDER_K = 0.35
WANDER_PER_EXCESS = 0.012
WANDER_LENGTH = 0.6
NOISE_K = 0.30


@dataclass(frozen=True, slots=True)
class History:
    """What the grower's earlier, checked batches in this vessel taught: ln factors on heat and loss, with sd."""

    heat_ln: float = 0.0
    heat_sd: float = HEAT_SD_LN
    loss_ln: float = 0.0
    loss_sd: float = LOSS_SD_LN


def table(rows: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Centres and sds, each (hypotheses, rows); rows not yet set have centre 0 and sd 0."""
    centre = np.zeros((len(HYPOTHESES), rows))
    sd = np.zeros((len(HYPOTHESES), rows))
    for row, (c, s) in SHARED.items():
        centre[:, row], sd[:, row] = c, s
    for i, h in enumerate(HYPOTHESES):
        for row, (c, s) in ((m.RATE, h.rate), (m.ORDER, h.order), (m.REACH, h.reach)):
            centre[i, row], sd[i, row] = c, s
    return centre, sd
