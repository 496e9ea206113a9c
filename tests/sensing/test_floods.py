"""How many readings of one probe are kept of a minute, and that a good node loses none."""

from __future__ import annotations

import json
import random
import tracemalloc
from collections.abc import Iterable

import pytest

from monitor.sensing.floods import MOST_A_MINUTE, MOST_AT_ONE_ARRIVAL, TOO_MANY, MinuteRoom, too_many_words
from monitor.sensing.senml import FAULTS, Decoder

DAY_S = 86400.0
MINUTE_S = 1773480000.0  # a whole minute


def kept(room: MinuteRoom, times: Iterable[float], *, own_time: bool = True) -> list[float]:
    """Those that found room."""
    return [time_s for time_s in times if room.takes(time_s, own_time=own_time)]


def minute(number: int, count: int, seed: int = 0) -> list[float]:
    """So many different times in one minute, in any order."""
    rng = random.Random(f"{number} {seed}")
    times = {MINUTE_S + 60.0 * number + rng.random() * 59.9 for _ in range(count)}
    return rng.sample(sorted(times), len(times))


def test_of_each_minute_so_many_are_kept() -> None:
    """The next minute has room again, and so has the one before."""
    room = MinuteRoom()
    for number in (5, 6, 4):
        assert len(kept(room, minute(number, 20_000))) == MOST_A_MINUTE
    assert not kept(room, minute(5, 100, seed=1))


def test_going_round_between_minutes_gives_no_room_anew() -> None:
    """Of the minutes that are not remembered by their times the count stays, for the four days that one can be late."""
    room, numbers = MinuteRoom(), [*range(-5750, 0, 250), *range(10)]
    found = dict.fromkeys(numbers, 0)
    for turn in range(30):
        for number in numbers:
            found[number] += len(kept(room, minute(number, 50, turn)))
    assert set(found.values()) == {MOST_A_MINUTE}


def test_a_minute_that_is_past_leaves_its_place_to_a_new_one() -> None:
    """After four days, after a pause, and after years: no old count is taken for a new minute's."""
    for later in (5763, 2 * 5763, 5763 + 17, 5 * 10**6):
        room = MinuteRoom()
        for number in range(0, 6):
            kept(room, minute(number, 400))
        for number in range(later, later + 6):
            assert len(kept(room, minute(number, 400))) == MOST_A_MINUTE


@pytest.mark.parametrize("every_s", [0.25, 1.0, 10.0])
@pytest.mark.parametrize("sendings", [1, 2, 7])
def test_a_backlog_of_days_is_kept_whole_also_when_it_is_sent_again(every_s: float, sendings: int) -> None:
    """All of it at once, oldest first; the live lines come in between."""
    room, live = MinuteRoom(), 0
    times = [MINUTE_S - DAY_S * 3.9 + every_s * k for k in range(int(min(40_000, DAY_S * 3.9 / every_s)))]
    found: set[float] = set()
    for _ in range(sendings):
        for at in range(0, len(times), 500):
            found.update(kept(room, times[at : at + 500]))
            assert room.takes(MINUTE_S + 0.25 * live, own_time=True)
            live += 1
    assert found == set(times)


def test_lines_sent_again_and_again_take_no_room() -> None:
    """A node at four a second that hears no answer sends each pack five times, mixed with what is up to 100 s late."""
    room, rng = MinuteRoom(), random.Random(3)
    times = [MINUTE_S + 0.25 * k for k in range(4000)]
    sent = sorted((time_s + rng.random() * 100.0, time_s) for time_s in times for _ in range(5))
    assert set(kept(room, [time_s for _, time_s in sent])) == set(times)


def test_what_has_no_time_of_its_own_has_the_wider_bound() -> None:
    """A stock broker's whole queue, a full serial buffer and a live minute, all in one."""
    room = MinuteRoom()
    burst = [MINUTE_S + 10.0 + 0.001 * k for k in range(1020 + 130 + 240)]
    assert kept(room, burst, own_time=False) == burst
    assert len(kept(room, minute(0, 9000), own_time=False)) == MOST_AT_ONE_ARRIVAL - len(burst)
    assert not room.takes(MINUTE_S + 1.0, own_time=True)


def sent(decoder: Decoder, stamps: Iterable[tuple[float, float | None]]) -> tuple[int, int]:
    """(kept, counted) of lines of one record: arrival after ``MINUTE_S``, stamp or None; every value is another."""
    good = many = 0
    for number, (arrival, stamp) in enumerate(stamps):
        record = {"n": "b/core", "u": "Cel", "v": 20.0 + number * 0.001} | ({} if stamp is None else {"t": stamp})
        decoded = decoder.decode(json.dumps([record]).encode(), MINUTE_S + arrival)
        good += len(decoded.readings)
        many += decoded.faults.count(TOO_MANY)
        assert set(decoded.faults) <= {TOO_MANY}
    return good, many


def strange() -> Decoder:
    """A decoder for which every bucket is one that nobody named."""
    return Decoder(is_strange=lambda bucket: True)


BURST = [0.001 * k for k in range(1390)]


@pytest.mark.parametrize(
    "stamps",
    [
        [(arrival, None) for arrival in BURST],
        [(arrival, 7.0e8) for arrival in BURST],  # a clock that stands still in 1992
        [(arrival, MINUTE_S - 30.0) for arrival in BURST],  # one that stands still where it was right before
        [(arrival, 400.0) for arrival in BURST],  # a count from boot that stands still
        [(arrival, 400.0 + arrival) for arrival in BURST],
    ],
    ids=["no time", "never set", "stands still", "boot count stands still", "boot count"],
)
def test_a_burst_of_a_node_without_a_good_clock_is_not_cut(stamps: list[tuple[float, float | None]]) -> None:
    """Its readings carry the time at which they came, and all of one minute come within two seconds."""
    assert sent(strange(), stamps) == (len(BURST), 0)


def test_a_flood_is_counted_and_the_other_probe_beside_it_is_kept() -> None:
    """Each probe has its own room; thermocouple voltages and words fill it like temperatures."""
    decoder = strange()
    records: list[dict[str, object]] = []
    for number in range(300):
        time = {"t": round(number * 0.1, 3)}
        records += [{"n": "core/emf", "u": "V", "v": 0.002, **time}, {"n": "wall", "vs": "open", **time}]
    records[0] |= {"bn": "b/", "bt": MINUTE_S}
    records.append({"n": "core/cold-junction", "u": "Cel", "v": 20.0, "t": 1.0})
    first = decoder.decode(json.dumps(records).encode(), MINUTE_S + 60.0)
    assert len(first.readings) == 600 and not first.faults
    records[0]["bt"] = MINUTE_S + 0.05
    second = decoder.decode(json.dumps(records).encode(), MINUTE_S + 61.0)
    assert not second.readings and second.faults == (TOO_MANY,) * 600
    other = decoder.decode(b'[{"n":"b/ambient","u":"Cel","v":8,"t":%d}]' % MINUTE_S, MINUTE_S + 62.0)
    assert len(other.readings) == 1 and not other.faults
    assert TOO_MANY in FAULTS and "wire" in too_many_words("wire")


def test_the_book_keeping_is_bounded() -> None:
    """However much is sent, of however many minutes."""
    room = MinuteRoom()
    tracemalloc.start()
    for number in range(600):
        begin_s = MINUTE_S + 60.0 * (number % 300)
        kept(room, (begin_s + one / 7.0 for one in range(400)))
    grown, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert grown < 100_000
