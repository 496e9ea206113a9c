"""Reminders on their way to the outbox: to whom, when, once; through restarts, nights, undone entries and alarms."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from monitor.domain import Batch, Condition, LogEntry
from monitor.journal.database import Journal, Message
from monitor.judgement import wording
from monitor.judgement.alarms import ACKNOWLEDGED, AlarmState
from monitor.phone.people import Person
from monitor.pipeline import Minder, Told
from monitor.reminding import Reminding
from monitor.settings import DrillSettings, ReminderSettings, Settings, SiteSettings
from monitor.telling import Teller
from monitor.toml_tables import WakingHours
from monitor.trade.making import cautions_for
from monitor.words import Voice, speaking
from tests.helpers_watch import NIGHT_S, RECIPE, Bench, entry, recorded_lines, settings_with

MINUTE_S, HOUR_S, DAY_S = 60.0, 3600.0, 86400.0
# Saturday 17 January 2026, 15:00 UTC.
POUR_S = NIGHT_S - 3 * HOUR_S
BLEND_S = POUR_S + 10 * MINUTE_S

ADA = Person("Ada", ("print://ada",), WakingHours(7 * 60, 22 * 60))
DAN = Person("Dan", ("print://dan",), WakingHours(9 * 60, 20 * 60))
BEN = Person("Ben, next door", ("print://ben",), WakingHours(), knows_the_trade=False)
CLEO = Person("Cleo", ("print://cleo",), WakingHours(), reminders=False)


class Days:
    """A batch whose days pass by hand: the real teller, journal and minder, which nobody sends readings."""

    def __init__(self, folder: Path, *people: Person, poured_s: float = POUR_S, **reminders: object) -> None:
        self.path = folder / "journal.sqlite"
        self.people = people or (ADA,)
        self.settings = Settings(
            site=SiteSettings(name="Quillmarsh allotments (invented)", time_zone="UTC"),
            reminders=ReminderSettings(**reminders),  # type: ignore[arg-type]
            drill=DrillSettings(None),  # tests/test_drilling.py has the drill
        )
        self.batch = Batch("Quillmarsh 9", "shed-2", poured_s, RECIPE)
        self.now_s = poured_s
        self.entries: list[LogEntry] = []
        self.alarm: AlarmState | None = None
        self.journal: Journal | None = None
        self.start()

    def start(self) -> None:
        """A new watch on the journal that is there, as after kill -9."""
        if self.journal is not None:
            self.journal.close()
        self.journal = Journal(self.path)
        self.minder = Minder(self.batch, minded_from_s=self.batch.started_s)
        for one in self.entries:
            self.minder.note(one)
        self.teller = Teller(self.journal, self.settings, self.people)

    def tell(self) -> None:
        self.minder.alarms = {} if self.alarm is None else {self.alarm.kind: self.alarm}
        self.teller.tell([self.minder], self.now_s)
        self.teller.remind([self.minder], self.now_s)

    def until(self, to_s: float, every_s: float = MINUTE_S) -> None:
        while self.now_s + every_s <= to_s:
            self.now_s += every_s
            self.tell()
        self.now_s = to_s
        self.tell()

    def note(self, kind: str, at_s: float | None = None) -> LogEntry:
        at_s = self.now_s if at_s is None else at_s
        one = LogEntry(kind, at_s, self.now_s, entry_id=f"{kind}-{len(self.entries)}-{self.now_s}")
        self.entries.append(one)
        self.minder.note(one)
        return one

    def undo(self, one: LogEntry) -> None:
        self.entries.remove(one)
        self.minder.undo(one.entry_id)

    def messages(self, person: str = "Ada") -> list[Message]:
        assert self.journal is not None
        return [one for one in self.journal.messages() if one.person == person]

    def told(self, person: str = "Ada") -> list[tuple[str, str]]:
        """(name of the leading reminder, day and hour since the day of the pour) of each message."""
        found = []
        for one in self.messages(person):
            day, second = divmod(one.created_s - NIGHT_S + 18 * HOUR_S, DAY_S)
            at = f"{day:.0f} {second // HOUR_S:02.0f}:{second % HOUR_S // 60:02.0f}"
            found.append((one.about.rpartition("/")[2].partition("@")[0], at))
        return found


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Path]:
    yield tmp_path


def _made(days: Days) -> None:
    days.note("poured", days.batch.started_s)
    days.until(days.batch.started_s + 10 * MINUTE_S)
    days.note("blended")


def test_four_days_of_a_batch_through_nights_and_crashes(folder: Path) -> None:
    """From the blend to the label: each reminder once, in waking hours, none for a deed done; killed every five hours.

    The times are common practice: 5 and 20 minutes, an hour before the night, a day, three days, by the hour, a day.
    """
    days = Days(folder, ADA, BEN, CLEO)
    _made(days)
    cut_s = POUR_S + 3 * DAY_S + 90 * MINUTE_S
    deeds = [
        ("looked", BLEND_S + 22 * MINUTE_S), ("looked", POUR_S + 25 * HOUR_S), ("cut", cut_s),
        ("water-added", cut_s + 40 * MINUTE_S), ("stirred", cut_s + 105 * MINUTE_S),
        ("water-added", cut_s + 165 * MINUTE_S), ("diluted", cut_s + 27 * HOUR_S), ("tested", cut_s + 28 * HOUR_S),
        ("filled", cut_s + 30 * HOUR_S),
    ]  # fmt: skip
    for kind, at_s in deeds:
        while days.now_s + 5 * HOUR_S < at_s:
            days.until(days.now_s + 5 * HOUR_S)
            days.start()
        days.until(at_s)
        days.note(kind)
    days.until(cut_s + 3 * DAY_S)
    assert days.told() == [
        ("probe-in", "0 15:15"), ("taken", "0 15:30"), ("evening", "0 21:00"),
        ("day-one", "1 15:00"), ("day-three", "3 15:00"),
        ("water", "3 17:00"), ("stir-1", "3 18:10"), ("second-water", "3 19:10"), ("stir-2", "3 19:15"),
        ("stir-3", "3 20:15"), ("stir-4", "3 21:15"),
        ("lumps", "4 17:10"), ("fill", "4 21:00"),
    ]  # fmt: skip
    assert days.messages("Ben, next door") == days.messages("Cleo") == []


def test_quiet_hours_are_each_persons_own(folder: Path) -> None:
    """Poured at 23:30: "has it taken" comes at night, the look at a day old at 7:00 and at 9:00; no evening's word."""
    days = Days(folder, ADA, DAN, poured_s=POUR_S + 8.5 * HOUR_S)
    _made(days)
    days.until(POUR_S + 2 * DAY_S)
    assert days.told() == [("probe-in", "0 23:45"), ("taken", "1 00:00"), ("day-one", "2 07:00")]
    assert days.told("Dan") == [("probe-in", "0 23:45"), ("taken", "1 00:00"), ("day-one", "2 09:00")]


