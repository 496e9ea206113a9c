"""Batches as CSV files (RFC 4180) in a folder or a .zip: one file a table, for spreadsheets.

UTF-8, decimal points and units in the headings whatever the language. Beside each time in Unix seconds (``at_s``)
stands the same as ISO 8601 (``at_utc``), which import passes over. ``recipe.csv`` and ``estimates.csv`` are for reading
only.

A spreadsheet takes a text that begins with = + - @ for a formula and would carry it out; such a text gets an apostrophe
before it, and so does one that begins with an apostrophe. Import takes it off again.
"""

from __future__ import annotations

import csv
import io
import json
import zipfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TextIO

from monitor.exchange.rows import MOST_JSON, ExchangeError, Lines, Placed, Row
from monitor.journal.whole import TABLES
from monitor.words import tr

# Blanks before it do not help, and neither does the full-width form.
_FORMULA = ("=", "+", "-", "@", "＝", "＋", "－", "＠")
# What an archive may hold: as many readings as are taken in, with their headings.
_MOST_FILES, _MOST_UNPACKED_BYTES = 100, 4_000_000_000
_ESTIMATES = (
    "completeness", "completeness_sd", "final_completeness", "final_completeness_sd", "self_heating_k",
    "self_heating_sd_k", "heat_released_kj", "heat_released_sd_kj", "cooling_time_constant_s",
)  # fmt: skip


def write_csv(target: Path, tables: Callable[[str], Iterable[Row]], *, zipped: bool) -> None:
    """Write every table; ``tables`` gives the rows of one."""
    if zipped:
        with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
            _write_all(lambda name: _in_zip(archive, name), tables)
    else:
        target.mkdir()
        _write_all(lambda name: (target / name).open("w", encoding="utf-8", newline=""), tables)


@contextmanager
def _in_zip(archive: zipfile.ZipFile, name: str) -> Iterator[TextIO]:
    # A fixed date, so that the same batches give the same bytes.
    entry = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
    entry.compress_type = zipfile.ZIP_DEFLATED
    with archive.open(entry, "w", force_zip64=True) as raw, io.TextIOWrapper(raw, "utf-8", newline="") as text:
        yield text


def _write_all(opened: Callable[[str], Any], tables: Callable[[str], Iterable[Row]]) -> None:
    for table, columns in TABLES.items():
        with opened(f"{table}.csv") as file:
            out = csv.writer(file)
            out.writerow([part for column in columns for part in _headings(column)])
            for row in tables(table):
                out.writerow([cell for column in columns for cell in _cells(column, columns[column], row[column])])
    with opened("recipe.csv") as file:
        _write_recipes(csv.writer(file), tables)
    with opened("estimates.csv") as file:
        _write_estimates(csv.writer(file), tables)


def _is_time(column: str) -> bool:
    return column.endswith("_s") and column != "planned_dilution_s"


def _headings(column: str) -> tuple[str, ...]:
    return (column, f"{column[:-2]}_utc") if _is_time(column) else (column,)


def _cells(column: str, kind: str, value: Any) -> tuple[str, ...]:
    if value is None:
        return ("", "") if _is_time(column) else ("",)
    if kind.startswith("real"):
        return (repr(value), _utc(value)) if _is_time(column) else (repr(value),)
    return (guarded(value),)


def guarded(text: str) -> str:
    """A cell that no spreadsheet takes for a formula: with an apostrophe before it where need be."""
    dangerous = text.lstrip().startswith(_FORMULA) or text.startswith(("'", "\t", "\r", "\n"))
    return f"'{text}" if dangerous else text


