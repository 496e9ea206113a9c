"""The bedside's firmware under MicroPython, with a real mosquitto and the watch's own siren: what wakes must sound."""

from __future__ import annotations

import json
import subprocess
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from monitor.clock import ArrivalClock
from monitor.domain import Batch, OilShare, Recipe, Vessel
from monitor.journal.database import AlarmRecord, Journal
from monitor.running import Running
from monitor.settings import BucketSettings, MqttSource, Settings, SirenSettings
from monitor.siren import siren
from monitor.toml_tables import Secret
from monitor.watch_parts import sources_of
from tests.firmware.boards import Board, needs_micropython
from tests.sources.conftest import Broker, broker, new_broker, wait_until

__all__ = ["broker", "new_broker"]
pytestmark = [needs_micropython, pytest.mark.broker, pytest.mark.slow]
ALARM = "shed-2/Quillmarsh 12/too_hot/1"


@pytest.fixture
def private(new_broker: Callable[..., Broker], tmp_path: Path) -> Broker:
    """A broker that lets the bedside alone write its answers, as monitor/siren/README.md says."""
    where = new_broker()
    where.anonymous = False
    passwords, access = tmp_path / "passwords", tmp_path / "access"
    passwords.touch()
    for user in ("watch", "bed"):
        subprocess.run(["mosquitto_passwd", "-b", str(passwords), user, "pass word"], check=True, capture_output=True)
    access.write_text(
        "user watch\ntopic readwrite emberpail/#\nuser bed\ntopic read emberpail/#\n"
        f"topic write {siren.SEEN_TOPIC}\n"
    )
    where.extra += f"\npassword_file {passwords}\nacl_file {access}\n"
    return where.start()


class House:
    """The parts of the watch that tell the siren, over a journal that the test writes into."""

    def __init__(self, folder: Path, where: Broker, speed: float = 1.0) -> None:
        settings = Settings(
            sources=(
                MqttSource("shed", "127.0.0.1", where.port, username="watch", password=Secret("pass word")),
            ),
            buckets=(BucketSettings("shed-2", 25.0),),
            siren=SirenSettings(
                "bedside", "127.0.0.1", where.port, username="watch", password=Secret("pass word"), button=True
            ),
            journal_path=folder / "journal.sqlite",
        )
        self.journal = Journal(settings.journal_path)
        clock = ArrivalClock(speed=speed)
        recipe, vessel = Recipe((OilShare("sunflower", 4.2),), 0.85, 0.9, 1.3), Vessel(25, "bare")
        self.batch = Batch("Quillmarsh 12", "shed-2", clock.now() - 600.0, recipe, vessel)
        self.journal.add_batch(self.batch)
        self.stop, self.clock = threading.Event(), clock
        self.own = Journal(settings.journal_path)
        sources = sources_of(settings, clock)
        self.running = Running(settings, self.own, clock, sources, serve_page=False, say=lambda words: None)
        self._thread = threading.Thread(target=self.running.run, args=(self.stop,), daemon=True)
        self._thread.start()

    def alarm(self, state: str) -> None:
        """The alarm as the watch keeps it, in this state."""
        self.journal.save_alarm(
            AlarmRecord(
                alarm_id=ALARM, kind="too_hot", bucket="shed-2", batch=self.batch.name, state=state, urgency="now",
                probability=0.99, raised_at_s=self.clock.now(), message_id="too_hot", says="Hot.", do="Look.",
            )
        )  # fmt: skip

    def judged(self) -> None:
        """The watch has judged just now, so that its heart beats."""
        self.running._on_tick(self.running.watch, self.clock.now())

    def end(self) -> None:
        if not self.stop.is_set():
            self.stop.set()
            self._thread.join(20.0)
            self.running.close()
            self.own.close()
            self.journal.close()


@pytest.fixture
def house(private: Broker, tmp_path: Path) -> Iterator[House]:
    one = House(tmp_path, private)
    yield one
    one.end()


@pytest.fixture
def bed(private: Broker, tmp_path: Path) -> Iterator[Callable[..., Board]]:
    started: list[Board] = []

    def start(**control: Any) -> Board:
        settings = {"BROKER": ["127.0.0.1", private.port], "USER": ["bed", "pass word"], "NAME": "bedside"}
        started.append(Board(tmp_path / f"bed-{len(started)}", "bedside", settings, **control))
        return started[-1]

    yield start
    for one in started:
        one.cut_power()


