"""Tells a wrong baud rate by what it does to the bytes, and looks for the right one. Pure: time is handed in."""

from __future__ import annotations

import json
from collections.abc import Sequence

from monitor.words import tr

USUAL_SPEEDS = (9600, 19200, 38400, 57600, 115200)

# Below this many bytes a burst of noise and a wrong speed cannot be told apart.
_ENOUGH_BYTES = 64
# Of the bytes of a wrong speed, five to ten in ten are no plain text; at a third of the node's speed only three. A
# pack with some bits flipped by a motor's noise has one in ten at the most. A fifth will do, because it has to last,
# and no whole pack may come in between.
_GARBLED_SHARE = 0.2
# A node that is reset or plugged in sends junk for a second or two; a wrong speed goes on.
_PERSIST_S = 8.0
# Nodes commonly send every 10 s, so one speed has to be listened to for longer than that; one that sends seldom is
# waited for, for what never came through at a speed says nothing against it.
_LISTEN_S = 12.0
_LISTEN_AT_MOST_S = 75.0
# A speed is not left amid a line, unless what comes at it never ends.
_ENDLESS_BYTES = 512
# When no speed gave text, the fault lies elsewhere (ground wire, level): look again, but not all the time.
_REST_S = 600.0

_TEXT = frozenset(range(0x20, 0x7F)) | frozenset(b"\t\r\n")


def garbled(data: bytes) -> bool:
    """Whether so many of the bytes are no plain text that the speed is likely wrong."""
    return sum(byte not in _TEXT for byte in data) > _GARBLED_SHARE * len(data)


def readable(line: bytes) -> bool:
    """Whether a line is surely a pack and not noise: it begins with a whole JSON array (or object)."""
    text = line.strip()
    if not text.startswith((b"[", b"{")) or any(byte not in _TEXT for byte in text[:200]):
        return False
    try:
        json.JSONDecoder().raw_decode(text.decode("utf-8"))
    except (ValueError, RecursionError):
        return False
    return True


class SpeedWatch:
    """Watches what comes at ``speed``; when it is garbled for long, goes through the usual speeds.

    Feed it with ``see``; set the port to the speed it answers. ``says`` is None while all is well.
    """

    def __init__(self, configured: int, speeds: Sequence[int] = USUAL_SPEEDS) -> None:
        self.configured = configured
        self.speed = configured
        self._others = [speed for speed in reversed(speeds) if speed != configured]
        self._left: list[int] = []
        self._hunting = False
        self._recent = b""
        self._garbled_since_s: float | None = None
        self._listening_since_s = 0.0
        self._heard_bytes = 0
        self._rest_until_s = 0.0
        self._found_none = False

    def see(self, data: bytes, lines: Sequence[bytes], now_s: float) -> int | None:
        """Take in what came (nothing, too) and the lines it completed; answer the speed to change to, or None."""
        if (data or lines) and any(readable(line) for line in lines):
            self._settle()
            return None
        if self._hunting:
            self._heard_bytes += len(data)
            amid_a_line = data and not lines and self._heard_bytes < _ENDLESS_BYTES
            least_s = _LISTEN_S if self._heard_bytes else _LISTEN_AT_MOST_S
            enough = not amid_a_line and now_s - self._listening_since_s >= least_s
            return self._next_speed(now_s) if enough else None
        if not data:
            return None
        self._recent = (self._recent + data)[-512:]
        if len(self._recent) < _ENOUGH_BYTES:
            return None
        if not garbled(self._recent):
            self._garbled_since_s = None
            return None
        if self._garbled_since_s is None:
            self._garbled_since_s = now_s
        if now_s - self._garbled_since_s < _PERSIST_S or now_s < self._rest_until_s:
            return None
        self._hunting = True
        # The speed of the settings is among those to try when an earlier search had left it.
        self._left = [speed for speed in (self.configured, *self._others) if speed != self.speed]
        return self._next_speed(now_s)

    def _settle(self) -> None:
        self._hunting = self._found_none = False
        self._recent = b""
        self._garbled_since_s = None

    def _next_speed(self, now_s: float) -> int:
        self._listening_since_s = now_s
        self._heard_bytes = 0
        self._recent = b""
        if self._left:
            self.speed = self._left.pop(0)
        else:
            self.speed = self.configured
            self._hunting, self._found_none = False, True
            self._garbled_since_s = None
            self._rest_until_s = now_s + _REST_S
        return self.speed

    @property
    def says(self) -> str | None:
        """What a person should know and mend, or None."""
        if self._hunting:
            return tr(
                "what comes looks like the wrong speed (the settings say baud = {configured}); "
                "now listening at {speed}. Set baud to the node's own speed.",
                configured=self.configured,
                speed=self.speed,
            )
        if self._found_none:
            speeds = ", ".join(str(speed) for speed in sorted({self.configured, *self._others}))
            return tr(
                "what comes is no text at any usual speed ({speeds}): set baud to the node's own speed, "
                "and look at the ground wire and the signal level.",
                speeds=speeds,
            )
        if self._garbled_since_s is not None:
            return tr(
                "what comes at {speed} baud is no text: it looks like the wrong speed. "
                "Set baud to the node's own speed.",
                speed=self.speed,
            )
        if self.speed != self.configured:
            return tr(
                "the node is read at {speed} baud, but the settings say {configured}: set baud = {speed}.",
                speed=self.speed,
                configured=self.configured,
            )
        return None

    @property
    def unreadable(self) -> bool:
        """Whether nothing can be read now."""
        return self._hunting or self._found_none or self._garbled_since_s is not None
