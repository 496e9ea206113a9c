"""Batches out of a journal into files, and back: the same rows in three forms, all or nothing both ways."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shutil
import sqlite3
import tempfile
import zipfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from monitor.exchange.csv_files import read_csv, write_csv
from monitor.exchange.json_file import read_json, write_json
from monitor.exchange.rows import ExchangeError, Placed, Row, checked
from monitor.journal.database import Journal
from monitor.journal.safekeeping import copy_journal
from monitor.journal.whole import TABLES
from monitor.words import tr

FORMS = ("csv", "json", "sqlite")
# What two batches of one name must share to be the same; of readings another value at one time is refused anyway.
_TELLING = ("batches", "entries", "details", "photos", "amendments", "acts", "alarms", "events")


@dataclass(slots=True)
class Taken:
    """What an import did: batches put in, and those that were there already, the same."""

    added: list[str] = field(default_factory=list)
    known: list[str] = field(default_factory=list)


# ---- out -----------------------------------------------------------------------------------------------------------


def export_batches(journal: Journal, names: Sequence[str], target: Path, form: str, *, force: bool = False) -> None:
    """Write batches to ``target``: CSV as a folder, or as a .zip by its name; JSON and SQLite as one file.

    What is there is not overwritten without ``force``; a half-written file does not remain. ExchangeError otherwise.
    """
    if target.exists() and not force:
        raise ExchangeError(tr("{path} is there already: name another, or add --force.", path=target))
    half = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        with journal.snapshot():
            if form == "csv":
                write_csv(half, lambda table: journal.whole_rows(table, names), zipped=target.suffix.lower() == ".zip")
            elif form == "json":
                write_json(half, lambda table: journal.whole_rows(table, names))
            else:
                _write_sqlite(half, journal, names)
        _remove(target)
        os.replace(half, target)
    except OSError as error:
        raise ExchangeError(
            tr("{path} cannot be written ({reason}): choose another place.", path=target,
               reason=error.strerror or error)
        ) from None  # fmt: skip
    finally:
        _remove(half)


def _remove(path: Path) -> None:
    if path.is_dir():
        shutil.rmtree(path)
    else:
        path.unlink(missing_ok=True)


def _write_sqlite(half: Path, journal: Journal, names: Sequence[str]) -> None:
    with (
        tempfile.TemporaryDirectory(dir=half.parent, prefix=".emberpail-") as folder,
        Journal(Path(folder) / "out.sqlite") as out,
    ):
        with out.transaction():
            for table in TABLES:
                out.put_rows(table, journal.whole_rows(table, names))
        copy_journal(out.path, half)


# ---- in ------------------------------------------------------------------------------------------------------------


def import_batches(journal: Journal, source: Path, now_s: float, *, rename: str = "") -> Taken:
    """Take in every batch of ``source`` that is not there yet, in one transaction: all of them or none.

    One of the same name that differs is refused, or taken in under its name with ``rename`` behind it. Raises
    ExchangeError with one sentence.
    """
    with _opened(source) as rows_of:
        batches = list(checked("batches", rows_of("batches"), now_s))
        taken = Taken()
        new_names: dict[str, str] = {}
        with journal.transaction():
            there = [batch["name"] for batch in batches if journal.batch(batch["name"]) is not None]
            same = _same(journal, rows_of, there, now_s)
            for batch in batches:
                name = batch["name"]
                known = name in there
                if name in same:
                    taken.known.append(name)
                    continue
                new_names[name] = _new_name(journal, batch, known, rename)
            for table in TABLES:
                journal.put_rows(table, _renamed(table, checked(table, rows_of(table), now_s), new_names, batches))
            for batch in batches:
                if batch["name"] in new_names:
                    taken.added.append(new_names[batch["name"]])
                    if batch["ended_s"] is None:
                        journal.note_started(new_names[batch["name"]])
    return taken


def _new_name(journal: Journal, batch: Row, known: bool, rename: str) -> str:
    name = str(batch["name"])
    if known and not rename:
        raise ExchangeError(
            tr('The journal has another batch "{batch}", which differs: take this one in under another name with '
               '--rename "-2".', batch=name)
        )  # fmt: skip
    fresh = f"{name}{rename}" if known else name
    if known and journal.batch(fresh) is not None:
        raise ExchangeError(tr('The journal has a batch "{batch}", too: give another --rename.', batch=fresh))
    running = journal.batch_in(batch["bucket"])
    if batch["ended_s"] is None and running is not None:
        raise ExchangeError(
            tr('"{batch}" still runs, and in {bucket} "{other}" runs here: end that one first, or end it before it is '
               "exported.", batch=name, bucket=batch["bucket"], other=running.name)
        )  # fmt: skip
    return fresh


def _same(
    journal: Journal, rows_of: Callable[[str], Iterator[Placed]], names: Sequence[str], now_s: float
) -> set[str]:
    """Those of ``names`` of which file and journal say the same; the file is read once a table, however many."""
    mine = {name: hashlib.sha256() for name in names}
    theirs = {name: hashlib.sha256() for name in names}
    for table in _TELLING if names else ():
        by = "name" if table == "batches" else "batch"
        for name in names:
            for row in journal.whole_rows(table, [name]):
                mine[name].update(_told(row))
        for row in checked(table, rows_of(table), now_s):
            if row[by] in theirs:
                theirs[row[by]].update(_told(row))
    return {name for name in names if mine[name].digest() == theirs[name].digest()}


def _told(row: Row) -> bytes:
    """A row as bytes, in which 1 and 1.0 are the same, as they are to SQLite."""
    values = (float(value) if isinstance(value, int) else value for value in row.values())
    return repr(tuple(values)).encode("utf-8", "surrogatepass")


def _renamed(table: str, rows: Iterator[Row], names: dict[str, str], batches: Sequence[Row]) -> Iterator[Row]:
    """Only what belongs to the new batches, under their new names; readings of any bucket that one of them was in."""
    buckets = {batch["bucket"] for batch in batches if batch["name"] in names}
    by = "name" if table == "batches" else "batch"
    for row in rows:
        if table == "readings":
            if row["bucket"] in buckets:
                yield row
            continue
        old = row[by]
        if old not in names:
            continue
        new = names[old]
        yield row if new == old else _under(table, row, by, old, new)


def _under(table: str, row: Row, by: str, old: str, new: str) -> Row:
    """A row under another batch's name, its own id made another too: it stands beside the one it differs from."""
    changed = {**row, by: new}
    for column in ("alarm_id", "alarm", "key"):
        if column in row:
            changed[column] = str(row[column]).replace(f"/{old}/", f"/{new}/")
    for column in ("entry_id", "detail_id", "photo_id", "amendment_id", "act_id"):
        if column in row:
            changed[column] = f"{row[column]}{new[len(old):]}"
    if table == "events":
        line = json.loads(row["line"])
        line["batch"] = new
        if isinstance(line.get("alarm"), str):
            line["alarm"] = line["alarm"].replace(f"/{old}/", f"/{new}/")
        changed["line"] = json.dumps(line, ensure_ascii=False, separators=(",", ":"))
    return changed


