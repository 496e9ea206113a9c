"""One invented batch in every shape that RFC 8428 allows: the same samples as different nodes would send them.

A style has three layers, each a small function: how records are laid out in a pack, what the node's clock shows, and
what the way to us does to the lines. The samples are the same for all, and every value occurs once, so that a test can
say of each believed reading which sample it is.
"""

from __future__ import annotations

import json
import math
import random
from collections.abc import Callable, Iterable, Sequence
from typing import Any, NamedTuple
from zlib import crc32

POURED_S = 1773480000.0  # a whole minute
HOUR_S = 3600.0
BUCKET = "shed-2"


class Sample(NamedTuple):
    """What one probe showed at one true time (Unix seconds): °C, or the word of a probe that could not measure."""

    time_s: float
    probe: str
    value: float | str


class Sent(NamedTuple):
    """One line on its way: when it reaches us, and its bytes without the line feed."""

    arrival_s: float
    data: bytes


Shot = list[Sample]  # all probes at one moment
Record = dict[str, Any]
Clock = Callable[[float], float]  # true time -> what the node's clock shows
Layout = Callable[[list[Shot], Clock], list[list[Record]]]  # shots of one pack -> the packs' records


def paste_c(age_s: float) -> float:
    """A good batch: poured at 55 °C, 30 K of rise in the first hour, then cooling (time constant 6 h); air before."""
    if age_s < 0.0:
        return 12.0
    return 12.0 + (43.0 + 30.0 * (1.0 - math.exp(-age_s / 900.0))) * math.exp(-age_s / (6 * HOUR_S))


def shots(
    *,
    from_s: float = -300.0,
    to_s: float = 3 * HOUR_S,
    every_s: float = 10.0,
    probes: Sequence[str] = ("core", "ambient"),
    seed: int = 1,
) -> list[Shot]:
    """The clean batch: times after the pour, noise of 0.1 K, no value twice from one probe."""
    chance = random.Random(seed)
    under = {"core": 0.0, "wall": 6.0, "top": 3.0, "bottom": 4.0}
    seen: set[tuple[str, float]] = set()
    result = []
    for k in range(int((to_s - from_s) / every_s)):
        age_s = from_s + k * every_s
        shot = []
        for probe in probes:
            base_c = 12.0 if probe == "ambient" else paste_c(age_s)
            if probe != "ambient" and age_s >= 0.0:
                base_c -= under[probe]
            while True:
                value = round(base_c + chance.gauss(0.0, 0.1), 6)
                if (probe, value) not in seen and value != 85.0:
                    break
            seen.add((probe, value))
            shot.append(Sample(POURED_S + age_s, probe, value))
        result.append(shot)
    return result


# ---- writing a pack ------------------------------------------------------------------------------------------------


def text_of(records: list[Record], number: Callable[[float], str] | None = None, *, gap: str = "") -> bytes:
    """A pack's bytes; ``number`` writes values and times in another legal way, ``gap`` stands between the tokens."""

    def value(x: object) -> str:
        if number is not None and isinstance(x, int | float) and not isinstance(x, bool):
            return number(x)
        return json.dumps(x)

    inner = ("," + gap).join(
        "{" + gap + ("," + gap).join(f"{json.dumps(k)}:{gap}{value(v)}" for k, v in record.items()) + gap + "}"
        for record in records
    )
    return ("[" + gap + inner + gap + "]").encode()


def shift_exponent(x: float) -> str:
    """71.25 as 7.125e1: the same double, for Python reads decimals exactly."""
    return f"{x:e}" if float(f"{x:e}") == x else f"{x:.17e}"


def trailing_zeros(x: float) -> str:
    """71.2 as 71.2000."""
    text = repr(float(x))
    return text + "000" if "e" not in text else text


def with_crc(pack: bytes, *, upper: bool = False, gap: bytes = b" ") -> bytes:
    """The pack and its check sum."""
    checksum = b"%08X" if upper else b"%08x"
    return pack + gap + checksum % crc32(pack)


def measured(value: float | str) -> Record:
    """The field of a value: "v", or "vs" of a probe that cannot measure."""
    return {"vs": value} if isinstance(value, str) else {"v": value}


# ---- layouts -------------------------------------------------------------------------------------------------------


def _flat(pack: list[Shot]) -> list[Sample]:
    return [sample for shot in pack for sample in shot]


def full_names(pack: list[Shot], clock: Clock) -> list[list[Record]]:
    """Every record whole: name, unit, absolute time, value."""
    return [
        [
            {"n": f"{BUCKET}/{s.probe}", "u": "Cel", "t": clock(s.time_s), **measured(s.value)}
            for s in _flat(pack)
        ]
    ]  # fmt: skip


def one_record_a_pack(pack: list[Shot], clock: Clock) -> list[list[Record]]:
    """As many packs as samples."""
    return [[record] for record in full_names(pack, clock)[0]]


