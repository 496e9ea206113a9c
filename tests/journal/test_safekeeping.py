"""A journal copied while it is in use, looked at before it is trusted, and put back."""

from __future__ import annotations

import errno
import hashlib
import os
import shutil
import sqlite3
from collections import namedtuple
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from monitor.domain import Batch, Reading
from monitor.journal import putting_back, safekeeping
from monitor.journal.database import Journal, JournalError, Photo, Refused
from monitor.journal.migrations import NEWEST
from monitor.journal.photo_files import copy_by_hash, copy_photo, kept_copy, photo_folder
from monitor.journal.putting_back import put_back
from monitor.journal.safekeeping import Stopped, copy_journal, examine, name_for_good, reading
from tests.journal.damaging import damage

T0 = 1_773_480_000.0
DATED = "2026-01-17-180500"
_DiskUsage = namedtuple("_DiskUsage", "total used free")


@pytest.fixture
def filled(journal: Journal) -> Journal:
    fill(journal, 3000)
    return journal


def fill(journal: Journal, readings: int, name: str = "Quillmarsh 12") -> None:
    journal.add_batch(Batch(name, "shed-2", T0))
    journal.add_readings(Reading("shed-2", "core", T0 + n, T0 + n, 20.0 + n % 50) for n in range(readings))


def other(path: Path, readings: int = 5) -> Path:
    """A backup of another journal."""
    with Journal(path.with_name("other.sqlite")) as journal:
        fill(journal, readings, "Quillmarsh 11")
        copy_journal(journal.path, path)
    return path


def names(path: Path) -> list[str]:
    with Journal(path) as journal:
        journal.check()
        return [record.batch.name for record in journal.batches()]


def failing(number: int) -> Any:
    def fail(*_given: object, **_more: object) -> None:
        raise OSError(number, os.strerror(number))

    return fail


# ---- copies ----


