"""The parts of the shipped log one by one: what is no log yet, foreign files, a base or a tail that is broken."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.journal.database import Journal, JournalError
from monitor.journal.shipping import Chain, Grown, Pins, assemble, chains, clear_all_but, grown, highest


@pytest.fixture
def written(tmp_path: Path) -> Iterator[Path]:
    """A journal with something in its log, which stays open until the test is over."""
    path = tmp_path / "here" / "journal.sqlite"
    with Journal(path) as journal:
        journal.set_fact("first", "x" * 9000)
        yield path


def log_of(path: Path) -> Path:
    return path.with_name(path.name + "-wal")


def chain_of(folder: Path, written: Path, tails: int = 1) -> Chain:
    """A chain whose tails all hold what the log holds."""
    folder.mkdir()
    chain = Chain(folder, 1, 1)
    with Journal(chain.base) as base:
        base.set_fact("base", 1)
    for era in range(tails):
        chain.tail(era + 1).write_bytes(log_of(written).read_bytes())
    chain.ready.touch()
    return chain


@pytest.mark.parametrize(
    "change",
    [
        lambda data: data[:31], lambda data: b"", lambda data: b"\0\0\0\1" + data[4:],
        lambda data: data[:23] + bytes([data[23] ^ 1]) + data[24:],
    ],
    ids=["cut", "empty", "another magic number", "a check sum that does not fit"],
)  # fmt: skip
def test_what_has_no_whole_header_is_no_log_yet(written: Path, change) -> None:  # type: ignore[no-untyped-def]
    """It may be under way that very moment."""
    log = log_of(written)
    cut = log.with_name("cut")
    cut.write_bytes(change(log.read_bytes()))
    assert grown(cut, None) == Grown(None)


def test_a_log_that_is_not_there_has_not_grown(tmp_path: Path) -> None:
    """Before the first write, and after the last connection was closed."""
    assert grown(tmp_path / "none-wal", None) == Grown(None)


def test_a_log_that_began_and_holds_no_commit_has_not_begun(written: Path) -> None:
    """Its first bytes may still be written over, so they are not shipped; what was known before stays known."""
    log = log_of(written)
    known = grown(log, None).place
    header = log.with_name("header")
    header.write_bytes(log.read_bytes()[:32])
    assert grown(header, None) == Grown(None)
    assert grown(header, known) == Grown(known)


def test_a_reading_of_what_is_no_journal_says_so_in_words(tmp_path: Path) -> None:
    """And nothing is held by it."""
    path = tmp_path / "journal.sqlite"
    path.write_bytes(b"not a database at all" * 500)
    pins = Pins(path)
    with pytest.raises(JournalError, match=r"journal\.sqlite"):
        pins.move_on()
    pins.let_go()
    path.unlink()
    sqlite3.connect(path).close()  # nothing kept a hold of it
    assert pins.move_on() is None
    pins.let_go()


def test_readings_are_of_one_journal_only(tmp_path: Path, written: Path) -> None:
    """The one of before is held on where another file stands in the place, so that nothing passes by unseen."""
    with Journal(written) as journal:
        journal.claim_watch()
        pins = Pins(written)
        pins.move_on()
        held = pins._held
        away = written.parent.rename(tmp_path / "away")
        written.parent.mkdir()
        sqlite3.connect(written).close()
        for _ in range(2):
            with pytest.raises(JournalError, match="another journal") as found:
                pins.move_on()
            assert found.value.again and pins._held is held
        with pytest.raises(JournalError, match="another journal"):
            pins.must_be_there()
        written.unlink()
        away.replace(written.parent)
        pins.must_be_there()
        before = pins.move_on()
        assert before is held and before is not None and not pins.elsewhere
        before.close()
        pins.let_go()
    Pins(written).must_be_there()  # it has none yet


def test_a_reading_can_be_gone_back_to(written: Path) -> None:
    """What was begun after it ends; the copy has no commit that lies between the two."""
    pins = Pins(written)
    assert not pins.elsewhere and pins.move_on() is None
    first = pins._held
    assert first is not None and pins.move_on() is first
    second = pins._held
    pins.go_back(first)
    assert pins._held is first and first.execute("SELECT 1").fetchone() == (1,)
    assert second is not None and closed(second)
    pins.go_back(None)
    assert pins._held is first
    pins.let_go()
    assert closed(first)


def test_a_reading_that_is_refused_leaves_the_file_alone(tmp_path: Path, written: Path) -> None:
    """A stick could not be taken out while it is held."""
    with Journal(written) as journal:
        journal.claim_watch()
    pins = Pins(written)
    pins.move_on()
    away = written.parent.rename(tmp_path / "away")
    written.parent.mkdir()
    with Journal(written):
        pass
    for _ in range(2):
        with pytest.raises(JournalError, match="another journal") as found:
            pins.move_on()
        assert found.value and written.resolve() not in open_files()
    assert (away / written.name).resolve() in open_files()
    pins.let_go()


def closed(db: sqlite3.Connection) -> bool:
    try:
        db.execute("SELECT 1")
    except sqlite3.ProgrammingError:
        return True
    return False


def open_files() -> set[Path]:
    found = set()
    for descriptor in Path("/proc/self/fd").iterdir():
        with contextlib.suppress(OSError):
            found.add(descriptor.readlink())
    return found


def test_the_next_chain_of_a_holder_is_numbered_behind_all_of_its_own(tmp_path: Path) -> None:
    """Whole or only begun; those of other holders, and what is no number, do not count."""
    assert highest(tmp_path, 1) == 0
    for name in ("ready-0001-0002", "base-0001-0010.sqlite", "tail-0001-0003-0001.wal", "base-0002-0044.sqlite",
                 "base-0001-old.sqlite"):  # fmt: skip
        (tmp_path / name).touch()
    assert (highest(tmp_path, 1), highest(tmp_path, 2), highest(tmp_path, 3)) == (10, 44, 0)


def test_files_of_others_in_the_folder_are_no_chains_and_stay(tmp_path: Path, written: Path) -> None:
    """The folder may be a stick that holds other things, too."""
    chain = chain_of(tmp_path / "copy", written)
    foreign = [tmp_path / "copy" / name for name in ("ready-made-soap", "base-camp-plan.txt", "ready-0001", "a-b-c")]
    for path in foreign:
        path.touch()
    later = Chain(chain.folder, 2, 1)
    later.base.touch()
    assert chains(chain.folder) == [chain]
    clear_all_but(chain)
    assert all(path.exists() for path in foreign) and later.base.exists() and chain.base.exists()


def test_behind_a_damaged_tail_all_that_follow_are_counted_as_lost(tmp_path: Path, written: Path) -> None:
    """None of them fits any more; what was before is there."""
    chain = chain_of(tmp_path / "copy", written, tails=2)
    whole = chain.tail(2).read_bytes()
    data = bytearray(whole)
    data[60] ^= 1
    chain.tail(1).write_bytes(data)
    page_bytes = int.from_bytes(whole[8:12], "big")
    frames = (len(whole) - 32) // (24 + page_bytes)
    target = tmp_path / "whole.sqlite"
    assert assemble(chain, target) == 2 * frames
    with Journal(target) as journal:
        assert journal.fact("base") == 1 and journal.fact("first") is None


def test_a_tail_that_ends_within_a_frame_has_lost_nothing(tmp_path: Path, written: Path) -> None:
    """The machine died while it was written: that commit was acknowledged to nobody."""
    chain = chain_of(tmp_path / "copy", written)
    whole = chain.tail(1).read_bytes()
    chain.tail(1).write_bytes(whole + whole[32:100])
    assert assemble(chain, tmp_path / "whole.sqlite") == 0
    with Journal(tmp_path / "whole.sqlite") as journal:
        assert journal.fact("first") == "x" * 9000


def test_a_base_that_is_no_database_is_told_in_words(tmp_path: Path, written: Path) -> None:
    """By the name of the file, so that somebody can look for another copy."""
    chain = chain_of(tmp_path / "copy", written)
    chain.base.write_bytes(b"rotten" * 4000)
    with pytest.raises(JournalError, match=r"base-0001-0001\.sqlite"):
        assemble(chain, tmp_path / "whole.sqlite")


def test_frames_that_cannot_be_moved_are_no_journal(
    tmp_path: Path, written: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Somebody has opened the half-made file and reads in it: better none than half of one."""
    chain = chain_of(tmp_path / "copy", written)
    connect = sqlite3.connect

    class Read:
        """A connection whose checkpoint moves nothing, as beside a reader."""

        def __init__(self, *arguments: object, **how: object) -> None:
            self.db = connect(*arguments, **how)  # type: ignore[call-overload]

        def execute(self, sql: str):  # type: ignore[no-untyped-def]
            found = self.db.execute(sql)
            return self.db.execute("SELECT 0, 7, 3") if "PASSIVE" in sql else found

        def close(self) -> None:
            self.db.close()

    monkeypatch.setattr("monitor.journal.shipping.sqlite3.connect", Read)
    with pytest.raises(JournalError, match="could not be put together"):
        assemble(chain, tmp_path / "whole.sqlite")


def test_of_other_chains_the_sign_that_they_are_whole_goes_first(
    tmp_path: Path, written: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A kill in between must not leave a chain that says it is whole and is not; base and tails go, too."""
    mine = chain_of(tmp_path / "copy", written)
    old = Chain(mine.folder, 1, 2)
    for path in (old.base, old.tail(1), old.tail(2), old.ready):
        path.touch()
    strange = mine.folder / "photo-0001-0002-x"
    strange.touch()
    gone: list[str] = []
    unlink = Path.unlink

    def noted(path: Path, missing_ok: bool = False) -> None:
        gone.append(path.name)
        unlink(path, missing_ok=missing_ok)

    monkeypatch.setattr(Path, "unlink", noted)
    clear_all_but(mine)
    assert gone[0] == old.ready.name
    assert sorted(gone) == sorted(path.name for path in (old.base, old.tail(1), old.tail(2), old.ready))
    assert strange.exists() and mine.ready.exists() and mine.base.exists() and mine.tails()
