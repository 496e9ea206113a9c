"""Run as a program by the restore's kill tests: restores, and dies by kill -9 before the deed of a given number.

Arguments: the backup, the journal, the number (0: never). A deed is a statement, a page handed over by SQLite's backup,
or a call that names, moves, removes or syncs a file. What was done in all goes to standard output.
"""

from __future__ import annotations

import os
import signal
import sqlite3
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

_deeds = 0


def _deed() -> None:
    global _deeds  # noqa: PLW0603 - a program of one page
    _deeds += 1
    if _deeds == int(sys.argv[3]):
        os.kill(os.getpid(), signal.SIGKILL)


class _Counted(sqlite3.Connection):
    def execute(self, *given: Any) -> sqlite3.Cursor:
        _deed()
        return super().execute(*given)

    def backup(self, target: sqlite3.Connection, *, pages: int = -1, progress: Any = None, **more: Any) -> None:
        told = 0

        def counted(*given: int) -> None:
            nonlocal told
            told += 1
            if told in (1, 2) or told % 100 == 0 or given[1] == 0:
                _deed()
            if progress is not None:
                progress(*given)

        super().backup(target, pages=pages, progress=counted, **more)


def _counting(call: Callable[..., Any]) -> Callable[..., Any]:
    def counted(*given: Any, **more: Any) -> Any:
        _deed()
        return call(*given, **more)

    return counted


def main() -> None:
    """Restore, counting."""
    opened = sqlite3.connect
    sqlite3.connect = lambda *given, **more: opened(*given, **{"factory": _Counted, **more})  # type: ignore[assignment]
    for name in ("replace", "link", "rename", "fsync", "unlink"):
        setattr(os, name, _counting(getattr(os, name)))
    from monitor.keeping import restore

    restore(Path(sys.argv[1]), Path(sys.argv[2]), datetime(2026, 1, 17, tzinfo=UTC))
    print(_deeds)


if __name__ == "__main__":
    main()
