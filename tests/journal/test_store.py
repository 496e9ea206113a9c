"""The file itself: opening, schema, several processes, errors in one sentence."""

from __future__ import annotations

import contextlib
import sqlite3
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from monitor.domain import Batch, Reading
from monitor.journal import migrations
from monitor.journal.database import Journal, JournalError, Message, Refused
from monitor.journal.migrations import is_foreign
from monitor.journal.safekeeping import copy_journal
from monitor.journal.store import WAL_LIMIT_BYTES, Store, explained

T0 = 1_773_480_000.0
ROOT = Path(__file__).parents[2]


def reading(n: int) -> Reading:
    return Reading("shed-2", "core", T0 + n, T0 + n, 50.0)


def pragma(journal: Journal, name: str) -> object:
    return journal._row(f"PRAGMA {name}")[0]


def one_sentence(error: pytest.ExceptionInfo[JournalError]) -> str:
    text = str(error.value)
    assert text.endswith(".")
    assert "\n" not in text
    return text


# ---- opening ----


def test_a_journal_is_opened_for_durability(journal: Journal) -> None:
    """Write-ahead log, a sync at every commit, foreign keys, a time to wait for others."""
    found = [pragma(journal, name) for name in ("journal_mode", "synchronous", "foreign_keys", "busy_timeout")]
    assert found == ["wal", 2, 1, 10_000]
    assert [pragma(journal, "page_size"), pragma(journal, "wal_autocheckpoint")] == [1024, 4000]
    assert pragma(journal, "application_id") == migrations.APPLICATION_ID


def test_a_part_of_the_watch_opens_it_as_the_watch_does(journal: Journal) -> None:
    """What one of them commits is as safe, and its log is cut back like the others'."""
    asked = ("journal_mode", "synchronous", "foreign_keys", "wal_autocheckpoint", "journal_size_limit")
    with Journal(journal.path, there_already=True) as part:
        assert [pragma(part, name) for name in asked] == [pragma(journal, name) for name in asked]
    assert [pragma(journal, name) for name in asked] == ["wal", 2, 1, 4000, WAL_LIMIT_BYTES]


def test_foreign_keys_hold(journal: Journal) -> None:
    """An entry of no batch cannot be written, not even past the checks."""
    with pytest.raises(JournalError, match="FOREIGN KEY"), journal.transaction():
        journal._run("INSERT INTO entries (entry_id, batch, kind, at_s, noted_at_s) VALUES ('e', 'none', 'note', 0, 0)")


def test_missing_folders_are_made(tmp_path: Path) -> None:
    """And odd characters in a path are taken as they are."""
    path = tmp_path / "a b" / "50 % #1? ü" / "journal.sqlite"
    with Journal(path) as journal:
        journal.add_readings([reading(0)])
    assert path.exists()


def test_a_folder_that_cannot_be_made_is_one_sentence(tmp_path: Path) -> None:
    """For instance because a file stands in the way."""
    (tmp_path / "file").write_text("x")
    with pytest.raises(JournalError, match="folder cannot be made") as error:
        Journal(tmp_path / "file" / "journal.sqlite")
    one_sentence(error)


def test_a_folder_in_place_of_the_file_is_one_sentence(tmp_path: Path) -> None:
    """SQLite cannot open it."""
    with pytest.raises(JournalError, match="cannot be opened") as error:
        Journal(tmp_path)
    one_sentence(error)


def test_what_is_no_database_is_left_alone(tmp_path: Path) -> None:
    """A file named by mistake is not touched."""
    path = tmp_path / "letter.txt"
    path.write_text("Dear Ada, " * 500)
    before = path.read_bytes()
    with pytest.raises(JournalError, match="not a journal") as error:
        Journal(path)
    assert not error.value.again
    assert path.read_bytes() == before


