"""From two wires to a phone, with real parts at each end.

A real Mosquitto and ``mosquitto_pub`` drive one bucket and a pseudo-terminal drives another, at the same time, through
a real ``emberpail watch``; an alarm reaches a local HTTP receiver through an Apprise route, is acknowledged, and
survives kill -9 in between.
"""

from __future__ import annotations

import importlib
import json
import os
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from monitor.clock import ArrivalClock
from monitor.domain import LogEntry
from monitor.journal.database import Act, Journal
from monitor.running import Running
from monitor.settings import load_settings
from monitor.sources.batch_file import write_batch_file
from monitor.watch_parts import sources_of
from tests.helpers_watch import batch_in, pack
from tests.phone.receiver import Receiver
from tests.sources.conftest import Broker, Node, wait_until

SETTINGS = """
[place]
name = "Quillmarsh allotments (invented)"
time_zone = "UTC"
[journal]
path = "journal.sqlite"
[reminders]
enabled = false  # what rings here is an alarm
[[source]]
kind = "serial"
name = "cable"
port = "{port}"
[[source]]
kind = "mqtt"
name = "broker"
host = "127.0.0.1"
port = {broker}
client_id = "end-to-end"
[[bucket]]
name = "shed-1"
litres = 20
[[bucket]]
name = "shed-2"
litres = 20
[[person]]
name = "Ash"
routes = ["{route}"]
"""
RECIPE = ("--oil", "rapeseed 3.31 kg", "--koh", "640g", "--purity", "90%", "--water", "1 kg")


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    """The phone's service."""
    one = Receiver()
    yield one
    one.close()


@pytest.fixture
def broker(tmp_path: Path, needs: Callable[[str], str]) -> Iterator[Broker]:
    """A stock mosquitto."""
    folder = tmp_path / "broker"
    folder.mkdir()
    one = Broker(needs("mosquitto"), folder).start()
    yield one
    one.stop()


@pytest.fixture
def node(tmp_path: Path) -> Iterator[Node]:
    """A node on a cable."""
    one = Node(tmp_path / "usb-node")
    one.plug_in()
    yield one
    one.unplug()


@pytest.fixture
def settings_file(tmp_path: Path, broker: Broker, node: Node, receiver: Receiver) -> Path:
    path = tmp_path / "emberpail.toml"
    path.write_text(SETTINGS.format(port=node.link, broker=broker.port, route=receiver.url("ok")))
    path.chmod(0o600)
    return path


def good_c(minutes: float) -> float:
    """The core of a good blend, so many minutes after blending: quick at first, hottest near 84 °C, then cooling."""
    return 50.0 + 36.0 * (1.0 - 2.0 ** (-minutes / 6.0)) - 0.05 * minutes


class Wires:
    """Two nodes that send, a reading each time: shed-1, a good blend, over the cable; shed-2, far too hot, with
    mosquitto_pub. ``minutes()`` is the time since the blending.

    ``ledger`` holds the time stamps of what mosquitto_pub was given: the broker acknowledges each (QoS 1).
    """

    def __init__(self, node: Node, publisher: subprocess.Popen[bytes]) -> None:
        self.ledger: list[float] = []
        self._node, self._publisher = node, publisher
        self._every_s, self._stamped = 1.0, True
        self._minutes: Callable[[], float] = lambda: 0.0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._send, daemon=True)

    def start(self, minutes: Callable[[], float], *, every_s: float = 1.0, stamped: bool = True) -> None:
        """``stamped`` False: the nodes have no clock, and the arrival counts."""
        self._minutes, self._every_s, self._stamped = minutes, every_s, stamped
        self._thread.start()

    def _send(self) -> None:
        assert self._publisher.stdin is not None
        number = 0
        while not self._stop.wait(self._every_s):
            at_s = round(time.time(), 3)
            stamp_s = at_s if self._stamped else None
            wiggle = (number % 7) * 0.0625
            self._node.send(pack("shed-1", good_c(self._minutes()) + wiggle, stamp_s) + b"\n")
            self._publisher.stdin.write(pack("shed-2", 96.0 + wiggle, stamp_s) + b"\n")
            self._publisher.stdin.flush()
            self.ledger.append(at_s)
            number += 1

    def end(self) -> None:
        """Stop sending; all that mosquitto_pub was given is with the broker when it has ended."""
        self._stop.set()
        self._thread.join(5)
        assert self._publisher.stdin is not None
        self._publisher.stdin.close()
        assert self._publisher.wait(20) == 0


