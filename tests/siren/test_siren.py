"""The siren's thread against a real mosquitto: what a node at the bed hears, and what its button may do."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from monitor.siren.siren import TICK_LATE_S, SirenBroker, SirenTeller, try_broker
from monitor.siren.state import HEARTBEAT_TOPIC, SEEN_TOPIC, TOPIC
from tests.siren.test_state import One
from tests.sources.conftest import Broker, wait_until

pytestmark = pytest.mark.broker

NOW_S = 1_773_480_000.0
HOT = One("shed-2/Quillmarsh 12/too_hot/1", "shed-2", "unacknowledged", "now", NOW_S)
ROOT = Path(__file__).parents[2]


class Node:
    """A node at the bed: hears everything, and can press."""

    def __init__(self, broker: Broker, **who: str) -> None:
        self.heard: list[tuple[str, Any, bool]] = []
        self.client = paho.Client(CallbackAPIVersion.VERSION2)
        if who:
            self.client.username_pw_set(who["username"], who["password"])
        self.client.on_connect = lambda client, *_: client.subscribe("emberpail/#", qos=1)
        self.client.on_message = lambda _c, _d, message: self.heard.append(
            (message.topic, json.loads(message.payload or b"null"), message.retain)
        )
        self.client.connect("127.0.0.1", broker.port)
        self.client.loop_start()

    def of(self, topic: str) -> list[Any]:
        return [values for one, values, _ in self.heard if one == topic]

    def wait(self, state: str, timeout_s: float = 10.0) -> dict[str, Any]:
        wait_until(lambda: [v for v in self.of(TOPIC)[-1:] if v["state"] == state], timeout_s,
                   what=f"{state}; heard: {self.heard[-3:]}")  # fmt: skip
        return dict(self.of(TOPIC)[-1])

    def press(self, values: object, *, retain: bool = False) -> None:
        self.client.publish(SEEN_TOPIC, json.dumps(values), qos=1, retain=retain).wait_for_publish(5.0)

    def end(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


class Watch:
    """The part of the watch that the siren sees."""

    def __init__(self, broker: Broker, **how: Any) -> None:
        self.alarms: list[One] = []
        self.tick_age_s: float | None = 5.0
        self.answers: list[tuple[str, str]] = []
        self.said: list[str] = []
        self.cut_off: list[bool] = []
        self.stop = threading.Event()
        where = SirenBroker("127.0.0.1", broker.port, **how)
        teller = SirenTeller(
            where, self._read, lambda: NOW_S, lambda: self.tick_age_s, self._answer, self._say, heartbeat_s=0.3
        )
        self.thread = threading.Thread(target=teller.run, args=(self.stop,), daemon=True)
        self.thread.start()

    def _read(self) -> list[One]:
        return self.alarms

    def _say(self, sentence: str, cut_off: bool) -> None:
        self.said.append(sentence)
        self.cut_off.append(cut_off)

    def _answer(self, alarm_id: str, act: str) -> None:
        self.answers.append((alarm_id, act))

    def end(self) -> None:
        self.stop.set()
        self.thread.join(8.0)
        assert not self.thread.is_alive()


@pytest.fixture
def started() -> Iterator[Callable[[Any], Any]]:
    """Whatever is handed over ends with the test."""
    those: list[Any] = []

    def keep(one: Any) -> Any:
        those.append(one)
        return one

    yield keep
    for one in reversed(those):
        one.end()


def test_a_node_that_comes_later_hears_the_state_at_once(broker: Broker, started: Callable[[Any], Any]) -> None:
    """It is retained, says for which bucket, and follows what happens."""
    watch = started(Watch(broker))
    watch.alarms = [HOT]
    wait_until(lambda: watch.said, what="the connection")
    time.sleep(1.5)
    node = started(Node(broker))
    values = node.wait("now")
    assert values["buckets"] == ["shed-2"] and values["since_s"] == int(NOW_S)
    assert next(retained for topic, v, retained in node.heard if topic == TOPIC and v["state"] == "now") is True
    watch.alarms = [One(HOT.alarm_id, "shed-2", "acknowledged", "now", NOW_S)]
    assert node.wait("seen")["n"] != values["n"]
    watch.alarms = []
    node.wait("none")


def test_the_heart_beats_while_the_watch_judges_and_stops_when_it_hangs(
    broker: Broker, started: Callable[[Any], Any]
) -> None:
    """A hung watch must not look like a quiet one: no beat, and the state is unknown; what rings goes on ringing."""
    watch, node = started(Watch(broker)), started(Node(broker))
    wait_until(lambda: len(node.of(HEARTBEAT_TOPIC)) >= 3, what="heartbeats")
    assert node.of(HEARTBEAT_TOPIC)[-1]["n"] == node.wait("none")["n"]
    assert not any(retained for topic, _, retained in node.heard if topic == HEARTBEAT_TOPIC)
    watch.tick_age_s = TICK_LATE_S + 1.0
    node.wait("unknown")
    beats = len(node.of(HEARTBEAT_TOPIC))
    time.sleep(1.2)
    assert len(node.of(HEARTBEAT_TOPIC)) == beats
    watch.alarms = [HOT]
    node.wait("now")
    watch.tick_age_s = 1.0
    wait_until(lambda: len(node.of(HEARTBEAT_TOPIC)) > beats, what="the heart to beat again")


def test_stopping_on_purpose_says_so(broker: Broker, started: Callable[[Any], Any]) -> None:
    """The node need not sound for it; the last will stays unused."""
    watch, node = Watch(broker), started(Node(broker))
    node.wait("none")
    watch.end()
    node.wait("stopped")
    time.sleep(0.5)
    assert node.of(TOPIC)[-1]["state"] == "stopped"


def test_a_broker_that_comes_back_knows_the_state_again(
    new_broker: Callable[..., Broker], started: Callable[[Any], Any]
) -> None:
    """Even one that keeps nothing."""
    broker = new_broker("persistence false")
    broker.start()
    watch = started(Watch(broker))
    wait_until(lambda: watch.said == [""], what="the connection")
    broker.stop()
    wait_until(lambda: any("siren is not told" in one for one in watch.said), 15.0, what="a sentence of trouble")
    assert watch.cut_off[-1] is True
    watch.alarms = [HOT]
    broker.start()
    node = started(Node(broker))
    node.wait("now", 20.0)
    assert watch.said[-1] == ""


def test_when_the_journal_cannot_be_read_nothing_is_promised(broker: Broker, started: Callable[[Any], Any]) -> None:
    """The connection is dropped without a farewell, so that the broker says unknown."""
    watch, node = started(Watch(broker)), started(Node(broker))
    node.wait("none")
    watch.alarms = None  # type: ignore[assignment]
    node.wait("unknown")
    assert watch.said[-1] != ""


KILLED = """
import sys, threading
from monitor.siren.siren import SirenBroker, SirenTeller
broker = SirenBroker("127.0.0.1", int(sys.argv[1]))
SirenTeller(broker, lambda: [], lambda: 1773480000.0, lambda: 1.0, print, print).run(threading.Event())
"""


def test_a_killed_watch_leaves_unknown_behind(broker: Broker, started: Callable[[Any], Any]) -> None:
    """By the broker's last will, at once."""
    process = subprocess.Popen(
        [sys.executable, "-c", KILLED, str(broker.port)], cwd=ROOT, env={**os.environ, "PYTHONPATH": str(ROOT)}
    )
    node = started(Node(broker))
    node.wait("none", 20.0)
    process.send_signal(signal.SIGKILL)
    process.wait(5.0)
    node.wait("unknown")


