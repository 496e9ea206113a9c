"""How everything stands, read from the journal alone: what ``status`` prints and the page shows.

It needs no running watch, and says so when there is none: the age of the last tick is part of the picture.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
from zlib import crc32

from monitor import counted
from monitor.domain import AMBIENT, PASTE_PROBES, Batch, Event, LogEntry
from monitor.drill_told import drill_troubles
from monitor.housekeeping import keeping_notes
from monitor.journal.database import AlarmRecord, Journal, JournalError
from monitor.journal.state import BEGUN_WITH, READS_BACK_KEY
from monitor.judgement.alarms import RULES, STANDING_STATES, rule_for
from monitor.judgement.history_words import based_on_kept
from monitor.judgement.phrases import percent_with_range
from monitor.judgement.summaries import alarm_words, stage_words
from monitor.mirroring import mirror_notes
from monitor.moving import moved_from
from monitor.page.kinds import kind_words
from monitor.page.view import STALE_AFTER_S, AlarmView, BucketView, LogLine, RecordView, StatusView, StepView
from monitor.phone.routes import no_routes_warning
from monitor.phone_health import health_to_show
from monitor.retelling import retold, retold_short
from monitor.sensing.division import part_words
from monitor.sensing.supply import OLD_S, SUPPLIES_KEY
from monitor.settings import Settings
from monitor.trade.dilution import potash_left
from monitor.trade.making import (
    CAUTIONS,
    NextAction,
    StepState,
    checklist,
    next_action,
    short_cautions_for,
    stage_of,
    with_emergency_number,
)
from monitor.trade.oils import told_name
from monitor.trade.record import field_words, those_that_stand, told_value
from monitor.trade.steps import STEP_BY_ID, STIRRINGS
from monitor.words import DAY_DATE_TIME, DAY_TIME, TIME, US, number, quantity, tr, voice, when

MINUTE_S = 60.0
# A paste reading older than this says nothing of the direction any more.
RECENT_S = 30 * MINUTE_S
RECENT_POINTS = 360  # a slot of five seconds: no node need send oftener
# A tick comes every minute; three missed ones and the watch is not running or hangs.
WATCH_IS_GONE_S = 200.0
CURVE_POINTS = 400
NEWEST_POINTS = 60
KEPT_S = 30 * MINUTE_S
LATE_NOTE_S = 5 * MINUTE_S
# The watch takes an answer up within a second or two; until then the page, which knows it already, says so itself.
TAKEN_UP_S = 10.0

Band = Sequence[tuple[float, float, float]]
Curve = tuple[tuple[float, float], ...]


def status_view(
    journal: Journal,
    settings: Settings,
    now_s: float,
    *,
    bands: Mapping[str, Band] | None = None,
    with_curves: bool = True,
    curves: Curves | None = None,
    invented: bool = False,
) -> StatusView:
    """Every bucket that the settings or a batch name.

    ``bands`` are expected bands by batch name, from the watch; ``curves`` is kept by whoever asks again and again.
    """
    drawn = (curves or Curves()) if with_curves else None
    running = {batch.bucket: batch for batch in journal.running_batches()}
    names = list(dict.fromkeys([*(bucket.name for bucket in settings.buckets), *running]))
    loose = journal.alarms(batch="")  # those of no batch: of all batches there are years
    supplies = _supplies(journal, now_s)
    buckets = tuple(
        _bucket_view(journal, settings, now_s, name, running[name], loose, (bands or {}).get(running[name].name, ()),
                     drawn, supplies.get(name))
        if name in running
        else BucketView(name)
        for name in names
    )  # fmt: skip
    number = settings.site.emergency_number
    return StatusView(
        at_s=now_s,
        place=settings.site.name,
        buckets=buckets,
        watch=tuple(_watch_troubles(journal, settings, now_s)),
        notes=(
            *part_notes(settings, running),
            *counted.notes(journal.counters()),
            *keeping_notes(journal, settings, now_s),
            *mirror_notes(journal, settings, now_s),
        ),
        no_phone=settings.no_phone,
        emergency_number=number,
        first_aid=with_emergency_number(CAUTIONS["first_aid"], number),
        invented=invented,
    )


def part_notes(settings: Settings, running: Collection[str] = ()) -> list[str]:
    """Of a site divided among watches: which part this is, and what runs here although it is another's."""
    said = [sentence for sentence in (part_words(settings.division),) if sentence]
    strays = [bucket for bucket in running if not settings.division.minds(bucket)]
    if strays:
        said.append(
            tr("Minded here because their batches were started here: {buckets}.", buckets=", ".join(sorted(strays)))
        )
    return said


