"""Free alkali and free oil from what was read on a burette, each with its uncertainty. Pure.

Soap takes acid in plain water: it is the salt of a weak acid, so acid goes on turning it back into fatty acid long
after the potash is used up, and the figure comes out far too high. Hence neutralised alcohol, in which soap does not
do so, or the barium chloride method, which takes the soap (and carbonate) out as an insoluble salt first. ISO 456 (free
caustic alkali: an alcohol method and a barium chloride method; scope and principle seen, the rest from memory), ISO 684
(total free alkali, caustic and carbonate together: scope seen, the rest from memory).
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass

from ..units import KOH_G_PER_MOL
from ..words import mark, tr

# How the alkali was found. "total" boils with an excess of acid in alcohol and titrates back with alkali (ISO 684).
METHODS = ("alcohol", "barium-chloride", "total")
METHOD_WORDS: Mapping[str, str] = {
    "alcohol": mark("titrated in neutralised alcohol"),
    "barium-chloride": mark("by the barium chloride method"),
    "total": mark("boiled with too much acid in alcohol and titrated back"),
}
NOT_IN_WATER = mark(
    "Never titrate it in plain water: soap itself takes up acid there, so far too much alkali would be found, and far "
    "too much oil added. pH paper shows a gross excess only."
)

# Per cent is grams in 100 grams: mmol of KOH in a gram of sample, times this.
_KOH_PERCENT_PER_MMOL_G = KOH_G_PER_MOL / 10.0
_NINETY_PERCENT_SD = 1.645
# Potassium carbonate as KOH: one mol takes as much acid as two of KOH. CIAAW abridged weights (from memory).
_K2CO3_PER_KOH = (2 * 39.0983 + 12.011 + 3 * 15.999) / (2 * KOH_G_PER_MOL)


class BadTitration(ValueError):
    """A figure of a titration that cannot be read or cannot be: one sentence naming it and what is allowed."""


@dataclass(frozen=True, slots=True)
class Share:
    """Per cent by mass of the sample, with one sd. It may come out a little below zero: that is how nothing looks."""

    percent: float
    sd: float

    @property
    def low(self) -> float:
        """The 5 % point, not below zero."""
        return max(0.0, self.percent - _NINETY_PERCENT_SD * self.sd)

    @property
    def high(self) -> float:
        """The 95 % point, not below zero."""
        return max(0.0, self.percent + _NINETY_PERCENT_SD * self.sd)

    @property
    def is_found(self) -> bool:
        """Whether it stands out from nothing at all: the 5 % point is above zero."""
        return self.percent > _NINETY_PERCENT_SD * self.sd


@dataclass(frozen=True, slots=True)
class Errors:
    """By how much each reading may be wrong, each as two sd.

    burette_ml       a volume delivered: a school burette of 25 mL, class B, is good for 0.05 to 0.1 (ISO 385, memory)
    end_point_ml     when the colour turns: about one drop
    scale_g          the sample's weighing: a letter scale
    strength_share   the acid's strength, relative: bought as standard solution and not old
    """

    burette_ml: float = 0.1
    end_point_ml: float = 0.05
    scale_g: float = 0.1
    strength_share: float = 0.02

    def volume_sd_ml(self, readings: int = 1) -> float:
        """One sd of the difference of so many titrations, mL."""
        return math.hypot(self.burette_ml, self.end_point_ml) / 2.0 * math.sqrt(readings)


USUAL_ERRORS = Errors()
# For each figure: lowest and highest allowed, and its unit. Wider than any kitchen laboratory, to catch slips.
VOLUME_ML = (0.0, 250.0)
SAMPLE_G = (0.2, 500.0)
STRENGTH_MOL_L = (0.001, 5.0)
ALIQUOT = (0.001, 1.0)


@dataclass(frozen=True, slots=True)
class Titre:
    """One titration of a soap's free alkali.

    used_ml          acid used for the sample, mL
    strength_mol_l   of the acid, mol of H+ per litre ("0.1 N" is 0.1)
    sample_g         weighed in, g
    blank_ml         acid that the alcohol or water takes without a sample, mL
    aliquot          the part of the dissolved sample that was titrated: 0.25 for 25 mL out of 100
    back_ml, back_mol_l   alkali titrated back, for the method "total"
    """

    used_ml: float
    strength_mol_l: float
    sample_g: float
    blank_ml: float = 0.0
    aliquot: float = 1.0
    back_ml: float = 0.0
    back_mol_l: float = 0.0


@dataclass(frozen=True, slots=True)
class BackTitre:
    """Saponifying with a measured excess of alcoholic potash and titrating back with acid (arithmetic of ISO 3657).

    blank_ml         acid for the same measure of potash, boiled the same time without a sample, mL
    used_ml          acid for that with the sample, mL
    strength_mol_l   of the acid, mol/L
    sample_g         weighed in, g
    """

    blank_ml: float
    used_ml: float
    strength_mol_l: float
    sample_g: float


# ---- reckoning -----------------------------------------------------------------------------------------------------


def free_alkali(titre: Titre, errors: Errors = USUAL_ERRORS) -> Share:
    """Free alkali as % KOH by mass of the sample: (V - V_blank) c 56.105 / (10 m a), less what was titrated back.

    V in mL, c in mol/L, m in g, a the aliquot. The formula follows from one mol of acid for one of KOH; the sds of
    burette, end point, weighing and strength are added as squares. Raises BadTitration, also for a blank that took
    more acid than the sample beyond what the readings can be wrong.
    """
    for field, value, allowed, unit in (
        (tr("the acid used"), titre.used_ml, VOLUME_ML, "mL"),
        (tr("the strength of the acid"), titre.strength_mol_l, STRENGTH_MOL_L, "mol/L"),
        (tr("the sample"), titre.sample_g, SAMPLE_G, "g"),
        (tr("the acid used for the blank"), titre.blank_ml, VOLUME_ML, "mL"),
        (tr("the part titrated"), titre.aliquot, ALIQUOT, ""),
        (tr("the alkali titrated back"), titre.back_ml, VOLUME_ML, "mL"),
    ):
        _within(field, value, allowed, unit)
    if titre.back_ml > 0.0:
        _within(tr("the strength of the alkali titrated back"), titre.back_mol_l, STRENGTH_MOL_L, "mol/L")
    sample_g = titre.sample_g * titre.aliquot
    net_ml = titre.used_ml - titre.blank_ml
    mmol = net_ml * titre.strength_mol_l - titre.back_ml * titre.back_mol_l
    with_blank = 2 if titre.blank_ml > 0.0 else 1
    mmol_sd = math.hypot(
        errors.volume_sd_ml(with_blank) * titre.strength_mol_l,
        net_ml * titre.strength_mol_l * errors.strength_share / 2.0,
        errors.volume_sd_ml() * titre.back_mol_l if titre.back_ml > 0.0 else 0.0,
        titre.back_ml * titre.back_mol_l * errors.strength_share / 2.0,
    )
    percent = mmol * _KOH_PERCENT_PER_MMOL_G / sample_g
    share = Share(
        percent,
        math.hypot(
            mmol_sd * _KOH_PERCENT_PER_MMOL_G / sample_g, percent * errors.scale_g / 2.0 / titre.sample_g
        ),
    )
    if share.percent < -2.0 * share.sd:
        raise BadTitration(
            tr(
                "The sample took less acid than the blank, or less than was titrated back: that cannot be free alkali; "
                "look whether the two are exchanged."
            )
        )
    _not_above_all(tr("the free alkali"), share)
    return share


def potash_taken_up(back: BackTitre, errors: Errors = USUAL_ERRORS) -> Share:
    """KOH that the sample took up beyond its own free alkali, % by mass: (V0 - V1) c 56.105 / (10 m), below zero
    where the sample brought more free alkali than its oil needed.

    ISO 3657's SV = 56.1 c (V0 - V1) / m (mg/g, from memory; the same formula seen in ASTM D94 and EN 14104), in %.
    """
    for field, value, allowed, unit in (
        (tr("the acid used for the blank"), back.blank_ml, VOLUME_ML, "mL"),
        (tr("the acid used"), back.used_ml, VOLUME_ML, "mL"),
        (tr("the strength of the acid"), back.strength_mol_l, STRENGTH_MOL_L, "mol/L"),
        (tr("the sample"), back.sample_g, SAMPLE_G, "g"),
    ):
        _within(field, value, allowed, unit)
    difference_ml = back.blank_ml - back.used_ml
    # A blank near the sample's figure is right; one of which hardly anything is left was no excess.
    if back.used_ml < 0.1 * back.blank_ml:
        raise BadTitration(
            tr(
                "Hardly any potash was left to titrate back ({used:.1f} of {blank:.1f} mL): that was no excess, so "
                "take a smaller sample or more alcoholic potash and boil again.",
                used=back.used_ml,
                blank=back.blank_ml,
            )
        )
    percent = difference_ml * back.strength_mol_l * _KOH_PERCENT_PER_MMOL_G / back.sample_g
    per_ml = back.strength_mol_l * _KOH_PERCENT_PER_MMOL_G / back.sample_g
    sd = math.hypot(
        errors.volume_sd_ml(2) * per_ml,
        percent * errors.strength_share / 2.0,
        percent * errors.scale_g / 2.0 / back.sample_g,
    )
    taken = Share(percent, sd)
    _not_above_all(tr("the potash taken up"), taken)
    return taken


def saponification_value(back: BackTitre, errors: Errors = USUAL_ERRORS) -> Share:
    """Saponification value of an oil, mg KOH/g (not %), by ISO 3657: ten times ``potash_taken_up``."""
    taken = potash_taken_up(back, errors)
    return Share(10.0 * taken.percent, 10.0 * taken.sd)


def free_oil(
    back: BackTitre,
    sv: float,
    sv_sd: float = 0.0,
    alkali: Share | None = None,
    errors: Errors = USUAL_ERRORS,
) -> Share:
    """Unsaponified but saponifiable oil, % by mass of the sample.

    What the sample took up and what it had itself (``alkali``, % KOH; none is taken where nobody titrated it) is what
    the free oil needed; divided by its saponification value ``sv``, mg KOH/g. Free fatty acid counts as oil. Raises
    BadTitration where more was left than went in.
    """
    _within(tr("the saponification value"), sv, (100.0, 400.0), "mg/g")
    taken = potash_taken_up(back, errors)
    own = alkali if alkali is not None else Share(0.0, 0.0)
    need = taken.percent + own.percent
    need_sd = math.hypot(taken.sd, own.sd)
    if need < -2.0 * need_sd:
        raise BadTitration(
            tr(
                "The sample left more alkali than the blank: it holds free alkali of its own, so titrate that first "
                "and give it too, or look whether sample and blank are exchanged."
            )
        )
    percent = 1000.0 * need / sv
    share = Share(percent, math.hypot(1000.0 * need_sd / sv, percent * sv_sd / sv))
    _not_above_all(tr("the free oil"), share)
    return share


def carbonate(total: Share, caustic: Share) -> Share:
    """Potassium carbonate, % by mass: total free alkali less free caustic alkali, both as KOH (ISO 684, ISO 456).

    Stoichiometry: a mol of K2CO3 takes the acid of two mol of KOH. Raises BadTitration where the total is smaller.
    """
    percent, sd = total.percent - caustic.percent, math.hypot(total.sd, caustic.sd)
    if percent < -2.0 * sd:
        raise BadTitration(
            tr("The total free alkali came out smaller than the caustic part of it: one of the two is wrong.")
        )
    return Share(percent * _K2CO3_PER_KOH, sd * _K2CO3_PER_KOH)


# ---- reading what people type --------------------------------------------------------------------------------------

_NUMBER = r"(?P<number>[+\-\u2212]?\s?\d+(?:[.,]\d+)?)"
_STRENGTH = re.compile(rf"{_NUMBER}\s*(?P<unit>mol/l|mol/dm3|mol|m|n|normal)\.?(?:\s*(?:hcl|acid))?", re.IGNORECASE)
_PART_STRENGTH = re.compile(r"(?P<unit>n|m)\s*/\s*(?P<part>\d{1,4})", re.IGNORECASE)
_VOLUME = re.compile(rf"{_NUMBER}\s*(?P<unit>ml|cm3|cc|l)?\.?", re.IGNORECASE)
_GRAMS = re.compile(rf"{_NUMBER}\s*(?P<unit>g|gr|gram|grams|mg|kg)?\.?", re.IGNORECASE)
_OUT_OF = re.compile(
    r"(?P<part>\d+(?:[.,]\d+)?)\s*(?:ml)?\s*(?:/|of|out of)\s*(?P<whole>\d+(?:[.,]\d+)?)\s*(?:ml)?", re.IGNORECASE
)


def parse_strength_mol_l(text: str, field: str = "") -> float:
    """An acid's strength in mol/L: "0.1 mol/L", "0.1M", "0.1 N" or "N/10". For hydrochloric acid N and M are one."""
    field = field or tr("the strength of the acid")
    plain = " ".join(text.split())
    part = _PART_STRENGTH.fullmatch(plain)
    found = _STRENGTH.fullmatch(plain)
    if part is not None and int(part["part"]) > 0:
        value = 1.0 / int(part["part"])
    elif found is not None:
        value = _figure(found["number"])
    else:
        raise _unreadable(field, plain, tr("0.1 mol/L, 0.1 N or N/10"))
    return _within(field, value, STRENGTH_MOL_L, "mol/L")


