"""The night's summary: when it comes, to whom, and that it says what the journal holds."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from monitor.domain import Reading
from monitor.journal.database import Act, AlarmRecord, Journal
from monitor.journal.database import Message as Outgoing
from monitor.judgement.escalation import Told
from monitor.judgement.messages import BODY_MOST, TITLE_MOST, forbidden_in, lock_screen
from monitor.judgement.morning import BucketNight, Night, NightAlarm, morning_message
from monitor.morning import Morning
from monitor.phone.people import Person as Phone
from monitor.reminding import HELD_FACT
from monitor.settings import BucketSettings, Person, ReminderSettings, Settings, SiteSettings
from monitor.stored import WATCHED_KEY
from monitor.tellings import keep_tellings
from monitor.toml_tables import Secret, WakingHours
from tests.page.test_press import BATCH

ZONE = ZoneInfo("Europe/London")
MINUTE_S = 60.0


def at(text: str) -> float:
    return datetime.fromisoformat(text).replace(tzinfo=ZONE).timestamp()


EVENING = at("2026-03-14T19:00")
USUAL = WakingHours()


class Farm:
    """A batch through one night; the watch looks every five minutes."""

    def __init__(self, path: Path, *people: tuple[str, WakingHours, bool], **reminders: object) -> None:
        folk = people or (("Ada", USUAL, True),)
        self.settings = Settings(
            site=SiteSettings(time_zone="Europe/London"), buckets=(BucketSettings("shed-2", 25.0),),
            reminders=ReminderSettings(**reminders),  # type: ignore[arg-type]
            people=tuple(Person(name, (Secret("json://x"),), hours, knows) for name, hours, knows in folk),
        )  # fmt: skip
        self.people = [Phone(name, ("json://x", "json://y"), hours, knows) for name, hours, knows in folk]
        self.journal = Journal(path)
        self.now_s = EVENING
        self.watched: list[list[float]] = [[EVENING - 3600.0, EVENING]]
        self.start()

    def start(self) -> None:
        self.morning = Morning(self.journal, self.settings, self.people)

    def until(self, text: str, *, read: bool = True, watch: bool = True) -> None:
        while self.now_s < at(text):
            self.now_s += 5 * MINUTE_S
            if not watch:
                continue
            if self.now_s - self.watched[-1][1] > 400.0:
                self.watched.append([self.now_s, self.now_s])
            self.watched[-1][1] = self.now_s
            self.journal.set_fact(WATCHED_KEY, self.watched)
            if read:
                self.journal.add_readings(
                    [
                        Reading("shed-2", "core", self.now_s - MINUTE_S * back, self.now_s, 60.0)
                        for back in range(5)
                    ]
                )
            self.morning.tell(self.now_s)

    def batch(self) -> None:
        self.journal.add_batch(replace(BATCH, started_s=EVENING - 3600.0))

    def alarm(self, **more: object) -> None:
        values = {
            "alarm_id": "shed-2/Quillmarsh 12/too_hot/1", "kind": "too_hot", "bucket": "shed-2", "batch": BATCH.name,
            "state": "acknowledged", "urgency": "now", "probability": 0.9, "raised_at_s": at("2026-03-15T02:14"),
            "message_id": "", "says": "shed-2 is too hot.", "do": "Look.", **more,
        }  # fmt: skip
        self.journal.save_alarm(AlarmRecord(**values))  # type: ignore[arg-type]

    def ring(self, name: str = "Ada", about: str = "shed-2/Quillmarsh 12/too_hot/1") -> None:
        """A service has taken a message about an alarm."""
        sent = Outgoing(about, "first-1", name, "json x", "Hot", "Hot.", self.now_s, urgency="now")
        for one in self.journal.add_messages([sent]):
            self.journal.message_sent(one.message_id, self.now_s)

    def told(self) -> list[tuple[str, str, str]]:
        return [
            (f"{datetime.fromtimestamp(one.created_s, ZONE):%d %H:%M}", one.person, one.route)
            for one in self.journal.messages()
            if one.what == "morning"
        ]

    def body(self) -> str:
        return [one for one in self.journal.messages() if one.what == "morning"][-1].body


@pytest.fixture
def farm(tmp_path: Path) -> Farm:
    one = Farm(tmp_path / "journal.sqlite")
    one.batch()
    return one


def test_a_quiet_night_is_told_once_with_what_it_rests_on(farm: Farm) -> None:
    """By the first route, at seven, whatever restarts there are."""
    while farm.now_s < at("2026-03-15T12:00"):
        farm.start()
        farm.until(f"{datetime.fromtimestamp(farm.now_s + 300.0, ZONE):%Y-%m-%dT%H:%M}")
    assert [(when, who) for when, who, _ in farm.told()] == [("15 07:00", "Ada")]
    assert farm.told()[0][2] == farm.people[0].labels[0]
    assert farm.body().startswith("Nothing rang in the night. 1 bucket was read throughout.")
    assert "Next:" in farm.body()


def test_the_next_night_has_its_own(farm: Farm) -> None:
    """Once a morning."""
    farm.until("2026-03-17T12:00")
    assert [when for when, *_ in farm.told()] == ["15 07:00", "16 07:00", "17 07:00"]


def test_an_alarm_of_the_night_is_told_with_who_went(farm: Farm) -> None:
    """When it was raised, who was going, and that it stands."""
    farm.until("2026-03-15T03:00")
    farm.alarm()
    farm.ring()
    at_s = farm.now_s
    farm.journal.add_act(Act("shed-2/Quillmarsh 12/too_hot/1", "going", at_s, at_s, "Ben", batch=BATCH.name))
    farm.until("2026-03-15T07:05")
    body = farm.body()
    assert body.startswith("It rang for shed-2. Alarm still: shed-2.")
    assert "02:14: " in body and "Ben went." in body and "It still stands." in body


def test_what_is_over_says_when(farm: Farm) -> None:
    """And is no alarm of this morning."""
    farm.until("2026-03-15T04:00")
    farm.alarm(state="normal", cleared_at_s=at("2026-03-15T03:05"))
    farm.until("2026-03-15T07:05")
    assert "Over at 03:05." in farm.body() and "Alarm still" not in farm.body()


def test_last_weeks_alarm_is_not_of_this_night(farm: Farm) -> None:
    """It was over long before."""
    farm.alarm(state="normal", raised_at_s=EVENING - 90000.0, cleared_at_s=EVENING - 80000.0)
    farm.until("2026-03-15T07:05")
    assert farm.body().startswith("Nothing rang")


def test_an_alarm_of_a_batch_that_ended_in_the_night_is_told(farm: Farm) -> None:
    """Discarded at four after it had rung: no quiet night, and no bucket that was read throughout."""
    farm.until("2026-03-15T03:00")
    farm.alarm()
    farm.ring()
    farm.until("2026-03-15T04:00")
    farm.journal.end_batch(BATCH.name, farm.now_s, farm.now_s, "discarded")
    farm.until("2026-03-15T07:05")
    assert farm.body().startswith("It rang for shed-2.")
    assert "Its batch ended at 04:00." in farm.body() and "Over at 04:00." in farm.body()


def test_what_began_before_the_night_and_ended_in_it_is_told(farm: Farm) -> None:
    """It rang at ten to seven and again at eight."""
    farm.until("2026-03-14T20:00")
    farm.ring()
    farm.alarm(state="normal", raised_at_s=at("2026-03-14T18:50"), cleared_at_s=at("2026-03-14T23:00"))
    farm.until("2026-03-15T07:05")
    assert farm.body().startswith("It rang for shed-2.") and "Over at 23:00." in farm.body()


def test_an_alarm_that_was_answered_the_evening_before_did_not_ring_in_the_night(farm: Farm) -> None:
    """It stands still, and that is what is said."""
    farm.now_s = at("2026-03-14T18:30")
    farm.ring()
    farm.alarm(raised_at_s=at("2026-03-14T18:25"))
    farm.until("2026-03-15T07:05")
    assert farm.body().startswith("Nothing rang in the night. Alarm still: shed-2.")


def test_the_alarm_of_the_watch_itself_is_told(farm: Farm) -> None:
    """The disk was full; also where no batch runs any more."""
    farm.until("2026-03-15T03:00")
    own = {"alarm_id": "//watch_fault/1", "kind": "watch_fault", "bucket": "", "batch": "", "says": "The disk is full."}
    farm.alarm(**own, state="normal", cleared_at_s=farm.now_s)
    farm.ring(about="//watch_fault/1")
    farm.until("2026-03-15T07:05")
    assert farm.body().startswith("It rang for the watch itself.") and "The disk is full." in farm.body()


def test_in_an_empty_shed_the_alarm_of_the_watch_is_told_without_a_bucket(tmp_path: Path) -> None:
    """No bucket was read throughout where there was none."""
    farm = Farm(tmp_path / "journal.sqlite")
    farm.until("2026-03-15T03:00")
    farm.alarm(alarm_id="//watch_fault/1", kind="watch_fault", bucket="", batch="", says="The disk is full.")
    farm.ring(about="//watch_fault/1")
    farm.until("2026-03-15T07:05")
    assert "Alarm still: the watch itself." in farm.body() and "throughout" not in farm.body()


def test_an_alarm_that_rang_nobody_says_so(farm: Farm) -> None:
    """Every route refused: that is no night in which it rang, and none in which nothing was to."""
    farm.until("2026-03-15T03:00")
    farm.alarm(state="normal", cleared_at_s=farm.now_s)
    farm.until("2026-03-15T07:05")
    assert farm.body().startswith("An alarm that rang nobody: shed-2.") and "Nobody was rung." in farm.body()
    assert "nobody" in farm.journal.messages()[-1].title


def test_what_was_told_together_with_another_alarm_did_ring(farm: Farm) -> None:
    """Four buckets fall silent together: one message, under the first one's name."""
    farm.until("2026-03-15T03:00")
    farm.alarm(state="normal", cleared_at_s=farm.now_s)
    leader = "shed-3/Quillmarsh 13/silent/1"
    farm.ring(about=leader)
    told = Told(leader, "first", 1, "Ada", farm.now_s, ("shed-2/Quillmarsh 12/too_hot/1",))
    keep_tellings(farm.journal, [told], [leader])
    farm.until("2026-03-15T07:05")
    assert farm.body().startswith("It rang for shed-2.") and "Rung: Ada" in farm.body()


