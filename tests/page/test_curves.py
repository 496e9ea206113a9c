"""The curve for the page's script, and the drawings beside it: small, whole, and honest about gaps and forecasts."""

from __future__ import annotations

import gzip
import json
import math
import random
import re
from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from starlette.testclient import TestClient

from monitor.curve import BatchCurve, heat_ticks, time_ticks, zone_changes
from monitor.page.app import make_app
from monitor.page.chart import heat_svg
from monitor.page.curves import curve_values, window_of
from monitor.page.drawing import drawing
from monitor.page.vendor import library

from . import views

FROM_S = views.POURED_S
DAYS_S = 72 * 3600


def _utc(unix_s: float) -> datetime:
    return datetime.fromtimestamp(unix_s, UTC)


def _probe(cooler_k: float, seed: int, peak: tuple[float, float] | None = None) -> tuple[tuple[float, float], ...]:
    """Three days at ten seconds with the noise of a thermocouple; ``peak`` is one reading that stands out."""
    noise = random.Random(seed)
    points = []
    for after_s in range(0, DAYS_S, 10):
        level = 8.0 + 82.0 * (1.25 * math.exp(-after_s / 18000.0) - 0.65 * math.exp(-after_s / 700.0))
        points.append((FROM_S + after_s, round(level - cooler_k + noise.gauss(0.0, 0.12), 2)))
    return tuple(points) if peak is None else tuple(sorted([*points, peak]))


PEAK = (FROM_S + 40 * 3600 + 3.0, 97.75)
FULL = BatchCurve(
    "shed-2", "Quillmarsh 12", FROM_S + DAYS_S, True,
    paste=(
        ("core", _probe(0.0, 1, PEAK)), ("wall", _probe(6.0, 2)), ("top", _probe(2.0, 3)), ("bottom", _probe(4.0, 4)),
    ),
    air=_probe(60.0, 5),
    band=tuple((FROM_S + 600.0 * i, 20.0, 60.0) for i in range(450)),
    forecast=tuple((FROM_S + DAYS_S + 600.0 * i, 9.0, 11.0) for i in range(20)),
    heat=tuple((FROM_S + 600.0 * i, 900.0 * (1 - math.exp(-i / 6)), 50.0) for i in range(1, 432)),
    marks=((FROM_S, "poured"), (FROM_S + 600.0, "blended")),
    too_hot_c=95.0,
)  # fmt: skip


def test_three_days_of_four_probes_are_small_and_keep_the_peak() -> None:
    """About a thousand points a series, the single highest reading among them, and light on the wire."""
    values = curve_values(FULL, _utc)
    assert [probe["probe"] for probe in values["probes"]] == ["core", "wall", "top", "bottom"]
    for line in (*values["probes"], values["air"]):
        assert 500 < len(line["times"]) == len(line["temperature_c"]) <= 1000
        assert line["times"] == sorted(line["times"])
    core = values["probes"][0]
    assert max(core["temperature_c"]) == PEAK[1]
    at = core["times"][core["temperature_c"].index(PEAK[1])]
    assert values["from_s"] + at == PEAK[0]
    size = len(gzip.compress(json.dumps(values, separators=(",", ":")).encode(), 6))
    print(f"curve.json of 72 h, four probes and air: {size} bytes compressed")
    assert size < 40_000


def test_json_has_no_nan_whatever_comes() -> None:
    """A figure that is none is left out; what is sent is JSON as the standard has it."""
    bad = float("nan"), float("inf")
    curve = replace(
        FULL,
        paste=(("core", ((FROM_S, 50.0), (FROM_S + 60, bad[0]), (bad[1], 60.0), (FROM_S + 120, 51.0))),),
        band=((FROM_S, bad[0], 60.0), (FROM_S + 60, 20.0, 60.0)),
        forecast=((FROM_S, 1.0, bad[1]),),
        heat=((FROM_S, bad[0], 1.0), (FROM_S + 60, 5.0, bad[0]), (FROM_S + 120, 6.0, 1.0)),
        marks=((bad[0], "never"), (FROM_S, "poured")),
    )
    values = json.loads(json.dumps(curve_values(curve, _utc), allow_nan=False))
    assert values["probes"][0]["temperature_c"] == [50.0, 51.0]
    assert values["forecast"]["times"] == []
    assert values["heat"]["kj"] == [6.0]
    assert [event["words"] for event in values["events"]] == ["poured"]
    json.dumps(curve_values(BatchCurve("empty"), _utc), allow_nan=False)


