"""When a reading was taken, by nodes whose clocks are wrong, step, start anew, or whose lines come late."""

from __future__ import annotations

import json
from collections.abc import Iterable

import pytest

from monitor.domain import Reading
from monitor.sensing.senml import Decoder

A = 1773480000.0  # the first arrival
Line = tuple[float, float, float]  # (arrival since A, stamp as sent, value)


def decode(lines: Iterable[Line], decoder: Decoder | None = None) -> list[Reading]:
    """The readings of one-record lines, in the order in which they came."""
    decoder = decoder or Decoder()
    out: list[Reading] = []
    for arrival, stamp, value in lines:
        pack = [{"n": "b/core", "u": "Cel", "t": stamp, "v": value}]
        out.extend(decoder.decode(json.dumps(pack).encode(), A + arrival).readings)
    return out


def lags(readings: Iterable[Reading]) -> list[float]:
    return [round(reading.arrival_s - reading.time_s, 3) for reading in readings]


def steady(n: int, start: float = 0.0, off: float = 0.0, every: float = 10.0) -> list[Line]:
    """``n`` lines, one every ``every`` seconds, stamped by a clock that is ``off`` seconds ahead."""
    return [(start + k * every, A + start + k * every + off, float(start + k)) for k in range(n)]


def test_a_right_clock_is_believed_and_small_errors_with_it() -> None:
    """Stamps within some seconds ahead, or less than a minute behind, stand as they are."""
    for off in (0.0, 4.0, -50.0):
        readings = decode(steady(30, off=off))
        assert lags(readings) == [-off] * 30
        assert not any(reading.retimed for reading in readings)


def test_no_time_is_now_and_a_negative_one_is_past() -> None:
    """Without a time the arrival counts; relative times count back from it."""
    decoder = Decoder()
    (now,) = decoder.decode(b'[{"n":"b/core","u":"Cel","v":60}]', A).readings
    assert (now.time_s, now.retimed) == (A, False)
    earlier = decoder.decode(b'[{"bn":"b/core","bu":"Cel","t":-20,"v":60},{"t":-10,"v":61},{"t":0,"v":62}]', A + 60)
    assert lags(earlier.readings) == [20.0, 10.0, 0.0]


def test_relative_times_ahead_are_not_in_the_future() -> None:
    """A pack that counts its samples upwards from 0 ends now; nothing is measured after it arrives."""
    pack = b'[{"bn":"b/core","bu":"Cel","t":0,"v":60},{"t":25,"v":61},{"t":50,"v":62}]'
    assert lags(Decoder().decode(pack, A).readings) == [50.0, 25.0, 0.0]


def test_a_clock_that_counts_from_boot_is_anchored_at_arrival() -> None:
    """More than 60 s ahead is a boot clock: readings stand at their arrival and are marked."""
    readings = decode([(k * 10.0, 1000.0 + k * 10.0, k) for k in range(20)])
    assert lags(readings) == [0.0] * 20
    assert all(reading.retimed for reading in readings)


def test_a_pack_of_a_boot_clock_keeps_its_spacing() -> None:
    """Of several samples the newest is anchored, the others keep their distance from it."""
    pack = b'[{"bn":"b/core","bu":"Cel","bt":500,"t":0,"v":60},{"t":10,"v":61},{"t":20,"v":62}]'
    assert lags(Decoder().decode(pack, A).readings) == [20.0, 10.0, 0.0]


def test_a_boot_clocks_backlog_lands_where_it_belongs() -> None:
    """After an outage of an hour, what the node kept is placed by the anchor learned before."""
    live = [(k * 10.0, 1000.0 + k * 10.0, k) for k in range(20)]
    backlog = [(4000.0 + k * 0.05, 1200.0 + k * 10.0, k) for k in range(380)]
    readings = decode(live + backlog)
    for reading, (_, stamp, _) in zip(readings, live + backlog, strict=True):
        assert reading.time_s == pytest.approx(A + stamp - 1000.0, abs=0.01)


def test_latency_jitter_does_not_spread_a_boot_clock() -> None:
    """The quickest line so far tells where the boot clock stands: slower ones are seen to be late by what they took."""
    jitter = [0.9, 0.3, 0.5, 0.2, 1.5, 0.2, 0.7]
    readings = decode([(k * 10.0 + wait, 1000.0 + k * 10.0, k) for k, wait in enumerate(jitter)])
    assert lags(readings)[4:] == [1.3, 0.0, 0.5]


def test_a_boot_clock_starts_anew() -> None:
    """After a reboot the count begins again at 0; readings still stand at their arrivals."""
    first = [(k * 10.0, 5000.0 + k * 10.0, k) for k in range(10)]
    second = [(200.0 + k * 10.0, 70.0 + k * 10.0, k) for k in range(20)]
    assert lags(decode(first + second)) == [0.0] * 30


def test_a_clock_set_from_the_network_while_running() -> None:
    """A node that counts from boot and is then set goes over to its own true stamps."""
    readings = decode([(k * 10.0, 100.0 + k * 10.0, k) for k in range(10)] + steady(10, start=100.0))
    assert lags(readings) == [0.0] * 20
    assert [reading.retimed for reading in readings] == [True] * 10 + [False] * 10


