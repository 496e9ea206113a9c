"""The outward heartbeat: a ping to a dead-man service of the grower's choice, so that silence itself rings.

A time-out of the library is one of each piece: an answer that comes a letter at a time, a chain of redirects or a name
with several dead addresses would go on for minutes. So the whole call has an end, too, at which its connection is cut.
"""

from __future__ import annotations

import contextlib
import http.client
import socket
import threading
import time
import urllib.error
import urllib.request
from typing import Any

from monitor.phone.routes import Outcome, scheme_of
from monitor.words import tr

# Of the whole call, in time-outs of its pieces; the look-up of the name, which nothing can cut, is not in it.
_WHOLE = 3.0


def beat(url: str, *, timeout_s: float = 10.0) -> Outcome:
    """GET ``url`` (http or https) once, within three times ``timeout_s`` after its name was found. Never raises; the
    sentence shows the scheme, nothing else of the URL."""
    name = scheme_of(url)
    if not url.lower().startswith(("http://", "https://")):
        return Outcome(False, False, tr("Heartbeat {name}: the URL must begin with http:// or https://.", name=name))
    wires = _Wires(_WHOLE * timeout_s)
    try:
        outcome = _call(url, name, timeout_s, wires)
    finally:
        wires.close()
    if wires.are_cut:  # what was cut off may look like a whole answer
        return _no_answer(name, _WHOLE * timeout_s)
    return outcome


def _call(url: str, name: str, timeout_s: float, wires: _Wires) -> Outcome:
    try:
        request = urllib.request.Request(url, headers={"User-Agent": "emberpail"})
        with wires.opener().open(request, timeout=timeout_s) as answer:
            answer.read(1024)
        return Outcome(True, False, tr("Heartbeat {name}: the service took it.", name=name))
    except urllib.error.HTTPError as error:
        error.close()
        return Outcome(
            False,
            error.code >= 500 or error.code == 429,
            tr("Heartbeat {name}: refused (HTTP {code}).", name=name, code=error.code),
        )
    except TimeoutError:
        return _no_answer(name, timeout_s)
    except urllib.error.URLError as error:
        timed_out = isinstance(error.reason, TimeoutError)
        if timed_out:
            return _no_answer(name, timeout_s)
        return Outcome(False, True, tr("Heartbeat {name}: the service could not be reached.", name=name))
    except (OSError, http.client.HTTPException):
        return Outcome(False, True, tr("Heartbeat {name}: the connection broke.", name=name))
    except ValueError:
        return Outcome(False, False, tr("Heartbeat {name}: the URL cannot be read.", name=name))


def _no_answer(name: str, after_s: float) -> Outcome:
    return Outcome(False, True, tr("Heartbeat {name}: no answer within {s:.0f} s.", name=name, s=after_s))


class _Wires:
    """The connections of one call, which are cut when its time is over. That runs from the first name that was found.

    A second handle on each is kept, for the first goes its own ways in the library while TLS is being agreed upon.
    """

    def __init__(self, whole_s: float) -> None:
        self.are_cut = False
        self._whole_s = whole_s
        self._until: float | None = None  # monotonic
        self._timer: threading.Timer | None = None
        self._lock = threading.Lock()
        self._kept: list[socket.socket] = []

    def opener(self) -> urllib.request.OpenerDirector:
        """The library's, for http and https alone, with the connections opened by us."""
        wires = self

        class Http(urllib.request.HTTPHandler):
            def http_open(self, request: urllib.request.Request) -> Any:
                return self.do_open(lambda host, **how: wires._ours(http.client.HTTPConnection(host, **how)), request)

        class Https(urllib.request.HTTPSHandler):
            def https_open(self, request: urllib.request.Request) -> Any:
                return self.do_open(lambda host, **how: wires._ours(http.client.HTTPSConnection(host, **how)), request)

        opener = urllib.request.OpenerDirector()
        for kind in (
            urllib.request.ProxyHandler, urllib.request.UnknownHandler, Http, Https,
            urllib.request.HTTPDefaultErrorHandler, urllib.request.HTTPRedirectHandler,
            urllib.request.HTTPErrorProcessor,
        ):  # fmt: skip
            opener.add_handler(kind())
        return opener

    def _ours(self, connection: Any) -> Any:
        connection._create_connection = self._open
        return connection

    def _open(self, address: tuple[str, int], timeout: float, _source_address: object = None) -> socket.socket:
        """Like ``socket.create_connection``, with one end for all addresses together."""
        found = socket.getaddrinfo(*address, type=socket.SOCK_STREAM)
        with self._lock:
            if self._until is None:
                self._until = time.monotonic() + self._whole_s
                self._timer = threading.Timer(self._whole_s, self._cut)
                self._timer.daemon = True
                self._timer.start()
        error: OSError = OSError()
        for family, kind, protocol, _, where in found:
            left_s = self._until - time.monotonic()
            if left_s <= 0.0:
                raise TimeoutError
            wire = socket.socket(family, kind, protocol)
            try:
                wire.settimeout(min(timeout, left_s))
                wire.connect(where)
                self._keep(wire)
                wire.settimeout(timeout)
                return wire
            except OSError as failed:
                wire.close()
                error = failed
        raise error

    def _keep(self, wire: socket.socket) -> None:
        with self._lock:
            if self.are_cut:
                raise TimeoutError
            self._kept.append(wire.dup())

    def _cut(self) -> None:
        with self._lock:
            self.are_cut = True
            for wire in self._kept:
                with contextlib.suppress(OSError):  # it is closed already
                    wire.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        """The call is over."""
        if self._timer is not None:
            self._timer.cancel()
        with self._lock:
            for wire in self._kept:
                wire.close()
            self._kept.clear()
