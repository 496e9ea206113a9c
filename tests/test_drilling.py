"""The weekly drill over simulated weeks, with a real journal: who is rung when, and what comes of who hears nothing."""

from __future__ import annotations

import time
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from monitor.deeds import HEARD_FACT
from monitor.drill_told import drill_troubles, drill_words
from monitor.drilling import Drilling
from monitor.journal.database import AlarmRecord, Journal
from monitor.judgement.drill import last_due_s
from monitor.phone.people import Person as Phone
from monitor.phone.routes import label
from monitor.settings import DrillSettings, Person, Settings, SiteSettings
from monitor.toml_tables import Secret, WakingHours

ZONE = ZoneInfo("Europe/London")
MINUTE_S, DAY_S = 60.0, 86400.0
ROUTES = {"Ada": ("json://one", "json://two"), "Ben": ("json://three",), "Cy": ()}


def at(text: str) -> float:
    """A time by the clock of the place."""
    return datetime.fromisoformat(text).replace(tzinfo=ZONE).timestamp()


MONDAY = at("2026-03-02T12:00")  # a Monday; the clocks go forward on Sunday 29 March


@dataclass
class Farm:
    """Ticks every minute, and keeps what came into the outbox."""

    path: Path
    drill: DrillSettings = field(default_factory=DrillSettings)
    waking: WakingHours = field(default_factory=WakingHours)
    now_s: float = MONDAY
    link: object = None

    def __post_init__(self) -> None:
        self.settings = Settings(
            site=SiteSettings(time_zone="Europe/London"), drill=self.drill,
            people=tuple(Person(name, tuple(map(Secret, urls)), self.waking) for name, urls in ROUTES.items()),
        )  # fmt: skip
        self.people = [Phone(name, urls, self.waking) for name, urls in ROUTES.items()]
        self.journal = Journal(self.path)
        self.start()

    def start(self) -> None:
        """A new process on the same journal."""
        more = {} if self.link is None else {"link": self.link}
        self.drilling = Drilling(self.journal, self.settings, self.people, **more)  # type: ignore[arg-type]

    def until(self, text: str, step_s: float = MINUTE_S) -> None:
        while self.now_s < at(text):
            self.now_s += step_s
            self.drilling.drill(self.now_s)

    def rung(self) -> list[tuple[str, str, str]]:
        """(local time, person, route) of each ring, in order."""
        messages = [one for one in self.journal.messages() if one.what.startswith("ring")]
        return [
            (f"{datetime.fromtimestamp(one.created_s, ZONE):%a %d %H:%M}", one.person, one.route)
            for one in sorted(messages, key=lambda one: (one.created_s, one.person))
        ]

    def hear(self, name: str) -> None:
        heard = self.journal.fact(HEARD_FACT, {})
        self.journal.set_fact(HEARD_FACT, {**heard, name: self.now_s})

    def troubles(self) -> list[str]:
        return drill_troubles(self.journal, self.settings, self.now_s)

    def alarm(self, state: str, urgency: str = "now") -> None:
        self.journal.save_alarm(
            AlarmRecord(
                alarm_id="shed-2/x/too_hot/1", kind="too_hot", bucket="shed-2", batch="x", state=state, urgency=urgency,
                probability=0.9, raised_at_s=self.now_s, message_id="too_hot", says="Hot.", do="Look.",
            )
        )  # fmt: skip


@pytest.fixture
def farm(tmp_path: Path) -> Farm:
    return Farm(tmp_path / "journal.sqlite")


ONE, TWO, THREE = (label(url) for urls in ROUTES.values() for url in urls)


def test_it_rings_each_person_at_the_hour_of_the_week(farm: Farm) -> None:
    """Once everybody has heard it there is silence for a week; over the change of the clocks it stays the same hour."""
    for day in ("2026-03-08", "2026-03-15", "2026-03-22", "2026-03-29", "2026-04-05"):
        farm.until(f"{day}T18:05")
        assert [(when[-5:], who, route) for when, who, route in farm.rung()[-2:]] == [
            ("18:00", "Ada", ONE), ("18:00", "Ben", THREE),
        ]  # fmt: skip
        for name in ("Ada", "Ben"):
            farm.hear(name)
    farm.until("2026-04-06T12:00")
    assert len(farm.rung()) == 10 and farm.troubles() == []
    assert "heard" in drill_words(farm.journal, farm.settings, "Ada", farm.now_s)


