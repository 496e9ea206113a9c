"""Lines from nodes behind an MQTT broker, acknowledged only once they are committed.

The session is kept by the broker (fixed client id, clean session off, QoS 1), so what comes while the watch is away
waits there. A message is acknowledged by ``Line.ack``, which the worker calls after its commit; a stock broker sends
no more than ``IN_FLIGHT_WINDOW`` unacknowledged messages, hence ``MqttSource.unacknowledged``. While the journal takes
nothing in for a minute, a second connection hears what the broker holds back for us (``sources.overhearing``).

Two decisions keep this small. The network loop is driven here, in the source's own thread, not in one of the
library's: a thread that dies unseen is the library's best known trap. And every connection has a client object of
its own: nothing of a broken connection, least of all its message ids, can leak into the next.

MQTT 3.1.1, because every broker speaks it and keeps such a session without an expiry to agree on.
"""

from __future__ import annotations

import contextlib
import functools
import itertools
import json
import select
import socket
import ssl
import threading
import time
import zlib
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho

from monitor.broker import SLOW_AFTER_S, BrokerClient, BrokerUnavailable, Patience, open_connection, refused, slow
from monitor.errand import Errand
from monitor.sources.again import KEPT
from monitor.sources.health import HealthBook, SourceHealth
from monitor.sources.line import MAX_LINE_BYTES, Clock, Deliver, Line, Origin
from monitor.sources.overhearing import Doubles, Ear
from monitor.words import tr

DEFAULT_TOPIC = "emberpail/+/readings"
# What a stock broker sends unacknowledged (mosquitto.conf: max_inflight_messages 20); then it waits.
IN_FLIGHT_WINDOW = 20
# Commit when this many wait, so that the broker never has to.
COMMIT_AT = IN_FLIGHT_WINDOW // 2

# A broker that miscounts sends far more (see ``sources.again``): only so many are handed on before they are
# acknowledged, the others wait here, and beyond a bound in the network.
MOST_HANDED_ON = KEPT // 4
_MOST_HELD = 5000

# Short, so that a dead link is noticed within two of them.
KEEPALIVE_S = 20
_HELLO_TIMEOUT_S = 10.0
_FIRST_WAIT_S = 0.5
_LONGEST_WAIT_S = 15.0
_TURN_S = 0.5
ANNOUNCE_EVERY_S = 60.0
# A full window for longer than this means that the worker does not commit.
_WINDOW_STUCK_S = 60.0
# The window has had room for so long: nothing waits at the broker any more, once it has answered after that, too.
SETTLED_S = 5.0
_EAR_AGAIN_S = 15.0
# A broker may grant a subscription that its access list forbids, and then sends nothing: said after so long.
MUTE_AFTER_S = 300.0
# Thrown out this soon and this often after connecting: somebody else uses the client id.
_BRIEF_S = 5.0
_BRIEF_TIMES = 4


@dataclass(frozen=True, slots=True)
class Announcement:
    """What the watch says of itself on its broker, kept there for whoever asks: the state, and when it said so.

    ``state()`` is asked at every turn ("minding" or "amiss"); the broker itself says "gone" when the connection
    is lost (the last will of MQTT 3.1.1, section 3.1.2.5), and "stopped" is said on purpose.
    """

    topic: str
    state: Callable[[], str]
    more: Mapping[str, object] = field(default_factory=dict)  # what else it says of itself


