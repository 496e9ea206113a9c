"""One line from the wire -> readings, or a counted fault. The format is SenML JSON, RFC 8428.

A line is one pack, optionally followed by a space and the CRC-32 of the pack's bytes in 8 hex digits. A damaged line
never becomes a reading: wherever the bytes show damage the whole line is refused, and only a record that is whole but
of no use here (another unit, another name) is passed over alone.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from math import isfinite
from typing import Any, NamedTuple, NoReturn
from zlib import crc32

from monitor.domain import PROBES, Reading
from monitor.sensing.clocks import ABSOLUTE_FROM_S, MOST_LAG_S, MOST_LEAD_S, NodeClock
from monitor.sensing.floods import TOO_MANY, MinuteRoom
from monitor.sensing.supply import Supply
from monitor.sensing.thermocouple import (
    STRAIGHT_LINE_UV_PER_C,
    ThermocoupleError,
    compensated_c,
    straight_line_corrected_c,
)
from monitor.words import mark, tr

# A node's pack is some hundred bytes; these bounds only keep a mad sender from taking the machine.
MOST_LINE_BYTES = 64 * 1024
MOST_RECORDS = 1000
MOST_PROBES_REMEMBERED = 2000
# RFC 8428 has no bound; "<bucket>/<probe>/cold-junction" with a bucket of 64 letters needs some 90.
MOST_NAME = 200

# RFC 8428 section 4.4: 10 is the version this resolver knows; lower ones come from drafts and resolve alike.
KNOWN_VERSION = 10

# How long a cold junction's temperature may stand in for one that did not come with its voltage.
COLD_JUNCTION_KEEPS_S = 60.0
# They may come in a pack of their own, before that of their voltages.
MOST_COLD_JUNCTIONS = 128

# What a line may be refused for, with the words a person is shown.
FAULTS = {
    "too_long": mark("longer than 64 kB or more than 1000 records"),
    "bad_utf8": mark("bytes that are no text: damaged on the way, or the wrong baud rate"),
    "bad_json": mark("not a whole SenML pack: cut, merged or damaged on the way"),
    "bad_crc": mark("the check sum does not fit: damaged on the way"),
    "bad_pack": mark("JSON, but no SenML pack: RFC 8428 does not allow it"),
    "bad_name": mark("a name with letters that RFC 8428 does not allow, or with more than 200 of them"),
    "bad_version": mark("a SenML version that is not known here"),
    "must_understand": mark("a SenML extension that must be understood and is not"),
    "bad_value": mark("a value that is no number"),
    "bad_time": mark("a time more than four days from its arrival"),
    "no_unit": mark("a temperature without its unit; send \"u\":\"Cel\""),
    "no_cold_junction": mark("a thermocouple voltage without its cold junction's temperature"),
    "stale_retained": mark("a stored message without a time of the last four days"),
    "strange_bucket": mark("readings of buckets that nobody named, beyond those that are kept"),
    TOO_MANY: mark("more readings of one probe in a minute than are kept"),
}  # fmt: skip

# What a node calls the voltage of its own battery or supply, in V, beside its probes.
SUPPLY = "supply"

# Whole, but of no use here: no damage, and worth a word to whoever wonders where the readings are. A probe's value in
# another unit than Cel (or V for a thermocouple voltage); a temperature whose name ends in no probe known here.
UNFIT = ("other_unit", "other_name")


@dataclass(frozen=True, slots=True)
class ProbeSettings:
    """How one probe's values become temperatures.

    ``amplifier`` "linear" takes °C as they are sent; "straight-line" corrects an amplifier that takes a thermocouple
    for a straight line of ``uv_per_c`` µV/°C (the node then also sends the cold junction). ``gain`` and ``offset_c``
    come last: T = gain * T + offset_c.
    """

    thermocouple: str = "K"
    amplifier: str = "linear"
    uv_per_c: float = STRAIGHT_LINE_UV_PER_C
    gain: float = 1.0
    offset_c: float = 0.0


@dataclass(frozen=True, slots=True)
class Decoded:
    """What one line gave: readings in time order, faults by their short names (``FAULTS``), records passed over.

    ``uncorrected`` counts readings of a straight-line amplifier that came without a cold junction and stand as shown;
    ``strange`` counts records of buckets that the decoder was told not to take; ``unfit`` names those of the ones
    passed over that may be a probe of ours, as its node calls or measures it. ``supplies``: the supply voltages of
    nodes.
    """

    readings: tuple[Reading, ...] = ()
    faults: tuple[str, ...] = ()
    ignored: int = 0
    uncorrected: int = 0
    strange: int = 0
    unfit: tuple[str, ...] = ()
    supplies: tuple[Supply, ...] = ()


class Record(NamedTuple):
    """One resolved SenML record: full name, unit or None, value, and base time + time as sent (RFC 8428, 4.6).

    ``value`` is None for a boolean, data or a sum alone: nothing that a probe of ours sends.
    """

    name: str
    unit: str | None
    value: float | str | None
    stamp_s: float


class _Refused(Exception):
    """The line cannot be used; the only argument is the fault's short name."""


