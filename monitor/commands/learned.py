"""``learned``: what each ended batch taught the next ones, and a batch left out of it or taken in again."""

from __future__ import annotations

import argparse
from dataclasses import asdict, replace
from math import exp
from typing import TYPE_CHECKING, Any

from monitor.commands import YES
from monitor.commands.common import CommandError, now_s, open_journal, parser_for, print_json, say, settings_of, shown
from monitor.commands.which import batch_called, journal_of_batches
from monitor.journal.state import LEFT_OUT
from monitor.judgement.history_words import based_on
from monitor.settings import Settings
from monitor.words import number, tr

if TYPE_CHECKING:
    from monitor.heat.learning import Lesson
    from monitor.heat.priors import History


def add(parsers: Any) -> None:
    """Describe the command."""
    parser = parser_for(
        parsers, "learned", tr("what earlier batches taught; leave one out"),
        'emberpail learned --leave-out "Quillmarsh 12"',
        description=tr(
            "Say what each ended batch taught, which do not teach and why, and with what the next batch in each bucket "
            "would begin. A batch that runs keeps what it began with."
        ),
    )  # fmt: skip
    change = parser.add_mutually_exclusive_group()
    change.add_argument("--leave-out", metavar=tr("BATCH"), help=tr("this batch teaches nothing from now on"))
    change.add_argument("--take-in", metavar=tr("BATCH"), help=tr("this batch teaches again"))
    change.add_argument(
        "--anew", action="store_true",
        help=tr("work out again what batches teach that were put right after their end (seconds a batch)"),
    )  # fmt: skip
    parser.add_argument("--json", action="store_true", help=tr("for programs"))
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Change what was asked, then print."""
    from monitor.learned import history_among, lessons  # its libraries are heavy

    settings = settings_of(args)
    with journal_of_batches(settings) as journal:
        changed = args.leave_out or args.take_in
        name = batch_called(journal, changed).batch.name if changed else ""
        if name and name not in {lesson.batch for lesson in lessons(journal)}:
            raise CommandError(tr("{batch} has taught nothing: it has not ended under a watch.", batch=shown(name)))
    if name:
        with open_journal(settings) as journal:
            journal.set_fact(LEFT_OUT + name, bool(args.leave_out))
    if args.anew:
        _redo(settings)
    with journal_of_batches(settings) as journal:
        taught = lessons(journal)
        newest = {record.batch.bucket: record.batch for record in journal.batches()}
    at_s = now_s()
    begin = {
        bucket: history_among(taught, replace(batch, started_s=at_s, noted_at_s=at_s))
        for bucket, batch in sorted(newest.items())
    }
    if args.json:
        print_json(
            {
                "enabled": settings.learning,
                "lessons": [asdict(lesson) for lesson in taught],
                "next": {bucket: None if history is None else asdict(history) for bucket, history in begin.items()},
            }
        )
    else:
        _print(settings, taught, begin)
    return YES


def _redo(settings: Settings) -> None:
    from monitor.relearning import redo, to_redo

    with open_journal(settings) as journal:
        for lesson in to_redo(journal):
            redo(journal, lesson, settings.place(), now_s())


def _print(settings: Settings, taught: list[Lesson], begin: dict[str, History | None]) -> None:
    from monitor.heat.priors import HEAT_KJ_MOL
    from monitor.learned import WHY_NOT_WORDS

    if not settings.learning:
        say(tr("Learning is switched off in the settings: every batch is judged by the published values alone."))
    if not taught:
        say(tr("Nothing has been learned yet: a batch teaches when it ends under a watch."))
    for lesson in taught:
        if lesson.why_not:
            reason = tr(WHY_NOT_WORDS.get(lesson.why_not, lesson.why_not))
            say(tr("{batch} in {bucket} does not teach: {reason}.", batch=lesson.batch, bucket=lesson.bucket,
                   reason=reason))  # fmt: skip
            continue
        tested = tr(", its free alkali tested") if lesson.tested is not None else ""
        say(tr("{batch} in {bucket} teaches{tested}.", batch=lesson.batch, bucket=lesson.bucket, tested=tested))
    for bucket, history in begin.items():
        words = based_on(history) or tr("By the published values alone: fewer than three good batches have ended.")
        say(tr("Next in {bucket}: {words}", bucket=bucket, words=words))
        if history is not None and history.heat_batches:
            say(
                tr("Heat {kj} kJ per mole, give or take {percent} %.",
                   kj=number(HEAT_KJ_MOL * exp(history.heat_ln), 1), percent=number(100 * history.heat_sd, 1)), "  ",
            )  # fmt: skip
