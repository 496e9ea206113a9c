"""Cautions, steps, stages and the next thing to do."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.domain import LOG_KINDS, STAGES, LogEntry
from monitor.trade.making import (
    CAUTIONS,
    CORRECTION,
    DEEDS,
    DEFERS,
    HOUR_S,
    MINUTE_S,
    SHORT_CAUTIONS,
    SHORT_DEFERS,
    STEPS,
    StepState,
    caution_keys_for,
    cautions_for,
    checklist,
    next_action,
    short_cautions_for,
    stage_of,
    with_emergency_number,
)
from monitor.trade.steps import STEP_BY_ID

START_S = 1_773_475_800.0  # an invented Saturday in the Quillmarsh allotments


def entry(kind: str, minutes: float, noted_minutes: float | None = None, text: str = "") -> LogEntry:
    at_s = START_S + minutes * MINUTE_S
    noted_at_s = at_s if noted_minutes is None else START_S + noted_minutes * MINUTE_S
    return LogEntry(kind, at_s, noted_at_s, text=text)


def at(minutes: float) -> float:
    return START_S + minutes * MINUTE_S


MADE = [entry("weighed", -40), entry("lye-clear", -10), entry("poured", 0), entry("blended", 10), entry("probe-in", 12)]


# --- cautions -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("key", "holds"),
    [
        ("gear", ("Goggles", "gloves", "clean water within reach before the bag is opened")),
        (
            "water_first",
            ("All the water first", "small portions", "stirring", "Never pour water onto solid potash", "erupts"),
        ),
        ("lid_loose", ("loosely", "Never clip", "hold it down", "60 °C", "steam must get out", "cable")),
        ("opening", ("boiling has stopped", "Stand to one side", "far edge", "Visor", "long sleeves", "gloves")),
        ("blending", ("Visor", "at most half full", "under the surface before it starts", "residual-current", "75 °C")),
        ("metals", ("aluminium", "zinc", "galvanised", "tinned", "blender's foot", "paddle", "hydrogen")),
        ("lifting", ("Never lift or carry a hot bucket", "80 °C", "tray", "children and animals")),
        (
            "first_aid",
            ("rinse at once", "30 minutes", "15 minutes", "no vinegar", "rinse the mouth", "emergency number"),
        ),
        ("spill", ("cool", "sand", "plastic shovel", "drain", "ditch", "soil", "does not neutralise", "save a batch")),
        ("skin", ("Not for skin until", "cosmetics", "detergents", "plant protection", "No dose")),
        ("dilution", ("Goggles", "corners", "hide lye", "drink bottle")),
    ],
)
def test_cautions_hold_no_less_than_the_trade_asks(key: str, holds: tuple[str, ...]) -> None:
    """Each caution carries all that the trade's own list of cautions asks of it."""
    for words in holds:
        assert words in with_emergency_number(CAUTIONS[key], None), words


@pytest.mark.parametrize(
    ("deed", "needs"),
    [
        ("weigh", {"gear", "first_aid"}),
        ("lye", {"gear", "water_first", "lid_loose", "metals", "first_aid"}),
        ("pour", {"gear", "lifting", "lid_loose"}),
        ("blend", {"gear", "blending", "metals", "opening"}),
        ("open", {"opening", "gear"}),
        ("look", {"opening", "gear"}),
        ("move", {"lifting"}),
        ("dilute", {"dilution", "gear", "skin"}),
        ("spill", {"spill", "gear"}),
    ],
)
def test_each_deed_brings_its_cautions(deed: str, needs: set[str]) -> None:
    """Where someone is told to weigh, mix, open, blend or dilute, the cautions of that deed stand with it."""
    assert needs <= set(caution_keys_for(deed))


@pytest.mark.parametrize("deed", DEEDS)
def test_cautions_defer_and_name_the_number(deed: str) -> None:
    """Every deed's cautions end by deferring to data sheet and law, and hold the emergency number that was set."""
    texts = cautions_for(deed, "112")
    assert texts[-1] == DEFERS
    assert not any("{" in text for text in texts + short_cautions_for(deed, "112"))
    if "first_aid" in caution_keys_for(deed):
        assert any("112" in text for text in texts)
        assert any("your local emergency number" in text for text in cautions_for(deed))


