"""The copy that follows each commit: whatever is written, moved and begun anew meanwhile, nothing passes by unseen."""

from __future__ import annotations

import contextlib
import os
import random
import shutil
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from monitor import copying
from monitor.clock import ArrivalClock
from monitor.copying import PART, PATIENCE_S, Copying, Holder, TakenOver, folder_of, hold, holder_in
from monitor.journal.database import Journal, JournalError
from monitor.journal.shipping import assemble, chains, grown
from monitor.running import Running
from monitor.settings import KeepSettings, Settings
from tests.sheds.conftest import Shed

SEED = 20261126


class Copied:
    """A journal with a copy that the test has turn by hand, at a time that it sets."""

    def __init__(self, folder: Path) -> None:
        self.copies, self.path = folder / "copies", folder / "here" / "journal.sqlite"
        self.copies.mkdir()
        self.journal = Journal(self.path)
        self.trouble: dict[str, str] = {}
        self.now, self.said, self.acked = 100.0, [], []  # type: ignore[var-annotated]
        self.copying = self.new()

    def new(self) -> Copying:
        self.copying = Copying(
            self.path, self.copies, lambda: 1.8e9, self.trouble, on_lost=self.said.append, monotonic=lambda: self.now
        )
        return self.copying

    def write(self, number: int, size: int = 20) -> None:
        self.journal.set_fact(f"fact-{number}", "x" * size)

    def ack(self, word: str) -> None:
        self.copying.release([lambda: self.acked.append(word)])

    def in_copy(self, folder: Path, name: str = "whole.sqlite") -> dict[str, str]:
        """What the copy gives when it is put together."""
        target = folder / name
        assert assemble(chains(folder_of(self.copies, self.path))[-1], target) == 0
        with contextlib.closing(sqlite3.connect(target)) as db:
            assert db.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
            return dict(db.execute("SELECT key, value FROM facts"))

    def in_journal(self) -> dict[str, str]:
        return {row[0]: row[1] for row in self.journal._rows("SELECT key, value FROM facts")}


@pytest.fixture
def copied(tmp_path: Path) -> Copied:
    return Copied(tmp_path)


def test_whatever_happens_to_the_log_the_copy_equals_the_journal(tmp_path: Path) -> None:
    """Several writers, transactions that spill and are taken back, checkpoints of every kind by others, restarts of the
    shipper: after each turn the copy is the journal.
    """
    chance, eras = random.Random(SEED), 0
    for run in range(4):
        folder = tmp_path / str(run)
        folder.mkdir()
        one = Copied(folder)
        other = sqlite3.connect(one.path, isolation_level=None, timeout=0.05)
        other.execute("PRAGMA cache_size = 5")  # so that large transactions spill into the log before they end
        number = 0
        for turn in range(20):
            for _ in range(chance.randrange(6)):
                number += 1
                deed = chance.randrange(8)
                if deed < 3:
                    one.write(number, chance.choice([10, 3000, 60_000]))
                elif deed == 3:
                    other.execute("INSERT OR REPLACE INTO facts VALUES (?, ?)", (f"fact-{number % 7}", '"other"'))
                elif deed == 4:
                    other.execute("BEGIN IMMEDIATE")
                    other.executemany(
                        "INSERT OR REPLACE INTO facts VALUES (?, ?)",
                        [(f"fact-{k}", f'"{"gone" * 300}"') for k in range(40)],
                    )
                    other.execute("ROLLBACK")
                else:
                    kind = chance.choice(["PASSIVE", "FULL", "RESTART", "TRUNCATE"])
                    with contextlib.suppress(sqlite3.OperationalError):
                        other.execute(f"PRAGMA wal_checkpoint({kind})")
            one.now += 1.0
            if chance.random() < 0.1:
                one.copying._pins.let_go()  # as a kill does
                one.new()
            one.copying.turn()
            assert one.trouble == {}
            if turn % 5 == 4:
                assert one.in_copy(folder, f"whole-{turn}.sqlite") == one.in_journal(), f"run {run}, turn {turn}"
            if chance.random() < 0.4:
                one.copying._pins.move_log()
        eras += max(len(chain.tails()) for chain in chains(one.copying.folder))
        other.close()
        one.copying._pins.let_go()
        one.journal.close()
    assert eras > 4, "the log never began anew, so that was not tried"


