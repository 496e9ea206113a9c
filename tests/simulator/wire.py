"""From probe samples to the bytes of a recording, in the many shapes that RFC 8428 allows. Seeded."""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from tests.simulator.bucket import Scenario
from tests.simulator.faults import Samples

PACKS = (
    "one-record",
    "merged-base",
    "base-alone",
    "several-negative",
    "several-absolute",
    "no-time",
    "boot-clock",
    "emf",
)

# ITS-90 type K, 0 to 1372 degC, degC -> mV (NIST SRD 60); written out so that nothing of the program is needed.
_K = (-1.7600413686e-2, 3.8921204975e-2, 1.8558770032e-5, -9.9457592874e-8, 3.1840945719e-10, -5.6072844889e-13,
      5.6075059059e-16, -3.2020720003e-19, 9.7151147152e-23, -1.2104721275e-26)  # fmt: skip
_K_COLD = (0.0, 3.9450128025e-2, 2.3622373598e-5, -3.2858906784e-7, -4.9904828777e-9, -6.7509059173e-11,
           -5.7410327428e-13, -3.1088872894e-15, -1.0451609365e-17, -1.9889266878e-20, -1.6322697486e-23)  # fmt: skip


def type_k_mv(celsius: float) -> float:
    """Thermocouple voltage against 0 degC, mV."""
    if celsius < 0:
        return float(sum(c * celsius**i for i, c in enumerate(_K_COLD)))
    return float(
        sum(c * celsius**i for i, c in enumerate(_K)) + 0.1185976 * np.exp(-1.183432e-4 * (celsius - 126.9686) ** 2)
    )


@dataclass(frozen=True)
class WireStyle:
    """How this node talks, and what the line does to it."""

    pack: str
    crc: bool
    samples_per_pack: int
    duplicates: float = 0.0
    disorder: float = 0.0  # share of lines delayed by up to 60 s
    late: float = 0.0  # share of lines delayed by up to 20 min
    backfill: tuple[float, float] | None = None  # no link between these times after the pour; all comes at the end
    clock_step: tuple[float, float] | None = None  # from this time the node's clock is off by so much
    damaged: float = 0.0
    others: float = 0.0
    notes: bool = True
    source: str = "serial"


def draw_style(seed: int, hours: float) -> WireStyle:
    rng = np.random.default_rng([seed, 61])
    pack = str(rng.choice(PACKS, p=[0.15, 0.2, 0.15, 0.15, 0.1, 0.1, 0.1, 0.05]))
    timed = pack not in ("no-time",)
    several = pack.startswith("several")
    backfill = None
    if timed and pack != "boot-clock" and rng.random() < 0.10:
        start = float(rng.uniform(1.5, max(2, min(hours - 8, 40)))) * 3600
        backfill = (start, start + float(rng.uniform(1.0, 6.0)) * 3600)
    step = None
    if timed and pack != "boot-clock" and rng.random() < 0.05:
        step = (
            float(rng.uniform(0.5, 20)) * 3600,
            float(rng.choice([-1, 1])) * float(np.exp(rng.uniform(np.log(5), np.log(40)))),
        )
    return WireStyle(
        pack=pack, crc=bool(rng.random() < 0.5), samples_per_pack=int(rng.integers(2, 9)) if several else 1,
        duplicates=float(rng.choice([0, 0, 0.01, 0.05])), disorder=float(rng.choice([0, 0, 0.02])) if timed else 0.0,
        late=float(rng.choice([0, 0, 0, 0.003])) if timed and pack != "boot-clock" else 0.0,
        backfill=backfill, clock_step=step,
        damaged=float(rng.choice([0, 0.001, 0.003])), others=float(rng.choice([0, 0, 0.02])),
        notes=bool(rng.random() < 0.7), source="mqtt" if rng.random() < 0.4 else "serial",
    )  # fmt: skip


@dataclass(frozen=True)
class _Shot:
    """All probes of one moment: (probe, value or None, state)."""

    unix_s: float
    values: tuple[tuple[str, float | None, str], ...]


def _shots(samples: Iterable[Samples], pour_unix_s: float) -> list[_Shot]:
    at: dict[float, list[tuple[str, float | None, str]]] = {}
    for s in samples:
        for t, v, state in zip(s.t_s, s.value_c, s.state, strict=True):
            if state != "unsent":
                at.setdefault(float(t), []).append((s.probe, None if np.isnan(v) else float(v), str(state)))
    return [_Shot(pour_unix_s + t, tuple(at[t])) for t in sorted(at)]