def test_another_programs_database_is_left_alone(tmp_path: Path) -> None:
    """It has tables and does not carry our mark."""
    path = tmp_path / "other.sqlite"
    with sqlite3.connect(path) as other:
        other.execute("CREATE TABLE recipes (name TEXT)")
    other.close()
    with pytest.raises(JournalError, match="belongs to another program"):
        Journal(path)
    check = sqlite3.connect(path)
    assert check.execute("SELECT name FROM sqlite_master").fetchall() == [("recipes",)]
    check.close()


def test_a_newer_schema_is_refused_untouched(journal: Journal) -> None:
    """The sentence names both versions and what to do."""
    journal._run("PRAGMA user_version = 99")
    journal.close()
    with pytest.raises(JournalError, match=r"newer Emberpail \(schema 99") as error:
        Journal(journal.path)
    one_sentence(error)
    with pytest.raises(JournalError, match="newer"):
        Journal(journal.path, read_only=True)


def test_the_file_can_be_looked_through_without_its_nouns(journal: Journal) -> None:
    """Whoever only wants to know that a file is sound, and brought up to date, needs no more than the store."""
    journal.add_readings([reading(0)])
    with Store(journal.path) as store:
        assert "is sound: 1 readings" in store.check()
    with pytest.raises(JournalError, match="has been closed"):
        store.check()


def test_closing_twice_does_no_harm_and_using_it_closed_is_one_sentence(journal: Journal) -> None:
    """No traceback of the database library reaches a person."""
    journal.close()
    journal.close()
    with pytest.raises(JournalError, match="has been closed"):
        journal.batches()


# ---- read-only ----


def test_reading_needs_a_file(tmp_path: Path) -> None:
    """Looking does not make one."""
    path = tmp_path / "none.sqlite"
    with pytest.raises(JournalError, match="no such file yet"):
        Journal(path, read_only=True)
    assert not path.exists()


def test_read_only_sees_the_newest_and_cannot_write(journal: Journal) -> None:
    """It follows what the writer commits; a write is one sentence."""
    with Journal(journal.path, read_only=True) as looker:
        journal.add_readings([reading(0)])
        assert list(looker.readings()) == [reading(0)]
        with pytest.raises(JournalError, match="cannot be written"):
            looker.add_readings([reading(1)])


def test_read_only_does_not_migrate(tmp_path: Path) -> None:
    """An older file is brought up to date by watch, not by a look."""
    path = tmp_path / "old.sqlite"
    old = sqlite3.connect(path)
    old.execute(f"PRAGMA application_id = {migrations.APPLICATION_ID}")
    old.execute("CREATE TABLE migrations (number INTEGER)")
    old.close()
    with pytest.raises(JournalError, match="older Emberpail"):
        Journal(path, read_only=True)


# ---- schema ----


def test_steps_are_numbered_without_gaps() -> None:
    """The number is the file's version, so each must be the one before plus one."""
    assert [step.number for step in migrations.MIGRATIONS] == list(range(1, migrations.NEWEST + 1))


def test_each_step_is_recorded_once(journal: Journal) -> None:
    """Opening again does nothing more."""
    journal.close()
    with Journal(journal.path) as again:
        rows = again._rows("SELECT number, name FROM migrations ORDER BY number")
        assert rows == [(step.number, step.name) for step in migrations.MIGRATIONS]
        assert pragma(again, "user_version") == migrations.NEWEST


def test_a_step_that_fails_leaves_no_trace() -> None:
    """Step and record are one transaction; the steps before it stand."""
    db = sqlite3.connect(":memory:", isolation_level=None)
    good = migrations.Migration(1, "good", ("CREATE TABLE a (x)",))
    bad = migrations.Migration(2, "bad", ("CREATE TABLE b (x)", "CREATE TABLE a (x)"))
    mended = migrations.Migration(2, "mended", ("CREATE TABLE b (x)",))
    with pytest.raises(sqlite3.OperationalError):
        migrations.migrate(db, "test", (good, bad))
    assert migrations.version_of(db) == 1
    assert db.execute("SELECT name FROM sqlite_master WHERE name = 'b'").fetchall() == []
    assert migrations.migrate(db, "test", (good, mended)) == [2]
    assert migrations.migrate(db, "test", (good, mended)) == []
    assert db.execute("SELECT number, name, applied_by FROM migrations").fetchall() == [
        (1, "good", "test"),
        (2, "mended", "test"),
    ]


