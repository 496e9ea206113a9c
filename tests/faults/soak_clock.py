"""The long form of test_clock_jumps.py: ``python -m tests.faults.soak clock [SEEDS] [FIRST SEED]``.

For each seed a batch that is too hot and a good one, minded through one to three jumps of the wall clock of up to
thirty days either way, drawn by the seed; in every other seed the node's clock steps along.
"""

from __future__ import annotations

import random
import tempfile
from pathlib import Path

from tests.faults.clock_jumping import DAY, SPRING_S, differences, minded


def soak(arguments: list[str]) -> int:
    """How many batches were judged or told otherwise than without the jumps."""
    seeds, first = (int(given) for given in (*arguments, *("200", "1")[len(arguments) :]))
    broken = batches = 0
    with tempfile.TemporaryDirectory(prefix="clock-") as folder:
        steady = {
            kind: minded(Path(folder) / kind, kind, (), node=False, seed=0, start_s=SPRING_S)
            for kind in ("hot", "good")
        }
        for seed in range(first, first + seeds):
            at_random = random.Random(seed)
            jumps = [round(at_random.uniform(-30, 30) * DAY, 1) for _ in range(at_random.randint(1, 3))]
            node = seed % 2 == 0
            for kind in ("hot", "good"):
                with tempfile.TemporaryDirectory(prefix="clock-") as own:
                    answer = minded(Path(own) / kind, kind, jumps, node=node, seed=seed, start_s=SPRING_S)
                found = differences(answer, steady[kind], node=node)
                batches += 1
                if found:
                    broken += 1
                    print(f"seed {seed}, {kind}, jumps {jumps}, node along {node}: {'; '.join(found)}", flush=True)
            if (seed - first + 1) % 20 == 0:
                print(f"clock: {batches} batches, {broken} judged or told otherwise", flush=True)
    print(f"clock: {batches} batches through jumps of up to 30 days, {broken} judged or told otherwise")
    return broken