@pytest.mark.parametrize("epoch", [315964800.0, 946684800.0, 1577836800.0, 4070908800.0])
def test_a_clock_that_was_never_set(epoch: float) -> None:
    """Clocks that stand in 1980, 2000, 2020 or 2099 are anchored at arrival, and again after a reboot."""
    first = [(k * 10.0, epoch + 3.0 + k * 10.0, k) for k in range(10)]
    second = [(200.0 + k * 10.0, epoch + 3.0 + k * 10.0, 50 + k) for k in range(20)]
    readings = decode(first + second)
    assert lags(readings) == [0.0] * 30
    assert all(reading.retimed for reading in readings)


@pytest.mark.parametrize("off", [90.0, 3600.0, 2 * 86400.0, 30 * 86400.0])
def test_a_clock_that_runs_ahead_is_put_right_at_once(off: float) -> None:
    """A measurement cannot come from the future: from the first such stamp the clock's error is known."""
    readings = decode(steady(20, off=off))
    assert lags(readings) == [0.0] * 20


@pytest.mark.parametrize("off", [-90.0, -1200.0, -5 * 3600.0, -3 * 86400.0])
def test_a_clock_that_runs_behind_is_found_out_within_a_minute(off: float) -> None:
    """A lag that stays the same while readings come steadily is the clock's: gone after five readings over 60 s."""
    readings = decode(steady(30, off=off))
    assert lags(readings)[:6] == [-off] * 6
    assert lags(readings)[6:] == [0.0] * 24


@pytest.mark.parametrize("step", [120.0, 3600.0, 86400.0, 6 * 86400.0])
def test_a_clock_that_steps_forward_and_back_again(step: float) -> None:
    """Mid-batch steps of minutes to days: readings stay at their arrivals, and the right clock is trusted again."""
    lines = steady(20) + steady(20, start=200.0, off=step) + steady(20, start=400.0)
    readings = decode(lines)
    assert lags(readings) == [0.0] * 60
    assert [reading.retimed for reading in readings] == [False] * 20 + [True] * 20 + [False] * 20


@pytest.mark.parametrize("step", [-120.0, -3600.0, -86400.0, -6 * 86400.0])
def test_a_clock_that_steps_back_and_forward_again(step: float) -> None:
    """After a step back readings end near their arrival within a minute or so, and never in the future."""
    lines = steady(20) + steady(20, start=200.0, off=step) + steady(20, start=400.0)
    readings = decode(lines)
    assert min(lags(readings)) >= 0.0
    assert lags(readings)[26:40] == [0.0] * 14
    assert lags(readings)[40:] == [0.0] * 20


def test_late_delivery_is_not_a_clock_error() -> None:
    """Readings held back for twenty minutes and sent in a burst keep their own stamps."""
    backlog = [(1300.0 + k * 0.5, A + 100.0 + k * 10.0, 20.0 + k) for k in range(120)]
    readings = decode(steady(10) + backlog + steady(20, start=1400.0))
    assert [reading.time_s for reading in readings[10:130]] == [stamp for _, stamp, _ in backlog]
    assert not any(reading.retimed for reading in readings)


def test_a_queue_that_drains_as_slowly_as_it_fills_is_trusted() -> None:
    """Every reading twenty minutes late, after a silence, for half an hour: the stamps are right."""
    late = [(1300.0 + k * 10.0, A + 100.0 + k * 10.0, 20.0 + k) for k in range(180)]
    readings = decode(steady(10) + late)
    assert not any(reading.retimed for reading in readings)


def test_a_clock_restored_after_a_day_without_power_is_found_out() -> None:
    """A board that was off for a day and goes on from its saved time lags for good: after ten minutes it is retimed."""
    late = [(86400.0 + k * 10.0, A + 100.0 + k * 10.0, 20.0 + k) for k in range(120)]
    readings = decode(steady(10) + late)
    assert lags(readings)[-50:] == [0.0] * 50


def test_a_frozen_clock_does_not_make_readings_into_duplicates() -> None:
    """A clock that stands still gives the same stamp to changing values: they are placed at their arrivals."""
    readings = decode([(k * 10.0, A - 500.0, 20.0 + k) for k in range(20)])
    assert lags(readings)[3:] == [0.0] * 17


@pytest.mark.parametrize("kind", ["right", "ahead", "boot", "unset"])
def test_a_duplicate_gets_the_time_it_had(kind: str) -> None:
    """The same stamp and value sent twice, minutes apart, are placed at the same time, whatever the clock is."""
    base = {"right": A, "ahead": A + 3600.0, "boot": 5000.0, "unset": 946684800.0}[kind]
    lines = [(k * 10.0 + 0.1 * (k % 3), base + k * 10.0, 20.0 + k) for k in range(30)]
    readings = decode([*lines, (300.0, base + 100.0, 30.0), (400.0, base + 290.0, 49.0)])
    assert readings[30].time_s == readings[10].time_s
    assert readings[31].time_s == readings[29].time_s


def test_what_is_learned_is_learned_from_before() -> None:
    """Cutting the lines after any one leaves the times up to there as they are."""
    lines = steady(20) + steady(20, start=200.0, off=-3600.0) + steady(9, start=400.0, off=900.0)
    whole = [reading.time_s for reading in decode(lines)]
    for n in range(len(lines)):
        assert [reading.time_s for reading in decode(lines[:n])] == whole[:n]
