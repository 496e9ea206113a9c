"""The arrival clock: it goes on over restarts, follows no hand that sets the wall clock, and is set right only once."""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from typing import Any

import pytest

from monitor.clock import CLOCK_IS_SET_S, PLAUSIBLE, SYNCHRONIZED, ArrivalClock, Kept, is_synchronized, since_boot_s
from monitor.clock import this_boot as boot_of_system

NOON_S = 1_773_480_000.0
DAY_S = 86400.0


@dataclass
class Computer:
    """A computer: true time passes; the wall clock may stand wrong; the clock since the boot cannot be set."""

    true_s: float = NOON_S
    wrong_s: float = 0.0
    booted_s: float = NOON_S - 100.0
    boot: str = "first"
    synchronized: bool = True
    kept: Kept | None = field(default=None)

    def clock(self, not_before_s: float = 0.0) -> ArrivalClock:
        """A watch starts."""
        return ArrivalClock(
            not_before_s, wall=lambda: self.true_s + self.wrong_s, monotonic=lambda: self.true_s - self.booted_s,
            kept=self.kept, boot=self.boot, synchronized=lambda: self.synchronized,
        )  # fmt: skip

    def power_cut(self, seconds: float, *, wrong_s: float) -> None:
        """Off for so long; then a new start, with the clock wrong and nobody to say so."""
        self.true_s += seconds
        self.booted_s, self.boot, self.wrong_s, self.synchronized = self.true_s, self.boot + "+", wrong_s, False


def test_a_right_clock_is_wall_time_and_waits_for_nothing() -> None:
    computer = Computer()
    clock = computer.clock()
    assert (clock.now(), clock.waits) == (NOON_S, "")
    computer.true_s += 10.0
    assert clock.now() == NOON_S + 10.0 and clock.correction_s() == 0.0


@pytest.mark.parametrize("jump_s", [30 * DAY_S, -30 * DAY_S, 3600.0, -3600.0, -1.0, 90.0])
def test_a_wall_clock_that_is_set_by_hand_is_not_followed(jump_s: float) -> None:
    computer = Computer()
    clock = computer.clock()
    computer.true_s += 10.0
    computer.wrong_s = jump_s
    assert clock.now() == NOON_S + 10.0 and clock.correction_s() == 0.0
    assert clock.wall_ahead_s() == (jump_s if abs(jump_s) > 2 else 0.0)


@pytest.mark.parametrize("jump_s", [30 * DAY_S, -30 * DAY_S, -40 * 365 * DAY_S])
def test_the_next_watch_goes_on_whatever_the_wall_clock_says(jump_s: float) -> None:
    """The clock since the boot has measured the time in between; the wall clock is not asked."""
    computer = Computer()
    computer.kept = computer.clock().kept()
    computer.true_s += 300.0
    computer.wrong_s = jump_s
    clock = computer.clock(not_before_s=NOON_S + 100.0)
    assert clock.now() == NOON_S + 300.0
    assert (clock.behind_s, clock.waits, clock.from_s) == (0.0, "", NOON_S)


def test_after_a_start_of_the_computer_the_wall_clock_counts_again() -> None:
    computer = Computer()
    computer.kept = computer.clock().kept()
    computer.power_cut(3600.0, wrong_s=0.0)
    assert computer.clock(NOON_S).now() == NOON_S + 3600.0


def test_without_an_id_of_the_start_the_wall_clock_counts() -> None:
    computer = Computer(boot="")
    computer.kept = computer.clock().kept()
    computer.true_s += 300.0
    computer.wrong_s = 60.0
    assert computer.clock().now() == NOON_S + 360.0


@pytest.mark.parametrize("wrong_s", [-7200.0, -NOON_S], ids=["two hours behind", "1970"])
def test_a_start_in_the_past_is_set_right_once_the_time_is_known(wrong_s: float) -> None:
    computer = Computer()
    computer.clock()
    last_s = NOON_S
    computer.power_cut(1800.0, wrong_s=wrong_s)
    clock = computer.clock(last_s)
    assert (clock.now(), clock.waits) == (last_s + 0.001, PLAUSIBLE), "never before what the journal holds"
    assert clock.behind_s == pytest.approx(-wrong_s - 1800.0)
    computer.true_s += 240.0
    assert clock.correction_s() == 0.0
    computer.wrong_s = 0.0
    assert clock.correction_s() == 1799.999
    clock.set_right(1799.999)
    assert clock.now() == computer.true_s and clock.from_s == last_s + 1800.0
    assert clock.correction_s() == 0.0 and clock.waits == "" and clock.step_s() == 0.0
    computer.wrong_s = 5 * DAY_S
    assert clock.correction_s() == 0.0, "once only"


