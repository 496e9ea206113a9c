"""The stage a batch is in, and what is to be done next: pure functions of the log and the time.

The steps themselves stand in ``steps``, what to mind in ``cautions``. Common practice.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass

from ..domain import PLANNED_DILUTION_S, LogEntry
from ..words import mark, tr
from .cautions import (
    CAUTIONS,
    DEEDS,
    DEFERS,
    SHORT_CAUTIONS,
    SHORT_DEFERS,
    caution,
    caution_keys_for,
    cautions_for,
    short_cautions_for,
    with_emergency_number,
)
from .steps import STEP_BY_ID, STEPS, STIRRINGS, WATER_IS_DILUTION_S, Step, StepState, checklist

# What the making consists of, so that others need to know one module only.
__all__ = [
    "CAUTIONS", "CORRECTION", "DEEDS", "DEFERS", "SHORT_CAUTIONS", "SHORT_DEFERS", "STEPS", "NextAction", "Step",
    "StepState", "caution", "caution_keys_for", "cautions_for", "checklist", "next_action", "short_cautions_for",
    "stage_of", "with_emergency_number",
]  # fmt: skip

MINUTE_S = 60.0
HOUR_S = 3600.0
DAY_S = 86400.0

CORRECTION = mark(
    "Potash to correct a batch goes in as cold, clear lye: half of the sum, stir, wait a day, test, then the rest if "
    "it is still needed. A batch that is short of potash gains nothing from more blending."
)

# --- stage --------------------------------------------------------------------------------------------------------

# People forget to note the blend; a batch poured this long ago is no longer being blended.
_SURELY_BLENDED_S = 2 * HOUR_S
EARLIEST_DILUTION_S = DAY_S
HAS_TAKEN_FROM_S, HAS_TAKEN_LOOK_S, HAS_TAKEN_TO_S = 15 * MINUTE_S, 20 * MINUTE_S, 40 * MINUTE_S
_PROBE_BACK_S = 5 * MINUTE_S
_DAY_ONE_FROM_S, _DAY_ONE_S = 18 * HOUR_S, 24 * HOUR_S
_STIR_EVERY_S = HOUR_S
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
        starts += [entry.at_s for entry in self.since(pour_s + WATER_IS_DILUTION_S, "water-added")]
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
        return () if self.deed is None else caution_keys_for(self.deed)


def _step(step_id: str, due_s: float | None = None) -> NextAction:
    step = STEP_BY_ID[step_id]
    return NextAction(step_id, step.told_text(), due_s, step.deed)


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
        held = tr("It is held to be corrected. {correction}", correction=tr(CORRECTION))
        return NextAction("held", held, None, "correct")
    if stage == "diluting":
        return _while_diluting(story, now_s)
    if stage == "filled":
        return _after_filling(story)
    if stage == "discarded":
        return NextAction("discarded", tr("It was discarded. What is left is still caustic."), None, "discard")
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
            tr("Look at 20 minutes after blending. {step}", step=STEP_BY_ID["taken"].told_text()),
            blend_s + HAS_TAKEN_LOOK_S,
            "blend",
        )
    if standing_alarms:
        return NextAction("alarm", tr("An alarm stands: read what it says and asks, and do that first."), now_s, "look")
    if not heard:
        return NextAction(
            "unheard",
            tr(
                "No paste probe is heard, so nothing can be said of it: look yourself, and see to probe, cable and "
                "power."
            ),
            now_s,
            "look",
        )
    age_s = now_s - pour_s
    if age_s < _DAY_ONE_FROM_S:
        return NextAction(
            "wait",
            tr("Nothing needed before morning. Leave it shut, the lid lying loosely."),
            pour_s + _DAY_ONE_S,
            None,
        )
    if not story.since(pour_s + _DAY_ONE_FROM_S, "looked"):
        return _step("day-one", pour_s + _DAY_ONE_S)
    due_s = pour_s + max(planned_dilution_s, EARLIEST_DILUTION_S)
    if vetoed and now_s >= due_s:
        return NextAction(
            "not-yet",
            tr(
                "It is old enough, but the heat says that not enough soap has formed: do not dilute yet. Look for a "
                "layer or soft places; read what the tool says of the cause."
            ),
            None,
            "look",
        )
    return NextAction("age", tr("Let it age. {step}", step=STEP_BY_ID["day-three"].told_text()), due_s, "look")


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
            tr(
                "A day in water. No lumps left? Then note it as diluted. Else cover it to keep warm, stir into the "
                "corners and give it time: this is a reminder, not an alarm."
            ),
            None,
            "dilute",
        )
    if len(waters) == 1 and stirrings:
        return NextAction(
            "second-water", tr("When the first water has drawn in, add the other half. Note how much."), None, "dilute"
        )
    if len(stirrings) < STIRRINGS:
        last_s = stirrings[-1].at_s if stirrings else waters[-1].at_s
        return _step("stir", last_s + _STIR_EVERY_S)
    return NextAction(
        "draw",
        tr("Leave it to draw overnight, covered; then look for lumps."),
        waters[0].at_s + _DILUTION_TAKES_S,
        "dilute",
    )


def _after_filling(story: _Story) -> NextAction:
    if story.last("tested") is None:
        return _step("test")
    return NextAction(
        "keep",
        tr(
            "Nothing more to do. Clearing and darkening are normal; it does not expire. Keep it from frost, never in a "
            "drink bottle."
        ),
        None,
        None,
    )