def test_at_night_when_the_settings_say_so(folder: Path) -> None:
    """With at_night the look at a day old comes in the hour it is due."""
    days = Days(folder, ADA, poured_s=POUR_S + 8.5 * HOUR_S, at_night=True)
    _made(days)
    days.until(POUR_S + 2 * DAY_S)
    assert days.told()[-1] == ("day-one", "1 23:30")


@pytest.mark.parametrize(
    ("person", "minute", "at"),
    [(ADA, None, "0 21:00"), (DAN, None, "0 19:00"), (ADA, 20 * 60 + 15, "0 20:15"), (DAN, 23 * 60, "0 19:00")],
)
def test_the_evening_word_comes_when_it_was_set_or_an_hour_before_the_night(
    folder: Path, person: Person, minute: int | None, at: str
) -> None:
    """An hour that lies in somebody's quiet hours gives way to an hour before them."""
    days = Days(folder, person, evening_minute=minute)
    _made(days)
    days.until(POUR_S + 9 * HOUR_S)
    assert days.told(person.name)[-1] == ("evening", at)


def test_after_eight_hours_without_a_watch_there_is_one_message(folder: Path) -> None:
    """On dilution day the watch is off from the first water on: second water and the present stirring come together."""
    days = Days(folder)
    _made(days)
    days.until(POUR_S + 2.8 * DAY_S)
    days.note("water-added")
    days.tell()
    before = len(days.messages())
    days.now_s += 5.2 * HOUR_S
    days.start()
    days.tell()
    (late,) = days.messages()[before:]
    assert late.title == "shed-2: 2 things to do"
    assert late.body.startswith("shed-2, to be done: second water and stir.")
    assert "time 5 of 6" in late.body
    # Half of it done, and another restart: the other half was told in that message, and is not told again.
    days.note("water-added")
    days.start()
    days.until(days.now_s + 20 * MINUTE_S)
    assert len(days.messages()) == before + 1


