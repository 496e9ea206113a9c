"""Whole batches as plain rows: what goes out, how it comes in among what is there, and what is refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.domain import Batch, Event, LogEntry, Reading
from monitor.journal import whole as whole_module
from monitor.journal.database import Act, AlarmRecord, Journal, Photo, Refused
from monitor.journal.whole import PRELUDE_S, TABLES

T0 = 1_773_480_000.0
BATCH = Batch("Quillmarsh 12", "shed-2", T0)
OTHER = Batch("Quillmarsh 13", "shed-3", T0 + 5)


def core(second: float, temperature_c: float | None = 50.0, *, late_s: float = 0.0, probe: str = "core") -> Reading:
    state = "ok" if temperature_c is not None else "open"
    return Reading("shed-2", probe, T0 + second, T0 + second + late_s, temperature_c, state)


def fill(journal: Journal, batch: Batch) -> None:
    """Something of the batch in every table."""
    name, bucket, start_s = batch.name, batch.bucket, batch.started_s
    journal.add_batch(batch)
    journal.add_entry(name, LogEntry("poured", start_s, start_s + 1, 56.0), who="Ada")
    journal.add_entry(name, LogEntry("looked", start_s - 50, start_s + 2))
    journal.add_detail(name, "maker", "Ada", start_s + 3)
    journal.add_photo(Photo(name, "/photos/cut.jpg", "ab" * 32, "cut", start_s + 4, start_s + 4))
    journal.amend_batch(name, batch.recipe, batch.vessel, start_s + 5)
    journal.add_act(Act("a1", "going", start_s + 6, start_s + 6, "Ada", None, name, bucket))
    journal.save_alarm(AlarmRecord(f"{bucket}/{name}/silent/1", "silent", bucket, name, "normal", facts={"n": 1}))
    journal.add_events([Event("estimate", start_s + 600, bucket, name, {"completeness": 0.5})])
    journal.add_readings([Reading(bucket, "core", start_s + n, start_s + n, 50.0 + n) for n in range(3)])
    journal.note_thinned(name, start_s + 9, 3, 30)


def rows(journal: Journal, table: str, *batches: str) -> list[dict[str, object]]:
    return list(journal.whole_rows(table, batches or (BATCH.name,)))


def seconds(journal: Journal, *batches: str) -> list[float]:
    return [float(row["time_s"]) - T0 for row in rows(journal, "readings", *batches)]  # type: ignore[arg-type]


@pytest.fixture
def other(tmp_path: Path) -> Journal:
    with Journal(tmp_path / "other.sqlite") as journal:
        yield journal


# ---- out ----


def test_the_rows_of_the_named_batches_and_of_no_others(journal: Journal) -> None:
    """Each with exactly the columns that are promised, the batches in the order asked for."""
    fill(journal, BATCH)
    fill(journal, OTHER)
    for table, columns in TABLES.items():
        mine = rows(journal, table)
        assert mine and all(list(row) == list(columns) for row in mine), table
        both = rows(journal, table, OTHER.name, BATCH.name)
        assert sorted(map(repr, both)) == sorted(map(repr, [*rows(journal, table, OTHER.name), *mine])), table
        assert not [row for row in mine if row.get("batch", row.get("name")) == OTHER.name], table
    assert [row["name"] for row in rows(journal, "batches", OTHER.name, BATCH.name)] == [OTHER.name, BATCH.name]
    assert [row["kind"] for row in rows(journal, "entries")] == ["poured", "looked"], "as written, not as happened"


def test_no_row_holds_a_route(journal: Journal) -> None:
    """The outbox names how to reach people; it is never handed out."""
    assert "outbox" not in TABLES
    assert not any("route" in columns for columns in TABLES.values())


def test_readings_from_two_hours_before_the_start_to_the_end(journal: Journal) -> None:
    """Both ends belong to it; what came in the bucket before and after is another batch's."""
    assert PRELUDE_S == 7200.0
    journal.add_batch(BATCH)
    times = (-7201, -7200, 0, 600, 601)
    journal.add_readings(core(second) for second in times)
    journal.add_readings([Reading("shed-3", "core", T0, T0, 20.0)])
    assert seconds(journal) == [-7200, 0, 600, 601], "a batch that runs has no end yet"
    journal.end_batch(BATCH.name, T0 + 600, T0 + 601)
    assert seconds(journal) == [-7200, 0, 600]


