"""Write constraints.txt anew: every package that CI installs, in one version, with the SHA-256 of each file that may be
taken for it. Names, versions and hashes only.

    .venv/bin/python .ci/pin.py                      # asks for the hashes that are missing
    .venv/bin/python .ci/pin.py numpy==2.4.7 rich    # these too, or in these versions; without one: the newest
    .venv/bin/python .ci/pin.py --all                # every hash again

The files are those that pip takes for Python 3.11 on Linux, x86_64 and aarch64 (a Raspberry Pi); what there is for one
of them only is marked so. What is installed beside these, or differs from them by one bit, makes CI fail.
"""

from __future__ import annotations

import hashlib
import re
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import NamedTuple

PINS = Path(__file__).with_name("constraints.txt")
HEAD = "# Exact versions for CI, and the SHA-256 of each file that may be taken for them. Made with: .ci/pin.py\n"
MACHINES = ("x86_64", "aarch64")
# The C library that the wheels of today ask for: Debian 12 has 2.36.
GLIBC = ("2_34", "2_31", "2_28", "2_27", "2_24", "2_17", "2_12", "2_5")


class Pin(NamedTuple):
    """A version, the one machine it is for ("" for all), and the hashes of its files."""

    version: str
    machine: str = ""
    hashes: tuple[str, ...] = ()


def read_pins(text: str) -> dict[str, Pin]:
    """Every pin by its name."""
    pins = {}
    for line in text.replace("\\\n", " ").splitlines():
        found = re.match(r"([A-Za-z0-9._-]+)==([^\s;]+)(?: ; platform_machine == \"(\w+)\")?", line)
        if found:
            pins[found[1]] = Pin(found[2], found[3] or "", tuple(re.findall(r"--hash=sha256:([0-9a-f]{64})", line)))
    return pins


def written(pins: dict[str, Pin]) -> str:
    """The file's text."""
    lines = [HEAD]
    for name in sorted(pins, key=str.lower):
        version, machine, hashes = pins[name]
        marker = f' ; platform_machine == "{machine}"' if machine else ""
        first = f"{name}=={version}{marker}"
        lines.append(" \\\n    ".join([first, *(f"--hash=sha256:{one}" for one in hashes)]) + "\n")
    return "".join(lines)


def pin_of(wanted: str) -> Pin:
    """What pip takes for ``wanted`` ("numpy==2.4.6" or a bare name); without hashes where it finds nothing."""
    version, found = "", {}
    for machine in MACHINES:
        platforms = [f"--platform=manylinux_{glibc}_{machine}" for glibc in GLIBC]
        platforms += [f"--platform=manylinux2014_{machine}", f"--platform=linux_{machine}"]
        with tempfile.TemporaryDirectory() as folder:
            done = subprocess.run(
                [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--only-binary=:all:",
                 "--python-version=3.11", *platforms, "--dest", folder, wanted],
                check=False, stdout=sys.stderr,
            )  # fmt: skip
            for file in Path(folder).iterdir() if done.returncode == 0 else ():
                version = file.name.split("-")[1]
                found[machine] = hashlib.sha256(file.read_bytes()).hexdigest()
    return Pin(version, next(iter(found)) if len(found) == 1 else "", tuple(sorted(set(found.values()))))


def main(arguments: list[str]) -> int:
    """Fill in what is missing; 1 where a package could not be had."""
    pins = read_pins(PINS.read_text(encoding="utf-8"))
    again = "--all" in arguments
    for wanted in [one for one in arguments if not one.startswith("--")]:
        name, _, version = wanted.partition("==")
        pins[name] = Pin(version)
    failed = 0
    for name, pin in list(pins.items()):
        if pin.hashes and not again:
            continue
        found = pin_of(f"{name}=={pin.version}" if pin.version else name)
        if found.hashes:
            pins[name] = found
        else:
            print(f"{name}: pip could not get it", file=sys.stderr)
            failed = 1
    PINS.write_text(written(pins), encoding="utf-8")
    return failed


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
