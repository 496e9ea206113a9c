"""A recipe with its gaps filled: what nobody weighed is guessed by the usual recipe, and each guess named.

The ids in ``assumed`` are "unweighed_oil", "unknown_oil", "unweighed_koh", "unknown_purity", "unweighed_water" and
"unknown_bucket".
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from ..domain import OilShare, Recipe, Vessel
from ..units import KOH_G_PER_MOL
from .constants import (
    BAG_FRESH_SD_BELOW,
    BAG_LOSS_MOST,
    BAG_LOSS_PER_MONTH,
    BAG_LOSS_REL_SD,
    BUCKET_LITRES,
    PURITY_SD_ABOVE,
    PURITY_SD_BELOW,
    PURITY_UNKNOWN_SD_ABOVE,
    PURITY_UNKNOWN_SD_BELOW,
    PURITY_USUAL,
    SCALE_REL_SD,
    SCALE_SD_KG,
    UNKNOWN_PURITY_REL_SD,
    UNWEIGHED_SHARE_REL_SD,
    USUAL_LYE_RATIO,
    USUAL_LYE_RATIO_SD,
    USUAL_OIL_KG_PER_BUCKET_LITRE,
    USUAL_OIL_REL_SD,
    USUAL_WATER_PER_KOH,
    USUAL_WATER_REL_SD,
)
from .oils import Oil, find_oil_or_generic
from .spread import split_normal_points

# Below this share of the need, what the potash leaves over for an unweighed oil is noise of the weighed ones.
_WORTH_READING = 0.03
_SMALL_UNWEIGHED_SHARE = 0.10


@dataclass(frozen=True, slots=True)
class Doubts:
    """What is known beside the recipe of how far its figures can be trusted; None where nobody knows.

    bag_open_months    how long the bag of potash has stood open: shifts and widens what it may truly hold
    scale_error_kg     by how much the scale may be wrong (two sd), in place of a kitchen scale's 0.3 % and 1 g
    """

    bag_open_months: float | None = None
    scale_error_kg: float | None = None

    def scale_sd_kg(self, kg: float) -> float:
        """One sd of a mass weighed as ``kg``."""
        if self.scale_error_kg is not None:
            return self.scale_error_kg / 2.0
        return math.hypot(SCALE_REL_SD * kg, SCALE_SD_KG)


NO_DOUBTS = Doubts()


@dataclass(frozen=True, slots=True)
class PurityPrior:
    """True purity of a bag that says 90 %, less the printed figure: its mode, and one sd below and above it."""

    shift: float
    sd_below: float
    sd_above: float


def purity_prior(purity_known: bool, bag_open_months: float | None = None) -> PurityPrior:
    """What a bag truly holds, by how long it is open; the reasoning stands beside the numbers in ``constants``."""
    if not purity_known:
        return PurityPrior(0.0, PURITY_UNKNOWN_SD_BELOW, PURITY_UNKNOWN_SD_ABOVE)
    if bag_open_months is None:
        return PurityPrior(0.0, PURITY_SD_BELOW, PURITY_SD_ABOVE)
    lost = min(BAG_LOSS_PER_MONTH * max(0.0, bag_open_months), BAG_LOSS_MOST)
    ninety_five_percent = 1.645
    return PurityPrior(
        -lost, math.hypot(BAG_FRESH_SD_BELOW, BAG_LOSS_REL_SD * lost), PURITY_SD_ABOVE + lost / ninety_five_percent
    )


@dataclass(frozen=True, slots=True)
class FilledOil:
    """One oil of a filled recipe: ``kg_sd`` is of its mass alone, the oil's own range comes on top."""

    oil: Oil
    kg: float
    kg_sd: float


