"""Events, alarms, facts, counters, health."""

from __future__ import annotations

import dataclasses

import pytest

from monitor.domain import Event
from monitor.journal.database import AlarmRecord, Journal, Refused
from monitor.journal.mirrored import MIRROR
from monitor.journal.state import BEGUN_WITH, LEFT_OUT, TAUGHT

T0 = 1_773_480_000.0
RAISED = Event("alarm", T0, "shed-2", "Q 12", {"alarm": "a1", "kind": "not_taken", "state": "raised", "says": "52 °C"})
CLEARED = Event("alarm", T0, "shed-2", "Q 12", {"alarm": "a1", "kind": "not_taken", "state": "cleared"})


def estimate(at_s: float, completeness: float) -> Event:
    return Event("estimate", at_s, "shed-2", "Q 12", {"completeness": completeness, "causes": {"good": 0.9}})


def test_only_new_events_are_given_back(journal: Journal) -> None:
    """After a restart the pipeline gives the old events again, and only new ones may ring."""
    assert journal.add_events([RAISED]) == [RAISED]
    assert [CLEARED, estimate(T0, 0.25)] == journal.add_events([RAISED, CLEARED, estimate(T0, 0.25)])
    assert journal.add_events([RAISED, CLEARED, estimate(T0, 0.75)]) == []
    assert [RAISED, CLEARED, estimate(T0, 0.25)] == journal.events("Q 12") == journal.events()


def test_events_can_be_asked_for_from_a_time_on(journal: Journal) -> None:
    """And for one batch only."""
    other = dataclasses.replace(RAISED, batch="Q 13", at_s=T0 + 10)
    journal.add_events([RAISED, other, estimate(T0 + 600, 0.1 + 0.2)])
    assert [other, estimate(T0 + 600, 0.1 + 0.2)] == journal.events(since_s=T0 + 1)
    assert [other] == journal.events("Q 13")


def test_the_last_estimate_is_the_newest_by_its_time(journal: Journal) -> None:
    """Not the one written last."""
    assert journal.last_estimate("Q 12") is None
    journal.add_events([estimate(T0 + 1200, 0.5), estimate(T0 + 600, 0.4), RAISED])
    assert estimate(T0 + 1200, 0.5) == journal.last_estimate("Q 12")
    assert journal.last_estimate("Q 13") is None


def test_of_two_estimates_of_one_time_the_later_written_is_the_last(journal: Journal) -> None:
    """They differ by what they are about; what is no estimate never comes between."""
    again = dataclasses.replace(estimate(T0, 0.6), values={"completeness": 0.6, "state": "again"})
    journal.add_events([estimate(T0, 0.5), again, dataclasses.replace(RAISED, at_s=T0 + 60)])
    assert again == journal.last_estimate("Q 12")


def test_estimates_come_oldest_first_from_after_a_time(journal: Journal) -> None:
    """For the curve: of one batch, without what happened besides; the time itself has been drawn already."""
    other = dataclasses.replace(estimate(T0, 0.1), batch="Q 13")
    kept = [estimate(T0 + minute * 600, 0.1 * minute) for minute in (3, 1, 2)]
    journal.add_events([*kept, other, RAISED, estimate(0.5, 0.0)])
    assert journal.estimates("Q 12") == [estimate(0.5, 0.0), kept[1], kept[2], kept[0]]
    assert journal.estimates("Q 12", T0 + 600) == [kept[2], kept[0]]
    assert journal.estimates("Q 12", T0 + 599.9) == [kept[1], kept[2], kept[0]]
    assert journal.estimates("Q 14") == []


def test_events_come_in_the_order_they_were_kept(journal: Journal) -> None:
    """Not by their time: a restart gives late ones. The time asked from is included."""
    late, early = estimate(T0 + 600, 0.5), estimate(T0, 0.4)
    journal.add_events([late])
    journal.add_events([early])
    assert journal.events() == [late, early]
    assert journal.events(since_s=T0 + 600) == [late]
    assert journal.events("Q 12", since_s=T0 + 600.1) == []


