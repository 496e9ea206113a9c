"""Past batches sent once more, over a line that carries little."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest

from monitor.mirror.points import Points
from monitor.mirror.sending import Away
from monitor.mirror_again import mirror_again
from monitor.mirroring import LEAST_POINTS
from tests.mirror.world import World


def test_lists_that_the_line_does_not_carry_are_sent_shorter(tmp_path: Path) -> None:
    """As the watch does: all of it arrives, and what was found is not found anew with each list."""
    took: list[str] = []
    refused: list[int] = []

    def write(lines: Sequence[str]) -> None:
        if len(lines) > 300:
            refused.append(len(lines))
            raise Away("it does not end its answers", slow=True)
        took.extend(lines)

    world = World(tmp_path, "http://127.0.0.1:1")
    world.read(5000)
    done = mirror_again(world.journal, Points("Quillmarsh"), None, write, lambda: world.now_s, wait=lambda s: None)
    world.close()
    assert done.points == len(set(took)) == len(took) == 5000
    assert refused == [2000, 1000, 500]


def test_a_line_that_carries_nothing_is_given_up(tmp_path: Path) -> None:
    asked: list[int] = []

    def write(lines: Sequence[str]) -> None:
        asked.append(len(lines))
        raise Away("it does not end its answers", slow=True)

    world = World(tmp_path, "http://127.0.0.1:1")
    world.read(100)
    with pytest.raises(Away):
        mirror_again(world.journal, Points("Quillmarsh"), None, write, lambda: world.now_s, wait=lambda s: None)
    world.close()
    assert asked == [100] + [LEAST_POINTS] * 4
