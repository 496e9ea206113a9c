"""Journals of every schema that was released, as the code of their time wrote them, opened by the present code."""

from __future__ import annotations

import json
import shutil
import sqlite3
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from monitor.cli import main
from monitor.journal.database import Journal, JournalError
from monitor.journal.migrations import MIGRATIONS, NEWEST, migrate
from monitor.judgement.escalation import Told
from monitor.page_wiring import PageWiring
from monitor.settings import load_settings
from monitor.tellings import kept_tellings
from monitor.words import ENGLISH, speaking
from tests.commands.conftest import assert_one_sentence

STORED = Path(__file__).parents[1] / "journal" / "schemas"
SCHEMAS = range(1, NEWEST + 1)
POOR, GOOD = "Quillmarsh 22", "Quillmarsh 21"
_TOP = Path(__file__).parents[2]

# Opens the journal named first, and dies by kill -9 just before the statement of the number named second.
_DIES = """
import os, signal, sqlite3, sys
count = 0
class Counting(sqlite3.Connection):
    def execute(self, *given):
        global count
        count += 1
        if count == int(sys.argv[2]):
            os.kill(os.getpid(), signal.SIGKILL)
        return super().execute(*given)
opened = sqlite3.connect
sqlite3.connect = lambda *given, **more: opened(*given, factory=Counting, **more)
from monitor.journal.database import Journal
Journal(sys.argv[1])
print(count)
"""


def _kept_columns(db: sqlite3.Connection, table: str) -> str:
    """By name, without those that are only reckoned from others (PRAGMA table_xinfo, "hidden" 2)."""
    return ", ".join(f'"{row[1]}"' for row in db.execute(f"PRAGMA table_xinfo({table})") if row[6] != 2)


