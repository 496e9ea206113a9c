"""What several commands need: settings, the journal, the time, and printing for people or programs."""

from __future__ import annotations

import argparse
import json
import sys
import time
from datetime import datetime
from typing import Any

from monitor.journal.database import Journal
from monitor.settings import Settings, load_settings


class CommandError(ValueError):
    """A command that cannot be carried out; one sentence for the person who gave it."""


def parser_for(parsers: Any, name: str, help_line: str, example: str, **more: Any) -> argparse.ArgumentParser:
    """A command's parser with its help line, one real example, and --settings."""
    parser: argparse.ArgumentParser = parsers.add_parser(
        name,
        help=help_line,
        description=more.pop("description", help_line[:1].upper() + help_line[1:] + "."),
        epilog=f"example:\n  {example}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
        **more,
    )
    parser.add_argument("--settings", metavar="FILE", help="settings file (default: emberpail.toml, see check)")
    return parser


def settings_of(args: argparse.Namespace) -> Settings:
    """The settings this command runs with; their warnings go to standard error."""
    settings = load_settings(args.settings)
    for warning in settings.warnings:
        print(warning, file=sys.stderr)
    return settings


def open_journal(settings: Settings) -> Journal:
    """The journal of these settings, made where there is none yet."""
    settings.journal_path.parent.mkdir(parents=True, exist_ok=True)
    return Journal(settings.journal_path)


def now_s() -> float:
    """The wall clock, Unix seconds, to the millisecond."""
    return round(time.time(), 3)


def local_now(settings: Settings) -> datetime:
    """Now, on the clock of the place."""
    return settings.local_time(now_s())


def print_json(value: object) -> None:
    """One JSON document on standard output."""
    print(json.dumps(value, ensure_ascii=False, indent=2, allow_nan=False))