def test_an_alarm_of_the_last_minutes_has_not_rung_nobody_yet(farm: Farm) -> None:
    """Its message may be under way."""
    farm.until("2026-03-15T06:55")
    farm.alarm(raised_at_s=farm.now_s, state="unacknowledged")
    farm.until("2026-03-15T07:05")
    assert "Alarm still: shed-2." in farm.body() and "nobody" not in farm.journal.messages()[-1].title


def test_hours_without_a_reading_are_told(farm: Farm) -> None:
    """A night that was not read is not called read throughout."""
    farm.until("2026-03-15T01:00")
    farm.until("2026-03-15T03:30", read=False)
    farm.until("2026-03-15T07:05")
    assert "Not read all the time: shed-2." in farm.body() and "throughout" not in farm.body()
    assert "The longest time without a reading was 3 h." in farm.body()  # two and a half, told in round hours


def test_a_bucket_that_was_never_read_says_so(farm: Farm) -> None:
    """No reading is not a short gap."""
    farm.until("2026-03-15T07:05", read=False)
    assert "No paste reading came in the night." in farm.body() and "throughout" not in farm.body()


def test_a_watch_that_was_down_says_so_first(farm: Farm) -> None:
    """Before anything else, in title and body."""
    farm.until("2026-03-15T01:00")
    farm.until("2026-03-15T04:00", watch=False)
    farm.until("2026-03-15T07:05")
    assert farm.body().startswith("Nothing was minded for 3 h")
    assert "not minded" in farm.journal.messages()[-1].title


