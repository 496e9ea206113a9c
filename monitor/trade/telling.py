"""Plain sentences about a recipe, for `plan` and the page: lye balance and temperature, room, dilution, oddities.

The numbers come from the other modules; here are only words.
"""

from __future__ import annotations

from collections.abc import Mapping

from ..domain import Recipe
from ..words import mark, quantity, tr, trc, trn
from .constants import USUAL_MARGIN
from .dilution import Dilution, PotashLeft, Room, soap_lost_to_hardness_g
from .filled import Doubts, fill_in
from .lye import LyeTemperature, lye_c_for_mix
from .oils import USED, find_oil_or_generic, is_low_erucic
from .recipe import LyeBalance, lye_balance

# Marked: told through ``tr``, or ``assumed_words``.
ASSUMED_IN_WORDS: Mapping[str, str] = {
    "unweighed_koh": mark("The potash was not weighed: the usual 93 % of the oil's need is taken."),
    "unweighed_water": mark("The water was not weighed: 1.55 kg to each kg of potash is taken."),
    "unweighed_oil": mark("An oil was not weighed: its mass is guessed from the potash, or from the bucket."),
    "unknown_purity": mark("The purity of the potash was not noted: 90 % is taken."),
    "unknown_oil": mark("An oil is not in the table: a vegetable oil of a wide range is taken."),
    "unknown_bucket": mark("The bucket's litres were not noted: 22 litres are taken."),
}

BALANCE_WORDS: Mapping[str, str] = {
    "short of lye": mark("short of lye"),
    "balanced": mark("balanced"),
    "lye-heavy": mark("lye-heavy"),
    "not known": mark("not known"),
}

_MIX_AIM_C = 50.0
_COOL_LYE_SHARE = 0.50
_WEAK_LYE_SHARE = 0.20
_FAR_SHORT = 0.85


def assumed_words(assumed: str) -> str:
    """What was guessed, in a sentence, by its id."""
    return tr(ASSUMED_IN_WORDS[assumed])


def span(low: float, high: float, kind: str, digits: int | None = None) -> str:
    """ "142 to 422 g": a range with its unit said once, where both ends have the same and hold one figure."""
    first, last = quantity(low, kind, digits), quantity(high, kind, digits)
    figures, _, unit = first.partition(" ")
    if unit == last.partition(" ")[2] and " lb" not in f" {unit}":
        first = figures
    return trc("range", "{low} to {high}", low=first, high=last)


def _percent(share: float) -> str:
    return tr("{percent:.0f} %", percent=100.0 * share)


def _short_or_heavy(ratio: float) -> str:
    percent = round(100.0 * (1.0 - ratio))
    if percent == 0:
        return tr("balanced")
    if percent > 0:
        return tr("{percent} % short of lye", percent=percent)
    return tr("{percent} % lye-heavy", percent=-percent)


def balance_sentences(balance: LyeBalance) -> tuple[str, ...]:
    """What the lye balance means, in the maker's words; the percentages are chances and 5 to 95 % ranges."""
    chance = {word: _percent(p) for word, p in balance.probabilities.items()}
    if balance.word == "not known":
        return (tr("Potash or oil was not weighed, so nobody can say whether it is short of lye or lye-heavy."),)
    lines = [
        tr(
            "As entered it is {balance}; over the oils' range from {least} to {most}.",
            balance=_short_or_heavy(balance.entered_ratio),
            least=_short_or_heavy(balance.entered_ratio_high),
            most=_short_or_heavy(balance.entered_ratio_low),
        )
    ]
    if USUAL_MARGIN[0] <= balance.entered_ratio <= USUAL_MARGIN[1]:
        lines.append(
            tr("4 to 10 % short is such a recipe's margin, not a fault: oil to spare, which may cloud it or float.")
        )
    if balance.entered_ratio < _FAR_SHORT:
        lines.append(tr("That is far short: much oil will stay oil and may float."))
    spare = balance.oil_to_spare_g
    lines.append(
        tr(
            "With what a bag truly holds: likely {balance} ({chance}); oil to spare {grams}.",
            balance=tr(BALANCE_WORDS[balance.word]),
            chance=chance[balance.word],
            grams=span(spare.low, spare.high, "grams"),
        )
    )
    if balance.probabilities["lye-heavy"] >= 0.01 and balance.word != "lye-heavy":
        lines.append(tr("The chance that it is lye-heavy is {chance}.", chance=chance["lye-heavy"]))
    if balance.word == "lye-heavy":
        potash = balance.potash_to_spare_g
        lines.append(
            tr(
                "Potash to spare {grams}: however well it reacts it stays caustic. Do not make it so.",
                grams=span(potash.low, potash.high, "grams"),
            )
        )
    return tuple(lines)


