"""Would it have rung? A batch of the journal goes through the judgement again, with other settings.

Its raw readings, its log and the answers to its alarms are taken at the times at which they counted, as after a
restart of ``watch``. The journal is only read: whom it would have told is worked out in a journal of its own, in a
folder that is removed at the end, and nothing hands its messages over.
"""

from __future__ import annotations

import dataclasses
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from monitor.domain import Event
from monitor.journal.database import BatchRecord, Journal, Message
from monitor.judgement.escalation import CLEARED, is_awake
from monitor.judgement.escalation import Person as RungPerson
from monitor.judgement.escalation import Settings as Rules
from monitor.judgement.verdict import Limits
from monitor.learned import begun_with
from monitor.page.what_if_view import SOONER, SURER, USUAL, Call, Comparison, Outcome, Ring, Trial, TriedPerson
from monitor.pipeline import Minder
from monitor.settings import Settings
from monitor.stored import WATCHED_KEY, fold, stored_deeds, stored_readings, stored_ticks
from monitor.telling import Teller
from monitor.toml_tables import WakingHours
from monitor.watch_parts import escalation_rules, for_escalation, people_of
from monitor.words import tr

# How far "sooner" and "surer" shift what is asked before it rings: a quarter less, or two fifths of what is left to
# certainty more. Large enough to be seen, small enough that a clear failure rings either way. Judgement.
_SOONER, _SURER = 0.75, 0.40


class NotTried(ValueError):
    """It cannot be worked out; one sentence says why."""


class Stopped(Exception):
    """It was given up on the way."""


def compare(
    journal: Journal,
    name: str,
    settings: Settings,
    trial: Trial,
    *,
    progress: Callable[[float], bool] = lambda _share: True,
) -> Comparison:
    """What rang in the batch called ``name``, what would ring with ``settings``, and with what is tried.

    ``progress`` hears now and then which share of the work is done, and answers whether to go on: Stopped otherwise.
    Raises NotTried for a batch that was never minded or has no reading.
    """
    began_s = time.monotonic()
    record = journal.batch(name)
    if record is None:
        raise NotTried(tr("There is no batch {name} here.", name=name[:60]))
    span = _span(journal, record)
    other = None if trial == trial_of(settings) else with_trial(settings, trial)
    parts = 1 if other is None else 2
    now = _rung_with(journal, record, span, settings, Limits(), lambda share: progress(share / parts))
    tried = None
    if other is not None:
        limits = limits_for(trial.sureness)
        tried = _rung_with(journal, record, span, other, limits, lambda share: progress((1.0 + share) / parts))
    return Comparison(
        name,
        _rang_then(journal, record, settings),
        now,
        tried,
        trial,
        took_s=time.monotonic() - began_s,
        too_hot_now_c=settings.place().too_hot_c,
        too_hot_tried_c=(other or settings).place().too_hot_c,
        nobody_now=settings.no_phone,
        nobody_tried=other is not None and other.no_phone,
        watch_assumed=span.assumed,
    )


# ---- what is tried ---------------------------------------------------------------------------------------------------


def trial_of(settings: Settings) -> Trial:
    """The settings as they are, as a trial."""
    people = tuple(
        TriedPerson(one.name, one.waking_hours.start_minute, one.waking_hours.end_minute, one.knows_the_trade)
        for one in settings.people
    )
    return Trial(settings.site.altitude_m, people)


def with_trial(settings: Settings, trial: Trial) -> Settings:
    """The settings with what is tried in their place. An order that is tried holds on every night of the week."""
    known = {one.name: one for one in settings.people}
    same_order = [one.name for one in trial.people] == [one.name for one in settings.people]
    people = tuple(
        dataclasses.replace(
            known[one.name],
            waking_hours=WakingHours(one.waking_from, one.waking_to),
            knows_the_trade=one.knows_the_trade,
            on_call=known[one.name].on_call if same_order else (),
        )
        for one in trial.people
        if one.name in known
    )
    return dataclasses.replace(
        settings, site=dataclasses.replace(settings.site, altitude_m=trial.altitude_m), people=people
    )


def limits_for(sureness: str) -> Limits:
    """How sure one must be before it rings; for "sooner" and "surer" every limit is shifted alike."""
    usual = Limits()
    if sureness == USUAL:
        return usual
    if sureness not in (SOONER, SURER):
        raise NotTried(tr("That is no way to ring; open the page anew."))
    values = {field.name: getattr(usual, field.name) for field in dataclasses.fields(usual)}
    shifted = {
        name: value * _SOONER if sureness == SOONER else value + (1.0 - value) * _SURER
        for name, value in values.items()
        if name != "clear_below"
    }
    return dataclasses.replace(usual, **shifted)


# ---- going through it again ------------------------------------------------------------------------------------------


@dataclasses.dataclass(frozen=True, slots=True)
class _Span:
    """From when to when it was minded, and the times at which the watch ran; ``assumed`` where those are forgotten."""

    minded_from_s: float
    until_s: float
    watched: tuple[tuple[float, float], ...]
    assumed: bool


