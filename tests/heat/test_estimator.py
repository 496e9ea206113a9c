"""The estimator on curves of an integrator it does not know (batches.py)."""

from dataclasses import replace

import numpy as np
import pytest

from monitor.domain import Batch, LogEntry, OilShare, Place, Reading, Recipe, Vessel
from monitor.heat.estimator import Estimator

from .batches import POUR_S, batch, curve, entries, readings, run

HOUR = 3600.0


@pytest.fixture(scope="module")
def good():
    return curve()


@pytest.fixture(scope="module")
def stalled():
    return curve(reach=0.45, rate=0.6)


def test_a_good_batch_is_known_within_the_hour(good):
    """An hour after the pour a good blend is called taken, and its final completeness is near the truth."""
    _, (estimate,) = run(good, [1.25 * HOUR], until_s=1.5 * HOUR)
    assert estimate.probabilities["took"] > 0.8
    assert estimate.probabilities["final_below_085"] < 0.2
    assert estimate.final_completeness == pytest.approx(good.done[-1], abs=0.06)


def test_a_good_batch_at_the_planned_dilution(good):
    """After 72 h completeness is within 0.05 and within two sd; the heat is all out."""
    _, estimates = run(good, [HOUR, 6 * HOUR, 24 * HOUR, 71.9 * HOUR])
    last = estimates[-1]
    assert last.completeness == pytest.approx(good.done[-1], abs=0.05)
    assert abs(last.completeness - good.done[-1]) < 2.0 * last.completeness_sd
    assert last.heat_rate_w < 1.0
    assert last.causes["good"] > 0.5


def test_a_stalled_batch_is_called_within_forty_minutes_of_blending(stalled):
    """A blend that stops at 0.45 is called short of 0.85 forty minutes after blending, and cooling early."""
    at = stalled.blended_s + 2400.0
    _, (estimate,) = run(stalled, [at], until_s=at)
    assert estimate.probabilities["final_below_085"] > 0.9
    assert estimate.probabilities["cooled_early"] > 0.9
    assert estimate.probabilities["took"] < 0.1
    assert estimate.causes["good"] < 0.05


def test_a_stalled_batch_at_the_planned_dilution(stalled):
    """After 72 h its completeness is within 0.12 and two and a half sd, and a re-blend is said to help."""
    _, estimates = run(stalled, [HOUR, 6 * HOUR, 71.9 * HOUR])
    last = estimates[-1]
    assert last.completeness == pytest.approx(stalled.done[-1], abs=0.12)
    assert abs(last.completeness - stalled.done[-1]) < 2.5 * last.completeness_sd
    assert last.probabilities["reblend_helps"] > 0.8


def test_a_reaction_that_breaks_off_is_no_good_batch():
    """The emulsion breaks 22 minutes after the pour: final completeness is called low."""
    broken = curve(stops_at_s=1320.0)
    assert broken.done[-1] < 0.75
    _, estimates = run(broken, [HOUR, 3 * HOUR], until_s=3 * HOUR)
    assert estimates[-1].probabilities["final_below_090"] > 0.8


def test_a_reblend_counts_as_second_heat(stalled):
    """Blended again two hours in, the batch goes on to react, and the estimate follows."""
    again = 2 * HOUR
    mended = curve(reach=0.45, rate=0.6, reblend_s=again)
    assert mended.done[-1] > 0.8
    mended.notes = [LogEntry("reblended", POUR_S + again, POUR_S + again, entry_id="3")]
    _, estimates = run(mended, [1.5 * HOUR, 2.1 * HOUR, 4 * HOUR, 10 * HOUR], until_s=10 * HOUR)
    assert estimates[0].final_completeness < 0.65
    assert estimates[-1].final_completeness > estimates[0].final_completeness + 0.15


def test_without_ambient_the_answer_is_wider_and_says_so(good):
    """No ambient probe: named among what was assumed, still within two sd."""
    _, (with_air,) = run(good, [30 * HOUR], until_s=30 * HOUR)
    _, (without,) = run(good, [30 * HOUR], until_s=30 * HOUR, ambient=False)
    assert "no_ambient" in without.assumed
    assert "no_ambient" not in with_air.assumed
    assert without.cooling_time_constant_sd_s > 0.8 * with_air.cooling_time_constant_sd_s
    assert abs(without.completeness - good.done[10800]) < 2.0 * without.completeness_sd


