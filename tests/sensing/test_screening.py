"""Which readings are believed, and the reason when not."""

from __future__ import annotations

import math
import random
import time

import pytest

from monitor.domain import Reading
from monitor.sensing.screening import REASONS, ProbeScreen, limits_for
from tests.sensing.curves import HOUR, Run, paste_c, readings

INTERVALS = [1.0, 10.0, 60.0, 120.0]


def at(
    t_s: float, value: float | None, state: str = "ok", probe: str = "core", arrival_s: float | None = None
) -> Reading:
    return Reading("shed-2", probe, t_s, t_s + 0.5 if arrival_s is None else arrival_s, value, state)


def spoiled(times: set[float], value: float | str, every_s: float = 10.0, **more: float) -> list[Reading]:
    """A good batch with ``value`` at some of its times."""
    return readings(lambda t: value if t in times else paste_c(t), every_s=every_s, **more)


def reasons_at(run: Run) -> dict[float, str]:
    return {reading.time_s: reason for reading, reason in run.verdicts.items() if reason is not None}


@pytest.mark.parametrize("every_s", INTERVALS)
@pytest.mark.parametrize(("step_k", "noise_k"), [(0.25, 0.1), (0.0, 0.05), (0.0625, 0.2), (1.0, 0.0), (0.1, 0.0)])
def test_a_good_batch_is_believed_whole(every_s: float, step_k: float, noise_k: float) -> None:
    """No reading of a good batch is rejected and no health problem shows, for coarse, fine and rounding sensors."""
    run = Run().feed(
        readings(
            paste_c, every_s=every_s, to_s=2 * HOUR if every_s == 1.0 else 48 * HOUR, step_k=step_k, noise_k=noise_k
        )
    )
    assert set(run.reasons()) == {None}
    assert run.problems() == []


def test_a_lively_blend_stirred_by_hand_is_believed() -> None:
    """Heating by 2.5 K a minute with the swings of stirring (sd 0.7 K) rejects next to nothing."""
    rng = random.Random(4)
    run = Run().feed(readings(lambda t: 50.0 + t / 24.0 + rng.gauss(0.0, 0.7), to_s=900.0))
    assert sum(n for reason, n in run.reasons().items() if reason) <= 2


@pytest.mark.parametrize("every_s", INTERVALS)
@pytest.mark.parametrize("by_k", [-60.0, 65.0, 20.0, -12.0])
def test_a_single_spike_is_rejected_alone(every_s: float, by_k: float) -> None:
    """One value 12 to 65 K away, the next normal (seen on digital sensors), goes; its neighbours stay."""
    spike_s = 4800.0
    run = Run().feed(readings(lambda t: paste_c(t) + (by_k if t == spike_s else 0.0), every_s=every_s))
    assert list(reasons_at(run)) == [spike_s]
    assert reasons_at(run)[spike_s] in ("spike", "rate", "out_of_range")
    assert run.problems() == []


def test_a_small_spike_is_found_by_its_neighbours() -> None:
    """3 K, which no rate limit catches at one reading a minute, stands out to both sides (Hampel identifier)."""
    run = Run().feed(readings(lambda t: paste_c(t) + (3.0 if t == 6000.0 else 0.0), every_s=60.0))
    assert reasons_at(run) == {6000.0: "spike"}


def test_a_real_peak_is_no_spike() -> None:
    """The top of a curve is higher than both its neighbours and is believed."""
    run = Run().feed(readings(lambda t: 85.0 - abs(t - 3600.0) / 60.0, every_s=60.0, noise_k=0.0, step_k=0.0))
    assert set(run.reasons()) == {None}


