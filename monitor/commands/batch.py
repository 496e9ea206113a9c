"""``start``, ``mark`` and ``end``: a batch begins, something was done, it is over."""

from __future__ import annotations

import argparse
from dataclasses import dataclass, replace
from typing import Any

from monitor.commands import YES
from monitor.commands.common import (
    MOST_NAME,
    MOST_TEXT,
    CommandError,
    clock_words,
    meant,
    now_s,
    one_line,
    open_journal,
    open_journal_to_read,
    parser_for,
    print_json,
    say,
    settings_of,
    shown,
    warn,
    zone_of,
)
from monitor.commands.prompts import ask, can_ask
from monitor.commands.recipe_args import (
    add_recipe,
    ask_recipe,
    mind_bucket,
    recipe_of,
    refuse_lye_heavy,
    vessel_of,
)
from monitor.commands.times import OLDEST_S, parse_span_s, parse_when
from monitor.domain import LOG_KINDS, Batch, LogEntry, Recipe
from monitor.journal.database import Journal
from monitor.settings import Settings
from monitor.sources.batch_file import read_batch_file
from monitor.trade.amounts import parse_temperature_c, parse_water_kg
from monitor.trade.dilution import room
from monitor.trade.making import CAUTIONS, DEFERS, STEPS, cautions_for, with_emergency_number
from monitor.trade.recipe import LyeBalance, check_recipe
from monitor.trade.telling import ASSUMED_IN_WORDS, recipe_warnings, room_sentences
from monitor.words import tr

# Which cautions belong to which entry: the person who notes it stands at the bucket now.
_DEED_OF = {
    "weighed": "weigh", "lye-clear": "pour", "poured": "blend", "blended": "look", "reblended": "look",
    "lid-off": "open", "lid-on": "look", "covered": "look", "uncovered": "look", "probe-in": "probe",
    "probe-out": "blend", "looked": "look", "cut": "dilute", "water-added": "dilute", "stirred": "dilute",
    "diluted": "test", "tested": "fill", "filled": "fill", "spilled": "spill",
}  # fmt: skip
_DEED_OF_END = {"filled": "fill", "held": "correct", "discarded": "discard"}
# Before the first deed of a batch; those of the dilution come on its day.
_START_KEYS = (
    "gear", "water_first", "lid_loose", "opening", "blending", "metals", "lifting", "first_aid", "spill", "skin",
)  # fmt: skip
# An entry from before the batch belongs to its making; from the day before it is a slip.
_BEFORE_START_S = 24 * 3600.0


@dataclass(frozen=True, slots=True)
class _Entered:
    """What somebody entered to start a batch."""

    batch: Batch
    log: tuple[LogEntry, ...] = ()


def add(parsers: Any) -> None:
    """Describe the three commands."""
    _add_start(parsers)
    _add_mark(parsers)
    end = parser_for(parsers, "end", "end the batch in a bucket", "emberpail end shed-2 --outcome filled")
    end.add_argument("bucket", help="the bucket, or the batch in it")
    end.add_argument("--outcome", default="filled", choices=tuple(_DEED_OF_END), help="how it ended (default: filled)")
    end.add_argument("--at", default="now", metavar="TIME", help='when: "an hour ago" (default: now)')
    end.add_argument("--json", action="store_true", help="for programs")
    end.set_defaults(run=run_end)


def _add_start(parsers: Any) -> None:
    start = parser_for(
        parsers, "start", "start a batch in a bucket",
        'emberpail start "Quillmarsh 12" --bucket shed-2 --oil "sunflower 4.2 kg" --koh 850g --water 1.3kg',
        description="Start a batch in a bucket, after the cautions. At a terminal it asks for what was left out.",
    )  # fmt: skip
    start.add_argument("name", nargs="?", help="the batch's name, for example its number")
    start.add_argument("--bucket", help="the bucket it is in, as its node sends it")
    start.add_argument("--from", dest="batch_file", metavar="NAME.toml", help="take all of it from a batch file")
    start.add_argument("--at", default="now", metavar="TIME", help='when it started: "10 min ago" (default: now)')
    start.add_argument(
        "--poured", metavar="DEGREES", help="it is poured already, at the time of --at, with this mix temperature: 56C"
    )
    start.add_argument("--dilute-after", metavar="SPAN", help='when it is to be diluted: "72 h" (the default)')
    start.add_argument(
        "--unweighed", action="store_true", help="start without oil or potash: nobody weighed them, so less can be said"
    )
    add_recipe(start)
    start.add_argument("--json", action="store_true", help="for programs")
    start.set_defaults(run=run_start)


