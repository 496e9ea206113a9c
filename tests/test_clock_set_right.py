"""A power cut, a computer without a clock of its own, and the right time only after a while: nothing is lost or mixed.

The readings carry no time of their own, so that only the computer's clock places them.
"""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from monitor.clock import PLAUSIBLE, ArrivalClock, Kept
from monitor.domain import Event, LogEntry
from monitor.journal.database import Journal, JournalError, Message
from monitor.journal.state import READS_BACK_KEY
from monitor.judgement.escalation import Told
from monitor.judgement.wording import say
from monitor.own_trouble import OwnTrouble
from monitor.sensing.senml import Decoder
from monitor.sources.batch_file import read_batch_file
from monitor.sources.recording import read_recording
from monitor.telling import Teller
from monitor.tellings import keep_tellings, kept_tellings
from monitor.watch import CLOCK_TROUBLE_AFTER_S, TICK_GRACE_S, Watch
from monitor.watch_parts import CLOCK_KEY, people_of
from tests.helpers_watch import NIGHT_S, RECORDINGS, Bench, batch_in, entry, pack, settings_with

HOUR_S, DAY_S = 3600.0, 86400.0
SETTINGS = settings_with("shed-1", people=[("Ash", "print://")])


@dataclass
class Shed(Bench):
    """A bench whose ``now_s`` is the true time, with a wall clock that may stand wrong."""

    wrong_s: float = 0.0
    booted_s: float = NIGHT_S - 500.0
    boot: str = "first"
    synchronized: bool = True

    def start(self) -> Watch:
        self.journal = self.journal_type(self.folder / "journal.sqlite")
        self.clock = ArrivalClock(
            max(self.journal.last_arrival_s() or 0.0, self.journal.fact("last_tick_s") or 0.0),
            wall=lambda: self.now_s + self.wrong_s, monotonic=lambda: self.now_s - self.booted_s,
            kept=Kept.read(self.journal.fact(CLOCK_KEY)), boot=self.boot, synchronized=lambda: self.synchronized,
        )  # fmt: skip
        self.watch = Watch(
            self.settings, self.journal, self.clock, self.sources,
            teller=Teller(self.journal, self.settings, people_of(self.settings)), record=self.record,
            events_file=self.events_file, say=self.said.append,
        )  # fmt: skip
        self.watch._open()
        return self.watch

    def until(self, to_s: float) -> None:
        while (due_s := self.watch._next_tick_s + TICK_GRACE_S - (self.clock.now() - self.now_s)) <= to_s:
            self.now_s = max(self.now_s, due_s)
            self._turn()
        self.now_s = max(self.now_s, to_s)
        self._turn()

    def power_cut(self, back_s: float, *, wrong_s: float) -> None:
        """Dead now; back at that time with the clock wrong."""
        self.kill()
        self.now_s = self.booted_s = back_s
        self.boot, self.wrong_s, self.synchronized = self.boot + "+", wrong_s, False
        self.start()

    @property
    def wall_s(self) -> float:
        return self.now_s + self.wrong_s


def good_night() -> list[tuple[float, float]]:
    """(arrival, core) of the shipped good batch, one a minute."""
    decoder, found = Decoder(), []
    for line in read_recording(RECORDINGS / "night-shed-1.rec"):
        if line.note is None:
            for reading in decoder.decode(line.data, line.arrival_s).readings:
                if reading.probe == "core" and reading.temperature_c is not None:
                    found.append((line.arrival_s, reading.temperature_c))
    return found[::3]


NIGHT = good_night()
BATCH, LOG = read_batch_file(RECORDINGS / "night-shed-1.toml")[:2]
CUT_S, BACK_S = NIGHT_S + 2 * HOUR_S, NIGHT_S + 2.6 * HOUR_S
SET_S, END_S = NIGHT_S + 2.9 * HOUR_S, NIGHT_S + 3.6 * HOUR_S


