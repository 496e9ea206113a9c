"""Rows on their way in: every one is looked at before it is put into a journal. One sentence says what cannot be."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from typing import Any, TextIO

from monitor.domain import INSULATIONS, LOG_KINDS
from monitor.journal.rows import ACTS, ALARM_STATES
from monitor.journal.whole import TABLES
from monitor.words import tr

# Longer than anything we write, short enough that a damaged file cannot fill the memory.
MOST_TEXT, MOST_JSON = 10_000, 200_000
MOST_ROWS = 20_000_000
# Batches are looked at all at once before any is taken in.
_MOST_BATCHES = 20_000
# Signs of one row: an event of ours takes some thousand.
MOST_ROW = 4 * MOST_JSON
_AHEAD_S = 90.0
_KINDS: Mapping[tuple[str, str], tuple[str, ...]] = {
    ("entries", "kind"): LOG_KINDS,
    ("acts", "act"): ACTS,
    ("alarms", "state"): ALARM_STATES,
}


class ExchangeError(ValueError):
    """A file that cannot be taken in or written; one sentence with where and how to mend it."""


class Lines:
    """The lines of a file, none longer than any of ours, and not more of them for one row than a row can take.

    A file can hold a line, or a quoted cell, of any length, and an archive of some kilobytes a file of many gigabytes.
    """

    def __init__(self, source: object, file: TextIO) -> None:
        self._source, self._file, self._taken = source, file, 0

    def row_done(self) -> None:
        """A row is whole: the next one counts anew."""
        self._taken = 0

    def __iter__(self) -> Iterator[str]:
        while line := self._file.readline(2 * MOST_JSON):
            self._taken += len(line)
            if len(line) >= 2 * MOST_JSON or self._taken > MOST_ROW:
                raise ExchangeError(
                    tr("{path} holds a line longer than any that export writes.", path=self._source)
                )
            yield line


Row = dict[str, Any]
# Where a row stands: file and line, for the sentence.
Placed = tuple[str, Row]


def checked(table: str, rows: Iterator[Placed], now_s: float) -> Iterator[Row]:
    """The rows of a table as they may be put in. Raises ExchangeError at the first that may not."""
    columns = TABLES[table]
    most = _MOST_BATCHES if table == "batches" else MOST_ROWS
    for number, (where, row) in enumerate(rows, 1):
        if number > most:
            raise ExchangeError(tr("{where}: more than {most} rows are not taken.", where=where, most=most))
        missing = [column for column in columns if column not in row]
        if missing:
            raise ExchangeError(
                tr("{where}: the row has no {column}: is the file whole?", where=where, column=missing[0])
            )
        yield {column: _value(where, table, column, kind, row[column], now_s) for column, kind in columns.items()}


def _value(where: str, table: str, column: str, kind: str, value: Any, now_s: float) -> Any:  # noqa: PLR0917
    if value is None:
        if kind.endswith("?"):
            return None
        raise ExchangeError(tr("{where}: {column} is empty.", where=where, column=column))
    plain = kind.rstrip("?")
    if plain == "real":
        return _number(where, table, column, value, now_s)
    if not isinstance(value, str):
        raise ExchangeError(tr("{where}: {column} is not a text.", where=where, column=column))
    if len(value) > (MOST_JSON if plain == "json" else MOST_TEXT):
        raise ExchangeError(tr("{where}: {column} is too long.", where=where, column=column))
    allowed = _KINDS.get((table, column))
    if allowed is not None and value not in allowed:
        raise ExchangeError(
            tr("{where}: {column} {value} is not known; it may be one of {allowed}.", where=where, column=column,
               value=value[:60], allowed=", ".join(allowed))
        )  # fmt: skip
    if plain == "json":
        _object(where, column, value)
    return value


def _number(where: str, table: str, column: str, value: Any, now_s: float) -> float | int:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ExchangeError(tr("{where}: {column} is not a number.", where=where, column=column))
    # Only what has been can be taken in; the planned dilution is a length of time, and quiet lasts until later.
    of_time = column.endswith("_s") and column not in ("planned_dilution_s", "until_s", "shelved_until_s")
    if of_time and table != "readings" and value > now_s + _AHEAD_S:
        raise ExchangeError(tr("{where}: {column} lies in the future.", where=where, column=column))
    return value


def _object(where: str, column: str, text: str) -> None:
    try:
        found = json.loads(text)
    except (ValueError, RecursionError):
        found = None
    if not isinstance(found, dict):
        raise ExchangeError(tr("{where}: {column} cannot be read.", where=where, column=column))
    if column == "recipe" and not _is_recipe(found):
        raise ExchangeError(tr("{where}: that is no recipe.", where=where))
    if column == "vessel" and found.get("insulation") not in INSULATIONS:
        raise ExchangeError(tr("{where}: that is no bucket.", where=where))


def _is_recipe(found: Mapping[str, Any]) -> bool:
    oils = found.get("oils")
    masses = [found.get("koh_kg", ""), found.get("koh_purity", ""), found.get("water_kg", "")]
    if not isinstance(oils, list):
        return False
    if not all(isinstance(oil, dict) and isinstance(oil.get("name"), str) for oil in oils):
        return False
    masses += [oil.get("kg", "") for oil in oils]
    return all(mass is None or (isinstance(mass, int | float) and not isinstance(mass, bool)) for mass in masses)
