"""What every source hands on: one line, when it arrived, and where from. Imports nothing of ours.

A source is any object with ``run(deliver, stop)``, which blocks in a thread of its own until ``stop`` is set, and
``health()``. It never raises because the other end is lost: it waits, says so in its health, and comes back.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from monitor.sources.health import SourceHealth

# A SenML pack of a whole bucket's hour is some 20 kB. What is longer than this is no pack but a node gone wild.
MAX_LINE_BYTES = 64 * 1024


class Clock(Protocol):
    """The arrival clock: Unix seconds that never step, however the computer's wall clock is set."""

    def now(self) -> float:
        """Arrival time now, Unix seconds."""
        ...


@dataclass(frozen=True, slots=True)
class Origin:
    """Where a line came from: ``kind`` is "serial", "mqtt" or "recording", ``name`` the source's name in the settings.

    ``topic`` is the MQTT topic, "" elsewhere.
    """

    kind: str
    name: str
    topic: str = ""


@dataclass(frozen=True, slots=True)
class Line:
    """One line as it came over the wire, without its line feed; damaged ones too.

    ``retained``: the broker had kept it and it may be old. ``duplicate``: the broker says it has sent it before.
    ``delivery`` is then the same as before; a node's own doubles are known by their time stamps. ``ack``, where there
    is one, is to be called once the line is committed; any thread may call it, and calling it twice does no harm.
    ``overheard``: it is not from the session, which is to bring the same content later (``sources.overhearing``).
    ``new_session``: the first since the broker began a session anew; it numbers its messages from the beginning, so no
    delivery of before says anything of one that comes now. Without ``data`` it is this news and no line at all: to be
    neither recorded nor counted (``MqttSource.tells_new_session``).
    ``caught_up``: the session had brought all that had waited for us before this one came.
    """

    arrival_s: float
    data: bytes
    origin: Origin
    retained: bool = False
    duplicate: bool = False
    ack: Callable[[], None] | None = None
    delivery: str = ""
    overheard: bool = False
    new_session: bool = False
    caught_up: bool = False


Deliver = Callable[[Line], None]


class Source(Protocol):
    """The contract of every source."""

    name: str

    def run(self, deliver: Deliver, stop: threading.Event) -> None:
        """Deliver lines until ``stop`` is set. Blocks; returns within about a second of ``stop``."""
        ...

    def health(self) -> SourceHealth:
        """How it stands now. Any thread may ask."""
        ...