# What may stand about a pack; behind it also the zero byte with which firmware in C often ends what it sends.
_BLANKS = b" \t\r\n"
_AFTER = _BLANKS + b"\0"
_BYTE_ORDER_MARK = b"\xef\xbb\xbf"
_LARGEST = 10**300
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*\Z")
_WITH_CRC = re.compile(rb"(\[.*\])[ \t]+([0-9A-Fa-f]{8})\Z", re.DOTALL)
_BASE_LABELS = frozenset(("bn", "bt", "bu", "bv", "bs", "bver", "bct"))
_KNOWN_LABELS = _BASE_LABELS | {"n", "u", "v", "vs", "vb", "vd", "s", "t", "ut", "ct"}
_TEXT_LABELS = frozenset(("bn", "bu", "n", "u", "vs", "vd"))
_NUMBER_LABELS = frozenset(("bt", "bv", "bs", "s", "t", "ut"))


def _unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """Two values under one label in one record are what is left of two records that ran together."""
    record = dict(pairs)
    if len(record) != len(pairs):
        raise _Refused("bad_pack")
    return record


def _no_constant(_: str) -> NoReturn:
    raise _Refused("bad_json")  # NaN and Infinity are not JSON (RFC 8259), though Python reads them


_JSON = json.JSONDecoder(object_pairs_hook=_unique, parse_constant=_no_constant)


def split_checksum(line: bytes) -> bytes:
    """The pack's bytes out of a line, once its CRC-32, if there is one, has been found right.

    Raises the private refusal that ``Decoder.decode`` counts.
    """
    if line.endswith(b"]"):
        return line
    match = _WITH_CRC.match(line)
    if match is None:
        raise _Refused("bad_json")
    pack, checksum = match.groups()
    if crc32(pack) != int(checksum, 16):
        raise _Refused("bad_crc")
    return pack


def with_checksum(pack: bytes) -> bytes:
    """The line a node sends for a pack: the pack, a space, its CRC-32 in 8 hex digits, no line feed."""
    return pack + b" %08x" % crc32(pack)


def parse_pack(line: bytes) -> list[dict[str, Any]]:
    """The records of a line as they were sent."""
    if len(line) > MOST_LINE_BYTES:
        raise _Refused("too_long")
    pack = split_checksum(line)
    try:
        text = pack.decode("utf-8")
    except UnicodeDecodeError:
        raise _Refused("bad_utf8") from None
    try:
        records = _JSON.decode(text)
    except (ValueError, RecursionError):
        raise _Refused("bad_json") from None
    if not isinstance(records, list) or not records:
        raise _Refused("bad_pack")
    if len(records) > MOST_RECORDS:
        raise _Refused("too_long")
    return records