def _add_mark(parsers: Any) -> None:
    mark = parser_for(
        parsers, "mark", "note what was done or seen at a bucket", 'emberpail mark shed-2 blended --at "10 min ago"'
    )
    mark.add_argument("bucket", help="the bucket, or the batch in it")
    mark.add_argument("kind", nargs="?", help=f"one of: {', '.join(LOG_KINDS)}")
    mark.add_argument(
        "--at", default="now", metavar="TIME", help='when: "an hour ago", "07:30", "yesterday 21:30" (default: now)'
    )
    mark.add_argument("--temperature", metavar="DEGREES", help="the mix by any thermometer: 56C or 133F")
    mark.add_argument("--mass", metavar="AMOUNT", help="how much water, for water-added: 16kg or 16L")
    mark.add_argument("--text", default="", help="a remark in your own words")
    mark.add_argument("--who", default="", help="who did it")
    mark.add_argument("--undo", action="store_true", help="take back the last entry (of KIND, if given)")
    mark.add_argument("--json", action="store_true", help="for programs")
    mark.set_defaults(run=run_mark)


# ---- start ---------------------------------------------------------------------------------------------------------


def run_start(args: argparse.Namespace) -> int:
    """Start a batch; the cautions stand before anything else that it prints."""
    settings = settings_of(args)
    asking = args.batch_file is None and not args.unweighed and not (args.oil and args.koh) and can_ask()
    if asking and not args.json:
        # Whoever is asked should have read them before the first answer, not after the last.
        _print_cautions(settings)
    entered = _from_file(args) if args.batch_file is not None else _typed(args, settings, asking)
    batch = entered.batch
    mind_bucket(settings, batch.bucket)
    balance = refuse_lye_heavy(batch.recipe, args.anyway)
    with open_journal(settings) as journal, journal.transaction():
        journal.add_batch(batch)
        for entry in entered.log:
            journal.add_entry(batch.name, entry)
        if args.anyway:
            reason = one_line(args.anyway, "The reason", MOST_TEXT)
            note = LogEntry("note", batch.started_s, batch.known_from_s, text=f"lye-heavy, gone on because: {reason}")
            journal.add_entry(batch.name, note)
    if args.json:
        print_json(
            {
                "batch": batch.name,
                "bucket": batch.bucket,
                "started": batch.started_s,
                "says": _about(batch, balance),
                "cautions": _cautions(settings),
            }
        )
        return YES
    if not asking:
        _print_cautions(settings)
    print()
    say(f"{batch.name} started in {batch.bucket}, {clock_words(settings, batch.started_s)}.")
    for sentence in _about(batch, balance):
        say(sentence, "- ")
    _say_what_is_next(settings, entered)
    return YES


def _print_cautions(settings: Settings) -> None:
    for caution in _cautions(settings):
        say(caution, "! ")


def _cautions(settings: Settings) -> list[str]:
    """The right bag and the right oil first, then what belongs to lye, pour and blend."""
    bag_and_oil = [step.told_text() for step in STEPS if step.step_id in ("bag", "oil")]
    number = settings.site.emergency_number
    return [*bag_and_oil, *(with_emergency_number(CAUTIONS[key], number) for key in _START_KEYS), tr(DEFERS)]