@pytest.mark.parametrize("every_s", INTERVALS)
def test_a_probe_pushed_into_the_paste_is_believed(every_s: float) -> None:
    """15 to 60 °C within a minute is real: at most the readings under way are rejected, then all are believed."""

    def curve(t: float) -> float:
        return 15.0 + (60.0 - 15.0) * (1.0 - math.exp(-max(0.0, t - 600.0) / 15.0))

    run = Run().feed(readings(curve, every_s=every_s, to_s=2400.0))
    rejected = reasons_at(run)
    assert set(rejected.values()) <= {"rate", "spike"}
    assert all(600.0 < t < 690.0 for t in rejected)
    assert run.health.last_good_c == pytest.approx(60.0, abs=0.6)
    assert run.problems() == []


@pytest.mark.parametrize("every_s", INTERVALS)
def test_a_probe_lifted_out_is_believed_too(every_s: float) -> None:
    """The fall to the air is believed once it lasts; it is health that says the probe has come out."""
    run = Run().feed(
        readings(lambda t: 12.0 + (paste_c(t) - 12.0) * math.exp(-max(0.0, t - 3000.0) / 60.0), every_s=every_s)
    )
    assert all(3000.0 < t < 3180.0 for t in reasons_at(run))
    assert run.health.last_good_c == pytest.approx(12.0, abs=0.6)
    assert run.health.problem == "out_of_paste"


def test_a_short_burst_of_agreeing_nonsense_is_rejected() -> None:
    """Five values of 20 °C within five seconds at one a second are no new level."""
    run = Run().feed(readings(lambda t: 20.0 if 4000.0 <= t < 4005.0 else paste_c(t), every_s=1.0, to_s=5000.0))
    assert sorted(reasons_at(run)) == [4000.0, 4001.0, 4002.0, 4003.0, 4004.0]


def test_a_stray_first_reading_does_not_stand() -> None:
    """When what came first stands alone, it is taken back once the others agree."""
    run = Run().feed([at(0.0, 71.0), *(at(10.0 * k, 15.0 + 0.25 * (k % 2)) for k in range(1, 30))])
    assert reasons_at(run) == {0.0: "spike"}


# -- the special values ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("every_s", INTERVALS)
def test_a_stray_85_is_rejected(every_s: float) -> None:
    """The exact 85.0 of a sensor that has just started is rejected among values far from it."""
    run = Run().feed(readings(lambda t: 85.0 if t == 6000.0 else paste_c(t) - 20.0, every_s=every_s))
    assert reasons_at(run) == {6000.0: "power_on_85"}
    assert run.problems() == []


@pytest.mark.parametrize("every_s", INTERVALS)
@pytest.mark.parametrize("step_k", [0.0625, 0.25, 1.0])
def test_a_batch_that_passes_through_85_is_believed(every_s: float, step_k: float) -> None:
    """Heating through 85.0 and resting there, by neighbours of 84 and 86, is real."""
    run = Run().feed(readings(lambda t: 86.0 - abs(t - 1800.0) / 480.0, every_s=every_s, noise_k=0.0, step_k=step_k))
    assert 85.0 in {reading.temperature_c for reading in run.verdicts}
    assert set(run.reasons()) == {None}


def test_85_repeated_while_the_neighbours_were_at_20_is_rejected() -> None:
    """However often it comes, and after a silence too: 85.0 alone never becomes a level."""
    run = Run().feed(
        [at(10.0 * k, 20.0 + 0.25 * (k % 2)) for k in range(60)] + [at(4000.0 + 10.0 * k, 85.0) for k in range(90)]
    )
    assert run.reasons() == {None: 60, "power_on_85": 90}
    assert run.health.problem == "lost"


def test_85_for_good_is_not_believed_because_the_batch_might_have_got_there() -> None:
    """A sensor under-supplied amid a batch of 81 °C: the first 85.0 jumps, and those after it prove no more."""
    run = Run().feed(readings(lambda t: 81.0 if t < 1800.0 else 85.0, to_s=5400.0, every_s=30.0))
    assert {r.temperature_c for r, reason in run.verdicts.items() if reason == "power_on_85"} == {85.0}
    assert [r.temperature_c for r, reason in run.verdicts.items() if reason is None and r.time_s >= 1800.0] == []
    assert run.health.problem == "lost"


