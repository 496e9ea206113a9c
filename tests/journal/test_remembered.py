"""That there was a journal is known where its own disk is away."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from monitor.journal.remembered import must_be_there, remember
from monitor.journal.store import JournalError


@pytest.fixture
def environ(tmp_path: Path) -> dict[str, str]:
    """As systemd hands it on: several folders may be named."""
    (tmp_path / "state").mkdir()
    return {"STATE_DIRECTORY": f"{tmp_path / 'state'}:/elsewhere"}


def test_one_that_was_there_must_be_there(tmp_path: Path, environ: dict[str, str]) -> None:
    """The first start of all has none; from then on the name of the mark is in the sentence, and nothing is made."""
    journal = tmp_path / "disk" / "journal.sqlite"
    must_be_there(journal, environ)
    journal.parent.mkdir()
    journal.touch()
    remember(journal, environ)
    must_be_there(journal, environ)
    (mark,) = (tmp_path / "state").iterdir()
    assert mark.read_text() == f"{journal}\n"
    written = mark.stat().st_mtime_ns
    remember(journal, environ)
    assert mark.stat().st_mtime_ns == written, "a card takes only so many writes"
    journal.unlink()
    for _ in range(2):
        with pytest.raises(JournalError, match="is its disk plugged in") as refused:
            must_be_there(journal, environ)
        assert refused.value.again and str(mark) in str(refused.value) and not journal.exists()
    must_be_there(journal.with_name("other.sqlite"), environ)
    mark.unlink()
    must_be_there(journal, environ)


def test_nothing_is_remembered_where_there_is_no_folder_for_it(tmp_path: Path) -> None:
    """By hand, or where it cannot be written: it minds all the same."""
    for environ in ({}, {"STATE_DIRECTORY": ""}, {"STATE_DIRECTORY": str(tmp_path / "none")}):
        remember(tmp_path / "journal.sqlite", environ)
        must_be_there(tmp_path / "journal.sqlite", environ)
    assert list(tmp_path.iterdir()) == []


def test_what_cannot_be_looked_at_is_left_to_who_opens_it(
    tmp_path: Path, environ: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A broken disk, or a folder that is not ours: the file may be there. A file in the folder's place is none."""
    journal = tmp_path / "disk" / "journal.sqlite"
    journal.parent.mkdir()
    journal.touch()
    remember(journal, environ)
    plain = Path.stat

    def broken(self: Path, **how: bool) -> os.stat_result:
        if self == journal:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return plain(self, **how)

    with monkeypatch.context() as disk:
        disk.setattr(Path, "stat", broken)
        must_be_there(journal, environ)
    journal.unlink()
    journal.parent.rmdir()
    journal.parent.touch()
    with pytest.raises(JournalError, match="is its disk plugged in"):
        must_be_there(journal, environ)
