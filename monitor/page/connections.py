"""What the server itself does not limit: how many connections there are, and how long a request may take to come.

Without it somebody who opens connections and says nothing on them, or a letter a minute, would hold every handle of the
process, and the watch could no longer open its journal or ring.
"""

from __future__ import annotations

import asyncio

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

from monitor.page.visitors import Crowd

# Head and body of a request, which are 24 kB at the most, must have come within this; also the first on a connection.
REQUEST_WITHIN_S = 20.0
# How long an answer may wait for the visitor to take any of it.
TAKEN_WITHIN_S = 30.0
LOOK_EVERY_S = 2.0
# What is read at a time: a visitor who sends without end holds no more than this.
_PIECE_BYTES = 16 * 1024
_BEING_READ = (h11.IDLE, h11.SEND_BODY)


class Limited(H11Protocol):
    """One connection, cut where it holds up others. ``crowd`` is set by ``limited_to``."""

    crowd: Crowd[Limited]

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        if hasattr(transport, "max_size"):
            transport.max_size = _PIECE_BYTES
        self._seen: object = None
        self._reading_s = self._waiting_s = 0.0
        self._waiting_bytes = 0
        self._looking: asyncio.TimerHandle | None = None
        out = self.crowd.enter(self, self.client[0] if self.client else "")
        if out is not None:
            out.cut()
        if out is not self:
            self._looking = self.loop.call_later(LOOK_EVERY_S, self._look)

    def connection_lost(self, exc: Exception | None) -> None:
        self.crowd.leave(self)
        if self._looking is not None:
            self._looking.cancel()
        super().connection_lost(exc)

    def cut(self) -> None:
        """End it at once, whatever is under way."""
        self.transport.abort()

    def _look(self) -> None:
        """Now and then: whether the request, or the taking of the answer, goes on."""
        if self.cycle is not self._seen or self.conn.their_state not in _BEING_READ:
            self._seen, self._reading_s = self.cycle, 0.0
        else:
            self._reading_s += LOOK_EVERY_S
        waiting = self.transport.get_write_buffer_size()
        self._waiting_s = self._waiting_s + LOOK_EVERY_S if 0 < self._waiting_bytes <= waiting else 0.0
        self._waiting_bytes = waiting
        if self._reading_s >= REQUEST_WITHIN_S or self._waiting_s >= TAKEN_WITHIN_S:
            self.cut()
        else:
            self._looking = self.loop.call_later(LOOK_EVERY_S, self._look)


def limited_to(crowd: Crowd[Limited]) -> type[Limited]:
    """The protocol for a server whose connections ``crowd`` counts."""
    return type("LimitedHere", (Limited,), {"crowd": crowd})

