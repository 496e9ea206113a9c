"""What the soak's program lives among: nodes, a broker, a grower, phones, visitors of the page, all in another process.

Time runs ``speed`` times as fast for all of them. The program's clock waits where its judging does not keep up, and
all here live by that clock, so that a slow computer makes the week longer and nothing in it late.
"""

from __future__ import annotations

import http.client
import json
import mmap
import os
import signal
import sqlite3
import struct
import subprocess
import sys
import threading
import time
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from monitor.domain import Batch, LogEntry, OilShare, Recipe, Vessel
from monitor.journal.database import Act, Journal
from tests.faults.week_nodes import HOUR, MINUTE, BrokerNode, CableNode, Curve, Ledger, pack
from tests.phone.receiver import Receiver, free_port
from tests.sources.conftest import Broker

# Monday 12 January 2026, 0:00 UTC.
START_S = 1768176000.0
RECIPE = Recipe((OilShare("sunflower", 4.20),), koh_kg=0.850, koh_purity=0.90, water_kg=1.30)
KINDS = ("good", "hot", "good", "open", "good", "not taken", "good")
EVERY_S = 30.0
PAGES = ("/", "/status.json", "/bucket/b0", "/bucket/b1", "/healthz", "/batches", "/bucket/b0/log", "/plan", "/phones")
# What the grower notes, by the age of the batch.
DEEDS = (
    (0.0, "poured"), (10 * MINUTE, "blended"), (13 * MINUTE, "probe-in"), (32 * MINUTE, "looked"),
    (25 * HOUR, "looked"),
)  # fmt: skip

SETTINGS = """
[place]
name = "Quillmarsh allotments (invented)"
time_zone = "UTC"
[journal]
path = "{folder}/journal.sqlite"
[page]
port = {page}
[[source]]
kind = "serial"
name = "cable"
port = "{cable}"
[[source]]
kind = "mqtt"
name = "broker"
host = "127.0.0.1"
port = {broker}
client_id = "soak"
{buckets}
[[person]]
name = "Ash"
routes = ["{route}/ash"]
[[person]]
name = "Wren"
routes = ["{route}/wren"]
"""