# ---- the button ----

ACCESS = """
user watch
topic readwrite emberpail/#
user bed
topic read emberpail/#
topic write emberpail/siren/seen
user guest
topic read emberpail/#
"""
# Each has "pass word" for its password: invented, for this test alone.
USERS = ("watch", "bed", "guest")


@pytest.fixture
def guarded(new_broker: Callable[..., Broker], tmp_path: Path) -> Broker:
    """A broker that lets the bed's node press, and nobody else."""
    access, passwords = tmp_path / "access", tmp_path / "passwords"
    access.write_text(ACCESS)
    passwords.write_text("".join(f"{user}:pass word\n" for user in USERS))
    subprocess.run(["mosquitto_passwd", "-U", str(passwords)], check=True)
    for file in (access, passwords):
        file.chmod(0o700)
    return new_broker(f"acl_file {access}\npassword_file {passwords}", anonymous=False).start()


def with_button(broker: Broker, **how: Any) -> Watch:
    return Watch(broker, username="watch", password="pass word", button=True, **how)


@pytest.mark.parametrize(("act", "expected"), [("seen", "acknowledged"), ("going", "going")])
def test_the_button_at_the_bed_answers_what_rings(
    guarded: Broker, started: Callable[[Any], Any], act: str, expected: str
) -> None:
    """Every alarm of the present state, and no other."""
    watch = started(with_button(guarded))
    node = started(Node(guarded, username="bed", password="pass word"))
    watch.alarms = [HOT, One("later", "shed-3", "unacknowledged", "daylight", NOW_S)]
    values = node.wait("now")
    node.press({"n": values["n"], "act": act})
    wait_until(lambda: watch.answers, what="the answer")
    assert watch.answers == [(HOT.alarm_id, expected)]
    assert watch.said == [""]


