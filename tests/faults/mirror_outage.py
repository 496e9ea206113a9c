"""The mirror's server gone for days: a journal that goes on filling, a real server that is killed and comes back, and a
watch that is killed in between. The test and the soak are the same world, short and long."""

from __future__ import annotations

import gc
import tracemalloc
from collections.abc import Sequence
from pathlib import Path

from monitor.domain import Event, Reading
from monitor.mirror.server import Server
from tests.mirror.servers import TOKEN, RealServer
from tests.mirror.world import T0, World

HOUR, MINUTE = 3600.0, 60.0
PROBES = ("core", "ambient")


class Outage:
    """``hours`` without a server, with ``buckets`` of two probes that are read every ``every_s``."""

    def __init__(self, folder: Path, server: RealServer, *, hours: float, buckets: int, every_s: float) -> None:
        self.server, self.hours, self.every_s = server, hours, every_s
        self.names = [f"shed-{number + 1}" for number in range(buckets)]
        self._client = Server(server.url, TOKEN, "quillmarsh", "emberpail")
        self.world = World(folder, server.url, write=self._write)
        self.watching_order = False
        self.last_ns: dict[str, int] = {}
        self.out_of_order = 0
        self.estimates = 0
        self.grown_bytes = self.peak_bytes = 0

    @property
    def readings(self) -> int:
        return int(self.world.journal._row("SELECT count(*) FROM readings")[0])

    def _write(self, lines: Sequence[str]) -> None:
        self._client.write(lines)
        if self.watching_order:
            for line in lines:
                head, _, at = line.rpartition(" ")
                series, at_ns = head.partition(" temperature_c=")[0], int(at)
                self.out_of_order += at_ns < self.last_ns.get(series, 0)
                self.last_ns[series] = at_ns

    def pass_minutes(self, minutes: int, *, step: int = 10) -> None:
        """Readings come in, an estimate each ten minutes, and the mirror turns once a step."""
        world = self.world
        for _ in range(minutes // step):
            begin_s = world.now_s
            times = [begin_s + i * self.every_s for i in range(int(step * MINUTE / self.every_s))]
            world.journal.add_readings(
                Reading(name, probe, at_s, at_s, 60.0 + number)
                for at_s in times for number, name in enumerate(self.names) for probe in PROBES
            )  # fmt: skip
            world.journal.add_events(
                Event("estimate", begin_s, name, f"Invented {name}", {"completeness": 0.5}) for name in self.names
            )
            self.estimates += len(self.names)
            world.now_s = begin_s + step * MINUTE
            world.mirroring.turn()

    def happen(self) -> None:
        """Half an hour that is copied; the server killed; the days without it, the watch killed in the middle of them;
        the server back."""
        self.pass_minutes(20)
        # Ten minutes are a moment here, in which a server has not written out yet what it does every few seconds.
        self.server.stop()
        self.server.start()
        self.pass_minutes(10)
        self.server.kill()
        self.pass_minutes(60)
        tracemalloc.start()
        gc.collect()
        before = tracemalloc.get_traced_memory()[0]
        minutes = int(self.hours * 60) // 60 * 60 - 60
        self.pass_minutes(minutes // 2, step=30)
        gc.collect()
        self.grown_bytes = tracemalloc.get_traced_memory()[0] - before
        self.world.begin()
        self.pass_minutes(minutes - minutes // 2, step=30)
        self.server.start()
        tracemalloc.reset_peak()
        before = tracemalloc.get_traced_memory()[0]
        self.watching_order = True
        self.world.turn(MINUTE)
        self.watching_order = False
        self.peak_bytes = tracemalloc.get_traced_memory()[1] - before
        tracemalloc.stop()
        self.world.turn(MINUTE)

    def lost(self) -> list[str]:
        """What of the journal is not in the server, point by point; empty when nothing is."""
        found: list[str] = []
        there = {
            (labels["bucket"], labels["probe"]): [at for at, _ in points]
            for labels, points in self.server.series("emberpail_reading_temperature_c")
        }
        count = int((self.world.now_s - 2 * MINUTE - T0) / self.every_s)
        expected = [round((T0 + i * self.every_s) * 1000) for i in range(count)]
        for name in self.names:
            for probe in PROBES:
                if there.get((name, probe), []) != expected:
                    found.append(f"{name}/{probe}: {len(there.get((name, probe), []))} of {count}")
        estimates = self.server.points("emberpail_estimate_completeness")
        if len(estimates) != self.estimates:
            found.append(f"estimates: {len(estimates)} of {self.estimates}")
        return found

    def figures(self) -> str:
        return (
            f"{self.hours:.0f} h without a server: {self.readings} readings, lost {len(self.lost())}, out of order "
            f"{self.out_of_order}, memory grown by {self.grown_bytes / 1e3:.0f} kB in the outage, "
            f"{self.peak_bytes / 1e6:.1f} MB at most on return"
        )

    def close(self) -> None:
        self.world.close()
        self._client.close()
