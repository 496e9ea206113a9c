"""What probes make of the truth: place, lag, offset, noise, steps, and the ways in which they fail. Seeded.

The temperature a probe reports is the truth at its place, through a first-order lag, plus an offset that stays, plus
noise, rounded to the converter's step. A paste probe reads the air until it is pushed in. Faults are laid over that.
Every fault carries whether an alarm is due for it, by the design's table: ``sensor_fault`` when a probe lies or is open
for five minutes (two in the first hour after blending), sticks while the batch moves, storms, or came out of the paste.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from tests.simulator.bucket import Run

FAULT_KINDS = (
    "open", "intermittent", "short-gnd", "stuck", "noise-storm", "fell-out", "reversed", "drift", "spike", "stray-85",
    "stray-minus-127", "silent", "open-brief",
)  # fmt: skip
# What befalls an ambient probe, which has no paste to fall out of and reads much the same with its wires swapped.
AMBIENT_KINDS = ("open", "stuck", "sun-heated", "on-the-bucket")
# Further kinds, for the bench of the sensors alone (tests/bench/sensors.py); see ``draw_more``.
MORE_KINDS = (
    "short-vcc", "flapping", "bursts", "stuck-early", "stuck-for-good", "stuck-dither", "noise-6", "noise-3",
    "half-out", "late-fell-out", "swapped", "lasting-85", "lasting-minus-127", "lasting-zero", "offset-step",
    "cold-junction-step", "fast-drift", "open-from-start", "all-open", "all-stuck", "silent-early", "silent-short",
    "seldom-open", "noise-1", "few-spikes", "sun-heated", "on-the-bucket", "ambient-open", "ambient-stuck",
)  # fmt: skip
# Kinds for which nothing is due: a single spike, one stray 85.0, a short break.
HARMLESS = (
    "spike", "stray-85", "stray-minus-127", "open-brief", "silent-short", "seldom-open", "noise-1", "few-spikes",
    "sun-heated",
)  # fmt: skip


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
    if samples.probe == "ambient" and kind in ("fell-out", "reversed"):
        kind = AMBIENT_KINDS[int(np.random.default_rng([seed, 42]).integers(len(AMBIENT_KINDS)))]
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
        due = _stuck_due(run, samples, start, stop)
    if kind == "fell-out":
        inside = float(np.interp(start, run.t_s, run.core_c) - np.interp(start, run.t_s, run.air_c))
        due = due if inside > 8 else ""
    if kind == "drift":
        due = ""  # a slow drift is no separate cause to ring; it tests the estimate
    if kind == "intermittent":
        stop = max(stop, start + 1800)
    return Fault(samples.probe, kind, start, float(min(stop, end)), due)


def draw_more(run: Run, every: list[Samples], in_s: float, seed: int, kind: str) -> list[Fault]:
    """A fault of any kind, the further ones too, as one or several (one for each probe it takes).

    ``every``: all probes, the core first and the air last. Due where the design's table says so; what lies by less than
    4 K counts as a bias, which is no cause to ring.
    """
    rng = np.random.default_rng([seed, 43])
    core, end = every[0], float(every[0].t_s[-1])
    paste = [s for s in every if s.probe != "ambient"]
    victim = core if rng.random() < 0.7 else paste[int(rng.integers(len(paste)))]
    begin = float(max(core.t_s[0], in_s)) + 300.0
    start = begin + float(rng.uniform(0, 6 * 3600) if rng.random() < 0.6 else rng.uniform(6, 24) * 3600)
    stop = min(start + float(np.exp(rng.uniform(np.log(1200), np.log(4 * 3600)))), end)

    def one(due: str, probe: str = victim.probe, from_s: float = start, to_s: float = stop) -> list[Fault]:
        return [Fault(probe, kind, from_s, to_s, due)]

    if kind in ("ambient-open", "ambient-stuck", "sun-heated", "on-the-bucket"):
        if every[-1].probe != "ambient":
            return []
        due = {"ambient-open": "sensor_fault", "ambient-stuck": _stuck_due(run, every[-1], start, stop)}.get(kind, "")
        return one(due, probe="ambient")
    if kind in FAULT_KINDS:
        fault = draw_fault(run, victim, begin - 300.0, seed, kind)
        return [replace(fault, probe="*")] if kind == "silent" else [fault]
    if kind in ("stuck-early", "silent-early"):
        start = float(max(core.t_s[0], in_s)) + float(rng.uniform(120, 2400))
        stop = start + float(rng.uniform(900, 2400) if kind == "stuck-early" else rng.uniform(420, 1100))
        early = run.scenario.blend_to_s + 3000.0 > start + 300.0
        if kind == "silent-early":
            return one("silent", probe="*", from_s=start, to_s=stop) if early else []
        return one(_stuck_due(run, victim, start, stop), from_s=start, to_s=stop)
    if kind == "silent-short":
        start = max(start, run.scenario.blend_to_s + 2 * 3600.0)
        return one("", probe="*", from_s=start, to_s=start + float(rng.uniform(240, 900)))
    if kind == "stuck-for-good":
        return one(_stuck_due(run, victim, start, end), to_s=end)
    if kind == "stuck-dither":
        return one(_stuck_due(run, victim, start, stop))
    if kind in ("all-open", "all-stuck"):
        return [
            f
            for s in every
            for f in one("sensor_fault" if kind == "all-open" else _stuck_due(run, s, start, stop), probe=s.probe)
        ]
    if kind in ("half-out", "late-fell-out"):
        if kind == "late-fell-out":
            start = float(rng.uniform(0.5, 0.93)) * end
        over_k = float(np.interp(start, run.t_s, run.core_c) - np.interp(start, run.t_s, run.air_c))
        lie_k = over_k * (0.5 if kind == "half-out" else 1.0)
        return one("sensor_fault" if lie_k > 4.0 else "", to_s=2e9, from_s=start)
    if kind == "swapped":
        due = "sensor_fault" if every[-1].probe == "ambient" else ""
        return [Fault("core", kind, -1e9, 2e9, due), Fault("ambient", kind, -1e9, 2e9, due)] if due else []
    if kind == "open-from-start":
        return one("sensor_fault", from_s=-1e9, to_s=begin + float(rng.uniform(600, 7200)))
    if kind == "cold-junction-step":
        return [f for s in every for f in one("sensor_fault", probe=s.probe)]
    if kind == "fast-drift":
        return one("", to_s=2e9)
    if kind == "few-spikes":
        return one("", to_s=start + 3600.0)
    return one("" if kind in HARMLESS else "sensor_fault")


def _stuck_due(run: Run, samples: Samples, start: float, stop: float) -> str:
    """A stuck value can only be told while the batch moves: due when the truth has moved by 3 K meanwhile."""
    path = np.interp(np.linspace(start, stop, 60), run.t_s, place_c(run, ProbeFitting(samples.probe, 30, 0, 0, 0.1)))
    return "sensor_fault" if np.ptp(path) > 3.0 else ""


def apply(fault: Fault, samples: Samples, run: Run, seed: int) -> None:
    """Lay the fault over the readings, in place."""
    rng = np.random.default_rng([seed, 51])
    t, v, state = samples.t_s, samples.value_c, samples.state
    inside = (t >= fault.from_s) & (t < fault.to_s)
    at = int(np.searchsorted(t, fault.from_s))
    kind = fault.kind
    if kind in ("open", "open-brief", "open-from-start", "all-open", "ambient-open"):
        v[inside], state[inside] = np.nan, "open"
    elif kind in ("short-gnd", "short-vcc"):
        v[inside], state[inside] = np.nan, kind
    elif kind in ("intermittent", "seldom-open"):
        broken = inside & (rng.random(len(t)) < (0.6 if kind == "intermittent" else 0.05))
        v[broken], state[broken] = np.nan, "open"
    elif kind == "flapping":
        broken = inside & (np.arange(len(t)) % 2 == 0)
        v[broken], state[broken] = np.nan, "open"
    elif kind == "bursts":
        period_s = float(rng.uniform(240, 480))
        broken = inside & ((t - fault.from_s) % period_s < 0.6 * period_s)
        v[broken], state[broken] = np.nan, "open"
    elif kind in ("stuck", "stuck-early", "stuck-for-good", "all-stuck", "ambient-stuck") and at < len(t):
        v[inside] = v[at]
    elif kind == "stuck-dither" and at < len(t):
        v[inside] = v[at] + rng.choice([-0.0625, 0.0, 0.0, 0.0625], int(inside.sum()))
    elif kind.startswith("noise-"):
        sd_k = {"storm": 12.0}.get(kind[6:]) or float(kind[6:])
        v[inside] += rng.normal(0, sd_k, int(inside.sum()))
    elif kind in ("fell-out", "late-fell-out"):
        air = np.interp(t, run.t_s, run.air_c)
        cool = np.exp(-np.clip(t - fault.from_s, 0, None) / 90.0)
        v[inside] = (air + (v - air) * cool)[inside] + rng.normal(0, 0.15, int(inside.sum()))
    elif kind == "half-out":
        air = np.interp(t, run.t_s, run.air_c)
        kept = float(rng.uniform(0.3, 0.6))
        cool = kept + (1 - kept) * np.exp(-np.clip(t - fault.from_s, 0, None) / 90.0)
        v[inside] = (air + (v - air) * cool)[inside]
    elif kind == "reversed":
        cold_junction = np.interp(t, run.t_s, run.air_c) + 2.0
        v[inside] = (2 * cold_junction - v)[inside]
    elif kind == "drift":
        v[inside] += 0.15 * (t[inside] - fault.from_s) / 3600
    elif kind == "fast-drift":
        v[inside] += float(rng.choice([-1, 1]) * rng.uniform(0.5, 2.0)) * (t[inside] - fault.from_s) / 3600
    elif kind == "offset-step":
        v[inside] += float(rng.choice([-1, 1]) * rng.uniform(8, 20))
    elif kind == "cold-junction-step":
        v[inside] += float(rng.choice([-1, 1]) * rng.uniform(8, 15))
    elif kind == "sun-heated":
        v[inside] += float(rng.uniform(6, 22)) * np.sin(
            np.pi * (t[inside] - fault.from_s) / (fault.to_s - fault.from_s)
        )
    elif kind == "on-the-bucket":
        wall = np.interp(t, run.t_s, run.wall_c)
        warm = 1 - np.exp(-np.clip(t - fault.from_s, 0, None) / 180.0)
        v[inside] += (0.7 * (wall - v) * warm)[inside]
    elif kind.startswith("lasting-"):
        v[inside] = {"85": 85.0, "minus-127": -127.0, "zero": 0.0}[kind[8:]]
    elif kind == "few-spikes":
        some = inside & (rng.random(len(t)) < 3.0 / max(1, inside.sum()))
        v[some] += rng.choice([-1, 1], int(some.sum())) * rng.uniform(10, 60, int(some.sum()))
    elif kind.startswith("silent"):
        state[inside] = "unsent"
    elif at < len(t):
        if fault.kind == "spike":
            v[at] += float(rng.choice([-1, 1])) * float(rng.uniform(25, 70))
        elif fault.kind == "stray-85":
            v[at] = 85.0
        elif fault.kind == "stray-minus-127":
            v[at] = -127.0
    samples.faults.append(fault)
