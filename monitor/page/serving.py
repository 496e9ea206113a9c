"""The thread that serves the page, and the port it listens on."""

from __future__ import annotations

import contextlib
import errno
import socket
import threading
import time
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any

from monitor.page.visitors import Crowd
from monitor.words import tr

if TYPE_CHECKING:
    from starlette.types import ASGIApp


class PageError(ValueError):
    """The page cannot be served; the sentence says why and what to do."""


class Served:
    """A page being served. ``url`` is where this computer finds it; ``stop`` ends it within about three seconds."""

    def __init__(
        self, host: str, port: int, server: Any, thread: threading.Thread, close: Callable[[], None] = lambda: None
    ) -> None:
        self.host = host
        self.port = port
        self._server = server
        self._thread = thread
        self._close = close

    @property
    def url(self) -> str:
        return f"http://{_address_words(self.host)}:{self.port}/"

    @property
    def age_s(self) -> float:
        """How long ago it last turned round, real seconds: it hangs when this goes on growing."""
        return time.monotonic() - float(self._server.turned_at)

    @property
    def alive(self) -> bool:
        """Whether the thread still serves: the watch asks now and then."""
        return self._thread.is_alive()

    def stop(self) -> None:
        self._close()
        self._server.should_exit = True
        self._thread.join(timeout=5.0)


def _address_words(host: str) -> str:
    if host in ("0.0.0.0", "::", ""):  # nosec B104 # asked of, not bound to
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


def _turning_server(config: Any) -> Any:
    """A server that notes when its loop last turned round."""
    import uvicorn

    class Turning(uvicorn.Server):
        turned_at = time.monotonic()

        async def on_tick(self, counter: int) -> bool:
            self.turned_at = time.monotonic()
            return await super().on_tick(counter)

    return Turning(config)


def serve(app: ASGIApp, host: str = "127.0.0.1", port: int = 0) -> Served:
    """Serve ``app`` from a thread of its own, until ``stop``. Signals stay with the caller.

    Raises PageError when the port cannot be had, before any thread starts.
    """
    import uvicorn

    from monitor.page.connections import Limited, limited_to

    listener = open_port(host, port)
    in_use = int(listener.getsockname()[1])  # differs from the port asked for when that was 0
    config = uvicorn.Config(
        app,
        log_config=None,
        # A stranger who sends nonsense, or breaks off in the middle, must not fill the log; what goes wrong in the page
        # itself it logs by itself (app.broken).
        log_level="critical",
        access_log=False,
        # What a proxy's header says of visitor and scheme anybody can say.
        proxy_headers=False,
        server_header=False,
        lifespan="off",
        ws="none",
        loop="asyncio",
        http=limited_to(Crowd[Limited]()),
        timeout_keep_alive=15,
        timeout_graceful_shutdown=2,
        h11_max_incomplete_event_size=16 * 1024,
    )
    server = _turning_server(config)
    # uvicorn takes over signals only in the main thread, so in a thread of its own it leaves ours alone.
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, name="page", daemon=True)
    thread.start()
    deadline_s = time.monotonic() + 10.0
    while not server.started and thread.is_alive() and time.monotonic() < deadline_s:
        time.sleep(0.01)
    if not server.started:
        server.should_exit = True
        raise PageError(tr("The page did not start within ten seconds; the log has more."))
    return Served(host, in_use, server, thread, getattr(app, "close", lambda: None))


@contextlib.contextmanager
def serving(app: ASGIApp, host: str = "127.0.0.1", port: int = 0) -> Iterator[Served]:
    """``serve`` for a with statement."""
    served = serve(app, host, port)
    try:
        yield served
    finally:
        served.stop()
