"""The same samples in every legal shape are the same curve: decode, screening and ticks, without the estimator.

Shapes are those of RFC 8428 and of the wire of the design. Tolerances: an absolute time stands as it was sent, to the
millisecond. A time that is anchored at its arrival is late by the delivery, here at most 1.2 s, hence 2 s.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest

from monitor.sensing.thermocouple import emf_mv
from tests.sensing import wire_styles as wire
from tests.sensing.replayed import Compared, believed, compare, raised, replayed
from tests.sensing.wire_styles import (
    BUCKET,
    HOUR_S,
    POURED_S,
    Clock,
    Layout,
    Record,
    Sample,
    Sent,
    Shot,
    off_by,
    right,
    sent,
    shots,
    since_boot,
    text_of,
    with_crc,
)

BATCH = shots(to_s=1.5 * HOUR_S)


def seen(folder: Path, lines: list[Sent], batch: list[Shot] = BATCH, **tolerances: float) -> tuple[Compared, list[str]]:
    """What was believed of a batch, and which alarms were raised."""
    replay = replayed(folder, lines)
    assert replay.trouble is None
    return compare(batch, believed(replay), **tolerances), raised(replay)


def is_the_curve(found: tuple[Compared, list[str]], batch: list[Shot] = BATCH) -> None:
    """All samples are believed where they belong, nothing else is, and nobody was rung."""
    compared, rung = found
    assert (compared.kept, compared.lost, compared.moved, compared.invented) == (
        sum(len(shot) for shot in batch), 0, 0, 0,
    ), compared.worst[:5]  # fmt: skip
    assert rung == []


# ---- packs -----------------------------------------------------------------------------------------------------------

LAYOUTS: list[Layout] = [
    wire.full_names, wire.one_record_a_pack, wire.merged_base, wire.base_alone, wire.base_by_base,
    wire.bucket_in_base_without_slash, wire.empty_base_name, wire.probe_in_base, wire.offset_values, wire.with_sums,
    wire.sums_alone_between, wire.newest_first, wire.probe_after_probe, wire.company,
]  # fmt: skip


@pytest.mark.parametrize("per_pack", [1, 6, 50])
@pytest.mark.parametrize("layout", LAYOUTS, ids=lambda layout: layout.__name__)
def test_every_layout_of_a_pack_is_the_same_curve(layout: Layout, per_pack: int, tmp_path: Path) -> None:
    """Base fields alone, merged, replaced or missing; names whole or in parts; any order; up to 50 samples a pack."""
    compared, rung = seen(tmp_path, sent(BATCH, layout, per_pack=per_pack), within_s=0.001)
    if per_pack == 50 and layout is wire.one_record_a_pack:
        rung = []  # single samples eight minutes apart: the first such gap is not known to be the node's rhythm
    is_the_curve((compared, rung))


@pytest.mark.parametrize("layout", [wire.relative_to_now, wire.no_time], ids=lambda layout: layout.__name__)
def test_samples_without_an_absolute_time_stand_at_their_arrival(layout: Layout, tmp_path: Path) -> None:
    """Late by the delivery, and by no more."""
    for per_pack in (1, 6) if layout is wire.relative_to_now else (1,):
        is_the_curve(seen(tmp_path, sent(BATCH, layout, per_pack=per_pack)))


WRITERS: dict[str, Callable[[list[Record]], bytes]] = {
    "check sum": lambda records: with_crc(text_of(records)),
    "check sum in capitals": lambda records: with_crc(text_of(records), upper=True),
    "carriage return": lambda records: text_of(records) + b"\r",
    "check sum and carriage return": lambda records: with_crc(text_of(records)) + b"\r",
    "blanks about": lambda records: b" \t" + text_of(records) + b"  ",
    "blanks inside": partial(text_of, gap=" "),
    "line feeds inside, as MQTT may bring": partial(text_of, gap="\r\n\t"),
    "exponents": partial(text_of, number=wire.shift_exponent),
    "trailing zeros": partial(text_of, number=wire.trailing_zeros),
    "escapes": lambda records: (
        text_of(records).replace(b"core", b"\\u0063or\\u0065").replace(b'"v"', b'"\\u0076"').replace(b"/", b"\\/")
    ),
    "byte order mark": lambda records: b"\xef\xbb\xbf" + text_of(records),
    "ended by a zero byte, as in C": lambda records: text_of(records) + b"\0",
}


@pytest.mark.parametrize("writer", WRITERS.values(), ids=WRITERS)
def test_every_way_to_write_a_pack_is_the_same_curve(writer: Callable[[list[Record]], bytes], tmp_path: Path) -> None:
    """JSON leaves much open (RFC 8259): blanks, escapes, how a number is written."""
    is_the_curve(seen(tmp_path, sent(BATCH, wire.merged_base, per_pack=2, write=writer), within_s=0.001))


@pytest.mark.parametrize("bucket", ["a", "shed-2", "Quillmarsh.3", "under_score", "north/shed/2", "2", "x:y"])
def test_any_name_that_rfc_8428_allows_may_be_a_buckets(bucket: str, tmp_path: Path) -> None:
    """Letters, digits and - : . / _, beginning with a letter or digit."""
    lines = [
        Sent(line.arrival_s, line.data.replace(f'"{BUCKET}/'.encode(), f'"{bucket}/'.encode()))
        for line in sent(BATCH, wire.merged_base)
    ]
    toml = wire.batch_text().replace(f'"{BUCKET}"', f'"{bucket}"')
    replay = replayed(tmp_path, lines, toml)
    is_the_curve((compare(BATCH, believed(replay), within_s=0.001), raised(replay)))


@pytest.mark.parametrize("probes", [("core",), ("wall",), ("core", "wall", "top", "bottom", "ambient")])
def test_any_set_of_probes(probes: tuple[str, ...], tmp_path: Path) -> None:
    """Core alone, no core, or all five."""
    batch = shots(to_s=1.5 * HOUR_S, probes=probes)
    is_the_curve(seen(tmp_path, sent(batch, wire.base_alone, per_pack=3), batch, within_s=0.001), batch)


# ---- volts -----------------------------------------------------------------------------------------------------------


def _volts(pairs: Callable[[list[Record], list[Record]], list[list[Record]]], pack: list[Shot], clock: Clock) -> list:
    """Type K against a cold junction that warms slowly by some kelvin."""
    cold, volts = [], []
    for sample in (sample for shot in pack for sample in shot):
        assert isinstance(sample.value, float)
        cold_c = 18.0 + 3.0 * (sample.time_s - POURED_S) / HOUR_S
        stamp = {"t": clock(sample.time_s)}
        volt = (emf_mv("K", sample.value) - emf_mv("K", cold_c)) / 1000.0
        cold.append({"n": f"{BUCKET}/{sample.probe}/cold-junction", "u": "Cel", "v": cold_c, **stamp})
        volts.append({"n": f"{BUCKET}/{sample.probe}/emf", "u": "V", "v": volt, **stamp})
    return pairs(cold, volts)


def _without_unit(records: list[Record], unit: str) -> list[Record]:
    return [{k: v for k, v in record.items() if (k, v) != ("u", unit)} for record in records]


PAIRS: dict[str, Callable[[list[Record], list[Record]], list[list[Record]]]] = {
    "cold junction first": lambda cold, volts: [[x for pair in zip(cold, volts, strict=True) for x in pair]],
    "voltage first": lambda cold, volts: [[x for pair in zip(volts, cold, strict=True) for x in pair]],
    "all cold junctions, then all voltages": lambda cold, volts: [cold + volts],
    "a pack of cold junctions before each of voltages": lambda cold, volts: [cold, volts],
    "each record a pack": lambda cold, volts: [[x] for pair in zip(cold, volts, strict=True) for x in pair],
    "base unit V": lambda cold, volts: [[{"bu": "V"}, *cold, *_without_unit(volts, "V")]],
    "base unit Cel": lambda cold, volts: [[{"bu": "Cel"}, *_without_unit(cold, "Cel"), *volts]],
    "base unit replaced": lambda cold, volts: [
        [{"bu": "Cel"}, *_without_unit(cold, "Cel"), {"bu": "V"}, *_without_unit(volts, "V")]
    ],
}


@pytest.mark.parametrize("pairs", PAIRS.values(), ids=PAIRS)
def test_volts_with_their_cold_junction_are_the_same_curve(
    pairs: Callable[[list[Record], list[Record]], list[list[Record]]], tmp_path: Path
) -> None:
    """To a thousandth of a degree, however the two are packed."""
    for per_pack in (1, 5):
        lines = sent(BATCH, partial(_volts, pairs), per_pack=per_pack)
        is_the_curve(seen(tmp_path, lines, within_s=0.001, within_k=1e-3))


# ---- clocks ----------------------------------------------------------------------------------------------------------

DAY_S = 86400.0
# Clocks for which nothing may be lost: they cannot be right, so they are known to be wrong at once.
KNOWN_AT_ONCE: dict[str, Clock] = {
    "10 s fast": off_by(10.0),
    "an hour fast": off_by(3600.0),
    "a day fast": off_by(DAY_S),
    "in 2000": off_by(-26 * 365.25 * DAY_S),
    "in 2056": off_by(30 * 365.25 * DAY_S),
    "steps forward by 5 min": off_by(300.0, from_s=1200.0),
    "steps forward by a day": off_by(DAY_S, from_s=1200.0),
    "steps to 2000": off_by(-26 * 365.25 * DAY_S, from_s=1200.0),
    "counts from boot": since_boot([-1000.0]),
    "counts from boot, just booted": since_boot([-305.0]),
    "counts from boot, boots again twice": since_boot([-1000.0, 900.0, 2400.0]),
    "counts from boot until it is set": since_boot([-1000.0], set_s=1200.0),
    "counts from boot, 1 % fast": wire.running_fast(0.01),
}


@pytest.mark.parametrize("per_pack", [1, 6])
@pytest.mark.parametrize("clock", KNOWN_AT_ONCE.values(), ids=KNOWN_AT_ONCE)
def test_a_clock_known_to_be_wrong_costs_nothing(clock: Clock, per_pack: int, tmp_path: Path) -> None:
    """No reading comes from the future, nor from four days ago: each stands at its arrival."""
    is_the_curve(seen(tmp_path, sent(BATCH, wire.merged_base, clock, per_pack=per_pack)))


BEHIND: dict[str, Clock] = {
    f"{name}{since}": off_by(-by_s, from_s=from_s)
    for name, by_s in (("90 s", 90.0), ("5 min", 300.0), ("an hour", 3600.0), ("a day", DAY_S), ("3 days", 3 * DAY_S))
    for since, from_s in ((" from the start", -1e9), (" from 20 min on", 1200.0))
}


@pytest.mark.parametrize("layout", [wire.merged_base, wire.one_record_a_pack], ids=lambda layout: layout.__name__)
@pytest.mark.parametrize("per_pack", [1, 6])
@pytest.mark.parametrize("clock", BEHIND.values(), ids=BEHIND)
def test_a_clock_that_is_behind_costs_some_lines_and_misplaces_none(
    clock: Clock, per_pack: int, layout: Layout, tmp_path: Path
) -> None:
    """It looks like late delivery until three lines over a minute say otherwise: those lines are lost, not believed
    at their wrong place, and they are no silence."""
    compared, rung = seen(tmp_path, sent(BATCH, layout, clock, per_pack=per_pack), within_s=2.0)
    # In a burst of single samples the first ones anchor the clock anew: late by at most the burst's own length.
    late = 6 * 10.0 if layout is wire.one_record_a_pack and per_pack > 1 else 0.0
    assert compared.invented == 0 and compared.error_k < 1.0, compared.worst[:5]
    assert compared.moved == 0 or late, compared.worst[:5]
    assert compared.lost <= 2 * (7 if per_pack == 1 else 20)
    assert rung == []


@pytest.mark.parametrize("by_s", [90.0, 300.0, 3600.0])
def test_stragglers_and_duplicates_do_not_hide_a_clock_that_is_behind(by_s: float, tmp_path: Path) -> None:
    """Six samples a minute, each in a pack of its own, one in ten late by up to a minute, one in five again later."""
    chance = random.Random(7)
    lines = [
        Sent(line.arrival_s + (chance.uniform(5.0, 58.0) if chance.random() < 0.1 else 0.0), line.data)
        for line in sent(BATCH, wire.one_record_a_pack, off_by(-by_s), per_pack=6)
    ]
    lines += [Sent(at + chance.uniform(5.0, 600.0), data) for at, data in lines[:-160] if chance.random() < 0.2]
    compared, rung = seen(tmp_path, lines)
    # A sample that came before the newest of its burst may stand late by the burst's length.
    assert compared.invented == 0 and compared.error_k < 1.0, compared.worst[:5]
    assert compared.lost < 0.06 * 2 * len(BATCH) and rung == []


def test_a_slow_boot_clock_is_followed(tmp_path: Path) -> None:
    """One that loses a hundredth is off by 36 s after an hour when nobody follows it. Here by 10 s at most: 3 s go
    unnoticed, the eight packs it takes lose 5 s more when they are a minute apart, and delivery takes 1.2 s."""
    for per_pack in (1, 6):
        lines = sent(BATCH, wire.merged_base, wire.running_fast(-0.01), per_pack=per_pack)
        is_the_curve(seen(tmp_path, lines, within_s=10.0))


@pytest.mark.parametrize("second", [right, off_by(-1800.0, 3000.0), off_by(DAY_S), since_boot([-301.0])])
@pytest.mark.parametrize("first", [right, off_by(-3600.0), since_boot([-500.0, 1500.0]), off_by(7200.0)])
def test_two_nodes_may_serve_one_bucket_each_with_its_own_clock(first: Clock, second: Clock, tmp_path: Path) -> None:
    """The core from one, the air from another: an error of one clock does not touch the other's readings."""
    core = [[sample for sample in shot if sample.probe == "core"] for shot in BATCH]
    air = [[sample for sample in shot if sample.probe == "ambient"] for shot in BATCH]
    lines = sent(core, wire.full_names, first, seed=5) + sent(air, wire.merged_base, second, seed=6)
    compared, rung = seen(tmp_path, lines)
    assert (compared.moved, compared.invented, rung) == (0, 0, [])
    assert compared.lost <= 14  # a minute of each clock that was found to be behind


