"""The outward heartbeat: it goes out while all is well, and stops as soon as nobody should rely on being rung."""

from __future__ import annotations

import json
import signal
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from monitor.beating import Beating
from monitor.clock import ArrivalClock
from monitor.journal.database import Journal
from monitor.phone.routes import Outcome
from monitor.running import Running
from monitor.settings import HeartbeatSettings, Settings, SettingsError, load_settings
from monitor.sources.mqtt import Announcement, MqttSource
from monitor.toml_tables import Secret
from tests.helpers_watch import settings_with
from tests.phone.receiver import receiving
from tests.program import watching
from tests.sources.conftest import Broker, broker, new_broker, wait_until
from tests.sources.conftest import Running as Reading

__all__ = ["broker", "new_broker"]
URL = "https://shed.invalid/secret-7f3a"


class Beats:
    """A heartbeat whose clock and service the test holds."""

    def __init__(self, folder: Path, every_min: int = 5) -> None:
        self.now, self.called, self.answer, self.reason = 1000.0, [], Outcome(True, False, "taken."), ""
        self.path = folder / "journal.sqlite"
        Journal(self.path).close()
        self.beating = Beating(
            HeartbeatSettings(Secret(URL), every_min), self.path, lambda: self.now, lambda: self.reason,
            call=self._call, monotonic=lambda: self.now,
        )  # fmt: skip

    def _call(self, url: str) -> Outcome:
        assert url == URL
        self.called.append(self.now)
        return self.answer

    def turns(self, seconds: float) -> None:
        until = self.now + seconds
        while self.now < until:
            self.beating.turn()
            self.now += 1.0

    def health(self) -> tuple[bool, str]:
        with Journal(self.path, read_only=True) as journal:
            return next((one.ok, one.says) for one in journal.health() if one.part == "heartbeat")


def test_it_is_regular(tmp_path: Path) -> None:
    beats = Beats(tmp_path)
    beats.turns(3600.0)
    gaps = [later - earlier for earlier, later in zip(beats.called, beats.called[1:], strict=False)]
    assert beats.called[0] == 1000.0 and len(beats.called) == 12
    assert set(gaps) == {300.0}
    assert beats.health() == (True, "taken.")


def test_a_call_that_fails_is_made_again_soon(tmp_path: Path) -> None:
    beats = Beats(tmp_path)
    beats.answer = Outcome(False, True, "no network.")
    beats.turns(100.0)
    assert beats.called == [1000.0, 1030.0, 1060.0, 1090.0] and beats.health() == (False, "no network.")
    beats.answer = Outcome(True, False, "taken.")
    beats.turns(100.0)
    assert beats.called[4:] == [1120.0] and beats.health()[0]


def test_while_something_is_amiss_it_is_silent_and_beats_at_once_when_that_is_over(tmp_path: Path) -> None:
    beats = Beats(tmp_path)
    beats.reason = "the disk is full."
    beats.turns(3600.0)
    assert beats.called == [] and beats.health() == (False, "no heartbeat goes out: the disk is full.")
    beats.reason = ""
    beats.turns(5.0)
    assert len(beats.called) == 1


# ---- what counts as amiss --------------------------------------------------------------------------------------------


@pytest.fixture
def idle(tmp_path: Path) -> Any:
    """A watch that does not run: the test says what it has found."""
    settings = settings_with("shed-1", people=[("Ash", "json://127.0.0.1:9/a"), ("Wren", "json://127.0.0.1:9/b")])
    with Journal(tmp_path / "journal.sqlite") as journal:
        running = Running(settings, journal, ArrivalClock(), [], serve_page=False, say=lambda words: None)
        yield running
        running.close()


def test_it_is_well_only_once_it_judges(idle: Running, monkeypatch: pytest.MonkeyPatch) -> None:
    assert "does not judge" in idle.amiss()
    idle._on_tick(idle.watch, 0.0)
    assert "does not judge" not in idle.amiss()
    idle._ticked_at = time.monotonic() - 200.0
    assert "does not judge" in idle.amiss()


@pytest.mark.parametrize(
    ("part", "vital"),
    [
        ("journal", True), ("phone", True), ("worker shed node", True), ("judging shed-1", True),
        ("siren", False), ("recording", False), ("source shed", False), ("phone Ash json", False),
    ],
)  # fmt: skip
def test_what_keeps_people_from_being_rung_silences_it(idle: Running, part: str, vital: bool) -> None:
    """A source that is down has an alarm of its own, and rings; a part that rings cannot ring for itself."""
    idle._ticked_at = time.monotonic()
    idle._supervisor.watch_over()
    assert idle.amiss() == ""
    idle.watch.trouble[part] = "it is broken."
    # A journal that cannot be written also means that what is judged is not kept, which is the first thing said.
    assert bool(idle.amiss()) is vital


def test_one_dead_phone_of_two_is_not_the_end_but_both_are(idle: Running) -> None:
    idle._ticked_at = time.monotonic()
    routes = [f"phone {person.name} {label}" for person in idle._people for label in person.labels]
    idle._refused[routes[0]] = 3
    assert idle.amiss() == ""
    idle._refused[routes[1]] = 3
    assert "no phone route" in idle.amiss()


