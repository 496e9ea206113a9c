"""What ``compare`` writes to files: CSV, Parquet, and the report. Each is whole or not there."""

from __future__ import annotations

import csv
import os
from collections.abc import Callable, Sequence
from pathlib import Path

from monitor.commands.common import CommandError
from monitor.seasons.frames import BATCH_COLUMNS, CURVE_COLUMNS, Record, batch_records, curve_records, frames_of
from monitor.seasons.story import Story
from monitor.words import ENGLISH, speaking, tr


def curves_beside(path: Path) -> Path:
    """The file of the curves: NAME-curves.csv beside NAME.csv."""
    return path.with_name(f"{path.stem}-curves{path.suffix}")


def write_csv(path: Path, stories: Sequence[Story]) -> tuple[Path, Path]:
    """Figures and curves, in English and metric for programs; the paths written."""
    with speaking(ENGLISH):
        _whole(path, lambda half: _rows(half, BATCH_COLUMNS, batch_records(stories)))
        _whole(curves_beside(path), lambda half: _rows(half, CURVE_COLUMNS, curve_records(stories)))
    return path, curves_beside(path)


def write_parquet(path: Path, stories: Sequence[Story]) -> tuple[Path, Path]:
    """The same as Parquet, times as timestamps. Raises LibraryMissing."""
    with speaking(ENGLISH):
        batches, curves = frames_of(stories)
    _whole(path, lambda half: batches.to_parquet(half, engine="pyarrow", index=False))
    _whole(curves_beside(path), lambda half: curves.to_parquet(half, engine="pyarrow", index=False))
    return path, curves_beside(path)


def write_text(path: Path, text: str) -> None:
    """A report."""
    _whole(path, lambda half: half.write_text(text, encoding="utf-8"))


def _rows(path: Path, columns: Sequence[str], records: Sequence[Record]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, columns)
        writer.writeheader()
        writer.writerows(records)


def _whole(path: Path, write: Callable[[Path], object]) -> None:
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