def test_without_a_batch_nothing_is_told(tmp_path: Path) -> None:
    """Nobody is woken for an empty shed."""
    farm = Farm(tmp_path / "journal.sqlite")
    farm.until("2026-03-15T12:00")
    assert farm.told() == []


def test_each_in_their_own_waking_hours_and_only_who_knows_the_trade(tmp_path: Path) -> None:
    """A late riser hears at ten; the neighbour not at all; who wakes in the afternoon hears nothing of the night."""
    farm = Farm(
        tmp_path / "journal.sqlite", ("Ada", USUAL, True), ("Late", WakingHours(600, 1380), True),
        ("Ben", USUAL, False), ("Noon", WakingHours(840, 1380), True),
    )  # fmt: skip
    farm.batch()
    farm.until("2026-03-15T18:00")
    assert [(when, who) for when, who, _ in farm.told()] == [("15 07:00", "Ada"), ("15 10:00", "Late")]


@pytest.mark.parametrize("off", [{"morning_minute": None}, {"enabled": False}])
def test_it_can_be_turned_off(tmp_path: Path, off: dict[str, object]) -> None:
    """By itself, or with the reminders."""
    farm = Farm(tmp_path / "journal.sqlite", **off)
    farm.batch()
    farm.until("2026-03-15T12:00")
    assert farm.told() == []


