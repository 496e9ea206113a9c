"""A plan from any starting point, and what to do about its warmth. Pure: curves come in as values.

Starting points other than weighed oils all lead through the same mass balance, which is linear in the oil: so many
litres of finished soap, a bucket that must keep its head-room, or the potash at hand. What to advise (how warm to pour,
cover or not) is weighed from the bands that a good batch is expected in, against the two limits that matter.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import NormalDist

from ..domain import OilShare, Recipe
from ..words import number, quantity, tr, trc
from .constants import (
    FULLEST_WHEN_BLENDED,
    FULLEST_WHEN_DILUTED,
    USUAL_LYE_RATIO,
    USUAL_WATER_PER_KOH,
)
from .dilution import dilution
from .filled import fill_in
from .oils import find_oil_or_generic
from .recipe import BadRecipe, check_recipe, mix_volume_l, plan_recipe, scale_recipe

# Names of oils and their shares by mass, adding up to 1.
Blend = Sequence[tuple[str, float]]

_NORMAL = NormalDist()
_NINETY_FIVE = _NORMAL.inv_cdf(0.95)


# --- starting points ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Terms:
    """What a plan is reckoned with besides its oils.

    ``purity`` as on the bag, ``lye_ratio`` potash over need, ``water_per_koh`` kg of first water per kg of flakes,
    ``strength`` mass fraction of soap in the finished liquid (None: the usual 15 to 16 %).
    """

    purity: float = 0.90
    lye_ratio: float = USUAL_LYE_RATIO
    water_per_koh: float = USUAL_WATER_PER_KOH
    strength: float | None = None


USUAL_TERMS = Terms()


def blend_of(oils: Sequence[OilShare]) -> tuple[tuple[str, float], ...]:
    """The proportions by mass of weighed oils. Raises BadRecipe where one has no mass."""
    if not oils or any(not share.kg for share in oils):
        raise BadRecipe(tr("Proportions of the oils need the mass of each of them."))
    total_kg = math.fsum(share.kg or 0.0 for share in oils)
    return tuple((share.name, (share.kg or 0.0) / total_kg) for share in oils)


def exact_recipe(blend: Blend, oil_kg: float, terms: Terms = USUAL_TERMS) -> Recipe:
    """The recipe for so much oil, not rounded and not checked: potash and water in proportion to its need."""
    need_kg = oil_kg * math.fsum(share * find_oil_or_generic(name).sv for name, share in blend) / 1000.0
    koh_kg = need_kg * terms.lye_ratio / terms.purity
    oils = tuple(OilShare(name, oil_kg * share) for name, share in blend)
    return Recipe(oils, koh_kg, terms.purity, koh_kg * terms.water_per_koh)


def litres_from_oil(blend: Blend, oil_kg: float, terms: Terms = USUAL_TERMS) -> float:
    """Finished litres that so much oil gives."""
    return dilution(exact_recipe(blend, oil_kg, terms), terms.strength).litres


def oil_for_litres(blend: Blend, litres: float, terms: Terms = USUAL_TERMS) -> float:
    """Kilograms of oil for so many finished litres: ``litres_from_oil`` turned round."""
    return litres / litres_from_oil(blend, 1.0, terms)


def oil_for_potash(blend: Blend, koh_kg: float, terms: Terms = USUAL_TERMS) -> float:
    """Kilograms of oil for so much potash as weighed out of the bag."""
    return koh_kg / (exact_recipe(blend, 1.0, terms).koh_kg or 1.0)


def oil_for_bucket(
    blend: Blend, bucket_litres: float, terms: Terms = USUAL_TERMS, *, dilute_in_it: bool = True
) -> float:
    """Kilograms of oil of the largest batch that keeps the head-room: when blended, and when diluted in the bucket."""
    one = exact_recipe(blend, 1.0, terms)
    most = FULLEST_WHEN_BLENDED * bucket_litres / mix_volume_l(fill_in(one))
    if dilute_in_it:
        most = min(most, FULLEST_WHEN_DILUTED * bucket_litres / dilution(one, terms.strength).litres_high)
    return most


def recipe_for_oil(blend: Blend, oil_kg: float, terms: Terms = USUAL_TERMS) -> Recipe:
    """A recipe to weigh out: grams throughout, oils and potash rounded down. Raises BadRecipe where it cannot be."""
    oils = tuple(OilShare(name, _whole_grams(oil_kg * share)) for name, share in blend)
    return plan_recipe(oils, terms.purity, terms.lye_ratio, terms.water_per_koh)


def recipe_for_potash(blend: Blend, koh_kg: float, terms: Terms = USUAL_TERMS) -> Recipe:
    """The recipe that uses up the potash at hand. The oils are rounded up to grams, so that it is not the stronger."""
    oil_kg = oil_for_potash(blend, koh_kg, terms)
    oils = tuple(OilShare(name, math.ceil(oil_kg * share * 1000.0 - 1e-6) / 1000.0) for name, share in blend)
    recipe = Recipe(oils, koh_kg, terms.purity, round(koh_kg * terms.water_per_koh, 3))
    check_recipe(recipe)
    return recipe


def _whole_grams(kg: float) -> float:
    return math.floor(kg * 1000.0 + 1e-6) / 1000.0


def scale_to_grams(recipe: Recipe, factor: float) -> Recipe:
    """A known recipe to another size, to be weighed: every mass to a tenth of a gram. Raises BadRecipe."""
    scaled = scale_recipe(recipe, factor)

    def told(kg: float | None) -> float | None:
        return None if kg is None else round(kg, 4)

    oils = tuple(OilShare(share.name, told(share.kg)) for share in scaled.oils)
    return Recipe(oils, told(scaled.koh_kg), scaled.koh_purity, told(scaled.water_kg))


# --- what to expect of the warmth ---------------------------------------------------------------------------------

# Taken is stiff and past 75 to 80 °C, 15 to 40 minutes after blending (common practice).
TAKEN_C, TAKEN_FROM_S, TAKEN_TO_S = 75.0, 900.0, 2400.0
# A good batch should still be warmer than this so long after blending: below it, it hardly reacts on (judgement).
CARRIES_C, CARRIES_S = 45.0, 3 * 3600.0
# An aim below this is no aim: a batch that starts cool does not carry itself (common practice); above the second the
# paste begins next to the point from which nobody may blend it (75 °C), which is no aim either.
LEAST_MIX_C, MOST_MIX_C = 50.0, 65.0
# How much better another way must be before it is worth a change (judgement).
_WORTH_CHANGING = 0.05


@dataclass(frozen=True, slots=True)
class ExpectedBand:
    """Where the core of a good batch is expected: 5, 50 and 95 %, °C, at so many seconds after blending.

    ``peak_c`` is the same of its highest temperature, whenever that is; None where nobody worked it out.
    """

    after_blend_s: tuple[float, ...]
    low_c: tuple[float, ...]
    median_c: tuple[float, ...]
    high_c: tuple[float, ...]
    peak_c: tuple[float, float, float] | None = None

    def chance_above(self, limit_c: float, place: int) -> float:
        """Chance that the core is above ``limit_c`` at one of the times: two normal halves through the three points."""
        low, mid, high = self.low_c[place], self.median_c[place], self.high_c[place]
        sd = (high - mid if limit_c >= mid else mid - low) / _NINETY_FIVE
        if sd <= 0.0:
            return 1.0 if mid > limit_c else 0.0
        return 1.0 - _NORMAL.cdf((limit_c - mid) / sd)

    def peak(self) -> tuple[float, float]:
        """Highest median, °C, and when, seconds after blending."""
        peak_c = max(self.median_c)
        return peak_c, self.after_blend_s[self.median_c.index(peak_c)]

    def median_at(self, after_blend_s: float) -> float:
        """The median at the given time nearest to the one asked for."""
        nearest = min(range(len(self.after_blend_s)), key=lambda i: abs(self.after_blend_s[i] - after_blend_s))
        return self.median_c[nearest]


@dataclass(frozen=True, slots=True)
class Outlook:
    """What a band says of one way of doing it; chances between 0 and 1.

    taken       past 75 °C at some time 15 to 40 minutes after blending
    too_hot     past the too-hot limit at some time: the highest of the chances, so a lower bound
    carries     still above 45 °C three hours after blending
    """

    taken: float
    too_hot: float
    carries: float
    peak_c: float
    peak_after_s: float


def outlook(band: ExpectedBand, too_hot_c: float) -> Outlook:
    """Weigh one band against the limits. The band must reach over the first three hours."""
    places = range(len(band.after_blend_s))
    deciding = [i for i in places if TAKEN_FROM_S <= band.after_blend_s[i] <= TAKEN_TO_S]
    late = min(places, key=lambda i: abs(band.after_blend_s[i] - CARRIES_S))
    peak_c, peak_s = band.peak()
    return Outlook(
        taken=max((band.chance_above(TAKEN_C, i) for i in deciding), default=0.0),
        too_hot=max(band.chance_above(too_hot_c, i) for i in places),
        carries=band.chance_above(CARRIES_C, late),
        peak_c=peak_c,
        peak_after_s=peak_s,
    )


@dataclass(frozen=True, slots=True)
class Way:
    """One way of doing it: how warm it is poured, and what is put round it from the start."""

    mix_c: float
    insulation: str


@dataclass(frozen=True, slots=True)
class Recommendation:
    """The way that is advised, its outlook, the outlook of the way that was aimed at, and of its other covers.

    ``pour``: "as aimed", "warmer" or "cooler". ``cover_after_peak``: bare at first, covered when it falls.
    """

    way: Way
    aimed: Way
    pour: str
    cover_after_peak: bool
    outlook: Outlook
    aimed_outlook: Outlook
    others: Mapping[str, Outlook]
    too_hot_c: float
    roomy: bool | None


def regret(seen: Outlook, *, roomy: bool | None) -> float:
    """What is to be feared of a way, the less the better: not taken, too hot, cold too soon (weights: judgement).

    A blend that did not take is blended again; hot caustic is not put back: twice as bad, and twice that without
    head-room, where it runs over. Cold too soon can be mended by a cover that is put on later.
    """
    return (1.0 - seen.taken) + (2.0 if roomy else 4.0) * seen.too_hot + 0.25 * (1.0 - seen.carries)


def recommend(
    bands: Mapping[Way, ExpectedBand], aimed: Way, too_hot_c: float, *, roomy: bool | None = None
) -> Recommendation:
    """The way of least regret among ``bands``; another mix or cover than aimed only where it is clearly better.

    A mix that is no aim (below 50 °C, above 65) is never recommended while there is another. ``roomy``: whether the
    bucket keeps its head-room when blended, None when nobody knows its litres. KeyError when ``aimed`` is not among the
    ways.
    """
    seen = {way: outlook(band, too_hot_c) for way, band in bands.items()}
    # The mildest change first: the same mix under another cover, then other mixes, nearest first.
    ways = sorted(
        (way for way in seen if LEAST_MIX_C <= way.mix_c <= MOST_MIX_C or len(seen) == 1),
        key=lambda way: (abs(way.mix_c - aimed.mix_c), way.insulation != aimed.insulation, way.mix_c, way.insulation),
    ) or [aimed]
    chosen = ways[0]
    for way in ways[1:]:
        if regret(seen[way], roomy=roomy) < regret(seen[chosen], roomy=roomy) - _WORTH_CHANGING:
            chosen = way
    covered = [seen[way].carries for way in seen if way.mix_c == chosen.mix_c and way.insulation != "bare"]
    pour = "as aimed" if chosen.mix_c == aimed.mix_c else "warmer" if chosen.mix_c > aimed.mix_c else "cooler"
    return Recommendation(
        way=chosen,
        aimed=aimed,
        pour=pour,
        cover_after_peak=chosen.insulation == "bare" and max(covered, default=0.0) > seen[chosen].carries + 0.10,
        outlook=seen[chosen],
        aimed_outlook=seen[aimed],
        others={way.insulation: seen[way] for way in seen if way.mix_c == chosen.mix_c and way != chosen},
        too_hot_c=too_hot_c,
        roomy=roomy,
    )


def _cover_words(insulation: str) -> str:
    return {
        "bare": trc("what is round the bucket", "bare"),
        "blanket": trc("what is round the bucket", "under a blanket"),
        "box": trc("what is round the bucket", "in a box"),
    }[insulation]


def _percent(chance: float) -> str:
    # Neither a promise nor an impossibility comes out of three points of a band.
    return tr("{percent:.0f} %", percent=min(99.0, max(1.0, 100.0 * chance)))


def recommendation_sentences(advice: Recommendation) -> tuple[str, ...]:
    """What is recommended, and why, with the chances that it rests on."""
    way, seen, before = advice.way, advice.outlook, advice.aimed_outlook
    if advice.pour == "warmer":
        first = tr("Recommended: pour warmer, at {mix:degC} instead of {aimed:degC}.", mix=way.mix_c,
                   aimed=advice.aimed.mix_c)  # fmt: skip
    elif advice.pour == "cooler":
        first = tr("Recommended: pour a little cooler, at {mix:degC} instead of {aimed:degC}.", mix=way.mix_c,
                   aimed=advice.aimed.mix_c)  # fmt: skip
    else:
        first = tr("Recommended: pour at {mix:degC}.", mix=way.mix_c)
    cover = {
        "bare": tr("Do not cover it at first."),
        "blanket": tr("Cover it with a blanket, the lid loose under it."),
        "box": tr("Put it into the box, the lid loose."),
    }[way.insulation]
    lines = [f"{first} {cover}"]
    if way != advice.aimed:
        lines.append(
            tr(
                "As aimed ({mix:degC}, {cover}): {taken} that it has taken (past {limit:degC}) 15 to 40 minutes after "
                "blending, {too_hot} that it passes {too_hot_limit:degC}.",
                mix=advice.aimed.mix_c,
                cover=_cover_words(advice.aimed.insulation),
                taken=_percent(before.taken),
                limit=TAKEN_C,
                too_hot=_percent(before.too_hot),
                too_hot_limit=advice.too_hot_c,
            )
        )
    lines.append(
        tr(
            "As recommended ({mix:degC}, {cover}): {taken} that it has taken (past {limit:degC}) 15 to 40 minutes "
            "after blending, {too_hot} that it passes {too_hot_limit:degC}, {carries} that it is still above "
            "{warm:degC} three hours later; the peak is likely near {peak:degC}, about {minutes:.0f} min after "
            "blending.",
            mix=way.mix_c,
            cover=_cover_words(way.insulation),
            taken=_percent(seen.taken),
            limit=TAKEN_C,
            too_hot=_percent(seen.too_hot),
            too_hot_limit=advice.too_hot_c,
            carries=_percent(seen.carries),
            warm=CARRIES_C,
            peak=seen.peak_c,
            minutes=seen.peak_after_s / 60.0,
        )
    )
    for insulation, other in advice.others.items():
        lines.append(
            tr(
                "{Cover} at the same mix: taken {taken}, too hot {too_hot}, still warm {carries}.",
                Cover=_capital(_cover_words(insulation)),
                taken=_percent(other.taken),
                too_hot=_percent(other.too_hot),
                carries=_percent(other.carries),
            )
        )
    if advice.cover_after_peak:
        lines.append(tr("Cover it when it has passed its peak and falls, not before: then the warmth is to be kept."))
    if advice.roomy is False:
        lines.append(tr("With so little head-room too hot means running over: a larger bucket helps most."))
    if seen.taken < 0.5:
        lines.append(
            tr("Even so it is more likely not to take: warm the oil in a bath of warm water before the pour, and look "
               "at it 20 minutes after blending.")
        )  # fmt: skip
    return tuple(lines)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


# --- another size -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class SizeOutlook:
    """How a batch of one size keeps its heat: time constant, expected peak, and what is left after four hours."""

    mass_kg: float
    time_constant_s: float
    peak_c: float
    after_four_hours_c: float


# Within this, another size behaves as the known one does.
_SAME_SIZE = 0.15


def size_sentences(original: SizeOutlook, planned: SizeOutlook) -> tuple[str, ...]:
    """What another size does to the warmth, with numbers; nothing where the sizes are nearly the same."""
    factor = planned.mass_kg / original.mass_kg
    if abs(math.log(factor)) < _SAME_SIZE:
        return ()
    values = {
        "hours": number(planned.time_constant_s / 3600.0, 1),
        "before_hours": number(original.time_constant_s / 3600.0, 1),
        "peak": quantity(planned.peak_c, "degC"),
        "before_peak": quantity(original.peak_c, "degC"),
        "late": quantity(planned.after_four_hours_c, "degC"),
        "before_late": quantity(original.after_four_hours_c, "degC"),
        "mass": quantity(planned.mass_kg, "kg", 1),
        "before_mass": quantity(original.mass_kg, "kg", 1),
    }
    if factor < 1.0:
        return (
            tr(
                "A small batch keeps less heat: {mass} instead of {before_mass} cools with a time constant of {hours} "
                "h instead of {before_hours} h; expected, bare, a peak of {peak} instead of {before_peak}, and {late} "
                "instead of {before_late} after 4 hours.",
                **values,
            ),
            tr("What carried itself at the known size may not at this one: pour it warm, do not let the lye go cold."),
        )
    return (
        tr(
            "A large batch runs hotter: {mass} instead of {before_mass} cools with a time constant of {hours} h "
            "instead of {before_hours} h; expected, bare, a peak of {peak} instead of {before_peak}, and {late} "
            "instead of {before_late} after 4 hours.",
            **values,
        ),
        tr("What stayed below the limit at the known size may pass it at this one: head-room, loose lid, no cover."),
    )
