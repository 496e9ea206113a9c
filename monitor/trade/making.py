"""The making itself: cautions, the steps of the four days, the stage a batch is in, and what is to be done next.

Everything here is data or a pure function of the log and the time. Where someone is told to weigh, mix, open, blend or
dilute, the cautions of that deed stand with it. They come second to the potash's safety data sheet, to local rules
and to licensed practice (``DEFERS``). Common practice, except where a source stands beside a text.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

from ..domain import PLANNED_DILUTION_S, LogEntry

MINUTE_S = 60.0
HOUR_S = 3600.0
DAY_S = 86400.0

# --- cautions -----------------------------------------------------------------------------------------------------

DEFERS = (
    "The safety data sheet of your potash, your local rules and licensed practice come first. "
    "Where they ask for more than stands here, or for something else, do what they say."
)

# First aid and rinsing times: NIOSH Pocket Guide, New Jersey fact sheet 1571 (seen). Metals and hydrogen: ERG guide 154
# and ICSC 0357 (hydrogen seen, list of metals from memory). Water first: order from memory. Plastic: from memory.
CAUTIONS: Mapping[str, str] = {
    "gear": (
        "Goggles that close all round, or a visor over them; gloves that stand potash, long sleeves, long trousers "
        "over the boots, closed shoes, an apron. Have plenty of clean water within reach before the bag is opened. "
        "Work where air moves, and do not breathe the dust or the mist. No children or animals near. Not alone, if "
        "it can be helped."
    ),
    "water_first": (
        "All the water first, cold, then the potash into it in small portions, stirring each until it is gone. Never "
        "pour water onto solid potash, nor into lye that boils: it erupts. The lye becomes very hot by itself; steam "
        "and mist rise, so keep your face away. Go on only when it is clear."
    ),
    "lid_loose": (
        "Lay the lid on loosely. Never clip, weigh or hold it down while lye boils or the paste is above 60 °C: "
        "steam must get out, and so it must where the cable goes through."
    ),
    "opening": (
        "Before you open: wait until all boiling has stopped. Visor, long sleeves, gloves. Stand to one side and "
        "lift the far edge of the lid first, so that the steam goes away from you."
    ),
    "blending": (
        "Visor. The bucket at most half full. Probe out first, and the cable out of reach of the blade. The head of "
        "the tool under the surface before it starts, and stopped before it comes out. The tool on a "
        "residual-current device. Above about 75 °C do not blend or stir: the paste reacts by itself and spits. "
        "Stiff paste stalls a hand blender: cut it and use a slow drill."
    ),
    "metals": (
        "Nothing of aluminium or zinc, nothing galvanised or tinned may touch lye or paste, the blender's foot and "
        "the paddle included: they dissolve and give off hydrogen, which burns. Stainless steel, polypropylene or "
        "polyethylene."
    ),
    "lifting": (
        "Never lift or carry a hot bucket: its plastic softens from about 80 °C. Before the pour stand it in a tray "
        "on the floor where it will stay, out of reach of children and animals."
    ),
    "first_aid": (
        "Eyes: rinse at once with clean water, lids held open, lenses out, for up to 30 minutes, and have emergency "
        "help called meanwhile: {emergency_number}. Skin: clothes off, rinse for 15 minutes; no vinegar on skin. "
        "Swallowed: rinse the mouth, do not bring on vomiting, call {emergency_number}. Lye burns do not always hurt "
        "at once."
    ),
    "spill": (
        "Keep off and keep others off. Let it cool. Bank it with sand and take it up with a plastic shovel, in "
        "goggles and gloves. Not into a drain, a ditch or the soil: diluting does not neutralise it. Better to save "
        "a batch than to dump it."
    ),
    "skin": (
        "Not for skin until it has been tested for free alkali. Selling it or giving it away falls under the law on "
        "cosmetics or on detergents, spraying it under that on plant protection. No dose and no claim against pests "
        "stands here."
    ),
    "dilution": (
        "Goggles and gloves on dilution day too: corners and lumps can hide lye. Soft water, cut the paste, stir by "
        "hand or with a drill at low speed, so that nothing splashes. Never keep it in a drink bottle; label it."
    ),
}

# One line each, for a phone.
SHORT_CAUTIONS: Mapping[str, str] = {
    "gear": "Goggles, gloves, long sleeves; clean water within reach.",
    "water_first": (
        "Water first, then potash in small portions, stirring. Never water onto potash or boiling lye: it erupts."
    ),
    "lid_loose": "Lid on loosely, never held down: steam must get out, at the cable's hole too.",
    "opening": "Visor. Wait until boiling stops, stand aside, lift the far edge of the lid first.",
    "blending": (
        "Below 75 °C only. Visor. Probe out, bucket at most half full, head under the surface before it starts, "
        "residual-current device."
    ),
    "metals": "No aluminium, zinc, galvanised or tinned parts, blender foot and paddle included: hydrogen.",
    "lifting": "Never lift or carry the hot bucket; in a tray on the floor, no children or animals near.",
    "first_aid": (
        "Eyes: rinse at once, up to 30 minutes. Skin: clothes off, rinse 15 minutes, no vinegar. Swallowed: rinse the "
        "mouth, do not vomit. Call {emergency_number}."
    ),
    "spill": "Keep off, let it cool, sand and a plastic shovel; not into drain, ditch or soil.",
    "skin": "Not for skin until tested. Selling, giving away and spraying have their laws.",
    "dilution": "Goggles and gloves; corners can hide lye. Low speed; never into a drink bottle.",
}
SHORT_DEFERS = "Your potash's safety data sheet and local rules come first."

_DEEDS: Mapping[str, tuple[str, ...]] = {
    "weigh": ("gear", "metals", "first_aid"),
    "lye": ("gear", "water_first", "lid_loose", "metals", "first_aid"),
    "pour": ("gear", "lifting", "lid_loose", "metals", "first_aid"),
    "blend": ("gear", "opening", "blending", "metals", "lid_loose", "lifting", "first_aid"),
    "probe": ("gear", "opening", "metals", "lid_loose", "first_aid"),
    "open": ("gear", "opening", "lid_loose", "first_aid"),
    "look": ("gear", "opening", "lid_loose", "first_aid"),
    "move": ("gear", "lifting", "spill", "first_aid"),
    "dilute": ("gear", "opening", "dilution", "metals", "skin", "first_aid"),
    "correct": ("gear", "water_first", "opening", "blending", "metals", "lid_loose", "first_aid"),
    "test": ("gear", "skin", "first_aid"),
    "fill": ("gear", "dilution", "skin", "first_aid"),
    "spill": ("gear", "spill", "metals", "first_aid"),
    "discard": ("gear", "spill", "lifting", "first_aid"),
}
DEEDS = tuple(_DEEDS)


def caution_keys_for(deed: str) -> tuple[str, ...]:
    """Keys of CAUTIONS that belong to a deed (one of DEEDS). KeyError for another word."""
    return _DEEDS[deed]


def cautions_for(deed: str, emergency_number: str | None = None) -> tuple[str, ...]:
    """The full cautions of a deed, the emergency number put in; the last line defers to data sheet and law."""
    return (*(with_emergency_number(CAUTIONS[key], emergency_number) for key in _DEEDS[deed]), DEFERS)


def short_cautions_for(deed: str, emergency_number: str | None = None) -> tuple[str, ...]:
    """The same as one line each, for a phone; the last line defers here too."""
    return (*(with_emergency_number(SHORT_CAUTIONS[key], emergency_number) for key in _DEEDS[deed]), SHORT_DEFERS)


def with_emergency_number(text: str, number: str | None) -> str:
    """Put the local emergency number where ``{emergency_number}`` stands; other braces stay as they are."""
    said = number.strip() if number and number.strip() else "your local emergency number"
    return text.replace("{emergency_number}", said)


# --- steps --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do: when, what, which log entry notes it (None: none), and the deed whose cautions belong to it."""

    step_id: str
    day: str
    title: str
    text: str
    log_kind: str | None
    deed: str

    @property
    def caution_keys(self) -> tuple[str, ...]:
        """Keys of CAUTIONS for this step."""
        return _DEEDS[self.deed]