def test_a_silent_hour_is_a_null() -> None:
    """Between two stretches stands a null, so that no line bridges the hour."""
    torn = BatchCurve("shed-2", paste=(("core", views.curve(gap=(7200.0, 10800.0))),))
    core = curve_values(torn, _utc)["probes"][0]
    assert core["temperature_c"].count(None) == 1
    gap = core["temperature_c"].index(None)
    assert core["times"][gap - 1] <= 7200 < core["times"][gap] < 10801


def _client(curve: BatchCurve | None = None) -> TestClient:
    class Courses:
        def of_bucket(self, name: str, window: tuple[float, float] | None = None) -> BatchCurve | None:
            return curve if name == "shed-2" else None

        def of_batch(self, name: str, window: tuple[float, float] | None = None) -> BatchCurve | None:
            return curve if name == "Quillmarsh 12" else None

    courses = None if curve is None else Courses()
    app = make_app(
        lambda: views.status(views.GOOD), local_time=_utc, courses=courses, picture=lambda *_: b"\x89PNG made here"
    )
    return TestClient(app, base_url="http://localhost", raise_server_exceptions=False)


def test_the_addresses_answer() -> None:
    """Bucket and batch give their curve and picture; an unknown one is a plain 404; without more the view's curve."""
    client = _client(FULL)
    for base in ("/bucket/shed-2", "/batch/Quillmarsh%2012"):
        assert client.get(f"{base}/curve.json").json()["batch"] == "Quillmarsh 12"
        answer = client.get(f"{base}/curve.png")
        assert answer.headers["content-type"] == "image/png"
        assert "Quillmarsh%2012" in answer.headers["content-disposition"]
    assert client.get("/bucket/none/curve.json").status_code == 404
    assert client.get("/bucket/none/curve.png").status_code == 404
    plain = _client()
    assert max(plain.get("/bucket/shed-2/curve.json").json()["probes"][0]["temperature_c"]) > 80
    part = plain.get(f"/bucket/shed-2/curve.json?from={FROM_S + 3600}&to={FROM_S + 3700}").json()
    assert len(part["probes"][0]["times"]) == 11
    assert "band" not in part


def test_many_phones_that_hear_of_the_same_news_draw_once() -> None:
    """Between two news the figures are made once for each language and units, however many ask; then anew."""
    asked = []

    class Courses:
        def of_bucket(self, name: str, window: tuple[float, float] | None = None) -> BatchCurve | None:
            asked.append(window)
            return replace(FULL, at_s=FROM_S + len(asked))

        of_batch = of_bucket

    stamp = [1]
    app = make_app(lambda: views.status(views.GOOD), local_time=_utc, courses=Courses(), stamp=lambda: stamp[0])
    client = TestClient(app, base_url="http://localhost")
    answers = {client.get("/bucket/shed-2/curve.json").text for _ in range(20)}
    assert (len(answers), len(asked)) == (1, 1)
    stamp[0] += 1
    assert client.get("/bucket/shed-2/curve.json").text not in answers
    # A part is somebody's own, and is never another's.
    client.get("/bucket/shed-2/curve.json?from=1&to=2")
    client.get("/bucket/shed-2/curve.json?from=1&to=2")
    assert len(asked) == 4
    pages = {client.get("/bucket/shed-2").text for _ in range(5)}
    assert (len(pages), len(asked)) == (1, 5)