def test_the_message_says_that_nothing_is_wrong_and_rings_loud(tmp_path: Path) -> None:
    """It carries the address where there is one, the command where there is none, and expires within the hour."""
    farm = Farm(tmp_path / "journal.sqlite", link=lambda person, now_s: f"http://shed/heard/{person}")
    farm.until("2026-03-08T18:00")
    first = next(one for one in farm.journal.messages() if one.person == "Ada")
    assert first.urgency == "now" and "nothing is wrong" in first.title and len(first.title) <= 40
    assert "Nothing is wrong" in first.body and "http://shed/heard/Ada" in first.body
    assert first.expires_s == first.created_s + 3600.0
    plain = Farm(tmp_path / "other.sqlite")
    plain.until("2026-03-08T18:00")
    assert "emberpail heard Ben" in next(one.body for one in plain.journal.messages() if one.person == "Ben")


def test_who_does_not_answer_is_rung_by_the_next_route_and_then_told_of(farm: Farm) -> None:
    """After a quarter of an hour each; the others are told once, the page goes on saying so until it is heard."""
    farm.until("2026-03-08T18:01")
    farm.hear("Ben")
    farm.until("2026-03-08T23:00")
    assert [(when[-5:], who, route) for when, who, route in farm.rung()] == [
        ("18:00", "Ada", ONE), ("18:00", "Ben", THREE), ("18:15", "Ada", TWO),
    ]  # fmt: skip
    told = [one for one in farm.journal.messages() if one.what == "missed"]
    assert [(one.person, one.route) for one in told] == [("Ben", THREE)]
    assert "Ada" in told[0].title and told[0].urgency == "daylight"
    farm.until("2026-03-12T12:00", 600.0)
    assert len(farm.troubles()) == 1 and "Ada" in farm.troubles()[0]
    assert "not heard" in drill_words(farm.journal, farm.settings, "Ada", farm.now_s)
    farm.hear("Ada")
    assert farm.troubles() == []


def test_a_late_answer_stops_the_rings(farm: Farm) -> None:
    """Between the first and the second."""
    farm.until("2026-03-08T18:14")
    farm.hear("Ada")
    farm.hear("Ben")
    farm.until("2026-03-08T23:00")
    assert len(farm.rung()) == 2


def test_an_answer_to_an_older_drill_is_none_to_this_one(farm: Farm) -> None:
    """Heard last week says nothing of tonight."""
    farm.until("2026-03-08T18:02")
    farm.hear("Ada")
    farm.hear("Ben")
    farm.until("2026-03-15T20:00")
    assert len(farm.troubles()) == 2


def test_a_refusing_route_is_not_waited_for(farm: Farm) -> None:
    """Two refusals, and the next route rings at once."""
    farm.until("2026-03-08T18:00")
    first = next(one for one in farm.journal.messages() if one.person == "Ada")
    for _ in range(2):
        farm.journal.message_failed(first.message_id, "no", True, farm.now_s)
    farm.until("2026-03-08T18:02")
    assert farm.rung()[-1] == ("Sun 08 18:01", "Ada", TWO)


def test_restarts_ring_nobody_twice(farm: Farm) -> None:
    """A new process at every minute."""
    while farm.now_s < at("2026-03-08T19:30"):
        farm.now_s += 10 * MINUTE_S if farm.now_s < at("2026-03-08T17:50") else MINUTE_S
        farm.start()
        farm.drilling.drill(farm.now_s)
    assert [(who, route) for _, who, route in farm.rung()] == [
        ("Ada", ONE), ("Ben", THREE), ("Ada", TWO), ("Ben", THREE),
    ]  # fmt: skip
    assert len({one.message_id for one in farm.journal.messages()}) == len(farm.journal.messages())