STEPS: tuple[Step, ...] = (
    Step(
        "bag", "before", "Is it the right potash?",
        "Read the bag: potassium hydroxide, KOH. Not caustic soda: the same mass is some 40 % too much alkali. Not "
        "potash fertiliser and not potassium carbonate. Note the purity as printed and when the bag was opened: an "
        "open bag draws water and air's carbon dioxide, so it mostly holds less than it says.",
        None, "weigh",
    ),
    Step(
        "oil", "before", "Which oil?",
        "Read which oil it is. High-erucic rapeseed needs much less lye than the kind sold for the kitchen: the "
        "usual recipe is then balanced or lye-heavy. Used cooking oil varies widely and thickens falsely.",
        None, "weigh",
    ),
    Step(
        "place", "before", "Bucket and place",
        "A bucket large enough for the dilution and for foam, at most half full when it is blended. Stand it in a "
        "tray on the floor where it will stay.",
        None, "move",
    ),
    Step(
        "weigh", "day 0", "Weigh twice",
        "Weigh oil, potash and water, and then once more. Enter what the scale shows, not what the recipe asks.",
        "weighed", "weigh",
    ),
    Step(
        "lye", "day 0", "Make the lye",
        "All the water first, the potash into it in small portions, stirring. Wait until it is clear: grains that "
        "dissolve later heat the paste and pass as reaction.",
        "lye-clear", "lye",
    ),
    Step(
        "pour", "day 0", "Pour while it is warm",
        "Pour the lye into the oil while the lye is still hot, aiming at a mix of 50 °C or more: its heat of "
        "solution gives some 40 % of the warmth. Stick a thermometer into the mix and note what it shows.",
        "poured", "pour",
    ),
    Step(
        "probe-out", "day 0", "Probe out",
        "Take the probe out before any blending: the blade meets the cable.",
        "probe-out", "probe",
    ),
    Step(
        "blend", "day 0", "Blend",
        "Blend until it is like thin mayonnaise, the head under the surface all the time. Note the temperature of "
        "the mix after it too: the blender alone can add several kelvin.",
        "blended", "blend",
    ),
    Step(
        "probe-in", "day 0", "Probe in",
        "Put the probe back right after the blend, in the middle of the paste, its sheath of stainless steel or "
        "plastic.",
        "probe-in", "probe",
    ),
    Step(
        "taken", "day 0", "Has it taken?",
        "15 to 40 minutes after blending: stiff, past 75 to 80 °C, no oil on top. If not, and below 75 °C: probe "
        "out, blend again now. It is easier and surer now than later.",
        "looked", "blend",
    ),
    Step(
        "evening", "day 0", "Before bed",
        "Cover it once it has passed its peak, never while it still rises above 85 °C; the lid lying loosely. The "
        "tool says whether anything is needed before morning.",
        "covered", "look",
    ),
    Step(
        "day-one", "day 1", "Look",
        "Firm as butter? No layer of oil or water? Not watery? A layer or a runny paste can still be blended in.",
        "looked", "blend",
    ),
    Step(
        "day-three", "day 3", "Ready to dilute?",
        "Three days old, a day at the very least; firm as butter, no layer, not watery; a piece the size of a "
        "hazelnut stays clear in hot soft water. Age and these signs decide; the heat can only say not yet.",
        "looked", "look",
    ),
    Step(
        "cut", "day 3", "Cut the paste",
        "Cut the paste into pieces the size of a walnut, the corners too: they can hide lye.",
        "cut", "dilute",
    ),
    Step(
        "water", "day 3", "Soft water in two goes",
        "Half of the soft water, warm; wait until it has drawn in, then the other half. Note how much.",
        "water-added", "dilute",
    ),
    Step(
        "stir", "day 3", "Stir hourly",
        "Stir once an hour, five or six times, into the corners, at low speed. It takes about a day. Lumps after 24 "
        "hours need patience and warmth, not force.",
        "stirred", "dilute",
    ),
    Step(
        "diluted", "day 4", "All diluted",
        "No lumps left. Clearing and darkening over the next days are normal.",
        "diluted", "dilute",
    ),
    Step(
        "test", "day 4", "Test for free alkali",
        "Soap takes acid in plain water, so titrate in neutralised alcohol or by the barium chloride method (ISO "
        "456, ISO 684, ISO 1067; from memory). That tells free alkali only: free oil needs extraction, or "
        "saponifying with an excess and titrating back. pH paper shows gross excess only. Alcohol burns: no flame. "
        "Barium chloride is poisonous.",
        "tested", "test",
    ),
    Step(
        "fill", "day 4", "Fill and label",
        "Canisters with a label, never a drink bottle. It does not expire; keep it from frost.",
        "filled", "fill",
    ),
)  # fmt: skip