def test_alarms_do_not_go_for_want_of_a_curve() -> None:
    """When the finer curve cannot be read the page comes all the same, with the curve that its view holds."""

    class Broken:
        def of_bucket(self, name: str, window: object = None) -> BatchCurve | None:
            raise OSError("the disk is gone")

        of_batch = of_bucket

    present = views.status(replace(views.GOOD, alarms=(views.NOT_TAKEN,)))
    app = make_app(lambda: present, local_time=_utc, courses=Broken())
    client = TestClient(app, base_url="http://localhost", raise_server_exceptions=False)
    page = client.get("/bucket/shed-2")
    assert page.status_code == 200
    assert "has not taken" in page.text
    assert "<polyline" in page.text
    assert client.get("/bucket/shed-2/curve.json").status_code == 503


@pytest.mark.parametrize(
    "asked", [(None, None), ("1", None), ("x", "2"), ("nan", "inf"), ("5", "5"), ("9", "3"), ("1e400", "2")]
)
def test_a_window_that_makes_no_sense_is_none(asked: tuple[str | None, str | None]) -> None:
    """What a stranger types after the question mark gives the whole curve, never an error."""
    assert window_of(asked) is None
    query = "&".join(f"{name}={value}" for name, value in zip(("from", "to"), asked, strict=True) if value)
    assert _client().get(f"/bucket/shed-2/curve.json?{query}").json()["events"]


def test_without_a_script_both_drawings_are_there() -> None:
    """Temperatures of all probes, the forecast said to be one, the heat with its range, and what the numbers mean."""
    html = drawing(FULL, _utc, base="/bucket/shed-2", library=library(), picture=True)
    assert html.count('<svg class="chart"') == 2
    for kind in ("paste", "wall", "top", "bottom", "air", "heat"):
        assert f'<polyline class="{kind}"' in html
    for words in ("forecast for this batch, if nothing is done", "how sure that is", "Picture to send on"):
        assert words in html
    assert '<ol class="marks"><li>poured, 09:20</li><li>blended, 09:30</li></ol>' in html
    assert "Heat released until" in html
    size = len(gzip.compress(html.encode(), 6))
    print(f"the panel with both drawings: {size} bytes compressed")
    assert size < 30_000


def test_the_box_for_the_script_holds_json_that_nothing_can_break_out_of() -> None:
    """Names from the wire stay words in its attributes."""
    nasty = replace(FULL, bucket='"><script>', marks=((FROM_S, '</ol><script>alert("x")'),))
    html = drawing(nasty, _utc, base='/bucket/"><b>', library=library())
    assert "<script" not in html
    assert "<b>" not in html
    words = re.search(r'data-words="([^"]+)"', html)
    assert words is not None


def test_heat_grows_in_round_figures() -> None:
    """The axis begins at nothing, ends above the range, and has few figures; the drawing's range holds its line."""
    for highest in (0.4, 3.0, 57.0, 240.0, 999.0, 1040.0, 8000.0):
        ticks = heat_ticks(highest)
        assert ticks[0] == 0.0
        assert ticks[-1] >= highest
        assert 2 <= len(ticks) <= 6
    assert heat_svg((), local_time=_utc) == ""
    svg = heat_svg(((0.0, 100.0, 10.0), (600.0, 200.0, 10.0), (1200.0, 250.0, 10.0)), local_time=_utc)
    edge = [float(pair.split(",")[1]) for pair in re.findall(r'heat-range" points="([^"]+)"', svg)[0].split()]
    line = [float(pair.split(",")[1]) for pair in re.findall(r'class="heat" points="([^"]+)"', svg)[0].split()]
    for place, y in enumerate(line):
        assert edge[place] < y < edge[-1 - place]


def test_the_clock_of_the_place_is_kept_over_a_change_to_summer_time() -> None:
    """29 March 2026, 01:00 UTC: clocks in London go from 01:00 to 02:00 (European rule). Ticks stay on midnight."""
    london = ZoneInfo("Europe/London")

    def local(unix_s: float) -> datetime:
        return datetime.fromtimestamp(unix_s, london)

    start = datetime(2026, 3, 28, 6, tzinfo=UTC).timestamp()
    change = datetime(2026, 3, 29, 1, tzinfo=UTC).timestamp()
    assert zone_changes(start, start + 3 * 86400, local) == [(start, 0.0), (change, 3600.0)]
    for at, _ in time_ticks(start, start + 4 * 86400, local):
        assert (local(at).hour, local(at).minute) == (0, 0)