def _check_labels(record: dict[str, Any]) -> None:
    for label, value in record.items():
        if label in _TEXT_LABELS:
            if type(value) is not str:
                raise _Refused("bad_pack")
        elif label in _NUMBER_LABELS:
            if not _is_number(value):
                raise _Refused("bad_pack")
        elif label[-1:] == "_":
            raise _Refused("must_understand")  # RFC 8428 section 4.4


def _is_number(value: object) -> bool:
    """A JSON number that fits a double; true and false are none, though Python takes them for 1 and 0."""
    if type(value) is float:
        return isfinite(value)
    return type(value) is int and -_LARGEST < value < _LARGEST


def _check_version(record: dict[str, Any], version: int | None, first: bool) -> int:
    """All records of a pack carry the same version; absent in the first it is 10 (RFC 8428, 4.4)."""
    sent = record.get("bver")
    if sent is None:
        return KNOWN_VERSION if version is None else version
    if not _is_number(sent) or sent != int(sent):
        raise _Refused("bad_pack")
    if not 1 <= sent <= KNOWN_VERSION or (not first and sent != version):
        raise _Refused("bad_version")
    return int(sent)


def resolve(records: list[dict[str, Any]]) -> tuple[list[Record], int]:
    """Base fields applied to every record (RFC 8428, 4.6), and how many records hold no usable value.

    A base field holds for its own record and all later ones until it is replaced. Times are left as sent: relative
    or absolute is for the caller, who knows the arrival.
    """
    base_name, base_unit, base_time, base_value, base_sum = "", None, 0.0, None, None
    version: int | None = None
    resolved: list[Record] = []
    bad_values = 0
    for i, record in enumerate(records):
        if not isinstance(record, dict):
            raise _Refused("bad_pack")
        _check_labels(record)
        version = _check_version(record, version, i == 0)
        if not _BASE_LABELS.isdisjoint(record):
            base_name = record.get("bn", base_name)
            base_unit = record.get("bu", base_unit)
            base_time = record.get("bt", base_time)
            base_value = record.get("bv", base_value)
            base_sum = record.get("bs", base_sum)
            if _BASE_LABELS.issuperset(record):
                continue  # base fields alone: they only set the scene
        name = base_name + record.get("n", "")
        # The length first: what is looked up next is kept, and long names would fill the memory.
        if len(name) > MOST_NAME or not _is_name(name):
            raise _Refused("bad_name")
        unit = record.get("u", base_unit)
        stamp_s = float(base_time + record.get("t", 0.0))
        label = _value_label(record, base_value, base_sum)
        if label == "v":
            value = record.get("v", 0.0)
            # Two numbers that each fit a double may have a sum that does not.
            if _is_number(value) and isfinite(total := float(value) + float(base_value or 0.0)):
                resolved.append(Record(name, unit, total, stamp_s))
            else:
                bad_values += 1  # "v":null is a node that could not measure, not damage: the others stand
        elif label == "vs":
            resolved.append(Record(name, unit, record["vs"], stamp_s))
        else:
            resolved.append(Record(name, unit, None, stamp_s))
    return resolved, bad_values


def _value_label(record: dict[str, Any], base_value: float | None, base_sum: float | None) -> str:
    """Which field holds the record's one value: "v", "vs", or another that is no temperature."""
    count = ("v" in record) + ("vs" in record) + ("vb" in record) + ("vd" in record)
    if count > 1:
        raise _Refused("bad_pack")
    if count == 1:
        return "v" if "v" in record else "vs" if "vs" in record else "vd"
    if "s" in record or base_sum is not None:
        return "s"
    if base_value is not None and _KNOWN_LABELS.issuperset(record):
        return "v"  # a missing value counts as zero beside a base value
    raise _Refused("bad_pack")


@lru_cache(maxsize=4096)
def _is_name(name: str) -> bool:
    """RFC 8428 section 4.5.1: letters, digits and - : . / _ , beginning with a letter or digit."""
    return _NAME.match(name) is not None


def resolve_line(line: bytes) -> list[Record]:
    """The resolved records of one line, for tests and tools; raises ValueError with the fault's name."""
    try:
        return resolve(parse_pack(line.lstrip(_BLANKS).rstrip(_AFTER)))[0]
    except _Refused as refused:
        raise ValueError(f"{refused}: {tr(FAULTS[str(refused)])}") from None


