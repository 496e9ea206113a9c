"""The wall clock is set by a hand, by summer time or by a dead battery, while a batch is minded: nothing comes of it.

A batch that is too hot for an hour and a good one go through the watch with and without jumps of the wall clock, at
seeded moments, the node's own clock stepping along or not. What is judged and told must be the same at the same times.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.faults.clock_jumping import DAY, HOUR, MINUTE, SECONDS_OF_31_BITS, SPRING_S, Answer, differences, minded

JUMPS = {
    "30 days ahead": (30 * DAY,),
    "30 days back": (-30 * DAY,),
    "30 days ahead and back": (30 * DAY, 0.0),
    "an hour ahead, as summer time written by hand": (HOUR,),
    "an hour back, as winter time written by hand": (-HOUR,),
    "to 1970 and back": (-SPRING_S, 0.0),
    "beyond 2038": (SECONDS_OF_31_BITS + HOUR - SPRING_S,),
}


@pytest.fixture(scope="module")
def steady(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Answer]:
    """What comes of both batches without any jump."""
    folder = tmp_path_factory.mktemp("steady")
    return {
        kind: minded(folder / kind, kind, (), node=False, seed=0, start_s=SPRING_S) for kind in ("hot", "good")
    }


@pytest.mark.slow
@pytest.mark.parametrize("name", JUMPS)
def test_a_wall_clock_that_jumps_changes_nothing(name: str, tmp_path: Path, steady: dict[str, Answer]) -> None:
    """The alarm that is due comes when it is due, none that is not; reminders are neither lost nor doubled; readings
    keep their order; and what people note counts from now."""
    seed = list(JUMPS).index(name) + name.startswith("to 1970")
    node = seed % 2 == 0 or name.startswith("to 1970")
    for kind in ("hot", "good"):
        answer = minded(tmp_path / kind, kind, JUMPS[name], node=node, seed=seed, start_s=SPRING_S)
        assert not differences(answer, steady[kind], node=node), f"{kind}, seed {seed}"
    assert [one[1] for one in steady["hot"][0] if one[0] == "too_hot"] == ["raised", "cleared"]
    assert not steady["good"][0]


@pytest.mark.slow
def test_a_batch_over_the_19th_of_january_2038_is_like_any_other(tmp_path: Path, steady: dict[str, Answer]) -> None:
    """It begins an hour before; all comes at the same times after the pour."""
    start_s = (SECONDS_OF_31_BITS - HOUR) // MINUTE * MINUTE  # on the grid of the ticks, as the other
    alarms, messages, times, _ = minded(tmp_path / "hot", "hot", (), node=False, seed=0, start_s=start_s)
    expected, told, readings, _ = steady["hot"]
    assert [one[:2] for one in alarms] == [one[:2] for one in expected]
    assert [one[2] - start_s for one in alarms] == pytest.approx([one[2] - SPRING_S for one in expected])
    assert len(messages) == len(told)
    assert [one - start_s for one in times] == pytest.approx([one - SPRING_S for one in readings], abs=0.01)
