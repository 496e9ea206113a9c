"""The Wi-Fi node's firmware under MicroPython, with a real mosquitto and the real watch, through loss and restart."""

from __future__ import annotations

import contextlib
import signal
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from monitor.commands.check_node import Said, node_lines
from monitor.domain import Reading
from monitor.journal.database import Journal, JournalError
from monitor.settings import load_settings
from tests.firmware.boards import Board, needs_micropython
from tests.program import watching
from tests.sources.conftest import Broker, broker, new_broker, wait_until

__all__ = ["broker", "new_broker"]
pytestmark = [needs_micropython, pytest.mark.broker, pytest.mark.slow]


def settings_for(where: Broker, **more: Any) -> dict[str, Any]:
    return {
        "BUCKET": "shed-2", "NODE": "barn-node", "PROBES": {"core": 5, "ambient": 17}, "PERIOD_S": 1, "KEPT_H": 1,
        "BROKER": ["127.0.0.1", where.port], "USER": None, **more,
    }  # fmt: skip


def frame(celsius: float, junction: float = 20.0) -> str:
    return f"{(int(celsius * 4) & 0x3FFF) << 18 | (int(junction * 16) & 0xFFF) << 4:08x}"


class Shed:
    """The real watch over a broker."""

    def __init__(self, folder: Path, where: Broker) -> None:
        self.journal = folder / "journal.sqlite"
        settings = (
            f'[[source]]\nname = "shed"\nkind = "mqtt"\nhost = "127.0.0.1"\nport = {where.port}\n'
            '[[bucket]]\nname = "shed-2"\nlitres = 25\n'
        )
        self._life = contextlib.ExitStack()
        self._process = self._life.enter_context(watching(folder, settings))

    def readings(self, probe: str = "core") -> list[Reading]:
        try:
            with Journal(self.journal, read_only=True) as journal:
                return [one for one in journal.readings("shed-2") if one.probe == probe]
        except JournalError:
            return []  # it has not been made yet

    def counters(self) -> dict[tuple[str, str], int]:
        with Journal(self.journal, read_only=True) as journal:
            return journal.counters()

    def end(self) -> None:
        with self._life:
            self._process.send_signal(signal.SIGTERM)
            self._process.wait(30.0)


@pytest.fixture
def shed(tmp_path: Path, broker: Broker) -> Iterator[Shed]:
    one = Shed(tmp_path, broker)
    yield one
    one.end()


@pytest.fixture
def board(tmp_path: Path) -> Iterator[Callable[..., Board]]:
    started: list[Board] = []

    def start(settings: dict[str, Any], **control: Any) -> Board:
        control = {"frames": {"core": frame(80.25), "ambient": frame(18.0)}, "supply_mv": 3300, **control}
        started.append(Board(tmp_path / f"board-{len(started)}", "wifi", settings, **control))
        return started[-1]

    yield start
    for one in started:
        one.cut_power()


@pytest.mark.parametrize("unix", [True, False], ids=["the time is known", "it is not"])
def test_its_readings_reach_the_journal(
    unix: bool, shed: Shed, broker: Broker, board: Callable[..., Board]
) -> None:
    board(settings_for(broker), unix=unix)
    wait_until(lambda: len(shed.readings()) >= 4, 60.0, what="readings")
    for one in shed.readings():
        assert one.temperature_c == 80.25 and abs(one.arrival_s - one.time_s) < 30.0
    assert {one.temperature_c for one in shed.readings("ambient")} == {18.0}


def test_its_battery_is_seen_to_be_low(tmp_path: Path, broker: Broker, board: Callable[..., Board]) -> None:
    """From its analogue input to what ``check --node`` says."""
    path = tmp_path / "emberpail.toml"
    path.write_text(f'[[source]]\nname = "shed"\nkind = "mqtt"\nhost = "127.0.0.1"\nport = {broker.port}\n')
    one = board(settings_for(broker), unix=True, supply_mv=3470)
    said: list[Said] = []

    def listened() -> bool:
        said[:] = node_lines(load_settings(path, {"HOME": str(tmp_path)}), "", 4.0)
        return any(line.part == "shed-2/supply" for line in said)

    wait_until(listened, 60.0, what="its supply")
    (low,) = [line for line in said if line.part == "shed-2/supply"]
    assert low.ok is False and "3.47 V, low" in low.says, low
    one.set(supply_mv=3950)
    wait_until(lambda: listened() and any("3.95 V" in line.says and line.ok for line in said), 60.0, what="a new one")


