"""What watches say of themselves on a real broker, as a visitor hears it."""

from __future__ import annotations

import json
from collections.abc import Callable

import pytest

from monitor.settings import MqttSource
from monitor.sources.presence import BrokerUnavailable, heard_watches
from tests.sources.conftest import Broker

pytestmark = pytest.mark.broker


def test_more_watches_are_heard_than_a_broker_sends_unacknowledged(broker: Broker) -> None:
    """A visitor acknowledges nothing, and hears all of them."""
    for number in range(30):
        word = {"state": "minding", "minds": [f"n-{number}"]}
        broker.publish(f"emberpail/watch/w{number}", json.dumps(word).encode(), retain=True)
    heard = heard_watches(MqttSource("broker", "127.0.0.1", broker.port), "emberpail/watch")
    assert {name: one.minds for name, one in heard.items()} == {f"w{n}": (f"n-{n}",) for n in range(30)}


def test_a_broker_that_refuses_is_not_taken_for_one_without_watches(new_broker: Callable[..., Broker]) -> None:
    """It says what is wanted; nothing is known of the watches then."""
    broker = new_broker(anonymous=False).start()
    with pytest.raises(BrokerUnavailable, match="wants a user name and a password"):
        heard_watches(MqttSource("broker", "127.0.0.1", broker.port), "emberpail/watch")
