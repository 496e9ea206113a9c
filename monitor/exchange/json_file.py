"""Batches as one JSON document, written and read row by row: four days of many batches need no memory to speak of."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any, TextIO

from monitor.exchange.rows import ExchangeError, Lines, Placed, Row
from monitor.journal.whole import TABLES
from monitor.words import tr

FORMAT, VERSION = "emberpail-batches", 1
# A document that another program wrote anew is not in lines of ours and is read as a whole, up to this size.
# In memory it takes ten times as much.
_MOST_WHOLE_BYTES = 50_000_000


def write_json(target: Path, tables: Callable[[str], Iterable[Row]]) -> None:
    """Write every table, a row a line."""
    with target.open("w", encoding="utf-8") as file:
        file.write(f'{{"format":"{FORMAT}","version":{VERSION}')
        for table in TABLES:
            file.write(f',\n"{table}":[')
            first = True
            for row in tables(table):
                line = json.dumps(row, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
                file.write(f"{'' if first else ','}\n{line}")
                first = False
            file.write("\n]")
        file.write("\n}\n")


def read_json(source: Path, table: str) -> Iterator[Placed]:
    """The rows of one table with where each stands."""
    try:
        with source.open(encoding="utf-8-sig") as file:
            first = file.readline(10_000)
            if not first.startswith(f'{{"format":"{FORMAT}"'):
                yield from _as_a_whole(source, table)
                return
            _check_version(source, first.rstrip().rstrip(",") + "}")
            yield from _lines(source, table, file)
    except UnicodeDecodeError:
        raise ExchangeError(tr("{path} is not UTF-8 text: is it the file that export wrote?", path=source)) from None


def _check_version(source: Path, head: str) -> None:
    try:
        version = json.loads(head).get("version")
    except (ValueError, AttributeError):
        version = None
    if not isinstance(version, int):
        raise ExchangeError(tr("{path}, line 1: the version cannot be read.", path=source))
    if version > VERSION:
        raise ExchangeError(
            tr("{path} was written by a newer Emberpail (format {version}, this one knows up to {newest}); install the "
               "newer one.", path=source, version=version, newest=VERSION)
        )  # fmt: skip


def _lines(source: Path, table: str, file: TextIO) -> Iterator[Placed]:
    inside, ended = "", False
    lines = Lines(source, file)
    for number, line in enumerate(lines, 2):
        lines.row_done()
        plain = line.strip()
        if not inside:
            ended = ended or plain == "}"
            name = plain.removesuffix("[").removesuffix(":").strip('",')
            if name in TABLES:
                inside = name
        elif plain in ("]", "],"):
            inside = ""
        elif inside == table:
            where = tr("{path}, line {line}", path=source, line=number)
            yield where, _row(where, plain.removesuffix(","))
        if plain.startswith("],"):
            name = plain[2:].removesuffix("[").removesuffix(":").strip('",')
            inside = name if name in TABLES else ""
    if not ended:
        raise ExchangeError(tr("{path} ends in the middle: it was not written, or not copied, in full.", path=source))


def _row(where: str, text: str) -> dict[str, Any]:
    # A comma may stand at the end of the row or at the beginning of the next line.
    try:
        found = json.loads(text.lstrip(","))
    except (ValueError, RecursionError):
        found = None
    if not isinstance(found, dict):
        raise ExchangeError(tr("{where}: this is no row of JSON.", where=where))
    return found


def _as_a_whole(source: Path, table: str) -> Iterator[Placed]:
    if source.stat().st_size > _MOST_WHOLE_BYTES:
        raise ExchangeError(
            tr("{path} is too large to be read in this form; take the file as export wrote it.", path=source)
        )
    try:
        found = json.loads(source.read_text(encoding="utf-8-sig"))
    except (ValueError, RecursionError) as error:
        line = getattr(error, "lineno", 1)
        where = tr("{path}, line {line}", path=source, line=line)
        raise ExchangeError(tr("{where}: this is not JSON.", where=where)) from None
    if not isinstance(found, dict) or found.get("format") != FORMAT:
        raise ExchangeError(tr("{path} is no export of Emberpail: its format is another.", path=source))
    _check_version(source, json.dumps({"version": found.get("version")}))
    rows = found.get(table, [])
    if not isinstance(rows, list):
        raise ExchangeError(tr("{path}: {table} is no list of rows.", path=source, table=table))
    for number, row in enumerate(rows, 1):
        where = tr("{path}, {table} number {n}", path=source, table=table, n=number)
        if not isinstance(row, dict):
            raise ExchangeError(tr("{where}: this is no row of JSON.", where=where))
        yield where, row