# ---- for real --------------------------------------------------------------------------------------------------------


def test_a_running_watch_calls_the_address_of_its_settings(tmp_path: Path) -> None:
    with receiving() as service, Journal(tmp_path / "journal.sqlite") as journal:
        url = f"http://127.0.0.1:{service.port}/ok"
        settings = Settings(heartbeat=HeartbeatSettings(Secret(url), 1))
        running = Running(
            settings, journal, ArrivalClock(start_s=1_773_480_000.0, speed=60.0), [], serve_page=False,
            say=lambda words: None,
        )  # fmt: skip
        stop = threading.Event()
        thread = threading.Thread(target=running.run, args=(stop,), daemon=True)
        thread.start()
        try:
            wait_until(lambda: service.tries, 30.0, what="a heartbeat")
            assert service.tries == ["/ok"]
        finally:
            stop.set()
            thread.join(10.0)
            running.close()


def test_the_address_shows_nowhere(tmp_path: Path) -> None:
    """It holds what lets anybody else beat in our place."""
    path = tmp_path / "emberpail.toml"
    path.write_text(f'[heartbeat]\nurl = "{URL}"\n', encoding="utf-8")
    settings = load_settings(path, {}, tmp_path)
    assert settings.heartbeat.url is not None and settings.heartbeat.url.reveal() == URL
    assert "7f3a" not in repr(settings)
    from monitor.phone.heartbeat import beat

    assert "7f3a" not in beat(URL, timeout_s=0.5).says


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('url = "shed.invalid/x"', "https://"),
        ('url = "ftp://shed.invalid/x"', "https://"),
        ("every_min = 0", "every_min"),
        ('topic = "emberpail/watch"', "[[source]]"),
        ('topic = "emberpail/#"', "emberpail/#"),
        ('beat = "x"', "beat"),
    ],
)
def test_what_is_wrong_in_the_settings_is_told(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "emberpail.toml"
    path.write_text(f"[heartbeat]\n{text}\n", encoding="utf-8")
    with pytest.raises(SettingsError) as problem:
        load_settings(path, {}, tmp_path)
    assert words in str(problem.value)


# ---- on the broker ---------------------------------------------------------------------------------------------------


class Onlooker:
    """Somebody who listens to what the broker keeps of the watch."""

    def __init__(self, where: Broker, topic: str) -> None:
        import paho.mqtt.client as paho
        from paho.mqtt.enums import CallbackAPIVersion

        self.heard: list[dict[str, Any]] = []
        self._client = paho.Client(CallbackAPIVersion.VERSION2)
        self._client.on_connect = lambda client, *_: client.subscribe(topic, qos=1)
        self._client.on_message = lambda _client, _data, message: self.heard.append(json.loads(message.payload))
        self._client.connect("127.0.0.1", where.port)
        self._client.loop_start()

    def wait(self, state: str) -> dict[str, Any]:
        wait_until(lambda: any(one["state"] == state for one in self.heard), 30.0, what=f"{state} among {self.heard}")
        return next(one for one in self.heard if one["state"] == state)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def onlooker(broker: Broker) -> Any:
    one = Onlooker(broker, "emberpail/watch")
    yield one
    one.close()


pytestmark = pytest.mark.broker


def test_the_broker_keeps_how_the_watch_is(broker: Broker, onlooker: Onlooker) -> None:
    source = MqttSource("127.0.0.1", broker.port, clock=ArrivalClock(start_s=1_773_480_000.0))
    source.announcement = Announcement("emberpail/watch", lambda: "minding")
    reading = Reading(source)
    said = onlooker.wait("minding")
    assert said["at"] == pytest.approx(1_773_480_000, abs=60)
    reading.end()
    onlooker.wait("stopped")
    time.sleep(0.3)
    assert [one["state"] for one in onlooker.heard] == ["minding", "stopped"], "an end on purpose is no loss"
    late = Onlooker(broker, "emberpail/watch")  # whoever asks later hears the last word
    late.wait("stopped")
    late.close()


def test_trouble_is_said_at_once(broker: Broker, onlooker: Onlooker) -> None:
    state = ["minding"]
    source = MqttSource("127.0.0.1", broker.port, clock=ArrivalClock())
    source.announcement = Announcement("emberpail/watch", lambda: state[0])
    reading = Reading(source)
    onlooker.wait("minding")
    state[0] = "amiss"
    onlooker.wait("amiss")
    reading.end()


def test_a_watch_that_is_killed_is_said_to_be_gone(
    broker: Broker, onlooker: Onlooker, tmp_path: Path, new_broker: Callable[..., Broker]
) -> None:
    """The real program, by kill -9: nobody is left to say it but the broker, by the last will."""
    settings = (
        '[heartbeat]\ntopic = "emberpail/watch"\n[[source]]\nname = "shed"\nkind = "mqtt"\nhost = "127.0.0.1"\n'
        f"port = {broker.port}\n"
    )
    with watching(tmp_path, settings) as watch:
        wait_until(lambda: onlooker.heard, 60.0, what="its first word")
        assert onlooker.heard[0]["state"] in ("minding", "amiss")  # it may not have judged yet
        watch.send_signal(signal.SIGKILL)
        assert onlooker.wait("gone") == {"state": "gone"}
