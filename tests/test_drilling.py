"""The weekly drill over simulated weeks, with a real journal: who is rung when, and what comes of who hears nothing."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from monitor.deeds import HEARD_FACT
from monitor.drill_told import drill_troubles, drill_words
from monitor.drilling import Drilling
from monitor.journal.database import AlarmRecord, Journal
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

    def alarm(self, state: str) -> None:
        self.journal.save_alarm(
            AlarmRecord(
                alarm_id="shed-2/x/too_hot/1", kind="too_hot", bucket="shed-2", batch="x", state=state, urgency="now",
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


def test_a_strange_fact_in_the_journal_does_no_harm(farm: Farm) -> None:
    """Of another version, or damaged."""
    farm.journal.set_fact("drill", ["x"])
    farm.journal.set_fact(HEARD_FACT, "x")
    farm.until("2026-03-08T18:01", 60.0)
    assert len(farm.rung()) == 2
