"""``backup`` and ``restore`` as somebody types them."""

from __future__ import annotations

import hashlib
import os
import shutil
import sqlite3
import stat
import time
from collections import namedtuple
from contextlib import closing
from pathlib import Path

import pytest

from monitor.domain import Batch, Reading
from monitor.journal.database import Journal
from monitor.journal.migrations import NEWEST
from monitor.keeping import LAST_BACKUP
from tests.commands.conftest import Shed
from tests.journal.damaging import damage

DiskUsage = namedtuple("DiskUsage", "total used free")
STORED = Path(__file__).parents[1] / "journal" / "schemas"


def batches(path: Path) -> list[str]:
    with Journal(path) as journal:
        return [record.batch.name for record in journal.batches()]


def backups(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.glob("*.sqlite"))


# ---- backup ----


def test_a_backup_is_kept_while_a_watch_runs(shed: Shed) -> None:
    """One file by the date in the folder; it says in one sentence what is in it and how big it is."""
    shed.start()
    shed.feed("shed-2", 50.0, 10.0)
    with shed.journal() as watching:
        watching.claim_watch()
        said = shed.ok("backup", "safe")
    (name,) = backups(shed.folder / "safe")
    assert name.startswith("journal-20")
    assert "Kept and checked: 1 batch and 24 readings in " in said.words and " kB)." in said.words
    assert "The settings file is not in it" in said.words
    assert "same disk" in said.complaint
    assert [path.name for path in (shed.folder / "safe").iterdir()] == [name]
    assert batches(shed.folder / "safe" / name) == ["Quillmarsh 12"]
    with shed.journal() as journal:
        assert journal.fact(LAST_BACKUP)["path"] == str(shed.folder / "safe" / name)


def test_without_a_place_it_goes_beside_the_journal_or_where_the_settings_say(shed: Shed) -> None:
    shed.start()
    shed.ok("backup")
    assert len(backups(shed.folder / "backups")) == 1
    shed.add_settings('[keep]\nbackup_to = "stick"\n')
    said = shed.ok("backup", "--json").json
    assert Path(said["path"]).parent == shed.folder / "stick"
    assert said["batches"] == 1 and said["same_disk"] is True and said["running"] == ["Quillmarsh 12"]


def test_to_a_file_by_its_name_and_never_over_another(shed: Shed) -> None:
    shed.start()
    shed.ok("backup", "mine.sqlite")
    before = (shed.folder / "mine.sqlite").read_bytes()
    shed.start("Quillmarsh 13", "shed-3")
    assert "overwrites nothing" in shed.refused("backup", "mine.sqlite")
    assert (shed.folder / "mine.sqlite").read_bytes() == before
    assert not list(shed.folder.glob("*.part*"))


def test_the_newest_stay_and_nothing_else_is_touched(shed: Shed) -> None:
    """--keep counts this journal's own dated backups; the one just made stays whatever the clock has been."""
    shed.start()
    safe = shed.folder / "safe"
    shed.ok("backup", "safe")
    (first,) = backups(safe)
    foreign = safe / "journal-2020-01-01-000000.sqlite"
    foreign.write_text("another program's", encoding="utf-8")
    for day in ("2021-01-01", "2024-01-01", "2999-01-01"):
        shutil.copy(safe / first, safe / f"journal-{day}-033000.sqlite")
    other = safe / "cellar-2020-01-01-000000.sqlite"
    shutil.copy(safe / first, other)
    said = shed.ok("backup", "safe", "--keep", "3")
    left = backups(safe)
    assert "2 older backups were removed." in said.words
    assert {foreign.name, other.name, "journal-2999-01-01-033000.sqlite", first} < set(left)
    assert len(left) == 5
    assert shed.ok("backup", "safe", "--keep", "1", "--json").json["removed"] != []
    assert {foreign.name, other.name} < set(backups(safe)) and len(backups(safe)) == 3


