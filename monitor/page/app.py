"""The status page: a small web application, and the thread that serves it.

``make_app`` knows no journal: it asks a function for the present ``StatusView`` and lays it out, and hands what is
pressed to ``deeds`` (see ``press``), which needs a passphrase. It answers only under names that cannot be an
attacker's (see ``is_own_host``), loads nothing from outside, and lets the browser run only its own script and style
files.
"""

from __future__ import annotations

import contextlib
import dataclasses
import errno
import ipaddress
import logging
import math
import socket
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from monitor.page.forms import IN, steps_page
from monitor.page.markup import bucket_page, record_page, status_page
from monitor.page.parts import LocalTime, plain_page
from monitor.page.press import Buttons, Deeds, Refusal, fields_of
from monitor.page.press import page as page_with_forms
from monitor.page.view import BucketView, RecordView, StatusView
from monitor.words import ENGLISH, Voice, speaking, tr

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

log = logging.getLogger(__name__)

# Many phones asking at once must not each make the watch read its journal.
_SHARED_FOR_S = 0.5
_TAILNET = ipaddress.ip_network("100.64.0.0/10")  # shared address space, RFC 6598: overlay networks use it

_HEADERS = {
    "content-security-policy": "default-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'; "
    "object-src 'none'",
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    # Not "no-referrer": under that a browser hides even from us where a form came from.
    "referrer-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
}


class PageError(ValueError):
    """The page cannot be served; the sentence says why and what to do."""


class NotKnownError(Exception):
    """The present state could not be asked for; its cause is in ``__cause__``."""


def system_time(unix_s: float) -> datetime:
    """A time on this computer's own clock face."""
    return datetime.fromtimestamp(unix_s, UTC).astimezone()


def make_app(
    view: Callable[[], StatusView],
    *,
    local_time: LocalTime = system_time,
    names: Iterable[str] = (),
    deeds: Deeds | None = None,
    passphrase: str = "",
    record: Callable[[str], RecordView | None] | None = None,
    voice: Voice = ENGLISH,
    now_s: Callable[[], float] = time.time,
) -> ASGIApp:
    """The application. ``view`` is called from worker threads, seldom more than twice a second; ``names`` are
    further host names to answer to, beside this computer's own.

    ``deeds`` is what the buttons do; without it, or without ``passphrase``, there are none. ``record`` gives a batch by
    its name, None for an unknown one. ``now_s`` is for sessions and wrong tries only.
    """
    from starlette.applications import Starlette
    from starlette.concurrency import run_in_threadpool
    from starlette.exceptions import HTTPException
    from starlette.requests import Request
    from starlette.responses import HTMLResponse, JSONResponse, Response
    from starlette.routing import Mount, Route
    from starlette.staticfiles import StaticFiles

    shared = _Shared(view)
    buttons = Buttons(deeds, passphrase, now_s, shared.forget)

    # Plain functions, not coroutines: Starlette runs them in worker threads, so a slow journal stalls nobody else.
    def status(request: Request) -> Response:
        return HTMLResponse(status_page(shared.get(), local_time))

    def bucket(request: Request) -> Response:
        name = request.path_params["name"]
        present = shared.get()
        for candidate in present.buckets:
            if candidate.name == name:
                return with_hand(bucket_page, candidate, present, request)
        return no_such_bucket(name)

    def steps(request: Request) -> Response:
        name = request.path_params["name"]
        present = shared.get()
        for candidate in present.buckets:
            if candidate.name == name:
                return with_hand(steps_page, candidate, present, request)
        return no_such_bucket(name)

    def with_hand(draw: Callable[..., str], one: BucketView, present: StatusView, request: Request) -> Response:
        hand = buttons.hand(request)
        html = draw(one, present, local_time, hand)
        return page_with_forms(html) if hand.state == IN else HTMLResponse(html)

    def no_such_bucket(name: str) -> Response:
        words = tr("There is no bucket {name} here.", name=name)
        return HTMLResponse(plain_page(tr("No such bucket"), words), status_code=404)

    def batch(request: Request) -> Response:
        name = request.path_params["name"]
        try:
            found = None if record is None else record(name)
        except Exception as error:
            raise NotKnownError("The batch cannot be read just now.") from error
        if found is None:
            words = tr("There is no batch {name} here.", name=name)
            return HTMLResponse(plain_page(tr("No such batch"), words), status_code=404)
        return HTMLResponse(record_page(found, local_time))

    # Coroutines, because a body has to be read; what touches the journal or takes long goes to a worker thread.
    async def do(request: Request) -> Response:
        return await run_in_threadpool(buttons.do, request, await fields_of(request))

    async def enter(request: Request) -> Response:
        if request.method in ("GET", "HEAD"):
            return buttons.show_door(request)
        return await run_in_threadpool(buttons.enter, request, await fields_of(request))

    async def leave(request: Request) -> Response:
        return await run_in_threadpool(buttons.leave, request, await fields_of(request))

    def status_json(request: Request) -> Response:
        try:
            return JSONResponse(status_values(shared.get()))
        except NotKnownError as error:
            return JSONResponse({"error": str(error)}, status_code=503)

    def healthz(request: Request) -> Response:
        try:
            present = shared.get()
        except NotKnownError as error:
            return JSONResponse({"ok": False, "at_s": None, "trouble": [str(error)]}, status_code=503)
        return JSONResponse(
            {"ok": not present.watch, "at_s": present.at_s, "trouble": list(present.watch)},
            status_code=503 if present.watch else 200,
        )

    def broken(request: Request, error: Exception) -> Response:
        log.error("the page could not be made: %r", error.__cause__ or error)
        words = tr("The watch cannot tell how the buckets stand just now. Do not take this as quiet: look at them.")
        return HTMLResponse(plain_page(tr("Not known"), words), status_code=503)

    def refused(request: Request, error: Exception) -> Response:
        code = error.status_code if isinstance(error, HTTPException) else 500
        words = {
            404: tr("There is nothing at this address."),
            405: tr("Nothing can be changed at this address."),
        }
        return HTMLResponse(plain_page(tr("Not here"), words.get(code, tr("That did not work."))), status_code=code)

    def not_taken(request: Request, error: Exception) -> Response:
        assert isinstance(error, Refusal)
        return HTMLResponse(plain_page(tr("Not noted"), error.sentence), status_code=error.status)

    inner = Starlette(
        routes=[
            Route("/", status),
            Route("/status.json", status_json),
            Route("/healthz", healthz),
            Route("/enter", enter, methods=["GET", "POST"]),
            Route("/leave", leave, methods=["POST"]),
            Route("/bucket/{name:path}/do", do, methods=["POST"]),
            Route("/bucket/{name:path}/steps", steps),
            Route("/bucket/{name:path}", bucket),
            Route("/batch/{name:path}", batch),
            Mount("/static", StaticFiles(directory=Path(__file__).parent / "static")),
        ],
        exception_handlers={
            NotKnownError: broken, Refusal: not_taken, HTTPException: refused, Exception: broken,
        },
    )  # fmt: skip
    # Outside everything, so that an error page carries the headers too.
    return _Guard(inner, frozenset(name.lower().rstrip(".") for name in (*own_names(), *names)), voice)


