"""One line -> readings or a counted fault."""

from __future__ import annotations

import json
import time

import pytest

from monitor.domain import Reading
from monitor.sensing.senml import (
    FAULTS,
    MOST_LINE_BYTES,
    Decoded,
    Decoder,
    ProbeSettings,
    split_name,
    with_checksum,
)
from monitor.sensing.thermocouple import emf_mv

NOW_S = 1773480000.0


def decode(line: bytes | list[dict[str, object]], arrival_s: float = NOW_S, **more: object) -> Decoded:
    raw = line if isinstance(line, bytes) else json.dumps(line).encode()
    return Decoder().decode(raw, arrival_s, **more)  # type: ignore[arg-type]


def core(**fields: object) -> dict[str, object]:
    return {"n": "shed-2/core", "u": "Cel", "v": 63.25, **fields}


# -- packs ----------------------------------------------------------------------------------------------------------


def test_a_pack_becomes_readings() -> None:
    """Base name, time and unit are applied; whole numbers are as good as fractions."""
    decoded = decode(
        b'[{"bn":"shed-2/","bt":1773479990.5,"bu":"Cel","n":"core","v":63.25},{"n":"ambient","v":4,"t":-2}]'
    )
    assert decoded.readings == (
        Reading("shed-2", "ambient", 1773479988.5, NOW_S, 4.0),
        Reading("shed-2", "core", 1773479990.5, NOW_S, 63.25),
    )
    assert decoded.faults == ()


def test_readings_come_in_time_order() -> None:
    """A resolved pack is in time order, whatever the order of its records."""
    decoded = decode(
        [{"bn": "b/core", "bu": "Cel", "bt": NOW_S, "v": 3, "t": 0}, {"v": 1, "t": -20}, {"v": 2, "t": -10}]
    )
    assert [reading.temperature_c for reading in decoded.readings] == [1.0, 2.0, 3.0]


def test_base_fields_may_stand_alone_and_change_midway() -> None:
    """A record of base fields alone is no reading; base fields hold until they are replaced, also to another bucket."""
    decoded = decode(
        [
            {"bn": "shed-2/", "bu": "Cel", "bt": NOW_S - 100, "bver": 10},
            {"n": "core", "v": 60},
            {"bt": NOW_S - 50},
            {"n": "core", "v": 61},
            {"bn": "shed-3/", "n": "core", "v": 20},
        ]
    )
    assert [(r.bucket, r.time_s - NOW_S, r.temperature_c) for r in decoded.readings] == [
        ("shed-2", -100.0, 60.0),
        ("shed-2", -50.0, 61.0),
        ("shed-3", -50.0, 20.0),
    ]


def test_base_value_is_added() -> None:
    """A base value is added to each value, and stands alone where a record leaves its value out."""
    decoded = decode([{"bn": "b/core", "bu": "Cel", "bv": 60, "t": -10, "v": 1.5}, {"t": 0}])
    assert [reading.temperature_c for reading in decoded.readings] == [61.5, 60.0]


def test_a_base_value_makes_no_reading_of_a_damaged_label() -> None:
    """Beside a base value, a record whose value's label is not known is refused, not read as zero."""
    assert decode([{"bn": "b/core", "bu": "Cel", "bv": 60, "t": -10, "q": 1.5}]).faults == ("bad_pack",)


def test_a_probe_that_cannot_measure_says_why() -> None:
    """A string value is a reading without temperature; its word is kept in one spelling."""
    decoded = decode(
        [{"bn": "b/", "n": "core", "vs": "open"}, {"n": "wall", "vs": "SHORT_GND"}, {"n": "top", "vs": "wet"}]
    )
    assert [(r.probe, r.temperature_c, r.state) for r in decoded.readings] == [
        ("core", None, "open"),
        ("wall", None, "short-gnd"),
        ("top", None, "wet"),
    ]
    assert decode([{"n": "b/core", "vs": "ok"}]).faults == ("bad_value",)