def doubt_sentences(recipe: Recipe, doubts: Doubts) -> tuple[str, ...]:
    """What the age of the bag does to what it holds; a bag whose age nobody knows is said to be one."""
    filled = fill_in(recipe, doubts=doubts)
    if recipe.koh_purity is None or "unweighed_koh" in filled.assumed:
        return ()
    points = sorted(filled.purity * strength for strength in filled.strength_points(40))
    low, high = 100.0 * points[2], 100.0 * points[37]
    if doubts.bag_open_months is None:
        return (
            tr(
                "Since when the bag is open is not known: {percent:.0f} % on it is taken to hold {low:.0f} to "
                "{high:.0f} %. An open bag draws water and weakens.",
                percent=100.0 * filled.purity,
                low=low,
                high=high,
            ),
        )
    by_the_bag = tr(
        "The potash is weighed by the bag all the same: too weak leaves oil to spare, too strong stays caustic."
    )
    months = round(doubts.bag_open_months)
    if months == 0:
        new = tr(
            "The bag is newly opened: {percent:.0f} % on it is taken to hold {low:.0f} to {high:.0f} % (common "
            "practice).",
            percent=100.0 * filled.purity,
            low=low,
            high=high,
        )
        return (f"{new} {by_the_bag}",)
    old = trn(
        "The bag is open for {n} month: {percent:.0f} % on it is taken to hold {low:.0f} to {high:.0f} % by now "
        "(common practice).",
        "The bag is open for {n} months: {percent:.0f} % on it is taken to hold {low:.0f} to {high:.0f} % by now "
        "(common practice).",
        months,
        percent=100.0 * filled.purity,
        low=low,
        high=high,
    )
    return (f"{old} {by_the_bag}",)


def lye_sentences(recipe: Recipe, lye: LyeTemperature, oil_c: float) -> tuple[str, ...]:
    """How hot the lye becomes, whether it may boil, and how warm it must be to pour."""
    lines = [
        tr(
            "The lye becomes {low:deg} to {high:degC} hot by itself when all potash dissolves; it boils at about "
            "{boiling:degC}.",
            low=lye.low_c,
            high=lye.high_c,
            boiling=lye.boiling_c,
        )
    ]
    if lye.may_boil:
        lines.append(
            tr("Dry potash, or potash tipped in fast, can bring it to the boil: small portions, stirring, face away.")
        )
    if not lye.dissolves:
        lines.append(tr("That is more potash than the water can hold when it cools: take more water."))
    needed = lye_c_for_mix(recipe, _MIX_AIM_C, oil_c)
    if needed <= lye.high_c:
        lines.append(
            tr(
                "For a mix of {mix:degC} with the oil at {oil:degC} pour the lye at about {lye:degC} or warmer.",
                mix=_MIX_AIM_C,
                oil=oil_c,
                lye=needed,
            )
        )
    else:
        lines.append(
            tr(
                "With the oil at {oil:degC} even the hot lye does not bring the mix to {mix:degC}: warm the oil, in a "
                "bath of warm water and not over a flame.",
                oil=oil_c,
                mix=_MIX_AIM_C,
            )
        )
    return tuple(lines)


def _as_noted(litres: float) -> str:
    """Litres with as many decimals as they were noted with."""
    return quantity(litres, "litres", 0 if litres == round(litres) else 1)


