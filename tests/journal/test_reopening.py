"""A disk that goes and comes back: each connection opens the file anew, if it is the same journal, and nothing else."""

from __future__ import annotations

import contextlib
import gc
import json
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from monitor.domain import Reading
from monitor.journal import reopening
from monitor.journal.aside import Memory
from monitor.journal.database import Journal, JournalError, Refused
from monitor.journal.reopening import REOPEN_EVERY_S
from monitor.journal.store import claim_of
from tests.journal.pulling import pull


class Hours:
    """The monotonic clock of the journal, set by the test."""

    def __init__(self) -> None:
        self.now = 1000.0

    def monotonic(self) -> float:
        return self.now


@pytest.fixture
def hours(monkeypatch: pytest.MonkeyPatch) -> Hours:
    one = Hours()
    monkeypatch.setattr("monitor.journal.store.time.monotonic", one.monotonic)
    return one


@pytest.fixture
def watched(hours: Hours, tmp_path: Path) -> Iterator[Journal]:
    """The journal of a watch, with something in it."""
    with Journal(tmp_path / "disk" / "journal.sqlite") as journal:
        journal.claim_watch()
        journal.set_fact("one", 1)
        journal._run("INSERT INTO changes (what, id) VALUES ('batch-started', 'Invented')")
        yield journal


def copied(journal: Journal, to: Path) -> Path:
    """Its disk again, under another number: the same files in another folder."""
    to.mkdir()
    journal._run("PRAGMA wal_checkpoint(TRUNCATE)")
    shutil.copyfile(journal.path, to / journal.path.name)
    return to


def put_in_place(journal: Journal, folder: Path) -> None:
    journal.path.parent.rename(journal.path.parent.with_name("gone"))
    folder.rename(journal.path.parent)


def refused(journal: Journal) -> None:
    with pytest.raises(JournalError):
        journal.set_fact("two", 2)


def facts_there(path: Path) -> dict[str, str]:
    """As another process sees the file."""
    script = (
        "import json, sqlite3, sys; db = sqlite3.connect(sys.argv[1]); "
        "print(json.dumps(dict(db.execute('SELECT key, value FROM facts'))))"
    )
    found = subprocess.run([sys.executable, "-c", script, str(path)], capture_output=True, text=True, check=True)
    return dict(json.loads(found.stdout))


def test_a_disk_that_came_back_is_written_to_again(watched: Journal, hours: Hours, tmp_path: Path) -> None:
    """Not at once, for most errors pass; a minute later, by each connection of the process."""
    with Journal(watched.path) as postman, Journal(watched.path, read_only=True) as page:
        postman.set_fact("postman", 1)
        copy = copied(watched, tmp_path / "copy")
        pull(watched.path)
        put_in_place(watched, copy)
        refused(watched)
        with pytest.raises(JournalError):
            postman.set_fact("postman", 2)
        hours.now += REOPEN_EVERY_S - 1.0
        refused(watched)
        hours.now += 2.0
        watched.set_fact("two", 2)
        postman.set_fact("postman", 2)
        hours.now += REOPEN_EVERY_S
        assert page.fact("two") == 2
        assert {"one": "1", "two": "2", "postman": "2"}.items() <= facts_there(watched.path).items()
        assert postman.fact("two") == 2
        watched.check()
    watched.set_fact("three", 3)
    assert facts_there(watched.path)["three"] == "3", "the log was removed with the dead connections"
    with pytest.raises(Refused, match="already runs"):
        claim_of(watched.path)


def test_a_page_that_only_reads_heals_itself(watched: Journal, hours: Hours) -> None:
    """Its reads fail where nothing of the file is in memory."""
    for number in range(200):
        watched.set_fact(f"long-{number}", "x" * 20_000)
    watched._run("PRAGMA wal_checkpoint(TRUNCATE)")
    with Journal(watched.path, read_only=True) as page:
        pull(watched.path)
        with pytest.raises(JournalError):
            page.facts_of("long-")
        hours.now += REOPEN_EVERY_S + 1.0
        assert len(page.facts_of("long-")) == 200
        db = page._db
        hours.now += REOPEN_EVERY_S + 1.0
        assert len(page.facts_of("long-")) == 200 and page._db is db, "it is well, and was opened anew all the same"