@lru_cache(maxsize=4096)
def split_name(name: str, default_bucket: str | None = None) -> tuple[str, str, str] | None:
    """(bucket, probe, "" or "emf" or "cold-junction") of a full name, or None when it names no probe of ours."""
    if name.startswith("urn:"):
        return None
    parts = name.split("/")
    kind = ""
    last = parts[-1].lower()
    if last in ("emf", "cold-junction") and len(parts) > 1:
        kind = last
        parts.pop()
        last = parts[-1].lower()
    if last not in PROBES:
        return None
    bucket = "/".join(parts[:-1]).rstrip("/")
    if not bucket:
        if default_bucket is None:
            return None
        bucket = default_bucket
    return bucket, last, kind


@lru_cache(maxsize=4096)
def supply_bucket(name: str, default_bucket: str | None = None) -> str | None:
    """The bucket whose node names its own supply so, or None when it names none."""
    bucket, _, last = name.rpartition("/")
    if last.lower() != SUPPLY or name.startswith("urn:"):
        return None
    return bucket.rstrip("/") or default_bucket


@dataclass(slots=True)
class _Node:
    """What is remembered of one probe between lines."""

    clock: NodeClock = field(default_factory=NodeClock)
    cold_junctions_c: dict[float, float] = field(default_factory=dict)  # the latest few, by their times
    room: MinuteRoom = field(default_factory=MinuteRoom)


class _Placed(NamedTuple):
    """A record of one probe that has its time."""

    kind: str
    value: float | str | None
    time_s: float
    retimed: bool
    own_time: bool  # it is that of the node's clock, and that clock is right


@dataclass(slots=True)
class _Found:
    """What one line has given so far."""

    arrival_s: float
    retained: bool
    faults: list[str]
    readings: list[Reading] = field(default_factory=list)
    uncorrected: int = 0
    supplies: list[Supply] = field(default_factory=list)

    def keep(self, reading: Reading, room: MinuteRoom | None, *, own_time: bool) -> None:
        """Add a reading, or count that its minute is full; None where there is room for all."""
        if room is None or room.takes(reading.time_s, own_time=own_time):
            self.readings.append(reading)
        else:
            self.faults.append(TOO_MANY)