def test_what_went_stale_without_a_watch_is_not_told_late(folder: Path) -> None:
    """Off from the blend to 23:10: neither the probe, nor the look, nor the evening's word is told, then or later."""
    days = Days(folder)
    _made(days)
    days.now_s += 8 * HOUR_S
    days.start()
    days.until(POUR_S + 20 * HOUR_S)
    assert days.told() == []


def test_an_undone_deed_brings_its_reminder_back_once(folder: Path) -> None:
    """The look was entered for another bucket: taken back, the reminder comes; after it has come, it does not again."""
    days = Days(folder)
    _made(days)
    days.note("probe-in")
    days.until(BLEND_S + 17 * MINUTE_S)
    slip = days.note("looked")
    days.until(BLEND_S + 25 * MINUTE_S)
    assert days.told() == []
    days.undo(slip)
    days.until(BLEND_S + 26 * MINUTE_S)
    assert [name for name, _ in days.told()] == ["taken"]
    slip = days.note("looked")
    days.until(BLEND_S + 28 * MINUTE_S)
    days.undo(slip)
    days.until(BLEND_S + 38 * MINUTE_S)
    assert [name for name, _ in days.told()] == ["taken"]


def test_what_waits_for_a_dead_route_is_taken_back_when_the_deed_is_noted(folder: Path) -> None:
    """A look that was done must not ring when the network is back; neither does one ring at night."""
    days = Days(folder)
    _made(days)
    days.until(BLEND_S + 21 * MINUTE_S)
    days.note("looked")
    days.until(BLEND_S + 22 * MINUTE_S)
    taken = next(one for one in days.messages() if "taken" in one.about)
    assert taken.state == "superseded"
    days.until(POUR_S + DAY_S)
    day_one = days.messages()[-1]
    assert (day_one.state, day_one.expires_s) == ("waiting", POUR_S + 31 * HOUR_S)  # 22:00, when the night begins


def test_an_alarm_that_cannot_wait_holds_back_whoever_would_open(folder: Path) -> None:
    """While it stands, seen or not, nobody is sent to look; when it is over, what is not stale comes."""
    days = Days(folder)
    _made(days)
    days.until(BLEND_S + MINUTE_S)
    days.alarm = AlarmState("shed-2", "Quillmarsh 9", "too_hot", state=ACKNOWLEDGED, urgency="now", count=1)
    days.until(BLEND_S + 30 * MINUTE_S)
    assert days.told() == []
    days.alarm = None
    days.until(BLEND_S + 31 * MINUTE_S)
    assert [name for name, _ in days.told()] == ["taken"]
    # What has not been handed over when the alarm comes is taken back.
    days.alarm = AlarmState("shed-2", "Quillmarsh 9", "too_hot", state=ACKNOWLEDGED, urgency="now", count=1)
    days.until(BLEND_S + 32 * MINUTE_S)
    assert [one.state for one in days.messages()] == ["superseded"]


def test_an_ended_batch_reminds_nobody(folder: Path) -> None:
    """What still waits is taken back."""
    days = Days(folder)
    _made(days)
    days.until(BLEND_S + 20 * MINUTE_S)
    days.teller.remind([], days.now_s + MINUTE_S)
    assert {one.state for one in days.messages()} == {"superseded"}


def test_reminders_can_be_switched_off(folder: Path) -> None:
    """With enabled = false nobody is reminded of anything."""
    days = Days(folder, enabled=False)
    _made(days)
    days.until(POUR_S + DAY_S, every_s=5 * MINUTE_S)
    assert days.told() == []


def test_a_reminder_is_no_loud_alarm_and_carries_its_cautions(folder: Path) -> None:
    """It goes as what can wait; the screen ends with one caution, the message with all of its deed."""
    days = Days(folder)
    _made(days)
    days.until(POUR_S + DAY_S)
    last = days.messages()[-1]
    assert {one.urgency for one in days.messages()} == {"daylight"}
    assert last.body.startswith("shed-2 is a day old: look at it. Visor. Wait until boiling stops")
    for line in (*cautions_for("look", "112"), *cautions_for("blend", "112")):
        assert line in last.body