def test_85_from_the_start_is_not_believed_until_something_else_comes() -> None:
    """A probe that has only ever shown 85.0 has not measured."""
    assert Run().feed([at(10.0 * k, 85.0) for k in range(60)]).reasons() == {"power_on_85": 60}


def test_85_after_a_silence_is_believed_when_the_next_ones_agree() -> None:
    """A batch found at 85.0 after an outage is doubted at first, and believed when 84.9 and 84.8 follow."""
    before = [at(10.0 * k, 60.0 + 0.1 * (k % 3)) for k in range(60)]
    after = [at(4000.0 + 10.0 * k, 85.0 - 0.0625 * k) for k in range(30)]
    assert Run().feed(before + after).reasons() == {None: 90}


def test_minus_127_is_a_lost_sensor() -> None:
    """The exact -127 of a host library is rejected by name, on every probe."""
    run = Run().feed(spoiled({5000.0}, -127.0))
    assert reasons_at(run) == {5000.0: "lost_-127"}
    assert Run("ambient").feed([at(0.0, -127.0, probe="ambient")]).reasons() == {"lost_-127": 1}


@pytest.mark.parametrize(
    ("probe", "value", "reason"),
    [
        ("core", 115.25, "out_of_range"), ("core", 127.9375, "out_of_range"), ("core", -20.25, "out_of_range"),
        ("core", 1600.0, "out_of_range"), ("core", 114.0, None), ("core", -19.0, None),
        ("ambient", 61.0, "out_of_range"), ("ambient", 85.0, "power_on_85"), ("ambient", -35.0, None),
    ],
)  # fmt: skip
def test_ranges(probe: str, value: float, reason: str | None) -> None:
    """Paste lies in -20..115 °C, air in -40..60 °C; the ends belong to it."""
    run = Run(probe).feed([at(0.0, value, probe=probe)])
    assert run.reasons() == {reason: 1}
    limits = limits_for(probe)
    assert Run(probe).feed([at(0.0, limits.high_c, probe=probe)]).reasons() == {None: 1}


@pytest.mark.parametrize(
    ("state", "reason"),
    [("open", "open"), ("short-gnd", "short-gnd"), ("short-vcc", "short-vcc"), ("wet", "not_measured")],
)
def test_states(state: str, reason: str) -> None:
    """A probe's own word for why it cannot measure is the reason; unknown words count as not measured."""
    run = Run().feed(spoiled({5000.0}, state))
    assert reasons_at(run) == {5000.0: reason}


# -- storms, stuck values --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("every_s", [1.0, 10.0, 60.0])
@pytest.mark.parametrize("sd_k", [5.0, 15.0])
def test_a_storm_of_noise_is_rejected_while_it_lasts(every_s: float, sd_k: float) -> None:
    """While values scatter by several kelvin none is believed for long; before and after all are."""
    rng = random.Random(9)
    storm = range(3000, 6000)
    run = Run().feed(
        readings(
            lambda t: paste_c(t) + (rng.gauss(0.0, sd_k) if int(t) in storm else 0.0), every_s=every_s, to_s=2.5 * HOUR
        )
    )
    inside = [reason for reading, reason in run.verdicts.items() if int(reading.time_s) in storm]
    outside = [reason for reading, reason in run.verdicts.items() if not 3000 <= reading.time_s < 6000 + 2 * every_s]
    assert sum(reason is not None for reason in inside) > 0.85 * len(inside)
    assert set(outside) == {None}
    assert run.health.problem is None


def test_spikes_now_and_then_are_no_storm() -> None:
    """One value in fifty far off costs just those values."""
    rng = random.Random(3)
    bad = {10.0 * k for k in range(720) if rng.random() < 0.02}
    run = Run().feed(readings(lambda t: paste_c(t) + (rng.choice((-50.0, 40.0)) if t in bad else 0.0)))
    assert set(reasons_at(run)) == bad
    assert run.problems() == []


