"""The demo's phone: a message as it would stand on a lock screen, drawn with plain characters."""

from __future__ import annotations

import textwrap
import time

WIDTH = 44


def lock_screen(title: str, body: str, at_s: float | None = None, *, width: int = WIDTH) -> str:
    """``title`` and ``body`` in a box ``width`` characters wide, with the local time of ``at_s`` at the top.

    No imitation of any make of phone. Line breaks in ``body`` stay.
    """
    inner = width - 4
    clock = "" if at_s is None else time.strftime("%H:%M", time.localtime(at_s))
    lines = [clock.rjust(inner)] if clock else []
    lines += _wrapped(title, inner)
    lines += ["-" * inner]
    lines += _wrapped(body, inner)
    edge = "." + "-" * (width - 2) + "."
    return "\n".join([edge, *(f"| {line.ljust(inner)} |" for line in lines), edge.replace(".", "'")])


def _wrapped(text: str, width: int) -> list[str]:
    lines: list[str] = []
    for part in text.splitlines():
        lines += textwrap.wrap(part, width) or [""]
    return lines
