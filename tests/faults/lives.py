"""Lives of the real program, each begun in a moment, so that many can be killed in little time.

    python -m tests.faults.lives SPEED                 # a womb: see ``Womb``
    python -m tests.faults.lives SPEED watch ...       # the same as ``python -m monitor``, SPEED times as fast

Loading the program's parts takes about a second of computing and touches no file of ours. A womb loads them once and
forks a life each time it is asked to; what such a life does from its first line on is the program's own.
"""

from __future__ import annotations

import contextlib
import functools
import importlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

_PARTS = (
    "monitor.cli", "monitor.commands.watch", "monitor.running", "monitor.watch_parts", "monitor.page.app",
    "monitor.page.serving", "monitor.page.log_routes", "monitor.page.plan_routes", "monitor.page.what_if_routes",
    "monitor.standing", "uvicorn", "apprise",
)  # fmt: skip


def live(speed: float, arguments: Sequence[str]) -> int:
    """The program, with minutes that last ``60 / speed`` seconds; all else is as a grower starts it."""
    from monitor import clock
    from monitor.cli import main

    if speed != 1.0:
        clock.ArrivalClock = functools.partial(clock.ArrivalClock, speed=speed)  # type: ignore[assignment,misc]
    return main(list(arguments))


class Womb:
    """A process that bears lives. One line in: the log's path and the arguments, by tabs; one line out: the life's id.

    A life that has ended is told by the file LOG.ended, with its exit code (negative: the signal that ended it).
    """

    def __init__(self, speed: float, folder: Path) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.faults.lives", str(speed)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=folder, text=True,
            env=os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])},
        )  # fmt: skip

    def bear(self, log: Path, *arguments: str) -> Life:
        """Start a life."""
        assert self._process.stdin is not None and self._process.stdout is not None
        print(log, *arguments, sep="\t", file=self._process.stdin, flush=True)
        return Life(int(self._process.stdout.readline()), log)

    def close(self) -> None:
        """End it; its lives have ended before."""
        assert self._process.stdin is not None
        self._process.stdin.close()
        self._process.wait(10)


class Life:
    """One life of the program, by its process id."""

    def __init__(self, pid: int, log: Path, process: subprocess.Popen[bytes] | None = None) -> None:
        self.pid, self.log, self._process = pid, log, process

    @classmethod
    def cold(cls, log: Path, folder: Path, *arguments: str) -> Life:
        """As a grower starts it: ``python -m monitor``, by the clock of the day."""
        with open(log, "ab") as out:
            process = subprocess.Popen(
                [sys.executable, "-u", "-m", "monitor", *arguments], stdout=out, stderr=out, cwd=folder,
                env=os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])},
            )  # fmt: skip
        return cls(process.pid, log, process)

    def said(self) -> str:
        """What it printed."""
        return self.log.read_text(encoding="utf-8", errors="replace") if self.log.exists() else ""

    def end(self, how: signal.Signals, patience_s: float = 30.0) -> int:
        """Send it a signal and wait until it has ended; returns its exit code, negative for a signal."""
        with contextlib.suppress(ProcessLookupError):  # it has ended by itself: its exit code tells
            os.kill(self.pid, how)
        return self.wait(patience_s)

    def wait(self, patience_s: float) -> int:
        """Wait until it has ended."""
        if self._process is not None:
            return self._process.wait(patience_s)
        ended, until = Path(f"{self.log}.ended"), time.monotonic() + patience_s
        while not ended.exists():
            assert time.monotonic() < until, f"it does not end; it said {self.said()[-2000:]}"
            time.sleep(0.002)
        return int(ended.read_text())


def _womb(speed: float) -> None:
    for part in _PARTS:
        importlib.import_module(part)
    importlib.import_module("monitor.phone.routes")._apprise().Apprise.instantiate("json://127.0.0.1:9/")
    children: dict[int, str] = {}

    def reap(*_: object) -> None:
        while children:
            pid, status = os.waitpid(-1, os.WNOHANG)
            if pid == 0:
                return
            half = Path(f"{children[pid]}.half")
            half.write_text(str(os.waitstatus_to_exitcode(status)))
            half.rename(f"{children.pop(pid)}.ended")

    signal.signal(signal.SIGCHLD, reap)
    # Not the buffered reader: a signal between two reads of it would find half a line.
    for line in iter(sys.stdin.readline, ""):
        log, *arguments = line.rstrip("\n").split("\t")
        signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGCHLD})
        pid = os.fork()
        if pid == 0:
            signal.signal(signal.SIGCHLD, signal.SIG_DFL)
            signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGCHLD})
            code = 70
            try:
                out = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
                os.dup2(out, 1)
                os.dup2(out, 2)
                sys.stdout = os.fdopen(1, "w", buffering=1, encoding="utf-8")
                sys.stderr = os.fdopen(2, "w", buffering=1, encoding="utf-8")
                code = live(speed, arguments)
            finally:
                sys.stdout.flush()
                os._exit(code)
        children[pid] = log
        print(pid, flush=True)
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGCHLD})


if __name__ == "__main__":
    if len(sys.argv) == 2:
        _womb(float(sys.argv[1]))
    else:
        raise SystemExit(live(float(sys.argv[1]), sys.argv[2:]))
