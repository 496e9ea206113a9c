"""What both wires have in common: sensible lines to begin with, and what a decoded line must keep whatever it was."""

from __future__ import annotations

import math
import random
import re
from functools import cache
from zlib import crc32

from monitor.domain import PROBES
from monitor.sensing.clocks import MOST_LAG_S, MOST_LEAD_S
from monitor.sensing.senml import FAULTS, Decoded, Decoder, ProbeSettings, with_checksum
from monitor.sources.recording import read_recording
from tests.helpers_watch import RECORDINGS

NOW_S = 1773480000.0
# One probe of each kind of sum: straight-line amplifier, millivolts, two-point.
PROBE_SETTINGS = {
    ("shed-2", "core"): ProbeSettings(amplifier="straight-line"),
    ("shed-3", "core"): ProbeSettings(thermocouple="T"),
    ("shed-2", "ambient"): ProbeSettings(gain=1.25, offset_c=-3.0),
}

# Examples of RFC 8428 (sections 5.1.1 to 5.1.3, as its working group publishes them), shortened, and what nodes of
# the README send.
EXAMPLES = (
    b'[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]',
    b'[{"bn":"urn:dev:ow:10e2073a0108006:","bt":1276020076.001,"bu":"A","bver":5,"n":"voltage","u":"V","v":120.1},'
    b'{"n":"current","t":-5,"v":1.2},{"n":"current","t":0,"v":1.7}]',
    b'[{"bn":"urn:dev:ow:10e2073a01080063","bt":1320067464,"bu":"%RH","v":20},{"t":60,"v":20.3},{"u":"lon","v":24.3}]',
    b'[{"bn":"shed-2/","bu":"Cel","n":"core","v":71.4},{"n":"ambient","v":8.2}]',
    b'[{"n":"core","u":"Cel","v":71.4}]',
    b'[{"n":"shed-2/core","vs":"open"},{"n":"shed-2/wall","vs":"short-gnd"}]',
    b'[{"bn":"shed-2/core/"},{"n":"emf","u":"V","v":0.00285},{"n":"cold-junction","u":"Cel","v":21.5}]',
    b'[{"bn":"shed-3/","bu":"Cel","bt":1773479940,"bv":20},{"n":"core","v":41.2,"t":-10},{"n":"core","v":41.4}]',
    b'[{"n":"shed-2/core","u":"Cel","v":70.25,"t":900000},{"n":"shed-2/core","u":"Cel","v":70.5,"t":900010}]',
    b'[{"n":"shed-2/core","u":"Cel","v":null},{"n":"shed-2/top","u":"Cel","v":85.0},{"n":"shed-2/bottom","u":"Cel","v":-127}]',
)  # fmt: skip

WORDS = (
    b'"bn"', b'"bt"', b'"bu"', b'"bv"', b'"bs"', b'"bver"', b'"n"', b'"u"', b'"v"', b'"vs"', b'"vb"', b'"vd"', b'"s"',
    b'"t"', b'"ut"', b'"x_"', b'"x"', b'"core"', b'"ambient"', b'"wall"', b'"top"', b'"bottom"', b'"shed-2/core"',
    b'"shed-3/core/emf"', b'"shed-3/core/cold-junction"', b'"emf"', b'"cold-junction"', b'"shed-2/"', b'"/core"',
    b'"Cel"', b'"V"', b'"open"', b'"ok"', b'"short-vcc"', b'"\\u0000"', b'"\\ud800"', b"{", b"}", b"[", b"]", b",",
    b":", b"{}", b"[]", b"},{", b"null", b"true", b"1773480000", b"1773479000.5", b"-3600", b"900000", b"71.4",
    b"0.00285", b"1.7e308", b" ", b"\n", b" 00000000", b"\0",
)  # fmt: skip


@cache
def recorded() -> tuple[bytes, ...]:
    """Lines of a recorded night, thinned."""
    lines = [line.data for line in read_recording(RECORDINGS / "night-shed-3.rec") if line.note is None]
    return tuple(lines[:1200:20])


def with_sums(data: bytes, _rng: random.Random) -> bytes:
    """Every line that ends as if with a check sum gets the right one; one that looks like a pack gets one."""
    lines = []
    for line in data.split(b"\n"):
        pack, bracket, rest = line.rpartition(b"]")
        lines.append(with_checksum(pack + bracket) if bracket and len(rest) < 12 else line)
    return b"\n".join(lines)


_ENDS_AS_WITH_A_SUM = re.compile(rb"(?:\xef\xbb\xbf)?(\[.*\])[ \t]+([0-9A-Fa-f]{8})", re.DOTALL)


def check(decoded: Decoded, line: bytes, arrival_s: float) -> None:
    """Whatever the line was, a reading keeps every promise of a reading, and damage that a check sum shows is none."""
    assert set(decoded.faults) <= set(FAULTS), decoded.faults
    for reading in decoded.readings:
        assert reading.probe in PROBES and reading.bucket and reading.arrival_s == arrival_s
        assert -MOST_LEAD_S <= arrival_s - reading.time_s <= MOST_LAG_S, reading
        assert (reading.temperature_c is None) == (reading.state != "ok"), reading
        assert reading.temperature_c is None or math.isfinite(reading.temperature_c), reading
    if decoded.readings:
        match = _ENDS_AS_WITH_A_SUM.fullmatch(line.strip(b" \t\r\n\0"))
        assert match is None or crc32(match[1]) == int(match[2], 16), "a line whose check sum does not fit was read"


def check_alike(lines: list[bytes], decoded: list[Decoded], *, retained: bool = False) -> None:
    """The same lines give the same again: to another decoder, and with any of them altered under its check sum none."""
    again = Decoder(PROBE_SETTINGS)
    for k, (line, first) in enumerate(zip(lines, decoded, strict=True)):
        arrival_s = NOW_S + 10.0 * k
        assert again.decode(line, arrival_s, retained=retained, default_bucket="b") == first
    for line, first in zip(lines, decoded, strict=True):
        pack = line.strip(b" \t\r\n\0")
        if first.readings and pack.startswith(b"[") and pack.endswith(b"]"):
            summed = with_checksum(pack)
            place = crc32(line) % len(pack)
            altered = summed[:place] + bytes([summed[place] ^ 1]) + summed[place + 1 :]
            assert not Decoder(PROBE_SETTINGS).decode(altered, NOW_S).readings