def test_an_unweighed_recipe_widens_the_heat(good):
    """Nobody weighed oil and water: the heat released is less sure, and the guesses are named."""
    _, (weighed,) = run(good, [3 * HOUR], until_s=3 * HOUR)
    unweighed = Recipe((OilShare("rapeseed", None),), 0.85, 0.90, None)
    _, (guessed,) = run(good, [3 * HOUR], until_s=3 * HOUR, recipe=unweighed)
    assert {"unweighed_oil", "unweighed_water"} <= set(guessed.assumed)
    assert guessed.heat_released_sd_kj > weighed.heat_released_sd_kj


def test_a_start_two_hours_late_still_gives_an_answer(good):
    """Nothing was recorded before two hours after the pour: completeness comes out within two sd, wider than before."""
    _, (full,) = run(good, [8 * HOUR], until_s=8 * HOUR)
    _, (late,) = run(good, [8 * HOUR], until_s=8 * HOUR, from_s=2 * HOUR)
    assert late.final_completeness_sd >= 0.8 * full.final_completeness_sd
    assert abs(late.final_completeness - good.done[-1]) < 2.5 * late.final_completeness_sd + 0.02


def test_before_any_paste_reading_the_prior_speaks():
    """With a recipe and nothing else the estimate is the prior's: finite, wide, not an alarm."""
    estimator = Estimator(batch(), Place())
    estimate = estimator.estimate(POUR_S + 60.0)
    assert 0.0 < estimate.final_completeness <= 1.03
    assert estimate.final_completeness_sd > 0.02
    assert 0.1 < estimate.probabilities["final_below_090"] < 0.7
    assert {"pour_time", "blend_time", "pour_temperature", "no_ambient"} <= set(estimate.assumed)


def test_a_paste_probe_in_the_air_is_not_a_cold_batch(good):
    """Until it is pushed in the core probe reads the air, and that counts for nothing about the paste."""
    early = good.blended_s + 120.0
    _, (estimate,) = run(good, [early], until_s=early)
    assert estimate.core_temperature_c > 35.0
    assert estimate.probabilities["cooled_early"] < 0.6


def test_a_probe_lifted_out_does_not_cool_the_batch(good):
    """A core probe that drops to the air within two minutes has left the paste; the estimate stands."""
    stream = readings(good, until_s=5 * HOUR)
    gone = [
        replace(r, temperature_c=12.0) if r.probe == "core" and r.time_s > POUR_S + 2 * HOUR else r for r in stream
    ]
    answers = []
    for source in (stream, gone):
        estimator = Estimator(batch(), Place())
        for entry in entries(good):
            estimator.note(entry)
        for r in source:
            estimator.update(r)
        answers.append(estimator.estimate(POUR_S + 5 * HOUR))
    assert answers[1].final_completeness == pytest.approx(answers[0].final_completeness, abs=0.06)
    assert answers[1].mean_temperature_c > 30.0


def test_withdrawing_what_never_came_in_changes_nothing(good):
    """Screening rejects most bad readings before the estimator has seen them: taking them back must not bend a mean."""
    answers = []
    for wild in (False, True):
        estimator = Estimator(batch(), Place())
        for entry in entries(good):
            estimator.note(entry)
        for i, r in enumerate(readings(good, until_s=HOUR, every_s=15.0)):
            estimator.update(r)
            if wild and i % 9 == 0:
                estimator.withdraw(replace(r, time_s=r.time_s + 1.0, temperature_c=-120.0))
        answers.append(estimator.estimate(POUR_S + HOUR))
    assert answers[0] == answers[1]


def test_a_reading_judged_twice_counts_once(good):
    """The same reading believed a second time leaves the estimate as it was."""
    answers = []
    for times in (1, 2):
        estimator = Estimator(batch(), Place())
        for entry in entries(good):
            estimator.note(entry)
        for i, r in enumerate(readings(good, until_s=HOUR)):
            for _ in range(times if i % 5 == 0 else 1):
                estimator.update(r)
        answers.append(estimator.estimate(POUR_S + HOUR))
    assert answers[0] == answers[1]


