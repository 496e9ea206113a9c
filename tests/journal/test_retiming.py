"""A clock that stood wrong is set: what was noted since moves, what was noted before stays, nothing is lost."""

from __future__ import annotations

from dataclasses import replace

from monitor.domain import Batch, Event, LogEntry, Reading
from monitor.journal.database import Act, AlarmRecord, Journal, Message, Photo

# The board started at this moment of its own, wrong, clock; later it is found to be a day and a half behind.
BOOT_S = 1_773_480_000.0
SHIFT_S = 129_600.5
BEFORE_S, SINCE_S = BOOT_S - 600.0, BOOT_S + 600.0


def core(time_s: float, probe: str = "core", value_c: float = 50.0) -> Reading:
    return Reading("shed-2", probe, time_s, time_s + 0.25, value_c)


def moved(reading: Reading, by_s: float = SHIFT_S) -> Reading:
    return replace(reading, time_s=reading.time_s + by_s, arrival_s=reading.arrival_s + by_s)


def noted_at(journal: Journal, at_s: float, name: str, bucket: str) -> None:
    """One of everything that carries a time, all of it at ``at_s``."""
    journal.add_batch(Batch(name, bucket, at_s, noted_at_s=at_s))
    entry = journal.add_entry(name, LogEntry("poured", at_s, at_s))
    journal.undo_entry(entry.entry_id, at_s)
    journal.add_act(Act("a", "shelved", at_s, at_s, "Ada", at_s + 60, name, bucket))
    journal.add_detail(name, "maker", "Ada", at_s)
    photo = journal.add_photo(Photo(name, "/cut.jpg", "ab" * 32, "cut", at_s, at_s))
    journal.undo_photo(photo.photo_id, at_s)
    journal.amend_batch(name, Batch(name, bucket, at_s).recipe, Batch(name, bucket, at_s).vessel, at_s)
    journal.save_alarm(AlarmRecord(name, "silent", bucket, name, "normal", raised_at_s=at_s, cleared_at_s=at_s,
                                   acknowledged_at_s=at_s, shelved_until_s=at_s))  # fmt: skip
    journal.add_messages([Message(name, "raised", "Ada", "r", "t", "b", at_s, "now", sent_s=at_s, state="sent")])
    journal.set_health(name, True, "Fine.", at_s)
    journal.end_batch(name, at_s, at_s)


def times_of(journal: Journal, name: str) -> dict[str, list[float | None]]:
    record = journal.batch(name)
    assert record is not None
    (logged,), (act,), (photo,) = journal.log(name), journal.acts(name), journal.photos(name, with_undone=True)
    alarm, (message,) = journal.alarm(name), journal.messages(name)
    assert alarm is not None
    return {
        "batch": [record.batch.started_s, record.batch.noted_at_s, record.ended_s, record.ended_noted_s],
        "entry": [logged.entry.at_s, logged.entry.noted_at_s, logged.undone_at_s],
        "act": [act.at_s, act.noted_at_s],
        "quiet until": [act.until_s - 60.0 if act.until_s else None],
        "detail": [journal.detail_history(name)[0].noted_at_s],
        "photo": [photo.at_s, photo.noted_at_s, photo.undone_at_s],
        "amendment": [journal.amendments(name)[0].noted_at_s],
        "alarm": [alarm.raised_at_s, alarm.cleared_at_s, alarm.acknowledged_at_s, alarm.shelved_until_s],
        "message": [message.created_s, message.not_before_s, message.next_try_s, message.sent_s],
        "expiry": [message.expires_s - 86400.0 if message.expires_s else None],
        "health": [health.at_s for health in journal.health() if health.part == name],
    }


def test_what_was_noted_since_moves_and_what_was_noted_before_stays(journal: Journal) -> None:
    """Every time in every table, from the very moment on."""
    for name, at_s in (("before", BEFORE_S), ("at", BOOT_S), ("since", SINCE_S)):
        noted_at(journal, at_s, name, f"shed-{name}")
    journal.retime(BOOT_S, SHIFT_S)
    for name, at_s in (("before", BEFORE_S), ("at", BOOT_S + SHIFT_S), ("since", SINCE_S + SHIFT_S)):
        for what, found in times_of(journal, name).items():
            assert set(found) == {at_s}, (name, what)
    assert "is sound" in journal.check()


def test_what_happened_before_but_was_noted_since_moves_with_its_noting(journal: Journal) -> None:
    """ "Blended 20 minutes ago", typed just after the start, was reckoned from the wrong clock too."""
    journal.add_batch(Batch("q", "shed-2", BEFORE_S))
    journal.add_entry("q", LogEntry("blended", BEFORE_S, SINCE_S))
    journal.add_batch(Batch("r", "shed-3", BEFORE_S, noted_at_s=SINCE_S))
    journal.retime(BOOT_S, SHIFT_S)
    (entry,) = journal.entries("q")
    assert (entry.at_s, entry.noted_at_s) == (BEFORE_S + SHIFT_S, SINCE_S + SHIFT_S)
    first, second = journal.running_batches()
    assert (first.name, first.started_s, first.noted_at_s) == ("q", BEFORE_S, None)
    assert (second.name, second.started_s, second.noted_at_s) == ("r", BEFORE_S + SHIFT_S, SINCE_S + SHIFT_S)


