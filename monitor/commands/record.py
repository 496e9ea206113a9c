"""``record`` and ``batches``: what is kept of a batch, put right where it was wrong, and found again."""

from __future__ import annotations

import argparse
import dataclasses
import hashlib
import os
import re
import shutil
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

from monitor.commands import NO, YES
from monitor.commands.common import (
    MOST_TEXT,
    CommandError,
    clock_words,
    now_s,
    one_line,
    open_journal,
    open_journal_to_read,
    parser_for,
    print_json,
    say,
    settings_of,
    shown,
)
from monitor.commands.recipe_args import read_koh_kg, refuse_lye_heavy
from monitor.commands.which import batch_called
from monitor.domain import INSULATIONS, OilShare, Recipe, Vessel
from monitor.journal.database import BatchRecord, Journal, Photo
from monitor.judgement.phrases import percent_with_range
from monitor.retelling import retold
from monitor.settings import Settings
from monitor.trade.amounts import BadAmount, parse_oil, parse_opened, parse_purity, parse_volume_l, parse_water_kg
from monitor.trade.cautions import cautions_for
from monitor.trade.oils import find_oil_or_generic
from monitor.trade.recipe import check_recipe
from monitor.trade.record import FIELDS, field_named, field_words, read_field, told_value
from monitor.words import DATE, mark, quantity, tr, trn, when

# What was weighed, corrected by name: these change the recipe or the vessel, the others are details of the record.
AMENDS = ("oil", "koh", "purity", "water", "litres", "insulation")
# "water" is also a detail (which water); a mass or volume means the first water of the recipe.
_AMOUNT = re.compile(r"\s*[\d.,]+\s*[A-Za-z]")
_MOST_PHOTO_BYTES = 100 * 1024 * 1024
_OUTCOMES = {"": mark("running"), "filled": mark("filled"), "held": mark("held back"), "discarded": mark("discarded")}


def add(parsers: Any) -> None:
    """Describe the two commands."""
    record = parser_for(
        parsers, "record", tr("the record of a batch: show it, add to it, put it right"),
        'emberpail record "Quillmarsh 12" potash-lot K-17\n  emberpail record shed-2 koh 860g',
        description=tr(
            "Show all that is kept of a batch, running or ended; or note one thing of it: {fields}, a photo by its "
            "file, or a corrected weight ({amends}). What stood there before is kept. A dash takes a field back.",
            fields=", ".join(FIELDS), amends=", ".join(AMENDS),
        ),
    )  # fmt: skip
    record.add_argument("batch", help=tr("the batch, or the bucket it is or was in"))
    record.add_argument("field", nargs="?", help=tr("what to note; left out, the record is shown"))
    record.add_argument("value", nargs="?", help=tr("its value, with the unit"))
    record.add_argument("--caption", default="", help=tr("what a photo shows"))
    record.add_argument(
        "--keep-copy", action="store_true", help=tr("copy the photo into a folder beside the journal, too")
    )
    record.add_argument("--who", default="", help=tr("who notes it"))
    record.add_argument("--anyway", metavar="REASON", help=tr("keep a corrected recipe that is lye-heavy, and why"))
    record.add_argument("--json", action="store_true", help=tr("for programs"))
    record.set_defaults(run=run_record)
    batches = parser_for(
        parsers, "batches", tr("find batches, running and past"), "emberpail batches rapeseed --from 2026-01",
        description=tr("All batches, the newest first, or those in whose record every word given is found."),
    )  # fmt: skip
    batches.add_argument("words", nargs="*", help=tr("words in name, bucket, oils, record or log"))
    batches.add_argument("--from", dest="from_day", metavar="DATE", help=tr("made on or after: 2026-01 or 2026-01-17"))
    batches.add_argument("--to", dest="to_day", metavar="DATE", help=tr("made on or before"))
    batches.add_argument("--outcome", choices=("running", "filled", "held", "discarded"), help=tr("how it ended"))
    batches.add_argument("--json", action="store_true", help=tr("for programs"))
    batches.set_defaults(run=run_batches)


# ---- record --------------------------------------------------------------------------------------------------------