def _value(value: float | None, state: str) -> dict[str, object]:
    return {"vs": state} if value is None else {"v": round(value, 4)}


def _records(
    style: WireStyle, bucket: str, shots: list[_Shot], clock: float, boot_s: float, *, rng: np.random.Generator
) -> list[dict[str, object]]:
    """One pack's records. ``clock``: how far the node's clock is off."""
    newest = round(shots[-1].unix_s + clock, 3)
    if style.pack == "one-record":
        out: list[dict[str, object]] = []
        for probe, v, state in shots[-1].values:
            out.append({"n": f"{bucket}/{probe}", "u": "Cel", "t": newest, **_value(v, state)})
        return out
    if style.pack == "no-time":
        return [
            {"bn": f"{bucket}/", "bu": "Cel", **_first(shots[-1])},
            *[{"n": p, **_value(v, st)} for p, v, st in shots[-1].values[1:]],
        ]
    if style.pack == "boot-clock":
        up = round(shots[-1].unix_s - boot_s, 1)
        return [
            {"bn": f"{bucket}/", "bt": up, "bu": "Cel", **_first(shots[-1])},
            *[{"n": p, **_value(v, st)} for p, v, st in shots[-1].values[1:]],
        ]
    if style.pack == "merged-base":
        return [
            {"bn": f"{bucket}/", "bt": newest, "bu": "Cel", **_first(shots[-1])},
            *[{"n": p, **_value(v, st)} for p, v, st in shots[-1].values[1:]],
        ]
    if style.pack == "base-alone":
        return [
            {"bn": f"{bucket}/", "bt": newest, "bu": "Cel"},
            *[{"n": p, **_value(v, st)} for p, v, st in shots[-1].values],
        ]
    if style.pack == "emf":
        cold = 18.0 + 0.01 * round(float(rng.normal(0, 20)))
        out = [{"bn": f"{bucket}/", "bt": newest}]
        for p, v, st in shots[-1].values:
            if v is None:
                out.append({"n": f"{p}/emf", "u": "V", "vs": st})
            else:
                out.append({"n": f"{p}/cold-junction", "u": "Cel", "v": round(cold, 4)})
                out.append({"n": f"{p}/emf", "u": "V", "v": round((type_k_mv(v) - type_k_mv(cold)) / 1000, 8)})
        return out
    base: dict[str, object] = {"bn": f"{bucket}/", "bu": "Cel"}
    if style.pack == "several-negative":
        base["bt"] = newest
    out = [base]
    for shot in shots:
        when = round(shot.unix_s + clock, 3)
        stamp = round(when - newest, 3) if style.pack == "several-negative" else when
        for p, v, st in shot.values:
            out.append({"n": p, **({} if stamp == 0 else {"t": stamp}), **_value(v, st)})
    return out


def _first(shot: _Shot) -> dict[str, object]:
    probe, v, state = shot.values[0]
    return {"n": probe, **_value(v, state)}


def _damage(line: bytes, nxt: bytes | None, rng: np.random.Generator) -> bytes:
    way = int(rng.integers(4))
    k = int(rng.integers(1, max(2, len(line) - 1)))
    if way == 0:
        return line[:k]
    if way == 1:
        return line[k:]
    if way == 2 and nxt is not None:
        return line[:k] + nxt
    hurt = bytearray(line)
    for _ in range(int(rng.integers(1, 5))):
        hurt[int(rng.integers(len(hurt)))] = int(rng.integers(128, 256))
    return bytes(hurt).replace(b"\n", b"?").replace(b"\r", b"?")