def parse_volume_ml(text: str, field: str = "") -> float:
    """A burette's reading in mL: "4.2 mL", "4,2ml", or a bare number."""
    field = field or tr("the acid used")
    plain = " ".join(text.split())
    found = _VOLUME.fullmatch(plain)
    if found is None:
        raise _unreadable(field, plain, tr("4.2 mL"))
    scale = 1000.0 if (found["unit"] or "").lower() == "l" else 1.0
    return _within(field, _figure(found["number"]) * scale, VOLUME_ML, "mL")


def parse_sample_g(text: str, field: str = "", least_g: float = SAMPLE_G[0]) -> float:
    """A weighed sample in grams: "5.0 g", "480 mg", or a bare number; ``least_g`` is the least that is allowed."""
    field = field or tr("the sample")
    plain = " ".join(text.split())
    found = _GRAMS.fullmatch(plain)
    if found is None:
        raise _unreadable(field, plain, tr("5.0 g"))
    scale = {"mg": 0.001, "kg": 1000.0}.get((found["unit"] or "").lower(), 1.0)
    return _within(field, _figure(found["number"]) * scale, (least_g, SAMPLE_G[1]), "g")


def parse_aliquot(text: str, field: str = "") -> float:
    """The part of the dissolved sample that was titrated, as a fraction: "25/100", "25 mL of 100 mL"."""
    field = field or tr("the part titrated")
    plain = " ".join(text.split())
    found = _OUT_OF.fullmatch(plain)
    if found is None or _figure(found["whole"]) <= 0.0:
        raise _unreadable(field, plain, tr("25 mL of 100 mL"))
    part, whole = _figure(found["part"]), _figure(found["whole"])
    if part > whole:
        raise BadTitration(
            tr('For {field} "{typed}" is more than the whole: write the part first, then the whole.', field=field,
               typed=plain)
        )  # fmt: skip
    return _within(field, part / whole, ALIQUOT, "")