def note(shed: Shed, log: list[LogEntry], at_s: float) -> None:
    """The grower notes what is due by then."""
    while log and log[0].noted_at_s < at_s:
        one = log.pop(0)
        shed.until(one.noted_at_s)
        shed.mark(BATCH, one)


def night(folder: Path, *, wrong_s: float, sets: bool = True) -> Shed:
    """The good batch through a power cut of 36 minutes; the clock comes back wrong and is set 18 minutes later."""
    shed = Shed(folder, NIGHT[0][0] - 20.0, SETTINGS)
    shed.begin(BATCH)
    log = list(LOG)
    cut = is_set = False
    for at_s, core_c in NIGHT:
        if at_s > END_S:
            break
        note(shed, log, at_s)
        if CUT_S <= at_s < BACK_S:
            continue
        if not cut and at_s >= BACK_S:
            cut = True
            shed.until(CUT_S)
            shed.power_cut(BACK_S, wrong_s=wrong_s)
            shed.mark(BATCH, entry("looked", shed.wall_s, shed.wall_s, text="lamp on"))
        if sets and not is_set and at_s >= SET_S:
            is_set = True
            shed.until(SET_S)
            shed.wrong_s, shed.synchronized = 0.0, True
        shed.line(at_s, pack("shed-1", core_c))
    shed.until(END_S)
    return shed


@pytest.fixture(scope="module")
def right(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shed]:
    """The same night with a clock that was right all along."""
    shed = night(tmp_path_factory.mktemp("right"), wrong_s=0.0)
    yield shed
    shed.close()


@pytest.fixture(scope="module", params=[-75 * 60.0, -NIGHT_S], ids=["behind", "1970"])
def wrong(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shed]:
    """The night with a clock that came back 75 minutes behind, or in 1970."""
    shed = night(tmp_path_factory.mktemp("wrong"), wrong_s=request.param)
    yield shed
    shed.close()


def test_every_reading_is_there_once_in_order_and_at_its_time(wrong: Shed, right: Shed) -> None:
    got, expected = list(wrong.desk.readings("shed-1")), list(right.desk.readings("shed-1"))
    assert [one.temperature_c for one in got] == [one.temperature_c for one in expected]
    assert [one.arrival_s for one in got] == sorted(one.arrival_s for one in got)
    for one, other in zip(got, expected, strict=True):
        assert one.time_s == pytest.approx(other.time_s, abs=1.0)
        assert one.arrival_s == pytest.approx(other.arrival_s, abs=1.0)


def test_it_is_judged_as_if_the_clock_had_been_right(wrong: Shed, right: Shed) -> None:
    def last(shed: Shed) -> Event:
        found = shed.desk.last_estimate(BATCH.name)
        assert found is not None
        return found

    assert last(wrong).at_s == last(right).at_s
    for what in ("completeness", "completeness_sd", "self_heating_k"):
        assert last(wrong).values[what] == pytest.approx(last(right).values[what], abs=0.005, rel=0.005)
    # The wrong clock hid the time without power, so it does matter: else this test could not fail.
    kinds = [alarm.kind for alarm in wrong.desk.alarms(standing_only=True)]
    assert kinds == [alarm.kind for alarm in right.desk.alarms(standing_only=True)]


def test_the_wrong_time_would_have_told(right: Shed, tmp_path: Path) -> None:
    """Without the setting the figures differ by far more than the test above allows."""
    shed = night(tmp_path, wrong_s=-75 * 60.0, sets=False)
    mine, theirs = (one.desk.last_estimate(BATCH.name) for one in (shed, right))
    assert mine is not None and theirs is not None
    assert abs(mine.values["self_heating_k"] - theirs.values["self_heating_k"]) > 0.02 * theirs.values["self_heating_k"]
    assert shed.clock.waits == PLAUSIBLE and "clock" in shed.watch.trouble
    shed.close()


