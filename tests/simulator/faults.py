"""What probes make of the truth: place, lag, offset, noise, steps, and the ways in which they fail. Seeded.

The temperature a probe reports is the truth at its place, through a first-order lag, plus an offset that stays, plus
noise, rounded to the converter's step. A paste probe reads the air until it is pushed in. Faults are laid over that.
Every fault carries whether an alarm is due for it, by the design's table: ``sensor_fault`` when a probe lies or is open
for five minutes (two in the first hour after blending), sticks while the batch moves, storms, or came out of the paste.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from tests.simulator.bucket import Run

FAULT_KINDS = (
    "open", "intermittent", "short-gnd", "stuck", "noise-storm", "fell-out", "reversed", "drift", "spike", "stray-85",
    "stray-minus-127", "silent", "open-brief",
)  # fmt: skip
# Kinds for which nothing is due: a single spike, one stray 85.0, a short break.
HARMLESS = ("spike", "stray-85", "stray-minus-127", "open-brief")


@dataclass(frozen=True)
class Fault:
    """One fault of one probe, seconds after the pour. ``due``: the alarm kind that must come, or "" for none."""

    probe: str
    kind: str
    from_s: float
    to_s: float
    due: str


@dataclass(frozen=True)
class ProbeFitting:
    """How one probe is made and where it sits."""

    probe: str  # core, wall, top, bottom, ambient
    lag_s: float
    offset_k: float
    noise_k: float
    step_k: float
    depth_error: float = 0.0  # share of the next cell that a core probe sees
    sunlit: bool = False
    near_bucket: float = 0.0  # share of the bucket's warmth that an ambient probe sees


@dataclass
class Samples:
    """One probe's readings: times after the pour, value (nan where it could not measure) and its SenML state."""

    probe: str
    t_s: np.ndarray
    value_c: np.ndarray
    state: np.ndarray
    faults: list[Fault] = field(default_factory=list)


def draw_fittings(seed: int, *, ambient: bool, extra: tuple[str, ...] = ()) -> list[ProbeFitting]:
    """Core always; an ambient probe, and wall, top or bottom ones, as asked."""
    rng = np.random.default_rng([seed, 21])
    step = float(rng.choice([0.0625, 0.25, 0.25, 0.0078125]))
    out = []
    for probe in ("core", *extra):
        out.append(
            ProbeFitting(
                probe, float(rng.uniform(20, 90)), float(np.clip(rng.normal(0, 0.7), -2.2, 2.2)),
                float(rng.uniform(0.02, 0.25)), step, float(rng.beta(1.2, 3.0)),
            )
        )  # fmt: skip
    if ambient:
        out.append(
            ProbeFitting(
                "ambient", float(rng.uniform(60, 240)), float(np.clip(rng.normal(0, 0.8), -2.5, 2.5)),
                float(rng.uniform(0.02, 0.2)), step, sunlit=True, near_bucket=float(rng.choice([0.0, 0.0, 0.03, 0.06])),
            )
        )  # fmt: skip
    return out


def place_c(run: Run, fitting: ProbeFitting) -> np.ndarray:
    """Truth at the probe's place, on the run's grid."""
    c, e = run.cells_c, fitting.depth_error
    if fitting.probe == "core":
        return c[:, 1, 0] * (1 - 0.6 * e) + c[:, 1, 1] * 0.6 * e
    if fitting.probe == "wall":
        return 0.6 * c[:, 1, 2] + 0.4 * run.wall_c
    if fitting.probe == "top":
        return c[:, 0, 0] * (1 - e) + c[:, 0, 1] * e
    if fitting.probe == "bottom":
        return c[:, 2, 0] * (1 - e) + c[:, 2, 1] * e
    return run.air_c + (run.sun_k if fitting.sunlit else 0.0) + fitting.near_bucket * (run.wall_c - run.air_c)


def _lagged(t: np.ndarray, x: np.ndarray, lag_s: float) -> np.ndarray:
    out = np.empty(len(x))
    y, last = x[0], t[0]
    decay = np.exp(-np.diff(t, prepend=last) / lag_s)
    for i, d in enumerate(decay):
        y = x[i] + (y - x[i]) * d
        out[i] = y
    return out


def sample(
    run: Run,
    fitting: ProbeFitting,
    t_s: np.ndarray,
    in_s: float,
    seed: int,
    *,
    out_windows: tuple[tuple[float, float], ...] = (),
) -> Samples:
    """Readings at ``t_s`` (seconds after the pour, may be negative); a paste probe is in the paste from ``in_s`` on."""
    rng = np.random.default_rng([seed, 31, sum(map(ord, fitting.probe))])
    truth = np.interp(t_s, run.t_s, place_c(run, fitting))
    air = np.interp(t_s, run.t_s, run.air_c)
    if fitting.probe != "ambient":
        truth = np.where(t_s < in_s, air + 0.4, truth)
        for a, b in out_windows:
            truth = np.where((t_s >= a) & (t_s < b), air + 0.4, truth)
    value = _lagged(t_s, truth, fitting.lag_s) + fitting.offset_k + rng.normal(0, fitting.noise_k, len(t_s))
    value = np.round(value / fitting.step_k) * fitting.step_k
    return Samples(fitting.probe, t_s, value, np.full(len(t_s), "ok", dtype=object))