# ---- delivery --------------------------------------------------------------------------------------------------------


def _delayed(share: float, low_s: float, high_s: float) -> list[Sent]:
    chance = random.Random(f"delayed {share} {low_s}")
    return [
        Sent(line.arrival_s + (chance.uniform(low_s, high_s) if chance.random() < share else 0.0), line.data)
        for line in sent(BATCH, wire.merged_base)
    ]


def _doubled(after_s: float, each: int) -> list[Sent]:
    """Every line, or every third, comes again; the last ones come in time before the recording ends."""
    lines = sent(BATCH, wire.merged_base)
    ends_s = lines[-1].arrival_s
    again = [Sent(at + after_s, data) for at, data in lines[::each] if at + after_s <= ends_s]
    return lines + again


def _held(from_s: float, to_s: float, every_s: float, newest_first: bool = False) -> list[Sent]:
    """No link between two times after the pour; then all that was held comes, one line every so often."""
    held = [line for line in sent(BATCH, wire.merged_base) if from_s <= line.arrival_s - POURED_S < to_s]
    others = [line for line in sent(BATCH, wire.merged_base) if not from_s <= line.arrival_s - POURED_S < to_s]
    held = held[::-1] if newest_first else held
    return others + [Sent(POURED_S + to_s + 0.01 + k * every_s, line.data) for k, line in enumerate(held)]


