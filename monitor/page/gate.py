"""Reading for those only who gave the passphrase: what ``open_to_read = false`` in [page] puts before the page.

Open to everybody stay the door itself, the style and script files (which say nothing of any batch), and the addresses
in messages, which are signed for one person and one alarm.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING
from urllib.parse import urlencode

from monitor.words import tr

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.types import ASGIApp, Receive, Scope, Send

_OPEN = ("/static/", "/a/", "/heard/")
_DOOR = "/enter"
# Asked for by programs and scripts, which a form is no use to.
_FOR_PROGRAMS = (".json", ".png")
_IN_PLAIN_WORDS = ("/live", "/metrics")


def is_open(path: str) -> bool:
    """Whether an address may be asked for without the passphrase."""
    return path == _DOOR or path.startswith(_OPEN)


class Gate:
    """Sends whoever has no session to the door. ``is_in`` says whether a request comes with one; it is called from a
    worker thread and may raise a ValueError, for a journal in trouble.
    """

    def __init__(self, app: ASGIApp, is_in: Callable[[Request], bool]) -> None:
        self._app, self._is_in = app, is_in

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or is_open(scope["path"]):
            await self._app(scope, receive, send)
            return
        from starlette.concurrency import run_in_threadpool
        from starlette.requests import Request
        from starlette.responses import JSONResponse, PlainTextResponse, RedirectResponse, Response

        request = Request(scope)
        try:
            let_in = await run_in_threadpool(self._is_in, request)
        except ValueError as error:
            await PlainTextResponse(f"{error}\n", status_code=503)(scope, receive, send)
            return
        if let_in:
            await self._app(scope, receive, send)
            return
        path = scope["path"]
        answer: Response
        if scope["method"] not in ("GET", "HEAD") or path in _IN_PLAIN_WORDS:
            answer = PlainTextResponse(f"{_words()}\n", status_code=403)
        elif path == "/healthz" or path.endswith(_FOR_PROGRAMS):
            answer = JSONResponse({"error": _words()}, status_code=403)
        else:
            query = scope["query_string"].decode("latin-1")
            back = f"{request.url.path}?{query}" if query else request.url.path
            answer = RedirectResponse(f"{_DOOR}?{urlencode({'back': back})}", status_code=303)
        await answer(scope, receive, send)


def _words() -> str:
    return tr("This page is read with the passphrase only.")
