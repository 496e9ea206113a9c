"""A hundred deaths under load, and as many take-overs, to and fro between two machines."""

from __future__ import annotations

import tempfile
from pathlib import Path

from tests.conftest import find_program
from tests.faults.takeover_world import two_machines

# So many deaths in one pair of machines; their logs stay small.
_A_ROUND = 10


def soak(arguments: list[str]) -> int:
    """``[DEATHS [SEED]]``; prints the figures of each round and returns how many promises were broken."""
    deaths, seed = int(arguments[0]) if arguments else 100, int(arguments[1]) if len(arguments) > 1 else 1
    mosquitto = find_program("mosquitto")
    if mosquitto is None:
        print("mosquitto is not installed")
        return 1
    bad = 0
    for number in range(0, deaths, _A_ROUND):
        with (
            tempfile.TemporaryDirectory(prefix="takeover-") as folder,
            two_machines(Path(folder), mosquitto, seed + number) as machines,
        ):
            for _ in range(min(_A_ROUND, deaths - number)):
                machines.let_mind(least_s=0.0, to_a_ring=machines.random.random() < 0.5)
                machines.die()
                machines.take_over()
            machines.finish()
            print(machines.figures(), flush=True)
            for one in machines.broken:
                print(" ", one[:3000], flush=True)
            bad += len(machines.broken)
    return bad