CORRECTION = (
    "Potash to correct a batch goes in as cold, clear lye: half of the sum, stir, wait a day, test, then the rest if "
    "it is still needed. A batch that is short of potash gains nothing from more blending."
)

# --- stage --------------------------------------------------------------------------------------------------------

# People forget to note the blend; a batch poured this long ago is no longer being blended.
_SURELY_BLENDED_S = 2 * HOUR_S
# Water this long after the pour dilutes the paste; earlier it belongs to the making.
_WATER_IS_DILUTION_S = 12 * HOUR_S
EARLIEST_DILUTION_S = DAY_S
HAS_TAKEN_FROM_S, HAS_TAKEN_LOOK_S, HAS_TAKEN_TO_S = 15 * MINUTE_S, 20 * MINUTE_S, 40 * MINUTE_S
_PROBE_BACK_S = 5 * MINUTE_S
_DAY_ONE_FROM_S, _DAY_ONE_S = 18 * HOUR_S, 24 * HOUR_S
_STIR_EVERY_S, _STIRRINGS = HOUR_S, 6
_DILUTION_TAKES_S = DAY_S


@dataclass(frozen=True, slots=True)
class _Story:
    """The log up to now, sorted by when things happened, with what the stages turn on."""

    entries: tuple[LogEntry, ...]

    def last(self, *kinds: str) -> LogEntry | None:
        return next((entry for entry in reversed(self.entries) if entry.kind in kinds), None)

    def first(self, *kinds: str) -> LogEntry | None:
        return next((entry for entry in self.entries if entry.kind in kinds), None)

    def since(self, start_s: float, *kinds: str) -> list[LogEntry]:
        return [entry for entry in self.entries if entry.kind in kinds and entry.at_s >= start_s]

    @property
    def pour_s(self) -> float | None:
        """When the batch was poured, or first blended where nobody noted the pour."""
        entry = self.first("poured") or self.first("blended", "reblended")
        return None if entry is None else entry.at_s

    @property
    def diluting_since_s(self) -> float | None:
        pour_s = self.pour_s
        if pour_s is None:
            return None
        starts = [entry.at_s for entry in self.since(pour_s, "cut", "diluted")]
        starts += [entry.at_s for entry in self.since(pour_s + _WATER_IS_DILUTION_S, "water-added")]
        return min(starts, default=None)

    @property
    def said(self) -> str | None:
        """ "held" or "discarded" when the newest note that begins with held, released or discarded says so."""
        for entry in reversed(self.entries):
            word = entry.text.strip().lower().partition(" ")[0].rstrip(":,.")
            if entry.kind == "note" and word in {"held", "discarded", "released"}:
                return None if word == "released" else word
        return None


