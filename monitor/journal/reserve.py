"""Some room beside the journal that nobody else can fill, given up when the journal cannot be opened for lack of room.

A watch whose disk fills while it runs judges on in memory and rings. One that begins on a full disk could not: SQLite
cannot make its helper files. With the room of the reserve it begins, and then it is the same.
"""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

from monitor.journal.store import make_private

# The index of the log takes 32 kB, a small log some 100 kB; a file system may round up.
RESERVE_BYTES = 1024 * 1024
# Only where that much is free, so that the reserve is never what fills a disk.
_ONLY_WITH_FREE_BYTES = 16 * RESERVE_BYTES


def reserve_of(journal: Path) -> Path:
    """The file that holds the room."""
    return Path(f"{journal}.reserve")


def keep_reserve(journal: Path) -> None:
    """Take the room, where there is enough and it is not taken yet. What cannot be done is left."""
    path = reserve_of(journal)
    with contextlib.suppress(OSError):
        disk = os.statvfs(journal.parent)
        # Less than that is what a power cut has left of an attempt.
        taken = path.exists() and path.stat().st_size >= RESERVE_BYTES
        if taken or disk.f_bavail * disk.f_frsize < _ONLY_WITH_FREE_BYTES:
            return
        make_private(path)
        try:
            with path.open("r+b") as file:
                os.posix_fallocate(file.fileno(), 0, RESERVE_BYTES)
        except OSError:
            path.unlink()


def give_up_reserve(journal: Path) -> bool:
    """Give the room back to the disk; whether there was any."""
    path = reserve_of(journal)
    try:
        room = path.stat().st_size
        path.unlink()
    except OSError:
        return False
    return room > 0