def test_an_unknown_deed_is_an_error() -> None:
    """A deed without cautions cannot be asked for by mistake."""
    with pytest.raises(KeyError):
        cautions_for("taste")


def test_a_blank_number_says_local_number() -> None:
    """A blank emergency number never leaves a hole in the sentence."""
    assert with_emergency_number("Call {emergency_number}.", "  ") == "Call your local emergency number."


def test_every_caution_has_a_short_form_and_a_use() -> None:
    """The phone has a line for every caution, and no caution stands unused."""
    assert SHORT_CAUTIONS.keys() == CAUTIONS.keys()
    assert set().union(*(caution_keys_for(deed) for deed in DEEDS)) == set(CAUTIONS)
    assert all(len(text) <= 180 for text in SHORT_CAUTIONS.values())


@pytest.mark.parametrize(
    ("key", "holds"),
    [
        ("gear", ("Goggles", "gloves", "long sleeves", "clean water")),
        ("water_first", ("Water first", "small portions, stirring", "onto potash or boiling lye", "erupts")),
        ("lid_loose", ("loosely", "never held down", "steam must get out", "cable's hole")),
        ("opening", ("Visor", "boiling stops", "stand aside", "far edge")),
        ("blending", ("Visor", "at most half full", "under the surface before it starts", "residual-current", "75 °C")),
        ("metals", ("aluminium", "zinc", "galvanised", "tinned", "foot and paddle", "hydrogen")),
        ("lifting", ("Never lift or carry", "tray on the floor", "children or animals")),
        ("first_aid", ("up to 30 minutes", "clothes off, rinse 15 minutes", "no vinegar", "do not vomit", "Call your")),
        ("spill", ("let it cool", "sand", "plastic shovel", "drain, ditch or soil")),
        ("skin", ("Not for skin until tested", "Selling", "spraying")),
        ("dilution", ("Goggles", "corners can hide lye", "drink bottle")),
    ],
)
def test_the_short_cautions_hold_no_less(key: str, holds: tuple[str, ...]) -> None:
    """Page and phone show the short form only, so it leaves out no caution of the trade's list."""
    for words in holds:
        assert words in with_emergency_number(SHORT_CAUTIONS[key], None), words


def test_the_short_cautions_defer_too() -> None:
    """Wherever a deed is told, the potash's own data sheet and local rules come first."""
    assert all(short_cautions_for(deed)[-1] == SHORT_DEFERS for deed in DEEDS)


def test_where_a_step_tells_to_blend_the_cautions_of_blending_stand() -> None:
    """The looks at 20 minutes and on day one may end in a blend, and bring its cautions."""
    for action in (next_action(MADE, at(20), heard=True), next_action(MADE, at(20 * 60), heard=True)):
        assert "blend" in action.text and {"blending", "metals", "opening"} <= set(action.caution_keys)
    for step in STEPS:
        if "blend again" in step.text or "be blended in" in step.text:
            assert "blending" in step.caution_keys, step.step_id


def test_a_hot_batch_is_not_covered() -> None:
    """Before bed it is covered once its peak is past; the wait for morning asks for no cover that nobody noted."""
    evening = next(step for step in STEPS if step.step_id == "evening")
    assert "never while it still rises above 85 °C" in evening.told_text()
    assert "cover" not in next_action([*MADE, entry("looked", 30)], at(60), heard=True).text


def test_what_titration_tells_and_what_it_does_not() -> None:
    """Acid tells free alkali only; free oil takes another way; the means of the test have dangers of their own."""
    text = next(step for step in STEPS if step.step_id == "test").text
    for words in ("free alkali only", "free oil needs extraction", "titrating back", "gross excess only",
                  "Alcohol burns", "Barium chloride is poisonous"):  # fmt: skip
        assert words in text


def test_nothing_is_called_safe() -> None:
    """No text of the making calls a batch safe."""
    texts = [*CAUTIONS.values(), *SHORT_CAUTIONS.values(), CORRECTION, *(step.text for step in STEPS)]
    assert not any("safe" in text.lower().split() for text in texts)


