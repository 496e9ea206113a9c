"""What a reading costs outside the judging: ``python -m tests.bench.fleet [--readings 6000] [--messages 10000]``.

The measured numbers behind ``million_buckets.md``: bytes on the wire, in the journal and in the copy that follows it,
and what a mosquitto as Debian ships it carries on one core (QoS 1, one subscriber, messages of one bucket) and holds
in memory for each node that is connected and for each message that waits.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import socket
import tempfile
import threading
import time
from pathlib import Path

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from monitor.copying import Copying
from monitor.domain import Reading
from monitor.journal.database import Journal
from tests.bench.through_mqtt import cpu_s
from tests.conftest import find_program
from tests.helpers_watch import pack
from tests.sources.conftest import Broker

_NODES = 500


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--readings", type=int, default=6_000)
    parser.add_argument("--messages", type=int, default=10_000)
    args = parser.parse_args()
    payload = pack("site-0417-12", 71.4, 1768672800)
    topic = "emberpail/site-0417/node-12/readings"
    # PUBLISH: two bytes of header, two of the topic's length, two of the message's number (MQTT 3.1.1, section 3.3).
    print(f"on the wire: a payload of {len(payload)} bytes, a PUBLISH of {len(payload) + len(topic) + 6}")
    with tempfile.TemporaryDirectory(prefix="emberpail-") as folder:
        _journal(Path(folder), args.readings)
        program = find_program("mosquitto")
        if program is None:
            print("mosquitto is not installed: the broker is left out")
            return
        _broker(Path(folder), program, topic, payload, args.messages)


def _journal(folder: Path, readings: int) -> None:
    """Commits of ten readings each ten seconds, as one bucket after another sends."""
    copies = folder / "copies"
    copies.mkdir()
    path = folder / "here" / "journal.sqlite"
    with Journal(path) as journal:
        copying = Copying(path, copies, time.time, {})
        copying.turn()
        began, shipped, cpu_s = 1768672800.0, 0, 0.0
        tails: dict[Path, int] = {}
        for start in range(0, readings, 10):
            journal.add_readings(
                Reading(f"b-{start // 10 % 10}-{one}", "core", began + start, began + start + 0.4, 70.0 + one / 16)
                for one in range(10)
            )
            before = time.process_time()
            copying.turn()
            cpu_s += time.process_time() - before
            for tail in copying.folder.glob("tail-*"):
                size = tail.stat().st_size
                shipped += size - tails.get(tail, 0)
                tails[tail] = size
        copying._pins.let_go()
        journal._run("PRAGMA wal_checkpoint(TRUNCATE)")
        size = path.stat().st_size
    print(f"in the journal: {size / readings:.0f} bytes a reading")
    print(
        f"in the copy: {shipped / readings:.0f} bytes a reading shipped in commits of ten, "
        f"{1e6 * cpu_s / readings:.0f} us of processor a reading"
    )


def _broker(folder: Path, program: str, topic: str, payload: bytes, messages: int) -> None:
    (folder / "broker").mkdir()
    broker = Broker(program, folder / "broker", "max_queued_messages 0").start()
    assert broker.process is not None
    try:
        pid = broker.process.pid
        taken = threading.Semaphore(0)
        reader = _client("reader", broker.port)
        reader.on_message = lambda *_: taken.release()
        reader.subscribe("emberpail/+/+/readings", 1)
        sender = _client("sender", broker.port)
        _nodes(broker, pid)
        cpu_before, began = cpu_s(pid), time.monotonic()
        for _ in range(messages):
            sender.publish(topic, payload, qos=1)
        for _ in range(messages):
            taken.acquire()
        spent_s = cpu_s(pid) - cpu_before
        print(f"broker: {1e6 * spent_s / messages:.0f} us of processor a message in and out, QoS 1 "
              f"(so {messages / spent_s:,.0f} a second on one core; here {messages / (time.monotonic() - began):,.0f})")
        reader.loop_stop()
        reader.disconnect()
        _memory(broker, topic, payload, sender, messages)
        sender.loop_stop()
    finally:
        broker.stop()


def _nodes(broker: Broker, pid: int) -> None:
    """On a broker that has carried nothing yet: memory that was let go would be used again, and not be seen."""
    before = _resident(pid)
    with contextlib.ExitStack() as open_ones:
        for number in range(_NODES):
            # A bare CONNECT with a session kept, as a node sends it (MQTT 3.1.1, section 3.1).
            name = f"node-{number:05d}".encode()
            body = b"\x00\x04MQTT\x04\x00\x00\x3c" + len(name).to_bytes(2, "big") + name
            sock = open_ones.enter_context(socket.create_connection(("127.0.0.1", broker.port)))
            sock.sendall(b"\x10" + bytes([len(body)]) + body)
            sock.recv(4)
        time.sleep(0.5)
        print(f"broker: {(_resident(pid) - before) / _NODES:,.0f} bytes of memory a connected node")


def _memory(broker: Broker, topic: str, payload: bytes, sender: paho.Client, messages: int) -> None:
    assert broker.process is not None
    pid = broker.process.pid
    away = _client("away", broker.port)
    away.subscribe("emberpail/+/+/readings", 1)
    time.sleep(0.5)
    away.loop_stop()
    away.disconnect()
    before = _resident(pid)
    for told in [sender.publish(topic, payload, qos=1) for _ in range(messages)]:
        told.wait_for_publish(60)
    print(f"broker: {(_resident(pid) - before) / messages:,.0f} bytes of memory a message that waits for a watch")


def _client(name: str, port: int) -> paho.Client:
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id=name, clean_session=False)
    client.max_queued_messages_set(0)
    client.max_inflight_messages_set(200)
    client.connect("127.0.0.1", port)
    client.loop_start()
    return client


def _resident(pid: int) -> int:
    return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")


if __name__ == "__main__":
    main()
