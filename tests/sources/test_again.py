"""What a broker sends again is known by its number and its bytes, over a restart of the watch too."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.clock import ArrivalClock
from monitor.domain import Reading
from monitor.journal.database import Journal
from monitor.running import Running
from monitor.sources.again import A_SHEET, KEPT, SHEETS, SentAgain
from monitor.sources.line import Line, Origin
from monitor.sources.mqtt import MqttSource
from tests.helpers_watch import Bench, StillSource, pack, settings_with

AT_S = 1773480000.0
UNTIMED = [Reading("shed-2", "core", AT_S, AT_S, 71.0)]
TIMED = [Reading("shed-2", "core", AT_S - 5.0, AT_S, 71.0)]


def line(number: int, *, duplicate: bool = True, source: str = "broker") -> Line:
    return Line(AT_S, b"[]", Origin("mqtt", source), duplicate=duplicate, delivery=f"{number}:0cdbb6c1")


def taken(count: int) -> SentAgain:
    again = SentAgain()
    for number in range(count):
        again.take(line(number, duplicate=False), UNTIMED)
    return again


def test_what_was_taken_is_known_when_it_is_marked_as_sent_again() -> None:
    """Without the mark it is another message under the same number; another source has numbers of its own."""
    again = taken(1)
    assert again.knows(line(0))
    assert not again.knows(line(0, duplicate=False))
    assert not again.knows(line(0, source="other")) and not again.knows(line(1))


def test_a_reading_with_a_time_of_its_own_needs_no_remembering() -> None:
    """The journal knows it by that time."""
    again = SentAgain()
    again.take(line(0), TIMED)
    assert not again.knows(line(0)) and not list(again.changes())


def test_at_least_so_many_are_known_and_no_more_than_the_sheets_hold() -> None:
    """Memory and journal are bounded."""
    again = taken(10 * KEPT)
    known = [number for number in range(10 * KEPT) if again.knows(line(number))]
    assert known[-1] == 10 * KEPT - 1
    assert KEPT - A_SHEET <= len(known) <= KEPT and known == list(range(known[0], 10 * KEPT))


def test_a_number_that_comes_again_within_the_ring_is_known_until_its_newest_sheet_goes() -> None:
    """The broker counts in a ring, and two packs may be alike."""
    again = SentAgain()
    for number in range(SHEETS * A_SHEET):
        again.take(line(number), UNTIMED)
    again.take(line(0), UNTIMED)  # on a sheet of its own; the oldest, with the same number, is gone
    assert again.knows(line(0)) and not again.knows(line(1))


def test_a_restart_goes_on_with_what_was_kept_and_a_commit_writes_one_sheet() -> None:
    """Each sheet takes the place of one that is no longer needed."""
    journal: dict[str, object] = {}
    again = SentAgain()
    for number in range(3 * KEPT + 7):
        again.take(line(number), UNTIMED)
        changes = dict(again.changes())
        assert len(changes) == 1
        journal |= json.loads(json.dumps(changes))
        again.kept()
    assert len(journal) == SHEETS and not list(again.changes())
    after = SentAgain()
    after.load(["broker", "cable"], journal.get)
    numbers = range(3 * KEPT + 7)
    assert [after.knows(line(n)) for n in numbers] == [again.knows(line(n)) for n in numbers]
    after.take(line(-1), UNTIMED)
    assert after.knows(line(-1)) and after.knows(line(3 * KEPT + 6))


def test_a_session_begun_anew_makes_its_numbers_mean_nothing_and_the_journal_learns_that() -> None:
    """Of the source that lost it, and of no other; what is taken after that is known again."""
    journal: dict[str, object] = {}
    again = taken(A_SHEET + 3)
    again.take(line(1, source="other"), UNTIMED)
    journal |= json.loads(json.dumps(dict(again.changes())))
    again.kept()
    again.forget("broker")
    again.forget("a source that has taken nothing")
    assert not any(again.knows(line(number)) for number in range(A_SHEET + 3)) and again.knows(line(1, source="other"))
    again.take(line(2), UNTIMED)
    journal |= json.loads(json.dumps(dict(again.changes())))
    after = SentAgain()
    after.load(["broker", "other"], journal.get)
    for one in (again, after):
        assert [number for number in range(A_SHEET + 3) if one.knows(line(number))] == [2]
        assert one.knows(line(1, source="other"))


class Hearing:
    """A bench whose node sends the same bytes again and again, by a broker that numbers them."""

    def __init__(self, folder: Path) -> None:
        self.bench = Bench(folder, settings=settings_with("shed-1"), sources=[StillSource("wire")])

    def hear(self, number: int, **how: bool) -> None:
        bench, origin = self.bench, Origin("mqtt", "wire", "emberpail/n1/readings")
        bench.watch.deliver(
            Line(bench.clock.now(), pack("shed-1", 21.5), origin, ack=lambda: bench.acked.append(b"%d" % number),
                 delivery=f"{number}:aa", **how)
        )  # fmt: skip
        bench.until(bench.now_s + 15.0)

    @property
    def kept(self) -> int:
        return len(list(self.bench.desk.readings()))


@pytest.fixture
def hearing(tmp_path: Path) -> Iterator[Hearing]:
    one = Hearing(tmp_path)
    yield one
    one.bench.close()


def test_after_a_lost_session_what_is_sent_again_under_an_old_number_is_kept(hearing: Hearing) -> None:
    """Numbers begin at 1 again, and a first try may have been lost on the way: nobody has it, so it is new."""
    for number in range(1, 6):
        hearing.hear(number)
    assert hearing.kept == 5
    for number in range(1, 6):
        hearing.hear(number, duplicate=True, new_session=number == 1)
    assert hearing.kept == 10 and len(hearing.bench.acked) == 10


def test_a_restart_within_the_session_still_knows_what_was_kept(hearing: Hearing) -> None:
    """Also when it is killed right after the session began: that the old numbers are forgotten is kept at once."""
    hearing.hear(1)
    hearing.hear(2)
    bench = hearing.bench
    bench.kill()
    bench.start()
    hearing.hear(2, duplicate=True)
    assert hearing.kept == 2 and len(bench.acked) == 3
    bench.watch.deliver(
        Line(bench.clock.now(), pack("shed-1", 21.5), Origin("mqtt", "wire", "t"), delivery="1:aa", new_session=True)
    )
    bench._turn()
    bench.kill()
    bench.now_s += 1.0
    bench.start()
    hearing.hear(2, duplicate=True)
    assert hearing.kept == 4


def test_a_session_that_is_lost_is_forgotten_before_anything_comes_by_the_new_one(hearing: Hearing) -> None:
    """A watch that ends in between leaves it forgotten; and the news is no line: neither recorded nor counted."""
    hearing.hear(1)
    hearing.hear(2)
    bench = hearing.bench
    lines, counted = bench.record.read_bytes().count(b"\t"), bench.watch._totals()
    bench.watch.deliver(Line(bench.clock.now(), b"", Origin("mqtt", "wire"), new_session=True))
    bench._turn()
    assert bench.record.read_bytes().count(b"\t") == lines and bench.watch._totals() == counted
    bench.kill()
    bench.now_s += 1.0
    bench.start()
    hearing.hear(2, duplicate=True)
    assert hearing.kept == 3 and len(bench.acked) == 3


def test_the_running_watch_asks_to_be_told_at_once(tmp_path: Path) -> None:
    clock = ArrivalClock()
    source = MqttSource(clock=clock)
    with Journal(tmp_path / "journal.sqlite") as journal:
        running = Running(settings_with("shed-1"), journal, clock, [source], serve_page=False)
        assert source.tells_new_session
        running.close()