def _about(batch: Batch, balance: LyeBalance | None) -> list[str]:
    """What is to be said of the recipe and the bucket as entered."""
    recipe = batch.recipe
    lines = list(recipe_warnings(recipe))
    if balance is None or balance.word == "not known":
        lines.append("Oil or potash was not weighed, so nobody can say whether it is short of lye or lye-heavy.")
    else:
        spare, over = balance.oil_to_spare_g, balance.potash_to_spare_g
        more = f", with {spare.low:.0f} to {spare.high:.0f} g of oil to spare" if balance.word == "short of lye" else ""
        if balance.word == "lye-heavy":
            more = f", with {over.low:.0f} to {over.high:.0f} g of potash left however well it reacts"
        lines.append(f"The recipe is likely {balance.word} ({balance.probabilities[balance.word]:.0%}){more}.")
    if recipe.koh_kg is not None and recipe.koh_purity is None:
        lines.append(ASSUMED_IN_WORDS["unknown_purity"])
    if recipe.koh_kg is not None and recipe.water_kg is None:
        lines.append(ASSUMED_IN_WORDS["unweighed_water"])
    lines += room_sentences(room(recipe, batch.vessel) if recipe.oils else None)
    return lines


def _say_what_is_next(settings: Settings, entered: _Entered) -> None:
    bucket = entered.batch.bucket
    kinds = {entry.kind for entry in entered.log}
    if "poured" not in kinds:
        say(
            "Next: note the pour, with the temperature of the mix by any thermometer; it is the most useful figure "
            "there is:"
        )
        print(f"  emberpail mark {_quoted(bucket)} poured --temperature 56C")
    elif "blended" not in kinds:
        say("Next: probe out, blend, probe back in, and note it:")
        print(f"  emberpail mark {_quoted(bucket)} blended")
    if settings.no_phone:
        say("No phone is set: nobody will be rung. Put a [[person]] with routes into emberpail.toml.", "! ")


def _from_file(args: argparse.Namespace) -> _Entered:
    """A batch file as it stands; nothing of it counts as noted before now."""
    beside = [option for option, value in (("NAME", args.name), ("--bucket", args.bucket), ("--oil", args.oil),
              ("--koh", args.koh), ("--purity", args.purity), ("--water", args.water), ("--litres", args.litres),
              ("--insulation", args.insulation), ("--poured", args.poured)) if value]  # fmt: skip
    if beside:
        raise CommandError(f"--from takes all of it from the file: leave out {', '.join(beside)}, or leave out --from.")
    read = read_batch_file(args.batch_file)
    for warning in read.warnings:
        warn(warning)
    noted_at_s = now_s()
    batch = read.batch
    times = [batch.started_s, *(entry.at_s for entry in read.log)]
    if max(times) > noted_at_s + 90.0:
        raise CommandError(f"{args.batch_file}: it holds a time that lies in the future; only what has been can start.")
    if noted_at_s - batch.started_s > OLDEST_S:
        raise CommandError(
            f"{args.batch_file}: it started more than a week ago; to judge an old batch: emberpail replay NAME.rec"
        )
    check_recipe(batch.recipe)
    one_line(batch.name, "The batch's name")
    log = tuple(replace(entry, noted_at_s=max(entry.noted_at_s, noted_at_s)) for entry in read.log)
    return _Entered(replace(batch, noted_at_s=max(noted_at_s, batch.started_s)), log)


def _typed(args: argparse.Namespace, settings: Settings, asking: bool) -> _Entered:
    noted_at_s = now_s()
    started_s = parse_when(args.at, noted_at_s, zone_of(settings))
    planned_s = None if args.dilute_after is None else _planned_dilution_s(args.dilute_after)
    recipe = recipe_of(args)
    poured_c = None if args.poured is None else parse_temperature_c(args.poured, "the mix")
    name, bucket = args.name, args.bucket
    if asking:
        name = name or ask("Name or number of the batch", _name)
        bucket = bucket or ask(_which_bucket(settings), lambda text: _free_bucket(settings, text))
    if not (name or "").strip() or not (bucket or "").strip():
        raise CommandError('Give the batch a name and its bucket: emberpail start "Quillmarsh 12" --bucket shed-2 ...')
    name, bucket = _name(name), _bucket(bucket)
    if asking:
        recipe = ask_recipe(
            recipe, koh_empty="not weighed", water_empty="not weighed"
        )
        if poured_c is None:
            poured_c = ask(
                "Is it poured already? Then the temperature of the mix, like 56 C",
                lambda text: parse_temperature_c(text, "the mix"),
                empty="not yet",
            )
    elif not args.unweighed:
        _ask_for_missing(recipe)
    batch = Batch(
        name=name,
        bucket=bucket,
        started_s=started_s,
        recipe=recipe,
        vessel=vessel_of(args, settings, bucket),
        noted_at_s=noted_at_s,
    )
    if planned_s is not None:
        batch = replace(batch, planned_dilution_s=planned_s)
    log = () if poured_c is None else (LogEntry("poured", started_s, noted_at_s, temperature_c=poured_c),)
    return _Entered(batch, log)


