"""What everything that speaks with an MQTT broker shares: a client whose memory is bounded, opening the connection,
and what a refusal means in words.

A tool, not an edge: it neither reads nor publishes.
"""

from __future__ import annotations

import socket
import ssl
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol, Self

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from monitor.errand import Errand, Unwanted
from monitor.words import tr

_CONNECT_TIMEOUT_S = 5.0
# A visitor waits so long for the broker's answer.
HELLO_S = 5.0
_VISIT_KEEPALIVE_S = 20
# A broker that is well is reached in less. Then it is said, and waited for all the same.
SLOW_AFTER_S = 15.0
# Of a packet so much is kept: the longest topic there is, its length and the message's number, and more of the payload
# than the longest line (``sources.line.MAX_LINE_BYTES``), so that what was cut is seen to be too long.
MOST_KEPT_BYTES = 2 + 65535 + 2 + 65 * 1024
_READ_BYTES = 64 * 1024


class BrokerAddress(Protocol):
    """Where a broker is and as whom we come; ``where`` as a person writes it."""

    @property
    def host(self) -> str: ...
    @property
    def port(self) -> int: ...
    @property
    def where(self) -> str: ...
    @property
    def tls(self) -> bool: ...
    @property
    def ca_file(self) -> Path | str | None: ...
    @property
    def username(self) -> str | None: ...
    @property
    def client_id(self) -> str: ...


class _Hidden(Protocol):
    def reveal(self) -> str: ...


class BrokerAccount(BrokerAddress, Protocol):
    """A broker's address with the password that belongs to the user name."""

    @property
    def password(self) -> _Hidden | None: ...


class BrokerUnavailable(ValueError):
    """The broker cannot be used now. ``mend``: a person has to do something, waiting alone will not help."""

    def __init__(self, sentence: str, *, mend: bool) -> None:
        self.mend = mend
        super().__init__(sentence)


class _Head(bytearray):
    """The first ``MOST_KEPT_BYTES`` of what is added to it."""

    def __iadd__(self, more: Any) -> Self:  # type: ignore[misc]  # nobody asks it for a sum
        room = MOST_KEPT_BYTES - len(self)
        if room > 0:
            self.extend(more[:room])
        return self


class BrokerClient(paho.Client):
    """The library's client for MQTT 3.1.1, which of a message beyond all measure keeps the beginning and no more.

    A packet may be 256 MB long, and a broker that nobody has set a limit for (mosquitto's ``message_size_limit``)
    passes it on to everybody who listens. The library gathers it all before it asks anybody; where the memory does
    not hold it the connection ends, and the broker sends the same message again, for ever, and nothing behind it. So
    the rest is read and forgotten here: the message comes with its topic, its number and a payload that is cut to
    some length above 64 kB, and whoever takes it can count it and acknowledge it.

    Rests on two inner methods of the library and on how it gathers a packet; where a later version has another way,
    it works as that version does, without a limit, and ``tests/test_broker.py`` fails.
    """

    def __init__(self, client_id: str = "", *, clean_session: bool = True, manual_ack: bool = False) -> None:
        super().__init__(
            CallbackAPIVersion.VERSION2, client_id=client_id, clean_session=clean_session, protocol=paho.MQTTv311,
            reconnect_on_failure=False, manual_ack=manual_ack,
        )  # fmt: skip

    def _packet_read(self) -> paho.MQTTErrorCode:
        """Go on with one packet, as far as there is something to read; called again until it is whole."""
        packet = getattr(self, "_in_packet", None)
        # The library makes a new one when a packet is done, and when it connects.
        if isinstance(packet, dict) and type(packet.get("packet")) is bytearray:
            packet["packet"] = _Head(packet["packet"])
        return super()._packet_read()

    def _sock_recv(self, bufsize: int) -> bytes:
        """The library asks for all of a packet that is to come, and so much memory is set aside for it."""
        return super()._sock_recv(min(bufsize, _READ_BYTES))


@dataclass(frozen=True, slots=True)
class Patience:
    """How a supervised worker waits for a broker that is slow to reach: it turns round, and stops when told to.

    ``turned`` gets the seconds waited so far (``Errand.do``); beyond ``SLOW_AFTER_S`` there is ``slow`` to say.
    """

    errand: Errand[Any]
    stop: threading.Event
    turned: Callable[[float], object]


def open_connection(
    client: paho.Client, broker: BrokerAddress, keepalive_s: int, patience: Patience | None = None
) -> bool:
    """Connect ``client``, with TLS where asked for; False when told to stop meanwhile. Raises BrokerUnavailable.

    Without ``patience`` it blocks: as long as the system looks for the name, then 5 s for each address.
    """
    if patience is None:
        _connect(client, broker, keepalive_s)
        return True

    def connect(unwanted: Unwanted) -> paho.Client:
        def opened(*_: Any) -> None:
            if unwanted():  # before a word is said to the broker
                client._sock_close()
                raise ConnectionAbortedError

        client.on_socket_open = opened
        _connect(client, broker, keepalive_s)
        return client

    return patience.errand.do(connect, patience.stop, patience.turned, lambda late: late._sock_close()) is not None


