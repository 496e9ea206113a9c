"""``replay``: a recording through the same judgement as live, as fast as it can be read."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from monitor.commands import YES
from monitor.commands.common import CommandError, parser_for, print_json, say, settings_of, shown, warn
from monitor.words import DAY_TIME, tr, when


def add(parsers: Any) -> None:
    """Describe the command."""
    parser = parser_for(
        parsers, "replay", tr("replay a recording and say what would have been said"),
        "emberpail replay recordings/quillmarsh-12.rec --events /tmp/events.jsonl",
        description=tr(
            "Replay a recording through the same judgement as live and say what would have been said. Exit "
            "code 0 whenever it ran, whatever the batch did."
        ),
    )  # fmt: skip
    parser.add_argument("recording", metavar="NAME.rec", help=tr("what came over the wire, as watch --record wrote it"))
    parser.add_argument(
        "--batch", metavar="NAME.toml", help=tr("what the grower entered (default: beside the recording)")
    )
    parser.add_argument("--events", metavar="OUT.jsonl", help=tr("write what was judged here, as JSON Lines"))
    parser.add_argument(
        "--history", metavar="DIR",
        help=tr("learn from the recordings in this folder that ended before this batch began"),
    )  # fmt: skip
    parser.add_argument(
        "--no-learning", action="store_true",
        help=tr("judge by the published values alone, as if it were the first batch"),
    )  # fmt: skip
    parser.add_argument("--json", action="store_true", help=tr("print a summary for programs"))
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Replay; 0 whenever it ran, whatever the batch did."""
    from monitor.judgement.history_words import based_on, learned_from
    from monitor.replay import replay_recording
    from monitor.watch_parts import probe_settings

    settings = settings_of(args)
    _must_be_a_recording(args.recording)
    if args.history is not None and not Path(args.history).is_dir():
        where = shown(args.history)
        raise CommandError(tr("{path} is no folder: name the one that holds earlier recordings.", path=where))
    replay = replay_recording(
        args.recording,
        args.batch,
        args.events,
        place=settings.place(),
        probe_settings=probe_settings(settings),
        history_folder=args.history,
        learn=settings.learning and not args.no_learning,
        emergency_number=settings.site.emergency_number,
        say=warn,
    )
    for warning in replay.warnings:
        warn(warning)
    if replay.trouble:
        warn(tr("The heat could not be judged and only the plain checks ran: {trouble}", trouble=replay.trouble))
    if not replay.lines:
        warn(tr("{recording} holds not one line that came over the wire.", recording=args.recording))
    elif not replay.readings:
        warn(
            tr(
                "Not one reading of {bucket} is in the recording: is it the right batch file?",
                bucket=replay.batch.bucket,
            )
        )
    alarms = [event for event in replay.events if event.event == "alarm"]
    history = None if replay.minder is None else replay.minder.history
    if args.history is not None and history is None:
        warn(tr("The folder teaches this batch nothing: fewer than three good batches ended before it began."))
    if args.json:
        print_json(
            {
                "batch": replay.batch.name,
                "bucket": replay.batch.bucket,
                "lines": replay.lines,
                "readings": replay.readings,
                "damaged": dict(sorted(replay.faults.items())),
                "learned_from": learned_from(history),
                "alarms": [{"at": event.at_s, **event.values} for event in alarms],
                "verdict": dict(replay.verdict.values),
            }
        )
        return YES
    damaged = sum(replay.faults.values())
    more = tr(", {n} damaged or not understood", n=damaged) if damaged else ""
    say(
        tr(
            "{name} in {bucket}: {lines} lines, {readings} readings{more}.",
            name=replay.batch.name,
            bucket=replay.batch.bucket,
            lines=replay.lines,
            readings=replay.readings,
            more=more,
        )
    )
    if history is not None:
        say(based_on(history))
    for event in alarms:
        at = f"{when(settings.local_time(event.at_s), DAY_TIME)}  "
        if event.values["state"] == "raised":
            say(f"{event.values['kind']} ({event.values['urgency']}): {event.values['says']}", at)
        else:
            say(tr("{alarm} is over.", alarm=event.values["kind"]), at)
    say(tr("Verdict: {text}", text=replay.verdict.values["says"]))
    return YES


def _must_be_a_recording(path: str) -> None:
    if not path.strip():
        raise CommandError(tr("The recording has no name: give the path of a .rec file."))
    try:
        if Path(path).is_dir():
            raise CommandError(tr("{path} is a folder: name a recording (.rec) in it.", path=shown(path)))
    except OSError as error:  # a name longer than any file's
        raise CommandError(
            tr("{path} cannot be read ({reason}): correct the path.", path=shown(path), reason=error.strerror)
        ) from None
