"""How a source stands, in a form that the status page, ``check`` and the watchdog can all read."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass

STATES = ("starting", "connected", "waiting", "trouble")


@dataclass(frozen=True, slots=True)
class SourceHealth:
    """How a source stands. "Connected" says nothing about data: judge that by the age of ``last_line_s``.

    state         "starting", "connected", "waiting" (the other end is away, it will be found again by itself) or
                  "trouble" (a person has to mend something)
    says          one plain sentence
    since_s       since when the state has stood, arrival clock
    lines         lines delivered so far
    faults        what went wrong, counted by kind, over the life of the source
    last_line_s   when the last line arrived; None before the first
    progress_s    when the source's thread last turned round; stands still only if the thread hangs or has ended
    """

    state: str
    says: str
    since_s: float
    lines: int
    faults: Mapping[str, int]
    last_line_s: float | None
    progress_s: float


class HealthBook:
    """Keeps a source's health: its thread writes, any thread reads."""

    def __init__(self, now: Callable[[], float], says: str) -> None:
        self._now = now
        self._lock = threading.Lock()
        self._state, self._says = "starting", says
        self._since_s = self._progress_s = now()
        self._lines = 0
        self._faults: dict[str, int] = {}
        self._last_line_s: float | None = None

    def enter(self, state: str, says: str) -> None:
        """Note the state and its sentence; ``since_s`` moves only when the state changes."""
        if state not in STATES:
            raise ValueError(f'"{state}" is no state of a source; known are {", ".join(STATES)}.')
        with self._lock:
            if state != self._state:
                self._since_s = self._now()
            self._state, self._says = state, says

    def took_line(self, arrival_s: float) -> None:
        """Count one line delivered."""
        with self._lock:
            self._lines += 1
            self._last_line_s = arrival_s

    def fault(self, kind: str, times: int = 1) -> None:
        """Count something that went wrong."""
        with self._lock:
            self._faults[kind] = self._faults.get(kind, 0) + times

    def progress(self) -> None:
        """Say that the thread still turns round."""
        self._progress_s = self._now()

    def snapshot(self) -> SourceHealth:
        """The health as it stands now."""
        with self._lock:
            return SourceHealth(
                self._state, self._says, self._since_s, self._lines, dict(self._faults), self._last_line_s,
                self._progress_s,
            )  # fmt: skip
