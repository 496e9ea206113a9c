"""Which reminders stand, by the log and the time. Times and numbers are common practice (the four days)."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.domain import LOG_KINDS, LogEntry
from monitor.trade import reminders
from monitor.trade.making import DEEDS
from monitor.trade.reminders import Reminder, is_same, standing, to_tell

MINUTE_S, HOUR_S, DAY_S = 60.0, 3600.0, 86400.0
# 17 January 2026, 15:00 UTC.
POUR_S = 1768662000.0
BLEND_S = POUR_S + 10 * MINUTE_S


def _evening_from(at_s: float) -> float:
    """21:00 UTC, this day or the next."""
    evening_s = at_s // DAY_S * DAY_S + 21 * HOUR_S
    return evening_s if evening_s >= at_s else evening_s + DAY_S


def _log(*entries: tuple[str, float] | tuple[str, float, float]) -> list[LogEntry]:
    return [LogEntry(kind, at_s, noted[0] if noted else at_s) for kind, at_s, *noted in entries]


MADE = _log(("poured", POUR_S), ("blended", BLEND_S))


def _due(log: Sequence[LogEntry], now_s: float, **more: bool) -> list[str]:
    """Names of what would be told to somebody awake who has been told nothing yet."""
    found = standing(log, now_s, evening_from=_evening_from, **more)
    return [one.reminder_id.partition("@")[0] for one in to_tell(found, (), now_s, awake=True)]


def test_nothing_stands_before_the_pour_nor_after_filling() -> None:
    """Weighing and lye have their checklist; a morning after there is nothing to be reminded of."""
    assert standing([], POUR_S) == ()
    assert standing(_log(("weighed", POUR_S), ("lye-clear", POUR_S)), POUR_S + HOUR_S) == ()
    cut_s = POUR_S + 3 * DAY_S
    whole = [*MADE, *_log(("cut", cut_s), ("water-added", cut_s), ("diluted", cut_s + DAY_S))]
    whole += _log(("filled", cut_s + DAY_S))
    assert standing(whole, cut_s + 2 * DAY_S, evening_from=_evening_from) == ()


@pytest.mark.parametrize("word", ["held", "discarded"])
def test_a_batch_that_is_held_or_given_up_reminds_of_nothing(word: str) -> None:
    """What a held batch needs is said by its correction, not by the clock."""
    log = [*MADE, LogEntry("note", BLEND_S, BLEND_S, text=word)]
    assert standing(log, BLEND_S + DAY_S, evening_from=_evening_from) == ()


def test_the_probe_is_asked_for_five_minutes_after_the_blend_and_not_when_it_is_back() -> None:
    """By its log entry or by what it reads; from the twentieth minute on the look asks for more."""
    assert _due(MADE, BLEND_S + 4 * MINUTE_S) == []
    assert _due(MADE, BLEND_S + 5 * MINUTE_S) == ["probe-in"]
    assert _due(MADE, BLEND_S + 5 * MINUTE_S, paste_read=True) == []
    assert _due([*MADE, *_log(("probe-in", BLEND_S + MINUTE_S))], BLEND_S + 5 * MINUTE_S) == []
    assert _due([*MADE, *_log(("probe-in", POUR_S))], BLEND_S + 5 * MINUTE_S) == ["probe-in"]  # it came out since
    assert "probe-in" not in _due(MADE, BLEND_S + 20 * MINUTE_S)


def test_the_look_comes_20_minutes_after_the_blend_and_is_stale_after_40() -> None:
    """Between 15 and 40 minutes after blending is when it can be mended there and then."""
    read = {"paste_read": True}
    assert _due(MADE, BLEND_S + 19 * MINUTE_S, **read) == []
    assert _due(MADE, BLEND_S + 20 * MINUTE_S, **read) == ["taken"]
    assert _due(MADE, BLEND_S + 39 * MINUTE_S, **read) == ["taken"]
    assert _due(MADE, BLEND_S + 40 * MINUTE_S, **read) == []
    early, looked = BLEND_S + 5 * MINUTE_S, BLEND_S + 16 * MINUTE_S
    assert _due([*MADE, *_log(("looked", early))], BLEND_S + 20 * MINUTE_S, **read) == ["taken"]
    assert _due([*MADE, *_log(("looked", looked))], BLEND_S + 20 * MINUTE_S, **read) == []


def test_a_reblend_asks_anew() -> None:
    """The probe and the look belong to each blend: they have ids of their own."""
    again_s = BLEND_S + 45 * MINUTE_S
    log = [*MADE, *_log(("looked", BLEND_S + 20 * MINUTE_S), ("reblended", again_s))]
    assert _due(log, again_s + 5 * MINUTE_S) == ["probe-in"]
    assert _due(log, again_s + 20 * MINUTE_S) == ["taken"]
    first, second = (
        next(one for one in standing(some, at_s + MINUTE_S) if one.step_id == "taken")
        for some, at_s in ((MADE, BLEND_S), (log, again_s))
    )
    assert not is_same(first.reminder_id, second.reminder_id)


def test_without_a_blend_noted_the_look_comes_when_it_must_be_over() -> None:
    """45 minutes after the pour: 25 in which people blend, and 20 more. No probe is asked for: it may be mid-blend."""
    poured = MADE[:1]
    assert _due(poured, POUR_S + 44 * MINUTE_S) == []
    assert _due(poured, POUR_S + 45 * MINUTE_S) == ["taken"]


def test_a_blend_corrected_by_minutes_keeps_its_reminder() -> None:
    """Taken back and entered again a few minutes off, the look is the same one; an hour off, it is another."""
    told = next(one.reminder_id for one in standing(MADE, BLEND_S + MINUTE_S) if one.step_id == "taken")
    for minutes, expected in ((10, []), (60, ["taken"])):
        moved_s = BLEND_S + minutes * MINUTE_S
        log = [MADE[0], *_log(("blended", moved_s))]
        found = standing(log, moved_s + 20 * MINUTE_S, paste_read=True)
        due = to_tell(found, (told,), moved_s + 20 * MINUTE_S, awake=True)
        assert [one.step_id for one in due] == expected


def test_the_evening_word_comes_at_its_hour_and_not_before_two_hours_of_heat() -> None:
    """At 21:00; a batch blended at 19:30 has it at 21:30; one blended in the night before has none the day after."""
    assert _due(MADE, POUR_S + 6 * HOUR_S) == ["evening"]
    late = _log(("poured", POUR_S), ("blended", POUR_S + 4.5 * HOUR_S))
    read = {"paste_read": True}
    assert _due(late, POUR_S + 6 * HOUR_S, **read) == []
    assert _due(late, POUR_S + 6.5 * HOUR_S, **read) == ["evening"]
    night = _log(("poured", POUR_S), ("blended", POUR_S + 9 * HOUR_S))
    found = standing(night, POUR_S + 9 * HOUR_S, evening_from=_evening_from)
    assert "evening" not in [one.step_id for one in found]


def test_day_one_is_asked_for_until_somebody_has_looked() -> None:
    """24 hours after the pour; a look from the eighteenth hour on is that look."""
    assert _due(MADE, POUR_S + DAY_S - MINUTE_S) == []
    assert _due(MADE, POUR_S + DAY_S) == ["day-one"]
    assert _due([*MADE, *_log(("looked", POUR_S + 12 * HOUR_S))], POUR_S + DAY_S) == ["day-one"]
    assert _due([*MADE, *_log(("looked", POUR_S + 19 * HOUR_S))], POUR_S + DAY_S) == []


def test_ready_to_dilute_is_age_and_the_heat_only_vetoes() -> None:
    """Three days after the pour it is asked for; with a veto "not yet" stands in its place, never beside it."""
    ready_s = POUR_S + 3 * DAY_S
    assert _due(MADE, ready_s - MINUTE_S) == []
    assert _due(MADE, ready_s) == ["day-three"]
    assert _due(MADE, ready_s, vetoed=True) == ["not-yet"]
    assert _due([*MADE, *_log(("looked", ready_s - HOUR_S))], ready_s) == []


def test_a_dilution_planned_for_the_first_day_asks_once() -> None:
    """Day one and ready to dilute would fall together: there is one look, not two."""
    found = standing(MADE, POUR_S + DAY_S, planned_dilution_s=DAY_S)
    assert [one.step_id for one in found] == ["day-three"]


def test_the_dilution_day_goes_deed_by_deed() -> None:
    """First water, second water two hours later, six stirrings by the hour, lumps after a day, test, fill."""
    cut_s = POUR_S + 3 * DAY_S
    log = [*MADE, *_log(("cut", cut_s))]
    assert _due(log, cut_s + 30 * MINUTE_S) == ["water"]
    water_s = cut_s + HOUR_S
    log += _log(("water-added", water_s))
    told: set[str] = set()
    course = []
    for minute in range(int(2 * DAY_S / 60)):
        now_s = water_s + minute * MINUTE_S
        for one in to_tell(standing(log, now_s), told, now_s, awake=True):
            told.add(one.reminder_id)
            course.append((one.reminder_id, minute / 60))
    assert course == [
        ("stir-1", 1.0), ("second-water", 2.0), ("stir-2", 2.0), ("stir-3", 3.0), ("stir-4", 4.0), ("stir-5", 5.0),
        ("stir-6", 6.0), ("lumps", 24.0),
    ]  # fmt: skip
    diluted_s = water_s + DAY_S
    log += _log(("diluted", diluted_s))
    assert _due(log, diluted_s + 2 * HOUR_S) == ["test"]
    log += _log(("tested", diluted_s + 3 * HOUR_S))
    assert _due(log, diluted_s + 4 * HOUR_S) == ["fill"]


def test_who_notes_a_stirring_is_reminded_an_hour_after_it() -> None:
    """The first at 1 h 40: the second is due at 2 h 40, not at 2 h."""
    water_s = POUR_S + 3 * DAY_S
    log = [*MADE, *_log(("water-added", water_s), ("water-added", water_s + 1), ("stirred", water_s + 100 * MINUTE_S))]
    assert _due(log, water_s + 2 * HOUR_S) == []
    assert _due(log, water_s + 160 * MINUTE_S) == ["stir-2"]


def test_a_stirring_noted_stands_for_those_that_nobody_noted() -> None:
    """Told at one and at two hours, noted first at 2 h 5: the next is the third, at 3 h 5."""
    water_s = POUR_S + 3 * DAY_S
    log = [*MADE, *_log(("water-added", water_s), ("water-added", water_s + 1), ("stirred", water_s + 125 * MINUTE_S))]
    stirrings = [one for one in standing(log, water_s + 125 * MINUTE_S) if one.step_id == "stir"]
    assert [(one.number, (one.due_s - water_s) / MINUTE_S) for one in stirrings] == [
        (3, 185.0), (4, 245.0), (5, 305.0), (6, 365.0),
    ]  # fmt: skip


def test_water_of_the_making_is_not_that_of_the_dilution() -> None:
    """A splash added an hour after the pour starts no dilution day."""
    assert "stir-1" not in _due([*MADE, *_log(("water-added", POUR_S + HOUR_S))], POUR_S + 2.2 * HOUR_S)


def test_an_entry_counts_from_when_it_was_noted() -> None:
    """What is entered late takes its reminder away from then on, not before."""
    late = [*MADE, *_log(("looked", BLEND_S + 18 * MINUTE_S, BLEND_S + 30 * MINUTE_S))]
    read = {"paste_read": True}
    assert _due(late, BLEND_S + 25 * MINUTE_S, **read) == ["taken"]
    assert _due(late, BLEND_S + 30 * MINUTE_S, **read) == []


def test_quiet_hours_hold_back_all_but_what_somebody_is_standing_beside() -> None:
    """At night the look and the probe come at once; a look at a day old waits."""
    at_s = BLEND_S + 5 * MINUTE_S
    assert [one.step_id for one in to_tell(standing(MADE, at_s), (), at_s, awake=False)] == ["probe-in"]
    at_s = POUR_S + DAY_S
    assert to_tell(standing(MADE, at_s), (), at_s, awake=False) == ()


def test_nobody_is_sent_to_open_while_an_alarm_asks_for_something_else() -> None:
    """Held: look, probe and water; not held: the evening's word, which names the alarm."""
    at_s = POUR_S + 6 * HOUR_S
    assert [one.step_id for one in to_tell(standing(MADE, at_s, evening_from=_evening_from), (), at_s, awake=True,
                                           held=True)] == ["evening"]  # fmt: skip
    for now_s in (BLEND_S + 20 * MINUTE_S, POUR_S + DAY_S, POUR_S + 3 * DAY_S):
        assert to_tell(standing(MADE, now_s), (), now_s, awake=True) != ()
        assert to_tell(standing(MADE, now_s), (), now_s, awake=True, held=True) == ()


