"""The room that is kept for a start on a full disk, and what is said of a disk that is full or read-only."""

from __future__ import annotations

import errno
import os
import sqlite3
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from monitor.journal.database import Journal, JournalError, Refused
from monitor.journal.reserve import RESERVE_BYTES, give_up_reserve, keep_reserve, reserve_of
from monitor.journal.store import claim_of, explained, has_no_room

READ_ONLY, WRITABLE = os.ST_RDONLY, 0


def disk_with(monkeypatch: pytest.MonkeyPatch, free_bytes: int, flags: int = WRITABLE) -> None:
    """Let the disk answer that it has so much room."""
    disk = SimpleNamespace(f_bavail=free_bytes // 512, f_frsize=512, f_flag=flags)
    monkeypatch.setattr(os, "statvfs", lambda _: disk)


def unasked(_: Any) -> Any:
    raise OSError(errno.EIO, os.strerror(errno.EIO))


def said(name: str, path: Path) -> str:
    error = sqlite3.OperationalError("the library's own words")
    error.sqlite_errorname = name
    return str(explained(error, path))


# ---- the reserve ----


def test_the_room_is_really_taken_once_and_given_back(tmp_path: Path) -> None:
    """A file with holes would keep nothing."""
    journal = tmp_path / "journal.sqlite"
    keep_reserve(journal)
    kept = reserve_of(journal).stat()
    assert kept.st_size == RESERVE_BYTES and kept.st_blocks * 512 >= RESERVE_BYTES
    assert kept.st_mode & 0o077 == 0
    keep_reserve(journal)
    assert reserve_of(journal).stat().st_mtime_ns == kept.st_mtime_ns
    assert give_up_reserve(journal) is True and not reserve_of(journal).exists()
    assert give_up_reserve(journal) is False


def test_what_a_power_cut_left_of_it_is_no_room(tmp_path: Path) -> None:
    """The name may be there before the room is: it is taken at the next look, and gives nothing back until then."""
    journal = tmp_path / "journal.sqlite"
    reserve_of(journal).touch()
    assert not give_up_reserve(journal)
    reserve_of(journal).touch()
    keep_reserve(journal)
    assert reserve_of(journal).stat().st_size == RESERVE_BYTES
    assert give_up_reserve(journal)


def test_it_never_fills_a_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where there is little room, or where room cannot be taken, nothing is left of the attempt."""
    journal = tmp_path / "journal.sqlite"
    disk_with(monkeypatch, 15 * RESERVE_BYTES)
    keep_reserve(journal)
    assert list(tmp_path.iterdir()) == []
    disk_with(monkeypatch, 17 * RESERVE_BYTES)
    monkeypatch.setattr(os, "posix_fallocate", lambda *_: unasked(None))
    keep_reserve(journal)
    assert list(tmp_path.iterdir()) == []
    monkeypatch.setattr(os, "statvfs", unasked)
    keep_reserve(journal)
    assert list(tmp_path.iterdir()) == []


# ---- what is said of the disk ----


@pytest.mark.parametrize("name", ["SQLITE_IOERR_SHMSIZE", "SQLITE_CANTOPEN"])
def test_a_disk_that_is_full_or_read_only_is_called_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """SQLite blames the card, or the folder, where it cannot make its helper files."""
    path, usual = tmp_path / "journal.sqlite", said(name, tmp_path / "journal.sqlite")
    assert "disk is full" not in usual and "it cannot be written" not in usual
    disk_with(monkeypatch, 4096)
    assert "the disk is full" in said(name, path)
    assert "file is damaged" in said("SQLITE_CORRUPT", path), "what has nothing to do with room stays what it is"
    disk_with(monkeypatch, 10**9, READ_ONLY)
    assert "it cannot be written" in said(name, path)
    monkeypatch.setattr(os, "statvfs", unasked)
    assert said(name, path) == usual and not has_no_room(tmp_path)


# ---- the claim on a disk that has become read-only ----


def refusing(monkeypatch: pytest.MonkeyPatch, error: int) -> None:
    """Let no file be opened for writing."""
    plain = Path.open

    def opened(self: Path, mode: str = "r", *args: Any, **more: Any) -> Any:
        if "w" in mode:
            raise OSError(error, os.strerror(error), str(self))
        return plain(self, mode, *args, **more)

    monkeypatch.setattr(Path, "open", opened)


def test_a_claim_on_a_read_only_disk_holds_as_ever(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What the journal holds can be read there, so the buckets can be minded; by one watch."""
    with Journal(tmp_path / "journal.sqlite") as journal:
        journal.claim_watch()
    refusing(monkeypatch, errno.EROFS)
    with Journal(tmp_path / "journal.sqlite") as journal:
        journal.claim_watch()
        with pytest.raises(Refused, match="already runs"):
            claim_of(journal.path)


def test_a_claim_that_cannot_be_opened_is_an_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Another user's, or one that was never made: nobody can tell whether a watch runs."""
    journal = tmp_path / "journal.sqlite"
    claim_of(journal).close()
    refusing(monkeypatch, errno.EACCES)
    with pytest.raises(PermissionError):
        claim_of(journal)
    refusing(monkeypatch, errno.EROFS)
    (tmp_path / "journal.sqlite.watch").unlink()
    monkeypatch.setattr("monitor.journal.store.make_private", lambda _: None)
    with pytest.raises(FileNotFoundError):
        claim_of(journal)


def test_damage_is_known_as_such(tmp_path: Path) -> None:
    """Who rings for it says to restore a backup, and not to make room."""
    (tmp_path / "journal.sqlite").write_bytes(b"no database" * 1000)
    with pytest.raises(JournalError) as error:
        Journal(tmp_path / "journal.sqlite")
    assert error.value.damaged and not error.value.again