@pytest.mark.parametrize(
    "lines",
    [
        _delayed(0.02, 5.0, 58.0), _delayed(0.5, 5.0, 58.0), _delayed(0.01, 60.0, 1200.0), _delayed(0.3, 60.0, 1200.0),
        _doubled(0.5, 1), _doubled(700.0, 3),
    ],
    ids=["2 % late by a minute", "half late by a minute", "1 % late by 20 min", "30 % late by 20 min", "all twice",
         "a third again 12 min later"],
)  # fmt: skip
def test_late_disordered_and_doubled_lines_are_the_same_curve(lines: list[Sent], tmp_path: Path) -> None:
    """Each reading is put where it was measured, once, and nobody is rung."""
    lines.sort(key=lambda line: line.arrival_s)
    is_the_curve(seen(tmp_path, lines, within_s=0.001))


@pytest.mark.parametrize(
    ("from_s", "to_s", "every_s", "newest_first"),
    [(2400.0, 4800.0, 0.02, False), (2400.0, 4800.0, 0.02, True), (2400.0, 4200.0, 1.0, False),
     (600.0, 2400.0, 0.02, False), (-120.0, 900.0, 0.02, False)],
)  # fmt: skip
def test_a_backlog_is_the_same_curve_and_ends_the_silence(
    from_s: float, to_s: float, every_s: float, newest_first: bool, tmp_path: Path
) -> None:
    """The gap is told as silence, for nobody heard the paste; the backlog ends it, and nothing else is told: not even
    over the pour that the probe was not pushed in."""
    replay = replayed(tmp_path, sorted(_held(from_s, to_s, every_s, newest_first), key=lambda line: line.arrival_s))
    is_the_curve((compare(BATCH, believed(replay), within_s=0.001), []))
    assert set(raised(replay)) == {"silent"}
    states = [event.values["state"] for event in replay.events if event.event == "alarm"]
    assert states[-1] == "cleared"


