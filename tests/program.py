"""The program itself, as a process: started by its command, ended by the test."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path

ROOT = Path(__file__).parents[1]


@contextlib.contextmanager
def watching(
    folder: Path, settings: str, environ: Mapping[str, str] | None = None
) -> Iterator[subprocess.Popen[bytes]]:
    """``watch`` without its page, by these settings, with its journal in ``folder``; killed at the end if it runs."""
    path = folder / "emberpail.toml"
    path.write_text(f'[journal]\npath = "journal.sqlite"\n{settings}', encoding="utf-8")
    watch = subprocess.Popen(
        [sys.executable, "-m", "monitor", "watch", "--no-page", "--settings", str(path)], cwd=ROOT,
        env={**os.environ, **(environ or {})}, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        yield watch
    finally:
        watch.kill()
        watch.wait()
