"""What a lamp and a buzzer at the bed are told: one small message for all buckets. Pure.

It is made for a node with a few kilobytes and no clock: one word that says whether to sound, a number that changes
with every change, and the names of the buckets in the order of their weight, cut to what fits.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Protocol

TOPIC = "emberpail/siren"
HEARTBEAT_TOPIC = "emberpail/heartbeat"
SEEN_TOPIC = "emberpail/siren/seen"

# NOW sounds. SEEN: what wakes stands, and somebody has seen it or keeps it quiet. DAYLIGHT: something can wait. NONE:
# no alarm stands, which says nothing of the paste. UNKNOWN: the watch is cut off, or does not judge. STOPPED: it was
# stopped on purpose.
NOW, SEEN, DAYLIGHT, NONE, UNKNOWN, STOPPED = "now", "seen", "daylight", "none", "unknown", "stopped"

# Within the packet that small MQTT clients take by default (256 bytes with topic and header, from memory).
MOST_BYTES = 230
VERSION = 1
_NUMBERS = 2**31


class Alarm(Protocol):
    """What is asked of an alarm."""

    @property
    def alarm_id(self) -> str: ...
    @property
    def bucket(self) -> str: ...
    @property
    def state(self) -> str: ...
    @property
    def urgency(self) -> str: ...
    @property
    def raised_at_s(self) -> float | None: ...
    @property
    def shelved_until_s(self) -> float | None: ...


@dataclass(frozen=True, slots=True)
class Siren:
    """One state of the siren. ``rings`` are the alarms for which it sounds, in the order of their raising."""

    state: str
    buckets: tuple[str, ...] = ()
    rings: tuple[str, ...] = ()
    since_s: float | None = None


def siren_of(alarms: Iterable[Alarm], now_s: float, *, minded: bool = True) -> Siren:
    """The state for the alarms of the journal at ``now_s``.

    Where the watch does not judge (``minded`` False) what rings goes on ringing, and all else is unknown.
    """
    standing = [one for one in alarms if one.state in ("unacknowledged", "acknowledged")]
    wakes = [one for one in standing if one.urgency == "now"]
    rings = [
        one
        for one in wakes
        if one.state == "unacknowledged" and (one.shelved_until_s is None or one.shelved_until_s <= now_s)
    ]
    if not minded and not rings:
        return Siren(UNKNOWN)
    for state, these in ((NOW, rings), (SEEN, wakes), (DAYLIGHT, standing)):
        if these:
            ordered = sorted(these, key=lambda one: (one.raised_at_s or 0.0, one.alarm_id))
            return Siren(
                state,
                tuple(dict.fromkeys(one.bucket for one in ordered if one.bucket)),
                tuple(one.alarm_id for one in ordered) if state == NOW else (),
                ordered[0].raised_at_s,
            )
    return Siren(NONE)


def first_number(now_s: float) -> int:
    """Where counting begins: after a restart no number comes again that a button may still hold."""
    return int(now_s) % _NUMBERS


def next_number(number: int) -> int:
    """The number of the next state."""
    return (number + 1) % _NUMBERS


def payload(siren: Siren, number: int) -> bytes:
    """The retained message: JSON, at most MOST_BYTES; buckets that do not fit are counted in ``more``."""
    for shown in range(len(siren.buckets), -1, -1):
        values: dict[str, object] = {"v": VERSION, "n": number, "state": siren.state}
        if siren.since_s is not None:
            values["since_s"] = int(siren.since_s)
        if siren.buckets:
            values["buckets"] = list(siren.buckets[:shown])
            if shown < len(siren.buckets):
                values["more"] = len(siren.buckets) - shown
        packed = _packed(values)
        if len(packed) <= MOST_BYTES:
            return packed
    raise AssertionError("a state without buckets always fits")


def heartbeat(siren: Siren, number: int, now_s: float) -> bytes:
    """What goes out while the watch minds: number and state again, for a node that missed a change."""
    return _packed({"v": VERSION, "n": number, "state": siren.state, "at_s": int(now_s)})


def pressed(data: bytes) -> tuple[int, str] | None:
    """What a button said: the number of the state that it answers, and "acknowledged" or "going". None: no answer."""
    if len(data) > MOST_BYTES:
        return None
    try:
        values = json.loads(data)
    except ValueError:
        return None
    if not isinstance(values, Mapping) or type(values.get("n")) is not int:
        return None
    act = {"seen": "acknowledged", "going": "going"}.get(str(values.get("act", "seen")))
    return None if act is None else (values["n"], act)


def _packed(values: Mapping[str, object]) -> bytes:
    return json.dumps(values, ensure_ascii=False, separators=(",", ":")).encode()
