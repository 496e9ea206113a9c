"""What a row of the table of lying sensors is, and the tools that the rows share."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from monitor.sensing.senml import with_checksum
from tests.faults.good_batch import BUCKET, MINUTE_S, Shot, Value
from tests.faults.wires import Deed, Sent

# When a fault begins where the row does not say otherwise: the paste heats, and the deciding time has come.
FAULT_FROM_S = 25 * MINUTE_S

# The share of its samples that must be believed where nothing was lost: of the minutes in which the probe is pushed in,
# or in which a clock is found out, some are not.
KEPT = 0.92


@dataclass(frozen=True)
class Row:
    """One fault, how it is laid on, and what it must end in.

    ``ends_in``: the kinds of alarm that must be raised, each at least once, and no others. ``problem``: what the
    sensor alarm must say is wrong. ``counts``: what must have been counted, at the least. ``reasons``: why readings
    of the faulty probe were not believed. ``whole``: only what the node truly sent may be among the readings (not for
    a probe that lies itself). ``within_k``: how far a believed reading of the core may lie off the curve, at its own
    time. ``keeps``: the least share of the core's samples that must be believed in the end. ``most``: how often the
    same alarm of the same probe may be raised; where that is more than once, the row says why.
    """

    name: str
    fault: str
    play: Callable[[Sequence[Shot]], Iterable[Sent]]
    ends_in: tuple[str, ...] = ()
    problem: str = ""
    probe: str = "core"
    counts: tuple[str, ...] = ()
    reasons: tuple[str, ...] = ()
    whole: bool = False
    within_k: float | None = None
    keeps: float = 0.0
    hours: float = 1.0
    probes: tuple[str, ...] = ("core", "ambient")
    two_buckets: bool = False
    most: int = 1

    @property
    def shows(self) -> str:
        """In words for the table: what tells a person which fault it was."""
        said = [f"the alarm says {self.problem}"] if self.problem else []
        said += [f"readings marked {', '.join(self.reasons)}"] if self.reasons else []
        said += [f"counted as {', '.join(self.counts)}"] if self.counts else []
        return "; ".join(said) or "nothing"


# ---- packs -----------------------------------------------------------------------------------------------------------


def record(name: str, value: object, unit: str | None = "Cel") -> dict[str, object]:
    """One SenML record; a text is the node's word for why it cannot measure."""
    if isinstance(value, str):
        return {"n": name, "vs": value}
    return {"n": name, **({} if unit is None else {"u": unit}), "v": value}


def pack_of(shot: Shot, *, stamp: float | None = None, bucket: str = BUCKET) -> bytes:
    """The pack of a shot, stamped with its own time unless told otherwise; 0 is no stamp."""
    stamp = round(shot.at_s, 3) if stamp is None else stamp
    base: dict[str, object] = {"bn": f"{bucket}/"} | ({"bt": stamp} if stamp else {})
    records = [record(name, value) for name, value in shot.values.items()]
    return packed([base | records[0], *records[1:]])


def packed(records: object) -> bytes:
    """JSON as small as a node sends it."""
    return json.dumps(records, separators=(",", ":")).encode()


def line(pack: bytes, *, crc: bool = True) -> bytes:
    """A pack as a line on a serial wire."""
    return (with_checksum(pack) if crc else pack) + b"\n"


# ---- laying faults on ------------------------------------------------------------------------------------------------

# How long a pack takes to come, seconds.
WAY_S = 0.3


def sound(shots: Sequence[Shot]) -> Iterator[Sent]:
    """No fault: every shot as a line with its check sum."""
    for shot in shots:
        yield shot.at_s + WAY_S, line(pack_of(shot))


def probe_lies(
    lie: Callable[[Shot], Shot], *, from_s: float = FAULT_FROM_S, to_s: float = float("inf")
) -> Callable[[Sequence[Shot]], Iterator[Sent]]:
    """The probe shows something else from then until then (seconds after the pour); the wire is sound."""

    def play(shots: Sequence[Shot]) -> Iterator[Sent]:
        return sound([lie(shot) if from_s <= shot.since_s < to_s else shot for shot in shots])

    return play


def shows(value: Value, *, probe: str = "core", **when: float) -> Callable[[Sequence[Shot]], Iterator[Sent]]:
    """The probe shows this and nothing else."""
    return probe_lies(lambda shot: shot.having(**{probe: value}), **when)


def adds(
    off_k: Callable[[float], float], *, probes: Sequence[str] = ("core",), **when: float
) -> Callable[[Sequence[Shot]], Iterator[Sent]]:
    """What the probe shows is off by so much, by time since the pour."""
    return probe_lies(
        lambda shot: shot.having(**{p: round(shot.c(p) + off_k(shot.since_s), 4) for p in probes}), **when
    )


def wire_hurts(
    hurt: Callable[[int, Shot], Iterable[bytes | Deed]], *, from_s: float = FAULT_FROM_S, to_s: float = float("inf")
) -> Callable[[Sequence[Shot]], Iterator[Sent]]:
    """From then until then the wire makes something else of each shot (the first has the number 0)."""

    def play(shots: Sequence[Shot]) -> Iterator[Sent]:
        number = 0
        for shot in shots:
            if not from_s <= shot.since_s < to_s:
                yield shot.at_s + WAY_S, line(pack_of(shot))
                continue
            for what in hurt(number, shot):
                yield shot.at_s + WAY_S, what
            number += 1

    return play


@dataclass
class Found:
    """What a run left in the journal: kinds raised, how often each alarm of each probe was, problems of the sensor
    alarms by probe, all that was counted."""

    kinds: set[str]
    often: Mapping[str, int]
    problems: set[tuple[str, str]]
    counted: Mapping[str, int]
    told: list[str] = field(default_factory=list)
