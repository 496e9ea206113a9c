"""All pages that links lead to, for a visitor and for a grower behind the door, and the routes that answer them."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import quote, unquote, urljoin, urlsplit

from playwright.sync_api import Browser, Page
from starlette.routing import Match

from .looks import enter, visitor
from .night import ENDED, PASSPHRASE, Shed

HANDS = ("visitor", "grower")
_MOST_PAGES = 150
_LINKS = """() => [
  ...Array.from(document.querySelectorAll('a[href]'), (link) => link.href),
  ...Array.from(document.querySelectorAll('form[method=get]'), (form) => form.action)]"""


@dataclass
class Crawl:
    """The pages found, by who found them, and the text of each; ``files`` are what else links lead to."""

    found: dict[str, dict[str, str]] = field(default_factory=dict)
    files: set[str] = field(default_factory=set)

    def to_look_at(self, who: str) -> list[str]:
        """The addresses of one hand; what looks the same to both is looked at once."""
        seen = {} if who == HANDS[0] else self.found[HANDS[0]]
        return [
            path for path, text in self.found[who].items() if _without_token(seen.get(path, "")) != _without_token(text)
        ]

    @property
    def addresses(self) -> set[str]:
        """The paths that anybody found."""
        return {unquote(urlsplit(path).path) for found in (*self.found.values(), self.files) for path in found}


def crawled(browser: Browser, base: str, shed: Shed) -> Crawl:
    """Follow every link that stays on this host, from where somebody begins: the first page, the address that the code
    on a label holds, and those in messages.
    """
    crawl = Crawl()
    starts = ["/", f"/batch/{quote(ENDED.name)}", *shed.in_messages()]
    for who in HANDS:
        with visitor(browser, base) as (page, _):
            if who == "grower":
                enter(page, PASSPHRASE)
            crawl.found[who] = dict(_pages(page, base, starts, crawl.files))
    return crawl


def _pages(page: Page, base: str, starts: list[str], files: set[str]) -> Iterator[tuple[str, str]]:
    waiting, seen = list(starts), set(starts)
    while waiting:
        path = waiting.pop(0)
        answer = page.request.get(path)
        assert answer.ok, f"a link leads to {path}, which answers {answer.status}"
        if not answer.headers.get("content-type", "").startswith("text/html"):
            files.add(path)
            continue
        yield path, answer.text()
        page.goto(path)
        for link in page.evaluate(_LINKS):
            parts = urlsplit(urljoin(base, link))
            if f"{parts.scheme}://{parts.netloc}" != base:
                continue
            there = parts.path + (f"?{parts.query}" if parts.query else "")
            if there not in seen:
                seen.add(there)
                waiting.append(there)
        assert len(seen) < _MOST_PAGES, f"links without end: {sorted(seen)[-5:]}"


def _without_token(text: str) -> str:
    return re.sub(r"[0-9a-f]{64}", "", text)


# ---- the application's own list ------------------------------------------------------------------------------------


def routes(shed: Shed) -> list[Any]:
    """The routes of the page that a shed serves."""
    application = shed.running._page._served._server.config.app
    while not hasattr(application, "routes"):
        application = getattr(application, "_app", None) or application.app
    return list(application.routes)


def route_of(shed: Shed, path: str) -> Any:
    """The route that answers a GET for the path: the first one that fits. None when there is none."""
    scope = {"type": "http", "method": "GET", "path": path, "headers": [], "root_path": ""}
    return next((route for route in routes(shed) if route.matches(scope)[0] == Match.FULL), None)
