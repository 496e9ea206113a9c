"""The probe node's firmware, built for its own part and for this computer, and the part itself in simavr."""

from __future__ import annotations

import ctypes
import shutil
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
NODE = ROOT / "firmware_notes" / "avr_node"
PURE = ("amplifier.c", "line.c")
MCU = ("-Os", "-std=c11", "-Wall", "-Wextra", "-Werror", "-mmcu=atmega328p", "-DF_CPU=16000000UL")

needs_avr = pytest.mark.skipif(
    any(shutil.which(program) is None for program in ("avr-gcc", "simavr", "gcc", "pkg-config")),
    reason="needs gcc-avr, avr-libc, simavr, libsimavr-dev, libelf-dev, gcc and pkg-config",
)
needs_gcc = pytest.mark.skipif(shutil.which("gcc") is None, reason="needs gcc")


def built(folder: Path, *defines: str) -> Path:
    """The firmware for the part; ``defines`` change its settings.h."""
    out = folder / "node.elf"
    sources = [str(NODE / name) for name in ("node.c", *PURE)]
    subprocess.run(["avr-gcc", *MCU, *defines, *sources, "-o", str(out)], check=True, timeout=120)
    return out


@pytest.fixture(scope="session")
def firmware(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return built(tmp_path_factory.mktemp("avr"))


@pytest.fixture(scope="session")
def pure(tmp_path_factory: pytest.TempPathFactory) -> ctypes.CDLL:
    """What of the firmware touches no hardware, as a library of this computer."""
    out = tmp_path_factory.mktemp("pure") / "pure.so"
    sources = [str(NODE / name) for name in PURE]
    flags = ["-O1", "-std=c11", "-Wall", "-Wextra", "-Werror", "-shared", "-fPIC", "-fsanitize=undefined",
             "-fsanitize-undefined-trap-on-error"]  # fmt: skip
    subprocess.run(["gcc", *flags, *sources, "-o", str(out)], check=True, timeout=120)
    return ctypes.CDLL(str(out))


@pytest.fixture(scope="session")
def host(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The program that runs the part."""
    out = tmp_path_factory.mktemp("host") / "avr_host"
    flags = subprocess.run(["pkg-config", "--cflags", "--libs", "simavr"], check=True, capture_output=True, text=True)
    source = str(Path(__file__).with_name("avr_host.c"))
    subprocess.run(["gcc", "-O2", source, "-o", str(out), *flags.stdout.split(), "-lelf"], check=True, timeout=120)
    return out


class Part:
    """A running ATmega328P. ``port`` is the pseudo-terminal at the end of its serial line."""

    def __init__(self, host: Path, firmware: Path, speed: float) -> None:
        self.said: list[str] = []
        self._process = subprocess.Popen(
            [str(host), str(firmware), str(speed)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1
        )
        threading.Thread(target=self._hear, daemon=True).start()
        self.wait(lambda: any(one.startswith("terminal ") for one in self.said), "its serial port")
        self.port = next(one for one in self.said if one.startswith("terminal ")).split()[1]

    def _hear(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            self.said.append(line.strip())

    def tell(self, words: str) -> None:
        """Change what its amplifiers say, or make it hang."""
        assert self._process.stdin is not None
        self._process.stdin.write(words + "\n")
        self._process.stdin.flush()

    def wait(self, until: Callable[[], object], what: str, seconds: float = 60.0) -> None:
        give_up = time.monotonic() + seconds
        while not until():
            assert self._process.poll() is None, f"it ended with {self._process.poll()}: {self.said}"
            assert time.monotonic() < give_up, f"waited in vain for {what}: {self.said[-5:]}"
            time.sleep(0.02)

    def close(self) -> None:
        self._process.kill()
        self._process.wait()


@pytest.fixture
def part(host: Path, firmware: Path) -> Iterator[Callable[..., Part]]:
    started: list[Part] = []

    def start(speed: float = 20.0, image: Path = firmware) -> Part:
        started.append(Part(host, image, speed))
        return started[-1]

    yield start
    for one in started:
        one.close()
