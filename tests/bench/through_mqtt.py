"""Readings through the whole daemon: ``python -m tests.bench.through_mqtt [--messages 6000] [--turns 3]``.

A real mosquitto as Debian ships it holds so many messages (QoS 1, a session that was there before) for somebody who
was away. Then one of three processes fetches them, and they take turns:

* the daemon, ``python -m monitor watch`` with twenty running batches: decoding, screening, minding, journal;
* a bare loop with the same promise: paho-mqtt, ``json``, an INSERT a reading, acknowledged after the commit, which
  comes after ten messages as ours does (half of what a stock broker sends unacknowledged);
* a bare loop without it: each message acknowledged as it comes, a commit each thousand.

Counted from the first reading in the file to the last: readings per second, and processor time of the process in
that span. Medians of the turns; the ratios are ours to each loop. Both files stand on the same disk.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from monitor.domain import LogEntry
from monitor.journal.database import Journal
from tests.conftest import find_program
from tests.helpers_watch import batch_in
from tests.sources.conftest import Broker

BUCKETS = 20
COMMIT_AT = 10
_CLIENT = "fetcher"
_SETTINGS = """
[place]
time_zone = "UTC"
[journal]
path = "kept.sqlite"
[reminders]
enabled = false
[[source]]
kind = "mqtt"
name = "broker"
host = "127.0.0.1"
port = {port}
client_id = "{client}"
"""


def main() -> None:
    """Turns, and their ratios."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--messages", type=int, default=6000)
    parser.add_argument("--turns", type=int, default=3)
    parser.add_argument("--bare", nargs=3, metavar=("PORT", "FILE", "PROMISE"), help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.bare:
        bare(int(args.bare[0]), Path(args.bare[1]), args.bare[2] == "kept")
        return
    figures: dict[str, list[tuple[float, float]]] = {"the daemon": [], "bare, same promise": [], "bare, none": []}
    for _ in range(args.turns):
        for who, turns in figures.items():
            turns.append(_turn(who, args.messages))
    ours = [statistics.median(column) for column in zip(*figures["the daemon"], strict=True)]
    print(f"{args.messages} messages of two readings, {BUCKETS} batches, medians of {args.turns} turns")
    for who, turns in figures.items():
        rate, cpu_us = (statistics.median(column) for column in zip(*turns, strict=True))
        print(f"  {who:20} {rate:8.0f} readings/s   {cpu_us:6.0f} us of CPU a reading", end="")
        print(f"   ours to it: {ours[0] / rate:5.2f} of the rate, {ours[1] / cpu_us:5.2f} times the CPU")


def _turn(who: str, messages: int) -> tuple[float, float]:
    """One fetching of all messages: readings per second, and microseconds of processor time a reading."""
    program = find_program("mosquitto")
    assert program is not None, "mosquitto is not installed (apt-get install mosquitto)"
    with tempfile.TemporaryDirectory(prefix="through-") as name:
        folder = Path(name)
        broker = Broker(program, folder, "max_queued_messages 0").start()
        try:
            _be_known(broker.port)
            _publish(broker.port, messages)
            file = folder / "kept.sqlite"
            if who == "the daemon":
                _begin_batches(file)
                (folder / "emberpail.toml").write_text(_SETTINGS.format(port=broker.port, client=_CLIENT))
                command = ["-m", "monitor", "watch", "--no-page", "--settings", str(folder / "emberpail.toml")]
            else:
                promise = "kept" if who == "bare, same promise" else "none"
                command = ["-m", "tests.bench.through_mqtt", "--bare", str(broker.port), str(file), promise]
            env = os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])}
            with open(folder / "said.txt", "wb") as said:
                process = subprocess.Popen([sys.executable, *command], stdout=said, stderr=said, cwd=folder, env=env)
            try:
                return _measured(process, file, 2 * messages)
            finally:
                process.terminate()
                process.wait(30)
        finally:
            broker.stop()


def _measured(process: subprocess.Popen[bytes], file: Path, readings: int) -> tuple[float, float]:
    first: tuple[float, float, int] | None = None
    give_up = time.monotonic() + 600.0
    while time.monotonic() < give_up and process.poll() is None:
        time.sleep(0.02)
        kept = _kept(file)
        if kept and first is None:
            first = (time.monotonic(), cpu_s(process.pid), kept)
        if kept >= readings and first is not None:
            more = readings - first[2]
            seconds, spent_s = time.monotonic() - first[0], cpu_s(process.pid) - first[1]
            return more / seconds, 1e6 * spent_s / more
    raise SystemExit(f"not all came: {_kept(file)} of {readings}; {(file.parent / 'said.txt').read_text()[-2000:]}")


