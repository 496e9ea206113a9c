"""The real wires: a watch at a hand-cranked clock, behind a pseudo-terminal or behind a real broker.

The test advances the clock, puts bytes on the wire and waits until the source has handed them on (or dropped them);
then the clock goes on. So hours pass in a second, and yet every byte takes the way it takes in a shed.
"""

from __future__ import annotations

import itertools
import threading
from collections.abc import Callable, Iterable
from contextlib import suppress
from pathlib import Path
from typing import Any, Protocol

import paho.mqtt.client as paho
import serial
from paho.mqtt.enums import CallbackAPIVersion

from monitor.domain import Batch, Event, LogEntry
from monitor.own_trouble import OwnTrouble
from monitor.sources.line import Line
from monitor.sources.mqtt import MqttSource
from monitor.sources.serial_port import SerialSource, open_port
from monitor.watch import Watch
from tests.helpers_watch import Bench, settings_with
from tests.sources.conftest import Broker, Node, Running, wait_until
from tests.sources.test_serial_speed import seen_at

SPEED = 9600
_IN_TIME_S = 60.0


class Hand:
    """The clock that the test turns; a source reads it in its own thread."""

    now_s = 0.0

    def now(self) -> float:
        return round(self.now_s, 3)


class Port:
    """An open serial port that knows when all it has read has been dealt with: when the next read begins."""

    def __init__(self, port: serial.Serial, owner: SerialWire) -> None:
        self._port, self._owner = port, owner

    def __getattr__(self, name: str) -> Any:
        return getattr(self._port, name)

    def read(self, size: int) -> bytes:
        number = self._owner.read_begins()
        data = bytes(self._port.read(size))
        self._owner.read += len(data)
        if not data:
            self._owner.last_empty = number
        return data

    @property
    def baudrate(self) -> int:
        return int(self._port.baudrate)

    @baudrate.setter
    def baudrate(self, baud: int) -> None:
        self._port.baudrate = baud


class Wire(Protocol):
    """What a fault may do to a wire."""

    running: Running

    def put(self, data: bytes) -> None:
        """Send as it is, and wait until it has been dealt with."""


class SerialWire:
    """A node at a pseudo-terminal. ``node_speed`` is what the node sends at; the port may listen at another."""

    def __init__(self, folder: Path, hand: Hand) -> None:
        self.node = Node(folder / "usb-node")
        self.node.plug_in()
        self.node_speed = SPEED
        self.read = self._done = self._sent = 0
        self._reads = self.last_empty = 0
        self._changed = threading.Condition()
        self._port: Port | None = None
        self.source = SerialSource(
            str(self.node.link), SPEED, clock=hand, name="wire", list_ports=lambda: [], opener=self._open
        )
        self.running: Running

    def _open(self, path: str, baud: int) -> Any:
        self._port = Port(open_port(path, baud), self)
        return self._port

    def read_begins(self) -> int:
        """The source reads again, so all that it read before has been handed on. Answers the read's number."""
        with self._changed:
            self._done, self._reads = self.read, self._reads + 1
            self._changed.notify_all()
            return self._reads

    def begin(self, deliver: Callable[[Line], None]) -> None:
        self.running = Running(self.source, deliver=deliver)
        self.running.wait_state("connected")

    def put(self, data: bytes) -> None:
        assert self._port is not None
        if self._port.baudrate != self.node_speed:
            data = seen_at(data, self.node_speed, self._port.baudrate)
        self.node.send(data)
        self._sent += len(data)
        with self._changed:
            assert self._changed.wait_for(lambda: self._done >= self._sent, _IN_TIME_S), "the port reads no more"

    def idle(self) -> None:
        """Wait until the source has waited for bytes in vain, as it does many times between two lines of a node."""
        with self._changed:
            begun = self._reads
            assert self._changed.wait_for(lambda: begun < self.last_empty < self._reads, _IN_TIME_S), "no idle read"

    def unplug(self) -> None:
        """Pull the plug."""
        self.node.unplug()
        self.running.wait_state("waiting")
        self._sent = self._done = self.read = 0

    def plug_in(self) -> str:
        """Plug it in again; answers the name that the system gave it."""
        name = self.node.plug_in()
        self.running.wait_state("connected")
        return name

    def end(self) -> None:
        self.running.end()
        self.node.unplug()


