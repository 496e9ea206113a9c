"""The worker from the journal's mark to a real server (``victoria-metrics``) and to stand-ins of ours."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from monitor.domain import Event, Reading
from monitor.journal.database import Journal
from monitor.mirroring import LATE_AFTER_S, MOST_POINTS, Mirroring
from monitor.settings import Settings
from tests.mirror.servers import RealServer, mirror_at

# Saturday 17 January 2026, 18:00 UTC.
T0 = 1768672800.0


class World:
    """A journal, a mirror over it, and a clock that is moved by hand."""

    def __init__(self, folder: Path, url: str, **more: Any) -> None:
        self.path = folder / "journal.sqlite"
        self.journal = Journal(self.path)
        self.journal._db.execute("PRAGMA synchronous = OFF")  # the disk is not what is tried here
        self.journal.note_changed_readings()
        self.now_s, self.trouble, self.more, self.url = T0, {}, more, url
        self.mirroring = self.begin()

    def begin(self) -> Mirroring:
        """A mirror as a watch that starts makes it."""
        self.mirroring = Mirroring(
            Settings(), mirror_at(self.url), self.path, lambda: self.now_s, self.trouble,
            monotonic=lambda: self.now_s, pause_s=0.0, **self.more,
        )  # fmt: skip
        return self.mirroring

    def read(self, n: int, *, bucket: str = "shed-2", probe: str = "core", every_s: float = 10.0) -> list[Reading]:
        """So many readings come in."""
        group = [
            Reading(bucket, probe, self.now_s + i * every_s, self.now_s + i * every_s, 60.0 + i % 30) for i in range(n)
        ]
        self.journal.add_readings(group)
        self.now_s += n * every_s
        return group

    def turn(self, after_s: float = 60.0) -> None:
        self.now_s += after_s
        self.mirroring.turn()

    def mark(self) -> int:
        assert self.mirroring._marks is not None
        return self.mirroring._marks.head["readings"]

    def close(self) -> None:
        self.mirroring.close()
        self.journal.close()


@pytest.fixture
def server(needs: Callable[[str], str], tmp_path: Path) -> Iterator[RealServer]:
    one = RealServer(needs("victoria-metrics"), tmp_path / "data")
    one.start()
    yield one
    one.stop()


@pytest.fixture
def world(server: RealServer, tmp_path: Path) -> Iterator[World]:
    one = World(tmp_path, server.url)
    yield one
    one.close()


@pytest.mark.mirror
def test_what_the_journal_holds_is_in_the_server(world: World, server: RealServer) -> None:
    """Each reading at its time with its value, and what was judged, under the names that the README tells."""
    group = world.read(300)
    world.journal.add_readings([Reading("shed-2", "ambient", T0, T0, None, "open")])
    world.journal.add_events([
        Event("estimate", T0 + 600.0, "shed-2", "Quillmarsh 12", {"completeness": 0.5, "causes": {"good": 0.9}}),
        Event("alarm", T0 + 660.0, "shed-2", "Quillmarsh 12", {
            "alarm": "shed-2/Quillmarsh 12/too_hot/1", "kind": "too_hot", "state": "raised", "urgency": "now",
            "probability": 0.9, "says": "Hot.", "do": "Look.",
        }),
    ])  # fmt: skip
    world.turn()
    assert world.trouble == {}
    core = server.points('emberpail_reading_temperature_c{bucket="shed-2",probe="core"}')
    assert core == [(round(one.time_s * 1000), one.temperature_c) for one in group]
    assert server.points('emberpail_reading_believed{probe="ambient"}') == [(round(T0 * 1000), 0.0)]
    assert server.points('emberpail_estimate_completeness{batch="Quillmarsh 12"}') == [(round(T0 + 600) * 1000, 0.5)]
    assert server.points("emberpail_estimate_causes_good") == [(round(T0 + 600) * 1000, 0.9)]
    [(labels, points)] = server.series("emberpail_alarm_stands")
    assert (labels["kind"], labels["state"]) == ("too_hot", "raised") and points == [(round(T0 + 660) * 1000, 1.0)]


@pytest.mark.mirror
def test_written_twice_it_is_there_once(world: World, server: RealServer) -> None:
    """A mark that was never kept, as after a kill -9: all is written again, and every point is there once."""
    world.read(MOST_POINTS + 500)
    world.turn()
    world.begin()
    world.turn()
    assert world.mark() == MOST_POINTS + 500
    assert len(server.points("emberpail_reading_temperature_c")) == MOST_POINTS + 500


@pytest.mark.mirror
def test_a_server_that_is_away_loses_nothing_and_is_told_of_by_daylight(world: World, server: RealServer) -> None:
    """Killed in the middle: the mark stays, after a quarter of an hour it is trouble, and on its return all is there,
    what the server had taken and lost when it was killed, too."""
    world.read(100)
    world.turn()
    server.kill()
    world.read(100)
    world.turn()
    assert world.mark() == 100 and world.trouble == {}
    world.turn(LATE_AFTER_S)
    assert "nothing answers there" in world.trouble["mirror"]
    server.start()
    world.turn(61.0)
    assert world.mark() == 200 and world.trouble == {}
    assert len(server.points("emberpail_reading_temperature_c")) == 200
