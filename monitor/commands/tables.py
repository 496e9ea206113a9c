"""Files that a command writes: whole or not there, and safe to open with a spreadsheet."""

from __future__ import annotations

import csv
import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path

from monitor.commands.common import CommandError
from monitor.exchange.csv_files import guarded
from monitor.words import tr


def write_whole(path: Path, write: Callable[[Path], object]) -> None:
    """Have ``write`` fill a file beside ``path``, then put it there. CommandError where the disk refuses."""
    half = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        write(half)
        os.replace(half, path)
    except OSError as error:
        raise CommandError(
            tr("{path} cannot be written ({reason}): choose another place.", path=path,
               reason=error.strerror or error)
        ) from None  # fmt: skip
    finally:
        half.unlink(missing_ok=True)


def write_rows(path: Path, columns: Sequence[str], records: Iterable[Mapping[str, object]]) -> None:
    """Records as CSV with a line of headings; no text in it is a formula to a spreadsheet."""
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, columns)
        writer.writeheader()
        writer.writerows(
            {name: guarded(value) if isinstance(value, str) else value for name, value in one.items()}
            for one in records
        )
