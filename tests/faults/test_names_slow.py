"""A name server that does not answer: glibc then looks for up to a minute, and no worker may hang meanwhile.

Only the times are shortened: what hangs for five seconds here must not be given up after three.
"""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from monitor import broker as brokers
from monitor import supervising
from monitor.clock import ArrivalClock
from monitor.settings import HeartbeatSettings, SirenSettings
from monitor.siren import siren
from monitor.sources import mqtt
from monitor.sources.mqtt import MqttSource
from monitor.toml_tables import Secret
from tests.faults.whole_watch import whole_watch
from tests.helpers_watch import pack, settings_with
from tests.phone.receiver import receiving
from tests.siren.test_siren import Node
from tests.siren.test_siren import Watch as Bedside
from tests.sources.conftest import Broker, Moved, broker, free_port, new_broker, running, wait_until, with_full_window
from tests.sources.conftest import Running as Reading

__all__ = ["broker", "new_broker", "running"]
NAME = "broker.lan"
TOPIC = "emberpail/n1/readings"


class Names:
    """A look-up of names that takes its time, and then finds this computer or nothing."""

    def __init__(self) -> None:
        self.takes_s, self.finds = 5.0, False
        self.over = threading.Event()
        self._lock = threading.Lock()
        self.now = self.most = self.asked = 0
        self._usual = socket.getaddrinfo

    def __call__(self, host: object, *more: object, **how: object) -> object:
        if host != NAME:
            return self._usual(host, *more, **how)  # type: ignore[arg-type]
        with self._lock:
            self.now, self.asked = self.now + 1, self.asked + 1
            self.most = max(self.most, self.now)
        self.over.wait(self.takes_s)
        with self._lock:
            self.now -= 1
        if not self.finds:
            raise socket.gaierror(-3, "Temporary failure in name resolution")
        return self._usual("127.0.0.1", *more, **how)  # type: ignore[arg-type]


@pytest.fixture
def names(monkeypatch: pytest.MonkeyPatch) -> Iterator[Names]:
    one = Names()
    monkeypatch.setattr(socket, "getaddrinfo", one)
    yield one
    one.over.set()
    wait_until(lambda: one.now == 0, what="the look-ups to end")


@contextmanager
def watching(folder: Path, *, url: str = "", siren: bool = False, sources: bool = False) -> Iterator[list[str]]:
    """A whole watch; what it says, "ANEW" where it is given up."""
    settings = settings_with("shed-1")
    settings = replace(settings, heartbeat=HeartbeatSettings(Secret(url) if url else None, 1))
    if siren:
        settings = replace(settings, siren=SirenSettings("bedside", NAME, 1883))
    clock = ArrivalClock(start_s=1_773_480_000.0, speed=60.0)  # it has judged within a second
    reads = [MqttSource(NAME, 1883, clock=clock, name="shed")] if sources else []
    with whole_watch(folder, settings, clock, reads) as went:
        yield went
        began = time.monotonic()
    assert time.monotonic() - began < 6.0, "its end waits for the name server"


