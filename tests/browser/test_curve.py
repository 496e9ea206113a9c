"""The curve in a browser: drawn at once, then one to zoom into; the part shown stays while readings come; paper too."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import Any

import pypdfium2
import pytest
from playwright.sync_api import Browser, Page, expect

from monitor.domain import Reading

from .looks import Listener, visitor
from .night import ENDED, Shed

_PHONE: dict[str, Any] = {
    "viewport": {"width": 360, "height": 740}, "device_scale_factor": 2, "is_mobile": True, "has_touch": True,
}  # fmt: skip
_BUCKET = "/bucket/shed-2"
# How much of the plot the curve's colour covers, and where: [dots, mean x, mean y] as shares of the canvas.
_PAINT = """(name) => {
  const shown = document.querySelector('#curve canvas');
  const canvas = document.createElement('canvas');
  [canvas.width, canvas.height] = [shown.width, shown.height];
  const context = canvas.getContext('2d', { willReadFrequently: true });
  context.drawImage(shown, 0, 0);
  const probe = document.createElement('span');
  probe.style.color = `var(${name})`;
  document.body.append(probe);
  const wanted = getComputedStyle(probe).color.match(/[0-9]+/g).map(Number);
  probe.remove();
  const { data, width, height } = context.getImageData(0, 0, canvas.width, canvas.height);
  let [dots, x, y] = [0, 0, 0];
  for (let i = 0; i < data.length; i += 4) {
    if (wanted.every((part, k) => Math.abs(data[i + k] - part) < 12) && data[i + 3] > 200) {
      dots += 1; x += (i / 4) % width; y += Math.floor(i / 4 / width);
    }
  }
  return [dots, x / dots / width, y / dots / height];
}"""


@pytest.fixture
def opened(browser: Browser, address: str) -> Iterator[tuple[Page, Listener]]:
    with visitor(browser, address, **_PHONE) as (page, listener):
        page.goto(_BUCKET)
        _wait_for_chart(page)
        yield page, listener


def _wait_for_chart(page: Page) -> None:
    page.wait_for_selector("html.has-curve", state="attached")


def _pressed(page: Page) -> list[str]:
    return list(page.locator(".zoom[aria-pressed=true]").all_inner_texts())


def test_the_drawing_stays_until_the_chart_is_there(browser: Browser, address: str) -> None:
    """While the library is on its way, and for good where it does not come, the server's drawing shows."""
    with visitor(browser, address, **_PHONE) as (page, _):
        page.route("**/static/vendor/uplot.js*", lambda route: route.abort())
        page.goto(_BUCKET)
        page.wait_for_timeout(1500)
        drawing = page.locator(".drawn svg.chart").first
        assert drawing.is_visible()
        assert not page.locator("#curve").is_visible()
        page.unroute("**/static/vendor/uplot.js*")
        page.reload()
        _wait_for_chart(page)
        assert not drawing.is_visible()
        assert page.locator("#curve canvas").first.is_visible()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_curve_is_painted_in_the_colours_of_the_scheme(browser: Browser, address: str, scheme: str) -> None:
    """Paste and band are there in both schemes, the policy is not offended, and the canvas says what it shows."""
    with visitor(browser, address, color_scheme=scheme, **_PHONE) as (page, listener):
        page.goto(_BUCKET)
        _wait_for_chart(page)
        for name in ("--paste", "--band"):
            assert page.evaluate(_PAINT, name)[0] > 300, name
        canvas = page.locator("#curve canvas").first
        assert canvas.get_attribute("role") == "img"
        assert "highest" in (canvas.get_attribute("aria-label") or "")
        assert listener.taken() == []
        # A change of the scheme while the page is open is followed.
        page.emulate_media(color_scheme="dark" if scheme == "light" else "light")
        page.wait_for_timeout(300)
        assert page.evaluate(_PAINT, "--paste")[0] > 300


