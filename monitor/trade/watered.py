"""Water that the log has put into a batch after its making: how much by a moment, and whether that is all of it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from ..domain import LogEntry, Recipe
from .dilution import dilution
from .filled import fill_in
from .steps import WATER_IS_DILUTION_S

# Sooner after the pour a smaller share of the mix, by mass, is the lye's own water noted late; more dilutes it, as for
# the estimate.
_EARLY_SHARE = 0.3
# Soap that was diluted holds at least this share of the water that the usual strength takes. Judgement: less was noted
# of one going in of several.
_LEAST_SHARE = 0.5


@dataclass(frozen=True, slots=True)
class Watered:
    """``kg`` of water by the log; ``known`` is false where there is more in it than that, nobody noted how much."""

    kg: float
    known: bool


def watered(
    entries: Sequence[LogEntry],
    recipe: Recipe,
    started_s: float,
    until_s: float = math.inf,
    *,
    filled_at_s: float = math.inf,
) -> Watered:
    """What went in by ``until_s``, by when it happened and not by when it was noted.

    ``filled_at_s`` is when the batch was ended as filled: soap that is filled was diluted, whatever else was noted.
    """
    before = [entry for entry in entries if entry.at_s <= until_s]
    poured_s = next((entry.at_s for entry in before if entry.kind in ("poured", "blended")), started_s)
    early_kg = _EARLY_SHARE * fill_in(recipe).mass_kg
    added = [
        entry for entry in before
        if entry.kind == "water-added" and entry.at_s > poured_s
        and (entry.kg is None or entry.kg > early_kg or entry.at_s >= poured_s + WATER_IS_DILUTION_S)
    ]  # fmt: skip
    kg = math.fsum(entry.kg or 0.0 for entry in added)
    known = all(entry.kg is not None for entry in added)
    diluted = filled_at_s <= until_s or any(entry.kind in ("diluted", "filled") for entry in before)
    if diluted and kg < _LEAST_SHARE * dilution(recipe).water_low_kg:
        known = False
    return Watered(kg, known)
