"""A recording, damaged anyhow: read, written again, and for a share of the inputs replayed."""

from __future__ import annotations

import atexit
import math
import os
import random
import shutil
import tempfile
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from zlib import crc32

from monitor.judgement.events import event_line
from monitor.replay import replay_recording, what_it_holds
from monitor.sources.line import MAX_LINE_BYTES, Line
from monitor.sources.recording import RecordingWriter, last_arrival_s, read_recording
from tests.faults.fuzz.target import Target
from tests.faults.fuzz.wire import WORDS, with_sums
from tests.helpers_watch import RECORDINGS

AGAIN_ONE_IN, REPLAY_ONE_IN = 8, 256
# A replay ticks every minute of what it holds; a day of them is about a second, and longer ones only take longer.
_MOST_REPLAYED_S = 2 * 3600.0


def one(data: bytes) -> None:
    """Lines in order at sane times, each as it came; and the same again from what is written of them."""
    path = _folder() / "one.rec"
    path.write_bytes(data)
    lines = list(read_recording(path))
    latest_s = 0.0
    for line in lines:
        assert math.isfinite(line.arrival_s) and line.arrival_s >= latest_s, line
        assert b"\n" not in line.data and len(line.data) <= MAX_LINE_BYTES + 64
        latest_s = line.arrival_s
    last_s = last_arrival_s(path)
    arrivals = [line.arrival_s for line in lines if line.note is None]
    assert last_s == (arrivals[-1] if arrivals else None)
    number = crc32(data)
    if number % AGAIN_ONE_IN == 0:
        _written_again(path)
    if number % REPLAY_ONE_IN == 0 and latest_s - (arrivals or [0.0])[0] <= _MOST_REPLAYED_S:
        replayed(path)


def _written_again(path: Path) -> None:
    """Writing down what was read gives the same lines, from the same places, to whoever reads that."""
    lines = [line for line in read_recording(path) if line.note is None]
    copy = path.with_name("copy.rec")
    copy.unlink(missing_ok=True)
    writer = RecordingWriter(copy)
    for line in lines:
        writer.write(line.arrival_s, Line(line.arrival_s, line.data, line.origin, line.retained))
    os.close(writer._file.fd)  # and not writer.close(), which would wait for the disk
    again = [line for line in read_recording(copy) if line.note is None]
    assert [line[1:3] for line in again] == [line[1:3] for line in lines]
    assert [line.origin for line in again] == [line.origin for line in lines]
    assert all(abs(one.arrival_s - two.arrival_s) <= 0.0006 for one, two in zip(again, lines, strict=True))


def replayed(path: Path) -> None:
    """A replay always comes to its verdict, and twice to the same one."""
    shutil.copyfile(RECORDINGS / "night-shed-3.toml", path.with_suffix(".toml"))
    what_it_holds(path)
    first = replay_recording(path)
    assert first.trouble is None, first.trouble
    assert first.verdict.event == "verdict"
    events = [event_line(event) for event in first.events]
    assert not any("NaN" in event or "Infinity" in event for event in events)
    assert [event_line(event) for event in replay_recording(path).events] == events


@cache
def _folder() -> Path:
    folder = Path(tempfile.mkdtemp(prefix="emberpail-fuzz-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder


def _packs_mended(data: bytes, rng: random.Random) -> bytes:
    return with_sums(data, rng)


def seeds() -> Sequence[bytes]:
    """Stretches of recorded nights, with notes of every kind."""
    night = (RECORDINGS / "night-shed-3.rec").read_bytes().splitlines(keepends=True)
    day = (RECORDINGS / "quillmarsh-12.rec").read_bytes().splitlines(keepends=True)
    at = night[100].partition(b"\t")[0]
    notes = (
        b'#{"source":"broker","kind":"mqtt","topic":"emberpail/bench/readings","bucket":null}\n#{"retained":true}\n'
        b'#{"at":' + at + b',"note":"watch started","last_tick":' + at + b"}\n"
        b'#{"at":' + at + b',"note":"recipe corrected","batch":"Quillmarsh 23","recipe":'
        b'{"oils":[{"name":"olive","kg":3}],"koh_kg":0.8,"koh_purity":0.9,"water_kg":1},"vessel":{"litres":20,"insulation":"box"}}\n'
        b'#{"at":' + at + b',"note":"alarm answered","batch":"Quillmarsh 23",'
        b'"alarm":"x","act":"shelved","until":1,"who":"A"}\n'
        b'#{"at":' + at + b',"note":"batch ended","batch":"Quillmarsh 23"}\n#{"clock_step_s":3600.0}\n'
    )  # fmt: skip
    return [
        b"".join(night[:25]),
        b"".join(night[1:400:20]),
        b"".join(day[:6]),
        b"".join(night[:3]) + notes + b"".join(night[100:110]),
        b"\xef\xbb\xbf" + night[2],
        b"".join(night[5:9]) + b"1e999\t[]\n-1\t[]\nnan\t[]\n\t[]\nx\n#{}\n#[]\n#\n" + night[9],
    ]


_OWN = (
    b"#", b"#{", b"\t", b'"at":', b'"note":', b'"watch started"', b'"batch ended"', b'"recipe corrected"',
    b'"source":', b'"topic":', b'"bucket":', b'"retained":true', b'"alarm answered"', b'"last_tick":',
    b'"recipe":', b'"oils":', b'"vessel":', b'"until":', b'"Quillmarsh 23"', b"1773480000.000\t", b"7300000000\t",
    b"7.4e9", b"1773000000.5",
)  # fmt: skip

TARGET = Target("recording", one, seeds, (*WORDS, *_OWN), longest=3000, mend=_packs_mended)
