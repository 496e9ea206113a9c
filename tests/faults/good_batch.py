"""The batch over which faults are laid: a good one of the invented night, sampled anew as a node would.

Nothing is due in it: the simulator's own truth says so, and a control run on each wire holds the program to it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from monitor.domain import Batch, LogEntry, OilShare, Recipe, Vessel
from tests.simulator.bucket import Run, Scenario, simulate_with_truth
from tests.simulator.faults import ProbeFitting, sample
from tests.simulator.night import WORLD, pieces
from tests.simulator.write import draw_batches, simulate_draws

BUCKET = "shed-1"
EVERY_S = 30.0
# The node is plugged in before the pour; the probe goes in a minute and a half after the blend.
FROM_S = -480.0
PROBE_IN_AFTER_BLEND_S = 90.0
MINUTE_S, HOUR_S = 60.0, 3600.0
_HOURS = 24.0

_NIGHT = pieces()[0].scenario
POURED_S = _NIGHT.poured_unix_s
# Which batch lies under the faults: 0 is that of the night, the others are drawn by the simulator, for the soak.
_chosen = {"number": 0}
_DRAWN_SEED = 77
_BLENDED_BY_S = 15 * MINUTE_S
_FITTINGS = (
    ProbeFitting("core", 40.0, 0.2, 0.08, 0.0625, 0.2),
    ProbeFitting("ambient", 100.0, -0.3, 0.06, 0.0625),
    ProbeFitting("top", 50.0, -0.1, 0.08, 0.0625),
)

# °C, or the node's word for why it cannot measure.
Value = float | str


@dataclass(frozen=True)
class Shot:
    """All probes of a bucket at one moment. ``since_s`` counts from the pour."""

    at_s: float
    values: Mapping[str, Value]

    @property
    def since_s(self) -> float:
        return self.at_s - POURED_S

    def having(self, **values: Value) -> Shot:
        """The same moment with other values."""
        return replace(self, values={**self.values, **values})

    def without(self, *probes: str) -> Shot:
        """The same moment without these probes."""
        return replace(self, values={name: value for name, value in self.values.items() if name not in probes})

    def c(self, probe: str) -> float:
        """°C of a probe that measures."""
        value = self.values[probe]
        assert isinstance(value, float)
        return value


def choose(number: int) -> None:
    """From now on the good batch is this one; all are poured at one time, that of the night."""
    _chosen["number"] = number


@lru_cache(maxsize=4)
def _good(number: int) -> tuple[Scenario, Run]:
    """What was made, and how it went."""
    if number == 0:
        [(run, truth)] = simulate_with_truth([WORLD], [_NIGHT], _HOURS)
        assert truth.good, "the batch under the faults must have no alarm due"
        return _NIGHT, run
    # Nobody takes a lid off or blends again in these: what the grower does is not what is tested here.
    drawn = draw_batches(_DRAWN_SEED, 12 * number)
    calm = [replace(one, scenario=replace(one.scenario, doings=())) for one in drawn]
    good = [(draw.scenario, run) for draw, run, truth in simulate_draws(calm) if truth.good]
    early = [(made, run) for made, run in good if isinstance(made, Scenario) and made.blend_to_s <= _BLENDED_BY_S]
    return early[number - 1]


def _blended_s() -> float:
    return _good(_chosen["number"])[0].blend_to_s


def shots(hours: float, *probes: str) -> tuple[Shot, ...]:
    """The good batch until ``hours`` after the pour, as its probes show it."""
    return _shots(_chosen["number"], hours, *probes)


@lru_cache(maxsize=8)
def _shots(number: int, hours: float, *probes: str) -> tuple[Shot, ...]:
    made, run = _good(number)
    t_s = np.arange(FROM_S, hours * HOUR_S, EVERY_S)
    in_s = made.blend_to_s + PROBE_IN_AFTER_BLEND_S
    shown = {one.probe: sample(run, one, t_s, in_s, 7).value_c for one in _FITTINGS if one.probe in probes}
    return tuple(
        Shot(POURED_S + float(t), {name: round(float(values[i]), 4) for name, values in shown.items()})
        for i, t in enumerate(t_s)
    )


def batch(bucket: str = BUCKET) -> Batch:
    """The batch as its grower entered it."""
    made = _good(_chosen["number"])[0]
    oils = tuple(OilShare(name, kg) for name, kg in made.oils)
    recipe = Recipe(oils, koh_kg=made.koh_kg, koh_purity=made.koh_purity, water_kg=made.water_kg)
    vessel = Vessel(made.litres, made.insulation)
    return Batch(f"Quillmarsh {bucket}", bucket, POURED_S, recipe, vessel, noted_at_s=POURED_S - 6 * MINUTE_S)


def log() -> tuple[LogEntry, ...]:
    """What the grower noted."""
    blended_s = POURED_S + _blended_s()
    return (
        LogEntry("poured", POURED_S, POURED_S + MINUTE_S, temperature_c=round(_good(_chosen["number"])[0].pour_c)),
        LogEntry("blended", blended_s, blended_s),
    )
