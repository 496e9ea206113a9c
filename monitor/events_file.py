"""The events file: a line for each event, each once, whatever the disk refuses or a kill leaves half done.

What could not be written waits here, and is in the journal all the while.
"""

from __future__ import annotations

import errno
import json
import os
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

# More than the events of one tick of all buckets take.
_TAIL_BYTES = 512 * 1024


class EventsFile:
    """The file at ``path``, which need not exist yet."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._waiting = b""

    def append(self, lines: Iterable[str] = ()) -> str | None:
        """Write what waits, and then these lines; the system's words why that is not done, None when it is."""
        self._waiting += _bytes(lines)
        if not self._waiting:
            return None
        try:
            # Unbuffered: what the disk refused, a buffer writes once more as it is closed, and we again after it.
            with self.path.open("ab", buffering=0) as file:
                while self._waiting:
                    written = file.write(self._waiting)
                    if not written:
                        raise OSError(errno.EIO, os.strerror(errno.EIO))
                    self._waiting = self._waiting[written:]
        except OSError as error:
            return error.strerror or str(error)
        return None

    def find_missing(self, lines_since: Callable[[float | None], Sequence[str]]) -> None:
        """Let wait what the journal has and the file has not: the watch before died between the two, or on a full disk
        in the middle of a line, which then goes on where it was torn. ``lines_since`` gives the lines of the events
        from a time on, or of all.
        """
        if not self.path.exists():
            return
        with self.path.open("rb") as file:
            file.seek(max(0, self.path.stat().st_size - _TAIL_BYTES))
            whole, _, torn = file.read().rpartition(b"\n")
        there = whole.split(b"\n") if whole else []
        last_s = _time_of(there[-1]) if there else None
        if (there and last_s is None) or not (there or torn):
            missing = b""  # not a file of ours, or an empty one: from here on
        elif there:
            missing = _bytes(line for line in lines_since(last_s) if line.encode() not in there)
        else:
            lines = list(lines_since(None))
            first = next((n for n, line in enumerate(lines) if line.encode().startswith(torn)), len(lines))
            missing = _bytes(lines[first:])
        self._waiting = missing[len(torn) :] if missing.startswith(torn) else b"\n" + missing


def _bytes(lines: Iterable[str]) -> bytes:
    return "".join(f"{line}\n" for line in lines).encode()


def _time_of(line: bytes) -> float | None:
    try:
        return float(json.loads(line)["at"])
    except (ValueError, KeyError, TypeError, OverflowError):
        return None
