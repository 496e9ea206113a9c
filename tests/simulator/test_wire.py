"""What goes over the invented wire can be read back by the rules of RFC 8428, with a resolver written here."""

from __future__ import annotations

import json
import tomllib
import zlib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.simulator import faults, wire
from tests.simulator.bucket import Run, draw_scenario, simulate, world_for
from tests.simulator.write import write_set


@pytest.fixture(scope="module")
def run() -> Run:
    world = world_for("droplets-still", 1)
    return simulate([world], [replace(draw_scenario("good", 2, world), doings=())], hours=3.0)[0]


def _resolve(pack: list[dict], arrival: float) -> list[tuple[str, float, float | str]]:  # type: ignore[type-arg]
    """RFC 8428 section 4.6: base fields hold from their record on; a record with no value is skipped."""
    bn, bt, out = "", 0.0, []
    for r in pack:
        bn, bt = r.get("bn", bn), r.get("bt", bt)
        at = bt + r.get("t", 0.0)
        at = at if at >= 2**28 else arrival + at
        if "v" in r or "vs" in r:
            out.append((bn + r.get("n", ""), at, r.get("v", r.get("vs"))))
    return out


def _style(pack: str, **more: object) -> wire.WireStyle:
    return replace(wire.WireStyle(pack, crc=True, samples_per_pack=4 if pack.startswith("several") else 1), **more)


@pytest.mark.parametrize("pack", [p for p in wire.PACKS if p not in ("boot-clock", "emf")])
def test_every_pack_style_carries_the_same_readings(run: Run, pack: str) -> None:
    """Whatever the style, resolving the packs gives each probe's samples and their times (else the arrival)."""
    t = np.arange(0, 3600.0, 30.0)
    samples = [faults.sample(run, f, t, 600.0, 3) for f in faults.draw_fittings(3, ambient=True)]
    rec = wire.recording(samples, run.scenario, _style(pack), "shed-1", 3)
    got: dict[str, list[tuple[float, float]]] = {}
    for line in rec.splitlines():
        if line.startswith(b"#"):
            continue
        stamp, body = line.split(b"\t", 1)
        text, crc = body.rsplit(b" ", 1)
        assert int(crc, 16) == zlib.crc32(text)
        for name, at, value in _resolve(json.loads(text), float(stamp)):
            got.setdefault(name, []).append((at, float(value)))
    for s in samples:
        readings = np.array(sorted(got[f"shed-1/{s.probe}"]))
        np.testing.assert_allclose(readings[:, 1], s.value_c, atol=1e-4)
        np.testing.assert_allclose(
            readings[:, 0], run.scenario.poured_unix_s + s.t_s, atol=1.5 if pack == "no-time" else 0.002
        )


def test_type_k_voltages_are_those_of_the_published_table() -> None:
    """NIST ITS-90 type K (reference notes, check table): 20, 85, 100 and -20 degC in mV to four decimals."""
    for celsius, mv in (
        (-20, -0.7775),
        (0, 0.0),
        (20, 0.7981),
        (25, 1.0002),
        (50, 2.0231),
        (85, 3.4743),
        (100, 4.0962),
        (120, 4.9199),
    ):
        assert wire.type_k_mv(celsius) == pytest.approx(mv, abs=6e-5)


def test_arrivals_never_go_back_though_lines_come_late(run: Run) -> None:
    """Backfill, disorder and duplicates never turn the order of the arrival stamps, nor lose a sample."""
    t = np.arange(0, 3 * 3600.0, 30.0)
    samples = [faults.sample(run, f, t, 600.0, 3) for f in faults.draw_fittings(3, ambient=False)]
    style = _style("merged-base", duplicates=0.05, disorder=0.05, late=0.02, backfill=(1800.0, 7200.0))
    rec = wire.recording(samples, run.scenario, style, "shed-1", 3)
    stamps, times = [], set()
    for line in rec.splitlines()[1:]:
        stamp, body = line.split(b"\t", 1)
        stamps.append(float(stamp))
        times |= {round(at) for _, at, _ in _resolve(json.loads(body.rsplit(b" ", 1)[0]), float(stamp))}
    assert stamps == sorted(stamps)
    assert len(times) == len(t)
    gaps = np.diff(stamps)
    assert gaps.max() > 4000


@pytest.mark.parametrize("kind", faults.FAULT_KINDS)
def test_each_fault_shows_where_it_says_and_nowhere_else(run: Run, kind: str) -> None:
    """Outside its window a fault changes nothing; inside it does. Spikes and strays are one reading."""
    t = np.arange(0, 3 * 3600.0, 30.0)
    fitting = faults.draw_fittings(3, ambient=False)[0]
    clean, broken = (faults.sample(run, fitting, t, 600.0, 3) for _ in range(2))
    fault = replace(faults.draw_fault(run, broken, 600.0, 9, kind), from_s=3600.0, to_s=7200.0)
    faults.apply(fault, broken, run, 9)
    inside = (t >= 3600) & (t < 7200)
    same = (broken.value_c == clean.value_c) & (broken.state == "ok")
    assert same[~inside].all()
    changed = int((~same).sum())
    assert changed == 1 if kind in ("spike", "stray-85", "stray-minus-127") else changed > 10
    assert (fault.due == "") or kind not in faults.HARMLESS


def test_a_written_set_is_whole_and_repeatable(tmp_path: Path) -> None:
    """Each batch has recording, notes and truth; the same seed gives the same bytes; a cause stands when due."""
    first = write_set(tmp_path / "a", 7, 3, hours=3.0, styles=("droplets-still",))
    second = write_set(tmp_path / "b", 7, 3, hours=3.0, styles=("droplets-still",))
    for a, b in zip(first, second, strict=True):
        assert a.read_bytes() == b.read_bytes()
        notes = tomllib.loads(a.with_suffix(".toml").read_text(encoding="utf-8"))
        truth = json.loads(a.with_suffix(".truth.json").read_text(encoding="utf-8"))
        assert notes["batch"]["bucket"] == truth["bucket"]
        assert truth["good"] == (not truth["due"])
        assert (truth["cause"] == "none") == ("incomplete" not in truth["due"])