def test_only_whole_commits_are_read(copied: Copied, tmp_path: Path) -> None:
    """A log that is cut anywhere gives what was committed before the cut, and nothing else."""
    copied.write(1, 3000)
    copied.write(2, 3000)
    wal = copied.path.with_name("journal.sqlite-wal")
    whole = grown(wal, None)
    assert whole.place is not None and whole.anew
    ends = set()
    cut = tmp_path / "cut"
    for size in range(0, len(whole.data) + 1, 397):
        cut.write_bytes(whole.data[:size])
        found = grown(cut, None)
        assert whole.data.startswith(found.data) and len(found.data) <= size
        ends.add(len(found.data))
    assert len(ends) >= 3


def test_a_damaged_tail_is_told_and_gives_what_was_before(copied: Copied, tmp_path: Path) -> None:
    """Bit rot on a stick: the pages behind it are counted, and the journal is sound without them."""
    copied.copying.turn()
    copied.write(1)
    copied.copying.turn()
    before = copied.in_copy(tmp_path, "before.sqlite")
    copied.write(2, 3000)
    copied.write(3, 3000)
    copied.copying.turn()
    tail = chains(copied.copying.folder)[-1].tails()[-1]
    data = bytearray(tail.read_bytes())
    data[-5000] ^= 0x20
    tail.write_bytes(data)
    target = tmp_path / "damaged.sqlite"
    assert assemble(chains(copied.copying.folder)[-1], target) >= 4
    with Journal(target) as journal:
        journal.check()
        assert set(before) <= {row[0] for row in journal._rows("SELECT key FROM facts")}


def test_the_broker_is_told_after_the_copy(copied: Copied) -> None:
    """An acknowledgement waits for the end of the turn that ships what it brought."""
    copied.copying.turn()
    copied.ack("one")
    assert copied.acked == []
    copied.copying.turn()
    assert copied.acked == ["one"]


def test_a_folder_that_is_gone_holds_up_nothing_and_is_told(copied: Copied, tmp_path: Path) -> None:
    """The stick is pulled: acknowledged all the same, in daylight somebody hears of it; back, it is whole again."""
    copied.copying.turn()
    copied.copies.rename(tmp_path / "pulled")
    copied.write(1)
    copied.ack("one")
    copied.copying.turn()
    assert copied.acked == [] and "is behind" in copied.trouble[PART]
    copied.now += PATIENCE_S
    copied.copying.turn()
    assert copied.acked == ["one"] and "is behind" in copied.trouble[PART]
    assert not copied.copies.exists(), "no folder is made where the stick should be"
    copied.write(2)
    (tmp_path / "pulled").rename(copied.copies)
    copied.now += 60.0
    copied.copying.turn()
    assert copied.trouble == {}
    assert copied.in_copy(tmp_path) == copied.in_journal()


@pytest.mark.parametrize("other", ["new", "of long ago"])
@pytest.mark.parametrize("away_s", [1, 30])
def test_another_file_in_the_journal_s_place_is_not_shipped(tmp_path: Path, other: str, away_s: int) -> None:
    """The journal's disk is away, and its mount point holds a new journal, or that of long ago: what was copied stays
    the copy, and that it is behind is told; when the disk is back, the copy goes on. Shorter than the patience, and
    longer.
    """
    one = Copied(tmp_path)
    one.journal.claim_watch()
    one.journal._run("PRAGMA wal_checkpoint(TRUNCATE)")
    shutil.copyfile(one.path, tmp_path / "old.sqlite")
    for number in range(30):
        one.write(number, 900)
    with one.journal.transaction():
        one.journal._run("INSERT INTO changes (what, id) VALUES ('entry-added', 'Invented')")
    one.journal._run("PRAGMA wal_checkpoint(TRUNCATE)")
    one.copying.turn()
    for number in range(30, 60):
        one.write(number, 900)
    one.copying.turn()
    assert one.trouble == {}
    before = one.in_copy(tmp_path, "before.sqlite")
    disk = one.path.parent.rename(tmp_path / "disk")
    one.path.parent.mkdir()
    if other == "of long ago":
        shutil.copyfile(tmp_path / "old.sqlite", one.path)
    with Journal(one.path) as there:
        there.set_fact("of-the-other", "x" * 900)
        for _ in range(away_s):
            one.now += 1.0
            one.copying.turn()
            assert "another journal" in one.trouble[PART]
    assert one.in_copy(tmp_path, "meanwhile.sqlite") == before
    shutil.rmtree(one.path.parent)
    disk.rename(one.path.parent)
    one.write(60)
    for _ in range(15):
        one.now += 1.0
        one.copying.turn()
    assert one.trouble == {}
    assert one.in_copy(tmp_path) == one.in_journal()


