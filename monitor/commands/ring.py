"""``ring``: test every phone route and say plainly whether its service took the message."""

from __future__ import annotations

import argparse
from typing import Any

from monitor.commands import NO, YES
from monitor.commands.common import CommandError, meant, parser_for, print_json, say, settings_of, shown
from monitor.settings import Settings
from monitor.words import tr


def add(parsers: Any) -> None:
    """Describe the command."""
    parser = parser_for(
        parsers, "ring", tr("test the phone routes"), "emberpail ring --person Ash",
        description=tr(
            "Send a test message by every route. Exit code 1 when a route failed. That a service took it does "
            "not mean that the phone rang: look at the phone, and try it with its sound off."
        ),
    )  # fmt: skip
    parser.add_argument("--person", metavar="NAME", help=tr("only this person's routes"))
    parser.add_argument("--json", action="store_true", help=tr("for programs"))
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Ring; 0 all taken, 1 a route failed, 2 there is none."""
    from monitor.phone.routes import no_routes_warning
    from monitor.phone.routes import ring as ring_routes

    settings = settings_of(args)
    if settings.no_phone:
        raise CommandError(no_routes_warning())
    routes = routes_of(settings, args.person)
    if not routes:
        names = [person.name for person in settings.people]
        raise CommandError(
            tr(
                "No routes are set for {person}; people in the settings: {names}.{meant}",
                person=shown(args.person),
                names=", ".join(names),
                meant=meant(args.person, names),
            )
        )
    site = settings.site
    rung = ring_routes(routes, voices={one.name: site.voice(one.language, one.units) for one in settings.people})
    if args.json:
        print_json([{"person": one.person, "route": one.route, "ok": one.ok, "says": one.says} for one in rung])
    else:
        for one in rung:
            say(one.says)
    return YES if all(one.ok for one in rung) else NO


def routes_of(settings: Settings, person: str | None = None) -> list[tuple[str, str]]:
    """(person, URL) in the order of the settings."""
    return [
        (one.name, route.reveal())
        for one in settings.people
        if person is None or one.name == person
        for route in one.routes
    ]