def test_other_units_and_names_are_passed_over() -> None:
    """A supply in mV, a temperature in K, a device name, a sum, data or a truth value is counted, and no fault."""
    decoded = decode(
        [
            {"n": "shed-2/supply", "u": "mV", "v": 3300},
            {"n": "shed-2/core", "u": "K", "v": 330},
            {"n": "urn:dev:ow:10e2073a01080063", "u": "Cel", "v": 20},
            {"n": "shed-2/core", "u": "J", "s": 12},
            {"n": "shed-2/core", "vb": True},
            {"n": "shed-2/core", "vd": "aGk"},
            {"n": "core", "u": "Cel", "v": 20},
            core(),
        ]
    )
    assert len(decoded.readings) == 1
    assert decoded.ignored == 7
    assert decoded.faults == ()
    assert sorted(decoded.unfit) == ["other_name", "other_name", "other_unit"]


def test_a_temperature_without_a_unit_is_a_fault() -> None:
    """Nobody can tell °F from °C, so a number without a unit is no temperature; the others of the pack stand."""
    decoded = decode([{"n": "b/core", "v": 140}, {"n": "b/wall", "u": "Cel", "v": 60}])
    assert [reading.probe for reading in decoded.readings] == ["wall"]
    assert decoded.faults == ("no_unit",)


def test_a_value_that_is_no_number_is_a_fault_of_its_record_alone() -> None:
    """A node that writes null for what it could not measure loses that record; the rest of the pack counts."""
    for bad in (None, "63", True, [1]):
        decoded = decode([core(v=bad), {"n": "shed-2/ambient", "u": "Cel", "v": 4}])
        assert [reading.probe for reading in decoded.readings] == ["ambient"]
        assert decoded.faults == ("bad_value",)


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("shed-2/core", ("shed-2", "core", "")),
        ("farm/shed/2/Ambient", ("farm/shed/2", "ambient", "")),
        ("shed-2/core/emf", ("shed-2", "core", "emf")),
        ("shed-2/wall/cold-junction", ("shed-2", "wall", "cold-junction")),
        ("shed-2/lid", None),
        ("core", None),
        ("emf", None),
        ("shed-2/emf", None),
        ("urn:dev:mac:0024befffe804ff1/core", None),
    ],
)
def test_names(name: str, expected: tuple[str, str, str] | None) -> None:
    """The last part names the probe, what stands before it the bucket, slashes included."""
    assert split_name(name) == expected


def test_default_bucket() -> None:
    """A name that is a probe alone belongs to the bucket that the source knows."""
    assert decode([{"n": "core", "u": "Cel", "v": 60}], default_bucket="shed-2").readings[0].bucket == "shed-2"


# -- damage ---------------------------------------------------------------------------------------------------------

GOOD = json.dumps([core(bt=NOW_S)]).encode()


@pytest.mark.parametrize(
    ("line", "fault"),
    [
        (GOOD[:-3], "bad_json"),
        (GOOD[4:], "bad_json"),
        (GOOD + GOOD, "bad_json"),
        (GOOD + b" " + GOOD, "bad_json"),
        (GOOD[:30] + GOOD, "bad_json"),
        (with_checksum(GOOD)[:-2], "bad_json"),
        (with_checksum(GOOD) + b"0", "bad_json"),
        (with_checksum(GOOD).replace(b"63.25", b"83.25"), "bad_crc"),
        (GOOD + b" 00000000", "bad_crc"),
        (b"\x00" + GOOD, "bad_json"),
        (GOOD.replace(b"core", b"co\x00e"), "bad_json"),
        (GOOD.replace(b"core", b"co\xffe"), "bad_utf8"),
        (b"rst:0x1 (POWERON_RESET),boot:0x13", "bad_json"),
        (b"{}", "bad_json"),
        (GOOD[1:-1], "bad_json"),
        (b"[]", "bad_pack"),
        (b"[1]", "bad_pack"),
        (b"[[]]", "bad_pack"),
        (b'[{"n":"b/core","u":"Cel"}]', "bad_pack"),
        (b'[{"n":"b/core","u":"Cel","v":63.1,"v":4.5}]', "bad_pack"),
        (b'[{"n":"b/core","u":"Cel","v":63.1,"vs":"open"}]', "bad_pack"),
        (b'[{"n":"b/core","u":7,"v":63.1}]', "bad_pack"),
        (b'[{"n":"b/core","u":"Cel","v":63.1,"t":"now"}]', "bad_pack"),
        (b'[{"n":"b/core","u":"Cel","v":63.1,"t":1e999}]', "bad_pack"),
        (b'[{"n":"b/core","u":"Cel","v":1e999}]', "bad_value"),
        (b'[{"n":"b/core","u":"Cel","v":-Infinity}]', "bad_json"),
        (b'[{"n":"b/co re","u":"Cel","v":63.1}]', "bad_name"),
        (b'[{"u":"Cel","v":63.1}]', "bad_name"),
        (b'[{"n":"b/core","u":"Cel","v":63.1},{"bver":9,"n":"b/wall","u":"Cel","v":63.1}]', "bad_version"),
        (b'[{"bver":0,"n":"b/core","u":"Cel","v":63.1}]', "bad_version"),
        (b'[{"bver":true,"n":"b/core","u":"Cel","v":63.1}]', "bad_pack"),
        (b"[" * 20000 + b"]" * 20000, "bad_json"),
        (b'[{"n":"b/core","u":"Cel","v":' + b"9" * 5000 + b"}]", "bad_json"),
        (b"[" + b" " * MOST_LINE_BYTES + b"]", "too_long"),
        (json.dumps([core()] * 1001).encode(), "too_long"),
        (b'[{"n":"b/core","u":"Cel","v":63.1,"t":-1e6}]', "bad_time"),
    ],
)
def test_a_damaged_line_is_a_counted_fault_and_never_a_reading(line: bytes, fault: str) -> None:
    """Cut, merged, altered or foreign lines give no reading, and exactly one named fault."""
    decoded = decode(line)
    assert decoded.readings == ()
    assert decoded.faults == (fault,)
    assert fault in FAULTS