class MqttSource:
    """Reads messages from a broker, for as long as the watch runs. See ``monitor.sources.line`` for the contract.

    ``password`` never shows in a sentence. TLS, where on, verifies the broker against ``ca_file`` or the system's.
    """

    def __init__(
        self,
        host: str = "localhost",
        port: int = 1883,
        *,
        clock: Clock,
        name: str = "mqtt",
        topic: str = DEFAULT_TOPIC,
        client_id: str = "emberpail",
        username: str | None = None,
        password: str | None = None,
        tls: bool = False,
        ca_file: Path | str | None = None,
        keepalive_s: int = KEEPALIVE_S,
        clean_session: bool = False,
    ) -> None:
        self.name = name
        self.host, self.port, self.topic, self.client_id = host, port, topic, client_id
        self.tls, self.ca_file = tls, ca_file
        self.username = username
        self._password = password
        self._keepalive_s = keepalive_s
        self._clean_session = clean_session
        self._clock = clock
        self._book = HealthBook(clock.now, tr("looking for the broker at {host}:{port}.", host=host, port=port))
        self._lock = threading.Lock()
        # Every message gets a number of its own, over all connections: the broker's message ids come again.
        self._numbers = itertools.count()
        self._waiting: dict[int, tuple[int, float]] = {}  # number -> message id, arrival; of this connection only
        self._acks: list[int] = []  # message ids to acknowledge on this connection
        self._wake: socket.socket | None = None  # writing to it wakes the thread of the connection that stands
        self._brief = 0
        self._doubles = Doubles()
        self._errand: Errand[Any] = Errand(f"{name} connects")
        self._new_session = False  # the broker knew of no session when we connected, and no line has said so yet
        self.announcement: Announcement | None = None  # set before the thread starts
        # Whether a session begun anew is told at once, by a line without data, and not with the first that comes: in
        # between we may be ended, and then nobody would tell it any more. Set before the thread starts.
        self.tells_new_session = False

    def forget_session(self) -> None:
        """Have the broker keep nothing for us once we are gone; before the thread starts."""
        self._clean_session = True

    # ---- what others ask -------------------------------------------------------------------------------------------

    def health(self) -> SourceHealth:
        """How it stands now."""
        return self._book.snapshot()

    @property
    def unacknowledged(self) -> int:
        """How many messages of this connection wait to be committed; at ``COMMIT_AT`` it is time to."""
        with self._lock:
            return len(self._waiting)

    def _unacknowledged_there(self) -> int:
        """As many as the broker still counts, of those that were handed on: an acknowledgement may not be out yet."""
        with self._lock:
            return len(self._waiting) + len(self._acks)

    # ---- the thread ------------------------------------------------------------------------------------------------

    def run(self, deliver: Deliver, stop: threading.Event) -> None:
        """Deliver messages until ``stop`` is set; connects again whenever the broker goes away."""
        wait_s = _FIRST_WAIT_S
        while not stop.is_set():
            self._book.progress()
            connection = _Connection(self, deliver)
            try:
                connection.live(stop)
            except BrokerUnavailable as problem:
                self._book.enter("trouble" if problem.mend else "waiting", str(problem))
            except Exception as error:
                self._book.fault("unexpected")
                self._book.enter(
                    "trouble",
                    tr("the connection to {where} failed as nobody foresaw: {error!r}.", where=self.where, error=error),
                )
            finally:
                connection.close(on_purpose=stop.is_set())
                self._forget_acks()
            if connection.listening:
                self._book.fault("disconnected")
                wait_s = _FIRST_WAIT_S
                self._mind_brief(connection.lasted_s)
            else:
                self._brief = 0  # the broker itself was away, so nobody threw us out
            if not stop.wait(wait_s):
                # A client id used twice would else make both throw each other out twice a second.
                wait_s = min(2.0 * wait_s, _LONGEST_WAIT_S) if self._brief < _BRIEF_TIMES else _LONGEST_WAIT_S

    @property
    def where(self) -> str:
        """The broker's address as a person writes it."""
        return f"{self.host}:{self.port}"

    def _mind_brief(self, lasted_s: float) -> None:
        self._brief = self._brief + 1 if lasted_s < _BRIEF_S else 0
        if self._brief >= _BRIEF_TIMES:
            self._book.enter(
                "trouble",
                tr(
                    "the broker {where} cuts us off at once, again and again: another program likely uses "
                    'the client id "{client_id}" too; give one of them another client_id.',
                    where=self.where,
                    client_id=self.client_id,
                ),
            )

    # ---- acknowledging ---------------------------------------------------------------------------------------------

    def _expect_ack(self, mid: int, arrival_s: float) -> Callable[[], None]:
        with self._lock:
            number = next(self._numbers)
            self._waiting[number] = (mid, arrival_s)
        return functools.partial(self._ack, number)

    def _ack(self, number: int) -> None:
        """Called from the worker's thread after its commit; the PUBACK itself goes out from the source's thread."""
        with self._lock:
            # One of an earlier connection is not here any more: the broker has sent, or will send, that message again.
            mid, _ = self._waiting.pop(number, (None, 0.0))
            if mid is None:
                return
            self._acks.append(mid)
            wake = self._wake
        if wake is not None:
            with contextlib.suppress(OSError):  # full: it wakes up anyway; closed: the connection is over
                wake.send(b"a")

    def _take_acks(self) -> list[int]:
        with self._lock:
            mids, self._acks = self._acks, []
        return mids

    def _forget_acks(self) -> None:
        with self._lock:
            self._waiting.clear()
            self._acks.clear()

    def _oldest_waiting_s(self) -> float | None:
        """Arrival of the oldest message that waits, when the broker's window is full."""
        with self._lock:
            if len(self._waiting) < IN_FLIGHT_WINDOW:
                return None
            return min(arrival_s for _, arrival_s in self._waiting.values())


