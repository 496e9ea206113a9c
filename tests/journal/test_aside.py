"""The outbox in memory: it begins where the disk refuses, goes by the same rules, and comes back whole."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.journal import aside as in_memory
from monitor.journal.aside import Aside
from monitor.journal.database import Journal, JournalError, Message, Refused
from monitor.journal.outbox import Outbox

T0 = 1_773_480_000.0


class Failing(Journal):
    """A journal whose disk refuses writes, or reads as well, when told to."""

    writes = reads = True

    @contextlib.contextmanager
    def transaction(self) -> Iterator[None]:
        with super().transaction():
            yield
            if not self.writes:  # as at a commit: the last moment, with all that was done inside
                raise JournalError("Journal: the disk is full.", again=True)

    def _rows(self, *args: object) -> list[object]:
        if not self.reads:
            raise JournalError("Journal: the disk reports an error.", again=True)
        return super()._rows(*args)  # type: ignore[arg-type]


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Failing]:
    with Failing(tmp_path / "journal.sqlite") as opened:
        yield opened


def letter(about: str, at_s: float = T0) -> Message:
    return Message(about, "first-1", "Ash", "a …1", "title", "body", at_s, "now")


def ids(journal: Journal, **more: bool) -> list[str]:
    return [message.about for message in journal.messages(**more)]


def test_on_a_sound_disk_nothing_is_kept_aside(disk: Failing) -> None:
    """All goes to the file, and coming back is nothing to do."""
    aside = Aside()
    beside = aside.beside(disk)
    beside.add_messages([letter("a")])
    beside.set_fact("told", [1])
    assert not aside.in_use
    aside.come_back(disk)
    assert ids(disk) == ["a"] and disk.fact("told") == [1]
    assert beside.fact("told") == [1] and beside.fact("nothing", 7) == 7
    assert beside.path == disk.path


def test_the_refused_deed_raises_and_succeeds_when_done_again(disk: Failing) -> None:
    """With the identity that the disk would have given, and with all that waited in the file."""
    aside = Aside()
    beside = aside.beside(disk)
    beside.add_messages([letter("a"), letter("told")])
    beside.message_sent("told/first-1/Ash/a …1", T0)
    disk.writes = False
    with pytest.raises(JournalError):
        beside.add_messages([letter("b")])
    assert aside.in_use
    (added,) = beside.add_messages([letter("b")])
    assert added.message_id == "b/first-1/Ash/a …1"
    assert [one.about for one in beside.due_messages(T0)] == ["a", "b"]
    beside.message_sent("a/first-1/Ash/a …1", T0 + 1.0)
    assert ids(disk, open_only=True) == ["a"], "the file knows nothing of it"
    disk.writes = True
    aside.come_back(disk)
    assert not aside.in_use
    assert [(one.about, one.state) for one in disk.messages()] == [("told", "sent"), ("a", "sent"), ("b", "waiting")]


def test_facts_of_one_kind_are_those_of_the_file_and_of_memory_together(disk: Failing) -> None:
    """What was kept since comes before what the file holds; a file that cannot be read either holds up nothing."""
    aside = Aside()
    beside = aside.beside(disk)
    for key in ("told/a", "told/b", "told/c", "other"):
        beside.set_fact(key, 1)
    beside.forget_fact("told/c")
    assert beside.facts_of("told/") == disk.facts_of("told/") == {"told/a": 1, "told/b": 1}
    disk.writes = False
    with pytest.raises(JournalError):
        beside.set_fact("told/b", 2)
    beside.set_fact("told/b", 2)
    beside.set_fact("told/0", 2)
    beside.forget_fact("told/a")
    assert list(beside.facts_of("told/").items()) == [("told/0", 2), ("told/a", 1), ("told/b", 2)], "the file has one"
    disk.reads = False
    assert beside.facts_of("told/") == {"told/0": 2, "told/b": 2}
    disk.reads = disk.writes = True
    aside.come_back(disk)
    assert disk.facts_of("told/") == {"told/0": 2, "told/a": 1, "told/b": 2}


def test_what_an_open_transaction_held_is_not_taken_along(disk: Failing) -> None:
    """It has been rolled back: in memory, too, the message still waits."""
    aside = Aside()
    beside = aside.beside(disk)
    beside.add_messages([letter("a")])
    disk.writes = False
    with pytest.raises(JournalError), beside.transaction():
        beside.take_back(["a/first-1/Ash/a …1"])
    assert aside.in_use
    assert ids(beside, open_only=True) == ["a"]
    with beside.transaction():
        beside.take_back(["a/first-1/Ash/a …1"])
        beside.set_fact("told", [2])
    disk.writes = True
    aside.come_back(disk)
    assert disk.messages()[0].state == "superseded" and disk.fact("told") == [2]


def test_a_request_that_is_refused_is_no_fault_of_the_disk(disk: Failing) -> None:
    """Nor is what somebody else's mistake throws."""
    aside = Aside()
    beside = aside.beside(disk)
    with pytest.raises(Refused), beside.transaction():
        raise Refused("no such bucket")
    with pytest.raises(KeyError), beside.transaction():
        raise KeyError("ours")
    assert not aside.in_use


def test_facts_of_memory_come_before_those_of_the_file(disk: Failing) -> None:
    """And where neither can be read there is the default."""
    aside = Aside()
    beside = aside.beside(disk)
    disk.set_fact("duty", "Ash")
    aside.step(disk)
    assert beside.fact("duty") == "Ash"
    beside.set_fact("told", [3])
    assert beside.fact("told") == [3] and disk.fact("told") is None
    disk.reads = False
    assert beside.fact("duty", "nobody") == "nobody"


