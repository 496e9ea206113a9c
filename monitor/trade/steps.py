"""The steps of the four days as a checklist: what to do in which order, and what of it the log says is done.

Each step is ticked by a log entry. Where no kind of entry fits (putting on the gear, reading the bag) it is a note
whose text is the step's mark. Common practice, except where a source stands beside a text.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from ..domain import PLANNED_DILUTION_S, LogEntry
from ..words import mark, tr
from .cautions import caution_keys_for

_MINUTE_S, _HOUR_S = 60.0, 3600.0
# A look counts for the step in whose time it falls.
_TAKEN_FROM_S, _TAKEN_TO_S = 15 * _MINUTE_S, 12 * _HOUR_S
_DAY_ONE_FROM_S, _DAY_THREE_FROM_S = 18 * _HOUR_S, 40 * _HOUR_S
# Water this long after the pour dilutes the paste; earlier it belongs to the making.
WATER_IS_DILUTION_S = 12 * _HOUR_S
STIRRINGS = 6


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do.

    step_id    its name in the program
    day        "before", "day 0", "day 1", ... (told by ``told_day``)
    title      a few words, marked for the catalogue (told by ``told_title``)
    text       what to do, likewise (``told_text``)
    log_kind   the kind of log entry that ticks it
    deed       whose cautions belong to it
    asks       "temperature" or "water" where the entry should carry a figure
    """

    step_id: str
    day: str
    title: str
    text: str
    log_kind: str
    deed: str
    asks: str = ""

    @property
    def caution_keys(self) -> tuple[str, ...]:
        """Keys of CAUTIONS for this step."""
        return caution_keys_for(self.deed)

    @property
    def entry_text(self) -> str:
        """The text of the log entry that ticks it: for a note the mark by which it is known again, else nothing."""
        return f"step done: {self.step_id}" if self.log_kind == "note" else ""

    def told_title(self) -> str:
        """The title in the reader's language."""
        return tr(self.title)

    def told_text(self) -> str:
        """What to do, in the reader's language and units."""
        return tr(self.text)

    def told_day(self) -> str:
        """The day in the reader's language: "before", "day 0"."""
        if self.day == "before":
            return tr("before")
        return tr("day {number}", number=self.day.removeprefix("day "))


