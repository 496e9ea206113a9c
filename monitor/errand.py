"""A call that may hang, made beside the worker that wants it: a name server that does not answer, for one.

A worker that hangs costs the whole process (``supervising``), and no time-out of ours ends the look-up of a name: with
three name servers that are away it takes a minute. So a thread of its own makes the call, and the worker goes on
turning round until it is back. One thread a worker: a call that does not come back is waited for, never doubled.
"""

from __future__ import annotations

import contextlib
import contextvars
import threading
import time
from collections.abc import Callable
from typing import Generic, TypeVar

# How often a worker that waits shows that it turns round, and looks whether it is to stop.
STEP_S = 0.5

_T = TypeVar("_T")
Unwanted = Callable[[], bool]


class _Call(Generic[_T]):
    """One call. What it brings belongs to whoever takes it, or is undone where nobody wants it any more."""

    def __init__(self, what: Callable[[Unwanted], _T], undo: Callable[[_T], object]) -> None:
        self._what, self._undo = what, undo
        self._lock = threading.Lock()
        self.ended = threading.Event()
        self.unwanted = False
        self.brought: list[_T] = []
        self.error: Exception | None = None

    def make(self) -> None:
        try:
            self.brought.append(self._what(lambda: self.unwanted))
        except Exception as error:
            self.error = error
        with self._lock:
            self.ended.set()
            left = self.unwanted
        if left:
            self._undo_it()

    def forsake(self) -> None:
        with self._lock:
            was, self.unwanted = self.unwanted, True
            left = self.ended.is_set() and not was
        if left:
            self._undo_it()

    def _undo_it(self) -> None:
        for one in self.brought:
            with contextlib.suppress(Exception):  # nobody is there to hear of it
                self._undo(one)


class Errand(Generic[_T]):
    """The calls of one worker that may hang, one at a time. Not for several threads."""

    def __init__(self, name: str) -> None:
        """``name`` is that of the threads."""
        self._name = name
        self._call: _Call[_T] | None = None

    @property
    def under_way(self) -> bool:
        """Whether a call has not come back yet, wanted or not."""
        return self._call is not None and not self._call.ended.is_set()

    def begin(self, what: Callable[[Unwanted], _T], undo: Callable[[_T], object] = lambda brought: None) -> bool:
        """Have the call made; False, and nothing is begun, while the former one is still under way. ``what`` may ask
        whether it is unwanted by now; ``undo`` gets what it brought then. What the former one brought is undone.
        """
        self.forsake()
        if self.under_way:
            return False
        call = _Call(what, undo)
        speaking_as_here = contextvars.copy_context().run
        threading.Thread(target=speaking_as_here, args=(call.make,), name=self._name, daemon=True).start()
        self._call = call  # only now: where no thread can be had, there is nothing to wait for
        return True

    def is_back(self, wait_s: float = 0.0) -> bool:
        """Whether there is something to take, waiting so long for it."""
        return self._call is not None and self._call.ended.wait(wait_s) and not self._call.unwanted

    def take(self) -> _T:
        """What the call has brought, once it is back. Raises what the call raised."""
        call, self._call = self._call, None
        assert call is not None and call.ended.is_set()
        if call.error is not None:
            raise call.error
        return call.brought[0]

    def forsake(self) -> None:
        """Nobody waits for it any more; a thread that hangs is left to itself."""
        if self._call is not None:
            self._call.forsake()

    def do(
        self, what: Callable[[Unwanted], _T], stop: threading.Event, turned: Callable[[float], object],
        undo: Callable[[_T], object] = lambda brought: None,
    ) -> _T | None:  # fmt: skip
        """Have it made and wait for it, however long; None when told to stop. Raises what the call raised.

        ``turned`` is called twice a second with the seconds waited so far; what it raises ends the waiting.
        """
        began = time.monotonic()
        try:
            while not self.begin(what, undo):
                turned(time.monotonic() - began)
                if stop.wait(STEP_S):
                    return None
            while not self.is_back(STEP_S):
                turned(time.monotonic() - began)
                if stop.is_set():
                    return None
            return self.take()
        finally:
            self.forsake()