class _Shared:
    """The view, asked for at most once in a short while however many ask."""

    def __init__(self, view: Callable[[], StatusView]) -> None:
        self._view = view
        self._lock = threading.Lock()
        self._present: StatusView | None = None
        self._asked_s = -math.inf

    def forget(self) -> None:
        """Something was pressed: the next one to ask sees it."""
        with self._lock:
            self._present = None

    def get(self) -> StatusView:
        with self._lock:
            if self._present is None or time.monotonic() - self._asked_s > _SHARED_FOR_S:
                # Forget first: when the view fails, the last good one must not be shown as the present.
                self._present = None
                try:
                    self._present = self._view()
                except Exception as error:
                    raise NotKnownError("The watch cannot tell how the buckets stand just now.") from error
                self._asked_s = time.monotonic()
            return self._present


def status_values(view: StatusView) -> dict[str, Any]:
    """The view for programs: all but curves and logs, with each bucket's ``standing``; unknown is null."""
    values: dict[str, Any] = _plain(dataclasses.asdict(view))
    for shown, bucket in zip(values["buckets"], view.buckets, strict=True):
        for long in ("curve", "ambient", "band", "marks", "log", "steps", "last_entry", "handling"):
            del shown[long]
        shown["standing"] = bucket.standing
        shown["stale"] = bucket.is_stale
    return values