@pytest.fixture
def wires(broker: Broker, node: Node, needs: Callable[[str], str]) -> Iterator[Wires]:
    publisher = subprocess.Popen(
        [needs("mosquitto_pub"), "-h", "127.0.0.1", "-p", str(broker.port), "-q", "1", "-l",
         "-t", "emberpail/shed/readings"],
        stdin=subprocess.PIPE,
    )  # fmt: skip
    one = Wires(node, publisher)
    yield one
    one._stop.set()
    publisher.kill()
    publisher.wait()


class Shed:
    """The program as somebody at the shed runs it: commands, and the watch as a process of its own."""

    def __init__(self, folder: Path, settings_file: Path) -> None:
        self.folder, self.settings_file = folder, settings_file
        self.watch: subprocess.Popen[bytes] | None = None
        self.log = folder / "watch.log"

    def run(self, command: str, *arguments: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "monitor", command, *arguments, "--settings", str(self.settings_file)],
            capture_output=True, text=True, timeout=60, cwd=self.folder, check=False,
        )  # fmt: skip

    def ok(self, command: str, *arguments: str) -> str:
        done = self.run(command, *arguments)
        assert done.returncode == 0, (done.stdout, done.stderr)
        return done.stdout

    def status(self) -> tuple[int, dict[str, Any]]:
        done = self.run("status", "--json")
        assert done.returncode in (0, 1), done.stderr
        return done.returncode, json.loads(done.stdout)

    def start_watch(self) -> None:
        with open(self.log, "ab") as log:
            self.watch = subprocess.Popen(
                [sys.executable, "-u", "-m", "monitor", "watch", "--no-page", "--record", "night.rec",
                 "--events", "events.jsonl", "--settings", str(self.settings_file)],
                stdout=log, stderr=log, cwd=self.folder,
            )  # fmt: skip

    def end_watch(self, how: signal.Signals) -> int:
        assert self.watch is not None
        self.watch.send_signal(how)
        return self.watch.wait(20)

    def rows(self, sql: str) -> list[tuple[Any, ...]]:
        db = sqlite3.connect(f"file:{self.folder}/journal.sqlite?mode=ro", uri=True, timeout=10)
        try:
            return db.execute(sql).fetchall()
        finally:
            db.close()

    def kept(self, bucket: str) -> Counter[float]:
        """How often each time stamp of a bucket stands in the journal."""
        rows = self.rows(
            f"SELECT r.time_s FROM readings r JOIN probes p ON p.id = r.probe WHERE p.bucket = '{bucket}'"
        )
        return Counter(row[0] for row in rows)

    def kill_between_commits(self) -> None:
        """kill -9, a moment after a commit: what the watch has in hand then is what it must not lose."""
        before = self.kept("shed-2").total()
        wait_until(lambda: self.kept("shed-2").total() > before, 20, what="the next commit")
        assert self.end_watch(signal.SIGKILL) == -signal.SIGKILL


@pytest.fixture
def shed(tmp_path: Path, settings_file: Path) -> Iterator[Shed]:
    one = Shed(tmp_path, settings_file)
    yield one
    if one.watch is not None and one.watch.poll() is None:
        one.watch.kill()
        one.watch.wait()


