"""Real other ends for the sources: a mosquitto on a free loopback port, pseudo-terminals; a thread for a source."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from monitor.clock import ArrivalClock
from monitor.sources.line import Line
from monitor.sources.mqtt import IN_FLIGHT_WINDOW

MOSQUITTO_PLACES = ("/usr/sbin", "/usr/local/sbin", "/opt/homebrew/sbin")


def wait_until(true: Callable[[], Any], timeout_s: float = 10.0, *, what: str = "") -> None:
    """Wait for a condition; fail with its name when it does not come."""
    end = time.monotonic() + timeout_s
    while not true():
        if time.monotonic() > end:
            pytest.fail(f"waited {timeout_s} s in vain for {what or true}")
        time.sleep(0.01)


def free_port() -> int:
    """A loopback port that was free a moment ago."""
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


class Running:
    """A source in its own thread, and the lines that it delivered."""

    def __init__(self, source: Any, *, deliver: Callable[[Line], None] | None = None) -> None:
        self.source = source
        self.lines: list[Line] = []
        self.stop = threading.Event()
        self._deliver = deliver or self.lines.append
        self.thread = threading.Thread(target=source.run, args=(self._deliver, self.stop), daemon=True)
        self.thread.start()

    @property
    def data(self) -> list[bytes]:
        return [line.data for line in self.lines]

    def wait_lines(self, count: int, timeout_s: float = 10.0) -> list[Line]:
        wait_until(lambda: len(self.lines) >= count, timeout_s, what=f"{count} lines; came: {self.data[-3:]}")
        return self.lines

    def wait_state(self, state: str, timeout_s: float = 10.0) -> str:
        wait_until(lambda: self.source.health().state == state, timeout_s, what=f"{state}; is: {self.source.health()}")
        return str(self.source.health().says)

    def wait_says(self, word: str, timeout_s: float = 10.0) -> str:
        wait_until(lambda: word in self.source.health().says, timeout_s, what=f'"{word}"; says: {self.source.health()}')
        return str(self.source.health().says)

    def end(self) -> None:
        self.stop.set()
        self.thread.join(5.0)
        assert not self.thread.is_alive(), "the source did not return after stop was set"


@pytest.fixture
def running() -> Iterator[Callable[..., Running]]:
    """Start sources in threads; each must have ended in time when the test is over."""
    started: list[Running] = []

    def start(source: Any, **how: Any) -> Running:
        started.append(Running(source, **how))
        return started[-1]

    yield start
    for one in started:
        one.stop.set()
    for one in started:
        one.end()


class Moved:
    """A clock that can be moved on, so that a minute need not be waited for."""

    ahead_s = 0.0

    def now(self) -> float:
        return time.time() + self.ahead_s


def with_full_window(run: Running, broker: Broker, clock: Moved, payloads: Iterable[tuple[str, bytes]]) -> None:
    """So many messages as a broker sends unacknowledged, and a minute in which none is."""
    run.wait_state("connected")
    for topic, payload in payloads:
        broker.publish(topic, payload)
    run.wait_lines(IN_FLIGHT_WINDOW)
    clock.ahead_s = 61.0


@pytest.fixture
def clock() -> ArrivalClock:
    return ArrivalClock()


def find_mosquitto() -> str:
    """The broker's program. Where there is none the test is skipped, but in CI it fails: there it must be installed."""
    found = shutil.which("mosquitto") or shutil.which("mosquitto", path=os.pathsep.join(MOSQUITTO_PLACES))
    if found is None:
        if os.environ.get("CI", "").lower() in ("true", "1"):
            pytest.fail("mosquitto is not installed, and CI must not skip: apt-get install mosquitto mosquitto-clients")
        pytest.skip("mosquitto is not installed (apt-get install mosquitto mosquitto-clients)")
    return found


class Broker:
    """A real mosquitto of our own, with its files in a folder of the test."""

    def __init__(self, program: str, folder: Path, extra: str = "", *, anonymous: bool = True) -> None:
        self.program, self.folder, self.port = program, folder, free_port()
        self.config = folder / "mosquitto.conf"
        self.extra, self.anonymous = extra, anonymous
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> Broker:
        self.config.write_text(
            f"allow_anonymous {'true' if self.anonymous else 'false'}\n"
            f"persistence true\npersistence_location {self.folder}/\nuser root\n"
            f"listener {self.port} 127.0.0.1\n{self.extra}\n"
        )
        with open(self.folder / "mosquitto.log", "ab") as log:
            self.process = subprocess.Popen([self.program, "-c", str(self.config)], stdout=log, stderr=log)
        wait_until(self._answers, what=f"mosquitto to answer; it said {self.log()[-500:]}")
        return self

    def _answers(self) -> bool:
        assert self.process is not None and self.process.poll() is None, self.log()
        with suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 0.5):
            return True
        return False

    def log(self) -> str:
        path = self.folder / "mosquitto.log"
        return path.read_text(errors="replace") if path.exists() else ""

    def stop(self) -> None:
        """End it as systemd does; it saves its sessions."""
        if self.process is not None:
            self.process.terminate()
            self.process.wait(10)
            self.process = None

    def publish(self, topic: str, payload: bytes, *, qos: int = 1, retain: bool = False, **how: Any) -> None:
        """Publish with paho, in one go, and wait until the broker has it."""
        from paho.mqtt import publish

        publish.single(topic, payload, qos=qos, retain=retain, hostname="127.0.0.1", port=self.port, **how)


@pytest.fixture
def new_broker(tmp_path: Path) -> Iterator[Callable[..., Broker]]:
    """Make brokers; call ``start`` on them. They end with the test."""
    program = find_mosquitto()
    made: list[Broker] = []

    def make(extra: str = "", **how: Any) -> Broker:
        folder = tmp_path / f"broker-{len(made)}"
        folder.mkdir()
        made.append(Broker(program, folder, extra, **how))
        return made[-1]

    yield make
    for one in made:
        one.stop()


@pytest.fixture
def broker(new_broker: Callable[..., Broker]) -> Broker:
    """A started broker with a stock configuration."""
    return new_broker().start()


class Node:
    """The node's end of a serial cable: a pseudo-terminal, behind a link that keeps its name."""

    def __init__(self, link: Path) -> None:
        self.link = link
        self.master = -1

    def plug_in(self) -> str:
        """Plug in; the system gives a new name every time, the link follows. Answers the new name."""
        self.master, slave = os.openpty()
        name = os.ttyname(slave)
        os.close(slave)
        with suppress(FileNotFoundError):
            self.link.unlink()
        self.link.symlink_to(name)
        return name

    def send(self, data: bytes) -> None:
        while data:
            data = data[os.write(self.master, data[:2000]) :]

    def unplug(self, *, keep_link: bool = False) -> None:
        if self.master >= 0:
            os.close(self.master)
            self.master = -1
        if not keep_link:
            self.link.unlink(missing_ok=True)


@pytest.fixture
def node(tmp_path: Path) -> Iterator[Node]:
    """A node that is not plugged in yet."""
    one = Node(tmp_path / "usb-node")
    yield one
    one.unplug()
