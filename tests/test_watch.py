"""The daemon's own duties: one order for everything, commits before acknowledgements, and nothing that stops it.

Time passes only as the tests let it, but for those that need the threads; see helpers_watch.
"""

from __future__ import annotations

import json
import shutil
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from monitor import watch as watch_module
from monitor.cli import main
from monitor.clock import ArrivalClock
from monitor.domain import Batch, Condition, Reading
from monitor.journal.database import Journal, JournalError, Message
from monitor.journal.state import READS_BACK_KEY
from monitor.judgement import verdict
from monitor.phone.routes import label
from monitor.pipeline import TICK_S, Minder
from monitor.running import Running
from monitor.settings import load_settings
from monitor.sources.health import SourceHealth
from monitor.sources.line import Deliver, Line, Origin
from monitor.sources.recording import read_recording
from monitor.standing import status_view
from monitor.watch import COMMIT_EVERY_S, TICK_GRACE_S
from monitor.words import DAY_TIME, when
from tests.helpers_watch import NIGHT_S, Bench, Breaking, StillSource, batch_in, entry, pack, settings_with
from tests.journal.pulling import plug_in_again, pull
from tests.phone.receiver import Receiver
from tests.sources.conftest import wait_until

MINUTE_S = 60.0


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    """A watch that began ten seconds before the hour, with nothing started yet."""
    one = Bench(tmp_path, NIGHT_S - 10.0, settings_with("shed-1", "shed-2", people=[("Ash", "print://")]))
    yield one
    one.close()


def good_c(at_s: float) -> float:
    """A good blend's core, blended at the hour: from 45 °C up to 85 °C, quick at first."""
    since_s = max(0.0, at_s - NIGHT_S)
    return round(45.0 + 40.0 * (1 - 2.0 ** (-since_s / 600.0)) - since_s / 3600.0 * 2.0, 3)


def started(bench: Bench, bucket: str = "shed-1", blended_s: float = NIGHT_S + 1.0) -> Batch:
    """A batch that was poured some minutes ago and has just been blended."""
    batch = batch_in(bucket, NIGHT_S - 300.0, noted_at_s=bench.now_s)
    bench.begin(batch, entry("poured", NIGHT_S - 300.0, bench.now_s, temperature_c=44.0))
    bench.until(blended_s)
    bench.mark(batch, entry("blended", blended_s))
    return batch


def kept(bench: Bench) -> list[Reading]:
    """What another process sees in the journal."""
    return list(bench.desk.readings())


# ---- commits and acknowledgements ------------------------------------------------------------------------------------


def test_a_line_is_acknowledged_only_when_it_is_on_the_disk(bench: Bench) -> None:
    """At the moment of the acknowledgement another process already finds the reading in the journal."""
    found: list[list[float | None]] = []
    line = Line(
        bench.clock.now(), pack("shed-1", 50.0), Origin("mqtt", "broker", "t"),
        ack=lambda: found.append([one.temperature_c for one in kept(bench)]),
    )  # fmt: skip
    bench.watch.deliver(line)
    bench._turn()
    assert found == [] and kept(bench) == []
    bench.until(bench.now_s + COMMIT_EVERY_S + 0.5)
    assert found == [[50.0]]


def test_a_commit_comes_every_ten_seconds_or_at_ten_that_wait(bench: Bench) -> None:
    """A stock broker stops at 20 unacknowledged: half of that forces a commit at once."""
    for i in range(9):
        bench.line(bench.now_s + 0.01, pack("shed-1", 50.0 + i), ack=True)
    assert bench.acked == []
    bench.line(bench.now_s + 0.01, pack("shed-1", 60.0), ack=True)
    assert len(bench.acked) == len(kept(bench)) == 10
    bench.line(bench.now_s + 0.01, pack("shed-1", 61.0), ack=True)
    bench.until(bench.now_s + COMMIT_EVERY_S - 0.5)
    assert len(bench.acked) == 10
    bench.until(bench.now_s + 1.0)
    assert len(bench.acked) == len(kept(bench)) == 11


def test_while_the_disk_is_full_judging_goes_on_and_nothing_is_lost(tmp_path: Path) -> None:
    """Nothing is acknowledged, the alarm is found all the same, and all of it is kept, printed and told afterwards."""
    bench = Bench(tmp_path, NIGHT_S - 10.0, settings_with("shed-1", people=[("Ash", "print://")]),
                  journal_type=Breaking)  # fmt: skip
    batch = started(bench)
    bench.steady("shed-1", NIGHT_S + 2.0, NIGHT_S + 2 * MINUTE_S, good_c)
    bench.until(bench.now_s + COMMIT_EVERY_S)
    before = len(kept(bench))
    Breaking.full = True
    try:
        at_s = bench.now_s
        for i in range(40):
            bench.line(at_s + 5.0 * i, pack("shed-1", 97.0 + i % 3 / 10, at_s + 5.0 * i), ack=True)
        assert bench.acked == [] and len(kept(bench)) == before
        assert "full" in bench.watch.trouble["journal"]
        assert bench.watch.minders[batch.name].alarms["too_hot"].stands
        assert ("too_hot", "raised") not in bench.alarms()
    finally:
        Breaking.full = False
    bench.until(bench.now_s + MINUTE_S)
    assert "journal" not in bench.watch.trouble
    assert len(bench.acked) == 40 and len(kept(bench)) == before + 40
    assert ("too_hot", "raised") in bench.alarms()
    assert [one.about for one in bench.desk.messages() if "too_hot" in one.about]
    assert bench.replayed(batch) == bench.events("shed-1")
    bench.close()