def test_a_fault_comes_as_what_it_is(shed: Shed, broker: Broker, board: Callable[..., Board]) -> None:
    one = board(settings_for(broker), unix=True)
    wait_until(shed.readings, 60.0, what="readings")
    one.set(frames={"core": "00011901", "ambient": "ffffffff"})
    wait_until(lambda: shed.readings() and shed.readings()[-1].state == "open", 30.0, what="an open probe")
    wait_until(lambda: shed.readings("ambient")[-1].state == "bus", 30.0, what="an amplifier that is gone")


@pytest.mark.parametrize("unix", [True, False], ids=["the time is known", "it is not"])
def test_what_was_measured_without_a_broker_comes_later_and_at_its_time(
    unix: bool, shed: Shed, broker: Broker, board: Callable[..., Board]
) -> None:
    one = board(settings_for(broker), unix=unix)
    wait_until(lambda: len(shed.readings()) >= 3, 60.0, what="readings")
    broker.stop()
    gone_s = time.time()
    one.set(frames={"core": frame(60.0), "ambient": frame(18.0)})  # so that they can be told apart
    time.sleep(8.0)
    one.set(frames={"core": frame(50.0), "ambient": frame(18.0)})
    back_s = time.time()
    broker.start()
    wait_until(lambda: any(one.temperature_c == 50.0 for one in shed.readings()), 90.0, what="what came after")
    wait_until(lambda: sum(one.temperature_c == 60.0 for one in shed.readings()) >= 6, 60.0, what="the backlog")
    missed = [reading for reading in shed.readings() if reading.temperature_c == 60.0]
    assert all(gone_s - 3.0 <= reading.time_s <= back_s + 3.0 for reading in missed)
    times = [reading.time_s for reading in shed.readings()]
    assert len(times) == len(set(times)), "nothing twice"
    assert max(later - earlier for earlier, later in zip(sorted(times), sorted(times)[1:], strict=False)) < 4.0


def test_after_a_power_cut_it_begins_anew(shed: Shed, broker: Broker, board: Callable[..., Board]) -> None:
    one = board(settings_for(broker), unix=False)
    wait_until(lambda: len(shed.readings()) >= 3, 60.0, what="readings")
    one.cut_power()
    before = len(shed.readings())
    one.set(frames={"core": frame(40.0), "ambient": frame(18.0)})
    one.start()
    wait_until(lambda: shed.readings()[-1].temperature_c == 40.0, 60.0, what="readings again")
    assert len(shed.readings()) > before
    assert not any(shed.counters().get(("shed", what)) for what in ("bad_json", "bad_time", "bad_value"))


def test_the_broker_says_when_it_is_gone(broker: Broker, board: Callable[..., Board]) -> None:
    heard: list[tuple[str, bool]] = []
    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.on_connect = lambda client, *_: client.subscribe("emberpail/barn-node/state", qos=1)
    client.on_message = lambda _client, _data, message: heard.append((message.payload.decode(), message.retain))
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    try:
        one = board(settings_for(broker))
        wait_until(lambda: ("here", False) in heard, 30.0, what="its first word")
        one.cut_power()
        wait_until(lambda: ("gone", False) in heard, 30.0, what="the last will")
    finally:
        client.disconnect()
        client.loop_stop()


def test_without_a_network_it_waits_and_keeps(shed: Shed, broker: Broker, board: Callable[..., Board]) -> None:
    one = board(settings_for(broker), unix=True, network=False)
    time.sleep(5.0)
    assert shed.readings() == []
    one.set(network=True)
    wait_until(lambda: len(shed.readings()) >= 5, 60.0, what="all of it")


def test_a_wrong_password_is_no_end(
    new_broker: Callable[..., Broker], tmp_path: Path, board: Callable[..., Board]
) -> None:
    """It tries again for ever, and samples on: somebody may mend the broker."""
    where = new_broker()
    where.anonymous = False
    where.start()
    one = board(settings_for(where, USER=["barn-node", "wrong"]), unix=True)
    time.sleep(4.0)
    where.stop()
    where.anonymous = True
    where.start()
    shed = Shed(tmp_path, where)
    try:
        wait_until(lambda: len(shed.readings()) >= 4, 60.0, what="readings")
        assert one.errors == []
    finally:
        shed.end()