def recording(samples: list[Samples], scenario: Scenario, style: WireStyle, bucket: str, seed: int) -> bytes:
    """The whole NAME.rec: arrival time, tab, line; in arrival order."""
    rng = np.random.default_rng([seed, 71])
    shots = _shots(samples, scenario.poured_unix_s)
    boot_s = shots[0].unix_s - float(rng.uniform(20, 90000))
    topic = f"emberpail/node-{seed % 7}/readings"
    lines: list[tuple[float, bytes]] = []
    width = style.samples_per_pack
    # A restart of the boot clock may come once.
    reboot_at = (
        shots[int(len(shots) * rng.uniform(0.3, 0.9))].unix_s
        if style.pack == "boot-clock" and rng.random() < 0.3
        else np.inf
    )
    held = 0
    for i in range(0, len(shots), width):
        pack = shots[i : i + width]
        if pack[-1].unix_s >= reboot_at:
            boot_s, reboot_at = pack[-1].unix_s - 4.0, np.inf
        rel = pack[-1].unix_s - scenario.poured_unix_s
        clock = style.clock_step[1] if style.clock_step and rel >= style.clock_step[0] else 0.0
        text = json.dumps(_records(style, bucket, pack, clock, boot_s, rng=rng), separators=(",", ":")).encode()
        if style.crc and style.source == "serial":
            text += b" %08x" % zlib.crc32(text)
        arrival = pack[-1].unix_s + float(rng.uniform(0.05, 1.2))
        if style.backfill and style.backfill[0] <= rel < style.backfill[1]:
            arrival = scenario.poured_unix_s + style.backfill[1] + 0.02 * held + float(rng.uniform(0, 0.01))
            held += 1
        elif rng.random() < style.disorder:
            arrival += float(rng.uniform(5, 58))
        elif rng.random() < style.late:
            arrival += float(rng.uniform(60, 1190))
        lines.append((arrival, text))
        if rng.random() < style.duplicates:
            lines.append((arrival + float(rng.uniform(0.5, 20)), text))
        if rng.random() < style.others:
            other = [{"bn": "elsewhere-9/", "bu": "Cel", "n": "core", "v": round(float(rng.uniform(5, 95)), 2)}]
            lines.append((arrival + 0.3, json.dumps(other, separators=(",", ":")).encode()))
    lines.sort(key=lambda x: x[0])
    out = []
    if style.notes:
        note = {"source": style.source, **({"topic": topic} if style.source == "mqtt" else {"port": "/dev/ttyUSB0"})}
        out.append(b"#" + json.dumps(note).encode())
    skip = False
    for i, (arrival, text) in enumerate(lines):
        if skip:
            skip = False
            continue
        body = text
        if rng.random() < style.damaged:
            nxt = lines[i + 1][1] if i + 1 < len(lines) else None
            body = _damage(text, nxt, rng)
            skip = nxt is not None and body.endswith(nxt)
        out.append(b"%.3f\t%s" % (arrival, body))
    return b"\n".join(out) + b"\n"


def _iso(unix_s: float) -> str:
    return datetime.fromtimestamp(60 * round(unix_s / 60), UTC).isoformat()


def batch_toml(
    scenario: Scenario,
    bucket: str,
    *,
    pour_noted_c: float | None,
    probe_in_s: float | None,
    forget: tuple[str, ...] = (),
    late_notes: bool = False,
    unnoted: tuple[str, ...] = (),
) -> str:
    """The grower's notes beside the recording; times to the minute.

    ``forget``: masses left out ("oil", "koh", "water"); ``unnoted``: doings that nobody wrote down."""
    s, at = scenario, scenario.poured_unix_s
    oils = ", ".join(f'{{ name = "{n}"' + ("" if "oil" in forget else f", kg = {kg:.2f}") + " }" for n, kg in s.oils)
    out = [
        "[batch]",
        f'name = "{s.name}"',
        f'bucket = "{bucket}"',
        f"started = {_iso(at)}",
        "[recipe]",
        f"oils = [{oils}]",
    ]
    if "koh" not in forget:
        out.append(f"koh_kg = {s.koh_kg:.3f}")
    out.append(f"koh_purity = {s.koh_purity:.2f}")
    if "water" not in forget:
        out.append(f"water_kg = {s.water_kg:.2f}")
    out += ["[vessel]", f"litres = {s.litres:g}", f'insulation = "{s.insulation}"']

    def entry(when: float, kind: str, extra: str = "") -> list[str]:
        rows = ["[[event]]", f"at = {_iso(at + when)}", f'kind = "{kind}"']
        return [*rows, extra] if extra else rows

    out += entry(0, "poured", f"temperature_c = {pour_noted_c:.0f}" if pour_noted_c is not None else "")
    out += entry(s.blend_to_s, "blended")
    if probe_in_s is not None:
        out += entry(probe_in_s, "probe-in")
    for d in s.doings:
        if d.kind in unnoted:
            continue
        noted = f"noted_at = {_iso(at + d.at_s + 1500)}" if late_notes and d.kind != "reblended" else ""
        if d.kind == "reblended":
            out += (
                entry(d.at_s - 60, "probe-out")
                + entry(d.at_s + d.for_s, "reblended")
                + entry(d.at_s + d.for_s + 60, "probe-in")
            )
        elif d.kind == "lid-off":
            out += entry(d.at_s, "lid-off", noted) + entry(d.at_s + d.for_s, "lid-on")
        else:
            out += entry(d.at_s, d.kind, noted)
    return "\n".join(out) + "\n"
