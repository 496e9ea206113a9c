"""kill -9 in the middle of a restore: the old journal or the new one is there, never half, and nothing is lost."""

from __future__ import annotations

import hashlib
import random
import shutil
import sqlite3
import subprocess
import sys
import threading
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from monitor.domain import Batch, Reading
from monitor.journal.database import Journal, JournalError
from monitor.keeping import back_up, restore

T0 = 1_773_480_000.0
AT = datetime(2026, 1, 17, tzinfo=UTC)
SEED = 20260117
KILLS = 7
_TOP = Path(__file__).parents[2]


def digest(path: Path) -> str:
    """A hash of every row of the journal, which is checked on the way."""
    with Journal(path) as journal:
        journal.check()
    with closing(sqlite3.connect(path)) as db:
        return hashlib.sha256("\n".join(db.iterdump()).encode()).hexdigest()


def filled(path: Path, name: str, readings: int) -> Journal:
    journal = Journal(path)
    journal.add_batch(Batch(name, "shed-2", T0))
    journal.add_readings(Reading("shed-2", "core", T0 + n, T0 + n, 20.0 + n % 50) for n in range(readings))
    return journal


class Scene:
    """A journal with something in its write-ahead log, a backup of another, and a victim that restores."""

    def __init__(self, folder: Path, *, damaged: bool = False) -> None:
        self.folder = folder
        self.home, self.backup = folder / "home", folder / "backup.sqlite"
        self.still = folder / "still"
        for made in (self.home, self.still):
            made.mkdir(parents=True)
        with filled(folder / "other.sqlite", "Quillmarsh 11", 1200) as other:
            back_up(other.path, self.backup, AT)
        kept = filled(self.still / "journal.sqlite", "Quillmarsh 12", 1500)
        kept._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        kept.add_readings([Reading("shed-2", "core", T0 + 9000.0, T0 + 9000.0, 33.0)])
        for part in ("journal.sqlite", "journal.sqlite-wal"):  # as a power cut leaves it: not closed
            shutil.copy(self.still / part, folder / part)
        kept.close()
        for part in ("journal.sqlite", "journal.sqlite-wal"):
            (folder / part).replace(self.still / part)
        if damaged:
            data = bytearray((self.still / "journal.sqlite").read_bytes())
            data[100:4000] = b"\xff" * 3900
            (self.still / "journal.sqlite").write_bytes(data)
        self.damaged = damaged
        self.old = "" if damaged else digest(self._set())
        self.new = digest(shutil.copy(self.backup, folder / "copy.sqlite"))

    def _set(self) -> Path:
        shutil.rmtree(self.home)
        shutil.copytree(self.still, self.home)
        return self.home / "journal.sqlite"

    def restored(self, kill_at: int) -> tuple[bool, int]:
        """Let the victim restore; whether it died, and how many deeds it did (0 when it died)."""
        journal = self._set()
        done = subprocess.run(
            [sys.executable, "-m", "tests.faults.restore_victim", str(self.backup), str(journal), str(kill_at)],
            check=False, cwd=_TOP, capture_output=True, text=True, timeout=120,
        )  # fmt: skip
        assert done.returncode in (0, -9), done.stderr
        return done.returncode == -9, int(done.stdout or 0)

    def check(self, where: str) -> None:
        """What the next one to open the journal finds."""
        journal = self.home / "journal.sqlite"
        asides = sorted(self.home.glob("journal-*.sqlite"))
        if self.damaged:
            before = (self.still / "journal.sqlite").read_bytes()
            if journal.read_bytes() == before:  # untouched: it can simply be done again
                restore(self.backup, journal, AT)
                asides = sorted(self.home.glob("journal-*.sqlite"))
            assert digest(journal) == self.new, where
            assert before in [one.read_bytes() for one in asides], where
            return
        found = digest(journal)
        assert found in (self.old, self.new), where
        if found == self.new:
            assert self.old in [digest(one) for one in asides], where
        # And it can simply be done again.
        restore(self.backup, journal, AT)
        assert digest(journal) == self.new, where
        assert self.old in [digest(one) for one in self.home.glob("journal-*.sqlite")], where


@pytest.mark.parametrize("damaged", [False, True])
def test_a_restore_killed_anywhere_leaves_the_old_journal_or_the_new_one(tmp_path: Path, damaged: bool) -> None:
    """At seeded moments among all its deeds, the last ones in any case: those are where it counts."""
    scene = Scene(tmp_path, damaged=damaged)
    _, deeds = scene.restored(0)
    scene.check("not killed")
    assert deeds > 30
    moments = random.Random(SEED).sample(range(1, deeds - 4), KILLS - 4) + list(range(deeds - 3, deeds + 1))
    for kill_at in moments:
        died, _ = scene.restored(kill_at)
        assert died
        scene.check(f"seed {SEED}, killed before deed {kill_at} of {deeds}")


def test_what_is_written_during_a_restore_is_in_one_of_the_two(tmp_path: Path) -> None:
    """A command that writes all the while loses nothing: each fact is in the kept journal or in the present one."""
    path, stop = tmp_path / "journal.sqlite", threading.Event()
    written: list[str] = []
    with filled(path, "Quillmarsh 12", 3000), filled(tmp_path / "other.sqlite", "Quillmarsh 11", 3000) as other:
        back_up(other.path, tmp_path / "backup.sqlite", AT)

        def write() -> None:
            with Journal(path) as busy:
                while not stop.is_set():
                    busy.set_fact(f"n{len(written)}", 1)
                    written.append(f"n{len(written)}")
                    stop.wait(0.005)  # as fast as no grower types

        thread = threading.Thread(target=write)
        thread.start()
        try:
            for _ in range(2):
                restore(tmp_path / "backup.sqlite", path, AT)
        finally:
            stop.set()
            thread.join(timeout=20.0)
    kept: set[str] = set()
    for one in (path, *tmp_path.glob("journal-before-restore-*.sqlite")):
        with Journal(one) as journal:
            journal.check()
            kept |= {name for name in written if journal.fact(name) == 1}
    assert written and set(written) - kept == set()


def test_one_who_does_not_let_go_is_not_waited_for_without_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Somebody in the middle of a write: one sentence after a while, and nothing has changed."""
    monkeypatch.setattr("monitor.journal.putting_back.BUSY_S", 0.3)
    with filled(tmp_path / "journal.sqlite", "Quillmarsh 12", 10) as journal:
        back_up(journal.path, tmp_path / "backup.sqlite", AT)
        with journal.transaction():
            journal.set_fact("half", 1)
            with pytest.raises(JournalError, match="does not let go"):
                restore(tmp_path / "backup.sqlite", journal.path, AT)
        assert journal.fact("half") == 1