def test_a_new_event_of_a_batch_is_noticed(journal: Journal) -> None:
    """By the number of its newest, whatever time it speaks of; other batches' do not count."""
    assert journal.last_event_number("Quillmarsh 1") == 0
    journal.add_events([Event("estimate", 20.0, "shed-1", "Quillmarsh 1", {})])
    first = journal.last_event_number("Quillmarsh 1")
    journal.add_events([Event("estimate", 30.0, "shed-2", "Quillmarsh 2", {})])
    assert journal.last_event_number("Quillmarsh 1") == first
    journal.add_events([Event("estimate", 10.0, "shed-1", "Quillmarsh 1", {})])
    assert journal.last_event_number("Quillmarsh 1") > first


def test_alarms_come_in_the_order_they_were_raised(journal: Journal) -> None:
    """Those of one moment by their id."""
    for alarm_id, raised_at_s in (("b", T0 + 9), ("d", T0), ("c", T0), ("a", T0 + 5)):
        journal.save_alarm(AlarmRecord(alarm_id, "silent", "shed-2", "Q 12", "unacknowledged", raised_at_s=raised_at_s))
    assert [alarm.alarm_id for alarm in journal.alarms()] == ["c", "d", "a", "b"]


def test_a_look_learns_cheaply_that_another_has_written(journal: Journal) -> None:
    """The page asks every second; the number changes with the writing of others and with nothing else."""
    with Journal(journal.path) as other:
        before = other.data_version()
        assert other.data_version() == before
        journal.set_fact("a", 1)
        assert other.data_version() != before


def test_counters_and_health_are_told_apart_and_sorted(journal: Journal) -> None:
    """By source and by what was counted; by part."""
    for source, what, total in (("b", "x", 1), ("a", "y", 2), ("a", "x", 3), ("a", "y", 4)):
        journal.set_counter(source, what, total)
    assert list(journal.counters().items()) == [(("a", "x"), 3), (("a", "y"), 4), (("b", "x"), 1)]
    journal.set_health("b", True, "Fine.", T0)
    journal.set_health("a", False, "Not.", T0 + 1)
    assert [(h.part, h.ok, h.says, h.at_s) for h in journal.health()] == [
        ("a", False, "Not.", T0 + 1), ("b", True, "Fine.", T0),
    ]  # fmt: skip


def test_an_alarm_keeps_its_present_state(journal: Journal) -> None:
    """Saving replaces; standing alarms are those not back to normal."""
    alarm = AlarmRecord(
        "a1", "too_hot", "shed-2", "Q 12", "unacknowledged", "now", 0.97, T0, message_id="too_hot.soon",
        says="93 °C and rising", do="Stand back.", facts={"core_c": 93.0, "probes": ["core"]},
    )  # fmt: skip
    journal.save_alarm(alarm)
    assert [alarm] == journal.alarms(standing_only=True)
    seen = dataclasses.replace(
        alarm, state="acknowledged", acknowledged_at_s=T0 + 60, acknowledged_by="Ada", shelved_until_s=T0 + 900
    )
    journal.save_alarm(seen)
    assert seen == journal.alarm("a1")
    over = dataclasses.replace(seen, state="normal", cleared_at_s=T0 + 90, probability=None)
    journal.save_alarm(over)
    assert journal.alarms(standing_only=True) == []
    assert [over] == journal.alarms() == journal.alarms(batch="Q 12")
    assert journal.alarms(batch="Q 13") == []
    assert journal.alarm("a2") is None
    with pytest.raises(Refused, match="unacknowledged, acknowledged"):
        journal.save_alarm(dataclasses.replace(alarm, state="ringing"))


