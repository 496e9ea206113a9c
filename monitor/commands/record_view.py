"""The whole record of one batch, running or ended: as lines for a person, as plain values for a program."""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Iterator, Sequence
from datetime import date
from pathlib import Path
from typing import Any

from monitor.commands.common import clock_words, wrapped
from monitor.domain import PASTE_PROBES, Event, LogEntry
from monitor.journal.database import AlarmRecord, BatchRecord, Detail, Journal, LoggedEntry, Photo
from monitor.journal.photo_files import kept_copy
from monitor.judgement.phrases import percent_with_range
from monitor.moving import moved_from
from monitor.settings import Settings
from monitor.trade.amend import AMENDABLE, amended_fields, told_recipe
from monitor.trade.amounts import months_between
from monitor.trade.cautions import cautions_for
from monitor.trade.filled import NO_DOUBTS, Doubts
from monitor.trade.recipe import lye_balance
from monitor.trade.record import FIELDS, field_words, those_that_stand, told_value
from monitor.trade.steps import STEP_BY_ID, checklist
from monitor.trade.telling import balance_sentences
from monitor.words import DATE, ENGLISH, TIME, mark, quantity, tr, trc, voice, when

# How a batch ends, as typed and kept, and in words.
OUTCOMES = {
    "": mark("running"), "filled": mark("filled"), "held": mark("held back"), "discarded": mark("discarded"),
}  # fmt: skip

# The steps at which somebody judged the batch by eye or by a test.
_CHECKS = ("taken", "day-one", "day-three", "test")
_LATE_NOTE_S = 300.0


@dataclasses.dataclass(frozen=True, slots=True)
class Peak:
    """The hottest that was read in the paste: what, about when, by which probe."""

    temperature_c: float
    at_s: float
    probe: str


# ---- for a person --------------------------------------------------------------------------------------------------


def record_lines(journal: Journal, settings: Settings, record: BatchRecord, now_s: float) -> list[str]:
    """Everything that is kept of a batch, wrapped to the terminal."""
    batch = record.batch
    history = journal.detail_history(batch.name)
    log = journal.log(batch.name)
    alarms = journal.alarms(batch=batch.name)
    lines = wrapped(tr("{batch} in {bucket}", batch=batch.name, bucket=batch.bucket))
    lines += _field_lines([(field_words("number"), number_of(journal, batch.name)), *_times(settings, record)])
    lines += _section(tr("As weighed"), _recipe_lines(journal, settings, record))
    lines += _section(tr("Noted"), _detail_lines(settings, history))
    lines += _section(tr("Log"), [line for logged in log for line in _log_lines(settings, logged)])
    lines += _section(tr("Checks"), _check_lines(settings, log, now_s, batch.planned_dilution_s))
    lines += _section(tr("What the heat told"), _heat_lines(journal, settings, record, now_s))
    lines += _section(tr("Alarms"), [line for alarm in alarms for line in _alarm_lines(settings, alarm)])
    photos = journal.photos(batch.name)
    lines += _section(tr("Photographs"), [line for photo in photos for line in _photo_lines(settings, photo)])
    lines += _section(tr("Remarks"), _remark_lines(settings, history))
    lines += [""]
    for sentence in cautions_for("test", settings.site.emergency_number):
        lines += wrapped(sentence, "! ")
    return lines


def number_of(journal: Journal, name: str) -> str:
    """The batch number; where none was noted the name is one."""
    detail = journal.details(name).get("number")
    return name if detail is None else detail.value


def _times(settings: Settings, record: BatchRecord) -> list[tuple[str, str]]:
    batch = record.batch
    started = _with_year(settings, batch.started_s)
    if batch.known_from_s - batch.started_s > _LATE_NOTE_S:
        started = tr("{time} (noted {noted})", time=started, noted=clock_words(settings, batch.known_from_s))
    if record.ended_s is None:
        return [(tr("started"), started), (tr("ended"), trc("a batch", "not yet"))]
    ended = _with_year(settings, record.ended_s)
    if record.outcome:
        ended = tr("{time}: {outcome}", time=ended, outcome=tr(OUTCOMES.get(record.outcome, record.outcome)))
    return [(tr("started"), started), (tr("ended"), ended)]


def _with_year(settings: Settings, at_s: float) -> str:
    at = settings.local_time(at_s)
    return f"{when(at, DATE)} {when(at, TIME)}"


def _recipe_lines(journal: Journal, settings: Settings, record: BatchRecord) -> list[str]:
    """Each figure as it is known now, and under it what stood there before and until when."""
    name = record.batch.name
    recipe, vessel = journal.recipe_now(name)
    now = told_recipe(recipe, vessel)
    before: dict[str, list[str]] = {field: [] for field in AMENDABLE}
    then = record.batch.recipe, record.batch.vessel
    for amendment in journal.amendments(name):
        after = amendment.recipe, amendment.vessel
        for field in amended_fields(then, after):
            before[field].append(_before(settings, told_recipe(*then)[field], amendment.noted_at_s, amendment.who))
        then = after
    lines: list[str] = []
    for field, words in AMENDABLE.items():
        lines += _field_lines([(tr(words), now[field])])
        for old in before[field]:
            lines += wrapped(old, "    ")
    if recipe.oils:
        for sentence in balance_sentences(lye_balance(recipe, bag_doubts(journal, settings, record))):
            lines += wrapped(sentence, "  ", "    ")
    return lines


