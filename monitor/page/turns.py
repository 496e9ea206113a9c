"""What takes long waits its turn, and holds no thread while it waits.

Requests are worked on by a few threads (``guard.MOST_AT_ONCE``). A visitor who asks ten times for what takes seconds
would hold all of them, and "I am going" would wait behind. So the addresses that read much have a few turns of their
own; all turns together are fewer than the threads, and what is left is for the first page and for what is pressed.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from typing import TYPE_CHECKING

from monitor.page.parts import plain_page
from monitor.words import tr

if TYPE_CHECKING:
    from starlette.responses import Response
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

COMPARING, SLOW, COMMON = "comparing", "slow", "common"
# Of each kind: how many are worked on at once, and how many seconds one waits for its turn before it is told to come
# again. One that compares may be waiting for its groups while another draws curves. An open page waits for 10 s anyhow.
TURNS = {COMPARING: (2, 4.0), SLOW: (2, 4.0), COMMON: (4, 10.0)}
AGAIN_S = 5

_NEVER_WAIT = ("/", "/status.json", "/healthz", "/live", "/enter")
_NOR_THOSE_BELOW = ("/static/", "/a/", "/heard/")
_FOR_PROGRAMS = (".json", ".png")


class Busy(Exception):
    """What is asked for is being read for somebody else, and that takes long."""


def kind_of(method: str, path: str, query: bytes | str = "") -> str | None:
    """Which turns a request waits for; None for one that waits for none: what is pressed, and what must show.

    An address that nobody has thought of here is slow.
    """
    if method not in ("GET", "HEAD") or path in _NEVER_WAIT or path.startswith(_NOR_THOSE_BELOW):
        return None
    if path == "/compare":
        return COMPARING
    if path == "/metrics":
        return COMMON
    # Pages of what runs, and their whole curves, which are kept from one news to the next; a part of one is read anew.
    if path.startswith("/bucket/") and not path.endswith(".png") and not (path.endswith(".json") and query):
        return COMMON
    return SLOW


def busy(path: str) -> Response:
    """Come again in a few seconds: a browser does so by itself, a program is told when."""
    from starlette.responses import HTMLResponse, JSONResponse, PlainTextResponse

    headers = {"retry-after": str(AGAIN_S)}
    to_programs = tr("Much is being read here just now: ask again in a few seconds.")
    if path.endswith(_FOR_PROGRAMS):
        return JSONResponse({"error": to_programs}, status_code=503, headers=headers)
    if path == "/metrics":
        return PlainTextResponse(f"{to_programs}\n", status_code=503, headers=headers)
    words = tr("Much is being read here just now: this page asks again by itself in a few seconds.")
    html = plain_page(tr("In a moment"), words)
    # The browser asks again without a script; the header does what a meta element would.
    return HTMLResponse(html, status_code=503, headers={**headers, "refresh": str(AGAIN_S)})


class Turns:
    """Lets requests in to the application as their turn comes."""

    def __init__(self, app: ASGIApp, turns: Mapping[str, tuple[int, float]] = TURNS) -> None:
        self._app, self._turns = app, turns
        self._loop: asyncio.AbstractEventLoop | None = None
        self._free: dict[str, asyncio.Semaphore] = {}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        kind = None
        if scope["type"] == "http":
            kind = kind_of(scope["method"], scope["path"], scope["query_string"])
        if kind is None:
            await self._app(scope, receive, send)
            return
        turn = self._turn_of(kind)
        try:
            async with asyncio.timeout(self._turns[kind][1]):
                await turn.acquire()
        except TimeoutError:
            await busy(scope["path"])(scope, receive, send)
            return
        inside = True

        def leave() -> None:
            nonlocal inside
            if inside:
                inside = False
                turn.release()

        async def send_on(message: Message) -> None:
            leave()  # it is worked out, and its thread is free: a visitor who takes it slowly holds up nobody
            await send(message)

        try:
            await self._app(scope, receive, send_on)
        finally:
            leave()

    def _turn_of(self, kind: str) -> asyncio.Semaphore:
        """They belong to the loop that serves: a page that is served again has another one, and all turns are free."""
        loop = asyncio.get_running_loop()
        if self._loop is not loop:
            self._loop, self._free = loop, {each: asyncio.Semaphore(most) for each, (most, _) in self._turns.items()}
        return self._free[kind]
