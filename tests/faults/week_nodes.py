"""The wires of the soak: what each bucket reads, a node behind a broker, a node on a cable, and what they sent.

Readings carry the node's own time stamps. A node whose wire is cut keeps what it reads and sends it afterwards.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import struct
import termios
import threading
import time
from bisect import bisect_right
from collections import Counter, deque
from pathlib import Path

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from monitor.sensing.senml import Decoder
from monitor.sources.recording import read_recording

RECORDINGS = Path(__file__).parents[2] / "recordings"
GOOD = "quillmarsh-12"
MINUTE, HOUR = 60.0, 3600.0
# The invented good batch was poured then (recordings/quillmarsh-12.toml).
_POURED_S = 1773475800.0


class Curve:
    """The temperatures of the invented good batch by its age since the pour, and what goes wrong with others.

    ``kind`` is "good", "hot" (near 98 °C for an hour), "open" (no core for an hour) or "not taken".
    """

    def __init__(self) -> None:
        decoder, found = Decoder(), {"core": [], "ambient": []}  # type: ignore[var-annotated]
        for line in read_recording(RECORDINGS / f"{GOOD}.rec"):
            if line.note is None:
                for one in decoder.decode(line.data, line.arrival_s).readings:
                    found[one.probe].append((one.time_s - _POURED_S, one.temperature_c))
        self._found = {probe: sorted(values) for probe, values in found.items()}
        self._ages = {probe: [age for age, _ in values] for probe, values in self._found.items()}

    def at(self, probe: str, age_s: float) -> float:
        """°C. After its end the last day comes again."""
        over_s = age_s - self._ages[probe][-1]
        if over_s > 0:
            age_s -= 24 * HOUR * (1 + over_s // (24 * HOUR))
        place = bisect_right(self._ages[probe], age_s) - 1
        return float(self._found[probe][max(0, place)][1])

    def core(self, kind: str, age_s: float) -> float | str:
        """°C, or the word of a probe that cannot measure."""
        good_c = self.at("core", age_s)
        if kind == "hot":
            # As a paste warms and not as a probe leaps: up within a quarter of an hour, and down again later.
            rise = min(1.0, max(0.0, (age_s / MINUTE - 35.0) / 15.0), max(0.0, (125.0 - age_s / MINUTE) / 15.0))
            return min(98.0, good_c + 12.0 * rise) if rise else good_c
        if kind == "open" and 5 * HOUR <= age_s < 6 * HOUR:
            return "open"
        if kind == "not taken" and age_s > 0:
            # It only cools; the wiggle is that of the good one's converter.
            return round(10.0 + 36.0 * 2.0 ** (-age_s / (3 * HOUR)) + (good_c % 0.25), 4)
        return good_c


def pack(bucket: str, at_s: float, core: float | str, ambient_c: float) -> bytes:
    """One SenML pack with core and air of a bucket."""
    value = {"vs": core} if isinstance(core, str) else {"v": core}
    records = [{"bn": f"{bucket}/", "bt": at_s, "bu": "Cel", "n": "core", **value}, {"n": "ambient", "v": ambient_c}]
    return json.dumps(records, separators=(",", ":")).encode()


class Ledger:
    """What was sent for good, by probe: how often each time stamp."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self.sent: Counter[tuple[str, float]] = Counter()

    def note(self, bucket: str, at_s: float) -> None:
        with self._lock:
            self.sent[bucket, at_s] += 1


