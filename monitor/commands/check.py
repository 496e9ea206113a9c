"""``check``: settings, ports, broker, journal, clock and phone, one line each."""

from __future__ import annotations

import argparse
import os
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

from monitor.commands import NO, YES
from monitor.commands.common import now_s, open_journal_to_read, parser_for, print_json, wrapped
from monitor.journal.database import Journal
from monitor.settings import MqttSource, SerialSource, Settings, SettingsError, Source, load_settings
from monitor.standing import WATCH_IS_GONE_S, last_watched_s

# When this was written; a clock that stands earlier has not been set.
_CLOCK_IS_SET_S = datetime(2026, 1, 1, tzinfo=UTC).timestamp()
# A night of recording and journal of twenty buckets fits easily into this.
_LEAST_FREE_MB = 200
_SIGNS = {True: "ok", False: "BAD", None: "note"}


class Line(NamedTuple):
    """One line of the check: ``ok`` None means "no fault, but read it"."""

    part: str
    ok: bool | None
    says: str


def add(parsers: Any) -> None:
    """Describe the command."""
    parser = parser_for(
        parsers, "check", "look at settings, ports, broker, journal, clock and phone", "emberpail check",
        description="Look at everything a night depends on, one line each. Exit code 1 when something is wrong. Phone "
        "routes are only read, not rung: emberpail ring does that.",
    )  # fmt: skip
    parser.add_argument("--json", action="store_true", help="for programs")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Walk the parts; a part that cannot be reached does not stop the others."""
    lines: list[Line] = []
    for line in _all(args.settings):
        lines.append(line)
        if not args.json:
            _print(line)  # at once: a broker that does not answer takes its time
    if args.json:
        print_json([line._asdict() for line in lines])
    return NO if any(line.ok is False for line in lines) else YES


def _all(settings_file: str | None) -> Iterator[Line]:
    try:
        settings = load_settings(settings_file)
    except SettingsError as error:
        for problem in error.problems:
            yield Line("settings", False, problem)
        yield Line("the rest", None, "was not looked at: it depends on the settings.")
    else:
        yield from _walk(settings)


def _print(line: Line) -> None:
    print("\n".join(wrapped(line.says, f"{_SIGNS[line.ok]:<5} {line.part:<10} ", " " * 17)), flush=True)


def _walk(settings: Settings) -> Iterator[Line]:
    if settings.file is None:
        yield Line(
            "settings", None,
            "no emberpail.toml was found, so there are no sources and no phones: copy monitor/sample_settings.toml to "
            "emberpail.toml and change what differs.",
        )  # fmt: skip
    else:
        yield Line("settings", True, f"{settings.file} is in order.")
    for warning in settings.warnings:
        yield Line("settings", None, warning)
    journal_line, journal = _journal(settings)
    try:
        yield from _sources(settings, journal)
        yield journal_line
        yield _clock(settings, journal)
    finally:
        if journal is not None:
            journal.close()
    yield from _phone(settings)


def _sources(settings: Settings, journal: Journal | None) -> Iterator[Line]:
    if not settings.sources:
        yield Line("sources", False, "no [[source]] is set: nothing will be read.")
    minded = _told_by_watch(journal)
    for source in settings.sources:
        if minded is not None:
            # The watch holds the port; trying it from here would only find it taken.
            yield Line(source.name, *minded.get(source.name, (None, "watch has only just begun to read it.")))
            continue
        try:
            yield Line(source.name, *_tried(source))
        except Exception as error:  # a fault in one part must not hide the others
            yield Line(source.name, False, f"it could not be tried ({type(error).__name__}: {error}).")


def _told_by_watch(journal: Journal | None) -> dict[str, tuple[bool, str]] | None:
    """What a running watch says of its sources, (it is heard, one sentence); None where none runs."""
    if journal is None:
        return None
    try:
        watched_s, recent = last_watched_s(journal), now_s() - WATCH_IS_GONE_S
        if watched_s is None or watched_s < recent:
            return None
        return {one.part: (one.ok, f"{one.says} (as watch says)") for one in journal.health() if one.at_s > recent}
    except ValueError:
        return None


def _tried(source: Source) -> tuple[bool, str]:
    if isinstance(source, SerialSource):
        from monitor.sources.serial_port import check_port

        return check_port(source.port, source.baud)
    if isinstance(source, MqttSource):
        from monitor.sources.mqtt import check_broker

        password = None if source.password is None else source.password.reveal()
        return check_broker(
            source.host, source.port, topic=source.topic, username=source.username, password=password,
            tls=source.tls, ca_file=source.ca_file,
        )  # fmt: skip
    there = source.path.is_file()
    return there, f"recording {source.path} {'is there' if there else 'is missing'}."


def _journal(settings: Settings) -> tuple[Line, Journal | None]:
    """What can be said of the journal, and the journal itself where it can be read."""
    path = settings.journal_path
    try:
        journal = open_journal_to_read(settings)
    except (ValueError, OSError) as error:
        return Line("journal", False, str(error)), None
    try:
        if journal is None:
            says = f"{path} is not there yet; the first batch, or watch, makes it."
        else:
            says = f"{journal.check()} Batches that run: {len(journal.running_batches())}."
        free_mb = _free_mb(path)
        where = path if journal is not None else _nearest(path.parent)
        if journal is None and not where.is_dir():
            return Line("journal", False, f"{path} cannot be made: {where} is no folder."), None
        if not os.access(where, os.W_OK):
            return Line("journal", False, f"{where} cannot be written by this user: mend its rights (ls -ld)."), journal
    except (ValueError, OSError) as error:
        return Line("journal", False, str(error)), journal
    if free_mb < _LEAST_FREE_MB:
        return Line("journal", False, f"only {free_mb:.0f} MB are free beside {path}: make room."), journal
    return Line("journal", True, f"{says} Free: {free_mb / 1000:.0f} GB."), journal


def _nearest(folder: Path) -> Path:
    """The folder, or the nearest one above it that is there."""
    return next(one for one in (folder, *folder.absolute().parents) if one.exists())


def _free_mb(path: Path) -> float:
    disk = os.statvfs(_nearest(path.parent))
    return disk.f_bavail * disk.f_frsize / 1e6


def _clock(settings: Settings, journal: Journal | None) -> Line:
    at_s = now_s()
    local = settings.local_time(at_s)
    shown = f"{local:%Y-%m-%d %H:%M} {local.tzname()}"
    if at_s < _CLOCK_IS_SET_S:
        return Line("clock", False, f"it reads {shown}, so it has not been set: connect to the network or set it.")
    try:
        last_s = None if journal is None else journal.last_arrival_s()
    except ValueError:
        last_s = None  # the journal's own line has said it
    if last_s is not None and at_s < last_s - 60.0:
        return Line("clock", False, f"it reads {shown}, earlier than the newest reading: set it right.")
    return Line("clock", True, f"it reads {shown}; this computer has run for {time.monotonic() / 3600:.0f} h.")


def _phone(settings: Settings) -> Iterator[Line]:
    from monitor.phone.routes import label, no_routes_warning, route_problem

    if settings.no_phone:
        yield Line("phone", False, no_routes_warning())
    for person in settings.people:
        if not person.routes and not settings.no_phone:
            yield Line("phone", None, f"{person.name} has no route and will not be rung.")
        for route in person.routes:
            name = label(route.reveal())
            problem = route_problem(route.reveal())
            says = problem or f"{name} is a route that can be used; whether it rings, emberpail ring shows."
            yield Line("phone", problem is None, f"{person.name}: {says}")