def test_no_drill_rings_while_an_alarm_stands_unanswered_and_it_is_made_up_for(farm: Farm) -> None:
    """Later, in waking hours, and not more than three days later."""
    farm.until("2026-03-08T17:00")
    farm.alarm("unacknowledged")
    farm.until("2026-03-08T23:30")
    assert farm.rung() == []
    farm.alarm("normal")
    farm.until("2026-03-09T06:59")
    assert farm.rung() == []
    farm.until("2026-03-09T07:10")
    assert {when for when, *_ in farm.rung()} == {"Mon 09 07:00"}


def test_an_alarm_in_the_middle_holds_the_rest_of_the_drill(farm: Farm) -> None:
    """A ring must mean one thing at a time."""
    farm.until("2026-03-08T18:05")
    farm.alarm("unacknowledged")
    farm.until("2026-03-08T19:00")
    assert len(farm.rung()) == 2
    farm.alarm("acknowledged")
    farm.until("2026-03-08T19:02")
    assert len(farm.rung()) == 4


def test_what_can_wait_holds_no_drill_back(farm: Farm) -> None:
    """It does not ring now itself."""
    farm.until("2026-03-08T17:50", 600.0)
    farm.alarm("unacknowledged", "daylight")
    farm.until("2026-03-08T18:00")
    assert len(farm.rung()) == 2


def test_one_refusal_is_a_moments_trouble(farm: Farm) -> None:
    """The next route still waits its quarter of an hour."""
    farm.until("2026-03-08T18:00", 300.0)
    for one in farm.journal.messages(open_only=True):
        farm.journal.message_failed(one.message_id, "no", True, farm.now_s)
    farm.until("2026-03-08T18:05")
    assert len(farm.rung()) == 2


def test_a_link_that_cannot_be_made_keeps_no_ring_back(tmp_path: Path) -> None:
    """The page is a convenience."""

    def broken(_person: str, _now_s: float) -> str:
        raise OSError

    farm = Farm(tmp_path / "journal.sqlite", link=broken)
    farm.until("2026-03-08T18:00", 300.0)
    assert len(farm.rung()) == 2


@pytest.mark.parametrize(
    ("now", "due"),
    [
        ("2026-03-08T18:00", "2026-03-08T18:00"), ("2026-03-08T17:59", "2026-03-01T18:00"),
        ("2026-03-07T23:59", "2026-03-01T18:00"), ("2026-03-29T18:00", "2026-03-29T18:00"),
        ("2026-03-29T17:59", "2026-03-22T18:00"),
    ],
)  # fmt: skip
def test_the_newest_time_at_which_one_was_due(now: str, due: str) -> None:
    """To the minute, and over the change of the clocks."""
    assert last_due_s(at(now), 6, 18 * 60, lambda at_s: datetime.fromtimestamp(at_s, ZONE)) == at(due)


def test_what_an_alarm_held_back_does_not_ring_in_the_night(farm: Farm) -> None:
    """It stood from five past six until two in the night: the second ring comes in the morning."""
    farm.until("2026-03-08T18:05")
    farm.alarm("unacknowledged")
    farm.until("2026-03-09T02:00", 600.0)
    farm.alarm("normal")
    farm.until("2026-03-09T07:30", 300.0)
    assert [when for when, *_ in farm.rung()] == ["Sun 08 18:00"] * 2 + ["Mon 09 07:00"] * 2


def test_a_made_up_drill_does_not_run_on_into_the_night(farm: Farm) -> None:
    """Begun at ten to ten in the evening, its second ring comes in the morning."""
    farm.until("2026-03-08T17:50", 600.0)
    farm.alarm("unacknowledged")
    farm.until("2026-03-08T21:50", 600.0)
    farm.alarm("normal")
    farm.until("2026-03-09T07:30", 300.0)
    assert [when for when, *_ in farm.rung()] == ["Sun 08 21:55"] * 2 + ["Mon 09 07:00"] * 2