def _plain(value: Any) -> Any:
    """JSON has no NaN: a figure that is not one becomes null."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    return value


# ---- at the door --------------------------------------------------------------------------------------------------


def is_own_host(header: str, names: frozenset[str] = frozenset()) -> bool:
    """Whether a Host header can be meant for us: localhost, an address of a local network, or a name we know.

    A page elsewhere can point its own name at this computer (DNS rebinding) and read us through the visitor's
    browser; it cannot make that browser send another Host than its own name.
    """
    host = header.strip().lower()
    if host.startswith("["):
        host = host[1:].partition("]")[0]
    elif host.count(":") == 1:
        host = host.partition(":")[0]
    host = host.rstrip(".")
    if host == "localhost" or host.endswith(".localhost") or host in names:
        return True
    try:
        address = ipaddress.ip_address(host.partition("%")[0])
    except ValueError:
        return False
    return address.is_loopback or address.is_private or address.is_link_local or address in _TAILNET


class _Guard:
    """Turns away foreign Host headers, and puts the security headers on every answer."""

    def __init__(self, app: ASGIApp, names: frozenset[str] = frozenset(), voice: Voice = ENGLISH) -> None:
        self._app = app
        self._names = names
        self._voice = voice

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        # Each request is a task of its own, and worker threads take its voice over.
        with speaking(self._voice):
            await self._answer(scope, receive, send)

    async def _answer(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = list(message.get("headers", []))
                static = scope["path"].startswith("/static/")
                # A page with forms on it brings a policy of its own.
                there = {name for name, _ in headers}
                headers += [(n.encode(), value.encode()) for n, value in _HEADERS.items() if n.encode() not in there]
                headers.append((b"cache-control", b"no-cache" if static else b"no-store"))
                message = {**message, "headers": headers}
            await send(message)

        hosts = [value.decode("latin-1") for name, value in scope["headers"] if name == b"host"]
        if len(hosts) != 1 or not is_own_host(hosts[0], self._names):
            from starlette.responses import PlainTextResponse

            words = tr(
                "This page does not answer to that name. Ask by the computer's address, or add the name to names in "
                "[page] of emberpail.toml."
            )
            await PlainTextResponse(f"{words}\n", status_code=421)(scope, receive, send_guarded)
            return
        await self._app(scope, receive, send_guarded)


# ---- serving ------------------------------------------------------------------------------------------------------


class Served:
    """A page being served. ``url`` is where this computer finds it; ``stop`` ends it within about three seconds."""

    def __init__(self, host: str, port: int, server: Any, thread: threading.Thread) -> None:
        self.host = host
        self.port = port
        self._server = server
        self._thread = thread

    @property
    def url(self) -> str:
        return f"http://{_address_words(self.host)}:{self.port}/"

    @property
    def alive(self) -> bool:
        """Whether the thread still serves: the watch asks now and then."""
        return self._thread.is_alive()

    def stop(self) -> None:
        self._server.should_exit = True
        self._thread.join(timeout=5.0)


def _address_words(host: str) -> str:
    if host in ("0.0.0.0", "::", ""):
        return "localhost"
    return f"[{host}]" if ":" in host else host


def open_port(host: str, port: int) -> socket.socket:
    """A listening socket; ``port`` 0 takes any free one. Raises PageError with one sentence."""
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(
            host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
    except socket.gaierror:
        raise PageError(
            tr("The page cannot be served at {host}: this computer has no such address; see host in [page].", host=host)
        ) from None
    listener = socket.socket(family, kind, protocol)
    try:
        # So that a restart need not wait a minute for the old connections to be forgotten.
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(address)
        listener.listen(64)
    except OSError as error:
        listener.close()
        raise PageError(_why_not(error, host, port)) from None
    return listener


def _why_not(error: OSError, host: str, port: int) -> str:
    if error.errno == errno.EADDRINUSE:
        return tr(
            "The page cannot be served: port {port} is taken (another watch?); stop that one, or set another port in "
            "[page].",
            port=port,
        )
    if error.errno == errno.EACCES:
        return tr(
            "The page cannot be served: port {port} needs rights that this user has not; set a port above 1023 in "
            "[page].",
            port=port,
        )
    if error.errno == errno.EADDRNOTAVAIL:
        return tr(
            "The page cannot be served at {host}: this computer has no such address; see host in [page].", host=host
        )
    return tr(
        "The page cannot be served at {host}, port {port}: {reason}; see [page].",
        host=host, port=port, reason=error.strerror,
    )  # fmt: skip


def serve(app: ASGIApp, host: str = "127.0.0.1", port: int = 0) -> Served:
    """Serve ``app`` from a thread of its own, until ``stop``. Signals stay with the caller.

    Raises PageError when the port cannot be had, before any thread starts.
    """
    import uvicorn

    listener = open_port(host, port)
    in_use = int(listener.getsockname()[1])  # differs from the port asked for when that was 0
    config = uvicorn.Config(
        app,
        log_config=None,
        log_level="warning",
        access_log=False,
        server_header=False,
        lifespan="off",
        ws="none",
        loop="asyncio",
        http="h11",
        limit_concurrency=100,
        timeout_keep_alive=15,
        timeout_graceful_shutdown=2,
        h11_max_incomplete_event_size=16 * 1024,
    )
    server = uvicorn.Server(config)
    # uvicorn takes over signals only in the main thread, so in a thread of its own it leaves ours alone.
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, name="page", daemon=True)
    thread.start()
    deadline_s = time.monotonic() + 10.0
    while not server.started and thread.is_alive() and time.monotonic() < deadline_s:
        time.sleep(0.01)
    if not server.started:
        server.should_exit = True
        raise PageError(tr("The page did not start within ten seconds; the log has more."))
    return Served(host, in_use, server, thread)


def own_names() -> tuple[str, ...]:
    """The names under which the local network may know this computer."""
    name = socket.gethostname().lower()
    return (name, f"{name.partition('.')[0]}.local")


@contextlib.contextmanager
def serving(app: ASGIApp, host: str = "127.0.0.1", port: int = 0) -> Iterator[Served]:
    """``serve`` for a with statement."""
    served = serve(app, host, port)
    try:
        yield served
    finally:
        served.stop()