def nothing_yet(settings: Settings, now_s: float) -> StatusView:
    """The view while there is no journal: the buckets of the settings, and that nothing is minded."""
    troubles = [tr("watch has not run yet: nothing is minded. Start it: emberpail watch")]
    return StatusView(
        at_s=now_s,
        place=settings.site.name,
        buckets=tuple(BucketView(bucket.name) for bucket in settings.buckets),
        watch=tuple([*troubles, no_routes_warning()] if settings.no_phone else troubles),
        notes=tuple(part_notes(settings)),
        no_phone=settings.no_phone,
        emergency_number=settings.site.emergency_number,
        first_aid=with_emergency_number(CAUTIONS["first_aid"], settings.site.emergency_number),
    )


def last_watched_s(journal: Journal) -> float | None:
    """When a watch was last known to run: its last tick, or its start in the minute before the first one."""
    last_tick_s, watched = journal.fact("last_tick_s"), journal.fact("watched", [])
    known = [float(last_tick_s)] if last_tick_s is not None else []
    return max(known + [float(end_s) for _, end_s in watched], default=None)


def _reads_back_s(journal: Journal, now_s: float) -> float | None:
    """Since when a watch has been reading back what was kept; None where none does, or it has not said so lately."""
    kept = journal.fact(READS_BACK_KEY)
    return float(kept[0]) if kept is not None and abs(now_s - kept[1]) <= WATCH_IS_GONE_S else None


def _watch_troubles(journal: Journal, settings: Settings, now_s: float) -> list[str]:
    troubles = []
    watched_s, reads_back_s = last_watched_s(journal), _reads_back_s(journal, now_s)
    if reads_back_s is not None and (watched_s is None or now_s - watched_s > WATCH_IS_GONE_S):
        then = when(settings.local_time(reads_back_s), DAY_TIME)
        troubles.append(
            tr("watch runs and since {then} reads back what was kept before: nothing is judged until it is through.",
               then=then)
        )  # fmt: skip
    elif watched_s is None:
        troubles.append(tr("watch has not run yet on this journal: nothing is minded. Start it: emberpail watch"))
    elif now_s - watched_s > WATCH_IS_GONE_S:
        minutes = (now_s - watched_s) / MINUTE_S
        troubles.append(
            tr("watch has not run for {minutes:.0f} min: nothing is minded. Start it: emberpail watch", minutes=minutes)
        )
    if settings.no_phone:
        troubles.append(no_routes_warning())
    troubles += drill_troubles(journal, settings, now_s)
    troubles += [f"{health.part}: {health.says}" for health in health_to_show(journal, settings) if not health.ok]
    # What is the matter with a node stands at its batch, if there is one.
    minded = {batch.bucket for batch in journal.running_batches()}
    troubles += [
        retold(alarm)[0]
        for alarm in journal.alarms(standing_only=True, batch="")
        if alarm.cleared_at_s is None and alarm.bucket not in minded
    ]
    return troubles


def _supplies(journal: Journal, now_s: float) -> dict[str, float]:
    """The voltage of each bucket's node, where that sends one and has done so lately."""
    kept = journal.fact(SUPPLIES_KEY, [])
    # The time is kept to OLD_S.
    return {bucket: volts for bucket, volts, _level, time_s in kept if now_s - time_s <= 2.0 * OLD_S}


def _supply(volts: float | None) -> tuple[tuple[str, str], ...]:
    if volts is None:
        return ()
    return ((tr("battery or supply of the node"), tr("{volts:.2f} V", volts=volts)),)


