"""``takeover``: a spare machine takes a dead watch's journal from the copy that followed it."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from monitor.commands import NO, YES
from monitor.commands.common import (
    add_as_watch,
    must_be_decided,
    now_s,
    parser_for,
    print_json,
    say,
    settings_of,
    warn,
)
from monitor.commands.keep import contents_words, newest_words
from monitor.words import several, tr, trn


def add(parsers: Any) -> None:
    """Describe the command."""
    parser = parser_for(
        parsers, "takeover", tr("take over the buckets of a watch whose machine is dead"),
        "emberpail takeover --name north",
        description=tr(
            "Put the journal of a dead watch together from the copy that followed it (copy_to under [keep]), and let "
            "this machine be that watch. One that is alive after all stands down. Then start watch here. Exit code 1 "
            "where a part of the copy was damaged or a broker could not be asked."
        ),
    )  # fmt: skip
    parser.add_argument(
        "--from", dest="copy_to", metavar=tr("FOLDER"), type=Path,
        help=tr("where the copies are (default: copy_to of the settings)"),
    )  # fmt: skip
    parser.add_argument("--json", action="store_true", help=tr("for programs"))
    add_as_watch(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Take over and say what is here now."""
    from monitor.taking_over import take_over

    settings = settings_of(args)
    must_be_decided(settings)
    at_s = now_s()
    taken = take_over(settings, at_s, copy_to=args.copy_to)
    found = taken.done.contents
    if args.json:
        print_json(
            {
                "journal": str(settings.journal_path), "from": taken.before.machine, "running": list(found.running),
                "readings": found.readings, "newest_reading_s": found.newest_s, "lost_pages": taken.lost_pages,
                "aside": None if taken.done.aside is None else str(taken.done.aside), "photographs": taken.photos,
                "brokers_not_asked": list(taken.not_asked),
            }
        )  # fmt: skip
    else:
        say(tr("Taken over from {machine}: {what}, the newest of {time}.", machine=taken.before.machine,
               what=contents_words(found), time=newest_words(settings, found)))  # fmt: skip
        if taken.done.aside is not None:
            say(tr("The journal of before is kept: {path}.", path=taken.done.aside))
        if found.running:
            say(tr("Running: {names}.", names=several(found.running)))
    if taken.lost_pages:
        warn(
            trn(
                "{n} page of the copy is damaged: what was written from there on is missing. Look at the buckets.",
                "{n} pages of the copy are damaged: what was written from there on is missing. Look at the buckets.",
                taken.lost_pages,
            )
        )
    for sentence in taken.not_asked:
        warn(tr("The broker could not be asked to let the dead watch go: {reason}", reason=sentence))
    if not args.json:
        name = f" --name {settings.division.own}" if settings.division.own else ""
        say(tr("Nothing is minded until you start it here: emberpail watch{name}", name=name))
    return NO if taken.lost_pages or taken.not_asked else YES
