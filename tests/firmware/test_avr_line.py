"""What the probe node makes of its amplifiers' frames, held against the watch's own reading of them, and of the line.

Outside: the frames and codes are those of the MAX31855 datasheet (19-5793 Rev 5, tables 2 to 5), the check sum is
zlib's CRC-32, whose check value for "123456789" is CBF43926h.
"""

from __future__ import annotations

import ctypes
import statistics
import zlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.sensing.frames import Frame, max31855
from monitor.sensing.senml import Decoder
from tests.firmware.conftest import needs_gcc

pytestmark = needs_gcc
AT_S = 1_773_480_000.0
OK, OPEN, SHORT_GND, SHORT_VCC, BUS = range(5)
WORDS = {OK: "ok", OPEN: "open", SHORT_GND: "short-gnd", SHORT_VCC: "short-vcc", BUS: "bus"}


class CFrame(ctypes.Structure):
    _fields_ = [("state", ctypes.c_int), ("quarters", ctypes.c_int16), ("sixteenths", ctypes.c_int16)]


class CMean(ctypes.Structure):
    _fields_ = [
        ("quarters_sum", ctypes.c_int32), ("sixteenths_sum", ctypes.c_int32), ("good", ctypes.c_uint8),
        ("with_junction", ctypes.c_uint8), ("all", ctypes.c_uint8), ("last_fault", ctypes.c_int),
    ]  # fmt: skip


class CLine(ctypes.Structure):
    _fields_ = [("put", ctypes.c_void_p), ("crc", ctypes.c_uint32), ("records", ctypes.c_uint8)]


PUT = ctypes.CFUNCTYPE(None, ctypes.c_char)


def frame_of(pure: ctypes.CDLL, word: int) -> CFrame:
    pure.frame_of.restype = CFrame
    found: CFrame = pure.frame_of(ctypes.c_uint32(word))
    return found


def line_of(pure: ctypes.CDLL, bucket: str, probes: dict[str, list[int]]) -> bytes:
    """The line for these probes, each with the frames of its last second."""
    out = bytearray()
    put = PUT(out.extend)
    line = CLine()
    pure.line_begin(ctypes.byref(line), put, bucket.encode())
    for name, words in probes.items():
        mean = CMean()
        pure.mean_begin(ctypes.byref(mean))
        for word in words:
            pure.mean_take(ctypes.byref(mean), frame_of(pure, word))
        pure.line_probe(ctypes.byref(line), name.encode(), ctypes.byref(mean))
    pure.line_end(ctypes.byref(line))
    return bytes(out)


def word_for(quarters: int, sixteenths: int, faults: int = 0) -> int:
    """A frame as the datasheet lays it out."""
    return (quarters & 0x3FFF) << 18 | (bool(faults)) << 16 | (sixteenths & 0xFFF) << 4 | faults


@pytest.mark.parametrize(
    ("word", "state", "celsius", "junction"),
    [
        # Table 4 (thermocouple) with table 5 (cold junction) of the datasheet.
        (0x64007F00, OK, 1600.0, 127.0), (0x3E806490, OK, 1000.0, 100.5625), (0x064C1900, OK, 100.75, 25.0),
        (0x01901900, OK, 25.0, 25.0), (0xFFFCFFF0, OK, -0.25, -0.0625), (0xFFF0FF00, OK, -1.0, -1.0),
        (0xF060C900, OK, -250.0, -55.0),
        (0x00011901, OPEN, None, 25.0), (0x00011902, SHORT_GND, None, 25.0), (0x00011904, SHORT_VCC, None, 25.0),
        # Nobody on the bus, and bits that always read 0.
        (0xFFFFFFFF, BUS, None, None), (0x00000000, BUS, None, None), (0x01921900, BUS, None, None),
        (0x01901908, BUS, None, None),
    ],
)  # fmt: skip
def test_the_frames_of_the_datasheet(
    pure: ctypes.CDLL, word: int, state: int, celsius: float | None, junction: float | None
) -> None:
    frame = frame_of(pure, word)
    assert frame.state == state
    if celsius is not None:
        assert frame.quarters / 4 == celsius
    if junction is not None:
        assert frame.sixteenths / 16 == junction


@given(word=st.integers(0, 2**32 - 1) | st.builds(word_for, st.integers(-1080, 6400), st.integers(-880, 2032)))
@settings(max_examples=500)
def test_any_frame_is_read_as_the_watch_would(pure: ctypes.CDLL, word: int) -> None:
    mine, theirs = frame_of(pure, word), max31855(word)
    if not word & (1 << 16) and word & 7:
        assert mine.state == BUS, "causes without their summary bit: not to be trusted, where the watch looks at causes"
        return
    assert WORDS[mine.state] == theirs.state
    if theirs.temperature_c is not None:
        assert mine.quarters / 4 == theirs.temperature_c
    if theirs.cold_junction_c is not None:
        assert mine.sixteenths / 16 == theirs.cold_junction_c