class Decoder:
    """Turns lines into readings. Remembers, per bucket and probe, the node's clock and its last cold junction.

    What it gives for one bucket depends only on that bucket's records, so a recording that leaves out the others
    decodes alike; and only on lines that came before, never on later ones.
    """

    def __init__(
        self,
        probe_settings: Mapping[tuple[str, str], ProbeSettings] | None = None,
        takes: Callable[[str], bool] = lambda bucket: True,
        is_strange: Callable[[str], bool] = lambda bucket: False,
    ) -> None:
        """``takes`` says of which buckets records are taken; of the others nothing is remembered. Of one that
        ``is_strange`` only so much of each minute is kept (``floods``).
        """
        self._settings = dict(probe_settings or {})
        self._takes, self._is_strange = takes, is_strange
        self._nodes: dict[tuple[str, str], _Node] = {}

    def decode(
        self, line: bytes, arrival_s: float, *, retained: bool = False, default_bucket: str | None = None
    ) -> Decoded:
        """Readings and faults of one line that came at ``arrival_s`` (Unix seconds). Never raises.

        ``retained``: the broker had stored the message, so only its own absolute time can place it.
        ``default_bucket``: the bucket of names that are a probe alone, when the source knows it.
        """
        line = line.lstrip(_BLANKS).rstrip(_AFTER)
        if line.startswith(_BYTE_ORDER_MARK):
            line = line[len(_BYTE_ORDER_MARK) :]  # a reader may pass over it (RFC 8259, section 8.1)
        if not line:
            return Decoded()
        try:
            records, bad_values = resolve(parse_pack(line))
        except _Refused as refused:
            return Decoded(faults=(str(refused),))
        faults = ["bad_value"] * bad_values
        ignored = strange = 0
        unfit: list[str] = []
        groups: dict[tuple[str, str], list[tuple[str, Record]]] = {}
        supplies: dict[str, list[Record]] = {}
        for record in records:
            named = None if record.value is None else split_name(record.name, default_bucket)
            if named is None:
                of_bucket = supply_bucket(record.name, default_bucket)
                if of_bucket and record.unit == "V" and isinstance(record.value, float):
                    if self._takes(of_bucket):
                        supplies.setdefault(of_bucket, []).append(record)
                    else:
                        strange += 1
                    continue
                ignored += 1
                if record.value is not None and record.unit == "Cel":
                    unfit.append("other_name")
                continue
            bucket, probe, kind = named
            if not self._takes(bucket):
                strange += 1
                continue
            unit = record.unit
            if unit != ("V" if kind == "emf" else "Cel") and not isinstance(record.value, str):
                if unit is None:
                    faults.append("no_unit")
                else:
                    ignored += 1
                    unfit.append("other_unit")
                continue
            groups.setdefault((bucket, probe), []).append((kind, record))
        found = _Found(arrival_s, retained, faults)
        for key, members in groups.items():
            self._take_probe(key, members, found)
        for bucket, sent in supplies.items():
            self._take_supply(bucket, sent, found)
        if len(found.readings) > 1:
            found.readings.sort(key=_time)  # a resolved pack is in time order (RFC 8428, 4.6)
        return Decoded(
            tuple(found.readings), tuple(faults), ignored, found.uncorrected, strange, tuple(unfit),
            tuple(found.supplies),
        )  # fmt: skip

    def _take_supply(self, bucket: str, sent: list[Record], found: _Found) -> None:
        """The voltages of one node's supply in one line; one whose time is of no use is passed over without a word,
        for the readings beside it have the same.
        """
        clock, arrival_s = self._node((bucket, SUPPLY)).clock, found.arrival_s
        times: list[float | None]
        if found.retained:
            times = [clock.stored_time_s(record.stamp_s, arrival_s) for record in sent]
        else:
            times = [time_s for time_s, _ in clock.place([(one.stamp_s, one.value) for one in sent], arrival_s)]
        for record, time_s in zip(sent, times, strict=True):
            if time_s is not None and -MOST_LEAD_S <= arrival_s - time_s <= MOST_LAG_S:
                found.supplies.append(Supply(bucket, time_s, float(record.value or 0.0)))
        found.supplies.sort(key=lambda one: one.time_s)

    def _take_probe(self, key: tuple[str, str], members: list[tuple[str, Record]], found: _Found) -> None:
        """One probe's records of one line."""
        node = self._node(key)
        arrival_s = found.arrival_s
        settings = self._settings.get(key)
        times: list[tuple[float | None, bool]]
        if settings is None and len(members) == 1 and not found.retained:
            # The common case first: one temperature in °C of a probe without settings of its own.
            kind, record = members[0]
            placed_s, retimed = node.clock.place_one(record.stamp_s, record.value, arrival_s)
            if not kind and type(record.value) is float and -MOST_LEAD_S <= arrival_s - placed_s <= MOST_LAG_S:
                bucket, probe = key
                reading = Reading(bucket, probe, placed_s, arrival_s, record.value, "ok", retimed)
                found.keep(reading, self._room(key), own_time=_own_time(record, retimed))
                return
            times = [(placed_s, retimed)]
        elif found.retained:
            times = [(node.clock.stored_time_s(record.stamp_s, arrival_s), False) for _, record in members]
        else:
            times = list(node.clock.place([(record.stamp_s, record.value) for _, record in members], arrival_s))
        placed: list[_Placed] = []
        for (kind, record), (time_s, retimed) in zip(members, times, strict=True):
            if time_s is None:
                found.faults.append("stale_retained")
            elif not -MOST_LEAD_S <= arrival_s - time_s <= MOST_LAG_S:
                found.faults.append("bad_time")
            else:
                placed.append(_Placed(kind, record.value, time_s, retimed, _own_time(record, retimed)))
        self._measure(key, settings or ProbeSettings(), node, placed, found)

    def _room(self, key: tuple[str, str]) -> MinuteRoom | None:
        return self._node(key).room if self._is_strange(key[0]) else None

    def _measure(
        self, key: tuple[str, str], settings: ProbeSettings, node: _Node, placed: list[_Placed], found: _Found
    ) -> None:
        """Values to temperatures: cold junctions first, for they may stand after the voltages they belong to."""
        room = self._room(key)
        cold = {p.time_s: p.value for p in placed if p.kind == "cold-junction" and isinstance(p.value, float)}
        for one in placed:
            if one.kind == "cold-junction":
                continue
            state, temperature_c = "ok", None
            if isinstance(one.value, str):
                state = _state(one.value)
                if not state:
                    found.faults.append("bad_value")
                    continue
            elif isinstance(one.value, float):
                cold_junction_c = _cold_junction(cold, node, one.time_s)
                if cold_junction_c is None and one.kind == "emf":
                    found.faults.append("no_cold_junction")
                    continue
                if cold_junction_c is None and settings.amplifier == "straight-line":
                    found.uncorrected += 1  # it stands as shown, off by at most 0.6 °C over 40 to 120 °C
                try:
                    temperature_c = _temperature_c(settings, one.kind, one.value, cold_junction_c)
                except ThermocoupleError:
                    state = "emf-out-of-range"  # a railed amplifier: the probe cannot measure, and that is news
                if temperature_c is not None and not isfinite(temperature_c):
                    found.faults.append("bad_value")  # the calibration took it beyond what a double holds
                    continue
            bucket, probe = key
            reading = Reading(bucket, probe, one.time_s, found.arrival_s, temperature_c, state, one.retimed)
            found.keep(reading, room, own_time=one.own_time)
        if cold:
            known = node.cold_junctions_c
            known.update(cold)
            while len(known) > MOST_COLD_JUNCTIONS:
                del known[next(iter(known))]

    def _node(self, key: tuple[str, str]) -> _Node:
        node = self._nodes.get(key)
        if node is None:
            if len(self._nodes) >= MOST_PROBES_REMEMBERED:
                del self._nodes[next(iter(self._nodes))]
            node = self._nodes[key] = _Node()
        return node