def test_a_withdrawn_reading_leaves_no_trace(good):
    """Update then withdraw gives the same bytes as never having seen the reading."""
    wrong = Reading("shed-2", "core", POUR_S + 1700.5, POUR_S + 1700.5, 150.0)
    answers = []
    for with_it in (False, True):
        estimator = Estimator(batch(), Place())
        for entry in entries(good):
            estimator.note(entry)
        for r in readings(good, until_s=2 * HOUR):
            estimator.update(r)
        if with_it:
            estimator.update(wrong)
            estimator.withdraw(wrong)
        answers.append(estimator.estimate(POUR_S + 2 * HOUR))
    assert answers[1].final_completeness == pytest.approx(answers[0].final_completeness, abs=1e-6)


def test_same_calls_same_bytes(good):
    """The same readings, entries and ticks give equal estimates, to the last bit."""
    ages = [float(a) for a in range(900, 7200, 300)]
    first = run(good, ages, until_s=7200.0)[1]
    second = run(good, ages, until_s=7200.0)[1]
    assert [repr(e) for e in first] == [repr(e) for e in second]


def test_no_foresight(good):
    """What an estimate says at a time does not depend on whether more was recorded later."""
    ages = [1500.0, 2400.0, 3600.0]
    short = run(good, ages, until_s=3600.0)[1]
    long = run(good, [*ages, 6 * HOUR], until_s=6 * HOUR)[1]
    assert [repr(e) for e in short] == [repr(e) for e in long[:3]]


def test_refits_are_few_and_bounded(good):
    """A whole 72 h batch, asked every minute, refits at most 90 times with at most 5 passes of the model each."""
    estimator, _ = run(good, [float(a) for a in range(0, int(71.9 * HOUR), 60)], every_s=60.0)
    assert estimator.refits <= 90
    assert estimator.passes <= 5 * estimator.refits


def test_too_hot_is_foreseen():
    """A hot pour in warm air is called too hot before the core passes 85 degC."""
    hot = curve(start_c=54.0, air_c=24.0)
    assert hot.core_c.max() > 97.0
    passes = float(hot.time_s[np.argmax(hot.core_c > 85.0)])
    at = passes - 60.0
    assert at > hot.blended_s + 300.0
    _, (estimate,) = run(hot, [at], until_s=at, noted_c=54.0)
    assert estimate.probabilities["too_hot"] > 0.5
    assert estimate.too_hot_in_s is not None
    assert estimate.too_hot_in_s > 0.0


def test_band_and_forecast(good):
    """The prior band holds a good batch's curve; the forecast's band is narrower and holds what comes."""
    estimator, _ = run(good, [2 * HOUR], until_s=2 * HOUR)
    times = POUR_S + np.array([0.75, 1.0, 2.0, 3.0]) * HOUR
    band = estimator.band(times)
    truth = np.interp(times - POUR_S, good.time_s, good.core_c)
    assert np.all(band.low_c < truth)
    assert np.all(truth < band.high_c)
    ahead = estimator.forecast([1.0, 3.0])
    later = np.interp(ahead.time_s - POUR_S, good.time_s, good.core_c)
    assert np.all(np.abs(ahead.median_c - later) < 5.0)
    assert np.all(ahead.high_c - ahead.low_c < 25.0)
    low, high = estimator.good_now(POUR_S + HOUR)
    assert 55.0 < low < high < 106.0


def test_a_log_entry_undone_is_gone(good):
    """Forgetting an entry gives the answer of never having noted it."""
    answers = []
    for noted in (False, True):
        estimator = Estimator(batch(), Place())
        for entry in entries(good):
            estimator.note(entry)
        if noted:
            estimator.note(LogEntry("covered", POUR_S + HOUR, POUR_S + HOUR, entry_id="9"))
            estimator.forget("9")
        for r in readings(good, until_s=2 * HOUR):
            estimator.update(r)
        answers.append(repr(estimator.estimate(POUR_S + 2 * HOUR)))
    assert answers[0] == answers[1]


def test_an_empty_recipe_and_no_vessel_do_not_stop_it(good):
    """Nothing entered at all: an answer still comes, with everything that was guessed named."""
    estimator = Estimator(Batch("bare", "shed-2", POUR_S, Recipe(), Vessel()), Place(96.0))
    for r in readings(good, until_s=2 * HOUR):
        estimator.update(r)
    estimate = estimator.estimate(POUR_S + 2 * HOUR)
    assert np.isfinite(estimate.completeness)
    assert "vessel" in estimate.assumed
