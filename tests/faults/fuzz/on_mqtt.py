"""Messages from a broker: any topic, any payload, stored or fresh, through the source's own callback.

An input is a line of flags and topic, then the payload: ``r`` retained, ``d`` sent again, ``0`` with QoS 0.
"""

from __future__ import annotations

import atexit
import os
import shutil
import tempfile
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from zlib import crc32

import paho.mqtt.client as paho

from monitor.sensing.senml import Decoded, Decoder
from monitor.sources.line import MAX_LINE_BYTES, Line
from monitor.sources.mqtt import MqttSource, _Connection
from monitor.sources.recording import RecordingWriter, read_recording
from tests.faults.fuzz.target import Target
from tests.faults.fuzz.wire import EXAMPLES, NOW_S, PROBE_SETTINGS, WORDS, check, check_alike, recorded, with_sums

ALIKE_ONE_IN, RECORDED_ONE_IN = 8, 128


class _Clock:
    def now(self) -> float:
        return NOW_S


class _Broker:
    """A source and its connection, without any network: messages are put into the callback by hand."""

    def __init__(self) -> None:
        self.lines: list[Line] = []
        self.source = MqttSource(clock=_Clock(), name="broker")
        self.connection = _Connection(self.source, self.lines.append)
        self.acked: list[int] = []
        self.connection._client.ack = self._ack  # type: ignore[method-assign,assignment]

    def _ack(self, mid: int, _qos: int) -> None:
        self.acked.append(mid)

    def send(self, message: paho.MQTTMessage) -> Line | None:
        """What the source handed on, None where it passed it over."""
        self.lines.clear()
        self.acked.clear()
        self.connection._client.on_message(self.connection._client, None, message)
        assert not self.source.health().faults.get("callback_failed"), "the callback failed"
        return self.lines[0] if self.lines else None


@cache
def _folder() -> Path:
    folder = Path(tempfile.mkdtemp(prefix="emberpail-fuzz-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder


@cache
def _broker() -> _Broker:
    return _Broker()


def one(data: bytes) -> None:
    """Every message is handed on or acknowledged at once; its readings keep their promises."""
    head, _, payload = data.partition(b"\n")
    flags, _, topic = head.partition(b" ")
    retained, qos = b"r" in flags, 0 if b"0" in flags else 1
    message = paho.MQTTMessage(7, topic)
    message.payload, message.qos, message.retain, message.dup = payload, qos, retained, b"d" in flags
    broker = _broker()
    line = broker.send(message)
    if line is None:
        assert not payload.strip() or len(payload) > MAX_LINE_BYTES
        assert qos == 0 or broker.acked == [7], "a message nobody takes would fill the broker's window"
        return
    assert (line.ack is None) == (qos == 0) and b"\n" not in line.data
    if line.ack is not None:
        line.ack()
        assert broker.source._take_acks() == [7]
    decoder, decoded = Decoder(PROBE_SETTINGS), []
    for k in range(2):  # twice: a broker may send again, and a second time finds another state
        arrival_s = NOW_S + 10.0 * k
        decoded.append(decoder.decode(line.data, arrival_s, retained=retained, default_bucket="b"))
        check(decoded[-1], line.data, arrival_s)
    number = crc32(data)
    if number % ALIKE_ONE_IN == 0:
        check_alike([line.data, line.data], decoded, retained=retained)
    if number % RECORDED_ONE_IN == 0:
        _check_recorded(line, decoded[0])


def _check_recorded(line: Line, decoded: Decoded) -> None:
    """A recording gives the line back as it came, with what it was."""
    path = _folder() / "one.rec"
    path.unlink(missing_ok=True)
    writer = RecordingWriter(path, started_s=NOW_S - 60.0, buckets={"broker": "b"})
    writer.write(NOW_S, line)
    os.close(writer._file.fd)  # and not writer.close(), which would wait for the disk
    back = [one for one in read_recording(path) if one.note is None]
    assert [(one.data, one.retained, one.origin) for one in back] == [(line.data, line.retained, line.origin)]
    again = Decoder(PROBE_SETTINGS).decode(
        back[0].data, back[0].arrival_s, retained=line.retained, default_bucket="b"
    )
    assert again == decoded


def seeds() -> Sequence[bytes]:
    """Examples and recorded lines, fresh, retained, sent again."""
    heads = (b"- emberpail/bench/readings", b"r emberpail/bench/readings", b"d emberpail/bench/readings", b"0 x")
    packs = [*EXAMPLES, *recorded()[:6]]
    return [heads[k % 4] + b"\n" + pack for k, pack in enumerate(packs)] + [
        b"r emberpail/bench/readings\n" + EXAMPLES[7],
        b"r \xff\xfe\n" + EXAMPLES[3],
        b"- emberpail/bench/readings\n",
        b"- emberpail/a\x00b/readings\n[{\n}]\n",
    ]


TARGET = Target("mqtt", one, seeds, (*WORDS, b"r ", b"d ", b"0 ", b"\n"), longest=1600, mend=with_sums)
