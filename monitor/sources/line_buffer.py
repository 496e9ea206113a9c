"""Bytes in any pieces -> whole lines. Pure: no port, no clock."""

from __future__ import annotations

from monitor.sources.line import MAX_LINE_BYTES


class LineBuffer:
    """Collects bytes until a line feed completes a line.

    A line longer than ``max_bytes`` is dropped and counted in ``too_long``; reading goes on after its line feed, so
    a node that has lost its line feed costs no more memory than one line. Carriage returns are left as they came.
    """

    def __init__(self, max_bytes: int = MAX_LINE_BYTES) -> None:
        self.max_bytes = max_bytes
        self.too_long = 0
        self._pending = bytearray()
        self._skipping = False

    def feed(self, data: bytes) -> list[bytes]:
        """Take in bytes; give the lines that they completed, without line feeds."""
        lines = []
        start = 0
        while (end := data.find(b"\n", start)) >= 0:
            piece = data[start:end]
            start = end + 1
            if self._skipping:
                self._skipping = False
            elif self._fits(piece):
                lines.append(bytes(self._pending) + piece)
            self._pending.clear()
        rest = data[start:]
        if not self._skipping:
            if self._fits(rest):
                self._pending += rest
            else:
                self._pending.clear()
                self._skipping = True
        return lines

    def _fits(self, piece: bytes) -> bool:
        if len(self._pending) + len(piece) <= self.max_bytes:
            return True
        self.too_long += 1
        return False

    def cut(self) -> bool:
        """Forget an unfinished line, because the rest of it will not come. True where there was one."""
        unfinished = bool(self._pending) or self._skipping
        self._pending.clear()
        self._skipping = False
        return unfinished
