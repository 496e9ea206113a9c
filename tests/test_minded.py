"""The minders of a watch: found by their bucket, and judged in an order in which no alarm waits for a calm bucket."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from monitor.domain import LogEntry, Reading
from monitor.judgement.alarms import AlarmState
from monitor.minded import Minded, urgency
from monitor.pipeline import Minder
from tests.helpers_watch import NIGHT_S, Bench, batch_in, pack


def minder_of(bucket: str, *raw_c: float | None, name: str = "") -> Minder:
    """A batch poured ten minutes ago, with core readings of which the last waits for its tick."""
    batch = batch_in(bucket, NIGHT_S - 600.0)
    minder = Minder(replace(batch, name=name or batch.name), minded_from_s=NIGHT_S - 60.0)
    minder.note(LogEntry("poured", NIGHT_S - 600.0, NIGHT_S - 600.0, 50.0))
    for number, value_c in enumerate(raw_c):
        at_s = NIGHT_S - 50.0 + 10.0 * number
        if number == len(raw_c) - 1:
            minder.tick(NIGHT_S)
            at_s = NIGHT_S + 10.0
        state = "ok" if value_c is not None else "open"
        minder.take(Reading(bucket, "core", at_s, at_s, value_c, state=state))
    return minder


def test_minders_are_found_by_their_bucket() -> None:
    """Two of one bucket are both found; one that is replaced or taken out is found no more."""
    minded, first, second = Minded(), minder_of("shed-1"), minder_of("shed-1", name="The next")
    minded["first"], minded["second"], minded["third"] = first, second, minder_of("shed-2")
    assert list(minded.of_bucket("shed-1")) == [first, second]
    again = minder_of("shed-1")
    minded["first"] = again
    assert set(map(id, minded.of_bucket("shed-1"))) == {id(again), id(second)}
    assert minded.pop("second") is second
    del minded["first"]
    assert not minded.of_bucket("shed-1")
    assert (list(minded), len(minded)) == (["third"], 1)


CALM = (60.0, 60.5, 61.0, 61.2)


def _rising(minder: Minder, kind: str) -> Minder:
    state = AlarmState(minder.batch.bucket, minder.batch.name, kind, standing_since_s=NIGHT_S)
    minder.alarms[kind] = state
    return minder


@pytest.mark.parametrize(
    ("minder", "turn"),
    [
        (minder_of("hot-now", 70.0, 72.0, 74.0, 93.0), 0),
        (_rising(minder_of("hot-soon", *CALM), "too_hot"), 0),
        (_rising(minder_of("not-taken", *CALM), "not_taken"), 1),
        (minder_of("open", 60.0, 60.5, 61.0, None), 2),
        (minder_of("quiet"), 2),
        (minder_of("quick", 60.0, 60.5, 61.0, 66.0), 3),
        (minder_of("calm", *CALM), 5),
    ],
)
def test_what_may_ring_is_judged_first(minder: Minder, turn: int) -> None:
    """Hot or soon hot, then what another alarm waits for, then probes and silence, then what moves, then the rest."""
    assert turn == urgency(minder)


def test_an_alarm_that_stands_goes_before_calm_buckets_and_after_what_may_ring() -> None:
    minder = minder_of("told", *CALM)
    minder.alarms["incomplete"] = AlarmState("told", "A", "incomplete", state="unacknowledged", raised_at_s=NIGHT_S)
    assert urgency(minder) == 4


def test_among_calm_buckets_those_that_cost_nothing_go_first() -> None:
    """One that needs no fit is through in a thousandth of the time of one that does."""
    minded, costly, cheap = Minded(), minder_of("costly", *CALM), minder_of("cheap", *CALM)
    costly.note(LogEntry("looked", NIGHT_S, NIGHT_S))  # an entry has it fitted anew
    minded["a"], minded["b"] = costly, cheap
    assert not cheap.is_costly(NIGHT_S + 1.0)
    assert minded.in_order(NIGHT_S + 1.0) == [cheap, costly]


def test_a_watch_tells_of_the_hot_bucket_before_it_fits_the_calm_ones(tmp_path: Path) -> None:
    """The last to be begun is the first to be judged, from its raw readings alone."""
    bench = Bench(tmp_path)
    for number in range(6):
        bench.begin(batch_in(f"shed-{number}", NIGHT_S - 300.0, noted_at_s=NIGHT_S))
    bench.until(NIGHT_S + 2.0)
    judged: list[str] = []
    tick = bench.watch._tick_minder

    def noting(minder: Minder, tick_s: float, events: list) -> None:
        judged.append(minder.batch.bucket)
        tick(minder, tick_s, events)

    bench.watch._tick_minder = noting  # type: ignore[method-assign]
    for at_s in range(5, 55, 10):
        for number in range(6):
            core_c = 60.0 if number != 5 else 60.0 + at_s * 0.7
            bench.line(NIGHT_S + at_s, pack(f"shed-{number}", core_c))
    bench.until(NIGHT_S + 62.0)
    bench.close()
    assert judged[0] == "shed-5"
    assert sorted(judged) == sorted(f"shed-{number}" for number in range(6))


def test_a_paste_read_over_its_limit_rings_without_waiting_for_a_fit() -> None:
    """Thirty such buckets would wait for thirty fits; each is fitted at the tick that follows."""
    minder, rang, fits = minder_of("hot", 60.0), [], []
    for minute in range(1, 7):
        for step in range(6):
            at_s = NIGHT_S + 60.0 * (minute - 1) + 10.0 * step + 15.0
            core_c = 62.0 if at_s < NIGHT_S + 180.0 else 97.0
            minder.take(Reading("hot", "core", at_s, at_s, core_c + step % 3 / 16))
        before = minder.estimator.refits
        events = minder.tick(NIGHT_S + 60.0 * minute + 10.0)
        fits.append(minder.estimator.refits - before)
        rang += [minute for event in events if event.values.get("kind") == "too_hot"]
    assert len(rang) == 1
    assert (fits[rang[0] - 1], fits[rang[0]]) == (0, 1)