@pytest.fixture
def shortened(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(supervising, "CHECK_EVERY_S", 0.25)
    monkeypatch.setattr(supervising, "HUNG_AFTER_S", 3.0)
    monkeypatch.setattr(siren, "_LONGEST_WAIT_S", 1.0)
    monkeypatch.setattr(mqtt, "_LONGEST_WAIT_S", 1.0)


@pytest.mark.parametrize("part", ["sources", "siren"])
@pytest.mark.usefixtures("shortened")
def test_no_look_up_has_the_watch_begin_anew(part: str, names: Names, tmp_path: Path) -> None:
    """Nor does it once it goes on for longer than any: there is one thread for it, and the end does not wait."""
    with watching(tmp_path, sources=part == "sources", siren=part == "siren") as went:
        names.takes_s = 1.0  # from the second on
        wait_until(lambda: names.asked >= 2, 12.0, what="a second look-up")
        names.takes_s = 60.0
        wait_until(lambda: names.asked >= 3, 12.0, what="a third")
        time.sleep(5.0)
        assert "ANEW" not in went, went[-2:]
        assert names.most == 1


@pytest.mark.usefixtures("shortened")
def test_a_heartbeat_may_wait_for_its_name_and_goes_out_then(names: Names, tmp_path: Path) -> None:
    names.finds = True
    with receiving() as service, watching(tmp_path, url=f"http://{NAME}:{service.port}/ok") as went:
        wait_until(lambda: service.tries, 20.0, what="a heartbeat")
        assert "ANEW" not in went, went[-2:]
        assert names.most == 1


@pytest.mark.usefixtures("shortened")
def test_a_service_that_dribbles_its_answer_is_no_hanging_either(tmp_path: Path) -> None:
    listener = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        one, _ = listener.accept()
        one.recv(4096)
        one.sendall(b"HTTP/1.1 200 OK\r\nX: ")
        while True:
            one.sendall(b"a")
            time.sleep(0.3)

    def serves() -> None:
        try:
            serve()
        except OSError:
            asked.set()

    asked = threading.Event()
    threading.Thread(target=serves, daemon=True).start()
    with watching(tmp_path, url=f"http://127.0.0.1:{listener.getsockname()[1]}/x") as went:
        time.sleep(5.0)
        assert "ANEW" not in went, went[-2:]
    listener.close()


@pytest.mark.broker
def test_a_broker_whose_name_is_found_late_is_read_all_the_same(
    names: Names, broker: Broker, running: Callable[..., Reading], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a slow look-up finds is not thrown away, and meanwhile it is said what is waited for."""
    monkeypatch.setattr(mqtt, "SLOW_AFTER_S", 1.0)
    names.finds = True
    run = running(MqttSource(NAME, broker.port, clock=ArrivalClock()))
    run.wait_says("takes long to reach")
    assert run.source.health().state == "waiting"
    run.wait_state("connected")
    broker.publish(TOPIC, pack("shed-1", 41.0))
    assert run.wait_lines(1)[0].data == pack("shed-1", 41.0) and names.asked == 1


@pytest.mark.broker
def test_what_is_found_after_the_end_says_nothing_to_the_broker(
    names: Names, broker: Broker, running: Callable[..., Reading]
) -> None:
    """A watch that has stopped, or was taken over, must not throw out whoever reads by its client id now."""
    names.finds, names.takes_s = True, 30.0
    late = running(MqttSource(NAME, broker.port, clock=ArrivalClock()))
    wait_until(lambda: names.now == 1, what="the look-up")
    late.end()
    other = running(MqttSource("127.0.0.1", broker.port, clock=ArrivalClock()))
    other.wait_state("connected")
    names.over.set()
    wait_until(lambda: names.now == 0, what="the look-up to end")
    time.sleep(0.7)
    assert "disconnected" not in other.source.health().faults
    assert broker.log().count("as emberpail") == 1


@pytest.mark.broker
def test_an_ear_is_opened_beside_the_session(
    names: Names, broker: Broker, running: Callable[..., Reading], monkeypatch: pytest.MonkeyPatch
) -> None:
    """While its way to the broker is looked for the session's connection goes on, and is acknowledged."""
    names.finds, names.takes_s = True, 0.0
    clock = Moved()
    run = running(MqttSource(NAME, broker.port, clock=clock))
    run.wait_state("connected")
    names.takes_s = 4.0
    with_full_window(run, broker, clock, ((TOPIC, pack("shed-1", float(n))) for n in range(mqtt.IN_FLIGHT_WINDOW)))
    run.wait_says("sends no more")
    wait_until(lambda: names.now == 1, what="the look-up for the ear")
    progress_s = run.source.health().progress_s
    wait_until(lambda: run.source.health().progress_s > progress_s + 1.0, 3.0, what="turns meanwhile")
    assert names.now == 1
    for line in list(run.lines):
        assert line.ack is not None
        line.ack()
    run.wait_state("connected")
    broker.publish(TOPIC, pack("shed-1", 99.0))
    run.wait_lines(mqtt.IN_FLIGHT_WINDOW + 1)
    assert names.now == 1 and names.most == 1


@pytest.mark.broker
def test_a_siren_whose_broker_is_found_late_is_told(
    names: Names, broker: Broker, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Until then that it is not; turning round goes on."""
    monkeypatch.setattr(siren, "SLOW_AFTER_S", 1.0)
    monkeypatch.setattr("tests.siren.test_siren.SirenBroker", lambda _host, port: siren.SirenBroker(NAME, port))
    names.finds = True
    bedside, node = Bedside(broker), Node(broker)
    try:
        wait_until(lambda: bedside.said, what="that it takes long")
        assert "takes long to reach" in bedside.said[0] and bedside.cut_off == [True]
        node.wait("none")
        assert bedside.cut_off == [True, False] and names.asked == 1
    finally:
        node.end()
        bedside.stop.set()
        bedside.thread.join(5.0)


def test_without_patience_it_is_as_before() -> None:
    """A command may be stopped at the keyboard: it asks in its own thread."""
    import paho.mqtt.client as paho
    from paho.mqtt.enums import CallbackAPIVersion

    from monitor.settings import MqttSource as Address

    with pytest.raises(brokers.BrokerUnavailable, match="nothing answers"):
        brokers.open_connection(paho.Client(CallbackAPIVersion.VERSION2), Address("b", "127.0.0.1", free_port()), 20)