# --- steps --------------------------------------------------------------------------------------------------------


def test_steps_use_known_words() -> None:
    """Each step has a text, a deed with cautions, and a log kind that the log knows; no step is there twice."""
    assert len({step.step_id for step in STEPS}) == len(STEPS)
    for step in STEPS:
        assert step.text.endswith(".") or step.text.endswith("?")
        assert step.log_kind is None or step.log_kind in LOG_KINDS
        assert step.caution_keys


def test_steps_come_in_the_order_of_the_making() -> None:
    """Lye before pour, probe out before the blend and in after it, water before filling."""
    order = [step.step_id for step in STEPS]
    wanted = [
        "weigh",
        "lye",
        "pour",
        "probe-out",
        "blend",
        "probe-in",
        "taken",
        "day-one",
        "day-three",
        "cut",
        "water",
        "fill",
    ]
    assert [step for step in order if step in wanted] == wanted


# --- stages -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("log", "minutes", "stage"),
    [
        ([], 0, "planned"),
        ([entry("note", -60, text="bought oil")], 0, "planned"),
        (MADE[:1], -30, "lye"),
        (MADE[:2], -5, "lye"),
        (MADE[:3], 5, "blending"),
        (MADE[:3], 130, "ageing"),
        (MADE, 20, "ageing"),
        (MADE, 71 * 60, "ageing"),
        (MADE, 72 * 60, "ready"),
        ([entry("blended", 0)], 10, "ageing"),
        ([*MADE, entry("water-added", 20)], 30, "ageing"),
        ([*MADE, entry("water-added", 73 * 60)], 74 * 60, "diluting"),
        ([*MADE, entry("cut", 30 * 60)], 31 * 60, "diluting"),
        ([*MADE, entry("cut", 4000), entry("diluted", 5500)], 5600, "diluting"),
        ([*MADE, entry("cut", 4000), entry("diluted", 5500), entry("filled", 6000)], 6001, "filled"),
        ([*MADE, entry("note", 4000, text="held: split, to be corrected")], 4400, "held"),
        ([*MADE, entry("note", 4000, text="held"), entry("note", 4100, text="released")], 4400, "ready"),
        ([*MADE, entry("note", 4000, text="Discarded, spilled half")], 4400, "discarded"),
        ([*MADE, entry("note", 4000, text="holding well")], 4100, "ageing"),
    ],
)
def test_stage_follows_the_log(log: list[LogEntry], minutes: float, stage: str) -> None:
    """The stage is told by what was noted and by age."""
    assert stage_of(log, at(minutes)) == stage


def test_an_entry_counts_from_when_it_was_noted() -> None:
    """A pour noted an hour late is not known before that hour, and then lies where it happened."""
    log = [entry("poured", 0, noted_minutes=60), entry("blended", 10, noted_minutes=60)]
    assert stage_of(log, at(59)) == "planned"
    assert stage_of(log, at(60)) == "ageing"


def test_the_heat_can_only_veto() -> None:
    """Old enough and vetoed is still ageing; young and not vetoed is not ready either."""
    assert stage_of(MADE, at(73 * 60), vetoed=True) == "ageing"
    assert stage_of(MADE, at(30 * 60), vetoed=False) == "ageing"


def test_never_ready_before_a_day() -> None:
    """Whatever dilution was planned, nothing is ready before it is a day old."""
    assert stage_of(MADE, at(23 * 60), planned_dilution_s=2 * HOUR_S) == "ageing"
    assert stage_of(MADE, at(24 * 60), planned_dilution_s=2 * HOUR_S) == "ready"


logs = st.lists(
    st.builds(
        lambda kind, minutes, late, text: entry(kind, minutes, minutes + late, text),
        st.sampled_from(LOG_KINDS),
        st.floats(-100, 8000),
        st.floats(0, 500),
        st.sampled_from(["", "held", "released", "discarded", "firm"]),
    ),
    max_size=15,
)


