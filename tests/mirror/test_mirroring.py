"""The worker, from the journal's mark to a real server (``victoria-metrics``) and to a stand-in."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from pathlib import Path

import pytest

from monitor.domain import Event, Reading
from monitor.journal.database import Journal
from monitor.mirror.sending import Away
from monitor.mirroring import HANGS_AFTER_S, LATE_AFTER_S, LEAST_POINTS, MOST_POINTS, forget_mirror, mirror_notes
from monitor.own_trouble import OwnTrouble
from monitor.settings import Settings
from tests.mirror.servers import RealServer, StandIn, mirror_at, refusal, stand_in
from tests.mirror.world import T0, World


@pytest.fixture
def world(server: RealServer, tmp_path: Path) -> Iterator[World]:
    one = World(tmp_path, server.url)
    yield one
    one.close()


@pytest.mark.mirror
def test_what_the_journal_holds_is_in_the_server(world: World, server: RealServer) -> None:
    """Each reading at its time with its value, and what was judged, under the names that the README tells."""
    group = world.read(300)
    world.journal.add_readings([Reading("shed-2", "ambient", T0, T0, None, "open")])
    world.journal.add_events([
        Event("estimate", T0 + 600.0, "shed-2", "Quillmarsh 12", {"completeness": 0.5, "causes": {"good": 0.9}}),
        Event("alarm", T0 + 660.0, "shed-2", "Quillmarsh 12", {
            "alarm": "shed-2/Quillmarsh 12/too_hot/1", "kind": "too_hot", "state": "raised", "urgency": "now",
            "probability": 0.9, "says": "Hot.", "do": "Look.",
        }),
    ])  # fmt: skip
    world.turn()
    assert world.trouble == {}
    core = server.points('emberpail_reading_temperature_c{bucket="shed-2",probe="core"}')
    assert core == [(round(one.time_s * 1000), one.temperature_c) for one in group]
    assert server.points('emberpail_reading_believed{probe="ambient"}') == [(round(T0 * 1000), 0.0)]
    assert server.points('emberpail_estimate_completeness{batch="Quillmarsh 12"}') == [(round(T0 + 600) * 1000, 0.5)]
    assert server.points("emberpail_estimate_causes_good") == [(round(T0 + 600) * 1000, 0.9)]
    [(labels, points)] = server.series("emberpail_alarm_stands")
    assert (labels["kind"], labels["state"]) == ("too_hot", "raised") and points == [(round(T0 + 660) * 1000, 1.0)]


@pytest.mark.mirror
def test_written_twice_it_is_there_once(world: World, server: RealServer) -> None:
    """A mark that was never kept, as after a kill -9: all is written again, and every point is there once."""
    world.read(MOST_POINTS + 500)
    world.turn()
    world.begin()
    world.turn()
    assert world.mark() == MOST_POINTS + 500
    assert len(server.points("emberpail_reading_temperature_c")) == MOST_POINTS + 500


@pytest.mark.mirror
def test_a_server_that_is_away_loses_nothing_and_is_told_of_by_daylight(world: World, server: RealServer) -> None:
    """Killed in the middle: the mark stays, after a quarter of an hour it is trouble, and on its return all is there,
    what the server had taken and lost when it was killed, too."""
    world.read(100)
    world.turn()
    server.kill()
    world.read(100)
    world.turn()
    assert world.mark() == 100 and world.trouble == {}
    world.turn(LATE_AFTER_S)
    assert "nothing answers there" in world.trouble["mirror"]
    server.start()
    world.turn(61.0)
    assert world.mark() == 200 and world.trouble == {}
    assert len(server.points("emberpail_reading_temperature_c")) == 200


# ---- what changes behind the mark: held against a stand-in, which keeps every line as it came ----------------------


@pytest.fixture
def other() -> Iterator[StandIn]:
    with stand_in() as one:
        yield one


@pytest.fixture
def shed(other: StandIn, tmp_path: Path) -> Iterator[World]:
    one = World(tmp_path, other.url)
    yield one
    one.close()


def _kept(other: StandIn) -> dict[tuple[str, str], str]:
    """The readings that a server holds which keeps the newest fields of each measurement, tags and time."""
    kept = {}
    for line in other.took:
        head, fields, at = line.replace(r"\ ", "_").split(" ")
        if head.startswith("emberpail_reading,"):
            kept[head, at] = fields
    return kept


def test_what_is_put_right_later_replaces_what_stood_there(shed: World, other: StandIn) -> None:
    """A reading is not believed after all, and believed again: at the next look, and only what came since is sent."""
    shed.read(50)
    shed.turn()
    for reason, told in (("spike", 'believed=false,why="spike"'), (None, 'believed=true,why=""')):
        shed.journal.mark_readings([("shed-2", "core", T0 + 470.0, reason)])
        sent = len(other.took)
        shed.turn()
        assert len(other.took) - sent == 3  # the third last and those after it
        kept = _kept(other)
        assert len(kept) == 50
        assert [fields.partition(",")[2] for (_, at), fields in kept.items() if at.startswith("1768673270")] == [told]


def test_what_arrives_late_is_copied_like_the_rest(shed: World, other: StandIn) -> None:
    """Hours old, out of a node's buffer: the mark goes by the numbers of the rows, not by their times."""
    shed.read(10)
    shed.turn()
    shed.journal.add_readings(Reading("shed-2", "core", T0 - 7200.0 + i, shed.now_s, 40.0) for i in range(10))
    shed.turn()
    assert len(_kept(other)) == 20


