"""``python -m tests.faults.soak kill [--kills 1000] [--seed 1]``: kill -9 at random moments under load."""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

from tests.conftest import find_program
from tests.faults.killing import Killing


def soak(arguments: list[str]) -> int:
    """Kill, look, print; returns how many promises were broken."""
    parser = argparse.ArgumentParser(prog="soak kill")
    parser.add_argument("--kills", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args(arguments)
    mosquitto = find_program("mosquitto")
    if mosquitto is None:
        print("mosquitto is not installed: nothing was tried.")
        return 1
    began = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="kill-") as folder:
        killing, told = Killing(Path(folder), mosquitto, args.seed), 0
        try:
            for number in range(args.kills):
                killing.kill_once(cold=number % 10 == 9, long=number % 50 == 25)
                for broken in killing.broken[told:]:
                    if told < 20:
                        print(broken, flush=True)
                    told += 1
                if number % 25 == 24:
                    print(f"{time.monotonic() - began:.0f} s, {killing.figures()}", flush=True)
            killing.finish()
        finally:
            killing.close()
        print(killing.figures())
        for broken in killing.broken[told:][:20]:
            print(broken)
    return len(killing.broken)