@contextlib.contextmanager
def _opened(source: Path) -> Iterator[Callable[[str], Iterator[Placed]]]:
    """A function that gives the rows of a table, by what the file is and not by what it is called."""
    try:
        if source.is_dir() or zipfile.is_zipfile(source):
            yield lambda table: read_csv(source, table)
            return
        with source.open("rb") as file:
            head = file.read(16)
        if head == b"SQLite format 3\0":
            with _copied(source) as journal:
                yield lambda table: _of_journal(source, journal, table)
            return
        yield lambda table: read_json(source, table)
    except FileNotFoundError:
        raise ExchangeError(tr("There is no {path}: correct the path.", path=source)) from None
    except (zipfile.BadZipFile, EOFError):
        raise ExchangeError(tr("{path} is a damaged .zip: copy it again.", path=source)) from None
    except OSError as error:
        raise ExchangeError(
            tr("{path} cannot be read ({reason}).", path=source, reason=error.strerror or error)
        ) from None


@contextlib.contextmanager
def _copied(source: Path) -> Iterator[Journal]:
    """Another journal's copy, brought up to the present schema; the file itself is left as it is."""
    with tempfile.TemporaryDirectory(prefix="emberpail-") as folder:
        path = Path(folder) / "in.sqlite"
        try:
            original = sqlite3.connect(f"{source.absolute().as_uri()}?mode=ro", uri=True)
            with contextlib.closing(original), contextlib.closing(sqlite3.connect(path)) as copy:
                original.backup(copy)
        except sqlite3.Error as error:
            raise ExchangeError(tr("{path} cannot be read ({reason}).", path=source, reason=error)) from None
        with Journal(path) as journal:
            journal.check()
            yield journal


def _of_journal(source: Path, journal: Journal, table: str) -> Iterator[Placed]:
    names = [record.batch.name for record in journal.batches()]
    for number, row in enumerate(journal.whole_rows(table, names), 1):
        yield tr("{path}, {table} number {n}", path=source, table=table, n=number), row
