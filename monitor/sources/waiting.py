"""Lines on their way from the sources to the worker, bounded by what they weigh."""

from __future__ import annotations

import queue

from monitor.sources.line import Line

# What a line takes beside its bytes.
_BESIDE_BYTES = 300


class LineQueue(queue.Queue[Line]):
    """First in, first out. Full when its lines hold ``most_bytes``: their number says little, for one may be 64 kB."""

    def __init__(self, most_bytes: int) -> None:
        super().__init__(most_bytes)
        self._bytes = 0

    def _qsize(self) -> int:
        return self._bytes

    def _put(self, item: Line) -> None:
        super()._put(item)
        self._bytes += len(item.data) + _BESIDE_BYTES

    def _get(self) -> Line:
        item = super()._get()
        self._bytes -= len(item.data) + _BESIDE_BYTES
        return item