def rows_of(path: Path) -> dict[str, list[tuple[object, ...]]]:
    """Every row of every table, as it lies there."""
    with closing(sqlite3.connect(path)) as db:
        tables = [name for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        return {
            table: db.execute(f"SELECT {_kept_columns(db, table)} FROM {table} ORDER BY rowid").fetchall()
            for table in tables
            if not table.startswith("sqlite_") and table != "migrations"
        }


def columns_of(path: Path, table: str) -> list[str]:
    with closing(sqlite3.connect(path)) as db:
        return [row[1] for row in db.execute(f"PRAGMA table_info({table})")]


def schema_of(db: sqlite3.Connection) -> list[tuple[str, str]]:
    return db.execute("SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL ORDER BY name").fetchall()


@pytest.fixture
def old(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    path = tmp_path / "journal.sqlite"
    shutil.copy(STORED / f"schema-{request.param}.sqlite", path)
    return path


each_schema = pytest.mark.parametrize("old", SCHEMAS, indirect=True)


# ---- the stored files ----


@pytest.mark.parametrize("number", SCHEMAS)
def test_every_schema_has_a_stored_journal_and_was_not_changed_since(number: int) -> None:
    """A migration that is added without its file, or one that was released and is edited, fails here."""
    path = STORED / f"schema-{number}.sqlite"
    assert path.is_file(), f"store a journal of schema {number}: see tests/journal/schemas/README.md"
    with closing(sqlite3.connect(path)) as stored, closing(sqlite3.connect(":memory:", isolation_level=None)) as made:
        assert stored.execute("PRAGMA user_version").fetchone()[0] == number
        migrate(made, "test", MIGRATIONS[:number])
        assert schema_of(made) == schema_of(stored)


@pytest.mark.parametrize("number", SCHEMAS)
def test_a_stored_journal_is_worth_testing_with(number: int) -> None:
    """None of its tables is empty: what is not there cannot be lost."""
    assert [table for table, rows in rows_of(STORED / f"schema-{number}.sqlite").items() if not rows] == []


# ---- opening ----


@each_schema
def test_opening_brings_it_up_to_date_and_keeps_every_row(old: Path) -> None:
    """Every column of before has the value of before, in the same order."""
    before, columns = rows_of(old), {table: columns_of(old, table) for table in rows_of(old)}
    with Journal(old) as journal:
        assert "is sound" in journal.check()
    with closing(sqlite3.connect(old)) as db:
        assert db.execute("PRAGMA user_version").fetchone()[0] == NEWEST
        for table, rows in before.items():
            named = ", ".join(f'"{column}"' for column in columns[table])
            after = db.execute(f"SELECT {named} FROM {table} ORDER BY rowid").fetchall()
            if table != "facts":
                assert after == rows, table
                continue
            assert told_of(after) == told_of(rows) != []
            assert [row for row in after if not is_told(row)] == [row for row in rows if not is_told(row)]


@pytest.mark.parametrize("number", [number for number in SCHEMAS if number < 5])
def test_what_was_told_in_one_piece_is_known_by_alarm_afterwards(number: int, tmp_path: Path) -> None:
    """Each telling once, in its order; of an alarm that was told of with others, too."""
    path = tmp_path / "journal.sqlite"
    shutil.copy(STORED / f"schema-{number}.sqlite", path)
    more = [
        {"alarm_id": f"shed-{n}/b/silent/1", "reason": "first", "number": n, "person": "Ash \"A\"", "at_s": 1.5 + n,
         "covers": ["shed-9/b/silent/1"], "failed": n == 2}
        for n in (2, 1, 2)
    ]  # fmt: skip
    with closing(sqlite3.connect(path)) as db, db:
        (kept,) = db.execute("SELECT value FROM facts WHERE key = 'told'").fetchone()
        db.execute("UPDATE facts SET value = ? WHERE key = 'told'", (json.dumps([*json.loads(kept), *more]),))
    with Journal(path) as journal:
        told = kept_tellings(journal)
        assert journal.fact("told") is None
    wanted = [Told(**{**one, "covers": tuple(one["covers"])}) for one in [*json.loads(kept), *more]]
    assert sorted(told, key=repr) == sorted(wanted, key=repr)


def told_of(facts: list[tuple[object, ...]]) -> list[object]:
    """What was told, in one piece or by alarm."""
    return [one for fact in facts if is_told(fact) for one in json.loads(str(fact[1]))]


def is_told(fact: tuple[object, ...]) -> bool:
    return str(fact[0]).startswith("told")


@each_schema
def test_a_look_at_an_old_journal_changes_nothing(old: Path) -> None:
    """Who only reads does not migrate: it says who does, or opens what is new enough already."""
    before = old.read_bytes()
    try:
        Journal(old, read_only=True).close()
    except JournalError as error:
        assert "start watch once" in str(error)
        assert old.read_bytes() == before
    else:
        assert rows_of(old) == rows_of(STORED / f"schema-{NEWEST}.sqlite")


@each_schema
def test_a_migration_that_is_killed_at_any_statement_is_finished_by_the_next(old: Path, tmp_path: Path) -> None:
    """kill -9 before each statement in turn; the next opening finds the old or the new schema and goes on."""
    stored = old.read_bytes()
    with Journal(old):
        pass
    whole = rows_of(old)
    number, died = 1, True
    while died:
        for left in tmp_path.glob("journal.sqlite*"):
            left.unlink()
        old.write_bytes(stored)
        done = subprocess.run(
            [sys.executable, "-c", _DIES, str(old), str(number)],
            check=False, cwd=_TOP, capture_output=True, text=True, timeout=60,
        )  # fmt: skip
        died = done.returncode == -9
        assert died or done.returncode == 0, done.stderr
        with Journal(old) as journal:
            journal.check()
        assert rows_of(old) == whole, f"killed before statement {number}"
        number += 1
    assert number - 2 == int(done.stdout), "each statement had its kill"


def test_a_newer_schema_is_refused_and_left_as_it_is(tmp_path: Path) -> None:
    """Reading and writing alike; the file is the same to the byte, and nothing appears beside it."""
    path = tmp_path / "journal.sqlite"
    shutil.copy(STORED / f"schema-{NEWEST}.sqlite", path)
    with closing(sqlite3.connect(path)) as db:
        db.execute(f"PRAGMA user_version = {NEWEST + 1}")
    before = path.read_bytes()
    for read_only in (True, False):
        with pytest.raises(JournalError, match="newer Emberpail") as error:
            Journal(path, read_only=read_only)
        assert_one_sentence(str(error.value))
    assert path.read_bytes() == before
    assert [one.name for one in tmp_path.iterdir()] == ["journal.sqlite"]


# ---- living with it ----


@pytest.fixture
def settings_file(tmp_path: Path) -> Iterator[Path]:
    path = tmp_path / "emberpail.toml"
    path.write_text('[place]\ntime_zone = "UTC"\n[journal]\npath = "journal.sqlite"\n', encoding="utf-8")
    with speaking(ENGLISH):
        yield path


@each_schema
def test_the_commands_work_on_it(
    old: Path, settings_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Status, the record, a search, "would it have rung?", and out and in again."""
    with Journal(old):
        pass
    here = ["--settings", str(settings_file)]
    capsys.readouterr()
    main(["status", "--json", *here])
    status = json.loads(capsys.readouterr().out)
    assert [(bucket["name"], bucket["batch"]) for bucket in status["buckets"]] == [("shed-1", GOOD)]
    assert main(["record", POOR, "--json", *here]) == 0
    record = json.loads(capsys.readouterr().out)
    assert [logged["entry"]["kind"] for logged in record["log"]][:2] == ["poured", "blended"]
    assert main(["batches", "oil on top", *here]) == 0
    assert POOR in capsys.readouterr().out
    assert main(["would-ring", POOR, "--json", *here]) in (0, 1)
    rung = json.loads(capsys.readouterr().out)
    assert "not_taken" in json.dumps(rung["now"])
    out = tmp_path / "out.json"
    assert main(["export", "--format", "json", "--out", str(out), *here]) == 0
    other = settings_file.with_name("other.toml")
    other.write_text(settings_file.read_text(encoding="utf-8").replace("journal.", "other."), encoding="utf-8")
    assert main(["import", str(out), "--settings", str(other)]) == 0
    with Journal(old, read_only=True) as journal, Journal(tmp_path / "other.sqlite", read_only=True) as copy:
        for table in ("readings", "events", "entries", "alarms"):
            assert list(copy.whole_rows(table, [POOR])) == list(journal.whole_rows(table, [POOR])), table


@each_schema
def test_the_page_works_on_it(old: Path, settings_file: Path) -> None:
    """The list of buckets, the running one with its curve, and the batch that has ended."""
    with Journal(old) as journal:
        now_s = journal.fact("last_tick_s")
    page = PageWiring(load_settings(settings_file), old, lambda: now_s, {}, {}, invented=True)
    said: list[str] = []
    page.start(0, said.append)
    try:
        assert page._served is not None, said
        base = page._served.url.rstrip("/")
        shown = {
            path: urllib.request.urlopen(base + path, timeout=20).read().decode()
            for path in ("/", "/bucket/shed-1", f"/batch/{POOR.replace(' ', '%20')}")
        }
    finally:
        page.stop()
    assert GOOD in shown["/"]
    assert "<svg" in shown["/bucket/shed-1"]
    assert "<svg" in shown[f"/batch/{POOR.replace(' ', '%20')}"]
