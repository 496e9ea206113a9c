"""Which of a finished batch's old readings are kept when the rest makes room. Pure: times and values in, places out.

Kept is what the batch's curve, its peak and its judgement hang on: everything in the spans that matter (the pour, the
blends, whatever a person noted, whatever rang), everything that is not plain (a fault, a reading that was not believed)
with its neighbours, and of each slot of time between its first and last reading, and the lowest and the highest where
these stand out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

# From so long before a pour or a blend until so long after it every reading stays: these hours decide. With one hour
# the completeness of a batch that never took moved by 0.010, with three by 0.0002 (simulated, sd 0.14).
BEFORE_S, AFTER_S = 600.0, 3 * 3600.0
# So much stays on either side of a probe's peak: it is told as the mean of a minute, which may be one beside it.
PEAK_S = 1800.0
# So much stays on either side of any other entry of the log, and after an alarm was raised or cleared; before it more:
# what it was raised for began earlier.
AROUND_S, BEFORE_ALARM_S = 600.0, 3600.0
# Slots in the hours in which the curve is steep, after that, and where no batch is.
STEEP_UNTIL_S = 6 * 3600.0
STEEP_SLOT_S, CALM_SLOT_S, IDLE_SLOT_S = 60.0, 300.0, 1800.0
# An extreme so little beyond the slot's ends is noise. Keeping it all the same would make every probe look livelier
# than it was, and one that merely rests then looks stuck (seen in simulated batches).
STANDS_OUT_K = 0.25

Span = tuple[float, float]
# Time, value (None: it could not measure), and why it is not plain (its state, or why it was not believed), or None.
Row = tuple[float, float | None, str | None]


@dataclass(frozen=True, slots=True)
class Plan:
    """What is kept whole, and how long the slots are elsewhere. Times are Unix seconds.

    ``whole`` and ``steep`` are spans in order and apart; in ``steep`` the slots are short. ``peak``: whether the time
    round each probe's highest reading stays whole.
    """

    whole: tuple[Span, ...] = ()
    steep: tuple[Span, ...] = ()
    slot_s: float = CALM_SLOT_S
    peak: bool = False


IDLE = Plan(slot_s=IDLE_SLOT_S)


def plan_for(decisive_s: Sequence[float], noted_s: Sequence[float], alarms_s: Sequence[float] = ()) -> Plan:
    """For a batch with pours and blends at ``decisive_s``, other entries at ``noted_s``, and alarms that were raised or
    cleared at ``alarms_s``."""
    whole = [(at - BEFORE_S, at + AFTER_S) for at in decisive_s]
    whole += [(at - AROUND_S, at + AROUND_S) for at in noted_s]
    whole += [(at - BEFORE_ALARM_S, at + AROUND_S) for at in alarms_s]
    return Plan(joined(whole), joined([(at - BEFORE_S, at + STEEP_UNTIL_S) for at in decisive_s]), peak=True)


def joined(spans: Sequence[Span]) -> tuple[Span, ...]:
    """Spans in order, those that touch made one."""
    out: list[Span] = []
    for from_s, to_s in sorted(spans):
        if out and from_s <= out[-1][1]:
            out[-1] = (out[-1][0], max(out[-1][1], to_s))
        else:
            out.append((from_s, to_s))
    return tuple(out)


def kept(rows: Sequence[Row], plan: Plan) -> list[int]:
    """The places in ``rows`` (one probe, in the order of time) that stay. Thinning what was thinned keeps all of it."""
    plan = _with_peak(rows, plan) if plan.peak else plan
    stay: set[int] = {0, len(rows) - 1} if rows else set()
    begin = 0
    while begin < len(rows):
        slot = _slot(rows[begin][0], plan)
        end = begin + 1
        while end < len(rows) and _slot(rows[end][0], plan) == slot:
            end += 1
        places = range(begin, end)
        stay.update(places if slot[0] == "whole" else _of_slot(rows, places))
        begin = end
    return sorted(stay)


def _with_peak(rows: Sequence[Row], plan: Plan) -> Plan:
    plain = [(value, -time_s) for time_s, value, odd in rows if odd is None and value is not None]
    if not plain:
        return plan
    at_s = -max(plain)[1]
    return replace(plan, whole=joined([*plan.whole, (at_s - PEAK_S, at_s + PEAK_S)]))


def _slot(time_s: float, plan: Plan) -> tuple[str, int]:
    if _inside(time_s, plan.whole):
        return "whole", 0
    if _inside(time_s, plan.steep):
        return "steep", math.floor(time_s / STEEP_SLOT_S)
    return "calm", math.floor(time_s / plan.slot_s)


def _inside(time_s: float, spans: Sequence[Span]) -> bool:
    return any(from_s <= time_s <= to_s for from_s, to_s in spans)


def _of_slot(rows: Sequence[Row], places: range) -> set[int]:
    """Of a slot in which all is plain, or nothing, the ends, and of the plain the extremes that stand out.

    A slot that is mixed stays whole: there something went wrong, or was put right.
    """
    if len({rows[place][2] for place in places}) > 1:
        return set(places)
    stay = {places[0], places[-1]}
    values = {place: value for place in places if (value := rows[place][1]) is not None}
    if rows[places[0]][2] is not None or not values:
        return stay
    ends = [values[place] for place in stay if place in values] or list(values.values())
    lowest, highest = min(values, key=lambda place: values[place]), max(values, key=lambda place: values[place])
    if values[lowest] < min(ends) - STANDS_OUT_K:
        stay.add(lowest)
    if values[highest] > max(ends) + STANDS_OUT_K:
        stay.add(highest)
    return stay
