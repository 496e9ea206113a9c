"""At the door of the page: which names it answers to, and the security headers that every answer carries."""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from monitor.words import ENGLISH, Voice, speaking, tr

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

# A phone's own choice of language and units: "es.us". It changes nothing but words, so it needs no passphrase.
WORDS_COOKIE = "emberpail-words"

# Requests that draw or read at the same time: the judging runs in the same process, and each more would slow it down.
MOST_AT_ONCE = 10

# Method, address and headers of a request; a phone's are about 1 kB. The server looks only at what comes in pieces.
MOST_HEAD_BYTES = 16 * 1024

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


class Guard:
    """Turns away foreign Host headers, and puts the security headers on every answer."""

    def __init__(
        self, app: ASGIApp, names: frozenset[str] = frozenset(), voice: Voice = ENGLISH,
        close: Callable[[], None] = lambda: None, *, voices: Mapping[tuple[str, str], Voice] | None = None,
    ) -> None:
        """``close`` ends what would stay open by itself; ``voices`` are those that a phone may choose."""
        self._voices = voices or {}
        self._app = app
        self.close = close
        self._names = names
        self._voice = voice

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        # Each request is a task of its own, and worker threads take its voice over.
        with speaking(self._chosen(scope) or self._voice):
            await self._answer(scope, receive, send)

    def _chosen(self, scope: Scope) -> Voice | None:
        """The voice that this phone asked for, None where it asked for none."""
        if not self._voices or scope["type"] != "http":
            return None
        for name, value in scope["headers"]:
            if name == b"cookie":
                for one in value.decode("latin-1").split(";"):
                    what, _, chosen = one.strip().partition("=")
                    if what == WORDS_COOKIE:
                        language, _, units = chosen.strip('"').partition(".")
                        return self._voices.get((language, units))
        return None

    async def _answer(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        # Here, because it is said to the loop that serves: a page that is served again has another one.
        from anyio.to_thread import current_default_thread_limiter

        threads = current_default_thread_limiter()
        if threads.total_tokens != MOST_AT_ONCE:
            threads.total_tokens = MOST_AT_ONCE

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = list(message.get("headers", []))
                static = scope["path"].startswith("/static/")
                # A page with forms on it brings a policy of its own.
                there = {name for name, _ in headers}
                headers += [(n.encode(), value.encode()) for n, value in _HEADERS.items() if n.encode() not in there]
                if b"cache-control" not in there:
                    headers.append((b"cache-control", b"no-cache" if static else b"no-store"))
                message = {**message, "headers": headers}
            await send(message)

        head = len(scope.get("raw_path") or b"") + len(scope["query_string"])
        if head + sum(len(name) + len(value) + 4 for name, value in scope["headers"]) > MOST_HEAD_BYTES:
            from starlette.responses import PlainTextResponse

            words = tr("That is longer than any request of this page.")
            await PlainTextResponse(f"{words}\n", status_code=431)(scope, receive, send_guarded)
            return
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


def own_names() -> tuple[str, ...]:
    """The names under which the local network may know this computer."""
    name = socket.gethostname().lower()
    return (name, f"{name.partition('.')[0]}.local")