def _ask_for_missing(recipe: Recipe) -> None:
    missing = [words for words, there in (('the oil (--oil "sunflower 4.2 kg")', recipe.oils),
               ("the potash (--koh 850g)", recipe.koh_kg)) if not there]  # fmt: skip
    if missing:
        raise CommandError(f"Give {' and '.join(missing)} as weighed, or --unweighed where nobody weighed it.")


def _planned_dilution_s(text: str) -> float:
    span_s = parse_span_s(text)
    if not 24.0 <= span_s / 3600.0 <= 240.0:
        raise CommandError("The paste ages one to ten days: give --dilute-after 24h to 240h.")
    return span_s


def _name(text: str) -> str:
    return one_line(text, "The batch's name")


def _bucket(text: str) -> str:
    bucket = one_line(text, "The bucket's name", MOST_NAME)
    if not all(c.isascii() and (c.isalnum() or c in "-:._") for c in bucket) or not bucket[:1].isalnum():
        raise CommandError(
            f"A bucket called {shown(text)} cannot travel over the wire: letters, digits and - : . _ are allowed, a "
            "letter or digit first, as its node sends it."
        )
    return bucket


def _free_bucket(settings: Settings, text: str) -> str:
    """The bucket, while nothing runs in it: better told before ten questions than after."""
    bucket = _bucket(text)
    journal = open_journal_to_read(settings)
    if journal is not None:
        with journal:
            running = journal.batch_in(bucket)
        if running is not None:
            raise CommandError(f"{running.name} runs in {bucket}: name another bucket, or Ctrl-C and end it first.")
    return bucket


def _which_bucket(settings: Settings) -> str:
    names = [one.name for one in settings.buckets]
    return f"Bucket, one of {', '.join(names)}" if names else "Bucket, as its node sends it, like shed-2"


# ---- mark ----------------------------------------------------------------------------------------------------------


def run_mark(args: argparse.Namespace) -> int:
    """Note an entry, or take the last one back."""
    settings = settings_of(args)
    kind = None if args.kind is None else _kind(args.kind)
    if kind is None and not args.undo:
        raise CommandError(f"Say what was done; one of: {', '.join(LOG_KINDS)}.")
    text, who = one_line(args.text, "The remark", MOST_TEXT), one_line(args.who, "The name after --who")
    noted_at_s = now_s()
    at_s = parse_when(args.at, noted_at_s, zone_of(settings))
    temperature_c = None if args.temperature is None else parse_temperature_c(args.temperature)
    kg = None if args.mass is None else parse_water_kg(args.mass, "the water")
    if kg is not None and kind != "water-added":
        raise CommandError(f"--mass says how much water was added: it goes with water-added, not with {kind}.")
    with open_journal(settings) as journal:
        batch = running_in(journal, args.bucket)
        if args.undo:
            return _undo(args, settings, journal, batch, kind)
        if at_s < batch.started_s - _BEFORE_START_S:
            raise CommandError(
                f"{clock_words(settings, at_s)} is more than a day before {batch.name} started "
                f"({clock_words(settings, batch.started_s)}); check the time or the bucket."
            )
        assert kind is not None
        entry = journal.add_entry(batch.name, LogEntry(kind, at_s, noted_at_s, temperature_c, kg, text), who=who)
    if args.json:
        print_json({"entry": entry.entry_id, "kind": entry.kind, "at": entry.at_s, "batch": batch.name})
        return YES
    say(f"{batch.bucket}, {batch.name}: {entry.kind} at {clock_words(settings, at_s)}.")
    print(f"Wrong? emberpail mark {_quoted(args.bucket)} --undo")
    for hint in _hints(entry, batch):
        say(hint)
    if entry.kind in _DEED_OF:
        for caution in cautions_for(_DEED_OF[entry.kind], emergency_number=settings.site.emergency_number):
            say(caution, "! ")
    return YES


