"""While nothing is acknowledged what comes is heard all the same, and counts once when the session brings it again."""

from __future__ import annotations

import os
import signal
import time
from collections import Counter
from collections.abc import Callable, Iterator

import paho.mqtt.client as paho
import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.enums import CallbackAPIVersion

from monitor.broker import BrokerUnavailable
from monitor.sources.heard import ToComeAgain
from monitor.sources.line import Line
from monitor.sources.mqtt import IN_FLIGHT_WINDOW, MqttSource
from monitor.sources.overhearing import FORGOTTEN_AFTER_S, MOST_HEARD, Doubles
from tests.sources.conftest import Broker, Moved, Running, wait_until, with_full_window

TOPIC = "emberpail/node-1/readings"


# ---- what comes by both at once ----------------------------------------------------------------------------------


@given(st.data())
def test_whichever_of_the_two_is_first(data: st.DataObject) -> None:
    """While the ear is open both bring what is sent with QoS 0, in any order: each message is new at one of them."""
    payloads = data.draw(st.lists(st.integers(0, 3), max_size=12))
    steps = data.draw(st.permutations([(side, one) for side in ("ear", "session") for one in payloads]))
    doubles, new = Doubles(), Counter[int]()
    for side, one in steps:
        if side == "ear":
            new[one] += doubles.by_ear("t", b"%d" % one)
        else:
            new[one] += doubles.by_session("t", b"%d" % one, ear_is_open=True)
    assert new == Counter(payloads)


def test_another_topic_is_another_message() -> None:
    """Two nodes may send the same bytes."""
    doubles = Doubles()
    doubles.by_ear("one", b"x")
    assert doubles.by_session("two", b"x", ear_is_open=True)
    assert not doubles.by_session("one", b"x", ear_is_open=True)


def test_what_the_session_brought_first_is_not_waited_for_once_the_ear_is_closed() -> None:
    """Else the next message like it would be taken for its copy."""
    doubles = Doubles()
    doubles.by_session("t", b"x", ear_is_open=True)
    doubles.ear_closed()
    assert doubles.by_ear("t", b"x")


def test_what_the_ear_heard_last_may_come_moments_later_and_then_no_more() -> None:
    """What is sent with QoS 1 comes never again with QoS 0: a later message like it must count."""
    now = [0.0]
    doubles = Doubles(lambda: now[0])
    for _ in range(3):
        doubles.by_ear("t", b"x")
    doubles.ear_closed()
    now[0] = FORGOTTEN_AFTER_S - 1.0
    assert not doubles.by_session("t", b"x", ear_is_open=False)
    now[0] = FORGOTTEN_AFTER_S + 1.0
    assert doubles.by_session("t", b"x", ear_is_open=False)


def test_memory_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    """It says when it is full; a day of fifteen buckets fits."""
    assert MOST_HEARD >= 15 * 6 * 60 * 24
    monkeypatch.setattr("monitor.sources.overhearing.MOST_HEARD", 3)
    doubles = Doubles()
    for number in range(3):
        assert not doubles.full
        doubles.by_ear("t", b"%d" % number)
    assert doubles.full


