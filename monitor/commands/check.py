"""``check``: settings, ports, broker, journal, clock and phone, one line each."""

from __future__ import annotations

import argparse
import os
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any, NamedTuple

from monitor.commands import NO, YES
from monitor.commands.common import now_s, open_journal, parser_for, print_json, say
from monitor.settings import MqttSource, SerialSource, Settings, SettingsError, load_settings

# When this was written; a clock that stands earlier has not been set.
_CLOCK_IS_SET_S = datetime(2026, 1, 1, tzinfo=UTC).timestamp()
# A night of recording and journal of twenty buckets fits easily into this.
_LEAST_FREE_MB = 200


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
    try:
        settings = load_settings(args.settings)
    except SettingsError as error:
        lines = [Line("settings", False, str(error))]
    else:
        lines = list(_walk(settings))
    if args.json:
        print_json([line._asdict() for line in lines])
    else:
        for line in lines:
            sign = {True: "ok  ", False: "BAD ", None: "note"}[line.ok]
            say(line.says, f"{sign}  {line.part:<10}  ")
    return NO if any(line.ok is False for line in lines) else YES


def _walk(settings: Settings) -> Iterator[Line]:
    if settings.file is None:
        yield Line("settings", None, "no emberpail.toml was found, so there are no sources and no phones; see README.")
    else:
        yield Line("settings", True, f"{settings.file} is in order.")
    for warning in settings.warnings:
        yield Line("settings", None, warning)
    yield from _sources(settings)
    yield _journal(settings)
    yield _clock(settings)
    yield from _phone(settings)


def _sources(settings: Settings) -> Iterator[Line]:
    if not settings.sources:
        yield Line("sources", None, "no [[source]] is set: nothing will be read.")
    for source in settings.sources:
        if isinstance(source, SerialSource):
            from monitor.sources.serial_port import check_port

            yield Line(source.name, *check_port(source.port, source.baud))
        elif isinstance(source, MqttSource):
            from monitor.sources.mqtt import check_broker

            password = None if source.password is None else source.password.reveal()
            yield Line(
                source.name,
                *check_broker(
                    source.host, source.port, topic=source.topic, username=source.username, password=password,
                    tls=source.tls, ca_file=source.ca_file,
                ),
            )  # fmt: skip
        else:
            there = source.path.is_file()
            yield Line(source.name, there, f"recording {source.path} {'is there' if there else 'is missing'}.")


def _journal(settings: Settings) -> Line:
    try:
        with open_journal(settings) as journal:
            says = journal.check()
            running = len(journal.running_batches())
        disk = os.statvfs(settings.journal_path.parent)
        free_mb = disk.f_bavail * disk.f_frsize / 1e6
    except (ValueError, OSError) as error:
        return Line("journal", False, str(error))
    if free_mb < _LEAST_FREE_MB:
        return Line("journal", False, f"only {free_mb:.0f} MB are free beside {settings.journal_path}: make room.")
    return Line("journal", True, f"{says} {running} running batches, {free_mb / 1000:.0f} GB free.")


def _clock(settings: Settings) -> Line:
    at_s = now_s()
    shown = f"{settings.local_time(at_s):%Y-%m-%d %H:%M} {settings.local_time(at_s).tzname()}"
    if at_s < _CLOCK_IS_SET_S:
        return Line("clock", False, f"it reads {shown}, so it has not been set: connect to the network or set it.")
    with open_journal(settings) as journal:
        last_s = journal.last_arrival_s()
    if last_s is not None and at_s < last_s - 60.0:
        return Line("clock", False, f"it reads {shown}, earlier than the newest reading: set it right.")
    return Line("clock", True, f"it reads {shown}; up {time.monotonic() / 3600:.0f} h.")


def _phone(settings: Settings) -> Iterator[Line]:
    from monitor.phone.routes import label, no_routes_warning, route_problem

    if settings.no_phone:
        yield Line("phone", False, no_routes_warning())
    for person in settings.people:
        for route in person.routes:
            problem = route_problem(route.reveal())
            says = problem or f"{person.name}, {label(route.reveal())}: is a route that can be used; test it with ring."
            yield Line("phone", problem is None, says)
