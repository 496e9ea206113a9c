"""Readings: exact, once, in the order they arrived."""

from __future__ import annotations

import math
import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.domain import Reading
from monitor.journal import readings as readings_module
from monitor.journal.database import Journal

T0 = 1_773_480_000.0


def core(time_s: float, temperature_c: float | None = 60.0, *, late_s: float = 0.4, state: str = "ok") -> Reading:
    return Reading("shed-2", "core", T0 + time_s, T0 + time_s + late_s, temperature_c, state)


def test_readings_come_back_in_the_order_they_arrived(journal: Journal) -> None:
    """A reading that is older but came later stays later."""
    given_ = [core(0), core(20), core(10, late_s=30), Reading("shed-2", "ambient", T0, T0 + 50, None, "open", True)]
    assert journal.add_readings(given_) == 4
    assert given_ == list(journal.readings("shed-2"))
    assert journal.last_arrival_s() == T0 + 50


@settings(max_examples=30, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.floats(0, 4e9, allow_nan=False),
            st.floats(-300, 2000, allow_nan=False) | st.none(),
            st.booleans(),
        ),
        max_size=20,
        unique_by=lambda row: row[0],
    )
)
def test_every_float_survives_to_the_last_bit(rows: list[tuple[float, float | None, bool]]) -> None:
    """An estimate rebuilt from the journal can only be equal if its readings are."""
    given_ = [
        Reading("b", "core", time_s, time_s + 0.001, value, "ok" if value is not None else "open", retimed)
        for time_s, value, retimed in rows
    ]
    with tempfile.TemporaryDirectory() as folder, Journal(Path(folder) / "journal.sqlite") as journal:
        journal.add_readings(given_)
        assert given_ == list(journal.readings("b"))


def test_the_same_reading_twice_counts_once_and_the_first_value_stays(journal: Journal) -> None:
    """Bucket, probe and time make a reading; a second value for them is a duplicate."""
    first = core(0, 61.0)
    assert journal.add_readings([first, core(0, 99.0, late_s=5)]) == 1
    assert journal.add_readings([first]) == 0
    assert [first] == list(journal.readings("shed-2"))
    assert journal.add_readings([Reading("shed-2", "wall", T0, T0, 50.0), Reading("shed-3", "core", T0, T0, 50.0)]) == 2


def test_a_rejected_reading_is_kept_with_its_reason(journal: Journal) -> None:
    """Marking hides it from those who ask for believed ones only; it can be believed again."""
    journal.add_readings([core(0), core(10, 85.0), core(20, None, state="open")])
    journal.mark_readings([("shed-2", "core", T0 + 10, "power-on value")])
    assert [kept.reason for kept in journal.kept_readings("shed-2") if kept.reason] == ["power-on value"]
    assert [core(0)] == list(journal.readings("shed-2", believed_only=True))
    assert len(list(journal.readings("shed-2"))) == 3
    journal.mark_readings([("shed-2", "core", T0 + 10, None)])
    assert [core(0), core(10, 85.0)] == list(journal.readings("shed-2", believed_only=True))


def test_reasons_can_be_given_with_the_readings(journal: Journal) -> None:
    """Each reading of the group has its own."""
    journal.add_readings([core(0), core(10)], [None, "spike"])
    assert [kept.reason for kept in journal.kept_readings()] == [None, "spike"]


def test_a_span_of_arrivals_is_half_open(journal: Journal, monkeypatch: pytest.MonkeyPatch) -> None:
    """From is included, to is not; and however the pages fall, each reading comes once."""
    monkeypatch.setattr(readings_module, "PAGE", 7)
    given_ = [core(second, late_s=0) for second in range(100)]
    journal.add_readings(given_)
    assert given_ == list(journal.readings("shed-2"))
    for first in (0, 1, 50, 99, 100):
        assert given_[first:] == list(journal.readings("shed-2", from_arrival_s=T0 + first))
        assert given_[:first] == list(journal.readings("shed-2", to_arrival_s=T0 + first))
    assert given_[20:30] == list(journal.readings(None, T0 + 20, T0 + 30))
    assert given_[20:30] == list(journal.readings(None, T0 + 19.5, T0 + 29.5))


