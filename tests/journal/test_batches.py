"""Batches, their log, acts on alarms, and the serial number."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from monitor.domain import Batch, LogEntry, OilShare, Recipe, Vessel
from monitor.journal.database import Act, Journal, Refused

T0 = 1_773_480_000.0
BATCH = Batch(
    "Quillmarsh 12",
    "shed-2",
    T0,
    Recipe((OilShare("sunflower", 4.2), OilShare("rapeseed", None)), 0.85, 0.9, 1.3),
    Vessel(25, "blanket"),
    60 * 3600.0,
    T0 + 12.5,
)


def test_a_batch_comes_back_as_it_was_entered(journal: Journal) -> None:
    """Masses nobody weighed stay unknown, and every number is the very same."""
    journal.add_batch(BATCH)
    assert journal.batch_in("shed-2") == BATCH
    assert journal.running_batches() == [BATCH]
    record = journal.batch("Quillmarsh 12")
    assert record is not None
    assert (record.batch, record.ended_s) == (BATCH, None)


def test_starting_the_same_batch_twice_is_starting_it_once(journal: Journal) -> None:
    """A start whose first commit seemed to fail can be repeated."""
    journal.add_batch(BATCH)
    journal.add_batch(BATCH)
    assert len(journal.batches()) == 1
    assert len(journal.changes_since(0)[0]) == 1


def test_a_bucket_holds_one_running_batch(journal: Journal) -> None:
    """The refusal is one sentence that names bucket and batch and says what to do."""
    journal.add_batch(BATCH)
    with pytest.raises(Refused) as refused:
        journal.add_batch(dataclasses.replace(BATCH, name="Quillmarsh 13"))
    assert "shed-2" in str(refused.value)
    assert "Quillmarsh 12" in str(refused.value)
    assert "end it first" in str(refused.value)
    assert not refused.value.again


def test_another_batch_cannot_take_a_name(journal: Journal) -> None:
    """Names are how people speak of batches, so each is used once."""
    journal.add_batch(BATCH)
    with pytest.raises(Refused, match="choose another name"):
        journal.add_batch(dataclasses.replace(BATCH, bucket="shed-3"))


def test_an_ended_batch_frees_its_bucket(journal: Journal) -> None:
    """The end is kept with when it was noted and how it went; ending again changes nothing, another end is refused."""
    journal.add_batch(BATCH)
    journal.end_batch(BATCH.name, T0 + 9000, T0 + 9060, "filled")
    journal.end_batch(BATCH.name, T0 + 9000, T0 + 9999, "discarded")
    record = journal.batch(BATCH.name)
    assert record is not None
    assert (record.ended_s, record.ended_noted_s, record.outcome) == (T0 + 9000, T0 + 9060, "filled")
    with pytest.raises(Refused, match="ended already"):
        journal.end_batch(BATCH.name, T0 + 9001, T0 + 9060)
    assert journal.batch_in("shed-2") is None
    journal.add_batch(dataclasses.replace(BATCH, name="Quillmarsh 13"))
    assert [batch.name for batch in journal.running_batches()] == ["Quillmarsh 13"]


def test_what_is_unknown_is_refused_by_name(journal: Journal) -> None:
    """Ending, marking and taking back something that is not there each say so."""
    with pytest.raises(Refused, match='no batch "x"'):
        journal.end_batch("x", T0, T0)
    with pytest.raises(Refused, match='no batch "x"'):
        journal.add_entry("x", LogEntry("poured", T0, T0))
    with pytest.raises(Refused, match='no log entry "y"'):
        journal.undo_entry("y", T0)
    assert journal.batch("x") is None
    assert journal.log("x") == []


def test_the_log_keeps_what_was_taken_back(journal: Journal) -> None:
    """An undone entry leaves the standing log but stays in the journal with its old value."""
    journal.add_batch(BATCH)
    poured = journal.add_entry(BATCH.name, LogEntry("poured", T0, T0 + 30, 56.25), who="Ada")
    water = journal.add_entry(BATCH.name, LogEntry("water-added", T0 + 60, T0 + 90, kg=0.4, text="soft"), "Ben")
    undone = journal.undo_entry(poured.entry_id, T0 + 120)
    assert [water] == journal.entries(BATCH.name)
    first, second = journal.log(BATCH.name)
    assert first == undone
    assert (poured, "Ada", T0 + 120, 56.25) == (first.entry, first.who, first.undone_at_s, first.entry.temperature_c)
    assert (water, "Ben", None) == (second.entry, second.who, second.undone_at_s)
    assert undone == journal.undo_entry(poured.entry_id, T0 + 999)


def test_an_entry_is_found_by_its_id_also_when_taken_back(journal: Journal) -> None:
    """With the batch it belongs to, who noted it, and when it was taken back."""
    journal.add_batch(BATCH)
    poured = journal.add_entry(BATCH.name, LogEntry("poured", T0, T0 + 30, 56.25), who="Ada")
    journal.add_entry(BATCH.name, LogEntry("looked", T0 + 60, T0 + 60))
    found = journal.entry(poured.entry_id)
    assert found is not None
    assert (found.entry, found.batch, found.who, found.undone_at_s) == (poured, BATCH.name, "Ada", None)
    assert journal.entry(poured.entry_id) == journal.log(BATCH.name)[0]
    undone = journal.undo_entry(poured.entry_id, T0 + 120)
    assert journal.entry(poured.entry_id) == undone
    assert journal.entry("nobody's") is None


def test_everything_comes_in_the_order_of_its_time(journal: Journal) -> None:
    """Batches by their start, the log and the acts by when they were noted, whatever was written first."""
    later = dataclasses.replace(BATCH, name="A later one", bucket="shed-3", started_s=T0 + 9)
    twin = dataclasses.replace(BATCH, name="A twin", bucket="shed-4")
    for batch in (later, BATCH, twin):
        journal.add_batch(batch)
    names = ["A twin", "Quillmarsh 12", "A later one"]
    assert [batch.name for batch in journal.running_batches()] == names
    assert [record.batch.name for record in journal.batches()] == names
    for noted_at_s in (T0 + 9, T0 + 5, T0 + 7):
        journal.add_entry(BATCH.name, LogEntry("looked", T0, noted_at_s))
        journal.add_act(Act("a1", "going", T0, noted_at_s, batch=BATCH.name))
    first = journal.add_entry(BATCH.name, LogEntry("note", T0, T0 + 9, text="z"))
    journal.add_entry(BATCH.name, LogEntry("note", T0, T0 + 9, text="a"))
    assert [logged.entry.noted_at_s for logged in journal.log(BATCH.name)] == [T0 + 5, T0 + 7, T0 + 9, T0 + 9, T0 + 9]
    assert journal.log(BATCH.name)[3].entry == first, "of one moment: as written"
    assert [act.noted_at_s for act in journal.acts()] == [T0 + 5, T0 + 7, T0 + 9]
    assert [act.noted_at_s for act in journal.acts(BATCH.name)] == [T0 + 5, T0 + 7, T0 + 9]


def test_what_concerns_one_leaves_the_others_alone(journal: Journal) -> None:
    """Ending, taking back and noting later each touch the one row that was named."""
    other = dataclasses.replace(BATCH, name="Quillmarsh 13", bucket="shed-3")
    journal.add_batch(BATCH)
    journal.add_batch(other)
    one, two = (journal.add_entry(name, LogEntry("poured", T0, T0)) for name in (BATCH.name, other.name))
    acts = [journal.add_act(Act(alarm, "going", T0, T0)) for alarm in ("a1", "a2")]
    amended = [journal.amend_batch(name, BATCH.recipe, BATCH.vessel, T0) for name in (BATCH.name, other.name)]
    journal.undo_entry(one.entry_id, T0 + 1)
    journal.renote(one.entry_id, T0 + 50)
    journal.renote_act(acts[0].act_id, T0 + 50)
    journal.renote_amendment(amended[0].amendment_id, T0 + 50)
    journal.renote_batch(BATCH.name, T0 + 50)
    journal.end_batch(BATCH.name, T0 + 2, T0 + 3, "filled")
    assert journal.entries(other.name) == [two]
    assert [act.noted_at_s for act in journal.acts()] == [T0, T0 + 50]
    assert [amendment.noted_at_s for amendment in journal.amendments(other.name)] == [T0]
    assert journal.running_batches() == [other]
    assert [record.outcome for record in journal.batches()] == ["filled", ""]
    assert journal.batch_in("shed-3") == other


def test_what_is_noted_later_than_now_counts_from_now_and_the_rest_stays(journal: Journal) -> None:
    """Entries, what was taken back, acts, corrections, batches and their ends alike."""
    ahead = dataclasses.replace(BATCH, name="Quillmarsh 13", bucket="shed-3", noted_at_s=T0 + 90)
    for batch in (BATCH, ahead):
        journal.add_batch(batch)
    times = (T0, T0 + 60, T0 + 90)
    entries = [journal.add_entry(BATCH.name, LogEntry("looked", T0, at_s)) for at_s in times]
    journal.undo_entry(entries[0].entry_id, T0 + 90)
    for at_s in times:
        journal.add_act(Act("a1", "going", T0, at_s))
        journal.amend_batch(BATCH.name, BATCH.recipe, BATCH.vessel, at_s)
    journal.end_batch(ahead.name, T0 + 80, T0 + 95, "filled")
    journal.count_from(T0 + 60)
    assert [logged.entry.noted_at_s for logged in journal.log(BATCH.name)] == [T0, T0 + 60, T0 + 60]
    assert [logged.undone_at_s for logged in journal.log(BATCH.name)] == [T0 + 60, None, None]
    assert [act.noted_at_s for act in journal.acts()] == [T0, T0 + 60, T0 + 60]
    assert [one.noted_at_s for one in journal.amendments(BATCH.name)] == [T0, T0 + 60, T0 + 60]
    noted = {one.batch.name: (one.batch.noted_at_s, one.ended_noted_s) for one in journal.batches()}
    assert noted == {BATCH.name: (BATCH.noted_at_s, None), ahead.name: (T0 + 60, T0 + 60)}


def test_the_same_entry_twice_is_one_entry(journal: Journal) -> None:
    """The id follows from what the entry says, so a repeated write finds the first."""
    journal.add_batch(BATCH)
    entry = LogEntry("blended", T0 + 600, T0 + 610)
    assert journal.add_entry(BATCH.name, entry) == journal.add_entry(BATCH.name, entry)
    assert len(journal.log(BATCH.name)) == 1
    other = journal.add_entry(BATCH.name, dataclasses.replace(entry, at_s=T0 + 601))
    assert len({logged.entry.entry_id for logged in journal.log(BATCH.name)} | {other.entry_id}) == 2


def test_changes_come_in_order_and_once(journal: Journal) -> None:
    """Polling with the number of the last time gives exactly what people entered since, also what they took back."""
    assert journal.last_change() == 0
    journal.add_batch(BATCH)
    entry = journal.add_entry(BATCH.name, LogEntry("poured", T0, T0 + 30))
    changes, seq = journal.changes_since(0)
    assert [change.what for change in changes] == ["batch-started", "entry-added"]
    assert changes[0].batch is not None
    assert changes[0].batch.batch == BATCH
    assert changes[1].entry is not None
    assert entry == changes[1].entry.entry
    assert ([], seq) == journal.changes_since(seq)

    journal.undo_entry(entry.entry_id, T0 + 60)
    act = journal.add_act(Act("a1", "shelved", T0 + 70, T0 + 71, "Ada", T0 + 3600, BATCH.name, "shed-2"))
    journal.end_batch(BATCH.name, T0 + 80, T0 + 81)
    changes, last = journal.changes_since(seq)
    assert [change.what for change in changes] == ["entry-undone", "act", "batch-ended"]
    assert changes[0].entry is not None
    assert changes[0].entry.undone_at_s == T0 + 60
    assert act == changes[1].act
    assert changes[2].batch is not None
    assert changes[2].batch.ended_s == T0 + 80
    assert last == journal.last_change() == seq + 3


def test_a_second_process_sees_the_changes(journal: Journal) -> None:
    """What one open journal commits, another one finds."""
    with Journal(journal.path) as other:
        other.add_batch(BATCH)
    assert [change.what for change in journal.changes_since(0)[0]] == ["batch-started"]


def test_acts_are_kept_once_and_only_known_ones(journal: Journal) -> None:
    """An act that is none of the four is refused with the list of them."""
    act = Act("a1", "going", T0, T0, "Ada", batch="Quillmarsh 12")
    assert journal.add_act(act) == journal.add_act(act)
    assert ["going"] == [kept.act for kept in journal.acts("Quillmarsh 12")] == [kept.act for kept in journal.acts()]
    assert journal.acts("Quillmarsh 13") == []
    with pytest.raises(Refused, match="acknowledged, shelved"):
        journal.add_act(Act("a1", "ignored", T0, T0))


def test_what_is_taken_up_late_is_noted_later_never_earlier(journal: Journal) -> None:
    """A time of noting moves forward only."""
    journal.add_batch(BATCH)
    entry = journal.add_entry(BATCH.name, LogEntry("poured", T0, T0 + 30))
    act = journal.add_act(Act("a1", "going", T0, T0 + 30))
    journal.undo_entry(entry.entry_id, T0 + 40)
    journal.end_batch(BATCH.name, T0 + 80, T0 + 81)
    for later, expected in ((T0 + 90, T0 + 90), (T0 + 50, T0 + 90)):
        journal.renote(entry.entry_id, later)
        journal.renote_undo(entry.entry_id, later)
        journal.renote_act(act.act_id, later)
        journal.renote_batch(BATCH.name, later)
        journal.renote_end(BATCH.name, later)
        logged = journal.log(BATCH.name)[0]
        record = journal.batch(BATCH.name)
        assert record is not None
        assert [expected] * 5 == [
            logged.entry.noted_at_s,
            logged.undone_at_s,
            journal.acts()[0].noted_at_s,
            record.batch.noted_at_s,
            record.ended_noted_s,
        ]


def test_renoting_an_entry_that_stands_does_not_undo_it(journal: Journal) -> None:
    """Moving the time of an undo that never was leaves the entry standing, and a running batch running."""
    journal.add_batch(BATCH)
    entry = journal.add_entry(BATCH.name, LogEntry("poured", T0, T0 + 30))
    journal.renote_undo(entry.entry_id, T0 + 100)
    journal.renote_end(BATCH.name, T0 + 100)
    assert [entry] == journal.entries(BATCH.name)
    record = journal.batch(BATCH.name)
    assert record is not None
    assert record.ended_noted_s is None


def test_a_batch_without_a_time_of_noting_can_get_one(journal: Journal) -> None:
    """None counts as the start."""
    journal.add_batch(dataclasses.replace(BATCH, noted_at_s=None))
    journal.renote_batch(BATCH.name, T0 - 5)
    record = journal.batch(BATCH.name)
    assert record is not None
    assert record.batch.noted_at_s is None
    journal.renote_batch(BATCH.name, T0 + 5)
    record = journal.batch(BATCH.name)
    assert record is not None
    assert record.batch.noted_at_s == T0 + 5


def test_a_failed_group_leaves_nothing_behind(journal: Journal) -> None:
    """All writes inside one transaction go together, the numbered changes included."""
    with pytest.raises(RuntimeError), journal.transaction():
        journal.add_batch(BATCH)
        journal.add_entry(BATCH.name, LogEntry("poured", T0, T0))
        raise RuntimeError
    assert journal.batches() == []
    assert journal.changes_since(0) == ([], 0)


def test_a_failed_part_does_not_spoil_the_group(journal: Journal) -> None:
    """A refusal inside a transaction undoes its own part only."""
    with journal.transaction():
        journal.add_batch(BATCH)
        with pytest.raises(Refused):
            journal.add_batch(dataclasses.replace(BATCH, name="Quillmarsh 13"))
        journal.add_entry(BATCH.name, LogEntry("poured", T0, T0))
    assert [record.batch.name for record in journal.batches()] == ["Quillmarsh 12"]
    assert len(journal.entries(BATCH.name)) == 1


def test_two_processes_cannot_both_start_in_a_bucket(tmp_path: Path) -> None:
    """The database itself holds the rule, not only the check before the write."""
    path = tmp_path / "journal.sqlite"
    with Journal(path) as one, Journal(path) as other:
        one.add_batch(BATCH)
        with pytest.raises(Refused):
            other.add_batch(dataclasses.replace(BATCH, name="Quillmarsh 13"))
        sql = "INSERT INTO batches SELECT 'third', bucket, 0, 0, recipe, vessel, 0, NULL, NULL, '' FROM batches"
        with pytest.raises(ValueError, match="UNIQUE"), other.transaction():
            other._run(sql)
