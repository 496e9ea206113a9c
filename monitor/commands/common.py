"""What several commands need: settings, the journal, the time, and printing for people or programs."""

from __future__ import annotations

import argparse
import difflib
import json
import math
import os
import shutil
import sys
import textwrap
import time
from collections.abc import Iterable
from datetime import tzinfo
from pathlib import Path
from typing import Any

from monitor.commands.parsing import HelpWithExample
from monitor.journal.database import Journal
from monitor.settings import Settings, load_settings
from monitor.words import DAY_DATE_TIME, DAY_TIME, ENGLISH, TIME, speak, tr, when

# Where the terminal does not say how wide it is, and the widest that is still easily read.
_USUAL_WIDTH, _WIDEST, _NARROWEST = 80, 100, 30
# Names stand in sentences, on a phone and on the page; a remark may be longer.
MOST_NAME, MOST_TEXT = 60, 500


class CommandError(ValueError):
    """A command that cannot be carried out; one sentence for the person who gave it."""


def parser_for(
    parsers: Any, name: str, help_line: str, example: str, *, settings: bool = True, **more: Any
) -> argparse.ArgumentParser:
    """A command's parser with its help line, one real example, and --settings where it reads them."""
    parser: argparse.ArgumentParser = parsers.add_parser(
        name,
        help=help_line,
        description=more.pop("description", help_line[:1].upper() + help_line[1:] + "."),
        epilog=f"{tr('example:')}\n  {example}",
        formatter_class=HelpWithExample,
        **more,
    )
    if settings:
        parser.add_argument("--settings", metavar="FILE", help=tr("settings file (default: emberpail.toml, see check)"))
    return parser


def settings_of(args: argparse.Namespace) -> Settings:
    """The settings this command runs with; their warnings go to standard error."""
    settings = load_settings(args.settings, watch=getattr(args, "as_watch", None))
    speak_for(args, settings)
    for warning in (*settings.warnings, *settings.division_faults):
        warn(warning)
    return settings


def add_as_watch(parser: argparse.ArgumentParser) -> None:
    """--name, for the commands with which a machine says which watch of a divided site it is."""
    parser.add_argument(
        "--name", dest="as_watch", metavar=tr("NAME"),
        help=tr("which watch of [watch.minds] this is (default: $EMBERPAIL_WATCH, or name under [watch])"),
    )  # fmt: skip


def must_be_decided(settings: Settings) -> None:
    """CommandError where several watches share the settings and nobody said whose journal is meant."""
    if settings.division.undecided:
        raise CommandError(
            tr(
                "The settings divide the buckets among {watches}: say whose are meant, with EMBERPAIL_WATCH={first} in "
                'the environment or name = "{first}" under [watch].',
                watches=", ".join(settings.division.names),
                first=settings.division.names[0],
            )
        )


def speak_for(args: argparse.Namespace, settings: Settings) -> None:
    """Speak as the place does; what a program reads (--json) is English and metric always."""
    speak(ENGLISH if getattr(args, "json", False) else settings.site.voice())


def open_journal(settings: Settings) -> Journal:
    """The journal of these settings, made where there is none yet."""
    must_be_decided(settings)
    return Journal(settings.journal_path)


def open_journal_to_read(settings: Settings) -> Journal | None:
    """The journal for a command that only looks: None where there is none yet, and nothing is made.

    Another user's journal can be looked at, too, as far as its rights go.
    """
    must_be_decided(settings)
    try:
        if not settings.journal_path.exists():
            return None
    except OSError as error:
        raise CommandError(
            tr(
                "Journal {path}: it cannot be reached ({reason}).",
                path=settings.journal_path,
                reason=error.strerror,
            )
        ) from None
    return Journal(settings.journal_path, read_only=True)


def nearest(folder: Path) -> Path:
    """The folder, or the nearest one above it that is there."""
    return next(one for one in (folder, *folder.absolute().parents) if one.exists())


def free_bytes(folder: Path) -> int:
    """What this user may still write where the folder is, or will be."""
    disk = os.statvfs(nearest(folder))
    return disk.f_bavail * disk.f_frsize


def now_s() -> float:
    """The wall clock, Unix seconds, to the millisecond."""
    return round(time.time(), 3)


