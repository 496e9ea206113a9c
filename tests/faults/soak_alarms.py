"""``python -m tests.faults.soak alarms [--alarms 10000] [--seed 1]``: under outage, kill, late reply."""

from __future__ import annotations

import argparse
import time

from tests.faults.outages import Outages


def soak(arguments: list[str]) -> int:
    """Raise them in runs of a thousand, each with a seed of its own; returns how many promises were broken."""
    parser = argparse.ArgumentParser(prog="soak alarms")
    parser.add_argument("--alarms", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args(arguments)
    began, raised, broken, seed = time.monotonic(), 0, 0, args.seed
    while raised < args.alarms:
        world = Outages(seed)
        try:
            world.live(min(1000, args.alarms - raised))
            raised += len(world.raised)
            broken += len(world.broken)
            print(f"{time.monotonic() - began:.0f} s, {world.figures()}", flush=True)
            for one in world.broken[:10]:
                print(one)
        finally:
            world.close()
        seed += 1
    print(f"{raised} alarms in all, {broken} promises broken")
    return broken