def _bucket_view(  # noqa: PLR0917
    journal: Journal,
    settings: Settings,
    now_s: float,
    name: str,
    batch: Batch,
    loose: Sequence[AlarmRecord],
    band: Band,
    curves: Curves | None,
    supply_v: float | None,
) -> BucketView:
    log = journal.entries(batch.name)
    estimate = journal.last_estimate(batch.name)
    # Beside those of its batch those that stand at the bucket itself.
    of_none = [alarm for alarm in loose if alarm.bucket == name]
    mine = sorted([*journal.alarms(batch=batch.name), *of_none], key=_when_raised)
    standing = [alarm for alarm in mine if alarm.state in STANDING_STATES]
    # A probe that reads the air, sticks or storms says nothing of the paste, however believable each value looks.
    faulty = {str(alarm.facts.get("probe", "")) for alarm in standing if alarm.kind == "sensor_fault"}
    probes = [probe for probe in PASTE_PROBES if probe not in faulty]
    recent = _recent(journal, name, probes, now_s)
    temperature_c, age_s = _newest(journal, name, probes, recent, now_s)
    # "Nothing needed before morning" must not stand beside a reading too old to look well.
    heard = age_s is not None and age_s <= STALE_AFTER_S
    going, answered = _going(journal, batch), _answered(journal, batch, now_s)
    kinds = {alarm.kind for alarm in standing}
    # The heat may only veto: it can hold a batch back, never call it ready.
    vetoed = bool(kinds & {"incomplete", "separated", "cooled_early", "not_taken"})
    action = next_action(
        log, now_s, planned_dilution_s=batch.planned_dilution_s, vetoed=vetoed, standing_alarms=kinds, heard=heard
    )
    if any(alarm.urgency == "now" for alarm in standing):
        # Nobody may be sent to open a bucket for a look while its alarm says to keep away.
        action = NextAction("alarm", tr("First what the alarm asks, and nothing else before it."), now_s, None)
    stage = stage_of(log, now_s, planned_dilution_s=batch.planned_dilution_s, vetoed=vetoed)
    faults = tuple(retold(alarm)[0] for alarm in standing if alarm.kind in ("sensor_fault", "silent"))
    view = BucketView(
        name=name,
        batch=batch.name,
        stage_words=stage_words(stage),
        temperature_c=temperature_c,
        temperature_age_s=age_s,
        direction=_direction(recent),
        completeness=_share(estimate, "completeness"),
        potash_left=_potash_words(replace(batch, recipe=journal.recipe_now(batch.name)[0]), estimate),
        outlook=_outlook(estimate),
        next_action=_action_words(settings, action.text, action.due_s, now_s),
        cautions=() if action.deed is None else short_cautions_for(action.deed, settings.site.emergency_number),
        alarms=tuple(_alarm_view(settings, alarm, now_s, going, answered) for alarm in standing),
        past_alarms=tuple(_alarm_view(settings, alarm, now_s, going) for alarm in mine
                          if alarm.batch and alarm not in standing),
        probe_faults=faults,
        numbers=(*_numbers(settings, estimate), *_supply(supply_v)),
        log=tuple(log_line(entry) for entry in log),
        steps=_steps(log, now_s, batch, settings.site.emergency_number),
        last_entry=log_line(log[-1]) if log else None,
        handling=short_cautions_for("blend", settings.site.emergency_number),
        too_hot_c=settings.place().too_hot_c,
        band=tuple(band),
        marks=marks_of(log),
        learned=based_on_kept(journal.fact(BEGUN_WITH + batch.name)),
    )
    if curves is None:
        return view
    paste, ambient = _curves(journal, batch, now_s, curves)
    return replace(view, curve=paste, ambient=ambient)


def _when_raised(alarm: AlarmRecord) -> tuple[float, str]:
    return alarm.raised_at_s or 0.0, alarm.alarm_id


def _recent(
    journal: Journal, bucket: str, probes: Sequence[str], now_s: float
) -> dict[str, list[tuple[float, float]]]:
    """Believed readings of the last half hour by probe, in slots of a few seconds each."""
    found = {}
    for probe in probes:
        slots: Sequence[tuple[float, float, float]] = ()
        with contextlib.suppress(JournalError):  # a page of the file that is damaged: the rest is shown all the same
            slots = journal.thinned(bucket, probe, now_s - RECENT_S, now_s + MINUTE_S, RECENT_POINTS)
        if slots:
            found[probe] = [(time_s, (low + high) / 2.0) for time_s, low, high in slots]
    return found


