"""The server behind the mirror: one synchronous write of a list at a time, through influxdb-client.

The client's own queue is not used: it drops what it holds once its retries run out. Nor is anything waited for without
an end: a server that dribbles its answer is left after ``DEADLINE_S``, whatever the socket says.
"""

from __future__ import annotations

import json
import re
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from monitor.mirror.sending import Away, Refused
from monitor.words import tr

# Of one request: until it is connected, and again until it is sent; and between two pieces of the answer.
CONNECT_S, READ_S = 10.0, 15.0
# Of one request as a whole. A list that a slow line needs longer for is still taken, and then taken again.
DEADLINE_S = 40.0
# So many requests that never came back; more are not begun until one of them has ended.
MOST_FORSAKEN = 3
# What is wrong with the points themselves: cannot be read, wrong type, too old for the bucket; too long a list.
_ABOUT_THE_POINTS = (400, 413, 422)
_MOST_REASON = 200
# How InfluxDB says how many points of a list it left out ("partial write: points beyond retention policy dropped=3").
_DROPPED = re.compile(r"partial write.*\bdropped=(\d{1,9})\b")


class Server:
    """One server, opened at the first write. ``write`` raises Refused or Away, in words that never hold the token."""

    def __init__(
        self, url: str, token: str, org: str, bucket: str, ca_file: Path | None = None, *,
        connect_s: float = CONNECT_S, read_s: float = READ_S, deadline_s: float = DEADLINE_S,
    ) -> None:  # fmt: skip
        self._url, self._token, self._org, self._bucket, self._ca_file = url, token, org, bucket, ca_file
        self._timeout_ms = (int(connect_s * 1000), int(read_s * 1000))
        self._deadline_s = deadline_s
        self._client: Any = None
        self._forsaken: list[threading.Thread] = []

    def write(self, lines: Sequence[str]) -> None:
        """Write these lines in one request; when it returns the server has taken them."""
        self._forsaken = [thread for thread in self._forsaken if thread.is_alive()]
        if len(self._forsaken) >= MOST_FORSAKEN:
            raise Away(tr("it does not end its answers"))
        ended: list[Exception | None] = []

        def request() -> None:
            try:
                self._write(list(lines))
                ended.append(None)
            except Exception as error:
                ended.append(error)

        thread = threading.Thread(target=request, name="mirror request", daemon=True)
        thread.start()
        thread.join(self._deadline_s)
        if not ended:
            self._forsaken.append(thread)
            self._client = None  # its connection is in use for ever
            raise Away(tr("it does not end its answers"), slow=True)
        if ended[0] is not None:
            raise self._in_words(ended[0])

    def close(self) -> None:
        """Let the connection go."""
        client, self._client = self._client, None
        if client is not None:
            client.close()

    def _write(self, lines: list[str]) -> None:
        from influxdb_client import InfluxDBClient  # it and what it brings are large: only where there is a mirror
        from influxdb_client.client.write_api import SYNCHRONOUS

        if self._client is None:
            self._client = InfluxDBClient(
                self._url, token=self._token, org=self._org, timeout=self._timeout_ms,
                # What a list says again and again shrinks to a tenth: a line in the country is slow upwards.
                enable_gzip=True, ssl_ca_cert=None if self._ca_file is None else str(self._ca_file),
            )  # fmt: skip
        self._client.write_api(write_options=SYNCHRONOUS).write(self._bucket, self._org, lines)

    def _in_words(self, error: Exception) -> Exception:
        status = getattr(error, "status", None)
        reason = self._hidden(_reason_of(error))
        if status in _ABOUT_THE_POINTS:
            dropped = _DROPPED.search(reason)
            return Refused(reason or f"HTTP {status}", int(dropped[1]) if dropped else None)
        if status in (401, 403):
            return Away(tr("it refuses the token: make one that may write to this bucket"))
        if status == 404:
            return Away(tr("it knows no such address, org or bucket ({reason})", reason=reason or "HTTP 404"))
        if status:
            return Away(f"HTTP {status}: {reason}" if reason else f"HTTP {status}", _again_s(error))
        return Away(_connection_words(error), slow=_ran_out_of_time(error))

    def _hidden(self, text: str) -> str:
        return text.replace(self._token, "...") if self._token else text


def _reason_of(error: Exception) -> str:
    """What the server said of a refusal, short and on one line."""
    body = getattr(error, "body", None)
    text = body.decode("utf-8", "replace") if isinstance(body, bytes) else str(body or "")
    try:
        told = json.loads(text)
        text = str(told.get("message") or told.get("error") or "") if isinstance(told, dict) else ""
    except ValueError:
        pass
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())[:_MOST_REASON]


def _again_s(error: Exception) -> float | None:
    """What a busy server asks for (RFC 9110, Retry-After), where it says so in seconds."""
    headers = getattr(error, "headers", None)
    asked = headers.get("Retry-After", "") if headers is not None else ""
    return float(asked) if asked.isdigit() else None


_SIGNS: tuple[tuple[str, Callable[[], str]], ...] = (
    ("NameResolutionError", lambda: tr("its name is not known here")),  # it is one of the next kind, too
    ("NewConnectionError", lambda: tr("nothing answers there")),
    ("ConnectTimeoutError", lambda: tr("nothing answers there")),
    ("ReadTimeoutError", lambda: tr("it does not answer in time")),
    ("SSLError", lambda: tr("its certificate is not trusted, or it speaks no TLS")),
    ("ProtocolError", lambda: tr("the connection broke")),
)


def _ran_out_of_time(error: Exception) -> bool:
    """Whether a server that is there was too slow to take the list, or to answer."""
    if type(error).__name__ == "ReadTimeoutError":
        return True
    return type(error).__name__ == "ProtocolError" and any(isinstance(one, TimeoutError) for one in error.args)


def _connection_words(error: Exception) -> str:
    """What went wrong on the way, by the kind of the error: its text would name addresses and objects."""
    kinds = [kind.__name__ for kind in type(error).__mro__]
    told = f"{getattr(error, 'reason', '')}"
    for sign, words in _SIGNS:
        if sign in kinds or told.startswith(sign):
            return words()
    return tr("it cannot be reached ({error})", error=type(error).__name__)
