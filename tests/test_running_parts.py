"""What a running watch hands to its parts, and what of their trouble rings nobody."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import pytest

from monitor import running as wiring
from monitor.clock import ArrivalClock
from monitor.journal.database import Journal
from monitor.pipeline import Minder
from monitor.running import Running
from monitor.sources.health import HealthBook
from monitor.supervising import CHECK_EVERY_S
from tests.helpers_watch import NIGHT_S, batch_in, settings_with


def test_a_band_that_cannot_be_drawn_rings_nobody_and_is_over_once_it_can(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is said once, and said again only if it fails anew after a drawing that succeeded."""
    batch, said = batch_in("shed-1"), list[str]()
    settings = settings_with("shed-1", journal_path=tmp_path / "journal.sqlite")
    drawn, draw = [False], wiring._band

    def band(minder: Minder, tick_s: float) -> list[tuple[float, float, float]]:
        return draw(minder, tick_s) if drawn[0] else [(1 / 0, 0.0, 0.0)]

    monkeypatch.setattr(wiring, "_band", band)
    monkeypatch.setattr(Running, "_look_at_ourselves", lambda self: None)
    with Journal(settings.journal_path) as journal:
        running = Running(
            settings, journal, ArrivalClock(start_s=NIGHT_S), [], serve_page=False, say=said.append
        )
        running.watch.minders[batch.name] = Minder(batch, minded_from_s=NIGHT_S)

        def tick(minutes: float) -> None:
            running._on_tick(running.watch, NIGHT_S + 60.0 * minutes)
            assert running.watch._troubles() == {}, "it would wake somebody"

        tick(1)
        assert batch.name in said[0] and "ZeroDivisionError" in said[0]
        tick(11)
        assert len(said) == 1
        drawn[0] = True
        tick(21)
        assert running.bands[batch.name] and len(said) == 1
        drawn[0] = False
        tick(31)
        assert len(said) == 2, "it fails anew"
        del running.watch.minders[batch.name]
        tick(32)
        assert not running.bands and not running._undrawn
        running.close()


def test_a_source_does_not_hang_because_the_clock_was_set_right(tmp_path: Path) -> None:
    """When it turned round is said by the clock that has just moved by years. One that hangs is found all the same."""
    wall, mono = [5000.0], [1000.0]
    clock = ArrivalClock(wall=lambda: wall[0], monotonic=lambda: mono[0], boot="b", synchronized=lambda: False)
    book = HealthBook(clock.now, "it reads.")
    source = SimpleNamespace(name="shed node", run=lambda hands, stop: None, health=book.snapshot)
    settings = settings_with("shed-1", journal_path=tmp_path / "journal.sqlite")
    with Journal(settings.journal_path) as journal:
        running = Running(settings, journal, clock, [], serve_page=False, say=lambda words: None)
        work = running._reading(source)  # type: ignore[arg-type]
        book.progress()
        assert work.age_s() < 1.0
        mono[0] += 3.0
        assert 2.9 < work.age_s() <= 3.1
        book.progress()
        wall[0] = 1.8e9
        clock.set_right(wall[0] - clock.now())
        mono[0] += 0.3
        assert work.age_s() < CHECK_EVERY_S + 1.0
        running.close()


def test_the_postman_goes_by_the_clock_of_the_settings(tmp_path: Path) -> None:
    settings = settings_with("shed-1", journal_path=tmp_path / "journal.sqlite")
    with Journal(settings.journal_path) as journal:
        running = Running(settings, journal, ArrivalClock(), [], serve_page=False, say=lambda words: None)
        assert running._postman._local_time == settings.local_time
        running.close()