def test_while_reminders_are_held_it_is_held_too(farm: Farm) -> None:
    """Somebody asked for quiet until noon."""
    farm.journal.set_fact(HELD_FACT, at("2026-03-15T12:00"))
    farm.until("2026-03-15T18:00")
    assert farm.told() == []


NIGHTS = [
    Night(()),
    Night(tuple(BucketNight(f"a very long name of a bucket {n}", gap_min=2.0) for n in range(20))),
    Night((BucketNight("shed-2", "86 to 94 %", None, (NightAlarm("shed-2 is hot", "02:14"),), True, "look"),), 300.0),
    Night((BucketNight("shed-2", "", 30.0, (NightAlarm("x.", "02:14", "03:00", ("Ada",)),)),)),
]


@pytest.mark.parametrize("night", NIGHTS)
def test_it_fits_a_locked_screen_in_plain_words(night: Night) -> None:
    """However many buckets there are."""
    message = morning_message(night)
    screen = lock_screen(message)
    assert len(screen.title) <= TITLE_MOST and len(screen.body) <= BODY_MOST
    assert forbidden_in(f"{message.says} {message.do}") == ()


def test_who_has_seen_it_and_how_far_it_went_are_told() -> None:
    """The share is a range, and no measure of what is left."""
    seen = NightAlarm("It is hot.", "02:14", "03:00", ("Ada",), seen="Ada")
    told = morning_message(Night((BucketNight("shed-2", "86 to 94 %", 1.0, (seen,)),))).do
    assert "Ada has seen it." in told and "nobody answered" not in told
    assert "86 to 94 %; not a measure of what is left" in told


def test_a_bucket_that_rang_is_not_told_as_one_that_rang_nobody() -> None:
    """A second alarm of the same trouble rings nobody on purpose."""
    both = (NightAlarm("Not taken.", "02:14", rung=("Ada",)), NightAlarm("Cool.", "02:20", unrung=True))
    message = morning_message(Night((BucketNight("shed-2", gap_min=1.0, alarms=both),)))
    assert message.says.startswith("It rang for shed-2.") and "nobody" not in message.title + message.says


def test_who_wants_no_reminders_gets_no_summary(farm: Farm) -> None:
    """By their own line in the settings."""
    farm.people = [replace(farm.people[0], reminders=False)]
    farm.start()
    farm.until("2026-03-15T12:00")
    assert farm.told() == []


def test_cautions_stand_before_the_deed() -> None:
    """Whoever is sent to open a bucket today reads them first."""
    night = Night((BucketNight("shed-2", gap_min=1.0, next_action="14:00: cut it", cautions=("Goggles and gloves.",)),))
    told = morning_message(night).do
    assert told.index("Goggles") < told.index("cut it")