def test_a_file_that_cannot_be_read_is_copied_when_it_can_be(disk: Failing) -> None:
    """What it holds then does not replace what was decided meanwhile; until then nothing comes back."""
    aside = Aside()
    beside = aside.beside(disk)
    beside.add_messages([letter("a"), letter("b")])
    disk.reads = False
    with pytest.raises(JournalError):
        beside.messages()
    assert ids(beside) == []
    beside.add_messages([letter("b")])
    beside.message_sent("b/first-1/Ash/a …1", T0)
    with pytest.raises(JournalError):
        aside.come_back(disk)
    assert aside.in_use
    disk.reads = True
    assert [(one.about, one.state) for one in beside.messages()] == [("b", "sent"), ("a", "waiting")]
    aside.step(disk)
    aside.come_back(disk)
    assert {one.about: one.state for one in disk.messages()} == {"a": "waiting", "b": "sent"}


def test_the_way_back_copies_what_could_not_be_copied_before(disk: Failing) -> None:
    """Nobody need have asked in between."""
    aside = Aside()
    disk.add_messages([letter("a")])
    disk.reads = False
    aside.step(disk)
    disk.reads = True
    aside.come_back(disk)
    assert ids(disk) == ["a"]


def test_what_was_copied_is_not_read_again(disk: Failing, monkeypatch: pytest.MonkeyPatch) -> None:
    """A disk that refuses to write may take seconds to read."""
    aside = Aside()
    disk.add_messages([letter("a")])
    aside.step(disk)
    asked: list[object] = []
    monkeypatch.setattr(disk, "_rows", lambda *given: asked.append(given) or [])
    aside.step(disk)
    assert ids(aside.box(disk)) == ["a"] and asked == []


def test_a_disk_that_refuses_the_way_back_keeps_all_in_memory(disk: Failing) -> None:
    """Half a way back would tell twice."""
    aside = Aside()
    beside = aside.beside(disk)
    aside.step(disk)
    beside.add_messages([letter("a")])
    disk.writes = False
    with pytest.raises(JournalError):
        aside.come_back(disk)
    assert aside.in_use and ids(beside) == ["a"] and ids(disk) == []


def test_sent_stands_whatever_memory_says(disk: Failing) -> None:
    """Another process, or a commit that reported an error, may have kept it in the file."""
    aside = Aside()
    disk.add_messages([letter("a")])
    aside.step(disk)
    disk.message_sent("a/first-1/Ash/a …1", T0)
    aside.beside(disk).message_failed("a/first-1/Ash/a …1", "no answer", True, T0)
    aside.come_back(disk)
    assert disk.messages()[0].state == "sent"


def test_every_deed_of_the_outbox_goes_to_memory() -> None:
    """One that went to the file would stop the telling for as long as the disk refuses."""
    assert {name for name, deed in vars(Outbox).items() if callable(deed) and name[0] != "_"} == in_memory._MESSAGES


def test_the_newest_are_taken_along_and_all_that_wait(disk: Failing, monkeypatch: pytest.MonkeyPatch) -> None:
    """What was told weeks ago need not stand in memory; what is still to be told must."""
    monkeypatch.setattr(in_memory, "_MOST_COPIED", 2)
    disk.add_messages([letter(about, T0 + at_s) for at_s, about in enumerate("abcdef")])
    for about in "bcdef":
        disk.message_sent(f"{about}/first-1/Ash/a …1", T0 + 10.0)
    aside = Aside()
    aside.step(disk)
    assert ids(aside.beside(disk)) == ["a", "e", "f"]


def test_what_did_not_change_is_not_written_again(disk: Failing) -> None:
    """A card takes only so many writes, and the order in which things were written stays."""
    aside = Aside()
    disk.add_messages([letter("a"), letter("b"), letter("c")])
    aside.step(disk)
    aside.beside(disk).message_failed("b/first-1/Ash/a …1", "no answer", True, T0)
    before = disk._db.total_changes
    aside.come_back(disk)
    assert disk._db.total_changes - before == 2, "one row taken out, one put in"
    assert [row[0] for row in disk._rows("SELECT about FROM outbox ORDER BY rowid")] == ["a", "c", "b"]


def test_memory_is_given_back(disk: Failing) -> None:
    """Each time the disk refuses would keep some MB for good."""
    aside = Aside()
    aside.step(disk)
    memory = aside.box(disk)
    aside.come_back(disk)
    with pytest.raises(JournalError):
        memory.messages()


def test_what_could_not_be_read_is_not_known_and_who_hands_over_does_not_copy_it_late(disk: Failing) -> None:
    """What waits in the file may be stale by then: first somebody has to say what is still wanted."""
    aside = Aside()
    telling, handing_over = aside.beside(disk), aside.beside(disk, copies_late=False)
    telling.add_messages([letter("a")])
    assert disk.outbox_is_known() and telling.outbox_is_known()
    disk.reads = disk.writes = False
    with pytest.raises(JournalError):
        telling.set_fact("told", 1)
    assert aside.in_use and not telling.outbox_is_known() and ids(telling) == []
    disk.reads = True
    assert ids(handing_over) == [] and not handing_over.outbox_is_known()
    assert ids(telling) == ids(handing_over) == ["a"]
    assert telling.outbox_is_known() and handing_over.outbox_is_known()
