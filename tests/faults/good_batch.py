"""The batch over which faults are laid: a good one of the invented night, sampled anew as a node would.

Nothing is due in it: the simulator's own truth says so, and a control run on each wire holds the program to it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from monitor.domain import Batch, LogEntry, OilShare, Recipe, Vessel
from tests.simulator.bucket import Run, simulate_with_truth
from tests.simulator.faults import ProbeFitting, sample
from tests.simulator.night import WORLD, pieces

BUCKET = "shed-1"
EVERY_S = 30.0
# The node is plugged in before the pour; the probe goes in a minute and a half after the blend.
FROM_S = -480.0
PROBE_IN_AFTER_BLEND_S = 90.0
MINUTE_S, HOUR_S = 60.0, 3600.0

_SCENARIO = pieces()[0].scenario
POURED_S = _SCENARIO.poured_unix_s
BLENDED_S = POURED_S + _SCENARIO.blend_to_s
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


@lru_cache(maxsize=1)
def _run() -> Run:
    [(run, truth)] = simulate_with_truth([WORLD], [_SCENARIO], 24.0)
    assert truth.good, "the batch under the faults must have no alarm due"
    return run


@lru_cache(maxsize=8)
def shots(hours: float, *probes: str, every_s: float = EVERY_S) -> tuple[Shot, ...]:
    """The good batch until ``hours`` after the pour, as its probes show it."""
    t_s = np.arange(FROM_S, hours * HOUR_S, every_s)
    in_s = _SCENARIO.blend_to_s + PROBE_IN_AFTER_BLEND_S
    shown = {one.probe: sample(_run(), one, t_s, in_s, 7).value_c for one in _FITTINGS if one.probe in probes}
    return tuple(
        Shot(POURED_S + float(t), {name: round(float(values[i]), 4) for name, values in shown.items()})
        for i, t in enumerate(t_s)
    )


def batch(bucket: str = BUCKET) -> Batch:
    """The batch as its grower entered it."""
    recipe = Recipe((OilShare("rapeseed", 3.31),), koh_kg=0.640, koh_purity=0.90, water_kg=1.00)
    vessel = Vessel(20.0, "bare")
    return Batch(f"Quillmarsh 21 {bucket}", bucket, POURED_S, recipe, vessel, noted_at_s=POURED_S - 6 * MINUTE_S)


def log() -> tuple[LogEntry, ...]:
    """What the grower noted."""
    return (
        LogEntry("poured", POURED_S, POURED_S + MINUTE_S, temperature_c=46.0),
        LogEntry("blended", BLENDED_S, BLENDED_S),
    )