def test_a_reading_at_the_very_end_belongs_to_it_whatever_minute_it_is(journal: Journal) -> None:
    """Also where it is the only one, at the first moment of a minute."""
    journal.add_batch(BATCH)
    journal.add_readings([core(600)])
    journal.end_batch(BATCH.name, T0 + 600, T0 + 601)
    assert (T0 + 600) % 60 == 0
    assert seconds(journal) == [600]


def test_groups_of_minutes_do_not_overlap(journal: Journal, monkeypatch: pytest.MonkeyPatch) -> None:
    """However long they are: the first minute of the next is not told twice."""
    monkeypatch.setattr(whole_module, "_GROUP_MIN", 2)
    journal.add_batch(BATCH)
    times = [30.0 * n for n in range(20)]
    journal.add_readings(core(second) for second in times)
    assert seconds(journal) == times


def test_spans_that_touch_give_what_lies_between_them_once(journal: Journal) -> None:
    """The end of one batch is the beginning of the other's prelude."""
    for name, start_s, end_s in (("first", 0.0, 600.0), ("second", 600.0 + PRELUDE_S, 9000.0)):
        journal.add_batch(Batch(name, "shed-2", T0 + start_s))
        journal.end_batch(name, T0 + end_s, T0 + end_s)
    journal.add_readings(core(second) for second in (0.0, 600.0, 8000.0))
    assert seconds(journal, "first", "second") == [0, 600, 8000]


def test_spans_that_overlap_give_every_reading_once(journal: Journal) -> None:
    """Two batches in one bucket an hour apart share their prelude; two days apart they do not."""
    spans = [("first", 0.0, 100.0), ("second", 3600.0, 3700.0), ("third", 200_000.0, 200_100.0)]
    for name, start_s, end_s in spans:
        journal.add_batch(Batch(name, "shed-2", T0 + start_s))
        journal.end_batch(name, T0 + end_s, T0 + end_s)
    times = [-7200.0, 50.0, 100.0, 101.0, 3650.0, 3701.0, 100_000.0, 192_800.0, 200_100.0]
    journal.add_readings(core(second) for second in times)
    assert seconds(journal, "third", "second", "first") == [-7200, 50, 100, 101, 3650, 192_800, 200_100]
    assert seconds(journal, "first") == [-7200, 50, 100]
    assert seconds(journal, "second", "third") == [50, 100, 101, 3650, 192_800, 200_100]


def test_a_batch_within_another_ones_time_does_not_shorten_it(journal: Journal) -> None:
    """The longer of two that overlap counts to its end."""
    for name, start_s, end_s in (("long", 0.0, 9000.0), ("short", 3600.0, 3700.0)):
        journal.add_batch(Batch(name, "shed-2", T0 + start_s))
        journal.end_batch(name, T0 + end_s, T0 + end_s)
    journal.add_readings(core(second) for second in (0.0, 3650.0, 8999.0))
    assert seconds(journal, "long", "short") == [0, 3650, 8999]


def test_many_readings_come_in_groups_without_a_gap(journal: Journal, monkeypatch: pytest.MonkeyPatch) -> None:
    """However the groups fall: probe by probe, each in the order of its time."""
    monkeypatch.setattr(whole_module, "_GROUP", 4)
    journal.add_batch(BATCH)
    for count, probe in ((9, "wall"), (8, "core"), (3, "top")):
        journal.add_readings(core(float(n), 40.0 + n, probe=probe) for n in reversed(range(count)))
    found = [(row["probe"], float(row["time_s"]) - T0) for row in rows(journal, "readings")]  # type: ignore[arg-type]
    assert found == [(probe, n) for probe, count in (("core", 8), ("top", 3), ("wall", 9)) for n in range(count)]


# ---- in ----


def test_out_and_in_is_the_same_and_twice_is_once(journal: Journal, other: Journal) -> None:
    """Every table, and what was there is not counted as new."""
    fill(journal, BATCH)
    journal.add_readings([core(50, None)])
    journal.mark_readings([("shed-2", "core", T0 + 1, "spike")])
    for table in TABLES:
        mine = rows(journal, table)
        assert other.put_rows(table, iter(mine)) == len(mine), table
        assert rows(other, table) == mine, table
        assert other.put_rows(table, mine) == 0, table
        assert rows(other, table) == mine, table
    assert "is sound" in other.check()
    assert list(other.kept_readings()) == list(journal.kept_readings())


