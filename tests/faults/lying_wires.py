"""Rows of the table: a serial wire, or a node's clock, that lies. The probes are sound."""

from __future__ import annotations

import os
import random
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import partial

from tests.faults.good_batch import BUCKET, EVERY_S, HOUR_S, MINUTE_S, Shot
from tests.faults.sensor_rows import FAULT_FROM_S, KEPT, WAY_S, Row, line, pack_of, packed, record, wire_hurts
from tests.faults.wires import Deed, Sent, SerialWire

FAULT, SILENT = ("sensor_fault",), ("silent",)


def _every(
    count: int, hurt: Callable[[bytes], bytes | list[bytes]], *, crc: bool = True
) -> Callable[[Sequence[Shot]], Iterator[Sent]]:
    """Every so many lines something is done to the line as it would go out."""

    def one(number: int, shot: Shot) -> list[bytes]:
        whole = line(pack_of(shot), crc=crc)
        if number % count:
            return [whole]
        hurt_line = hurt(whole)
        return hurt_line if isinstance(hurt_line, list) else [hurt_line]

    return wire_hurts(one)


def _beside(count: int, junk: bytes | Callable[[], bytes]) -> Callable[[Sequence[Shot]], Iterator[Sent]]:
    """Beside every so many good lines comes something else."""
    return _every(count, lambda whole: [junk if isinstance(junk, bytes) else junk(), whole])


def _written(how: Callable[[Shot], object], **when: float) -> Callable[[Sequence[Shot]], Iterator[Sent]]:
    """The node writes its packs otherwise; what is no text yet becomes JSON."""

    def one(_: int, shot: Shot) -> list[bytes]:
        records = how(shot)
        return [line(records if isinstance(records, bytes) else packed(records))]

    return wire_hurts(one, **when)


def _records(shot: Shot, *, unit: str | None = "Cel", core: str = "core", bucket: str = BUCKET) -> list[object]:
    base: dict[str, object] = {"bn": f"{bucket}/", "bt": round(shot.at_s, 3)}
    named = [(core if name == "core" else name, value) for name, value in shot.values.items()]
    records = [record(name, value, unit) for name, value in named]
    return [base | records[0], *records[1:]]


def _text(shot: Shot, old: bytes, new: bytes) -> bytes:
    """The pack with its core's number written otherwise."""
    return pack_of(shot).replace(b'"v":' + old % shot.c("core"), b'"v":' + new, 1)


def _flipped(whole: bytes, rng: random.Random) -> bytes:
    """One or two bits of a line flipped; the line feed is left alone, for that would merge lines."""
    hurt = bytearray(whole[:-1])
    for _ in range(rng.choice((1, 1, 2))):
        hurt[rng.randrange(len(hurt))] ^= 1 << rng.randrange(8)
    return bytes(hurt).replace(b"\n", b"?") + b"\n"


def _flips(count: int, *, crc: bool) -> Callable[[Sequence[Shot]], Iterator[Sent]]:
    rng = random.Random(11)

    def one(number: int, shot: Shot) -> list[bytes]:
        whole = line(pack_of(shot), crc=crc)
        return [_flipped(whole, rng) if number % count == 0 else whole]

    return wire_hurts(one)


def _stamped(
    stamp: Callable[[Shot], float], *, from_s: float = -HOUR_S
) -> Callable[[Sequence[Shot]], Iterator[Sent]]:
    """The node's clock says something else."""
    return wire_hurts(lambda _, shot: [line(pack_of(shot, stamp=round(stamp(shot), 3)))], from_s=from_s)


def _late(shots: Sequence[Shot], delay_s: Callable[[int, Shot], float]) -> Iterator[Sent]:
    sent = [(shot.at_s + WAY_S + delay_s(number, shot), line(pack_of(shot))) for number, shot in enumerate(shots)]
    return iter(sorted(sent, key=lambda one: one[0]))


