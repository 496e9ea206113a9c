"""``heard``: somebody heard the drill on their phone."""

from __future__ import annotations

import argparse
from typing import Any

from monitor.commands import YES
from monitor.commands.common import CommandError, meant, now_s, open_journal, parser_for, say, settings_of, shown
from monitor.deeds import JournalDeeds
from monitor.drill_told import drill_words
from monitor.journal.database import Journal
from monitor.words import tr


def add(parsers: Any) -> None:
    """Describe the command."""
    parser = parser_for(
        parsers, "heard", tr("say that somebody heard the drill"), "emberpail heard Ben",
        description=tr(
            "Say that somebody heard the weekly drill on their phone. The address in its message does the same."
        ),
    )  # fmt: skip
    parser.add_argument("person", nargs="+", metavar="NAME", help=tr("a person of the settings"))
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Note it."""
    settings = settings_of(args)
    names = [one.name for one in settings.people]
    # The drill's message says what to type, and a name may have blanks in it.
    asked = " ".join(args.person).strip()
    name = next((one for one in names if one.lower() == asked.lower()), None)
    if name is None:
        known = ", ".join(names) or tr("nobody")
        raise CommandError(
            tr(
                "{person} is not in the settings; people there: {names}.{meant}", person=shown(asked),
                names=known, meant=meant(asked, names),
            )
        )  # fmt: skip
    with open_journal(settings) as journal:
        deeds = JournalDeeds(lambda: Journal(settings.journal_path), now_s)
        deeds.heard(name)
        deeds.close()
        say(drill_words(journal, settings, name, now_s()) or tr("Noted: {name} heard it. Thank you.", name=name))
    return YES