# ---- several at once ----

OPEN_AND_WRITE = """
import sys
from monitor.domain import Reading
from monitor.journal.database import Journal
with Journal(sys.argv[1]) as journal:
    for n in range(25):
        journal.add_readings([Reading("b" + sys.argv[2], "core", float(n), float(n), 20.0)])
"""


def test_processes_that_open_a_new_file_at_once_share_it(tmp_path: Path) -> None:
    """Each migrates or finds it migrated, each waits its turn, and every write is kept."""
    path = tmp_path / "journal.sqlite"
    writers = [
        subprocess.Popen([sys.executable, "-c", OPEN_AND_WRITE, str(path), str(n)], cwd=ROOT, stderr=subprocess.PIPE)
        for n in range(4)
    ]
    for writer in writers:
        _, trouble = writer.communicate(timeout=60)
        assert writer.returncode == 0, trouble.decode()
    with Journal(path) as journal:
        assert len(list(journal.readings())) == 100
        assert "is sound" in journal.check()


def test_a_journal_that_another_process_makes_this_moment_is_not_taken_for_a_foreign_file(tmp_path: Path) -> None:
    """Whenever between two looks at the new file its tables and its mark come."""
    path = tmp_path / "journal.sqlite"
    made = []

    class Between:
        """A connection between whose first answer and its second the other process is done."""

        def execute(self, sql: str) -> sqlite3.Cursor:
            answer = new.execute(sql)
            rows = answer.fetchall()
            if not made:
                made.append(Journal(path).close())
            return new.execute(f"SELECT {rows[0][0]}")

    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as new:
        assert not is_foreign(Between())  # type: ignore[arg-type]
        assert made and not is_foreign(new)