def test_what_waits_for_the_disk_has_a_bound(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The oldest readings are given up and counted; the newest are kept when the disk is well again."""
    monkeypatch.setattr("monitor.watch.MOST_PENDING", 10)
    bench = Bench(tmp_path, NIGHT_S, settings_with("shed-1"), journal_type=Breaking)
    monkeypatch.setattr(Breaking, "full", True)
    for i in range(25):
        bench.line(NIGHT_S + 5.0 * (i + 1), pack("shed-1", 50.0 + i, NIGHT_S + 5.0 * i))
    monkeypatch.setattr(Breaking, "full", False)
    bench.until(bench.now_s + MINUTE_S)
    assert [one.temperature_c for one in kept(bench)][-10:] == [65.0 + i for i in range(10)]
    counted = bench.desk.counters()[("journal", "not_kept")]
    assert counted == 25 - len(kept(bench)) > 0
    bench.close()


class Node:
    """A node behind a broker, on a bench whose disk can refuse: what the session brings, and what is overheard."""

    def __init__(self, bench: Bench) -> None:
        self.bench, self.acked = bench, list[int]()

    def sends(self, number: int, data: bytes, *, overheard: bool = False, **more: Any) -> None:
        origin, at_s = Origin("mqtt", "wire"), self.bench.clock.now()
        if overheard:
            line = Line(at_s, data, origin, overheard=True)
        else:
            line = Line(at_s, data, origin, ack=lambda: self.acked.append(number), delivery=f"{number}:aa", **more)
        self.bench.watch.deliver(line)
        self.bench._turn()


def on_a_full_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, most_pending: int) -> Bench:
    monkeypatch.setattr("monitor.watch.MOST_PENDING", most_pending)
    bench = Bench(tmp_path, NIGHT_S, settings_with("shed-1"), journal_type=Breaking, sources=[StillSource("wire")])
    monkeypatch.setattr(Breaking, "full", True)
    return bench


@pytest.mark.parametrize("timed", [True, False])
def test_what_is_acknowledged_has_been_kept_however_long_the_disk_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *, timed: bool
) -> None:
    """Memory is full: the broker's window is not given up, and what was overheard counts when the session brings it."""
    bench = on_a_full_disk(tmp_path, monkeypatch, 10)
    node = Node(bench)

    def data(number: int) -> bytes:
        return pack("shed-1", 50.0 + number, NIGHT_S + 5.0 * number if timed else None)

    for number in range(20):
        bench.until(NIGHT_S + 5.0 * (number + 1))
        node.sends(number, data(number))
    for number in range(20, 40):
        bench.until(NIGHT_S + 5.0 * (number + 1))
        node.sends(number, data(number), overheard=True)
    assert len(bench.watch._pending.readings) <= 2 and node.acked == []
    monkeypatch.setattr(Breaking, "full", False)
    bench.until(bench.now_s + MINUTE_S)
    for number in range(20, 40):
        node.sends(number, data(number))
    bench.until(bench.now_s + MINUTE_S)
    assert sorted(node.acked) == list(range(40))
    assert Counter(one.temperature_c for one in kept(bench)) == Counter(50.0 + number for number in range(40))
    arrivals = [one.arrival_s for one in kept(bench)]
    assert arrivals == sorted(arrivals)
    bench.close()


def test_what_was_overheard_and_then_brought_is_promised(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The session's message waits to be acknowledged for readings that came by the ear: they are not given up."""
    bench = on_a_full_disk(tmp_path, monkeypatch, 10)
    node = Node(bench)

    def data(number: int) -> bytes:
        return pack("shed-1", 50.0 + number, None)

    for number in range(4):
        bench.until(NIGHT_S + 5.0 * (number + 1))
        node.sends(number, data(number), overheard=True)
    for number in range(2):
        node.sends(number, data(number))
    for number in range(4, 30):
        bench.until(NIGHT_S + 5.0 * (number + 1))
        node.sends(number, data(number), overheard=True)
    monkeypatch.setattr(Breaking, "full", False)
    bench.until(bench.now_s + MINUTE_S)
    assert sorted(node.acked) == [0, 1]
    assert [one.temperature_c for one in kept(bench)][:2] == [50.0, 51.0] and 2 < len(kept(bench)) < 30
    for number in range(2, 30):
        node.sends(number, data(number))
    bench.until(bench.now_s + MINUTE_S)
    assert Counter(one.temperature_c for one in kept(bench)) == Counter(50.0 + number for number in range(30))
    bench.close()


def test_an_overheard_line_is_given_up_as_a_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of a pack of several readings without times the rest would be kept twice when the session brings it."""
    bench = on_a_full_disk(tmp_path, monkeypatch, 9)
    node = Node(bench)

    def data(number: int) -> bytes:
        names = "core", "wall"
        records = [{"n": f"shed-1/{name}", "u": "Cel", "v": 50.0 + number} for name in names]
        return json.dumps(records).encode()

    for number in range(8):
        bench.until(NIGHT_S + 5.0 * (number + 1))
        node.sends(number, data(number), overheard=True)
    bench.until(bench.now_s + 10.0)
    assert bench.watch._pending.count() == 8
    monkeypatch.setattr(Breaking, "full", False)
    bench.until(bench.now_s + MINUTE_S)
    for number in range(8):
        node.sends(number, data(number))
    bench.until(bench.now_s + MINUTE_S)
    assert Counter(one.temperature_c for one in kept(bench)) == {50.0 + number: 2 for number in range(8)}
    bench.close()


def test_a_broker_that_is_lost_again_and_again_does_not_fill_the_memory(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While the disk refuses each new connection brings what waits once more; and a broker that forgets brings more."""
    bench = on_a_full_disk(tmp_path, monkeypatch, 30)
    monkeypatch.setattr("monitor.watch._MOST_ACKS", 30)
    monkeypatch.setattr("monitor.watch._MOST_PROMISED", 25)
    node = Node(bench)
    for connection in range(20):
        for number in range(5):
            bench.until(bench.now_s + 1.0)
            node.sends(number, pack("shed-1", 50.0 + number, NIGHT_S + number), duplicate=connection > 0)
        bench.until(bench.now_s + 5.0)
    assert len(bench.watch._pending.promised) <= 10 and len(bench.watch._pending.acks) <= 35
    for number in range(100, 130):
        bench.until(bench.now_s + 1.0)
        node.sends(number, pack("shed-1", 60.0, NIGHT_S + number))
    bench.until(bench.now_s + 5.0)
    assert bench.watch._pending.count() == 25
    bench.close()


def test_steady_readings_are_kept_after_a_queue_that_was_full(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Three hundred like ones were overheard, a hundred of them come; those that are sent from then on count."""
    bench = Bench(tmp_path, NIGHT_S, settings_with("shed-1"), journal_type=Breaking, sources=[StillSource("wire")])
    node, data = Node(bench), pack("shed-1", 21.5)
    monkeypatch.setattr(Breaking, "full", True)
    for number in range(300):
        bench.until(NIGHT_S + 10.0 * (number + 1))
        node.sends(number, data, overheard=True)
    monkeypatch.setattr(Breaking, "full", False)
    bench.until(bench.now_s + 10.0)
    for number in range(100):
        node.sends(number, data)
    bench.until(bench.now_s + MINUTE_S)
    assert len(kept(bench)) == 300 and len(node.acked) == 100
    for number in range(100, 130):
        bench.until(bench.now_s + 10.0)
        node.sends(number, data, caught_up=True)
    bench.until(bench.now_s + MINUTE_S)
    assert len(kept(bench)) == 330 and len(node.acked) == 130
    bench.close()


def test_a_disk_that_was_unplugged_is_caught_up_with(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What was opened on it stays dead, and the file is well: within a minute after it is back all is in it."""
    bench = Bench(tmp_path, NIGHT_S, settings_with("shed-1", people=[("Ash", "print://")]), minds_itself=True)
    monkeypatch.setattr("monitor.journal.store.time.monotonic", lambda: bench.now_s)
    bench.watch.journal._look_at = bench.now_s + MINUTE_S
    path = bench.journal.path
    for i in range(10):
        bench.line(NIGHT_S + 5.0 * i + 5.0, pack("shed-1", 50.0, NIGHT_S + 5.0 * i))
    pull(path)
    plug_in_again(path)
    refused = []
    for i in range(10, 20):
        bench.line(NIGHT_S + 5.0 * i + 5.0, pack("shed-1", 50.0, NIGHT_S + 5.0 * i))
        refused.append("journal" in bench.watch.trouble)
    assert any(refused)
    for i in range(20, 40):
        bench.line(NIGHT_S + 5.0 * i + 5.0, pack("shed-1", 50.0, NIGHT_S + 5.0 * i))
    assert "journal" not in bench.watch.trouble and not bench.watch._disk_refuses
    bench.until(bench.now_s + COMMIT_EVERY_S)
    with Journal(path, read_only=True) as there:
        assert len(list(there.readings())) == 40
    bench.close()


def test_what_would_be_written_beneath_another_disk_is_not_acknowledged(tmp_path: Path) -> None:
    """A disk is mounted over the journal: what comes then is in memory, and in the journal once that is back."""
    bench = Bench(tmp_path / "disk", NIGHT_S, settings_with("shed-1"), sources=[StillSource("wire")])
    node, sent = Node(bench), iter(range(1000))

    def send(seconds: float) -> None:
        for _ in range(int(seconds / 5.0)):
            bench.until(bench.now_s + 5.0)
            node.sends(number := next(sent), pack("shed-1", 50.0, NIGHT_S + number))

    send(30.0)
    bench.until(bench.now_s + COMMIT_EVERY_S)
    before = list(node.acked)
    assert before == list(range(6)) and "journal" not in bench.watch.trouble
    beneath = bench.folder.rename(tmp_path / "beneath")
    with Journal(bench.folder / "journal.sqlite") as other:
        other.claim_watch()
    send(180.0)
    assert node.acked == before and "another journal" in bench.watch.trouble["journal"]
    with Journal(beneath / "journal.sqlite", read_only=True) as hidden:
        assert len(list(hidden.readings())) == 6
    shutil.rmtree(bench.folder)
    beneath.rename(bench.folder)
    send(60.0)
    bench.until(bench.now_s + COMMIT_EVERY_S)
    assert sorted(node.acked) == list(range(54)) and len(kept(bench)) == 54
    assert "journal" not in bench.watch.trouble
    bench.close()


def test_an_events_file_on_a_full_disk_stops_nothing(bench: Bench) -> None:
    """The watch goes on, and writes what is missing when there is room again."""
    started(bench)
    assert bench.watch._events is not None
    bench.watch._events.path = Path("/dev/full")
    bench.steady("shed-1", NIGHT_S + 2.0, NIGHT_S + 12 * MINUTE_S, good_c)
    assert "room" in bench.watch.trouble["events"]
    assert bench.desk.events()
    bench.watch._events.path = bench.events_file
    bench.steady("shed-1", NIGHT_S + 12 * MINUTE_S, NIGHT_S + 22 * MINUTE_S, good_c)
    assert "events" not in bench.watch.trouble
    assert len(bench.events()) == len(bench.desk.events()) >= 2


def test_a_reading_that_comes_twice_is_kept_and_judged_once(bench: Bench) -> None:
    """Sent again by a broker, or with another value for the same moment: the first stands, believed."""
    batch = started(bench)
    bench.steady("shed-1", NIGHT_S + 2.0, NIGHT_S + 2 * MINUTE_S, good_c)
    bench.line(bench.now_s + 1.0, pack("shed-1", good_c(NIGHT_S + 62.0), NIGHT_S + 62.0))
    bench.line(bench.now_s + 1.0, pack("shed-1", good_c(NIGHT_S + 62.0) + 1.0, NIGHT_S + 62.0))
    bench.until(NIGHT_S + 3 * MINUTE_S + 1.0)
    rows = [one for one in bench.desk.kept_readings() if one.reading.time_s == NIGHT_S + 62.0]
    assert [(one.reading.temperature_c, one.reason) for one in rows] == [(good_c(NIGHT_S + 62.0), None)]
    assert bench.watch.minders[batch.name].latest_c()["core"][1] == pytest.approx(good_c(NIGHT_S + 102.0), abs=0.01)


def test_a_message_that_the_broker_sends_again_after_a_kill_is_kept_once(bench: Bench) -> None:
    """Without a time of its own it would pass for a later reading; the broker's mark and number tell. It is given back
    to the broker all the same, once it is on the disk."""

    def hear(celsius: float, delivery: str, duplicate: bool) -> None:
        bench.watch.deliver(
            Line(
                bench.clock.now(), pack("shed-1", celsius), Origin("mqtt", "wire"), False, duplicate,
                lambda: bench.acked.append(delivery.encode()), delivery,
            )
        )  # fmt: skip

    bench.sources = [StillSource("wire")]
    bench.kill()
    bench.start()
    for number in range(3):
        hear(50.0 + number, f"{number}:aa", False)
    bench.until(bench.now_s + COMMIT_EVERY_S + 1.0)
    assert [one.temperature_c for one in kept(bench)] == [50.0, 51.0, 52.0]
    bench.kill()
    bench.now_s += 5.0
    bench.start()
    bench.acked.clear()
    hear(51.0, "1:aa", True)
    hear(52.0, "2:aa", True)
    hear(53.0, "3:aa", True)  # sent before the kill and never committed
    hear(50.0, "0:aa", False)  # a new session's message with an old number
    hear(50.0, "0:aa", True)  # and that one again, before its commit
    bench.until(bench.now_s + COMMIT_EVERY_S + 1.0)
    assert [one.temperature_c for one in kept(bench)] == [50.0, 51.0, 52.0, 53.0, 50.0]
    assert sorted(bench.acked) == [b"0:aa", b"0:aa", b"1:aa", b"2:aa", b"3:aa"]


def test_readings_without_a_time_that_arrive_at_once_are_all_kept(bench: Bench) -> None:
    """A backlog comes in a burst: each counts a millisecond after the one before, and before the tick or after it as
    the lines of a recording would."""
    at_s = bench.watch._next_tick_s - 0.002
    bench.until(at_s)
    for number in range(6):
        bench.watch.deliver(Line(at_s, pack("shed-1", 50.0 + number), Origin("serial", "wire")))
    bench.until(at_s + COMMIT_EVERY_S + 2.0)
    found = kept(bench)
    assert [one.temperature_c for one in found] == [50.0 + number for number in range(6)]
    stamps = [one.arrival_s for one in found]
    assert stamps == sorted(set(stamps)) and stamps[-1] - stamps[0] < 0.3


def test_damaged_lines_are_counted_and_shown(bench: Bench) -> None:
    """They never become readings, and the totals outlive the watch."""
    for _ in range(3):
        bench.line(bench.now_s + 0.1, b'[{"n":"shed-1/core","u":"Cel","v":4')
    bench.until(NIGHT_S + 1.0)
    assert bench.desk.counters() == {("wire", "bad_json"): 3}
    assert kept(bench) == []


# ---- one order for everything ----------------------------------------------------------------------------------------


def test_a_line_that_was_held_up_counts_from_when_it_got_here(bench: Bench) -> None:
    """Stamped before a tick that is over, it is stamped with that tick: what was said stands."""
    bench.until(NIGHT_S + 5.0)
    bench.watch.deliver(Line(NIGHT_S - 3.0, pack("shed-1", 50.0), Origin("serial", "wire")))
    bench.until(NIGHT_S + 6.0 + COMMIT_EVERY_S)
    assert [one.arrival_s for one in kept(bench)] == [NIGHT_S]
    [line] = [one for one in read_recording(bench.record) if one.note is None]
    assert line.arrival_s == NIGHT_S


def test_arrivals_have_one_order_in_journal_and_recording(bench: Bench) -> None:
    """However the stamps of several sources cross on their way, what is kept never goes back in time."""
    for i, wobble in enumerate((0.0, -0.4, 0.2, -70.0, 0.1, -0.3)):
        bench.now_s += 20.0
        data = pack("shed-1", 50.0 + i, bench.now_s)
        bench.watch.deliver(Line(bench.now_s + wobble, data, Origin("serial", f"wire {i % 2}")))
        bench.until(bench.now_s)
    bench.until(bench.now_s + 5.0)
    arrivals = [one.arrival_s for one in kept(bench)]
    assert len(arrivals) == 6 and arrivals == sorted(arrivals)
    recording = read_recording(bench.record)
    stamps = [one.arrival_s for one in recording if one.note is None]
    assert stamps == arrivals and recording.faults == {}


def test_a_flood_does_not_hold_up_a_tick(bench: Bench) -> None:
    """Twenty thousand lines wait when the minute is full: the tick comes within the next round all the same."""
    bench.until(NIGHT_S + 5.0)
    for i in range(20_000):
        bench.watch.deliver(Line(NIGHT_S + 6.0 + i / 1000, b"garbage", Origin("serial", "wire")))
    bench.now_s = NIGHT_S + MINUTE_S + TICK_GRACE_S
    bench.watch.step()
    assert bench.desk.fact("last_tick_s") == NIGHT_S + MINUTE_S
    bench._turn()
    bench.until(NIGHT_S + 2 * MINUTE_S + 1.0)
    assert bench.desk.counters() == {("wire", "bad_json"): 20_000}, "and no line of it is lost"


def test_ticks_that_are_late_are_made_up_for_each_in_its_turn(bench: Bench) -> None:
    """The worker was held up for five minutes (a slow disk): readings, entries and ticks keep their order."""
    batch = started(bench)
    bench.steady("shed-1", NIGHT_S + 2.0, NIGHT_S + MINUTE_S, good_c)
    for i in range(15):
        at_s = NIGHT_S + MINUTE_S + 20.0 * i + 1.0
        bench.watch.deliver(Line(at_s, pack("shed-1", good_c(at_s), at_s), Origin("serial", "wire")))
    bench.mark(batch, entry("covered", NIGHT_S + 200.0))
    ticks: list[tuple[float, bool]] = []
    bench.watch._on_tick = lambda watch, tick_s: ticks.append(
        (tick_s, any(one.kind == "covered" for one in watch.minders[batch.name].log()))
    )
    bench.now_s = NIGHT_S + 6 * MINUTE_S + 5.0
    bench._turn()
    assert ticks == [(NIGHT_S + TICK_S * n, n >= 4) for n in range(1, 7)], "an entry counts from when it was noted"
    bench.until(NIGHT_S + 6 * MINUTE_S + 10.0)
    assert bench.replayed(batch) == bench.events("shed-1")


# ---- what people enter -----------------------------------------------------------------------------------------------


def test_a_batch_started_while_watch_runs_knows_what_was_heard_before(bench: Bench) -> None:
    """Also the readings of the last seconds, which are not in the journal yet."""
    at_s = bench.now_s
    for i in range(4):
        bench.line(at_s + 2.0 * i, pack("shed-1", 5.0 + i, at_s + 2.0 * i))
    assert len(kept(bench)) < 4, "the newest must still wait for its commit, else this shows nothing"
    batch = batch_in("shed-1", bench.now_s, noted_at_s=bench.now_s)
    bench.begin(batch)
    bench.until(NIGHT_S + 1.0)
    assert bench.watch.minders[batch.name].latest_c()["core"] == (at_s + 6.0, 8.0)


def test_an_entry_noted_before_the_last_tick_counts_from_now(bench: Bench) -> None:
    """The journal learns the later time, so that a restart and a replay judge as the watch did."""
    batch = started(bench)
    bench.steady("shed-1", NIGHT_S + 2.0, NIGHT_S + 5 * MINUTE_S, good_c)
    bench.until(NIGHT_S + 5 * MINUTE_S + 10.0)
    late = bench.mark(batch, entry("covered", NIGHT_S + MINUTE_S, NIGHT_S + 2 * MINUTE_S))
    bench.until(NIGHT_S + 5 * MINUTE_S + 12.0)
    [there] = [one for one in bench.desk.entries(batch.name) if one.entry_id == late.entry_id]
    assert there.at_s == NIGHT_S + MINUTE_S
    assert NIGHT_S + 5 * MINUTE_S + 10.0 <= there.noted_at_s <= NIGHT_S + 5 * MINUTE_S + 12.0
    prompt = bench.mark(batch, entry("lid-on", bench.now_s))
    bench.until(NIGHT_S + 6 * MINUTE_S + 1.0)
    [there] = [one for one in bench.desk.entries(batch.name) if one.entry_id == prompt.entry_id]
    assert there.noted_at_s == prompt.noted_at_s, "what comes in time keeps its time"


def test_an_entry_taken_back_is_as_if_never_noted(bench: Bench) -> None:
    """Also when it is taken back before the watch has looked."""
    batch = started(bench)
    minder = bench.watch.minders[batch.name]
    wrong = bench.mark(batch, entry("water-added", bench.now_s, kg=16.0))
    bench.until(bench.now_s + 2.0)
    assert minder.course().over
    bench.desk.undo_entry(wrong.entry_id, bench.now_s)
    bench.until(bench.now_s + 2.0)
    assert not minder.course().over
    wrong = bench.mark(batch, entry("diluted", bench.now_s))
    bench.desk.undo_entry(wrong.entry_id, bench.now_s)
    bench.until(bench.now_s + 2.0)
    assert [one.kind for one in minder.log()] == ["poured", "blended"]


def test_what_somebody_did_about_an_alarm_is_replayed_too(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """A broken emulsion stays an alarm until it has been seen; that it was seen stands in the recording."""
    judge = verdict.judge

    def split(evidence: verdict.Evidence) -> list[Condition]:
        over = evidence.now_s > NIGHT_S + 10 * MINUTE_S
        conditions = [one for one in judge(evidence) if one.kind != "separated"]
        return [*conditions, Condition("separated", not over, over, 0.1 if over else 0.9, facts={})]

    monkeypatch.setattr(verdict, "judge", split)
    batch = started(bench)
    bench.steady("shed-1", NIGHT_S + 2.0, NIGHT_S + 90 * MINUTE_S, good_c, every_s=30.0)
    assert ("separated", "cleared") not in bench.alarms(), "it stays until somebody has seen it"
    [alarm] = [one for one in bench.desk.alarms(standing_only=True) if one.kind == "separated"]
    bench.until(NIGHT_S + 90 * MINUTE_S + 10.0)
    bench.act(batch, alarm.alarm_id, "acknowledged")
    bench.steady("shed-1", NIGHT_S + 90 * MINUTE_S + 30.0, NIGHT_S + 95 * MINUTE_S, good_c)
    assert ("separated", "cleared") in bench.alarms()
    assert bench.replayed(batch) == bench.events("shed-1")


def test_a_batch_that_is_ended_has_its_verdict_and_no_alarm_left(bench: Bench) -> None:
    """Its bucket is free for the next batch, which begins with nothing of the last one."""
    batch = started(bench)
    bench.steady("shed-1", NIGHT_S + 2.0, NIGHT_S + 4 * MINUTE_S, lambda at_s: 97.0)
    bench.until(NIGHT_S + 4 * MINUTE_S + 10.0)
    assert bench.desk.alarms(standing_only=True)
    bench.desk.end_batch(batch.name, bench.now_s, bench.now_s, "discarded")
    bench.until(bench.now_s + 3.0)
    assert bench.desk.alarms(standing_only=True) == []
    assert json.loads(bench.events("shed-1", verdict=True)[-1])["event"] == "verdict"
    assert bench.replayed(batch, verdict=True) == bench.events("shed-1", verdict=True)
    following = batch_in("shed-1", bench.now_s, noted_at_s=bench.now_s)
    following = Batch("The next", "shed-1", bench.now_s, following.recipe, following.vessel, noted_at_s=bench.now_s)
    bench.begin(following)
    bench.until(bench.now_s + 3 * MINUTE_S)
    assert set(bench.watch.minders) == {"The next"}


def test_a_batch_that_was_ended_while_nobody_watched_has_its_verdict_too(bench: Bench) -> None:
    """Once, however often watch is started afterwards."""
    batch = started(bench)
    bench.steady("shed-1", NIGHT_S + 2.0, NIGHT_S + 4 * MINUTE_S, lambda at_s: 97.0)
    bench.stop()
    bench.desk.end_batch(batch.name, bench.now_s + 5.0, bench.now_s + 5.0, "held")
    for _ in range(2):
        bench.now_s += 30.0
        bench.start()
        bench.until(bench.now_s + 90.0)
        bench.stop()
    said = [json.loads(one)["event"] for one in bench.events("shed-1", verdict=True)]
    assert said.count("verdict") == 1
    assert bench.desk.alarms(standing_only=True) == []


# ---- restarts --------------------------------------------------------------------------------------------------------


def told_state(minder: Minder) -> tuple[Any, ...]:
    """All of a minder that shows: estimate, alarms, their words, the log, the newest values."""
    return minder.estimate, minder.alarms, minder.told(), minder.log(), minder.latest_c(), minder.trend()


def test_a_watch_that_goes_on_after_kill_9_stands_where_it_was(tmp_path: Path) -> None:
    """State and events are those of a watch that was never killed, acknowledged alarm included."""
    results = []
    for name, restarts in (("through", False), ("killed", True)):
        folder = tmp_path / name
        folder.mkdir()
        bench = Bench(folder, NIGHT_S - 10.0, settings_with("shed-1", people=[("Ash", "print://")]))
        batch = started(bench)
        bench.steady("shed-1", NIGHT_S + 2.0, NIGHT_S + 3 * MINUTE_S, good_c)
        bench.steady("shed-1", NIGHT_S + 3 * MINUTE_S, NIGHT_S + 6 * MINUTE_S, lambda at_s: 96.0 + at_s % 7 / 10)
        bench.until(NIGHT_S + 6 * MINUTE_S + 20.0)
        if restarts:
            bench.kill()
            bench.start()
        [alarm] = [one for one in bench.desk.alarms(standing_only=True) if one.kind == "too_hot"]
        bench.act(batch, alarm.alarm_id, "acknowledged")
        bench.until(NIGHT_S + 6 * MINUTE_S + 30.0)
        if restarts:
            bench.kill()
            bench.start()
        from_s = NIGHT_S + 6 * MINUTE_S + 30.0
        bench.steady("shed-1", from_s, NIGHT_S + 12 * MINUTE_S, lambda at_s: 96.0 + at_s % 7 / 10)
        bench.until(NIGHT_S + 12 * MINUTE_S + 1.0)
        told = [(one.about, one.what, one.person) for one in bench.desk.messages()]
        assert len(told) == len(set(told)) >= 1
        results.append((told_state(bench.watch.minders[batch.name]), bench.events(), told))
        bench.close()
    assert results[0][0][1]["too_hot"].state == "acknowledged"
    assert results[1] == results[0]


def test_an_entry_that_comes_while_its_batch_is_begun_counts_from_one_time(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """``start`` writes the batch and then the pour, and the watch looks in between: what it took in with the batch is
    not put off to the look after the next tick, or a restart would judge the ticks in between without it."""
    bench.until(NIGHT_S + 50.0)
    batch = batch_in("shed-1", NIGHT_S - 300.0, noted_at_s=NIGHT_S - 20.0)
    late = entry("covered", NIGHT_S - 30.0, NIGHT_S - 20.0)
    log_of = bench.journal.log

    def with_one_more(name: str) -> Any:
        monkeypatch.undo()
        bench.desk.add_entry(batch.name, late)
        return log_of(name)

    monkeypatch.setattr(bench.journal, "log", with_one_more)
    bench.desk.add_batch(batch)
    bench.until(NIGHT_S + 3 * MINUTE_S)
    [there] = bench.desk.entries(batch.name)
    begun_s = bench.desk.batch(batch.name).batch.known_from_s
    assert NIGHT_S + 49.0 <= begun_s <= NIGHT_S + 62.0
    assert [one.kind for one in bench.watch.minders[batch.name].log()] == ["covered"]
    assert there.noted_at_s <= begun_s
    before = told_state(bench.watch.minders[batch.name])
    bench.kill()
    bench.start()
    assert told_state(bench.watch.minders[batch.name]) == before


def test_what_was_noted_ahead_of_a_clock_that_lost_its_last_minute_counts_from_the_start(bench: Bench) -> None:
    """Power fails between a tick and the commit of the next, and the clock goes on at the last that was kept. Judged at
    once at this start and only in a minute at the next one, the same alarm would be raised twice at two times."""
    batch = started(bench)
    bench.until(NIGHT_S + 2 * MINUTE_S + 5.0)
    bench.kill()
    at_s = bench.now_s
    ahead = bench.mark(batch, entry("covered", at_s, at_s + 90.0))
    undone = bench.mark(batch, entry("lid-on", at_s, at_s))
    bench.desk.undo_entry(undone.entry_id, at_s + 90.0)
    bench.start()
    there = {one.entry_id: one.noted_at_s for one in bench.desk.entries(batch.name)}
    assert at_s <= there[ahead.entry_id] <= bench.now_s
    [logged] = [one for one in bench.desk.log(batch.name) if one.entry.entry_id == undone.entry_id]
    assert logged.undone_at_s is not None and at_s <= logged.undone_at_s <= bench.now_s
    bench.until(NIGHT_S + 5 * MINUTE_S)
    before = told_state(bench.watch.minders[batch.name])
    bench.kill()
    bench.start()
    assert told_state(bench.watch.minders[batch.name]) == before


def test_the_time_without_a_watch_is_no_silence_of_the_bucket(bench: Bench) -> None:
    """After a power cut of two hours nobody is woken because the shed has been silent for two hours; but a node that
    stays away from then on is missed as soon as at any other time."""
    batch = started(bench)
    bench.steady("shed-1", NIGHT_S + 2.0, NIGHT_S + 5 * MINUTE_S, good_c)
    bench.kill()
    bench.now_s += 2 * 3600.0
    bench.start()
    up_s = bench.now_s
    bench.until(up_s + 15 * MINUTE_S)
    assert bench.alarms() == []
    bench.until(up_s + 23 * MINUTE_S)
    assert bench.alarms() == [("silent", "raised")]
    bench.line(up_s + 25 * MINUTE_S, pack("shed-1", 60.0))  # a replay's ticks end with the last arrival
    bench.stop()
    assert bench.replayed(batch) == bench.events("shed-1")


def test_events_that_were_kept_and_not_written_are_written_at_the_next_start(bench: Bench) -> None:
    """A kill -9 between the commit and the line in the events file leaves no hole in it, and doubles nothing."""
    started(bench)
    bench.steady("shed-1", NIGHT_S + 2.0, NIGHT_S + 22 * MINUTE_S, good_c)
    written = bench.events_file.read_text()
    assert len(written.splitlines()) >= 2
    bench.kill()
    bench.events_file.write_text("".join(written.splitlines(keepends=True)[:-1]))
    bench.start()
    assert bench.events_file.read_text() == written
    bench.kill()
    bench.start()
    assert bench.events_file.read_text() == written


# ---- several buckets -------------------------------------------------------------------------------------------------


def test_two_buckets_do_not_disturb_each_other(tmp_path: Path) -> None:
    """The events of one are the same bytes whether another one, with alarms of its own, is minded beside it or not."""
    said = []
    for name, others in (("alone", False), ("beside", True)):
        folder = tmp_path / name
        folder.mkdir()
        bench = Bench(folder, NIGHT_S - 10.0, settings_with("shed-1", "shed-2"))
        started(bench)
        if others:
            started(bench, "shed-2")
        at_s = NIGHT_S + 2.0
        while at_s < NIGHT_S + 25 * MINUTE_S:
            bench.line(at_s, pack("shed-1", good_c(at_s), at_s))
            if others:
                bench.line(at_s + 0.1, pack("shed-2", "open", at_s + 0.1))
            at_s += 20.0
        bench.close()
        said.append(bench.events("shed-1"))
        if others:
            assert ("sensor_fault", "raised") in bench.alarms("shed-2")
    assert len(said[0]) >= 2
    assert said[1] == said[0]


def test_buckets_that_go_on_together_stand_where_each_would(tmp_path: Path) -> None:
    """At a start all are folded in one walk through the readings; each takes its own, from its own beginning on."""
    results = []
    for name, restarts in (("through", False), ("killed", True)):
        folder = tmp_path / name
        folder.mkdir()
        bench = Bench(folder, NIGHT_S - 10.0, settings_with("shed-1", "shed-2", "shed-3"))
        started(bench)
        bench.steady("shed-1", NIGHT_S + 2.0, NIGHT_S + 5 * MINUTE_S, good_c)
        started(bench, "shed-2")
        for minutes in (5, 16):
            if restarts and minutes > 5:
                bench.kill()
                bench.start()
                assert len(bench.watch.minders) == 2
            for number in range(33):
                at_s = NIGHT_S + minutes * MINUTE_S + 10.0 + 20.0 * number
                bench.line(at_s, pack("shed-1", good_c(at_s), at_s))
                bench.line(at_s + 0.1, pack("shed-2", good_c(at_s) - 9.0, at_s + 0.1))
                bench.line(at_s + 0.2, pack("shed-3", 15.0, at_s + 0.2))
            bench.until(NIGHT_S + (minutes + 11) * MINUTE_S + 5.0)
        states = {one.batch.bucket: told_state(one) for one in bench.watch.minders.values()}
        results.append((states, bench.events()))
        bench.close()
    assert sorted(results[0][0]) == ["shed-1", "shed-2"] and results[0][1]
    assert results[1] == results[0]


def test_all_buckets_are_folded_in_one_walk_through_the_readings(bench: Bench) -> None:
    """One walk for each would be a thousand walks through the readings of a thousand."""
    started(bench)
    started(bench, "shed-2")
    bench.steady("shed-1", NIGHT_S + 2.0, NIGHT_S + 2 * MINUTE_S, good_c)
    bench.until(NIGHT_S + 3 * MINUTE_S)
    bench.kill()
    asked: list[str] = []

    class Listening(Journal):
        def _rows(self, sql: str, values: Any = ()) -> list[Any]:
            asked.append(sql)
            return super()._rows(sql, values)

    bench.journal_type = Listening
    bench.start()
    assert len(bench.watch.minders) == 2
    assert sum("FROM readings r" in sql for sql in asked) == 1


class _Killed(BaseException):
    """Nothing in the program catches it."""


@pytest.mark.parametrize("killed", [False, True])
def test_an_alarm_is_told_before_the_last_bucket_is_judged(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, killed: bool
) -> None:
    """Of many buckets the one that is about to be too hot is judged first, and its alarm is in the outbox before the
    others are. A kill between them changes no event of any bucket: they have this tick at the restart."""

    def night(folder: Path, *, kill: bool) -> Bench:
        folder.mkdir()
        bench = Bench(folder, NIGHT_S - 10.0, settings_with("shed-1", "shed-2", "shed-3", people=[("Ash", "print://")]))
        for bucket in ("shed-1", "shed-2", "shed-3"):
            started(bench, bucket)
        judged: list[str] = []
        judge = type(bench.watch)._tick_minder

        def see(watch: Any, minder: Minder, tick_s: float, events: list[Any]) -> None:
            nonlocal kill
            told = [one for one in bench.desk.messages() if "/too_hot/" in one.about]
            judged.append(f"{minder.batch.bucket} {len(told)}")
            if kill and told and minder.batch.bucket != "shed-3":
                kill = False
                raise _Killed
            judge(watch, minder, tick_s, events)

        with monkeypatch.context() as patch:
            patch.setattr("monitor.watch.EARLY_AFTER_S", 0.0)
            patch.setattr("monitor.watch.Watch._tick_minder", see)
            at_s = NIGHT_S + 2.0
            while at_s < NIGHT_S + 5 * MINUTE_S:
                try:
                    bench.until(at_s)
                except _Killed:
                    bench.kill()
                    bench.start()
                for place, bucket in enumerate(("shed-1", "shed-2", "shed-3")):
                    hot = bucket == "shed-3"
                    bench.line(at_s + place / 10, pack(bucket, 97.0 + at_s % 3 if hot else good_c(at_s), at_s))
                at_s += 20.0
        assert ("shed-3 0", "shed-1 1") in pairwise(judged), judged
        return bench

    calm, other = night(tmp_path / "calm", kill=False), night(tmp_path / "other", kill=killed)
    for bench in (calm, other):
        assert [state for kind, state in bench.alarms("shed-3") if kind == "too_hot"] == ["raised"]
    for bucket in ("shed-1", "shed-2", "shed-3"):
        assert other.events(bucket) == calm.events(bucket)
    calm.close()
    other.close()


def test_a_fault_of_ours_in_one_bucket_leaves_the_others_minded(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Judging that raises is said once and tried again; the other bucket has its alarm."""
    started(bench)
    started(bench, "shed-2")
    judge = verdict.judge

    def breaks(evidence: verdict.Evidence) -> Any:
        if evidence.batch.bucket == "shed-1":
            raise ZeroDivisionError("a fault of ours")
        return judge(evidence)

    monkeypatch.setattr(verdict, "judge", breaks)
    for i in range(20):
        at_s = NIGHT_S + 5.0 + 20.0 * i
        bench.line(at_s, pack("shed-1", 97.0, at_s))
        bench.line(at_s + 0.1, pack("shed-2", 97.0, at_s))
    assert bench.alarms() == [("too_hot", "raised")]
    assert "a fault of ours" in bench.watch.trouble["judging shed-1"]
    assert len([words for words in bench.said if "judging shed-1" in words]) == 1
    monkeypatch.setattr(verdict, "judge", judge)
    bench.until(bench.now_s + 2 * MINUTE_S)
    assert "judging shed-1" not in bench.watch.trouble


def test_buckets_that_fall_silent_with_their_source_make_one_message(tmp_path: Path) -> None:
    """A dead link to three buckets is one trouble: one message that names all three."""
    names = ("shed-1", "shed-2", "shed-3")
    bench = Bench(tmp_path, NIGHT_S - 10.0, settings_with(*names, people=[("Ash", "print://")]))
    for name in names:
        started(bench, name)
    for i in range(9):
        for j, name in enumerate(names):
            at_s = NIGHT_S + 5.0 + 20.0 * i + j / 10
            bench.line(at_s, pack(name, good_c(at_s), at_s), Origin("serial", "cable"))
    bench.until(NIGHT_S + 9 * MINUTE_S)
    assert sorted(bench.alarms()) == [("silent", "raised")] * 3
    firsts = [one for one in bench.desk.messages() if one.what.startswith("first")]
    assert len(firsts) == 1, [one.about for one in firsts]
    assert all(name in firsts[0].title + firsts[0].body for name in names)
    bench.close()


# ---- with all its threads --------------------------------------------------------------------------------------------


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    """The phone's service."""
    one = Receiver()
    yield one
    one.close()


@pytest.fixture
def run(tmp_path: Path) -> Iterator[Callable[..., Running]]:
    """Run the whole daemon in this process, in real time; it ends with the test."""
    ends: list[Callable[[], None]] = []

    def start(settings: Any, sources: Any = (), **more: Any) -> Running:
        journal = Journal(settings.journal_path)
        running = Running(settings, journal, ArrivalClock(), list(sources), serve_page=False, **more)
        stop = threading.Event()
        thread = threading.Thread(target=running.run, args=(stop,), daemon=True)
        thread.start()

        def end() -> None:
            stop.set()
            thread.join(10)
            running.close()
            journal.close()
            assert not thread.is_alive(), "the watch did not end within ten seconds"

        ends.append(end)
        return running

    yield start
    for end in ends:
        end()


def test_without_a_phone_the_watch_says_so_at_its_start(tmp_path: Path, run: Callable[..., Running]) -> None:
    """Before anything else, so that nobody goes to bed trusting it."""
    said: list[str] = []
    run(settings_with("shed-1", journal_path=tmp_path / "journal.sqlite"), say=said.append)
    wait_until(lambda: len(said) >= 2, what="the first words")
    assert "nobody" in said[0].lower() and "Minding" in said[-1]


def test_a_dead_route_does_not_delay_another(
    tmp_path: Path, run: Callable[..., Running], receiver: Receiver
) -> None:
    """One phone's service hangs: the other person is rung at once, and the first is tried again."""
    hangs, works = receiver.url("hang"), receiver.url("ok")
    settings = settings_with(
        "shed-1", people=[("Ash", hangs), ("Wren", works)], journal_path=tmp_path / "journal.sqlite"
    )
    running = run(settings, say=lambda words: None)
    now_s = running.clock.now()
    began = time.monotonic()
    running.journal.add_messages(
        Message("alarm", "first-1", person, label(route), "shed-1 is hot", "Look.", now_s, "now")
        for person, route in (("Ash", hangs), ("Wren", works))
    )
    wait_until(lambda: receiver.taken, 8, what="the phone that works")
    assert time.monotonic() - began < 5.0
    assert receiver.taken[0]["path"] == "/ok"


class Flood:
    """A source that delivers as fast as it can until it is stopped."""

    name = "flood"

    def __init__(self) -> None:
        self.sent = 0

    def run(self, deliver: Deliver, stop: threading.Event) -> None:
        while not stop.is_set():
            deliver(Line(time.time(), b"garbage", Origin("serial", self.name)))
            self.sent += 1
            if self.sent % 100 == 0:
                time.sleep(0.001)

    def health(self) -> SourceHealth:
        return SourceHealth("connected", "connected.", 0.0, self.sent, {}, None, 0.0)


def test_a_mark_is_taken_up_within_two_seconds_even_in_a_flood(
    tmp_path: Path, run: Callable[..., Running], capsys: pytest.CaptureFixture[str]
) -> None:
    """``emberpail start`` and ``mark`` reach a running watch at once, and the cautions stand beside the deed."""
    path = tmp_path / "emberpail.toml"
    path.write_text('[journal]\npath = "journal.sqlite"\n[[bucket]]\nname = "shed-1"\n')
    settings = load_settings(path)
    running = run(settings, [Flood(), StillSource()], say=lambda words: None)
    here = ["--settings", str(path)]
    assert main(["start", "Invented 1", "--bucket", "shed-1", "--oil", "rapeseed 3.3 kg", "--koh", "640g", *here]) == 0
    wait_until(lambda: "Invented 1" in running.watch.minders, 2.0, what="the batch to be minded")
    assert main(["mark", "shed-1", "blended", "--at", "1 min ago", *here]) == 0
    minder = running.watch.minders["Invented 1"]
    wait_until(lambda: [one.kind for one in minder.log()] == ["blended"], 2.0, what="the entry to be taken up")
    said = capsys.readouterr().out
    assert "visor" in said.lower()


def test_a_batch_begun_in_the_moment_in_which_the_watch_begins_is_minded_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is among the running ones already and then comes as news: its minder, with what it has found, stays."""
    bench = Bench(tmp_path, NIGHT_S - 10.0, settings_with("shed-1"))
    bench.stop()
    usual = Journal.last_change
    batch = batch_in("shed-1", NIGHT_S - 10.0, noted_at_s=NIGHT_S - 10.0)

    def just_before(journal: Journal) -> int:
        number = usual(journal)
        bench.begin(batch)  # by another process, between two looks of the watch
        return number

    monkeypatch.setattr(Journal, "last_change", just_before)
    bench.start()
    minder = bench.watch.minders[batch.name]
    bench.until(NIGHT_S + 3 * MINUTE_S)
    assert bench.watch.minders[batch.name] is minder
    record = bench.desk.batch(batch.name)
    assert record is not None and record.batch.noted_at_s == NIGHT_S - 10.0
    bench.close()


# ---- the way back after a restart ------------------------------------------------------------------------------------


def test_while_it_reads_back_what_was_kept_the_page_knows_that_it_runs(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever is told to start it would be refused; and on a long way it goes on saying so."""
    monkeypatch.setattr(watch_module, "_SAYS_SO_EVERY_S", 0.0)
    started(bench)
    bench.steady("shed-1", NIGHT_S, NIGHT_S + 600.0, good_c)
    bench.stop()
    began_s = bench.now_s = NIGHT_S + 1800.0
    said: list[tuple[str, ...]] = []
    plain = Minder.tick

    def slowly(self: Minder, tick_s: float) -> Any:
        bench.now_s += 60.0
        said.append(status_view(bench.desk, bench.settings, bench.now_s, with_curves=False).watch)
        return plain(self, tick_s)

    monkeypatch.setattr(Minder, "tick", slowly)
    bench.start()
    then = when(bench.settings.local_time(began_s), DAY_TIME)
    assert len(said) >= 9 and bench.now_s - began_s > 500.0
    for words in said:
        assert any("reads back" in one and then in one for one in words)
        assert not any("has not run" in one for one in words)
    before = bench.desk.fact(READS_BACK_KEY)
    monkeypatch.setattr(Minder, "tick", plain)
    bench.until(bench.now_s + 120.0)
    assert bench.desk.fact(READS_BACK_KEY) == before, "a tick as it comes is no way back"


def test_a_disk_that_refuses_to_have_it_said_keeps_it_from_nothing(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    started(bench)
    bench.steady("shed-1", NIGHT_S, NIGHT_S + 300.0, good_c)
    bench.stop()
    plain = Journal.set_fact

    def refuses(self: Journal, key: str, value: object) -> None:
        if key == READS_BACK_KEY:
            raise JournalError("Journal: the disk is full.", again=True)
        plain(self, key, value)

    monkeypatch.setattr(Journal, "set_fact", refuses)
    bench.start()
    assert "Invented shed-1" in bench.watch.minders


def test_what_was_read_round_a_whole_minute_is_kept_when_it_stops(bench: Bench) -> None:
    """It belongs behind a tick that does not come any more. A cable's lines come only once."""
    bench.line(NIGHT_S + 30.0, pack("shed-1", 50.0))
    bench.until(NIGHT_S + 59.9)
    for number, after_s in enumerate((60.02, 60.1, 60.15)):
        bench.now_s = NIGHT_S + after_s
        bench.watch.deliver(Line(bench.clock.now(), pack("shed-1", 60.0 + number), Origin("serial", "wire")))
    bench.stop()
    assert [reading.temperature_c for reading in bench.desk.readings()] == [50.0, 60.0, 61.0, 62.0]
