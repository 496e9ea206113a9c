"""A machine dies under load and a spare takes its watch over: nothing is lost, and nobody is rung twice."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.settings import load_settings
from monitor.sources.presence import heard_watches
from tests.faults.takeover_world import two_machines

pytestmark = [pytest.mark.broker, pytest.mark.slow]


def test_a_dead_one_is_replaced_and_one_that_was_only_asleep_stands_down(
    tmp_path: Path, needs: Callable[[str], str]
) -> None:
    """The first machine is killed; the second is stopped like one that hangs, and wakes when it has been taken over,
    too: it rings nobody, acknowledges nothing, says why, ends, and does not start again. In the end every published
    reading is in the one journal once, every alarm was raised once, and what was rung is known there.
    ``python -m tests.faults.soak takeover`` does a hundred deaths.
    """
    with two_machines(tmp_path, needs("mosquitto"), 20261126) as machines:
        machines.let_mind()
        machines.die()
        machines.take_over()
        machines.let_mind()
        asleep, its_womb = machines.life, machines.wombs[machines.mind]
        os.kill(asleep.pid, signal.SIGSTOP)
        machines.take_over()
        machines.let_mind()
        os.kill(asleep.pid, signal.SIGCONT)
        assert asleep.wait(30) == 2, asleep.said()
        assert "has taken this watch over" in asleep.said()
        again = its_womb.bear(tmp_path / "again.log", "watch", "--settings", "emberpail.toml", "--name", "north")
        assert again.wait(30) == 2
        assert "has taken this watch over" in again.said() and "Minding" not in again.said()
        source = load_settings(tmp_path / "one/emberpail.toml", {}, watch="north").sources[0]
        # The new one's word on the broker is not undone by the old one's end.
        assert heard_watches(source, "emberpail/watch")["north"].state in ("minding", "amiss")
        machines.finish()
        assert machines.broken == [], machines.figures()
