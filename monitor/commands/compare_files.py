"""What ``compare`` writes to files: CSV, Parquet, and the report. Each is whole or not there."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from monitor.commands.tables import write_rows, write_whole
from monitor.seasons.frames import BATCH_COLUMNS, CURVE_COLUMNS, batch_records, curve_records, frames_of
from monitor.seasons.story import Story
from monitor.words import ENGLISH, speaking


def curves_beside(path: Path) -> Path:
    """The file of the curves: NAME-curves.csv beside NAME.csv."""
    return path.with_name(f"{path.stem}-curves{path.suffix}")


def write_csv(path: Path, stories: Sequence[Story]) -> tuple[Path, Path]:
    """Figures and curves, in English and metric for programs; the paths written."""
    with speaking(ENGLISH):
        write_whole(path, lambda half: write_rows(half, BATCH_COLUMNS, batch_records(stories)))
        write_whole(curves_beside(path), lambda half: write_rows(half, CURVE_COLUMNS, curve_records(stories)))
    return path, curves_beside(path)


def write_parquet(path: Path, stories: Sequence[Story]) -> tuple[Path, Path]:
    """The same as Parquet, times as timestamps. Raises LibraryMissing."""
    with speaking(ENGLISH):
        batches, curves = frames_of(stories)
    write_whole(path, lambda half: batches.to_parquet(half, engine="pyarrow", index=False))
    write_whole(curves_beside(path), lambda half: curves.to_parquet(half, engine="pyarrow", index=False))
    return path, curves_beside(path)


def write_text(path: Path, text: str) -> None:
    """A report."""
    write_whole(path, lambda half: half.write_text(text, encoding="utf-8"))
