"""Asking at a terminal: one question at a time, asked again with the reason until the answer can be read.

Questions go to standard error, so that what a program reads from standard output stays clean.
"""

from __future__ import annotations

import sys
import unicodedata
from collections.abc import Callable
from typing import TypeVar

from monitor.commands.common import CommandError, shown, warn
from monitor.words import tr

T = TypeVar("T")
# More tries than a tired person needs, fewer than a program that answers nonsense would take.
_MOST_TRIES = 8
_MOST_CHARACTERS = 200
YES_WORDS = frozenset({"y", "yes"})


def can_ask() -> bool:
    """Whether somebody sits there who can answer."""
    return sys.stdin is not None and sys.stdin.isatty()


def ask(question: str, read: Callable[[str], T], *, empty: str | None = None) -> T | None:
    """The answer to ``question``, as ``read`` understands it; its ValueError is said and the question asked again.

    ``empty`` says what Enter alone means; then the answer is None. CommandError when the input ends.
    """
    prompt = f"{question}: " if empty is None else tr("{question} (Enter: {empty}): ", question=question, empty=empty)
    for _ in range(_MOST_TRIES):
        print(prompt, end="", file=sys.stderr, flush=True)
        line = _line()
        if not line.strip():
            if empty is not None:
                return None
            warn(tr("An answer is needed here; Ctrl-C leaves everything as it was."))
            continue
        try:
            return read(line.strip())
        except ValueError as error:
            warn(str(error))
    raise CommandError(tr("No answer to {question} could be read; nothing was written.", question=shown(question)))


def read_yes(text: str) -> bool:
    """A typed yes or no, in English or the language spoken. ValueError for anything else."""
    plain = without_accents(text.strip().lower().rstrip(".!"))
    if plain in YES_WORDS | {without_accents(tr("yes"))}:
        return True
    if plain in {"n", "no", tr("no")}:
        return False
    raise ValueError(tr("Answer yes or no."))


def without_accents(text: str) -> str:
    """Plain letters: who types with gloves on leaves the accents out."""
    return "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c))


def _line() -> str:
    try:
        line = sys.stdin.readline(_MOST_CHARACTERS + 1)
    except UnicodeDecodeError:
        warn(tr("That was not UTF-8 text."))
        return ""
    if not line:
        raise CommandError(tr("The input ended before all was answered; nothing was written."))
    while len(line) > _MOST_CHARACTERS and not line.endswith("\n"):
        line = line[:_MOST_CHARACTERS] + sys.stdin.readline(4096)
        if line.endswith("\n"):
            warn(tr("That was longer than {most} characters.", most=_MOST_CHARACTERS))
            return ""
    return line
