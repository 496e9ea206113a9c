"""The mirror's server gone for 72 hours, slow, full, hanging: nothing is lost, and nothing waits for it."""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor import mirroring
from monitor.clock import ArrivalClock
from monitor.journal.database import Journal
from monitor.mirroring import LATE_AFTER_S
from monitor.running import Running
from monitor.settings import PageSettings, Settings
from monitor.sources.line import Line, Origin
from tests.faults.mirror_outage import Outage
from tests.helpers_watch import StillSource, pack
from tests.mirror.conftest import server
from tests.mirror.servers import RealServer, mirror_at, stand_in
from tests.mirror.world import World
from tests.sources.conftest import wait_until

__all__ = ["server"]


@pytest.mark.mirror
def test_a_server_that_is_gone_for_72_hours_lacks_nothing_afterwards(server: RealServer, tmp_path: Path) -> None:
    """Killed, and back after three days in which the watch was killed once: every reading and estimate is there once,
    sent in order; memory stays where it was meanwhile, and on its return only a list at a time is held."""
    outage = Outage(tmp_path, server, hours=72, buckets=2, every_s=60.0)
    try:
        outage.happen()
        assert outage.readings == 4 * 60 * 72.5 and outage.lost() == []
        assert outage.out_of_order == 0
        assert outage.grown_bytes < 200_000 and outage.peak_bytes < 6_000_000, outage.figures()
    finally:
        outage.close()


@pytest.mark.mirror
def test_a_full_server_is_waited_for(server: RealServer, tmp_path: Path) -> None:
    """One that has no room says so; what it refused comes once there is some."""
    world = World(tmp_path, server.url)
    try:
        server.stop()
        server.start(f"-storage.minFreeDiskSpaceBytes={10**17}")
        world.read(50)
        world.turn()
        world.turn(LATE_AFTER_S)
        assert world.mark() == 0 and "read-only" in world.trouble["mirror"]
        server.stop()
        server.start()
        world.turn()
        assert len(server.points("emberpail_reading_temperature_c")) == 50 and world.trouble == {}
    finally:
        world.close()


class SlowProxy:
    """Between a mirror and its server: passes on some bytes at a time, with a wait before each."""

    def __init__(self, port: int, wait_s: float, size: int) -> None:
        self._to, self._wait_s, self._size = port, wait_s, size
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                here, _ = self._listener.accept()
                there = socket.create_connection(("127.0.0.1", self._to))
                for one, other in ((here, there), (there, here)):
                    threading.Thread(target=self._pass, args=(one, other), daemon=True).start()

    def _pass(self, one: socket.socket, other: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while data := one.recv(self._size):
                time.sleep(self._wait_s)
                other.sendall(data)
            other.shutdown(socket.SHUT_WR)

    def close(self) -> None:
        self._listener.close()


@pytest.mark.mirror
def test_over_a_slow_line_everything_comes_through(server: RealServer, tmp_path: Path) -> None:
    """A list takes its time, and is there once; commits of the journal go on beside it."""
    proxy = SlowProxy(server.port, 0.02, 8192)
    world = World(tmp_path, f"http://127.0.0.1:{proxy.port}")
    try:
        world.read(1500)
        copying = threading.Thread(target=world.turn)
        copying.start()
        commits = 0
        while copying.is_alive():
            world.journal.set_fact("beside", commits)
            commits += 1
            time.sleep(0.01)
        copying.join()
        assert commits > 5 and world.mark() == 1500
        assert len(server.points("emberpail_reading_temperature_c")) == 1500
    finally:
        world.close()
        proxy.close()


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Lists as soon as there is something."""
    monkeypatch.setattr(mirroring, "SEND_EVERY_S", 0.1)
    monkeypatch.setattr(mirroring, "SETTLE_EVERY_S", 0.5)
    yield


@pytest.mark.usefixtures("quick")
def test_a_server_that_hangs_holds_no_part_of_the_watch_up(tmp_path: Path) -> None:
    """The whole running watch with a server that takes a list and answers nothing: readings are committed and judged,
    nothing begins anew and nothing rings; when the server answers at last, all of it is copied."""
    anew: list[str] = []
    with stand_in() as other, Journal(tmp_path / "journal.sqlite") as journal, Journal(journal.path) as look:
        other.pause.clear()
        settings = Settings(mirror=mirror_at(other.url), page=PageSettings(port=1), journal_path=journal.path)
        clock = ArrivalClock(speed=60.0)
        source = StillSource()
        running = Running(
            settings, journal, clock, [source], serve_page=False, say=lambda words: None,
            begin_anew=lambda: anew.append("anew"),
        )  # fmt: skip
        stop = threading.Event()
        thread = threading.Thread(target=running.run, args=(stop,), daemon=True)
        thread.start()

        def count() -> int:
            return int(look._row("SELECT count(*) FROM readings")[0])

        def feed(more: int) -> None:
            upto = count() + more
            while count() < upto:
                at_s = clock.now()
                running.watch.deliver(Line(at_s, pack("shed-2", 60.0, at_s), Origin("serial", "wire"), False))
                time.sleep(0.02)

        try:
            feed(20)
            wait_until(lambda: bool(other.requests), what="a list on its way")
            ticked_s = look.fact("last_tick_s") or 0.0
            feed(20)
            wait_until(lambda: (look.fact("last_tick_s") or 0.0) > ticked_s + 60.0, what="further ticks")
            assert other.took == [] and anew == [] and "mirror" not in running.watch.trouble
            other.pause.set()

            def readings() -> set[str]:
                return {line for line in other.took if line.startswith("emberpail_reading,")}

            upto = count()
            wait_until(lambda: len(readings()) >= upto, 30.0, what="the rest")
            # The watch's own connection notes what changes behind the mark.
            at_s = next(journal.readings("shed-2")).time_s
            journal.mark_readings([("shed-2", "core", at_s, "spike")])
            wait_until(lambda: any('why="spike"' in line for line in other.took), 30.0, what="the one that changed")
        finally:
            stop.set()
            thread.join(20.0)
            running.close()
        assert not thread.is_alive()
