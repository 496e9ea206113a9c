"""Every page that can be reached by a link: on a phone, a tablet and a desk, in light and dark, before and behind the
door. axe-core finds nothing, nothing scrolls sideways, everything can be pressed, nothing is asked of another host.
"""

from __future__ import annotations

from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Browser

from .crawl import HANDS, Crawl, route_of, routes
from .looks import COLOURS, FIGURE_PX, WIDTHS, axe_faults, enter, figure_sizes_px, settle, size_faults, visitor
from .night import PASSPHRASE, Shed

# Routes that are no page for people, each with its reason; a page must be reached by links.
NO_PAGE = {
    "/live": "the stream of events",
    "/status.json": "for programs",
    "/healthz": "for programs",
    "/metrics": "for programs",
    "/static": "files, loaded by the pages",
    "/bucket/{name:path}/curve.json": "columns of figures, for the chart",
    "/batch/{name:path}/curve.json": "the same",
    "/bucket/{name:path}/curve.png": "a picture",
    "/batch/{name:path}/curve.png": "a picture",
}


def test_every_page_is_reached_by_a_link(crawl: Crawl, played: Shed) -> None:
    """Each address that the application answers with a page has been found by following links from the first one."""
    answered = {route_of(played, path).path for path in crawl.addresses}
    missing = [
        route.path
        for route in routes(played)
        if "GET" in (getattr(route, "methods", None) or {"GET"})
        and not any(route.path == path or route.path.startswith(f"{path}/") for path in NO_PAGE)
        and route.path not in answered
    ]
    assert missing == [], "no link leads there; if it is no page, add it to NO_PAGE with the reason"


@pytest.mark.slow
@pytest.mark.parametrize("who", HANDS)
def test_every_page_can_be_read_and_pressed(browser: Browser, address: str, crawl: Crawl, who: str) -> None:
    """At 360, 768 and 1280 px, light and dark: no violation of WCAG 2.2 AA, no sideways scrolling, targets of 48 px, 64
    for gloves. In the dark axe looks at colours only: nothing else of a page depends on the scheme.
    """
    faults = []
    with visitor(browser, address) as (page, listener):
        if who == "grower":
            enter(page, PASSPHRASE)
        for path in crawl.to_look_at(who):
            page.set_viewport_size({"width": WIDTHS[0], "height": 800})
            page.goto(path)
            for width in WIDTHS:
                page.set_viewport_size({"width": width, "height": 800})
                page.emulate_media(color_scheme="light")
                settle(page)
                found = [*size_faults(page), *axe_faults(page)]
                page.emulate_media(color_scheme="dark")
                settle(page)
                found += [f"in the dark, {fault}" for fault in axe_faults(page, COLOURS)]
                if urlsplit(path).path == "/":
                    sizes = figure_sizes_px(page)
                    assert sizes, "no temperature on the first page"
                    found += [f"a figure of {size} px" for size in sizes if size < FIGURE_PX]
                faults += [f"{path} ({who}, {width} px): {fault}" for fault in found]
            faults += [f"{path} ({who}): {fault}" for fault in listener.taken()]
    assert faults == [], "\n".join(faults)


def test_a_phone_that_is_turned_shows_all_of_the_page(browser: Browser, address: str) -> None:
    """From lying to standing, the page with the curve fits again at once."""
    with visitor(browser, address, viewport={"width": 740, "height": 360}) as (page, _):
        page.goto("/bucket/shed-1")
        settle(page)
        page.set_viewport_size({"width": 360, "height": 740})
        page.wait_for_function("() => document.documentElement.scrollWidth <= 360", timeout=3000)
        assert size_faults(page) == []


def test_the_looking_itself_finds_what_is_wrong(browser: Browser, address: str) -> None:
    """A page spoilt on purpose is not passed over: grey on grey, a false role, a thin button, a page too wide."""
    with visitor(browser, address) as (page, listener):
        page.goto("/")
        page.evaluate(
            """() => {
              const bad = new CSSStyleSheet();
              bad.replaceSync('.age { color: #999; background: #aaa } .button { min-height: 20px; padding: 0 }'
                + 'main { min-width: 1500px }');
              document.adoptedStyleSheets = [bad];
              document.querySelector('h2').setAttribute('role', 'invented');
              console.error('spoilt');
              fetch('http://192.0.2.1/').catch(() => {});
            }"""
        )
        axe, sizes = " ".join(axe_faults(page)), " ".join(size_faults(page))
        assert "color-contrast" in " ".join(axe_faults(page, COLOURS))
        said = " ".join(listener.taken())
    assert "color-contrast" in axe and "aria-roles" in axe
    assert "sideways" in sizes and "too small to press" in sizes
    assert "spoilt" in said and "violates the following Content Security Policy" in said
