"""What a recipe promises: lye balance, limiting reagent, heat capacity and heat. Pure arithmetic on what was weighed.

Oil + potash -> soap + glycerol: each mol of KOH takes up one mol of ester. Which of the two runs out first is limiting,
and "the soap that the recipe as entered promises" is made when it has run out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from ..domain import OilShare, Recipe, Vessel
from ..units import GLYCEROL_G_PER_MOL, KOH_G_PER_MOL
from ..words import tr
from .constants import (
    BALANCED_FROM,
    BALANCED_TO,
    BUCKET_KJ_K,
    BUCKET_LITRES,
    GLYCEROL_KJ_KG_K,
    HEAT_CAPACITY_REL_SD,
    OIL_KJ_KG_K,
    SAPONIFICATION_HEAT_KJ_MOL,
    SOAP_KJ_KG_K,
    UNKNOWN_PURITY_REL_SD,
    USUAL_LYE_RATIO,
    USUAL_WATER_PER_KOH,
    WATER_20C_KG_L,
    WATER_KJ_KG_K,
)
from .filled import NO_DOUBTS, Doubts, Filled, fill_in
from .lye import lye_kg_l, lye_kj_kg_k
from .oils import find_oil_or_generic
from .spread import Range, lognormal_points, range_of

_POINTS = 40


class BadRecipe(ValueError):
    """A recipe that cannot be: one sentence naming the field and what is allowed."""


# Per field: lowest and highest allowed. Wider than any bucket, narrow enough to catch grams typed as kilograms.
OIL_KG = (0.001, 200.0)
KOH_KG = (0.001, 60.0)
WATER_KG = (0.001, 200.0)
PURITY = (0.50, 1.00)
LYE_RATIO = (0.10, 5.0)


def check_recipe(recipe: Recipe) -> None:
    """Raise BadRecipe when a number of ``recipe`` cannot be. None ("nobody weighed it") always passes."""
    for share in recipe.oils:
        field = tr('the mass of the oil "{name}"', name=share.name)
        _check(field, share.kg, OIL_KG, "kg", tr("leave it out where nobody weighed it"))
    _check(tr("koh_kg (the potash)"), recipe.koh_kg, KOH_KG, "kg", tr("leave it out where nobody weighed it"))
    _check("water_kg", recipe.water_kg, WATER_KG, "kg", tr("leave it out where nobody weighed it"))
    _check("koh_purity", recipe.koh_purity, PURITY, "", tr("write a mass fraction, 0.90 for 90 %"))
    all_weighed = recipe.koh_kg is not None and recipe.oils and all(share.kg is not None for share in recipe.oils)
    if all_weighed:
        filled = fill_in(recipe)
        ratio = filled.koh_mol / filled.ester_mol
        if not LYE_RATIO[0] <= ratio <= LYE_RATIO[1]:
            raise BadRecipe(
                tr(
                    "The potash, {koh_kg:g} kg, is {ratio:.2g} times what {oil_kg:g} kg of oil needs; between {low:g} "
                    "and {high:g} times is allowed, so look at the decimal point of both.",
                    koh_kg=recipe.koh_kg,
                    ratio=ratio,
                    oil_kg=filled.oil_kg,
                    low=LYE_RATIO[0],
                    high=LYE_RATIO[1],
                )
            )


def _check(field: str, value: float | None, allowed: tuple[float, float], unit: str, mend: str) -> None:
    if value is None:
        return
    low, high = allowed
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    if not is_number or not math.isfinite(value) or not low <= value <= high:
        shown = f"{value:g}" if is_number else repr(value)
        ending = f" {unit}" if unit else ""
        raise BadRecipe(
            tr(
                "In the recipe {field} is {value}; between {low:g} and {high} is allowed ({mend}).",
                field=field,
                value=shown + ending,
                low=low,
                high=f"{high:g}{ending}",
                mend=mend,
            )
        )


def without_bad_numbers(recipe: Recipe) -> tuple[Recipe, tuple[str, ...]]:
    """A recipe that ``check_recipe`` lets pass, with what cannot be taken as never weighed, and a sentence for each.

    For recordings: they must be read, whatever stands beside them.
    """
    sentences: list[str] = []

    def kept(trial: Recipe) -> bool:
        try:
            check_recipe(trial)
        except BadRecipe as error:
            sentences.append(str(error))
            return False
        return True

    oils = tuple(share if kept(Recipe(oils=(share,))) else OilShare(share.name, None) for share in recipe.oils)
    koh_kg = recipe.koh_kg if kept(Recipe(koh_kg=recipe.koh_kg)) else None
    water_kg = recipe.water_kg if kept(Recipe(water_kg=recipe.water_kg)) else None
    purity = recipe.koh_purity if kept(Recipe(koh_purity=recipe.koh_purity)) else None
    mended = Recipe(oils=oils, koh_kg=koh_kg, koh_purity=purity, water_kg=water_kg)
    if not kept(mended):
        # Each number is possible and the two together are not: the potash is the likelier slip, being the smaller.
        mended = replace(mended, koh_kg=None)
    return mended, tuple(sentences)


# --- lye balance --------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class LyeBalance:
    """Potash against need.

    ``ratio`` (mean), ``ratio_sd``, ``ratio_low`` and ``ratio_high`` (5 and 95 %) reckon with what the potash truly
    holds, mostly less than the bag says. ``entered_ratio`` takes the purity as entered and the middle of the oils'
    saponification ranges; ``entered_ratio_low`` and ``_high`` the ends of those ranges.
    ``word`` is the likeliest of "short of lye" (below 0.98), "balanced", "lye-heavy" (above 1: potash is left however
    well it reacts), or "not known" when potash or an oil was not weighed; ``probabilities`` holds all three words.
    ``oil_to_spare_g`` and ``potash_to_spare_g`` are what is left when all that can react has.
    """

    ratio: float
    ratio_sd: float
    ratio_low: float
    ratio_high: float
    entered_ratio: float
    entered_ratio_low: float
    entered_ratio_high: float
    word: str
    probabilities: dict[str, float]
    oil_to_spare_g: Range
    potash_to_spare_g: Range
    assumed: tuple[str, ...]


def lye_balance(recipe: Recipe, doubts: Doubts = NO_DOUBTS) -> LyeBalance:
    """Ratio of potash to need with its uncertainty: saponification range, true purity, scale, and what was guessed."""
    filled = fill_in(recipe, doubts=doubts)
    entered = filled.koh_mol / filled.ester_mol
    strengths = filled.strength_points(_POINTS)
    weighing = lognormal_points(1.0, filled.ratio_rel_sd if filled.purity_known else _known_part(filled), _POINTS)
    ratios = [entered * strength * factor for strength in strengths for factor in weighing]
    oil_g, need_g = filled.oil_kg * 1000.0, filled.ester_mol * KOH_G_PER_MOL
    spread = range_of(ratios)
    n = len(ratios)
    probabilities = {
        "short of lye": sum(ratio < BALANCED_FROM for ratio in ratios) / n,
        "balanced": sum(BALANCED_FROM <= ratio <= BALANCED_TO for ratio in ratios) / n,
        "lye-heavy": sum(ratio > BALANCED_TO for ratio in ratios) / n,
    }
    guessed = {"unweighed_koh", "unweighed_oil"} & set(filled.assumed)
    return LyeBalance(
        ratio=spread.mean,
        ratio_sd=spread.sd,
        ratio_low=spread.low,
        ratio_high=spread.high,
        entered_ratio=entered,
        entered_ratio_low=filled.koh_mol / _ester_mol_at(filled, high=True),
        entered_ratio_high=filled.koh_mol / _ester_mol_at(filled, high=False),
        word="not known" if guessed else max(probabilities, key=lambda word: probabilities[word]),
        probabilities=probabilities,
        oil_to_spare_g=range_of(max(0.0, 1.0 - ratio) * oil_g for ratio in ratios),
        potash_to_spare_g=range_of(max(0.0, ratio - 1.0) * need_g for ratio in ratios),
        assumed=filled.assumed,
    )


def _known_part(filled: Filled) -> float:
    """Relative sd of the ratio without that of an unknown purity, which ``strength_points`` already holds."""
    return math.sqrt(max(0.0, filled.ratio_rel_sd**2 - UNKNOWN_PURITY_REL_SD**2))


def _ester_mol_at(filled: Filled, *, high: bool) -> float:
    return math.fsum(s.kg * (s.oil.sv_high if high else s.oil.sv_low) for s in filled.oils) / KOH_G_PER_MOL


# --- heat budget --------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class HeatBudget:
    """What the recipe as entered can release and what it must warm.

    limiting_mol            KOH or ester, whichever runs out first, as entered (entered purity, middle SV), mol;
    completeness
                            is soap formed over this
    limiting                "koh", "oil", or "unsure" where the other has a chance of 5 % or more
    koh_mol, ester_mol      both sides as entered
    lye_ratio               koh_mol / ester_mol; its sd holds weighing and SV range, not what a bag that lies would do
    mass_kg, water_kg       everything in the bucket; water with what the flakes hold
    heat_capacity_*_kj_k    contents and the part of the bucket that warms with them, unreacted and fully reacted
    heat_capacity_rel_sd    one sd of either, relative
    bucket_kj_k             the bucket's share in them
    heat_available_kj       limiting_mol times the mean heat of saponification, with its sd (constant and masses)
    heat_likeliest_kj       the same at the likeliest constant; heat_low_kj and heat_high_kj at the ends of its range
    volume_l                of the mix
    potash_left_g           pure KOH left as entered when all that can react has (0 for a recipe short of lye)
    potash_strength         true over entered potash, mean; and sd: a bag mostly holds less than it says
    reachable               soap a perfect blend would make over limiting_mol, mean and sd: below 1 for weak potash
    soap_kg                 soap (without glycerol) when the limiting reagent has run out
    assumed                 ids of what was guessed
    """

    limiting_mol: float
    limiting_mol_sd: float
    limiting: str
    koh_mol: float
    ester_mol: float
    lye_ratio: float
    lye_ratio_sd: float
    mass_kg: float
    water_kg: float
    heat_capacity_start_kj_k: float
    heat_capacity_end_kj_k: float
    heat_capacity_rel_sd: float
    bucket_kj_k: float
    heat_available_kj: float
    heat_available_sd_kj: float
    heat_likeliest_kj: float
    heat_low_kj: float
    heat_high_kj: float
    volume_l: float
    potash_left_g: float
    potash_strength: float
    potash_strength_sd: float
    reachable: float
    reachable_sd: float
    soap_kg: float
    assumed: tuple[str, ...]


def heat_budget(recipe: Recipe, vessel: Vessel | None = None, doubts: Doubts = NO_DOUBTS) -> HeatBudget:
    """Limiting reagent, heat and heat capacity of a checked recipe; guesses what is missing and never raises.

    Without a vessel a bucket of 22 litres is reckoned with.
    """
    filled = fill_in(recipe, vessel, doubts)
    koh_mol, ester_mol = filled.koh_mol, filled.ester_mol
    ratio = koh_mol / ester_mol
    limiting_mol = min(koh_mol, ester_mol)
    limiting_sd = _limiting_sd(filled)
    volume_l = mix_volume_l(filled)
    bucket = _bucket_kj_k(volume_l, vessel)
    start = filled.oil_kg * OIL_KJ_KG_K + filled.lye_kg * lye_kj_kg_k(filled.koh_share) + bucket
    end = reacted_kj_k(filled, limiting_mol) + bucket
    heat = SAPONIFICATION_HEAT_KJ_MOL
    rel_sd = math.hypot(heat.sd / heat.mean, limiting_sd / limiting_mol)
    strengths = filled.strength_points(_POINTS)
    strength = range_of(strengths)
    reach = range_of(
        min(koh_mol * s, ester_mol * e) / limiting_mol
        for s in strengths
        for e in lognormal_points(1.0, filled.sv_rel_sd, _POINTS)
    )
    return HeatBudget(
        limiting_mol=limiting_mol,
        limiting_mol_sd=limiting_sd,
        limiting=_limiting(ratio, filled.ratio_rel_sd),
        koh_mol=koh_mol,
        ester_mol=ester_mol,
        lye_ratio=ratio,
        lye_ratio_sd=ratio * filled.ratio_rel_sd,
        mass_kg=filled.mass_kg,
        water_kg=filled.total_water_kg,
        heat_capacity_start_kj_k=start,
        heat_capacity_end_kj_k=end,
        heat_capacity_rel_sd=_capacity_rel_sd(filled, start),
        bucket_kj_k=bucket,
        heat_available_kj=limiting_mol * heat.mean,
        heat_available_sd_kj=limiting_mol * heat.mean * rel_sd,
        heat_likeliest_kj=limiting_mol * heat.likeliest,
        heat_low_kj=limiting_mol * heat.low,
        heat_high_kj=limiting_mol * heat.high,
        volume_l=volume_l,
        potash_left_g=max(0.0, koh_mol - ester_mol) * KOH_G_PER_MOL,
        potash_strength=strength.mean,
        potash_strength_sd=strength.sd,
        reachable=reach.mean,
        reachable_sd=reach.sd,
        soap_kg=soap_kg(filled, limiting_mol),
        assumed=filled.assumed,
    )


def _limiting(ratio: float, ratio_rel_sd: float) -> str:
    z = math.log(ratio) / ratio_rel_sd
    ninety_five_percent = 1.645
    if abs(z) < ninety_five_percent:
        return "unsure"
    return "koh" if z < 0 else "oil"


def _limiting_sd(filled: Filled) -> float:
    """One sd of min(potash, ester), mol. Where one was guessed from the other their ratio is surer than either."""
    koh_mol, ester_mol = filled.koh_mol, filled.ester_mol
    if "unweighed_koh" in filled.assumed:
        esters = lognormal_points(ester_mol, filled.ester_rel_sd, _POINTS)
        ratios = lognormal_points(koh_mol / ester_mol, filled.ratio_rel_sd, _POINTS)
        return range_of(ester * min(1.0, ratio) for ester in esters for ratio in ratios).sd
    potash = lognormal_points(koh_mol, filled.koh_rel_sd, _POINTS)
    esters = lognormal_points(ester_mol, filled.ester_rel_sd, _POINTS)
    return range_of(min(k, e) for k in potash for e in esters).sd


def mix_volume_l(filled: Filled) -> float:
    """Litres of oil and lye as poured: each at its density near 20 °C (density of the whole about 1.0 kg/L)."""
    oil_l = math.fsum(
        share.kg / ((share.oil.density_low + share.oil.density_high) / 2.0 * WATER_20C_KG_L) for share in filled.oils
    )
    return oil_l + filled.lye_kg / lye_kg_l(filled.koh_share)


def _bucket_kj_k(volume_l: float, vessel: Vessel | None) -> float:
    """What the bucket adds, kJ/K: a whole bucket's heat capacity by its litres, times the part that warms.

    The wall that the paste touches warms with it, of the dry wall above about a third (judgement).
    """
    litres = (vessel.litres if vessel is not None else None) or max(BUCKET_LITRES, volume_l)
    touched = min(1.0, volume_l / litres)
    return BUCKET_KJ_K * litres / BUCKET_LITRES * (touched + (1.0 - touched) / 3.0)


def soap_kg(filled: Filled, reacted_mol: float) -> float:
    """Dry soap from ``reacted_mol``: oil used + KOH used - glycerol freed; no water is made."""
    per_mol_g = 1000.0 * KOH_G_PER_MOL / filled.sv_mean + KOH_G_PER_MOL - GLYCEROL_G_PER_MOL / 3.0
    return reacted_mol * per_mol_g / 1000.0


def reacted_kj_k(filled: Filled, reacted_mol: float) -> float:
    """Heat capacity of the contents, kJ/K, when ``reacted_mol`` is soap: soap, glycerol, oil left, lye left."""
    oil_left_kg = max(0.0, filled.oil_kg - reacted_mol * KOH_G_PER_MOL / filled.sv_mean)
    koh_left_kg = max(0.0, filled.pure_koh_kg - reacted_mol * KOH_G_PER_MOL / 1000.0)
    lye_left_kg = koh_left_kg + filled.total_water_kg
    lye_left_kj_k = lye_left_kg * (lye_kj_kg_k(koh_left_kg / lye_left_kg) if lye_left_kg > 0 else WATER_KJ_KG_K)
    glycerol_kg = reacted_mol / 3.0 * GLYCEROL_G_PER_MOL / 1000.0
    return (
        soap_kg(filled, reacted_mol) * SOAP_KJ_KG_K
        + glycerol_kg * GLYCEROL_KJ_KG_K
        + oil_left_kg * OIL_KJ_KG_K
        + lye_left_kj_k
    )


def _capacity_rel_sd(filled: Filled, start_kj_k: float) -> float:
    masses = [share.kg_sd * OIL_KJ_KG_K for share in filled.oils]
    lye_kj_k = lye_kj_kg_k(filled.koh_share)
    return math.hypot(
        HEAT_CAPACITY_REL_SD,
        math.hypot(*masses, filled.koh_kg_sd * lye_kj_k, filled.water_kg_sd * WATER_KJ_KG_K) / start_kj_k,
    )


# --- making a recipe ----------------------------------------------------------------------------------------------


def scale_recipe(recipe: Recipe, factor: float) -> Recipe:
    """The same recipe ``factor`` times as large; what nobody weighed stays so. Raises BadRecipe for a bad factor."""
    if not (isinstance(factor, int | float) and math.isfinite(factor) and 0.001 <= factor <= 1000.0):
        raise BadRecipe(
            tr("A recipe is scaled by a number between 0.001 and 1000, not by {factor}.", factor=repr(factor))
        )

    def scaled(kg: float | None) -> float | None:
        return None if kg is None else kg * factor

    return replace(
        recipe,
        oils=tuple(OilShare(share.name, scaled(share.kg)) for share in recipe.oils),
        koh_kg=scaled(recipe.koh_kg),
        water_kg=scaled(recipe.water_kg),
    )


def plan_recipe(
    oils: Sequence[OilShare],
    purity: float = 0.90,
    lye_ratio_target: float = USUAL_LYE_RATIO,
    water_per_koh: float = USUAL_WATER_PER_KOH,
) -> Recipe:
    """Potash and water for weighed oils: ``lye_ratio_target`` of what they need at the middle of their ranges.

    ``purity`` as printed on the bag, ``water_per_koh`` kg of water per kg of flakes. Rounded to grams, the potash down.
    Raises BadRecipe for an oil without a mass and for numbers that cannot be.
    """
    if not oils:
        raise BadRecipe(tr("A plan needs at least one oil with its mass."))
    for share in oils:
        if share.kg is None:
            raise BadRecipe(tr('The plan needs the mass of the oil "{name}".', name=share.name))
    check_recipe(Recipe(oils=tuple(oils), koh_purity=purity))
    for name, value, low, high in (
        (tr("The lye ratio aimed at"), lye_ratio_target, 0.5, 1.0),
        (tr("The water per kg of potash"), water_per_koh, 1.0, 4.0),
    ):
        if not (math.isfinite(value) and low <= value <= high):
            raise BadRecipe(
                tr(
                    "{what} is {value:g}; between {low:g} and {high:g} is allowed.",
                    what=name,
                    value=value,
                    low=low,
                    high=high,
                )
            )
    need_kg = math.fsum((share.kg or 0.0) * find_oil_or_generic(share.name).sv for share in oils) / 1000.0
    koh_kg = math.floor(need_kg * lye_ratio_target / purity * 1000.0) / 1000.0
    recipe = Recipe(tuple(oils), koh_kg, purity, round(koh_kg * water_per_koh, 3))
    check_recipe(recipe)
    return recipe
