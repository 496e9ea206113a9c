"""What the verdict finds at one tick: when each alarm kind's criterion begins to hold, and when it is gone.

No times of delay here (those are the alarm states'), and no words. The times held here are those of the design's
table: 15 to 40 minutes for a blend that has not taken, 3 and 20 minutes of silence, 2 and 5 minutes of a bad probe.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.domain import ALARM_KINDS, Batch, Condition, Estimate, LogEntry, Place, ProbeHealth, Recipe
from monitor.judgement.verdict import Course, Evidence, Limits, course_of, judge

POUR_S = 1_773_475_800.0
BLEND_S = POUR_S + 900.0
MINUTE = 60.0
HOUR = 3600.0
BATCH = Batch("Quillmarsh 12", "shed-2", POUR_S, Recipe())


def entry(kind: str, minutes: float, noted_minutes: float | None = None) -> LogEntry:
    """A log entry so many minutes after the pour."""
    noted = minutes if noted_minutes is None else noted_minutes
    return LogEntry(kind, POUR_S + minutes * MINUTE, POUR_S + noted * MINUTE, entry_id=f"{kind}@{minutes}")


MADE = (entry("poured", 0), entry("blended", 15), entry("probe-in", 17))


def estimate(core_c: float = 60.0, causes: dict[str, float] | None = None, **probabilities: float) -> Estimate:
    """An estimate with these probabilities; all others 0."""
    return Estimate(
        at_s=0.0, completeness=0.5, completeness_sd=0.05, final_completeness=0.7, final_completeness_sd=0.06,
        self_heating_k=20.0, self_heating_sd_k=2.0, heat_released_kj=300.0, heat_released_sd_kj=20.0,
        heat_rate_w=10.0, heat_rate_sd_w=3.0, cooling_time_constant_s=4 * HOUR, cooling_time_constant_sd_s=HOUR,
        mean_temperature_c=core_c - 1.0, mean_temperature_sd_c=1.0, core_temperature_c=core_c, peak_c=core_c,
        peak_at_s=0.0, probabilities=probabilities, causes=causes or {"good": 1.0}, too_hot_in_s=480.0,
    )  # fmt: skip


def evidence(
    minutes_after_blend: float,
    guess: Estimate | None = None,
    *,
    log: Sequence[LogEntry] = MADE,
    health: dict[str, ProbeHealth] | None = None,
    quiet_s: float = 10.0,
    core_c: float | None = 60.0,
    never_in: tuple[str, ...] = (),
    place: Place | None = None,
    gap_s: float | None = None,
) -> Evidence:
    """The evidence so many minutes after a blending that ended 15 minutes after the pour."""
    now_s = BLEND_S + minutes_after_blend * MINUTE
    return Evidence(
        now_s=now_s, batch=BATCH, place=place or Place(), course=course_of(BATCH, log), estimate=guess,
        health={"core": ProbeHealth()} if health is None else health, last_paste_arrival_s=now_s - quiet_s,
        paste_c={} if core_c is None else {"core": (core_c, quiet_s)}, direction="steady", rate_k_per_h=0.0,
        never_in_paste=never_in, paste_gap_s=gap_s,
    )  # fmt: skip


def of(kind: str, conditions: Sequence[Condition], probe: str = "core") -> Condition:
    return next(c for c in conditions if c.kind == kind and c.facts.get("probe", probe) == probe)


def judged(kind: str, minutes_after_blend: float, guess: Estimate | None = None, **how) -> Condition:  # type: ignore[no-untyped-def]
    return of(kind, judge(evidence(minutes_after_blend, guess, **how)))


# ---- not taken ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("minutes", "due"), [(14, False), (15, True), (27, True), (40, True), (41, False)])
def test_not_taken_is_judged_15_to_40_minutes_after_blending(minutes: float, due: bool) -> None:
    """However sure, it begins to hold only within the window of the design; both edges belong to it."""
    assert judged("not_taken", minutes, estimate(final_below_085=0.99)).standing is due


def test_not_taken_asks_for_less_certainty_the_later_it_is() -> None:
    """What does not suffice at 15 minutes suffices at 40, when waiting longer no longer helps."""
    limits = Limits()
    between = (limits.not_taken_early + limits.not_taken_late) / 2
    assert limits.not_taken_early > limits.not_taken_late
    assert not judged("not_taken", 15, estimate(final_below_085=between)).standing
    assert judged("not_taken", 40, estimate(final_below_085=between)).standing


@pytest.mark.parametrize(("kind", "name"), [("not_taken", "final_below_085"), ("cooled_early", "cooled_early")])
def test_paste_over_80_degrees_is_called_failed_only_when_that_is_likely(kind: str, name: str) -> None:
    """Hot paste has taken as makers know it: what rings at 60 °C does not at 85, unless it is likelier than not."""
    some, sure = Limits().while_hot - 0.02, Limits().while_hot + 0.02
    assert judged(kind, 40, estimate(60.0, **{name: some})).standing
    assert not judged(kind, 40, estimate(85.0, **{name: some})).standing
    assert judged(kind, 40, estimate(85.0, **{name: sure})).standing


def test_a_blend_that_took_rings_nothing_and_clears() -> None:
    """A small probability is no cause to ring, and what stood is gone."""
    found = judged("not_taken", 30, estimate(final_below_085=0.05))
    assert not found.standing
    assert found.gone


def test_between_ringing_and_clearing_lies_a_deadband() -> None:
    """A probability between the two limits neither raises nor clears, for every kind that rests on one."""
    limits = Limits()
    middle = (limits.clear_below + limits.not_taken_late) / 2
    names = {"not_taken": "final_below_085", "too_hot": "too_hot", "cooled_early": "cooled_early",
             "incomplete": "final_below_090", "separated": "separated"}  # fmt: skip
    floors = {"not_taken": limits.not_taken_late, "too_hot": limits.too_hot, "cooled_early": limits.cooled_early,
              "incomplete": limits.incomplete_late, "separated": limits.separated}  # fmt: skip
    for kind, name in names.items():
        middle = (limits.clear_below + floors[kind]) / 2
        found = judged(kind, 39, estimate(**{name: middle}))
        assert not found.gone, kind
    assert not judged("not_taken", 39, estimate(final_below_085=middle)).standing


def test_a_new_blend_opens_the_window_anew() -> None:
    """After a re-blend the 15 minutes run again: what was not taken is gone until they are over."""
    again = (*MADE, entry("reblended", 60))
    sure = estimate(final_below_085=0.99)
    early = judged("not_taken", 46 + 5, sure, log=again)  # six minutes after the second blend
    assert not early.standing
    assert early.gone
    assert judged("not_taken", 45 + 20, sure, log=again).standing


def test_not_taken_has_nothing_to_say_after_six_hours() -> None:
    """Hours later other alarms speak; this one clears, however the batch ended."""
    assert judged("not_taken", 6 * 60 + 1, estimate(final_below_085=0.99)).gone
    assert not judged("not_taken", 5 * 60, estimate(final_below_085=0.99)).gone


# ---- too hot --------------------------------------------------------------------------------------------------------


def test_a_paste_probe_at_the_limit_is_too_hot_whatever_the_estimate_says() -> None:
    """95 °C on any paste probe rings with certainty, also where no estimate could be made."""
    for guess in (None, estimate(too_hot=0.0)):
        found = judged("too_hot", 20, guess, core_c=95.0)
        assert found.standing
        assert found.probability == 1.0
        assert found.facts["now"] is True
        assert found.urgency == "now"


def test_at_altitude_the_limit_is_the_boiling_point_less_5_k() -> None:
    """Where water boils at 93 °C, 88 is too hot; at the sea it is not."""
    assert judged("too_hot", 20, core_c=88.5, place=Place(93.0)).standing
    assert not judged("too_hot", 20, core_c=88.5).standing


def test_a_likely_boil_over_rings_ahead_with_the_minutes_left() -> None:
    """The forecast alone raises it, and says in how many minutes."""
    found = judged("too_hot", 12, estimate(too_hot=0.9), core_c=78.0)
    assert found.standing
    assert found.facts["too_hot_in_min"] == pytest.approx(8.0)
    assert found.facts["now"] is False


def test_hot_lye_before_the_blend_is_no_boil_over() -> None:
    """Fresh lye may stand at 95 °C; too hot is judged once the paste has been blended."""
    assert not judged("too_hot", -5, estimate(too_hot=0.9), core_c=97.0).standing


def test_an_old_reading_is_not_the_present_heat() -> None:
    """A probe last heard eleven minutes ago says nothing about now."""
    assert not judged("too_hot", 40, estimate(too_hot=0.0), core_c=97.0, quiet_s=11 * MINUTE).standing


def test_too_hot_clears_one_kelvin_under_the_limit() -> None:
    """A probe that wavers about the limit does not clear it: the deadband is 1 K."""
    for core_c, gone in ((94.5, False), (93.9, True)):
        assert judged("too_hot", 40, estimate(too_hot=0.0), core_c=core_c).gone is gone


def test_the_second_heat_of_a_reblend_is_named() -> None:
    """After a re-blend the text may say that this is the second heat."""
    again = (*MADE, entry("reblended", 60))
    assert judged("too_hot", 60, estimate(too_hot=0.9), log=again).facts["second_heat"] is True
    assert judged("too_hot", 60, estimate(too_hot=0.9)).facts["second_heat"] is False


# ---- cooled early, separated, incomplete ---------------------------------------------------------------------------


def test_a_warm_paste_has_not_cooled_while_the_blend_itself_is_in_question() -> None:
    """Up to 40 minutes `not_taken` speaks of a paste that is still warm; a cold one has cooled whenever it is cold."""
    warm, cold = estimate(62.0, cooled_early=0.99), estimate(41.0, cooled_early=0.99)
    assert not judged("cooled_early", 39, warm).standing
    assert judged("cooled_early", 40, warm).standing
    assert judged("cooled_early", 15, cold).standing


@pytest.mark.parametrize("kind", ["separated", "incomplete"])
def test_nothing_is_claimed_before_15_minutes_after_blending(kind: str) -> None:
    """The first minutes after the blend tell too little: nothing holds before, and a re-blend clears what stood."""
    name = {"separated": "separated", "incomplete": "final_below_090"}[kind]
    sure = estimate(**{name: 0.99})
    early = judged(kind, 14, sure)
    assert not early.standing
    assert early.gone
    assert judged(kind, 15, sure).standing


def test_cooled_early_wakes_only_where_acting_now_beats_acting_at_dawn() -> None:
    """Warm paste that a blend would help: now. Cold paste, or weak potash, which no blend helps: daylight."""
    warm = judged("cooled_early", 50, estimate(50.0, cooled_early=0.9, reblend_helps=0.9))
    cold = judged("cooled_early", 50, estimate(30.0, cooled_early=0.9, reblend_helps=0.9))
    weak = judged("cooled_early", 50, estimate(50.0, cooled_early=0.9, reblend_helps=0.1))
    assert (warm.urgency, cold.urgency, weak.urgency) == ("now", "daylight", "daylight")
    assert warm.facts["can_wait_until_morning"] is False
    assert cold.facts["can_wait_until_morning"] is True


def test_incomplete_waits_for_daylight_and_ripens() -> None:
    """It never wakes anybody, and the certainty asked falls from the pour to the planned dilution."""
    limits = Limits()
    between = estimate(final_below_090=(limits.incomplete_early + limits.incomplete_late) / 2)
    assert limits.incomplete_early > limits.incomplete_late
    early, late = judged("incomplete", 20, between), judged("incomplete", 71.5 * 60, between)
    assert not early.standing
    assert late.standing
    assert late.urgency == "daylight"


def test_a_split_batch_wakes_while_it_is_warm_and_young() -> None:
    """Within four hours and over 45 °C a split can still be blended away; later it waits for the morning."""
    young = judged("separated", 60, estimate(55.0, separated=0.95))
    old = judged("separated", 5 * 60, estimate(55.0, separated=0.95))
    cold = judged("separated", 60, estimate(40.0, separated=0.95))
    assert (young.urgency, old.urgency, cold.urgency) == ("now", "daylight", "daylight")


def test_the_cause_is_named_only_when_something_is_likely_wrong() -> None:
    """The likeliest failure is the cause; where the batch is most likely good there is none to name."""
    wrong = estimate(final_below_090=0.9, causes={"good": 0.2, "short_potash": 0.5, "poor_blend": 0.3})
    fine = estimate(final_below_090=0.9, causes={"good": 0.8, "short_potash": 0.15, "poor_blend": 0.05})
    assert judged("incomplete", 60, wrong).facts["cause"] == "short_potash"
    assert judged("incomplete", 60, fine).facts["cause"] == "unknown"


# ---- silence --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("minutes", "quiet_min", "due"),
    [(10, 3.0, False), (10, 3.1, True), (60, 3.1, True), (61, 3.1, False), (61, 20.0, False), (61, 20.1, True)],
)
def test_silence_is_three_minutes_in_the_first_hour_twenty_later(minutes: float, quiet_min: float, due: bool) -> None:
    """The hour runs from the blending; the limit itself is not yet silence."""
    assert judged("silent", minutes, quiet_s=quiet_min * MINUTE).standing is due


@pytest.mark.parametrize(
    ("minutes", "gap_min", "quiet_min", "due"),
    [(10, 1, 3.5, True), (10, 4, 8.5, False), (10, 4, 9.5, True), (10, 15, 20.5, True), (120, 8, 21, False),
     (120, 8, 26, True), (120, 60, 61, True)],
)  # fmt: skip
def test_a_node_that_sends_in_packs_is_not_silent_between_them(
    minutes: float, gap_min: float, quiet_min: float, due: bool
) -> None:
    """Two usual gaps and a minute in the first hour (20 minutes at most), three later (an hour at most)."""
    assert judged("silent", minutes, gap_s=gap_min * MINUTE, quiet_s=quiet_min * MINUTE).standing is due


def test_the_first_hour_runs_anew_after_a_reblend() -> None:
    """The second heat is watched as closely as the first."""
    again = (*MADE, entry("reblended", 300))
    assert judged("silent", 300, log=again, quiet_s=5 * MINUTE).standing
    assert not judged("silent", 250, quiet_s=5 * MINUTE).standing


def test_silence_clears_at_half_its_limit_and_wakes_only_early() -> None:
    """It clears when readings come again; on day three it waits for daylight, in the first hours it does not."""
    assert judged("silent", 10, quiet_s=89.0).gone
    assert not judged("silent", 10, quiet_s=120.0).gone
    assert judged("silent", 120, quiet_s=30 * MINUTE).urgency == "now"
    assert judged("silent", 50 * 60, quiet_s=30 * MINUTE).urgency == "daylight"


# ---- probes ---------------------------------------------------------------------------------------------------------


def bad(problem: str, since_min: float, at_min: float, **more: object) -> dict[str, ProbeHealth]:
    """Health of a core probe that has had ``problem`` for ``since_min`` minutes, ``at_min`` after the blend."""
    since_s = BLEND_S + (at_min - since_min) * MINUTE
    return {"core": ProbeHealth(problem, since_s, last_good_c=more.pop("last_good_c", 50.0), **more)}  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("at", "lasted", "due"), [(30, 1.9, False), (30, 2.0, True), (90, 4.9, False), (90, 5.0, True)]
)
def test_a_bad_probe_rings_after_two_minutes_early_and_five_later(at: float, lasted: float, due: bool) -> None:
    """Counted from the first bad reading."""
    assert judged("sensor_fault", at, health=bad("open", lasted, at)).standing is due


@pytest.mark.parametrize("problem", ["open", "short", "lost", "noisy", "stuck", "reversed", "out_of_paste"])
def test_every_problem_rings_and_a_sound_probe_clears(problem: str) -> None:
    """Each kind of trouble is told; with no problem the alarm is gone."""
    assert judged("sensor_fault", 180, health=bad(problem, 10, 180)).standing
    assert judged("sensor_fault", 180).gone
    assert not judged("sensor_fault", 180, health=bad(problem, 10, 180)).gone


@pytest.mark.parametrize(("problem", "excused"), [("out_of_paste", True), ("noisy", True), ("stuck", True),
                                                  ("open", False), ("short", False), ("lost", False)])  # fmt: skip
def test_hands_at_the_bucket_excuse_a_jump_but_no_open_wire(problem: str, excused: bool) -> None:
    """For a quarter of an hour after a noted deed a probe may read oddly; an open wire is told all the same."""
    looked = (*MADE, entry("looked", 120))
    soon = judged("sensor_fault", 115, log=looked, health=bad(problem, 6, 115))
    later = judged("sensor_fault", 121, log=looked, health=bad(problem, 12, 121))
    assert soon.standing is not excused
    assert later.standing


@pytest.mark.parametrize("problem", ["out_of_range", "noisy", "stuck", "out_of_paste"])
def test_hands_at_the_bucket_do_not_make_a_bad_probe_well(problem: str) -> None:
    """They are no news of the probe: what was rung for before does not end while the probe reads as badly as then."""
    looked = (*MADE, entry("looked", 120))
    soon = judged("sensor_fault", 115, log=looked, health=bad(problem, 30, 125))
    assert not soon.standing and not soon.gone
    assert judged("sensor_fault", 115, log=looked).gone
    out = judged("sensor_fault", 115, log=(*MADE, entry("probe-out", 120)), health=bad(problem, 30, 125))
    assert out.gone, "somebody has it in their hand"


def test_a_probe_noted_as_taken_out_is_not_out_of_the_paste() -> None:
    """Between probe-out and probe-in it lies where the grower put it."""
    out = (*MADE, entry("probe-out", 120))
    assert not judged("sensor_fault", 200, log=out, health=bad("out_of_paste", 20, 200)).standing
    back = (*out, entry("probe-in", 130))
    assert judged("sensor_fault", 200, log=back, health=bad("out_of_paste", 20, 200)).standing


def test_the_grower_is_beeped_for_when_no_probe_was_put_in() -> None:
    """Minutes after the blend a probe that has read only air rings, and says so as never put in."""
    soon = judged("sensor_fault", 4, never_in=("core",))
    late = judged("sensor_fault", 8.5, never_in=("core",))
    assert not soon.standing
    assert late.standing
    assert late.facts["problem"] == "never_in"
    assert late.urgency == "now"


def test_a_forgotten_second_probe_may_wait_while_another_watches() -> None:
    """With the core in the paste a wall probe in the air is told after 20 minutes; alone it would be after 8."""
    health = {"core": ProbeHealth(), "wall": ProbeHealth()}
    early, late = (of("sensor_fault", judge(evidence(m, health=health, never_in=("wall",))), "wall") for m in (12, 21))
    assert not early.standing
    assert late.standing


def test_a_probe_in_the_air_is_known_only_when_its_pack_has_come() -> None:
    """A node that sends every five minutes gets five minutes more before the grower is beeped for."""
    assert not judged("sensor_fault", 12, never_in=("core",), gap_s=300.0).standing
    assert judged("sensor_fault", 13.5, never_in=("core",), gap_s=300.0).standing


def test_swapped_wires_show_in_the_first_half_day_or_not_at_all() -> None:
    """A cold batch in a warm shed falls as the air rises: begun after twelve hours it is no swapped wire."""
    assert judged("sensor_fault", 10 * 60, health=bad("reversed", 60, 600)).standing
    assert judged("sensor_fault", 40 * 60, health=bad("reversed", 39 * 60, 40 * 60)).standing
    assert judged("sensor_fault", 40 * 60, health=bad("reversed", 60, 40 * 60)).gone


def test_where_no_blend_was_noted_the_probe_may_go_in_later() -> None:
    """Blending is over 25 minutes after the pour at the latest (common practice); the grace runs from then."""
    poured = (entry("poured", 0),)
    assert not judged("sensor_fault", 10, log=poured, never_in=("core",)).standing  # 25 minutes after the pour
    assert judged("sensor_fault", 25, log=poured, never_in=("core",)).standing


def test_a_probe_that_was_taken_out_again_was_not_forgotten() -> None:
    """Noted as out, it is not called never put in."""
    assert not judged("sensor_fault", 20, log=(*MADE, entry("probe-out", 18)), never_in=("core",)).standing


def test_a_hot_probe_that_is_suddenly_lost_wakes_at_any_hour() -> None:
    """It may have been pushed out by a boil-over: urgent, and the facts say so. A cool one waits for daylight."""
    for problem in ("open", "lost"):
        hot = judged("sensor_fault", 5 * 60, health=bad(problem, 6, 300, last_good_c=82.0, suddenly=True))
        assert hot.urgency == "now"
        assert hot.facts["suddenly_lost"] is True
    fell = ProbeHealth("out_of_paste", BLEND_S + 294 * MINUTE, last_good_c=15.0, suddenly=True, fell_from_c=82.0)
    hot = judged("sensor_fault", 300, health={"core": fell})
    assert hot.urgency == "now"
    assert hot.facts["last_good_c"] == 82.0
    cool = judged("sensor_fault", 5 * 60, health=bad("open", 6, 300, last_good_c=45.0, suddenly=True))
    assert cool.urgency == "daylight"
    assert cool.facts["suddenly_lost"] is False


def test_a_lost_ambient_probe_never_wakes() -> None:
    """The air's probe is told, in daylight, also in the first hours."""
    health = {"core": ProbeHealth(), "ambient": ProbeHealth("open", BLEND_S, last_good_c=70.0, suddenly=True)}
    found = of("sensor_fault", judge(evidence(20, health=health)), "ambient")
    assert found.standing
    assert found.urgency == "daylight"


