"""A call that may hang is made beside its worker: waited for, never doubled, and undone where nobody wants it."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from monitor import errand
from monitor.errand import Errand
from monitor.words import ENGLISH, speaking, voice
from tests.sources.conftest import wait_until

NAME = "a slow errand"


class Slow:
    """A call that comes back when the test lets it."""

    def __init__(self) -> None:
        self.let, self.began = threading.Event(), 0
        self.undone: list[str] = []
        self.saw_unwanted = False

    def __call__(self, unwanted: Callable[[], bool]) -> str:
        self.began += 1
        self.let.wait(30.0)
        self.saw_unwanted = unwanted()
        return f"brought {self.began}"


def threads() -> int:
    return sum(one.name == NAME for one in threading.enumerate())


@pytest.fixture
def slow(monkeypatch: pytest.MonkeyPatch) -> Iterator[Slow]:
    monkeypatch.setattr(errand, "STEP_S", 0.02)
    one = Slow()
    yield one
    one.let.set()
    wait_until(lambda: not threads(), what="the threads to end")


def in_thread(body: Callable[[], Any]) -> tuple[threading.Thread, list[Any]]:
    came: list[Any] = []

    def run() -> None:
        try:
            came.append(body())
        except Exception as error:
            came.append(error)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    return thread, came


def test_it_is_waited_for_while_the_worker_turns_round(slow: Slow) -> None:
    """However long it takes, what it brings is taken."""
    waited: list[float] = []
    _, came = in_thread(lambda: Errand(NAME).do(slow, threading.Event(), waited.append, slow.undone.append))
    wait_until(lambda: len(waited) > 5, what="turns")
    assert waited == sorted(waited) and not came
    slow.let.set()
    wait_until(lambda: came, what="the call to be back")
    assert came == ["brought 1"] and not slow.undone and not slow.saw_unwanted


def test_a_stop_is_not_kept_waiting_and_what_comes_too_late_is_undone(slow: Slow) -> None:
    """The thread that hangs learns that nobody waits."""
    stop = threading.Event()
    thread, came = in_thread(lambda: Errand(NAME).do(slow, stop, lambda waited_s: None, slow.undone.append))
    wait_until(lambda: slow.began, what="the call to begin")
    began = time.monotonic()
    stop.set()
    thread.join(5.0)
    assert came == [None] and time.monotonic() - began < 4.0 and threads() == 1
    slow.let.set()
    wait_until(lambda: slow.undone, what="what came too late to be undone")
    assert slow.undone == ["brought 1"] and slow.saw_unwanted


def test_one_that_hangs_is_never_doubled(slow: Slow) -> None:
    """However often the worker begins anew: the next call waits for the one before to end."""
    calls: Errand[str] = Errand(NAME)
    for _ in range(5):
        stop = threading.Event()
        thread, came = in_thread(lambda stop=stop: calls.do(slow, stop, lambda waited_s: None, slow.undone.append))
        time.sleep(0.05)
        stop.set()
        thread.join(5.0)
        assert came == [None]
    assert threads() == 1 and slow.began == 1 and calls.under_way and not calls.begin(slow)
    turned: list[float] = []
    _, came = in_thread(lambda: calls.do(slow, threading.Event(), turned.append, slow.undone.append))
    wait_until(lambda: len(turned) > 3, what="turns while the former one hangs")
    assert threads() == 1
    slow.let.set()
    wait_until(lambda: came, what="the next one")
    assert came == ["brought 2"] and slow.undone == ["brought 1"]


def test_what_it_raises_is_raised_where_it_is_waited_for(slow: Slow) -> None:
    """And what a turn raises ends the waiting."""

    def fails(_unwanted: object) -> str:
        raise ValueError("no such name")

    calls: Errand[str] = Errand(NAME)
    with pytest.raises(ValueError, match="no such name"):
        calls.do(fails, threading.Event(), lambda waited_s: None)

    def lost(_waited_s: float) -> None:
        raise OSError("lost meanwhile")

    with pytest.raises(OSError, match="lost meanwhile"):
        calls.do(slow, threading.Event(), lost, slow.undone.append)
    slow.let.set()
    wait_until(lambda: slow.undone, what="what came too late to be undone")


def test_it_can_be_looked_for_now_and_then(slow: Slow) -> None:
    """By a worker that has other things to do."""
    calls: Errand[str] = Errand(NAME)
    assert not calls.under_way and not calls.is_back() and calls.begin(slow, slow.undone.append)
    assert calls.under_way and not calls.is_back(0.01)
    slow.let.set()
    assert calls.is_back(5.0) and not calls.under_way and calls.take() == "brought 1" and not calls.is_back()
    assert calls.begin(slow, slow.undone.append) and calls.is_back(5.0)
    calls.forsake()
    calls.forsake()
    assert slow.undone == ["brought 2"] and not calls.is_back()
    assert calls.begin(slow) and calls.is_back(5.0) and calls.take() == "brought 3"


def test_it_speaks_as_its_worker_does() -> None:
    """What a call says is for whoever the worker speaks to."""
    other = type(ENGLISH)(**{name: getattr(ENGLISH, name) for name in ENGLISH.__slots__})
    with speaking(other):
        assert Errand[Any](NAME).do(lambda _: voice(), threading.Event(), lambda waited_s: None) is other


def test_where_no_thread_can_be_had_it_can_be_tried_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """Memory or the number of threads was short for a moment: nothing is under way that never ends."""

    def refused(_: threading.Thread) -> None:
        raise RuntimeError("can't start new thread")

    one: Errand[str] = Errand(NAME)
    with monkeypatch.context() as short:
        short.setattr(threading.Thread, "start", refused)
        with pytest.raises(RuntimeError, match="new thread"):
            one.begin(lambda _: "brought")
    assert not one.under_way
    assert one.do(lambda _: "brought", threading.Event(), lambda _: None) == "brought"