def _kept(file: Path) -> int:
    """The number of the newest row: cheap to ask, whatever the file holds."""
    if not file.exists():
        return 0
    address = f"file:{file}?mode=ro"
    with contextlib.suppress(sqlite3.Error), contextlib.closing(sqlite3.connect(address, uri=True)) as db:
        return int(db.execute("SELECT coalesce(max(rowid), 0) FROM readings").fetchone()[0])
    return 0


def cpu_s(pid: int) -> float:
    """Processor time of a process so far, s (Linux, proc(5))."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _client(name: str, **more: object) -> paho.Client:
    return paho.Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=paho.MQTTv311, **more)  # type: ignore[arg-type]


def _be_known(port: int) -> None:
    """Subscribe once and go, so that the broker keeps what comes."""
    client, there = _client(_CLIENT, clean_session=False), threading.Event()
    client.on_subscribe = lambda *_: there.set()
    client.connect("127.0.0.1", port)
    client.subscribe("emberpail/+/readings", qos=1)
    client.loop_start()
    assert there.wait(10), "the broker did not answer"
    client.disconnect()
    client.loop_stop()


def _publish(port: int, messages: int) -> None:
    """What twenty nodes would have sent in the last hours, core and air each ten seconds."""
    client = _client("nodes")
    client.max_inflight_messages_set(200)
    client.connect("127.0.0.1", port)
    client.loop_start()
    steps = -(-messages // BUCKETS)
    began_s, left = time.time() - 10.0 * steps, []
    for number in range(messages):
        step, bucket = divmod(number, BUCKETS)
        core_c = 45.0 + 40.0 * (1.0 - 2.0 ** (-step / 60.0)) + (step % 5) / 16
        pack = [
            {"bn": f"shed-{bucket}/", "bt": round(began_s + 10.0 * step, 1), "bu": "Cel", "n": "core", "v": core_c},
            {"n": "ambient", "v": 8.0 + 0.0625 * (step % 5)},
        ]
        left.append(client.publish(f"emberpail/n{bucket}/readings", json.dumps(pack), qos=1))
    for one in left:
        one.wait_for_publish(60)
    client.disconnect()
    client.loop_stop()


def _begin_batches(file: Path) -> None:
    now_s = time.time()
    with Journal(file) as journal:
        for number in range(BUCKETS):
            batch = batch_in(f"shed-{number}", now_s - 4 * 3600.0, noted_at_s=now_s - 4 * 3600.0)
            journal.add_batch(batch)
            journal.add_entry(batch.name, LogEntry("poured", batch.started_s, batch.started_s, 50.0))
            journal.add_entry(batch.name, LogEntry("blended", batch.started_s + 600.0, batch.started_s + 600.0))


def bare(port: int, file: Path, promise: bool) -> None:
    """The shortest program that brings readings from a broker into SQLite."""
    db = sqlite3.connect(file, isolation_level=None)
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("PRAGMA synchronous = FULL")
    db.execute("CREATE TABLE readings (name TEXT, time_s REAL, arrival_s REAL, value REAL, UNIQUE (name, time_s))")
    client = _client(_CLIENT, clean_session=False, manual_ack=promise)
    waiting: list[int] = []
    every = COMMIT_AT if promise else 1000

    def commit() -> None:
        if db.in_transaction:
            db.execute("COMMIT")
        if promise:
            for mid in waiting:
                client.ack(mid, 1)
        waiting.clear()

    def on_message(_client: object, _data: object, message: paho.MQTTMessage) -> None:
        if not db.in_transaction:
            db.execute("BEGIN")
        base, time_s, now_s = "", 0.0, time.time()
        for record in json.loads(message.payload):
            base, time_s = record.get("bn", base), record.get("bt", time_s)
            row = (base + record["n"], time_s, now_s, record["v"])
            db.execute("INSERT OR IGNORE INTO readings VALUES (?, ?, ?, ?)", row)
        waiting.append(message.mid)
        if len(waiting) >= every:
            commit()

    client.on_message = on_message
    client.connect("127.0.0.1", port)
    client.subscribe("emberpail/+/readings", qos=1)
    quiet = 0
    while True:
        before = len(waiting)
        client.loop(0.2)
        quiet = quiet + 1 if len(waiting) == before else 0
        if quiet >= 2 and waiting:
            commit()


if __name__ == "__main__":
    main()