@dataclass
class Plan:
    """How the week goes: a bucket's batches last ``batch_s`` and begin every ``period_s``, ``apart_s`` after those of
    the bucket before it; evenly apart where that is None."""

    buckets: int = 20
    speed: float = 200.0
    period_s: float = 56 * HOUR
    batch_s: float = 52 * HOUR
    apart_s: float | None = None

    def batch(self, bucket: int, at_s: float) -> tuple[int, float]:
        """(which batch of the bucket, its age) at a time; the first begins within the first period."""
        apart_s = self.period_s / self.buckets if self.apart_s is None else self.apart_s
        since_s = at_s - START_S - apart_s * bucket
        number = int(since_s // self.period_s)
        return number, since_s - number * self.period_s


@dataclass
class Sample:
    """The program seen from outside at a moment. Threads of pools, which are kept for a while, are counted apart."""

    at_s: float
    resident_kb: int
    open_files: Counter[str]
    names: Counter[str]
    pooled: int
    written_bytes: int

    @property
    def files(self) -> int:
        return self.open_files.total()

    @property
    def threads(self) -> int:
        return self.names.total()

    @property
    def lasting(self) -> Counter[str]:
        """The threads but for those of one hand-over or one picture."""
        return Counter({name: n for name, n in self.names.items() if not name.startswith(("phone ", "picture"))})


@dataclass
class Visitors:
    """Pages that are open: one polls, the others hear the news."""

    port: int
    streams: int = 5
    asked: int = 0
    refused: int = 0
    news: int = 0
    _stop: threading.Event = field(default_factory=threading.Event)
    _threads: list[threading.Thread] = field(default_factory=list)

    def come(self) -> None:
        self._stop.clear()
        self._threads = [threading.Thread(target=self._poll, daemon=True)]
        self._threads += [threading.Thread(target=self._listen, daemon=True) for _ in range(self.streams)]
        for one in self._threads:
            one.start()

    def go(self) -> None:
        self._stop.set()
        for one in self._threads:
            one.join(20.0)
            assert not one.is_alive(), "the page does not let its visitor go"

    def _poll(self) -> None:
        while not self._stop.wait(0.5):
            self.ask(PAGES[self.asked % len(PAGES)])

    def ask(self, path: str) -> None:
        """Open one page."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        with suppress(OSError, http.client.HTTPException):
            connection.request("GET", path)
            answer = connection.getresponse()
            answer.read()
            # /healthz says 503 where something is out of order, such as a broker that is away.
            self.refused += answer.status != 200 and path != "/healthz"
            self.asked += 1
        connection.close()

    def _listen(self) -> None:
        while not self._stop.is_set():
            connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=15)
            with suppress(OSError, http.client.HTTPException):
                connection.request("GET", "/live")
                answer = connection.getresponse()
                while not self._stop.is_set() and (line := answer.readline()):
                    self.news += line.startswith(b"event: news")
            connection.close()


def _open_files(process: Path) -> Counter[str]:
    """What a process has open, by name; sockets and pipes by their kind."""
    names = []
    for one in (process / "fd").iterdir():
        with suppress(OSError):  # closed since
            path = Path(os.readlink(one))
            names.append("cable" if path.parent.name == "pts" else path.name.partition(":")[0])
    return Counter(names)


class Week:
    """All of it. ``step`` is called over and over by whoever runs it; ``now()`` is the time of the week."""

    def __init__(self, folder: Path, broker: Broker, plan: Plan) -> None:
        self.folder, self.plan, self.broker = folder, plan, broker
        self.curve, self.ledger, self.receiver = Curve(), Ledger(), Receiver()
        self.names = [f"b{number}" for number in range(plan.buckets)]
        page = free_port()
        self.visitors = Visitors(page)
        # As the README says a broker must be told, or it throws away what waits for a watch that is gone.
        self.cable = CableNode(folder / "usb-node", self.ledger)
        self.cable.plug_in()
        self.node = BrokerNode(broker.port, self.ledger)
        self.settings_file = folder / "emberpail.toml"
        buckets = "\n".join(f'[[bucket]]\nname = "{name}"\nlitres = 25' for name in self.names)
        self.settings_file.write_text(
            SETTINGS.format(
                folder=folder, page=page, cable=self.cable.link, broker=broker.port, buckets=buckets,
                route=self.receiver.url("ok"),
            )
        )  # fmt: skip
        self.settings_file.chmod(0o600)
        self.desk = Journal(folder / "journal.sqlite")
        self.reached_s, self.thread_names = START_S, [""]
        self.due_s: dict[str, float] = {}  # when each bucket's next reading is due; none before the watch listens
        self.noted: set[tuple[str, float]] = set()
        self.kinds: dict[str, str] = {}  # of each batch, by name
        self.seen: set[str] = set()
        self._looked = 0.0
        self._start()

    # ---- the program -----------------------------------------------------------------------------------------------

    def _start(self) -> None:
        self.log = (self.folder / "program.log").open("wb")
        told = self.folder / "now"
        told.write_bytes(struct.pack("d", START_S))
        with told.open("rb") as file:
            self._told = mmap.mmap(file.fileno(), 8, prot=mmap.PROT_READ)
        self.program = subprocess.Popen(
            [sys.executable, "-m", "tests.faults.week_program", str(self.settings_file), str(self.plan.speed),
             repr(START_S)],
            stdout=subprocess.PIPE, stderr=self.log,
        )  # fmt: skip
        self.reader = threading.Thread(target=self._read, daemon=True)
        self.reader.start()

    def _read(self) -> None:
        assert self.program.stdout is not None
        for line in self.program.stdout:
            said = json.loads(line)
            self.thread_names, self.reached_s = said["threads"], said["tick"]

    def now(self) -> float:
        """The time of the week by the program's clock, a moment ago."""
        return float(struct.unpack("d", self._told[:8])[0])

    def sample(self) -> Sample:
        """Memory, threads and files of the program now."""
        process = Path(f"/proc/{self.program.pid}")
        status = dict(line.split(":", 1) for line in (process / "status").read_text().splitlines())
        io = dict(line.split(": ") for line in (process / "io").read_text().splitlines())
        pooled = [name for name in self.thread_names if "AnyIO" in name or "asyncio" in name]
        threads = Counter(self.thread_names) - Counter(pooled)
        return Sample(
            self.now(), int(status["VmRSS"].split()[0]), _open_files(process), threads, len(pooled),
            int(io["write_bytes"]),
        )  # fmt: skip

    # ---- what goes on ----------------------------------------------------------------------------------------------

    def step(self) -> None:
        """Everything that is due now, and then a moment of rest."""
        if self.program.poll() is not None:
            raise AssertionError(f"the program has ended: {(self.folder / 'program.log').read_text()[-2000:]}")
        now_s = self.now()
        for number, name in enumerate(self.names):
            while self.due_s.get(name, now_s + EVERY_S) <= now_s:
                self._send(number, name, self.due_s[name])
                self.due_s[name] += EVERY_S
        if time.monotonic() - self._looked >= 0.5:
            self._looked = time.monotonic()
            self._grow(now_s)
            self._answer(now_s)
        time.sleep(0.01)

    def _send(self, number: int, name: str, at_s: float) -> None:
        batch, age_s = self.plan.batch(number, at_s)
        if batch < 0 or age_s >= self.plan.batch_s:
            core: float | str = 9.0 + 0.0625 * (int(at_s / EVERY_S) % 3)
        else:
            core = self.curve.core(KINDS[(number + batch) % len(KINDS)], age_s)
        air_c = self.curve.at("ambient", age_s % (70 * HOUR))
        (self.cable if number % 2 else self.node).send(name, at_s, pack(name, at_s, core, air_c))

    def _grow(self, now_s: float) -> None:
        """Batches begun, looked after and ended, as the commands write them."""
        for number, bucket in enumerate(self.names):
            batch, age_s = self.plan.batch(number, now_s)
            if batch < 0:
                continue
            name = f"Invented {bucket} {batch}"
            poured_s = now_s - age_s
            if name not in self.kinds:
                self.kinds[name] = KINDS[(number + batch) % len(KINDS)]
                self.desk.add_batch(Batch(name, bucket, poured_s, RECIPE, Vessel(25.0, "bare"), 48 * HOUR))
            for due_s, kind in DEEDS:
                if age_s >= due_s and (name, due_s) not in self.noted:
                    self.noted.add((name, due_s))
                    temperature_c = 46.0 if kind == "poured" else None
                    self.desk.add_entry(name, LogEntry(kind, poured_s + due_s, now_s, temperature_c), who="Ash")
            if age_s >= self.plan.batch_s and (name, -1.0) not in self.noted:
                self.noted.add((name, -1.0))
                self.desk.end_batch(name, now_s, now_s, "filled")

    def _answer(self, now_s: float) -> None:
        """Some minutes after an alarm somebody has seen it."""
        for alarm in self.desk.alarms(standing_only=True):
            waited_s = now_s - (alarm.raised_at_s or now_s)
            if alarm.state == "unacknowledged" and alarm.alarm_id not in self.seen and waited_s > 6 * MINUTE:
                self.seen.add(alarm.alarm_id)
                self.desk.add_act(
                    Act(alarm.alarm_id, "acknowledged", now_s, now_s, "Ash", None, alarm.batch, alarm.bucket)
                )

    def run_to(self, to_s: float) -> None:
        """Let time pass."""
        while self.now() < to_s:
            self.step()

    def run_for(self, real_s: float) -> None:
        """Let so many real seconds pass."""
        until = time.monotonic() + real_s
        while time.monotonic() < until:
            self.step()

    def run_until(self, true: object, real_s: float, what: str) -> None:
        """Let time pass until something is so."""
        give_up = time.monotonic() + real_s
        while not true():  # type: ignore[operator]
            assert time.monotonic() < give_up, f"waited {real_s} s in vain for {what}"
            self.step()

    # ---- what breaks -----------------------------------------------------------------------------------------------

    def connected(self, source: str, since_s: float) -> bool:
        """Whether a source has been connected, by what the program wrote down after a time."""
        return any(one.part == source and one.ok and one.at_s > since_s for one in self.desk.health())

    def begin(self) -> None:
        """Once the watch listens to both wires, the nodes begin to send. A broker keeps nothing for who never came."""
        wires = ("broker", "cable")
        self.run_until(lambda: all(self.connected(wire, START_S) for wire in wires), 60.0, "the wires")
        self.cable.ready = True
        first_s = MINUTE * (self.now() // MINUTE + 1)
        self.due_s = {name: first_s + number for number, name in enumerate(self.names)}
        self.run_to(first_s + 5 * MINUTE)
        for path in PAGES:  # what is opened once and kept is open from now on
            self.visitors.ask(path)
        self.visitors.come()

    def wait_for_cable(self) -> None:
        """The node goes on once its port is open."""
        since_s = self.reached_s + 2 * MINUTE
        self.run_until(lambda: self.connected("cable", since_s), 60.0, "the cable")
        self.cable.ready = True

    def pull_the_cable(self, real_s: float) -> None:
        """And plug it in again under a new name."""
        self.cable.unplug()
        self.run_for(real_s)
        self.cable.plug_in()
        self.wait_for_cable()

    def restart_the_broker(self, real_s: float) -> None:
        """It ends as its service ends it, is away for a while, and comes back on its port."""
        self.broker.stop()
        self.run_for(real_s)
        self.broker.start()
        since_s = self.reached_s + 2 * MINUTE
        self.run_until(lambda: self.connected("broker", since_s), 60.0, "the broker")

    def at_rest(self, real_s: float = 3.0) -> Sample:
        """Send the visitors home, look at the program for a while, and let them in again: the moment at which least is
        open. What was opened for a page or a phone is closed soon; what leaks is open at every moment."""
        self.visitors.go()
        seen: list[Sample] = []
        until = time.monotonic() + real_s
        while time.monotonic() < until:
            self.step()
            seen.append(self.sample())
        self.visitors.come()
        return min(seen, key=lambda one: (one.files + one.threads, one.at_s))

    # ---- the end ---------------------------------------------------------------------------------------------------

    def end(self) -> None:
        """Stop sending, let everything arrive, end the program in order."""
        self.visitors.go()
        self.node.settle()
        self.cable.settle()
        since_s = self.reached_s + 4 * MINUTE
        give_up = time.monotonic() + 60.0
        while self.reached_s < since_s and time.monotonic() < give_up:
            time.sleep(0.05)
        self.program.send_signal(signal.SIGTERM)
        self.ended_with = self.program.wait(60)
        self.reader.join(10)

    def close(self) -> None:
        """Leave nothing behind, however it went."""
        self.visitors._stop.set()
        if self.program.poll() is None:
            self.program.kill()
            self.program.wait()
        self.log.close()
        self.node.end()
        with suppress(AssertionError, OSError):
            self.cable.end()
        self.receiver.close()
        self.desk.close()

    def raised(self) -> Counter[tuple[str, str]]:
        """How often each kind of alarm was raised of each batch."""
        events = [one for one in self.desk.events() if one.event == "alarm" and one.values["state"] == "raised"]
        return Counter((event.batch, str(event.values["kind"])) for event in events)

    def rang_for(self, title: str) -> bool:
        """Whether a message with this title reached a phone."""
        return any(title in one["title"] for one in self.receiver.taken)

    def kept(self, probe: str) -> Counter[tuple[str, float]]:
        """How often each time stamp of a probe stands in the journal, by bucket; of those whose stamp was not believed
        (so fast, a delay of a third of a second looks like a clock that is a minute late), the bucket alone."""
        with sqlite3.connect(f"file:{self.folder}/journal.sqlite?mode=ro", uri=True) as db:
            rows = db.execute(
                "SELECT p.bucket, r.time_s, r.retimed FROM readings r JOIN probes p ON p.id = r.probe "
                "WHERE p.probe = ?",
                (probe,),
            )
            return Counter((bucket, -1.0 if retimed else time_s) for bucket, time_s, retimed in rows)

    def account(self, probe: str) -> tuple[int, int, int]:
        """Readings of a probe (lost, too many, placed by their arrival)."""
        sent, kept = self.ledger.sent, self.kept(probe)
        lost = more = placed = 0
        for bucket in self.names:
            left = Counter({at_s: n for (name, at_s), n in sent.items() if name == bucket})
            left.subtract({at_s: n for (name, at_s), n in kept.items() if name == bucket and at_s >= 0})
            by_arrival = kept[bucket, -1.0]
            missing = sum(n for n in left.values() if n > 0) - by_arrival
            lost += max(0, missing)
            more += max(0, -missing) + sum(-n for n in left.values() if n < 0)
            placed += by_arrival
        return lost, more, placed
