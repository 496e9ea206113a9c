"""The SenML resolver against the example packs of RFC 8428 (the working group's example files)."""

from __future__ import annotations

import zlib

import pytest

from monitor.sensing.senml import Decoder, Record, resolve_line, with_checksum


def test_single_datapoint() -> None:
    """RFC 8428 section 5.1.1: name, unit and value; no time means now."""
    (record,) = resolve_line(b'[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]')
    assert record == Record("urn:dev:ow:10e2073a01080063", "Cel", 23.1, 0.0)


def test_multiple_datapoints() -> None:
    """RFC 8428 section 5.1.2 (first, second and last record): base name, time and unit; a bver below 10 is accepted."""
    records = resolve_line(
        b'[{"bn":"urn:dev:ow:10e2073a0108006:","bt":1276020076.001,"bu":"A","bver":5,'
        b'"n":"voltage","u":"V","v":120.1},{"n":"current","t":-5,"v":1.2},{"n":"current","t":0,"v":1.7}]'
    )
    base = "urn:dev:ow:10e2073a0108006:"
    assert records == [
        Record(base + "voltage", "V", 120.1, 1276020076.001),
        Record(base + "current", "A", 1.2, 1276020071.001),
        Record(base + "current", "A", 1.7, 1276020076.001),
    ]


def test_collection_of_resources() -> None:
    """RFC 8428 section 5.1.5: the base name changes at the third record, the base time stays."""
    records = resolve_line(
        b'[{"bn":"2001:db8::2/","bt":1320078429,"n":"temperature","v":25.2,"u":"Cel"},'
        b'{"n":"humidity","v":30,"u":"%RH"},'
        b'{"bn":"2001:db8::1/","n":"temperature","v":12.3,"u":"Cel"},{"n":"humidity","v":67,"u":"%RH"}]'
    )
    assert [record.name for record in records] == [
        "2001:db8::2/temperature", "2001:db8::2/humidity", "2001:db8::1/temperature", "2001:db8::1/humidity",
    ]  # fmt: skip
    assert {record.stamp_s for record in records} == {1320078429.0}
    assert [record.value for record in records] == [25.2, 30.0, 12.3, 67.0]


def test_base_name_alone_is_a_name() -> None:
    """An RFC 8428 example gives only a base name; times are absolute (2^28 and above)."""
    records = resolve_line(
        b'[{"bn":"urn:dev:ow:10e2073a01080063","t":1276020076,"v":23.5,"u":"Cel"},{"t":1276020091,"v":23.6,"u":"Cel"}]'
    )
    assert [(record.name, record.stamp_s) for record in records] == [
        ("urn:dev:ow:10e2073a01080063", 1276020076.0),
        ("urn:dev:ow:10e2073a01080063", 1276020091.0),
    ]


def test_the_boundary_between_relative_and_absolute() -> None:
    """RFC 8428 section 4.5.3: 2^28 is absolute, one below is relative; 2^28 s is 1978-07-04T21:24:16Z."""
    arrival_s = float(2**28)
    pack = b'[{"n":"shed-2/core","u":"Cel","v":60,"t":%d}]'
    assert Decoder().decode(pack % 2**28, arrival_s).readings[0].retimed is False
    assert Decoder().decode(pack % (2**28 - 1), arrival_s).readings[0].retimed is True


@pytest.mark.parametrize(
    ("pack", "fault"),
    [
        (b'[{"bver":11,"n":"shed-2/core","u":"Cel","v":60}]', "bad_version"),
        (b'[{"n":"shed-2/core","u":"Cel","v":60,"unheard_":1}]', "must_understand"),
        (b'[{"n":"shed-2/core","u":"Cel","v":60,"vs":"open"}]', "bad_pack"),
        (b'[{"n":"shed-2/core","u":"Cel","v":NaN}]', "bad_json"),
        (b'[{"n":"/core","u":"Cel","v":60}]', "bad_name"),
    ],
)
def test_what_rfc_8428_forbids_is_refused(pack: bytes, fault: str) -> None:
    """Higher versions, labels that must be understood (4.4), two values (4.2), NaN (5), names (4.5.1); from memory."""
    decoded = Decoder().decode(pack, 1773480000.0)
    assert decoded.readings == ()
    assert decoded.faults == (fault,)


def test_crc_32_check_value() -> None:
    """The check sum is the CRC-32 whose published check value over "123456789" is CBF43926h."""
    assert zlib.crc32(b"123456789") == 0xCBF43926
    assert with_checksum(b"123456789").endswith(b" cbf43926")
