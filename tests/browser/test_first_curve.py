"""The first view of a full shed: twenty buckets, three days at ten seconds, five probes each; nothing in any cache."""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page

from monitor.domain import Batch, LogEntry, OilShare, Reading, Recipe, Vessel
from monitor.journal.database import Journal
from monitor.page_wiring import PageWiring
from monitor.settings import BucketSettings, PageSettings, Settings, SiteSettings

from .looks import visitor

_BUCKETS, _HOURS, _EVERY_S = 20, 72, 10
_NOW_S = 1768845600.0  # Monday 19 January 2026, 18:00 UTC
_PROBES = {"core": 0.0, "wall": 9.0, "top": 3.0, "bottom": 5.0}
_FIRST_VIEW_BYTES = 100_000

# When the browser had painted something, and whether a curve was among it; bytes over the wire by address.
_TIMES = """() => ({
  painted: performance.getEntriesByName('first-contentful-paint')[0].startTime,
  curves: document.querySelectorAll('svg polyline').length,
  bytes: Object.fromEntries([...performance.getEntriesByType('navigation'), ...performance.getEntriesByType('resource')]
    .map((one) => [new URL(one.name).pathname, one.transferSize])),
})"""


def fill(journal: Journal) -> None:
    """Batches that all warmed and cooled alike: what they show is not the point, how much it is."""
    start_s = _NOW_S - _HOURS * 3600.0
    after = range(0, _HOURS * 3600, _EVERY_S)
    levels = [8.0 + 80.0 * (1.25 * math.exp(-s / 18000.0) - 0.65 * math.exp(-s / 700.0)) + s % 70 / 300 for s in after]
    for number in range(_BUCKETS):
        name, batch = f"shed-{number + 1}", f"Quillmarsh {number + 40}"
        recipe = Recipe((OilShare("sunflower", 4.2),), 0.85, 0.9, 1.3)
        journal.add_batch(Batch(batch, name, start_s, recipe, Vessel(25.0), noted_at_s=start_s))
        for kind, minutes in (("poured", 0.0), ("blended", 10.0), ("probe-in", 12.0)):
            journal.add_entry(batch, LogEntry(kind, start_s + 60 * minutes, start_s + 60 * minutes))
        for probe, cooler_k in _PROBES.items():
            journal.add_readings(
                Reading(name, probe, start_s + s, start_s + s, level - cooler_k)
                for s, level in zip(after, levels, strict=True)
            )
        journal.add_readings(Reading(name, "ambient", start_s + s, start_s + s, 8.0 + s % 30 / 100) for s in after)


@pytest.fixture(scope="module")
def crowded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("crowded") / "journal.sqlite"
    with Journal(path) as journal:
        fill(journal)
    return path


@contextmanager
def served(path: Path) -> Iterator[str]:
    """The page as ``watch`` serves it, of a server that has not read a single curve yet."""
    settings = Settings(
        site=SiteSettings(name="Quillmarsh allotments (invented)", time_zone="UTC"),
        buckets=tuple(BucketSettings(f"shed-{number + 1}", 25.0) for number in range(_BUCKETS)),
        page=PageSettings(), journal_path=path,
    )  # fmt: skip
    said: list[str] = []
    page = PageWiring(settings, path, lambda: _NOW_S, {}, {})
    page.start(0, said.append)
    try:
        yield next(word for line in said for word in line.split() if word.startswith("http")).rstrip("/")
    finally:
        page.stop()


def _looked(page: Page, path: str) -> dict[str, Any]:
    page.goto(path, wait_until="load")
    page.wait_for_function("() => performance.getEntriesByName('first-contentful-paint').length > 0")
    return dict(page.evaluate(_TIMES))


PAGES = (("/", _BUCKETS), ("/bucket/shed-7", 5), ("/batch/Quillmarsh%2052", 5))


@pytest.mark.slow
@pytest.mark.parametrize(("path", "least"), PAGES)
def test_the_first_view_is_light_and_has_its_curves(browser: Browser, crowded: Path, path: str, least: int) -> None:
    """All buckets, one bucket, one batch: what is painted first has the curves, before any script or chart library.

    How soon that is, ``python -m tests.bench.page_speed`` measures.
    """
    seen = look_once(browser, crowded, path)
    # Whole curves, not their pieces.
    assert least <= seen["curves"] <= least + 2
    assert seen["light"] < _FIRST_VIEW_BYTES
    assert seen["faults"] == []


def look_once(browser: Browser, crowded: Path, path: str) -> dict[str, Any]:
    """Look at a page with empty caches everywhere: when it was painted and could be zoomed into (ms), its curves, its
    bytes without the chart library, and what the browser complained of.
    """
    with (
        served(crowded) as address,
        visitor(browser, address, viewport={"width": 360, "height": 740}) as (page, listener),
    ):
        seen = _looked(page, path)
        seen["light"] = sum(size for address, size in seen["bytes"].items() if "/vendor/" not in address)
        seen["faults"] = listener.taken()
        if path != "/":
            page.wait_for_selector("html.has-curve", state="attached")
            seen["zoomed"] = float(page.evaluate("performance.now()"))
        return seen