def _newest(
    journal: Journal,
    bucket: str,
    probes: Sequence[str],
    recent: Mapping[str, list[tuple[float, float]]],
    now_s: float,
) -> tuple[float | None, float | None]:
    """The newest believed paste temperature and its age; the core before the other probes."""
    for probe in probes:
        if probe in recent:
            time_s, value = recent[probe][-1]
            return value, _age_s(time_s, now_s)
    older = [
        kept.reading
        for probe, kept in journal.latest(bucket).items()
        if probe in probes and kept.reason is None and kept.reading.temperature_c is not None
    ]
    if not older:
        return None, None
    newest = max(older, key=lambda reading: reading.time_s)
    return newest.temperature_c, _age_s(newest.time_s, now_s)


def _age_s(time_s: float, now_s: float) -> float | None:
    """None for a reading from the future: a clock was set, and how old it is nobody knows."""
    return max(0.0, now_s - time_s) if time_s <= now_s + MINUTE_S else None


def _direction(recent: Mapping[str, list[tuple[float, float]]]) -> str:
    """Rising, falling or steady over the last ten minutes, from the means of their two halves."""
    for probe in PASTE_PROBES:
        points = recent.get(probe, [])
        if not points:
            continue
        end_s = points[-1][0]
        late = [value for time_s, value in points if time_s > end_s - 300.0]
        early = [value for time_s, value in points if end_s - 600.0 < time_s <= end_s - 300.0]
        if late and early:
            per_hour = (sum(late) / len(late) - sum(early) / len(early)) * 12.0
            return tr("rising") if per_hour > 3.0 else tr("falling") if per_hour < -1.5 else tr("steady")
    return ""


class Curves:
    """The curves of the running batches for a page that is drawn again and again.

    Of three days only the newest minutes change, so the rest is kept for half an hour; hours that a node sends late
    are on the page by then.
    """

    def __init__(self, with_air: bool = True) -> None:
        """Without ``with_air`` only the paste's are read: half the work at the first look after half an hour."""
        self.with_air = with_air
        self._kept: dict[tuple[str, str], tuple[float, float, Curve]] = {}

    def of(self, journal: Journal, batch: Batch, probe: str, now_s: float) -> Curve:
        """(time, temperature) of a probe since shortly before the batch started."""
        from_s, to_s = batch.started_s - 10 * MINUTE_S, now_s + MINUTE_S
        kept_at_s, kept_to_s, kept = self._kept.get((batch.name, probe), (0.0, from_s, ()))
        # Each for a time of its own: twenty curves that grow old together would all be read at one visitor's cost.
        if not 0.0 <= now_s - kept_at_s < KEPT_S * (0.5 + crc32(batch.name.encode()) / 2**33):
            # The last minutes are left to be read each time: their readings may be screened out yet.
            kept_to_s = max(from_s, now_s - RECENT_S)
            kept = _line(journal.thinned(batch.bucket, probe, from_s, kept_to_s, CURVE_POINTS))
            self._kept[batch.name, probe] = now_s, kept_to_s, kept
        return kept + _line(journal.thinned(batch.bucket, probe, kept_to_s, to_s, NEWEST_POINTS))


def _curves(journal: Journal, batch: Batch, now_s: float, curves: Curves) -> tuple[Curve, Curve]:
    """Of the first paste probe that has one, and of the air."""
    paste: Curve = ()
    for probe in PASTE_PROBES:
        paste = curves.of(journal, batch, probe, now_s)
        if paste:
            break
    return paste, curves.of(journal, batch, AMBIENT, now_s) if curves.with_air else ()


def _line(slots: Sequence[tuple[float, float, float]]) -> Curve:
    """Lowest and highest of each slot as two points, so that no peak is thinned away."""
    return tuple(
        point
        for time_s, low, high in slots
        for point in (((time_s, low),) if low == high else ((time_s, low), (time_s, high)))
    )


def _share(estimate: Event | None, what: str) -> str:
    if estimate is None:
        return ""
    return percent_with_range(_number(estimate, what), _number(estimate, f"{what}_sd")) or ""


def _number(estimate: Event, name: str) -> float | None:
    value = estimate.values.get(name)
    return float(value) if isinstance(value, int | float) and math.isfinite(value) else None


def _potash_words(batch: Batch, estimate: Event | None) -> str:
    share = None if estimate is None else _number(estimate, "completeness")
    sd = None if estimate is None else _number(estimate, "completeness_sd")
    if share is None or sd is None or not batch.recipe.oils:
        return ""
    left = potash_left(batch.recipe, share, sd).grams_per_litre
    if voice().units == US:
        return tr(
            "{low:per_l} to {high:g_per_l} after dilution", low=max(0.0, left.low), high=left.high
        )
    return tr("{low:.0f} to {high:.0f} g in each litre after dilution", low=max(0.0, left.low), high=left.high)