def slow(broker: BrokerAddress) -> str:
    """What to say of a broker that has not been reached for a while, though nothing says that it cannot be."""
    return tr(
        "{where} takes long to reach: is the broker's computer on the network, and does the network's name server "
        "answer? We go on waiting.",
        where=broker.where,
    )  # fmt: skip


def _connect(client: paho.Client, broker: BrokerAddress, keepalive_s: int) -> None:
    client.connect_timeout = _CONNECT_TIMEOUT_S
    try:
        if broker.tls:
            context = ssl.create_default_context(cafile=str(broker.ca_file) if broker.ca_file else None)
            client.tls_set_context(context)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or tr("it holds no certificate")
        raise BrokerUnavailable(
            tr(
                "the certificate file {ca_file} cannot be used ({reason}): correct ca_file.",
                ca_file=broker.ca_file,
                reason=reason,
            ),
            mend=True,
        ) from None
    try:
        client.connect(broker.host, broker.port, keepalive_s)
    except (OSError, ValueError) as error:
        raise why_not(error, broker) from None


def visit(broker: BrokerAccount, client_id: str, *, clean_session: bool) -> paho.Client:
    """Connect for a short visit and wait until the broker has taken us. Raises BrokerUnavailable.

    Nothing is acknowledged, so that a session that stays keeps what it holds. The caller turns the client's loop, and
    disconnects.
    """
    client = BrokerClient(client_id, clean_session=clean_session, manual_ack=True)
    if broker.username is not None:
        client.username_pw_set(broker.username, None if broker.password is None else broker.password.reveal())
    answers: list[str] = []

    def on_connect(_client: Any, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        answers.append(str(reason) if reason.is_failure else "")

    client.on_connect = on_connect
    open_connection(client, broker, _VISIT_KEEPALIVE_S)
    until = time.monotonic() + HELLO_S
    while not answers and time.monotonic() < until:
        if client.loop(0.1) != paho.MQTT_ERR_SUCCESS:
            break
    if answers and not answers[0]:
        return client
    client.disconnect()
    raise refused(answers[0], broker) if answers else why_not(TimeoutError(), broker)


def refused(reason: str, broker: BrokerAddress) -> BrokerUnavailable:
    """A broker's own refusal -> the sentence that says how to mend it."""
    if reason.lower() in ("bad user name or password", "not authorized"):
        if broker.username is None:
            sentence = tr(
                "the broker {where} wants a user name and a password: set username and password.",
                where=broker.where,
            )
        else:
            sentence = tr(
                'the broker {where} refuses the user name "{username}" or its password: '
                "correct username and password.",
                where=broker.where,
                username=broker.username,
            )
        return BrokerUnavailable(sentence, mend=True)
    if "identifier" in reason.lower():
        return BrokerUnavailable(
            tr(
                'the broker {where} refuses the client id "{client_id}": change client_id.',
                where=broker.where,
                client_id=broker.client_id,
            ),
            mend=True,
        )
    return BrokerUnavailable(
        tr("the broker {where} refuses us ({reason}).", where=broker.where, reason=reason.lower()), mend=False
    )


def why_not(error: BaseException, broker: BrokerAddress) -> BrokerUnavailable:
    """An error of connecting -> the sentence that says what it means and how to mend it."""
    where = broker.where
    if isinstance(error, ssl.SSLCertVerificationError):
        reason = error.verify_message.rstrip(".")
        return BrokerUnavailable(
            tr(
                "the certificate of the broker {where} is not trusted ({reason}): set ca_file to the certificate that "
                "signed it, and host to a name that stands in it.",
                where=where,
                reason=reason,
            ),
            mend=True,
        )
    if isinstance(error, ssl.SSLError):
        return BrokerUnavailable(
            tr(
                "{where} does not speak TLS as it should: check port (8883 is usual with tls) and the broker's "
                "listener.",
                where=where,
            ),
            mend=True,
        )
    if isinstance(error, socket.gaierror):
        return BrokerUnavailable(
            tr(
                'the broker\'s name "{host}" is not known on this network: correct host, or wait for the network.',
                host=broker.host,
            ),
            mend=False,
        )
    if isinstance(error, ConnectionRefusedError):
        return BrokerUnavailable(
            tr("nothing answers at {where}: start the broker, or correct host and port; we go on trying.", where=where),
            mend=False,
        )
    if isinstance(error, TimeoutError):
        return BrokerUnavailable(
            tr("{where} does not answer: is the broker's computer on the network?", where=where), mend=False
        )
    if isinstance(error, ValueError):
        return BrokerUnavailable(
            tr("{where} is no broker's address ({error}): correct host and port.", where=where, error=error), mend=True
        )
    what = getattr(error, "strerror", None) or repr(error)
    return BrokerUnavailable(
        tr("the broker {where} cannot be reached ({what}); we go on trying.", where=where, what=what), mend=False
    )
