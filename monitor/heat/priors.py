"""Every prior in one place: centre, width, where it comes from.

A prior is a normal distribution on the row's own scale (see model.py: many rows are logarithms). The hypotheses
share all rows but those named in ``COMPONENTS``: what sets them apart is how fast the reaction runs and how far it
can go. Widths are one standard deviation. "guess" marks what rests on nobody's measurement.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log

import numpy as np
from numpy.typing import NDArray

from monitor.heat import model as m

# kJ per mol of alkali consumed: adopted 55, range 48 to 70 (Hess cycle on ethyl acetate plus neutralisation; a computed
# judgement, no calorimetry of a triglyceride with potash was found). The range reaches further up than down: a triangle
# over it has mean 57.7 and standard deviation 4.6. Centre between the adopted figure and that mean.
HEAT_KJ_MOL = 56.5
HEAT_SD_LN = 0.080
# Heat capacity of the whole batch, computed by mixing: 4 % (oils +/- 0.1 kJ/(kg K), lye extrapolated).
CAPACITY_SD_LN = 0.04
# Loss coefficient 8.3 + 0.07 theta W/(m2 K) +/- 25 % real, and the paste's surface from the vessel's volume only.
LOSS_LN, LOSS_SD_LN = -0.15, 0.32
# Blanket 20-40 mm brings U from about 10 to 1-2 where it lies (computed); the time constant grows 2 to 4 times, since
# base and steam lose as before. Box: somewhat better. guess
INSULATION_LN = {"bare": (0.0, 0.0), "blanket": (log(1 / 3.0), 0.35), "box": (log(1 / 4.2), 0.40)}
COVERED_LN, COVERED_SD = log(1 / 2.8), 0.40
LID_OFF_LN, LID_OFF_SD = log(1.25), 0.20  # guess; and evaporation times
LID_OFF_EVAPORATION = 4.0
NO_LOSS_KNOWN_SD = 0.45  # vessel not given

AIR_OFFSET_SD_K = 1.2  # an ambient probe near a wall, or a cheap sensor
AIR_UNKNOWN_C, AIR_UNKNOWN_SD_K = 15.0, 8.0
AIR_SWING_SD_K = 2.0
# Blender: 300 W for 10 min is 16 K at most in 5 kg; motor losses stay in the tool. Power into the paste, W. guess
BLENDER_W, BLENDER_SD_W = 160.0, 90.0
# Heat from core to skin: 1/tc = a (8/R2 + 4/(H/2)2), a cylinder and a slab losing heat evenly; diffusivity a from
# 0.33 W/(m K), 985 kg/m3 and 2.5 kJ/(kg K).
DIFFUSIVITY_M2_S = 1.34e-7
START_GUESS = (48.0, 8.0)  # nobody noted it: poured between lukewarm and hot (trade: aim at 50 or more)
NOTED_START_SD_K = 1.5

# Priors of the rows shared by all hypotheses: (centre, sd).
SHARED: dict[int, tuple[float, float]] = {
    m.SPREAD: (0.05, 0.50),  # conductivity 0.25-0.4 W/(m K), and where the core probe really sits
    m.GRAINS: (log(0.5), 1.2),  # guess: mostly nothing, sometimes several kelvin
    # Liquid paste mixes itself, set paste does not; butter-stiff well before half has reacted. guess
    m.SET: (log(0.25), 0.0),
    m.SEED: (log(0.09), 0.9),  # S-shaped conversion, slow start; no primary source
    m.LAG: (log(45.0), 0.45),  # sheathed thermocouple in paste: a guess, 20 to 90 s
    m.PROBE: (0.0, 0.7),  # class 2 type K: 2.5 K at most, most are better
    m.EVAPORATION: (log(6.0e-4), 0.8),  # K/s at 80 degC under a loose lid: a tenth of the dry loss. guess
    # kJ/mol, Tsujikawa and Inoue 1966: 48.4; range 43 to 50. Held: rate and order take up what it would.
    m.ACTIVATION: (48.0, 0.0),
}


@dataclass(frozen=True, slots=True)
class Component:
    """One way a batch may go: its share of batches, and its own priors (rate, order, reach, creep, start)."""

    name: str
    share: float
    rate: tuple[float, float]
    order: tuple[float, float]
    reach: tuple[float, float]
    creep: tuple[float, float]
    start_shift: tuple[float, float] = (0.0, 0.0)  # centre of the start less the usual one, and its own sd (0: usual)


# Rates: a good blend poured at 50-55 passes 80 about 20 minutes after blending
# (common practice), which is k of about 1/300 s at 60 degC; a poor one is several times slower or stops early.
#
# One name may stand for several components, because a normal distribution cannot spread over all ways to fail and a
# search does not find its way from one to another: their reaches lie side by side. What hardly reacts at all is rather
# an emulsion that broke than a coarse one: drops always have some surface.
GOOD_RATE = (log(3.6e-3), 0.55)
_POOR_RATE = (log(1.7e-3), 0.65)
_SPLIT_RATE = (log(2.2e-3), 0.70)
_GOOD_ORDER = (log(1.8), 0.30)
# Where potash runs out with oil to spare the end is sharp (first order in what is left); where both run out it is slow.
_SHORT_ORDER = (log(1.4), 0.28)
_USUAL_ORDER = (log(1.5), 0.40)
_SHARP_ORDER = (log(0.75), 0.60)
_NO_CREEP = (log(1e-9), 0.0)
# What lies in coarse lumps reacts on as fast as lye and oil diffuse through the soap between them: pi2 D / R2 with
# D of 1e-11 to 1e-10 m2/s (soft soap phases, a guess) gives 1e-6 to 1e-5 per second for lumps of half a centimetre to
# one, and next to nothing for layers of several. Hot paste; a cold one creeps at half of it.
_SOME_CREEP = (log(6e-7), 0.9)
_LITTLE_CREEP = (log(5e-8), 1.0)

# Shares: every second batch is good, one in ten is short of potash by more than its own margin, because bags draw
# water, and a good third is blended poorly, splits or starts too cold (guesses: nobody has counted). What a missed
# failure costs is no part of these shares: that is in judgement.verdict.
COMPONENTS: tuple[Component, ...] = (
    Component("good", 0.53, GOOD_RATE, _GOOD_ORDER, (0.970, 0.022), _NO_CREEP),
    Component("short_potash", 0.10, GOOD_RATE, _SHORT_ORDER, (0.83, 0.06), _NO_CREEP),
    Component("poor_blend", 0.05, _POOR_RATE, _USUAL_ORDER, (0.80, 0.08), _SOME_CREEP),
    Component("poor_blend", 0.05, _POOR_RATE, _USUAL_ORDER, (0.60, 0.09), _SOME_CREEP),
    Component("poor_blend", 0.04, _POOR_RATE, _USUAL_ORDER, (0.38, 0.10), _SOME_CREEP),
    Component("poor_blend", 0.015, _POOR_RATE, _USUAL_ORDER, (0.17, 0.08), _SOME_CREEP),
    Component("split", 0.07, _SPLIT_RATE, _SHARP_ORDER, (0.60, 0.12), _LITTLE_CREEP),
    Component("split", 0.055, _SPLIT_RATE, _SHARP_ORDER, (0.33, 0.10), _LITTLE_CREEP),
    Component("split", 0.035, _SPLIT_RATE, _SHARP_ORDER, (0.12, 0.06), _LITTLE_CREEP),
    Component("cold", 0.03, GOOD_RATE, _GOOD_ORDER, (0.96, 0.03), _SOME_CREEP, (-19.0, 8.0)),
    Component("cold", 0.025, _POOR_RATE, _USUAL_ORDER, (0.68, 0.15), _SOME_CREEP, (-19.0, 8.0)),
)
NAMES = tuple(dict.fromkeys(c.name for c in COMPONENTS))

# After a re-blend: what a maker who blends again mostly gets.
REBLEND_RATE = (log(3.0e-3), 0.7)
REBLEND_REACH = (0.93, 0.08)
REBLEND_WORK_K = (2.0, 1.5)
SECOND_POUR_JUMP_K = (0.0, 6.0)

# Errors of the model itself, which hang together over time: K, and the length of an e-fold of age over which
# they do. Tuned on batches of simulators unlike this model (tests/bench), then left.
WANDER_K = 0.2
WANDER_PER_EXCESS = 0.007
WANDER_LENGTH = 0.6
# What one lump with an air of its own gets wrong once the paste cools, K; grows with the square of 1 - exp(-age / 5 h).
# Without it the error of failed batches grew from 0.115 after one hour to 0.127 after three days.
AIR_WANDER_K, AIR_UNKNOWN_WANDER_K = 4.0, 3.5
AIR_REACHES_S = 5.0 * 3600.0
NOISE_K = 0.08
# A sheathed probe that was just pushed in still reads low, and dies away with its own lag: the model says by how much,
# and of that this share stays unsure, since the minute of the plunge is known to half a minute at best.
PLUNGE_UNSURE = 0.5


# What the form itself (one lump, one law of reaction) gets wrong of the completeness: little where all has reacted,
# more the more is left. Read off tuning batches of two simulators unlike the model; a real bucket has not been seen.
FORM_ERROR, FORM_ERROR_PER_LEFT = 0.02, 0.08


def form_error(completeness: NDArray[np.float64] | float) -> NDArray[np.float64] | float:
    """Standard deviation of the completeness that no posterior of this model knows of."""
    return FORM_ERROR + FORM_ERROR_PER_LEFT * np.clip(1.0 - np.asarray(completeness), 0.0, 1.0)


@dataclass(frozen=True, slots=True)
class History:
    """What the grower's earlier, checked batches taught: ln factors on heat and loss, a good blend's pace, with sd.

    The numbers of batches say what has been learned. Where ``heat_batches`` is not 0, ``heat_sd`` holds the heat
    capacity's error as well; where ``loss_batches`` is not, ``loss_ln`` and ``loss_sd`` are those of this bucket of so
    many litres as it is covered, and of no other.
    """

    heat_ln: float = 0.0
    heat_sd: float = HEAT_SD_LN
    loss_ln: float = LOSS_LN
    loss_sd: float = LOSS_SD_LN
    pace_ln: float = GOOD_RATE[0]
    pace_sd: float = GOOD_RATE[1]
    heat_batches: int = 0
    loss_batches: int = 0
    pace_batches: int = 0
    bucket: str = ""
    litres: float | None = None
    insulation: str = "bare"

    @property
    def batches(self) -> int:
        """How many batches stand behind it at the most; 0 where nothing has been learned."""
        return max(self.heat_batches, self.loss_batches, self.pace_batches)


def table(rows: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Centres and sds, each (components, rows); rows not yet set have centre 0 and sd 0."""
    centre = np.zeros((len(COMPONENTS), rows))
    sd = np.zeros((len(COMPONENTS), rows))
    for row, (c, s) in SHARED.items():
        centre[:, row], sd[:, row] = c, s
    for i, h in enumerate(COMPONENTS):
        for row, (c, s) in ((m.RATE, h.rate), (m.ORDER, h.order), (m.REACH, h.reach), (m.CREEP, h.creep)):
            centre[i, row], sd[i, row] = c, s
    return centre, sd
