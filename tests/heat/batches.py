"""Batches for the estimator's tests: an independent integrator, a core and a shell, plain numbers.

Not the forward model: two zones with conduction between, a different rate law (two parallel first-order steps, one of
them helped by the soap that is there), loss by a power law. Everything here is invented.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from monitor.domain import Batch, LogEntry, OilShare, Place, Reading, Recipe, Vessel
from monitor.heat.estimator import Estimator

POUR_S = 1_773_475_800.0  # 2026-03-14 08:10 UTC
RECIPE = Recipe((OilShare("rapeseed", 4.2),), 0.85, 0.90, 1.3)
RISE_K = 47.0  # what this recipe's heat would do to this batch


@dataclass
class Curve:
    """What the probes would have seen, on a 10 s grid from the pour."""

    time_s: np.ndarray
    core_c: np.ndarray
    air_c: np.ndarray
    done: np.ndarray
    blended_s: float = 900.0
    notes: list[LogEntry] = field(default_factory=list)


def curve(  # noqa: PLR0917
    start_c: float = 52.0,
    reach: float = 0.98,
    rate: float = 1.0,
    air_c: float = 11.0,
    hours: float = 72.0,
    stops_at_s: float = np.inf,
    reblend_s: float = np.inf,
) -> Curve:
    """Integrate a batch by small Euler steps. ``stops_at_s``: the emulsion breaks and the reaction with it."""
    dt = 10.0
    t = np.arange(0.0, hours * 3600.0, dt)
    air = air_c + 2.5 * np.sin(2 * np.pi * (t / 86400.0 + 0.1))
    core, shell, done = start_c, start_c, 0.0
    cores, dones = np.empty(t.size), np.empty(t.size)
    blended = 900.0
    for i, now in enumerate(t):
        cores[i], dones[i] = core, done
        live = min(now / blended, 1.0) ** 2
        if now > stops_at_s:
            live *= 0.0 if now < reblend_s else 1.0
        within = reach if now < reblend_s else 0.97
        mean = 0.5 * (core + shell)
        k = rate * 4.2e-4 * np.exp(5600.0 * (1 / 333.15 - 1 / (mean + 273.15)))
        speed = live * k * (1.0 + 6.0 * min(done, 0.5)) * max(within - done, 0.0)
        made = RISE_K * speed
        set_ = min(done / 0.4, 1.0)
        exchange = (2.4e-4 + 2e-3 * (1 - set_)) * (core - shell)
        over = shell - air[i]
        loss = 1.0e-4 * over * (abs(over) / 30.0 + 0.01) ** 0.2
        work = 4.0 / (blended - 240.0) if 240.0 < now < blended else 0.0
        core += dt * (made - exchange + work)
        shell += dt * (made + exchange - 2.0 * loss + work)
        done += dt * speed
    return Curve(t, cores, air, dones, blended)


def entries(c: Curve, noted_c: float | None = None) -> list[LogEntry]:
    """Poured and blended as a grower notes them."""
    return [
        LogEntry("poured", POUR_S, POUR_S, noted_c, entry_id="1"),
        LogEntry("blended", POUR_S + c.blended_s, POUR_S + c.blended_s, entry_id="2"),
        *c.notes,
    ]


def readings(
    c: Curve, *, every_s: float = 30.0, from_s: float | None = None, until_s: float = np.inf, ambient: bool = True
) -> list[Reading]:
    """Core (in the paste three minutes after the blend, lag 40 s) and ambient; a fixed ripple for noise."""
    first = c.blended_s + 180.0
    begin = -600.0 if from_s is None else from_s
    lagged, out = None, []
    for k, now in enumerate(np.arange(begin, min(until_s, c.time_s[-1]), every_s)):
        air = float(np.interp(now, c.time_s, c.air_c))
        truth = float(np.interp(now, c.time_s, c.core_c)) if now >= first else air
        lagged = truth if lagged is None else truth + (lagged - truth) * np.exp(-every_s / 40.0)
        ripple = 0.12 * np.sin(k * 2.399963)
        at = POUR_S + float(now)
        out.append(Reading("shed-2", "core", at, at, round(lagged + ripple + 0.3, 2)))
        if ambient:
            out.append(Reading("shed-2", "ambient", at, at, round(air - 0.4 + ripple, 2)))
    return out


def batch(recipe: Recipe = RECIPE) -> Batch:
    return Batch("Quillmarsh 12", "shed-2", POUR_S, recipe, Vessel(20.0, "bare"))


def run(c: Curve, at_s: list[float], *, noted_c: float | None = None, recipe: Recipe = RECIPE, **how):
    """Feed an estimator and ask it at these ages; returns it and the estimates."""
    estimator = Estimator(batch(recipe), Place())
    notes = sorted(entries(c, noted_c), key=lambda e: e.noted_at_s)
    stream = readings(c, **how)
    k, found = 0, []
    for age in at_s:
        now = POUR_S + age
        while notes and notes[0].noted_at_s <= now:
            estimator.note(notes.pop(0))
        while k < len(stream) and stream[k].arrival_s < now:
            estimator.update(stream[k])
            k += 1
        found.append(estimator.estimate(now))
    return estimator, found