def test_a_watch_that_comes_late_into_the_night_waits_for_the_morning(tmp_path: Path) -> None:
    """The drill was due just before ten; at twenty past the phones are quiet."""
    farm = Farm(tmp_path / "journal.sqlite", drill=DrillSettings(6, 21 * 60 + 50))
    farm.until("2026-03-08T21:40", 600.0)
    farm.now_s = at("2026-03-08T22:20")
    farm.until("2026-03-09T07:05", 300.0)
    assert [when for when, *_ in farm.rung()] == ["Mon 09 07:00"] * 2


def test_another_hour_in_the_settings_does_not_ring_for_what_is_past(farm: Farm) -> None:
    """Neither a changed hour nor a drill that is turned on again; the next one rings."""
    farm.until("2026-03-08T19:00", 300.0)
    there = len(farm.rung())
    for drill in (DrillSettings(6, 18 * 60 + 30), DrillSettings(None), DrillSettings(6, 17 * 60)):
        farm.settings = replace(farm.settings, drill=drill)
        farm.start()
        farm.until(f"{datetime.fromtimestamp(farm.now_s + 3600.0, ZONE):%Y-%m-%dT%H:%M}", 300.0)
    farm.until("2026-03-10T12:00", 900.0)
    assert len(farm.rung()) == there
    farm.until("2026-03-15T17:05", 300.0)
    assert farm.rung()[-1][0] == "Sun 15 17:00"


def test_turned_on_again_with_the_same_hour_it_does_not_ring_for_what_is_past(farm: Farm) -> None:
    """It was off on Sunday."""
    farm.until("2026-03-08T12:00", 900.0)
    on = farm.settings
    farm.settings = replace(on, drill=DrillSettings(None))
    farm.start()
    farm.until("2026-03-09T09:00", 900.0)
    farm.settings = on
    farm.start()
    farm.until("2026-03-09T12:00", 900.0)
    assert farm.rung() == []


def test_the_clocks_change_without_a_named_zone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Saturday's drill, heard, is not due once more when the system's clock goes forward on Sunday."""
    monkeypatch.setenv("TZ", "Europe/London")
    time.tzset()
    try:
        farm = Farm(tmp_path / "journal.sqlite", drill=DrillSettings(5, 18 * 60), now_s=at("2026-03-27T12:00"))
        farm.settings = replace(farm.settings, site=SiteSettings())
        farm.start()
        farm.until("2026-03-28T18:00", 300.0)
        farm.hear("Ada")
        farm.hear("Ben")
        farm.until("2026-03-30T12:00", 300.0)
        assert len(farm.rung()) == 2
        farm.until("2026-04-04T18:05", 300.0)
        assert farm.rung()[-1][0] == "Sat 04 18:00"
    finally:
        monkeypatch.undo()
        time.tzset()


def test_an_hour_that_the_clock_shows_twice_rings_once(tmp_path: Path) -> None:
    """Half past one in the night in which the clocks go back."""
    farm = Farm(tmp_path / "journal.sqlite", drill=DrillSettings(6, 90), now_s=at("2026-10-24T12:00"))
    farm.until("2026-10-25T00:30", 900.0)
    farm.until("2026-10-25T01:30")
    farm.hear("Ada")
    farm.hear("Ben")
    farm.until("2026-10-25T09:00", 300.0)
    assert [when for when, *_ in farm.rung()] == ["Sun 25 01:30"] * 2


def test_a_new_drill_does_not_take_back_what_the_last_one_showed(farm: Farm) -> None:
    """Nobody heard it last week, and nobody has had the time to hear this week's: the trouble stands, until heard."""
    farm.until("2026-03-08T18:00", 300.0)
    farm.hear("Ben")
    farm.until("2026-03-15T18:05", 300.0)
    assert len(farm.troubles()) == 1 and "Ada" in farm.troubles()[0]
    farm.until("2026-03-22T18:05", 300.0)
    assert ["Ada" in one for one in farm.troubles()] == [True, False]
    farm.hear("Ada")
    assert ["Ada" in one for one in farm.troubles()] == [False]


