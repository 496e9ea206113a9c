"""What the papers show of a batch: frozen values, filled by the command from the journal. Times are local already."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime

from monitor.domain import Recipe, Vessel

Points = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Line:
    """Something that happened: when (None where nobody knows), and in words."""

    at: datetime | None
    text: str
    hours: float | None = None  # the same from the start of the batch on, where it is to stand on the curve


@dataclass(frozen=True, slots=True)
class SheetView:
    """A batch, running or ended, as its papers show it. Texts are in the reader's language already.

    recipe, vessel     as they are known now; ``corrections`` tells what was entered before
    facts              what is noted beside them, (name, value): lots, potash opened, water, how it was tested
    paste, air         curve: (hours since the start, degrees Celsius), thinned; () without readings
    band               (hours, lowest, highest degrees Celsius) of a batch that goes as expected; () when not at hand
    outcome            how it stands or ended, in words
    verdict            what the heat told, in sentences, with ranges; () when nothing can be said
    potash_left        as a range, in words; "" when nothing can be said
    free_alkali        the measured value in words, "" when it was not tested
    tested_on          when that value was noted; None when not
    water_kg           all the water that went in, by the log; None when some of it was not weighed
    address            of the status page, for the QR code; "" when none is set
    """

    name: str
    number: str
    bucket: str
    started: datetime
    printed: datetime
    recipe: Recipe = field(default_factory=Recipe)
    vessel: Vessel = field(default_factory=Vessel)
    ended: datetime | None = None
    outcome: str = ""
    corrections: tuple[str, ...] = ()
    facts: tuple[tuple[str, str], ...] = ()
    maker: str = ""
    place: str = ""
    paste: Points = ()
    air: Points = ()
    band: tuple[tuple[float, float, float], ...] = ()
    too_hot_c: float | None = None
    peak: str = ""
    log: tuple[Line, ...] = ()
    checks: tuple[tuple[str, str], ...] = ()
    alarms: tuple[Line, ...] = ()
    verdict: tuple[str, ...] = ()
    potash_left: str = ""
    balance: tuple[str, ...] = ()
    amount: str = ""
    free_alkali: str = ""
    tested_on: date | None = None
    filled_on: date | None = None
    strength: str = ""
    water_kg: float | None = None
    remarks: tuple[Line, ...] = ()
    photos: tuple[str, ...] = ()
    address: str = ""
    emergency_number: str = ""