good = st.builds(word_for, st.integers(-200, 2000), st.integers(-160, 1360))
bad = st.builds(word_for, st.just(0), st.integers(-160, 1360), st.sampled_from([1, 2, 4])) | st.sampled_from(
    [0, 0xFFFFFFFF]
)
seconds_of = st.lists(good | bad, min_size=8, max_size=8) | st.lists(good, min_size=8, max_size=8)
NAMES = ("core", "wall", "top", "bottom", "ambient")


@given(probes=st.dictionaries(st.sampled_from(NAMES), seconds_of, min_size=1, max_size=5))
@settings(max_examples=300, deadline=None)
def test_the_watch_reads_the_line_as_it_was_meant(pure: ctypes.CDLL, probes: dict[str, list[int]]) -> None:
    """Any second of any probes: every value within half a hundredth, every fault under its word, no damage found."""
    line = line_of(pure, "shed-1", probes)
    assert line.endswith(b"\n") and len(line) < 600
    found = Decoder().decode(line.rstrip(b"\n"), AT_S)
    assert found.faults == ()
    readings = {reading.probe: reading for reading in found.readings}
    assert readings.keys() == probes.keys()
    for name, words in probes.items():
        frames: list[Frame] = [max31855(word) for word in words]
        values = [frame.temperature_c for frame in frames if frame.temperature_c is not None]
        if 2 * len(values) >= len(frames) and values:
            assert readings[name].state == "ok"
            assert readings[name].temperature_c == pytest.approx(statistics.mean(values), abs=0.00501)
        else:
            assert readings[name].temperature_c is None
            assert readings[name].state == [frame.state for frame in frames if frame.state != "ok"][-1]


def test_the_check_sum_is_the_one_everybody_uses(pure: ctypes.CDLL) -> None:
    assert zlib.crc32(b"123456789") == 0xCBF43926
    pack, _, check = line_of(pure, "shed-1", {"core": [0x01901900] * 8}).rstrip(b"\n").rpartition(b" ")
    assert int(check, 16) == zlib.crc32(pack)
    assert pack == b'[{"bn":"shed-1/","bu":"Cel","n":"core","v":25.00},{"n":"core/cold-junction","v":25.00}]'


@given(
    word=good, place=st.integers(0, 120), flip=st.integers(1, 255),
    cut=st.none() | st.integers(1, 90),
)  # fmt: skip
@settings(max_examples=300, deadline=None)
def test_a_damaged_line_never_becomes_a_reading(
    pure: ctypes.CDLL, word: int, place: int, flip: int, cut: int | None
) -> None:
    """One byte turned into another, or the line cut short."""
    line = bytearray(line_of(pure, "shed-1", {"core": [word] * 8}).rstrip(b"\n"))
    if cut is not None:
        line = line[:-cut] if cut < len(line) else line[:1]
    else:
        line[place % len(line)] ^= flip
    if bytes(line).rstrip().endswith(b"]"):
        return  # cut exactly behind the pack: whole, only its check sum is gone
    found = Decoder().decode(bytes(line), AT_S)
    # Hex digits may be written large or small, which changes nothing of what they say.
    same = bytes(line).lower() == line_of(pure, "shed-1", {"core": [word] * 8}).rstrip(b"\n").lower()
    assert found.readings == () or same


@given(first=good, then=good, begin=st.integers(0, 200), lost=st.integers(1, 200))
@settings(max_examples=500, deadline=None)
def test_bytes_lost_on_the_wire_make_no_reading_that_was_not_sent(
    pure: ctypes.CDLL, first: int, then: int, begin: int, lost: int
) -> None:
    """A computer that was too busy misses some: from the middle of a line, its front, or the end of one and the front
    of the next, which then come as one line."""
    lines = [line_of(pure, "shed-1", {"core": [word] * 8}) for word in (first, then)]
    whole = b"".join(lines)
    begin %= len(whole)
    sent = {
        (one.probe, one.temperature_c) for line in lines for one in Decoder().decode(line.rstrip(b"\n"), AT_S).readings
    }
    assert sent
    for line in (whole[:begin] + whole[begin + lost :]).split(b"\n"):
        found = Decoder().decode(line, AT_S)
        assert {(one.probe, one.temperature_c) for one in found.readings} <= sent
        whole_pack = line in {one.rstrip(b"\n") for one in lines} or line.rstrip().endswith(b"]")
        assert found.readings == () or whole_pack, line