def _outlook(estimate: Event | None) -> str:
    share = _share(estimate, "final_completeness")
    return tr("By the planned dilution: {share} of the soap that the recipe promises.", share=share) if share else ""


def _action_words(settings: Settings, text: str, due_s: float | None, now_s: float) -> str:
    if due_s is None:
        return text
    if due_s <= now_s + MINUTE_S:
        return tr("Now: {text}", text=text)
    return f"{when(settings.local_time(due_s), DAY_TIME)}: {text}"


def _going(journal: Journal, batch: Batch) -> frozenset[str]:
    """Alarms to which somebody's newest answer was "I am going"."""
    newest = {act.alarm_id: act.act for act in journal.acts(batch.name) if act.act in ("acknowledged", "going")}
    return frozenset(alarm_id for alarm_id, act in newest.items() if act == "going")


def _answered(journal: Journal, batch: Batch, now_s: float) -> frozenset[str]:
    """Alarms that somebody has answered just now: the watch may not have taken it up."""
    return frozenset(
        act.alarm_id
        for act in journal.acts(batch.name)
        if act.act in ("acknowledged", "going") and 0.0 <= now_s - act.at_s <= TAKEN_UP_S
    )


def _alarm_view(
    settings: Settings, alarm: AlarmRecord, now_s: float, going: Collection[str], answered: Collection[str] = ()
) -> AlarmView:
    state = "acknowledged" if alarm.alarm_id in answered else alarm.state
    quiet_s = alarm.shelved_until_s
    quiet = "" if quiet_s is None or quiet_s <= now_s else when(settings.local_time(quiet_s), TIME)
    # The journal keeps what was said in English; here it is said again to whoever looks.
    says, do = retold(alarm)
    return AlarmView(
        says=says,
        do=do,
        since_s=alarm.raised_at_s or now_s,
        urgency=alarm.urgency,
        state_words=alarm_words(
            state, quiet_until=quiet, seen_by=alarm.acknowledged_by, going=alarm.alarm_id in going
        ),
        kind=alarm.kind,
        alarm_id=alarm.alarm_id,
        short=retold_short(alarm),
        seen=state == "acknowledged",
        going=alarm.alarm_id in going,
        max_quiet_s=rule_for(alarm.kind).max_quiet_s if alarm.kind in RULES else 0.0,
        quiet_until_s=quiet_s if quiet else None,
    )


def _numbers(settings: Settings, estimate: Event | None) -> tuple[tuple[str, str], ...]:
    if estimate is None:
        return ()

    def figure(name: str, sd: str, unit: str, scale: float = 1.0) -> str:
        value, spread = _number(estimate, name), _number(estimate, sd)
        if value is None or spread is None:
            return tr("cannot be said")  # no figure without its range
        return tr("{value:.1f} {unit} (give or take {spread:.1f})", value=value * scale, unit=unit,
                  spread=2 * spread * scale)  # fmt: skip

    def warmth(name: str, sd: str, kind: str) -> str:
        value, spread = _number(estimate, name), _number(estimate, sd)
        if value is None or spread is None:
            return tr("cannot be said")
        apart = quantity(2 * spread, "dK", 1).partition(" ")[0]
        return tr("{value} (give or take {spread})", value=quantity(value, kind, 1), spread=apart)

    return (
        (tr("as of"), when(settings.local_time(estimate.at_s), DAY_TIME)),
        (tr("heat made"), warmth("self_heating_k", "self_heating_sd_k", "dK")),
        (tr("heat released"), figure("heat_released_kj", "heat_released_sd_kj", "kJ")),
        (tr("heating now"), figure("heat_rate_w", "heat_rate_sd_w", "W")),
        (tr("cooling time"), figure("cooling_time_constant_s", "cooling_time_constant_sd_s", "h", 1 / 3600.0)),
        (tr("mean of the paste"), warmth("mean_temperature_c", "mean_temperature_sd_c", "degC")),
    )