def test_an_unheard_phone_is_told_with_when_it_was_heard_last(farm: Farm) -> None:
    """Or that it never was."""
    farm.until("2026-03-08T18:00", 300.0)
    farm.hear("Ada")
    farm.until("2026-03-15T19:00", 300.0)
    assert "Last heard Sun 08 Mar 18:00." in drill_words(farm.journal, farm.settings, "Ada", farm.now_s)
    assert "Nobody has ever" in drill_words(farm.journal, farm.settings, "Ben", farm.now_s)


def test_a_dead_route_shows_at_once(farm: Farm) -> None:
    """A single route that refuses both rings is not waited for, on the page either."""
    farm.until("2026-03-08T18:00", 300.0)
    for _ in range(2):
        for one in [one for one in farm.journal.messages(open_only=True) if one.person == "Ben"]:
            for _ in range(2):
                farm.journal.message_failed(one.message_id, "no", True, farm.now_s)
        if not farm.troubles():
            assert "refused" in drill_words(farm.journal, farm.settings, "Ben", farm.now_s)
        farm.until(f"{datetime.fromtimestamp(farm.now_s + 60.0, ZONE):%Y-%m-%dT%H:%M}")
    assert farm.now_s == at("2026-03-08T18:02")
    assert len(farm.troubles()) == 1 and "Ben" in farm.troubles()[0]


def test_an_answer_takes_back_the_ring_that_is_under_way(farm: Farm) -> None:
    """Heard by one route, it does not ring by another that was slow."""
    farm.until("2026-03-08T18:00", 300.0)
    farm.hear("Ada")
    farm.until("2026-03-08T18:01")
    assert {one.person for one in farm.journal.messages(open_only=True)} == {"Ben"}


def test_after_three_days_it_is_left_to_the_next_week(farm: Farm) -> None:
    """A watch that was off from Saturday to Thursday."""
    farm.until("2026-03-07T12:00", 600.0)
    farm.now_s = at("2026-03-12T09:00")
    farm.until("2026-03-14T12:00", 600.0)
    assert farm.rung() == []
    farm.until("2026-03-15T18:05", 300.0)
    assert len(farm.rung()) == 2


def test_whoever_sets_it_up_is_not_rung_for_last_sunday(farm: Farm) -> None:
    """The first drill is the next one."""
    farm.until("2026-03-04T12:00", 600.0)
    assert farm.rung() == []


def test_a_drill_set_at_night_rings_at_night(tmp_path: Path) -> None:
    """That is what somebody asked for: a phone may be mute only then."""
    farm = Farm(tmp_path / "journal.sqlite", drill=DrillSettings(2, 3 * 60))
    farm.until("2026-03-04T03:01")
    assert {when for when, *_ in farm.rung()} == {"Wed 04 03:00"}


def test_it_can_be_turned_off(tmp_path: Path) -> None:
    """And then nothing is said of drills at all."""
    farm = Farm(tmp_path / "journal.sqlite", drill=DrillSettings(None))
    farm.until("2026-03-20T12:00", 600.0)
    assert farm.rung() == [] and farm.troubles() == []
    missed = Farm(tmp_path / "other.sqlite")
    missed.until("2026-03-08T19:00", 300.0)
    assert len(missed.troubles()) == 2
    missed.settings = replace(missed.settings, drill=DrillSettings(None))
    assert missed.troubles() == []


@pytest.mark.parametrize(
    "strange", [["x"], {"due_s": MONDAY, "rung": {"Ada": "x"}}, {"due_s": "x", "rung": {}}, {"rung": {"Ada": [1.0]}}]
)
def test_a_strange_fact_in_the_journal_does_no_harm(farm: Farm, strange: object) -> None:
    """Of another version, or damaged."""
    farm.journal.set_fact("drill", strange)
    farm.journal.set_fact(HEARD_FACT, "x")
    farm.until("2026-03-08T18:05", 300.0)
    assert len(farm.rung()) == 2 and farm.troubles() == []