def test_what_belongs_to_the_connection_goes_on(watched: Journal, hours: Hours) -> None:
    """The numbers of the probes are looked up anew, and changed readings are still noted for the mirror."""
    watched.note_changed_readings()
    pull(watched.path)
    refused(watched)
    hours.now += REOPEN_EVERY_S + 1.0
    watched.set_fact("two", 2)
    assert watched._rows("SELECT name FROM temp.sqlite_master") == [("reading_changed",)]
    with pytest.raises(Refused, match="already runs"):
        claim_of(watched.path)


def test_an_error_that_passed_opens_nothing_anew(watched: Journal, hours: Hours) -> None:
    """What was written since says that the disk is well; what only looked, or changed nothing, says nothing."""
    db = watched._db
    watched._ill, watched._look_at = True, hours.now + REOPEN_EVERY_S
    watched.set_fact("two", 2)
    hours.now += REOPEN_EVERY_S + 1.0
    assert watched.fact("two") == 2 and watched._db is db
    watched._ill, watched._look_at = True, hours.now + REOPEN_EVERY_S
    with watched.transaction():
        watched.fact("two")
    hours.now += REOPEN_EVERY_S + 1.0
    with watched.transaction():
        assert watched.fact("two") == 2
    assert watched._db is not db


def test_what_the_disk_is_not_to_blame_for_opens_nothing_anew(watched: Journal, hours: Hours) -> None:
    """A wrong statement stays wrong."""
    db = watched._db
    for _ in range(2):
        with pytest.raises(JournalError):
            watched._run("nonsense")
        hours.now += REOPEN_EVERY_S + 1.0
    assert watched._db is db


def test_a_transaction_stays_on_one_connection(watched: Journal, hours: Hours) -> None:
    """Also a reading of one moment that another command has open."""
    db = watched._db
    watched._ill = True
    with pytest.raises(ZeroDivisionError), watched.transaction():
        hours.now += 2 * REOPEN_EVERY_S
        watched.fact("one")
        assert watched._db is db
        raise ZeroDivisionError
    watched._db.execute("BEGIN")
    watched.fact("one")
    assert watched._db is db
    watched._db.execute("ROLLBACK")


def test_an_empty_mount_point_gets_no_journal(watched: Journal, hours: Hours, tmp_path: Path) -> None:
    """The disk is away: nothing is made under its name, and it is found when it is there again."""
    disk = watched.path.parent
    pull(watched.path)
    refused(watched)
    disk.rename(tmp_path / "away")
    for _ in range(2):
        hours.now += REOPEN_EVERY_S + 1.0
        refused(watched)
        assert not disk.exists()
        disk.mkdir()
        refused(watched)
        assert list(disk.iterdir()) == []
        disk.rmdir()
    disk.mkdir()
    watched.path.touch()  # a file without a journal in it gets none either
    hours.now += REOPEN_EVERY_S + 1.0
    refused(watched)
    assert watched.path.stat().st_size == 0
    watched.path.unlink()
    disk.rmdir()
    (tmp_path / "away").rename(disk)
    hours.now += REOPEN_EVERY_S + 1.0
    watched.set_fact("two", 2)
    assert facts_there(watched.path)["two"] == "2"


def test_another_file_in_the_place_is_found_without_an_error(watched: Journal, hours: Hours, tmp_path: Path) -> None:
    """What is in memory of a dead disk would be read for ever. The watch claims the file that is there now, and the
    log of those who write there is not removed by its name when the old connection ends.
    """
    put_in_place(watched, copied(watched, tmp_path / "copy"))
    with Journal(watched.path) as other, Journal(watched.path, read_only=True) as early:
        other.set_fact("two", 2)
        old = watched._db
        hours.now += REOPEN_EVERY_S + 1.0
        assert watched.fact("two") == 2 and watched._db is not old
        assert early.fact("two") == 2
        assert old.execute("SELECT 1").fetchone() == (1,), "it was closed"
        with pytest.raises(Refused, match="already runs"):
            claim_of(watched.path)
    watched.set_fact("three", 3)
    assert facts_there(watched.path)["three"] == "3"


