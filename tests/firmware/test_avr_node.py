"""The probe node's firmware in its part: compiled for it, run in simavr, and read by the real watch.

simavr is the outside witness of the part: instructions, SPI, serial port, timer and watchdog are its own.
"""

from __future__ import annotations

import re
import signal
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

import pytest
import serial

from monitor.journal.database import Journal
from monitor.sensing.senml import Decoder
from monitor.sensing.thermocouple import straight_line_corrected_c
from tests.firmware.conftest import Part, built, needs_avr
from tests.program import watching

pytestmark = [needs_avr, pytest.mark.slow]
# ATmega328P: 32 kB less the usual 512 bytes of a boot loader, and 2 kB of memory, of which the stack wants a part.
MOST_FLASH, MOST_MEMORY = 32 * 1024 - 512, 2048 - 512


def lines_of(part: Part, count: int, seconds: float = 60.0) -> list[bytes]:
    """The next whole lines on its serial port."""
    found: list[bytes] = []
    give_up = time.monotonic() + seconds
    with serial.Serial(part.port, 38400, timeout=0.5) as port:
        port.readline()  # perhaps the rest of one
        while len(found) < count:
            assert time.monotonic() < give_up, f"only {found} came"
            line = port.readline()
            if line.endswith(b"\n"):
                found.append(line.rstrip(b"\n"))
    return found


def values_of(line: bytes) -> dict[str, float | str]:
    found = Decoder().decode(line, 1_773_480_000.0)
    assert found.faults == (), line
    return {r.probe: r.state if r.temperature_c is None else r.temperature_c for r in found.readings}


def test_it_fits_its_part(firmware: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = subprocess.run(["avr-size", str(firmware)], check=True, capture_output=True, text=True).stdout
    text, data, bss = map(int, re.findall(r"^\s*(\d+)\s+(\d+)\s+(\d+)", out, re.MULTILINE)[0])
    with capsys.disabled():
        print(f"\nprobe node: {text + data} bytes of flash, {data + bss} of memory before the stack")
    assert 1000 < text + data <= MOST_FLASH
    assert 20 < data + bss <= MOST_MEMORY


def test_readings_and_faults_come_over_the_wire(part: Callable[..., Part]) -> None:
    one = part()
    one.tell("B2 01901900")  # 25.00, junction 25.00
    one.tell("B1 064C1900")  # 100.75, junction 25.00
    assert values_of(lines_of(one, 2)[-1]) == {"core": 25.0, "ambient": 100.75}
    one.tell("B2 00011901")  # open
    one.tell("B1 -")  # the amplifier is gone
    assert values_of(lines_of(one, 3)[-1]) == {"core": "open", "ambient": "bus"}
    one.tell("B2 00011902")
    one.tell("B1 00011904")
    assert values_of(lines_of(one, 3)[-1]) == {"core": "short-gnd", "ambient": "short-vcc"}
    one.tell("B2 FFF0FF00")  # -1.00
    one.tell("B1 FFFCFFF0")  # -0.25
    assert values_of(lines_of(one, 3)[-1]) == {"core": -1.0, "ambient": -0.25}


def test_a_line_comes_every_five_seconds(part: Callable[..., Part]) -> None:
    """By the part's own clock, which here runs at its true speed."""
    one = part(1.0)
    one.tell("B2 01901900")
    lines_of(one, 1, 60.0)
    began = time.monotonic()
    lines_of(one, 2, 60.0)
    # One is skipped on opening; the computer may be slow, but never ahead of the part.
    assert 9.5 <= time.monotonic() - began <= 40.0


def test_a_turn_that_hangs_ends_by_the_watchdog(part: Callable[..., Part]) -> None:
    one = part()
    one.tell("B2 01901900")
    lines_of(one, 1)
    assert "reset" not in one.said
    one.tell("hang")
    one.wait(lambda: "reset" in one.said, "the watchdog")
    assert values_of(lines_of(one, 2)[-1])["core"] == 25.0, "it measures again"
    assert one.said.count("reset") == 1, "and is not reset again and again"


def test_settings_of_another_shed(part: Callable[..., Part], tmp_path: Path) -> None:
    """Four probes, one on port C, every ten seconds, under another name."""
    image = built(
        tmp_path, '-DBUCKET="barn.2"', "-DPERIOD_S=10",
        '-DPROBES={"core",PIN_B(2)},{"top",PIN_B(1)},{"bottom",PIN_B(0)},{"ambient",PIN_C(3)}',
    )  # fmt: skip
    one = part(image=image)
    for number, pin in enumerate(("B2", "B1", "B0", "C3")):
        one.tell(f"{pin} {(40 + number) * 4 << 18 | 0x1900:08X}")
    line = lines_of(one, 2)[-1]
    assert b'"bn":"barn.2/"' in line
    assert values_of(line) == {"core": 40.0, "top": 41.0, "bottom": 42.0, "ambient": 43.0}


def test_the_watch_reads_it_into_its_journal(part: Callable[..., Part], tmp_path: Path) -> None:
    """The real program at the end of the wire, with the straight line of the amplifier corrected."""
    one = part()
    one.tell("B2 05001900")  # 80.00 shown, junction 25.00
    one.tell("B1 01401400")  # 20.00 shown, junction 20.00
    settings = (
        f'[[source]]\nname = "node"\nkind = "serial"\nport = "{one.port}"\nbaud = 38400\n'
        '[[bucket]]\nname = "shed-1"\nlitres = 25\n[bucket.probe.core]\namplifier = "straight-line"\n'
        '[bucket.probe.ambient]\namplifier = "straight-line"\n'
    )
    with watching(tmp_path, settings) as watch:
        give_up = time.monotonic() + 90.0
        readings: list[object] = []
        while len(readings) < 6:
            assert time.monotonic() < give_up and watch.poll() is None
            time.sleep(0.5)
            if (tmp_path / "journal.sqlite").exists():
                with Journal(tmp_path / "journal.sqlite", read_only=True) as journal:
                    readings = list(journal.readings("shed-1"))
        watch.send_signal(signal.SIGTERM)
        assert watch.wait(30.0) == 0
    with Journal(tmp_path / "journal.sqlite", read_only=True) as journal:
        latest = journal.latest("shed-1")
        assert not any(total for (_, what), total in journal.counters().items() if what in ("bad_crc", "bad_json"))
    assert latest["core"].reading.temperature_c == pytest.approx(straight_line_corrected_c("K", 80.0, 25.0), abs=0.02)
    assert latest["ambient"].reading.temperature_c == pytest.approx(20.0, abs=0.02)