def test_the_settings_come_along_only_when_asked_and_only_for_their_owner(shed: Shed) -> None:
    """They may hold secrets: the copy is 0600, and a plain backup has no word of them."""
    shed.add_settings('[[person]]\nname = "Ada"\nroutes = ["json://secret-canary"]\n')
    shed.start()
    shed.ok("backup", "safe")
    assert all(b"secret-canary" not in path.read_bytes() for path in (shed.folder / "safe").iterdir())
    os.umask(old := os.umask(0))
    try:
        os.umask(0)
        said = shed.ok("backup", "safe2", "--with-settings")
    finally:
        os.umask(old)
    (copy,) = (shed.folder / "safe2").glob("*.toml")
    assert stat.S_IMODE(copy.stat().st_mode) == 0o600
    assert copy.read_bytes() == shed.settings.read_bytes() and "may hold passwords" in said.words
    assert "secret-canary" not in said.out + said.err


def test_photographs_lie_beside_it_once_and_come_back(shed: Shed) -> None:
    """By their hash; one that is gone is told, and holds up nothing."""
    shed.start()
    picture = shed.folder / "bucket.JPG"
    picture.write_bytes(b"a picture of soap")
    shed.ok("record", "shed-2", "photo", str(picture))
    lost = shed.folder / "lost.jpg"
    lost.write_bytes(b"another picture")
    shed.ok("record", "shed-2", "photo", str(lost))
    lost.unlink()
    shed.ok("backup", "safe")
    said = shed.ok("backup", "safe")
    assert "1 photograph lies beside it." in said.words and "lost.jpg is not there any more" in said.complaint
    (kept,) = (shed.folder / "safe" / "photos").iterdir()
    assert kept.name == f"{hashlib.sha256(b'a picture of soap').hexdigest()}.jpg"
    picture.unlink()
    back = shed.ok("restore", str(shed.folder / "safe" / backups(shed.folder / "safe")[0]))
    assert "1 photograph came back." in back.words
    assert (shed.folder / "photos" / kept.name).read_bytes() == b"a picture of soap"


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("backup", "safe", "--keep", "0"), "at least 1"),
        (("backup", "mine.sqlite", "--keep", "2"), "is a file"),
        (("backup", "no/such/folder"), "plugged in"),
        (("backup", "no/such/file.sqlite"), "cannot be"),
        (("backup", "journal.sqlite"), "overwrites nothing"),
        (("restore", "missing.sqlite"), "There is no backup"),
        (("restore", "journal.sqlite"), "the journal itself"),
        (("restore", "emberpail.toml"), "is no journal"),
        (("restore", "empty"), "is no journal"),
        (("restore", "safe"), "There is no backup"),
    ],
)
def test_what_cannot_be_gets_one_sentence(shed: Shed, arguments: tuple[str, ...], says: str) -> None:
    """And the journal stays as it was."""
    shed.start()
    (shed.folder / "empty").touch()
    (shed.folder / "safe").mkdir()
    assert says in shed.refused(*arguments)
    assert batches(shed.journal_path) == ["Quillmarsh 12"]


def test_without_a_journal_there_is_nothing_to_back_up(shed: Shed) -> None:
    assert "nothing to back up" in shed.refused("backup")
    assert not shed.journal_path.exists() and not (shed.folder / "backups").exists()


def test_a_damaged_journal_is_not_backed_up_over_good_ones(shed: Shed) -> None:
    """The copy is checked before it gets its name, and no good backup is rotated away for it."""
    shed.start()
    shed.feed("shed-2", 50.0, 10.0, minutes=400)
    shed.ok("backup", "safe")
    before = backups(shed.folder / "safe")
    damage(shed.journal_path)
    assert "damaged" in shed.refused("backup", "safe", "--keep", "1")
    assert backups(shed.folder / "safe") == before and not list((shed.folder / "safe").glob("*.part*"))


# ---- restore ----