@pytest.mark.slow
@pytest.mark.needs("mosquitto", "mosquitto_pub")
def test_a_bucket_minded_from_the_wire_to_the_phone(shed: Shed, wires: Wires, receiver: Receiver) -> None:
    """An alarm of a bucket on the broker rings the phone once, outlives two kill -9, is answered and then quiet; a
    second bucket on a cable is minded beside it and rings nobody; no reading the broker took is lost or doubled."""
    began_s = time.time()
    for bucket in ("shed-1", "shed-2"):
        said = shed.ok("start", f"Invented {bucket}", "--bucket", bucket, "--at", "25 min ago", *RECIPE)
        assert said.index("All the water first") < said.index(f"Invented {bucket} started")
        shed.ok("mark", bucket, "poured", "--at", "25 min ago", "--temperature", "50C")
        shed.ok("mark", bucket, "blended", "--at", "18 min ago")
    code, view = shed.status()
    assert code == 0 and "not run yet" in " ".join(view["watch"])
    shed.start_watch()
    wait_until(lambda: "Minding" in shed.log.read_text(), 30, what="the watch to start")
    wires.start(lambda: (time.time() - began_s) / 60.0 + 18.0)

    # The first ring: the paste stands at 96 °C at two ticks in a row.
    wait_until(lambda: receiver.taken, 150, what=f"the phone to ring; watch said {shed.log.read_text()}")
    rung_at = time.monotonic()
    wait_until(lambda: shed.rows("SELECT 1 FROM outbox WHERE state = 'sent'"), 10, what="the ring to be noted as done")
    message = receiver.taken[0]
    words = f"{message['title']} {message['message']}"
    assert "shed-2" in words and "96" in words and "Invented" not in message["title"]
    code, view = shed.status()
    assert code == 1
    alarms = {bucket["name"]: [alarm["kind"] for alarm in bucket["alarms"]] for bucket in view["buckets"]}
    assert "too_hot" in alarms["shed-2"] and "too_hot" not in alarms["shed-1"]
    rung_for_shed_1 = [one for one in receiver.taken if "shed-1" in one["title"]]
    assert not rung_for_shed_1, "a good bucket rings nobody"

    # kill -9 while both wires go on; started again, it goes on, and the same telling is not told twice.
    shed.kill_between_commits()
    time.sleep(6)
    rung = len(receiver.taken)
    shed.start_watch()
    wait_until(lambda: shed.log.read_text().count("Minding") == 2, 30, what="the watch to start again")
    took_up = time.time()
    wait_until(lambda: max(shed.kept("shed-1")) > took_up, 20, what="readings of the cable after the restart")
    wait_until(lambda: max(shed.kept("shed-2")) > took_up, 20, what="readings of the broker after the restart")
    assert len(receiver.taken) == rung, "nobody is rung twice for the same thing"
    assert shed.status()[0] == 1, "the alarm still stands"

    # "I have seen it": taken up within two seconds, and it outlives another kill -9.
    said = shed.ok("ack", "shed-2", "--who", "Ash")
    assert "seen" in said
    wait_until(
        lambda: shed.rows("SELECT state FROM alarms WHERE kind = 'too_hot'") == [("acknowledged",)], 4.0,
        what="the acknowledgement to be taken up",
    )  # fmt: skip
    shed.kill_between_commits()
    shed.start_watch()
    wait_until(lambda: shed.log.read_text().count("Minding") == 3, 30, what="the watch to start a third time")

    # Unanswered it would have rung again at the second tick after the first ring.
    time.sleep(max(0.0, 120.0 + 15.0 - (time.monotonic() - rung_at)))
    about_heat = [one for one in receiver.taken if one["title"] == message["title"]]
    assert len(about_heat) == 1, [one["title"] for one in receiver.taken]
    assert not [one for one in receiver.taken if "shed-1" in one["title"]]
    code, view = shed.status()
    assert code == 1, "seen is not over: the alarm stands as long as the paste is hot"
    states = [alarm["state_words"] for b in view["buckets"] for alarm in b["alarms"] if alarm["kind"] == "too_hot"]
    assert states and "Ash" in states[0]

    # All that the broker acknowledged is in the journal, once, whether a watch was running or not.
    wires.end()
    wait_until(lambda: set(wires.ledger) <= set(shed.kept("shed-2")), 20, what="the last readings")
    kept = shed.kept("shed-2")
    assert kept == Counter(wires.ledger)
    assert set(shed.kept("shed-1").values()) == {1}
    assert shed.end_watch(signal.SIGTERM) == 0
    assert "Nothing is minded now" in shed.log.read_text()
    assert "Traceback" not in shed.log.read_text()

    # What was recorded gives the same events again, over both restarts.
    events = (shed.folder / "events.jsonl").read_text().splitlines()
    with Journal(shed.folder / "journal.sqlite", read_only=True) as journal:
        for bucket in ("shed-1", "shed-2"):
            batch = journal.batch(f"Invented {bucket}")
            assert batch is not None
            batch_file, out = shed.folder / f"{bucket}.toml", shed.folder / f"{bucket}.jsonl"
            write_batch_file(batch_file, batch.batch, journal.entries(batch.batch.name))
            shed.ok("replay", "night.rec", "--batch", str(batch_file), "--events", str(out))
            live = [line for line in events if json.loads(line)["bucket"] == bucket]
            again = [line for line in out.read_text().splitlines() if json.loads(line)["event"] != "verdict"]
            assert again == live
    assert any('"kind":"too_hot","state":"raised"' in line for line in events)


