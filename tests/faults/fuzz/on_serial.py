"""Bytes from a serial port, in any pieces: lines, readings, and for a share of the inputs all that follows."""

from __future__ import annotations

import json
from collections.abc import Sequence
from functools import cache
from zlib import crc32

from monitor.domain import Batch
from monitor.judgement.events import event_line
from monitor.pipeline import Minder
from monitor.sensing.senml import Decoder, with_checksum
from monitor.sources.batch_file import BatchFile, read_batch_file
from monitor.sources.line_buffer import LineBuffer
from monitor.sources.serial_speed import SpeedWatch
from tests.faults.fuzz.target import Target
from tests.faults.fuzz.wire import (
    EXAMPLES,
    NOW_S,
    PROBE_SETTINGS,
    WORDS,
    check,
    check_alike,
    recorded,
    with_sums,
)
from tests.helpers_watch import RECORDINGS

# Which inputs are held against the other promises and which go the whole way, by a number made from the input itself,
# so that the same one always does the same. All others end with their readings: most of what can go wrong with bytes
# goes wrong there, at a thousandth of the cost.
PIECES_ONE_IN, ALIKE_ONE_IN, CHAIN_ONE_IN = 4, 8, 1024
# A line too long is found out with few bytes, so the buffer of the harness is smaller than that of the port.
_MOST_BYTES = 900


def one(data: bytes) -> None:
    """Lines do not depend on the pieces; readings keep their promises; what follows never fails."""
    number = crc32(data)
    lines = LineBuffer(_MOST_BYTES).feed(data)
    if number % PIECES_ONE_IN == 0:
        _in_pieces(data, lines, number)
        _listen(data, lines)
    decoder, decoded = Decoder(PROBE_SETTINGS), []
    for k, line in enumerate(lines):
        arrival_s = NOW_S + 10.0 * k
        decoded.append(decoder.decode(line, arrival_s, default_bucket="b"))
        check(decoded[-1], line, arrival_s)
    if number % ALIKE_ONE_IN == 0:
        check_alike(lines, decoded)
    if number % CHAIN_ONE_IN == 0:
        chain(lines, (5.0, 20.0, 90.0)[number // CHAIN_ONE_IN % 3])


def _in_pieces(data: bytes, lines: list[bytes], number: int) -> None:
    """The lines come out the same however the bytes are cut, and are those between the line feeds."""
    whole, pieces = LineBuffer(_MOST_BYTES), LineBuffer(_MOST_BYTES)
    assert whole.feed(data) == lines
    at, again = 0, []
    while at < len(data):
        number = (number * 1103515245 + 12345) & 0x7FFFFFFF  # any sequence will do, as long as it is the same again
        size = (1, 3, 20, 60, 60, 500, 500, 1500)[number >> 16 & 7]
        again += pieces.feed(data[at : at + size])
        at += size
    assert again == lines and pieces.too_long == whole.too_long
    assert pieces.cut() == whole.cut()
    assert lines == [line for line in data.split(b"\n")[:-1] if len(line) <= _MOST_BYTES]


def _listen(data: bytes, lines: list[bytes]) -> None:
    """The watch over the speed asks for speeds it knows, and finds the way back once packs are read."""
    watch = SpeedWatch(115200)
    for k in range(4):
        speed = watch.see(data, lines, 10.0 * k)
        assert speed is None or 300 <= speed <= 4_000_000


def chain(lines: list[bytes], step_s: float) -> None:
    """The lines through decoder, screening, estimator, verdict and alarms of a running batch, to its last word."""
    entered, batch = _entered()
    decoder = Decoder(PROBE_SETTINGS)
    minder = Minder(batch, minded_from_s=batch.started_s, emergency_number="112")
    for entry in entered.log:
        minder.note(entry)
    now_s, tick_s, events = batch.started_s, batch.started_s + 60.0, []
    for line in lines:
        now_s += step_s
        while tick_s <= now_s:
            events += minder.tick(tick_s)
            tick_s += 60.0
        for reading in decoder.decode(line, now_s, default_bucket=batch.bucket).readings:
            if reading.bucket == batch.bucket:
                minder.take(reading)
    for _ in range(3):
        events += minder.tick(tick_s)
        tick_s += 60.0
    events += minder.close(tick_s)
    assert minder.trouble is None, minder.trouble
    for event in events:
        json.loads(event_line(event), parse_constant=_no_constant)
    for judged in minder.drain_judged():
        assert judged.reading.bucket == batch.bucket


def _no_constant(word: str) -> None:
    raise AssertionError(f"{word} in an event")


@cache
def _entered() -> tuple[BatchFile, Batch]:
    entered = read_batch_file(RECORDINGS / "night-shed-3.toml")
    return entered, entered.batch


def seeds() -> Sequence[bytes]:
    """Single examples, a stretch of a recorded night with and without check sums, lines run together and cut."""
    night = list(recorded())
    summed = [with_checksum(line.rpartition(b"]")[0] + b"]") for line in night[:10]]
    return [
        *(example + b"\n" for example in EXAMPLES),
        b"\n".join(EXAMPLES) + b"\n",
        b"\n".join(night[:14]) + b"\n",
        b"\r\n".join(summed) + b"\r\n",
        b"ets Jul 29 2019 12:21:46\r\nrst:0x1 (POWERON_RESET)\r\n" + night[0] + b"\n" + night[1],
        night[0][:30] + night[1] + b"\n" + night[2] + night[3] + b"\n",
        bytes(range(256)) + b"\n",
    ]


TARGET = Target("serial", one, seeds, WORDS, longest=1600, mend=with_sums)
