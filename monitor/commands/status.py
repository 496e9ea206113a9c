"""``status``: how every bucket stands, from the journal."""

from __future__ import annotations

import argparse
import dataclasses
from typing import Any

from monitor.commands import NO, YES
from monitor.commands.common import (
    CommandError,
    add_as_watch,
    hour_words,
    meant,
    now_s,
    open_journal_to_read,
    parser_for,
    print_json,
    settings_of,
    shown,
    wrapped,
)
from monitor.page.view import STANDING_WORDS, AlarmView, BucketView, StatusView
from monitor.settings import Settings
from monitor.words import quantity, tr

_MINUTE_S = 60.0


def add(parsers: Any) -> None:
    """Describe the command."""
    parser = parser_for(
        parsers, "status", tr("how every bucket stands, and what to do next"), "emberpail status shed-2",
        description=tr("How every bucket stands, and what to do next. Exit code 1 when an alarm stands."),
    )  # fmt: skip
    parser.add_argument("bucket", nargs="?", help=tr("only this bucket (or the batch in it), with its log"))
    parser.add_argument("--json", action="store_true", help=tr("for programs"))
    add_as_watch(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print the view; 1 when an alarm stands."""
    from monitor.standing import nothing_yet, status_view

    settings = settings_of(args)
    journal = open_journal_to_read(settings)
    if journal is None:
        view = nothing_yet(settings, now_s())
    else:
        with journal:
            view = status_view(journal, settings, now_s(), with_curves=False)
    if args.bucket is not None:
        view = _only(view, args.bucket)
    if args.json:
        print_json(as_json(view))
    else:
        print(in_words(view, settings, with_log=args.bucket is not None))
    return NO if any(bucket.alarms for bucket in view.buckets) else YES


def _only(view: StatusView, which: str) -> StatusView:
    chosen = tuple(bucket for bucket in view.buckets if which in (bucket.name, bucket.batch))
    if not chosen:
        known = ", ".join(bucket.name for bucket in view.buckets) or tr("none yet")
        names = [name for bucket in view.buckets for name in (bucket.name, bucket.batch) if name]
        raise CommandError(
            tr(
                "There is no bucket {which}; known are: {known}.{meant}",
                which=shown(which),
                known=known,
                meant=meant(which, names),
            )
        )
    return dataclasses.replace(view, buckets=chosen)


def as_json(view: StatusView) -> dict[str, object]:
    """The view as plain values."""
    values: dict[str, object] = dataclasses.asdict(view)
    for bucket, plain in zip(view.buckets, values["buckets"], strict=True):  # type: ignore[call-overload]
        plain["standing"], plain["stale"] = bucket.standing, bucket.batch is not None and bucket.is_stale
    return values


def in_words(view: StatusView, settings: Settings, *, with_log: bool = False) -> str:
    """The view as a person reads it in a terminal, the worst first."""
    lines: list[str] = []
    for trouble in view.watch:
        lines += wrapped(trouble, "! ")
    if not view.buckets:
        lines += wrapped(tr("No bucket yet: start a batch, see emberpail start --help."))
    for bucket in sorted(view.buckets, key=lambda bucket: list(STANDING_WORDS).index(bucket.standing)):
        lines += ["", *_bucket_lines(bucket, view, settings, with_log)]
    for note in view.notes:
        lines += ["", *wrapped(note)] if note is view.notes[0] else wrapped(note)
    return "\n".join(lines).strip("\n")


def _bucket_lines(bucket: BucketView, view: StatusView, settings: Settings, with_log: bool) -> list[str]:
    if bucket.batch is None:
        return [tr("{name}: no batch.", name=bucket.name)]
    lines = wrapped(f"{bucket.name}: {tr(STANDING_WORDS[bucket.standing])}. {bucket.batch}, {bucket.stage_words}.")
    lines += wrapped(_heat_words(bucket), "  ", "    ")
    lines += _figures(bucket)
    for alarm in bucket.alarms:
        lines += _alarm_lines(alarm, view, settings)
    if bucket.next_action:
        now = bucket.next_action.startswith(tr("Now: {text}", text="").rstrip())
        told = bucket.next_action if now else tr("Next: {text}", text=bucket.next_action)
        lines += wrapped(told, "  ", "    ")
    for caution in bucket.cautions:
        lines += wrapped(caution, "  ! ")
    if with_log:
        lines += _log_lines(bucket, view, settings)
    return lines


def _heat_words(bucket: BucketView) -> str:
    """The newest temperature with its age; an old one is told as what it was, never as what it is."""
    if bucket.temperature_c is None:
        return tr("No paste reading that can be believed: how warm it is, nobody knows.")
    age = _age_words(bucket.temperature_age_s)
    if bucket.is_stale:
        return tr(
            "How warm it is now is not known; {temperature_c:degC} was read {age} ago.",
            temperature_c=bucket.temperature_c,
            age=age,
        )
    heat = quantity(bucket.temperature_c, "degC") + (f", {bucket.direction}" if bucket.direction else "")
    return tr("{heat} ({age} ago)", heat=heat, age=age)


def _age_words(age_s: float | None) -> str:
    if age_s is None:
        return tr("a time")
    if age_s < 100.0:
        return tr("{n} s", n=round(age_s))
    return tr("{n} min", n=round(age_s / _MINUTE_S)) if age_s < 6000.0 else tr("{n} h", n=round(age_s / 3600.0))


def _figures(bucket: BucketView) -> list[str]:
    """What the heat tells, as of when it told it; without a fresh reading that stands beside each figure."""
    as_of = next((told for name, told in bucket.numbers if name in (tr("as of"), "as of")), "")
    when = tr(" (as of {as_of})", as_of=as_of) if as_of and bucket.is_stale else ""
    lines = []
    if bucket.completeness:
        lines += wrapped(tr("potash used up{when}: {share}", when=when, share=bucket.completeness), "  ", "    ")
    if bucket.potash_left:
        lines += wrapped(
            tr("potash left{when}: {potash_left}", when=when, potash_left=bucket.potash_left), "  ", "    "
        )
    if bucket.outlook:
        lines += wrapped(
            tr("as of {as_of}: {outlook}", as_of=as_of, outlook=bucket.outlook) if when else bucket.outlook,
            "  ",
            "    ",
        )
    if bucket.learned:
        lines += wrapped(bucket.learned, "  ", "    ")
    return lines


def _alarm_lines(alarm: AlarmView, view: StatusView, settings: Settings) -> list[str]:
    since = hour_words(settings, alarm.since_s, view.at_s)
    lines = wrapped(
        tr("ALARM since {since} ({state_words}): {says}", since=since, state_words=alarm.state_words, says=alarm.says),
        "  ",
        "    ",
    )
    return lines + (wrapped(tr("Do: {text}", text=alarm.do), "    ") if alarm.do else [])


def _log_lines(bucket: BucketView, view: StatusView, settings: Settings) -> list[str]:
    lines = ["  " + (tr("Log:") if bucket.log else tr("Nothing has been noted yet."))]
    for entry in bucket.log:
        late = (
            ""
            if entry.noted_at_s is None
            else tr(" (noted {time})", time=hour_words(settings, entry.noted_at_s, view.at_s))
        )
        lines += wrapped(f"{entry.words}{late}", f"    {hour_words(settings, entry.at_s, view.at_s)}  ")
    for alarm in bucket.past_alarms:
        lines += wrapped(tr("over: {text}", text=alarm.says), f"    {hour_words(settings, alarm.since_s, view.at_s)}  ")
    return lines