def _kind(text: str) -> str:
    plain = text.strip().lower().replace("_", "-").replace(" ", "-")
    if plain not in LOG_KINDS:
        raise CommandError(
            f"{shown(text)} is no log entry.{meant(plain, LOG_KINDS)} It may be one of: {', '.join(LOG_KINDS)}."
        )
    return plain


def _hints(entry: LogEntry, batch: Batch) -> list[str]:
    """What the next step needs, or what would have made this entry more useful."""
    bucket = _quoted(batch.bucket)
    if entry.kind == "poured" and entry.temperature_c is None:
        return [
            "Stick a thermometer into the mix and note it, it makes every figure surer: "
            f"emberpail mark {bucket} --undo, then emberpail mark {bucket} poured --temperature 56C"
        ]
    if entry.kind in ("blended", "reblended"):
        return [
            f"Probe back in now, and note it: emberpail mark {bucket} probe-in",
            "Look 20 minutes after it: taken is stiff, past 75 to 80 °C, no oil on top.",
        ]
    if entry.kind == "water-added" and entry.kg is None:
        return [f"How much? emberpail mark {bucket} --undo, then emberpail mark {bucket} water-added --mass 8kg"]
    return []


def _undo(args: argparse.Namespace, settings: Settings, journal: Journal, batch: Batch, kind: str | None) -> int:
    entries = [entry for entry in journal.entries(batch.name) if kind in (None, entry.kind)]
    if not entries:
        what = "nothing" if kind is None else f"no {kind}"
        raise CommandError(f"The log of {batch.name} holds {what} to take back.")
    entry = entries[-1]
    journal.undo_entry(entry.entry_id, now_s())
    if args.json:
        print_json({"undone": entry.entry_id, "kind": entry.kind, "batch": batch.name})
    else:
        say(f"Taken back: {entry.kind} at {clock_words(settings, entry.at_s)} of {batch.name}.")
    return YES


# ---- end -----------------------------------------------------------------------------------------------------------


def run_end(args: argparse.Namespace) -> int:
    """End a batch: its bucket is free and its alarms stand no longer."""
    settings = settings_of(args)
    noted_at_s = now_s()
    at_s = parse_when(args.at, noted_at_s, zone_of(settings))
    with open_journal(settings) as journal:
        batch = running_in(journal, args.bucket)
        if at_s < batch.started_s:
            raise CommandError(
                f"{batch.name} started {clock_words(settings, batch.started_s)} and cannot have ended before that; "
                "check the time or the bucket."
            )
        journal.end_batch(batch.name, at_s, noted_at_s, args.outcome)
    if args.json:
        print_json({"batch": batch.name, "bucket": batch.bucket, "ended": at_s, "outcome": args.outcome})
        return YES
    say(f"{batch.name} in {batch.bucket} has ended: {args.outcome}. It is no longer minded, and nobody is rung for it.")
    for caution in cautions_for(_DEED_OF_END[args.outcome], emergency_number=settings.site.emergency_number):
        say(caution, "! ")
    return YES


def running_in(journal: Journal, bucket_or_batch: str) -> Batch:
    """The running batch of a bucket, by the bucket's or the batch's name; CommandError with those that run."""
    running = journal.running_batches()
    for batch in running:
        if bucket_or_batch in (batch.bucket, batch.name):
            return batch
    if not running:
        raise CommandError(f"No batch runs in {shown(bucket_or_batch)}: start one first, see emberpail start --help.")
    known = ", ".join(f"{batch.bucket} ({batch.name})" for batch in running)
    names = [name for batch in running for name in (batch.bucket, batch.name)]
    raise CommandError(f"No batch runs in {shown(bucket_or_batch)}; these do: {known}.{meant(bucket_or_batch, names)}")


def _quoted(name: str) -> str:
    return f'"{name}"' if " " in name else name