def test_what_was_written_to_a_disk_while_it_was_away_is_in_the_copy(copied: Copied, tmp_path: Path) -> None:
    """It was plugged in elsewhere for a moment, and is back under another number: its log began anew meanwhile."""
    for number in range(5):
        copied.write(number, 900)
        copied.copying.turn()
    copied.journal._run("PRAGMA wal_checkpoint(TRUNCATE)")
    shutil.copytree(copied.path.parent, tmp_path / "back")
    with Journal(tmp_path / "back" / copied.path.name) as elsewhere:
        elsewhere.set_fact("between", "x" * 9000)
    copied.path.parent.rename(tmp_path / "gone")
    (tmp_path / "back").rename(copied.path.parent)
    with Journal(copied.path) as copied.journal:
        copied.write(6)
        copied.now += 1.0
        copied.copying.turn()
        assert copied.trouble == {}
        assert copied.in_copy(tmp_path) == copied.in_journal()


def test_a_file_that_comes_in_its_place_while_a_base_is_made_is_not_shipped(
    copied: Copied, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A base of a large journal takes minutes, and its tail is read by the journal's name all the while."""
    plain, away = copying.back_up, tmp_path / "away"

    def slow(*values: Any, **more: Any) -> object:
        done = plain(*values, **more)
        copied.path.parent.rename(away)
        with Journal(copied.path) as other:
            other.set_fact("of-the-other", "x" * 900)
            shutil.copytree(copied.path.parent, tmp_path / "other")
        shutil.rmtree(copied.path.parent)
        (tmp_path / "other").rename(copied.path.parent)
        return done

    with monkeypatch.context() as swapped:
        swapped.setattr(copying, "back_up", slow)
        copied.copying.turn()
    assert "another journal" in copied.trouble[PART] and not chains(copied.copying.folder)
    shutil.rmtree(copied.path.parent)
    away.rename(copied.path.parent)
    copied.now += 60.0
    copied.copying.turn()
    assert copied.trouble == {} and copied.in_copy(tmp_path) == copied.in_journal()


def test_a_folder_that_hangs_holds_up_nothing_for_long(copied: Copied, monkeypatch: pytest.MonkeyPatch) -> None:
    """A share whose server is gone keeps its caller for ever: after the patience the rest goes on without it."""
    copied.copying.turn()
    reached, let = threading.Event(), threading.Event()

    def hangs(_: object) -> None:
        reached.set()
        let.wait(30)

    copied.write(1)
    monkeypatch.setattr("monitor.copying.os.fsync", hangs)
    copied.ack("one")
    thread = threading.Thread(target=copied.copying.turn)
    thread.start()
    assert reached.wait(10)
    copied.copying.mind()
    assert copied.acked == [] and not copied.copying.in_step(0.01)
    copied.now += PATIENCE_S + 1.0
    copied.copying.mind()
    assert copied.acked == ["one"] and "no answer" in copied.trouble[PART]
    assert copied.copying.in_step(0.01), "somebody must be rung all the same"
    let.set()
    thread.join(10)
    monkeypatch.undo()
    copied.now += 60.0
    copied.copying.turn()
    assert copied.acked == ["one"] and copied.trouble == {}


def test_a_folder_that_hangs_at_the_start_does_not_keep_the_watch_from_minding(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A pipe for the holder's file takes its reader as a dead share does. The watch minds, the broker is told to forget
    after a while, and the trouble is told.
    """
    monkeypatch.setattr(copying, "PATIENCE_S", 0.5)
    one = Copied(tmp_path)
    one.copying.folder.mkdir()
    os.mkfifo(one.copying.folder / "holder-0001.json")
    keep = KeepSettings(copy_to=one.copies)
    settings, said = Settings(journal_path=one.path, keep=keep), []  # type: ignore[var-annotated]
    running = Running(settings, one.journal, ArrivalClock(), [], serve_page=False, say=said.append)
    minds, stop = threading.Event(), threading.Event()
    monkeypatch.setattr(running.watch, "_on_open", minds.set)
    minding = threading.Thread(target=running.run, args=(stop,))
    minding.start()
    try:
        assert minds.wait(20.0), "the folder held it up"
        assert "no answer" in running.watch.trouble[PART]
        running._release([lambda: one.acked.append("heard")])
        until(lambda: one.acked == ["heard"])
    finally:
        stop.set()
        minding.join(20.0)
        running.close()
        for _ in range(2):  # let go who hangs
            with contextlib.suppress(OSError):
                os.close(os.open(one.copying.folder / "holder-0001.json", os.O_WRONLY | os.O_NONBLOCK))


def test_one_that_was_taken_over_while_its_folder_hung_stands_down_when_it_answers(
    copied: Copied, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It went on without knowing who holds the copy, acknowledged and rang; the first answer ends that, and nothing was
    shipped before.
    """
    copied.copying.turn()
    answers, plain = threading.Event(), copying.holder_in

    def hangs(folder: Path) -> Holder | None:
        answers.wait(20.0)
        return plain(folder)

    monkeypatch.setattr(copying, "holder_in", hangs)
    monkeypatch.setattr(copying, "PATIENCE_S", 0.2)
    again = copied.new()
    again.claim()
    assert "no answer" in copied.trouble[PART]
    hold(again.folder, 2, 1.8e9)
    shipped = sorted(path.name for path in again.folder.iterdir())
    keeping = threading.Thread(target=again.keep_on, args=(threading.Event(),), daemon=True)
    keeping.start()
    answers.set()
    keeping.join(20.0)
    assert len(copied.said) == 1 and "taken this watch over" in copied.said[0]
    assert not again.in_step(0.0)
    assert sorted(path.name for path in again.folder.iterdir()) == shipped


def test_a_claim_that_ends_late_is_not_taken_for_another_machine_s(
    copied: Copied, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A new folder that hung while this watch became its holder: the copy goes on by that, and nobody stands down."""
    answers, plain, came = threading.Event(), copying.hold, []

    def hangs(*values: Any) -> Holder:
        came.append(values)
        late_s = 0.5 * (len(came) - 1)
        answers.wait(20.0)
        time.sleep(late_s)  # a second one, if there were one, would find the name taken
        return plain(*values)

    monkeypatch.setattr(copying, "hold", hangs)
    monkeypatch.setattr(copying, "PATIENCE_S", 0.2)
    copied.copying.claim()
    stop = threading.Event()
    keeping = threading.Thread(target=copied.copying.keep_on, args=(stop,), daemon=True)
    keeping.start()
    time.sleep(0.2)
    answers.set()
    until(lambda: PART not in copied.trouble)
    stop.set()
    keeping.join(20.0)
    assert not copied.said and not copied.copying.lost
    assert len(list(copied.copying.folder.glob("holder-*"))) == 1
    assert chains(copied.copying.folder)


def test_what_nobody_foresaw_at_the_claim_does_not_keep_the_watch_from_minding(
    copied: Copied, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(copying, "holder_in", lambda _: 1 / 0)
    copied.copying.claim()
    assert "ZeroDivisionError" in copied.trouble[PART] or "division" in copied.trouble[PART]


def until(is_so: Callable[[], bool]) -> None:
    give_up = time.monotonic() + 20.0
    while not is_so():
        assert time.monotonic() < give_up, "it did not come"
        time.sleep(0.02)


def test_what_nobody_foresaw_in_a_turn_keeps_no_acknowledgement(
    copied: Copied, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A fault of the program in the copying must not starve the judging."""
    def broken() -> None:
        raise ZeroDivisionError("by nothing")

    monkeypatch.setattr(copied.copying, "_ship", broken)
    copied.ack("one")
    copied.copying.turn()
    copied.now += PATIENCE_S
    copied.copying.turn()
    assert copied.acked == ["one"] and "by nothing" in copied.trouble[PART]


class Flaky:
    """A share that refuses its next syncs, so many of them."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.left, self._sync = 0, os.fsync
        monkeypatch.setattr("monitor.copying.os.fsync", self)

    def __call__(self, file: int) -> None:
        if self.left:
            self.left -= 1
            raise OSError(5, "Input/output error")
        self._sync(file)


def test_one_error_of_the_share_costs_nothing(
    copied: Copied, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What waits goes on waiting, and a second later the same chain goes on, with nothing twice in it."""
    share = Flaky(monkeypatch)
    copied.copying.turn()
    copied.write(1)
    copied.copying.turn()
    chain = chains(copied.copying.folder)
    copied.write(2)
    copied.ack("two")
    share.left = 1
    copied.copying.turn()
    assert copied.acked == [] and "Input/output error" in copied.trouble[PART]
    copied.ack("three")
    copied.now += 0.5
    copied.copying.turn()
    assert copied.acked == []
    copied.now += 0.6
    copied.copying.turn()
    assert copied.acked == ["two", "three"] and copied.trouble == {}
    assert chains(copied.copying.folder) == chain
    assert copied.in_copy(tmp_path) == copied.in_journal()


def test_nobody_is_rung_while_one_error_may_pass(copied: Copied, monkeypatch: pytest.MonkeyPatch) -> None:
    """What a phone is told is in the copy first; but only for so long."""
    share = Flaky(monkeypatch)
    copied.copying.turn()
    stop = threading.Event()
    thread = threading.Thread(target=copied.copying.keep_on, args=(stop,))
    thread.start()
    try:
        assert copied.copying.in_step(10.0)
        share.left = 1000
        copied.write(1)
        assert not copied.copying.in_step(10.0)
        copied.now += PATIENCE_S
        assert copied.copying.in_step(10.0)
    finally:
        stop.set()
        thread.join(10)


def test_a_share_that_goes_on_refusing_is_gone_on_without(copied: Copied, monkeypatch: pytest.MonkeyPatch) -> None:
    """After the patience what waits is acknowledged, at the next turns at once, and it is tried more seldom."""
    share = Flaky(monkeypatch)
    copied.copying.turn()
    share.left = 1000
    copied.write(1)
    copied.ack("one")
    for _ in range(int(PATIENCE_S) - 1):
        copied.copying.turn()
        copied.now += 1.1
    assert copied.acked == [] and share.left == 1000 - int(PATIENCE_S) + 1
    copied.now += 1.0
    copied.copying.turn()
    assert copied.acked == ["one"]
    copied.ack("two")
    copied.now += 5.0
    copied.copying.turn()
    assert copied.acked == ["one", "two"] and PART in copied.trouble
    copied.now += 5.1
    share.left = 0
    copied.copying.turn()
    assert copied.trouble == {}


def test_a_log_that_began_anew_as_the_share_refused_is_shipped_once(
    copied: Copied, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The half tail is written over by the whole one, and does not stand before it."""
    share = Flaky(monkeypatch)
    copied.copying.turn()
    copied.write(1, 3000)
    copied.copying.turn()
    for number in range(2, 6):  # the log is moved into the file, and begins anew
        copied.copying._pins.move_log()
        copied.copying.turn()  # nobody reads by the log from now on
        copied.write(number, 3000)
        tails = len(chains(copied.copying.folder)[-1].tails())
        share.left = 1
        copied.copying.turn()
        copied.now += 1.1
        copied.copying.turn()
        assert copied.trouble == {}
        assert copied.in_copy(tmp_path, f"{number}.sqlite") == copied.in_journal()
        assert len(chains(copied.copying.folder)[-1].tails()) <= tails + 1
    assert len(chains(copied.copying.folder)[-1].tails()) > 1, "the log never began anew, so that was not tried"
    assert len(chains(copied.copying.folder)) == 1


def test_what_a_failed_turn_did_not_ship_stays_in_the_log(
    copied: Copied, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another program moves the log into the file between the tries: it does not begin anew before that."""
    copied.copying.turn()
    copied.write(1, 3000)
    copied.copying.turn()
    number = 1
    with contextlib.closing(sqlite3.connect(copied.path, isolation_level=None, timeout=0.05)) as other:
        for _ in range(4):
            number += 1
            copied.write(number, 3000)
            with monkeypatch.context() as broken:
                broken.setattr("monitor.copying.grown", lambda *_: 1 // 0)
                for _ in range(2):
                    copied.copying.turn()
                    assert PART in copied.trouble
                    other.execute("PRAGMA wal_checkpoint(PASSIVE)")
                    copied.now += 1.1
            number += 1
            copied.write(number, 3000)
            copied.copying.turn()
            assert copied.trouble == {}
            assert copied.in_copy(tmp_path, f"{number}.sqlite") == copied.in_journal()
    assert [chain.number for chain in chains(copied.copying.folder)] == [1]


def test_a_base_that_did_not_become_whole_is_begun_anew(
    copied: Copied, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At the very start, and when the tails have grown long."""
    share = Flaky(monkeypatch)
    monkeypatch.setattr("monitor.copying._LEAST_TAIL_BYTES", 20_000)
    with monkeypatch.context() as broken:
        broken.setattr("monitor.copying.grown", lambda *_: 1 // 0)
        copied.copying.turn()
        assert PART in copied.trouble
    copied.now += 1.1
    copied.copying.turn()
    assert copied.trouble == {} and copied.in_copy(tmp_path, "first.sqlite") == copied.in_journal()
    for number in range(4):
        copied.write(number, 90_000)
        share.left = 1
        copied.copying.turn()
        copied.now += 1.1
        copied.copying.turn()
        assert copied.trouble == {}
        assert copied.in_copy(tmp_path, f"{number}.sqlite") == copied.in_journal()


def test_one_that_is_taken_over_acknowledges_nothing_and_says_so(copied: Copied) -> None:
    """Also when the new holder comes in the very turn in which it ships."""
    copied.copying.turn()
    copied.ack("one")
    hold(copied.copying.folder, 2, 1.8e9)
    copied.copying.turn()
    assert copied.acked == [] and not copied.copying.in_step(0.01)
    assert len(copied.said) == 1 and "has taken this watch over" in copied.said[0]
    with pytest.raises(TakenOver, match="has taken this watch over"):
        copied.new().claim()


def test_one_whose_chain_is_removed_in_its_turn_stands_down_at_once(
    copied: Copied, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A watch that was only asleep wakes in the midst of shipping to what the new holder has cleared away: that is no
    folder out of reach, for which it would acknowledge, and ring, until the next try.
    """
    copied.copying.turn()
    copied.write(1)
    copied.ack("one")
    begin_reading = copied.copying._pins.move_on

    def sleeps() -> sqlite3.Connection | None:
        hold(copied.copying.folder, 2, 1.8e9)
        for path in copied.copying.folder.glob("*-0001-*"):
            path.unlink()
        return begin_reading()

    monkeypatch.setattr(copied.copying._pins, "move_on", sleeps)
    copied.copying.turn()
    assert copied.acked == [] and not copied.copying.in_step(0.01)
    assert len(copied.said) == 1 and "has taken this watch over" in copied.said[0]


def test_one_that_is_taken_over_while_it_waits_to_try_again_stands_down_at_once(copied: Copied, tmp_path: Path) -> None:
    """The stick is pulled and is back within the time after which it is tried again, with another holder on it."""
    copied.copying.turn()
    copied.copies.rename(tmp_path / "pulled")
    copied.copying.turn()
    (tmp_path / "pulled").rename(copied.copies)
    hold(copied.copying.folder, 2, 1.8e9)
    copied.ack("one")
    copied.now += 1.0
    copied.copying.turn()
    assert copied.acked == [] and not copied.copying.in_step(0.01)


def test_the_folder_of_another_journal_is_refused(copied: Copied, tmp_path: Path) -> None:
    """A new journal must not ship over the copy of a dead one, which somebody still wants."""
    copied.copying.turn()
    Journal(tmp_path / "new" / "journal.sqlite").close()
    other = Copying(tmp_path / "new" / "journal.sqlite", copied.copies, lambda: 1.8e9, {})
    with pytest.raises(TakenOver, match="the copy of another journal"):
        other.claim()


class Refusing(Journal):
    """A journal that keeps no fact for now."""

    on = True

    def set_fact(self, key: str, value: object) -> None:
        if self.on:
            raise JournalError("Journal: the disk is full.", again=True)
        super().set_fact(key, value)


@pytest.mark.parametrize("emptied", [False, True])
def test_a_claim_that_the_journal_did_not_keep_is_made_at_the_next_try(
    copied: Copied, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, emptied: bool
) -> None:
    """A new folder, or one that was emptied, and a journal that refuses that very write: the watch must not take its
    own holder for another machine's a second later, and at each start from then on.
    """
    if emptied:
        copied.copying.turn()
        for path in copied.copying.folder.iterdir():
            path.unlink()
        copied.copying._pins.let_go()
        copied.new()
    monkeypatch.setattr(copying, "Journal", Refusing)
    monkeypatch.setattr(Refusing, "on", True)
    copied.copying.claim()
    copied.now += 1.1
    copied.copying.turn()
    assert not copied.said and not copied.copying.lost
    monkeypatch.setattr(Refusing, "on", False)
    copied.now += 60.0
    copied.copying.turn()
    assert copied.trouble == {} and not copied.said
    copied.copying._pins.let_go()
    copied.new().claim()
    assert copied.in_copy(tmp_path) == copied.in_journal()


def test_a_kill_between_the_two_writes_of_a_claim_costs_nothing(
    copied: Copied, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The journal knows of a holder that is not in the folder yet: the next start puts it there."""

    def killed(*_: object) -> Holder:
        raise KeyboardInterrupt

    with monkeypatch.context() as broken, pytest.raises(KeyboardInterrupt):
        broken.setattr(copying, "hold", killed)
        copied.copying._claim()
    kept = copied.journal.fact(copying.HOLDER_FACT)
    copied.new().claim()
    there = holder_in(copied.copying.folder)
    assert there is not None and there.as_fact() == kept == copied.journal.fact(copying.HOLDER_FACT)


def test_a_stick_that_is_mounted_over_the_folder_is_this_watch_s_own(copied: Copied, tmp_path: Path) -> None:
    """At the start it was away, and its empty mount point was taken for a new folder. Back, it has the same holder: the
    watch goes on, and its chain, which bears the same names, is not mixed with the other one.
    """
    for number in range(5):
        copied.write(number, 9000)
        copied.copying.turn()
    stick = copied.copies.rename(tmp_path / "stick")
    copied.copies.mkdir()
    copied.copying._pins.let_go()
    copied.copying = Copying(
        copied.path, copied.copies, lambda: 1.9e9, copied.trouble, on_lost=copied.said.append,
        monotonic=lambda: copied.now,
    )  # fmt: skip
    copied.copying.claim()
    copied.copying.turn()
    copied.write(5, 9000)
    copied.copying.turn()
    assert copied.trouble == {}
    shutil.rmtree(copied.copies)
    stick.rename(copied.copies)
    copied.write(6, 50)
    copied.ack("six")
    copied.copying.turn()
    assert not copied.said and "an older copy" in copied.trouble[PART] and copied.acked == []
    copied.now += 1.1
    copied.copying.turn()
    assert copied.trouble == {} and copied.acked == ["six"]
    assert copied.in_copy(tmp_path) == copied.in_journal()


@contextmanager
def a_moment_late(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Another takes the folder just before the claim made inside, which is refused."""
    plain = copying.hold

    def second(*values: Any) -> Holder:
        plain(values[0], 1, 1.8e9)
        return plain(*values)

    with monkeypatch.context() as both, pytest.raises(TakenOver, match="just taking this watch over"):
        both.setattr(copying, "hold", second)
        yield


def test_one_that_was_a_moment_late_at_a_new_folder_never_held_it(
    copied: Copied, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two journals that meet at a new folder: who comes second does not say later that it has been taken over."""
    with a_moment_late(monkeypatch):
        copied.copying.claim()
    with pytest.raises(TakenOver, match="the copy of another journal") as found:
        copied.new().claim()
    assert not found.value.known


def test_who_is_second_at_an_emptied_folder_has_held_it(copied: Copied, monkeypatch: pytest.MonkeyPatch) -> None:
    """What the journal knew before stays in it."""
    copied.copying.turn()
    kept = copied.journal.fact(copying.HOLDER_FACT)
    for path in copied.copying.folder.iterdir():
        path.unlink()
    with a_moment_late(monkeypatch):
        copied.new().claim()
    assert copied.journal.fact(copying.HOLDER_FACT) == kept


def test_two_spares_cannot_both_take_over(tmp_path: Path) -> None:
    """The holder's file is made once, whole, by one of them."""
    assert hold(tmp_path, 2, 1.0) == holder_in(tmp_path)
    with pytest.raises(TakenOver, match="just taking this watch over"):
        hold(tmp_path, 2, 2.0)


def test_a_long_tail_becomes_a_new_base(copied: Copied, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """So that a copy never grows beyond twice its journal; the old chain stays until the new one is whole."""
    monkeypatch.setattr("monitor.copying._LEAST_TAIL_BYTES", 20_000)
    copied.copying.turn()
    first = chains(copied.copying.folder)[-1]
    for number in range(8):
        copied.write(number, 90_000)
        copied.copying.turn()
        assert copied.in_copy(tmp_path, f"{number}.sqlite") == copied.in_journal()
    assert chains(copied.copying.folder)[-1].number > first.number
    assert len(chains(copied.copying.folder)) == 1
    assert not first.base.exists()


def _two_sheds(shed: Shed, folder: Path) -> tuple[Path, Callable[[Path], None]]:
    copies = folder / "copies"
    copies.mkdir()
    shed.add_settings(f'[keep]\ncopy_to = "{copies}"\n')
    return copies, lambda journal: Copying(journal, copies, lambda: 1.8e9, {}).turn()


def test_the_command_puts_the_copy_in_place(shed: Shed, tmp_path: Path) -> None:
    """The batches run here, the newest reading is told, and what was here before is kept."""
    _, ship = _two_sheds(shed, tmp_path)
    assert "no whole copy" in shed.refused("takeover")
    shed.start()
    ship(shed.journal_path)
    assert "nothing is to be taken over" in shed.refused("takeover")
    shed.journal_path.rename(tmp_path / "dead.sqlite")
    said = shed.ok("takeover").words
    assert "Taken over from" in said and "1 batch" in said and "Running: Quillmarsh 12" in said
    with shed.journal() as journal:
        assert [one.name for one in journal.running_batches()] == ["Quillmarsh 12"]
    ship(shed.journal_path)  # it holds the copy now


def test_a_damaged_journal_here_is_kept_aside(shed: Shed, tmp_path: Path) -> None:
    """A card that went bad under the watch's own journal, or the spare's: the copy is taken all the same."""
    _, ship = _two_sheds(shed, tmp_path)
    shed.start()
    ship(shed.journal_path)
    shed.journal_path.write_bytes(b"no journal any more" * 1000)
    said = shed.ok("takeover").words
    assert "Running: Quillmarsh 12" in said and "journal-damaged-" in said


def test_another_program_s_file_is_refused_before_anything_is_taken_over(shed: Shed, tmp_path: Path) -> None:
    """A path that was typed wrong: the watch that is alive goes on holding its copy."""
    copies, ship = _two_sheds(shed, tmp_path)
    shed.start()
    ship(shed.journal_path)
    before = holder_in(folder_of(copies, shed.journal_path))
    shed.journal_path.unlink()
    with contextlib.closing(sqlite3.connect(shed.journal_path)) as db:
        db.execute("CREATE TABLE theirs (one)")
    assert "another program" in shed.refused("takeover")
    assert holder_in(folder_of(copies, shed.journal_path)) == before


def test_a_restored_backup_goes_on_as_the_holder(shed: Shed, tmp_path: Path) -> None:
    """A backup of before a take-over, put back on the machine that took over, is still that machine's."""
    copies, ship = _two_sheds(shed, tmp_path)
    shed.start()
    ship(shed.journal_path)
    shed.ok("backup", str(tmp_path / "old.sqlite"))
    shed.journal_path.rename(tmp_path / "dead.sqlite")
    shed.ok("takeover")
    shed.ok("restore", str(tmp_path / "old.sqlite"))
    Copying(shed.journal_path, copies, lambda: 1.8e9, {}).claim()


def test_takeover_without_a_copy_says_what_to_do(shed: Shed) -> None:
    """One sentence."""
    assert "copy_to is not set" in shed.refused("takeover")