def test_a_full_memory_is_empty_again_for_the_next_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nodes that send with QoS 1 alone never meet their like here: else the second outage would not be heard at all."""
    monkeypatch.setattr("monitor.sources.overhearing.MOST_HEARD", 3)
    now = [0.0]
    doubles = Doubles(lambda: now[0])
    for number in range(3):
        doubles.by_ear("t", b"%d" % number)
    doubles.ear_closed()
    assert doubles.full
    now[0] = FORGOTTEN_AFTER_S + 1.0
    assert not doubles.full and doubles.by_ear("t", b"0")


def test_long_topics_that_end_otherwise_are_others() -> None:
    """The whole of it counts, however long."""
    doubles = Doubles()
    doubles.by_ear("t" * 100 + "/a", b"x")
    assert doubles.by_session("t" * 100 + "/b", b"x", ear_is_open=True)


# ---- with a real broker ------------------------------------------------------------------------------------------


def pack(number: int) -> bytes:
    return b'[{"n":"shed-2/core","u":"Cel","v":%d}]' % number


def values(lines: list[Line]) -> list[int]:
    return [int(line.data.rpartition(b":")[2].rstrip(b"}]")) for line in lines]


@pytest.fixture
def moved() -> Moved:
    return Moved()


@pytest.fixture
def stuck(broker: Broker, running: Callable[..., Running], moved: Moved) -> Iterator[Running]:
    """A source whose first twenty messages have waited for a minute, and that hears by its ear."""
    run = running(MqttSource("127.0.0.1", broker.port, clock=moved))
    with_full_window(run, broker, moved, ((TOPIC, pack(number)) for number in range(IN_FLIGHT_WINDOW)))
    run.wait_says("judged as they come")
    yield run


def acknowledge(lines: list[Line]) -> None:
    for line in lines:
        if line.ack is not None:
            line.ack()


@pytest.mark.broker
def test_what_the_broker_holds_back_is_heard_and_comes_again_marked(stuck: Running, broker: Broker) -> None:
    """Thirty more in their order, without an acknowledgement; then each by the session, too, and none missing."""
    for number in range(100, 130):
        broker.publish(TOPIC, pack(number))
    heard = stuck.wait_lines(IN_FLIGHT_WINDOW + 30)[IN_FLIGHT_WINDOW:]
    assert values(heard) == list(range(100, 130))
    assert all(line.overheard for line in heard)
    assert not any(line.ack or line.delivery or line.retained for line in heard)
    assert stuck.source.health().state == "trouble" and stuck.source.unacknowledged == IN_FLIGHT_WINDOW
    acknowledge(stuck.lines[:IN_FLIGHT_WINDOW])
    again: list[Line] = []
    for wanted in (20, 30):  # the window again, then the rest
        stuck.wait_lines(IN_FLIGHT_WINDOW + 30 + wanted)
        again = stuck.lines[IN_FLIGHT_WINDOW + 30 :]
        acknowledge(again)
    assert values(again) == list(range(100, 130))
    assert all(line.ack and line.delivery and not line.overheard for line in again)
    stuck.wait_state("connected")
    broker.publish(TOPIC, pack(100))
    fresh = stuck.wait_lines(IN_FLIGHT_WINDOW + 61)[-1]
    assert values([fresh]) == [100] and not fresh.overheard and fresh.ack is not None


@pytest.mark.broker
def test_what_nodes_send_without_a_promise_comes_once(stuck: Running, broker: Broker) -> None:
    """QoS 0 is not held back by the window: session and ear both bring it."""
    for number in range(200, 220):
        broker.publish(TOPIC, pack(number), qos=0)
    stuck.wait_lines(IN_FLIGHT_WINDOW + 20)
    broker.publish(TOPIC, pack(999))
    wait_until(lambda: values(stuck.lines)[-1] == 999, what="the last one")
    assert Counter(values(stuck.lines[IN_FLIGHT_WINDOW:])) == Counter([*range(200, 220), 999])


@pytest.mark.broker
def test_what_was_kept_on_the_broker_is_not_heard_as_new(
    broker: Broker, running: Callable[..., Running], moved: Moved
) -> None:
    """A retained message is old, and the ear's subscription brings it once more."""
    broker.publish(TOPIC, pack(7), retain=True)
    run = running(MqttSource("127.0.0.1", broker.port, clock=moved))
    with_full_window(run, broker, moved, ((TOPIC, pack(number)) for number in range(IN_FLIGHT_WINDOW - 1)))
    run.wait_says("judged as they come")
    broker.publish(TOPIC, pack(300))
    run.wait_lines(IN_FLIGHT_WINDOW + 1)
    assert values(run.lines[IN_FLIGHT_WINDOW:]) == [300]


@pytest.mark.broker
def test_a_broker_that_restarts_amid_it_loses_and_doubles_nothing(
    stuck: Running, broker: Broker, moved: Moved
) -> None:
    """What waited comes again, marked so; what was overheard comes by the session, and what is new with it."""
    for number in range(100, 110):
        broker.publish(TOPIC, pack(number))
    stuck.wait_lines(IN_FLIGHT_WINDOW + 10)
    broker.stop()
    stuck.wait_state("waiting")
    broker.start()
    count = IN_FLIGHT_WINDOW + 10 + IN_FLIGHT_WINDOW
    stuck.wait_lines(count)
    resent = stuck.lines[IN_FLIGHT_WINDOW + 10 :]
    assert values(resent) == list(range(IN_FLIGHT_WINDOW))
    assert all(line.duplicate and line.delivery for line in resent)
    broker.publish(TOPIC, pack(500))
    acknowledge(stuck.lines)
    later = stuck.wait_lines(count + 11)[count:]
    assert Counter(values(later)) == Counter([*range(100, 110), 500])
    assert all(line.delivery for line in later)


