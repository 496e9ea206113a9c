"""The lye: its heat capacity, how warm it becomes by itself, whether it boils, and the mix it gives."""

from __future__ import annotations

from dataclasses import dataclass

from ..domain import Recipe
from ..units import WATER_G_PER_MOL
from .constants import (
    LYE_BOILING_C,
    LYE_KG_L,
    LYE_KJ_KG_K,
    LYE_SATURATED_SHARE,
    MONOHYDRATE_SOLUTION_HEAT_KJ_MOL,
    OIL_KJ_KG_K,
    SOLUTION_HEAT_HIGH_SHARE,
    SOLUTION_HEAT_INFINITE_KJ_MOL,
    SOLUTION_HEAT_KJ_MOL,
    SOLUTION_HEAT_LOW_SHARE,
)
from .filled import fill_in
from .spread import between

# Heat that potash has already given off where it has taken up one water: difference of the two CRC rows.
MONOHYDRATE_HEAT_GONE_KJ_MOL = SOLUTION_HEAT_INFINITE_KJ_MOL - MONOHYDRATE_SOLUTION_HEAT_KJ_MOL

_STRONGEST_TABLED = 0.60


def lye_kj_kg_k(koh_share: float) -> float:
    """Specific heat of lye, kJ/(kg K), by mass fraction of pure KOH (held at the value of 60 % beyond it)."""
    return between(LYE_KJ_KG_K, min(max(koh_share, 0.0), _STRONGEST_TABLED))


def lye_kg_l(koh_share: float) -> float:
    """Density of lye at 20 °C, kg/L, by mass fraction of pure KOH."""
    return between(LYE_KG_L, min(max(koh_share, 0.0), _STRONGEST_TABLED))


def lye_boiling_c(koh_share: float, water_boils_at_c: float = 100.0) -> float:
    """Boiling point of lye, °C, where water boils at ``water_boils_at_c``; +/- 4 K.

    Below 30 % the elevation is taken to grow with the square of the strength, which fits the tabled slope from there
    on.
    """
    share = min(max(koh_share, 0.0), _STRONGEST_TABLED)
    first_share, first_c = LYE_BOILING_C[0]
    at_sea = (
        100.0 + (first_c - 100.0) * (share / first_share) ** 2 if share < first_share else between(LYE_BOILING_C, share)
    )
    return at_sea + (water_boils_at_c - 100.0)


@dataclass(frozen=True, slots=True)
class LyeTemperature:
    """How warm the lye becomes when all the potash dissolves without losing heat.

    ``low_c`` to ``high_c`` count the water in the flakes as already bound to potash; ``bound_c`` counts none of it
    so, and is what dry, fresh potash could reach. None of the four is capped: what lies above ``boiling_c`` means
    that it boils.
    """

    koh_share: float
    low_c: float
    likely_c: float
    high_c: float
    bound_c: float
    boiling_c: float
    dissolves: bool
    assumed: tuple[str, ...]

    @property
    def may_boil(self) -> bool:
        """Whether dry potash, or potash tipped in fast, could bring the lye to the boil."""
        return self.bound_c >= self.boiling_c


def lye_temperature(recipe: Recipe, start_c: float = 20.0, water_boils_at_c: float = 100.0) -> LyeTemperature:
    """How warm the lye of ``recipe`` becomes from water and potash at ``start_c``.

    Heat of solution at that strength for each mol of KOH, less 42.97 kJ for each mol that has taken up water in the bag
    (CRC Handbook: KOH 57.61, KOH.H2O 14.64 kJ/mol). A finite-strength table from memory, +/- 3 kJ/mol.
    """
    filled = fill_in(recipe)
    koh_mol = filled.koh_mol
    bag_water_mol = (filled.koh_kg - filled.pure_koh_kg) * 1000.0 / WATER_G_PER_MOL
    water_mol = filled.total_water_kg * 1000.0 / WATER_G_PER_MOL
    lye_kg = filled.lye_kg
    share = filled.koh_share
    capacity_kj_k = lye_kg * lye_kj_kg_k(share)
    per_mol = between(SOLUTION_HEAT_KJ_MOL, min(max(water_mol / koh_mol, 2.0), 1000.0))
    gone_kj = min(bag_water_mol, koh_mol) * MONOHYDRATE_HEAT_GONE_KJ_MOL

    def reached(heat_share: float, already_gone_kj: float) -> float:
        return start_c + max(0.0, koh_mol * per_mol * heat_share - already_gone_kj) / capacity_kj_k

    return LyeTemperature(
        koh_share=share,
        low_c=reached(SOLUTION_HEAT_LOW_SHARE, gone_kj),
        likely_c=reached(1.0, gone_kj),
        high_c=reached(SOLUTION_HEAT_HIGH_SHARE, gone_kj),
        bound_c=reached(SOLUTION_HEAT_HIGH_SHARE, 0.0),
        boiling_c=lye_boiling_c(share, water_boils_at_c),
        dissolves=share < LYE_SATURATED_SHARE,
        assumed=filled.assumed,
    )


def mixed_c(recipe: Recipe, lye_c: float, oil_c: float) -> float:
    """Temperature of lye and oil poured together, °C, before any reaction and without loss: mixing by heat capacity."""
    filled = fill_in(recipe)
    lye_kj_k = filled.lye_kg * lye_kj_kg_k(filled.koh_share)
    oil_kj_k = filled.oil_kg * OIL_KJ_KG_K
    return (lye_kj_k * lye_c + oil_kj_k * oil_c) / (lye_kj_k + oil_kj_k)


def lye_c_for_mix(recipe: Recipe, mix_c: float, oil_c: float) -> float:
    """How warm the lye must be for a mix of ``mix_c`` with the oil at ``oil_c``, °C: ``mixed_c`` turned round."""
    filled = fill_in(recipe)
    lye_kj_k = filled.lye_kg * lye_kj_kg_k(filled.koh_share)
    oil_kj_k = filled.oil_kg * OIL_KJ_KG_K
    return mix_c + oil_kj_k / lye_kj_k * (mix_c - oil_c)
