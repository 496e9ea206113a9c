"""After the paste: water to dilute it, potash left in the liquid, soap lost to hard water, and room in the bucket."""

from __future__ import annotations

import math
from dataclasses import dataclass

from ..domain import Recipe, Vessel
from ..units import KOH_G_PER_MOL, POTASSIUM_OLEATE_G_PER_MOL
from ..words import tr
from .constants import (
    DILUTE_KG_L,
    DILUTE_SOAP_SHARE,
    DILUTE_SOAP_SHARE_HIGH,
    DILUTE_SOAP_SHARE_LOW,
    FULLEST_WHEN_BLENDED,
    FULLEST_WHEN_DILUTED,
)
from .filled import NO_DOUBTS, Doubts, Filled, fill_in
from .recipe import BadRecipe, mix_volume_l, soap_kg
from .spread import Range, lognormal_points, normal_points, range_of


@dataclass(frozen=True, slots=True)
class Dilution:
    """Water to add to the paste, kg (or litres), and what it gives; ``soap_share`` is a mass fraction of the whole.

    ``paste_kg`` is what stands in the bucket before: paste and water together are the finished liquid.
    """

    water_low_kg: float
    water_high_kg: float
    litres_low: float
    litres_high: float
    soap_kg: float
    soap_share: float
    paste_kg: float
    assumed: tuple[str, ...]

    @property
    def water_kg(self) -> float:
        """Middle of the water to add."""
        return (self.water_low_kg + self.water_high_kg) / 2.0

    @property
    def litres(self) -> float:
        """Middle of the finished volume."""
        return (self.litres_low + self.litres_high) / 2.0


def _dilution(filled: Filled, strength: float | None = None) -> Dilution:
    soap = soap_kg(filled, min(filled.koh_mol, filled.ester_mol))
    weakest, strongest = (DILUTE_SOAP_SHARE_LOW, DILUTE_SOAP_SHARE_HIGH) if strength is None else (strength, strength)
    finished = (soap / strongest, soap / weakest)
    return Dilution(
        water_low_kg=max(0.0, finished[0] - filled.mass_kg),
        water_high_kg=max(0.0, finished[1] - filled.mass_kg),
        litres_low=finished[0] / DILUTE_KG_L,
        litres_high=finished[1] / DILUTE_KG_L,
        soap_kg=soap,
        soap_share=(weakest + strongest) / 2.0,
        paste_kg=filled.mass_kg,
        assumed=filled.assumed,
    )


def dilution(recipe: Recipe, strength: float | None = None) -> Dilution:
    """Water for a finished liquid of ``strength``, a mass fraction of soap, by mass balance.

    Without it the usual 15 to 16 % (common practice). Raises BadRecipe for a strength that cannot be, or that the paste
    does not reach.
    """
    filled = fill_in(recipe)
    if strength is None:
        return _dilution(filled)
    low, high = DILUTE_SOAP_SHARE
    if not (math.isfinite(strength) and low <= strength <= high):
        raise BadRecipe(
            tr(
                "The strength of the finished soap is {strength:g} %; between {low:g} and {high:g} % is allowed, 15 to "
                "16 % is usual.",
                strength=100.0 * strength,
                low=100.0 * low,
                high=100.0 * high,
            )
        )
    diluted = _dilution(filled, strength)
    if diluted.soap_kg / diluted.paste_kg < strength:
        raise BadRecipe(
            tr(
                "The paste itself holds {paste:.0f} % soap, less than the {strength:g} % wanted of the finished soap: "
                "take less first water, or want a weaker one.",
                paste=100.0 * diluted.soap_kg / diluted.paste_kg,
                strength=100.0 * strength,
            )
        )
    return diluted


@dataclass(frozen=True, slots=True)
class PotashLeft:
    """Unreacted KOH: grams in the bucket and grams per litre once diluted, each with its 5 to 95 % range."""

    grams: Range
    grams_per_litre: Range
    litres: float
    assumed: tuple[str, ...]