def run_record(args: argparse.Namespace) -> int:
    """Show the record, or note one thing of it."""
    settings = settings_of(args)
    if args.field is None:
        journal = _journal_to_read(settings)
        with journal:
            record = batch_called(journal, args.batch)
            if args.json:
                print_json(as_values(journal, record))
            else:
                _print_record(journal, settings, record)
        return YES
    who = one_line(args.who, tr("The name after --who"))
    with open_journal(settings) as journal:
        record = batch_called(journal, args.batch)
        done = _note(args, settings, journal, record, who)
    if args.json:
        print_json({"batch": record.batch.name, "noted": done})
    else:
        say(done)
    return YES


def _journal_to_read(settings: Settings) -> Journal:
    journal = open_journal_to_read(settings)
    if journal is None:
        raise CommandError(tr("There is no batch yet: start one first, see emberpail start --help."))
    return journal


def _note(args: argparse.Namespace, settings: Settings, journal: Journal, record: BatchRecord, who: str) -> str:
    """Note what was typed; returns the sentence that says so."""
    name = args.field.strip().lower().replace("_", "-")
    if args.value is None:
        raise CommandError(
            tr("Give the value too: emberpail record {batch} {field} VALUE (a dash takes it back).",
               batch=shown(args.batch), field=name)
        )  # fmt: skip
    if name == "photo":
        return _note_photo(args, settings, journal, record, who)
    if name in AMENDS and not (name == "water" and not _AMOUNT.match(args.value)):
        return _amend(args, journal, record, name, who)
    field = field_named(name)
    value = read_field(name, args.value, settings.local_time(now_s()).date())
    before = journal.details(record.batch.name).get(field.name)
    journal.add_detail(record.batch.name, field.name, value, now_s(), who)
    told = told_value(field.name, value) if value else tr("taken back")
    if before is None or field.many:
        return tr("{batch}: {field}: {value}.", batch=record.batch.name, field=field_words(field.name), value=told)
    return tr(
        "{batch}: {field}: {value} (before: {before}, which stays in the record).",
        batch=record.batch.name, field=field_words(field.name), value=told,
        before=told_value(field.name, before.value),
    )  # fmt: skip


def _note_photo(
    args: argparse.Namespace, settings: Settings, journal: Journal, record: BatchRecord, who: str
) -> str:
    path = Path(args.value).expanduser()
    try:
        size = path.stat().st_size
        if not path.is_file():
            raise CommandError(tr("{path} is no file: name a photograph.", path=str(path)))
        if size > _MOST_PHOTO_BYTES:
            raise CommandError(tr("{path} is larger than {n} MB: name a smaller file.", path=str(path), n=100))
        digest = hashlib.sha256(path.read_bytes()).hexdigest()
        taken_s = min(path.stat().st_mtime, now_s())
        kept = path.absolute()
        if args.keep_copy:
            kept = settings.journal_path.absolute().parent / "photos" / f"{digest[:16]}{path.suffix.lower()}"
            kept.parent.mkdir(exist_ok=True)
            half = kept.with_name(kept.name + ".part")
            shutil.copyfile(path, half)
            os.replace(half, kept)
    except OSError as error:
        raise CommandError(
            tr("{path} cannot be read or copied ({reason}): correct the path.", path=str(path), reason=error.strerror)
        ) from None
    caption = one_line(args.caption, tr("The caption"), MOST_TEXT)
    journal.add_photo(Photo(record.batch.name, str(kept), digest, caption, taken_s, now_s(), who))
    return tr("{batch}: photograph {path} noted.", batch=record.batch.name, path=str(kept))


def _amend(args: argparse.Namespace, journal: Journal, record: BatchRecord, name: str, who: str) -> str:
    """Correct what was weighed: checked as at the start, the old value said."""
    recipe, vessel = journal.recipe_now(record.batch.name)
    fresh, fresh_vessel, before, after = _amended(name, args.value, recipe, vessel)
    check_recipe(fresh)
    refuse_lye_heavy(fresh, args.anyway)
    reason = one_line(args.anyway, tr("The reason"), MOST_TEXT) if args.anyway else ""
    with journal.transaction():
        journal.amend_batch(record.batch.name, fresh, fresh_vessel, now_s(), who)
        if reason:
            remark = tr("lye-heavy, gone on because: {reason}", reason=reason)
            journal.add_detail(record.batch.name, "remark", remark, now_s(), who)
    counts = tr("It counts from now on.") if record.ended_s is None else ""
    return tr(
        "{batch}: {what} {after} (before: {before}, which stays in the record). {counts}",
        batch=record.batch.name, what=name, after=after, before=before, counts=counts,
    ).strip()  # fmt: skip