def test_a_fresh_computer_in_1970_and_an_empty_journal() -> None:
    computer = Computer(wrong_s=-NOON_S, synchronized=False)
    clock = computer.clock()
    assert clock.now() == 0.001 and clock.waits == PLAUSIBLE
    computer.true_s += 60.0
    computer.wrong_s = CLOCK_IS_SET_S - NOON_S - 3600.0  # another time that cannot be
    assert clock.correction_s() == 0.0
    computer.wrong_s = 0.0
    assert clock.correction_s() == pytest.approx(NOON_S, abs=0.01)


def test_a_clock_that_only_seems_right_is_moved_when_the_system_has_the_time() -> None:
    """It begins with the time of the last orderly stop: later than the journal, hours behind the truth."""
    computer = Computer()
    computer.power_cut(8 * 3600.0, wrong_s=-7 * 3600.0)
    clock = computer.clock(NOON_S)
    assert (clock.now(), clock.waits) == (NOON_S + 3600.0, SYNCHRONIZED)
    computer.true_s += 120.0
    computer.wrong_s = 0.0  # set by hand: nobody vouches for it
    assert clock.correction_s() == 0.0
    computer.synchronized = True
    assert clock.correction_s() == 7 * 3600.0


def test_a_clock_found_to_be_right_is_not_moved_later() -> None:
    computer = Computer(synchronized=False)
    clock = computer.clock()
    assert clock.waits == SYNCHRONIZED
    computer.synchronized = True
    assert clock.correction_s() == 0.0 and clock.waits == ""
    computer.wrong_s = 30 * DAY_S
    assert clock.correction_s() == 0.0


def test_it_never_goes_back() -> None:
    """It stood ahead: what was stamped cannot be taken before what came earlier, so it stays ahead."""
    computer = Computer(wrong_s=3600.0, synchronized=False)
    clock = computer.clock()
    computer.wrong_s, computer.synchronized = 0.0, True
    assert clock.correction_s() == 0.0 and clock.now() == NOON_S + 3600.0


def test_one_that_stood_ahead_is_known_to_be_once_the_system_has_the_time() -> None:
    """Also to the next watch of the same start; and no more once the wall clock stands where this one does."""
    computer = Computer(wrong_s=7200.0, synchronized=False)
    clock = computer.clock()
    computer.wrong_s = 0.0  # set by hand: nobody vouches for it
    assert clock.correction_s() == 0.0 and clock.fast_s() == 0.0
    computer.synchronized = True
    assert clock.correction_s() == 0.0 and clock.fast_s() == pytest.approx(7200.0)
    computer.kept = clock.kept()
    computer.true_s += 3600.0
    assert clock.fast_s() == computer.clock().fast_s() == pytest.approx(7200.0)
    computer.wrong_s = 7200.0
    assert clock.fast_s() == 0.0


@pytest.mark.parametrize("wrong_s", [0.0, 59.0, -7200.0])
def test_one_that_was_right_or_behind_is_not_ahead(wrong_s: float) -> None:
    computer = Computer(wrong_s=wrong_s, synchronized=False)
    clock = computer.clock()
    computer.wrong_s, computer.synchronized = 0.0, True
    clock.set_right(clock.correction_s())
    assert clock.fast_s() == 0.0
    computer.wrong_s = -3600.0  # set by hand since: that is not followed, nor taken for the time
    assert clock.correction_s() == 0.0 and clock.fast_s() == 0.0


def test_the_next_watch_of_the_same_start_still_waits_for_the_time() -> None:
    computer = Computer()
    computer.power_cut(1800.0, wrong_s=-7200.0)
    computer.kept = computer.clock(NOON_S).kept()
    computer.true_s += 600.0
    clock = computer.clock(NOON_S + 590.0)
    assert (clock.now(), clock.waits, clock.from_s) == (NOON_S + 600.001, PLAUSIBLE, NOON_S + 0.001)
    computer.wrong_s = 0.0
    assert clock.correction_s() == 1799.999


@pytest.mark.parametrize("value", [None, 3, [], {}, {"boot": 1, "ahead_s": 1, "from_s": 1, "waits": ""}, {"boot": "x"}])
def test_what_is_no_leaving_of_ours_is_passed_over(value: Any) -> None:
    assert Kept.read(value) is None


def test_what_is_kept_comes_back_the_same() -> None:
    kept = Kept("boot", 1.5, NOON_S, PLAUSIBLE)
    assert Kept.read(kept.as_dict()) == kept


def test_the_system_answers() -> None:
    """Linux has all three (proc(5), clock_gettime(2), adjtimex(2)); none of them may raise."""
    assert len(boot_of_system()) == 36
    before = since_boot_s()
    time.sleep(0.01)
    assert 0.005 < since_boot_s() - before < 5.0
    assert is_synchronized() in (True, False)
