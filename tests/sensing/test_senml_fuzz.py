"""Whatever comes over the wire, the decoder never raises and never makes up a reading."""

from __future__ import annotations

import json
import math

from hypothesis import example, given, settings
from hypothesis import strategies as st

from monitor.domain import PROBES
from monitor.sensing.clocks import MOST_LAG_S, MOST_LEAD_S
from monitor.sensing.senml import FAULTS, Decoded, Decoder, with_checksum

NOW_S = 1773480000.0

json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=4), inner, max_size=4),
    max_leaves=8,
)
labels = st.sampled_from(
    ["bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "v", "vs", "vb", "vd", "s", "t", "ut", "x", "x_"]
)
likely_values = st.sampled_from(
    [
        "shed-2/",
        "core",
        "shed-2/core",
        "ambient",
        "shed-2/core/emf",
        "Cel",
        "V",
        "open",
        0,
        5,
        10,
        63.5,
        -10,
        1e5,
        NOW_S,
    ]
)
records = st.dictionaries(labels, likely_values | json_values, max_size=6)
packs = st.lists(records, max_size=6).map(lambda pack: json.dumps(pack).encode())


def check(decoded: Decoded, arrival_s: float) -> None:
    assert set(decoded.faults) <= set(FAULTS)
    for reading in decoded.readings:
        assert reading.probe in PROBES
        assert reading.bucket
        assert reading.arrival_s == arrival_s
        assert -MOST_LEAD_S <= arrival_s - reading.time_s <= MOST_LAG_S
        assert (reading.temperature_c is None) == (reading.state != "ok")
        assert reading.temperature_c is None or math.isfinite(reading.temperature_c)


@given(line=st.binary(max_size=200))
@example(line=b"[" * 5000)
@example(line=b'"\\ud800"]')
def test_any_bytes(line: bytes) -> None:
    """Random bytes are refused or empty, never an exception."""
    decoded = Decoder().decode(line, NOW_S)
    assert decoded.readings == ()
    check(decoded, NOW_S)


@settings(max_examples=100, deadline=None)
@given(lines=st.lists(packs, max_size=6), retained=st.booleans())
def test_any_packs_in_a_row(lines: list[bytes], retained: bool) -> None:
    """Packs of right and wrong labels and values give only readings that keep every promise of a reading."""
    decoder = Decoder()
    for k, line in enumerate(lines):
        arrival_s = NOW_S + 10.0 * k
        check(decoder.decode(line, arrival_s, retained=retained, default_bucket="b"), arrival_s)


good_packs = st.lists(
    st.tuples(st.sampled_from(PROBES), st.floats(-40.0, 120.0).map(lambda v: round(v, 4)), st.integers(0, 3000)),
    min_size=1,
    max_size=8,
    unique_by=lambda sample: (sample[0], sample[2]),
)


@given(samples=good_packs, merged=st.booleans(), sums=st.booleans())
def test_round_trip(samples: list[tuple[str, float, int]], merged: bool, sums: bool) -> None:
    """What a node writes is what is read: names, values and times, with or without base fields and check sum."""
    if merged:
        pack = [{"bn": "shed-2/", "bt": NOW_S - 3000, "bu": "Cel"}]
        pack += [{"n": probe, "v": v, "t": t} for probe, v, t in samples]
    else:
        pack = [{"n": f"shed-2/{probe}", "u": "Cel", "v": v, "t": NOW_S - 3000 + t} for probe, v, t in samples]
    line = json.dumps(pack).encode()
    decoded = Decoder().decode(with_checksum(line) if sums else line, NOW_S)
    assert decoded.faults == ()
    got = sorted((r.probe, r.temperature_c, r.time_s) for r in decoded.readings)
    assert got == sorted((probe, v, NOW_S - 3000 + t) for probe, v, t in samples)


@settings(max_examples=150, deadline=None)
@given(samples=good_packs, data=st.data())
def test_a_line_with_a_check_sum_that_was_altered_gives_no_reading(
    samples: list[tuple[str, float, int]], data: st.DataObject
) -> None:
    """Bytes lost, doubled, changed, or the end of another line: with a check sum nothing of it is read."""
    pack = [{"n": f"shed-2/{probe}", "u": "Cel", "v": v, "t": NOW_S - 3000 + t} for probe, v, t in samples]
    line = with_checksum(json.dumps(pack).encode())
    start = data.draw(st.integers(0, len(line) - 1))
    end = data.draw(st.integers(start, len(line)))
    put = data.draw(st.binary(max_size=12))
    damaged = line[:start] + put + line[end:]
    decoded = Decoder().decode(damaged, NOW_S)
    if damaged.strip(b" \t\r\n").rstrip(b" \t\r\n\0").lower().split() == line.lower().split():
        return  # only blanks about the pack and its check sum were changed: what was measured is whole
    if damaged.strip(b" \t\r\n").rstrip(b" \t\r\n\0") == line[:-9]:
        return  # exactly the check sum was lost: a whole pack without one
    assert decoded.readings == ()


@given(samples=good_packs)
def test_a_buckets_readings_do_not_depend_on_other_buckets(samples: list[tuple[str, float, int]]) -> None:
    """Leaving out another bucket's records changes nothing for this one, so a recording replays alike."""
    alone, both = Decoder(), Decoder()
    for k, (probe, v, t) in enumerate(samples):
        ours = {"n": f"shed-2/{probe}", "u": "Cel", "v": v, "t": NOW_S + t}
        theirs = {"n": f"shed-3/{probe}", "u": "Cel", "v": v, "t": NOW_S - t}
        arrival_s = NOW_S + 10.0 * k
        first = alone.decode(json.dumps([ours]).encode(), arrival_s).readings
        second = both.decode(json.dumps([theirs, ours]).encode(), arrival_s).readings
        assert first == tuple(r for r in second if r.bucket == "shed-2")
