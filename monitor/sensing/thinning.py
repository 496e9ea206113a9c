"""Which of a finished batch's old readings are kept when the rest makes room. Pure: times and values in, places out.

Kept is what the batch's curve, its peak and its judgement hang on: everything in the spans that matter (the pour, the
blends, whatever a person noted, whatever rang), everything that is not plain (a fault, a reading that was not believed)
with its neighbours, and of each slot of time between the lowest and the highest reading.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

# From so long before a pour or a blend until so long after it every reading stays: these hours decide.
BEFORE_S, FIRST_HOUR_S = 600.0, 3600.0
# So much stays on either side of any other entry of the log, and of an alarm that was raised or cleared.
AROUND_S = 600.0
# Slots in the hours in which the curve is steep, after that, and where no batch is.
STEEP_UNTIL_S = 6 * 3600.0
STEEP_SLOT_S, CALM_SLOT_S, IDLE_SLOT_S = 60.0, 300.0, 1800.0

Span = tuple[float, float]
# Time, value (None: it could not measure), and why it is not plain (its state, or why it was not believed), or None.
Row = tuple[float, float | None, str | None]


@dataclass(frozen=True, slots=True)
class Plan:
    """What is kept whole, and how long the slots are elsewhere. Times are Unix seconds.

    ``whole`` and ``steep`` are spans in order and apart; in ``steep`` the slots are short.
    """

    whole: tuple[Span, ...] = ()
    steep: tuple[Span, ...] = ()
    slot_s: float = CALM_SLOT_S


IDLE = Plan(slot_s=IDLE_SLOT_S)


def plan_for(decisive_s: Sequence[float], noted_s: Sequence[float]) -> Plan:
    """For a batch with pours and blends at ``decisive_s``, other entries and alarms at ``noted_s``."""
    whole = [(at - BEFORE_S, at + FIRST_HOUR_S) for at in decisive_s]
    whole += [(at - AROUND_S, at + AROUND_S) for at in noted_s]
    return Plan(joined(whole), joined([(at - BEFORE_S, at + STEEP_UNTIL_S) for at in decisive_s]))


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


def _slot(time_s: float, plan: Plan) -> tuple[str, int]:
    if _inside(time_s, plan.whole):
        return "whole", 0
    if _inside(time_s, plan.steep):
        return "steep", math.floor(time_s / STEEP_SLOT_S)
    return "calm", math.floor(time_s / plan.slot_s)


def _inside(time_s: float, spans: Sequence[Span]) -> bool:
    return any(from_s <= time_s <= to_s for from_s, to_s in spans)


def _of_slot(rows: Sequence[Row], places: range) -> list[int]:
    """Of a slot in which all is plain the lowest and the highest, of one in which nothing is the first and the last.

    A slot that is mixed stays whole: there something went wrong, or was put right.
    """
    if len({rows[place][2] for place in places}) > 1:
        return list(places)
    values = [rows[place][1] for place in places]
    if rows[places[0]][2] is not None or any(value is None for value in values):
        return sorted({places[0], places[-1]})
    # Of equal ones the first lowest and the last highest: a level stretch keeps its length.
    lowest = min(places, key=lambda place: (rows[place][1], place))
    highest = max(places, key=lambda place: (rows[place][1], place))
    return sorted({lowest, highest})
