"""``mark`` and ``end``: something was done at a bucket; its batch is over."""

from __future__ import annotations

import argparse
from typing import Any

from monitor.commands import YES
from monitor.commands.common import (
    MOST_TEXT,
    CommandError,
    clock_words,
    meant,
    now_s,
    one_line,
    open_journal,
    parser_for,
    print_json,
    quoted,
    say,
    settings_of,
    shown,
    zone_of,
)
from monitor.commands.prompts import ask, can_ask
from monitor.commands.times import parse_when
from monitor.domain import LOG_KINDS, Batch, LogEntry
from monitor.journal.database import Journal, LoggedEntry
from monitor.moving import BEFORE_START_S, move_entry
from monitor.settings import Settings
from monitor.trade.amounts import parse_temperature_c, parse_water_kg
from monitor.trade.cautions import cautions_for
from monitor.trade.record import field_words, read_yield, told_value
from monitor.words import mark, tr

# Which cautions belong to which entry: the person who notes it stands at the bucket now.
_DEED_OF = {
    "weighed": "weigh", "lye-clear": "pour", "poured": "blend", "blended": "look", "reblended": "look",
    "lid-off": "open", "lid-on": "look", "covered": "look", "uncovered": "look", "probe-in": "probe",
    "probe-out": "blend", "looked": "look", "cut": "dilute", "water-added": "dilute", "stirred": "dilute",
    "diluted": "test", "tested": "fill", "filled": "fill", "spilled": "spill",
}  # fmt: skip
_DEED_OF_END = {"filled": "fill", "held": "correct", "discarded": "discard"}
_OUTCOMES = {"filled": mark("filled"), "held": mark("held"), "discarded": mark("discarded")}


def add(parsers: Any) -> None:
    """Describe the two commands."""
    _add_mark(parsers)
    end = parser_for(
        parsers, "end", tr("end the batch in a bucket"), "emberpail end shed-2 --outcome filled --yield 24L"
    )
    end.add_argument("bucket", help=tr("the bucket, or the batch in it"))
    end.add_argument(
        "--outcome", default="filled", choices=tuple(_DEED_OF_END), help=tr("how it ended (default: filled)")
    )
    end.add_argument("--yield", dest="yielded", metavar=tr("AMOUNT"), help=tr("how much soap it gave: 24L or 22kg"))
    end.add_argument("--at", default="now", metavar=tr("TIME"), help=tr('when: "an hour ago" (default: now)'))
    end.add_argument("--json", action="store_true", help=tr("for programs"))
    end.set_defaults(run=run_end)


def _add_mark(parsers: Any) -> None:
    parser = parser_for(
        parsers, "mark", tr("note what was done or seen at a bucket"),
        'emberpail mark shed-2 blended --at "10 min ago"',
    )  # fmt: skip
    parser.add_argument("bucket", help=tr("the bucket, or the batch in it"))
    parser.add_argument("kind", nargs="?", help=tr("one of: {kinds}", kinds=", ".join(LOG_KINDS)))
    parser.add_argument(
        "--at", default="now", metavar=tr("TIME"),
        help=tr('when: "an hour ago", "07:30", "yesterday 21:30" (default: now)'),
    )  # fmt: skip
    parser.add_argument("--temperature", metavar=tr("DEGREES"), help=tr("the mix by any thermometer: 56C or 133F"))
    parser.add_argument("--mass", metavar=tr("AMOUNT"), help=tr("how much water, for water-added: 16kg or 16L"))
    parser.add_argument("--text", default="", help=tr("a remark in your own words"))
    parser.add_argument("--who", default="", help=tr("who did it"))
    parser.add_argument("--undo", action="store_true", help=tr("take back the last entry (of KIND, if given)"))
    parser.add_argument(
        "--move-to", metavar=tr("BUCKET"),
        help=tr("the last entry (of KIND, if given) was another bucket's: move it there"),
    )  # fmt: skip
    parser.add_argument("--json", action="store_true", help=tr("for programs"))
    parser.set_defaults(run=run_mark)


# ---- mark ----------------------------------------------------------------------------------------------------------


