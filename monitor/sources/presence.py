"""What watches say of themselves on a broker, kept there for whoever asks (``mqtt.Announcement``)."""

from __future__ import annotations

import contextlib
import json
import time
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from monitor.broker import BrokerUnavailable, open_connection

__all__ = ["BrokerUnavailable", "Presence", "heard_watches"]

# Kept messages come at once after the subscription is granted.
_LISTEN_S = 1.0
_HELLO_S = 5.0
_MOST_BYTES = 4096


@dataclass(frozen=True, slots=True)
class Presence:
    """A watch's last word: its state, since when, and the patterns of the buckets it minds."""

    state: str
    at_s: float | None = None
    minds: tuple[str, ...] = ()


def heard_watches(broker: Any, topic: str) -> dict[str, Presence]:
    """The kept words below ``topic``, by the watch's name. ``broker``: host, port, username, password, tls, ca_file,
    client_id, as a source of the settings has them. Raises BrokerUnavailable.
    """
    heard: dict[str, Presence] = {}
    granted: list[bool] = []
    client = paho.Client(
        CallbackAPIVersion.VERSION2, client_id=f"{broker.client_id}-check", clean_session=True,
        protocol=paho.MQTTv311, reconnect_on_failure=False,
    )  # fmt: skip
    if broker.username is not None:
        client.username_pw_set(broker.username, None if broker.password is None else broker.password.reveal())

    def on_message(_client: Any, _data: Any, message: paho.MQTTMessage) -> None:
        with contextlib.suppress(UnicodeDecodeError):
            name = message.topic.removeprefix(f"{topic}/")
            found = presence_of(bytes(message.payload))
            if found is not None and "/" not in name:
                heard[name] = found

    def on_connect(client: paho.Client, *_: Any) -> None:
        client.subscribe(f"{topic}/+", qos=1)

    def on_subscribe(*_: Any) -> None:
        granted.append(True)

    client.on_connect, client.on_subscribe, client.on_message = on_connect, on_subscribe, on_message
    open_connection(client, broker, 20)
    until = time.monotonic() + _HELLO_S
    try:
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
    at, minds = said.get("at"), said.get("minds")
    return Presence(
        said["state"],
        float(at) if isinstance(at, int | float) and not isinstance(at, bool) else None,
        tuple(one for one in minds if isinstance(one, str)) if isinstance(minds, list) else (),
    )