def _amended(name: str, text: str, recipe: Recipe, vessel: Vessel) -> tuple[Recipe, Vessel, str, str]:
    """Recipe and vessel with one thing put right, and that thing before and after in words."""
    if name == "koh":
        kg = read_koh_kg(text)
        return dataclasses.replace(recipe, koh_kg=kg), vessel, _mass(recipe.koh_kg), _mass(kg)
    if name == "water":
        kg = parse_water_kg(text, tr("the first water"))
        return dataclasses.replace(recipe, water_kg=kg), vessel, _mass(recipe.water_kg), _mass(kg)
    if name == "purity":
        share = parse_purity(text)
        return dataclasses.replace(recipe, koh_purity=share), vessel, _percent(recipe.koh_purity), _percent(share)
    if name == "litres":
        litres = parse_volume_l(text, tr("the bucket"), default_unit="L")
        return recipe, dataclasses.replace(vessel, litres=litres), _litres(vessel.litres), _litres(litres)
    if name == "insulation":
        if text not in INSULATIONS:
            raise CommandError(
                tr("{text} is none of {known}: write one of these.", text=shown(text), known=", ".join(INSULATIONS))
            )
        return recipe, dataclasses.replace(vessel, insulation=text), vessel.insulation, text
    return _amended_oil(text, recipe, vessel)


def _amended_oil(text: str, recipe: Recipe, vessel: Vessel) -> tuple[Recipe, Vessel, str, str]:
    share = parse_oil(text)
    same = [oil for oil in recipe.oils if find_oil_or_generic(oil.name).name == find_oil_or_generic(share.name).name]
    if not same:
        oils = (*recipe.oils, share)
        fresh = dataclasses.replace(recipe, oils=oils)
        return fresh, vessel, tr("not in the recipe"), f"{share.name} {_mass(share.kg)}"
    oils = tuple(OilShare(oil.name, share.kg) if oil is same[0] else oil for oil in recipe.oils)
    return dataclasses.replace(recipe, oils=oils), vessel, _mass(same[0].kg), f"{same[0].name} {_mass(share.kg)}"


def _mass(kg: float | None) -> str:
    return tr("not weighed") if kg is None else quantity(kg, "kg", 3)


def _litres(litres: float | None) -> str:
    return tr("not noted") if litres is None else quantity(litres, "litres", 1)


def _percent(share: float | None) -> str:
    return tr("not noted") if share is None else tr("{percent:.1f} %", percent=100.0 * share)


# ---- showing -------------------------------------------------------------------------------------------------------


def _print_record(journal: Journal, settings: Settings, record: BatchRecord) -> None:
    batch = record.batch
    details = journal.details(batch.name)
    say(
        tr("{batch}, in {bucket}: started {when}, {outcome}.", batch=batch.name, bucket=batch.bucket,
           when=clock_words(settings, batch.started_s), outcome=tr(_OUTCOMES.get(record.outcome, record.outcome)))
    )  # fmt: skip
    _section(tr("Recipe"), recipe_lines(journal, settings, batch.name))
    lines = [f"{field_words(name)}: {told_value(name, detail.value)}" for name, detail in details.items()
             if not (name in FIELDS and FIELDS[name].many)]  # fmt: skip
    if "free_alkali_percent" not in details:
        lines.append(tr("free alkali: not tested"))
    _section(tr("Record"), lines)
    _section(tr("Corrected before"), corrected_lines(journal, settings, batch.name))
    remarks = [f"{clock_words(settings, detail.noted_at_s)}  {detail.value}"
               for detail in journal.detail_history(batch.name) if detail.field == "remark" and detail.value]
    _section(tr("Remarks"), remarks)
    _section(tr("Photographs"), [f"{photo.path}  {photo.caption}".rstrip() for photo in journal.photos(batch.name)])
    _section(tr("Log"), log_lines(journal, settings, batch.name))
    _section(tr("Alarms"), alarm_lines(journal, settings, batch.name))
    _section(tr("How far it went"), verdict_lines(journal, batch.name))
    for caution in cautions_for("test", settings.site.emergency_number):
        say(caution, "! ")