def zone_of(settings: Settings) -> tzinfo | None:
    """The zone of the place; None for the system's own."""
    import zoneinfo

    return None if settings.site.time_zone is None else zoneinfo.ZoneInfo(settings.site.time_zone)


def clock_words(settings: Settings, at_s: float) -> str:
    """A moment on the clock of the place: "Sat 17 Jan 18:05"."""
    return when(settings.local_time(at_s), DAY_DATE_TIME)


def hour_words(settings: Settings, at_s: float, from_s: float) -> str:
    """A moment as it is said at ``from_s``: "18:05", with the day where it is another one."""
    at, now = settings.local_time(at_s), settings.local_time(from_s)
    return when(at, TIME if at.date() == now.date() else DAY_TIME)


# ---- what people type ----------------------------------------------------------------------------------------------


def one_line(text: str, what: str, most: int = MOST_NAME) -> str:
    """Typed text without line breaks and control characters; CommandError when it is too long."""
    plain = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    if len(plain) > most:
        raise CommandError(
            tr("{what} is {n} characters long; {most} at the most: shorten it.", what=what, n=len(plain), most=most)
        )
    return plain


def shown(text: str) -> str:
    """Typed text as it stands in a sentence: on one line, cut where it is long."""
    plain = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return f'"{plain}"' if len(plain) <= MOST_NAME else f'"{plain[:MOST_NAME]}…"'


def quoted(name: str) -> str:
    """A name as it is typed in a command."""
    return f'"{name}"' if " " in name else name


def meant(text: str, known: Iterable[str]) -> str:
    """' Did you mean "shed-2"?', or ''."""
    by_lower = {name.lower(): name for name in known}
    near = difflib.get_close_matches(text.lower().strip(), by_lower, 1, 0.6)
    return " " + tr('Did you mean "{name}"?', name=by_lower[near[0]]) if near else ""


# ---- what they read ------------------------------------------------------------------------------------------------


def width() -> int:
    """How wide a line of ours may be, in characters."""
    columns = shutil.get_terminal_size((_USUAL_WIDTH, 24)).columns
    return max(_NARROWEST, min(columns, _WIDEST))


def wrapped(text: str, first: str = "", rest: str | None = None) -> list[str]:
    """``text`` in lines of the terminal's width: ``first`` stands before the first, ``rest`` before the others.

    Lines that are already there stay; a word that is too long (a path) is not broken.
    """
    after = " " * len(first) if rest is None else rest
    lines: list[str] = []
    for line in text.split("\n"):
        lead = first if not lines else after
        lines += textwrap.wrap(
            line, width(), initial_indent=lead, subsequent_indent=after, break_long_words=False,
            break_on_hyphens=False,
        ) or [lead.rstrip()]  # fmt: skip
    return lines


def say(text: str = "", first: str = "", rest: str | None = None) -> None:
    """Print for a person, wrapped to the terminal."""
    print("\n".join(wrapped(text, first, rest)) if text else "", flush=True)


def in_words(error: Exception) -> str:
    """What went wrong, in one sentence for a person; one of our own sentences as it is."""
    if isinstance(error, OSError):
        where = f"{error.filename}: " if error.filename else ""
        return f"{where}{error.strerror or error}."
    # Every error of ours is a ValueError of a module's own whose text is one sentence for a person.
    if isinstance(error, ValueError) and type(error).__module__.startswith("monitor."):
        return str(error)
    return tr(
        "Emberpail itself failed ({error}: {what}); that is a fault of the program. "
        "With EMBERPAIL_TRACEBACK=1 it shows where; please report that.",
        error=type(error).__name__,
        what=str(error)[:200],
    )


def warn(text: str) -> None:
    """A sentence beside the answer: on standard error, so that a program which reads the answer is not disturbed."""
    print("\n".join(wrapped(text)), file=sys.stderr, flush=True)


def print_json(value: object) -> None:
    """One JSON document on standard output. What is no number is null: JSON has no word for it."""
    print(json.dumps(_finite(value), ensure_ascii=False, indent=2, allow_nan=False))


def _finite(value: object) -> object:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: _finite(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(item) for item in value]
    return value
