"""A recording over which the clock was set: it stood wrong since the computer's start, and the note says by how much.

The recording holds what came in the order and with the times of the clock as it stood. A replay judges the lines up to
the note as they were judged then, and from the note on as the watch did: with everything moved to its right time.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from monitor.domain import Reading
from monitor.sources.batch_file import BatchFile
from monitor.sources.recording import read_recording

# What a recording notes: the clock had stood wrong since "from", and all since then came "shift" seconds later.
CLOCK_SET_RIGHT = "clock set right"


@dataclass(frozen=True, slots=True)
class ClockSet:
    """One setting: at ``at_s`` by the old clock, all from ``from_s`` on moves by ``shift_s``."""

    at_s: float
    from_s: float
    shift_s: float


def clock_settings(recording: Path) -> list[ClockSet]:
    """The settings that a recording notes, in order; those whose numbers cannot be read are left out."""
    found: list[ClockSet] = []
    with recording.open("rb") as file:
        # As good as all hold none, and need not be gone through with their stamps.
        if not any(CLOCK_SET_RIGHT.encode() in line for line in file):
            return found
    for line in read_recording(recording):
        if line.note is not None and line.note.get("note") == CLOCK_SET_RIGHT:
            from_s, shift_s = line.note.get("from"), line.note.get("shift")
            if isinstance(from_s, int | float) and isinstance(shift_s, int | float):
                found.append(ClockSet(line.arrival_s, float(from_s), float(shift_s)))
    return found


def shift_of(at_s: float, settings: Iterable[ClockSet]) -> float:
    """By how much a time by the clock as it stood moves, by all of ``settings``, in order."""
    right_s = at_s
    for one in settings:
        right_s += one.shift_s if right_s >= one.from_s else 0.0
    return right_s - at_s


def moved(reading: Reading, shift_s: float) -> Reading:
    """A reading that came ``shift_s`` later than its clock said."""
    if not shift_s:
        return reading
    return replace(reading, time_s=reading.time_s + shift_s, arrival_s=reading.arrival_s + shift_s)


def unmoved(entered: BatchFile, settings: Sequence[ClockSet]) -> BatchFile:
    """What was entered, as it stood before these settings: the batch file has the right times."""
    for one in reversed(settings):
        entered = _before(entered, one)
    return entered


def _before(entered: BatchFile, one: ClockSet) -> BatchFile:
    """Back where it stood before one setting, whatever was noted since the clock began to stand wrong."""
    since_s, batch = one.from_s + one.shift_s, entered.batch
    if batch.known_from_s >= since_s:
        noted_at_s = batch.noted_at_s
        if noted_at_s is not None and noted_at_s >= since_s:
            noted_at_s -= one.shift_s
        batch = replace(batch, started_s=batch.started_s - one.shift_s, noted_at_s=noted_at_s)
    log = tuple(
        replace(entry, at_s=entry.at_s - one.shift_s, noted_at_s=entry.noted_at_s - one.shift_s)
        if entry.noted_at_s >= since_s else entry
        for entry in entered.log
    )  # fmt: skip
    return entered._replace(batch=batch, log=log)