def test_a_copy_is_of_one_moment_however_long_it_takes(
    filled: Journal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is written while it is made is not in it, and does not make it begin anew."""
    monkeypatch.setattr(safekeeping, "_PAGES", 20)
    seen: list[tuple[int, int]] = []

    def progress(done: int, of: int) -> bool:
        seen.append((done, of))
        filled.set_fact(f"n{len(seen)}", 1)
        return True

    size = copy_journal(filled.path, tmp_path / "copy.sqlite", progress, pause_s=0.001)
    assert [done for done, _ in seen] == sorted({done for done, _ in seen}) and seen[-1][0] == seen[-1][1]
    assert size == (tmp_path / "copy.sqlite").stat().st_size
    with Journal(tmp_path / "copy.sqlite") as copy:
        assert copy.fact("n1") is None and len(list(copy.readings())) == 3000


def test_a_copy_that_is_stopped_leaves_nothing(filled: Journal, tmp_path: Path) -> None:
    with pytest.raises(Stopped):
        copy_journal(filled.path, tmp_path / "copy.sqlite", lambda _done, _all: False)
    assert not list(tmp_path.glob("copy*"))


def test_a_copy_takes_nobody_s_place(filled: Journal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Not that of a file that was there, nor of one that came meanwhile, nor on a stick without hard links."""
    target = tmp_path / "copy.sqlite"
    target.write_text("mine", encoding="utf-8")
    with pytest.raises(Refused, match="overwrites nothing"):
        copy_journal(filled.path, target)
    half = tmp_path / "half"
    half.write_text("new", encoding="utf-8")
    with pytest.raises(Refused, match="overwrites nothing"):
        name_for_good(half, target)
    monkeypatch.setattr(os, "link", failing(errno.EPERM))
    with pytest.raises(Refused, match="overwrites nothing"):
        name_for_good(half, target)
    assert target.read_text(encoding="utf-8") == "mine"
    name_for_good(half, tmp_path / "free")
    assert (tmp_path / "free").read_text(encoding="utf-8") == "new" and not half.exists()


def test_what_the_disk_refuses_is_one_sentence(
    filled: Journal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(JournalError, match="cannot be opened"):
        copy_journal(filled.path, tmp_path / "no folder" / "copy.sqlite")
    with pytest.raises(JournalError, match="cannot be opened"):
        copy_journal(tmp_path / "missing.sqlite", tmp_path / "copy.sqlite")
    monkeypatch.setattr(os, "link", failing(errno.EIO))
    with pytest.raises(JournalError, match="it cannot be written") as error:
        copy_journal(filled.path, tmp_path / "copy.sqlite")
    assert error.value.again and not list(tmp_path.glob("copy*"))


def test_a_damaged_journal_gives_no_copy(filled: Journal, tmp_path: Path) -> None:
    filled.close()
    damage(filled.path)
    with pytest.raises(JournalError, match="copy of it is damaged"):
        copy_journal(filled.path, tmp_path / "copy.sqlite")
    assert not list(tmp_path.glob("copy*"))


def test_a_journal_can_be_read_where_nothing_can_be_written(
    filled: Journal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A locked stick: SQLite's helper files cannot be made there. One that is locked by somebody is not such a one."""
    monkeypatch.setattr(safekeeping, "_WAIT_S", 0.05)
    filled.close()
    (tmp_path / "journal.sqlite-wal").mkdir()
    with reading(filled.path) as db:
        assert db.execute("SELECT count(*) FROM readings").fetchone() == (3000,)
    (tmp_path / "journal.sqlite-wal").rmdir()
    with closing(sqlite3.connect(filled.path, isolation_level=None)) as busy:
        busy.execute("PRAGMA journal_mode = DELETE")
        busy.execute("BEGIN EXCLUSIVE")
        with pytest.raises(sqlite3.OperationalError, match="locked"), reading(filled.path):
            pass
    with pytest.raises(sqlite3.DatabaseError), reading(_text(tmp_path / "text.sqlite")):
        pass


def test_a_file_is_not_read_alone_where_a_log_that_cannot_be_opened_lies_beside_it(
    filled: Journal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was committed last is in the log alone."""
    path = tmp_path / "stick" / "journal.sqlite"
    path.parent.mkdir()
    for ending in ("", "-wal"):
        shutil.copyfile(f"{filled.path}{ending}", f"{path}{ending}")
    assert Path(f"{path}-wal").stat().st_size
    plain, asked = sqlite3.connect, []

    class Refusing(sqlite3.Connection):
        def execute(self, sql: str, *values: Any) -> Any:
            error = sqlite3.OperationalError("unable to open database file")
            error.sqlite_errorname = "SQLITE_CANTOPEN"
            raise error

    def connect(address: str, **how: Any) -> sqlite3.Connection:
        asked.append(address)
        return plain(address, **how) if "immutable" in address else plain(address, factory=Refusing, **how)

    monkeypatch.setattr(safekeeping.sqlite3, "connect", connect)
    with pytest.raises(sqlite3.OperationalError, match="unable to open"), reading(path):
        pass
    assert not any("immutable" in address for address in asked)
    Path(f"{path}-wal").write_bytes(b"")
    with reading(path) as db:
        assert db.execute("PRAGMA page_size").fetchone() == (1024,)


def test_a_copy_stands_alone(filled: Journal, tmp_path: Path) -> None:
    """Bytes 18 and 19 say whether a log goes with it (sqlite.org/fileformat2.html, 1.3.3): 1 is no, 2 is yes."""
    copy_journal(filled.path, tmp_path / "copy.sqlite")
    assert filled.path.read_bytes()[18:20] == b"\x02\x02"
    assert (tmp_path / "copy.sqlite").read_bytes()[18:20] == b"\x01\x01"


def _text(path: Path) -> Path:
    path.write_text("not a database " * 100, encoding="utf-8")
    return path


# ---- looking ----


def test_what_is_in_a_backup(filled: Journal, tmp_path: Path) -> None:
    copy_journal(filled.path, tmp_path / "copy.sqlite")
    found = examine(tmp_path / "copy.sqlite")
    assert (found.schema, found.batches, found.readings) == (NEWEST, 1, 3000)
    assert found.running == ("Quillmarsh 12",) and found.newest_s == T0 + 2999
    with Journal(tmp_path / "new.sqlite"):
        pass
    assert examine(tmp_path / "new.sqlite").newest_s is None


def test_what_cannot_be_trusted_is_refused(
    filled: Journal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No file, no database, another program's, a newer one, rows without what they belong to, pages overwritten."""
    made = {}
    for name in ("newer", "loose", "torn", "damaged"):
        made[name] = tmp_path / f"{name}.sqlite"
        copy_journal(filled.path, made[name])
    with closing(sqlite3.connect(made["newer"])) as db:
        db.execute(f"PRAGMA user_version = {NEWEST + 1}")
    with closing(sqlite3.connect(made["loose"])) as db:
        db.execute("DELETE FROM probes")
        db.commit()
    damage(made["damaged"])
    made["torn"].write_bytes(made["torn"].read_bytes()[:5000])
    with closing(sqlite3.connect(tmp_path / "foreign.sqlite")) as db:
        db.execute("CREATE TABLE theirs (x)")
    for name, says in (
        ("newer", "newer Emberpail"), ("loose", "is damaged"), ("torn", "damaged"), ("damaged", "is damaged"),
        ("foreign", "another program"), ("missing", "There is no backup"),
    ):  # fmt: skip
        with pytest.raises(JournalError, match=says):
            examine(tmp_path / f"{name}.sqlite")
    with pytest.raises(JournalError, match="is no journal"):
        examine(_text(tmp_path / "text.sqlite"))
    monkeypatch.setattr(Path, "open", failing(errno.EIO))
    with pytest.raises(JournalError, match="cannot be read"):
        examine(made["newer"])


# ---- putting back ----


def test_what_was_is_back_and_what_is_lies_aside(filled: Journal, tmp_path: Path) -> None:
    backup = other(tmp_path / "backup.sqlite")
    done = put_back(backup, filled.path, DATED)
    assert names(filled.path) == ["Quillmarsh 11"] and done.contents.batches == 1
    assert done.aside == tmp_path / f"journal-before-restore-{DATED}.sqlite"
    assert names(done.aside) == ["Quillmarsh 12"]
    again = put_back(done.aside, filled.path, DATED)
    assert again.aside is not None and again.aside.name == f"journal-before-restore-{DATED}-2.sqlite"
    assert names(filled.path) == ["Quillmarsh 12"]


def test_nothing_there_yet(tmp_path: Path) -> None:
    """A new computer, or a file that a dead card left empty."""
    backup = other(tmp_path / "backup.sqlite")
    assert put_back(backup, tmp_path / "new" / "journal.sqlite", DATED).aside is None
    (tmp_path / "empty.sqlite").touch()
    assert put_back(backup, tmp_path / "empty.sqlite", DATED).aside is None
    assert names(tmp_path / "empty.sqlite") == names(tmp_path / "new" / "journal.sqlite") == ["Quillmarsh 11"]


def test_a_journal_that_cannot_be_read_is_moved_aside(filled: Journal, tmp_path: Path) -> None:
    """With the log beside it; the next one gets another name."""
    backup = other(tmp_path / "backup.sqlite")
    filled.close()
    damage(filled.path)
    before = filled.path.read_bytes()
    assert put_back(backup, filled.path, "once").aside is not None
    assert (tmp_path / "journal-damaged-once.sqlite").read_bytes() == before
    for ending, breaking in ((f"damaged-{DATED}", damage), (f"damaged-{DATED}-2", _text)):
        breaking(filled.path)
        (tmp_path / "journal.sqlite-wal").write_bytes(b"x" * 100)
        before = filled.path.read_bytes()
        done = put_back(backup, filled.path, DATED)
        assert done.aside == tmp_path / f"journal-{ending}.sqlite"
        assert done.aside.read_bytes() == before
        assert done.aside.with_name(done.aside.name + "-wal").read_bytes() == b"x" * 100
        assert names(filled.path) == ["Quillmarsh 11"]


def test_a_file_of_rubbish_is_moved_aside_alone(tmp_path: Path) -> None:
    """It has no log of its own, and none is made up for it."""
    backup, path = other(tmp_path / "backup.sqlite"), tmp_path / "journal.sqlite"
    _text(path)
    before = path.read_bytes()
    done = put_back(backup, path, DATED)
    assert done.aside is not None and done.aside.read_bytes() == before
    assert sorted(tmp_path.glob("journal-damaged*")) == [done.aside]
    assert names(path) == ["Quillmarsh 11"]


def test_other_pages_and_an_older_schema_are_brought_in_line(tmp_path: Path) -> None:
    """The journal takes in pages of its own size only."""
    path = tmp_path / "journal.sqlite"
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("PRAGMA page_size = 4096")
        db.execute("VACUUM")
    with Journal(path) as journal:
        fill(journal, 10)
        page_bytes = journal._row("PRAGMA page_size")[0]
    put_back(Path(__file__).parent / "schemas" / "schema-1.sqlite", path, DATED)
    assert names(path) == ["Quillmarsh 21", "Quillmarsh 22"]
    with Journal(path) as journal:
        assert journal._row("PRAGMA page_size")[0] == page_bytes
        assert journal.details("Quillmarsh 21") == {}


def test_what_must_not_be(filled: Journal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The journal itself, another program's file, under a watch, without room, where nothing can be written."""
    backup = other(tmp_path / "backup.sqlite")
    with pytest.raises(Refused, match="the journal itself"):
        put_back(filled.path, filled.path, DATED)
    with closing(sqlite3.connect(tmp_path / "foreign.sqlite")) as db:
        db.execute("CREATE TABLE theirs (x)")
    with pytest.raises(Refused, match="another program"):
        put_back(backup, tmp_path / "foreign.sqlite", DATED)
    with Journal(filled.path) as watching:
        watching.claim_watch()
        with pytest.raises(Refused, match="already runs"):
            put_back(backup, filled.path, DATED)
    with pytest.raises(JournalError, match=r"none\.sqlite"):
        put_back(tmp_path / "none.sqlite", filled.path, DATED)
    (tmp_path / "file").touch()
    with pytest.raises(JournalError, match="it cannot be written"):
        put_back(backup, tmp_path / "file" / "journal.sqlite", DATED)
    with monkeypatch.context() as patch:
        patch.setattr(shutil, "disk_usage", lambda _path: _DiskUsage(1, 1, 1))
        with pytest.raises(JournalError, match="must be free"):
            put_back(backup, filled.path, DATED)
    assert names(filled.path) == ["Quillmarsh 12"]
    assert not list(tmp_path.glob("journal-*")) and not list(tmp_path.glob(".journal*"))


@pytest.mark.parametrize("fails", ["fsync", "replace"])
def test_a_disk_that_refuses_leaves_the_journal(
    filled: Journal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fails: str
) -> None:
    backup = other(tmp_path / "backup.sqlite")
    filled.close()
    damage(filled.path)
    before = filled.path.read_bytes()
    monkeypatch.setattr(os, fails, failing(errno.EIO))
    with pytest.raises(JournalError, match="cannot be written"):
        put_back(backup, filled.path, DATED)
    assert filled.path.read_bytes() == before


def test_one_who_does_not_let_go_is_not_waited_for_without_end(
    filled: Journal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Once he lets go in time it goes on; otherwise one sentence, and nothing has changed."""
    backup = other(tmp_path / "backup.sqlite")
    monkeypatch.setattr(putting_back, "BUSY_S", 0.05)
    with filled.transaction():
        filled.set_fact("half", 1)
        with pytest.raises(JournalError, match="does not let go"):
            put_back(backup, filled.path, DATED)
    assert filled.fact("half") == 1


def test_a_file_that_the_disk_does_not_give_is_not_called_damaged(
    filled: Journal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An error of the disk is told; the journal is not moved aside for it."""
    backup = other(tmp_path / "backup.sqlite")
    real = putting_back.reading

    def unreadable(path: Path) -> Any:
        if path == filled.path:
            error = sqlite3.OperationalError("disk I/O error")
            error.sqlite_errorname = "SQLITE_IOERR_READ"
            raise error
        return real(path)

    monkeypatch.setattr(putting_back, "reading", unreadable)
    with pytest.raises(JournalError, match="disk reports an error"):
        put_back(backup, filled.path, DATED)
    assert names(filled.path) == ["Quillmarsh 12"]


def test_what_is_put_back_belongs_to_the_user_of_the_watch_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Root may restore for him: the journal and its claim are given to whoever the folder, or the journal, is of."""
    backup, home = other(tmp_path / "backup.sqlite"), tmp_path / "home"
    home.mkdir()
    given: list[tuple[str, int, int]] = []
    monkeypatch.setattr(os, "chown", lambda path, uid, gid: given.append((Path(path).name, uid, gid)))
    put_back(backup, home / "journal.sqlite", DATED)
    owner = home.stat().st_uid, home.stat().st_gid
    assert given == [(".journal.sqlite.restoring", *owner), ("journal.sqlite.watch", *owner)]
    assert (home / "journal.sqlite").stat().st_mode & 0o777 == 0o600 == backup.stat().st_mode & 0o777
    monkeypatch.setattr(os, "chown", failing(errno.EPERM))
    put_back(backup, home / "journal.sqlite", DATED)


# ---- photographs ----


def test_a_picture_is_copied_by_its_hash_or_not_at_all(tmp_path: Path) -> None:
    """One that was changed since is not taken for what it was."""
    picture = tmp_path / "soap.JPEG"
    picture.write_bytes(b"soap")
    sha256 = hashlib.sha256(b"soap").hexdigest()
    journal = tmp_path / "journal.sqlite"
    photo = Photo("Quillmarsh 12", str(picture), sha256, "", T0, T0)
    assert kept_copy(journal, photo) is None
    assert copy_photo(picture, photo_folder(journal), sha256)
    assert kept_copy(journal, photo) == tmp_path / "photos" / f"{sha256}.jpeg"
    picture.write_bytes(b"another")
    assert not copy_photo(picture, tmp_path / "elsewhere", sha256)
    assert list((tmp_path / "elsewhere").iterdir()) == []
    assert copy_by_hash(tmp_path, "../*") is None


# ---- what an earlier kill left, and what is told of a refusal ----


def test_what_a_killed_restore_left_is_cleared_away(filled: Journal, tmp_path: Path) -> None:
    """A log or a half of it beside the next one would be taken for its own."""
    backup = other(tmp_path / "backup.sqlite")
    filled.close()
    endings = ("", "-wal", "-shm", "-journal", ".part")
    left = [filled.path.with_name(f".{filled.path.name}.restoring{ending}") for ending in endings]
    for path in left:
        path.write_bytes(b"left by a kill" * 100)
    put_back(backup, filled.path, DATED)
    assert names(filled.path) == ["Quillmarsh 11"]
    assert not [path.name for path in left if path.exists()]


def test_helpers_of_a_damaged_journal_never_meet_the_new_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """And that they are gone is on the disk before the new file has the name."""
    backup, journal = other(tmp_path / "backup.sqlite"), tmp_path / "here" / "journal.sqlite"
    journal.parent.mkdir()
    journal.write_bytes(b"rubbish" * 1000)
    helpers = [journal.with_name(journal.name + end) for end in ("-wal", "-shm", "-journal")]
    for path in helpers:
        path.touch()
    order: list[str] = []
    sync, rename = putting_back.sync_folder, os.replace

    def synced(folder: Path) -> None:
        order.append(f"synced without {sum(not path.exists() for path in helpers)} helpers")
        sync(folder)

    monkeypatch.setattr(putting_back, "sync_folder", synced)
    monkeypatch.setattr(os, "replace", lambda *paths: (order.append("named"), rename(*paths))[1])
    put_back(backup, journal, DATED)
    assert order[-3:] == ["synced without 3 helpers", "named", "synced without 3 helpers"]
    assert names(journal) == ["Quillmarsh 11"]


def test_a_journal_is_put_back_into_folders_that_are_not_there_yet(tmp_path: Path) -> None:
    """A new machine has none of them."""
    backup, journal = other(tmp_path / "backup.sqlite"), tmp_path / "a" / "b" / "journal.sqlite"
    put_back(backup, journal, DATED)
    assert names(journal) == ["Quillmarsh 11"]


def test_what_the_disk_refuses_may_succeed_later(
    filled: Journal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever is told so tries again; a backup that cannot be trusted is no better the next time."""
    backup = other(tmp_path / "backup.sqlite")
    with monkeypatch.context() as patch, pytest.raises(JournalError) as refused:
        patch.setattr(Path, "open", failing(errno.EIO))
        examine(backup)
    assert refused.value.again
    filled.close()
    with monkeypatch.context() as patch, pytest.raises(JournalError) as refused:
        patch.setattr(os, "fsync", failing(errno.EIO))
        put_back(backup, filled.path, DATED)
    assert refused.value.again
    with pytest.raises(JournalError) as refused:
        (tmp_path / "rubbish.sqlite").write_bytes(b"rubbish" * 1000)
        examine(tmp_path / "rubbish.sqlite")
    assert not refused.value.again


def test_a_pause_is_made_after_each_part_but_the_last(
    filled: Journal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """So that a slow card has time for readings; without a pause none is made."""
    monkeypatch.setattr(safekeeping, "_PAGES", 20)
    paused: list[float] = []
    parts: list[tuple[int, int]] = []
    monkeypatch.setattr(safekeeping.time, "sleep", paused.append)
    copy_journal(filled.path, tmp_path / "with", lambda done, all_: parts.append((done, all_)) or True, pause_s=0.25)
    assert len(parts) > 2 and parts[-1][0] == parts[-1][1]
    assert paused == [0.25] * (len(parts) - 1)
    paused.clear()
    copy_journal(filled.path, tmp_path / "without")
    assert paused == []


def test_copying_leaves_no_open_file(filled: Journal, tmp_path: Path) -> None:
    """One a night would use them up within years; a folder's, too."""
    copy_journal(filled.path, tmp_path / "first.sqlite")
    before = len(os.listdir("/proc/self/fd"))
    for number in range(5):
        copy_journal(filled.path, tmp_path / f"{number}.sqlite")
        examine(tmp_path / f"{number}.sqlite")
    assert len(os.listdir("/proc/self/fd")) == before


def test_so_much_must_be_free_and_not_a_byte_more(
    filled: Journal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The backup twice and the present journal once; that it was too little may be over the next time."""
    backup = other(tmp_path / "backup.sqlite")
    filled.close()
    needed = 2 * backup.stat().st_size + filled.path.stat().st_size
    for free, goes in ((needed - 1, False), (needed, True)):
        monkeypatch.setattr(shutil, "disk_usage", lambda _path, free=free: _DiskUsage(1, 1, free))
        if goes:
            put_back(backup, filled.path, DATED)
        else:
            with pytest.raises(JournalError, match="must be free") as refused:
                put_back(backup, filled.path, DATED)
            assert refused.value.again
    assert names(filled.path) == ["Quillmarsh 11"]


def test_a_folder_that_cannot_be_written_may_be_another_time(tmp_path: Path) -> None:
    """Whoever is told so tries again."""
    backup = other(tmp_path / "backup.sqlite")
    (tmp_path / "file").touch()
    with pytest.raises(JournalError, match="it cannot be written") as refused:
        put_back(backup, tmp_path / "file" / "journal.sqlite", DATED)
    assert refused.value.again


def in_order(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What goes to the disk for good, in its order: "file" and "folder" synced, "linked" and "named"."""
    order: list[str] = []
    sync, link, rename = os.fsync, os.link, os.replace

    def synced(number: int) -> None:
        order.append("folder" if os.path.isdir(f"/proc/self/fd/{number}") else "file")
        sync(number)

    monkeypatch.setattr(os, "fsync", synced)
    monkeypatch.setattr(os, "link", lambda *paths: (order.append("linked"), link(*paths))[1])
    monkeypatch.setattr(os, "replace", lambda *paths: (order.append("named"), rename(*paths))[1])
    return order


def test_a_copy_is_on_the_disk_before_it_has_its_name_and_the_name_after_it(
    filled: Journal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A power cut leaves a whole copy or none."""
    order = in_order(monkeypatch)
    copy_journal(filled.path, tmp_path / "copy.sqlite")
    assert order == ["file", "linked", "folder"]
    assert (tmp_path / "copy.sqlite").stat().st_mode & 0o077 == 0


def test_what_takes_the_place_of_a_damaged_journal_is_on_the_disk_before_it_does(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is kept aside, and what comes instead."""
    backup, journal = other(tmp_path / "backup.sqlite"), tmp_path / "here" / "journal.sqlite"
    journal.parent.mkdir()
    journal.write_bytes(b"rubbish" * 1000)
    order = in_order(monkeypatch)
    put_back(backup, journal, DATED)
    assert order[-1:] == ["folder"] and order.count("named") == 1
    before = order[: order.index("named")]
    assert before[-4:] == ["file", "linked", "folder", "folder"], "aside: whole, named; the helpers gone"
    assert before.count("file") >= 3, "the copy of the backup, the same once brought up, what lies aside"


def test_a_log_that_was_left_alone_never_meets_the_journal_that_is_put_back(
    filled: Journal, tmp_path: Path
) -> None:
    """Somebody has deleted the journal and not its log."""
    backup = other(tmp_path / "backup.sqlite")
    log = filled.path.with_name(filled.path.name + "-wal")
    left = log.read_bytes()
    filled.close()
    filled.path.unlink()
    log.write_bytes(left)
    assert left
    put_back(backup, filled.path, DATED)
    assert names(filled.path) == ["Quillmarsh 11"]


@pytest.mark.parametrize(
    ("name", "aside"), [("farm.db", f"farm-before-restore-{DATED}.db"), ("farm", f"farm-before-restore-{DATED}.sqlite")]
)
def test_what_is_kept_aside_has_the_name_and_ending_of_the_journal(tmp_path: Path, name: str, aside: str) -> None:
    """A name with a log beside it is taken, too: the log would be read as its own."""
    backup, journal = other(tmp_path / "backup.sqlite"), tmp_path / name
    with Journal(journal) as opened:
        fill(opened, 1, "Quillmarsh 10")
    assert put_back(backup, journal, DATED).aside == tmp_path / aside
    taken = tmp_path / aside
    taken.rename(taken.with_name("elsewhere"))
    taken.with_name(f"{aside}-wal").touch()
    again = put_back(backup, journal, DATED).aside
    assert again == taken.with_name(f"{taken.stem}-2{taken.suffix}")
