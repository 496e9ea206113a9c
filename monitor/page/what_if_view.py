"""What "would it have rung?" shows, as plain values: what rang, whom it would have told, and what is tried."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

# How sure the judgement is before it rings; only "usual" can be had outside a trial.
USUAL, SOONER, SURER = "usual", "sooner", "surer"
SURENESS = (USUAL, SOONER, SURER)


@dataclass(frozen=True, slots=True)
class Call:
    """One person told of one alarm: first at ``at_s``, ``times`` in all; ``woken_s`` is the first ring of one that
    wakes outside their waking hours. ``reached`` False: no service took it.
    """

    person: str
    at_s: float
    times: int = 1
    woken_s: float | None = None
    reached: bool = True


@dataclass(frozen=True, slots=True)
class Ring:
    """One alarm that was raised: which (``probe`` for a probe's fault), the how-manieth of its kind, and who was told.

    ``urgency`` is the highest it had when it was raised or told; ``cleared_at_s`` None while it stood to the end.
    """

    kind: str
    number: int
    raised_at_s: float
    urgency: str = "daylight"
    probe: str = ""
    cleared_at_s: float | None = None
    calls: tuple[Call, ...] = ()

    @property
    def key(self) -> tuple[str, str, int]:
        """The same for the same alarm of the batch under other settings."""
        return self.kind, self.probe, self.number


@dataclass(frozen=True, slots=True)
class Outcome:
    """What rang, or would ring, with one set of settings, in the order of time."""

    rings: tuple[Ring, ...] = ()

    @property
    def woken(self) -> tuple[tuple[str, float], ...]:
        """Who was woken at least once, and when first."""
        first: dict[str, float] = {}
        for ring in self.rings:
            for call in ring.calls:
                if call.woken_s is not None:
                    first[call.person] = min(call.woken_s, first.get(call.person, call.woken_s))
        return tuple(sorted(first.items(), key=lambda one: one[1]))


@dataclass(frozen=True, slots=True)
class TriedPerson:
    """One person of a trial in the order of ringing: waking hours as minutes after local midnight."""

    name: str
    waking_from: int
    waking_to: int
    knows_the_trade: bool = True


@dataclass(frozen=True, slots=True)
class Trial:
    """What is tried: height above the sea (None: as nobody said), who is rung in which order, and how sure it is."""

    altitude_m: float | None = None
    people: tuple[TriedPerson, ...] = ()
    sureness: str = USUAL


@dataclass(frozen=True, slots=True)
class Comparison:
    """The three side by side: ``then`` from the journal, ``now`` with the settings as they are, ``tried`` (None where
    nothing else is tried). ``too_hot_...``: from where on it is too hot, °C; ``nobody_...``: no phone is
    set there; ``watch_assumed``: when the watch ran is forgotten.
    """

    batch: str
    then: Outcome
    now: Outcome
    tried: Outcome | None
    trial: Trial
    took_s: float = 0.0
    too_hot_now_c: float = 95.0
    too_hot_tried_c: float = 95.0
    nobody_now: bool = False
    nobody_tried: bool = False
    watch_assumed: bool = False


@dataclass(frozen=True, slots=True)
class Progress:
    """One comparison that was asked for: ``share`` of it is done, then there is ``result``, or ``trouble`` says in one
    sentence why there is none.
    """

    batch: str
    share: float = 0.0
    result: Comparison | None = None
    trouble: str = ""


class WhatIf(Protocol):
    """What the page asks. Every method may be called from any thread; a refusal is a ValueError with one sentence."""

    def present(self) -> Trial:
        """The settings as they are now."""

    def knows(self, batch: str) -> bool:
        """Whether there is such a batch."""

    def start(self, batch: str, trial: Trial) -> str:
        """Begin to work it out; the name under which to look. Refused while another is under way."""

    def look(self, number: str) -> Progress | None:
        """How far it is; None for a name that is not known (any more)."""


def keys_of(outcomes: Sequence[Outcome | None]) -> list[tuple[str, str, int]]:
    """Every alarm that any of them has, in the order in which they first come up."""
    first: dict[tuple[str, str, int], float] = {}
    for outcome in outcomes:
        for ring in outcome.rings if outcome is not None else ():
            first[ring.key] = min(ring.raised_at_s, first.get(ring.key, ring.raised_at_s))
    return sorted(first, key=lambda key: (first[key], key))
