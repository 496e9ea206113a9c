"""The status page: a small read-only web application, and the thread that serves it.

``make_app`` knows no journal: it asks a function for the present ``StatusView`` and lays it out. It changes nothing,
so it asks for no password; it answers only under names that cannot be an attacker's (see ``is_own_host``), loads
nothing from outside, and lets the browser run only its own script and style files.
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

from monitor.page.markup import LocalTime, bucket_page, plain_page, status_page
from monitor.page.view import StatusView

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
    "referrer-policy": "no-referrer",
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
    view: Callable[[], StatusView], *, local_time: LocalTime = system_time, names: Iterable[str] = ()
) -> ASGIApp:
    """The application. ``view`` is called from worker threads, seldom more than twice a second; ``names`` are
    further host names to answer to, beside this computer's own.
    """
    from starlette.applications import Starlette
    from starlette.exceptions import HTTPException
    from starlette.requests import Request
    from starlette.responses import HTMLResponse, JSONResponse, Response
    from starlette.routing import Mount, Route
    from starlette.staticfiles import StaticFiles

    shared = _Shared(view)

    # Plain functions, not coroutines: Starlette runs them in worker threads, so a slow journal stalls nobody else.
    def status(request: Request) -> Response:
        return HTMLResponse(status_page(shared.get(), local_time))

    def bucket(request: Request) -> Response:
        name = request.path_params["name"]
        present = shared.get()
        for candidate in present.buckets:
            if candidate.name == name:
                return HTMLResponse(bucket_page(candidate, present, local_time))
        return HTMLResponse(plain_page("No such bucket", f"There is no bucket {name} here."), status_code=404)

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
        words = "The watch cannot tell how the buckets stand just now. Do not take this as quiet: look at them."
        return HTMLResponse(plain_page("Not known", words), status_code=503)

    def refused(request: Request, error: Exception) -> Response:
        code = error.status_code if isinstance(error, HTTPException) else 500
        words = {404: "There is nothing at this address.", 405: "This page only shows; it changes nothing."}
        return HTMLResponse(plain_page("Not here", words.get(code, "That did not work.")), status_code=code)

    inner = Starlette(
        routes=[
            Route("/", status),
            Route("/status.json", status_json),
            Route("/healthz", healthz),
            Route("/bucket/{name:path}", bucket),
            Mount("/static", StaticFiles(directory=Path(__file__).parent / "static")),
        ],
        exception_handlers={NotKnownError: broken, HTTPException: refused, Exception: broken},
    )
    # Outside everything, so that an error page carries the headers too.
    return _Guard(inner, frozenset(name.lower().rstrip(".") for name in (*own_names(), *names)))


class _Shared:
    """The view, asked for at most once in a short while however many ask."""

    def __init__(self, view: Callable[[], StatusView]) -> None:
        self._view = view
        self._lock = threading.Lock()
        self._present: StatusView | None = None
        self._asked_s = -math.inf

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
        for long in ("curve", "ambient", "band", "marks", "log"):
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

    def __init__(self, app: ASGIApp, names: frozenset[str] = frozenset()) -> None:
        self._app = app
        self._names = names

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = list(message.get("headers", []))
                static = scope["path"].startswith("/static/")
                headers += [(name.encode(), value.encode()) for name, value in _HEADERS.items()]
                headers.append((b"cache-control", b"no-cache" if static else b"no-store"))
                message = {**message, "headers": headers}
            await send(message)

        hosts = [value.decode("latin-1") for name, value in scope["headers"] if name == b"host"]
        if len(hosts) != 1 or not is_own_host(hosts[0], self._names):
            from starlette.responses import PlainTextResponse

            words = (
                "This page does not answer to that name. Ask by the computer's address, or add the name to "
                "names in [page] of emberpail.toml.\n"
            )
            await PlainTextResponse(words, status_code=421)(scope, receive, send_guarded)
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
            f"The page cannot be served at {host}: this computer has no such address; see host in [page]."
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
        return (
            f"The page cannot be served: port {port} is taken (another watch?); stop that one, "
            "or set another port in [page]."
        )
    if error.errno == errno.EACCES:
        return (
            f"The page cannot be served: port {port} needs rights that this user has not; "
            "set a port above 1023 in [page]."
        )
    if error.errno == errno.EADDRNOTAVAIL:
        return f"The page cannot be served at {host}: this computer has no such address; see host in [page]."
    return f"The page cannot be served at {host}, port {port}: {error.strerror}; see [page]."


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
        raise PageError("The page did not start within ten seconds; the log has more.")
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