def _entry_words(entry: LogEntry) -> str:
    """A log entry in words; a ticked step by its title."""
    step = next((step for step in STEP_BY_ID.values() if step.entry_text and step.entry_text == entry.text), None)
    if step is not None and entry.kind == "note":
        return tr("done: {step}", step=step.told_title())
    more = [
        "" if entry.temperature_c is None else quantity(entry.temperature_c, "degC"),
        "" if entry.kg is None else quantity(entry.kg, "kg") if voice().units == US else f"{_plain(entry.kg)} kg",
        entry.text,
    ]
    return ", ".join(part for part in (kind_words(entry.kind), *more) if part)


def _plain(value: float) -> str:
    return number(value, 0) if value == round(value) else number(value, 1 if value == round(value, 1) else 2)


def log_line(entry: LogEntry, *, with_origin: bool = True) -> LogLine:
    """A log entry as the page shows it, with the bucket that it was moved from unless told elsewhere."""
    late = entry.noted_at_s - entry.at_s > LATE_NOTE_S
    words, origin = _entry_words(entry), moved_from(entry.entry_id)
    if origin and with_origin:
        words = tr("{entry}, moved from {bucket}", entry=words, bucket=origin)
    return LogLine(entry.at_s, words, entry.noted_at_s if late else None, entry.entry_id)


def marks_of(log: Sequence[LogEntry]) -> tuple[tuple[float, str], ...]:
    """What stands on the curve: deeds at the bucket, not remarks."""
    return tuple((entry.at_s, kind_words(entry.kind)) for entry in log if entry.kind != "note")


def _steps(log: Sequence[LogEntry], now_s: float, batch: Batch, emergency_number: str) -> tuple[StepView, ...]:
    states = checklist(log, now_s, planned_dilution_s=batch.planned_dilution_s)
    return tuple(_step_view(state, emergency_number) for state in states)


@lru_cache(maxsize=500)
def _cautions_of(deed: str, emergency_number: str, _language: str, _units: str) -> tuple[str, ...]:
    """The same for every bucket and every news: told once for each voice."""
    return short_cautions_for(deed, emergency_number)


def _step_view(state: StepState, emergency_number: str) -> StepView:
    step = state.step
    return StepView(
        step_id=step.step_id,
        title=step.told_title(),
        text=step.told_text(),
        day=step.told_day(),
        cautions=_cautions_of(step.deed, emergency_number, voice().language, voice().units),
        asks=step.asks,
        done_at_s=state.done_at_s,
        entry_id=state.entry_id,
        is_next=state.is_next,
        times=state.times,
        wanted={"stir": STIRRINGS, "water": 2}.get(step.step_id, 1),
        due_s=state.due_s,
    )


# ---- one batch, running or ended -----------------------------------------------------------------------------------