class BrokerNode:
    """A node that publishes with QoS 1. While the broker is away, its library keeps what it was given."""

    def __init__(self, port: int, ledger: Ledger) -> None:
        self._ledger = ledger
        self._waiting: deque[tuple[int, str, float]] = deque()  # in the order of sending, which is that of the answers
        self._acknowledged: set[int] = set()
        self._client = paho.Client(
            CallbackAPIVersion.VERSION2, client_id="node", clean_session=False, protocol=paho.MQTTv311
        )
        self._client.on_publish = lambda _client, _data, mid, _reason, _properties: self._acknowledged.add(mid)
        self._client.max_queued_messages_set(0)
        self._client.reconnect_delay_set(1, 1)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def send(self, bucket: str, at_s: float, line: bytes) -> None:
        # Without a connection the library says so, and keeps it all the same.
        self._waiting.append((self._client.publish("emberpail/node/readings", line, qos=1).mid, bucket, at_s))
        self._look()

    def _look(self) -> None:
        while self._waiting and self._waiting[0][0] in self._acknowledged:
            mid, bucket, at_s = self._waiting.popleft()
            self._acknowledged.discard(mid)
            self._ledger.note(bucket, at_s)

    def settle(self, within_s: float = 60.0) -> None:
        """Wait until the broker has acknowledged all."""
        give_up = time.monotonic() + within_s
        while self._waiting and time.monotonic() < give_up:
            self._look()
            time.sleep(0.02)
        assert not self._waiting, "the broker did not take all that the node sent"

    def end(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


class CableNode:
    """A node on a pseudo-terminal behind a link that keeps its name; keeps what it cannot send."""

    def __init__(self, link: Path, ledger: Ledger) -> None:
        self.link, self._ledger = link, ledger
        self._master = self._slave = -1
        self._lock = threading.Lock()
        self._waiting: deque[tuple[str, float, bytes]] = deque()
        self._begun = 0  # bytes of the first that waits which are on the cable already
        self.ready = False  # whether the other end has it open: opening throws away what came before

    def plug_in(self) -> None:
        """Under a new name; the link follows."""
        with self._lock:
            self._master, self._slave = os.openpty()
            os.set_blocking(self._master, False)
            # Raw from the start: what comes before the other end has set it so must not be echoed.
            attributes = termios.tcgetattr(self._slave)
            attributes[0] = attributes[1] = attributes[3] = 0
            termios.tcsetattr(self._slave, termios.TCSANOW, attributes)
            new = self.link.with_name("new-link")
            new.symlink_to(os.ttyname(self._slave))
            new.replace(self.link)

    def unread(self) -> int:
        """Bytes on the cable that nobody has read."""
        if self._slave < 0:
            return 0
        return int(struct.unpack("i", fcntl.ioctl(self._slave, termios.FIONREAD, b"\0" * 4))[0])

    def unplug(self) -> None:
        """Once all that is on the cable was read: what is lost with a cable was not sent by it."""
        with self._lock:
            give_up = time.monotonic() + 20.0
            while (self.unread() or self._begun) and time.monotonic() < give_up:
                if self._begun:
                    self._write_on()
                time.sleep(0.05)
            assert not self.unread() and not self._begun, "nobody reads the cable"
            self.link.unlink()
            for one in (self._slave, self._master):
                os.close(one)
            self._master = self._slave = -1
            self.ready = False

    def send(self, bucket: str, at_s: float, line: bytes) -> None:
        with self._lock:
            self._waiting.append((bucket, at_s, line + b"\n"))
            # As much as a port of the usual buffer takes. A line that it took in part goes on with the rest.
            while self.ready and self._waiting and (self._begun or self.unread() < 3000):
                if not self._write_on():
                    break

    def _write_on(self) -> bool:
        """Write the first line that waits, or the rest of it; whether it went out whole."""
        bucket, at_s, line = self._waiting[0]
        with contextlib.suppress(BlockingIOError):
            self._begun += os.write(self._master, line[self._begun :])
        if self._begun < len(line):
            return False
        self._begun = 0
        self._waiting.popleft()
        self._ledger.note(bucket, at_s)
        return True

    def settle(self, within_s: float = 60.0) -> None:
        """Wait until all that was sent is read."""
        give_up = time.monotonic() + within_s
        while (self._waiting or self.unread()) and time.monotonic() < give_up:
            with self._lock:
                while self._waiting and self._write_on():
                    pass
            time.sleep(0.05)
        assert not self._waiting and not self.unread(), "the cable was not read to its end"

    def end(self) -> None:
        if self._master >= 0:
            self.unplug()