@st.composite
def _logs(draw: st.DrawFn) -> list[LogEntry]:
    """Any entries of a batch, in any order, some noted late, whether it makes sense or not."""
    entries = []
    for _ in range(draw(st.integers(0, 12))):
        at_s = POUR_S + draw(st.integers(-60, 6 * 1440)) * MINUTE_S
        late_s = draw(st.sampled_from((0.0, 0.0, HOUR_S)))
        entries.append(LogEntry(draw(st.sampled_from(LOG_KINDS)), at_s, at_s + late_s))
    return entries


@settings(max_examples=300, deadline=None)
@given(_logs(), st.integers(-60, 9 * 1440), st.booleans(), st.booleans())
def test_any_log_gives_sound_reminders(log: list[LogEntry], minute: int, vetoed: bool, paste_read: bool) -> None:
    """Whatever is in the log: unique ids, none expired, each due before it is stale, deeds that have cautions."""
    now_s = POUR_S + minute * MINUTE_S
    found = standing(log, now_s, vetoed=vetoed, paste_read=paste_read, evening_from=_evening_from)
    assert len({one.reminder_id for one in found}) == len(found)
    assert all(now_s < one.expires_s and one.due_s < one.expires_s for one in found)
    assert all(one.deed is None or one.deed in DEEDS for one in found)
    assert [one.due_s for one in found] == sorted(one.due_s for one in found)
    assert {one.step_id for one in found if one.wakes} <= {"taken", "probe-in"}
    assert not {"day-three", "not-yet"} <= {one.step_id for one in found}
    # In any order of typing it is the same.
    assert standing(log[::-1], now_s, vetoed=vetoed, paste_read=paste_read, evening_from=_evening_from) == found