STEPS: tuple[Step, ...] = (
    Step(
        "gear", "before", mark("Dress and lay out"),
        mark(
            "Goggles or visor, gloves, long sleeves, closed shoes. Clean water within reach, the number to call at "
            "hand. Tools of stainless steel or plastic. Children and animals out of the room, somebody told what you "
            "do."
        ),
        "note", "weigh",
    ),
    Step(
        "bag", "before", mark("Is it the right potash?"),
        mark(
            "Read the bag: potassium hydroxide, KOH. Not caustic soda: the same mass is some 40 % too much alkali. Not "
            "potash fertiliser and not potassium carbonate. Note the purity as printed and when the bag was opened: an "
            "open bag draws water and air's carbon dioxide, so it mostly holds less than it says."
        ),
        "note", "weigh",
    ),
    Step(
        "oil", "before", mark("Which oil?"),
        mark(
            "Read which oil it is. High-erucic rapeseed needs much less lye than the kind sold for the kitchen: the "
            "usual recipe is then balanced or lye-heavy. Used cooking oil varies widely and thickens falsely."
        ),
        "note", "weigh",
    ),
    Step(
        "place", "before", mark("Bucket and place"),
        mark(
            "A bucket large enough for the dilution and for foam, at most half full when it is blended. Stand it in a "
            "tray on the floor where it will stay."
        ),
        "note", "move",
    ),
    Step(
        "weigh", "day 0", mark("Weigh twice"),
        mark(
            "Weigh oil, potash and water, and then once more. Enter what the scale shows, not what the recipe asks."
        ),
        "weighed", "weigh",
    ),
    Step(
        "lye", "day 0", mark("Make the lye"),
        mark(
            "All the water first, the potash into it in small portions, stirring. Wait until it is clear: grains that "
            "dissolve later heat the paste and pass as reaction."
        ),
        "lye-clear", "lye",
    ),
    Step(
        "pour", "day 0", mark("Pour while it is warm"),
        mark(
            "Pour the lye into the oil while the lye is still hot, aiming at a mix of {50:degC} or more: its heat of "
            "solution gives some 40 % of the warmth. Stick a thermometer into the mix and note what it shows."
        ),
        "poured", "pour", asks="temperature",
    ),
    Step(
        "probe-out", "day 0", mark("Probe out"),
        mark(
            "Take the probe out before any blending: the blade meets the cable."
        ),
        "probe-out", "probe",
    ),
    Step(
        "blend", "day 0", mark("Blend"),
        mark(
            "Blend until it is like thin mayonnaise, the head under the surface all the time. Note the temperature of "
            "the mix after it too: the blender alone can add several kelvin."
        ),
        "blended", "blend", asks="temperature",
    ),
    Step(
        "probe-in", "day 0", mark("Probe in"),
        mark(
            "Put the probe back right after the blend, in the middle of the paste, its sheath of stainless steel or "
            "plastic."
        ),
        "probe-in", "probe",
    ),
    Step(
        "taken", "day 0", mark("Has it taken?"),
        mark(
            "15 to 40 minutes after blending: stiff, past {75:deg} to {80:degC}, no oil on top. If not, and below "
            "{75:degC}: probe out, blend again now. It is easier and surer now than later."
        ),
        "looked", "blend",
    ),
    Step(
        "evening", "day 0", mark("Before bed"),
        mark(
            "Cover it once it has passed its peak, never while it still rises above {85:degC}; the lid lying loosely. "
            "The tool says whether anything is needed before morning."
        ),
        "covered", "look",
    ),
    Step(
        "day-one", "day 1", mark("Look"),
        mark(
            "Firm as butter? No layer of oil or water? Not watery? A layer or a runny paste can still be blended in."
        ),
        "looked", "blend",
    ),
    Step(
        "day-three", "day 3", mark("Ready to dilute?"),
        mark(
            "Three days old, a day at the very least; firm as butter, no layer, not watery; a piece the size of a "
            "hazelnut stays clear in hot soft water. Age and these signs decide; the heat can only say not yet."
        ),
        "looked", "look",
    ),
    Step(
        "cut", "day 3", mark("Cut the paste"),
        mark(
            "Cut the paste into pieces the size of a walnut, the corners too: they can hide lye."
        ),
        "cut", "dilute",
    ),
    Step(
        "water", "day 3", mark("Soft water in two goes"),
        mark(
            "Half of the soft water, warm; wait until it has drawn in, then the other half. Note how much."
        ),
        "water-added", "dilute", asks="water",
    ),
    Step(
        "stir", "day 3", mark("Stir hourly"),
        mark(
            "Stir once an hour, five or six times, into the corners, at low speed. It takes about a day. Lumps after "
            "24 hours need patience and warmth, not force."
        ),
        "stirred", "dilute",
    ),
    Step(
        "diluted", "day 4", mark("All diluted"),
        mark(
            "No lumps left. Clearing and darkening over the next days are normal."
        ),
        "diluted", "dilute",
    ),
    Step(
        "test", "day 4", mark("Test for free alkali"),
        mark(
            "Soap takes acid in plain water, so titrate in neutralised alcohol or by the barium chloride method (ISO "
            "456, ISO 684, ISO 1067; from memory). That tells free alkali only: free oil needs extraction, or "
            "saponifying with an excess and titrating back. pH paper shows gross excess only. Alcohol burns: no flame. "
            "Barium chloride is poisonous."
        ),
        "tested", "test",
    ),
    Step(
        "fill", "day 4", mark("Fill and label"),
        mark(
            "Canisters with a label, never a drink bottle. It does not expire; keep it from frost."
        ),
        "filled", "fill",
    ),
)  # fmt: skip