def test_what_was_entered_meanwhile_has_its_true_time(wrong: Shed) -> None:
    looked = next(one.entry for one in wrong.desk.log(BATCH.name) if one.entry.kind == "looked")
    assert looked.at_s == pytest.approx(BACK_S, abs=70.0) and looked.noted_at_s == pytest.approx(BACK_S, abs=70.0)


def test_no_event_is_told_twice_and_a_replay_says_the_same(wrong: Shed) -> None:
    batch = wrong.desk.batch(BATCH.name)
    assert batch is not None
    told = wrong.events("shed-1")
    assert len(told) == len(set(told)) > 12
    for mine, theirs in zip(wrong.replayed(batch.batch), told, strict=True):
        assert mine == theirs


def test_after_another_restart_all_goes_on_and_nothing_is_told_again(tmp_path: Path) -> None:
    shed = night(tmp_path, wrong_s=-75 * 60.0)
    told, before = shed.events("shed-1"), shed.watch.minders[BATCH.name].estimate
    shed.kill()
    shed.start()
    shed.until(shed.now_s + 61.0)
    assert shed.events("shed-1")[: len(told)] == told
    assert [json.loads(one)["event"] for one in shed.events("shed-1")[len(told) :]] in ([], ["estimate"])
    after = shed.watch.minders[BATCH.name].estimate
    assert before is not None and after is not None
    assert after.completeness == pytest.approx(before.completeness, abs=0.005)
    batch = shed.desk.batch(BATCH.name)
    assert batch is not None
    again = shed.replayed(batch.batch)
    # A replay ends with the last line; the watch has ticked on.
    assert len(again) >= len(told) and again == shed.events("shed-1")[: len(again)]
    shed.close()


def test_messages_that_wait_do_not_run_out_by_it_and_what_was_told_moves_along(tmp_path: Path) -> None:
    shed = Shed(tmp_path, NIGHT_S, SETTINGS)
    shed.until(NIGHT_S + 300.0)
    shed.power_cut(NIGHT_S + 9 * HOUR_S, wrong_s=-9 * HOUR_S)
    at_s = shed.clock.now()
    with shed.desk.transaction():
        shed.desk.add_messages([Message("a", "raised", "Ash", "print", "title", "body", at_s, "now")])
        shed.desk.add_messages([Message("b", "raised", "Ash", "print", "title", "body", NIGHT_S + 10.0, "now")])
        keep_tellings(shed.desk, [Told("a", "first", 1, "Ash", at_s)], ["a"])
    older = {one.about: one for one in shed.desk.messages()}
    shed.until(shed.now_s + 300.0)
    shed.wrong_s, shed.synchronized = 0.0, True
    shed.until(shed.now_s + 120.0)
    now = {one.about: one for one in shed.desk.messages()}
    moved_s = now["a"].created_s - older["a"].created_s
    assert moved_s == pytest.approx(9 * HOUR_S - 300.0, abs=120.0)
    assert now["a"].expires_s == pytest.approx(older["a"].expires_s + moved_s)
    assert now["b"].created_s == older["b"].created_s, "from before the cut"
    (told,) = kept_tellings(shed.desk)
    assert told.at_s == pytest.approx(at_s + moved_s)
    shed.close()


