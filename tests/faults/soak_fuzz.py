"""The long form of fuzzing: ``python -m tests.faults.soak fuzz [TARGET] [RUNS]``.

Without arguments every target in turn: the wire parsers ten million runs each, what people write and HTTP a million
each. In stretches with seeds of their own, each going on with what the one before found; every stretch says how far it
is, so a run that is broken off has still told its figures.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.faults.fuzz.target import NAMES

_WIRES = ("serial", "mqtt", "recording")
_STRETCH = {"http": 20_000, "settings": 100_000, "batch_file": 100_000}
# Short inputs for the wires: most of what a parser can trip over fits in a few records, and many more of them are run.
_LONGEST = {"serial": 400, "mqtt": 400, "recording": 500}


def soak(arguments: list[str]) -> int:
    """How many inputs broke a promise."""
    names = arguments[:1] or list(NAMES)
    unknown = [name for name in names if name not in NAMES]
    if unknown:
        print(f'"{unknown[0]}" is no target; known are {", ".join(NAMES)}.')
        return 1
    broken = 0
    for name in names:
        runs = int(arguments[1]) if len(arguments) > 1 else 10_000_000 if name in _WIRES else 1_000_000
        broken += _target(name, runs)
    return broken


def _target(name: str, wanted: int) -> int:
    began_s, done, broken = time.monotonic(), 0, 0
    with tempfile.TemporaryDirectory(prefix="emberpail-fuzz-") as folder:
        found, corpus = Path("fuzz-found") / name, Path(folder)
        seed = int(time.time()) % 1_000_000
        while done < wanted:
            seed += 1
            command = [
                sys.executable, "-m", "tests.faults.fuzz.run", name, "--runs",
                str(min(_STRETCH.get(name, 500_000), wanted - done)), "--seed", str(seed), "--found", str(found),
                "--corpus", str(corpus),
            ]  # fmt: skip
            if name in _LONGEST:
                command += ["--longest", str(_LONGEST[name])]
            ran = subprocess.run(command, capture_output=True, text=True, errors="replace", check=False)
            said = f"{ran.stdout}\n{ran.stderr}"
            told = re.search(r"Done (\d+) runs", said) or re.search(r"number_of_executed_units: (\d+)", said)
            done += int(told[1]) if told else 0
            if ran.returncode:
                broken += 1
                print(f"fuzz {name}: BROKEN with seed {seed}, input kept in {found}\n{said[-3000:]}", flush=True)
                if not told:
                    break
            took_s = time.monotonic() - began_s
            print(f"fuzz {name}: {done} of {wanted} runs, {done / took_s:.0f} a second, {broken} broken", flush=True)
    return broken
