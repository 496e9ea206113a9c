"""The broker is gone for 72 hours: a real mosquitto is killed, and started again with what it had saved.

The node keeps what it reads and sends it on the broker's return, with its time stamps. The clock is moved by hand, so
that the three days take seconds; broker, node, source, worker and journal are the real ones.
"""

from __future__ import annotations

import gc
import json
import signal
import threading
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from monitor.domain import Batch, LogEntry, Vessel
from monitor.sources.mqtt import MqttSource
from tests.faults.week_nodes import HOUR, MINUTE, BrokerNode, Curve, Ledger, pack
from tests.faults.week_world import RECIPE
from tests.helpers_watch import Bench, settings_with
from tests.sources.conftest import Broker, find_mosquitto, wait_until

BUCKET = "shed-2"
# Saturday 17 January 2026, 18:00 UTC.
POURED_S = 1768672800.0
BATCH = Batch("Invented 72", BUCKET, POURED_S, RECIPE, Vessel(25.0, "bare"))
LOG = (
    LogEntry("poured", POURED_S, POURED_S, temperature_c=46.0),
    LogEntry("blended", POURED_S + 10 * MINUTE, POURED_S + 10 * MINUTE),
    LogEntry("probe-in", POURED_S + 13 * MINUTE, POURED_S + 13 * MINUTE),
)
# Most of what the batch will tell is told while the broker is gone.
GONE_S = POURED_S + 65 * MINUTE
END_S = GONE_S + 73 * HOUR
EVERY_S = 120.0
# Of three days in which nothing comes; what is kept of them is some tellings. The whole process of the tests is seen.
MOST_MORE_OBJECTS, MOST_GROWTH_BYTES = 3000, 8_000_000
# As the README says it: a stock broker throws away what goes beyond a thousand messages that wait for the watch.
KEEPS_ALL = "max_queued_messages 0"


class Shed:
    """A watch moved by hand, and what a node there reads."""

    def __init__(self, folder: Path, sources: list[Any]) -> None:
        self.curve = Curve()
        self.bench = Bench(folder, POURED_S - HOUR, settings_with(BUCKET, people=[("Ash", "print://")]), sources)
        self.read_s = POURED_S - HOUR + 30.0

    def sample(self) -> tuple[float, bytes]:
        """The node's next reading: its time and its pack."""
        at_s, age_s = self.read_s, self.read_s - POURED_S
        self.read_s += EVERY_S
        return at_s, pack(BUCKET, at_s, self.curve.core("good", age_s), self.curve.at("ambient", age_s))

    def kept(self, probe: str) -> Counter[float]:
        """How often each time stamp stands in the journal."""
        return Counter(one.time_s for one in self.bench.journal.readings(BUCKET) if one.probe == probe)

    def completeness(self) -> tuple[float, float]:
        """By the last estimate: (completeness, standard deviation)."""
        event = self.bench.journal.last_estimate(BATCH.name)
        assert event is not None
        return float(event.values["completeness"]), float(event.values["completeness_sd"])  # type: ignore[arg-type]

    def silent(self) -> list[tuple[str, float]]:
        """(state, time) of the events of `silent`."""
        found = [json.loads(line) for line in self.bench.events(BUCKET)]
        return [(one["state"], one["at"]) for one in found if one["event"] == "alarm" and one["kind"] == "silent"]


class Wired(Shed):
    """Its only source is a real one, in its own thread, with a node behind the broker."""

    def __init__(self, folder: Path, broker: Broker) -> None:
        sources: list[MqttSource] = []
        super().__init__(folder, sources)
        self.broker, self.ledger = broker, Ledger()
        self.source = MqttSource("127.0.0.1", broker.port, clock=self, name="broker", client_id="gone")
        sources.append(self.source)
        self.stop = threading.Event()
        self.thread = threading.Thread(target=self.source.run, args=(self.bench.watch.deliver, self.stop), daemon=True)
        self.thread.start()
        wait_until(lambda: self.source.health().state == "connected", what="the source to connect")
        self.node = BrokerNode(broker.port, self.ledger)

    def now(self) -> float:
        """The arrival clock, as the source has it."""
        return self.bench.now_s

    def live(self, to_s: float) -> None:
        """The node reads and sends; what gets through is taken in before time goes on."""
        while self.read_s <= to_s:
            self.bench.until(self.read_s)
            at_s, line = self.sample()
            self.node.send(BUCKET, at_s, line)
            self.taken_in()

    def taken_in(self) -> None:
        """Wait until all that was sent is in the journal; the clock stands nearly still."""
        watch = self.bench.watch
        rows = "SELECT count(*) FROM readings r JOIN probes p ON p.id = r.probe WHERE p.probe = 'core'"

        def done() -> bool:
            self.bench.now_s += 0.01
            self.bench._turn()
            self.node._look()
            if self.node._waiting or watch._pending.acks or not watch._lines.empty():
                return False
            return bool(self.bench.journal._db.execute(rows).fetchone()[0] >= self.ledger.sent.total())

        wait_until(done, 60.0, what="all that was sent to be in the journal")

    def close(self) -> None:
        self.stop.set()
        self.thread.join(5)
        self.node.end()
        self.bench.close()


@contextmanager
def wired(folder: Path, config: str) -> Iterator[Wired]:
    """A broker, and all that hangs on it."""
    (folder / "broker").mkdir(parents=True)
    broker = Broker(find_mosquitto(), folder / "broker", config).start()
    try:
        one = Wired(folder, broker)
        try:
            yield one
        finally:
            one.close()
    finally:
        broker.stop()


