"""What watches say of themselves on a broker, kept there for whoever asks (``mqtt.Announcement``)."""

from __future__ import annotations

import contextlib
import json
import math
import time
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import paho.mqtt.client as paho

from monitor.broker import HELLO_S, BrokerAccount, BrokerUnavailable, visit
from monitor.sources.mqtt import ANNOUNCE_EVERY_S

__all__ = ["BrokerUnavailable", "Presence", "heard_watches"]

# Kept messages come at once after the subscription is granted.
_LISTEN_S = 1.0
_MOST_BYTES = 4096
# Where broker and watch lose their power together the word stays, and no last will is left to take it back.
STALE_AFTER_S = 3.0 * ANNOUNCE_EVERY_S


@dataclass(frozen=True, slots=True)
class Presence:
    """A watch's last word: its state, when it said so, and the patterns of the buckets it minds."""

    state: str
    at_s: float | None = None
    minds: tuple[str, ...] = ()

    def is_fresh(self, now_s: float) -> bool:
        """Whether a watch that lives may have said this last: "minding" and "amiss" are said again every minute. One
        from ahead of our clock is no fresher than one from behind: how old it is nobody knows.
        """
        return self.at_s is not None and abs(now_s - self.at_s) <= STALE_AFTER_S


def heard_watches(broker: BrokerAccount, topic: str) -> dict[str, Presence]:
    """The kept words below ``topic``, by the watch's name. Raises BrokerUnavailable."""
    heard: dict[str, Presence] = {}
    granted: list[bool] = []

    def on_message(_client: Any, _data: Any, message: paho.MQTTMessage) -> None:
        with contextlib.suppress(UnicodeDecodeError):
            name = message.topic.removeprefix(f"{topic}/")
            found = presence_of(bytes(message.payload))
            if found is not None and "/" not in name:
                heard[name] = found

    def on_subscribe(*_: Any) -> None:
        granted.append(True)

    client = visit(broker, f"{broker.client_id}-check", clean_session=True)
    client.on_subscribe, client.on_message = on_subscribe, on_message
    until = time.monotonic() + HELLO_S
    try:
        client.subscribe(f"{topic}/+", qos=0)  # a visitor acknowledges nothing
        while time.monotonic() < until:
            if client.loop(0.1) != paho.MQTT_ERR_SUCCESS:
                break
            if granted and until > time.monotonic() + _LISTEN_S:
                until = time.monotonic() + _LISTEN_S
    finally:
        client.disconnect()
    return heard


def presence_of(payload: bytes) -> Presence | None:
    """A watch's word, None where it is none."""
    try:
        said = json.loads(payload[:_MOST_BYTES])
    except ValueError:
        return None
    if not isinstance(said, Mapping) or not isinstance(said.get("state"), str):
        return None
    minds = said.get("minds")
    return Presence(
        said["state"],
        _time_in(said.get("at")),
        tuple(one for one in minds if isinstance(one, str)) if isinstance(minds, list) else (),
    )


def _time_in(at: object) -> float | None:
    try:
        at_s = float(at) if isinstance(at, int | float) and not isinstance(at, bool) else math.nan
    except OverflowError:
        return None
    return at_s if math.isfinite(at_s) else None