@given(logs, st.floats(-200, 9000), st.booleans(), st.booleans())
@settings(deadline=None)
def test_any_log_has_a_stage_and_a_next_action(log: list[LogEntry], minutes: float, vetoed: bool, heard: bool) -> None:
    """Whatever was noted, in whatever order, there is a known stage and one next action with its cautions."""
    assert stage_of(log, at(minutes), vetoed=vetoed) in STAGES
    action = next_action(log, at(minutes), vetoed=vetoed, heard=heard)
    assert action.text and set(action.caution_keys) <= set(CAUTIONS)
    assert "safe" not in action.text.lower().split()


@given(logs, st.floats(-200, 9000))
@settings(deadline=None)
def test_later_notes_change_nothing_now(log: list[LogEntry], minutes: float) -> None:
    """What is noted later changes neither stage nor action now (no foresight)."""
    known = [e for e in log if e.noted_at_s <= at(minutes)]
    assert stage_of(log, at(minutes)) == stage_of(known, at(minutes))
    assert next_action(log, at(minutes)) == next_action(known, at(minutes))


# --- what next ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("log", "minutes", "action_id"),
    [
        ([], 0, "weigh"),
        (MADE[:1], -30, "lye"),
        (MADE[:2], -5, "pour"),
        (MADE[:3], 2, "blend"),
        ([*MADE[:3], entry("probe-in", 1)], 2, "probe-out"),
        (MADE, 15, "taken"),
        ([*MADE, entry("looked", 30)], 35, "wait"),
        (MADE, 3 * 60, "wait"),
        (MADE, 20 * 60, "day-one"),
        ([*MADE, entry("looked", 24 * 60)], 30 * 60, "age"),
        (MADE, 73 * 60, "day-three"),
        ([*MADE, entry("looked", 72.5 * 60)], 73 * 60, "cut"),
        ([*MADE, entry("cut", 73 * 60)], 73.5 * 60, "water"),
        ([*MADE, entry("cut", 4400), entry("water-added", 4410)], 4420, "stir"),
        ([*MADE, entry("cut", 4400), entry("water-added", 4410), entry("stirred", 4470)], 4480, "second-water"),
        ([*MADE, entry("cut", 4400), entry("water-added", 4410)], 4410 + 25 * 60, "lumps"),
        ([*MADE, entry("cut", 4400), entry("diluted", 5900)], 5910, "test"),
        ([*MADE, entry("cut", 4400), entry("diluted", 5900), entry("tested", 5950)], 5960, "fill"),
        ([*MADE, entry("filled", 6000)], 6010, "test"),
        ([*MADE, entry("tested", 5900), entry("filled", 6000)], 6010, "keep"),
        ([*MADE, entry("note", 4000, text="held")], 4010, "held"),
    ],
)
def test_what_comes_next(log: list[LogEntry], minutes: float, action_id: str) -> None:
    """With a probe heard and no alarm, the log and the time tell the next thing to do."""
    assert next_action(log, at(minutes), heard=True).action_id == action_id


def test_the_look_is_due_at_20_minutes_after_the_last_blend() -> None:
    """The deciding look is due 20 minutes after blending, and again after a re-blend."""
    first = next_action(MADE, at(14), heard=True)
    assert (first.action_id, first.due_s) == ("taken", at(30))
    again = [*MADE, entry("looked", 30), entry("reblended", 40)]
    assert next_action(again, at(45), heard=True).due_s == at(60)
    assert "20 minutes" in first.text


def test_nothing_needed_is_said_only_to_a_batch_that_is_heard_and_well() -> None:
    """Silence and a standing alarm are never answered with "nothing needed before morning"."""
    evening = [*MADE, entry("looked", 30)]
    assert "Nothing needed before morning" in next_action(evening, at(600), heard=True).text
    assert next_action(evening, at(600), heard=False).action_id == "unheard"
    assert next_action(evening, at(600), heard=True, standing_alarms=["not_taken"]).action_id == "alarm"


def test_a_probe_left_out_is_asked_for() -> None:
    """After a blend the probe is asked for, within five minutes."""
    log = [*MADE[:3], entry("probe-out", 5), entry("blended", 10)]
    action = next_action(log, at(11))
    assert (action.action_id, action.due_s) == ("probe-in", at(15))