def test_an_old_alarm_that_was_seen_since_moves_only_there(journal: Journal) -> None:
    """Raised before the power went, seen after: each time by itself. So with a batch that was ended since."""
    journal.save_alarm(AlarmRecord("a", "silent", "shed-2", "q", "acknowledged", raised_at_s=BEFORE_S,
                                   acknowledged_at_s=SINCE_S))  # fmt: skip
    journal.add_batch(Batch("q", "shed-2", BEFORE_S))
    entry = journal.add_entry("q", LogEntry("poured", BEFORE_S, BEFORE_S))
    journal.undo_entry(entry.entry_id, SINCE_S)
    journal.end_batch("q", SINCE_S, SINCE_S)
    journal.retime(BOOT_S, SHIFT_S)
    (alarm,), (logged,), record = journal.alarms(), journal.log("q"), journal.batch("q")
    assert (alarm.raised_at_s, alarm.acknowledged_at_s, alarm.cleared_at_s) == (BEFORE_S, SINCE_S + SHIFT_S, None)
    assert (logged.entry.at_s, logged.undone_at_s) == (BEFORE_S, SINCE_S + SHIFT_S)
    assert record is not None
    assert (record.batch.started_s, record.ended_s) == (BEFORE_S, SINCE_S + SHIFT_S)


def test_readings_move_with_their_arrival_and_keep_their_order(journal: Journal) -> None:
    """One by one, however close they lie, and however the move brings one onto the place of another."""
    before = [core(BEFORE_S + n) for n in range(5)]
    since = [core(BOOT_S + 0.25 * n, probe, 40.0 + n) for n in range(9) for probe in ("core", "wall")]
    journal.add_readings([*before, *since])
    for shift_s in (0.25, SHIFT_S):
        assert journal.retime(BOOT_S, shift_s) == len(since)
        since = [moved(reading, shift_s) for reading in since]
        assert list(journal.readings()) == [*before, *since]
    assert journal.last_arrival_s() == since[-1].arrival_s
    assert journal.latest("shed-2")["core"].reading == since[-2]


def test_with_nothing_read_since_no_reading_moves(journal: Journal) -> None:
    """It was set before the first reading came."""
    assert journal.retime(BOOT_S, SHIFT_S) == 0
    journal.add_readings([core(BEFORE_S)])
    assert journal.retime(BOOT_S, SHIFT_S) == 0
    assert list(journal.readings()) == [core(BEFORE_S)]


def test_a_reading_that_comes_onto_another_one_is_kept_beside_it(journal: Journal) -> None:
    """The older one, of before, has the very time that the new one gets: both stay, a millisecond apart."""
    there = core(BEFORE_S, value_c=71.0)
    late = Reading("shed-2", "core", BEFORE_S - 100.0, BOOT_S + 1.0, 49.0)
    journal.add_readings([there, late])
    assert journal.retime(BOOT_S, 100.0) == 1
    found = list(journal.readings())
    assert [(r.temperature_c, round(r.time_s - BEFORE_S, 6)) for r in found] == [(71.0, 0.0), (49.0, 0.001)]
    assert found[1].arrival_s == BOOT_S + 101.0


def test_the_reading_of_the_very_moment_moves_too(journal: Journal) -> None:
    """From that arrival on, as with everything else."""
    at = Reading("shed-2", "core", BOOT_S - 1.0, BOOT_S, 50.0)
    journal.add_readings([core(BEFORE_S), at])
    assert journal.retime(BOOT_S, SHIFT_S) == 1
    assert list(journal.readings()) == [core(BEFORE_S), moved(at)]


def test_what_was_told_stays_as_it_was_told(journal: Journal) -> None:
    """Events are the record of what was said, with the times that were said then."""
    event = Event("estimate", SINCE_S, "shed-2", "q", {"completeness": 0.5})
    journal.add_events([event])
    journal.retime(BOOT_S, SHIFT_S)
    assert journal.events() == [event]


def test_all_of_it_moves_or_nothing(journal: Journal) -> None:
    """Within a larger group it goes back with it."""
    noted_at(journal, SINCE_S, "since", "shed-2")
    journal.add_readings([core(SINCE_S)])
    before = times_of(journal, "since"), list(journal.readings())
    try:
        with journal.transaction():
            journal.retime(BOOT_S, SHIFT_S)
            raise InterruptedError
    except InterruptedError:
        pass
    assert before == (times_of(journal, "since"), list(journal.readings()))


def test_an_entry_noted_by_a_clock_that_was_ahead_moves_back_whole(journal: Journal) -> None:
    """When it happened and when it was noted, by the same; no other entry."""
    journal.add_batch(Batch("q", "shed-2", BEFORE_S))
    mine = journal.add_entry("q", LogEntry("blended", BOOT_S, BOOT_S + 60.0))
    other = journal.add_entry("q", LogEntry("looked", BOOT_S, BOOT_S + 60.0))
    journal.correct_clock_of_entry(mine.entry_id, mine.at_s - 3600.0, mine.noted_at_s - 3600.0)
    found = {logged.entry.entry_id: logged.entry for logged in journal.log("q")}
    assert found[mine.entry_id] == replace(mine, at_s=BOOT_S - 3600.0, noted_at_s=BOOT_S - 3540.0)
    assert found[other.entry_id] == other