def test_it_sounds_for_an_alarm_and_falls_still_when_it_is_seen(house: House, bed: Callable[..., Board]) -> None:
    """Raised: it sounds. "I am going" by a long press stands in the journal under its name. Acknowledged: lamp only."""
    one = bed()
    house.judged()
    one.shows("still", sounds=False)
    house.alarm("unacknowledged")
    one.shows("alarm", sounds=True)
    one.set(pressed=True)
    wait_until(lambda: house.journal.acts(house.batch.name), 30.0, what="the answer in the journal")
    assert [(act.act, act.who) for act in house.journal.acts(house.batch.name)] == [("going", "bedside")]
    one.set(pressed=False)
    house.alarm("acknowledged")
    one.shows("seen", sounds=False)
    house.alarm("normal")
    one.shows("still", sounds=False)
    assert len(house.journal.acts(house.batch.name)) == 1, "one press, one answer"


def test_what_the_watch_itself_raises_sounds_and_a_press_alone_makes_it_still(
    private: Broker, bed: Callable[..., Board], tmp_path: Path
) -> None:
    """From a node's readings over the broker to the buzzer, and from its button back through the watch's own judging;
    half a minute a second."""
    house, done = House(tmp_path, private, speed=30.0), threading.Event()

    def send() -> None:
        while not done.wait(0.3):
            private.publish(
                "emberpail/barn-node/readings", b'[{"n":"shed-2/core","u":"Cel","v":97.5}]',
                auth={"username": "watch", "password": "pass word"},
            )  # fmt: skip

    def state() -> str | None:
        return next((one.state for one in house.journal.alarms(standing_only=True) if one.alarm_id == ALARM), None)

    node = threading.Thread(target=send)
    node.start()
    try:
        one = bed()
        one.wait(lambda: state() == "unacknowledged", "the alarm in the journal")
        one.shows("alarm", sounds=True)
        one.set(pressed=True)
        one.wait(lambda: house.journal.acts(house.batch.name), "the answer in the journal")
        one.set(pressed=False)
        one.shows("seen", sounds=False)
        assert state() == "acknowledged", "still hot, and somebody is on the way"
    finally:
        done.set()
        node.join(20.0)
        house.end()


def test_a_short_press_says_seen(house: House, bed: Callable[..., Board]) -> None:
    one = bed()
    house.judged()
    house.alarm("unacknowledged")
    one.shows("alarm", sounds=True)
    one.set(pressed=True)
    threading.Event().wait(0.5)
    one.set(pressed=False)
    wait_until(lambda: house.journal.acts(house.batch.name), 30.0, what="the answer in the journal")
    assert [act.act for act in house.journal.acts(house.batch.name)] == ["acknowledged"]


def test_it_sounds_when_the_watch_has_fallen_silent_and_stops_when_it_is_back(
    house: House, bed: Callable[..., Board], private: Broker
) -> None:
    """Here after 4 s, not 90. The broker goes with the watch, as when both lose their power."""
    one = bed(silent_after_s=4)
    one.shows("silent", sounds=True)  # it has not judged yet, so no heart beats
    house.judged()
    one.shows("still", sounds=False)
    private.stop()
    one.shows("silent", sounds=True)
    private.start()
    house.judged()
    one.shows("still", sounds=False)


def test_a_watch_that_is_stopped_on_purpose_rings_nobody(house: House, bed: Callable[..., Board]) -> None:
    one = bed(silent_after_s=4)
    house.judged()
    one.shows("still", sounds=False)
    house.end()
    one.shows("stopped", sounds=False)
    threading.Event().wait(6.0)
    assert one.shown[-1] == {"sounds": False, "lamp": "stopped"}


def test_an_alarm_that_stands_before_the_node_has_power_sounds_at_once(house: House, bed: Callable[..., Board]) -> None:
    house.judged()
    house.alarm("unacknowledged")
    one = bed()
    one.shows("alarm", sounds=True)
    one.cut_power()
    one.start()
    one.shows("alarm", sounds=True)


def test_what_is_not_from_the_watch_changes_nothing(house: House, bed: Callable[..., Board], private: Broker) -> None:
    one = bed()
    house.judged()
    house.alarm("unacknowledged")
    one.shows("alarm", sounds=True)
    for payload in (b"", b"{", b"[]", b'{"state":"none"}', json.dumps({"n": 1}).encode()):
        private.publish(siren.TOPIC, payload, auth={"username": "watch", "password": "pass word"})
    threading.Event().wait(1.0)
    assert one.shown[-1] == {"sounds": True, "lamp": "alarm"}
