"""The watch as a service of the system: what it tells systemd, and how a process is given up and begun anew.

The notification protocol is one datagram of lines to the socket named in the environment (sd_notify(3)); without that
variable nothing is told.
"""

from __future__ import annotations

import contextlib
import json
import os
import socket
import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from monitor.words import tr

# sysexits.h, EX_TEMPFAIL: "try again later"; anything but success has systemd start it again.
EXIT_AGAIN = 75
_KEEP_S = 3600.0
# A disk that hangs may be why it is given up, and must not keep it from beginning anew.
_WRITTEN_WITHIN_S = 2.0
# Asked for at every look (some seconds) at which something goes on, so it may be long without harm.
_MORE_TIME_S = 120
# So many new beginnings within an hour are trouble that a person must look at.
OFTEN = 3
_FIRST_WAIT_S = 1.0
_LONGEST_WAIT_S = 60.0


class Service:
    """What the system is told. ``environ`` as the process has it."""

    def __init__(self, environ: Mapping[str, str]) -> None:
        self._address = environ.get("NOTIFY_SOCKET", "")
        self._is_ready = self._has_asked = False

    def ready(self) -> None:
        """The watch minds."""
        self._is_ready = True
        self._tell("READY=1")
        if self._has_asked:
            self.status(tr("It minds."))

    def alive(self, does: str = "") -> None:
        """Every worker goes on: feeds the watchdog. Until the watch minds it asks for more time, too: going on where
        the last one ended may take longer than the unit allows, and one that is ended for it begins from the front.
        ``does`` is what it does until then, where that is not reading back.
        """
        self._tell("WATCHDOG=1")
        if not self._is_ready:
            self._has_asked = True
            self._tell(f"EXTEND_TIMEOUT_USEC={_MORE_TIME_S * 1_000_000}")
            self.status(does or tr("It reads back what the last watch left, and does not judge yet."))

    def status(self, words: str) -> None:
        """One line for ``systemctl status``."""
        self._tell("STATUS=" + words.replace("\n", " "))

    def stopping(self) -> None:
        """It ends on purpose."""
        self._tell("STOPPING=1")

    def _tell(self, message: str) -> None:
        if not self._address:
            return
        # A leading @ stands for the zero byte of the abstract namespace.
        address = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as to_system:
            to_system.setblocking(False)
            to_system.sendto(message.encode(), address)


@dataclass(slots=True)
class Beginnings:
    """The times at which the watch was given up and began anew, kept in a small file beside the journal.

    Not in the journal: whoever hangs may hold its lock.
    """

    path: Path
    wall: Callable[[], float] = time.time
    _times: list[tuple[float, list[str]]] = field(default_factory=list)  # when, and because of which parts

    def __post_init__(self) -> None:
        with contextlib.suppress(OSError, ValueError, TypeError):
            kept = json.loads(self.path.read_text(encoding="utf-8"))
            self._times = [(float(at_s), [str(part) for part in parts]) for at_s, parts in kept]

    def note(self, parts: Sequence[str]) -> None:
        """It is given up now, because of these parts. Returns within seconds, written or not."""
        self._times = [*self._recent(), (self.wall(), list(parts))]
        writing = threading.Thread(target=self._write, args=(json.dumps(self._times),), name="anew", daemon=True)
        writing.start()
        writing.join(_WRITTEN_WITHIN_S)

    def _write(self, times: str) -> None:
        with contextlib.suppress(OSError):
            self.path.write_text(times, encoding="utf-8")

    def wait_s(self) -> float:
        """How long to wait before going on, so that a fault at every start does not keep the computer busy."""
        n = len(self._recent())
        return 0.0 if n < 2 else min(_LONGEST_WAIT_S, _FIRST_WAIT_S * 2.0 ** (n - 2))

    def trouble(self) -> str:
        """What to say when it has begun anew too often within the hour; "" when it has not."""
        recent = self._recent()
        if len(recent) < OFTEN:
            return ""
        return tr(
            "the watch has begun anew {n} times within an hour because of {parts}.", n=len(recent),
            parts=_parts(recent),
        )  # fmt: skip

    def last(self) -> str:
        """Why it began anew the last time, "" when it has not within the hour."""
        recent = self._recent()
        return tr("{parts} hung, so the watch began anew.", parts=_parts(recent[-1:])) if recent else ""

    def _recent(self) -> list[tuple[float, list[str]]]:
        now_s = self.wall()
        return [one for one in self._times if 0.0 <= now_s - one[0] < _KEEP_S]


def _parts(times: Sequence[tuple[float, Sequence[str]]]) -> str:
    return ", ".join(dict.fromkeys(part for _, parts in times for part in parts))


def begin_anew(argv: Sequence[str] | None = None) -> None:
    """Become a new process of the same command at once, whatever hangs in this one. Does not return.

    The number of the process stays, so systemd takes it for the same; and a watch that somebody started by hand is not
    simply gone. Files and sockets close by themselves, the claim on the journal among them.
    """
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(Exception):
            stream.flush()
    words = list(sys.orig_argv if argv is None else argv)
    with contextlib.suppress(OSError):
        os.execv(sys.executable, [sys.executable, *words[1:]])  # nosec B606 # ourselves, as we were started
    os._exit(EXIT_AGAIN)