def test_all_buckets_can_be_read_in_one_go(journal: Journal) -> None:
    """Without a bucket the order is that of arrival over all of them."""
    given_ = [Reading(f"b{n % 3}", "core", T0 + n, T0 + n, 20.0 + n) for n in range(9)]
    journal.add_readings(given_)
    assert given_ == list(journal.readings())
    assert journal.probes() == [("b0", "core"), ("b1", "core"), ("b2", "core")]
    assert list(journal.readings("no such bucket")) == []


def test_the_latest_reading_of_each_probe_is_at_hand(journal: Journal) -> None:
    """The one that arrived last, also when a stale one came behind it twice."""
    assert journal.latest("shed-2") == {}
    assert journal.last_arrival_s() is None
    journal.add_readings([core(0), core(10), core(0, late_s=60)])
    journal.add_readings([Reading("shed-2", "ambient", T0, T0, 4.5)])
    latest = journal.latest("shed-2")
    assert (core(10), 4.5) == (latest["core"].reading, latest["ambient"].reading.temperature_c)


def test_what_is_no_number_becomes_a_probe_that_could_not_measure(journal: Journal) -> None:
    """It must not come back as a reading that is in order but has no temperature."""
    journal.add_readings([core(0, math.nan), core(1, math.nan, state="noisy")])
    assert [(r.temperature_c, r.state) for r in journal.readings()] == [(None, "not-a-number"), (None, "noisy")]
    journal.add_readings([Reading("shed-2", "core", math.inf, T0 + 9, 50.0)])
    assert [(r.time_s, r.retimed) for r in journal.readings()][-1] == (T0 + 9, True)


def test_an_empty_group_is_no_group(journal: Journal) -> None:
    """Nothing to write means no commit."""
    assert journal.add_readings([]) == 0


def test_marks_and_latest_concern_their_own_probe(journal: Journal) -> None:
    """Two probes of one moment, two buckets with a probe of one name."""
    wall, elsewhere = Reading("shed-2", "wall", T0, T0, 50.0), Reading("shed-3", "core", T0, T0 + 1, 51.0)
    journal.add_readings([core(0), core(10), wall, elsewhere])
    journal.mark_readings([("shed-2", "core", T0, "spike")])
    assert {(k.reading.bucket, k.reading.probe, k.reading.time_s - T0): k.reason for k in journal.kept_readings()} == {
        ("shed-2", "core", 0.0): "spike", ("shed-2", "core", 10.0): None, ("shed-2", "wall", 0.0): None,
        ("shed-3", "core", 0.0): None,
    }  # fmt: skip
    assert {probe: kept.reading for probe, kept in journal.latest("shed-2").items()} == {"core": core(10), "wall": wall}
    assert {probe: kept.reading for probe, kept in journal.latest("shed-3").items()} == {"core": elsewhere}


def test_the_very_first_reading_is_at_hand(journal: Journal) -> None:
    """A probe that has sent once is shown at once."""
    journal.add_readings([core(0)])
    assert journal.latest("shed-2")["core"].reading == core(0)


def test_reasons_for_other_readings_than_these_are_a_slip(journal: Journal) -> None:
    """One reason for two readings: which is meant cannot be known, and nothing is kept."""
    with pytest.raises(ValueError, match="shorter"):
        journal.add_readings([core(0), core(1)], ["spike"])
    assert list(journal.readings()) == []


def test_a_probe_of_the_same_name_elsewhere_is_not_marked(journal: Journal) -> None:
    """Whichever of the two buckets has sent first."""
    elsewhere = Reading("shed-1", "core", T0, T0, 51.0)
    journal.add_readings([elsewhere, core(0)])
    journal.mark_readings([("shed-2", "core", T0, "spike")])
    assert [kept.reason for kept in journal.kept_readings("shed-1")] == [None]
    assert [kept.reason for kept in journal.kept_readings("shed-2")] == ["spike"]