class _Connection:
    """One connection to the broker, with a client object of its own. All of it runs in the source's thread."""

    def __init__(self, source: MqttSource, deliver: Deliver) -> None:
        self.listening = False
        self._source = source
        self._book = source._book
        self._deliver = deliver
        self._problem: BrokerUnavailable | None = None
        self._listening_since = 0.0
        self._stuck = self._mute = False
        self._heard_since = 0.0
        self._announced, self._announced_at = "", 0.0
        self._held: deque[tuple[int, Line]] = deque()  # message id, and a line that is not handed on yet
        self._ear: Ear | None = None
        self._ear_told = False
        self._ear_again_at = 0.0
        self._caught_up = False  # the session has brought all that had waited for us
        self._room_since: float | None = None  # monotonic: since when the window has had room
        self._asked: int | None = None  # the number of the question whose answer says so
        self._client = self._new_client()
        self._woken, source._wake = socket.socketpair()
        self._woken.setblocking(False)
        source._wake.setblocking(False)

    @property
    def lasted_s(self) -> float:
        """How long it listened."""
        return time.monotonic() - self._listening_since

    def _new_client(self) -> paho.Client:
        client = BrokerClient(
            self._source.client_id, clean_session=self._source._clean_session, manual_ack=True
        )
        if self._source.username is not None:
            client.username_pw_set(self._source.username, self._source._password)
        announced = self._source.announcement
        if announced is not None:
            client.will_set(announced.topic, self._announcement("gone"), qos=1, retain=True)
        client.on_connect = self._guarded(self._on_connect)
        client.on_subscribe = self._guarded(self._on_subscribe)
        client.on_unsubscribe = self._guarded(self._on_unsubscribe)
        client.on_message = self._guarded(self._on_message)
        return client

    def _guarded(self, body: Callable[..., None]) -> Callable[..., None]:
        """A callback that raises would take the network loop with it: count it and go on."""

        def callback(*arguments: Any) -> None:
            try:
                body(*arguments)
            except Exception:
                self._book.fault("callback_failed")

        return callback

    # ---- the loop --------------------------------------------------------------------------------------------------

    def live(self, stop: threading.Event) -> None:
        """Connect, subscribe, receive, until ``stop`` is set. Raises BrokerUnavailable when it cannot go on."""
        if not self._connect(Patience(self._source._errand, stop, self._waits)):
            return
        give_up = time.monotonic() + _HELLO_TIMEOUT_S
        while not stop.is_set():
            self._book.progress()
            self._turn()
            if self._problem is not None:
                raise self._problem
            if not self.listening and time.monotonic() > give_up:
                raise BrokerUnavailable(
                    tr(
                        "{where} does not answer as an MQTT broker does: check host and port.", where=self._source.where
                    ),
                    mend=True,
                )
            self._mind_window()
            self._mind_queue()
            self._mind_silence()
            self._announce()

    def _connect(self, patience: Patience | None = None) -> bool:
        return open_connection(self._client, self._source, self._source._keepalive_s, patience)

    def _waits(self, waited_s: float) -> None:
        self._book.progress()
        if waited_s >= SLOW_AFTER_S:
            self._book.enter("waiting", slow(self._source))

    def _turn(self) -> None:
        """Wait for the network, an acknowledgement or half a second, and do what is due."""
        client, wake = self._client, self._woken
        sock = client.socket()
        if sock is None:
            raise self._lost()
        # TLS may hold decrypted bytes that the operating system no longer shows.
        pending = isinstance(sock, ssl.SSLSocket) and sock.pending() > 0
        reads = len(self._held) < _MOST_HELD
        heard = None if self._ear is None else self._ear.socket()
        pending_ear = isinstance(heard, ssl.SSLSocket) and heard.pending() > 0
        waits = [wake, *([sock] if reads else []), *([] if heard is None else [heard])]
        try:
            readable, _, _ = select.select(
                waits, [sock] if client.want_write() else [], [], 0.0 if (pending and reads) or pending_ear else _TURN_S
            )
        except (OSError, ValueError):
            raise self._lost() from None
        if wake in readable:
            with contextlib.suppress(OSError):
                wake.recv(4096)
        acks = self._source._take_acks()
        if acks or (self._ear is not None and heard is None):
            # Before the broker goes on: from here each message comes by the session alone.
            self._close_ear()
        if acks:
            self._asked = None  # what these let come must be here before the answer that counts
        for mid in acks:
            client.ack(mid, 1)
        if self._ear is not None:
            self._ear.turn(readable=heard in readable or pending_ear)
        self._hand_on()
        if reads and (sock in readable or pending):
            client.loop_read()
        if client.want_write():
            client.loop_write()
        client.loop_misc()
        if client.socket() is None:
            raise self._problem or self._lost()

    def _lost(self) -> BrokerUnavailable:
        where = self._source.where
        if self.listening:
            return BrokerUnavailable(
                tr("the broker {where} went away; it is connected again when it is back.", where=where), mend=False
            )
        return BrokerUnavailable(
            tr(
                "{where} closed the connection before it said hello: check port, tls and, if the broker limits them, "
                "client_id.",
                where=where,
            ),
            mend=False,
        )

    def _mind_window(self) -> None:
        oldest_s = self._source._oldest_waiting_s()
        stuck = oldest_s is not None and self._source._clock.now() - oldest_s > _WINDOW_STUCK_S
        if stuck:
            self._mind_ear()
        hears = self._ear is not None and self._ear.listening
        if stuck and not self._stuck:
            self._book.fault("window_stuck")
        if stuck and (not self._stuck or hears != self._ear_told):
            self._ear_told = hears
            self._book.enter("trouble", _stuck_words(hears=hears))
        elif self._stuck and not stuck:
            self._tell_listening()
        self._stuck = stuck

    def _mind_queue(self) -> None:
        """Find out when the session has brought all that waited: a broker fills the window as long as anything does.

        A network may hold back what fills it, so the broker is asked something, which it answers in turn.
        """
        if self._caught_up or self._window_is_full() or not self.listening:
            return
        now = time.monotonic()
        self._room_since = now if self._room_since is None else self._room_since
        if self._asked is None and now - self._room_since > SETTLED_S:
            # Nobody has subscribed to that: it changes nothing (MQTT-3.10.4-5).
            _, self._asked = self._client.unsubscribe(f"{self._source.client_id}/nothing")

    def _window_is_full(self) -> bool:
        """Whether more may wait than the broker may send now; what was asked before is then void."""
        source = self._source
        full = self._ear is not None or len(self._held) + source._unacknowledged_there() >= IN_FLIGHT_WINDOW
        if full:
            self._room_since = self._asked = None
        return full

    def _mind_ear(self) -> None:
        """Hear by a second connection what the broker holds back; it is opened again where it was lost."""
        if self._source._doubles.full:
            self._close_ear()
        elif self._ear is None:
            self._open_ear()

    def _open_ear(self) -> None:
        """Beside our own turns: while its way to the broker is looked for, the session's connection must live on."""
        source, errand = self._source, self._source._errand
        if errand.is_back():
            with contextlib.suppress(BrokerUnavailable):
                self._ear, self._caught_up = errand.take(), False
        elif not errand.under_way and time.monotonic() >= self._ear_again_at:
            self._ear_again_at = time.monotonic() + _EAR_AGAIN_S
            take = self._guarded(self._overhear)
            errand.begin(
                lambda _: Ear(source, source._password, source.topic, source._keepalive_s, take),
                lambda ear: ear.close(),
            )

    def _close_ear(self) -> None:
        self._source._errand.forsake()
        ear, self._ear = self._ear, None
        if ear is not None:
            ear.close()
            self._source._doubles.ear_closed()

    def _overhear(self, message: paho.MQTTMessage) -> None:
        line = self._line_of(message, delivery="")
        if line is not None and self._source._doubles.by_ear(line.origin.topic, line.data):
            self._hand(replace(line, overheard=True))

    def _announce(self) -> None:
        """Say how the watch is once the broker lets us read: every minute, and at once when it changes."""
        announced, now = self._source.announcement, time.monotonic()
        if announced is None or not self.listening:
            return
        state = announced.state()
        if state != self._announced or now - self._announced_at >= ANNOUNCE_EVERY_S:
            self._announced, self._announced_at = state, now
            self._client.publish(announced.topic, self._announcement(state), qos=1, retain=True)

    def _announcement(self, state: str) -> str:
        # A last will is written when the connection begins, so its time would say the wrong thing.
        at = {} if state == "gone" else {"at": round(self._source._clock.now())}
        announced = self._source.announcement
        more = {} if announced is None else announced.more
        return json.dumps({"state": state, **at, **more}, ensure_ascii=False)

    def _mind_silence(self) -> None:
        """Nothing at all for some minutes looks like a connection that is well: it says where to look."""
        if not self.listening or self._stuck:
            return
        mute = time.monotonic() - max(self._listening_since, self._heard_since) > MUTE_AFTER_S
        if mute and not self._mute:
            self._book.enter(
                "connected",
                tr(
                    'connected to {where}, but nothing has come on "{topic}" for {minutes:.0f} minutes: see that a '
                    "node sends there, and that the broker's access list lets us read it.",
                    where=self._source.where,
                    topic=self._source.topic,
                    minutes=MUTE_AFTER_S / 60.0,
                ),
            )
        elif self._mute and not mute:
            self._tell_listening()
        self._mute = mute

    def close(self, *, on_purpose: bool = False) -> None:
        """Say goodbye where possible, so that the broker does not wait for us."""
        self._close_ear()
        announced = self._source.announcement
        if announced is not None and not on_purpose:
            with contextlib.suppress(Exception):  # without a goodbye, so that the last will is told
                self._client._sock_close()
        with contextlib.suppress(Exception):
            if announced is not None and self.listening:
                self._client.publish(announced.topic, self._announcement("stopped"), qos=1, retain=True)
            for mid in self._source._take_acks():
                self._client.ack(mid, 1)
            self._client.disconnect()
            self._client.loop_write()
        with contextlib.suppress(Exception):
            self._client._sock_close()
        wake, self._source._wake = self._source._wake, None
        for one in (self._woken, wake):
            if one is not None:
                one.close()

    # ---- callbacks -------------------------------------------------------------------------------------------------

    def _on_connect(self, client: paho.Client, _data: Any, flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            self._problem = refused(str(reason), self._source)
            return
        if not flags.session_present:
            self._source._new_session = True
            if self._source.tells_new_session:
                self._hand(Line(self._source._clock.now(), b"", Origin("mqtt", self._source.name)))
        # Here and not after connecting: a broker that forgot the session has forgotten the subscription, too.
        client.subscribe(self._source.topic, qos=1)

    def _on_subscribe(self, _client: Any, _data: Any, _mid: int, reasons: list[Any], _properties: Any) -> None:
        if any(reason.is_failure for reason in reasons):
            self._problem = BrokerUnavailable(
                tr(
                    'the broker {where} does not let us read the topic "{topic}": '
                    "correct topic, or have the broker's access list allow it.",
                    where=self._source.where,
                    topic=self._source.topic,
                ),
                mend=True,
            )
            return
        self.listening = True
        self._listening_since = time.monotonic()
        if self._source._brief < _BRIEF_TIMES:
            self._tell_listening()

    def _on_unsubscribe(self, _client: Any, _data: Any, mid: int, *_more: Any) -> None:
        self._caught_up = self._caught_up or (mid == self._asked and not self._window_is_full())

    def _tell_listening(self) -> None:
        self._book.enter(
            "connected",
            tr('connected to {where}, listening to "{topic}".', where=self._source.where, topic=self._source.topic),
        )

    def _on_message(self, _client: Any, _data: Any, message: paho.MQTTMessage) -> None:
        # The broker numbers its messages in a ring: the number alone comes again.
        delivery = f"{message.mid}:{zlib.crc32(bytes(message.payload)):08x}" if message.qos == 1 else ""
        line = self._line_of(message, delivery)
        if line is None:
            if message.qos:
                self._client.ack(message.mid, message.qos)
        elif self._ear is not None and self._ear.listening and not line.delivery:
            # It is not held back by the window, and the ear hears it, too: whichever is first.
            if self._source._doubles.by_session(line.origin.topic, line.data, ear_is_open=True):
                self._hand(line)
        else:
            self._held.append((message.mid, replace(line, caught_up=self._caught_up)))
            self._window_is_full()
            self._hand_on()

    def _line_of(self, message: paho.MQTTMessage, delivery: str) -> Line | None:
        """A message as a line; None for one that will not get better by being sent again."""
        source = self._source
        arrival_s = source._clock.now()
        payload = bytes(message.payload)
        if len(payload) > MAX_LINE_BYTES:  # of a far longer one the client has kept the beginning
            self._book.fault("too_long")
            return None
        if not payload.strip():
            return None  # empty is how a retained message is deleted
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = message._topic.decode("utf-8", "replace")
        if message.dup:
            self._book.fault("sent_again")
        self._book.took_line(arrival_s)
        self._heard_since = time.monotonic()
        data = payload.replace(b"\n", b" ")
        origin = Origin("mqtt", source.name, topic)
        return Line(arrival_s, data, origin, message.retain, message.dup, delivery=delivery)

    def _hand_on(self) -> None:
        """Give the worker what it may have by now, in the order in which it came.

        Nothing while the ear is open: what the session brings then must come after what was overheard.
        """
        source = self._source
        while self._held and self._ear is None and source.unacknowledged < MOST_HANDED_ON:
            mid, line = self._held.popleft()
            if line.delivery:
                # One that came before an ear was opened says nothing of what that has heard.
                caught_up = line.caught_up and self._caught_up
                self._hand(replace(line, ack=source._expect_ack(mid, line.arrival_s), caught_up=caught_up))
            elif source._doubles.by_session(line.origin.topic, line.data, ear_is_open=False):
                self._hand(line)

    def _hand(self, line: Line) -> None:
        try:
            self._deliver(replace(line, new_session=True) if self._source._new_session else line)
            self._source._new_session = False
        except Exception:
            # Not acknowledged, so the broker sends it again after the next connection.
            self._book.fault("not_taken_in")


def _stuck_words(*, hears: bool) -> str:
    if hears:
        return tr(
            "the journal has not taken in the last {n} messages: new ones are judged as they come, and the broker "
            "keeps them; see whether the disk is full.",
            n=IN_FLIGHT_WINDOW,
        )
    return tr(
        "the journal has not taken in the last {n} messages, so the broker sends no more: "
        "see whether the disk is full.",
        n=IN_FLIGHT_WINDOW,
    )


class _Still:
    """A clock for a check, which stamps nothing."""

    def now(self) -> float:
        return 0.0


def check_broker(
    host: str = "localhost",
    port: int = 1883,
    *,
    topic: str = DEFAULT_TOPIC,
    client_id: str = "emberpail",
    username: str | None = None,
    password: str | None = None,
    tls: bool = False,
    ca_file: Path | str | None = None,
) -> tuple[bool, str]:
    """Connect and subscribe as ``MqttSource`` would, then leave again: (it works, one sentence).

    Goes under a client id of its own, so that a running watch is not thrown out.
    """
    source = MqttSource(
        host, port, clock=_Still(), topic=topic, client_id=f"{client_id}-check", username=username, password=password,
        tls=tls, ca_file=ca_file, clean_session=True,
    )  # fmt: skip
    connection = _Connection(source, lambda line: None)
    try:
        connection._connect()
        give_up = time.monotonic() + _HELLO_TIMEOUT_S
        while not connection.listening and connection._problem is None:
            connection._turn()
            if time.monotonic() > give_up:
                return False, tr(
                    "{where} does not answer as an MQTT broker does: check host and port.", where=source.where
                )
        if connection._problem is not None:
            raise connection._problem
    except BrokerUnavailable as problem:
        return False, str(problem)
    finally:
        connection.close()
    return True, tr('the broker {where} answers and lets us read "{topic}".', where=source.where, topic=topic)
