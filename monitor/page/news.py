"""Server-sent events (HTML Living Standard, section 9.2): the page is told that there is news, and then asks for it.

The event carries no state. What is shown always comes whole, by the one way in which it comes without a script too, so
that a lost event loses nothing. The stream comes at the latest every few seconds: a page that hears none knows that it
is cut off.
"""

from __future__ import annotations

import asyncio
import logging
from collections import Counter
from collections.abc import AsyncIterator, Callable
from typing import TYPE_CHECKING

from monitor.page.visitors import network_of

if TYPE_CHECKING:
    from starlette.responses import Response

log = logging.getLogger(__name__)

# How soon a change is told, how close together two tellings may come, and how long a page goes without one.
LOOK_EVERY_S = 0.5
APART_S = 2.0
AT_LATEST_S = 10.0
# How long a browser waits before it connects again.
RETRY_MS = 3000
# A shed and a family have a handful of pages open; beyond this a page is refused and asks now and then instead.
MOST_STREAMS = 150
MOST_STREAMS_OF_ONE = 60


class News:
    """The streams of all open pages. ``stamp`` changes whenever there is news; it is asked in a worker thread, twice a
    second however many pages are open, and not at all while there is none.
    """

    def __init__(self, stamp: Callable[[], object]) -> None:
        self._stamp = stamp
        self._open = 0
        self._of_one: Counter[str] = Counter()
        self._newest: object = None
        self._changes = 0
        self._looking: asyncio.Task[None] | None = None
        self._closing = False

    def close(self) -> None:
        """End all streams within half a second; from any thread."""
        self._closing = True

    def answer(self, client: str = "") -> Response:
        """The stream for one page, or a refusal when too many are open, or too many of this client's."""
        from starlette.responses import PlainTextResponse, StreamingResponse

        who = network_of(client)
        if self._open >= MOST_STREAMS or self._of_one[who] >= MOST_STREAMS_OF_ONE or self._closing:
            return PlainTextResponse("", status_code=503, headers={"retry-after": "30"})
        return StreamingResponse(self._stream(who), media_type="text/event-stream", headers={"x-accel-buffering": "no"})

    async def _stream(self, who: str) -> AsyncIterator[str]:
        self._open += 1
        self._of_one[who] += 1
        try:
            # Counted before the bytes go out: what changes while they travel is told by the next event.
            told = self._changes
            yield f"retry: {RETRY_MS}\n\n"
            while not self._closing:
                if self._looking is None or self._looking.done():
                    self._looking = asyncio.create_task(self._look_out())
                waited_s = 0.0
                while not self._closing and waited_s < AT_LATEST_S and (waited_s < APART_S or self._changes == told):
                    await asyncio.sleep(LOOK_EVERY_S)
                    waited_s += LOOK_EVERY_S
                told = self._changes
                yield "event: news\ndata: .\n\n"
        finally:
            self._open -= 1
            self._of_one[who] -= 1
            if self._of_one[who] <= 0:
                del self._of_one[who]

    async def _look_out(self) -> None:
        """One for all streams, as long as there are any."""
        while self._open and not self._closing:
            try:
                stamp = await asyncio.to_thread(self._stamp)
            except Exception as error:  # a journal that cannot be read is itself news: the page asks and is told
                stamp = repr(error)
            if stamp != self._newest:
                self._newest = stamp
                self._changes += 1
            await asyncio.sleep(LOOK_EVERY_S)
