"""``mirror``: how far the copy in InfluxDB is, and past batches sent there once more."""

from __future__ import annotations

import argparse
import sys
from functools import partial
from typing import Any

from monitor.commands import NO, YES
from monitor.commands.common import CommandError, now_s, parser_for, print_json, say, settings_of
from monitor.commands.which import batch_called, journal_of_batches
from monitor.journal.database import Journal
from monitor.settings import MirrorSettings, Settings
from monitor.words import tr, trn

ALL = "all"


def add(parsers: Any) -> None:
    """Describe the command."""
    parser = parser_for(
        parsers, "mirror", tr("how far the copy in InfluxDB is; send past batches once more"),
        'emberpail mirror --again "Quillmarsh 12"',
        description=tr(
            "Say how far the copy of the readings is. With --again send a batch, or all, once more: what is there "
            "already stays as it is. Works while watch runs."
        ),
    )  # fmt: skip
    parser.add_argument(
        "--again", metavar=tr("BATCH"), nargs="+",
        help=tr('send these batches (or buckets) once more; "all" sends all'),
    )
    parser.add_argument("--json", action="store_true", help=tr("for programs"))
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Say how it is, or send."""
    settings = settings_of(args)
    mirror = settings.mirror
    if mirror is None:
        raise CommandError(tr("There is no [mirror] in the settings: monitor/sample_settings.toml shows one."))
    with journal_of_batches(settings) as journal:
        if args.again:
            return _again(args, settings, mirror, journal)
        return _tell(args, settings, mirror, journal)


def _tell(args: argparse.Namespace, settings: Settings, mirror: MirrorSettings, journal: Journal) -> int:
    from monitor.mirroring import PART, mirror_notes

    state = journal.mirror_state()
    health = next((one for one in journal.health() if one.part == PART), None)
    well = health is not None and health.ok
    if args.json:
        since_s = journal.waiting_since_s(int(state["readings"])) if "readings" in state else None
        waits = None if since_s is None else max(0.0, now_s() - since_s)
        values = {"url": mirror.url, "begun": bool(state), "ok": well, "says": health.says if health else "",
                  "oldest_not_copied_s": waits, "refused": int(state.get("refused", 0))}  # fmt: skip
        print_json(values)
    elif health is None:
        say(tr("Nothing has been copied to {url} yet: a running watch does that.", url=mirror.url))
    else:
        for sentence in (health.says, *mirror_notes(journal, settings, now_s())):
            say(sentence[:1].upper() + sentence[1:])
    return YES if well else NO


def _again(args: argparse.Namespace, settings: Settings, mirror: MirrorSettings, journal: Journal) -> int:
    from monitor.mirror.points import Points
    from monitor.mirror.sending import Away
    from monitor.mirror_again import Again, mirror_again
    from monitor.mirroring import server_of

    names: list[str | None] = [None]
    if args.again != [ALL]:
        found = [batch_called(journal, text).batch.name for text in args.again]
        names = list(dict.fromkeys(found))
    points, server, sent = Points(settings.site.name), server_of(mirror), Again()
    try:
        for name in names:
            done = mirror_again(journal, points, name, server.write, now_s, progress=partial(_show, args, sent.points))
            sent.points, sent.refused = sent.points + done.points, sent.refused + done.refused
            sent.why = done.why or sent.why
    except Away as error:
        raise CommandError(
            tr(
                "{url}: {why}. What was sent stays there: give the command again later.", url=mirror.url,
                why=str(error),
            )
        ) from None
    finally:
        server.close()
    if args.json:
        print_json({"points": sent.points, "refused": sent.refused, "why": sent.why})
    else:
        say(trn("{n} point has been sent to {url}.", "{n} points have been sent to {url}.", sent.points,
                url=mirror.url))  # fmt: skip
        if sent.refused:
            say(trn("{n} point was refused ({why}).", "{n} points were refused (the last: {why}).", sent.refused,
                    why=sent.why))  # fmt: skip
    return NO if sent.refused else YES


def _show(args: argparse.Namespace, before: int, points: int) -> None:
    """So that nobody takes a long sending for a hanging one."""
    if not args.json and sys.stderr.isatty():
        print(f"\r{before + points}", end="\r", file=sys.stderr, flush=True)