def _before(settings: Settings, value: str, until_s: float, who: str) -> str:
    time = clock_words(settings, until_s)
    if who:
        return tr("before: {value}, until {who} corrected it {time}", value=value, who=who, time=time)
    return tr("before: {value}, until it was corrected {time}", value=value, time=time)


def _detail_lines(settings: Settings, history: Sequence[Detail]) -> list[str]:
    lines: list[str] = []
    known = [name for name in FIELDS if name not in ("number", "remark")]
    strange = [detail.field for detail in history if detail.field not in FIELDS]
    for name in dict.fromkeys(["number", *known, *strange]):
        rows = [detail for detail in history if detail.field == name]
        if not rows:
            continue
        newest = rows[-1]
        told = told_value(name, newest.value) if newest.value else tr("taken back")
        if newest.who:
            told = tr("{value} (noted by {who})", value=told, who=newest.who)
        lines += _field_lines([(field_words(name), told)])
        for old, new in itertools.pairwise(rows):
            if old.value and old.value != new.value:
                lines += wrapped(_before(settings, told_value(name, old.value), new.noted_at_s, new.who), "    ")
    if not any(detail.field == "free_alkali_percent" and detail.value for detail in history):
        lines += wrapped(tr("free alkali: not tested"), "  ", "    ")
    return lines


def _log_lines(settings: Settings, logged: LoggedEntry) -> list[str]:
    entry = logged.entry
    told = entry_words(entry)
    if logged.who:
        told = tr("{entry} ({who})", entry=told, who=logged.who)
    if moved_from(entry.entry_id):
        told = tr("{entry}, moved from {bucket}", entry=told, bucket=moved_from(entry.entry_id))
    if entry.noted_at_s - entry.at_s > _LATE_NOTE_S:
        told = tr("{entry}; noted {time}", entry=told, time=clock_words(settings, entry.noted_at_s))
    if logged.undone_at_s is not None:
        told = tr("TAKEN BACK {time}: {entry}", entry=told, time=clock_words(settings, logged.undone_at_s))
    return wrapped(told, f"  {clock_words(settings, entry.at_s)}  ", "      ")


def entry_words(entry: LogEntry) -> str:
    """A log entry in one line: its kind, its figures, its text; a ticked step by its title."""
    text = entry.text
    for step in STEP_BY_ID.values():
        if step.entry_text and entry.kind == "note" and text == step.entry_text:
            text = trc("a step", "done: {step}", step=step.told_title())
    parts = [
        entry.kind,
        "" if entry.temperature_c is None else quantity(entry.temperature_c, "degC"),
        "" if entry.kg is None else quantity(entry.kg, "kg"),
        text,
    ]
    return ", ".join(part for part in parts if part)


def _check_lines(settings: Settings, log: Sequence[LoggedEntry], now_s: float, planned_s: float) -> list[str]:
    entries = [logged.entry for logged in log if logged.undone_at_s is None]
    lines: list[str] = []
    for state in checklist(entries, now_s, planned_dilution_s=planned_s):
        if state.step.step_id in _CHECKS:
            done = tr("not noted") if state.done_at_s is None else clock_words(settings, state.done_at_s)
            lines += _field_lines([(f"{state.step.told_day()}, {state.step.told_title().rstrip('?')}", done)])
    return lines


def _heat_lines(journal: Journal, settings: Settings, record: BatchRecord, now_s: float) -> list[str]:
    lines: list[str] = []
    peak = hottest(journal, record, now_s)
    if peak is not None:
        lines += wrapped(
            tr(
                "Hottest reading in the paste: {temperature_c:degC} ({probe}), about {time}.",
                temperature_c=peak.temperature_c,
                probe=peak.probe,
                time=clock_words(settings, peak.at_s),
            ),
            "  ",
            "    ",
        )
    verdict, estimate = _verdict(journal, record.batch.name), journal.last_estimate(record.batch.name)
    share = _share(verdict, "completeness") or _share(estimate, "final_completeness")
    if verdict is not None and voice() == ENGLISH and verdict.values.get("says"):
        lines += wrapped(str(verdict.values["says"]), "  ", "    ")
    elif share:
        told = tr("By the dilution: {share} of the soap this recipe promises.", share=share)
        lines += wrapped(told, "  ", "    ")
    elif verdict is not None or estimate is not None:
        lines += wrapped(tr("How far it went cannot be said."), "  ", "    ")
    if lines:
        lines += wrapped(
            tr("Potash may be left however far it went: only a test for free alkali tells."), "  ", "    "
        )
    return lines


def _alarm_lines(settings: Settings, alarm: AlarmRecord) -> list[str]:
    from monitor.retelling import retold

    says, _ = retold(alarm)
    since = "" if alarm.raised_at_s is None else clock_words(settings, alarm.raised_at_s)
    if alarm.state == "normal" or alarm.cleared_at_s is not None:
        return wrapped(tr("over: {text}", text=says), f"  {since}  ", "      ")
    return wrapped(tr("STANDS: {text}", text=says), f"  {since}  ", "      ")