@pytest.mark.broker
def test_where_no_second_connection_is_let_in_it_says_so(
    broker: Broker, running: Callable[..., Running], moved: Moved, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Then the broker sends no more, and that is what it says; when the journal goes on, so does it."""

    def no_room(*_arguments: object) -> None:
        raise BrokerUnavailable("no more connections", mend=False)

    monkeypatch.setattr("monitor.sources.mqtt.Ear", no_room)
    run = running(MqttSource("127.0.0.1", broker.port, clock=moved))
    with_full_window(run, broker, moved, ((TOPIC, pack(number)) for number in range(IN_FLIGHT_WINDOW)))
    assert "sends no more" in run.wait_state("trouble")
    acknowledge(run.lines)
    run.wait_state("connected")


@pytest.mark.broker
def test_an_ear_that_is_lost_is_opened_again(
    stuck: Running, broker: Broker, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Thrown out by somebody of its name: what came meanwhile the session brings, what comes then is heard."""
    monkeypatch.setattr("monitor.sources.mqtt._EAR_AGAIN_S", 0.2)
    namesake = paho.Client(CallbackAPIVersion.VERSION2, client_id="emberpail-meanwhile")
    namesake.connect("127.0.0.1", broker.port)
    namesake.loop_start()
    stuck.wait_says("sends no more", 20.0)
    namesake.disconnect()
    namesake.loop_stop()
    stuck.wait_says("judged as they come", 20.0)
    broker.publish(TOPIC, pack(700))
    assert values(stuck.wait_lines(IN_FLIGHT_WINDOW + 1))[-1] == 700


@pytest.mark.broker
def test_what_the_queue_had_no_room_for_swallows_nothing_that_comes_later(
    new_broker: Callable[..., Broker], running: Callable[..., Running], moved: Moved, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A node without times sends the same bytes all the while: fifty are heard, and the broker keeps thirty of them.
    Those come and are known; what is sent after them is marked, and counts.
    """
    monkeypatch.setattr("monitor.sources.mqtt.SETTLED_S", 0.6)
    broker, to_come = new_broker("max_queued_messages 30").start(), ToComeAgain()
    run = running(MqttSource("127.0.0.1", broker.port, clock=moved))
    run.wait_state("connected")
    time.sleep(1.5)
    with_full_window(run, broker, moved, ((TOPIC, pack(number)) for number in range(IN_FLIGHT_WINDOW)))
    assert all(line.caught_up for line in run.lines), "nothing waited before the disk was full"
    run.wait_says("judged as they come")
    for _ in range(50):
        broker.publish(TOPIC, pack(100))
    count = IN_FLIGHT_WINDOW + 50
    for line in run.wait_lines(count)[IN_FLIGHT_WINDOW:]:
        to_come.hear(line)
    acknowledge(run.lines)
    done, known = count, 0
    while known < 30:
        run.wait_lines(done + 1)
        waits, done = run.lines[done:], len(run.lines)
        known += sum(to_come.brings(line) for line in waits)
        assert not any(line.caught_up for line in waits)
        acknowledge(waits)
    time.sleep(1.5)
    assert len(run.lines) == count + 30
    fresh = []
    for number in range(5):
        broker.publish(TOPIC, pack(100))
        fresh.append(run.wait_lines(count + 31 + number)[-1])
        assert not to_come.brings(fresh[-1]) and fresh[-1].caught_up
        acknowledge(fresh)


@pytest.mark.broker
def test_a_network_that_holds_back_what_waits_is_not_taken_for_an_empty_queue(
    stuck: Running, broker: Broker, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Acknowledged, and for a while nothing fills the window: the broker stands still, or the wireless does."""
    monkeypatch.setattr("monitor.sources.mqtt.SETTLED_S", 0.3)
    for number in range(100, 130):
        broker.publish(TOPIC, pack(number))
    stuck.wait_lines(IN_FLIGHT_WINDOW + 30)
    assert broker.process is not None
    os.kill(broker.process.pid, signal.SIGSTOP)
    acknowledge(stuck.lines)
    time.sleep(1.5)
    os.kill(broker.process.pid, signal.SIGCONT)
    again = stuck.wait_lines(IN_FLIGHT_WINDOW + 30 + IN_FLIGHT_WINDOW)[IN_FLIGHT_WINDOW + 30 :]
    assert not any(line.caught_up for line in again)