def record_view(journal: Journal, settings: Settings, name: str, now_s: float) -> RecordView | None:
    """The record of the batch called ``name``, None when there is none."""
    kept = journal.batch(name)
    if kept is None:
        return None
    batch = kept.batch
    recipe, vessel = journal.recipe_now(name)
    log = journal.entries(name)
    estimate = journal.last_estimate(name)
    end_s = now_s if kept.ended_s is None else kept.ended_s
    alarms = [_alarm_view(settings, alarm, now_s, frozenset()) for alarm in journal.alarms(batch=name)]
    curves = [
        _line(journal.thinned(batch.bucket, probe, batch.started_s - 10 * MINUTE_S, end_s + MINUTE_S, CURVE_POINTS))
        for probe in (*PASTE_PROBES, AMBIENT)
    ]
    says = []
    if share := _share(estimate, "completeness"):
        says += [
            tr("Potash used up: {share}.", share=share),
            tr("That says how far the reaction went by its heat, and is not a measure of what is left."),
        ]
    if left := _potash_words(replace(batch, recipe=recipe), estimate):
        says.append(tr("Potash left: {potash_left}.", potash_left=left))
    details = {field: [one.value] for field, one in journal.details(name).items()}
    many = [one for one in journal.detail_history(name) if one.field == "remark"]
    if many:
        details["remark"] = list(those_that_stand(one.value for one in many))
    rows = [
        (tr("bucket"), batch.bucket),
        (tr("started"), when(settings.local_time(batch.started_s), DAY_DATE_TIME)),
    ]
    if kept.ended_s is not None:
        rows.append((tr("ended"), when(settings.local_time(kept.ended_s), DAY_DATE_TIME)))
        if kept.outcome:
            rows.append((tr("outcome"), _OUTCOMES[kept.outcome]() if kept.outcome in _OUTCOMES else kept.outcome))
    for oil in recipe.oils:
        if oil.kg is not None:
            rows.append((told_name(oil.name), quantity(oil.kg, "kg")))
    if recipe.koh_kg is not None:
        purity = "" if recipe.koh_purity is None else f" ({number(recipe.koh_purity * 100)} %)"
        rows.append((tr("potash"), f"{quantity(recipe.koh_kg * 1000.0, 'grams')}{purity}"))
    if recipe.water_kg is not None:
        rows.append((tr("water"), quantity(recipe.water_kg, "kg")))
    if vessel.litres is not None:
        rows.append((tr("size of the bucket"), quantity(vessel.litres, "litres")))
    rows += [(field_words(field), told_value(field, value)) for field, values in details.items() for value in values]
    rows += [(tr("photograph"), photo.caption or photo.path) for photo in journal.photos(name)]
    paste = next((curve for curve in curves[:-1] if curve), ())
    return RecordView(
        name=name,
        bucket=batch.bucket,
        at_s=now_s,
        running=kept.ended_s is None,
        weighed=bool(recipe.oils) and all(oil.kg for oil in recipe.oils),
        place=settings.site.name,
        says=tuple(says),
        rows=tuple(rows),
        corrections=_corrections(journal, settings, name),
        log=tuple(log_line(entry) for entry in log),
        past_alarms=tuple(alarms),
        curve=paste,
        ambient=curves[-1],
        marks=marks_of(log),
        too_hot_c=settings.place().too_hot_c,
        cautions=short_cautions_for("fill", settings.site.emergency_number),
        emergency_number=settings.site.emergency_number,
        first_aid=with_emergency_number(CAUTIONS["first_aid"], settings.site.emergency_number),
    )


_OUTCOMES: Mapping[str, Callable[[], str]] = {
    "filled": lambda: tr("filled"),
    "held": lambda: tr("held"),
    "discarded": lambda: tr("discarded"),
}


def _corrections(journal: Journal, settings: Settings, name: str) -> tuple[str, ...]:
    """What was believed before: older values of details, and that the recipe was put right."""
    history = journal.detail_history(name)
    standing = {one.detail_id for one in journal.details(name).values()}
    older = [
        (one.noted_at_s, tr("{field} was noted as {value} on {time}", field=field_words(one.field),
            value=told_value(one.field, one.value), time=when(settings.local_time(one.noted_at_s), DAY_DATE_TIME)))
        for one in history
        if one.value and one.detail_id not in standing and one.field != "remark"
    ]  # fmt: skip
    older += [
        (one.noted_at_s, tr("weights or bucket put right on {time}",
            time=when(settings.local_time(one.noted_at_s), DAY_DATE_TIME)))
        for one in journal.amendments(name)
    ]  # fmt: skip
    return tuple(words for _, words in sorted(older))


def page_view(
    open_journal: Callable[[], Journal], settings: Settings, now_s: Callable[[], float], bands: Mapping[str, Band],
    *, invented: bool = False, with_air: bool = True,
) -> Callable[[], StatusView]:
    """A function for the page: the present view, from a connection of its own."""
    journals: list[Journal] = []
    curves = Curves(with_air)

    def view() -> StatusView:
        if not journals:
            journals.append(open_journal())
        return status_view(journals[0], settings, now_s(), bands=dict(bands), curves=curves, invented=invented)

    return view


def page_record(
    open_journal: Callable[[], Journal], settings: Settings, now_s: Callable[[], float]
) -> Callable[[str], RecordView | None]:
    """A function for the page: the record of a batch by its name, from a connection of its own."""
    journals: list[Journal] = []

    def record(name: str) -> RecordView | None:
        if not journals:
            journals.append(open_journal())
        return record_view(journals[0], settings, name, now_s())

    return record


def page_stamp(open_journal: Callable[[], Journal]) -> Callable[[], object]:
    """A function for the page: what it returns changes whenever anybody has written into the journal."""
    journals: list[Journal] = []

    def stamp() -> object:
        if not journals:
            journals.append(open_journal())
        return journals[0].data_version()

    return stamp