@pytest.fixture(scope="module")
def untroubled(tmp_path_factory: pytest.TempPathFactory) -> tuple[float, float]:
    """What the same batch comes to with a wire that never fails: (completeness, standard deviation)."""
    shed = Shed(tmp_path_factory.mktemp("untroubled"), [])
    shed.bench.begin(BATCH, *LOG)
    while shed.read_s <= END_S:
        at_s, line = shed.sample()
        shed.bench.line(at_s, line)
    shed.bench.close()
    shed.bench.start()
    found = shed.completeness()
    shed.bench.close()
    assert not shed.silent()
    return found


@pytest.mark.slow
@pytest.mark.parametrize(
    ("config", "hourly", "hours"), [("", True, 72), (KEEPS_ALL, False, 40)], ids=["packs", "single messages"]
)
def test_a_broker_that_is_gone_for_days_costs_no_reading(
    config: str, hourly: bool, hours: int, tmp_path: Path, untroubled: tuple[float, float]
) -> None:
    """A node that sends what it kept in packs of an hour needs only a stock broker; one that sends message by message
    needs one that keeps them all for the watch, which comes back later than the node. Either way every reading is in
    the journal once, `silent` stands from the first minutes until the backlog comes, the health of the source says
    that it waits, memory stays, and the batch is judged as if nothing had been."""
    with wired(tmp_path, config) as shed:
        bench, broker = shed.bench, shed.broker
        bench.begin(BATCH, *LOG)
        shed.live(GONE_S)
        last_s = bench.now_s
        assert broker.process is not None
        broker.process.send_signal(signal.SIGUSR1)  # it saves its sessions, as it does by itself every half hour
        wait_until((broker.folder / "mosquitto.db").exists, what="the broker to save")
        broker.process.kill()
        broker.process.wait()
        wait_until(lambda: shed.source.health().state == "waiting", what="the source to wait")

        kept: list[tuple[float, bytes]] = []
        before: tuple[int, int] | None = None
        while shed.read_s < GONE_S + hours * HOUR:
            bench.until(shed.read_s)
            kept.append(shed.sample())
            if not hourly:
                shed.node.send(BUCKET, *kept[-1])
            if before is None and bench.now_s > GONE_S + 2 * HOUR:
                before = _memory()
            if bench.now_s > last_s + 25 * MINUTE and not bench.desk.acts(BATCH.name):
                bench.act(BATCH, bench.desk.alarms(standing_only=True)[0].alarm_id, "acknowledged")
        assert shed.source.health().state == "waiting" and "start the broker" in shed.source.health().says
        assert [one.ok for one in bench.desk.health() if one.part == "broker"] == [False]
        [(raised, raised_s)] = shed.silent()
        assert raised == "raised" and last_s < raised_s <= last_s + 23 * MINUTE
        assert before is not None
        objects, resident = (now - then for now, then in zip(_memory(), before, strict=True))
        # The node's own store is the test's: of each message some objects.
        assert objects < MOST_MORE_OBJECTS + 12 * len(kept), f"{objects} more objects after days of nothing"
        assert resident < MOST_GROWTH_BYTES, f"{resident} bytes more after days of nothing"

        broker.start()
        back_s = bench.now_s
        if hourly:
            per_pack = int(HOUR / EVERY_S)
            for first in range(0, len(kept), per_pack):
                hour = kept[first : first + per_pack]
                line = b"[" + b",".join(line.strip(b"[]") for _, line in hour) + b"]"
                shed.node.send(BUCKET, hour[0][0], line)
        else:
            assert len(shed.node._waiting) > 1000  # more than a stock broker keeps
        shed.node.settle()
        wait_until(lambda: shed.source.health().state == "connected", 30.0, what="the source to come back")
        _drain(shed, len(kept))
        shed.live(bench.now_s + HOUR)

        read = Counter(POURED_S - HOUR + 30.0 + EVERY_S * number for number in range(len(kept) * 2))
        read = Counter({at_s: n for at_s, n in read.items() if at_s < shed.read_s})
        for probe in ("core", "ambient"):
            assert shed.kept(probe) == read
        (_, (cleared, cleared_s)) = shed.silent()
        assert cleared == "cleared" and back_s <= cleared_s <= back_s + 3 * MINUTE
        told = [one.what for one in bench.desk.messages() if one.about.endswith("/silent/1")]
        assert told[0] == "first-1" and told[-1].startswith("cleared")
        if hours < 72:
            return  # the untroubled batch ran longer
        found, sd = shed.completeness()
        assert found == pytest.approx(untroubled[0], abs=0.02)
        assert sd == pytest.approx(untroubled[1], abs=0.01)


def _drain(shed: Wired, kept: int) -> None:
    """Until the backlog is in the journal."""
    before = shed.kept("core").total()

    def done() -> bool:
        shed.bench.now_s += 0.01
        shed.bench._turn()
        return shed.bench.watch._lines.empty() and shed.kept("core").total() >= kept

    wait_until(done, 60.0, what=f"the backlog; {before} were there")


def _memory() -> tuple[int, int]:
    """(objects that Python minds, resident bytes) of this process."""
    gc.collect()
    return len(gc.get_objects()), int(Path("/proc/self/statm").read_text().split()[1]) * 4096
