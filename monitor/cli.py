"""The command line: parse, hand over, print. Every command lives in monitor/commands/."""

from __future__ import annotations

import argparse
import difflib
import importlib
import os
import re
import sys
from collections.abc import Sequence

from monitor import __version__
from monitor.commands import CANNOT, COMMANDS
from monitor.commands.parsing import Parser
from monitor.languages import language_of, voice_for
from monitor.words import speak, tr

# Longer than any path, name or remark that means something here.
_MOST_CHARACTERS = 1000
_MINUS = re.compile(r"-[\d.,]")


def build_parser(command: str | None = None) -> argparse.ArgumentParser:
    """The parser of every command, or of the one named: the others need not be read to run it."""
    parser = Parser(
        prog="emberpail",
        description=tr(
            "Minds buckets of potash soap: says whether the blend took, how far it will go, and rings the "
            "phone when something must be done."
        ),
        epilog=tr("Each command has its own help with an example: emberpail start --help"),
    )
    parser.add_argument(
        "--version",
        action="version",
        version=f"emberpail {__version__}",
        help=tr("show program's version number and exit"),
    )
    parsers = parser.add_subparsers(dest="command", metavar="COMMAND", parser_class=Parser)
    wanted = [command] if command is not None and command in COMMANDS else COMMANDS
    for module in dict.fromkeys(COMMANDS[name] for name in wanted):
        importlib.import_module(f"monitor.commands.{module}").add(parsers)
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; its exit code is 0 (done, or yes), 1 (the answer is no) or 2 (could not be done)."""
    given = list(sys.argv[1:] if arguments is None else arguments)
    # Until the settings are read, which may ask for another.
    speak(voice_for(language_of(os.environ)))
    if given == ["--version"]:
        print(f"emberpail {__version__}")
        return 0
    trouble = _unusable(given)
    if trouble:
        print(trouble, file=sys.stderr)
        return CANNOT
    parser = build_parser(given[0] if given else None)
    try:
        args = parser.parse_args(_prepared(given))
    except SystemExit as done:
        return done.code if isinstance(done.code, int) else CANNOT
    if args.command is None:
        parser.print_help()
        return CANNOT
    return _run(args)


def _run(args: argparse.Namespace) -> int:
    try:
        return int(args.run(args))
    except KeyboardInterrupt:
        print(tr("Stopped."), file=sys.stderr)
        return 130
    except BrokenPipeError:
        # Somebody piped us into "head": not an error, but Python would complain once more at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except Exception as error:
        if os.environ.get("EMBERPAIL_TRACEBACK"):
            raise
        from monitor.commands.common import in_words

        print(in_words(error), file=sys.stderr)
        return CANNOT


def _unusable(arguments: list[str]) -> str | None:
    """One sentence when an argument cannot be text of ours, else None."""
    for place, argument in enumerate(arguments, 1):
        if len(argument) > _MOST_CHARACTERS:
            return tr(
                "Argument {place} is {n} characters long; {most} at the most are taken: shorten it.",
                place=place,
                n=len(argument),
                most=_MOST_CHARACTERS,
            )
        try:
            argument.encode("utf-8")
        except UnicodeEncodeError:
            return tr(
                "Argument {place} is not UTF-8 text: type it again, or rename the file that it names.", place=place
            )
        if "\0" in argument:
            return tr("Argument {place} holds a character that no text has: type it again.", place=place)
    if arguments and not arguments[0].startswith("-") and arguments[0] not in COMMANDS:
        near = difflib.get_close_matches(arguments[0].lower(), COMMANDS, 1)
        hint = (
            tr('did you mean "{name}"?', name=near[0]) if near else tr("there are {names}.", names=", ".join(COMMANDS))
        )
        return tr('There is no command "{command}": {hint} See: emberpail --help', command=arguments[0][:60], hint=hint)
    return None


def _prepared(arguments: list[str]) -> list[str]:
    """The arguments as argparse can take them.

    "--air -5C" becomes "--air=-5C", because a winter temperature is no option; what follows "test" is not ours.
    """
    if arguments[:1] == ["test"] and arguments[1:2] not in (["-h"], ["--help"]):
        return ["test", "--", *arguments[1:]]
    joined: list[str] = []
    for argument in arguments:
        before = joined[-1] if joined else ""
        if _MINUS.match(argument) and before.startswith("--") and len(before) > 2 and "=" not in before:
            joined[-1] = f"{before}={argument}"
        else:
            joined.append(argument)
    return joined


if __name__ == "__main__":
    sys.exit(main())