def test_each_probe_is_judged_apart() -> None:
    """A lost ambient probe does not hide a lost core probe, nor the other way round."""
    health = {**bad("open", 10, 90), "ambient": ProbeHealth("stuck", BLEND_S)}
    found = [c for c in judge(evidence(90, health=health)) if c.kind == "sensor_fault"]
    assert [c.facts["probe"] for c in found] == ["core", "ambient"]
    assert all(c.standing for c in found)


# ---- the course of the log, and everything together ----------------------------------------------------------------


@pytest.mark.parametrize("deed", ["cut", "water-added", "diluted", "filled"])
def test_from_the_dilution_on_nothing_of_the_batch_is_judged(deed: str) -> None:
    """Water cools the paste and stirring lifts probes: no alarm of batch or probe holds any more, and all clear."""
    log = (*MADE, entry(deed, 72 * 60))
    sure = estimate(final_below_085=1.0, final_below_090=1.0, cooled_early=1.0, separated=1.0, too_hot=1.0)
    found = judge(evidence(72 * 60, sure, log=log, health=bad("open", 60, 72 * 60), quiet_s=HOUR))
    assert not any(c.standing for c in found)
    assert all(c.gone for c in found)
    assert {c.kind for c in found} == {"sensor_fault", "silent"}


def test_the_course_reads_entries_in_any_order() -> None:
    """Late notes change nothing about when a thing happened."""
    log = [entry("lid-on", 20), entry("blended", 15), entry("poured", 0, 30), entry("covered", 40), entry("lid-off", 9)]
    course = course_of(BATCH, log)
    assert course == course_of(BATCH, log[::-1])
    assert (course.poured_at_s, course.blended_at_s) == (POUR_S, BLEND_S)
    assert (course.lid, course.cover, course.reblended, course.over) == ("on", "blanket", False, False)


