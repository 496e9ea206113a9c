"""``check`` on backups and on the copy that follows the journal: a disk that is missing is told before it is needed."""

from __future__ import annotations

import os
import time
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.commands import check_keep
from monitor.commands.check_keep import backup_lines, copy_lines
from monitor.copying import Copying
from monitor.housekeeping import STALE_AFTER_S
from monitor.journal.database import Journal
from monitor.keeping import LAST_BACKUP, back_up, note_backup
from monitor.settings import Settings, load_settings
from monitor.taking_over import take_over
from tests.commands.conftest import Shed


@pytest.fixture
def kept(shed: Shed) -> Shed:
    shed.add_settings('\n[keep]\nbackup_to = "stick/backups"\ncopy_to = "stick/copies"\n')
    shed.start()
    (shed.folder / "stick" / "copies").mkdir(parents=True)
    return shed


@pytest.fixture
def elsewhere(monkeypatch: pytest.MonkeyPatch) -> None:
    """As if the stick were a disk of its own, which a test's folder cannot be."""
    monkeypatch.setattr(check_keep, "same_disk", lambda journal, other: False)


def settings(shed: Shed) -> Settings:
    return load_settings(shed.folder / "emberpail.toml", environ={})


def backups(shed: Shed) -> list[tuple[bool | None, str]]:
    with Journal(shed.journal_path, read_only=True) as journal:
        return list(backup_lines(settings(shed), journal))


def copies(shed: Shed) -> list[tuple[bool | None, str]]:
    with Journal(shed.journal_path, read_only=True) as journal:
        return list(copy_lines(settings(shed), journal))


def backed_up(shed: Shed, at_s: float, *, same_disk: bool = True) -> None:
    made = back_up(shed.journal_path, shed.folder / "stick" / "backups", settings(shed).local_time(at_s))
    with Journal(shed.journal_path) as journal:
        note_backup(journal, replace(made, same_disk=same_disk), at_s)


def shipped(shed: Shed) -> Copying:
    copying = Copying(shed.journal_path, shed.folder / "stick" / "copies", time.time, {})
    copying.claim()
    copying.turn()
    return copying


def test_without_backups_it_says_what_that_costs(shed: Shed) -> None:
    """A remark, not an error; of a copy that nobody asked for nothing is said."""
    shed.start()
    ((ok, says),) = backups(shed)
    assert ok is None and "backup_to" in says
    assert copies(shed) == []


def test_a_backup_that_can_be_made_and_one_that_was(kept: Shed, elsewhere: None) -> None:
    """First nothing has been made yet, then the day of the last one is told, then it is too old."""
    assert backups(kept) == [(True, f"{kept.folder / 'stick/backups'} can be written; no backup has been made yet.")]
    backed_up(kept, time.time())
    ((ok, says),) = backups(kept)
    assert ok is True and "the last backup is of 20" in says
    with Journal(kept.journal_path) as journal:
        last = journal.fact(LAST_BACKUP)
        journal.set_fact(LAST_BACKUP, {**last, "at_s": time.time() - STALE_AFTER_S - 3600.0})
    ((ok, says),) = backups(kept)
    assert ok is False and "the last good backup is of" in says


def test_a_stick_that_was_pulled_is_told(kept: Shed) -> None:
    """Where the last backup went there is no folder now; likewise the copy's."""
    backed_up(kept, time.time(), same_disk=False)
    os.rename(kept.folder / "stick", kept.folder / "pulled")
    ((ok, says),) = backups(kept)
    assert ok is False and "plug the disk or stick in" in says
    ((ok, says),) = copies(kept)
    assert ok is False and "no copy follows the journal" in says


def test_an_empty_mount_is_no_stick(kept: Shed) -> None:
    """The folder is there, but on the journal's disk, where a backup went to a disk of its own before."""
    backed_up(kept, time.time(), same_disk=False)
    ((ok, says),) = backups(kept)
    assert ok is False and "plug the disk or stick in" in says


def test_a_backup_on_the_journals_disk_is_remarked(kept: Shed) -> None:
    """It is lost with it; so is a copy."""
    assert [ok for ok, _ in backups(kept)] == [None, True]
    assert "on the same disk" in backups(kept)[0][1] and "on the same disk" in copies(kept)[0][1]


def test_a_disk_too_full_for_the_next_backup(kept: Shed, elsewhere: None, monkeypatch: pytest.MonkeyPatch) -> None:
    """Told in megabytes, both of them."""
    real = os.statvfs(kept.folder)
    full = os.statvfs_result((*real[:3], 100, 100, *real[5:]))
    monkeypatch.setattr(os, "statvfs", lambda path: full)
    found = backups(kept)
    assert found[0][0] is False and "MB are free" in found[0][1]


def test_a_file_where_the_folder_should_be(kept: Shed) -> None:
    """Of either."""
    (kept.folder / "stick" / "backups").write_text("")
    assert backups(kept)[0] == (
        False, f"{kept.folder / 'stick/backups'} is no folder: correct backup_to under [keep]."
    )  # fmt: skip


def test_the_copy_from_none_to_whole(kept: Shed, elsewhere: None) -> None:
    """Nothing yet; then when it was last written."""
    ((ok, says),) = copies(kept)
    assert ok is None and "no whole copy" in says
    shipped(kept)
    ((ok, says),) = copies(kept)
    assert ok is True and "a whole copy is in" in says and "last written 20" in says


def test_a_watch_that_was_taken_over_is_told_so(kept: Shed, elsewhere: None, tmp_path: Path) -> None:
    """And the one that took over holds the copy."""
    shipped(kept)
    spare = tmp_path / "spare"
    spare.mkdir()
    (spare / "emberpail.toml").write_text(
        f'[journal]\npath = "journal.sqlite"\n[keep]\ncopy_to = "{kept.folder / "stick" / "copies"}"\n'
    )
    there = load_settings(spare / "emberpail.toml", environ={})
    if there.journal_path.stem != kept.journal_path.stem:
        pytest.fail("the two journals must have one name to be one copy")
    take_over(there, time.time(), sleep=lambda seconds: None)
    ((ok, says),) = copies(kept)
    assert ok is False and "has taken this watch over" in says
    with Journal(there.journal_path, read_only=True) as journal:
        assert [ok for ok, _ in copy_lines(there, journal)] == [True]


def test_the_copy_of_another_journal_is_told(kept: Shed, elsewhere: None, tmp_path: Path) -> None:
    """Two journals may not follow one another in one folder."""
    other = tmp_path / "other" / kept.journal_path.name
    other.parent.mkdir()
    with Journal(other):
        pass
    copying = Copying(other, kept.folder / "stick" / "copies", time.time, {})
    copying.claim()
    copying.turn()
    ((ok, says),) = copies(kept)
    assert ok is False and "another journal" in says


def test_check_shows_them(kept: Shed) -> None:
    """In the command's own output, each under its part."""
    shipped(kept)
    parts = [line["part"] for line in kept.say("check", "--json").json]
    assert parts.count("backups") == 2 and parts.count("copy") == 2


def test_folders_that_cannot_be_written(kept: Shed, monkeypatch: pytest.MonkeyPatch) -> None:
    """By this user; the tests may run as one whom no right keeps from writing."""
    monkeypatch.setattr(check_keep.os, "access", lambda path, mode: False)
    for ok, says in (*backups(kept), *copies(kept)):
        assert ok is False and "cannot be written by this user" in says