def _span(journal: Journal, record: BatchRecord) -> _Span:
    batch = record.batch
    kept = journal.fact(f"minded_from/{batch.name}")
    first = next(journal.readings(batch.bucket, from_arrival_s=batch.started_s), None)
    if first is None or (record.ended_noted_s is not None and first.arrival_s >= record.ended_noted_s):
        raise NotTried(tr("{batch} has no reading in the journal, so nothing can be worked out.", batch=batch.name))
    minded_from_s = float(kept) if isinstance(kept, int | float) else max(batch.known_from_s, first.arrival_s)
    last_s = journal.fact("last_tick_s") or journal.last_arrival_s() or minded_from_s
    until_s = record.ended_noted_s if record.ended_noted_s is not None else float(last_s)
    watched = tuple((float(a), float(b)) for a, b in journal.fact(WATCHED_KEY, []))
    if any(began_s <= minded_from_s <= last_tick_s for began_s, last_tick_s in watched):
        return _Span(minded_from_s, until_s, watched, assumed=False)
    return _Span(minded_from_s, until_s, ((minded_from_s, until_s),), assumed=True)


def _rung_with(  # noqa: PLR0917
    journal: Journal,
    record: BatchRecord,
    span: _Span,
    settings: Settings,
    limits: Limits,
    progress: Callable[[float], bool],
) -> Outcome:
    minder = Minder(
        record.batch, minded_from_s=span.minded_from_s, place=settings.place(), limits=limits,
        history=begun_with(journal, record.batch.name),
        emergency_number=settings.site.emergency_number,
    )  # fmt: skip
    events: list[Event] = []
    length_s = max(1.0, span.until_s - span.minded_from_s)
    with (
        tempfile.TemporaryDirectory(prefix="emberpail-") as folder,
        Journal(Path(folder) / "told.sqlite") as own,
    ):
        teller = Teller(own, settings, people_of(settings))

        def tick(tick_s: float) -> None:
            if not progress((tick_s - span.minded_from_s) / length_s):
                raise Stopped
            events.extend(minder.tick(tick_s))
            if minder.told():
                teller.tell([minder], tick_s)
                for message in own.due_messages(tick_s):
                    own.message_sent(message.message_id, tick_s)  # as if every service took it at once

        fold(
            stored_deeds(journal, minder, span.watched, lambda one, act: one.try_act(act)),
            # What was ended counts after the tick of that very moment.
            stored_ticks(minder, span.watched, span.until_s + 0.001, tick),
            stored_readings(journal, [minder], to_arrival_s=span.until_s),
        )
        return _outcome(record, events, own.messages(), settings)


def _rang_then(journal: Journal, record: BatchRecord, settings: Settings) -> Outcome:
    """What the journal holds; waking hours as they are set now, for it does not hold those of then."""
    name = record.batch.name
    messages = [
        message for ring_id in dict.fromkeys(_alarm_ids(journal.events(name))) for message in journal.messages(ring_id)
    ]
    return _outcome(record, journal.events(name), messages, settings)


# ---- events and messages side by side --------------------------------------------------------------------------------


def _alarm_ids(events: Sequence[Event]) -> list[str]:
    return [str(event.values["alarm"]) for event in events if event.event == "alarm"]


def _outcome(
    record: BatchRecord, events: Sequence[Event], messages: Sequence[Message], settings: Settings
) -> Outcome:
    rules = escalation_rules(settings)
    people = {one.name: for_escalation(one) for one in people_of(settings)}
    told: dict[str, list[Message]] = {}
    for message in messages:
        if not message.what.startswith(CLEARED):
            told.setdefault(message.about, []).append(message)
    rings: dict[str, Ring] = {}
    prefix = f"{record.batch.bucket}/{record.batch.name}/"
    for event in events:
        if event.event != "alarm":
            continue
        alarm_id = str(event.values["alarm"])
        if event.values["state"] == "cleared":
            if alarm_id in rings:
                rings[alarm_id] = dataclasses.replace(rings[alarm_id], cleared_at_s=event.at_s)
            continue
        subject, _, number = alarm_id.removeprefix(prefix).rpartition("/")
        kind, _, probe = subject.partition(".")
        mine = told.get(alarm_id, [])
        urgent = event.values["urgency"] == "now" or any(message.urgency == "now" for message in mine)
        rings[alarm_id] = Ring(
            kind, int(number) if number.isdigit() else 1, event.at_s, "now" if urgent else "daylight", probe,
            calls=_calls(mine, people, rules),
        )  # fmt: skip
    return Outcome(tuple(sorted(rings.values(), key=lambda ring: (ring.raised_at_s, ring.key))))


def _calls(
    messages: Sequence[Message], people: dict[str, RungPerson], rules: Rules
) -> tuple[Call, ...]:
    calls = []
    for name in dict.fromkeys(message.person for message in messages):
        # A telling goes by several routes: it is one all the same.
        mine = [one for one in messages if one.person == name]
        sent = [one for one in mine if one.state == "sent"]
        times_s: dict[str, float] = {}
        for one in sent or mine:
            at_s = one.created_s if one.sent_s is None else one.sent_s
            times_s[one.what] = min(at_s, times_s.get(one.what, at_s))
        wakes = {one.what for one in sent if one.urgency == "now"}
        asleep_s = [
            at_s
            for what, at_s in times_s.items()
            if what in wakes and name in people and not is_awake(people[name], at_s, rules)
        ]
        calls.append(Call(name, min(times_s.values()), len(times_s), min(asleep_s, default=None), bool(sent)))
    return tuple(sorted(calls, key=lambda call: call.at_s))
