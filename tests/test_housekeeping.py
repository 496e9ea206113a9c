"""What a watch does for its journal at night, while it judges."""

from __future__ import annotations

import json
import sqlite3
import threading
import time
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from monitor import housekeeping as hk
from monitor.commands.status import in_words
from monitor.domain import Batch, Reading
from monitor.housekeeping import BACKUP, DAMAGED, LAST_CHECK, Housekeeping, keeping_notes, last_night_s
from monitor.journal.database import Journal
from monitor.journal.reserve import give_up_reserve, reserve_of
from monitor.journal.safekeeping import Stopped
from monitor.keeping import LAST_BACKUP
from monitor.own_trouble import OwnTrouble
from monitor.phone.people import Person
from monitor.running import Running
from monitor.settings import KeepSettings, Settings, SiteSettings
from monitor.standing import status_view
from monitor.telling import Teller
from tests.helpers_watch import NIGHT_S, Bench, StillSource, batch_in, entry, pack
from tests.journal.damaging import damage
from tests.sources.conftest import wait_until

# Sunday 18 January 2026, 03:30 UTC: when the night's work is due.
DUE_S = datetime(2026, 1, 18, 3, 30, tzinfo=UTC).timestamp()
DAY_S, HOUR_S = 86400.0, 3600.0


class Night:
    """A journal, the worker, and a clock that the test sets. Looks are made by hand."""

    def __init__(self, folder: Path, *, backup_to: Path | None = None, backups: int = 3) -> None:
        self.folder, self.path = folder, folder / "journal.sqlite"
        self.settings = Settings(
            site=SiteSettings(time_zone="UTC"), journal_path=self.path,
            keep=KeepSettings(backup_to=backup_to, backups=backups),
        )  # fmt: skip
        self.now_s, self.mono_s = DUE_S - HOUR_S, 0.0
        self.trouble: dict[str, str] = {}
        with Journal(self.path) as journal:
            journal.add_batch(Batch("Quillmarsh 12", "shed-2", NIGHT_S))
            journal.add_readings(
                Reading("shed-2", "core", NIGHT_S + n, NIGHT_S + n, 20.0 + n % 50) for n in range(3000)
            )
        self.begin()

    def begin(self) -> None:
        """A new watch, as after a restart."""
        self.trouble.clear()
        self.worker = Housekeeping(
            self.settings, self.path, lambda: self.now_s, self.trouble, monotonic=lambda: self.mono_s, pause_s=0.0
        )

    def look(self, at_s: float) -> dict[str, str]:
        self.now_s = at_s
        self.worker.look()
        return self.trouble

    def fact(self, key: str) -> Any:
        with Journal(self.path, read_only=True) as journal:
            return journal.fact(key)

    def health(self) -> dict[str, tuple[bool, str]]:
        with Journal(self.path, read_only=True) as journal:
            return {one.part: (one.ok, one.says) for one in journal.health()}

    def backups(self) -> list[str]:
        assert self.settings.keep.backup_to is not None
        return sorted(path.name for path in self.settings.keep.backup_to.glob("*.sqlite"))


@pytest.fixture
def night(tmp_path: Path) -> Night:
    return Night(tmp_path, backup_to=tmp_path / "stick")


# ---- when ----


def test_the_night_is_that_of_the_place() -> None:
    """03:30 on the clock of the zone, also on the day after it was set forward."""
    settings = Settings(site=SiteSettings(time_zone="Europe/Berlin"))
    noon_s = datetime(2026, 3, 29, 10, 0, tzinfo=UTC).timestamp()  # set forward at 02:00 that morning
    assert last_night_s(settings, noon_s) == datetime(2026, 3, 29, 1, 30, tzinfo=UTC).timestamp()
    assert last_night_s(settings, noon_s - DAY_S) == datetime(2026, 3, 28, 2, 30, tzinfo=UTC).timestamp()


def test_the_room_for_a_start_on_a_full_disk_is_kept_by_day_too(night: Night) -> None:
    """A start that needed it has given it up; when there is room, it is taken again."""
    night.look(DUE_S - HOUR_S)
    assert give_up_reserve(night.path)
    night.look(DUE_S - HOUR_S + 60.0)
    assert reserve_of(night.path).is_file()