def _photo_lines(settings: Settings, photo: Photo) -> list[str]:
    told = photo.path if not photo.caption else tr("{caption}: {path}", caption=photo.caption, path=photo.path)
    if photo.who:
        told = tr("{entry} ({who})", entry=told, who=photo.who)
    copy = kept_copy(settings.journal_path, photo)
    if copy is not None:
        told = tr("{photo}; a copy is kept: {path}", photo=told, path=copy)
    elif not _there(Path(photo.path)):
        told = tr("{photo} (the file is no longer there)", photo=told)
    return wrapped(told, f"  {clock_words(settings, photo.at_s)}  ", "      ")


def _remark_lines(settings: Settings, history: Sequence[Detail]) -> list[str]:
    lines: list[str] = []
    standing = list(those_that_stand(detail.value for detail in history if detail.field == "remark"))
    for detail in history:
        if detail.field != "remark" or not detail.value:
            continue
        told = tr("{entry} ({who})", entry=detail.value, who=detail.who) if detail.who else detail.value
        if detail.value in standing:
            standing.remove(detail.value)
        else:
            told = tr("TAKEN BACK: {entry}", entry=told)
        lines += wrapped(told, f"  {clock_words(settings, detail.noted_at_s)}  ", "      ")
    return lines


def _section(title: str, lines: list[str]) -> Iterator[str]:
    if lines:
        yield ""
        yield title
        yield from lines


def _field_lines(fields: Sequence[tuple[str, str]]) -> list[str]:
    return [line for name, value in fields for line in wrapped(f"{name}: {value}", "  ", "    ")]


# ---- found out -----------------------------------------------------------------------------------------------------


def bag_doubts(journal: Journal, settings: Settings, record: BatchRecord) -> Doubts:
    """What the age of the bag at the start says of the potash, where the record holds since when it was open."""
    opened = journal.details(record.batch.name).get("potash_opened")
    if opened is None:
        return NO_DOUBTS
    made = settings.local_time(record.batch.started_s).date()
    try:
        return Doubts(bag_open_months=max(0.0, months_between(date.fromisoformat(opened.value), made)))
    except ValueError:  # not a date: from an import, or a newer program
        return NO_DOUBTS


def hottest(journal: Journal, record: BatchRecord, now_s: float) -> Peak | None:
    """The hottest believed reading of the paste between start and end; None without readings."""
    batch = record.batch
    until_s = now_s if record.ended_s is None else record.ended_s
    slots = [
        Peak(high, at_s, probe)
        for probe in PASTE_PROBES
        for at_s, _, high in journal.thinned(batch.bucket, probe, batch.started_s, until_s)
    ]
    return max(slots, key=lambda peak: peak.temperature_c, default=None)


def _there(path: Path) -> bool:
    try:
        return path.exists()
    except OSError:
        return False


def _verdict(journal: Journal, name: str) -> Event | None:
    return next((event for event in reversed(journal.events(name)) if event.event == "verdict"), None)


def _share(event: Event | None, what: str) -> str:
    if event is None:
        return ""
    return percent_with_range(event.values.get(what), event.values.get(f"{what}_sd"))


# ---- for a program -------------------------------------------------------------------------------------------------


def record_json(journal: Journal, record: BatchRecord, now_s: float) -> dict[str, Any]:
    """The record as plain values, times in Unix seconds, masses in kg; what was corrected stands under its history."""
    batch = record.batch
    recipe, vessel = journal.recipe_now(batch.name)
    peak, verdict = hottest(journal, record, now_s), _verdict(journal, batch.name)
    history = journal.detail_history(batch.name)
    return {
        "batch": dataclasses.asdict(batch),
        "number": number_of(journal, batch.name),
        "ended_s": record.ended_s,
        "outcome": record.outcome,
        "recipe_now": dataclasses.asdict(recipe),
        "vessel_now": dataclasses.asdict(vessel),
        "amendments": [dataclasses.asdict(amendment) for amendment in journal.amendments(batch.name)],
        "details": {field: detail.value for field, detail in journal.details(batch.name).items()},
        "remarks": list(those_that_stand(detail.value for detail in history if detail.field == "remark")),
        "history": [dataclasses.asdict(detail) for detail in history],
        "log": [dataclasses.asdict(logged) for logged in journal.log(batch.name)],
        "photos": [dataclasses.asdict(photo) for photo in journal.photos(batch.name, with_undone=True)],
        "alarms": [
            {"alarm": alarm.alarm_id, "kind": alarm.kind, "state": alarm.state, "raised_at_s": alarm.raised_at_s,
             "cleared_at_s": alarm.cleared_at_s, "says": alarm.says}
            for alarm in journal.alarms(batch=batch.name)
        ],
        "hottest": None if peak is None else dataclasses.asdict(peak),
        "verdict": None if verdict is None else dict(verdict.values),
        "cautions": list(cautions_for("test")),
    }  # fmt: skip
