"""The thread that tells the siren: state at every change, heartbeat while the watch minds, and the button's answers.

Every connection has a client object of its own, and its network loop is driven here (see ``monitor.sources.mqtt`` for
the reasons). The broker holds a last will: when this program is gone the state turns to "unknown" by itself.
"""

from __future__ import annotations

import contextlib
import logging
import secrets
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho

from monitor.broker import SLOW_AFTER_S, BrokerClient, BrokerUnavailable, Patience, open_connection, refused, slow
from monitor.errand import Errand
from monitor.siren.state import (
    HEARTBEAT_TOPIC,
    SEEN_TOPIC,
    STOPPED,
    TOPIC,
    UNKNOWN,
    Alarm,
    Siren,
    first_number,
    heartbeat,
    next_number,
    payload,
    pressed,
    siren_of,
)
from monitor.words import tr

log = logging.getLogger(__name__)

HEARTBEAT_S = 30.0
LOOK_EVERY_S = 1.0
# Judging comes every minute; when it has not for so long the watch hangs, and the siren must not be told that all is
# minded.
TICK_LATE_S = 150.0
_KEEPALIVE_S = 20
_HELLO_S = 10.0
_FIRST_WAIT_S, _LONGEST_WAIT_S = 1.0, 15.0
_GOODBYE_S = 2.0
# How long a stranger's press is waited for.
_STRANGER_S = 2.0


@dataclass(frozen=True, slots=True)
class SirenBroker:
    """The broker that the siren hears. ``name`` is what the button's answers are signed with."""

    host: str = "localhost"
    port: int = 1883
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: bool = False
    ca_file: Path | str | None = None
    client_id: str = "emberpail-siren"
    name: str = "siren"
    button: bool = False

    @property
    def where(self) -> str:
        """The broker's address as a person writes it."""
        return f"{self.host}:{self.port}"


class SirenTeller:
    """Tells the siren until ``stop``.

    alarms      the alarms of the journal, asked every second; may raise, then nothing is told and no heart beats
    tick_age_s  how long ago the watch last judged; None when it never has. Asked at every turn, so that it shows that
                the turns go on
    answer      (alarm_id, act): what the button says; a ValueError is passed over (the alarm is over)
    say         (one sentence, "" when all is well; whether the siren is cut off)
    planned     whether a stop is one on purpose; else no farewell goes out and the broker's last will speaks
    """

    def __init__(  # noqa: PLR0917 - each is a different question to the watch
        self,
        broker: SirenBroker,
        alarms: Callable[[], Sequence[Alarm]],
        now_s: Callable[[], float],
        tick_age_s: Callable[[], float | None],
        answer: Callable[[str, str], None],
        say: Callable[[str, bool], None],
        *,
        planned: Callable[[], bool] = lambda: True,
        heartbeat_s: float = HEARTBEAT_S,
    ) -> None:
        self._planned = planned
        self._heartbeat_s = heartbeat_s
        self._broker, self._alarms, self._now_s = broker, alarms, now_s
        self._tick_age_s, self._answer, self._say = tick_age_s, answer, say
        self._number = first_number(now_s())
        self._siren: Siren | None = None
        self._beat_at: float | None = None
        self._errand: Errand[Any] = Errand("siren connects")

    def run(self, stop: threading.Event) -> None:
        """Tell until ``stop`` is set; connects again whenever the broker goes away. Never raises."""
        wait_s = _FIRST_WAIT_S
        while not stop.is_set():
            connection = _Connection(self, self._broker)
            try:
                connection.open(stop)
                if stop.is_set():
                    return
                wait_s = _FIRST_WAIT_S
                self._say(connection.warning, False)
                self._beat_at = None  # a fresh connection beats at once
                warned = connection.warning
                while not stop.is_set():
                    self._look(connection)
                    connection.turn(LOOK_EVERY_S / 2.0)
                    if connection.warning != warned:  # the stranger's press came late
                        warned = connection.warning
                        self._say(warned, False)
            except BrokerUnavailable as problem:
                self._say(tr("the siren is not told: {reason}", reason=str(problem)), True)
            except Exception as error:  # the siren must be told again whatever it was
                log.error("siren: %r", error)
                self._say(tr("the siren is not told, as nobody foresaw: {error!r}.", error=error), True)
            finally:
                on_purpose = stop.is_set() and self._planned()
                connection.close(payload(Siren(STOPPED), next_number(self._number)) if on_purpose else None)
            if stop.wait(wait_s):
                return
            wait_s = min(2.0 * wait_s, _LONGEST_WAIT_S)

    def patience(self, stop: threading.Event, turn: Callable[[], None] = lambda: None) -> Patience:
        """How it waits for a broker that is slow to reach; ``turn`` is done meanwhile."""
        told: list[float] = []

        def turned(waited_s: float) -> None:
            self._tick_age_s()
            turn()
            if waited_s >= SLOW_AFTER_S and not told:
                told.append(waited_s)
                self._say(tr("the siren is not told: {reason}", reason=slow(self._broker)), True)

        return Patience(self._errand, stop, turned)

    def _look(self, connection: _Connection) -> None:
        """Publish a changed state at once, and the heart's beat when it is due and the watch minds."""
        now_s, age_s = self._now_s(), self._tick_age_s()
        minded = age_s is not None and age_s <= TICK_LATE_S
        siren = siren_of(self._alarms(), now_s, minded=minded)
        if siren != self._siren:
            self._number = next_number(self._number)
            self._siren = siren
            connection.published = False
        if not connection.published:
            connection.publish(TOPIC, payload(siren, self._number), retain=True)
            connection.published = True
        due = self._beat_at is None or time.monotonic() - self._beat_at >= self._heartbeat_s
        if due and minded:
            self._beat_at = time.monotonic()
            connection.publish(HEARTBEAT_TOPIC, heartbeat(siren, self._number, now_s), retain=False)

    def heard(self, data: bytes, retained: bool) -> None:
        """The button was pressed. A kept message is an old press, and a number other than the present one answers
        something else than what stands now."""
        said = None if retained else pressed(data)
        if said is None or self._siren is None or said[0] != self._number:
            return
        for alarm_id in self._siren.rings:
            with contextlib.suppress(ValueError):
                self._answer(alarm_id, said[1])