def run_mark(args: argparse.Namespace) -> int:
    """Note an entry, take the last one back, or move it to the bucket it belongs to."""
    settings = settings_of(args)
    kind = None if args.kind is None else _kind(args.kind)
    if args.undo or args.move_to is not None:
        return _correct(args, settings, kind)
    if kind is None:
        raise CommandError(tr("Say what was done; one of: {kinds}.", kinds=", ".join(LOG_KINDS)))
    text, who = one_line(args.text, tr("The remark"), MOST_TEXT), one_line(args.who, tr("The name after --who"))
    noted_at_s = now_s()
    at_s = parse_when(args.at, noted_at_s, zone_of(settings))
    temperature_c = None if args.temperature is None else parse_temperature_c(args.temperature)
    kg = None if args.mass is None else parse_water_kg(args.mass, tr("the water"))
    if kg is not None and kind != "water-added":
        raise CommandError(
            tr("--mass says how much water was added: it goes with water-added, not with {kind}.", kind=kind)
        )
    with open_journal(settings) as journal:
        batch = running_in(journal, args.bucket)
        _refuse_long_before(settings, batch, at_s)
        entry = journal.add_entry(batch.name, LogEntry(kind, at_s, noted_at_s, temperature_c, kg, text), who=who)
    if args.json:
        print_json({"entry": entry.entry_id, "kind": entry.kind, "at": entry.at_s, "batch": batch.name})
        return YES
    say(
        tr(
            "{bucket}, {batch}: {kind} at {time}.",
            bucket=batch.bucket,
            batch=batch.name,
            kind=entry.kind,
            time=clock_words(settings, at_s),
        )
    )
    print(tr("Wrong? {command}", command=f"emberpail mark {quoted(args.bucket)} --undo"))
    for hint in _hints(entry, batch):
        say(hint)
    _say_cautions(settings, _DEED_OF.get(entry.kind))
    return YES


def _kind(text: str) -> str:
    plain = text.strip().lower().replace("_", "-").replace(" ", "-")
    if plain not in LOG_KINDS:
        raise CommandError(
            tr(
                "{kind} is no log entry.{meant} It may be one of: {kinds}.",
                kind=shown(text),
                meant=meant(plain, LOG_KINDS),
                kinds=", ".join(LOG_KINDS),
            )
        )
    return plain


def _refuse_long_before(settings: Settings, batch: Batch, at_s: float) -> None:
    if at_s < batch.started_s - BEFORE_START_S:
        raise CommandError(
            tr(
                "{time} is more than a day before {batch} started ({started}); check the time or the bucket.",
                time=clock_words(settings, at_s),
                batch=batch.name,
                started=clock_words(settings, batch.started_s),
            )
        )


def _hints(entry: LogEntry, batch: Batch) -> list[str]:
    """What the next step needs, or what would have made this entry more useful."""
    mark_it = f"emberpail mark {quoted(batch.bucket)}"
    if entry.kind == "poured" and entry.temperature_c is None:
        return [
            tr(
                "Stick a thermometer into the mix and note it, it makes every figure surer: {undo}, then {again}",
                undo=f"{mark_it} --undo",
                again=f"{mark_it} poured --temperature 56C",
            )
        ]
    if entry.kind in ("blended", "reblended"):
        return [
            tr("Probe back in now, and note it: {command}", command=f"{mark_it} probe-in"),
            tr("Look 20 minutes after it: taken is stiff, past {75:deg} to {80:degC}, no oil on top."),
        ]
    if entry.kind == "water-added" and entry.kg is None:
        return [
            tr("How much? {undo}, then {again}", undo=f"{mark_it} --undo", again=f"{mark_it} water-added --mass 8kg")
        ]
    return []


def _correct(args: argparse.Namespace, settings: Settings, kind: str | None) -> int:
    """Take the last entry back, and where it belongs to another bucket note it there. Both or neither."""
    if args.undo and args.move_to is not None:
        raise CommandError(tr("--move-to takes the entry back where it stood: leave out --undo."))
    idle = [option for option, given in (("--at", args.at != "now"), ("--temperature", args.temperature),
            ("--mass", args.mass), ("--text", args.text), ("--who", args.who)) if given]  # fmt: skip
    if idle and args.move_to is not None:
        raise CommandError(
            tr(
                "--move-to takes the entry over as it was noted: leave out {options}, or --undo it and note it anew.",
                options=", ".join(idle),
            )
        )
    with open_journal(settings) as journal, journal.transaction():
        batch = running_in(journal, args.bucket)
        logged = _last(journal, batch, kind)
        old = logged.entry
        noted_at_s = now_s()
        if args.move_to is not None:
            other = running_in(journal, args.move_to)
            if other.name == batch.name:
                raise CommandError(
                    tr("{bucket} is where it stands: name the other bucket after --move-to.", bucket=batch.bucket)
                )
            _refuse_long_before(settings, other, old.at_s)
            new = move_entry(journal, batch, old.entry_id, other, noted_at_s)
        else:
            journal.undo_entry(old.entry_id, noted_at_s)
    if args.move_to is None:
        if args.json:
            print_json({"undone": old.entry_id, "kind": old.kind, "batch": batch.name})
        else:
            say(
                tr(
                    "Taken back: {kind} at {time} of {batch}.",
                    kind=old.kind,
                    time=clock_words(settings, old.at_s),
                    batch=batch.name,
                )
            )
        return YES
    if args.json:
        print_json(
            {"undone": old.entry_id, "entry": new.entry_id, "kind": old.kind, "at": old.at_s, "from": batch.name,
             "batch": other.name}
        )  # fmt: skip
        return YES
    say(
        tr(
            "Moved: {kind} at {time} is now of {other} in {bucket}, no longer of {batch}.",
            kind=old.kind,
            time=clock_words(settings, old.at_s),
            other=other.name,
            bucket=other.bucket,
            batch=batch.name,
        )
    )
    for hint in _hints(new, other):
        say(hint)
    _say_cautions(settings, _DEED_OF.get(old.kind))
    return YES