def test_what_is_there_stays_as_it_is(journal: Journal, other: Journal) -> None:
    """The same key with other words: the ones that are there are not overwritten."""
    fill(journal, BATCH)
    fill(other, BATCH)
    changed = [{**row, "value": "Ben"} for row in rows(journal, "details")]
    assert other.put_rows("details", changed) == 0
    assert [row["value"] for row in rows(other, "details")] == ["Ada"]
    reasons = [{**row, "reason": "spike"} for row in rows(journal, "readings")]
    assert other.put_rows("readings", reasons) == 0
    assert {row["reason"] for row in rows(other, "readings")} == {None}


def test_readings_take_their_place_among_the_others_by_arrival(journal: Journal, other: Journal) -> None:
    """The order of arrival is that of the numbers, which every question "from an arrival on" relies on."""
    journal.add_batch(BATCH)
    journal.add_readings([core(1), core(3, late_s=10), core(5), core(20)])
    other.add_readings([core(0, probe="ambient"), *(core(second, probe="wall") for second in (4, 13, 20))])
    assert other.put_rows("readings", rows(journal, "readings")) == 4
    assert [(r.probe, r.arrival_s - T0) for r in other.readings()] == [
        ("ambient", 0), ("core", 1), ("wall", 4), ("core", 5), ("wall", 13), ("core", 13), ("wall", 20), ("core", 20),
    ]  # fmt: skip
    assert [r.arrival_s - T0 for r in other.readings(from_arrival_s=T0 + 5)] == [5, 13, 13, 20, 20]
    assert {probe: kept.reading.arrival_s - T0 for probe, kept in other.latest("shed-2").items()} == {
        "ambient": 0, "core": 20, "wall": 20,
    }  # fmt: skip
    assert other.last_arrival_s() == T0 + 20


def test_what_was_there_goes_first_at_one_arrival(journal: Journal, other: Journal) -> None:
    """So that taking in never changes the order of what a watch has seen."""
    journal.add_batch(BATCH)
    journal.add_readings([core(9), core(10), core(11, late_s=-1)])
    other.add_readings([core(10, probe="wall"), core(11, late_s=-1, probe="wall"), core(30, probe="wall")])
    before = list(other.readings())
    other.put_rows("readings", rows(journal, "readings"))
    assert [r for r in other.readings() if r.probe == "wall"] == before
    assert [(r.probe, r.time_s - T0) for r in other.readings()] == [
        ("core", 9), ("wall", 10), ("wall", 11), ("core", 10), ("core", 11), ("wall", 30),
    ]  # fmt: skip


def test_reasons_and_states_of_what_moves_are_kept(journal: Journal, other: Journal) -> None:
    """What arrived later is written anew behind the rest, with all that was known of it."""
    journal.add_batch(BATCH)
    journal.add_readings([core(0)])
    other.add_readings(
        [core(5, None, probe="wall"), Reading("shed-2", "wall", T0 + 6, T0 + 7, 99.0, "ok", True)], [None, "spike"]
    )
    before = list(other.kept_readings())
    assert other.put_rows("readings", rows(journal, "readings")) == 1
    assert list(other.kept_readings()) == [*journal.kept_readings(), *before]


CHANGED: list[dict[str, object]] = [
    {"temperature_c": 51.0}, {"temperature_c": None, "state": "open"}, {"state": "noisy"},
]  # fmt: skip


@pytest.mark.parametrize("changed", CHANGED)
def test_another_value_at_one_time_is_refused(journal: Journal, other: Journal, changed: dict[str, object]) -> None:
    """Whose reading is right cannot be known: nothing is taken in, and the sentence names bucket and probe."""
    journal.add_batch(BATCH)
    journal.add_readings([core(0), core(1)])
    other.add_readings([core(1), core(2)])
    incoming = rows(journal, "readings")
    incoming[1] = {**incoming[1], **changed}
    with pytest.raises(Refused, match=r'shed-2: its "core" has another reading'), other.transaction():
        other.put_rows("readings", incoming)
    assert list(other.readings()) == [core(1), core(2)]