_ENDS = {
    "taken": "looked", "probe-in": "probe-in", "day-one": "looked", "day-three": "looked", "water": "water-added",
    "second-water": "water-added", "stir": "stirred", "lumps": "diluted", "test": "tested", "fill": "filled",
}  # fmt: skip


@settings(max_examples=300, deadline=None)
@given(_logs(), st.integers(0, 6 * 1440), st.booleans())
def test_whatever_is_due_ends_when_its_deed_is_noted(log: list[LogEntry], minute: int, paste_read: bool) -> None:
    """Note the deed of each due reminder now, and that reminder is gone; take the entry back, and the same is there."""
    now_s = POUR_S + minute * MINUTE_S
    before = to_tell(standing(log, now_s, paste_read=paste_read), (), now_s, awake=True)
    for one in before:
        noted = [*log, LogEntry(_ENDS[one.step_id], now_s, now_s)]
        assert one.reminder_id not in _ids(standing(noted, now_s, paste_read=paste_read))
        assert to_tell(standing(noted[:-1], now_s, paste_read=paste_read), (), now_s, awake=True) == before


def _ids(found: Sequence[Reminder]) -> set[str]:
    return {one.reminder_id for one in found}


def test_the_identity_names_batch_and_reminder() -> None:
    """What the outbox knows it by."""
    assert reminders.identity("Quillmarsh 21", "stir-2") == "reminder/Quillmarsh 21/stir-2"