@pytest.mark.parametrize("every_s", INTERVALS)
def test_a_value_that_stands_still_while_it_should_move_is_stuck(every_s: float) -> None:
    """A probe that freezes during the rise: the readings of the standstill are taken back but the first."""
    run = Run().feed(readings(lambda t: paste_c(min(t, 900.0)), every_s=every_s, noise_k=0.0))
    rejected = reasons_at(run)
    assert set(rejected.values()) == {"stuck"}
    assert min(rejected) <= 900.0 + 2 * every_s
    assert run.health.problem == "stuck"
    assert run.health.since_s == pytest.approx(900.0, abs=150.0)


@pytest.mark.parametrize("every_s", INTERVALS)
def test_a_probe_whose_noise_vanishes_is_stuck(every_s: float) -> None:
    """A probe that never showed the same value twice running and now shows one for ten minutes and more is stuck."""
    good = readings(paste_c, every_s=every_s, noise_k=0.3, step_k=0.0625, to_s=30 * HOUR if every_s > 1 else 3 * HOUR)
    freeze_s = good[-1].time_s - 2 * HOUR
    frozen_c = [reading for reading in good if reading.time_s <= freeze_s][-1].temperature_c
    run = Run().feed(
        r if r.time_s <= freeze_s else Reading(r.bucket, r.probe, r.time_s, r.arrival_s, frozen_c) for r in good
    )
    assert run.health.problem == "stuck"
    assert run.health.since_s == pytest.approx(freeze_s, abs=every_s)


def test_a_quantised_probe_at_rest_is_not_stuck() -> None:
    """On day three a 0.25 °C sensor rightly shows the same value for hours."""
    run = Run().feed(
        readings(lambda t: 14.0 + 2.0 * math.exp(-t / (6 * HOUR)), to_s=48 * HOUR, every_s=60.0, noise_k=0.02)
    )
    assert set(run.reasons()) == {None}
    assert run.problems() == []


def test_a_probe_that_stands_still_while_the_others_move_is_stuck() -> None:
    """Without a slope of its own a frozen probe is found by the movement of the others."""
    frozen = readings(lambda t: 40.0, noise_k=0.0)
    run = Run().feed(frozen, moved=lambda since_s, now_s: abs(paste_c(now_s) - paste_c(since_s)))
    assert run.problems()[0][1:] == ("stuck", 0.0)
    assert Run().feed(frozen, moved=lambda since_s, now_s: 0.3).problems() == []


# -- order, duplicates -----------------------------------------------------------------------------------------------


def test_readings_up_to_a_minute_out_of_order_are_put_in_place() -> None:
    """Shuffled arrivals within a minute give the verdicts that the right order would give."""
    rng = random.Random(5)
    ordered = spoiled({3000.0, 5000.0}, 20.0)
    shuffled = [
        Reading(r.bucket, r.probe, r.time_s, r.time_s + rng.uniform(0.0, 59.0), r.temperature_c) for r in ordered
    ]
    assert set(reasons_at(Run().feed(shuffled))) == {3000.0, 5000.0}


def test_a_backlog_of_hours_joins_the_curve_and_is_screened() -> None:
    """Readings that come hours late are held against their neighbours in time; spikes among them are found."""
    bad = {6000.0, 7000.0}
    whole = readings(lambda t: 20.0 if t in bad else paste_c(t), to_s=6 * HOUR)
    arrived = [
        r if not 5000.0 <= r.time_s < 15000.0 else Reading(r.bucket, r.probe, r.time_s, 15100.0, r.temperature_c)
        for r in whole
    ]
    run = Run().feed(arrived)
    assert set(reasons_at(run)) == bad
    assert run.problems() == []


