"""A worker that ended is started again, one that hangs has the watch begin anew, and what only waits is left alone."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Any

import pytest

from monitor.supervising import CHECK_EVERY_S, HUNG_AFTER_S, LONGEST_WAIT_S, OFTEN, Supervisor, Work


class Shop:
    """A supervisor whose clock the test moves, and what it did."""

    def __init__(self) -> None:
        self.now = 100.0
        self.trouble: dict[str, str] = {}
        self.gave_up: list[list[str]] = []
        self.fed = 0
        self.said: list[str] = []
        self.supervisor = Supervisor(
            self.trouble, lambda parts: self.gave_up.append(list(parts)), alive=self._feed, say=self.said.append,
            monotonic=lambda: self.now,
        )  # fmt: skip

    def _feed(self) -> None:
        self.fed += 1

    def looks(self, seconds: float) -> None:
        """Let time pass, with a look as often as the supervisor takes one."""
        until = self.now + seconds
        while self.now < until:
            self.now += CHECK_EVERY_S
            self.supervisor.look()


@pytest.fixture
def shop() -> Any:
    one = Shop()
    yield one
    one.supervisor.stop()


class Ending:
    """A worker that ends as often as it is told to, then goes on."""

    def __init__(self, times: int) -> None:
        self.left, self.starts = times, 0
        self.up = threading.Event()

    def __call__(self, stop: threading.Event) -> None:
        self.starts += 1
        self.up.set()
        if self.left > 0:
            self.left -= 1
            raise RuntimeError("a cable bitten through")
        stop.wait()


def ended(shop: Shop) -> None:
    for worker in shop.supervisor._workers:
        if worker.thread is not None:
            worker.thread.join(5.0)


def settle(until: Callable[[], bool]) -> None:
    give_up = time.monotonic() + 10.0
    while not until():
        assert time.monotonic() < give_up, "it did not come"
        time.sleep(0.005)


def test_a_worker_that_ended_is_started_again(shop: Shop) -> None:
    worker = Ending(1)
    shop.supervisor.add(Work("shed node", worker))
    ended(shop)
    shop.looks(3 * CHECK_EVERY_S)
    settle(lambda: worker.starts == 2)
    assert "bitten through" in shop.said[0] and "shed node" in shop.said[0]
    shop.looks(60.0)
    assert worker.starts == 2 and not shop.trouble and not shop.gave_up
    assert shop.fed > 0


def test_one_that_ends_again_and_again_is_told_and_started_ever_more_slowly(shop: Shop) -> None:
    worker = Ending(1000)
    shop.supervisor.add(Work("shed node", worker))
    for _ in range(2000):
        ended(shop)
        shop.looks(CHECK_EVERY_S)
        if worker.starts > 8:
            break
    assert "bitten through" in shop.trouble["worker shed node"]
    began, starts = shop.now, worker.starts
    while worker.starts < starts + 5:
        ended(shop)
        shop.looks(CHECK_EVERY_S)
    # The pauses have grown to the longest one, and no further.
    assert 4 * LONGEST_WAIT_S <= shop.now - began <= 6 * (LONGEST_WAIT_S + CHECK_EVERY_S)
    worker.left = 0
    ended(shop)
    shop.looks(2 * LONGEST_WAIT_S)
    assert "worker shed node" in shop.trouble, "three ends within the hour are not forgotten by one good minute"
    shop.looks(3700.0)
    assert not shop.trouble


def test_fewer_ends_than_that_are_not_told(shop: Shop) -> None:
    worker = Ending(OFTEN - 1)
    shop.supervisor.add(Work("shed node", worker))
    while worker.starts < OFTEN:
        ended(shop) if worker.left else None
        shop.looks(CHECK_EVERY_S)
        time.sleep(0.001)
    shop.looks(60.0)
    assert not shop.trouble


def test_an_end_as_it_should_be_is_left_alone(shop: Shop) -> None:
    worker = Ending(1000)
    shop.supervisor.add(Work("recording", worker, over=lambda: True))
    ended(shop)
    shop.looks(300.0)
    assert worker.starts == 1 and not shop.trouble and not shop.said


def test_a_worker_that_hangs_is_given_up_within_a_minute_and_feeds_nothing(shop: Shop) -> None:
    turned = [shop.now]
    shop.supervisor.add(Work("page", Ending(0), lambda: shop.now - turned[0]))
    shop.supervisor.add(Work("judging", None, lambda: 0.0))
    for _ in range(50):  # an hour of good turns
        turned[0] = shop.now
        shop.looks(CHECK_EVERY_S)
    assert not shop.gave_up
    hangs_from, fed = shop.now, shop.fed
    while not shop.gave_up:
        shop.looks(CHECK_EVERY_S)
    assert shop.gave_up == [["page"]]
    assert shop.now - hangs_from <= 60.0
    fed_before = shop.fed
    shop.looks(CHECK_EVERY_S)
    assert shop.fed == fed_before > fed, "fed while it was not yet clear, and not afterwards"


def test_the_judging_itself_is_looked_after(shop: Shop) -> None:
    shop.supervisor.add(Work("judging", None, lambda: shop.now - 100.0))
    shop.looks(HUNG_AFTER_S + 2 * CHECK_EVERY_S)
    assert ["judging"] in shop.gave_up


def test_a_worker_is_given_time_from_its_start(shop: Shop) -> None:
    """What it last showed before it was started anew is not held against it."""
    worker = Ending(1)
    shop.supervisor.add(Work("shed node", worker, lambda: 1000.0))
    ended(shop)
    shop.looks(3 * CHECK_EVERY_S)
    settle(lambda: worker.starts == 2)
    shop.looks(HUNG_AFTER_S - 4 * CHECK_EVERY_S)
    assert not shop.gave_up


def test_after_the_computer_slept_nobody_is_called_hung_at_once(shop: Shop) -> None:
    turned = [shop.now]
    shop.supervisor.add(Work("page", Ending(0), lambda: shop.now - turned[0]))
    shop.looks(20.0)
    shop.now += 8 * 3600.0  # nobody turned round in the meantime
    shop.supervisor.look()
    assert not shop.gave_up
    shop.looks(HUNG_AFTER_S - CHECK_EVERY_S)
    assert not shop.gave_up
    shop.looks(3 * CHECK_EVERY_S)
    assert shop.gave_up, "it has had its time and still hangs"


def test_the_supervisor_is_looked_after_too(shop: Shop) -> None:
    assert not shop.supervisor.looks, "it has no thread yet"
    shop.supervisor.watch_over()
    assert shop.supervisor.looks
    shop.now += HUNG_AFTER_S + 1.0
    assert not shop.supervisor.looks


def test_all_end_when_told_to(shop: Shop) -> None:
    worker = Ending(0)
    shop.supervisor.add(Work("shed node", worker))
    settle(worker.up.is_set)
    shop.supervisor.stop()
    shop.supervisor.join(5.0)
    assert not any(one.thread is not None and one.thread.is_alive() for one in shop.supervisor._workers)
    shop.looks(120.0)
    assert worker.starts == 1