@pytest.mark.slow
@pytest.mark.needs("mosquitto", "mosquitto_pub")
def test_an_unseen_alarm_rings_at_growing_intervals_until_somebody_has_seen_it(
    settings_file: Path, tmp_path: Path, wires: Wires, receiver: Receiver
) -> None:
    """A minute a second, in this process: rung at once, after two, five and ten minutes more; once seen, no more."""
    # The library of the phone services is loaded with the first message; that second would be a minute here.
    importlib.import_module("apprise")
    settings = load_settings(settings_file)
    journal = Journal(settings.journal_path)
    speed = 60.0
    clock = ArrivalClock(speed=speed)
    began_s = clock.now()
    for bucket in ("shed-1", "shed-2"):
        batch = batch_in(bucket, began_s - 1500.0, noted_at_s=began_s)
        journal.add_batch(batch)
        journal.add_entry(batch.name, LogEntry("poured", began_s - 1500.0, began_s, 50.0))
        journal.add_entry(batch.name, LogEntry("blended", began_s - 1080.0, began_s))
    running = Running(settings, journal, clock, sources_of(settings, clock), serve_page=False, say=lambda words: None)
    stop = threading.Event()
    watching = threading.Thread(target=running.run, args=(stop,), daemon=True)
    watching.start()
    wires.start(lambda: (clock.now() - began_s) / 60.0 + 18.0, every_s=0.15, stamped=False)
    try:
        wait_until(lambda: len(hot(receiver)) >= 3, 30, what="three rings for the heat")
        alarm = next(one for one in journal.alarms(standing_only=True) if one.kind == "too_hot")
        # When each was decided: how soon a busy computer then hands it over is another matter.
        told_s = sorted({one.created_s for one in journal.messages(alarm.alarm_id)})
        at_min = [(one - told_s[0]) / 60.0 for one in told_s[:3]]
        assert at_min == pytest.approx([0.0, 2.0, 7.0], abs=0.8), at_min
        journal.add_act(
            Act(alarm.alarm_id, "acknowledged", clock.now(), clock.now(), "Ash", None, alarm.batch, alarm.bucket)
        )
        wait_until(lambda: journal.alarm(alarm.alarm_id).state == "acknowledged", 5, what="the answer")  # type: ignore[union-attr]
        rung, seen_s = len(hot(receiver)), clock.now()
        wait_until(lambda: clock.now() > seen_s + 12 * 60.0, 30, what="the next ring's time to pass")
        assert len(hot(receiver)) == rung
        assert not [one for one in receiver.taken if "shed-1" in one["title"]]
    finally:
        wires.end()
        stop.set()
        watching.join(20)
        running.close()
        journal.close()
    assert not watching.is_alive()
    assert os.path.exists(tmp_path / "journal.sqlite")


def hot(receiver: Receiver) -> list[dict[str, Any]]:
    """What the phone got about heat in shed-2."""
    return [one for one in receiver.taken if one["title"] == "shed-2: may boil over"]