def test_what_is_no_damage() -> None:
    """A CR, spaces round the pack, pretty printing, either case in the check sum, and blank lines do no harm."""
    for line in (
        GOOD + b"\r\n",
        b"  " + GOOD + b" \n",
        b"  " + with_checksum(GOOD) + b"\r\n",
        with_checksum(GOOD)[:-8] + with_checksum(GOOD)[-8:].upper(),
        json.dumps(json.loads(GOOD), indent=2).replace("\n", " ").encode(),
    ):
        decoded = decode(line)
        assert len(decoded.readings) == 1, line
        assert decoded.faults == ()
    assert decode(b"") == decode(b" \r\n") == Decoded()


def test_every_single_flipped_bit_is_caught_by_the_check_sum() -> None:
    """With a check sum, no line with one flipped bit gives a reading (a CRC-32 catches all single-bit errors)."""
    line = with_checksum(GOOD)
    for i in range(len(line)):
        for bit in range(8):
            damaged = bytearray(line)
            damaged[i] ^= 1 << bit
            readings = decode(bytes(damaged)).readings
            # Only the letter case of the check sum's own digits may change and mean the same.
            if readings:
                assert bytes(damaged).lower() == line.lower()


# -- volts ----------------------------------------------------------------------------------------------------------


def test_volts_become_degrees_with_the_cold_junction_of_the_same_moment() -> None:
    """An emf in V and a cold junction in °C make one temperature, in either order, by the probe's type."""
    decoder = Decoder({("b", "core"): ProbeSettings(thermocouple="T")})
    volts = (emf_mv("T", 63.0) - emf_mv("T", 21.0)) / 1000.0
    for swap in (1, -1):
        pack = [
            {"bn": "b/core/", "bt": NOW_S, "n": "emf", "u": "V", "v": volts},
            {"bn": "b/core/", "bt": NOW_S, "n": "cold-junction", "u": "Cel", "v": 21.0},
        ][::swap]
        (reading,) = decoder.decode(json.dumps(pack).encode(), NOW_S).readings
        assert reading.temperature_c == pytest.approx(63.0, abs=1e-6)


def test_a_cold_junction_keeps_for_a_minute() -> None:
    """A voltage takes the last cold junction within 60 s; without one it is a fault and no reading."""
    decoder = Decoder()
    emf = [{"n": "b/core/emf", "u": "V", "v": 0.002}]
    assert decoder.decode(json.dumps(emf).encode(), NOW_S).faults == ("no_cold_junction",)
    decoder.decode(b'[{"n":"b/core/cold-junction","u":"Cel","v":20}]', NOW_S)
    assert decoder.decode(json.dumps(emf).encode(), NOW_S + 59).readings[0].temperature_c == pytest.approx(
        68.6, abs=0.2
    )
    assert decoder.decode(json.dumps(emf).encode(), NOW_S + 61).faults == ("no_cold_junction",)


