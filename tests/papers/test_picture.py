"""The picture that is sent on: its size, that it moves with the data, and what stands on it."""

from __future__ import annotations

import io
import math
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from PIL import Image

from monitor.curve import BatchCurve
from monitor.papers.letters import HELVETICA
from monitor.papers.picture import HEIGHT_PX, WIDTH_PX, curve_png
from monitor.papers.strokes import STYLES
from monitor.words import US, Voice, speaking

FROM_S = 1773480000.0
HOURS = 30


def _utc(unix_s: float) -> datetime:
    return datetime.fromtimestamp(unix_s, UTC)


def _curve(warmer_k: float = 0.0) -> BatchCurve:
    def points(off: float, step_s: int = 30) -> tuple[tuple[float, float], ...]:
        return tuple(
            (FROM_S + s, off + 8 + (70 + warmer_k) * math.exp(-s / 18000)) for s in range(0, HOURS * 3600, step_s)
        )

    return BatchCurve(
        "shed-2", "Quillmarsh 12", FROM_S + HOURS * 3600, True,
        paste=(("core", points(0.0)), ("top", points(-3.0))), air=((FROM_S, 8.0), (FROM_S + HOURS * 3600, 9.0)),
        band=tuple((FROM_S + 900.0 * i, 10.0, 80.0 - i / 3) for i in range(HOURS * 4)),
        forecast=tuple((FROM_S + HOURS * 3600 + 600.0 * i, 7.0, 9.0) for i in range(12)),
        heat=tuple((FROM_S + 600.0 * i, 900.0 * (1 - math.exp(-i / 6)), 50.0) for i in range(1, HOURS * 6)),
        marks=((FROM_S, "poured"), (FROM_S + 600, "blended")), too_hot_c=95.0,
    )  # fmt: skip


def _open(png: bytes) -> Image.Image:
    picture = Image.open(io.BytesIO(png))
    assert picture.format == "PNG"
    assert picture.size == (WIDTH_PX, HEIGHT_PX) == (1000, 700)
    assert len(png) < 100_000
    return picture.convert("RGB")


def _height_of(picture: Image.Image, colour: tuple[int, int, int], x: int) -> float:
    """Mean y of the dots near that colour in a column of the upper drawing, right of the axis."""
    pixels = picture.load()
    assert pixels is not None
    found = [
        y for y in range(80, 440) if sum(abs(a - b) for a, b in zip(pixels[x, y], colour, strict=True)) < 60  # type: ignore[arg-type]
    ]  # fmt: skip
    assert found, f"no dot of {colour} in column {x}"
    return sum(found) / len(found)


def test_it_has_its_size_and_is_light() -> None:
    """1000 by 700 px under 100 kB, made in a moment; three times from three threads at once too."""
    began_s = time.perf_counter()
    png = curve_png(_curve(), _utc, "Quillmarsh allotments")
    print(f"picture: {len(png)} bytes in {time.perf_counter() - began_s:.2f} s")
    _open(png)
    with ThreadPoolExecutor(3) as pool:
        assert {
            len(one) for one in pool.map(lambda _: curve_png(_curve(), _utc, "Quillmarsh allotments"), range(3))
        } == {len(png)}


def test_the_curve_moves_with_the_data() -> None:
    """A warmer paste is drawn higher and falls to the right; the cooler probe lies below the core."""
    core, top = STYLES["core"][0], STYLES["top"][0]
    cool, warm = (_open(curve_png(_curve(warmer), _utc)) for warmer in (0.0, 10.0))
    assert _height_of(warm, core, 160) < _height_of(cool, core, 160) - 5
    assert _height_of(cool, core, 110) < _height_of(cool, core, 200) < _height_of(cool, core, 350)
    assert _height_of(cool, core, 200) < max(_height_of(cool, top, x) for x in range(198, 206) if _has(cool, top, x))


def _has(picture: Image.Image, colour: tuple[int, int, int], x: int) -> bool:
    try:
        _height_of(picture, colour, x)
    except AssertionError:
        return False
    return True


def test_the_forecast_and_the_heat_are_drawn() -> None:
    """With them the picture differs from one without, in the place where they belong."""
    whole = _open(curve_png(_curve(), _utc))
    without = _open(curve_png(replace(_curve(), forecast=()), _utc))
    assert whole.tobytes() != without.tobytes()
    no_heat = _open(curve_png(replace(_curve(), heat=()), _utc))
    lower = (80, 500, 730, 640)
    assert whole.crop(lower).tobytes() != no_heat.crop(lower).tobytes()


@pytest.mark.parametrize(
    "curve",
    [
        BatchCurve("shed-2"),
        BatchCurve("shed-2", paste=(("core", ((FROM_S, 50.0),)),)),
        BatchCurve("shed-2", paste=(("wall", ((FROM_S, float("nan")), (FROM_S + 60, 50.0), (FROM_S + 9000, 51.0))),)),
        replace(_curve(), marks=tuple((FROM_S + 60.0 * i, f"something long to say, number {i}") for i in range(90))),
        replace(_curve(), bucket="ł" * 300, batch="\x00桶 " * 90),
        replace(_curve(), running=False, heat=((FROM_S, 0.0, 0.0), (FROM_S + 600, 0.0, 0.0))),
    ],
)
def test_whatever_there_is_a_picture_comes(curve: BatchCurve) -> None:
    """Nothing, one reading, no numbers, ninety deeds or letters that no font has: a picture of the right size."""
    _open(curve_png(curve, _utc, "the allotments"))
    _open(curve_png(curve, _utc, face=HELVETICA))


def test_it_speaks_the_units_of_its_reader() -> None:
    """The same curve in °F is another picture."""
    metric = curve_png(_curve(), _utc)
    with speaking(Voice(units=US)):
        assert curve_png(_curve(), _utc) != metric