@dataclass(frozen=True, slots=True)
class Filled:
    """A recipe without gaps. Every ``_sd`` is one sd; ``ratio_rel_sd`` is of potash (as entered) over need."""

    oils: tuple[FilledOil, ...]
    koh_kg: float
    koh_kg_sd: float
    purity: float
    purity_known: bool
    purity_prior: PurityPrior
    water_kg: float
    water_kg_sd: float
    ratio_rel_sd: float
    assumed: tuple[str, ...]

    @property
    def oil_kg(self) -> float:
        """All oils together."""
        return math.fsum(share.kg for share in self.oils)

    @property
    def ester_mol(self) -> float:
        """KOH that the oils can take up, mol, at the middle of their saponification ranges."""
        return math.fsum(share.kg * share.oil.ester_mol_per_kg for share in self.oils)

    @property
    def ester_rel_sd(self) -> float:
        """Relative sd of ``ester_mol``: each oil's range and weighing, taken as independent of the others'."""
        return _ester_rel_sd(self.oils)

    @property
    def sv_rel_sd(self) -> float:
        """Relative sd of ``ester_mol`` from the oils' saponification ranges alone, the masses taken as they stand."""
        spread = math.hypot(*(share.kg * share.oil.sv_sd for share in self.oils))
        return spread / math.fsum(share.kg * share.oil.sv for share in self.oils)

    @property
    def sv_mean(self) -> float:
        """Saponification value of the oils together, mg KOH/g."""
        return self.ester_mol * KOH_G_PER_MOL / self.oil_kg

    @property
    def pure_koh_kg(self) -> float:
        """KOH in the potash at the purity as entered."""
        return self.koh_kg * self.purity

    @property
    def koh_mol(self) -> float:
        """The same in mol."""
        return self.pure_koh_kg * 1000.0 / KOH_G_PER_MOL

    @property
    def koh_rel_sd(self) -> float:
        """Relative sd of the potash as entered: its weighing, and the purity only where nobody noted one."""
        return math.hypot(self.koh_kg_sd / self.koh_kg, 0.0 if self.purity_known else UNKNOWN_PURITY_REL_SD)

    @property
    def total_water_kg(self) -> float:
        """Water weighed in, with what the flakes hold besides KOH (taken as water)."""
        return self.water_kg + self.koh_kg - self.pure_koh_kg

    @property
    def lye_kg(self) -> float:
        """Water and potash together."""
        return self.water_kg + self.koh_kg

    @property
    def koh_share(self) -> float:
        """Mass fraction of pure KOH in the lye."""
        return self.pure_koh_kg / self.lye_kg

    @property
    def mass_kg(self) -> float:
        """Everything in the bucket."""
        return self.oil_kg + self.lye_kg

    def strength_points(self, n: int) -> list[float]:
        """Equally likely values of true purity over purity as entered: mostly below 1, never above pure KOH."""
        prior = self.purity_prior
        # Shift and sds belong to a bag that says 90 %.
        scale = self.purity / PURITY_USUAL
        mode = self.purity + prior.shift * scale
        points = split_normal_points(mode, prior.sd_below * scale, prior.sd_above * scale, n)
        return [min(max(point, 0.0), 1.0) / self.purity for point in points]


def fill_in(recipe: Recipe, vessel: Vessel | None = None, doubts: Doubts = NO_DOUBTS) -> Filled:
    """Guess what nobody weighed in a checked recipe, and say so. Never raises where ``check_recipe`` does not."""
    assumed: list[str] = []
    purity = recipe.koh_purity
    if purity is None:
        purity = PURITY_USUAL
    known_mol = None if recipe.koh_kg is None else recipe.koh_kg * purity * 1000.0 / KOH_G_PER_MOL
    if known_mol is None and recipe.water_kg is not None and not any(share.kg for share in recipe.oils):
        # Nothing but the water was weighed: it tells how much potash is usual with it.
        known_mol_guess = recipe.water_kg / USUAL_WATER_PER_KOH * purity * 1000.0 / KOH_G_PER_MOL
    else:
        known_mol_guess = None
    shares = recipe.oils or (OilShare("", None),)
    known = known_mol if known_mol is not None else known_mol_guess
    oils = _fill_oils(shares, known, vessel, assumed, doubts)
    if known_mol_guess is not None:
        oils = tuple(FilledOil(o.oil, o.kg, math.hypot(o.kg_sd, USUAL_WATER_REL_SD * o.kg)) for o in oils)
    ester_mol = math.fsum(share.kg * share.oil.ester_mol_per_kg for share in oils)
    ester_rel_sd = _ester_rel_sd(oils)
    guessed_ratio_rel_sd = USUAL_LYE_RATIO_SD / USUAL_LYE_RATIO

    if recipe.koh_kg is None:
        assumed.append("unweighed_koh")
        koh_kg = USUAL_LYE_RATIO * ester_mol * KOH_G_PER_MOL / 1000.0 / purity
        koh_kg_sd = koh_kg * math.hypot(guessed_ratio_rel_sd, ester_rel_sd)
        # Guessed from the oil's need: the need's own error cancels in the ratio.
        ratio_rel_sd = guessed_ratio_rel_sd
    else:
        koh_kg = recipe.koh_kg
        koh_kg_sd = doubts.scale_sd_kg(koh_kg)
        ratio_rel_sd = math.hypot(koh_kg_sd / koh_kg, ester_rel_sd)
    if recipe.koh_purity is None:
        assumed.append("unknown_purity")
        ratio_rel_sd = math.hypot(ratio_rel_sd, UNKNOWN_PURITY_REL_SD)
    water_kg = recipe.water_kg
    if water_kg is None:
        assumed.append("unweighed_water")
        water_kg = USUAL_WATER_PER_KOH * koh_kg
        water_kg_sd = USUAL_WATER_REL_SD * water_kg
    else:
        water_kg_sd = doubts.scale_sd_kg(water_kg)
    if vessel is not None and vessel.litres is None:
        assumed.append("unknown_bucket")
    return Filled(
        oils=oils,
        koh_kg=koh_kg,
        koh_kg_sd=koh_kg_sd,
        purity=purity,
        purity_known=recipe.koh_purity is not None,
        purity_prior=purity_prior(recipe.koh_purity is not None, doubts.bag_open_months),
        water_kg=water_kg,
        water_kg_sd=water_kg_sd,
        ratio_rel_sd=ratio_rel_sd,
        assumed=tuple(assumed),
    )


