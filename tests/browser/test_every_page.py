"""Every page that can be reached by a link: on a phone, a tablet and a desk, in light and dark, before and behind the
door. axe-core finds nothing, nothing scrolls sideways, everything can be pressed, nothing is asked of another host.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from urllib.parse import quote, urljoin, urlsplit

import pytest
from playwright.sync_api import Browser, Page

from .looks import FIGURE_PX, SCHEMES, WIDTHS, axe_faults, enter, figure_sizes_px, size_faults, visitor
from .night import ENDED, PASSPHRASE, Shed

# Routes that are no page for people, each with its reason; a page must be reached by links.
NO_PAGE = {
    "/live": "the stream of events",
    "/status.json": "for programs",
    "/healthz": "for programs",
    "/static": "files, loaded by the pages",
    "/bucket/{name:path}/curve.json": "columns of figures, for the chart",
    "/batch/{name:path}/curve.json": "the same",
    "/bucket/{name:path}/curve.png": "a picture",
    "/batch/{name:path}/curve.png": "a picture",
}
# Where somebody begins: the first page, and the address that the code on a label holds.
STARTS = ("/", f"/batch/{quote(ENDED.name)}")
_MOST_PAGES = 150
_HANDS = ("visitor", "grower")


@dataclass
class Crawl:
    """The addresses found, by who found them, and the text of each."""

    found: dict[str, dict[str, str]] = field(default_factory=dict)

    def to_look_at(self) -> list[tuple[str, str]]:
        """(who, address): what looks the same to both is looked at once."""
        return [
            (who, path)
            for who in _HANDS
            for path, text in self.found[who].items()
            if who == _HANDS[0] or _without_token(self.found[_HANDS[0]].get(path, "")) != _without_token(text)
        ]


def _without_token(text: str) -> str:
    return re.sub(r"[0-9a-f]{64}", "", text)


def _links(page: Page) -> list[str]:
    """Where the links of a page lead, and forms that only ask (GET)."""
    return list(
        page.evaluate(
            "() => [...Array.from(document.querySelectorAll('a[href]'), (a) => a.href),"
            " ...Array.from(document.querySelectorAll('form[method=get]'), (form) => form.action)]"
        )
    )


def _crawl(page: Page, base: str) -> Iterator[tuple[str, str]]:
    waiting, seen = list(STARTS), set(STARTS)
    while waiting:
        path = waiting.pop(0)
        answer = page.request.get(path)
        kind = answer.headers.get("content-type", "")
        assert answer.ok, f"a link leads to {path}, which answers {answer.status}"
        if not kind.startswith("text/html"):
            continue
        text = answer.text()
        yield path, text
        page.goto(path)
        for link in _links(page):
            parts = urlsplit(urljoin(base, link))
            if parts.scheme not in ("http", "https") or f"{parts.scheme}://{parts.netloc}" != base:
                continue
            there = parts.path + (f"?{parts.query}" if parts.query else "")
            if there not in seen:
                seen.add(there)
                waiting.append(there)
        assert len(seen) < _MOST_PAGES, f"links without end: {sorted(seen)[-5:]}"


@pytest.fixture(scope="module")
def crawl(browser: Browser, address: str) -> Crawl:
    """All pages that links lead to, for a visitor and for a grower behind the door."""
    crawl = Crawl()
    for who in _HANDS:
        with visitor(browser, address) as (page, _):
            if who == "grower":
                enter(page, PASSPHRASE)
            crawl.found[who] = dict(_crawl(page, address))
    return crawl


def test_every_page_is_reached_by_a_link(crawl: Crawl, played: Shed) -> None:
    """Each address that the application answers with a page has been found by following links from the first one."""
    visited = {urlsplit(path).path for found in crawl.found.values() for path in found}
    missing = []
    for route in _routes(played):
        methods = getattr(route, "methods", None)
        if methods is not None and "GET" not in methods:
            continue
        if any(route.path == path or route.path.startswith(f"{path}/") for path in NO_PAGE):
            continue
        # The first route that fits an address answers it.
        if not any(_answers(played, path) is route for path in visited):
            missing.append(route.path)
    assert missing == [], "no link leads there; if it is no page, add it to NO_PAGE with the reason"


def _routes(shed: Shed) -> list:  # type: ignore[type-arg]
    application = shed.running._page._server.config.app
    while not hasattr(application, "routes"):
        application = getattr(application, "_app", None) or application.app
    return list(application.routes)


def _answers(shed: Shed, path: str) -> object:
    from starlette.routing import Match

    scope = {"type": "http", "method": "GET", "path": path, "headers": [], "root_path": ""}
    return next((route for route in _routes(shed) if route.matches(scope)[0] == Match.FULL), None)


@pytest.mark.slow
@pytest.mark.parametrize("scheme", SCHEMES)
def test_every_page_can_be_read_and_pressed(browser: Browser, address: str, crawl: Crawl, scheme: str) -> None:
    """At 360, 768 and 1280 px: no violation of WCAG 2.2 AA, no sideways scrolling, targets of 48 px, 64 for gloves."""
    faults = []
    for who in _HANDS:
        with visitor(browser, address, color_scheme=scheme) as (page, listener):
            if who == "grower":
                enter(page, PASSPHRASE)
            for path in [path for hand, path in crawl.to_look_at() if hand == who]:
                page.goto(path)
                for width in WIDTHS:
                    page.set_viewport_size({"width": width, "height": 800})
                    found = [*size_faults(page), *axe_faults(page)]
                    if urlsplit(path).path == "/":
                        found += [f"a figure of {size} px" for size in figure_sizes_px(page) if size < FIGURE_PX]
                        assert figure_sizes_px(page), "no temperature on the first page"
                    faults += [f"{path} ({who}, {width} px): {fault}" for fault in found]
                faults += [f"{path} ({who}): {fault}" for fault in listener.taken()]
    assert faults == [], "\n".join(faults)