def _last(journal: Journal, batch: Batch, kind: str | None) -> LoggedEntry:
    """The entry noted last that stands (of this kind)."""
    log = [one for one in journal.log(batch.name) if one.undone_at_s is None and kind in (None, one.entry.kind)]
    if log:
        return log[-1]
    if kind is None:
        raise CommandError(tr("The log of {batch} holds nothing to take back.", batch=batch.name))
    raise CommandError(tr("The log of {batch} holds no {kind} to take back.", batch=batch.name, kind=kind))


def _say_cautions(settings: Settings, deed: str | None) -> None:
    if deed is not None:
        for caution in cautions_for(deed, emergency_number=settings.site.emergency_number):
            say(caution, "! ")


# ---- end -----------------------------------------------------------------------------------------------------------


def run_end(args: argparse.Namespace) -> int:
    """End a batch: its bucket is free and its alarms stand no longer."""
    settings = settings_of(args)
    yielded = None if args.yielded is None else read_yield(args.yielded)
    noted_at_s = now_s()
    at_s = parse_when(args.at, noted_at_s, zone_of(settings))
    with open_journal(settings) as journal:
        # Looked at before the question, and again after it: somebody else may have ended it meanwhile.
        _refuse_end_before_start(settings, running_in(journal, args.bucket), at_s)
        if yielded is None and args.outcome == "filled" and not args.json and can_ask():
            yielded = ask(
                tr("How much soap did it give, like 24 L or 22 kg"), read_yield, empty=tr("not measured")
            )
        with journal.transaction():
            batch = running_in(journal, args.bucket)
            _refuse_end_before_start(settings, batch, at_s)
            journal.end_batch(batch.name, at_s, noted_at_s, args.outcome)
            if yielded is not None:
                journal.add_detail(batch.name, *yielded, noted_at_s)
    if args.json:
        print_json(
            {"batch": batch.name, "bucket": batch.bucket, "ended": at_s, "outcome": args.outcome,
             "details": {} if yielded is None else dict([yielded])}
        )  # fmt: skip
        return YES
    say(
        tr(
            "{batch} in {bucket} has ended: {outcome}. It is no longer minded, and nobody is rung for it.",
            batch=batch.name,
            bucket=batch.bucket,
            outcome=tr(_OUTCOMES[args.outcome]),
        )
    )
    if yielded is not None:
        say(
            tr(
                "{batch}: {field} noted: {value}.",
                batch=batch.name,
                field=field_words(yielded[0]),
                value=told_value(*yielded),
            )
        )
    _say_cautions(settings, _DEED_OF_END[args.outcome])
    return YES


def _refuse_end_before_start(settings: Settings, batch: Batch, at_s: float) -> None:
    if at_s < batch.started_s:
        raise CommandError(
            tr(
                "{batch} started {time} and cannot have ended before that; check the time or the bucket.",
                batch=batch.name,
                time=clock_words(settings, batch.started_s),
            )
        )


def running_in(journal: Journal, bucket_or_batch: str) -> Batch:
    """The running batch of a bucket, by the bucket's or the batch's name; CommandError with those that run."""
    running = journal.running_batches()
    for batch in running:
        if bucket_or_batch in (batch.bucket, batch.name):
            return batch
    if not running:
        raise CommandError(
            tr("No batch runs in {bucket}: start one first, see emberpail start --help.", bucket=shown(bucket_or_batch))
        )
    known = ", ".join(f"{batch.bucket} ({batch.name})" for batch in running)
    names = [name for batch in running for name in (batch.bucket, batch.name)]
    raise CommandError(
        tr(
            "No batch runs in {bucket}; these do: {known}.{meant}",
            bucket=shown(bucket_or_batch),
            known=known,
            meant=meant(bucket_or_batch, names),
        )
    )