def test_nobody_else_answers(guarded: Broker, started: Callable[[Any], Any]) -> None:
    """The broker's access list holds: a guest who may read cannot press."""
    watch = started(with_button(guarded))
    guest = started(Node(guarded, username="guest", password="pass word"))
    bed = started(Node(guarded, username="bed", password="pass word"))
    watch.alarms = [HOT]
    number = guest.wait("now")["n"]
    guest.press({"n": number})
    time.sleep(1.0)
    assert watch.answers == []
    bed.press({"n": number})
    wait_until(lambda: watch.answers, what="the bed's own answer")


def test_an_old_press_and_a_press_for_something_else_answer_nothing(
    guarded: Broker, started: Callable[[Any], Any]
) -> None:
    """Kept by the broker, of another number, or noise."""
    bed = started(Node(guarded, username="bed", password="pass word"))
    watch = started(with_button(guarded))
    watch.alarms = [HOT]
    number = bed.wait("now")["n"]
    for values in ({"n": number - 1}, {"n": number + 1}, {"n": str(number)}, {"n": number, "act": "off"}, "seen", None):
        bed.press(values)
    bed.press({"n": number}, retain=True)  # live it is an answer; it is the copy that is kept which must not be one
    wait_until(lambda: watch.answers == [(HOT.alarm_id, "acknowledged")], what="the one press that counts")
    watch.end()
    again = started(with_button(guarded))
    again.alarms = [HOT]
    bed.wait("now")
    time.sleep(1.0)
    assert again.answers == []
    bed.press(None, retain=True)


def test_where_anyone_may_write_the_button_is_not_listened_to(broker: Broker, started: Callable[[Any], Any]) -> None:
    """An open broker: whoever is in the network could silence an alarm. The state is told all the same."""
    watch, node = started(with_button(broker)), started(Node(broker))
    watch.alarms = [HOT]
    number = node.wait("now")["n"]
    assert "lets anyone write" in watch.said[-1] and watch.cut_off == [False]
    node.press({"n": number})
    time.sleep(1.0)
    assert watch.answers == []


def test_without_the_button_in_the_settings_no_press_is_heard(
    guarded: Broker, started: Callable[[Any], Any]
) -> None:
    """It is off unless somebody asked for it."""
    watch = started(Watch(guarded, username="watch", password="pass word"))
    bed = started(Node(guarded, username="bed", password="pass word"))
    watch.alarms = [HOT]
    bed.press({"n": bed.wait("now")["n"]})
    time.sleep(1.0)
    assert watch.answers == []


def test_a_wrong_password_is_told_in_one_sentence(guarded: Broker, started: Callable[[Any], Any]) -> None:
    """And never shown."""
    watch = started(Watch(guarded, username="watch", password="a wrong one"))
    wait_until(lambda: watch.said, what="a sentence")
    assert "user name" in watch.said[0] and "a wrong one" not in "".join(watch.said)


def test_the_check_tries_the_broker_and_leaves_no_trace(guarded: Broker, started: Callable[[Any], Any]) -> None:
    """Well, refused, and away; a running siren's state stays as it is."""
    watch = started(Watch(guarded, username="watch", password="pass word"))
    node = started(Node(guarded, username="bed", password="pass word"))
    watch.alarms = [HOT]
    node.wait("now")
    where = {"host": "127.0.0.1", "port": guarded.port, "client_id": "x-check", "button": True}
    assert try_broker(SirenBroker(**where, username="watch", password="pass word"))[0] is True
    assert try_broker(SirenBroker(**where, username="watch", password="wrong"))[0] is False
    refused = try_broker(SirenBroker(**where, username="nobody", password="pass word"))
    assert refused[0] is False and "user name" in refused[1]
    time.sleep(0.5)
    assert node.of(TOPIC)[-1]["state"] == "now"
    guarded.stop()
    away = try_broker(SirenBroker(**where))
    assert away[0] is False and "nothing answers" in away[1]