def test_a_veto_says_not_yet() -> None:
    """At the planned dilution a vetoed batch is told not to be diluted."""
    log = [*MADE, entry("looked", 24 * 60)]
    assert next_action(log, at(72.5 * 60), heard=True, vetoed=True).action_id == "not-yet"


def test_day_looks_ask_for_the_signs() -> None:
    """The looks of day one and day three ask whether it is butter-firm, without a layer and not watery."""
    for minutes in (20 * 60, 73 * 60):
        text = next_action(MADE, at(minutes), heard=True).text
        assert "butter" in text and "layer" in text and "watery" in text


# --- the checklist ------------------------------------------------------------------------------------------------


def states(log: list[LogEntry], minutes: float) -> dict[str, StepState]:
    return {state.step.step_id: state for state in checklist(log, at(minutes))}


def next_step(log: list[LogEntry], minutes: float) -> str:
    return next((name for name, state in states(log, minutes).items() if state.is_next), "")


def ticked(step_id: str, minutes: float) -> LogEntry:
    step = STEP_BY_ID[step_id]
    return entry(step.log_kind, minutes, text=step.entry_text)


def test_an_empty_log_begins_with_the_gear() -> None:
    """Before the bag is even looked at somebody is dressed for it."""
    found = checklist([], at(0))
    assert next(state.step.step_id for state in found if state.is_next) == "gear"
    assert not any(state.done_at_s for state in found)


def test_each_tick_moves_on_to_the_next_step() -> None:
    """Ticked in order at the time of its day, every step is next once, and the last leaves none."""
    minutes = {"taken": 35, "evening": 300, "day-one": 1440, "day-three": 4320}
    log: list[LogEntry] = []
    now = -60.0
    for step in STEPS:
        now = max(now + 2.0, float(minutes.get(step.step_id, now)))
        times = {"water": 2, "stir": 6}.get(step.step_id, 1)
        for _ in range(times):
            assert next_step(log, now) == step.step_id
            log.append(ticked(step.step_id, now))
            now += 1.0
    assert next_step(log, now) == ""
    assert all(state.done_at_s is not None for state in checklist(log, at(now)))


def test_what_was_forgotten_on_the_way_does_not_hold_up_what_comes_next() -> None:
    """Nobody noted the clear lye: after the blend the probe is next, and the lye can still be noted."""
    log = [entry("weighed", -40), entry("poured", 0), entry("blended", 10)]
    assert next_step(log, 11) == "probe-in"
    assert states(log, 11)["lye"].done_at_s is None
    late = [*log, entry("lye-clear", -10, noted_minutes=12)]
    assert states(late, 13)["lye"].done_at_s == at(-10)


def test_a_look_counts_for_the_day_it_was_on() -> None:
    """Looked after half an hour, a day and three days: three steps, each with its own time."""
    log = [*MADE, entry("looked", 30), entry("looked", 1500), entry("looked", 4400)]
    found = states(log, 4500)
    assert [found[name].done_at_s for name in ("taken", "day-one", "day-three")] == [at(30), at(1500), at(4400)]


def test_an_entry_noted_later_than_now_is_not_known_yet() -> None:
    """No foresight: the checklist of a moment holds what was noted by then."""
    assert states([entry("poured", 0, noted_minutes=30)], 20)["pour"].done_at_s is None


def test_stirring_is_counted() -> None:
    """Three of six stirrings: the step is not done, and says how often."""
    waters = [entry("water-added", 4400 + n) for n in range(2)]
    log = [*MADE, *waters, *(entry("stirred", 4460 + 60 * n) for n in range(3))]
    state = states(log, 4700)["stir"]
    assert (state.done_at_s, state.times, state.is_next) == (None, 3, True)


def test_every_step_has_words_cautions_and_a_log_entry_of_the_format() -> None:
    """A tick is always a log entry that the format knows, and no step is told without what to mind."""
    for step in STEPS:
        assert step.log_kind in LOG_KINDS
        assert step.told_title() and step.told_text() and step.told_day()
        assert step.caution_keys
        assert (step.log_kind == "note") == bool(step.entry_text)