def _reordered(shots: Sequence[Shot]) -> Iterator[Sent]:
    rng = random.Random(2)
    return _late(shots, lambda _, shot: rng.uniform(0.0, 100.0) if shot.since_s > FAULT_FROM_S else 0.0)


def _backfilled(shots: Sequence[Shot]) -> Iterator[Sent]:
    """The node cannot send for two hours; then its buffer comes at once, oldest first."""
    back_s = FAULT_FROM_S + 2 * HOUR_S
    held = [shot for shot in shots if FAULT_FROM_S <= shot.since_s < back_s]
    at = {shot.at_s: number for number, shot in enumerate(held)}
    return _late(
        shots, lambda _, shot: back_s - shot.since_s + 0.01 * at[shot.at_s] if shot.at_s in at else 0.0
    )


def _plugged(out_s: float, *, back: bool = True) -> Callable[[Sequence[Shot]], Iterator[Sent]]:
    """The plug is pulled in the middle of a line, and comes back (or not) after so long, under another name."""

    def play(shots: Sequence[Shot]) -> Iterator[Sent]:
        from_s, keepers, names = FAULT_FROM_S, [], []

        def pull(wire: SerialWire) -> None:
            names.append(os.readlink(wire.node.link))
            wire.unplug()

        def put_back(wire: SerialWire) -> None:
            for _ in range(3):
                keepers.extend(os.openpty())  # takes the number that has become free
            names.append(wire.plug_in())
            for fd in keepers:
                os.close(fd)
            assert names[0] != names[1], "the system gave the same name again, so this shows nothing"

        state = "in"
        for shot in shots:
            if state == "in" and shot.since_s >= from_s:
                yield shot.at_s, line(pack_of(shot))[:40]
                yield shot.at_s, pull
                state = "out"
            if state == "out" and back and shot.since_s >= from_s + out_s:
                yield shot.at_s, put_back
                state = "back"
            if state != "out":
                yield shot.at_s + WAY_S, line(pack_of(shot))
        if state == "out":
            for fd in keepers:
                os.close(fd)

    return play


def _at_speed(speed: int, from_s: float = FAULT_FROM_S) -> Callable[[Sequence[Shot]], Iterator[Sent]]:
    """The node begins to send at another speed than the settings say."""

    def change(wire: SerialWire) -> None:
        wire.node_speed = speed

    def one(number: int, shot: Shot) -> list[bytes | Deed]:
        before: list[bytes | Deed] = [change] if not number else []
        # Between two lines the source waits many times; the search for the speed lives by that.
        after: list[bytes | Deed] = [lambda wire: wire.idle()] if number < 12 else []
        return [*before, line(pack_of(shot)), *after]

    return wire_hurts(one, from_s=from_s)


def _two_nodes(other_c: Callable[[Shot], float]) -> Callable[[Sequence[Shot]], Iterator[Sent]]:
    """A second node, whose probe lies elsewhere, sends under the same name, half a period later."""

    def play(shots: Sequence[Shot]) -> Iterator[Sent]:
        for shot in shots:
            yield shot.at_s + WAY_S, line(pack_of(shot))
            if shot.since_s >= FAULT_FROM_S:
                twin = replace(shot, at_s=shot.at_s + EVERY_S / 2).having(core=round(other_c(shot), 4))
                yield twin.at_s + WAY_S, line(pack_of(twin))

    return play


def _babbling(number: int, shot: Shot) -> list[bytes]:
    """A hundred lines a second for the first twenty seconds of this shot, in one burst each second."""
    return [b"".join(line(pack_of(replace(shot, at_s=shot.at_s + k / 100))) for k in range(2000 if number < 3 else 1))]


def _boot_count(shot: Shot, boots: Sequence[float] = (-20 * MINUTE_S,)) -> float:
    return shot.since_s - max(boot for boot in boots if boot <= shot.since_s)


