"""What is wrong with a probe, and since when."""

from __future__ import annotations

import math
import random

import pytest

from monitor.sensing.screening import ProbeHealth, ProbeScreen
from tests.sensing.curves import HOUR, Run, paste_c, readings

INTERVALS = [1.0, 10.0, 60.0, 120.0]


def faulty(word: float | str, from_s: float = 3000.0, to_s: float = 5000.0, every_s: float = 10.0) -> Run:
    return Run().feed(readings(lambda t: word if from_s <= t < to_s else paste_c(t), every_s=every_s))


def test_no_readings_no_problem() -> None:
    """Silence is judged elsewhere; a screen that has seen nothing says nothing."""
    assert ProbeScreen("core").health(0.0) == ProbeHealth()


@pytest.mark.parametrize("every_s", INTERVALS)
@pytest.mark.parametrize(
    ("word", "problem"),
    [
        ("open", "open"),
        ("wet", "open"),
        ("short-gnd", "short"),
        ("short-vcc", "short"),
        (-127.0, "lost"),
        (130.0, "out_of_range"),
    ],
)
def test_a_standing_fault_is_named_with_its_beginning_and_goes_when_it_goes(
    every_s: float, word: float | str, problem: str
) -> None:
    """Found within five readings or five minutes, dated back to the first bad reading, gone soon after the last."""
    run = faulty(word, every_s=every_s)
    (found_s, name, since_s), (gone_s, after, _) = run.problems()
    assert (name, after) == (problem, "none")
    assert since_s == 3000.0
    assert found_s <= 3000.0 + max(300.0, 5 * every_s)
    assert gone_s <= 5000.0 + max(300.0, 5 * every_s)


def test_a_single_bad_reading_is_no_problem() -> None:
    """One spike, one stray 85.0, one open reading: health says nothing."""
    for word in ("open", 85.0, -127.0, 20.0):
        assert faulty(word, to_s=3010.0).problems() == []


@pytest.mark.parametrize("every_s", [1.0, 10.0])
def test_an_intermittent_contact(every_s: float) -> None:
    """Open in seven readings of ten is a fault without chatter; in two of ten it is not, for the rest is enough."""
    rng = random.Random(7)
    mostly = Run().feed(
        readings(lambda t: "open" if t > 3000.0 and rng.random() < 0.7 else paste_c(t), every_s=every_s)
    )
    assert [name for _, name, _ in mostly.problems()] == ["open"]
    seldom = Run().feed(
        readings(lambda t: "open" if t > 3000.0 and rng.random() < 0.2 else paste_c(t), every_s=every_s)
    )
    assert seldom.problems() == []
    assert 0.05 < seldom.health.bad_share < 0.4