@pytest.mark.parametrize("per_pack", [25, 100, 360])
@pytest.mark.parametrize("layout", [wire.newest_first, wire.base_alone, wire.probe_in_base, wire.one_record_a_pack],
                         ids=lambda layout: layout.__name__)  # fmt: skip
def test_a_backlog_in_large_packs_is_the_same_curve(layout: Layout, per_pack: int, tmp_path: Path) -> None:
    """A node that kept an hour in its memory and sends it in a few packs."""
    def held(shot: Shot) -> bool:
        return 1200.0 <= shot[0].time_s - POURED_S < 4200.0

    backlog = [
        Sent(POURED_S + 4201.5 + 0.5 * k, line.data)
        for k, line in enumerate(sent([shot for shot in BATCH if held(shot)], layout, per_pack=per_pack))
    ]
    lines = sent([shot for shot in BATCH if not held(shot)], wire.merged_base) + backlog
    compared, rung = seen(tmp_path, lines, within_s=0.001)
    is_the_curve((compared, []))
    assert set(rung) <= {"silent"}


# ---- states ----------------------------------------------------------------------------------------------------------


def test_a_probe_that_cannot_measure_says_so_in_any_style(tmp_path: Path) -> None:
    """``vs`` instead of ``v`` is news, not damage: the open probe is told, the other goes on."""
    batch = [
        [Sample(s.time_s, s.probe, "open" if s.probe == "core" and 1200 <= s.time_s - POURED_S < 2400 else s.value)
         for s in shot]
        for shot in BATCH
    ]  # fmt: skip
    for layout in (wire.full_names, wire.merged_base, wire.base_by_base, wire.company):
        compared, rung = seen(tmp_path, sent(batch, layout, per_pack=2), batch, within_s=0.001)
        # Of the first that come after the wire is whole again one or two may wait to be believed.
        assert (compared.lost, compared.moved, compared.invented) == (0, 0, 0)
        assert rung == ["sensor_fault"]