def _story(log: Iterable[LogEntry], now_s: float) -> _Story:
    """What is known at ``now_s``: an entry counts from when it was noted, and lies at when it happened."""
    known = [entry for entry in log if entry.noted_at_s <= now_s and entry.at_s <= now_s]
    return _Story(tuple(sorted(known, key=lambda entry: (entry.at_s, entry.noted_at_s))))


def stage_of(
    log: Iterable[LogEntry],
    now_s: float,
    *,
    planned_dilution_s: float = PLANNED_DILUTION_S,
    vetoed: bool = False,
) -> str:
    """The batch's stage (one of domain.STAGES) from its log, at ``now_s``.

    "ready" is age, ``planned_dilution_s`` after the pour, and never before a day; ``vetoed`` (the heat says
    not yet) holds it in "ageing". A note whose text begins with "held", "released" or "discarded" puts it there or
    takes it out again.
    """
    story = _story(log, now_s)
    said = story.said
    if said is not None:
        return said
    if story.last("filled") is not None:
        return "filled"
    if story.diluting_since_s is not None:
        return "diluting"
    pour_s = story.pour_s
    if pour_s is None:
        return "lye" if story.last("weighed", "lye-clear") is not None else "planned"
    if story.last("blended", "reblended") is None and now_s - pour_s < _SURELY_BLENDED_S:
        return "blending"
    if now_s - pour_s >= max(planned_dilution_s, EARLIEST_DILUTION_S) and not vetoed:
        return "ready"
    return "ageing"