def _noise_bytes() -> bytes:
    return bytes(random.Random(1).randrange(128, 256) for _ in range(60)) + b"\n"


# Sound but for a stretch of damage: what was read must be as good as the wire allows.
# Whether a line is read shows within minutes; what a lie does to the judgement of a batch takes longer.
_row = partial(Row, hours=0.75)

ROWS = (
    _row("nan", "the node prints NaN for the core", _written(lambda shot: _text(shot, b"%r", b"NaN")), SILENT,
        counts=("bad_json",), whole=True),
    _row("infinite", "the node prints 1e999 for the core", _written(lambda shot: _text(shot, b"%r", b"1e999")), SILENT,
        counts=("bad_value",), whole=True),
    _row("null", "the node prints null for the core", _written(lambda shot: _text(shot, b"%r", b"null")), SILENT,
        counts=("bad_value",), whole=True),
    _row("in-quotes", "the node prints its numbers in quotes", _written(lambda shot: _text(shot, b"%r", b'"84.5"')),
        SILENT, counts=("bad_value",), whole=True),
    _row("decimal-comma", "the node prints a comma for the point", _written(lambda shot: _text(shot, b"%r", b"84,5")),
        SILENT, counts=("bad_json",), whole=True),
    _row("no-unit", "the node leaves the unit out", _written(lambda shot: _records(shot, unit=None)), SILENT,
        counts=("no_unit",), whole=True),
    _row("another-unit", "the node says K for its unit", _written(lambda shot: _records(shot, unit="K")), SILENT,
        counts=("other_unit",), whole=True),
    _row("unknown-probe", "the node calls its probe centre", _written(lambda shot: _records(shot, core="centre")),
        SILENT, counts=("other_name",), whole=True),
    _row("unknown-bucket", "the node calls the bucket shed-one",
        _written(lambda shot: _records(shot, bucket="shed-one")), SILENT, counts=("other_bucket",), whole=True),
    _row("no-more-lines", "the node's supply fails", wire_hurts(lambda n, shot: []), SILENT),
    _row("empty-packs", "empty packs between the others", _beside(3, b"[]\n"), counts=("bad_pack",), whole=True,
        within_k=2.0, keeps=KEPT),
    _row("a-megabyte", "a megabyte without a line feed, once", _beside(10**6, b"x" * 1_000_000 + b"\n"),
        counts=("too_long",), whole=True, within_k=2.0, keeps=KEPT),
    _row("zero-bytes", "zero bytes before, in and after lines",
        _every(2, lambda whole: [b"\0\0\n", whole[:30] + b"\0" + whole[30:], whole[:-1] + b"\0\n"], crc=False),
        counts=("bad_json",), whole=True, within_k=2.0, keeps=KEPT),
    _row("no-text", "bytes that are no UTF-8 between the lines, as a motor's noise makes", _beside(3, _noise_bytes),
        counts=("bad_json",), whole=True, within_k=2.0, keeps=KEPT),
    _row("no-utf8", "packs with a letter that is no UTF-8 between the others",
        _every(3, lambda whole: [whole, whole[:-10].replace(b"core", b"c\xf6re") + b"\n"]), counts=("bad_utf8",),
        whole=True, within_k=2.0, keeps=KEPT),
    _row("deeply-nested", "a line of thirty thousand brackets", _beside(30, b"[" * 30_000 + b"]" * 30_000 + b"\n"),
        counts=("bad_json",), whole=True, within_k=2.0, keeps=KEPT),
    _row("cut", "one line in four is cut short", _every(4, lambda whole: whole[: len(whole) // 2] + b"\n"),
        counts=("bad_json",), whole=True, within_k=2.0, keeps=0.75),
    _row("merged", "one line feed in four is lost", _every(4, lambda whole: whole[:-1]), counts=("bad_crc",),
        whole=True, within_k=2.0, keeps=0.6),
    _row("flipped-with-check-sum", "bits flipped in one line of four, with check sum", _flips(4, crc=True),
        counts=("bad_crc",), whole=True, within_k=2.0, keeps=0.7),
    _row("flipped-without-check-sum", "bits flipped in one line of four, no check sum", _flips(4, crc=False),
        counts=("bad_json",), within_k=4.0, keeps=0.7),
    _row("all-damaged", "bits flipped in every line, with check sum", _flips(1, crc=True), SILENT,
        counts=("bad_crc",), whole=True),
    _row("another-speed-from-the-start", "the node sends at 19200 baud, the settings say 9600: found before the pour",
        _at_speed(19200, from_s=-HOUR_S), ("watch_fault",), counts=("wrong_speed",), whole=True, within_k=2.0,
        keeps=0.9),
    _row("another-speed", "the node is changed to 19200 baud amid the batch: found, but not before silence rings",
        _at_speed(19200), ("silent", "watch_fault"), counts=("wrong_speed",), whole=True, within_k=2.0, keeps=0.78),
    _row("unheard-of-speed", "the node sends at a speed that nobody uses (7700 baud)", _at_speed(7700),
        ("silent", "watch_fault"), counts=("wrong_speed",), whole=True),
    _row("another-name", "the plug is pulled for a minute, and the port comes back under another name",
        _plugged(MINUTE_S), counts=("unplugged", "cut_line"), whole=True, within_k=2.0, keeps=0.9),
    _row("port-gone", "the plug is pulled for good", _plugged(0.0, back=False), SILENT, counts=("unplugged",),
        whole=True),
    _row("doubled", "every line comes twice, some of them again much later",
        _every(1, lambda whole: [whole, whole]), whole=True, within_k=2.0, keeps=KEPT),
    _row("reordered", "lines come up to 100 s late, in any order", _reordered, whole=True, within_k=2.0, keeps=KEPT),
    _row("backfilled", "no line for two hours, then all of them from the node's buffer", _backfilled, SILENT,
        whole=True, within_k=2.0, keeps=KEPT, hours=3.0),
    _row("clock-steps-ahead", "the node's clock steps ahead by an hour",
        _stamped(lambda shot: shot.at_s + HOUR_S, from_s=FAULT_FROM_S), whole=True, within_k=2.0, keeps=KEPT),
    _row("clock-steps-back", "the node's clock steps back by an hour",
        _stamped(lambda shot: shot.at_s - HOUR_S, from_s=FAULT_FROM_S), whole=True, within_k=2.0, keeps=KEPT),
    _row("clock-from-boot", "the node's clock counts from its boot, and the node boots again",
        _stamped(lambda shot: _boot_count(shot, (-20 * MINUTE_S, FAULT_FROM_S))), whole=True, within_k=2.0,
        keeps=KEPT),
    _row("clock-in-the-future", "the node's clock is two years ahead, from the start",
        _stamped(lambda shot: shot.at_s + 730 * 86400.0), whole=True, within_k=2.0, keeps=KEPT),
    _row("clock-never-set", "the node's clock began at 2000 when it booted",
        _stamped(lambda shot: 946684800.0 + _boot_count(shot)), whole=True, within_k=2.0, keeps=KEPT),
    _row("clock-stands-still", "the node's clock stops",
        _stamped(lambda shot: shot.at_s - max(0.0, shot.since_s - FAULT_FROM_S)), whole=True, within_k=2.0,
        keeps=0.9),
    _row("one-name-in-air", "a second node with the same name, its probe in the air",
        _two_nodes(lambda shot: shot.c("ambient")), FAULT),
    _row("one-name-in-another-bucket", "a second node with the same name, its probe in a cooler batch",
        _two_nodes(lambda shot: 0.6 * shot.c("core")), FAULT),
    _row("babbling", "a hundred lines a second for a minute", wire_hurts(_babbling), whole=True, within_k=2.0,
        keeps=KEPT),
)  # fmt: skip