def _section(title: str, lines: list[str]) -> None:
    if lines:
        print()
        say(title)
        for line in lines:
            say(line, "  ", "    ")


def recipe_lines(journal: Journal, settings: Settings, name: str) -> list[str]:
    """What was weighed, as it is known now."""
    recipe, vessel = journal.recipe_now(name)
    lines = [f"{oil.name}: {_mass(oil.kg)}" for oil in recipe.oils]
    lines.append(
        tr("potash (KOH), {purity} on the bag: {mass}", purity=_percent(recipe.koh_purity), mass=_mass(recipe.koh_kg))
    )
    lines.append(tr("first water: {mass}", mass=_mass(recipe.water_kg)))
    lines.append(tr("bucket: {litres}, {insulation}", litres=_litres(vessel.litres), insulation=vessel.insulation))
    return lines


def corrected_lines(journal: Journal, settings: Settings, name: str) -> list[str]:
    """What was believed before, and since when no longer."""
    lines = []
    record = journal.batch(name)
    old = None if record is None else record.batch.recipe
    for amendment in journal.amendments(name):
        if old is not None and amendment.recipe != old:
            was = ", ".join(
                [f"{oil.name} {_mass(oil.kg)}" for oil in old.oils]
                + [f"KOH {_mass(old.koh_kg)}", _percent(old.koh_purity), tr("water {mass}", mass=_mass(old.water_kg))]
            )
            at = clock_words(settings, amendment.noted_at_s)
            lines.append(tr("until {when} the recipe was: {recipe}", when=at, recipe=was))
        old = amendment.recipe
    newest: dict[str, Any] = {}
    for detail in journal.detail_history(name):
        before = newest.get(detail.field)
        many = detail.field in FIELDS and FIELDS[detail.field].many
        if before is not None and before.value and not many:
            at = clock_words(settings, detail.noted_at_s)
            lines.append(
                tr("until {when} {field} was: {value}", when=at, field=field_words(detail.field),
                   value=told_value(detail.field, before.value))
            )  # fmt: skip
        newest[detail.field] = detail
    return lines


def log_lines(journal: Journal, settings: Settings, name: str) -> list[str]:
    """The log in the order in which things happened, with what was taken back said to be so."""
    lines = []
    for logged in sorted(journal.log(name), key=lambda one: (one.entry.at_s, one.entry.noted_at_s)):
        entry = logged.entry
        parts = [
            entry.kind,
            "" if entry.temperature_c is None else quantity(entry.temperature_c, "degC"),
            "" if entry.kg is None else quantity(entry.kg, "kg", 1),
            entry.text,
            logged.who,
            "" if logged.undone_at_s is None else tr("(taken back)"),
        ]
        lines.append(f"{clock_words(settings, entry.at_s)}  {', '.join(part for part in parts if part)}")
    return lines


def alarm_lines(journal: Journal, settings: Settings, name: str) -> list[str]:
    """Every alarm of the batch, when and what it said."""
    return [
        f"{clock_words(settings, alarm.raised_at_s)}  {retold(alarm)[0]}"
        for alarm in journal.alarms()
        if alarm.batch == name and alarm.raised_at_s is not None
    ]


def verdict_lines(journal: Journal, name: str) -> list[str]:
    """How far it went, with its range; never without."""
    events = journal.events(name)
    last = next((event for event in reversed(events) if event.event in ("verdict", "estimate")), None)
    if last is None:
        return []
    what = "completeness" if last.event == "verdict" else "final_completeness"
    share = percent_with_range(_figure(last.values, what), _figure(last.values, f"{what}_sd"))
    if not share:
        return [tr("How far it went cannot be said.")]
    return [
        tr("By the dilution: {share} of the soap this recipe promises.", share=share),
        tr("Potash may be left however far it went: only a test for free alkali tells."),
    ]


def _figure(values: Mapping[str, object], name: str) -> float | None:
    value = values.get(name)
    return float(value) if isinstance(value, int | float) else None


