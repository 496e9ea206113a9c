"""The failing disk from Python: builds ``disk_shim.c`` and arms it through the control block that both sides map."""

from __future__ import annotations

import mmap
import os
import shutil
import struct
import subprocess
from pathlib import Path

_FIELDS = ("counted", "fail_at", "error", "sticky", "failed", "halves", "no_sync", "bytes", "first")
_FORMAT = struct.Struct("@l")
CONTROL, PREFIX = "DISK_SHIM_CONTROL", "DISK_SHIM_PREFIX"
KINDS = {0: "none", 1: "write", 2: "sync", 3: "truncate"}


def build(folder: Path) -> Path:
    """Compile the shim into ``folder``; RuntimeError in one sentence where there is no compiler."""
    compiler, library = shutil.which("cc"), folder / "disk_shim.so"
    if compiler is None:
        raise RuntimeError("There is no C compiler: install gcc and libc6-dev.")
    source = Path(__file__).with_suffix(".c")
    made = subprocess.run(
        [compiler, "-shared", "-fPIC", "-O1", "-o", str(library), str(source), "-ldl"],
        capture_output=True, text=True, check=False, timeout=60,
    )  # fmt: skip
    if made.returncode:
        raise RuntimeError(f"The shim does not compile: {made.stderr}")
    return library


def environment(library: Path, control: Path, prefix: Path | str) -> dict[str, str]:
    """What a process under the shim is started with; makes the control file."""
    control.write_bytes(bytes(len(_FIELDS) * _FORMAT.size))
    return {**os.environ, "LD_PRELOAD": str(library), CONTROL: str(control), PREFIX: str(prefix)}


class Shim:
    """The control block. Each field of the C side is read and set by its name."""

    def __init__(self, control: Path | str) -> None:
        with open(control, "r+b") as file:
            self._block = mmap.mmap(file.fileno(), len(_FIELDS) * _FORMAT.size)

    def __getitem__(self, name: str) -> int:
        return int(_FORMAT.unpack_from(self._block, _FIELDS.index(name) * _FORMAT.size)[0])

    def __setitem__(self, name: str, value: int) -> None:
        _FORMAT.pack_into(self._block, _FIELDS.index(name) * _FORMAT.size, value)

    def clear(self) -> None:
        """Count from nothing, and let everything pass."""
        for name in _FIELDS:
            if name != "no_sync":
                self[name] = 0

    def arm(self, n: int, error: int, *, sticky: bool, halves: bool = False) -> None:
        """The ``n``-th call from now on fails with ``error``."""
        self.clear()
        self["error"], self["sticky"], self["halves"] = error, int(sticky), int(halves)
        self["fail_at"] = n

    def lift(self) -> None:
        """The disk is well again."""
        self["fail_at"] = 0