def draw_fault(run: Run, samples: Samples, in_s: float, seed: int, kind: str | None = None) -> Fault:
    """Where and how long: half of the faults in the first six hours, where they hurt."""
    rng = np.random.default_rng([seed, 41])
    kind = kind or str(rng.choice(FAULT_KINDS))
    end = float(samples.t_s[-1])
    start = in_s + float(
        rng.uniform(300, 6 * 3600)
        if rng.random() < 0.6
        else rng.uniform(6 * 3600, max(6.5 * 3600, min(end - 4 * 3600, 40 * 3600)))
    )
    if kind == "reversed":
        start = -1e9
    drawn = float(np.exp(rng.uniform(np.log(900), np.log(4 * 3600))))
    brief = float(rng.uniform(20, 80))
    fixed = {"spike": 0.0, "stray-85": 0.0, "stray-minus-127": 0.0, "open-brief": brief}
    length = fixed.get(kind, 2e9 if kind in ("reversed", "fell-out", "drift") else drawn)
    stop = min(start + length, end)
    due = "" if kind in HARMLESS else ("silent" if kind == "silent" else "sensor_fault")
    if kind == "silent":
        stop = min(max(stop, start + 1800), end)
    if kind == "stuck":
        # A stuck value can only be told while the batch moves: due when the truth has moved by 3 K meanwhile.
        moved = np.interp([start, stop], run.t_s, place_c(run, ProbeFitting(samples.probe, 30, 0, 0, 0.1)))
        path = np.interp(
            np.linspace(start, stop, 40), run.t_s, place_c(run, ProbeFitting(samples.probe, 30, 0, 0, 0.1))
        )
        due = due if np.ptp(path) > 3.0 or abs(moved[1] - moved[0]) > 3.0 else ""
    if kind == "fell-out":
        inside = float(np.interp(start, run.t_s, run.core_c) - np.interp(start, run.t_s, run.air_c))
        due = due if inside > 8 else ""
    if kind == "drift":
        due = ""  # a slow drift is no separate cause to ring; it tests the estimate
    if kind == "reversed" and samples.probe == "ambient":
        due = ""
    if kind == "intermittent":
        stop = max(stop, start + 1800)
    return Fault(samples.probe, kind, start, float(min(stop, end)), due)


def apply(fault: Fault, samples: Samples, run: Run, seed: int) -> None:
    """Lay the fault over the readings, in place."""
    rng = np.random.default_rng([seed, 51])
    t, v, state = samples.t_s, samples.value_c, samples.state
    inside = (t >= fault.from_s) & (t < fault.to_s)
    at = int(np.searchsorted(t, fault.from_s))
    if fault.kind in ("open", "open-brief"):
        v[inside], state[inside] = np.nan, "open"
    elif fault.kind == "short-gnd":
        v[inside], state[inside] = np.nan, "short-gnd"
    elif fault.kind == "intermittent":
        broken = inside & (rng.random(len(t)) < 0.6)
        v[broken], state[broken] = np.nan, "open"
    elif fault.kind == "stuck" and at < len(t):
        v[inside] = v[at]
    elif fault.kind == "noise-storm":
        v[inside] += rng.normal(0, 12.0, int(inside.sum()))
    elif fault.kind == "fell-out":
        air = np.interp(t, run.t_s, run.air_c)
        cool = np.exp(-np.clip(t - fault.from_s, 0, None) / 90.0)
        v[inside] = (air + (v - air) * cool)[inside] + rng.normal(0, 0.15, int(inside.sum()))
    elif fault.kind == "reversed":
        cold_junction = np.interp(t, run.t_s, run.air_c) + 2.0
        v[inside] = (2 * cold_junction - v)[inside]
    elif fault.kind == "drift":
        v[inside] += 0.15 * (t[inside] - fault.from_s) / 3600
    elif fault.kind == "silent":
        state[inside] = "unsent"
    elif at < len(t):
        if fault.kind == "spike":
            v[at] += float(rng.choice([-1, 1])) * float(rng.uniform(25, 70))
        elif fault.kind == "stray-85":
            v[at] = 85.0
        elif fault.kind == "stray-minus-127":
            v[at] = -127.0
    samples.faults.append(fault)