def test_once_a_night_and_after_a_night_that_was_missed(night: Night) -> None:
    """The first look after the hour does it; a restart does not do it again; a computer that was off makes it up."""
    night.look(DUE_S - DAY_S + 60.0)
    assert len(night.backups()) == 1
    night.look(DUE_S - 1.0)
    assert len(night.backups()) == 1
    night.look(DUE_S + 60.0)
    night.look(DUE_S + 120.0)
    assert len(night.backups()) == 2
    night.begin()
    night.look(DUE_S + 180.0)
    assert len(night.backups()) == 2
    night.look(DUE_S + 2.3 * DAY_S)
    assert len(night.backups()) == 3 and night.trouble == {}
    assert night.fact(LAST_BACKUP)["path"].endswith(night.backups()[-1])
    assert night.fact(LAST_CHECK)["ok"] is True


def test_so_many_stay(night: Night) -> None:
    for days in range(6):
        night.look(DUE_S + days * DAY_S + 60.0)
    assert [name[8:18] for name in night.backups()] == ["2026-01-21", "2026-01-22", "2026-01-23"]


def test_without_a_folder_it_only_reads_the_journal_through(tmp_path: Path) -> None:
    night = Night(tmp_path)
    night.look(DUE_S + 60.0)
    assert night.trouble == {} and night.fact(LAST_BACKUP) is None and night.fact(LAST_CHECK)["ok"] is True
    assert night.health() == {DAMAGED: (True, "the journal was read through and is sound.")}
    with Journal(night.path, read_only=True) as journal:
        (note,) = keeping_notes(journal, night.settings, night.now_s)
        assert note == "The journal was read through Sun 03:31 and is sound."


# ---- what fails ----


def test_a_folder_that_is_not_there_is_told_and_tried_again_every_hour(tmp_path: Path) -> None:
    night = Night(tmp_path, backup_to=tmp_path / "media" / "stick")
    assert "is its disk or stick plugged in?" in night.look(DUE_S + 60.0)[BACKUP]
    (tmp_path / "media").mkdir()
    assert BACKUP in night.look(DUE_S + 120.0)
    assert night.look(DUE_S + 60.0 + HOUR_S) == {}
    assert len(night.backups()) == 1 and night.health()[BACKUP][0]