def test_threads_share_one_journal(journal: Journal) -> None:
    """Transactions of different threads never mix: each group is whole, or absent."""
    stop = RuntimeError("taken back")

    def work(number: int) -> None:
        for n in range(20):
            try:
                with journal.transaction():
                    journal.set_fact(f"{number}-{n}-first", n)
                    journal.set_fact(f"{number}-{n}-second", n)
                    if n % 2:
                        raise stop
            except RuntimeError:
                pass

    threads = [threading.Thread(target=work, args=(number,)) for number in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    for number in range(4):
        for n in range(20):
            expected = None if n % 2 else n
            assert journal.fact(f"{number}-{n}-first") == journal.fact(f"{number}-{n}-second") == expected


def test_a_writer_that_does_not_let_go_is_one_sentence(tmp_path: Path) -> None:
    """After the time to wait; trying again helps, and does."""
    path = tmp_path / "journal.sqlite"
    with Journal(path) as holder, Journal(path, busy_s=0.1) as other:
        with holder.transaction():
            holder.set_fact("a", 1)
            with pytest.raises(JournalError, match="does not let go") as error:
                other.set_fact("b", 2)
            assert error.value.again
            assert other.fact("a") is None
        other.set_fact("b", 2)
        assert (holder.fact("a"), holder.fact("b")) == (1, 2)


def test_only_one_watch_may_have_a_journal(journal: Journal) -> None:
    """Two would send every message twice; the place is free again when the first closes."""
    journal.claim_watch()
    with Journal(journal.path) as other:
        with pytest.raises(Refused, match="already runs"):
            other.claim_watch()
        journal.close()
        other.claim_watch()


# ---- trouble ----


def test_a_full_disk_is_one_sentence_and_passes(tmp_path: Path) -> None:
    """Simulated by the page limit of SQLite: the group is not kept, earlier ones are, and room helps."""
    with Journal(tmp_path / "journal.sqlite") as journal:
        journal.add_readings([reading(0)])
        pages = pragma(journal, "page_count")
        pragma(journal, f"max_page_count = {pages}")
        with pytest.raises(JournalError, match="disk is full") as error:
            journal.add_readings(reading(n) for n in range(1, 5000))
        assert error.value.again
        assert list(journal.readings()) == [reading(0)]
        pragma(journal, "max_page_count = 1000000")
        assert journal.add_readings(reading(n) for n in range(5000)) == 4999


FULL_FILE = """
import resource, signal, sys
from monitor.domain import Reading
from monitor.journal.database import Journal, JournalError
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
journal = Journal(sys.argv[1])
journal.add_readings([Reading("b", "core", 0.0, 0.0, 20.0)])
resource.setrlimit(resource.RLIMIT_FSIZE, (600_000, resource.RLIM_INFINITY))
kept, failures = 1, 0
for group in range(60):
    times = [float(1 + group * 500 + n) for n in range(500)]
    try:
        with journal.transaction():
            journal.add_readings([Reading("b", "core", t, t, 20.0) for t in times])
            journal.set_fact("group", group)
        kept += 500
    except JournalError as error:
        failures += 1
        assert error.again, str(error)
assert failures > 0
resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
journal.add_readings([Reading("b", "core", -1.0, 99999.0, 20.0)])
print(kept + 1, len(list(journal.readings())), journal.fact("group"), failures)
print(journal.check())
"""


def test_writes_that_the_system_cuts_short_do_no_harm(tmp_path: Path) -> None:
    """The system itself refuses to let the files grow (EFBIG): groups fail whole, and it goes on when it may."""
    done = subprocess.run(
        [sys.executable, "-c", FULL_FILE, str(tmp_path / "journal.sqlite")],
        cwd=ROOT, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    counts, sound = done.stdout.splitlines()
    acknowledged, there, _, failures = counts.split()
    assert int(there) >= int(acknowledged)
    assert int(failures) > 0
    assert "is sound" in sound


def test_a_damaged_file_is_found_and_named(tmp_path: Path) -> None:
    """The check reads every page; the sentence says to restore the backup."""
    path = tmp_path / "journal.sqlite"
    with Journal(path) as journal:
        journal.add_readings(reading(n) for n in range(5000))
    data = bytearray(path.read_bytes())
    for page in range(len(data) // 4096 // 2, len(data) // 4096):
        data[page * 4096 : page * 4096 + 2048] = b"\xff" * 2048
    path.write_bytes(data)
    with pytest.raises(JournalError, match="restore the last backup") as error, Journal(path) as journal:
        journal.check()
    one_sentence(error)


def test_damage_that_only_the_check_sees_is_found(journal: Journal) -> None:
    """Every page can be read and every row has its owner; a value is there that none of the rules allows."""
    journal.set_fact("odd", 1)
    assert "is sound" in journal.check()
    journal.close()
    with contextlib.closing(sqlite3.connect(journal.path, isolation_level=None)) as other:
        other.execute("PRAGMA writable_schema = ON")
        rule = "replace(sql, ')', ', CHECK (key <> ''odd''))')"
        other.execute(f"UPDATE sqlite_master SET sql = {rule} WHERE name = 'facts'")
    with Journal(journal.path) as again, pytest.raises(JournalError, match=r"damaged \(CHECK .*\); restore") as error:
        again.check()
    one_sentence(error)


def test_a_sound_file_says_how_much_is_still_to_be_told(journal: Journal) -> None:
    """Also what has failed so far, for it is tried again; not what was sent."""
    journal.add_readings([reading(0)])
    told = [Message(about, "first-1", "Ash", "a …1", "title", "body", T0, "now") for about in "abc"]
    journal.add_messages(told)
    journal.message_sent("a/first-1/Ash/a …1", T0)
    journal.message_failed("b/first-1/Ash/a …1", "no answer", True, T0)
    assert "1 readings, 2 messages still to be told" in journal.check()


def test_rows_that_lost_their_owner_are_found(journal: Journal) -> None:
    """Foreign keys are checked too, in case something wrote without them."""
    loose = sqlite3.connect(journal.path)
    loose.execute("INSERT INTO entries (entry_id, batch, kind, at_s, noted_at_s) VALUES ('e', 'none', 'note', 0, 0)")
    loose.commit()
    loose.close()
    with pytest.raises(JournalError, match="1 rows of entries"):
        journal.check()


@pytest.mark.parametrize(
    ("name", "words", "again"),
    [
        ("SQLITE_FULL", "disk is full", True),
        ("SQLITE_READONLY_DBMOVED", "cannot be written", True),
        ("SQLITE_BUSY_SNAPSHOT", "does not let go", True),
        ("SQLITE_IOERR_FSYNC", "disk reports an error", True),
        ("SQLITE_CORRUPT", "is damaged", False),
        ("SQLITE_NOTADB", "not a journal", False),
        ("SQLITE_CANTOPEN", "cannot be opened", True),
        ("SQLITE_PERM", "may not read", False),
        ("SQLITE_NOMEM", "out of memory", True),
        ("SQLITE_SOMETHING_NEW", "the library's own words", False),
    ],
)
def test_errors_of_the_database_become_sentences(name: str, words: str, again: bool) -> None:
    """By result code, extended codes included, with a flag whether trying again helps."""
    error = sqlite3.OperationalError("the library's own words")
    error.sqlite_errorname = name
    told = explained(error, Path("journal.sqlite"))
    assert words in str(told)
    assert told.again is again


def test_after_a_rollback_by_the_database_the_rest_of_a_group_is_refused(journal: Journal) -> None:
    """Some disk errors roll back at once; a caller who swallows the error must not commit half a group."""
    with pytest.raises(JournalError, match="nothing was kept") as error, journal.transaction():
        journal.set_fact("first", 1)
        journal._db.execute("ROLLBACK")
        journal.set_fact("second", 2)
    assert error.value.again
    assert (journal.fact("first"), journal.fact("second")) == (None, None)
    with pytest.raises(JournalError, match="nothing was kept"), journal.transaction():
        journal.set_fact("first", 1)
        journal._db.execute("ROLLBACK")
        journal.add_readings([reading(0)])
    with pytest.raises(JournalError, match="nothing was kept"), journal.transaction():
        journal.set_fact("first", 1)
        journal._db.execute("ROLLBACK")
        journal._run_many("INSERT INTO changes (what, id) VALUES ('batch-started', ?)", [("Invented",)])
    assert journal._rows("SELECT id FROM changes") == []
    journal.set_fact("third", 3)
    assert journal.fact("third") == 3


# ---- backup ----


def test_a_backup_is_one_sound_file_and_can_be_opened(journal: Journal, tmp_path: Path) -> None:
    """It is taken while the journal is in use."""
    journal.add_batch(Batch("Q 12", "shed-2", T0))
    journal.add_readings(reading(n) for n in range(1000))
    target = tmp_path / "backup.sqlite"
    with Journal(journal.path) as other:
        other.set_fact("busy", 1)
        assert copy_journal(journal.path, target) == target.stat().st_size
    journal.add_readings([reading(2000)])
    assert sorted(path.name for path in tmp_path.iterdir() if path.name.startswith("backup")) == ["backup.sqlite"]
    with Journal(target) as copy:
        assert len(list(copy.readings())) == 1000
        assert [record.batch.name for record in copy.batches()] == ["Q 12"]


def test_a_backup_goes_elsewhere_or_not_at_all(journal: Journal, tmp_path: Path) -> None:
    """Onto itself is refused; into a folder that is not there is one sentence, and leaves no half file."""
    with pytest.raises(Refused, match="there already"):
        copy_journal(journal.path, journal.path)
    with pytest.raises(JournalError) as error:
        copy_journal(journal.path, tmp_path / "no folder" / "backup.sqlite")
    one_sentence(error)
    (tmp_path / "taken").mkdir()
    with pytest.raises(Refused, match="there already"):
        copy_journal(journal.path, tmp_path / "taken")
