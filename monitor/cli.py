"""The command line: parse, hand over, print. Every command lives in monitor/commands/."""

from __future__ import annotations

import argparse
import importlib
import os
import sys
from collections.abc import Sequence

from monitor import __version__
from monitor.commands import CANNOT

# In the order of the work: try it, set it up, plan, make, look, answer.
_GROUPS = ("demo", "test", "check", "ring", "watch", "plan", "batch", "status", "alarm", "replay")


class _Parser(argparse.ArgumentParser):
    """Says what is wrong in one sentence and where the help is, instead of the whole usage."""

    def error(self, message: str) -> None:  # type: ignore[override]
        sentence = message[:1].upper() + message[1:]
        self.exit(CANNOT, f"{sentence}. See: {self.prog} --help\n")


def build_parser() -> argparse.ArgumentParser:
    """The parser with every command of the package."""
    parser = _Parser(
        prog="emberpail",
        description="Minds buckets of potash soap: says whether the blend took, how far it will go, and rings the "
        "phone when something must be done.",
        epilog="Each command has its own help with an example: emberpail start --help",
    )
    parser.add_argument("--version", action="version", version=f"emberpail {__version__}")
    parsers = parser.add_subparsers(dest="command", metavar="COMMAND", parser_class=_Parser)
    for group in _GROUPS:
        importlib.import_module(f"monitor.commands.{group}").add(parsers)
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; its exit code is 0 (done, or yes), 1 (the answer is no) or 2 (could not be done)."""
    parser = build_parser()
    args = parser.parse_args(arguments)
    if args.command is None:
        parser.print_help()
        return CANNOT
    try:
        return int(args.run(args))
    except KeyboardInterrupt:
        print("Stopped.", file=sys.stderr)
        return 130
    except BrokenPipeError:
        # Somebody piped us into "head": not an error, but Python would complain once more at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except ValueError as error:
        # Every error of ours is a ValueError whose text is one sentence for a person.
        if os.environ.get("EMBERPAIL_TRACEBACK"):
            raise
        print(str(error), file=sys.stderr)
        return CANNOT
    except OSError as error:
        if os.environ.get("EMBERPAIL_TRACEBACK"):
            raise
        where = f"{error.filename}: " if error.filename else ""
        print(f"{where}{error.strerror or error}.", file=sys.stderr)
        return CANNOT


if __name__ == "__main__":
    sys.exit(main())