STEP_BY_ID = {step.step_id: step for step in STEPS}


@dataclass(frozen=True, slots=True)
class StepState:
    """A step of one batch: when it was done (None: not noted) and by which entry, and whether it comes next.

    ``times`` counts what is done more than once, as stirring. ``due_s`` is when it should be done, if that is known.
    """

    step: Step
    done_at_s: float | None = None
    entry_id: str = ""
    is_next: bool = False
    times: int = 0
    due_s: float | None = None


def checklist(
    log: Iterable[LogEntry], now_s: float, *, planned_dilution_s: float = PLANNED_DILUTION_S
) -> tuple[StepState, ...]:
    """Every step with what the log, as far as it is known at ``now_s``, says of it.

    Next is the first step not noted after the last one that was: what was forgotten on the way can still be noted.
    """
    known = sorted(
        (entry for entry in log if entry.noted_at_s <= now_s and entry.at_s <= now_s),
        key=lambda entry: (entry.at_s, entry.noted_at_s),
    )
    pour_s = _first_s(known, "poured") or _first_s(known, "blended", "reblended")
    blend_s = _first_s(known, "blended") or pour_s
    ticked = [_ticks(step, known, pour_s, blend_s) for step in STEPS]
    last = max((place for place, entries in enumerate(ticked) if _is_done(STEPS[place], entries)), default=-1)
    states = []
    next_found = False
    for place, (step, entries) in enumerate(zip(STEPS, ticked, strict=True)):
        done = _is_done(step, entries)
        is_next = not done and not next_found and place > last
        next_found = next_found or is_next
        newest = entries[-1] if entries else None
        states.append(
            StepState(
                step,
                newest.at_s if newest is not None and done else None,
                newest.entry_id if newest is not None else "",
                is_next,
                len(entries),
                None if done else _due_s(step, pour_s, blend_s, planned_dilution_s),
            )
        )
    return tuple(states)


def _first_s(entries: list[LogEntry], *kinds: str) -> float | None:
    return next((entry.at_s for entry in entries if entry.kind in kinds), None)


def _ticks(step: Step, known: list[LogEntry], pour_s: float | None, blend_s: float | None) -> list[LogEntry]:
    """The entries that count for a step, in the order in which things happened."""
    mine = [entry for entry in known if entry.kind == step.log_kind]
    if step.log_kind == "note":
        return [entry for entry in mine if entry.text.startswith(step.entry_text)]
    if step.step_id == "water":
        return [entry for entry in mine if pour_s is not None and entry.at_s >= pour_s + WATER_IS_DILUTION_S]
    if step.log_kind != "looked":
        return mine
    if pour_s is None or blend_s is None:
        return []
    from_s, to_s = {
        "taken": (blend_s + _TAKEN_FROM_S, blend_s + _TAKEN_TO_S),
        "day-one": (pour_s + _DAY_ONE_FROM_S, pour_s + _DAY_THREE_FROM_S),
        "day-three": (pour_s + _DAY_THREE_FROM_S, float("inf")),
    }[step.step_id]
    return [entry for entry in mine if from_s <= entry.at_s < to_s]


def _is_done(step: Step, entries: list[LogEntry]) -> bool:
    return len(entries) >= {"stir": STIRRINGS, "water": 2}.get(step.step_id, 1)


def _due_s(step: Step, pour_s: float | None, blend_s: float | None, planned_dilution_s: float) -> float | None:
    if pour_s is None or blend_s is None:
        return None
    return {
        "probe-in": blend_s,
        "taken": blend_s + 20 * _MINUTE_S,
        "day-one": pour_s + 24 * _HOUR_S,
        "day-three": pour_s + max(planned_dilution_s, 24 * _HOUR_S),
    }.get(step.step_id)
