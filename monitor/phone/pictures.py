"""The picture that goes with a message: made once a minute for each bucket, waited for a moment only, never needed.

A message must not be late or lost for the sake of its picture, so it is made in a thread of its own: whoever hands a
message over waits a little, and goes without when the picture is not there by then.
"""

from __future__ import annotations

import contextlib
import contextvars
import os
import tempfile
import threading
from collections.abc import Callable, Iterator

# The PNG bytes of a bucket's curve as it stands at a Unix time, or None where there is none.
PictureMaker = Callable[[str, float], bytes | None]

# How long a message waits for its picture. Drawing one takes about a second on a small computer (from memory).
PATIENCE_S = 3.0
# One picture serves every message of the same minute: four people and their routes do not make it four times.
_FRESH_S = 60.0
# What a phone service takes is mostly from 5 MB on (from memory); a curve is a hundredth of that.
_MOST_BYTES = 2_000_000
_PNG = b"\x89PNG\r\n\x1a\n"


class _Making:
    """One picture on its way."""

    def __init__(self, at_s: float) -> None:
        self.at_s = at_s
        self.done = threading.Event()
        self.png: bytes | None = None


class Pictures:
    """Pictures by bucket. May be asked from any thread."""

    def __init__(self, maker: PictureMaker, *, patience_s: float = PATIENCE_S) -> None:
        self._maker, self._patience_s = maker, patience_s
        self._lock = threading.Lock()
        self._made: dict[str, _Making] = {}

    def of(self, bucket: str, now_s: float) -> bytes | None:
        """The picture of a bucket, at most a minute old; None when there is none within a moment."""
        if not bucket:
            return None
        with self._lock:
            making = self._made.get(bucket)
            if making is None or (making.done.is_set() and not 0 <= now_s - making.at_s < _FRESH_S):
                # One that is still being made is not begun again: a maker that hangs must not pile up threads.
                making = self._made[bucket] = _Making(now_s)
                run = contextvars.copy_context().run
                threading.Thread(target=run, args=(self._make, making, bucket), name="picture", daemon=True).start()
        making.done.wait(self._patience_s)
        return making.png if making.done.is_set() and 0 <= now_s - making.at_s < _FRESH_S else None

    def _make(self, making: _Making, bucket: str) -> None:
        try:
            png = self._maker(bucket, making.at_s)
            fine = isinstance(png, bytes) and png.startswith(_PNG) and len(png) <= _MOST_BYTES
            making.png = png if fine else None
        except Exception:  # whatever it is, the message goes without
            making.png = None
        finally:
            making.done.set()


@contextlib.contextmanager
def as_file(png: bytes | None) -> Iterator[str | None]:
    """A file with the picture, for as long as it is being sent; None when it cannot be written."""
    path = None
    if png is not None:
        try:
            handle, path = tempfile.mkstemp(prefix="curve-", suffix=".png")
            with os.fdopen(handle, "wb") as file:
                file.write(png)
        except OSError:  # no room: the words go out alone
            _remove(path)
            path = None
    try:
        yield path
    finally:
        _remove(path)


def _remove(path: str | None) -> None:
    if path is not None:
        with contextlib.suppress(OSError):
            os.unlink(path)