def potash_left(
    recipe: Recipe,
    completeness: float,
    completeness_sd: float,
    final_litres: float | None = None,
    doubts: Doubts = NO_DOUBTS,
) -> PotashLeft:
    """Potash that has not become soap, when ``completeness`` (+/- sd) of the promised soap has formed.

    Potash truly in the bucket less one mol for every mol of soap. It is wide, because what the bag truly held is not
    known: at a completeness of 1 a bag stronger than printed still leaves some, and a lye-heavy recipe leaves its
    surplus. Not less than nothing is left, and no more soap forms than the oil allows. Free alkali is what a
    titration tells.
    """
    filled = fill_in(recipe, doubts=doubts)
    litres = final_litres if final_litres is not None and final_litres > 0 else _dilution(filled).litres
    promised_mol = min(filled.koh_mol, filled.ester_mol)
    # Where potash was not weighed it was guessed from the oil, whose need then says nothing more about it.
    weighing = filled.ratio_rel_sd if "unweighed_koh" in filled.assumed else filled.koh_kg_sd / filled.koh_kg
    potash = [
        filled.koh_mol * strength * factor
        for strength in filled.strength_points(20)
        # A kitchen scale adds nothing to the purity's spread; a guessed mass does.
        for factor in lognormal_points(1.0, weighing, 5 if weighing > 0.01 else 1)
    ]
    soap_points = [promised_mol * max(0.0, completeness + completeness_sd * z) for z in normal_points(12)]
    ester = lognormal_points(filled.ester_mol, filled.sv_rel_sd, 3)
    grams = range_of(
        max(0.0, koh - min(soap, oil)) * KOH_G_PER_MOL for koh in potash for soap in soap_points for oil in ester
    )
    per_litre = Range(*(value / litres for value in (grams.mean, grams.sd, grams.low, grams.likely, grams.high)))
    return PotashLeft(grams, per_litre, litres, filled.assumed)


def soap_lost_to_hardness_g(litres: float, hardness_mmol_l: float) -> float:
    """Soap that ``litres`` of hard water use up, g of potassium oleate: 2 mol for each mol of calcium and magnesium."""
    return 2.0 * hardness_mmol_l / 1000.0 * litres * POTASSIUM_OLEATE_G_PER_MOL


@dataclass(frozen=True, slots=True)
class Room:
    """How full the bucket stands, as a share of its brim volume: when blended, and when diluted.

    ``blends_well``: at most half full, as blending, boiling and foam ask; ``dilutes_in_it``: at most nine tenths.
    ``free_...`` is the head-room, litres, and ``least_free_...`` the least that is asked.
    """

    litres: float
    when_blended: float
    when_diluted: float

    @property
    def blends_well(self) -> bool:
        return self.when_blended <= FULLEST_WHEN_BLENDED

    @property
    def dilutes_in_it(self) -> bool:
        return self.when_diluted <= FULLEST_WHEN_DILUTED

    @property
    def free_when_blended_l(self) -> float:
        return self.litres * (1.0 - self.when_blended)

    @property
    def free_when_diluted_l(self) -> float:
        return self.litres * (1.0 - self.when_diluted)

    @property
    def least_free_when_blended_l(self) -> float:
        return self.litres * (1.0 - FULLEST_WHEN_BLENDED)

    @property
    def least_free_when_diluted_l(self) -> float:
        return self.litres * (1.0 - FULLEST_WHEN_DILUTED)


def room(recipe: Recipe, vessel: Vessel, strength: float | None = None) -> Room | None:
    """Room in the bucket, or None when nobody noted its litres."""
    if vessel.litres is None or vessel.litres <= 0:
        return None
    filled = fill_in(recipe, vessel)
    diluted_l = _dilution(filled, strength).litres_high
    return Room(vessel.litres, mix_volume_l(filled) / vessel.litres, diluted_l / vessel.litres)
