"""Mutation testing of alarm states, outbox and journal: ``python -m tests.faults.soak mutants [FILE ...]``.

Each mutant of ``mutations.py`` is put into a copy of the tree, and the tests that stand beside its module are run on
it until one fails: the mutant is killed. What lives on shows a promise that no test holds. Mutants that change nothing
anybody could see stand in ``mutants_that_change_nothing.txt`` with the reason, and are not counted.

A run can be stopped and started again: what was killed stays killed while its module is the same, what lived is tried
again. ``--fresh`` forgets all; ``--every=5`` tries each fifth only, for a first look. The promise is ``LEAST_KILLED``
in each of the three parts.
"""

from __future__ import annotations

import compileall
import contextlib
import hashlib
import importlib
import json
import os
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from tests.faults.mutations import Mutant, mutants_of

TOP = Path(__file__).parents[2]
KEPT = Path(tempfile.gettempdir()) / "emberpail-mutants"
NOTHING_CHANGES = Path(__file__).with_name("mutants_that_change_nothing.txt")
LEAST_KILLED = 0.90
WORKERS = 2

ALARMS, OUTBOX = "monitor/judgement/alarms.py", "monitor/journal/outbox.py"
# The module's own tests first, for most mutants die there. The kill -9 test starts twenty programs and is left out.
_FIRST = {
    "alarms": ["tests/journal/test_alarms_and_state.py"],
    "batches": ["tests/journal/test_batches.py"],
    "codec": ["tests/journal/test_codec.py"],
    "migrations": ["tests/journal/test_records.py", "tests/journal/test_store.py"],
    "photo_files": ["tests/journal/test_photo_files.py"],
    "putting_back": ["tests/journal/test_safekeeping.py"],
    "safekeeping": ["tests/journal/test_safekeeping.py"],
    "retiming": ["tests/journal/test_retiming.py"],
    "outbox": ["tests/journal/test_outbox_moves.py", "tests/journal/test_outbox.py"],
    "readings": ["tests/journal/test_readings.py"],
    "records": ["tests/journal/test_records.py"],
    "rows": ["tests/journal/test_outbox_moves.py"],
    "state": ["tests/journal/test_alarms_and_state.py"],
    "shipping": ["tests/journal/test_shipping_parts.py", "tests/sheds/test_shipping.py"],
    "store": ["tests/journal/test_store.py", "tests/journal/test_store_in_trouble.py"],
    "whole": ["tests/journal/test_whole.py"],
}
_LEFT_OUT = ["--ignore=tests/journal/test_kill.py"]
_WRONG_TREE = 97


def modules() -> list[str]:
    """The modules of the three parts, the alarm states first."""
    journal = sorted(f"monitor/journal/{path.name}" for path in (TOP / "monitor/journal").glob("*.py"))
    return [ALARMS, OUTBOX, *[path for path in journal if path != OUTBOX and not path.endswith("__init__.py")]]


def part_of(path: str) -> str:
    """Which of the three parts a module belongs to."""
    return {ALARMS: "alarm states", OUTBOX: "outbox"}.get(path, "journal")


def tests_for(path: str) -> list[str]:
    """What pytest is asked to run for a module, the likeliest killer first."""
    if path == ALARMS:
        return ["tests/judgement/test_alarm_moves.py", "tests/judgement/test_alarms.py"]
    first = [test for test in _FIRST.get(Path(path).stem, []) if (TOP / test).exists()]
    carried = ["tests/exchange", "--deselect=tests/exchange/test_carry.py::test_any_text_survives"]
    return [*first, "tests/journal", *_LEFT_OUT, *(carried if path.endswith("/whole.py") else [])]


def soak(arguments: list[str]) -> int:
    """Try the mutants of the named modules (all of the three parts when none is named); return what broke."""
    if "--fresh" in arguments:
        shutil.rmtree(KEPT, ignore_errors=True)
    every = next((int(argument[8:]) for argument in arguments if argument.startswith("--every=")), 1)
    named = [argument for argument in arguments if not argument.startswith("--")]
    paths = [path for path in modules() if not named or any(path.endswith(f"/{name}") for name in named)]
    if not paths:
        print(f"No module of the three parts is called so; they are {', '.join(modules())}.")
        return 1
    scores: dict[str, Counter[str]] = {}
    for line in sorted(_harmless() - _names_of_all()):
        print(f"named as harmless, but there is no such mutant (any more): {line}")
    for path in paths:
        scores[path] = _tried(path, every)
        killed, lived, nothing = (scores[path][word] for word in ("killed", "lived", "nothing"))
        print(f"{path}: {killed} of {killed + lived} killed, {nothing} change nothing", flush=True)
    return _summary(scores)


