"""``on-call``: who is rung first tonight."""

from __future__ import annotations

import argparse
import re
from datetime import datetime, timedelta
from typing import Any

from monitor.commands import YES
from monitor.commands.common import (
    CommandError,
    clock_words,
    meant,
    now_s,
    open_journal,
    open_journal_to_read,
    parser_for,
    print_json,
    say,
    settings_of,
    shown,
)
from monitor.commands.times import TimeError, parse_span_s
from monitor.duty import end_on_call, on_call_now, set_on_call
from monitor.judgement.on_call import OnCall, in_order, on_call_at, tonight_ends_s
from monitor.settings import Person, Settings
from monitor.words import tr

_CLOCK = re.compile(r"([01]?[0-9]|2[0-3]):([0-5][0-9])")
_DATED = re.compile(r"\d{4}-\d\d-\d\d[ T]\d\d:\d\d")


def add(parsers: Any) -> None:
    """Describe the command."""
    parser = parser_for(
        parsers, "on-call", tr("say who is rung first tonight"), "emberpail on-call Ben --until 08:00",
        description=tr(
            "Say who is rung first tonight, until noon unless told otherwise; the others are rung after, in their "
            "order. Without a name it shows who it is."
        ),
    )  # fmt: skip
    parser.add_argument("person", nargs="?", metavar="NAME", help=tr("a person of the settings"))
    parser.add_argument("--until", metavar="WHEN", help=tr('until when: "08:00", "12 h" or "2026-01-18 08:00"'))
    parser.add_argument("--end", action="store_true", help=tr("take back what was set: the settings hold again"))
    parser.add_argument("--json", action="store_true", help=tr("for programs"))
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Set, end or show who is on call."""
    settings = settings_of(args)
    if args.end and (args.person or args.until):
        raise CommandError(tr("--end takes back what was set: give no name and no time with it."))
    if args.until and not args.person:
        raise CommandError(tr("Say who is on call until then (for example: emberpail on-call Ben --until 08:00)."))
    at_s = now_s()
    if args.end:
        with open_journal(settings) as journal:
            end_on_call(journal)
    elif args.person:
        person = _person(settings, args.person)
        until_s = (
            tonight_ends_s(at_s, settings.local_time) if args.until is None else _until_s(args.until, at_s, settings)
        )
        with open_journal(settings) as journal:
            set_on_call(journal, person.name, until_s, at_s)
    _show(settings, at_s, as_json=args.json)
    return YES


def _show(settings: Settings, at_s: float, *, as_json: bool) -> None:
    journal = open_journal_to_read(settings)
    if journal is None:
        nights = [(person.name, frozenset(person.on_call)) for person in settings.people]
        on_call = on_call_at(None, nights, at_s, settings.local_time)
    else:
        with journal:
            on_call = on_call_now(journal, settings.people, at_s, settings.local_time)
    order = [one.name for one in in_order(settings.people, on_call, lambda person: person.name) if one.routes]
    if as_json:
        print_json({
            "on_call": [] if on_call is None else list(on_call.people),
            "until_s": None if on_call is None else on_call.until_s,
            "by_hand": on_call is not None and on_call.by_hand,
            "order": order,
        })  # fmt: skip
    else:
        _say(settings, on_call, order)


def _say(settings: Settings, on_call: OnCall | None, order: list[str]) -> None:
    if on_call is None:
        say(tr("Nobody is set on call; it rings in the order of the settings."))
    else:
        say(
            tr(
                "On call: {names}, until {time}.", names=", ".join(on_call.people),
                time=clock_words(settings, on_call.until_s),
            )
        )  # fmt: skip
    if order:
        say(tr("It rings in this order: {names}.", names=", ".join(order)))
    else:
        say(tr("Nobody has a route: nobody will be rung."))


def _person(settings: Settings, name: str) -> Person:
    found = [one for one in settings.people if one.name.lower() == name.strip().lower()]
    if found:
        return found[0]
    names = [one.name for one in settings.people]
    if not names:
        raise CommandError(tr("The settings name nobody: put a [[person]] with a route into them first."))
    raise CommandError(
        tr(
            "{person} is not in the settings; people there: {names}.{meant}", person=shown(name),
            names=", ".join(names), meant=meant(name, names),
        )
    )  # fmt: skip


def _until_s(text: str, at_s: float, settings: Settings) -> float:
    """The coming time of day, a date with its time, or a length of time from now; CommandError when it is none."""
    words = text.strip()
    local = settings.local_time(at_s)
    clock = _CLOCK.fullmatch(words)
    if clock is not None:
        then = local.replace(hour=int(clock[1]), minute=int(clock[2]), second=0, microsecond=0)
        return (then if then > local else then + timedelta(days=1)).timestamp()
    try:
        if _DATED.fullmatch(words):
            return datetime.fromisoformat(words).replace(tzinfo=local.tzinfo).timestamp()
        return at_s + parse_span_s(words)
    except (TimeError, ValueError):
        raise CommandError(
            tr(
                '{text} is no time to come; write for example "08:00", "12 h" or "2026-01-18 08:00".',
                text=shown(words),
            )
        ) from None