def test_a_probe_that_says_it_cannot_measure_is_not_believed(journal: Journal) -> None:
    """Also where a temperature came with it; nor is a reading without a temperature, whatever it calls itself."""
    journal.add_readings([core(0, 50.0), core(1, 90.0, state="noisy"), core(2, None)])
    assert list(journal.readings(believed_only=True)) == [core(0, 50.0)]
    assert journal.extremes("shed-2", "core", T0, T0 + 10, 1) == [(T0, 50.0)]
    assert journal.thinned("shed-2", "core", T0, T0 + 10, 1) == [(T0, 50.0, 50.0)]


def test_a_curve_has_four_hundred_slots_unless_asked_otherwise(journal: Journal) -> None:
    """As many as a phone has columns to spare."""
    journal.add_readings([core(n, 50.0) for n in range(2000)])
    assert len(journal.thinned("shed-2", "core", T0, T0 + 2000)) == 400
    assert len(journal.extremes("shed-2", "core", T0, T0 + 2000)) == 400


def test_a_bucket_and_a_span_can_be_asked_for_together(journal: Journal) -> None:
    """Only what fulfils both; and by halving, wherever the first one lies."""
    mine = [core(n, late_s=0) for n in range(0, 40, 2)]
    theirs = [Reading("shed-3", "core", T0 + n, T0 + n, 20.0) for n in range(1, 40, 2)]
    journal.add_readings(sorted([*mine, *theirs], key=lambda r: r.arrival_s))
    for first in range(-1, 42):
        wanted = [r for r in mine if T0 + first <= r.arrival_s < T0 + 30]
        assert list(journal.readings("shed-2", T0 + first, T0 + 30)) == wanted, first


def test_a_thinned_curve_keeps_its_peaks(journal: Journal) -> None:
    """Each slot gives lowest and highest of the believed readings; empty slots are left out, a gap stays a gap."""
    journal.add_readings([core(second, 40.0 + second % 10) for second in range(1000) if not 300 <= second < 400])
    journal.add_readings([core(555.5, 95.0), core(666.5, 999.0), core(777.5, None, state="open")])
    journal.mark_readings([("shed-2", "core", T0 + 666.5, "range")])
    thin = journal.thinned("shed-2", "core", T0, T0 + 1000, 100)
    assert len(thin) == 90
    assert all(low == 40.0 for _, low, _ in thin)
    assert [high for _, _, high in thin if high > 49.0] == [95.0]
    assert thin == sorted(thin)
    assert [] == journal.thinned("shed-2", "core", T0, T0, 100) == journal.thinned("shed-2", "core", T0, T0 + 1, 0)
    assert journal.thinned("shed-9", "core", T0, T0 + 1000) == []


def test_a_curve_to_zoom_into_keeps_lowest_and_highest_at_their_own_times(journal: Journal) -> None:
    """Of each slot both, in the order of time; a slot with one reading gives it once."""
    journal.add_readings([core(0, 50.0), core(1, 53.0), core(2, 47.0), core(3, 50.5), core(10, 60.0), core(19.9, 61.0)])
    journal.add_readings([Reading("shed-2", "wall", T0 + 1, T0 + 1, 99.0), Reading("shed-3", "core", T0, T0, 98.0)])
    found = journal.extremes("shed-2", "core", T0, T0 + 20, 2)
    assert found == [(T0 + 1, 53.0), (T0 + 2, 47.0), (T0 + 10, 60.0), (T0 + 19.9, 61.0)]
    assert journal.extremes("shed-2", "core", T0 + 10, T0 + 11, 1) == [(T0 + 10, 60.0)]
    assert journal.extremes("shed-9", "core", T0, T0 + 20) == []


def test_a_curve_to_zoom_into_shows_believed_readings_of_its_span_only(journal: Journal) -> None:
    """From is included, to is not; nothing that is not believed, no probe that could not measure."""
    journal.add_readings([core(0, 50.0), core(5, 999.0), core(6, None, state="open"), core(7, 40.0), core(20, 10.0)])
    journal.mark_readings([("shed-2", "core", T0 + 5, "range")])
    assert journal.extremes("shed-2", "core", T0, T0 + 20, 1) == [(T0, 50.0), (T0 + 7, 40.0)]
    assert journal.extremes("shed-2", "core", T0, T0 + 20.5, 1) == [(T0, 50.0), (T0 + 20, 10.0)]
    assert [] == journal.extremes("shed-2", "core", T0, T0, 9) == journal.extremes("shed-2", "core", T0, T0 + 1, 0)
    assert len(journal.extremes("shed-2", "core", T0, T0 + 20)) == 2, "400 slots unless asked otherwise"


