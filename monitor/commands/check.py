"""``check``: settings, ports, broker, journal, clock and phone, one line each."""

from __future__ import annotations

import argparse
import contextlib
import os
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

from monitor.clock import CLOCK_IS_SET_S
from monitor.commands import NO, YES
from monitor.commands.common import (
    add_as_watch,
    free_bytes,
    nearest,
    now_s,
    open_journal_to_read,
    parser_for,
    print_json,
    settings_of,
    speak_for,
    wrapped,
)
from monitor.journal.database import Journal
from monitor.settings import MqttSource, SerialSource, Settings, SettingsError, Source, load_settings
from monitor.standing import WATCH_IS_GONE_S, last_watched_s
from monitor.words import tr, trc

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
        parsers, "check", tr("look at settings, ports, broker, journal, clock and phone"), "emberpail check",
        description=tr(
            "Look at everything a night depends on, one line each. Exit code 1 when something is wrong. Phone "
            "routes are only read, not rung: emberpail ring does that."
        ),
    )  # fmt: skip
    parser.add_argument("--json", action="store_true", help=tr("for programs"))
    parser.add_argument(
        "--node", metavar=tr("NAME"), nargs="?", const="",
        help=tr("listen to one [[source]] for a minute and say whether its node is well"),
    )  # fmt: skip
    parser.add_argument(
        "--calibrate", metavar="BUCKET/PROBE",
        help=tr("walk a probe through ice and boiling water and keep the result"),
    )  # fmt: skip
    parser.add_argument(
        "--seconds", type=float, default=60.0, metavar="N", help=tr("how long to listen with --node (60)")
    )
    add_as_watch(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Walk the parts; a part that cannot be reached does not stop the others."""
    if args.calibrate is not None:
        return _calibrate(args)
    lines: list[Line] = []
    for line in _all(args) if args.node is None else _node(args):
        lines.append(line)
        if not args.json:
            _print(line)  # at once: a broker that does not answer takes its time
    if args.json:
        print_json([line._asdict() for line in lines])
    return NO if any(line.ok is False for line in lines) else YES


def _node(args: argparse.Namespace) -> Iterator[Line]:
    """One node, listened to."""
    from monitor.commands.check_node import node_lines

    settings = settings_of(args)
    for said in node_lines(settings, args.node, max(1.0, min(args.seconds, 3600.0))):
        yield Line(*said)


def _calibrate(args: argparse.Namespace) -> int:
    """One probe through ice and boiling water."""
    from monitor.commands.calibrate import calibrate

    settings = settings_of(args)
    calibrate(settings, args.calibrate, args.node or "", settings.local_time(now_s()).date())
    return YES


def _all(args: argparse.Namespace) -> Iterator[Line]:
    try:
        settings = load_settings(args.settings, watch=args.as_watch)
    except SettingsError as error:
        for problem in error.problems:
            yield Line(tr("settings"), False, problem)
        yield Line(tr("the rest"), None, tr("was not looked at: it depends on the settings."))
    else:
        speak_for(args, settings)
        yield from _walk(settings)


def _print(line: Line) -> None:
    signs = {
        True: trc("a part of the check", "ok"),
        False: trc("a part of the check", "BAD"),
        None: trc("a part of the check", "note"),
    }
    print("\n".join(wrapped(line.says, f"{signs[line.ok]:<5} {line.part:<10} ", " " * 17)), flush=True)


def _walk(settings: Settings) -> Iterator[Line]:
    if settings.file is None:
        yield Line(
            tr("settings"), None,
            tr(
                "no emberpail.toml was found, so there are no sources and no phones: copy "
                "monitor/sample_settings.toml to emberpail.toml and change what differs."
            ),
        )  # fmt: skip
    else:
        yield Line(tr("settings"), True, tr("{file} is in order.", file=settings.file))
    for warning in settings.warnings:
        yield Line(tr("settings"), None, warning)
    if settings.division.shares:
        from monitor.commands.check_division import division_lines

        for ok, says in division_lines(settings):
            yield Line(tr("watches"), ok, says)
        if settings.division.undecided:
            yield Line(tr("the rest"), None, tr("was not looked at: it depends on which watch this is."))
            return
    journal_line, journal = _journal(settings)
    try:
        yield from _sources(settings, journal)
        yield journal_line
        if journal_line.ok:  # else what is wrong with it comes first
            yield from _others_may_read(settings.journal_path)
        yield _clock(settings, journal)
        yield _heartbeat(settings, journal)
        yield from _mirror(settings)
        if journal_line.ok:
            yield from _keep(settings, journal)
    finally:
        if journal is not None:
            journal.close()
    yield from _phone(settings)
    yield from _siren(settings)


def _sources(settings: Settings, journal: Journal | None) -> Iterator[Line]:
    if not settings.sources:
        yield Line(tr("sources"), False, tr("no [[source]] is set: nothing will be read."))
    minded = _told_by_watch(journal)
    for source in settings.sources:
        if minded is not None:
            # The watch holds the port; trying it from here would only find it taken.
            yield Line(source.name, *minded.get(source.name, (None, tr("watch has only just begun to read it."))))
            continue
        try:
            yield Line(source.name, *_tried(source))
        except Exception as error:  # a fault in one part must not hide the others
            yield Line(
                source.name,
                False,
                tr("it could not be tried ({error}: {what}).", error=type(error).__name__, what=error),
            )


def _siren(settings: Settings) -> Iterator[Line]:
    siren = settings.siren
    if siren is None:
        return
    from dataclasses import replace

    from monitor.bedside import broker_of
    from monitor.siren.siren import try_broker

    # Under a name of its own, so that a running siren is not thrown out.
    ok, says = try_broker(replace(broker_of(siren), client_id=f"{siren.client_id}-check"))
    yield Line(tr("siren"), ok, says)


def _heartbeat(settings: Settings, journal: Journal | None) -> Line:
    """It is not tried from here: a call by anybody but the watch would hide that the watch is gone."""
    if not settings.heartbeat.url:
        says = tr(
            "when power, internet or this computer fails, nobody is told: have something outside miss a regular call "
            "([heartbeat] in the settings)."
        )
        return Line(tr("heartbeat"), None, says)
    minded = _told_by_watch(journal) or {}
    return Line(tr("heartbeat"), *minded.get("heartbeat", (True, tr("a running watch calls the address it is given."))))


def _mirror(settings: Settings) -> Iterator[Line]:
    if settings.mirror is not None:
        from monitor.mirroring import try_server

        yield Line(tr("mirror"), *try_server(settings, now_s()))


def _keep(settings: Settings, journal: Journal | None) -> Iterator[Line]:
    from monitor.commands.check_keep import backup_lines, copy_lines

    for ok, says in backup_lines(settings, journal):
        yield Line(tr("backups"), ok, says)
    for ok, says in copy_lines(settings, journal):
        yield Line(tr("copy"), ok, says)


def _told_by_watch(journal: Journal | None) -> dict[str, tuple[bool, str]] | None:
    """What a running watch says of its sources, (it is heard, one sentence); None where none runs."""
    if journal is None:
        return None
    try:
        watched_s, recent = last_watched_s(journal), now_s() - WATCH_IS_GONE_S
        if watched_s is None or watched_s < recent:
            return None
        return {
            one.part: (one.ok, tr("{says} (as watch says)", says=one.says))
            for one in journal.health()
            if one.at_s > recent
        }
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
    if there:
        return True, tr("recording {path} is there.", path=source.path)
    return False, tr("recording {path} is missing.", path=source.path)


def _journal(settings: Settings) -> tuple[Line, Journal | None]:
    """What can be said of the journal, and the journal itself where it can be read."""
    path = settings.journal_path
    try:
        journal = open_journal_to_read(settings)
    except (ValueError, OSError) as error:
        return Line(tr("journal"), False, str(error)), None
    try:
        if journal is None:
            says = tr("{path} is not there yet; the first batch, or watch, makes it.", path=path)
        else:
            says = tr("{journal} Batches that run: {n}.", journal=journal.check(), n=len(journal.running_batches()))
        free_mb = free_bytes(path.parent) / 1e6
        where = path if journal is not None else nearest(path.parent)
        if journal is None and not where.is_dir():
            return Line(
                tr("journal"), False, tr("{path} cannot be made: {where} is no folder.", path=path, where=where)
            ), None
        if not os.access(where, os.W_OK):
            return Line(
                tr("journal"),
                False,
                tr("{where} cannot be written by this user: mend its rights (ls -ld).", where=where),
            ), journal
    except (ValueError, OSError) as error:
        return Line(tr("journal"), False, str(error)), journal
    if free_mb < _LEAST_FREE_MB:
        return Line(
            tr("journal"), False, tr("only {mb:.0f} MB are free beside {path}: make room.", mb=free_mb, path=path)
        ), journal
    return Line(tr("journal"), True, tr("{says} Free: {gb:.0f} GB.", says=says, gb=free_mb / 1000)), journal


def _others_may_read(path: Path) -> Iterator[Line]:
    """A journal made by hand, or by an Emberpail of before, with which others could answer alarms."""
    with contextlib.suppress(OSError):
        if path.stat().st_mode & 0o077:
            yield Line(
                tr("journal"), None,
                tr(
                    "other users of this computer can read {path}, and with the key in it answer alarms from the page: "
                    "chmod 600 {path}",
                    path=path,
                ),
            )  # fmt: skip


def _clock(settings: Settings, journal: Journal | None) -> Line:
    at_s = now_s()
    local = settings.local_time(at_s)
    shown = f"{local:%Y-%m-%d %H:%M} {local.tzname()}"
    if at_s < CLOCK_IS_SET_S:
        return Line(
            tr("clock"),
            False,
            tr("it reads {time}, so it has not been set: connect to the network or set it.", time=shown),
        )
    try:
        last_s = None if journal is None else journal.last_arrival_s()
    except ValueError:
        last_s = None  # the journal's own line has said it
    if last_s is not None and at_s < last_s - 60.0:
        return Line(
            tr("clock"), False, tr("it reads {time}, earlier than the newest reading: set it right.", time=shown)
        )
    return Line(
        tr("clock"),
        True,
        tr(
            "it reads {time}; this computer has run for {hours:.0f} h.",
            time=shown,
            hours=time.monotonic() / 3600,
        ),
    )


def _phone(settings: Settings) -> Iterator[Line]:
    from monitor.phone.routes import label, no_routes_warning, route_problem
    from monitor.phone_health import names_by

    if settings.no_phone:
        yield Line(tr("phone"), False, no_routes_warning())
    names = names_by(settings)
    for person in settings.people:
        if not person.routes and not settings.no_phone:
            yield Line(tr("phone"), None, tr("{name} has no route and will not be rung.", name=person.name))
        for route in person.routes:
            name = names[person.name, label(route.reveal())]
            problem = route_problem(route.reveal(), name)
            says = problem or tr(
                "{name} is a route that can be used; whether it rings, emberpail ring shows.", name=name
            )
            yield Line(tr("phone"), problem is None, f"{person.name}: {says}")