def _summary(scores: dict[str, Counter[str]]) -> int:
    broken = 0
    for part in dict.fromkeys(map(part_of, scores)):
        total = sum((count for path, count in scores.items() if part_of(path) == part), Counter())
        share = total["killed"] / max(1, total["killed"] + total["lived"])
        raw = total["killed"] / max(1, sum(total.values()))
        print(f"{part}: {share:.1%} killed ({raw:.1%} with those that change nothing counted as living)")
        broken += share < LEAST_KILLED
    return broken


# ---- what is known of a mutant ----


def _harmless() -> set[str]:
    """The names of mutants that change nothing: the lines that are not indented; the reason stands indented below."""
    if not NOTHING_CHANGES.exists():
        return set()
    lines = NOTHING_CHANGES.read_text(encoding="utf-8").splitlines()
    return {line for line in lines if line.startswith("monitor/")}


def _names_of_all() -> set[str]:
    sources = {path: (TOP / path).read_text(encoding="utf-8") for path in modules()}
    return {mutant.name for path, source in sources.items() for mutant in mutants_of(path, source)}


class _Known:
    """What earlier runs found, one line a mutant, kept beside the copies."""

    def __init__(self, path: str, source: str) -> None:
        digest = hashlib.sha256(source.encode()).hexdigest()[:16]
        self._file = KEPT / f"{path.replace('/', '.')}.{digest}.jsonl"
        self.killed: set[str] = set()
        if self._file.exists():
            for line in self._file.read_text(encoding="utf-8").splitlines():
                with contextlib.suppress(json.JSONDecodeError):  # a run that was killed left half a line
                    self.killed.add(json.loads(line))

    def note(self, name: str) -> None:
        self.killed.add(name)
        with open(self._file, "a", encoding="utf-8") as file:
            file.write(json.dumps(name, ensure_ascii=False) + "\n")


# ---- trying them ----


@dataclass(slots=True)
class _Copy:
    """A copy of the tree in which one mutant at a time is tried, in a process of its own."""

    folder: Path
    mutant: Mutant | None = None
    pid: int = 0
    until_s: float = 0.0


def _tried(path: str, every: int) -> Counter[str]:
    KEPT.mkdir(parents=True, exist_ok=True)
    source = (TOP / path).read_text(encoding="utf-8")
    known, harmless = _Known(path, source), _harmless()
    mutants = mutants_of(path, source)[::every]
    waiting = [mutant for mutant in mutants if mutant.name not in known.killed and mutant.name not in harmless]
    count = Counter(
        killed=sum(mutant.name in known.killed for mutant in mutants),
        nothing=sum(mutant.name in harmless and mutant.name not in known.killed for mutant in mutants),
        lived=0,
    )
    if not waiting:
        return count
    copies = [_made(number, path) for number in range(WORKERS)]
    try:
        _all_tried(copies, waiting, known, count)
    finally:
        for copy in copies:
            shutil.rmtree(copy.folder, ignore_errors=True)
    return count


def _all_tried(copies: list[_Copy], waiting: list[Mutant], known: _Known, count: Counter[str]) -> None:
    path = waiting[0].path
    source = (copies[0].folder / path).read_text(encoding="utf-8")
    limit_s = max(_untouched(copy, path) for copy in copies) * 6 + 30
    for copy in copies:
        _forget_compiled(copy.folder, path)
    busy: list[_Copy] = []
    while waiting or busy:
        for copy in copies:
            if copy.mutant is None and waiting:
                _begin(copy, waiting.pop(0), path, source, limit_s)
                busy.append(copy)
        for copy in list(busy):
            outcome = _outcome(copy)
            if outcome is not None and copy.mutant is not None:
                count[outcome] += 1
                if outcome == "killed":
                    known.note(copy.mutant.name)
                else:
                    print(f"  lived, line {copy.mutant.line}: {copy.mutant.name}", flush=True)
                copy.mutant = None
                busy.remove(copy)
        time.sleep(0.01)


