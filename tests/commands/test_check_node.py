"""``check --node`` and ``--calibrate``: one node listened to over a real wire, and a probe taken through two points."""

from __future__ import annotations

import os
import random
import threading
import time
import tomllib
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path

import pytest

from monitor.commands import calibrate as calibrating
from monitor.commands.check_node import Said, judged, node_lines
from monitor.commands.common import CommandError
from monitor.sensing.listened import Listened, noise_k
from monitor.sensing.senml import with_checksum
from monitor.settings import Settings, load_settings
from monitor.settings_edit import EditError, with_two_point
from tests.sources.conftest import Broker, broker, new_broker

__all__ = ["broker", "new_broker"]
AT_S = 1_773_480_000.0
SOURCE = '[[source]]\nname = "node"\nkind = "serial"\nport = "{port}"\nbaud = 115200\n'
BUCKET = '[[bucket]]\nname = "shed-2"\nlitres = 25\n'


class Wire:
    """A node at the end of a pseudo-terminal, that sends what ``line`` gives every twentieth of a second."""

    def __init__(self, line: Callable[[], bytes]) -> None:
        self._ours, theirs = os.openpty()
        self.port = os.ttyname(theirs)
        self.line, self._stop = line, threading.Event()
        threading.Thread(target=self._send, daemon=True).start()

    def _send(self) -> None:
        while not self._stop.wait(0.05):
            os.write(self._ours, self.line() + b"\n")

    def close(self) -> None:
        self._stop.set()


@pytest.fixture
def wire() -> Iterator[Callable[[Callable[[], bytes]], Wire]]:
    started: list[Wire] = []

    def start(line: Callable[[], bytes]) -> Wire:
        started.append(Wire(line))
        return started[-1]

    yield start
    for one in started:
        one.close()


def settings_in(folder: Path, text: str) -> Settings:
    path = folder / "emberpail.toml"
    path.write_text(text, encoding="utf-8")
    return load_settings(path, {"HOME": str(folder)})


def pack(celsius: float, probe: str = "core", more: str = "") -> bytes:
    return f'[{{"n":"shed-2/{probe}","u":"Cel","v":{celsius}{more}}}]'.encode()


def powered(volts: float) -> bytes:
    """What the Wi-Fi node sends: a reading and its battery."""
    return f'[{{"bn":"shed-2/","n":"core","u":"Cel","v":80}},{{"n":"supply","u":"V","v":{volts:.3f}}}]'.encode()


def by_part(lines: list[Said], part: str) -> list[Said]:
    return [one for one in lines if one.part == part]


# ---- what is said of what was heard ----------------------------------------------------------------------------------


def heard(lines: list[bytes], every_s: float = 5.0, seconds: float = 60.0) -> list[Said]:
    """The judgement on lines that came so often within a minute."""
    listened = Listened(AT_S)
    for number, line in enumerate(lines):
        listened.take(line, AT_S + 1.0 + every_s * number)
    usual = Settings().bucket("shed-2").supply
    return list(judged(listened, AT_S + seconds, "the port is open.", "node", lambda _bucket: usual))


def test_a_node_that_is_well() -> None:
    said = heard([with_checksum(pack(80.0 - 0.01 * n)) for n in range(12)])
    assert all(one.ok is not False for one in said)
    assert "check sum right" in by_part(said, "node")[0].says
    assert "79.9" in by_part(said, "shed-2/core")[0].says and by_part(said, "shed-2/core")[0].ok is True


