"""Invented probe readings for the tests of screening: a good batch, sampled as a node would, and faults upon it."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterable

from monitor.domain import Reading
from monitor.sensing.screening import Judged, ProbeHealth, ProbeScreen

HOUR = 3600.0


def paste_c(t_s: float, air_c: float = 12.0) -> float:
    """A good batch: poured at 55 °C at 0, some 25 K rise in the first hour, then cooling (time constant 6 h)."""
    if t_s < 0.0:
        return air_c
    rise = 30.0 * (1.0 - math.exp(-t_s / 900.0))
    return air_c + (55.0 - air_c + rise) * math.exp(-t_s / (6 * HOUR))


def quantised(value_c: float, step_k: float) -> float:
    """As a sensor of that step shows it; 0 is no step."""
    return round(value_c / step_k) * step_k if step_k else round(value_c, 4)


def readings(
    curve: Callable[[float], float | str | None],
    *,
    from_s: float = 0.0,
    to_s: float = 2 * HOUR,
    every_s: float = 10.0,
    noise_k: float = 0.1,
    step_k: float = 0.25,
    probe: str = "core",
    seed: int = 1,
) -> list[Reading]:
    """Readings of ``curve`` in time order. A word in the curve is a state; None is a reading that never came."""
    rng = random.Random(seed)
    out = []
    t = from_s
    while t < to_s:
        value = curve(t)
        noise = rng.gauss(0.0, noise_k)
        if isinstance(value, str):
            out.append(Reading("shed-2", probe, t, t + 0.5, None, value))
        elif value is not None:
            shown = value if value in (85.0, -127.0) else quantised(value + noise, step_k)
            out.append(Reading("shed-2", probe, t, t + 0.5, shown))
        t += every_s
    return out


class Run:
    """A probe screen driven tick by tick as the pipeline drives it; keeps the last verdict and every health."""

    def __init__(self, probe: str = "core") -> None:
        self.screen = ProbeScreen(probe)
        self.verdicts: dict[Reading, str | None] = {}
        self.given: list[Judged] = []
        self.healths: list[tuple[float, ProbeHealth]] = []

    def feed(
        self,
        arriving: Iterable[Reading],
        *,
        ambient_c: float | None = None,
        moved: Callable[[float, float], float] | None = None,
    ) -> Run:
        pending = sorted(arriving, key=lambda reading: reading.arrival_s)
        if not pending:
            return self
        tick = math.ceil(pending[0].arrival_s / 60.0) * 60.0
        i = 0
        while i < len(pending):
            while i < len(pending) and pending[i].arrival_s < tick:
                self.screen.take(pending[i])
                i += 1
            for judged in self.screen.settle(tick):
                self.given.append(judged)
                self.verdicts[judged.reading] = judged.reason
            constant_since_s = self.screen.health(tick).constant_since_s
            elsewhere = moved(constant_since_s, tick) if moved and constant_since_s is not None else None
            self.healths.append((tick, self.screen.health(tick, ambient_c=ambient_c, moved_elsewhere_k=elsewhere)))
            tick += 60.0
        return self

    def reasons(self) -> dict[str | None, int]:
        """How many readings ended with each verdict."""
        counts: dict[str | None, int] = {}
        for reason in self.verdicts.values():
            counts[reason] = counts.get(reason, 0) + 1
        return counts

    def problems(self) -> list[tuple[float, str, float | None]]:
        """(tick, problem, since) at each change of problem."""
        out: list[tuple[float, str, float | None]] = []
        was: str | None = None
        for tick, health in self.healths:
            if health.problem != was:
                out.append((tick, health.problem or "none", health.since_s))
                was = health.problem
        return out

    @property
    def health(self) -> ProbeHealth:
        return self.healths[-1][1]