class MqttWire:
    """A node at a broker. ``put`` publishes under the node's name; ``publish`` can do more."""

    _numbers = itertools.count()

    def __init__(self, broker: Broker, hand: Hand) -> None:
        self.root = f"row-{next(self._numbers)}"
        self.broker = broker
        self.topic = f"{self.root}/node-1/readings"
        self.source = MqttSource(
            "127.0.0.1", broker.port, clock=hand, name="wire", topic=f"{self.root}/+/readings", client_id=self.root
        )
        self.delivered = 0
        self._retained: set[str] = set()
        self.running: Running
        self._client = paho.Client(CallbackAPIVersion.VERSION2, client_id=f"{self.root}-node")
        self._client.max_inflight_messages_set(20)
        self._client.connect("127.0.0.1", broker.port)
        self._client.loop_start()

    def begin(self, deliver: Callable[[Line], None]) -> None:
        def counted(line: Line) -> None:
            deliver(line)
            self.delivered += 1

        self._deliver = counted
        self.running = Running(self.source, deliver=counted)
        self.running.wait_state("connected")

    def put(self, data: bytes) -> None:
        self.publish(data)

    def publish(self, data: bytes, *, node: str = "node-1", retain: bool = False, arrives: bool = True) -> None:
        """Publish at QoS 1 and wait until the source has it, if it is to have it."""
        topic = f"{self.root}/{node}/readings"
        before = self.delivered
        if retain:
            self._retained.add(topic)
        self._client.publish(topic, data, qos=1, retain=retain).wait_for_publish(_IN_TIME_S)
        if arrives:
            self.wait_for(before + 1)

    def wait_for(self, count: int) -> None:
        """Wait until so many messages have been handed on."""
        wait_until(lambda: self.delivered >= count, _IN_TIME_S, what=f"message {count}")

    def find_stored(self, data: bytes) -> None:
        """While the watch is away, and the broker has forgotten it, a message is stored; the watch finds it there."""
        self.running.end()
        forgetful = paho.Client(CallbackAPIVersion.VERSION2, client_id=self.root, clean_session=True)
        forgetful.connect("127.0.0.1", self.broker.port)
        forgetful.loop_start()
        wait_until(forgetful.is_connected, _IN_TIME_S)
        forgetful.disconnect()
        forgetful.loop_stop()
        self.publish(data, node="node-7", retain=True, arrives=False)
        before = self.delivered
        self.running = Running(self.source, deliver=self._deliver)
        self.running.wait_state("connected")
        self.wait_for(before + 1)

    def end(self) -> None:
        for topic in self._retained:
            self._client.publish(topic, b"", qos=1, retain=True).wait_for_publish(_IN_TIME_S)
        self.running.end()
        with suppress(Exception):
            self._client.disconnect()
        self._client.loop_stop()


Deed = Callable[[Any], None]
# When, and what is put on the wire then, or done to it.
Sent = tuple[float, bytes | Deed]


class Shed:
    """A watch that minds batches behind one wire."""

    def __init__(
        self,
        folder: Path,
        wire_of: Callable[[Hand], Any],
        began_s: float,
        batches: Iterable[tuple[Batch, Iterable[LogEntry]]],
    ) -> None:
        self.hand = Hand()
        self.hand.now_s = began_s
        self.wire = wire_of(self.hand)
        batches = list(batches)
        settings = settings_with(*(batch.bucket for batch, _ in batches))
        self.bench = _Bench(folder, began_s, settings, [self.wire.source], hand=self.hand)
        self.bench.watch.own = OwnTrouble(self.bench.journal, ())
        self.problems: set[tuple[str, str]] = set()  # (probe, what is wrong with it) of every alarm that stood
        self.bench.watch._on_tick = lambda watch, _: self._note_problems(watch)
        self.wire.begin(self.bench.watch.deliver)
        self._entries = sorted(
            ((entry.noted_at_s, batch, entry) for batch, log in batches for entry in log), key=lambda one: one[0]
        )
        self._batches = [batch for batch, _ in batches]

    def play(self, sent: Iterable[Sent], until_s: float) -> None:
        """Let it all happen, each thing at its time."""
        for batch in self._batches:
            self.bench.begin(batch)
        for at_s, what in sent:
            self._go_on(at_s)
            if callable(what):
                what(self.wire)
            else:
                self.wire.put(what)
            self.bench._turn()
        self._go_on(until_s)

    def _go_on(self, at_s: float) -> None:
        while self._entries and self._entries[0][0] <= at_s:
            noted_s, batch, entry = self._entries.pop(0)
            self.bench.until(noted_s)
            self.bench.mark(batch, entry)
        self.bench.until(at_s)

    def _note_problems(self, watch: Watch) -> None:
        for minder in watch.minders.values():
            for condition in minder.conditions.values():
                if condition.kind == "sensor_fault" and condition.standing:
                    self.problems.add((str(condition.facts["probe"]), str(condition.facts["problem"])))

    def alarms(self) -> list[Event]:
        """Every raising in the journal, in order."""
        events = self.bench.desk.events()
        return [event for event in events if event.event == "alarm" and event.values["state"] == "raised"]

    def end(self) -> None:
        self.wire.end()
        self.bench.close()


class _Bench(Bench):
    """A bench whose time also stands on the hand that the sources read."""

    def __init__(self, *arguments: Any, hand: Hand) -> None:
        self._hand = hand
        super().__init__(*arguments)

    @property
    def now_s(self) -> float:  # type: ignore[override]
        return self._hand.now_s

    @now_s.setter
    def now_s(self, now_s: float) -> None:
        self._hand.now_s = now_s
