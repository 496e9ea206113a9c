"""Plain sentences about a recipe, for `plan` and the page: lye balance and temperature, room, dilution, oddities.

The numbers come from the other modules; here are only words.
"""

from __future__ import annotations

from collections.abc import Mapping

from ..domain import Recipe
from .constants import USUAL_MARGIN
from .dilution import Dilution, PotashLeft, Room, soap_lost_to_hardness_g
from .filled import fill_in
from .lye import LyeTemperature, lye_c_for_mix
from .oils import find_oil_or_generic
from .recipe import LyeBalance, lye_balance

ASSUMED_IN_WORDS: Mapping[str, str] = {
    "unweighed_koh": "The potash was not weighed: the usual 93 % of the oil's need is taken.",
    "unweighed_water": "The water was not weighed: 1.55 kg to each kg of potash is taken.",
    "unweighed_oil": "An oil was not weighed: its mass is guessed from the potash, or from the bucket.",
    "unknown_purity": "The purity of the potash was not noted: 90 % is taken.",
    "unknown_oil": "An oil is not in the table: a vegetable oil of a wide range is taken.",
    "unknown_bucket": "The bucket's litres were not noted: 22 litres are taken.",
}

_MIX_AIM_C = 50.0
_COOL_LYE_SHARE = 0.50
_WEAK_LYE_SHARE = 0.20
_FAR_SHORT = 0.85


def _short_or_heavy(ratio: float) -> str:
    percent = round(100.0 * (1.0 - ratio))
    if percent == 0:
        return "balanced"
    return f"{percent} % short of lye" if percent > 0 else f"{-percent} % lye-heavy"


def balance_sentences(balance: LyeBalance) -> tuple[str, ...]:
    """What the lye balance means, in the maker's words; the percentages are chances and 5 to 95 % ranges."""
    chance = {word: f"{100 * p:.0f} %" for word, p in balance.probabilities.items()}
    if balance.word == "not known":
        return ("Potash or oil was not weighed, so nobody can say whether it is short of lye or lye-heavy.",)
    lines = [
        f"As entered it is {_short_or_heavy(balance.entered_ratio)}; over the oils' range from "
        f"{_short_or_heavy(balance.entered_ratio_high)} to {_short_or_heavy(balance.entered_ratio_low)}."
    ]
    if USUAL_MARGIN[0] <= balance.entered_ratio <= USUAL_MARGIN[1]:
        lines.append(
            "4 to 10 % short is such a recipe's margin, not a fault: oil to spare, which may cloud it or float."
        )
    if balance.entered_ratio < _FAR_SHORT:
        lines.append("That is far short: much oil will stay oil and may float.")
    spare = balance.oil_to_spare_g
    lines.append(
        f"With what a bag truly holds: likely {balance.word} ({chance[balance.word]}); oil to spare {spare.low:.0f} to "
        f"{spare.high:.0f} g."
    )
    if balance.probabilities["lye-heavy"] >= 0.01 and balance.word != "lye-heavy":
        lines.append(f"The chance that it is lye-heavy is {chance['lye-heavy']}.")
    if balance.word == "lye-heavy":
        potash = balance.potash_to_spare_g
        lines.append(
            f"Potash to spare {potash.low:.0f} to {potash.high:.0f} g: however well it reacts it stays caustic. Do "
            "not make it so."
        )
    return tuple(lines)


def lye_sentences(recipe: Recipe, lye: LyeTemperature, oil_c: float) -> tuple[str, ...]:
    """How hot the lye becomes, whether it may boil, and how warm it must be to pour."""
    lines = [
        f"The lye becomes {lye.low_c:.0f} to {lye.high_c:.0f} °C hot by itself when all potash dissolves; it boils "
        f"at about {lye.boiling_c:.0f} °C."
    ]
    if lye.may_boil:
        lines.append(
            "Dry potash, or potash tipped in fast, can bring it to the boil: small portions, stirring, face away."
        )
    if not lye.dissolves:
        lines.append("That is more potash than the water can hold when it cools: take more water.")
    needed = lye_c_for_mix(recipe, _MIX_AIM_C, oil_c)
    if needed <= lye.high_c:
        lines.append(
            f"For a mix of {_MIX_AIM_C:.0f} °C with the oil at {oil_c:.0f} °C pour the lye at about {needed:.0f} °C "
            "or warmer."
        )
    else:
        lines.append(
            f"With the oil at {oil_c:.0f} °C even the hot lye does not bring the mix to {_MIX_AIM_C:.0f} °C: warm "
            "the oil, in a bath of warm water and not over a flame."
        )
    return tuple(lines)


