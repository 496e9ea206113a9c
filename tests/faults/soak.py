"""The long forms of the fault tests: ``python -m tests.faults.soak`` runs all parts, ``... soak PART`` one of them.

Each part is a module ``soak_PART.py`` with a function ``soak(arguments)`` that prints its figures and returns how many
promises were broken. None of them runs in CI, where the short forms do.
"""

from __future__ import annotations

import importlib
import sys
import time
from pathlib import Path


def parts() -> list[str]:
    """The parts there are, by name."""
    return sorted(path.stem.removeprefix("soak_") for path in Path(__file__).parent.glob("soak_*.py"))


def main(arguments: list[str]) -> int:
    """Run the named part with the rest of the arguments, or all parts; 1 where a promise was broken."""
    names = arguments[:1] or parts()
    unknown = [name for name in names if name not in parts()]
    if unknown:
        print(f'"{unknown[0]}" is no part of the soak; known are {", ".join(parts())}.')
        return 2
    broken = 0
    for name in names:
        began = time.monotonic()
        print(f"== {name}", flush=True)
        broken += importlib.import_module(f"tests.faults.soak_{name}").soak(arguments[1:])
        print(f"== {name}: {time.monotonic() - began:.0f} s", flush=True)
    print("nothing was broken" if not broken else f"{broken} promises were broken")
    return min(broken, 1)


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