def test_what_is_zoomed_stays_while_readings_come(browser: Browser, fresh: Callable[[], Shed]) -> None:
    """News brings new readings into the very same chart; part, node and focus stay; then all of it shows them."""
    shed = fresh()
    address = shed.serve()
    with visitor(browser, address, **_PHONE) as (page, listener):
        page.goto(_BUCKET)
        _wait_for_chart(page)
        before = page.evaluate(_PAINT, "--paste")
        page.evaluate("document.querySelector('#curve canvas').sameNode = true")
        for _ in range(2):  # to the first hours: what comes lies outside them
            _pinch(page, 0.05, 0.25)
        page.wait_for_timeout(600)
        zoomed = page.evaluate(_PAINT, "--paste")
        assert _pressed(page) == []
        page.locator(".zoom[aria-label=later]").focus()
        said = page.locator("#curve canvas").first.get_attribute("aria-label")
        shed.now_s += 30.0
        shed.desk.add_readings([Reading("shed-2", "core", shed.now_s - 1.0, shed.now_s, 88.8)])
        label = page.locator("#curve canvas").first
        expect(label).not_to_have_attribute("aria-label", said or "", timeout=15_000)
        page.wait_for_timeout(6000)  # the figures come a little later than the words
        assert page.evaluate("document.querySelector('#curve canvas').sameNode") is True
        assert page.evaluate("document.activeElement.getAttribute('aria-label')") == "later"
        again = page.evaluate(_PAINT, "--paste")
        assert again[1] == pytest.approx(zoomed[1], abs=0.02)
        assert again[2] == pytest.approx(zoomed[2], abs=0.02)
        page.locator(".zoom[aria-label='all of it']").click()
        page.wait_for_timeout(400)
        # The new reading lies high above the rest: the scale makes room for it.
        assert page.evaluate(_PAINT, "--paste")[2] != pytest.approx(before[2], abs=0.005)
        assert listener.taken() == []


def _touch(page: Page, kind: str, shares: list[float]) -> None:
    box = page.locator("#curve .u-over").first.bounding_box()
    assert box is not None
    if "touch" not in page.__dict__:
        page.__dict__["touch"] = page.context.new_cdp_session(page)
    points = [
        {"x": box["x"] + share * box["width"], "y": box["y"] + box["height"] / 2, "id": place}
        for place, share in enumerate(shares)
    ]
    page.__dict__["touch"].send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})


def _pinch(page: Page, one: float, other: float) -> None:
    """Two fingers go from the middle of these shares of the width to twice as far apart."""
    page.evaluate("document.querySelector('.readout').scrollIntoView()")
    middle, half = (one + other) / 2, (other - one) / 4
    _touch(page, "touchStart", [middle - half, middle + half])
    for step in range(1, 11):
        far = half * (1 + step / 10)
        _touch(page, "touchMove", [middle - far, middle + far])
    _touch(page, "touchEnd", [])


def test_fingers_zoom_move_and_go_back(opened: tuple[Page, Listener]) -> None:
    """Two fingers zoom, one moves, a tap tells the figures of that moment, two taps show all of it again."""
    page, listener = opened
    assert _pressed(page) == ["all"]
    whole = page.evaluate(_PAINT, "--paste")
    _pinch(page, 0.3, 0.7)
    page.wait_for_timeout(600)
    assert _pressed(page) == []
    zoomed = page.evaluate(_PAINT, "--paste")
    assert zoomed[2] != pytest.approx(whole[2], abs=0.005)
    _touch(page, "touchStart", [0.4])
    for step in range(1, 11):
        _touch(page, "touchMove", [0.4 + 0.03 * step])
    _touch(page, "touchEnd", [])
    page.wait_for_timeout(600)
    assert page.evaluate(_PAINT, "--paste")[1:] != pytest.approx(zoomed[1:], abs=0.002)
    for _ in range(2):
        _touch(page, "touchStart", [0.5])
        _touch(page, "touchEnd", [])
    page.wait_for_timeout(400)
    assert _pressed(page) == ["all"]
    box = page.locator("#curve .u-over").first.bounding_box()
    assert box is not None
    page.touchscreen.tap(box["x"] + 0.6 * box["width"], box["y"] + 0.5 * box["height"])
    expect(page.locator(".readout")).to_contain_text("°C")
    assert listener.taken() == []


def _told(browser: Browser, address: str, **how: Any) -> tuple[str, list[str]]:
    """What a tap in the middle tells, and the figures beside the axis, as a screen has them."""
    unit = how.pop("unit", "°C")
    with visitor(browser, address, **_PHONE, **how) as (page, _):
        page.route(
            f"**{_BUCKET}",
            lambda route: route.fulfill(body=route.fetch().text().replace('data-unit="°C"', f'data-unit="{unit}"'),
                                        content_type="text/html"),
        )  # fmt: skip
        page.goto(_BUCKET)
        _wait_for_chart(page)
        page.evaluate("document.querySelector('.readout').scrollIntoView()")
        box = page.locator("#curve .u-over").first.bounding_box()
        assert box is not None
        page.touchscreen.tap(box["x"] + 0.3 * box["width"], box["y"] + 0.5 * box["height"])
        expect(page.locator(".readout")).to_contain_text(unit)
        text = page.locator(".readout").inner_text()
    return text.partition(": ")[0], re.findall(r"[a-z]+ (-?[0-9]+[.][0-9])", text)