def test_returned_but_unseen_alarms_still_stand(journal: Journal) -> None:
    """ISA-18.2: returned to normal and unacknowledged still asks for a person."""
    journal.save_alarm(AlarmRecord("a1", "silent", "shed-2", "Q 12", "returned_unacknowledged"))
    assert [alarm.alarm_id for alarm in journal.alarms(standing_only=True)] == ["a1"]


def test_facts_are_found_by_how_their_keys_begin(journal: Journal) -> None:
    """None of a key that only holds the word, or ends before it."""
    for key in ("taught/A", "taught/Z🧼", "taught", "begun_with/taught/A", "tauhgt/A"):
        journal.set_fact(key, [key])
    assert journal.facts_of("taught/") == {key: [key] for key in ("taught/A", "taught/Z🧼")}
    assert journal.facts_of("nothing/") == {}


def test_a_fact_that_is_forgotten_is_gone(journal: Journal) -> None:
    """That one and no other; forgetting it twice does no harm."""
    journal.set_fact("heard/wire/1", ["a"])
    journal.set_fact("heard/wire/12", ["b"])
    for _ in range(2):
        journal.forget_fact("heard/wire/1")
    assert journal.facts_of("heard/") == {"heard/wire/12": ["b"]}


def test_facts_counters_and_health_outlive_a_restart(journal: Journal) -> None:
    """Each holds its last value, and an unknown fact gives the default."""
    journal.set_fact("last_tick_s", T0)
    journal.set_fact("last_tick_s", T0 + 60)
    journal.set_counter("serial", "damaged", 3)
    journal.set_counter("serial", "damaged", 4)
    journal.set_health("broker", False, "The broker does not answer.", T0)
    journal.set_health("broker", True, "Connected.", T0 + 1)
    journal.close()
    with Journal(journal.path) as again:
        assert again.fact("last_tick_s") == T0 + 60
        assert again.fact("boot_id") is None
        assert again.fact("boot_id", "none") == "none"
        assert again.counters() == {("serial", "damaged"): 4}
        health = again.health()
        assert [(h.part, h.ok, h.says, h.at_s) for h in health] == [("broker", True, "Connected.", T0 + 1)]


def test_the_alarms_of_a_batch_are_found_without_those_of_all_years(journal: Journal) -> None:
    """By an index of each: what a page asks for must not grow with the years."""
    for batch, standing_only, index in (("B", False, "alarms_of_batch"), (None, True, "standing_alarms")):
        asked: list[str] = []
        journal._db.set_trace_callback(asked.append)
        journal.alarms(standing_only, batch)
        journal._db.set_trace_callback(None)
        plan = " ".join(row[3] for row in journal._db.execute(f"EXPLAIN QUERY PLAN {asked[0]}"))
        assert index in plan


def test_events_and_messages_of_one_are_found_without_those_of_all_years(journal: Journal) -> None:
    """The telling asks for them at every tick, and a comparison for each batch."""
    asked: list[str] = []
    journal._db.set_trace_callback(asked.append)
    journal.events("B")
    journal.messages("b/too_hot/1")
    journal.messages("b/too_hot/1", open_only=True)
    journal.messages(open_only=True)
    journal._db.set_trace_callback(None)
    assert len(asked) == 4
    for statement in asked:
        plan = " ".join(row[3] for row in journal._db.execute(f"EXPLAIN QUERY PLAN {statement}"))
        assert "USING INDEX" in plan, f"{statement}: {plan}"


def test_facts_come_by_key_the_prefix_itself_among_them(journal: Journal) -> None:
    """Whoever goes through them relies on the order."""
    for key in ("b", "a/2", "a", "a/1", "A"):
        journal.set_fact(key, key)
    assert list(journal.facts_of("a")) == ["a", "a/1", "a/2"]


def test_names_of_facts_are_those_of_the_journals_there_are() -> None:
    """Another name would lose what earlier batches taught, and how far the mirror is."""
    assert (TAUGHT, BEGUN_WITH, LEFT_OUT, MIRROR) == ("taught/", "begun_with/", "left_out/", "mirror")