def test_a_backlog_before_everything_else_and_with_the_probe_pushed_in() -> None:
    """The whole beginning may come late: air, the step into the paste, and the batch."""

    def curve(t: float) -> float:
        return 12.0 if t < 1000.0 else paste_c(t)

    whole = readings(curve, to_s=2 * HOUR)
    arrived = [
        r if r.time_s >= 4000.0 else Reading(r.bucket, r.probe, r.time_s, 4500.0 + r.time_s / 1e4, r.temperature_c)
        for r in whole
    ]
    assert reasons_at(Run().feed(arrived)) == {}


def test_a_large_backlog_is_quick() -> None:
    """Twenty thousand late readings in one burst settle in a fraction of a second each thousand."""
    screen = ProbeScreen("core")
    screen.take(at(300000.0, 20.0))
    screen.settle(300060.0)
    late = readings(paste_c, to_s=200000.0)
    random.Random(1).shuffle(late)
    for reading in late:
        screen.take(reading)
    start = time.perf_counter()
    judged = screen.settle(300120.0)
    assert time.perf_counter() - start < 4.0
    assert len(judged) == len(late)
    assert all(j.reason is None for j in judged)


def test_duplicates_count_once_and_conflicts_keep_the_first() -> None:
    """The same time and value again gives no verdict; the same time with another value is a conflict."""
    for twin_arrival_s in (30.0, 4000.0):
        screen = ProbeScreen("core")
        base = [at(10.0 * k, 60.0 + 0.1 * k) for k in range(6)]
        for reading in base:
            screen.take(reading)
        first = screen.settle(60.0) if twin_arrival_s > 60.0 else []
        same = at(20.0, 60.2, arrival_s=twin_arrival_s)
        other = at(30.0, 44.0, arrival_s=twin_arrival_s)
        opened = at(40.0, None, "open", arrival_s=twin_arrival_s)
        for reading in (same, other, opened):
            screen.take(reading)
        verdicts = {j.reading: j.reason for j in first + screen.settle(4020.0)}
        assert same not in verdicts
        assert screen.duplicates == 1
        assert verdicts[other] == verdicts[opened] == "conflict"
        assert [verdicts[reading] for reading in base] == [None] * 6


def test_nothing_is_judged_from_what_comes_later() -> None:
    """Verdicts given up to a tick are the same whether or not more readings follow (no foresight)."""
    rng = random.Random(11)
    whole = readings(
        lambda t: paste_c(t) + (rng.choice((0.0, -40.0, 30.0)) if rng.random() < 0.1 else 0.0), to_s=1800.0
    )
    full = Run().feed(whole).given
    for cut in (13, 60, 101, 150):
        part = Run().feed(whole[:cut])
        # The last tick of a cut run sees fewer readings than in the whole one, so only what came before it counts.
        last_tick = part.healths[-1][0]
        done = Run().feed([r for r in whole[:cut] if r.arrival_s < last_tick - 60.0]).given
        assert full[: len(done)] == done


def test_every_reason_is_a_known_word() -> None:
    """The list of reasons is closed: it is what the journal, the page and judgement know."""
    assert REASONS == (
        "", "open", "short-gnd", "short-vcc", "not_measured", "out_of_range", "rate", "spike", "power_on_85",
        "lost_-127", "stuck", "noise", "clock",
    )  # fmt: skip


def test_settling_is_cheap() -> None:
    """At 10 s a tick with health costs well below 0.3 ms a probe (wide bound, shared machines)."""
    screen = ProbeScreen("core")
    costs = []
    flow = readings(paste_c, to_s=4 * HOUR)
    for tick in range(60, int(4 * HOUR) + 1, 60):
        for reading in flow[(tick - 60) // 10 : tick // 10]:
            screen.take(reading)
        start = time.perf_counter()
        screen.settle(float(tick))
        screen.health(float(tick))
        costs.append(time.perf_counter() - start)
    assert sorted(costs)[len(costs) // 2] < 0.6e-3
