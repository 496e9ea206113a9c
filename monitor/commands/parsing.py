"""argparse in the maker's language: its own fixed words and complaints pass through the catalogue, too."""

from __future__ import annotations

import argparse
import re
from collections.abc import Iterable
from typing import Any, NoReturn

from monitor.commands import CANNOT
from monitor.words import mark, tr

# What argparse says (its English, from Python's own argparse.py), and the text of ours for it.
_COMPLAINTS = tuple(
    (re.compile(pattern, re.DOTALL), text)
    for pattern, text in (
        (r"the following arguments are required: (?P<names>.*)", mark("The following arguments are required: {names}")),
        (r"unrecognized arguments: (?P<names>.*)", mark("Unrecognized arguments: {names}")),
        (r"one of the arguments (?P<names>.*) is required", mark("One of the arguments {names} is required")),
        (
            r"ambiguous option: (?P<option>.*) could match (?P<names>.*)",
            mark("Ambiguous option: {option} could match {names}"),
        ),
        (r"argument (?P<name>.*?): expected one argument", mark("Argument {name}: expected one argument")),
        (
            r"argument (?P<name>.*?): expected at least one argument",
            mark("Argument {name}: expected at least one argument"),
        ),
        (
            r"argument (?P<name>.*?): expected at most one argument",
            mark("Argument {name}: expected at most one argument"),
        ),
        (
            r"argument (?P<name>.*?): invalid choice: (?P<value>.*) \(choose from (?P<names>.*)\)",
            mark("Argument {name}: invalid choice: {value} (choose from {names})"),
        ),
        (
            r"argument (?P<name>.*?): invalid (?P<type>\w+) value: (?P<value>.*)",
            mark("Argument {name}: invalid {type} value: {value}"),
        ),
        (
            r"argument (?P<name>.*?): not allowed with argument (?P<other>.*)",
            mark("Argument {name}: not allowed with argument {other}"),
        ),
        (
            r"argument (?P<name>.*?): ignored explicit argument (?P<value>.*)",
            mark("Argument {name}: ignored explicit argument {value}"),
        ),
    )
)


class Help(argparse.HelpFormatter):
    """Says "usage" in the language spoken."""

    def add_usage(
        self, usage: str | None, actions: Iterable[argparse.Action], groups: Iterable[Any], prefix: str | None = None
    ) -> None:
        super().add_usage(usage, actions, groups, tr("usage: ") if prefix is None else prefix)


class HelpWithExample(Help):
    """Wraps the description and leaves the example on its line, so that it can be copied."""

    def _fill_text(self, text: str, width: int, indent: str) -> str:
        if text.startswith(tr("example:")):
            return "".join(indent + line for line in text.splitlines(keepends=True))
        return super()._fill_text(text, width, indent)


class Parser(argparse.ArgumentParser):
    """Says what is wrong in one sentence and where the help is, instead of the whole usage."""

    def __init__(self, **options: Any) -> None:
        options.setdefault("formatter_class", Help)
        super().__init__(**{**options, "add_help": False})
        self._positionals.title = tr("positional arguments")
        self._optionals.title = tr("options")
        self.add_argument("-h", "--help", action="help", help=tr("show this help message and exit"))

    def error(self, message: str) -> NoReturn:
        self.exit(
            CANNOT, tr("{sentence}. See: {program} --help", sentence=complaint(message), program=self.prog) + "\n"
        )


def complaint(message: str) -> str:
    """What argparse complains of, as a sentence without its full stop."""
    for pattern, text in _COMPLAINTS:
        found = pattern.fullmatch(message)
        if found:
            return tr(text, **found.groupdict())
    return " ".join(message[:1].upper().split()) + message[1:]