def merged_base(pack: list[Shot], clock: Clock) -> list[list[Record]]:
    """Base fields in the first record, beside its value; relative times where they differ from the base."""
    records: list[Record] = []
    base_s = clock(pack[-1][0].time_s)
    for s in _flat(pack):
        away_s = round(clock(s.time_s) - base_s, 3)
        record: Record = {"n": s.probe, **({"t": away_s} if away_s else {}), **measured(s.value)}
        records.append(record)
    records[0] = {"bn": f"{BUCKET}/", "bt": base_s, "bu": "Cel", "bver": 10, **records[0]}
    return [records]


def base_alone(pack: list[Shot], clock: Clock) -> list[list[Record]]:
    """Base fields in a record of their own; base time is the oldest sample's, times count up from it."""
    base_s = clock(pack[0][0].time_s)
    records: list[Record] = [{"bn": f"{BUCKET}/", "bt": base_s, "bu": "Cel"}]
    records += [
        {"n": s.probe, "t": round(clock(s.time_s) - base_s, 3), **measured(s.value)} for s in _flat(pack)
    ]  # fmt: skip
    return [records]


def base_by_base(pack: list[Shot], clock: Clock) -> list[list[Record]]:
    """Each base field in its own record, and each replaced in mid-pack."""
    records: list[Record] = [{"bu": "Cel"}, {"bver": 10}]
    for s in _flat(pack):
        records += [{"bn": f"{BUCKET}/{s.probe}"}, {"bt": clock(s.time_s)}, measured(s.value)]
    return [records]


def bucket_in_base_without_slash(pack: list[Shot], clock: Clock) -> list[list[Record]]:
    """bn is the bucket, n begins with the slash."""
    records: list[Record] = [{"bn": BUCKET, "bu": "Cel"}]
    records += [{"n": f"/{s.probe}", "t": clock(s.time_s), **measured(s.value)} for s in _flat(pack)]
    return [records]


def empty_base_name(pack: list[Shot], clock: Clock) -> list[list[Record]]:
    """bn is empty, as some libraries write it always."""
    (records,) = full_names(pack, clock)
    return [[{"bn": "", **records[0]}, *records[1:]]]


def probe_in_base(pack: list[Shot], clock: Clock) -> list[list[Record]]:
    """bn is the whole name, one pack a probe; records hold time and value alone."""
    by_probe: dict[str, list[Sample]] = {}
    for s in _flat(pack):
        by_probe.setdefault(s.probe, []).append(s)
    return [
        [{"bn": f"{BUCKET}/{probe}", "bu": "Cel"}, *({"t": clock(s.time_s), **measured(s.value)} for s in samples)]
        for probe, samples in by_probe.items()
    ]


def offset_values(pack: list[Shot], clock: Clock) -> list[list[Record]]:
    """Values as differences from a base value; the value that is just that is left out."""
    records: list[Record] = []
    samples = _flat(pack)
    first = samples[0].value
    assert not isinstance(first, str)
    for s in samples:
        assert not isinstance(s.value, str)
        away = round(s.value - first, 6)
        records.append({"n": s.probe, "t": clock(s.time_s), **({"v": away} if away else {})})
    return [[{"bn": f"{BUCKET}/", "bu": "Cel", "bv": first}, *records]]


def with_sums(pack: list[Shot], clock: Clock) -> list[list[Record]]:
    """Sums beside the values, as a node that also integrates sends them."""
    records: list[Record] = [{"bn": f"{BUCKET}/", "bu": "Cel", "bs": 1000.0}]
    records += [
        {"n": s.probe, "t": clock(s.time_s), **measured(s.value), "s": 12.5 * k} for k, s in enumerate(_flat(pack))
    ]
    return [records]


def sums_alone_between(pack: list[Shot], clock: Clock) -> list[list[Record]]:
    """Records that hold a sum and no value, among those that do."""
    records: list[Record] = [{"bn": f"{BUCKET}/", "bu": "Cel"}]
    for s in _flat(pack):
        records += [
            {"n": s.probe, "t": clock(s.time_s), **measured(s.value)},
            {"n": "mains/energy", "u": "J", "t": clock(s.time_s), "s": 4711.0},
        ]
    return [records]


def newest_first(pack: list[Shot], clock: Clock) -> list[list[Record]]:
    """Times fall within the pack, negative to the base."""
    base_s = clock(pack[-1][0].time_s)
    records: list[Record] = [{"bn": f"{BUCKET}/", "bt": base_s, "bu": "Cel"}]
    for shot in reversed(pack):
        for s in shot:
            away_s = round(clock(s.time_s) - base_s, 3)
            records.append({"n": s.probe, **({"t": away_s} if away_s else {}), **measured(s.value)})
    return [records]


def probe_after_probe(pack: list[Shot], clock: Clock) -> list[list[Record]]:
    """All samples of one probe, then all of the next; times go back in between."""
    (records,) = full_names(pack, clock)
    return [sorted(records, key=lambda record: record["n"])]