def as_values(journal: Journal, record: BatchRecord) -> dict[str, object]:
    """The whole record for programs: SI units, Unix seconds."""
    name = record.batch.name
    recipe, vessel = journal.recipe_now(name)
    return {
        "batch": dataclasses.asdict(record.batch),
        "ended_s": record.ended_s,
        "outcome": record.outcome,
        "recipe_now": dataclasses.asdict(recipe),
        "vessel_now": dataclasses.asdict(vessel),
        "details": {field: detail.value for field, detail in journal.details(name).items()},
        "history": [dataclasses.asdict(detail) for detail in journal.detail_history(name)],
        "amendments": [dataclasses.asdict(amendment) for amendment in journal.amendments(name)],
        "photos": [dataclasses.asdict(photo) for photo in journal.photos(name, with_undone=True)],
        "log": [dataclasses.asdict(logged) for logged in journal.log(name)],
        "cautions": list(cautions_for("test")),
    }


# ---- batches -------------------------------------------------------------------------------------------------------


def run_batches(args: argparse.Namespace) -> int:
    """The batches that fit, the newest first; exit code 1 when none does."""
    settings = settings_of(args)
    today = settings.local_time(now_s()).date()
    first = None if args.from_day is None else _day(args.from_day, today)
    last = None if args.to_day is None else _day(args.to_day, today, end=True)
    journal = open_journal_to_read(settings)
    records: list[BatchRecord] = []
    if journal is not None:
        with journal:
            words = [word.casefold() for word in args.words]
            records = [
                record
                for record in reversed(journal.batches())
                if _fits(args, settings, record, first, last) and _holds(journal, record, words)
            ]
            lines = [_line(journal, settings, record) for record in records]
    if args.json:
        print_json([{"batch": one.batch.name, "bucket": one.batch.bucket, "started_s": one.batch.started_s,
                     "ended_s": one.ended_s, "outcome": one.outcome or "running"} for one in records])
        return YES if records else NO
    if not records:
        say(tr("No batch fits."))
        return NO
    for line in lines:
        say(line, "", "    ")
    say(trn("{n} batch.", "{n} batches.", len(records)))
    return YES


def _day(text: str, today: date, *, end: bool = False) -> date:
    """A day, or a month that stands for its first (or last) day. Days to come are taken as today."""
    plain = text.strip()
    month = re.fullmatch(r"(\d{4})-(\d{1,2})", plain)
    if end and month is not None:
        year, number = int(month[1]), int(month[2])
        following = date(year + number // 12, number % 12 + 1, 1) if 1 <= number <= 12 and year < 9999 else None
        if following is not None:
            return date.fromordinal(following.toordinal() - 1)
    try:
        return parse_opened(plain, today)
    except BadAmount:
        raise CommandError(
            tr("{text} is no day of the last years: write it like 2026-01 or 2026-01-17.", text=shown(plain))
        ) from None


def _fits(
    args: argparse.Namespace, settings: Settings, record: BatchRecord, first: date | None, last: date | None
) -> bool:
    made = settings.local_time(record.batch.started_s).date()
    outcome = "running" if record.ended_s is None else record.outcome
    return (
        (args.outcome is None or outcome == args.outcome)
        and (first is None or made >= first)
        and (last is None or made <= last)
    )


def _holds(journal: Journal, record: BatchRecord, words: list[str]) -> bool:
    """Whether every word stands somewhere in the record."""
    if not words:
        return True
    name = record.batch.name
    recipe, _ = journal.recipe_now(name)
    texts = [name, record.batch.bucket, *(oil.name for oil in recipe.oils)]
    texts += [detail.value for detail in journal.details(name).values()]
    texts += [detail.value for detail in journal.detail_history(name) if detail.field == "remark"]
    texts += [photo.caption for photo in journal.photos(name)]
    texts += [part for logged in journal.log(name) for part in (logged.entry.kind, logged.entry.text, logged.who)]
    all_of_it = "\n".join(texts).casefold()
    return all(word in all_of_it for word in words)


def _line(journal: Journal, settings: Settings, record: BatchRecord) -> str:
    details = journal.details(record.batch.name)
    parts = [
        when(settings.local_time(record.batch.started_s).date(), DATE),
        record.batch.name,
        record.batch.bucket,
        tr(_OUTCOMES.get(record.outcome if record.ended_s is not None else "", record.outcome)),
    ]
    parts += [told_value(name, details[name].value) for name in ("yield_litres", "yield_kg") if name in details][:1]
    return "  ".join(parts)