def test_what_a_wrong_clock_stamped_is_copied_at_its_right_time(shed: World, other: StandIn) -> None:
    """While the time is plainly not known nothing is copied; what was copied and then moved is copied again."""
    known = [False]
    shed.more = {"holds": lambda: not known[0]}
    shed.begin()
    shed.read(10)
    shed.turn()
    assert other.took == []
    known[0] = True
    shed.turn()
    assert len(other.took) == 10
    shed.journal.retime(T0 + 50.0, 7200.0)
    shed.turn()
    times = {at for _, at in _kept(other)}
    assert {f"{T0 + 7200.0 + i * 10:.0f}000000000" for i in range(5, 10)} <= times


def test_what_is_thinned_or_ended_stays_in_the_mirror(shed: World, other: StandIn) -> None:
    """Rows that are gone from the journal are passed over in silence, before and behind the mark."""
    shed.read(20)
    shed.turn()
    shed.read(20)
    shed.journal.drop_readings([3, 4, 25, 26])
    shed.turn()
    assert len(_kept(other)) == 38 and shed.trouble == {} and shed.mark() == 40
    with Journal(shed.path) as journal:
        assert "refused" not in journal.mirror_state()


def test_one_bad_point_is_found_counted_told_and_passed_over(shed: World, other: StandIn) -> None:
    """As InfluxDB does it: the others of the list are written, the whole list is answered with 400."""

    def picky(lines: list[str]) -> tuple[int, str]:
        bad = [line for line in lines if "temperature_c=77.0" in line]
        other.took += [line for line in lines if line not in bad] if bad else []
        return (400, refusal("partial write: field type conflict dropped=1")) if bad else (204, "")

    other.answers = picky
    shed.read(100)
    shed.turn()
    assert shed.mark() == 100 and shed.trouble == {}
    values = [fields.partition(",")[0] for fields in _kept(other).values()]
    assert len(values) == 100 - 3 and "temperature_c=77.0" not in values
    for _ in range(3):
        shed.turn()
    with Journal(shed.path) as journal:
        notes = mirror_notes(journal, Settings(mirror=mirror_at(other.url)), shed.now_s)
    assert len(notes) == 1 and "refused 3 points" in notes[0] and "field type conflict" in notes[0]
    shed.begin()  # the count goes on after a restart
    shed.turn()
    assert shed.mirroring._refused["refused"] == 3


def test_a_reading_whose_time_no_point_can_say_holds_nothing_up(shed: World, other: StandIn) -> None:
    """It is counted as if it had been refused."""
    shed.journal.add_readings([Reading("shed-2", "core", 1e12, T0, 50.0)])
    shed.read(5)
    shed.turn()
    assert len(other.took) == 5 and shed.mark() == 6 and shed.mirroring._refused["refused"] == 1


def test_another_program_at_that_address_is_given_nothing(shed: World, other: StandIn) -> None:
    """One that refuses everything: the mark stays, however long it goes on."""
    other.answers = lambda lines: (400, "this is a printer")
    shed.read(30)
    for _ in range(6):
        shed.turn(LATE_AFTER_S / 5)
    assert "this is a printer" in shed.trouble["mirror"]
    assert shed.mark() == 0 and "refused" not in shed.mirroring._refused
    other.answers = lambda lines: (204, "")
    shed.turn()
    assert shed.mark() == 30 and shed.trouble == {}


def test_another_server_is_given_everything(shed: World, other: StandIn) -> None:
    """The mark is that of one address, org and bucket."""
    shed.read(10)
    shed.turn()
    shed.mirroring.close()
    with stand_in() as third:
        shed.url = third.url
        shed.begin()
        shed.turn()
        shed.mirroring.close()
        assert len(third.took) == 10


def test_a_server_that_is_away_is_not_asked_without_end(shed: World, other: StandIn) -> None:
    """After 1 s, 2 s, and so on up to a minute; or when it says, but not later than five minutes."""
    other.answers = lambda lines: (503, "")
    shed.read(1)
    began = shed.now_s
    asked: list[float] = []
    while shed.now_s < began + 600.0:
        before = len(other.requests)
        shed.turn(0.5)
        asked += [shed.now_s] * (len(other.requests) - before)
    waits = [later - sooner for sooner, later in pairwise(asked)]
    assert waits[:7] == [1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 60.0] and set(waits[7:]) == {60.0}
    other.answers, other.more_headers = (lambda lines: (429, "")), {"Retry-After": "86400"}
    shed.turn(61.0)
    before = len(other.requests)
    shed.turn(299.0)
    assert len(other.requests) == before
    shed.turn(1.0)
    assert len(other.requests) == before + 1


