"""``status``: how every bucket stands, from the journal."""

from __future__ import annotations

import argparse
import dataclasses
from typing import Any

from monitor.commands import NO, YES
from monitor.commands.common import CommandError, now_s, open_journal, parser_for, print_json, settings_of, wrapped
from monitor.page.view import STANDING_WORDS, BucketView, StatusView
from monitor.settings import Settings


def add(parsers: Any) -> None:
    """Describe the command."""
    parser = parser_for(
        parsers, "status", "how every bucket stands, and what to do next", "emberpail status shed-2",
        description="How every bucket stands, and what to do next. Exit code 1 when an alarm stands.",
    )  # fmt: skip
    parser.add_argument("bucket", nargs="?", help="only this bucket")
    parser.add_argument("--json", action="store_true", help="for programs")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print the view; 1 when an alarm stands."""
    from monitor.standing import status_view

    settings = settings_of(args)
    with open_journal(settings) as journal:
        view = status_view(journal, settings, now_s(), with_curves=False)
    if args.bucket is not None:
        chosen = tuple(bucket for bucket in view.buckets if args.bucket in (bucket.name, bucket.batch))
        if not chosen:
            known = ", ".join(bucket.name for bucket in view.buckets) or "none yet"
            raise CommandError(f'There is no bucket "{args.bucket}"; known are: {known}.')
        view = dataclasses.replace(view, buckets=chosen)
    if args.json:
        print_json(as_json(view))
    else:
        print(in_words(view, settings))
    return NO if any(bucket.alarms for bucket in view.buckets) else YES


def as_json(view: StatusView) -> dict[str, object]:
    """The view as plain values."""
    values: dict[str, object] = dataclasses.asdict(view)
    for bucket, plain in zip(view.buckets, values["buckets"], strict=True):  # type: ignore[call-overload]
        plain["standing"] = bucket.standing
    return values


def in_words(view: StatusView, settings: Settings) -> str:
    """The view as a person reads it in a terminal."""
    lines = [line for trouble in view.watch for line in wrapped(trouble, "! ", "  ")]
    lines += list(view.notes)
    if not view.buckets:
        lines.append("No bucket yet: start a batch, see emberpail start --help.")
    for bucket in view.buckets:
        lines += ["", *_bucket_lines(bucket, settings)]
    return "\n".join(lines).strip("\n")


def _bucket_lines(bucket: BucketView, settings: Settings) -> list[str]:
    if bucket.batch is None:
        return [f"{bucket.name}: no batch."]
    lines = [f"{bucket.name}: {STANDING_WORDS[bucket.standing]}. {bucket.batch}, {bucket.stage_words}."]
    if bucket.temperature_c is None:
        lines.append("  no paste reading yet")
    else:
        age_min = (bucket.temperature_age_s or 0.0) / 60.0
        direction = f", {bucket.direction}" if bucket.direction else ""
        lines.append(f"  {bucket.temperature_c:.0f} °C{direction} ({age_min:.0f} min ago)")
    if bucket.completeness:
        lines.append(f"  potash used up: {bucket.completeness}")
    if bucket.potash_left:
        lines.append(f"  potash left: {bucket.potash_left}")
    if bucket.outlook:
        lines += wrapped(bucket.outlook, "  ")
    for alarm in bucket.alarms:
        since = f"{settings.local_time(alarm.since_s):%a %H:%M}"
        lines += wrapped(f"ALARM since {since} ({alarm.state_words}): {alarm.says}", "  ", "    ")
        lines += wrapped(alarm.do, "    ")
    if bucket.next_action:
        lines += wrapped(f"Next: {bucket.next_action}", "  ", "    ")
    lines += [line for caution in bucket.cautions for line in wrapped(caution, "  ! ", "    ")]
    return lines