def parse_percent(text: str, field: str, most: float) -> float:
    """A share by mass that somebody else found: "0.3 %" or "0.3"; per cent, from 0 to ``most``."""
    plain = " ".join(text.split())
    found = re.fullmatch(rf"{_NUMBER}\s*%?", plain)
    if found is None:
        raise _unreadable(field, plain, tr("0.3 %"))
    return _within(field, _figure(found["number"]), (0.0, most), "%")


def _figure(text: str) -> float:
    return float(text.replace("\u2212", "-").replace(" ", "").replace(",", "."))


def _unreadable(field: str, typed: str, example: str) -> BadTitration:
    return BadTitration(
        tr('For {field} "{typed}" cannot be read: write it like {example}.', field=field, typed=typed[:60],
           example=example)
    )  # fmt: skip


def _within(field: str, value: float, allowed: tuple[float, float], unit: str) -> float:
    low, high = allowed
    if not (math.isfinite(value) and low <= value <= high):
        raise BadTitration(
            tr(
                "For {field} {value:g} {unit} is out of range; {low:g} to {high:g} {unit} is allowed, so look at the "
                "unit and the decimal point.",
                field=field,
                value=value,
                unit=unit,
                low=low,
                high=high,
            ).replace("  ", " ")
        )
    return value


def _not_above_all(field: str, share: Share) -> None:
    # Pure oil may well read as 101 %.
    if share.percent - 2.0 * share.sd > 100.0:
        raise BadTitration(
            tr(
                "By these figures {field} would be {percent:.0f} % of the sample, more than there is: look at the "
                "unit and the decimal point of volume, strength and sample.",
                field=field,
                percent=share.percent,
            )
        )
