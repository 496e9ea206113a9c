"""The client of our own: what it keeps of a message, however long and in whatever pieces it comes.

It rests on how the library reads a packet; these tests fail where a later version of it has another way.
"""

from __future__ import annotations

import random
import socket
import tracemalloc
from collections.abc import Sequence

import paho.mqtt.client as paho
import pytest

from monitor.broker import MOST_KEPT_BYTES, BrokerClient
from monitor.sources.line import MAX_LINE_BYTES

TOPIC = "emberpail/node-1/readings"


def length(count: int) -> bytes:
    """A packet's remaining length as MQTT 3.1.1 writes it (section 2.2.3)."""
    digits = b""
    while True:
        count, digit = divmod(count, 128)
        digits += bytes([digit | (128 if count else 0)])
        if not count:
            return digits


def publish(payload: bytes, mid: int, topic: str = TOPIC, qos: int = 1) -> bytes:
    """A PUBLISH packet (section 3.3)."""
    name = topic.encode()
    number = mid.to_bytes(2, "big") if qos else b""
    body = len(name).to_bytes(2, "big") + name + number + payload
    return bytes([0x30 | qos << 1]) + length(len(body)) + body


class Wire:
    """A client at one end of a pair of sockets; the test is the broker."""

    def __init__(self, client: paho.Client) -> None:
        self.client = client
        self.broker, end = socket.socketpair()
        end.setblocking(False)
        self.broker.setblocking(False)
        client._sock = end  # type: ignore[assignment]
        self.came: list[tuple[str, int, bytes]] = []
        client.on_message = lambda _client, _data, one: self.came.append((one.topic, one.mid, one.payload))

    def send(self, pieces: Sequence[bytes]) -> None:
        """Each piece is read before the next is sent."""
        for piece in pieces:
            left = memoryview(piece)
            while left:
                left = left[self.broker.send(left[:60_000]) :]
                self._read()

    def _read(self) -> None:
        while self.broker_is_ahead():
            assert self.client.loop_read() == paho.MQTT_ERR_SUCCESS

    def broker_is_ahead(self) -> bool:
        """Whether something is still to be read."""
        sock = self.client.socket()
        assert sock is not None, "the client has given up"
        try:
            return bool(sock.recv(1, socket.MSG_PEEK))  # type: ignore[attr-defined]
        except BlockingIOError:
            return False

    def close(self) -> None:
        """Both ends."""
        self.client._sock_close()
        self.broker.close()


@pytest.fixture
def wire() -> Wire:
    return Wire(BrokerClient("emberpail", manual_ack=True))


def cut(data: bytes, seed: int) -> list[bytes]:
    """The same bytes in pieces: near the packet's head single bytes, then of any length."""
    rng, pieces, at = random.Random(seed), [], 0
    while at < len(data):
        size = 1 if rng.random() < 0.1 else rng.randrange(1, 40_000)
        pieces.append(data[at : at + size])
        at += size
    return pieces


@pytest.mark.parametrize("seed", range(6))
def test_messages_of_any_length_in_any_pieces(wire: Wire, seed: int) -> None:
    """What fits comes whole; of what does not, topic, number and more than the longest line; what follows is whole."""
    rng = random.Random(seed)
    sizes = [0, 1, 500, MAX_LINE_BYTES, MAX_LINE_BYTES + 1, 300_000, 127, 2_000_000, MOST_KEPT_BYTES, 40]
    rng.shuffle(sizes)
    sent = [(TOPIC, 7 + number, rng.randbytes(size)) for number, size in enumerate(sizes)]
    wire.send(cut(b"".join(publish(payload, mid) for _, mid, payload in sent), seed))
    assert [one[:2] for one in wire.came] == [one[:2] for one in sent]
    for (_, _, payload), (_, _, came) in zip(sent, wire.came, strict=True):
        if len(payload) <= MAX_LINE_BYTES:
            assert came == payload
        else:
            assert len(came) > MAX_LINE_BYTES and payload.startswith(came)
    wire.close()


def test_byte_by_byte(wire: Wire) -> None:
    """The head of a long message may come in single bytes, and its end, too."""
    data = publish(b"x" * (2 * MOST_KEPT_BYTES), 9) + publish(b"good", 10)
    wire.send([data[at : at + 1] for at in range(200)])
    wire.send([data[200:-300]])
    wire.send([data[at : at + 1] for at in range(len(data) - 300, len(data))])
    assert [(mid, len(payload) > MAX_LINE_BYTES) for _, mid, payload in wire.came] == [(9, True), (10, False)]
    wire.close()


@pytest.mark.parametrize("qos", [0, 1])
def test_a_long_topic_leaves_room_to_see_that_the_message_is_too_long(wire: Wire, qos: int) -> None:
    """The longest topic there is takes 65,535 bytes."""
    topic = "t" * 65_535
    wire.send([publish(b"x" * 300_000, 3, topic, qos), publish(b"y" * MAX_LINE_BYTES, 4, topic, qos)])
    (first, mid, cut_off), (second, _, whole) = wire.came
    assert first == second == topic and mid == (3 if qos else 0)
    assert len(cut_off) > MAX_LINE_BYTES and whole == b"y" * MAX_LINE_BYTES
    wire.close()


def test_a_message_beyond_all_measure_takes_no_memory(wire: Wire) -> None:
    """Not even what the library sets aside before it reads: it asks the socket for all that is to come."""
    body = len(TOPIC).to_bytes(2, "big") + TOPIC.encode() + b"\x00\x05"
    piece = b"x" * 50_000
    wire.send([publish(b"first", 4)])
    tracemalloc.start()
    wire.send([b"\x32" + length(len(body) + 800 * len(piece)) + body, *[piece] * 800, publish(b"next", 6)])
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert [mid for _, mid, _ in wire.came] == [4, 5, 6] and wire.came[-1][2] == b"next"
    assert peak < 2_000_000, f"{peak} bytes for a message of 40 MB"
    wire.close()


def test_the_library_is_as_we_know_it() -> None:
    """What the client of ours puts itself in the place of; without it there is no limit any more."""
    client = BrokerClient()
    assert type(client._in_packet["packet"]) is bytearray
    assert callable(paho.Client._packet_read) and callable(paho.Client._sock_recv)


def test_a_library_that_gathers_another_way_still_works(wire: Wire) -> None:
    """Its own packet is then left as it is: no limit, and no failure."""
    wire.client._in_packet["packet"] = b""  # type: ignore[typeddict-item]
    wire.send([publish(b"x" * 300_000, 3)])
    assert wire.came == [(TOPIC, 3, b"x" * 300_000)]
    wire.close()