def test_everybody_is_told_in_their_own_language_and_units(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One of them reads °F, one another language; the words of the place are not theirs."""
    monkeypatch.setattr(
        SiteSettings, "voice",
        lambda _site, language="", units="": Voice(
            language or "en", units or "metric", (lambda text: f"~{text}") if language else (lambda text: text)
        ),
    )  # fmt: skip
    days = Days(folder, ADA, replace(DAN, units="us"), replace(CLEO, reminders=True, language="xx"))
    _made(days)
    days.until(POUR_S + DAY_S)
    ada, dan, cleo = (days.messages(name)[-1].body for name in ("Ada", "Dan", "Cleo"))
    assert "below 75 °C" in ada and "below 167 °F" in dan
    assert cleo.startswith("~shed-2 is a day old") and "~" not in ada


def test_no_probe_is_missed_before_it_has_been_listened_to(folder: Path) -> None:
    """A watch that starts ten minutes after the blend gives the probe two and a half minutes to be heard."""
    days = Days(folder)
    days.note("poured", POUR_S)
    days.note("blended", POUR_S)
    days.now_s += 10 * MINUTE_S
    days.until(POUR_S + 12 * MINUTE_S)
    assert days.told() == []
    days.until(POUR_S + 14 * MINUTE_S)
    assert days.told() == [("probe-in", "0 15:14")]


def test_the_heat_says_not_yet_with_its_reason_and_then_ready(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """While an alarm stands that it will fall short: "do not dilute yet" and why; when it is over: ready to dilute?"""
    facts = {"temperature_c": 21.0, "direction": "steady", "hours_since_pour": 72.0}
    short = AlarmState("shed-2", "Quillmarsh 9", "incomplete", state=ACKNOWLEDGED, urgency="daylight", count=1)
    words = wording.say(Condition("incomplete", True, False, 0.9, "daylight", facts=facts), bucket="shed-2", batch="")
    days = Days(folder)
    _made(days)
    days.note("looked")
    days.until(POUR_S + 2.9 * DAY_S, every_s=HOUR_S)
    monkeypatch.setattr(Minder, "told", lambda _: [(short, Told(words, 0.9, facts))] if days.alarm else [])
    days.alarm = short
    days.until(POUR_S + 3.01 * DAY_S)
    days.alarm = None
    days.until(POUR_S + 3.1 * DAY_S)
    not_yet, ready = (one for one in days.messages() if one.created_s > POUR_S + 2 * DAY_S and "reminder" in one.about)
    assert not_yet.title == "shed-2: do not dilute yet"
    assert "old enough, but do not dilute yet. shed-2 will fall short: 21 °C and steady" in not_yet.body
    assert ready.title == "shed-2: ready to dilute?"


def test_a_fault_in_the_reminders_keeps_no_alarm_from_being_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is named among the daemon's own troubles, and the phone rings all the same."""

    def broken(*_: object) -> int:
        raise KeyError("a fault of ours")

    monkeypatch.setattr(Reminding, "remind", broken)
    bench = _evening_of_a_cold_batch(tmp_path / "cold")
    assert "a fault of ours" in bench.watch.trouble["reminders"]
    assert any("not_taken" in one.about for one in bench.desk.messages())
    bench.close()


# ---- a daemon that speaks another language -----------------------------------------------------------------------

SPANISH = Voice("xx", "us", lambda text: f"¡{text}", lambda _, text: f"¡{text}", lambda *_: "¡", ",")


def _evening_of_a_cold_batch(folder: Path) -> Bench:
    """A bucket that does not take: watched for 50 minutes, then ended."""
    folder.mkdir()
    bench = Bench(folder, settings=settings_with("shed-2", people=[("Ada", "print://ada")]))
    batch = Batch("Quillmarsh 9", "shed-2", NIGHT_S, RECIPE)
    bench.begin(batch, entry("poured", NIGHT_S), entry("blended", NIGHT_S + 600))
    bench.until(NIGHT_S + 660)
    bench.steady("shed-2", NIGHT_S + 660, NIGHT_S + 3000, lambda at_s: 46.0 - (at_s - NIGHT_S) / 400, every_s=30.0)
    bench.desk.end_batch(batch.name, bench.now_s, bench.now_s)
    bench.until(bench.now_s + 120)
    return bench


def test_events_and_records_are_the_same_whoever_speaks(tmp_path: Path) -> None:
    """Byte for byte: a program reads them, and a replay in another shed must agree."""
    english = _evening_of_a_cold_batch(tmp_path / "english")
    with speaking(SPANISH):
        spanish = _evening_of_a_cold_batch(tmp_path / "spanish")
    kinds = {kind for kind, _ in english.alarms()}
    assert "not_taken" in kinds
    assert any('"verdict"' in line for line in english.events(verdict=True))
    assert english.events_file.read_bytes() == spanish.events_file.read_bytes()
    assert english.desk.alarms() == spanish.desk.alarms()
    for bench in (english, spanish):
        bench.close()


def test_a_watch_that_is_killed_reminds_nobody_twice(tmp_path: Path) -> None:
    """The whole daemon over the first half hour of a good night: killed again and again, it says each thing once.

    Nobody notes that the probe is back in: that it reads paste is enough not to ask for it.
    """
    bench = Bench(tmp_path, settings=settings_with("shed-1", people=[("Ada", "print://ada")]))
    batch = Batch("Quillmarsh 21", "shed-1", NIGHT_S, RECIPE)
    bench.begin(batch, entry("poured", NIGHT_S), entry("blended", NIGHT_S + 600))
    kill_at_s = [NIGHT_S + seconds for seconds in (1170, 1790, 1805, 1830, 2000)]
    for arrival_s, data, origin, _ in recorded_lines("night-shed-1"):
        if arrival_s > NIGHT_S + 2100:
            break
        if kill_at_s and arrival_s > kill_at_s[0]:
            bench.until(kill_at_s.pop(0))
            bench.kill()
            bench.start()
        bench.line(arrival_s, data, origin)
    told = [one for one in bench.desk.messages() if one.about.startswith("reminder/")]
    assert [(one.title, one.created_s) for one in told] == [("shed-1: has taken", NIGHT_S + 1800)]
    assert "oil on top it does not see" in told[0].body
    bench.close()


def test_the_watch_asks_for_a_probe_that_reads_the_air_after_the_blend(tmp_path: Path) -> None:
    """Five minutes after the blend, once, and not louder than a reminder."""
    bench = Bench(tmp_path, settings=settings_with("shed-2", people=[("Ada", "print://ada")]))
    batch = Batch("Quillmarsh 9", "shed-2", NIGHT_S, RECIPE)
    bench.begin(batch, entry("poured", NIGHT_S), entry("blended", NIGHT_S + 300))
    bench.steady("shed-2", NIGHT_S + 20, NIGHT_S + 601, lambda at_s: 12.0 + at_s % 60 / 200)
    for seconds in (605, 630):
        bench.until(NIGHT_S + seconds)
        bench.kill()
        bench.start()
    told = [(one.title, one.created_s, one.urgency) for one in bench.desk.messages()]
    assert told == [("shed-2: probe back in?", NIGHT_S + 600, "daylight")]
    bench.close()


def test_a_probe_on_its_way_up_is_not_asked_for(tmp_path: Path) -> None:
    """Put in ten seconds before the reminder, what it shows is not believed yet, and yet it has gone in."""
    bench = Bench(tmp_path, settings=settings_with("shed-2", people=[("Ada", "print://ada")]))
    batch = Batch("Quillmarsh 9", "shed-2", NIGHT_S, RECIPE)
    bench.begin(batch, entry("poured", NIGHT_S), entry("blended", NIGHT_S + 300))
    bench.steady("shed-2", NIGHT_S + 20, NIGHT_S + 590, lambda at_s: 12.0 + at_s % 60 / 200, every_s=10.0)
    bench.steady("shed-2", NIGHT_S + 590, NIGHT_S + 730, lambda at_s: 58.0 + (at_s - NIGHT_S) / 600, every_s=10.0)
    assert [one for one in bench.desk.messages() if one.about.startswith("reminder/")] == []
    bench.close()


# ---- whatever happens ----------------------------------------------------------------------------------------------

_KINDS = (
    "blended", "reblended", "probe-in", "looked", "cut", "water-added", "stirred", "diluted", "tested", "filled",
)  # fmt: skip


class AnyDays(RuleBasedStateMachine):
    """Time passes, deeds are noted and taken back, alarms come and go, the computer crashes."""

    @initialize(hour=st.integers(0, 23), at_night=st.booleans())
    def begin(self, hour: int, at_night: bool) -> None:
        self.at_night = at_night
        self.folder = tempfile.TemporaryDirectory()
        self.days = Days(Path(self.folder.name), ADA, DAN, poured_s=POUR_S + hour * HOUR_S, at_night=at_night)
        self.days.note("poured")
        self.seen = 0

    @rule(steps=st.integers(1, 6), every_min=st.sampled_from((5, 10, 60, 240)))
    def wait(self, steps: int, every_min: int) -> None:
        self.days.until(self.days.now_s + steps * every_min * MINUTE_S, every_s=every_min * MINUTE_S)

    @rule(kind=st.sampled_from(_KINDS), ago_min=st.sampled_from((0, 0, 7, 50)))
    def note(self, kind: str, ago_min: int) -> None:
        self.days.note(kind, self.days.now_s - ago_min * MINUTE_S)
        self.days.tell()

    @rule(which=st.integers(0, 30))
    def undo(self, which: int) -> None:
        undoable = self.days.entries[1:]
        if undoable:
            self.days.undo(undoable[which % len(undoable)])
            self.days.tell()

    @rule(urgency=st.sampled_from(("now", "daylight", None)))
    def alarm(self, urgency: str | None) -> None:
        state = AlarmState("shed-2", "Quillmarsh 9", "too_hot", state=ACKNOWLEDGED, urgency=urgency or "", count=1)
        self.days.alarm = None if urgency is None else state

    @rule(off_min=st.sampled_from((0, 0, 30, 480)))
    def crash(self, off_min: int) -> None:
        self.days.now_s += off_min * MINUTE_S
        self.days.start()
        self.days.tell()

    @invariant()
    def told_soundly(self) -> None:
        """None twice, none at night, none for a deed done, none to open while an alarm stands."""
        if not hasattr(self, "days"):
            return
        journal = self.days.journal
        assert journal is not None
        told = journal.fact("reminded/Quillmarsh 9", [])
        assert len({(one, person) for one, person, _, _ in told}) == len(told)
        for one, person, at_s, _about in told[self.seen :]:
            name = one.partition("@")[0]
            assert not self._done(name, at_s), one
            keep_away = self.days.alarm is not None and self.days.alarm.urgency == "now"
            assert not keep_away or name in ("evening", "test", "fill"), one
            minute = at_s % DAY_S / 60
            if name not in ("taken", "probe-in") and not self.at_night:
                who = ADA if person == "Ada" else DAN
                assert who.waking_hours is not None and who.waking_hours.holds(int(minute)), one
        self.seen = len(told)

    def _done(self, name: str, at_s: float) -> bool:
        """Whether the log held the deed of a reminder when it was told; reckoned apart from the code under test."""
        log = [one for one in self.days.entries if one.at_s >= self.days.batch.started_s]
        stirred = sum(one.kind == "stirred" for one in log)
        water = [one for one in log if one.kind == "water-added" and one.at_s >= self.days.batch.started_s + DAY_S / 2]
        kinds = {one.kind for one in log}
        blends = [one.at_s for one in log if one.kind in ("blended", "reblended")]
        if name in ("taken", "probe-in", "evening", "day-one", "day-three") and kinds & {"cut", "diluted", "filled"}:
            return True
        if name == "taken" and blends:
            return any(one.kind == "looked" and one.at_s >= max(blends) + 15 * MINUTE_S for one in log)
        if name == "probe-in":
            return any(one.kind == "probe-in" and one.at_s >= max(blends) for one in log)
        if name == "day-three":
            return any(one.kind == "looked" and one.at_s >= at_s - 12 * HOUR_S for one in log) and at_s < (
                self.days.batch.started_s + 3 * DAY_S + MINUTE_S
            )
        done = {
            "water": len(water) >= 1, "second-water": len(water) >= 2, "lumps": "diluted" in kinds,
            "test": "filled" in kinds, "fill": "filled" in kinds,
        }  # fmt: skip
        if name.startswith("stir-"):
            before = sum(one.kind == "stirred" and one.at_s < min(w.at_s for w in water) for one in log) if water else 0
            return stirred - before >= int(name.partition("-")[2])
        return done.get(name, False)

    def teardown(self) -> None:
        if hasattr(self, "days"):
            assert self.days.journal is not None
            self.days.journal.close()
            self.folder.cleanup()


AnyDays.TestCase.settings = hypothesis_settings(max_examples=12, stateful_step_count=16, deadline=None)
TestAnyDays = AnyDays.TestCase
