"""A card that has rotted: bytes in the middle of a journal turned into others."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path


def damage(path: Path, behind: float = 1 / 3) -> None:
    """Spoil half of each kilobyte behind this share of the file; what stands before it can still be read."""
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    data = bytearray(path.read_bytes())
    for at in range(int(len(data) * behind), len(data) - 2048, 1024):
        data[at : at + 512] = b"\xff" * 512
    path.write_bytes(data)