@pytest.mark.parametrize("there", ["another", "none"])
def test_nothing_is_written_to_a_file_that_is_not_in_its_place(
    watched: Journal, hours: Hours, tmp_path: Path, there: str
) -> None:
    """A disk was mounted over it, a backup copied there, or somebody removed it: the old file can still be written, and
    nobody would find what it holds. At once, for what is committed is acknowledged; and not only by the watch.
    """
    place, says = watched.path.parent, "not there" if there == "none" else "another journal"
    with Journal(watched.path) as postman, Journal(watched.path, read_only=True) as page:
        place.rename(tmp_path / "beneath")
        if there == "another":
            with Journal(watched.path) as other:
                other.claim_watch()
                other.set_fact("whose", "the disk's")
        for _ in range(2):
            for journal in (watched, postman):
                with pytest.raises(JournalError, match=says) as refused_it:
                    journal.set_fact("two", 2)
                assert refused_it.value.again and not isinstance(refused_it.value, Refused)
                with pytest.raises(JournalError, match=says):
                    reading(journal)
            assert watched.fact("one") == page.fact("one") == 1, "judging goes on by what is known"
            hours.now += REOPEN_EVERY_S + 1.0
        if there == "another":
            assert facts_there(watched.path)["whose"] == json.dumps("the disk's")
            shutil.rmtree(place)
        (tmp_path / "beneath").rename(place)
        watched.set_fact("two", 2)
        postman.set_fact("three", 3)
    assert {"one": "1", "two": "2", "three": "3"}.items() <= facts_there(watched.path).items()


def test_a_connection_whose_disk_is_gone_is_left_at_the_end(hours: Hours, tmp_path: Path) -> None:
    """A watch that ends before it has found the disk again removes no log of others either."""
    journal = Journal(tmp_path / "disk" / "journal.sqlite")
    put_in_place(journal, copied(journal, tmp_path / "copy"))
    number = id(journal._db)
    journal.close()
    del journal._db  # nobody else holds it
    gc.collect()
    left = [one for one in gc.get_objects() if id(one) == number and isinstance(one, sqlite3.Connection)]
    assert [one.execute("SELECT 1").fetchone() for one in left] == [(1,)]


def test_another_journal_is_not_written_to(watched: Journal, hours: Hours, tmp_path: Path) -> None:
    """A mount point without its disk may hold the journal of long ago, or a copy of before it was moved."""
    before = copied(watched, tmp_path / "before")
    with watched.transaction():
        watched._run("INSERT INTO changes (what, id) VALUES ('batch-ended', 'Invented')")
    foreign = tmp_path / "foreign"
    with Journal(foreign / "journal.sqlite") as other:
        for number in range(5):
            other._run("INSERT INTO changes (what, id) VALUES ('batch-started', ?)", (str(number),))
    put_in_place(watched, foreign)
    for folder in (foreign, before):
        hours.now += REOPEN_EVERY_S + 1.0
        old = watched._db
        assert watched.fact("one") == 1 and watched._db is old
        if folder is foreign:
            shutil.rmtree(watched.path.parent)
            before.rename(watched.path.parent)


def entry(journal: Journal) -> None:
    with journal.transaction():
        journal._run("INSERT INTO changes (what, id) VALUES ('entry-added', 'Invented')")


def reading(journal: Journal, at_s: float = 1.8e9) -> None:
    journal.add_readings([Reading("shed-1", "core", at_s, at_s, 60.0)])


