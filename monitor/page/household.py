"""What the pages of phones, settings and past batches show, as plain values, and what may be changed there.

The wiring fills them; routes come under the names that give nothing away.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True, slots=True)
class RouteView:
    """One way to a phone: ``says`` is what became of the last message, ``ok`` None while none was handed over."""

    name: str
    ok: bool | None = None
    says: str = ""
    at_s: float | None = None


@dataclass(frozen=True, slots=True)
class PersonView:
    """One person, in the order of ringing tonight. ``first`` is who is rung first; ``notes`` are sentences."""

    name: str
    routes: tuple[RouteView, ...] = ()
    first: bool = False
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class HouseholdView:
    """``address`` is where a phone finds the page, None where none can; ``on_call`` one sentence on who is rung first,
    ``held_until_s`` until when reminders are held back; ``settings`` are tables to read: (title, rows).
    """

    at_s: float
    people: tuple[PersonView, ...] = ()
    on_call: str = ""
    address: str | None = None
    held_until_s: float | None = None
    settings: tuple[tuple[str, tuple[tuple[str, str], ...]], ...] = ()


@dataclass(frozen=True, slots=True)
class BatchRow:
    """One batch in the list; ``outcome`` in words."""

    name: str
    bucket: str
    started_s: float
    outcome: str
    more: str = ""


class Household(Protocol):
    """Every method may be called from any thread; a refusal is a ValueError with one sentence."""

    def view(self) -> HouseholdView:
        """The present."""

    def batches(self, words: str) -> tuple[BatchRow, ...]:
        """All batches, the newest first, or those in whose record every word is found."""

    def ring(self, person: str) -> tuple[tuple[bool, str], ...]:
        """Test each route of a person: (taken, one sentence). Takes up to half a minute."""

    def on_call(self, person: str) -> None:
        """This person is rung first tonight; "" leaves it to the settings again."""

    def hold_reminders(self, hold: bool) -> None:
        """Hold reminders back until tomorrow noon, or no longer. Alarms ring all the same."""
