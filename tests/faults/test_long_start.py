"""Going on where the last watch was may take long, and must not be broken off by whoever looks for what hangs.

Begun anew the watch would have to go the same long way once more, and for ever.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from monitor import supervising, watch
from monitor.clock import ArrivalClock
from monitor.sources.health import HealthBook, SourceHealth
from monitor.sources.line import Deliver, Line, Origin
from monitor.watch import Watch
from tests.faults.whole_watch import whole_watch
from tests.helpers_watch import pack, settings_with
from tests.sources.conftest import wait_until


class Flood:
    """A source that has more to hand on than the watch lets wait."""

    name = "flood"

    def __init__(self, clock: ArrivalClock) -> None:
        self._clock, self._book = clock, HealthBook(clock.now, "it floods.")
        self.handed = 0
        self.still = threading.Event()

    def run(self, deliver: Deliver, stop: threading.Event) -> None:
        while not stop.is_set():
            self._book.progress()
            for _ in range(40):  # between two signs of its own, as a broker's packets come
                deliver(Line(self._clock.now(), pack("shed-1", 50.0), Origin("serial", self.name)))
                self.handed += 1
            if self.still.is_set():
                stop.wait()

    def health(self) -> SourceHealth:
        return self._book.snapshot()


@contextmanager
def starting(folder: Path, *sources: Any) -> Iterator[list[str]]:
    clock = sources[0]._clock if sources else ArrivalClock()
    with whole_watch(folder, settings_with("shed-1"), clock, sources) as went:
        yield went


@pytest.fixture
def opened(monkeypatch: pytest.MonkeyPatch) -> threading.Event:
    """A way of five seconds to where the last watch was, without a sign; set once it is gone."""
    monkeypatch.setattr(supervising, "CHECK_EVERY_S", 0.25)
    monkeypatch.setattr(supervising, "HUNG_AFTER_S", 2.0)
    usual, over = Watch._open, threading.Event()

    def slowly(self: Watch) -> None:
        time.sleep(5.0)
        usual(self)
        over.set()

    monkeypatch.setattr(Watch, "_open", slowly)
    return over


def test_a_long_start_is_no_hanging(opened: threading.Event, tmp_path: Path) -> None:
    with starting(tmp_path) as went:
        wait_until(opened.is_set, 20.0, what="the start")
        time.sleep(1.0)
        assert "ANEW" not in went, went[-2:]


def test_one_that_shows_no_sign_for_far_too_long_is(
    opened: threading.Event, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(watch, "START_STEP_S", 0.5)
    with starting(tmp_path) as went:
        wait_until(lambda: "ANEW" in went, 20.0, what="the start to be given up")
        assert not opened.is_set()


def test_a_source_that_waits_for_the_watch_to_begin_does_not_hang_but_one_that_then_stands_still_does(
    opened: threading.Event, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(watch, "MOST_WAITING_BYTES", 4000)
    flood = Flood(ArrivalClock())
    with starting(tmp_path, flood) as went:
        wait_until(lambda: flood.handed > 5, what="the first lines")
        wait_until(opened.is_set, 20.0, what="the start")
        wait_until(lambda: flood.handed > 80, 20.0, what="lines taken in")
        assert "ANEW" not in went, went[-2:]
        flood.still.set()
        wait_until(lambda: "ANEW" in went, 20.0, what="the source that stands still to be noticed")
        assert any(one.startswith("flood hangs") for one in went)
