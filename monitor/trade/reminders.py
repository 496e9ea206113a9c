"""What the tool reminds of in the four days, and when: a pure function of the log, a few facts and the time.

A reminder stands from when the log gives cause for it until its deed is noted or it has become stale. What is due is
told once to each person; a reminder keeps its identity when a log entry is taken back and entered again, so that it
comes back without being told twice. Reminders are no alarms: nothing here escalates or repeats. Common practice,
except where a source stands beside it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass

from ..domain import PLANNED_DILUTION_S, LogEntry
from .making import (
    DAY_S,
    EARLIEST_DILUTION_S,
    HAS_TAKEN_FROM_S,
    HAS_TAKEN_LOOK_S,
    HAS_TAKEN_TO_S,
    HOUR_S,
    MINUTE_S,
    stage_of,
)

# Alarms by which the heat says "not yet" to a batch that is old enough. It can never say "ready".
HEAT_VETOES = frozenset({"incomplete", "separated", "cooled_early", "not_taken"})
# Deeds for which somebody opens the bucket: not while an alarm asks for something else.
OPENING_DEEDS = frozenset({"look", "open", "probe", "blend", "dilute"})

# What tells a reminder's identity from an alarm's.
PREFIX = "reminder/"

PROBE_BACK_S = 5 * MINUTE_S
# Later than this the look at 20 minutes asks for more than the probe.
_PROBE_BACK_TO_S = 20 * MINUTE_S
# Nobody noted a blend: it is over by then (common practice: 5 to 15 minutes of blending).
_BLENDED_BY_S = 25 * MINUTE_S
# The evening's word rests on two hours of heat, and belongs to the day of the blend.
EVENING_AFTER_BLEND_S = 2 * HOUR_S
_EVENING_WITHIN_S = 18 * HOUR_S
_EVENING_LASTS_S = 2 * HOUR_S
_DAY_ONE_S, _DAY_ONE_LOOK_FROM_S = DAY_S, 18 * HOUR_S
# A look so shortly before the dilution is the look before it; and day one needs no look of its own then.
_READY_LOOK_FROM_S = 12 * HOUR_S
_READY_LASTS_S = 4 * DAY_S
# Water so long after the pour is that of the dilution.
_WATER_IS_DILUTION_S = 12 * HOUR_S
_FIRST_WATER_S, _FIRST_WATER_LASTS_S = 30 * MINUTE_S, 12 * HOUR_S
_DRAWS_IN_S, _SECOND_WATER_LASTS_S = 2 * HOUR_S, DAY_S
STIRRINGS = 6
_STIR_EVERY_S, _STIR_LASTS_S = HOUR_S, 50 * MINUTE_S
# One so shortly before its hour was that hour's.
_STIR_AHEAD_S = 10 * MINUTE_S
_LUMPS_S, _LUMPS_LAST_S = DAY_S, DAY_S
_TEST_S, _FILL_S, _LAST_DEEDS_LAST_S = 2 * HOUR_S, 30 * MINUTE_S, 3 * DAY_S
# A time that was entered anew, moved by no more than this, is the same blend; by so much, the same evening.
_SAME_S = {"taken": 15 * MINUTE_S, "probe-in": 15 * MINUTE_S, "evening": 12 * HOUR_S}


@dataclass(frozen=True, slots=True)
class Reminder:
    """One thing to be reminded of.

    reminder_id  the same whenever it is worked out, unique in its batch
    due_s        when it is to be told, Unix seconds
    expires_s    from when on it is stale and better not told
    wakes        somebody is standing there: told at once, whatever the hour
    step_id      which words it takes
    deed         whose cautions belong to it (one of making.DEEDS), None when nothing is to be done by hand
    number       the how-manieth of STIRRINGS, 0 for others
    """

    reminder_id: str
    due_s: float
    expires_s: float
    wakes: bool
    step_id: str
    deed: str | None
    number: int = 0


def identity(batch: str, reminder_id: str) -> str:
    """The identity of a reminder among all batches."""
    return f"{PREFIX}{batch}/{reminder_id}"


def standing(
    log: Iterable[LogEntry],
    now_s: float,
    *,
    planned_dilution_s: float = PLANNED_DILUTION_S,
    vetoed: bool = False,
    paste_read: bool = False,
    evening_from: Callable[[float], float] | None = None,
) -> tuple[Reminder, ...]:
    """Every reminder that is due or will be, by the log as it is known at ``now_s``, the earliest first.

    ``vetoed``: the heat says not yet. ``paste_read``: a probe has read paste since the newest blend.
    ``evening_from`` gives the first time from a time on at which the evening's word may come; None: it never does.
    """
    known = [entry for entry in log if entry.noted_at_s <= now_s and entry.at_s <= now_s]
    stage = stage_of(known, now_s, planned_dilution_s=planned_dilution_s)
    if stage in ("planned", "lye", "filled", "held", "discarded"):
        return ()
    done = _Deeds(known)
    if stage == "diluting":
        found = _of_the_dilution(done)
    else:
        found = _of_the_blend(done, paste_read, evening_from)
        found += _of_the_ageing(done, max(planned_dilution_s, EARLIEST_DILUTION_S), vetoed)
    return tuple(sorted((one for one in found if now_s < one.expires_s), key=lambda one: one.due_s))


def to_tell(
    reminders: Iterable[Reminder],
    told: Collection[str],
    now_s: float,
    *,
    awake: bool,
    held: bool = False,
) -> tuple[Reminder, ...]:
    """Those of the standing reminders that a person is to be told now, in one message.

    ``told`` are the ids of those this person has been told of in this batch; ``awake``: it is in this person's waking
    hours; ``held``: an alarm asks for something else at the bucket, so nobody is sent to open it.
    """
    return tuple(
        one
        for one in reminders
        if one.due_s <= now_s < one.expires_s
        and (awake or one.wakes)
        and not (held and one.deed in OPENING_DEEDS)
        and not any(is_same(one.reminder_id, other) for other in told)
    )


def is_same(reminder_id: str, other_id: str) -> bool:
    """Whether both ids mean the same reminder: one whose time was corrected a little still does."""
    name, _, minute = reminder_id.partition("@")
    other_name, _, other_minute = other_id.partition("@")
    if name != other_name or not (minute and other_minute):
        return reminder_id == other_id
    return abs(int(minute) - int(other_minute)) * MINUTE_S <= _SAME_S[name]


# ---- inside ------------------------------------------------------------------------------------------------------


class _Deeds:
    """When things were done, by kind, the earliest first."""

    def __init__(self, entries: Sequence[LogEntry]) -> None:
        self._at_s: dict[str, list[float]] = {}
        for entry in sorted(entries, key=lambda entry: entry.at_s):
            self._at_s.setdefault(entry.kind, []).append(entry.at_s)
        blends = sorted(self.of("blended") + self.of("reblended"))
        self.poured_s = (self.of("poured") or blends)[0]
        self.blend_noted = bool(blends)
        self.blend_s = blends[-1] if blends else self.poured_s + _BLENDED_BY_S

    def of(self, kind: str, from_s: float = -math.inf) -> list[float]:
        """The times of a kind of entry, from ``from_s`` on."""
        return [at_s for at_s in self._at_s.get(kind, []) if at_s >= from_s]

    @property
    def dilution_s(self) -> float:
        """When the dilution began; the log says that it has."""
        starts = self.of("cut", self.poured_s) + self.of("diluted", self.poured_s)
        starts += self.of("water-added", self.poured_s + _WATER_IS_DILUTION_S)
        return min(starts, default=self.poured_s)


def _at(name: str, moment_s: float) -> str:
    return f"{name}@{int(moment_s // MINUTE_S)}"


def _of_the_blend(done: _Deeds, paste_read: bool, evening_from: Callable[[float], float] | None) -> list[Reminder]:
    blend_s = done.blend_s
    found = []
    if done.blend_noted and not paste_read and not done.of("probe-in", blend_s):
        due_s, ends_s = blend_s + PROBE_BACK_S, blend_s + _PROBE_BACK_TO_S
        found.append(Reminder(_at("probe-in", blend_s), due_s, ends_s, True, "probe-in", "probe"))
    if not done.of("looked", blend_s + HAS_TAKEN_FROM_S):
        due_s, ends_s = blend_s + HAS_TAKEN_LOOK_S, blend_s + HAS_TAKEN_TO_S
        found.append(Reminder(_at("taken", blend_s), due_s, ends_s, True, "taken", "look"))
    if evening_from is not None:
        evening_s = max(evening_from(blend_s), blend_s + EVENING_AFTER_BLEND_S)
        if evening_s <= blend_s + _EVENING_WITHIN_S:
            ends_s = evening_s + _EVENING_LASTS_S
            found.append(Reminder(_at("evening", evening_s), evening_s, ends_s, False, "evening", None))
    return found


def _of_the_ageing(done: _Deeds, dilution_s: float, vetoed: bool) -> list[Reminder]:
    ready_s = done.poured_s + dilution_s
    found = []
    day_one_s = done.poured_s + _DAY_ONE_S
    before_ready_s = ready_s - _READY_LOOK_FROM_S
    if day_one_s < before_ready_s and not done.of("looked", done.poured_s + _DAY_ONE_LOOK_FROM_S):
        ends_s = min(day_one_s + DAY_S, before_ready_s)
        found.append(Reminder("day-one", day_one_s, ends_s, False, "day-one", "look"))
    if vetoed:
        found.append(Reminder("not-yet", ready_s, ready_s + _READY_LASTS_S, False, "not-yet", "look"))
    elif not done.of("looked", before_ready_s):
        found.append(Reminder("day-three", ready_s, ready_s + _READY_LASTS_S, False, "day-three", "look"))
    return found


def _of_the_dilution(done: _Deeds) -> list[Reminder]:
    began_s = done.dilution_s
    diluted, tested = done.of("diluted", began_s), done.of("tested", began_s)
    if diluted:
        if not tested:
            due_s = diluted[-1] + _TEST_S
            return [Reminder("test", due_s, due_s + _LAST_DEEDS_LAST_S, False, "test", "test")]
        due_s = max(diluted[-1], tested[-1]) + _FILL_S
        return [Reminder("fill", due_s, due_s + _LAST_DEEDS_LAST_S, False, "fill", "fill")]
    waters = done.of("water-added", began_s)
    if not waters:
        due_s = began_s + _FIRST_WATER_S
        return [Reminder("water", due_s, due_s + _FIRST_WATER_LASTS_S, False, "water", "dilute")]
    first_s = waters[0]
    found = []
    if len(waters) == 1:
        due_s = first_s + _DRAWS_IN_S
        found.append(Reminder("second-water", due_s, due_s + _SECOND_WATER_LASTS_S, False, "second-water", "dilute"))
    stirred = done.of("stirred", first_s)
    # Whoever stirs without noting it is reminded by the hour all the same; one that is noted stands for those before.
    past = int((stirred[-1] + _STIR_AHEAD_S - first_s) // _STIR_EVERY_S) if stirred else 0
    times = max(len(stirred), past)
    for number in range(times + 1, STIRRINGS + 1):
        due_s = first_s + number * _STIR_EVERY_S
        if stirred:
            due_s = max(due_s, stirred[-1] + (number - times) * _STIR_EVERY_S)
        found.append(Reminder(f"stir-{number}", due_s, due_s + _STIR_LASTS_S, False, "stir", "dilute", number))
    due_s = first_s + _LUMPS_S
    found.append(Reminder("lumps", due_s, due_s + _LUMPS_LAST_S, False, "lumps", "dilute"))
    return found