def test_a_restore_brings_back_what_was_and_keeps_what_is(shed: Shed) -> None:
    """The journal of before lies beside it under a dated name; the backup itself is the same to the byte."""
    shed.start()
    shed.ok("backup", "mine.sqlite")
    backup = (shed.folder / "mine.sqlite").read_bytes()
    shed.start("Quillmarsh 13", "shed-3")
    said = shed.ok("restore", "mine.sqlite")
    assert "Restored: 1 batch" in said.words and "Running again" in said.words
    assert "Nothing is watched until you start watch again." in said.words
    assert batches(shed.journal_path) == ["Quillmarsh 12"]
    (aside,) = shed.folder.glob("journal-before-restore-*.sqlite")
    assert batches(aside) == ["Quillmarsh 12", "Quillmarsh 13"]
    assert (shed.folder / "mine.sqlite").read_bytes() == backup
    again = shed.ok("restore", str(aside), "--json").json
    assert batches(shed.journal_path) == ["Quillmarsh 12", "Quillmarsh 13"]
    assert again["aside"] and again["batches"] == 2


def test_on_a_new_computer_there_is_no_journal_yet(shed: Shed) -> None:
    shed.start()
    shed.ok("backup", "mine.sqlite")
    for left in shed.folder.glob("journal.sqlite*"):
        left.unlink()
    assert "kept" not in shed.ok("restore", "mine.sqlite").words
    assert batches(shed.journal_path) == ["Quillmarsh 12"]


def test_not_while_a_watch_runs(shed: Shed) -> None:
    shed.start()
    shed.ok("backup", "mine.sqlite")
    with shed.journal() as watching:
        watching.claim_watch()
        assert "a watch already runs" in shed.refused("restore", "mine.sqlite")
    assert not list(shed.folder.glob("journal-before*"))


def test_who_has_the_journal_open_sees_the_restored_one(shed: Shed) -> None:
    """No file is pulled from under a page or a command that is open meanwhile; what it writes then is kept."""
    shed.start()
    shed.ok("backup", "mine.sqlite")
    with shed.journal() as other:
        shed.start("Quillmarsh 13", "shed-3")
        assert len(other.batches()) == 2
        shed.ok("restore", "mine.sqlite")
        assert [record.batch.name for record in other.batches()] == ["Quillmarsh 12"]
        other.set_fact("later", 1)
    with shed.journal() as journal:
        assert journal.fact("later") == 1 and "is sound" in journal.check()


@pytest.mark.parametrize("how", ["damaged", "not a database", "empty"])
def test_a_damaged_journal_is_moved_aside_as_it_is(shed: Shed, how: str) -> None:
    """The restore that it needs most: nothing of the damaged file is lost, byte for byte."""
    shed.start()
    shed.feed("shed-2", 50.0, 10.0, minutes=400)
    shed.ok("backup", "mine.sqlite")
    if how == "damaged":
        damage(shed.journal_path)
    else:
        shed.journal_path.write_bytes(b"" if how == "empty" else b"not a database" * 1000)
    before = shed.journal_path.read_bytes()
    shed.ok("restore", "mine.sqlite")
    with shed.journal() as journal:
        assert "is sound" in journal.check() and len(list(journal.readings())) == 800
    asides = list(shed.folder.glob("journal-damaged-*.sqlite"))
    assert [path.read_bytes() for path in asides] == ([] if how == "empty" else [before])


def test_a_backup_that_cannot_be_trusted_is_refused(shed: Shed) -> None:
    """Damaged, another program's, or from a newer program: one sentence, and the journal stays."""
    shed.start()
    shed.feed("shed-2", 50.0, 10.0, minutes=400)
    shed.ok("backup", "good.sqlite")
    shutil.copy("good.sqlite", "damaged.sqlite")
    damage(Path("damaged.sqlite"))
    with closing(sqlite3.connect("foreign.sqlite")) as db:
        db.execute("CREATE TABLE theirs (x)")
    shutil.copy("good.sqlite", "newer.sqlite")
    with closing(sqlite3.connect("newer.sqlite")) as db:
        db.execute(f"PRAGMA user_version = {NEWEST + 1}")
    for name, says in (("damaged", "damaged"), ("foreign", "another program"), ("newer", "newer Emberpail")):
        assert says in shed.refused("restore", f"{name}.sqlite")
        assert says in shed.refused("restore", f"{name}.sqlite", "--check")
    assert "is sound: 1 batch" in shed.ok("restore", "good.sqlite", "--check").words
    assert shed.ok("restore", "good.sqlite", "--check", "--json").json["sound"] is True
    assert batches(shed.journal_path) == ["Quillmarsh 12"] and not list(shed.folder.glob("journal-*"))