def test_without_entries_the_start_of_the_batch_stands_for_pour_and_blend() -> None:
    """A grower who notes nothing is minded all the same, and it is known that no blend was noted."""
    course = course_of(BATCH, [])
    assert isinstance(course, Course)
    assert course.poured_at_s == course.blended_at_s == POUR_S
    assert not course.blended_noted


@pytest.mark.parametrize("kind", ["not_taken", "cooled_early", "separated", "incomplete"])
def test_no_guess_at_the_batch_rings_while_no_probe_tells_of_the_paste(kind: str) -> None:
    """With the only paste probe open, or never pushed in, that rings; what stood before is not cleared by it."""
    sure = estimate(final_below_085=1.0, final_below_090=1.0, cooled_early=1.0, separated=1.0)
    minutes = 30 if kind == "not_taken" else 60
    assert judged(kind, minutes, sure, core_c=40.0).standing
    faulty = {"core": ProbeHealth("open", BLEND_S)}
    blind: tuple[dict[str, object], ...] = ({"health": faulty}, {"never_in": ("core",)}, {"core_c": None})
    for how in blind:
        found = judged(kind, minutes, sure, **{"core_c": 40.0, **how})
        assert not found.standing and not found.gone
    assert judged(kind, minutes, sure, core_c=40.0, quiet_s=30 * MINUTE).standing  # late is not lying


