"""Alarms of the journal that the fold after a restart does not find again: they go on as they stood.

The fold judges all readings once more, by the settings and the program of today. Where the altitude was corrected in
between, or a newer program judges otherwise, an alarm that stood was never raised by it. Nobody would end it then:
neither the readings, nor "I have seen it", nor the end of its batch, and siren and page would go by it for ever.

It is not ended on the spot, for that what stood is not found may also be a fault of ours, and a boil-over is on its way
faster than somebody looks. The minder takes it over with its id, its answers and what was told of it, and from there
it ends as every alarm does: by readings that show the trouble gone for as long as its rule wants, by the end of its
batch, or, where its kind needs it, by somebody who has seen it. Without readings, or with readings near the limit, it
stands on. Who was rung for it is told then that it is over, once. Nothing is raised or told anew.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import replace

from monitor.domain import Condition
from monitor.journal.database import Act, AlarmRecord, Journal
from monitor.judgement import alarms, verdict
from monitor.judgement.alarms import ACKNOWLEDGED, NORMAL, RETURNED_UNACKNOWLEDGED, RULES, STANDING_STATES, AlarmState
from monitor.pipeline import Minder

# Beside an alarm that only a clock which stood wrong had raised: it is no earlier time of any other.
NEVER_WAS = "never_was"


def go_on_with(  # noqa: PLR0917
    journal: Journal, minder: Minder, last_tick_s: float, now_s: float, raised_before_s: float = math.inf,
    taken_over: Collection[str] = (),
) -> list[AlarmRecord]:
    """Have a minder that has been folded take over what the journal holds beyond it; ``last_tick_s`` is the last tick
    that was judged before. What was raised from ``raised_before_s`` on is left alone, but for the ids ``taken_over``.

    Also what is over by now: its number is not given once more, and its all-clear may still be due. Returns the records
    that are to be kept: of those about which something was done meanwhile, and, ended, of those that cannot go on
    (another one of their kind came after them, or this program does not know their kind). They come after those that
    the fold itself has found.
    """
    records = [
        one for one in journal.alarms(batch=minder.batch.name)
        if NEVER_WAS not in one.facts
        and ((one.raised_at_s or 0.0) < raised_before_s or one.alarm_id in taken_over)
    ]  # fmt: skip
    by_id = {one.alarm_id: one for one in records}
    newest: dict[str, AlarmRecord] = {}
    for record in records:
        subject, number = _parts(record.alarm_id)
        if subject not in newest or number > _parts(newest[subject].alarm_id)[1]:
            newest[subject] = record
    acts = journal.acts(minder.batch.name) if records else []
    changed = []
    for record in records:
        subject, number = _parts(record.alarm_id)
        found = minder.alarms.get(subject)
        if found is not None and found.count and found.alarm_id == record.alarm_id:
            continue
        mine = [one for one in acts if one.alarm_id == record.alarm_id and one.noted_at_s <= now_s]
        state = _as_it_stood(record, minder, mine)
        if (
            record is newest[subject]
            and number > (0 if found is None else found.count)
            and record.kind in RULES
            and state.alarm_id == record.alarm_id
        ):
            now = _after(state, [one for one in mine if one.noted_at_s > last_tick_s])
            minder.take_over(now, _finding(record))
            if now != state:
                changed.append(_kept(record, now))
            # What the fold has found stands under an earlier number, which nobody judges any more.
            earlier = None if found is None or not found.count else by_id.get(found.alarm_id)
            if earlier is not None:
                changed.append(_over(earlier, now_s))
        elif record.state in STANDING_STATES:
            changed.append(_over(record, now_s))
    return changed


def _over(record: AlarmRecord, now_s: float) -> AlarmRecord:
    """As it is where it is over already, seen or not."""
    return replace(record, state=NORMAL, cleared_at_s=now_s) if record.state in STANDING_STATES else record


def ended_with_their_batch(journal: Journal) -> list[AlarmRecord]:
    """What still stands of batches that are over, ended at their batch's end: nobody judges it any more."""
    ended = []
    for record in journal.alarms(standing_only=True):
        known = journal.batch(record.batch) if record.batch else None  # the watch's own and the nodes' have none
        if known is not None and known.ended_s is not None:
            over_s = known.ended_noted_s or known.ended_s
            cleared_s = record.cleared_at_s if record.state == RETURNED_UNACKNOWLEDGED else over_s
            ended.append(replace(record, state=NORMAL, cleared_at_s=cleared_s))
    return ended


def _parts(alarm_id: str) -> tuple[str, int]:
    """Kind, with the probe where it has one, and the how-manieth; 0 where an id has no number."""
    rest, _, number = alarm_id.rpartition("/")
    return rest.rpartition("/")[2], int(number) if number.isdecimal() else 0


def _as_it_stood(record: AlarmRecord, minder: Minder, acts: Sequence[Act]) -> AlarmState:
    """The state of which the journal keeps the record. When somebody went, and answered, is in what people entered."""
    subject, number = _parts(record.alarm_id)
    going_at_s = answered_at_s = None
    if record.state == ACKNOWLEDGED and record.acknowledged_at_s is not None:
        going = [one.noted_at_s for one in acts if one.act == "going" and one.noted_at_s >= record.acknowledged_at_s]
        going_at_s = min(going, default=None)
    if going_at_s is not None:
        answers = [one.noted_at_s for one in acts if one.act == "answered"]
        answers += [entry.noted_at_s for entry in minder.log() if entry.kind in verdict.DEEDS]
        answered_at_s = min((at_s for at_s in answers if at_s >= going_at_s), default=None)
    return AlarmState(
        minder.batch.bucket, minder.batch.name, record.kind, record.state, record.urgency,
        shelved_until_s=record.shelved_until_s, raised_at_s=record.raised_at_s, cleared_at_s=record.cleared_at_s,
        acknowledged_at_s=record.acknowledged_at_s, acknowledged_by=record.acknowledged_by or "",
        going_at_s=going_at_s, answered_at_s=answered_at_s, count=number, probe=subject.partition(".")[2],
    )  # fmt: skip


def _after(state: AlarmState, acts: Sequence[Act]) -> AlarmState:
    """The state after what was done about it while nobody watched; what it knows of already changes nothing."""
    for one in acts:
        try:
            state = alarms.after_act(state, one.act, one.noted_at_s, one.who, one.until_s)
        except alarms.AlarmError:  # a time of quiet out of bounds: the command has said so
            continue
    return state


def _kept(record: AlarmRecord, state: AlarmState) -> AlarmRecord:
    return replace(
        record, state=state.state, acknowledged_at_s=state.acknowledged_at_s, acknowledged_by=state.acknowledged_by,
        shelved_until_s=state.shelved_until_s,
    )  # fmt: skip


def _finding(record: AlarmRecord) -> Condition:
    """What was last found of it, for the words."""
    sure = 1.0 if record.probability is None else record.probability
    return Condition(record.kind, record.state in STANDING_STATES, False, sure, record.urgency, facts=record.facts)
