"""A journal whose disk went away and came back: which file is the same journal, and how the old connection is left.

What was opened on a disk that is gone stays dead for ever, also when the disk is back under the same name: the file is
there, and nothing of it can be written. So it is opened anew (``store.Store``), if it is the same journal: a mount
point without its disk may hold nothing, or the journal of long ago.
"""

from __future__ import annotations

import ctypes
import os
import sqlite3
from dataclasses import dataclass
from pathlib import Path

# What SQLite answers by a descriptor that has lost its disk; a fault that passes may be called the same.
DISK_GONE = ("SQLITE_IOERR", "SQLITE_CANTOPEN", "SQLITE_READONLY")
# A disk needs some time to come back. It is looked for after so long, and again each time that this has gone by.
REOPEN_EVERY_S = 60.0
# How far a journal has come, in one statement, because it is asked after each commit.
_SO_FAR = (
    "SELECT coalesce((SELECT seq FROM sqlite_sequence WHERE name = 'changes'), 0), "
    "coalesce((SELECT arrival_s FROM readings ORDER BY id DESC LIMIT 1), 0.0)"
)


@dataclass(frozen=True, slots=True)
class Known:
    """What a journal is known by. ``identity`` is "" where it has none yet; ``file`` is None where there is no file."""

    identity: str
    changes: int  # entries so far: it never goes back
    arrived_s: float  # when the newest reading arrived, 0 without one: nor does this, while an import numbers them anew
    file: tuple[int, int] | None  # device and number

    def goes_on_from(self, before: Known) -> bool:
        """Whether this is the journal that was ``before``, and not a copy of an earlier day."""
        return (
            before.identity in ("", self.identity)
            and self.changes >= before.changes
            and self.arrived_s >= before.arrived_s
        )


def known_by(db: sqlite3.Connection, path: Path) -> Known:
    """What the journal that ``db`` has open is known by. Raises sqlite3.Error."""
    named = db.execute("SELECT value FROM facts WHERE key = 'journal/id'").fetchone()
    changes, arrived_s = db.execute(_SO_FAR).fetchone()
    return Known(named[0] if named else "", changes, arrived_s, file_at(path))


def known_by_now(db: sqlite3.Connection, before: Known) -> Known:
    """What the journal that was ``before`` and is still open is known by now. Raises sqlite3.Error."""
    changes, arrived_s = db.execute(_SO_FAR).fetchone()
    return Known(before.identity, changes, arrived_s, before.file)


def name(db: sqlite3.Connection) -> None:
    """Give the journal an identity if it has none. Raises sqlite3.Error."""
    if db.execute("SELECT 1 FROM facts WHERE key = 'journal/id'").fetchone() is None:
        db.execute("INSERT OR IGNORE INTO facts VALUES ('journal/id', json_quote(lower(hex(randomblob(8)))))")


def file_at(path: Path) -> tuple[int, int] | None:
    """Device and number of the file; None where there is none."""
    try:
        found = os.stat(path)
    except OSError:
        return None
    return found.st_dev, found.st_ino


def leave(db: sqlite3.Connection, file: tuple[int, int] | None, path: Path) -> None:
    """Close a connection to ``file``, which was at ``path``.

    The last one to be closed removes the log, by its name: where another disk has come into the place that is the log
    of those who write there now. Such a connection is left open until the process ends, without its last deed.
    """
    if file_at(path) in (None, file):
        db.close()
    else:
        ctypes.pythonapi.Py_IncRef(ctypes.py_object(db))
