"""Asking at a terminal: one question at a time, asked again with the reason until the answer can be read.

Questions go to standard error, so that what a program reads from standard output stays clean.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import TypeVar

from monitor.commands.common import CommandError, shown, warn

T = TypeVar("T")
# More tries than a tired person needs, fewer than a program that answers nonsense would take.
_MOST_TRIES = 8
_MOST_CHARACTERS = 200


def can_ask() -> bool:
    """Whether somebody sits there who can answer."""
    return sys.stdin is not None and sys.stdin.isatty()


def ask(question: str, read: Callable[[str], T], *, empty: str | None = None) -> T | None:
    """The answer to ``question``, as ``read`` understands it; its ValueError is said and the question asked again.

    ``empty`` says what Enter alone means; then the answer is None. CommandError when the input ends.
    """
    hint = f" (Enter: {empty})" if empty is not None else ""
    for _ in range(_MOST_TRIES):
        print(f"{question}{hint}: ", end="", file=sys.stderr, flush=True)
        line = _line()
        if not line.strip():
            if empty is not None:
                return None
            warn("An answer is needed here; Ctrl-C leaves everything as it was.")
            continue
        try:
            return read(line.strip())
        except ValueError as error:
            warn(str(error))
    raise CommandError(f"No answer to {shown(question)} could be read; nothing was written.")


def _line() -> str:
    try:
        line = sys.stdin.readline(_MOST_CHARACTERS + 1)
    except UnicodeDecodeError:
        warn("That was not UTF-8 text.")
        return ""
    if not line:
        raise CommandError("The input ended before all was answered; nothing was written.")
    while len(line) > _MOST_CHARACTERS and not line.endswith("\n"):
        line = line[:_MOST_CHARACTERS] + sys.stdin.readline(4096)
        if line.endswith("\n"):
            warn(f"That was longer than {_MOST_CHARACTERS} characters.")
            return ""
    return line
