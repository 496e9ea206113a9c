"""The file in trouble that no test can bring about by hand: a connection that answers as SQLite does then."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from monitor.domain import Reading
from monitor.journal import migrations
from monitor.journal import store as store_module
from monitor.journal.database import Journal, JournalError
from monitor.journal.safekeeping import copy_journal
from monitor.journal.store import explained

T0 = 1_773_480_000.0


def trouble(name: str, words: str = "the library's own words") -> sqlite3.OperationalError:
    error = sqlite3.OperationalError(words)
    error.sqlite_errorname = name
    return error


def opened_by(monkeypatch: pytest.MonkeyPatch, execute: Callable[..., Any]) -> None:
    """Let every connection of the journal answer through ``execute(plain, sql, *values)``."""

    class Odd(sqlite3.Connection):
        def execute(self, sql: str, *values: Any) -> Any:
            return execute(super().execute, sql, *values)

    plain = sqlite3.connect
    monkeypatch.setattr(
        store_module.sqlite3, "connect", lambda *args, **more: plain(*args, **{**more, "factory": Odd})
    )


# ---- opening ----


def test_two_that_make_the_file_at_once_wait_for_each_other(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """SQLite may say "busy" at once when the file is switched to its log; it is asked again."""
    asked = []

    def execute(plain: Any, sql: str, *values: Any) -> Any:
        if sql == "PRAGMA journal_mode = WAL":
            asked.append(sql)
            if len(asked) < 3:
                raise trouble("SQLITE_BUSY_RECOVERY")
        return plain(sql, *values)

    opened_by(monkeypatch, execute)
    with Journal(tmp_path / "journal.sqlite") as journal:
        assert journal.add_readings([Reading("b", "core", T0, T0, 50.0)]) == 1
    assert len(asked) == 3


@pytest.mark.parametrize(
    ("name", "words", "least_s"),
    [("SQLITE_BUSY", "does not let go", 0.3), ("SQLITE_IOERR_SHMOPEN", "disk reports an error", 0.0)],
)
def test_what_does_not_pass_is_one_sentence(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, name: str, words: str, least_s: float
) -> None:
    """Busy for longer than we wait; or something else, for which waiting is no use."""
    asked = []

    def execute(plain: Any, sql: str, *values: Any) -> Any:
        if sql == "PRAGMA journal_mode = WAL":
            asked.append(sql)
            raise trouble(name)
        return plain(sql, *values)

    opened_by(monkeypatch, execute)
    began_s = time.monotonic()
    with pytest.raises(JournalError, match=words) as error:
        Journal(tmp_path / "journal.sqlite", busy_s=0.3)
    assert error.value.again
    assert time.monotonic() - began_s >= least_s
    assert (len(asked) > 1) is (least_s > 0)


def test_a_disk_without_a_write_ahead_log_is_refused(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """SQLite then answers with the mode it stays in, without an error; on a share two machines could write at once."""

    def execute(plain: Any, sql: str, *values: Any) -> Any:
        return plain("SELECT 'delete'" if sql == "PRAGMA journal_mode = WAL" else sql, *values)

    opened_by(monkeypatch, execute)
    with pytest.raises(JournalError, match="local disk"):
        Journal(tmp_path / "journal.sqlite")


# ---- commits ----


def test_a_commit_that_fails_is_told_and_leaves_the_journal_usable(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Nothing of the group is there, trying again helps, and it does."""
    broken = []

    def execute(plain: Any, sql: str, *values: Any) -> Any:
        if sql == "COMMIT" and broken:
            raise trouble("SQLITE_IOERR_FSYNC")
        return plain(sql, *values)

    opened_by(monkeypatch, execute)
    with Journal(tmp_path / "journal.sqlite") as journal:
        broken.append(True)
        with pytest.raises(JournalError, match="disk reports an error") as error:
            journal.add_readings([Reading("b", "core", T0, T0, 50.0)])
        assert error.value.again
        assert list(journal.readings()) == []
        broken.clear()
        assert journal.add_readings([Reading("b", "core", T0, T0, 50.0)]) == 1
        with Journal(journal.path) as other:
            assert len(list(other.readings())) == 1


def test_an_error_in_the_middle_of_the_rows_is_one_sentence(journal: Journal) -> None:
    """The first rows came, then the disk failed: no half answer is taken for a whole one."""
    with pytest.raises(JournalError, match="integer overflow") as error:
        journal._rows("SELECT abs(column1) FROM (VALUES (1), (-9223372036854775808))")
    assert str(journal.path) in str(error.value)


def test_an_error_without_words_is_named_by_its_kind() -> None:
    """So that the sentence never ends in nothing; and only what was closed is said to be closed."""
    told = str(explained(sqlite3.InterfaceError(), Path("journal.sqlite")))
    assert told == "Journal journal.sqlite: InterfaceError."
    told = str(explained(sqlite3.ProgrammingError("Incorrect number of bindings"), Path("journal.sqlite")))
    assert told == "Journal journal.sqlite: Incorrect number of bindings."


# ---- the schema ----


def test_a_step_that_another_has_done_meanwhile_is_not_done_twice(tmp_path: Path) -> None:
    """Two processes find an old file; the second one waits for the lock and then finds nothing to do."""
    path = tmp_path / "journal.sqlite"
    step = migrations.Migration(1, "one", ("CREATE TABLE a (x)",))

    class Late(sqlite3.Connection):
        def execute(self, sql: str, *values: Any) -> Any:
            if sql == "BEGIN IMMEDIATE":
                first = sqlite3.connect(path, isolation_level=None)
                assert migrations.migrate(first, "first", (step,)) == [1]
                first.close()
            return super().execute(sql, *values)

    late = sqlite3.connect(path, isolation_level=None, factory=Late)
    assert migrations.migrate(late, "late", (step,)) == []
    assert late.execute("SELECT number, applied_by FROM migrations").fetchall() == [(1, "first")]
    assert not late.in_transaction
    late.close()


def test_a_step_that_the_disk_refuses_and_has_rolled_back_is_told() -> None:
    """After some errors SQLite rolls back by itself; the error that is told is the disk's, not one of ours."""
    db = sqlite3.connect(":memory:", isolation_level=None)
    step = migrations.Migration(1, "one", ("CREATE TABLE a (x)", "ROLLBACK", "CREATE TABLE b (nonsense"))
    with pytest.raises(sqlite3.OperationalError, match="incomplete input"):
        migrations.migrate(db, "test", (step,))
    assert migrations.version_of(db) == 0
    assert db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0] == 0


# ---- backup ----


def test_a_copy_that_is_damaged_gets_no_name(journal: Journal, tmp_path: Path) -> None:
    """A journal with a page that belongs to nothing is copied with it; that copy never looks like a backup."""
    journal._run("PRAGMA writable_schema = ON")
    journal._run("DELETE FROM sqlite_master WHERE name = 'told_about'")
    target = tmp_path / "backup.sqlite"
    with pytest.raises(JournalError, match="copy of it is damaged") as error:
        copy_journal(journal.path, target)
    assert error.value.again
    assert [path.name for path in tmp_path.iterdir() if path.name.startswith("backup")] == []