def test_slots_of_a_curve_are_of_equal_length_from_its_start(journal: Journal) -> None:
    """A reading on the boundary of two slots belongs to the later one; the mean time tells where the slot lies."""
    journal.add_readings([core(0, 30.0), core(9.9, 40.0), core(10, 10.0), core(19, 20.0), core(20, 99.0)])
    journal.add_readings([Reading("shed-2", "wall", T0 + 1, T0 + 1, 5.0), core(-1, 1.0)])
    thin = journal.thinned("shed-2", "core", T0, T0 + 20, 2)
    assert [(low, high) for _, low, high in thin] == [(30.0, 40.0), (10.0, 20.0)]
    assert [round(time_s - T0, 3) for time_s, _, _ in thin] == [4.95, 14.5]
    assert journal.thinned("shed-2", "core", T0, T0 + 20, 1)[0][1:] == (10.0, 40.0)


def test_probe_numbers_of_a_failed_group_are_forgotten(journal: Journal) -> None:
    """After a rollback the next group must not refer to a probe that was never kept."""
    with pytest.raises(RuntimeError), journal.transaction():
        journal.add_readings([core(0)])
        raise RuntimeError
    assert journal.add_readings([core(0)]) == 1
    assert [core(0)] == list(journal.readings("shed-2"))


def test_a_reading_costs_less_than_a_hundred_bytes(journal: Journal) -> None:
    """The figure in the README is measured; this holds it from doubling unseen."""
    count = 20_000
    journal.add_readings(
        Reading("shed-2", ("core", "ambient")[n % 2], T0 + n * 5, T0 + n * 5 + 0.123, 20.0 + (n % 997) / 16)
        for n in range(count)
    )
    journal._run("PRAGMA wal_checkpoint(TRUNCATE)")
    assert journal.path.stat().st_size / count < 100


def test_a_chart_goes_by_the_minute_and_leaves_none_out(journal: Journal) -> None:
    """Whatever gaps there are, and also where one damaged stamp lies far ahead: what a plain look finds, is found."""
    times = [T0 + 7.5 * i for i in range(400)] + [T0 + 6 * 3600.0 + 20.0 * i for i in range(100)] + [T0 + 3.0e9]
    journal.add_readings(
        Reading("shed-2", probe, at_s, T0 + i, 50.0 + i % 7)
        for i, at_s in enumerate(times)
        for probe in ("core", "top")
    )
    for from_s, to_s in ((T0, T0 + 1e5), (T0 + 61.0, T0 + 179.0), (T0 + 3600.0, T0 + 3 * 3600.0), (0.0, T0 + 1.0)):
        plain = [at_s for at_s in times if from_s <= at_s < to_s]
        found = journal.thinned("shed-2", "core", from_s, to_s, points=100_000)
        assert [at_s for at_s, _, _ in found] == pytest.approx(plain)
        assert [at_s for at_s, _ in journal.extremes("shed-2", "core", from_s, to_s, slots=100_000)] == plain


def test_a_minute_s_readings_lie_together_in_the_index(journal: Journal) -> None:
    """Each look-up by probe and time uses the index whole, or a chart would read every reading there is."""
    plans = [
        "SELECT 1 FROM readings WHERE minute = 5 AND probe = 1 AND time_s = 300.0",
        "UPDATE readings SET reason = NULL WHERE minute = CAST(?2 / 60 AS INTEGER) AND time_s = ?2 AND probe = 1",
    ]
    for sql in plans:
        plan = " ".join(row[3] for row in journal._rows(f"EXPLAIN QUERY PLAN {sql}", [0.0, 1.0][: 2 * sql.count("?2")]))
        assert "(minute=? AND probe=? AND time_s=?)" in plan
