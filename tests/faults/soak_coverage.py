"""How much of the program the tests go through: ``python -m tests.faults.soak coverage``.

All tests once under coverage.py, branches counted, programs that tests start included; takes about twice as long as
without. The promise: ``LEAST_OF_ALL`` per cent of the branches of all of `monitor`, and of lines and branches together,
and every branch of `THREE_PARTS`.

``... coverage parts TEST ...`` goes by the named tests and looks at the three parts alone. CI does this with the tests
that stand beside them (.ci/run), for tracing all the others would cost it too many minutes.
"""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

TOP = Path(__file__).parents[2]
THREE_PARTS = ("monitor/judgement/alarms.py", "monitor/journal/*")
LEAST_OF_ALL = 95.0
# Below this a module is named in the long form, so that it is known where untried behaviour lies.
WORTH_NAMING = 90.0


def soak(arguments: list[str]) -> int:
    """Run the tests and look; return how many promises were broken."""
    only_parts = arguments[:1] == ["parts"]
    tests = arguments[1:] if only_parts else ["tests", "-n", "3", "--dist", "loadfile", "--no-loadscope-reorder"]
    with tempfile.TemporaryDirectory() as folder:
        code = _traced(tests, Path(folder))
        if code != 0:
            print(f"Not all tests passed (exit code {code}).")
            if only_parts:
                return 1
            # Tests of how quick something is fail while it is traced; whether all pass is for the run without.
        broken = _parts(Path(folder))
        return broken if only_parts else broken + _all(Path(folder))


def _environment(folder: Path) -> dict[str, str]:
    return {**os.environ, "COVERAGE_FILE": str(folder / "coverage")}


def _traced(tests: Sequence[str], folder: Path) -> int:
    """Run pytest under coverage and lay together what each process has written; pytest's exit code."""
    options = ["-q", "-p", "no:cacheprovider", "-p", "tests.faults.keep_coverage"]
    command = [sys.executable, "-m", "coverage", "run", "-m", "pytest", *options, *tests]
    code = subprocess.call(command, cwd=TOP, env=_environment(folder))
    subprocess.run(
        [sys.executable, "-m", "coverage", "combine", "-q"], cwd=TOP, env=_environment(folder), check=False
    )
    return code


def _loaded(folder: Path) -> object:
    from coverage import Coverage

    measured = Coverage(data_file=str(folder / "coverage"), config_file=str(TOP / "pyproject.toml"))
    measured.load()
    return measured


def _share(folder: Path, include: Sequence[str] | None) -> tuple[float, str]:
    """Per cent of lines and branches together, and the table of modules with what is missing."""
    table = io.StringIO()
    here = os.getcwd()
    os.chdir(TOP)
    try:
        share = _loaded(folder).report(  # type: ignore[attr-defined]
            include=list(include) if include else None, file=table, show_missing=True, skip_covered=True
        )
    finally:
        os.chdir(here)
    return share, table.getvalue()


def _parts(folder: Path) -> int:
    share, table = _share(folder, THREE_PARTS)
    print(f"alarm states, outbox and journal: {share:.2f} % of lines and branches")
    if share < 100.0:
        print(table)
        return 1
    return 0


def _all(folder: Path) -> int:
    share, table = _share(folder, None)
    branches = _of_branches(folder)
    print(f"all of monitor: {branches:.2f} % of branches, {share:.2f} % of lines and branches")
    for line in table.splitlines():
        found = [word for word in line.split() if word.endswith("%")]
        if line.startswith("monitor/") and found and float(found[0].rstrip("%")) < WORTH_NAMING:
            print(f"  {line}")
    return int(min(share, branches) < LEAST_OF_ALL)


def _of_branches(folder: Path) -> float:
    """Per cent of the branches alone."""
    told = folder / "coverage.json"
    _loaded(folder).json_report(outfile=str(told))  # type: ignore[attr-defined]
    totals = json.loads(told.read_text(encoding="utf-8"))["totals"]
    return 100.0 * float(totals["covered_branches"]) / max(1, int(totals["num_branches"]))
