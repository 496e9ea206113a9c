"""``ack`` and ``quiet``: answering an alarm."""

from __future__ import annotations

import argparse
from typing import Any

from monitor.commands import YES
from monitor.commands.common import (
    CommandError,
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
from monitor.judgement.alarms import rule_for


def add(parsers: Any) -> None:
    """Describe the two commands."""
    ack = parser_for(
        parsers, "ack", 'say "I have seen it", or "I am going"', "emberpail ack shed-2 --going --who Ash"
    )
    ack.add_argument("alarm", help="the alarm, its kind, or a bucket for all of its alarms")
    ack.add_argument("--going", action="store_true", help="I am going there now")
    ack.add_argument("--who", default="", help="who says so")
    ack.add_argument("--json", action="store_true", help="for programs")
    ack.set_defaults(run=run_ack)

    quiet = parser_for(
        parsers, "quiet", "keep an alarm quiet for a while", "emberpail quiet shed-2 --for 30min --who Ash"
    )
    quiet.add_argument("alarm", help="the alarm, its kind, or a bucket for all of its alarms")
    quiet.add_argument("--for", dest="span", metavar="SPAN", help='how long: "30 min", "2 h"')
    quiet.add_argument("--end", action="store_true", help="end the quiet now")
    quiet.add_argument("--who", default="", help="who says so")
    quiet.add_argument("--json", action="store_true", help="for programs")
    quiet.set_defaults(run=run_quiet)


def run_ack(args: argparse.Namespace) -> int:
    """Acknowledge what stands; the repeats stop, the state stays."""
    settings = settings_of(args)
    with open_journal(settings) as journal:
        found = _standing(journal, args.alarm)
        for alarm in found:
            _add_act(journal, alarm, "going" if args.going else "acknowledged", args.who)
    if args.json:
        print_json({"seen": [alarm.alarm_id for alarm in found]})
        return YES
    for alarm in found:
        say(f"{alarm.bucket or 'the watch'}: {'you are going' if args.going else 'seen'}. {alarm.do}")
    return YES


def run_quiet(args: argparse.Namespace) -> int:
    """Shelve what stands until a time, or end that."""
    settings = settings_of(args)
    if args.end == (args.span is not None):
        raise CommandError('Say how long it shall be quiet (--for "30 min"), or --end to hear of it again.')
    with open_journal(settings) as journal:
        found = _standing(journal, args.alarm)
        span_s = 0.0 if args.end else parse_span_s(args.span)
        for alarm in found:
            longest_s = rule_for(alarm.kind).max_quiet_s
            if not args.end and not 60.0 <= span_s <= longest_s:
                raise CommandError(
                    f"{alarm.kind} may be kept quiet for a minute at the least and {longest_s / 60:.0f} minutes at a "
                    "time; give a shorter time and, if need be, ask again then."
                )
            _add_act(journal, alarm, "unshelved" if args.end else "shelved", args.who, span_s or None)
    if args.json:
        print_json({"quiet": [alarm.alarm_id for alarm in found], "for_s": span_s})
        return YES
    for alarm in found:
        until = f"quiet until {settings.local_time(now_s() + span_s):%H:%M}, then it rings again"
        say(f"{alarm.bucket or 'the watch'}: {'no longer quiet' if args.end else until}.")
    return YES


def _standing(journal: Journal, which: str) -> list[AlarmRecord]:
    """The alarms meant; CommandError with those that stand."""
    standing = journal.alarms(standing_only=True)
    found = [alarm for alarm in standing if which in (alarm.alarm_id, alarm.bucket, alarm.batch, alarm.kind)]
    if found:
        return found
    if not standing:
        raise CommandError("No alarm stands, so there is nothing to answer.")
    known = ", ".join(sorted({alarm.alarm_id for alarm in standing}))
    raise CommandError(f"No alarm {shown(which)} stands; these do: {known}.")


def _add_act(journal: Journal, alarm: AlarmRecord, act: str, who: str, span_s: float | None = None) -> None:
    at_s = now_s()
    until_s = None if span_s is None else at_s + span_s
    who = one_line(who, "The name")
    journal.add_act(Act(alarm.alarm_id, act, at_s, at_s, who, until_s, batch=alarm.batch, bucket=alarm.bucket))