def room_sentences(room: Room | None) -> tuple[str, ...]:
    """Whether the bucket is large enough to blend and to dilute in."""
    if room is None:
        return ("The bucket's litres are not known, so whether it can foam or be diluted in it cannot be said.",)
    lines = [
        f"The mix fills {100 * room.when_blended:.0f} % of the {room.litres:g} L bucket, diluted "
        f"{100 * room.when_diluted:.0f} %."
    ]
    if not room.blends_well:
        lines.append(
            "It is more than half full for blending: it can foam over. Take a larger bucket or a smaller batch."
        )
    if not room.dilutes_in_it:
        lines.append("It will not hold the dilution: share it out over more buckets on that day.")
    return tuple(lines)


def dilution_sentences(diluted: Dilution, hardness_mmol_l: float | None = None) -> tuple[str, ...]:
    """Water to add later, what it gives, and what hard water takes of it."""
    lines = [
        f"To dilute: {diluted.water_low_kg:.1f} to {diluted.water_high_kg:.1f} L of soft water, giving about "
        f"{diluted.litres:.0f} L with {100 * diluted.soap_share:.0f} % soap."
    ]
    if hardness_mmol_l is not None:
        in_making = soap_lost_to_hardness_g(diluted.water_high_kg, hardness_mmol_l)
        in_spraying = soap_lost_to_hardness_g(100.0, hardness_mmol_l)
        per_litre_g = 1000.0 * diluted.soap_kg / diluted.litres
        lines.append(
            f"Your water, diluting with it, would use up {in_making:.0f} g of the {diluted.soap_kg:.1f} kg of soap. "
            f"In the use it counts more: 100 L of it use up {in_spraying:.0f} g, the soap of "
            f"{in_spraying / per_litre_g:.1f} L. Take rain water."
        )
    return tuple(lines)


def potash_left_sentence(left: PotashLeft) -> str:
    """Potash left as a range per litre; never as a promise."""
    per_litre = left.grams_per_litre
    return (
        f"Potash left: {per_litre.low:.1f} to {per_litre.high:.1f} g per litre after dilution to {left.litres:.0f} "
        "L. Only a test for free alkali tells it."
    )


def recipe_warnings(recipe: Recipe) -> tuple[str, ...]:
    """What looks odd about a possible recipe, one sentence each; empty when nothing does."""
    filled = fill_in(recipe)
    balance = lye_balance(recipe)
    lines: list[str] = []
    oils = [find_oil_or_generic(share.name) for share in recipe.oils]
    if balance.word != "not known" and balance.probabilities["lye-heavy"] >= 0.05:
        lines.append(
            f"With a chance of {100 * balance.probabilities['lye-heavy']:.0f} % this is lye-heavy: it would stay "
            "caustic however well it reacts. Take less potash."
        )
    if any("rapeseed oil, low erucic" in oil.name for oil in oils):
        lines.append(
            "Is it rapeseed for the kitchen? High-erucic rapeseed needs about 7 % less lye: the same recipe is then "
            "balanced or lye-heavy."
        )
    lines += [
        f'"{share.name}" is not in the table: its need of potash is not known.'
        for share, oil in zip(recipe.oils, oils, strict=True)
        if oil.generic
    ]
    if filled.koh_share > _COOL_LYE_SHARE:
        lines.append("Hardly any water for so much potash: it may not dissolve, and it boils easily. Take more water.")
    if filled.koh_share < _WEAK_LYE_SHARE:
        lines.append("That is a great deal of water: weak lye heats less and blends badly.")
    if recipe.koh_purity is not None and recipe.koh_purity > 0.95:
        lines.append("More than 95 % pure is rare in flakes: is it what the bag says?")
    return tuple(lines)