def test_without_an_estimate_the_raw_checks_go_on() -> None:
    """A failure of the mathematics leaves too_hot now, silence and probes judged."""
    kinds = {c.kind for c in judge(evidence(20))}
    assert kinds == {"too_hot", "silent", "sensor_fault"}


@settings(max_examples=150, deadline=None)
@given(
    minutes=st.floats(-30, 72 * 60),
    shares=st.lists(st.floats(0, 1), min_size=5, max_size=5),
    core_c=st.one_of(st.none(), st.floats(-10, 110)),
    quiet_s=st.floats(0, 1e5),
)
def test_no_condition_both_holds_and_is_gone(
    minutes: float, shares: list[float], core_c: float | None, quiet_s: float
) -> None:
    """Whatever comes, no kind is raised and cleared at one tick, none is judged twice, and all say how likely."""
    names = ("final_below_085", "final_below_090", "cooled_early", "separated", "too_hot")
    found = judge(evidence(minutes, estimate(**dict(zip(names, shares, strict=True))), core_c=core_c, quiet_s=quiet_s))
    assert [c.kind for c in found if c.standing and c.gone] == []
    assert len({(c.kind, c.facts.get("probe")) for c in found}) == len(found)
    assert all(0.0 <= c.probability <= 1.0 and c.kind in ALARM_KINDS for c in found)


def test_the_judgement_does_not_change_what_it_judges() -> None:
    """Asked twice, it answers the same: facts are new each time."""
    seen = evidence(30, estimate(final_below_085=0.8, too_hot=0.4))
    assert judge(seen) == judge(replace(seen))
