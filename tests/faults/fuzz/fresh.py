"""Fresh fuzzing of one target in a process of its own, as the tests do it."""

from __future__ import annotations

import os
import platform
import subprocess
import sys
from pathlib import Path

from tests.faults.fuzz.run import can_be_guided

# The same seed every time, so that a failure can be had again; EMBERPAIL_FUZZ_SEED asks for another.
SEED = int(os.environ.get("EMBERPAIL_FUZZ_SEED", "1"))
_ROOT = Path(__file__).parents[3]
# Beside the fuzzing itself: importing, reading the corpus, and what a busy machine adds to all of it.
_PATIENCE_S = 400.0


def fuzz(name: str, folder: Path, seconds: float) -> None:
    """Fuzz a target for so long; AssertionError with the input and what it did, where it broke a promise."""
    if platform.machine() == "x86_64" and os.environ.get("CI"):
        assert can_be_guided(), "atheris is missing: CI fuzzes guided by coverage"
    found = folder / "found"
    command = [
        sys.executable, "-m", "tests.faults.fuzz.run", name, "--seconds", str(seconds), "--seed", str(SEED), "--found",
        str(found),
    ]  # fmt: skip
    environment = {**os.environ, "PYTHONPATH": str(_ROOT), "PYTHONHASHSEED": "0"}
    ran = subprocess.run(
        command, cwd=folder, env=environment, capture_output=True, text=True, errors="replace", check=False,
        timeout=seconds + _PATIENCE_S,
    )  # fmt: skip
    said = f"{ran.stdout}\n{ran.stderr}"
    inputs = "\n".join(f"{path.name}: {path.read_bytes()!r}" for path in sorted(found.glob("*")))
    assert ran.returncode == 0, f"seed {SEED}\n{inputs}\n{said[-6000:]}"
    assert "Done " in said and "Done 0 runs" not in said, said[-2000:]