def _ester_rel_sd(oils: tuple[FilledOil, ...]) -> float:
    total = math.fsum(share.kg * share.oil.sv for share in oils)
    parts = [math.hypot(share.kg * share.oil.sv_sd, share.kg_sd * share.oil.sv) for share in oils]
    return math.hypot(*parts) / total


def _fill_oils(
    shares: tuple[OilShare, ...],
    koh_mol: float | None,
    vessel: Vessel | None,
    assumed: list[str],
    doubts: Doubts,
) -> tuple[FilledOil, ...]:
    """Each oil with a mass; unweighed ones share what the potash leaves over, or look like the weighed ones."""
    oils = [find_oil_or_generic(share.name) for share in shares]
    if any(oil.generic for oil in oils):
        assumed.append("unknown_oil")
    missing = [i for i, share in enumerate(shares) if share.kg is None]
    kg = [share.kg or 0.0 for share in shares]
    sd = [doubts.scale_sd_kg(mass) for mass in kg]
    if missing:
        assumed.append("unweighed_oil")
        guess, rel_sd = _unweighed_kg(oils, kg, missing, koh_mol, vessel)
        for i in missing:
            kg[i], sd[i] = guess, guess * rel_sd
    return tuple(FilledOil(oil, mass, mass_sd) for oil, mass, mass_sd in zip(oils, kg, sd, strict=True))


def _unweighed_kg(
    oils: list[Oil], kg: list[float], missing: list[int], koh_mol: float | None, vessel: Vessel | None
) -> tuple[float, float]:
    """Mass of each unweighed oil, kg, and its relative sd."""
    weighed_kg = math.fsum(kg)
    per_kg = math.fsum(oils[i].ester_mol_per_kg for i in missing)
    if koh_mol is not None:
        need = koh_mol / USUAL_LYE_RATIO
        left = need - math.fsum(mass * oil.ester_mol_per_kg for mass, oil in zip(kg, oils, strict=True))
        if left > _WORTH_READING * need:
            # The ratio's guess falls on the unweighed part alone.
            spread = USUAL_LYE_RATIO_SD / USUAL_LYE_RATIO * need / left * math.sqrt(len(missing))
            return left / per_kg, min(spread, 0.8)
        return _SMALL_UNWEIGHED_SHARE * weighed_kg / len(missing), 0.8
    if weighed_kg > 0.0:
        return weighed_kg / (len(oils) - len(missing)), UNWEIGHED_SHARE_REL_SD
    litres = (vessel.litres if vessel is not None else None) or BUCKET_LITRES
    return USUAL_OIL_KG_PER_BUCKET_LITRE * litres / len(missing), USUAL_OIL_REL_SD
