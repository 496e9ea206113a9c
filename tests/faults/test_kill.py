"""kill -9 at random moments under load loses nothing that was acknowledged and doubles nothing.

What must hold stands in ``killing``; ``python -m tests.faults.soak kill`` does a thousand.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.faults.killing import Killing

KILLS = 100


@pytest.mark.slow
@pytest.mark.needs("mosquitto")
def test_a_hundred_kills_lose_and_double_nothing(tmp_path: Path, needs: Callable[[str], str]) -> None:
    """The real program under load from a broker and a cable, with alarms ringing a phone."""
    killing = Killing(tmp_path, needs("mosquitto"), seed=7)
    try:
        for number in range(KILLS):
            killing.kill_once(cold=number % 20 == 9, long=number == 50)
        killing.finish()
    finally:
        killing.close()
    print(killing.figures())
    assert not killing.broken, "\n".join([killing.figures(), *killing.broken])
    # What never came about would have been no trial.
    assert len(killing.last.raised) > 10 and len(killing.seen) > 100, killing.figures()