def relative_to_now(pack: list[Shot], clock: Clock) -> list[list[Record]]:
    """No absolute time at all: each sample says how long ago it was."""
    records: list[Record] = [{"bn": f"{BUCKET}/", "bu": "Cel"}]
    now_s = pack[-1][0].time_s
    for s in _flat(pack):
        ago_s = round(now_s - s.time_s, 3)
        records.append({"n": s.probe, **({"t": -ago_s} if ago_s else {}), **measured(s.value)})
    return [records]


def no_time(pack: list[Shot], clock: Clock) -> list[list[Record]]:
    """Without any time; one shot a pack."""
    return [[{"bn": f"{BUCKET}/", "bu": "Cel"}, *({"n": s.probe, **measured(s.value)} for s in shot)] for shot in pack]


def company(pack: list[Shot], clock: Clock) -> list[list[Record]]:
    """Battery, humidity, switches, names that are no probe, another bucket, and extension fields, all in one pack."""
    records: list[Record] = [{"bn": f"{BUCKET}/", "bt": clock(pack[-1][0].time_s), "bu": "Cel"}]
    records += [
        {"n": "battery", "u": "V", "v": 3.91}, {"n": "rh", "u": "%RH", "v": 71.5}, {"n": "door", "vb": True},
        {"n": "firmware", "vs": "1.4.2"}, {"n": "blob", "vd": "aGVsbG8"}, {"n": "core/rate", "u": "Cel", "v": 1.5},
    ]  # fmt: skip
    base_s = clock(pack[-1][0].time_s)
    for s in _flat(pack):
        records.append(
            {"n": s.probe, "t": round(clock(s.time_s) - base_s, 3), **measured(s.value), "ut": 60, "rssi": -71,
             "l": '[{"rel":"self"}]', "tags": {"a": [1, None]}}
        )  # fmt: skip
    records += [{"bn": "shed-9/", "n": "core", "v": 33.25}, {"n": "ambient", "v": 11.5}]
    return [records]


# ---- clocks --------------------------------------------------------------------------------------------------------


def right(time_s: float) -> float:
    """A clock that is right, to the millisecond."""
    return round(time_s, 3)


def off_by(by_s: float, from_s: float = -math.inf, to_s: float = math.inf) -> Clock:
    """Ahead by so much between two times after the pour."""
    return lambda time_s: round(time_s + (by_s if from_s <= time_s - POURED_S < to_s else 0.0), 3)


def since_boot(boots_s: Sequence[float], set_s: float = math.inf) -> Clock:
    """Seconds since the last boot (times after the pour); the right time once it is set."""

    def clock(time_s: float) -> float:
        age_s = time_s - POURED_S
        if age_s >= set_s:
            return round(time_s, 3)
        return round(age_s - max(boot_s for boot_s in boots_s if boot_s <= age_s), 3)

    return clock


def running_fast(rate: float) -> Clock:
    """A boot clock that gains this share of the time."""
    return lambda time_s: round((time_s - POURED_S + 1000.0) * (1.0 + rate) + 500.0, 3)


# ---- on the wire ---------------------------------------------------------------------------------------------------


def sent(
    batch: list[Shot],
    layout: Layout,
    clock: Clock = right,
    *,
    per_pack: int = 1,
    write: Callable[[list[Record]], bytes] = text_of,
    seed: int = 2,
    latency_s: tuple[float, float] = (0.05, 1.2),
) -> list[Sent]:
    """The lines of a batch as a healthy way brings them: soon, and in order."""
    chance = random.Random(seed)
    lines = []
    for i in range(0, len(batch), per_pack):
        pack = batch[i : i + per_pack]
        arrival_s = pack[-1][0].time_s + chance.uniform(*latency_s)
        for records in layout(pack, clock):
            lines.append(Sent(arrival_s, write(records)))
            arrival_s += 0.01
    return lines


def recorded(lines: Iterable[Sent]) -> bytes:
    """The recording of what came."""
    return b"".join(b"%.3f\t%b\n" % (line.arrival_s, line.data.replace(b"\n", b" ")) for line in lines)


def batch_text(*, extra: str = "") -> str:
    """The batch file beside it."""
    return (
        f'[batch]\nname = "Quillmarsh test"\nbucket = "{BUCKET}"\nstarted = 2026-03-14T09:20:00+00:00\n'
        '[recipe]\noils = [{ name = "sunflower", kg = 4.20 }]\nkoh_kg = 0.85\nkoh_purity = 0.9\nwater_kg = 1.3\n'
        '[vessel]\nlitres = 25\ninsulation = "bare"\n'
        '[[event]]\nat = 2026-03-14T09:20:00+00:00\nkind = "poured"\n'
        '[[event]]\nat = 2026-03-14T09:25:00+00:00\nkind = "blended"\n' + extra
    )