def test_a_fault_that_changes_its_face_has_lasted_since_the_first() -> None:
    """Open, then out of range, then open again is one fault with one beginning."""

    def curve(t: float) -> float | str:
        if t < 3000.0:
            return paste_c(t)
        return "open" if (t // 600.0) % 2 else 130.0

    run = Run().feed(readings(curve))
    assert {name for _, name, _ in run.problems()} == {"open", "out_of_range"}
    assert run.health.since_s == 3000.0


@pytest.mark.parametrize("every_s", INTERVALS)
def test_a_storm_of_noise(every_s: float) -> None:
    """Scatter of several kelvin for minutes is "noisy", with its size."""
    rng = random.Random(2)
    run = Run().feed(readings(lambda t: paste_c(t) + (rng.gauss(0.0, 8.0) if t >= 3000.0 else 0.0), every_s=every_s))
    assert run.health.problem == "noisy"
    assert run.health.since_s is not None
    assert 3000.0 <= run.health.since_s <= 3000.0 + 5 * every_s
    assert 1.5 < run.health.noise_k < 16.0


def test_ordinary_noise_is_measured_and_no_problem() -> None:
    """Swings of a missing capacitor's worth (sd 1 K) are believed; health tells their size."""
    run = Run().feed(readings(paste_c, noise_k=1.0))
    assert run.problems() == []
    assert 0.5 < run.health.noise_k < 1.6


def falling(every_s: float, to_c: float = 12.0, back_s: float = math.inf, quick_s: float = 60.0) -> list:
    """A probe that leaves the paste at 3000 s for air at ``to_c`` and perhaps goes back in."""

    def curve(t: float) -> float:
        inside = paste_c(t)
        if t < 3000.0:
            return inside
        if t < back_s:
            return to_c + (inside - to_c) * math.exp(-(t - 3000.0) / quick_s)
        return to_c + (inside - to_c) * (1.0 - math.exp(-(t - back_s) / 20.0))

    return readings(curve, every_s=every_s, to_s=3 * HOUR)


@pytest.mark.parametrize("every_s", INTERVALS)
@pytest.mark.parametrize("ambient_c", [None, 12.0])
def test_a_probe_out_of_the_paste(every_s: float, ambient_c: float | None) -> None:
    """Fallen to the air within minutes: named, dated near the fall, sudden as it was hot, until it goes back in."""
    run = Run().feed(falling(every_s), ambient_c=ambient_c)
    assert run.health.problem == "out_of_paste"
    assert run.health.since_s == pytest.approx(3000.0, abs=1.5 * max(every_s, 10.0))
    assert run.health.suddenly
    assert run.health.fell_from_c == pytest.approx(paste_c(3000.0), abs=2.0)
    assert run.problems()[0][0] <= 3000.0 + max(240.0, 5 * every_s)
    back = Run().feed(falling(every_s, back_s=5400.0), ambient_c=ambient_c)
    assert [name for _, name, _ in back.problems()] == ["out_of_paste", "none"]


def test_a_probe_out_of_cooler_paste_is_seen_with_the_air_beside_it() -> None:
    """A fall of 9 K down to the air's own temperature needs the ambient probe to be told."""
    readings_ = readings(lambda t: 23.0 if t < 3000.0 else 14.0 + 9.0 * math.exp(-(t - 3000.0) / 60.0))
    assert Run().feed(readings_).problems() == []
    (_, name, _), *more = Run().feed(readings_, ambient_c=14.0).problems()
    assert (name, more) == ("out_of_paste", [])


@pytest.mark.parametrize("drop_k", [4.0, 8.0])
def test_a_reblend_that_mixes_in_cooler_paste_is_no_fall_out(drop_k: float) -> None:
    """The core may lose some kelvin to the walls within a minute."""
    run = Run().feed(readings(lambda t: paste_c(t) - (drop_k if t > 3000.0 else 0.0)), ambient_c=12.0)
    assert run.problems() == []


def test_a_bare_bucket_in_the_frost_cools_quickly_and_is_no_fall_out() -> None:
    """From 90 °C in air of -10 °C with a time constant of 2 h the core loses 8 K in ten minutes: still paste."""
    run = Run().feed(readings(lambda t: -10.0 + 100.0 * math.exp(-t / (2 * HOUR)), to_s=6 * HOUR), ambient_c=-10.0)
    assert run.problems() == []


def test_an_ambient_probe_may_fall() -> None:
    """The door opens in winter: air may fall by 15 K in minutes, and it cannot come out of the paste."""
    curve = readings(lambda t: 18.0 if t < 3000.0 else 2.0 + 16.0 * math.exp(-(t - 3000.0) / 120.0), probe="ambient")
    assert Run("ambient").feed(curve).problems() == []


@pytest.mark.parametrize("every_s", INTERVALS)
def test_reversed_wires(every_s: float) -> None:
    """Swapped polarity falls as far below the node's own temperature as the paste is above it."""
    run = Run().feed(readings(lambda t: 12.0 if t < 600.0 else 2 * 12.0 - paste_c(t), every_s=every_s), ambient_c=12.0)
    assert run.health.problem == "reversed"
    assert run.health.since_s == pytest.approx(600.0, abs=2 * every_s)


def test_a_frosty_shed_before_the_pour_is_not_reversed() -> None:
    """A paste probe in air of -8 °C, beside an ambient probe that hangs in a warmer corner, is just cold."""
    run = Run().feed(readings(lambda t: -4.0, to_s=1800.0), ambient_c=6.0)
    assert run.problems() == []


def test_a_hot_probe_suddenly_lost_is_told_from_a_cold_one() -> None:
    """``suddenly`` asks whether the probe was believed and above 60 °C just before: a boil-over may have taken it."""
    assert faulty("open", to_s=9000.0).health.suddenly
    cold = Run().feed(readings(lambda t: "open" if t > 3000.0 else 30.0))
    assert cold.health.problem == "open"
    assert not cold.health.suddenly


def test_after_the_grower_has_been_there_the_past_is_not_held_against_the_probe() -> None:
    """Water added for dilution cools the paste by 30 K in minutes; once it is noted, the new level is right."""
    run = Run().feed(readings(lambda t: paste_c(t) - (30.0 if t > 3000.0 else 0.0), to_s=4200.0))
    assert run.health.problem == "out_of_paste"
    run.screen.begin_anew(4200.0)
    run.feed(readings(lambda t: paste_c(t) - 30.0, from_s=4200.0, to_s=6000.0))
    assert run.health.problem is None


def test_a_probe_that_slipped_half_out_is_out_of_the_paste() -> None:
    """Half way between paste and air within minutes: no bucket loses a third of what it stood over the air in that."""

    def curve(t: float) -> float:
        return paste_c(t) - 0.45 * (paste_c(t) - 12.0) * (1.0 - math.exp(-max(0.0, t - 9000.0) / 90.0))

    half = readings(curve, to_s=3 * HOUR)
    assert Run().feed(half, ambient_c=12.0).health.problem == "out_of_paste"


def late_c(t: float) -> float:
    """A small bare batch on its way to air of 12 °C: 5 K over it after four hours and a half."""
    return 12.0 + 48.0 * math.exp(-t / (2 * HOUR))


def test_a_probe_that_falls_out_late_is_told_by_the_air() -> None:
    """Only 5 K over the air by then: down to it within minutes is out, and the air's own rise does not put it back."""

    def curve(t: float) -> float:
        if t < 16200.0:
            return late_c(t)
        return 12.0 + 5.0 * math.exp(-(t - 16200.0) / 90.0) + (1.5 if t > 21000.0 else 0.0)

    run = Run().feed(readings(curve, to_s=7 * HOUR, every_s=20.0), ambient_c=12.0)
    assert run.health.problem == "out_of_paste"
    assert run.health.since_s == pytest.approx(16200.0, abs=90.0)


def test_noise_that_makes_a_cool_paste_wobble_is_no_fall() -> None:
    """A noisy probe (sd 1 K) in paste near the air does not fall out of it with every wobble."""
    run = Run().feed(readings(late_c, noise_k=1.0, to_s=8 * HOUR, every_s=20.0), ambient_c=12.0)
    assert run.problems() == []


@pytest.mark.parametrize("by_k", [8.0, 15.0])
def test_a_jump_up_that_no_batch_makes(by_k: float) -> None:
    """The cold junction's error steps up: told while it lasts, gone when it goes."""
    run = Run().feed(
        readings(lambda t: paste_c(t) + (by_k if 9000.0 <= t < 12000.0 else 0.0), to_s=5 * HOUR, every_s=30.0),
        ambient_c=12.0,
    )
    assert [name for _, name, _ in run.problems()] == ["rate", "none"]


def test_a_jump_up_is_not_undone_by_a_batch_that_cools_to_where_it_was() -> None:
    """The offset is still there when the value has come down by itself; a probe that goes back at once is sound."""

    def stepped(t: float) -> float:
        return paste_c(t) + (12.0 if 3000.0 <= t < 10_000.0 else 0.0)

    run = Run().feed(readings(stepped, to_s=11_000.0), ambient_c=12.0)
    (_, name, _), (gone_s, after, _) = run.problems()
    assert paste_c(9_900.0) + 12.0 < paste_c(3000.0) + 4.0, "it must have cooled to where it jumped from"
    assert (name, after) == ("rate", "none") and 10_000.0 <= gone_s <= 10_200.0


def test_what_glides_down_from_where_no_paste_can_be_is_not_believed_on_its_way() -> None:
    """A node in Fahrenheit shows 170 and, hours later, 110: neither is the paste, until somebody has been there."""
    run = Run().feed(readings(lambda t: paste_c(t, 8.0) * 1.8 + 32.0, from_s=120.0, to_s=7 * HOUR), ambient_c=8.0)
    assert min(r.temperature_c for r in run.verdicts if r.temperature_c is not None) < 105.0
    assert set(run.verdicts.values()) == {"out_of_range"}
    assert run.health.problem == "out_of_range"
    run.screen.begin_anew(7 * HOUR)
    run.feed(readings(lambda t: paste_c(t, 8.0), from_s=7 * HOUR, to_s=7.5 * HOUR), ambient_c=8.0)
    assert run.health.problem is None


@pytest.mark.parametrize("every_s", [10.0, 60.0])
def test_an_amplifier_that_stood_at_its_end_is_believed_when_its_contact_is_back(every_s: float) -> None:
    """It comes back at once, perhaps through a filter of some seconds, and not by gliding."""

    def broken(t: float) -> float:
        if t < 3000.0:
            return paste_c(t)
        return 1372.0 if t < 5000.0 else paste_c(t) + 1290.0 * math.exp(-(t - 5000.0) / 3.0)

    run = Run().feed(readings(broken, every_s=every_s))
    assert [name for _, name, _ in run.problems()] == ["out_of_range", "none"]
    late = [reason for reading, reason in run.verdicts.items() if reading.time_s > 5100.0]
    assert set(late) == {None}


def test_a_probe_that_stops_at_once_is_doubted_and_then_stuck() -> None:
    """Minutes after it was pushed in no slope is known yet; a batch slows down by degrees, and its probe with it."""

    def stuck_soon(t: float) -> float:
        return 12.0 + t / 1800.0 if t < 0.0 else paste_c(min(t, 300.0))

    run = Run().feed(readings(stuck_soon, from_s=-900.0, to_s=1200.0, every_s=30.0, noise_k=0.0, step_k=0.0625))
    doubted = [tick for tick, health in run.healths if health.doubted]
    assert doubted and 360.0 <= doubted[0] <= 480.0
    assert run.problems()[0][:2] == (660.0, "stuck")


def test_a_batch_that_comes_to_rest_by_degrees_is_not_doubted() -> None:
    """At its peak a core rests, to the last bit of a coarse sensor."""
    run = Run().feed(
        readings(lambda t: 88.0 - 30.0 * math.exp(-t / 400.0), to_s=4800.0, every_s=30.0, noise_k=0.0, step_k=0.25)
    )
    assert run.problems() == [] and not any(health.doubted for _, health in run.healths)


def test_a_loose_contact_that_is_open_a_third_of_the_time() -> None:
    """Open for one reading in three, all the time, is a fault; one outage of seven minutes ends when it ends."""
    rng = random.Random(11)
    loose = Run().feed(readings(lambda t: "open" if t > 3000.0 and rng.random() < 0.42 else paste_c(t)))
    assert loose.health.problem == "open"
    once = faulty("open", to_s=3420.0)
    assert once.problems()[-1][1] == "none"
    assert once.problems()[-1][0] <= 3420.0 + 300.0


def test_a_slow_probe_pushed_in_is_no_storm() -> None:
    """A slow probe read every two minutes bends towards the paste; it does not turn about, and so is no storm."""
    curve = readings(lambda t: 19.0 if t < 900.0 else 85.0 - 60.0 * math.exp(-(t - 900.0) / 200.0), every_s=120.0)
    assert "noisy" not in {name for _, name, _ in Run().feed(curve).problems()}


def test_paste_that_boils_is_not_stuck() -> None:
    """Boiling holds the temperature to a tenth of a kelvin for an hour and more."""
    curve = readings(lambda t: min(101.8, 60.0 + t / 40.0), noise_k=0.03, step_k=0.0078125, to_s=3 * HOUR, every_s=30.0)
    assert Run().feed(curve, ambient_c=18.0).problems() == []


def test_a_value_that_dithers_for_hours_above_the_air_is_stuck() -> None:
    """Frozen with its last bits alive: no bucket 50 K over the air stays within 0.4 K for four hours."""
    rng = random.Random(4)
    dither = readings(
        lambda t: paste_c(t) if t < 3000.0 else paste_c(3000.0) + rng.choice((-0.06, 0.0, 0.06)),
        to_s=6 * HOUR, noise_k=0.0, step_k=0.0, every_s=30.0,
    )  # fmt: skip
    run = Run().feed(dither, ambient_c=12.0)
    assert run.health.problem == "stuck"


def test_a_quiet_probe_next_to_a_step_is_not_stuck_when_it_stops_flickering() -> None:
    """Noise far below the sensor's step flickers while the value lies between two steps, and rests when it does not."""
    wall = readings(lambda t: 8.0 + 3.0 * math.exp(-t / (5 * HOUR)), noise_k=0.04, to_s=30 * HOUR, every_s=20.0)
    assert Run().feed(wall, ambient_c=7.0).problems() == []


def test_when_a_probe_went_into_paste_hardly_warmer_than_the_air() -> None:
    """A rise of some kelvin within minutes that stays is remembered; a wave of warm breath is not."""
    pushed = Run().feed(readings(lambda t: 16.0 if t < 1200.0 else 23.0, every_s=30.0, to_s=2400.0), ambient_c=16.0)
    assert pushed.screen.rose_s is not None
    assert pushed.screen.rose_s > 1200.0
    breath = Run().feed(readings(lambda t: 22.0 if 1200.0 <= t < 1260.0 else 16.0, every_s=30.0, to_s=2400.0))
    assert breath.screen.rose_s is None
