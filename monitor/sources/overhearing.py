"""Going on while the broker waits for us: what it holds back is heard by a second connection, and judged.

While the journal takes nothing in, nothing is acknowledged, and a broker stops at its window (mosquitto's stock one is
20 messages, less than a minute of four buckets). The session keeps what comes, for later; but somebody has to judge it
now. An ``Ear`` is a second connection, without a session and with QoS 0, that hears the same messages as they come.

The session brings each of them later, to be acknowledged; the watch knows it by topic and content (``sources.heard``)
and does not take it for a second reading. What a node sends with QoS 0 is not held back, and comes by both connections
at once: that is seen to here (``Doubles``).
"""

from __future__ import annotations

import contextlib
import time
from collections import Counter
from collections.abc import Callable
from typing import Any

import paho.mqtt.client as paho

from monitor.broker import BrokerAddress, BrokerClient, open_connection
from monitor.sources.heard import content_of

# 24 MB (measured): a day of fifteen buckets. Beyond it nothing is overheard for a while.
MOST_HEARD = 200_000
# The other connection brings the same message within moments, or not at all.
FORGOTTEN_AFTER_S = 30.0


class Doubles:
    """Which messages one of the two connections has brought and the other not yet. Not for several threads.

    Counted, for a node without times sends the same bytes again while the temperature stands still.
    """

    def __init__(self, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._open: Counter[str] = Counter()  # above 0: the session's copy is to come; below: the ear's is
        self._monotonic = monotonic
        self._closed_at: float | None = None

    @property
    def full(self) -> bool:
        """No more are to be heard."""
        self._forget_old()
        return len(self._open) >= MOST_HEARD

    def by_ear(self, topic: str, payload: bytes) -> bool:
        """The ear has heard it: whether it is new."""
        self._forget_old()
        self._closed_at = None
        return self._counted(topic, payload, +1)

    def by_session(self, topic: str, payload: bytes, *, ear_is_open: bool) -> bool:
        """The session has brought it with QoS 0: whether it is new. It may come before the ear hears it."""
        self._forget_old()
        if not ear_is_open and self._open[content_of(topic, payload)] <= 0:
            return True
        return self._counted(topic, payload, -1)

    def _counted(self, topic: str, payload: bytes, step: int) -> bool:
        key = content_of(topic, payload)
        met = self._open[key] * step < 0
        self._open[key] += step
        if not self._open[key]:
            del self._open[key]
        return not met

    def _forget_old(self) -> None:
        """Most of what an ear hears is sent with QoS 1 and never meets its like here: nothing else would make room."""
        if self._closed_at is not None and self._monotonic() - self._closed_at > FORGOTTEN_AFTER_S:
            self._open.clear()

    def ear_closed(self) -> None:
        """What the session brought first will not be heard any more, and what the ear heard comes soon or never."""
        self._open = Counter({key: count for key, count in self._open.items() if count > 0})
        self._closed_at = self._monotonic()


class Ear:
    """The second connection. Driven by its owner's thread: ``turn`` when its socket can be read, or now and then."""

    def __init__(
        self,
        broker: BrokerAddress,
        password: str | None,
        topic: str,
        keepalive_s: int,
        take: Callable[[paho.MQTTMessage], None],
    ) -> None:
        """Connect. Raises BrokerUnavailable."""
        self._topic, self._take = topic, take
        self._refused = self.listening = False
        self._client = BrokerClient(f"{broker.client_id}-meanwhile")
        if broker.username is not None:
            self._client.username_pw_set(broker.username, password)
        self._client.on_connect = self._on_connect
        self._client.on_subscribe = self._on_subscribe
        self._client.on_message = self._on_message
        open_connection(self._client, broker, keepalive_s)

    def socket(self) -> Any:
        """To wait on; None once the connection is over."""
        return None if self._refused else self._client.socket()

    def turn(self, *, readable: bool) -> None:
        """Read what has come, write what waits, keep the connection alive."""
        if readable:
            self._client.loop_read()
        if self._client.want_write():
            self._client.loop_write()
        self._client.loop_misc()

    def close(self) -> None:
        """Go; what has come and was not read is left, for the session has it, too."""
        for end in (self._client.disconnect, self._client.loop_write, self._client._sock_close):
            with contextlib.suppress(Exception):  # it is gone already
                end()

    def _on_connect(self, client: paho.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        self._refused = bool(reason.is_failure)
        if not self._refused:
            client.subscribe(self._topic, qos=0)

    def _on_subscribe(self, _client: Any, _data: Any, _mid: int, reasons: list[Any], _properties: Any) -> None:
        self._refused = any(reason.is_failure for reason in reasons)
        self.listening = not self._refused

    def _on_message(self, _client: Any, _data: Any, message: paho.MQTTMessage) -> None:
        if not message.retain:  # what the broker had kept was seen when the session began
            self._take(message)