def test_a_stick_that_is_not_plugged_in_is_not_taken_for_its_empty_folder(
    night: Night, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where it was another disk before and is the journal's own now, the stick is missing: nothing is written there."""
    monkeypatch.setattr("monitor.keeping.same_disk", lambda _journal, _other: False)
    night.look(DUE_S + 60.0)
    assert night.fact(LAST_BACKUP)["same_disk"] is False
    monkeypatch.undo()
    assert "is not there: plug it in" in night.look(DUE_S + DAY_S + 60.0)[BACKUP]
    assert len(night.backups()) == 1
    for path in list((night.folder / "stick").iterdir()):
        path.unlink()
    (night.folder / "stick").rmdir()
    assert "is not there" in night.look(DUE_S + DAY_S + 60.0 + HOUR_S)[BACKUP]
    assert not (night.folder / "stick").exists()


def test_a_backup_that_is_too_old_is_told(night: Night, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever keeps it from being made, and though nothing said that it failed."""
    night.look(DUE_S + 60.0)
    monkeypatch.setattr(night.worker, "_back_up", lambda: None)
    assert night.look(DUE_S + 2.9 * DAY_S) == {}
    assert "the last good backup is 3 days old" in night.look(DUE_S + 3.1 * DAY_S)[BACKUP]
    monkeypatch.undo()
    assert night.look(DUE_S + 4.1 * DAY_S) == {}


def test_a_damaged_journal_is_told_stays_told_and_replaces_no_backup(night: Night) -> None:
    """Also after a restart, and until a check finds it sound."""
    night.look(DUE_S + 60.0)
    good = night.backups()
    with closing(sqlite3.connect(night.path)) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    before = night.path.read_bytes()
    damage(night.path, behind=1 / 2)  # behind the tables that the worker itself needs
    assert "the file is damaged" in night.look(DUE_S + DAY_S + 60.0)[DAMAGED]
    assert night.backups() == good and not night.health()[DAMAGED][0]
    night.begin()
    assert DAMAGED in night.look(DUE_S + DAY_S + 120.0)
    assert night.backups() == good
    night.path.with_name("journal.sqlite-wal").unlink(missing_ok=True)
    night.path.write_bytes(before)
    night.begin()
    assert night.look(DUE_S + 2 * DAY_S + 60.0) == {}
    assert len(night.backups()) == 2


def test_what_nobody_foresaw_is_told_and_the_worker_goes_on(night: Night, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_given: Any, **_more: Any) -> None:
        raise ZeroDivisionError("one of ours")

    monkeypatch.setattr(hk, "back_up", broken)
    assert "nobody foresaw" in night.look(DUE_S + 60.0)[BACKUP]


def test_a_disk_error_during_the_check_is_not_called_damage(night: Night, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is tried again in an hour; the journal's own trouble is told by the watch that writes it."""

    def unreadable(_path: Path) -> Any:
        error = sqlite3.OperationalError("disk I/O error")
        error.sqlite_errorname = "SQLITE_IOERR_READ"
        raise error

    monkeypatch.setattr(hk, "reading", unreadable)
    night.look(DUE_S + 60.0)
    assert DAMAGED not in night.trouble and "disk reports an error" in night.health()[DAMAGED][1]
    monkeypatch.undo()
    night.look(DUE_S + 60.0 + HOUR_S)
    assert night.health()[DAMAGED][0]


def test_a_journal_that_takes_no_note_is_not_backed_up_every_minute(
    night: Night, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(hk, "note_backup", lambda *_given: None)
    night.look(DUE_S + 60.0)
    night.look(DUE_S + 120.0)
    assert len(night.backups()) == 1


def test_a_stick_that_hangs_is_told_and_is_no_cause_to_begin_anew(night: Night) -> None:
    night.mono_s = hk.HANGS_AFTER_S + 1.0
    assert night.worker.age_s() == 0.0
    assert "hangs" in night.trouble[hk.HANGS]
    night.look(DUE_S + 60.0)
    assert night.trouble == {}, "it goes on"


def test_backups_that_are_not_asked_for_any_more_are_no_trouble(tmp_path: Path) -> None:
    night = Night(tmp_path, backup_to=tmp_path / "media" / "stick")
    assert BACKUP in night.look(DUE_S + 60.0) and not night.health()[BACKUP][0]
    night.settings = replace(night.settings, keep=KeepSettings())
    night.begin()
    assert night.look(DUE_S + 120.0) == {} and night.health()[BACKUP][0]


def test_stopping_ends_a_backup_and_a_check_in_the_middle(night: Night, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is left of them, and the next watch does both."""
    stop = threading.Event()
    stop.set()
    night.worker._stop = stop
    monkeypatch.setattr(hk, "_STEPS", 100)
    for _ in range(2):
        with pytest.raises(Stopped):
            night.look(DUE_S + 60.0)
        night.worker._done_s[LAST_CHECK] = DUE_S + 60.0
    assert night.fact(LAST_CHECK) is None and night.backups() == [] and not list(night.folder.glob("stick/*"))
    night.begin()
    night.look(DUE_S + 120.0)
    assert len(night.backups()) == 1


# ---- how it is told ----


def test_no_backup_can_wait_for_daylight_and_a_damaged_journal_cannot(tmp_path: Path) -> None:
    """Nobody is woken for a stick; what wakes is told first when both are out of order."""
    people = [Person("Ash", ("print://one",))]
    with Journal(tmp_path / "journal.sqlite") as journal:
        own, teller = OwnTrouble(journal, people), Teller(journal, Settings(), people)
        for minute in range(5):
            own.step({BACKUP: "the stick is not there."}, NIGHT_S + 60.0 * minute)
        assert own.state.stands and own.state.urgency == "daylight"
        teller.tell([], NIGHT_S + 300.0, own=(own.state, own.condition))
        (message,) = journal.messages()
        assert message.urgency == "daylight" and "not backed up any more" in message.body
        assert "do not rely on being rung" not in message.body.lower()
        own.step({BACKUP: "the stick is not there.", DAMAGED: "damaged."}, NIGHT_S + 360.0)
        assert own.state.urgency == "now" and own.condition.facts["problem"] == "damaged"


def test_it_stands_on_status_and_page(night: Night) -> None:
    night.look(DUE_S + 60.0)
    with Journal(night.path, read_only=True) as journal:
        notes = status_view(journal, night.settings, night.now_s, with_curves=False).notes
        assert any("read through Sun 03:31" in note for note in notes)
        assert any("last backup was made Sun 03:31" in note for note in notes)
        view = status_view(journal, night.settings, night.now_s, with_curves=False)
        assert "The journal was read through Sun 03:31 and is sound." in in_words(view, night.settings)
    damage(night.path, behind=1 / 2)  # behind the tables that the worker itself needs
    night.look(DUE_S + DAY_S + 60.0)
    with Journal(night.path, read_only=True) as journal:
        view = status_view(journal, night.settings, night.now_s, with_curves=False)
    assert any("the file is damaged" in trouble for trouble in view.watch)
    assert not any("is sound" in note for note in view.notes)


# ---- with the watch ----


def test_judging_goes_on_while_it_works(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A check and a backup that are held up half-way hold up no reading, no tick and no commit."""
    bench = Bench(tmp_path, DUE_S - 900.0, sources=[StillSource()])
    try:
        batch = batch_in("shed-2", bench.now_s)
        bench.begin(batch, entry("poured", bench.now_s), entry("blended", bench.now_s + 300.0))
        bench.steady("shed-2", bench.now_s + 20.0, DUE_S, lambda _at_s: 50.0, every_s=60.0)
        held, go = threading.Event(), threading.Event()

        def hold(self: Housekeeping) -> bool:
            held.set()
            go.wait(20.0)
            return False

        monkeypatch.setattr(Housekeeping, "_stops", hold)
        monkeypatch.setattr(hk, "_STEPS", 100)
        settings = Settings(site=SiteSettings(time_zone="UTC"), keep=KeepSettings(backup_to=tmp_path / "stick"))
        worker = Housekeeping(settings, tmp_path / "journal.sqlite", lambda: DUE_S + 60.0, {}, pause_s=0.0)
        thread = threading.Thread(target=worker.look)
        thread.start()
        assert held.wait(10.0)
        before = len(list(bench.desk.readings("shed-2")))
        for minute in range(1, 8):
            bench.line(DUE_S + 60.0 * minute + 5.0, pack("shed-2", 51.0))
        bench.until(DUE_S + 500.0)
        assert thread.is_alive(), "it is still held"
        assert len(list(bench.desk.readings("shed-2"))) == before + 7
        assert bench.desk.fact("last_tick_s") > DUE_S + 400.0
        assert "journal" not in bench.watch.trouble
        go.set()
        thread.join(timeout=20.0)
        assert not thread.is_alive() and len(list((tmp_path / "stick").glob("*.sqlite"))) == 1
    finally:
        go.set()
        bench.close()


def test_a_running_watch_does_it_by_itself(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The worker is one of the watch's, and ends with it."""
    from monitor.clock import ArrivalClock

    monkeypatch.setattr(hk, "FIRST_LOOK_S", 0.05)
    settings = Settings(
        site=SiteSettings(time_zone="UTC"), journal_path=tmp_path / "journal.sqlite",
        keep=KeepSettings(backup_to=tmp_path / "stick"),
    )  # fmt: skip
    stop = threading.Event()
    with Journal(settings.journal_path) as journal:
        running = Running(settings, journal, ArrivalClock(), [], serve_page=False, say=lambda _text: None)
        thread = threading.Thread(target=running.run, args=(stop,))
        thread.start()
        try:
            wait_until(lambda: list((tmp_path / "stick").glob("*.sqlite")), 20.0, what="the backup")
        finally:
            stop.set()
            thread.join(timeout=20.0)
            running.close()
    wait_until(
        lambda: not any(one.name == "housekeeping" for one in threading.enumerate()), 10.0, what="the worker's end"
    )


def test_a_backup_taken_meanwhile_is_of_one_moment(night: Night) -> None:
    """Somebody writes all the while: what is in the backup is a beginning of it, without a gap, and sound."""
    stop, begun = threading.Event(), threading.Event()

    def write() -> None:
        with Journal(night.path) as journal:
            n = 0
            while not stop.is_set():
                with journal.transaction():
                    journal.set_fact("first", n)
                    journal.set_fact("second", n)
                begun.set()
                n += 1
                time.sleep(0.002)

    thread = threading.Thread(target=write)
    thread.start()
    try:
        assert begun.wait(10.0)
        night.worker._pause_s = 0.01
        night.look(DUE_S + 60.0)
    finally:
        stop.set()
        thread.join(timeout=10.0)
    with Journal(night.folder / "stick" / night.backups()[0]) as copy:
        copy.check()
        assert copy.fact("first") == copy.fact("second")
        assert json.dumps(copy.fact("first")) != "null"
