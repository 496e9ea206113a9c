"""kill -9 at any moment: what was acknowledged is there, nothing is there twice, the file is sound."""

from __future__ import annotations

import random
import subprocess
import sys
import time
from pathlib import Path

from monitor.domain import Batch
from monitor.journal.database import Journal
from tests.journal.kill_writer import GROUP, T0, event_of, message_of, readings_of

KILLS = 20
SEED = 20260314


def test_kill_9_loses_nothing_that_was_acknowledged(tmp_path: Path) -> None:
    """Twenty kills at seeded moments; each next writer repeats the group whose fate is unknown, as watch does."""
    chance = random.Random(SEED)
    path = tmp_path / "journal.sqlite"
    with Journal(path) as journal:
        journal.add_batch(Batch("Q 12", "shed-2", T0))
    last = -1
    for kill in range(KILLS):
        writer = subprocess.Popen(
            [sys.executable, "-m", "tests.journal.kill_writer", str(path), str(last + 1)],
            stdout=subprocess.PIPE,
            text=True,
            cwd=Path(__file__).parents[2],
        )
        assert writer.stdout is not None
        first = writer.stdout.readline()
        assert first.startswith("done"), "the writer did not start"
        time.sleep(chance.uniform(0.0, 0.12))
        writer.kill()
        acknowledged = [first, *writer.stdout.read().splitlines(keepends=True)]
        writer.wait()
        # A last line that was cut in the middle was never acknowledged.
        last = max(int(line.split()[1]) for line in acknowledged if line.endswith("\n"))

        with Journal(path) as journal:
            assert "is sound" in journal.check(), f"seed {SEED}, kill {kill}"
            got = list(journal.readings("shed-2"))
            groups = (len(got) - 1) // GROUP
            assert groups in (last + 1, last + 2), f"seed {SEED}, kill {kill}: at most one group more than acknowledged"
            expected = [reading for group in range(groups) for reading in readings_of(group)[:GROUP]]
            assert got == [*expected, readings_of(groups - 1)[-1]], f"seed {SEED}, kill {kill}"
            assert journal.events("Q 12") == [event_of(group) for group in range(groups)]
            assert [letter.about for letter in journal.messages()] == [message_of(n).about for n in range(groups)]
            assert len(journal.log("Q 12")) == (groups + 4) // 5
    assert last > KILLS