def test_another_probes_cold_junction_does_not_serve() -> None:
    """Each probe is compensated with its own amplifier's cold junction."""
    decoder = Decoder()
    decoder.decode(b'[{"n":"b/wall/cold-junction","u":"Cel","v":20}]', NOW_S)
    assert decoder.decode(b'[{"n":"b/core/emf","u":"V","v":0.002}]', NOW_S).readings == ()


def test_a_railed_amplifier_is_a_probe_that_cannot_measure() -> None:
    """A voltage no thermocouple can give becomes a reading without temperature, so that the fault is seen."""
    (reading,) = decode(
        [{"n": "b/core/emf", "u": "V", "v": 3.3}, {"n": "b/core/cold-junction", "u": "Cel", "v": 20}]
    ).readings
    assert (reading.temperature_c, reading.state) == (None, "emf-out-of-range")


def test_a_straight_line_amplifier_is_corrected() -> None:
    """With its cold junction the true curve is put in; without, the value stands as shown and is counted."""
    decoder = Decoder({("b", "core"): ProbeSettings(amplifier="straight-line")})
    alone = decoder.decode(b'[{"n":"b/core","u":"Cel","v":79.53}]', NOW_S)
    assert (alone.readings[0].temperature_c, alone.uncorrected) == (79.53, 1)
    both = decoder.decode(
        b'[{"n":"b/core","u":"Cel","v":79.53},{"n":"b/core/cold-junction","u":"Cel","v":10}]', NOW_S + 10
    )
    assert both.readings[0].temperature_c == pytest.approx(80.0, abs=0.01)
    assert both.uncorrected == 0


def test_gain_and_offset_come_last() -> None:
    """A calibration is applied to the temperature: T = gain * T + offset."""
    decoder = Decoder({("b", "core"): ProbeSettings(gain=1.01, offset_c=-0.5)})
    assert decoder.decode(b'[{"n":"b/core","u":"Cel","v":60}]', NOW_S).readings[0].temperature_c == pytest.approx(60.1)


# -- stored messages ------------------------------------------------------------------------------------------------


def test_a_stored_message_needs_its_own_time() -> None:
    """A retained message counts only with an absolute time of the last four days."""
    assert decode([core(t=NOW_S - 3600)], retained=True).readings[0].time_s == NOW_S - 3600
    for stamp in (None, -10, 500, NOW_S - 5 * 86400, NOW_S + 3600):
        record = core() if stamp is None else core(t=stamp)
        assert decode([record], retained=True).faults == ("stale_retained",)


# -- cost -----------------------------------------------------------------------------------------------------------


def test_taking_in_a_line_is_cheap() -> None:
    """A line of two readings costs well under the 0.1 ms allowed for taking in one (wide bound, shared machines)."""
    decoder = Decoder()
    best_s = 1.0
    for batch in range(5):
        lines = [
            b'[{"bn":"b/","bt":%d.25,"bu":"Cel","n":"core","v":63.25},{"n":"ambient","v":4.5}]'
            % (NOW_S + batch * 200 + k)
            for k in range(200)
        ]
        start = time.perf_counter()
        for k, line in enumerate(lines):
            decoder.decode(line, NOW_S + batch * 200 + k + 1)
        best_s = min(best_s, (time.perf_counter() - start) / 200)
    assert best_s < 150e-6


def test_a_sum_or_a_calibration_beyond_a_double_is_no_temperature() -> None:
    """Two numbers that each fit may have a sum that does not: a fault, never an infinite reading."""
    summed = decode([{"bn": "b/", "bu": "Cel", "bv": 1.7e308, "n": "core", "v": 1.7e308}, {"n": "top", "v": -1.7e308}])
    assert summed.faults == ("bad_value",)
    assert [(reading.probe, reading.temperature_c) for reading in summed.readings] == [("top", 0.0)]
    decoder = Decoder({("b", "core"): ProbeSettings(gain=1.25)})
    scaled = decoder.decode(b'[{"n":"b/core","u":"Cel","v":-1.7e308}]', NOW_S)
    assert (scaled.readings, scaled.faults) == ((), ("bad_value",))