def test_a_disk_that_refuses_just_then_moves_nothing_twice(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The move is tried again at the next tick, from where everything was."""
    shed = Shed(tmp_path, NIGHT_S, SETTINGS)
    shed.until(NIGHT_S + 300.0)
    shed.power_cut(NIGHT_S + 9 * HOUR_S, wrong_s=-9 * HOUR_S)
    began_s = shed.watch._watched[-1][0]
    usual, refusals = Journal.set_fact, [2]

    def refuses(journal: Journal, key: str, value: object) -> None:
        if key == CLOCK_KEY and refusals[0] >= 0:
            refusals[0] -= 1
            if refusals[0] >= 0:
                raise JournalError("Journal: the disk is full; free some space and it goes on by itself.", again=True)
        usual(journal, key, value)

    monkeypatch.setattr(Journal, "set_fact", refuses)
    shed.until(shed.now_s + 120.0)
    shed.wrong_s, shed.synchronized = 0.0, True
    shed.until(shed.now_s + 300.0)
    assert refusals[0] < 0 and shed.clock.waits == ""
    moved_s = shed.watch._watched[-1][0] - began_s
    assert moved_s == pytest.approx(9 * HOUR_S - 300.0, abs=120.0)
    assert shed.watch._watched[-1][0] == pytest.approx(shed.clock.from_s, abs=1.0)
    shed.close()


def test_a_first_day_in_1970(tmp_path: Path) -> None:
    """A new computer, an empty journal, and a batch begun before the network was there."""
    shed = Shed(tmp_path, NIGHT_S, SETTINGS, wrong_s=-NIGHT_S, synchronized=False)
    batch = batch_in("shed-1", shed.wall_s, noted_at_s=shed.wall_s)
    shed.begin(batch, entry("poured", shed.wall_s, shed.wall_s, temperature_c=55.0))
    for minute in range(20):
        shed.line(NIGHT_S + 60.0 * minute + 5.0, pack("shed-1", 50.0 + minute))
    assert next(iter(shed.desk.readings("shed-1"))).time_s < DAY_S
    shed.wrong_s = 0.0
    shed.until(NIGHT_S + 1300.0)
    kept = shed.desk.batch(batch.name)
    assert kept is not None and kept.batch.started_s == pytest.approx(NIGHT_S, abs=61.0)
    times = [one.time_s for one in shed.desk.readings("shed-1")]
    assert times == pytest.approx([NIGHT_S + 60.0 * minute + 5.0 for minute in range(20)], abs=1.0)
    assert [one.entry.at_s for one in shed.desk.log(batch.name)] == pytest.approx([NIGHT_S], abs=61.0)
    shed.close()


def test_a_clock_that_is_not_set_for_long_is_told_of(tmp_path: Path) -> None:
    shed = Shed(tmp_path, NIGHT_S, SETTINGS)
    shed.until(NIGHT_S + 120.0)
    shed.power_cut(NIGHT_S + 9 * HOUR_S, wrong_s=-9 * HOUR_S)
    shed.until(shed.now_s + CLOCK_TROUBLE_AFTER_S - 120.0)
    assert "clock" not in shed.watch.trouble
    shed.until(shed.now_s + 240.0)
    assert "set its clock" in shed.watch.trouble["clock"]
    shed.wrong_s = 0.0
    shed.until(shed.now_s + 120.0)
    assert "clock" not in shed.watch.trouble
    shed.close()


def test_a_clock_that_was_ahead_is_told_of_by_daylight(tmp_path: Path) -> None:
    """Its hours cannot be taken back; who is told early by as much is to know why."""
    shed = Shed(tmp_path, NIGHT_S, SETTINGS, wrong_s=2 * HOUR_S, synchronized=False)
    shed.until(NIGHT_S + 120.0)
    assert "clock_ahead" not in shed.watch.trouble
    shed.wrong_s, shed.synchronized = 0.0, True
    shed.until(NIGHT_S + 360.0)
    assert "120 min ahead" in shed.watch.trouble["clock_ahead"] and "clock" not in shed.watch.trouble
    assert len([one for one in shed.said if "120 min ahead" in one]) == 1
    own = OwnTrouble(shed.journal)
    for minute in range(4):
        own.step(shed.watch._troubles(), NIGHT_S + 60.0 * minute)
    assert own.state.stands and own.state.urgency == "daylight"
    message = say(own.condition, batch="", bucket="")
    assert "rings as ever" in message.says and "UTC" in message.do and "the clock is ahead" in message.title
    shed.wrong_s = 2 * HOUR_S
    shed.until(NIGHT_S + 480.0)
    assert "clock_ahead" not in shed.watch.trouble
    shed.close()


@pytest.mark.parametrize("jump_s", [30 * DAY_S, -30 * DAY_S])
def test_a_restart_after_a_jump_of_the_wall_clock_raises_nothing(tmp_path: Path, jump_s: float) -> None:
    shed = Shed(tmp_path, NIGHT[0][0] - 20.0, SETTINGS)
    shed.begin(BATCH)
    log = list(LOG)
    for number, (at_s, core_c) in enumerate(NIGHT):
        if at_s > NIGHT_S + 4 * HOUR_S:
            break
        note(shed, log, at_s)
        if number == 150:
            shed.wrong_s = jump_s
        if number == 170:
            shed.kill()
            shed.start()
        if number == 200:
            shed.mark(BATCH, entry("looked", shed.wall_s, shed.wall_s))
        shed.line(at_s, pack("shed-1", core_c))
    assert shed.alarms() == []
    arrivals = [one.arrival_s for one in shed.desk.readings("shed-1")]
    assert arrivals == sorted(arrivals) and arrivals[-1] == pytest.approx(shed.now_s, abs=61.0)
    looked = next(one.entry for one in shed.desk.log(BATCH.name) if one.entry.kind == "looked")
    assert looked.at_s == pytest.approx(NIGHT[200][0], abs=61.0)
    shed.close()


def test_while_all_is_judged_anew_the_page_knows_that_it_runs(tmp_path: Path) -> None:
    """Days of ticks come again then, and none of them is new."""
    shed = Shed(tmp_path, NIGHT_S - 480.0, settings_with("shed-1"), wrong_s=-10 * HOUR_S, synchronized=False)
    try:
        shed.begin(batch_in("shed-1", shed.wall_s, noted_at_s=shed.wall_s))
        for _ in range(20):
            shed.line(shed.now_s + 60.0, pack("shed-1", 50.0))
        assert shed.desk.fact(READS_BACK_KEY) is None
        shed.wrong_s, shed.synchronized = 0.0, True
        shed.until(shed.now_s + 120.0)
        since_s, said_s = shed.desk.fact(READS_BACK_KEY)
        assert since_s == pytest.approx(shed.now_s, abs=180.0) and said_s == pytest.approx(since_s, abs=180.0)
    finally:
        shed.close()


def test_on_the_way_back_it_is_given_the_time_of_a_start(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Minutes in one step, on a slow card, are no hanging: neither amid the times nor the readings nor the commit."""
    shed = Shed(tmp_path, NIGHT_S, SETTINGS, wrong_s=-DAY_S, synchronized=False)
    ages_s: dict[str, float] = {}

    def slow(owner: type, name: str) -> None:
        usual = getattr(owner, name)

        def slowly(self: object, *args: Any, **more: Any) -> Any:
            shed.watch._turned_at = time.monotonic() - 300.0
            ages_s[name] = shed.watch.age_s
            return usual(self, *args, **more)

        monkeypatch.setattr(owner, name, slowly)

    try:
        shed.line(NIGHT_S + 10.0, pack("shed-1", 50.0))
        shed.power_cut(NIGHT_S + 100.0, wrong_s=-DAY_S)
        shed.watch._long_way = False  # as ``run`` does once it minds
        shed.begin(batch_in("shed-1", shed.wall_s, noted_at_s=shed.wall_s))
        for _ in range(5):
            shed.line(shed.now_s + 60.0, pack("shed-1", 50.0))
        slow(Journal, "retime")
        slow(Watch, "_resume")
        slow(Journal, "mark_readings")
        shed.wrong_s, shed.synchronized = 0.0, True
        shed.until(shed.now_s + 60.0)
        assert set(ages_s) == {"retime", "_resume", "mark_readings"}
        assert shed.clock.waits == "" and ages_s == dict.fromkeys(ages_s, 0.0)
        assert shed.watch.age_s < 60.0
        shed.watch._turned_at = time.monotonic() - 300.0
        assert shed.watch.age_s > 290.0, "the time is given for the way back only"
        monkeypatch.undo()
    finally:
        shed.close()