def test_the_same_time_at_another_probe_or_bucket_is_no_clash(journal: Journal, other: Journal) -> None:
    """A reading is told apart by bucket, probe and time."""
    journal.add_batch(BATCH)
    journal.add_readings([core(0, 50.0)])
    other.add_readings([core(0, 20.0, probe="wall"), Reading("shed-3", "core", T0, T0, 21.0)])
    assert other.put_rows("readings", rows(journal, "readings")) == 1
    assert len(list(other.readings())) == 3


def test_nothing_in_is_nothing_done(other: Journal) -> None:
    """No readings, no rows, and the next import finds a clean table."""
    assert other.put_rows("readings", []) == 0
    assert other.put_rows("entries", []) == 0
    assert other.probes() == []


def test_many_readings_go_in_by_groups(journal: Journal, other: Journal, monkeypatch: pytest.MonkeyPatch) -> None:
    """However the groups fall, each is there once."""
    monkeypatch.setattr(whole_module, "_GROUP", 4)
    journal.add_batch(BATCH)
    for count in (3, 4, 9):
        journal.add_readings(core(float(n)) for n in range(count))
        with Journal(other.path.with_name(f"in-{count}.sqlite")) as target:
            assert target.put_rows("readings", rows(journal, "readings")) == count
            assert list(target.readings()) == list(journal.readings())


# ---- one moment ----


def test_a_snapshot_does_not_see_what_is_written_meanwhile(journal: Journal) -> None:
    """An export of a running batch is of one moment; afterwards the new is there."""
    journal.add_readings([core(0)])
    with Journal(journal.path) as writer, journal.snapshot():
        assert len(list(journal.readings())) == 1
        writer.add_readings([core(1)])
        assert len(list(journal.readings())) == 1
    assert len(list(journal.readings())) == 2
    with pytest.raises(RuntimeError), journal.snapshot():
        raise RuntimeError
    journal.add_readings([core(2)])
    assert len(list(journal.readings())) == 3


def test_a_watch_that_runs_learns_of_a_batch_that_was_put_in(journal: Journal, other: Journal) -> None:
    """As if somebody had started it; told twice it is one change."""
    journal.add_batch(BATCH)
    other.put_rows("batches", rows(journal, "batches"))
    assert other.changes_since(0)[0] == []
    other.note_started(BATCH.name)
    other.note_started(BATCH.name)
    (change,) = other.changes_since(0)[0]
    assert change.what == "batch-started"
    assert change.batch is not None and change.batch.batch == BATCH


def test_alarms_go_with_their_facts(journal: Journal, other: Journal) -> None:
    """The wording of an old alarm can be told again from what it holds."""
    fill(journal, BATCH)
    for table in ("batches", "alarms"):
        other.put_rows(table, rows(journal, table))
    (alarm,) = other.alarms()
    assert (alarm.kind, alarm.facts) == ("silent", {"n": 1})


def test_every_column_is_told_as_the_table_keeps_it(journal: Journal) -> None:
    """Import refuses by these words what the table could not hold: a wrong one lets it in, or keeps good rows out."""
    kept: dict[tuple[str, str], tuple[str, bool]] = {
        (table, column): (kind, bool(never_null) or bool(key))
        for table in (*TABLES, "probes") if table != "thinned"
        for _, column, kind, never_null, _, key in journal._rows(f"PRAGMA table_info({table})")
    }  # fmt: skip
    kept |= {("readings", column): kept["probes", column] for column in ("bucket", "probe")}
    words = {"TEXT": {"text", "json"}, "REAL": {"real"}, "INTEGER": {"real"}}
    for table, columns in TABLES.items():
        for column, word in columns.items():
            if table == "thinned":
                assert word == ("text" if column == "batch" else "real")
                continue
            kind, never_null = kept[table, column]
            assert word.rstrip("?") in words[kind], (table, column)
            assert word.endswith("?") == (not never_null), (table, column)
    of_json = {(table, column) for table, columns in TABLES.items() for column in columns if columns[column] == "json"}
    assert of_json == {
        ("batches", "recipe"), ("batches", "vessel"), ("amendments", "recipe"), ("amendments", "vessel"),
        ("alarms", "facts"), ("events", "line"),
    }  # fmt: skip
