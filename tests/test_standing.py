"""The view of how everything stands: what the page shows is read from the journal, cheaply and completely."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.domain import Batch, Reading, Vessel
from monitor.journal.database import Journal
from monitor.page.view import BucketView
from monitor.settings import BucketSettings, Settings
from monitor.standing import KEPT_S, nothing_yet, page_view, status_view
from tests.helpers_watch import RECIPE

NOW_S = 1768845600.0  # Monday 19 January 2026, 18:00 UTC
DAYS_S = 72 * 3600.0


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    with Journal(tmp_path / "journal.sqlite") as one:
        one.add_batch(Batch("A", "shed-1", NOW_S - DAYS_S, RECIPE, Vessel(20.0), noted_at_s=NOW_S - DAYS_S))
        yield one


def feed(journal: Journal, from_s: float, to_s: float, value_c: float = 40.0, step_s: float = 60.0) -> None:
    times_s = [from_s + step_s * i for i in range(int((to_s - from_s) / step_s))]
    probes = ("core", "ambient")
    journal.add_readings(Reading("shed-1", probe, at, NOW_S, value_c) for at in times_s for probe in probes)


class Page:
    """Somebody who has the page open."""

    def __init__(self, journal: Journal) -> None:
        self.now_s = NOW_S
        self._view = page_view(lambda: journal, Settings(), lambda: self.now_s, {})

    def bucket(self) -> BucketView:
        return self._view().buckets[0]


def test_a_short_peak_is_not_thinned_away(journal: Journal) -> None:
    """Three days are drawn in some hundred points; the hottest minute is one of them."""
    feed(journal, NOW_S - DAYS_S, NOW_S)
    journal.add_readings([Reading("shed-1", "core", NOW_S - 60.0 * 3600.0 + 17.0, NOW_S, 93.5)])
    curve = Page(journal).bucket().curve
    assert max(value for _, value in curve) == 93.5 and len(curve) < 1200


def test_an_open_page_shows_new_readings_at_once_and_late_hours_soon(journal: Journal) -> None:
    """The newest minutes are read each time; what a node sends hours late is drawn within half an hour."""
    feed(journal, NOW_S - DAYS_S, NOW_S - 6 * 3600.0)
    page = Page(journal)
    assert page.bucket().curve[-1][0] < NOW_S - 5 * 3600.0
    feed(journal, NOW_S, NOW_S + 300.0, 55.0)
    page.now_s += 300.0
    assert page.bucket().curve[-1][1] == 55.0 and page.bucket().temperature_c == 55.0
    feed(journal, NOW_S - 6 * 3600.0, NOW_S, 47.0)
    page.now_s += KEPT_S
    assert any(value == 47.0 for _, value in page.bucket().curve)
    times_s = [at for at, _ in page.bucket().curve]
    assert times_s == sorted(times_s)


def test_readings_that_are_not_believed_are_not_drawn(journal: Journal) -> None:
    """A lie of a probe is in the journal, not in the curve and not the newest temperature."""
    feed(journal, NOW_S - 3600.0, NOW_S)
    journal.add_readings([Reading("shed-1", "core", NOW_S - 5.0, NOW_S, 85.0)], ["power-on"])
    bucket = Page(journal).bucket()
    assert bucket.temperature_c == 40.0 and max(value for _, value in bucket.curve) == 40.0


def test_what_it_costs_does_not_grow_with_the_days(journal: Journal) -> None:
    """Without curves, and on an open page, three days at 10 s take little more than an hour of them."""
    feed(journal, NOW_S - DAYS_S, NOW_S, step_s=10.0)
    began = time.perf_counter()
    status_view(journal, Settings(), NOW_S, with_curves=False)
    assert time.perf_counter() - began < 0.1
    page = Page(journal)
    page.bucket()
    began = time.perf_counter()
    page.bucket()
    assert time.perf_counter() - began < 0.1


def test_without_a_journal_the_buckets_of_the_settings_are_shown_empty() -> None:
    """And that nothing is minded and nobody rung."""
    view = nothing_yet(Settings(buckets=(BucketSettings("shed-1"),)), NOW_S)
    assert [bucket.standing for bucket in view.buckets] == ["empty"] and view.no_phone and len(view.watch) == 2
