"""A disk that is unplugged from under a journal, and plugged in again: its files are other files then."""

from __future__ import annotations

import os
import shutil
from pathlib import Path


def pull(path: Path) -> None:
    """Every descriptor of the journal in this process goes dead, as when its disk is unplugged; the file is well."""
    for name in os.listdir("/proc/self/fd"):
        try:
            target = os.readlink(f"/proc/self/fd/{name}").removesuffix(" (deleted)")
        except OSError:
            continue
        if target in (str(path), f"{path}-wal"):
            dead = os.open(target, os.O_PATH)  # it knows its size; each read and write is an error
            os.dup2(dead, int(name))
            os.close(dead)


def plug_in_again(path: Path) -> None:
    """The same journal under another number, and the log with it."""
    for name in (str(path), f"{path}-wal"):
        shutil.copyfile(name, f"{name}.copy")
        os.replace(f"{name}.copy", name)
    os.unlink(f"{path}-shm")