def room_sentences(room: Room | None, *, dilute_in_it: bool = True) -> tuple[str, ...]:
    """Whether the bucket is large enough to blend and to dilute in."""
    if room is None:
        return (tr("The bucket's litres are not known, so whether it can foam or be diluted in it cannot be said."),)
    lines = [
        tr(
            "The mix fills {blended:.0f} % of the {litres} bucket, diluted {diluted:.0f} %.",
            blended=100 * room.when_blended,
            litres=_as_noted(room.litres),
            diluted=100 * room.when_diluted,
        )
    ]
    if room.blends_well:
        lines.append(
            tr(
                "Head-room for boiling and blending: {free:litres1}, at least {least:litres1} (half the bucket) is "
                "asked.",
                free=room.free_when_blended_l,
                least=room.least_free_when_blended_l,
            )
        )
    else:
        lines.append(
            tr("It is more than half full for blending: it can foam over. Take a larger bucket or a smaller batch.")
        )
    if dilute_in_it and not room.dilutes_in_it:
        lines.append(tr("It will not hold the dilution: share it out over more buckets on that day."))
    return tuple(lines)


def dilution_sentences(diluted: Dilution, hardness_mmol_l: float | None = None) -> tuple[str, ...]:
    """Water to add later, what it gives, and what hard water takes of it."""
    exact = diluted.water_high_kg - diluted.water_low_kg < 0.05
    water = (
        quantity(diluted.water_kg, "litres", 1)
        if exact
        else span(diluted.water_low_kg, diluted.water_high_kg, "litres", 1)
    )
    lines = [
        tr(
            "To dilute: {water} of soft water, giving about {litres:litres} with {percent:.0f} % soap.",
            water=water,
            litres=diluted.litres,
            percent=100 * diluted.soap_share,
        )
    ]
    if hardness_mmol_l is not None:
        in_making = soap_lost_to_hardness_g(diluted.water_high_kg, hardness_mmol_l)
        in_spraying = soap_lost_to_hardness_g(100.0, hardness_mmol_l)
        per_litre_g = 1000.0 * diluted.soap_kg / diluted.litres
        lines.append(
            tr(
                "Your water, diluting with it, would use up {in_making:grams} of the {soap:kg1} of soap. In the use it "
                "counts more: {100:litres} of it use up {in_spraying:grams}, the soap of {litres:litres1}. Take rain "
                "water.",
                in_making=in_making,
                soap=diluted.soap_kg,
                in_spraying=in_spraying,
                litres=in_spraying / per_litre_g,
            )
        )
    return tuple(lines)


def potash_left_sentence(left: PotashLeft) -> str:
    """Potash left as a range per litre; never as a promise."""
    per_litre = left.grams_per_litre
    return tr(
        "Potash left: {range} after dilution to {litres:litres}. Only a test for free alkali tells it.",
        range=span(per_litre.low, per_litre.high, "g_per_l"),
        litres=left.litres,
    )


def recipe_warnings(recipe: Recipe) -> tuple[str, ...]:
    """What looks odd about a possible recipe, one sentence each; empty when nothing does."""
    filled = fill_in(recipe)
    balance = lye_balance(recipe)
    lines: list[str] = []
    oils = [find_oil_or_generic(share.name) for share in recipe.oils]
    if balance.word != "not known" and balance.probabilities["lye-heavy"] >= 0.05:
        lines.append(
            tr(
                "With a chance of {chance} this is lye-heavy: it would stay caustic however well it reacts. Take less "
                "potash.",
                chance=_percent(balance.probabilities["lye-heavy"]),
            )
        )
    if any(is_low_erucic(oil.name) for oil in oils):
        lines.append(
            tr(
                "Is it rapeseed for the kitchen? High-erucic rapeseed needs about 7 % less lye: the same recipe is "
                "then balanced or lye-heavy."
            )
        )
    if USED in oils:
        lines.append(
            tr(
                "Used cooking oil: what it needs is known only roughly (common practice, no standard), and it thickens "
                "before it has reacted: go by the heat, not by the look. Strain it, let the water settle, weigh it."
            )
        )
    lines += [
        tr('"{name}" is not in the table: its need of potash is not known.', name=share.name)
        for share, oil in zip(recipe.oils, oils, strict=True)
        if oil.generic
    ]
    if filled.koh_share > _COOL_LYE_SHARE:
        lines.append(
            tr("Hardly any water for so much potash: it may not dissolve, and it boils easily. Take more water.")
        )
    if filled.koh_share < _WEAK_LYE_SHARE:
        lines.append(tr("That is a great deal of water: weak lye heats less and blends badly."))
    if recipe.koh_purity is not None and recipe.koh_purity > 0.95:
        lines.append(tr("More than 95 % pure is rare in flakes: is it what the bag says?"))
    return tuple(lines)
