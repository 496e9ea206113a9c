"""A batch's record from the journal as its papers show it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date, datetime

from monitor.commands.common import clock_words
from monitor.commands.record_view import OUTCOMES, bag_doubts, entry_words, hottest, number_of
from monitor.domain import AMBIENT, PASTE_PROBES, Batch, Event, LogEntry, Reading, Recipe
from monitor.journal.database import BatchRecord, Detail, Journal
from monitor.judgement.phrases import percent_with_range
from monitor.papers.view import Line, Points, SheetView
from monitor.settings import Settings
from monitor.trade.amend import AMENDABLE, amended_fields, told_recipe
from monitor.trade.dilution import dilution, potash_left
from monitor.trade.recipe import lye_balance
from monitor.trade.record import FIELDS, field_words, those_that_stand, told_value
from monitor.trade.steps import WATER_IS_DILUTION_S, checklist
from monitor.trade.telling import balance_sentences, potash_left_sentence
from monitor.words import tr

_HOUR_S = 3600.0
_CURVE_POINTS = 400
_BAND_POINTS = 80
_AIR_POINTS = 200
_EARLY_S = 600.0
_LATE_NOTE_S = 300.0
# At these somebody judged the batch by eye or by a test.
_CHECKS = ("taken", "day-one", "day-three", "test")
# Told at a place of their own on the sheet.
_TOLD_ELSEWHERE = ("number", "maker", "place", "yield_kg", "yield_litres", "free_alkali_percent", "remark")


def view_of(journal: Journal, settings: Settings, record: BatchRecord, now_s: float) -> SheetView:
    """All that the papers need of one batch, running or ended."""
    batch = record.batch
    recipe, vessel = journal.recipe_now(batch.name)
    details, history = journal.details(batch.name), journal.detail_history(batch.name)
    log = journal.log(batch.name)
    entries = [logged.entry for logged in log if logged.undone_at_s is None]
    end_s = now_s if record.ended_s is None else record.ended_s
    value = {name: told_value(name, detail.value) for name, detail in details.items()}
    alkali = details.get("free_alkali_percent")
    water_kg = _water_kg(recipe, batch, entries, details)
    local = settings.local_time
    verdict, left = _heat(journal, batch.name, recipe)
    peak = hottest(journal, record, now_s)
    return SheetView(
        name=batch.name,
        number=number_of(journal, batch.name),
        bucket=batch.bucket,
        started=local(batch.started_s),
        printed=local(now_s),
        recipe=recipe,
        vessel=vessel,
        ended=None if record.ended_s is None else local(record.ended_s),
        outcome=_outcome(settings, record),
        corrections=_corrections(journal, settings, batch),
        facts=tuple(
            (field_words(name), value[name])
            for name in (*FIELDS, *(name for name in value if name not in FIELDS))
            if name in value and name not in _TOLD_ELSEWHERE
        ),
        maker=value.get("maker", ""),
        place=value.get("place", "") or settings.site.name,
        paste=_paste(journal, batch, end_s),
        air=_points(journal, batch, AMBIENT, end_s),
        band=_band(journal, settings, batch, entries, end_s),
        too_hot_c=settings.place().too_hot_c,
        peak=""
        if peak is None
        else tr(
            "Hottest reading in the paste: {temperature_c:degC} ({probe}), about {time}.",
            temperature_c=peak.temperature_c, probe=peak.probe, time=clock_words(settings, peak.at_s),
        ),
        log=tuple(_log_line(settings, batch, logged.entry, logged.who) for logged in log if logged.undone_at_s is None),
        checks=tuple(
            (
                state.step.told_title(),
                tr("not noted") if state.done_at_s is None else clock_words(settings, state.done_at_s),
            )
            for state in checklist(entries, now_s, planned_dilution_s=batch.planned_dilution_s)
            if state.step.step_id in _CHECKS
        ),
        alarms=_alarms(journal, settings, batch),
        verdict=verdict,
        potash_left=left,
        balance=()
        if not recipe.oils
        else tuple(balance_sentences(lye_balance(recipe, bag_doubts(journal, settings, record)))),
        amount=", ".join(value[name] for name in ("yield_litres", "yield_kg") if name in value),
        free_alkali=value.get("free_alkali_percent", ""),
        tested_on=None if alkali is None else _tested_on(settings, entries, alkali),
        filled_on=_last_day(settings, entries, "filled"),
        strength=_strength(recipe, details, entries, water_kg),
        water_kg=water_kg,
        remarks=_remarks(settings, history),
        photos=tuple(
            tr("{caption}: {path}", caption=photo.caption, path=photo.path) if photo.caption else photo.path
            for photo in journal.photos(batch.name)
        ),
        address=settings.page.address,
        emergency_number=settings.site.emergency_number,
    )  # fmt: skip


def _outcome(settings: Settings, record: BatchRecord) -> str:
    words = tr(OUTCOMES.get(record.outcome, record.outcome))
    if record.ended_s is None:
        return words
    if not record.outcome:
        return tr("ended {time}", time=clock_words(settings, record.ended_s))
    return tr("{outcome} {time}", outcome=words, time=clock_words(settings, record.ended_s))


def _corrections(journal: Journal, settings: Settings, batch: Batch) -> tuple[str, ...]:
    """What stood there before it was put right: the old value is never lost."""
    says = []
    then = batch.recipe, batch.vessel
    for amendment in journal.amendments(batch.name):
        after = amendment.recipe, amendment.vessel
        for name in amended_fields(then, after):
            says.append(
                tr(
                    "{field} before: {value}, until {time}", field=tr(AMENDABLE[name]), value=told_recipe(*then)[name],
                    time=clock_words(settings, amendment.noted_at_s),
                )
            )  # fmt: skip
        then = after
    return tuple(says)


def _log_line(settings: Settings, batch: Batch, entry: LogEntry, who: str) -> Line:
    told = entry_words(entry)
    if who:
        told = tr("{entry} ({who})", entry=told, who=who)
    if entry.noted_at_s - entry.at_s > _LATE_NOTE_S:
        told = tr("{entry}; noted {time}", entry=told, time=clock_words(settings, entry.noted_at_s))
    hours = None if entry.kind == "note" else (entry.at_s - batch.started_s) / _HOUR_S
    return Line(settings.local_time(entry.at_s), told, hours)


def _alarms(journal: Journal, settings: Settings, batch: Batch) -> tuple[Line, ...]:
    from monitor.retelling import retold

    lines = []
    for alarm in journal.alarms(batch=batch.name):
        says, _ = retold(alarm)
        over = alarm.state == "normal" or alarm.cleared_at_s is not None
        told = tr("over: {text}", text=says) if over else tr("STANDS: {text}", text=says)
        at = None if alarm.raised_at_s is None else settings.local_time(alarm.raised_at_s)
        lines.append(Line(at, told))
    return tuple(lines)


def _remarks(settings: Settings, history: Sequence[Detail]) -> tuple[Line, ...]:
    """Those that stand, each when it was last noted."""
    noted = [detail for detail in history if detail.field == "remark"]
    when_noted = {detail.value: detail.noted_at_s for detail in noted}
    return tuple(
        Line(settings.local_time(when_noted[text]), text) for text in those_that_stand(one.value for one in noted)
    )


# ---- the curve -----------------------------------------------------------------------------------------------------


def _points(journal: Journal, batch: Batch, probe: str, end_s: float) -> Points:
    """Lowest and highest of each slot, so that no peak is thinned away.

    The slots cover the time in which there are readings: a batch may be filled days after its probe came out.
    """
    from_s = batch.started_s - _EARLY_S
    coarse = journal.thinned(batch.bucket, probe, from_s, end_s + 60.0, _CURVE_POINTS)
    if not coarse:
        return ()
    last_s = min(end_s + 60.0, coarse[-1][0] + (end_s + 60.0 - from_s) / _CURVE_POINTS)
    points: list[tuple[float, float]] = []
    for time_s, low, high in journal.thinned(batch.bucket, probe, from_s, last_s, _CURVE_POINTS):
        # The nearer one first, or a falling curve would be drawn as a saw.
        falling = bool(points) and abs(points[-1][1] - high) < abs(points[-1][1] - low)
        hours = (time_s - batch.started_s) / _HOUR_S
        points += [(hours, value) for value in dict.fromkeys((high, low) if falling else (low, high))]
    return tuple(points)


def _paste(journal: Journal, batch: Batch, end_s: float) -> Points:
    """Of the first paste probe that has readings: the core before the others."""
    return next((points for probe in PASTE_PROBES if (points := _points(journal, batch, probe, end_s))), ())


def _band(
    journal: Journal, settings: Settings, batch: Batch, entries: Sequence[LogEntry], end_s: float
) -> tuple[tuple[float, float, float], ...]:
    """Where a good batch of this recipe runs in this air, from its pour and its blend on.

    It knows the log and the air, and none of the paste's own readings. () while pour or blend is not noted.
    """
    from monitor.heat.estimator import Estimator

    if not {"poured", "blended"} <= {entry.kind for entry in entries}:
        return ()
    last_s = min(end_s, batch.started_s + batch.planned_dilution_s)
    recipe, vessel = journal.recipe_now(batch.name)
    known = Batch(batch.name, batch.bucket, batch.started_s, recipe, vessel, batch.planned_dilution_s)
    try:
        estimator = Estimator(known, settings.place())
        for entry in entries:
            estimator.note(entry)
        air = journal.thinned(batch.bucket, AMBIENT, batch.started_s - _EARLY_S, last_s, _AIR_POINTS)
        for time_s, low, high in air:
            estimator.update(Reading(batch.bucket, AMBIENT, time_s, time_s, (low + high) / 2.0))
        blended_s = next(entry.at_s for entry in entries if entry.kind == "blended")
        if last_s - blended_s < _EARLY_S:
            return ()
        step_s = (last_s - blended_s) / _BAND_POINTS
        # Closer together at first, where the curve is steep.
        band = estimator.band([blended_s + step_s * i * i / _BAND_POINTS for i in range(_BAND_POINTS + 1)])
    except (ValueError, ArithmeticError):
        return ()  # a sheet without the grey band is a sheet
    return tuple(
        ((float(at_s) - batch.started_s) / _HOUR_S, float(low), float(high))
        for at_s, low, high in zip(band.time_s, band.low_c, band.high_c, strict=True)
        if math.isfinite(float(low)) and math.isfinite(float(high))
    )


# ---- what came of it -----------------------------------------------------------------------------------------------


def _heat(journal: Journal, name: str, recipe: Recipe) -> tuple[tuple[str, ...], str]:
    """What the heat told, with ranges, and the potash left as one; nothing where nothing can be said."""
    verdict = next((event for event in reversed(journal.events(name)) if event.event == "verdict"), None)
    for event, what in ((verdict, "completeness"), (journal.last_estimate(name), "completeness")):
        share, sd = _figure(event, what), _figure(event, f"{what}_sd")
        if share is None or sd is None:
            continue
        says = [
            tr("Potash used up: {share}.", share=percent_with_range(share, sd)),
            tr("That says how far the reaction went by its heat, and is not a measure of what is left."),
        ]
        left = potash_left_sentence(potash_left(recipe, share, sd)) if recipe.oils else ""
        return tuple(says), left
    return (tr("How far it went cannot be said."),), ""


def _figure(event: Event | None, name: str) -> float | None:
    value = None if event is None else event.values.get(name)
    return float(value) if isinstance(value, int | float) and math.isfinite(value) else None


def _tested_on(settings: Settings, entries: Sequence[LogEntry], alkali: Detail) -> date:
    """The day on which the value was noted, or of the test in the log before it, where there is one."""
    tests = [entry.at_s for entry in entries if entry.kind == "tested" and entry.at_s <= alkali.noted_at_s]
    return settings.local_time(max(tests, default=alkali.noted_at_s)).date()


def _last_day(settings: Settings, entries: Sequence[LogEntry], kind: str) -> datetime | None:
    times = [entry.at_s for entry in entries if entry.kind == kind]
    return settings.local_time(max(times)) if times else None


def _water_kg(
    recipe: Recipe, batch: Batch, entries: Sequence[LogEntry], details: dict[str, Detail]
) -> float | None:
    """All water in the can: what the yield holds beside oil and potash, else what the log says was poured in."""
    masses = [*(share.kg for share in recipe.oils), recipe.koh_kg]
    made_kg = float(details["yield_kg"].value) if "yield_kg" in details else None
    if made_kg is not None and recipe.oils and all(kg is not None for kg in masses):
        rest_kg = made_kg - math.fsum(kg or 0.0 for kg in masses)
        return rest_kg if rest_kg > 0.0 else None
    later = [e for e in entries if e.kind == "water-added" and e.at_s >= batch.started_s + WATER_IS_DILUTION_S]
    unweighed = any(entry.kg is None for entry in later) or (
        not later and any(entry.kind in ("diluted", "filled") for entry in entries)
    )
    if recipe.water_kg is None or unweighed:
        return None
    return recipe.water_kg + math.fsum(entry.kg or 0.0 for entry in later)


def _strength(
    recipe: Recipe, details: dict[str, Detail], entries: Sequence[LogEntry], water_kg: float | None
) -> str:
    """Soap in the whole, by mass balance and as if all had reacted; "" where something was not weighed."""
    masses = [*(share.kg for share in recipe.oils), recipe.koh_kg]
    if not recipe.oils or any(kg is None for kg in masses) or recipe.koh_purity is None:
        return ""
    if "yield_kg" in details:
        whole_kg = float(details["yield_kg"].value)
    elif water_kg is not None and any(entry.kind == "water-added" for entry in entries):
        whole_kg = math.fsum(kg or 0.0 for kg in masses) + water_kg
    else:
        return ""
    share = dilution(recipe).soap_kg / whole_kg if whole_kg > 0.0 else 1.0
    if share >= 1.0:
        return ""
    return tr("Strength: about {percent:.0f} % soap, if all reacted", percent=100.0 * share)
