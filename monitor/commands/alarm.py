"""``ack`` and ``quiet``: answering an alarm."""

from __future__ import annotations

import argparse
from typing import Any

from monitor.commands import YES
from monitor.commands.common import (
    CommandError,
    hour_words,
    meant,
    now_s,
    one_line,
    open_journal,
    parser_for,
    print_json,
    say,
    settings_of,
    shown,
)
from monitor.commands.times import parse_span_s
from monitor.journal.database import Act, AlarmRecord, Journal
from monitor.judgement.alarms import LEAST_QUIET_S, rule_for
from monitor.retelling import retold
from monitor.trade.making import short_cautions_for
from monitor.words import tr

# What is likely done about an alarm, as the log has it.
_DEEDS = {"not_taken": "reblended", "too_hot": "uncovered", "cooled_early": "covered", "sensor_fault": "probe-in"}


def add(parsers: Any) -> None:
    """Describe the two commands."""
    ack = parser_for(
        parsers, "ack", tr('say "I have seen it", or "I am going"'), "emberpail ack shed-2 --going --who Ash",
        description=tr(
            'Say "I have seen it", or with --going "I am going". The ringing ends; the alarm stands until what '
            "it is about is over."
        ),
    )  # fmt: skip
    ack.add_argument("alarm", help=tr("a bucket for all of its alarms, or one alarm as status --json names it"))
    ack.add_argument("--going", action="store_true", help=tr("I am going there now"))
    ack.add_argument("--who", default="", help=tr("who says so"))
    ack.add_argument("--json", action="store_true", help=tr("for programs"))
    ack.set_defaults(run=run_ack)

    quiet = parser_for(
        parsers, "quiet", tr("keep an alarm quiet for a while"), "emberpail quiet shed-2 --for 30min --who Ash",
        description=tr(
            "Keep an alarm quiet for a while; then it rings again if it still stands. Nothing else changes."
        ),
    )  # fmt: skip
    quiet.add_argument("alarm", help=tr("a bucket for all of its alarms, or one alarm as status --json names it"))
    quiet.add_argument("--for", dest="span", metavar="SPAN", help=tr('how long: "30 min", "2 h"'))
    quiet.add_argument("--end", action="store_true", help=tr("end the quiet now"))
    quiet.add_argument("--who", default="", help=tr("who says so"))
    quiet.add_argument("--json", action="store_true", help=tr("for programs"))
    quiet.set_defaults(run=run_quiet)


def run_ack(args: argparse.Namespace) -> int:
    """Note that somebody has seen what stands; the repeats stop, the state stays."""
    settings = settings_of(args)
    who = one_line(args.who, tr("The name after --who"))
    with open_journal(settings) as journal, journal.transaction():
        found = _standing(journal, args.alarm)
        for alarm in found:
            _add_act(journal, alarm, "going" if args.going else "acknowledged", who)
    if args.json:
        print_json({"seen": [alarm.alarm_id for alarm in found], "going": args.going})
        return YES
    for alarm in found:
        says, do = retold(alarm)
        seen = tr("{bucket}: seen.", bucket=alarm.bucket)
        say(f"{tr('{bucket}: you are going.', bucket=alarm.bucket) if args.going else seen} {says}")
        if do and alarm.state != "returned_unacknowledged":
            say(do, "  ")
    for caution in short_cautions_for("open", settings.site.emergency_number):
        say(caution, "! ")
    if args.going:
        first = found[0]
        deed = _DEEDS.get(first.kind, "looked")
        say(
            tr(
                "Note afterwards what you did, for example: emberpail mark {bucket} {deed}",
                bucket=first.bucket,
                deed=deed,
            )
        )
    return YES


def run_quiet(args: argparse.Namespace) -> int:
    """Keep what stands quiet until a time, or end that."""
    settings = settings_of(args)
    if args.end == (args.span is not None):
        raise CommandError(tr('Say how long it shall be quiet (--for "30 min"), or --end to hear of it again.'))
    span_s = 0.0 if args.end else parse_span_s(args.span)
    who = one_line(args.who, tr("The name after --who"))
    with open_journal(settings) as journal, journal.transaction():
        found = _standing(journal, args.alarm)
        strictest = min(found, key=lambda alarm: rule_for(alarm.kind).max_quiet_s)
        longest_s = rule_for(strictest.kind).max_quiet_s
        if not args.end and not LEAST_QUIET_S <= span_s <= longest_s:
            raise CommandError(
                tr(
                    "{kind} of {bucket} may be kept quiet for a minute at the least and "
                    "{minutes:.0f} minutes at a time; give a shorter time and, if need be, ask again then.",
                    kind=strictest.kind,
                    bucket=strictest.bucket,
                    minutes=longest_s / 60,
                )
            )
        for alarm in found:
            _add_act(journal, alarm, "unshelved" if args.end else "shelved", who, None if args.end else span_s)
    if args.json:
        print_json({"quiet": [alarm.alarm_id for alarm in found], "for_s": span_s})
        return YES
    for alarm in found:
        until = hour_words(settings, now_s() + span_s, now_s())
        name = f"{alarm.bucket}, {alarm.kind}"
        say(
            tr("{alarm}: no longer quiet.", alarm=name)
            if args.end
            else tr("{alarm}: quiet until {time}, then it rings again if it still stands.", alarm=name, time=until)
        )
    return YES


def _standing(journal: Journal, which: str) -> list[AlarmRecord]:
    """The alarms meant; CommandError with those that stand."""
    running = {(batch.bucket, batch.name) for batch in journal.running_batches()}
    # What is left of an ended batch is nobody's concern any more.
    alarms = journal.alarms(standing_only=True)
    standing = [one for one in alarms if (one.bucket, one.batch) in running or not one.batch]
    found = [alarm for alarm in standing if which in (alarm.alarm_id, alarm.bucket, alarm.batch)]
    if found:
        return found
    if not standing:
        raise CommandError(tr("No alarm stands, so there is nothing to answer."))
    known = ", ".join(sorted({f"{alarm.bucket} ({alarm.kind})" for alarm in standing}))
    names = [name for alarm in standing for name in (alarm.bucket, alarm.batch)]
    raise CommandError(
        tr(
            "No alarm stands for {which}; these do: {known}.{meant}",
            which=shown(which),
            known=known,
            meant=meant(which, names),
        )
    )


def _add_act(journal: Journal, alarm: AlarmRecord, act: str, who: str, span_s: float | None = None) -> None:
    at_s = now_s()
    until_s = None if span_s is None else at_s + span_s
    journal.add_act(Act(alarm.alarm_id, act, at_s, at_s, who, until_s, batch=alarm.batch, bucket=alarm.bucket))