def _utc(time_s: float) -> str:
    try:
        return datetime.fromtimestamp(time_s, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    except (ValueError, OverflowError, OSError):
        return ""


def _write_recipes(out: Any, tables: Callable[[str], Iterable[Row]]) -> None:
    out.writerow(["batch", "known_from_utc", "what", "kg", "purity"])
    entered = [(row["name"], row["started_s"], row["recipe"]) for row in tables("batches")]
    corrected = [(row["batch"], row["noted_at_s"], row["recipe"]) for row in tables("amendments")]
    for batch, from_s, text in [*entered, *corrected]:
        recipe, since = json.loads(text), _utc(from_s)
        for oil in recipe["oils"]:
            out.writerow([guarded(batch), since, guarded(oil["name"]), _figure(oil["kg"]), ""])
        out.writerow([guarded(batch), since, "KOH", _figure(recipe["koh_kg"]), _figure(recipe["koh_purity"])])
        out.writerow([guarded(batch), since, "water", _figure(recipe["water_kg"]), ""])


def _write_estimates(out: Any, tables: Callable[[str], Iterable[Row]]) -> None:
    out.writerow(["batch", "at_s", "at_utc", *_ESTIMATES])
    for row in tables("events"):
        if row["event"] == "estimate":
            values = json.loads(row["line"])
            figures = [_figure(values.get(name)) for name in _ESTIMATES]
            out.writerow([guarded(row["batch"]), repr(row["at_s"]), _utc(row["at_s"]), *figures])


def _figure(value: object) -> str:
    return repr(value) if isinstance(value, int | float) else ""


# ---- reading -------------------------------------------------------------------------------------------------------


def read_csv(source: Path, table: str) -> Iterator[Placed]:
    """The rows of one table with where each stands; none where the file is missing, except the batches'."""
    name = f"{table}.csv"
    if source.is_dir():
        path = source / name
        if not path.is_file():
            yield from _missing(source, table)
            return
        with path.open(encoding="utf-8-sig", newline="") as file:
            yield from _rows(str(path), table, file)
        return
    with zipfile.ZipFile(source) as archive:
        unpacked = sum(entry.file_size for entry in archive.infolist())
        if len(archive.infolist()) > _MOST_FILES or unpacked > _MOST_UNPACKED_BYTES:
            raise ExchangeError(
                tr("{path} unpacks to {gb:.0f} GB in {n} files, which no export of ours does: look what it is.",
                   path=source, gb=unpacked / 1e9, n=len(archive.infolist()))
            )  # fmt: skip
        if name not in archive.namelist():
            yield from _missing(source, table)
            return
        with archive.open(name) as raw, io.TextIOWrapper(raw, "utf-8-sig", newline="") as text:
            yield from _rows(f"{source}: {name}", table, text)


def _missing(source: Path, table: str) -> Iterator[Placed]:
    if table == "batches":
        raise ExchangeError(tr("{path} holds no batches.csv: name the folder or .zip that export wrote.", path=source))
    yield from ()


def _rows(where: str, table: str, file: TextIO) -> Iterator[Placed]:
    csv.field_size_limit(2 * MOST_JSON)
    columns = TABLES[table]
    lines = Lines(where, file)
    reader = csv.reader(iter(lines), strict=True)
    try:
        heading = next(reader, None)
        if heading is None:
            return
        for cells in reader:
            lines.row_done()
            if not cells:
                continue
            place = tr("{path}, line {line}", path=where, line=reader.line_num)
            if len(cells) != len(heading):
                raise ExchangeError(
                    tr("{where}: {n} cells where the heading has {wanted}.", where=place, n=len(cells),
                       wanted=len(heading))
                )  # fmt: skip
            given = dict(zip(heading, cells, strict=True))
            yield place, {c: _read(place, c, kind, given[c]) for c, kind in columns.items() if c in given}
    except (csv.Error, UnicodeDecodeError) as error:
        place = tr("{path}, line {line}", path=where, line=reader.line_num)
        raise ExchangeError(tr("{where}: this is not CSV in UTF-8 ({reason}).", where=place, reason=error)) from None


def _read(where: str, column: str, kind: str, cell: str) -> Any:
    if kind.startswith("real"):
        if cell == "":
            return None
        try:
            return float(cell)
        except ValueError:
            raise ExchangeError(tr("{where}: {column} is not a number.", where=where, column=column)) from None
    if kind.endswith("?") and cell == "":
        return None
    return cell[1:] if cell.startswith("'") else cell
