"""Figures for Prometheus and its like at /metrics, in their text format.

Written by hand and not by the client library: that one counts inside a process, while every figure here is read from
the journal when somebody asks, and what is left to do are these lines. The library reads them back in the tests.
"""

from __future__ import annotations

import hmac
import math
import threading
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from monitor.page.forms import IN
from monitor.page.log_routes import Room
from monitor.page.parts import LocalTime
from monitor.page.press import Buttons

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response
    from starlette.routing import BaseRoute

ADDRESS = "/metrics"
# However many ask, the journal is read once in this time.
_SHARED_FOR_S = 1.0
_TYPE = "text/plain; version=0.0.4; charset=utf-8"


@dataclass(frozen=True, slots=True)
class Family:
    """One figure under one name: what it is, whether it only grows ("counter") or not ("gauge"), and its values by
    labels. The unit is part of the name."""

    name: str
    says: str
    kind: str
    samples: Sequence[tuple[Mapping[str, str], float]]


def exposition(families: Iterable[Family]) -> str:
    """The text format, version 0.0.4 (Prometheus documentation, "Exposition formats")."""
    lines = []
    for family in families:
        samples = [one for one in family.samples if math.isfinite(one[1])]
        if samples:
            lines.append(f"# HELP {family.name} {_help(family.says)}")
            lines.append(f"# TYPE {family.name} {family.kind}")
            lines += [f"{family.name}{_labels(labels)} {_number(value)}" for labels, value in samples]
    return "".join(f"{line}\n" for line in lines)


def metrics_room(read: Callable[[], list[Family]], token: str) -> Room:
    """``read`` is called from worker threads. With a ``token`` only those who show it get an answer, and those who gave
    the passphrase; without one whoever may read the page."""

    def routes(buttons: Buttons, _local_time: LocalTime, _pressed: Callable[[], None]) -> list[BaseRoute]:
        from starlette.responses import PlainTextResponse
        from starlette.routing import Route

        shared = _Shared(read)

        def metrics(request: Request) -> Response:
            if token and not shows(request, token) and buttons.hand(request).state != IN:
                return PlainTextResponse(
                    "The token of metrics_token is missing.\n", 401, {"WWW-Authenticate": 'Bearer realm="emberpail"'}
                )
            return PlainTextResponse(shared.text(), media_type=_TYPE)

        return [Route(ADDRESS, metrics)]

    return routes


def shows(request: Request, token: str) -> bool:
    """Whether a request for the figures comes with the token (RFC 6750, "Authorization: Bearer"); never where there is
    none. It opens nothing else."""
    if not token or request.url.path != ADDRESS:
        return False
    way, _, shown = request.headers.get("authorization", "").partition(" ")
    return way.lower() == "bearer" and hmac.compare_digest(shown.strip().encode(), token.encode())


class _Shared:
    """The text, made at most once in a short while."""

    def __init__(self, read: Callable[[], list[Family]]) -> None:
        self._read = read
        self._lock = threading.Lock()
        self._made: tuple[float, str] = (-math.inf, "")

    def text(self) -> str:
        with self._lock:
            if time.monotonic() - self._made[0] > _SHARED_FOR_S:
                self._made = (-math.inf, "")  # where reading fails, the last good one is not shown as the present
                self._made = (time.monotonic(), exposition(self._read()))
            return self._made[1]


def _labels(labels: Mapping[str, str]) -> str:
    said = ",".join(f'{name}="{_value(value)}"' for name, value in labels.items())
    return f"{{{said}}}" if said else ""


def _value(text: str) -> str:
    return text.replace("\\", r"\\").replace('"', r"\"").replace("\n", r"\n")


def _help(text: str) -> str:
    return text.replace("\\", r"\\").replace("\n", r"\n")


def _number(value: float) -> str:
    return str(int(value)) if value == int(value) and abs(value) < 1e15 else repr(float(value))