def _own_time(record: Record, retimed: bool) -> bool:
    return not retimed and record.stamp_s >= ABSOLUTE_FROM_S


def _time(reading: Reading) -> float:
    return reading.time_s


def _temperature_c(settings: ProbeSettings, kind: str, value: float, cold_junction_c: float | None) -> float:
    """°C from what a node sent: V for an emf, else °C. Raises ThermocoupleError outside the type's range."""
    temperature_c = value
    if cold_junction_c is not None:
        if kind == "emf":
            temperature_c = compensated_c(settings.thermocouple, value * 1e3, cold_junction_c)
        elif settings.amplifier == "straight-line":
            temperature_c = straight_line_corrected_c(settings.thermocouple, value, cold_junction_c, settings.uv_per_c)
    return settings.gain * temperature_c + settings.offset_c


def _cold_junction(cold: Mapping[float, float], node: _Node, time_s: float) -> float | None:
    """The cold junction of the same moment, else the last one known within a minute."""
    for known in (cold, node.cold_junctions_c):
        same = known.get(time_s)
        if same is not None:
            return same
        nearest_s = min(known, key=lambda t: abs(t - time_s), default=None)
        if nearest_s is not None and abs(nearest_s - time_s) <= COLD_JUNCTION_KEEPS_S:
            return known[nearest_s]
    return None


def _state(word: str) -> str:
    """A probe's own word for why it cannot measure, in one spelling; empty when it is no such word."""
    state = word.strip().lower().replace("_", "-").replace(" ", "-")
    if not state or state == "ok" or len(state) > 40 or not state.isprintable():
        return ""
    return state