@pytest.mark.parametrize(
    ("lines", "every_s", "part", "ok", "words"),
    [
        ([], 5.0, "node", False, "nothing came"),
        ([b'[{"n":"shed-2/core","u":"Cel","v":1']*12, 5.0, "node", False, "damaged"),
        ([with_checksum(pack(80.0))[:-1] + b"0" if n == 3 else with_checksum(pack(80.0)) for n in range(12)], 5.0,
         "node", False, "check sum does not fit"),
        ([pack(80.0)] * 12, 5.0, "node", None, "without a check sum"),
        ([b'[{"n":"shed-2/soap","u":"Cel","v":80}]'] * 12, 5.0, "node", False, "BUCKET/PROBE"),
        ([b'[{"n":"shed-2/core","vs":"open"}]'] * 12, 5.0, "shed-2/core", False, "open"),
        ([pack(80.0)] * 2, 45.0, "shed-2/core", None, "45 s pass"),
        ([pack(80.0)], 5.0, "shed-2/core", False, "pass without a reading"),
        ([pack(80.0 + 4.0 * (n % 2)) for n in range(12)], 5.0, "shed-2/core", False, "ground loop"),
        ([pack(80.0)] * 12, 5.0, "shed-2/core", None, "ice and boiling water"),
        ([powered(3.91)] * 12, 5.0, "shed-2/supply", True, "3.91 V"),
        ([powered(3.5)] * 12, 5.0, "shed-2/supply", False, "3.50 V, low"),
        ([powered(3.5)], 5.0, "shed-2/supply", False, "3.50 V, low"),
        ([powered(0.2 if n == 5 else 3.91) for n in range(12)], 5.0, "shed-2/supply", True, "3.91 V"),
        ([powered(0.0)] * 12, 5.0, "shed-2/supply", None, "0 V"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_named(lines: list[bytes], every_s: float, part: str, ok: bool | None, words: str) -> None:
    found = [one for one in by_part(heard(lines, every_s), part) if words in one.says]
    assert found and found[0].ok is ok, heard(lines, every_s)


def test_a_clock_that_stands_wrong_and_one_that_is_right() -> None:
    right = heard([pack(80.0, more=f',"t":{AT_S + 0.6 + 5 * n}') for n in range(12)])
    assert any("agrees" in one.says for one in right)
    boot = heard([pack(80.0, more=f',"t":{5000 + 5 * n}') for n in range(12)])
    assert any("counts from its start" in one.says for one in boot)
    none = heard([pack(80.0) for n in range(12)])
    assert any("no time of its own" in one.says for one in none)


def test_noise_is_that_of_a_value_whatever_the_course() -> None:
    """Seeded normal noise of 0.3 K about a curve; the estimate is held to a sixth of it."""
    chance = random.Random(5)
    quiet = [60.0 + 0.4 * n - 0.001 * n * n for n in range(400)]
    assert noise_k(quiet) == pytest.approx(0.0, abs=0.01)
    assert noise_k([one + chance.gauss(0.0, 0.3) for one in quiet]) == pytest.approx(0.3, abs=0.05)
    assert noise_k([1.0, 2.0, 3.0]) is None


# ---- over a wire -----------------------------------------------------------------------------------------------------


def test_a_real_port_is_listened_to(tmp_path: Path, wire: Callable[..., Wire]) -> None:
    one = wire(lambda: with_checksum(pack(81.5)))
    settings = settings_in(tmp_path, SOURCE.format(port=one.port) + BUCKET)
    said = list(node_lines(settings, "", 2.0))
    assert all(line.ok is not False for line in said), said
    assert "81.5" in by_part(said, "shed-2/core")[0].says


@pytest.mark.broker
def test_a_broker_is_listened_to_and_keeps_nothing_for_us(tmp_path: Path, broker: Broker) -> None:
    settings = settings_in(
        tmp_path, f'[[source]]\nname = "node"\nkind = "mqtt"\nhost = "127.0.0.1"\nport = {broker.port}\n' + BUCKET
    )
    stop = threading.Event()

    def send() -> None:
        while not stop.wait(0.2):
            broker.publish("emberpail/n1/readings", with_checksum(pack(60.0)))

    thread = threading.Thread(target=send, daemon=True)
    thread.start()
    try:
        said = list(node_lines(settings, "node", 3.0))
    finally:
        stop.set()
        thread.join(5.0)
    assert "60" in by_part(said, "shed-2/core")[0].says, said
    broker.stop()
    assert "emberpail-check" in broker.log()


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("", "", "No [[source]]"),
        ("barn", SOURCE.format(port="/dev/null"), '"barn"'),
        ("", SOURCE.format(port="/dev/null") + SOURCE.format(port="/dev/zero").replace('"node"', '"two"'), "node, two"),
    ],
)
def test_which_node_is_asked(tmp_path: Path, name: str, text: str, words: str) -> None:
    with pytest.raises(CommandError) as problem:
        list(node_lines(settings_in(tmp_path, text), name, 1.0))
    assert words in str(problem.value)


# ---- two points ------------------------------------------------------------------------------------------------------


def test_a_probe_is_taken_through_ice_and_boiling_water(
    tmp_path: Path, wire: Callable[..., Wire], capsys: pytest.CaptureFixture[str]
) -> None:
    """A probe that shows 1.2 % and 0.5 K too much is right afterwards; its day stands beside it."""
    true_c = [0.0]
    one = wire(lambda: pack(round(true_c[0] * 1.012 + 0.5, 3)))
    before = "# mine\n" + SOURCE.format(port=one.port) + BUCKET + "\n[place]\naltitude_m = 500\n"
    settings = settings_in(tmp_path, before)

    def asked(_words: str) -> None:
        asked.times += 1  # type: ignore[attr-defined]
        true_c[0] = 0.0 if asked.times == 1 else 98.3  # type: ignore[attr-defined]
        time.sleep(0.3)

    asked.times = 0  # type: ignore[attr-defined]
    calibrating.calibrate(settings, "shed-2/core", "", date(2026, 11, 26), steady_s=0.5, asked=asked)
    text = (tmp_path / "emberpail.toml").read_text(encoding="utf-8")
    assert text.startswith("# mine\n") and "altitude_m = 500" in text
    probe = load_settings(tmp_path / "emberpail.toml", {"HOME": str(tmp_path)}).buckets[0].probes[0]
    assert probe.checked == date(2026, 11, 26)
    for celsius in (0.0, 50.0, 98.3):
        assert (celsius * 1.012 + 0.5) * probe.gain + probe.offset_c == pytest.approx(celsius, abs=0.02)
    told = capsys.readouterr().out
    assert "scald" in told and "98.3" in told and "no lye" in told
    # Once more: what it showed, not what the last points made of it.
    asked.times = 0  # type: ignore[attr-defined]
    again = load_settings(tmp_path / "emberpail.toml", {"HOME": str(tmp_path)})
    calibrating.calibrate(again, "shed-2/core", "", date(2026, 12, 1), steady_s=0.5, asked=asked)
    twice = load_settings(tmp_path / "emberpail.toml", {"HOME": str(tmp_path)}).buckets[0].probes[0]
    assert (twice.gain, twice.offset_c) == pytest.approx((probe.gain, probe.offset_c), abs=1e-3)
    assert (tmp_path / "emberpail.toml").read_text(encoding="utf-8").count("two_point") == 1


def test_a_probe_that_is_not_in_the_water_changes_nothing(tmp_path: Path, wire: Callable[..., Wire]) -> None:
    one = wire(lambda: pack(23.0))
    settings = settings_in(tmp_path, SOURCE.format(port=one.port) + BUCKET + "[place]\naltitude_m = 0\n")
    before = (tmp_path / "emberpail.toml").read_bytes()
    with pytest.raises(CommandError, match="in the water"):
        calibrating.calibrate(settings, "shed-2/core", "", date(2026, 11, 26), steady_s=0.5, asked=lambda words: None)
    assert (tmp_path / "emberpail.toml").read_bytes() == before
    assert sorted(path.name for path in tmp_path.iterdir()) == ["emberpail.toml"]


@pytest.mark.parametrize(
    ("text", "probe"),
    [
        ('[[bucket]]\nname = "shed-1"\n[[bucket]]\nname = "shed-2"\n[bucket.probe.core]\nthermocouple = "K"\n', "core"),
        ('[[bucket]]\nname = "shed-2"\n\n# about the next\n[[bucket]]\nname = "shed-3"\n', "core"),
        ('[[bucket]]\nname = "shed-2"\n[bucket.probe.core]\noffset_c = 0.4\n[bucket.probe.top]\n', "core"),
        ('[[bucket]]\nname = "shed-2"\n[bucket.probe.core]\n# old\ntwo_point = [[1, 0], [99, 100]]\n'
         "checked = 2025-01-01\n", "core"),
        ('[[bucket]]\nname = "shed-2"\n[bucket.probe.ambient]\n[place]\naltitude_m = 5\n', "core"),
    ],
)  # fmt: skip
def test_only_what_is_meant_is_changed_in_the_settings(tmp_path: Path, text: str, probe: str) -> None:
    new = with_two_point(text, "shed-2", probe, [(0.6, 0.0), (99.1, 98.3)], date(2026, 11, 26))
    tables = tomllib.loads(new)
    shed = next(one for one in tables["bucket"] if one["name"] == "shed-2")
    assert shed["probe"][probe]["two_point"] == [[0.6, 0.0], [99.1, 98.3]]
    before = tomllib.loads(text)
    assert [one["name"] for one in tables["bucket"]] == [one["name"] for one in before["bucket"]]
    assert tables.get("place") == before.get("place")
    kept = [line for line in text.splitlines() if "two_point" not in line and "checked" not in line]
    assert all(line in new for line in kept), "every line that somebody wrote is still there, if as a comment"
    settings_in(tmp_path, new)


@pytest.mark.parametrize("text", ["", '[[bucket]]\nname = "shed-1"\n', 'bucket = [{ name = "shed-2" }]\n'])
def test_where_it_cannot_be_put_the_lines_are_told(text: str) -> None:
    with pytest.raises(EditError, match="two_point"):
        with_two_point(text, "shed-2", "core", [(0.6, 0.0), (99.1, 98.3)], date(2026, 11, 26))