def test_another_program_s_file_is_not_overwritten(shed: Shed) -> None:
    shed.start()
    shed.ok("backup", "mine.sqlite")
    for left in shed.folder.glob("journal.sqlite*"):
        left.unlink()
    with closing(sqlite3.connect(shed.journal_path)) as db:
        db.execute("CREATE TABLE theirs (x)")
    assert "belongs to another program" in shed.refused("restore", "mine.sqlite")
    with closing(sqlite3.connect(shed.journal_path)) as db:
        assert db.execute("SELECT name FROM sqlite_master").fetchall() == [("theirs",)]


@pytest.mark.parametrize("schema", range(1, NEWEST + 1))
@pytest.mark.parametrize("page_bytes", [1024, 4096])
def test_an_older_schema_is_brought_up_to_date_on_the_way(shed: Shed, schema: int, page_bytes: int) -> None:
    """Also into a journal whose pages have another size."""
    with closing(sqlite3.connect(shed.journal_path, isolation_level=None)) as db:
        db.execute(f"PRAGMA page_size = {page_bytes}")
    shed.start()
    backup = STORED / f"schema-{schema}.sqlite"
    before = backup.read_bytes()
    shed.ok("restore", str(backup))
    assert batches(shed.journal_path) == ["Quillmarsh 21", "Quillmarsh 22"]
    with shed.journal() as journal:
        journal.add_detail("Quillmarsh 21", "remark", "works", 1.0)
        assert "is sound" in journal.check()
    assert backup.read_bytes() == before and not list(STORED.glob("*-*.sqlite-*"))


def test_a_full_disk_leaves_the_journal_and_says_so(shed: Shed, monkeypatch: pytest.MonkeyPatch) -> None:
    shed.start()
    shed.ok("backup", "mine.sqlite")
    shed.start("Quillmarsh 13", "shed-3")
    monkeypatch.setattr("monitor.journal.putting_back.shutil.disk_usage", lambda _path: DiskUsage(10, 10, 10))
    assert "must be free" in shed.refused("restore", "mine.sqlite")
    assert len(batches(shed.journal_path)) == 2


# ---- thin ----


def test_old_batches_are_thinned_after_a_backup(shed: Shed) -> None:
    """First what would go; refused without a backup; then done, told, and given back to the disk."""
    began_s = time.time() - 400 * 86400.0
    with shed.journal() as journal:
        journal.add_batch(Batch("Quillmarsh 1", "shed-2", began_s))
        journal.add_readings(
            Reading("shed-2", "core", began_s + 10.0 * n, began_s + 10.0 * n, 60.0 - n / 300) for n in range(8000)
        )
        journal.end_batch("Quillmarsh 1", began_s + 80_000.0, began_s + 80_000.0, "filled")
    assert "Say how long ago" in shed.refused("thin")
    assert "too few" in shed.refused("thin", "--days", "29")
    would = shed.ok("thin", "--days", "365", "--dry-run", "--json").json
    assert would["batches"] == ["Quillmarsh 1"] and would["removed"] > 4000
    assert "make one first" in shed.refused("thin", "--days", "365")
    shed.ok("backup", "safe")
    with shed.journal() as watching:
        watching.claim_watch()
        assert "already runs" in shed.refused("thin", "--days", "365", "--shrink")
        said = shed.ok("thin", "--days", "365")
    assert "readings were removed (1 batch, and hours without a batch)." in said.words and "--shrink" in said.words
    assert "kB and is" in shed.ok("thin", "--days", "365", "--shrink").words
    assert shed.ok("thin", "--days", "365", "--dry-run").words.startswith("0 of")
    told = shed.ok("export", "Quillmarsh 1", "--format", "csv", "--out", "out")
    assert "The raw readings of Quillmarsh 1 were thinned" in told.words
    assert "Quillmarsh 1" in (shed.folder / "out" / "thinned.csv").read_text(encoding="utf-8")


def test_without_a_journal_there_is_nothing_to_thin(shed: Shed) -> None:
    assert "no batch yet" in shed.refused("thin", "--days", "365")
    assert not shed.journal_path.exists()