# --- next action --------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class NextAction:
    """What is to be done next. ``due_s``: Unix seconds, None when it suits; ``deed`` gives the cautions."""

    action_id: str
    text: str
    due_s: float | None
    deed: str | None

    @property
    def caution_keys(self) -> tuple[str, ...]:
        """Keys of CAUTIONS that belong to the action, none when nothing is to be done by hand."""
        return () if self.deed is None else _DEEDS[self.deed]


_STEP_BY_ID = {step.step_id: step for step in STEPS}


def _step(step_id: str, due_s: float | None = None) -> NextAction:
    step = _STEP_BY_ID[step_id]
    return NextAction(step_id, step.text, due_s, step.deed)


def next_action(
    log: Iterable[LogEntry],
    now_s: float,
    *,
    planned_dilution_s: float = PLANNED_DILUTION_S,
    vetoed: bool = False,
    standing_alarms: Collection[str] = (),
    heard: bool = False,
) -> NextAction:
    """The one thing to do next, from the log, the time, the alarms that stand, and whether a paste probe is heard.

    "Nothing needed before morning" is said only while a paste probe is heard and no alarm stands: silence says nothing.
    """
    entries = tuple(log)
    stage = stage_of(entries, now_s, planned_dilution_s=planned_dilution_s, vetoed=vetoed)
    story = _story(entries, now_s)
    if stage == "planned":
        return _step("weigh")
    if stage == "lye":
        return _step("lye") if story.last("lye-clear") is None else _step("pour")
    if stage == "blending":
        return _step("probe-out") if _probe_is_in(story) else _step("blend")
    if stage == "held":
        return NextAction("held", f"It is held to be corrected. {CORRECTION}", None, "correct")
    if stage == "diluting":
        return _while_diluting(story, now_s)
    if stage == "filled":
        return _after_filling(story)
    if stage == "discarded":
        return NextAction("discarded", "It was discarded. What is left is still caustic.", None, "discard")
    if stage == "ready":
        return _step("day-three") if _unseen(story, now_s, DAY_S) else _step("cut")
    return _while_ageing(
        story,
        now_s,
        planned_dilution_s=planned_dilution_s,
        vetoed=vetoed,
        standing_alarms=standing_alarms,
        heard=heard,
    )