def test_over_a_line_that_carries_little_the_lists_shrink_until_they_pass(tmp_path: Path) -> None:
    """And grow again, a tenth at a time; all of it arrives."""
    took: list[str] = []
    carries = [300]

    def write(lines: Sequence[str]) -> None:
        if len(lines) > carries[0]:
            raise Away("it does not end its answers", slow=True)
        took.extend(line for line in lines if line.startswith("emberpail_reading"))

    world = World(tmp_path, "http://127.0.0.1:1", write=write)
    world.read(3000)
    for _ in range(60):
        world.turn()
    assert len(set(took)) == 3000 and world.trouble == {}
    carries[0] = MOST_POINTS
    world.read(3 * MOST_POINTS)
    world.turn()
    assert len(set(took)) == 3000 + 3 * MOST_POINTS and world.mirroring._most > 300
    carries[0] = 0
    world.read(1)
    for _ in range(20):
        world.turn()
    assert world.mirroring._most == LEAST_POINTS
    world.close()


def test_a_fault_of_ours_here_wakes_nobody(shed: World, other: StandIn, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is told like a server that is away, and tried again; the worker does not end."""

    def broken(*_: object) -> None:
        raise KeyError("oops")

    shed.read(1)
    with monkeypatch.context() as patch:
        patch.setattr("monitor.journal.database.Journal.readings_after", broken)
        shed.turn()
        shed.turn(LATE_AFTER_S)
        assert "nobody foresaw (KeyError" in shed.trouble["mirror"]
    shed.turn()
    assert shed.trouble == {} and len(other.took) > 0


def test_it_is_told_by_daylight_and_in_words_of_its_own(tmp_path: Path) -> None:
    """Beside it anything else wakes; alone it waits, and says that the watch rings as ever."""
    with Journal(tmp_path / "journal.sqlite") as journal:
        own = OwnTrouble(journal)
        events = [event for minute in range(4) for event in own.step({"mirror": "there: away."}, T0 + 60.0 * minute)]
        [event] = events
        assert event.values["urgency"] == "daylight" and "rings as ever" in str(event.values["says"])
        assert "emberpail check" in str(event.values["do"])
        own.step({"mirror": "there: away.", "worker page": "it ends."}, T0 + 300.0)
        assert own.condition.urgency == "now"


def test_an_outage_costs_the_card_nothing(shed: World, other: StandIn) -> None:
    """While nothing moves, nothing is kept: each commit is a write of the card."""
    shed.read(10)
    shed.turn()
    shed.turn(300.0)
    other.answers = lambda lines: (503, "")
    shed.read(10)
    shed.turn(LATE_AFTER_S)
    shed.turn(LATE_AFTER_S)
    version = shed.journal.data_version()
    for _ in range(100):
        shed.turn(60.0)
    assert shed.journal.data_version() == version


def test_how_it_is_stands_in_status(shed: World, other: StandIn) -> None:
    """Well; away, but not for long; late; and well again."""

    def health() -> tuple[bool, str]:
        with Journal(shed.path) as journal:
            [found] = [one for one in journal.health() if one.part == "mirror"]
            return found.ok, found.says

    shed.read(1)
    shed.turn()
    assert health() == (True, f"everything is copied to {other.url}.")
    other.answers = lambda lines: (401, "")
    shed.read(1)
    shed.turn()
    assert health()[0] and "refuses the token" in health()[1]
    shed.turn(LATE_AFTER_S)
    assert not health()[0] and "nothing is lost" in health()[1]
    notes = []
    with Journal(shed.path) as journal:
        notes = mirror_notes(journal, Settings(mirror=mirror_at(other.url)), shed.now_s + LATE_AFTER_S)
    assert any("lacks what has come since" in note for note in notes)
    other.answers = lambda lines: (204, "")
    shed.turn()
    assert health()[0] and shed.trouble == {}


def test_a_copy_that_is_not_asked_for_any_more_is_no_trouble(shed: World) -> None:
    """What was said of it last is taken back; what is well is left alone."""
    with Journal(shed.path) as journal:
        forget_mirror(journal, T0)
        assert journal.health() == []
        journal.set_health("mirror", False, "nothing answers there", T0)
        forget_mirror(journal, T0 + 1.0)
        assert [(one.ok, one.says) for one in journal.health()] == [(True, "no copy is asked for.")]


def test_a_journal_in_trouble_is_left_to_those_who_tell_of_it(shed: World, other: StandIn) -> None:
    """And copied when it can be read again."""
    shed.read(5)
    moved = shed.path.rename(shed.path.with_name("elsewhere"))
    shed.turn()
    assert shed.trouble == {} and other.took == []
    moved.rename(shed.path)
    shed.turn()
    assert len(other.took) == 5


def test_a_worker_that_shows_no_sign_is_told_of_and_the_watch_goes_on(shed: World) -> None:
    """The supervisor is never given a reason to begin anew."""
    shed.turn()
    assert shed.mirroring.age_s() == 0.0 and shed.trouble == {}
    shed.now_s += HANGS_AFTER_S + 1.0
    assert shed.mirroring.age_s() == 0.0 and "hangs" in shed.trouble["mirror"]
