"""The journal's disk is away while its watch runs: no part of the watch makes a new journal at the empty mount point.

An empty journal there would be written to, shown, and taken for the journal at the next start.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from monitor import bedside, housekeeping
from monitor.beating import Beating
from monitor.bedside import Bedside
from monitor.clock import ArrivalClock
from monitor.copying import Copying
from monitor.housekeeping import Housekeeping
from monitor.journal.database import Journal, JournalError
from monitor.mirroring import Mirroring
from monitor.page_wiring import PageWiring
from monitor.running import Running
from monitor.settings import HeartbeatSettings, KeepSettings, MirrorSettings, Settings, SirenSettings
from monitor.toml_tables import Secret
from tests.helpers_watch import NIGHT_S


class Disk:
    """The disk with the journal of a watch, which the test takes away."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.path, self.folder, self.patch = folder / "disk" / "journal.sqlite", folder, monkeypatch
        self.journal = Journal(self.path)
        self.journal.claim_watch()

    def go(self) -> None:
        self.path.parent.rename(self.folder / "away")
        self.path.parent.mkdir()

    def housekeeping(self) -> Housekeeping:
        keep = KeepSettings(backup_to=self.folder / "stick", raw_days=30)
        return Housekeeping(Settings(journal_path=self.path, keep=keep), self.path, lambda: NIGHT_S, {}, pause_s=0.0)

    def mirroring(self) -> Mirroring:
        mirror = MirrorSettings("http://127.0.0.1:1", Secret("x"), "farm", "soap")
        return Mirroring(Settings(), mirror, self.path, lambda: NIGHT_S, {}, pause_s=0.0)

    def bedside(self) -> Bedside:
        return Bedside(SirenSettings(), self.path, lambda: NIGHT_S, lambda: 1.0, lambda _: None)


def _heartbeat(disk: Disk) -> None:
    beating = Beating(HeartbeatSettings(Secret("https://shed.invalid/x"), 5), disk.path, lambda: 1.0, lambda: "amiss")
    disk.go()
    beating.turn()


def _siren_is_how(disk: Disk) -> None:
    one = disk.bedside()
    disk.go()
    one._amiss("it does not answer", True)


def _siren_answers(disk: Disk) -> None:
    class Button:
        def __init__(self, *given: Any, **_: object) -> None:
            self.answer = given[4]

        def run(self, _: threading.Event) -> None:
            disk.go()
            self.answer("Invented/shed-1/too_hot", "acknowledged")

    disk.patch.setattr(bedside, "SirenTeller", Button)
    disk.bedside()._tell_once(threading.Event())


def _night_says(disk: Disk) -> None:
    worker = disk.housekeeping()
    disk.go()
    worker._say("check", True, "it is sound")


def _night_notes(disk: Disk) -> None:
    worker = disk.housekeeping()
    disk.go()
    worker._note("night", 1)


def _night_thins(disk: Disk) -> None:
    worker = disk.housekeeping()
    disk.go()
    worker._thin()


def _night_backs_up(disk: Disk) -> None:
    plain = housekeeping.back_up

    def and_then_it_goes(*given: Any, **more: Any) -> object:
        kept = plain(*given, **more)
        disk.go()
        return kept

    disk.patch.setattr(housekeeping, "back_up", and_then_it_goes)
    disk.patch.setattr(Housekeeping, "_must_be_plugged_in", lambda *_: None)
    disk.housekeeping()._back_up()


def _mirror_says(disk: Disk) -> None:
    one = disk.mirroring()
    disk.go()
    one._say(False, "it does not answer")


def _mirror_settles(disk: Disk) -> None:
    one = disk.mirroring()
    disk.go()
    one._settle()


def _page_writes(disk: Disk) -> None:
    page = PageWiring(Settings(journal_path=disk.path), disk.path, lambda: NIGHT_S, {}, {})
    disk.go()
    page._to_write().close()


def _copy_begins(disk: Disk) -> None:
    (disk.folder / "copies").mkdir()
    one = Copying(disk.path, disk.folder / "copies", lambda: NIGHT_S, {})
    disk.go()
    one._claim()


def _copy_keeps_its_holder(disk: Disk) -> None:
    one = Copying(disk.path, disk.folder / "copies", lambda: NIGHT_S, {})
    disk.go()
    one._keep_fact({"generation": 1, "token": "x"})


def _phones_open(disk: Disk) -> None:
    disk.go()
    Running(Settings(journal_path=disk.path), disk.journal, ArrivalClock(), [], serve_page=False)


@pytest.mark.parametrize(
    "deed",
    [
        _heartbeat, _siren_is_how, _siren_answers, _night_says, _night_notes, _night_thins, _night_backs_up,
        _mirror_says, _mirror_settles, _page_writes, _copy_begins, _copy_keeps_its_holder, _phones_open,
    ],
)  # fmt: skip
def test_no_part_makes_a_journal(
    deed: Callable[[Disk], None], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever it was about to write is not written."""
    disk = Disk(tmp_path, monkeypatch)
    with contextlib.suppress(JournalError):
        deed(disk)
    assert (tmp_path / "away").is_dir(), "it did not come so far"
    assert list(disk.path.parent.iterdir()) == []


def test_what_is_refused_may_come_again(tmp_path: Path) -> None:
    """In a sentence; a file in which there is no journal gets none either, and the folder is not made."""
    path = tmp_path / "disk" / "journal.sqlite"
    with pytest.raises(JournalError, match="is its disk plugged in") as found:
        Journal(path, there_already=True)
    assert found.value.again and not path.parent.exists()
    path.parent.mkdir()
    path.touch()
    with pytest.raises(JournalError, match=r"journal\.sqlite"):
        Journal(path, there_already=True)
    assert path.stat().st_size == 0
    path.unlink()
    Journal(path).close()
    with Journal(path, there_already=True) as journal:
        journal.set_fact("one", 1)