def _probe_is_in(story: _Story) -> bool:
    last = story.last("probe-in", "probe-out")
    return last is not None and last.kind == "probe-in"


def _unseen(story: _Story, now_s: float, within_s: float) -> bool:
    return not story.since(now_s - within_s, "looked")


def _while_ageing(
    story: _Story,
    now_s: float,
    *,
    planned_dilution_s: float,
    vetoed: bool,
    standing_alarms: Collection[str],
    heard: bool,
) -> NextAction:
    pour_s = story.pour_s or now_s
    blend = story.last("blended", "reblended")
    blend_s = blend.at_s if blend is not None else pour_s
    since_s = now_s - blend_s
    probe = story.last("probe-in", "probe-out")
    if probe is not None and probe.kind == "probe-out" and not heard:
        return _step("probe-in", max(blend_s, probe.at_s) + _PROBE_BACK_S)
    if since_s < HAS_TAKEN_TO_S and not story.since(blend_s + HAS_TAKEN_FROM_S, "looked"):
        return NextAction(
            "taken",
            f"Look at 20 minutes after blending. {_STEP_BY_ID['taken'].text}",
            blend_s + HAS_TAKEN_LOOK_S,
            "blend",
        )
    if standing_alarms:
        return NextAction("alarm", "An alarm stands: read what it says and asks, and do that first.", now_s, "look")
    if not heard:
        return NextAction(
            "unheard",
            "No paste probe is heard, so nothing can be said of it: look yourself, and see to probe, cable and power.",
            now_s,
            "look",
        )
    age_s = now_s - pour_s
    if age_s < _DAY_ONE_FROM_S:
        return NextAction(
            "wait", "Nothing needed before morning. Leave it shut, the lid lying loosely.", pour_s + _DAY_ONE_S, None
        )
    if not story.since(pour_s + _DAY_ONE_FROM_S, "looked"):
        return _step("day-one", pour_s + _DAY_ONE_S)
    due_s = pour_s + max(planned_dilution_s, EARLIEST_DILUTION_S)
    if vetoed and now_s >= due_s:
        return NextAction(
            "not-yet",
            "It is old enough, but the heat says that not enough soap has formed: do not dilute yet. Look for a "
            "layer or soft places; read what the tool says of the cause.",
            None,
            "look",
        )
    return NextAction("age", f"Let it age. {_STEP_BY_ID['day-three'].text}", due_s, "look")


def _while_diluting(story: _Story, now_s: float) -> NextAction:
    since_s = story.diluting_since_s or now_s
    if story.since(since_s, "diluted"):
        return _step("fill") if story.since(since_s, "tested") else _step("test")
    waters = story.since(since_s, "water-added")
    if not waters:
        return _step("water")
    stirrings = story.since(waters[0].at_s, "stirred")
    if now_s - waters[0].at_s > _DILUTION_TAKES_S:
        return NextAction(
            "lumps",
            "A day in water. No lumps left? Then note it as diluted. Else cover it to keep warm, stir into the corners "
            "and give it time: this is a reminder, not an alarm.",
            None,
            "dilute",
        )
    if len(waters) == 1 and stirrings:
        return NextAction(
            "second-water", "When the first water has drawn in, add the other half. Note how much.", None, "dilute"
        )
    if len(stirrings) < _STIRRINGS:
        last_s = stirrings[-1].at_s if stirrings else waters[-1].at_s
        return _step("stir", last_s + _STIR_EVERY_S)
    return NextAction(
        "draw",
        "Leave it to draw overnight, covered; then look for lumps.",
        waters[0].at_s + _DILUTION_TAKES_S,
        "dilute",
    )


def _after_filling(story: _Story) -> NextAction:
    if story.last("tested") is None:
        return _step("test")
    return NextAction(
        "keep",
        "Nothing more to do. Clearing and darkening are normal; it does not expire. Keep it from frost, never in a "
        "drink bottle.",
        None,
        None,
    )