def test_times_are_those_of_the_place_and_units_those_of_the_reader(browser: Browser, address: str) -> None:
    """A phone on the other side of the world tells the farm's clock; °F are the same temperatures in °F."""
    here, celsius = _told(browser, address, timezone_id="UTC")
    there, same = _told(browser, address, timezone_id="Asia/Tokyo")
    assert (here, celsius) == (there, same)
    assert re.fullmatch(r"\w+ \d+ \d\d:\d\d", here)
    _, fahrenheit = _told(browser, address, unit="°F")
    assert len(celsius) == len(fahrenheit) >= 1
    for one, other in zip(celsius, fahrenheit, strict=True):
        assert float(other) == pytest.approx(float(one) * 1.8 + 32.0, abs=0.15)


def test_keys_do_what_fingers_do(opened: tuple[Page, Listener]) -> None:
    """Every part can be shown by buttons alone: the newest hours, earlier, later, all."""
    page, _ = opened
    page.locator(".zoom[aria-label='last 3 h']").focus()
    page.keyboard.press("Enter")
    page.wait_for_timeout(300)
    assert _pressed(page) == ["3 h"]
    page.locator(".zoom[aria-label=earlier]").focus()
    page.keyboard.press("Enter")
    page.wait_for_timeout(300)
    assert _pressed(page) == []
    assert page.locator(".zoom[aria-label=later]").is_enabled()
    page.locator(".zoom[aria-label='all of it']").focus()
    page.keyboard.press("Enter")
    page.wait_for_timeout(300)
    assert page.locator(".zoom[aria-label=earlier]").is_disabled()


def test_a_probe_that_comes_later_is_drawn_and_still_listens(browser: Browser, fresh: Callable[[], Shed]) -> None:
    """A second probe is put in while the page is open: the chart is made anew with it, and fingers still zoom."""
    shed = fresh()
    with visitor(browser, shed.serve(), **_PHONE) as (page, listener):
        page.goto(_BUCKET)
        _wait_for_chart(page)
        assert page.evaluate(_PAINT, "--bottom")[0] == 0
        shed.desk.add_readings(
            Reading("shed-2", "bottom", shed.now_s - 60.0 * i, shed.now_s, 70.0 + i % 3) for i in range(1, 120)
        )
        page.wait_for_function(f"() => ({_PAINT})('--bottom')[0] > 100", timeout=30_000)
        _pinch(page, 0.3, 0.7)
        page.wait_for_timeout(600)
        assert _pressed(page) == []
        assert listener.taken() == []


def test_an_ended_batch_begins_with_its_first_hours(browser: Browser, address: str) -> None:
    """Its chart is there too, and the short parts are the first ones: the blend tells the most."""
    with visitor(browser, address, **_PHONE) as (page, listener):
        page.goto(f"/batch/{ENDED.name}")
        _wait_for_chart(page)
        page.locator(".zoom[aria-label='first 3 h']").click()
        page.wait_for_timeout(600)
        assert page.evaluate(_PAINT, "--paste")[0] > 200
        assert page.locator(".zoom[aria-label=earlier]").is_disabled()
        assert listener.taken() == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_paper_is_black_on_white(browser: Browser, address: str, scheme: str) -> None:
    """Printed are drawings and log, black on white whatever the screen shows; nothing to press, on A4."""
    with visitor(browser, address, color_scheme=scheme) as (page, _):
        page.goto(_BUCKET)
        _wait_for_chart(page)
        pdf = page.pdf(format="A4")
        page.emulate_media(media="print")
        assert page.locator(".drawn svg.chart").first.is_visible()
        for gone in ("#curve", "nav", ".button"):
            assert not page.locator(gone).first.is_visible(), gone
        assert page.evaluate("getComputedStyle(document.body).color") == "rgb(0, 0, 0)"
        assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
        stroke = "getComputedStyle(document.querySelector('.chart polyline.paste')).stroke"
        assert page.evaluate(stroke) == "rgb(0, 0, 0)"
    document = pypdfium2.PdfDocument(pdf)
    text = "".join(sheet.get_textpage().get_text_range() for sheet in document)
    assert document[0].get_size() == pytest.approx((595.0, 842.0), abs=2.0)
    assert "Log" in text and "blended" in text
    assert "Picture to send on" not in text