def _made(number: int, path: str) -> _Copy:
    # Two runs at once (of different modules) have copies of their own.
    folder = KEPT / f"copy-{os.getpid()}-{number}"
    folder.mkdir(parents=True)
    for entry in TOP.iterdir():
        if entry.name in ("monitor", "tests"):
            shutil.copytree(entry, folder / entry.name, ignore=shutil.ignore_patterns("__pycache__"))
        elif not entry.name.startswith(".") or entry.name == ".ci":
            (folder / entry.name).symlink_to(entry)
    compileall.compile_dir(folder / "monitor", quiet=2)
    _forget_compiled(folder, path)
    return _Copy(folder)


def _forget_compiled(folder: Path, path: str) -> None:
    """A compiled module is known by second and size; two mutants of one length could be taken for each other."""
    for compiled in (folder / path).parent.glob(f"__pycache__/{Path(path).stem}.*"):
        compiled.unlink()


def _untouched(copy: _Copy, path: str) -> float:
    """Seconds that the tests take on the program as it is; they must pass, or nothing could be said of mutants."""
    began = time.monotonic()
    pid = _started(copy.folder, path, keep_compiled=True)
    _, status = os.waitpid(pid, 0)
    if os.waitstatus_to_exitcode(status) != 0:
        words = (copy.folder / "out.txt").read_text(encoding="utf-8", errors="replace")
        raise SystemExit(f"The tests of {path} fail on the program as it is:\n{words[-3000:]}")
    return time.monotonic() - began


def _begin(copy: _Copy, mutant: Mutant, path: str, source: str, limit_s: float) -> None:
    (copy.folder / path).write_text(mutant.applied(source), encoding="utf-8")
    copy.mutant, copy.until_s = mutant, time.monotonic() + limit_s
    copy.pid = _started(copy.folder, path, keep_compiled=False)


def _outcome(copy: _Copy) -> str | None:
    """killed or lived; None while the tests still run. Tests that do not come to an end have noticed."""
    pid, status = os.waitpid(copy.pid, os.WNOHANG)
    if pid == 0:
        if time.monotonic() < copy.until_s:
            return None
        os.killpg(copy.pid, signal.SIGKILL)
        os.waitpid(copy.pid, 0)
        return "killed"
    with contextlib.suppress(ProcessLookupError):  # what the tests had started and left behind
        os.killpg(copy.pid, signal.SIGKILL)
    code = os.waitstatus_to_exitcode(status)
    if code == _WRONG_TREE:
        raise SystemExit("The tests ran on another copy of the program than the changed one; unset PYTHONPATH.")
    return "lived" if code == 0 else "killed"


def _started(folder: Path, path: str, *, keep_compiled: bool) -> int:
    """Run the module's tests in a child of this process, which has the big libraries loaded already."""
    for library in ("pytest", "hypothesis", "hypothesis.strategies", "numpy", "sqlite3"):
        importlib.import_module(library)
    sys.stdout.flush()
    pid = os.fork()
    if pid:
        return pid
    code = 1
    try:
        os.setsid()
        output = os.open(folder / "out.txt", os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        os.dup2(output, 1)
        os.dup2(output, 2)
        code = _run_here(folder, path, keep_compiled)
    finally:
        os._exit(code)
    return 0  # pragma: no cover - the child has gone


def _run_here(folder: Path, path: str, keep_compiled: bool) -> int:
    import pytest

    os.chdir(folder)
    os.environ["PYTHONPATH"] = str(folder)
    os.environ.pop("CI", None)
    sys.dont_write_bytecode = not keep_compiled
    if not keep_compiled:
        os.environ["PYTHONDONTWRITEBYTECODE"] = "1"
    sys.path[:] = [str(folder), *[entry for entry in sys.path if entry not in ("", str(TOP))]]
    for name in [name for name in sys.modules if name.split(".")[0] in ("tests", "monitor")]:
        del sys.modules[name]
    importlib.invalidate_caches()
    options = ["-x", "-q", "-p", "no:cacheprovider", "--hypothesis-seed=0", "--no-header", "--tb=line"]
    code = int(pytest.main([*options, *tests_for(path)]))
    used = sys.modules.get("monitor")
    if used is not None and not str(used.__file__).startswith(str(folder)):
        return _WRONG_TREE
    return code
