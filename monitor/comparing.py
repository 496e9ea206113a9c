"""Batches out of the journal, or out of recordings, as they are compared (``monitor.seasons``)."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path

from monitor.curve import LocalTime, thinned
from monitor.domain import AMBIENT, BATCH_ALARM_KINDS, PASTE_PROBES, Batch, Event, LogEntry, Recipe, Vessel
from monitor.journal.database import BatchRecord, Journal
from monitor.learned import Tested, alkali_test, begun_with
from monitor.pipeline import PRELUDE_S, Minder
from monitor.seasons.story import Story
from monitor.settings import Settings
from monitor.stored import fold, stored_deeds, stored_readings, stored_ticks
from monitor.trade.filled import fill_in

# The hours in which the heat is made are kept as fine as they were read, two readings a minute; later ones in slots of
# five minutes, and of a batch of weeks in so many of them.
_FINE_S, _FINE_SLOT_S = 12 * 3600.0, 60.0
_LATER_SLOT_S, _LATER_SLOTS = 300.0, 2000
# The air changes slowly.
_AIR_SLOTS = 500
# Estimates, of which there are six an hour: those of the first hours, and of the later ones as many as make this.
_ROWS = 200


def stories_of(journal: Journal, records: Sequence[BatchRecord], local_time: LocalTime) -> list[Story]:
    """The batches as the journal tells them, with the estimates that were made at the time."""
    return [_story(journal, record, local_time, _Told(journal.events(record.batch.name))) for record in records]


def worked_out(journal: Journal, record: BatchRecord, settings: Settings) -> Story:
    """The same for a batch without estimates, or to see it as this version judges: its readings go through the
    judgement once more, as in a replay. Takes seconds."""
    batch = record.batch
    until_s = _watched_until_s(journal, batch) if record.ended_noted_s is None else record.ended_noted_s
    minder = Minder(
        batch, minded_from_s=batch.known_from_s, place=settings.place(), history=begun_with(journal, batch.name)
    )
    events: list[Event] = []
    watched = ((batch.known_from_s, until_s),)
    fold(
        stored_deeds(journal, minder, watched, lambda one, act: one.try_act(act)),
        stored_ticks(minder, watched, until_s + 0.001, lambda tick_s: events.extend(minder.tick(tick_s))),
        stored_readings(journal, [minder], to_arrival_s=until_s),
    )
    if record.ended_s is not None:
        events.append(minder.last_word(until_s))
    return _story(journal, record, settings.local_time, _Told(events))


def recorded(path: Path, settings: Settings) -> Story:
    """A batch out of a recording and the batch file beside it. Takes seconds."""
    from monitor.replay import replay_recording

    run = replay_recording(path, place=settings.place())
    minder = run.minder
    log = () if minder is None else tuple(minder.log())
    readings: dict[str, list[tuple[float, float]]] = {}
    # The later of two decisions on one reading is the one that stands.
    decided = {} if minder is None else {(one.reading.probe, one.reading.time_s): one for one in minder.drain_judged()}
    for (probe, time_s), one in decided.items():
        if one.reason is None and one.reading.temperature_c is not None:
            readings.setdefault(probe, []).append((time_s, one.reading.temperature_c))
    core = next((readings[probe] for probe in PASTE_PROBES if probe in readings), [])
    told = _Told(run.events)
    return _made(
        run.batch, run.batch.recipe, run.batch.vessel, log, told, settings.local_time(run.batch.started_s),
        core=_first_hours_fine(sorted(core), _pour_s(run.batch, log) + _FINE_S),
        air=tuple(thinned(sorted(readings.get(AMBIENT, [])), _AIR_SLOTS)),
        running=False, outcome="", details={},
    )  # fmt: skip


class _Told:
    """What the events of a batch tell."""

    def __init__(self, events: Sequence[Event]) -> None:
        self.estimates = [event for event in events if event.event == "estimate"]
        verdicts = [event for event in events if event.event == "verdict"]
        self.verdict = verdicts[-1] if verdicts else None
        raised = {
            str(event.values.get("kind", ""))
            for event in events
            if event.event == "alarm" and event.values.get("state") == "raised"
        }
        self.alarms = tuple(kind for kind in BATCH_ALARM_KINDS if kind in raised)

    def rows(self, name: str) -> tuple[tuple[float, float, float], ...]:
        """(time, value, sd) of a figure; an ``_sd`` stands before the unit where there is one."""
        spread = f"{name.removesuffix('_kj')}_sd{'_kj' if name.endswith('_kj') else ''}"
        found = [(event.at_s, _number(event, name), _number(event, spread)) for event in self.estimates]
        whole = [(at_s, value, sd) for at_s, value, sd in found if value is not None and sd is not None]
        # The first hours change fast and the last days hardly: of these every so-manieth stays, and the last.
        first = [row for row in whole if row[0] <= whole[0][0] + _FINE_S]
        later = whole[len(first) :]
        stride = max(1, math.ceil(len(later) / max(1, _ROWS - len(first))))
        return (*first, *later[(len(later) - 1) % stride :: stride])

    def learned_from(self) -> int:
        """On how many earlier batches its estimates rest, at the most."""
        counts = self.estimates[-1].values.get("learned_from") if self.estimates else None
        found = counts.values() if isinstance(counts, Mapping) else ()
        return max((count for count in found if isinstance(count, int)), default=0)

    def newest(self, *names: str) -> tuple[float, float] | None:
        """Value and sd of the newest estimate."""
        if not self.estimates:
            return None
        value, sd = (_number(self.estimates[-1], name) for name in names)
        return None if value is None or sd is None else (value, sd)

    def completeness(self, *, running: bool) -> tuple[float, float] | None:
        """While it runs, as far as it has come: what is expected of it has not happened. Then its verdict, and nothing
        until that has been given: what was expected last is none."""
        if running:
            return self.newest("completeness", "completeness_sd")
        if self.verdict is None:
            return None
        value, sd = (_number(self.verdict, name) for name in ("completeness", "completeness_sd"))
        return None if value is None or sd is None else (value, sd)


def _watched_until_s(journal: Journal, batch: Batch) -> float:
    return float(journal.fact("last_tick_s") or journal.last_arrival_s() or batch.started_s)


def _story(journal: Journal, record: BatchRecord, local_time: LocalTime, told: _Told) -> Story:
    batch = record.batch
    recipe, vessel = journal.recipe_now(batch.name)
    until_s = _watched_until_s(journal, batch) + 60.0 if record.ended_s is None else record.ended_s
    from_s = batch.started_s - PRELUDE_S
    begun = begun_with(journal, batch.name)

    log = journal.entries(batch.name)
    fine_until_s = min(_pour_s(batch, log) + _FINE_S, until_s)

    def points(probe: str) -> tuple[tuple[float, float], ...]:
        fine = journal.extremes(batch.bucket, probe, from_s, fine_until_s, _slots(from_s, fine_until_s, _FINE_SLOT_S))
        later_slots = min(_slots(fine_until_s, until_s, _LATER_SLOT_S), _LATER_SLOTS)
        return (*fine, *journal.extremes(batch.bucket, probe, fine_until_s, until_s, later_slots))

    return _made(
        batch, recipe, vessel, log, told, local_time(batch.started_s),
        core=next((found for probe in PASTE_PROBES if (found := points(probe))), ()),
        air=tuple(journal.extremes(batch.bucket, AMBIENT, from_s, until_s, _AIR_SLOTS)),
        running=record.ended_s is None, outcome=record.outcome, learned_from=0 if begun is None else begun.batches,
        details={field: detail.value for field, detail in journal.details(batch.name).items()},
        test=alkali_test(journal, batch.name),
    )  # fmt: skip


def _pour_s(batch: Batch, log: Sequence[LogEntry]) -> float:
    """The pour, or the start where nobody noted it."""
    return min((entry.at_s for entry in log if entry.kind == "poured"), default=batch.started_s)


def _slots(from_s: float, until_s: float, slot_s: float) -> int:
    return max(1, math.ceil((until_s - from_s) / slot_s))


def _first_hours_fine(points: list[tuple[float, float]], fine_until_s: float) -> tuple[tuple[float, float], ...]:
    """The same of readings that are all at hand."""
    place = bisect_left(points, (fine_until_s,))
    parts = ((points[:place], _FINE_SLOT_S, math.inf), (points[place:], _LATER_SLOT_S, _LATER_SLOTS))
    return tuple(
        point
        for part, slot_s, most in parts
        if part
        for point in thinned(part, int(min(_slots(part[0][0], part[-1][0], slot_s), most)))
    )


def _made(  # noqa: PLR0917
    batch: Batch,
    recipe: Recipe,
    vessel: Vessel,
    log: Sequence[LogEntry],
    told: _Told,
    started: datetime,
    *,
    core: tuple[tuple[float, float], ...],
    air: tuple[tuple[float, float], ...],
    running: bool,
    outcome: str,
    details: dict[str, str],
    test: Tested | None = None,
    learned_from: int = 0,
) -> Story:
    pours = sorted((entry for entry in log if entry.kind == "poured"), key=lambda entry: entry.at_s)
    # A second blending is no zero for a curve: where the first was not noted, nobody knows it.
    blends = sorted(entry.at_s for entry in log if entry.kind == "blended")
    weighed = recipe.koh_kg is not None and recipe.water_kg is not None and all(s.kg is not None for s in recipe.oils)
    return Story(
        name=batch.name,
        bucket=batch.bucket,
        started_s=batch.started_s,
        month=started.month,
        poured_s=pours[0].at_s if pours else None,
        blended_s=blends[0] if blends else None,
        running=running,
        outcome=outcome,
        recipe=recipe,
        vessel=vessel,
        maker=details.get("maker", ""),
        oil_lot=details.get("oil_lot", ""),
        potash_lot=details.get("potash_lot", ""),
        yield_litres=_typed(details.get("yield_litres")),
        yield_kg=_typed(details.get("yield_kg")),
        pour_c=next((entry.temperature_c for entry in pours if entry.temperature_c is not None), None),
        covers=tuple((entry.at_s, entry.kind == "covered") for entry in log if entry.kind in ("covered", "uncovered")),
        mass_kg=fill_in(recipe).mass_kg if weighed and recipe.oils else None,
        core=core,
        air=air,
        heat=told.rows("heat_released_kj"),
        done=told.rows("completeness"),
        completeness=told.completeness(running=running),
        tested=None if not weighed or test is None or test.completeness is None else (test.completeness, test.sd),
        tested_at_most=test is not None and test.at_most,
        self_heating=told.newest("self_heating_k", "self_heating_sd_k"),
        time_constant_s=told.newest("cooling_time_constant_s", "cooling_time_constant_sd_s"),
        # A journal brought in from elsewhere has the events alone; both say the same otherwise.
        learned_from=max(learned_from, told.learned_from()),
        alarms=told.alarms,
        says="" if told.verdict is None else str(told.verdict.values.get("says", "")),
    )


def _number(event: Event, name: str) -> float | None:
    value = event.values.get(name)
    return float(value) if isinstance(value, int | float) and math.isfinite(value) else None


def _typed(text: str | None) -> float | None:
    try:
        return None if text is None else float(text)
    except ValueError:
        return None