@pytest.mark.parametrize("write", [entry, reading])
def test_a_copy_of_an_earlier_day_is_not_the_journal(
    hours: Hours, tmp_path: Path, write: Callable[[Journal], None]
) -> None:
    """It was made while the watch ran, and since then entries or readings came that are told as kept."""
    with Journal(tmp_path / "disk" / "journal.sqlite") as watched:
        watched.claim_watch()
        with Journal(watched.path, read_only=True) as page:
            earlier = copied(watched, tmp_path / "earlier")
            write(watched)
            now = copied(watched, tmp_path / "now")
            hours.now += REOPEN_EVERY_S + 1.0
            page.fact("one")
            pull(watched.path)
            put_in_place(watched, earlier)
            refused(watched)
            old, read = watched._db, page._db
            hours.now += REOPEN_EVERY_S + 1.0
            refused(watched)
            with contextlib.suppress(JournalError):
                page.fact("one")
            assert watched._db is old and page._db is read
            shutil.rmtree(watched.path.parent)
            now.rename(watched.path.parent)
            hours.now += REOPEN_EVERY_S + 1.0
            watched.set_fact("two", 2)
            assert page.fact("two") == 2


def test_readings_that_are_numbered_anew_leave_it_the_same_journal(watched: Journal) -> None:
    """Thinned, and then one taken in from elsewhere among the others: the highest number falls, the newest arrival does
    not.
    """
    for number in range(6):
        reading(watched, 1.8e9 + number)
    before = reopening.known_by(watched._db, watched.path)
    highest = watched._row("SELECT max(id) FROM readings")[0]
    watched.drop_readings([2, 3, 4, 5])
    row = {"bucket": "shed-2", "probe": "core", "time_s": 1.7e9, "arrival_s": 1.7e9, "temperature_c": 20.0,
           "state": None, "retimed": 0, "reason": None}  # fmt: skip
    with watched.transaction():
        assert watched.put_rows("readings", [row]) == 1
    assert watched._row("SELECT max(id) FROM readings")[0] < highest
    assert reopening.known_by(watched._db, watched.path).goes_on_from(before)


def test_a_commit_after_which_nothing_can_be_asked_is_a_commit(
    watched: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The disk goes away just then."""

    def gone(*_: object) -> reopening.Known:
        raise sqlite3.OperationalError("disk I/O error")

    known = watched._known
    monkeypatch.setattr(reopening, "known_by_now", gone)
    watched.set_fact("two", 2)
    assert watched.fact("two") == 2 and watched._known is known


def test_one_that_another_watch_minds_is_left_to_it(watched: Journal, hours: Hours, tmp_path: Path) -> None:
    """The disk was put in elsewhere, or another watch was started on it meanwhile: two would ring everybody twice."""
    put_in_place(watched, copied(watched, tmp_path / "copy"))
    old = watched._db
    with claim_of(watched.path):
        hours.now += REOPEN_EVERY_S + 1.0
        watched.fact("one")
        assert watched._db is old
    hours.now += REOPEN_EVERY_S + 1.0
    watched.fact("one")
    assert watched._db is not old


def test_a_journal_without_entries_goes_on_as_any(hours: Hours, tmp_path: Path) -> None:
    """One that only reads may have been opened before the watch gave the journal its identity."""
    with Journal(tmp_path / "disk" / "journal.sqlite") as journal:
        known = reopening.known_by(journal._db, journal.path)
        assert known.identity == "" and known.changes == 0
        journal.claim_watch()
        named = reopening.known_by(journal._db, journal.path)
        assert named.goes_on_from(known) and not known.goes_on_from(named)
        reopening.name(journal._db)
        assert reopening.known_by(journal._db, journal.path) == named


def test_memory_has_no_file() -> None:
    """What is kept beside a disk that refuses is simply closed."""
    memory = Memory()
    memory.close()
    with pytest.raises(JournalError, match="closed"):
        memory.fact("one")


def test_a_claim_on_a_full_disk_is_a_claim(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The identity is for later."""

    def full(_: sqlite3.Connection) -> None:
        raise sqlite3.OperationalError("full")

    monkeypatch.setattr(reopening, "name", full)
    with Journal(tmp_path / "journal.sqlite") as journal:
        journal.claim_watch()
        with pytest.raises(Refused, match="already runs"):
            claim_of(journal.path)


def test_a_file_with_its_tables_torn_is_one_sentence(tmp_path: Path) -> None:
    """Also where it is first asked what it is."""
    path = tmp_path / "journal.sqlite"
    with Journal(path) as journal:
        journal._run("DROP TABLE facts")
    with pytest.raises(JournalError, match="no such table"):
        Journal(path)