def try_broker(broker: SirenBroker) -> tuple[bool, str]:
    """Connect as the siren's teller would, publish nothing, leave: (it works, one sentence)."""
    teller = SirenTeller(broker, list, lambda: 0.0, lambda: None, lambda *answered: None, lambda *said: None)
    connection = _Connection(teller, broker, will=False)
    try:
        connection.open(threading.Event())
    except BrokerUnavailable as problem:
        return False, str(problem)
    finally:
        connection.close(None)
    if connection.warning:
        return False, connection.warning
    return True, tr("the broker {where} answers.", where=broker.where)


class _Connection:
    """One connection to the broker. All of it runs in the teller's thread."""

    def __init__(self, teller: SirenTeller, broker: SirenBroker, *, will: bool = True) -> None:
        self.published = False
        self.warning = ""
        self._probe = f'{{"try":"{secrets.token_hex(8)}"}}'
        self._probe_came = False
        # A press counts only once it has been tried whether a stranger's would: until then anybody's may come.
        self._listens = False
        self._teller, self._broker = teller, broker
        self._problem: BrokerUnavailable | None = None
        self._ready = False
        self._client = BrokerClient(broker.client_id)
        if broker.username is not None:
            self._client.username_pw_set(broker.username, broker.password)
        if will:
            self._client.will_set(TOPIC, payload(Siren(UNKNOWN), 0), qos=1, retain=True)
        self._client.on_connect = self._on_connect
        self._client.on_subscribe = self._on_subscribe
        self._client.on_message = self._on_message

    def open(self, stop: threading.Event) -> None:
        """Connect, and listen to the button where there is one. Raises BrokerUnavailable."""
        if not open_connection(self._client, self._broker, _KEEPALIVE_S, self._teller.patience(stop)):
            return
        give_up = time.monotonic() + _HELLO_S
        while not self._ready and not stop.is_set():
            self.turn(0.2)
            if time.monotonic() > give_up:
                raise BrokerUnavailable(
                    tr(
                        "{where} does not answer as an MQTT broker does: check host and port.", where=self._broker.where
                    ),
                    mend=True,
                )
        if self._broker.button and not stop.is_set() and not self._anyone_may_answer(stop):
            self._listens = True

    def _listen_no_more(self) -> None:
        self._listens = False
        self._client.unsubscribe(SEEN_TOPIC)
        self.warning = tr(
            'the siren\'s button is not listened to: the broker {where} lets anyone write to "{topic}"; allow it '
            "to the siren's user only (allow_anonymous false, and an access list).",
            where=self._broker.where, topic=SEEN_TOPIC,
        )  # fmt: skip

    def _anyone_may_answer(self, stop: threading.Event) -> bool:
        """Whether a press by a stranger without a name comes through: tried, since no broker tells."""
        stranger = BrokerClient()
        try:
            # Its own connection must not be lost over it.
            if not open_connection(
                stranger, self._broker, _KEEPALIVE_S, self._teller.patience(stop, lambda: self.turn(0.0))
            ):
                return True
            until = time.monotonic() + _STRANGER_S
            stranger.publish(SEEN_TOPIC, self._probe, qos=1)
            while not self._probe_came and time.monotonic() < until:
                if stranger.loop(0.05) != paho.MQTT_ERR_SUCCESS:
                    break  # not let in at all
                self.turn(0.05)
        except BrokerUnavailable:
            if self._problem is not None:
                raise
        finally:
            with contextlib.suppress(Exception):
                stranger.disconnect()
        return self._probe_came

    def turn(self, wait_s: float) -> None:
        """Let the network go on for so long. Raises BrokerUnavailable when the connection is lost."""
        code = self._client.loop(wait_s)
        if self._problem is not None:
            raise self._problem
        if code != paho.MQTT_ERR_SUCCESS:
            raise BrokerUnavailable(
                tr("the broker {where} went away; it is connected again when it is back.", where=self._broker.where),
                mend=False,
            )

    def publish(self, topic: str, data: bytes, *, retain: bool) -> None:
        """Hand one message to the broker; a lost connection shows at the next turn."""
        self._client.publish(topic, data, qos=1, retain=retain)

    def close(self, farewell: bytes | None) -> None:
        """Leave. With a ``farewell`` that stays as the state; without one the broker's last will stands."""
        if farewell is None:
            with contextlib.suppress(Exception):
                self._client._sock_close()
            return
        with contextlib.suppress(Exception):
            message = self._client.publish(TOPIC, farewell, qos=1, retain=True)
            until = time.monotonic() + _GOODBYE_S
            while not message.is_published() and time.monotonic() < until:
                if self._client.loop(0.1) != paho.MQTT_ERR_SUCCESS:
                    break
            self._client.disconnect()
            self._client.loop(0.1)

    # ---- callbacks: what they raise would end the loop, so they raise nothing ----

    def _on_connect(self, client: paho.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            self._problem = refused(str(reason), self._broker)
        elif self._broker.button:
            client.subscribe(SEEN_TOPIC, qos=1)
        else:
            self._ready = True

    def _on_subscribe(self, _client: Any, _data: Any, _mid: int, reasons: list[Any], _properties: Any) -> None:
        if any(reason.is_failure for reason in reasons):
            self._problem = BrokerUnavailable(
                tr(
                    'the broker {where} does not let us read the topic "{topic}": correct its access list, or set '
                    "button = false under [siren].",
                    where=self._broker.where, topic=SEEN_TOPIC,
                ),
                mend=True,
            )  # fmt: skip
        self._ready = True

    def _on_message(self, _client: Any, _data: Any, message: paho.MQTTMessage) -> None:
        try:
            if message.payload == self._probe.encode():
                # However late it comes: a slow broker is no closed one.
                self._probe_came = True
                self._listen_no_more()
                return
            if not self._listens:
                return
            self._teller.heard(bytes(message.payload), bool(message.retain))
        except Exception as error:
            log.error("siren: an answer could not be noted: %r", error)
