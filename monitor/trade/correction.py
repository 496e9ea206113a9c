"""What to do with a batch that did not work: blend again, warm it, test it, add oil or potash, or give it up. Pure.

Advice follows the likely cause and what was measured. Potash is never proposed without a titration of free alkali, and
blending never for a batch that is short of potash. What is added goes in by halves, with a day and a test between.
Common practice, but for the arithmetic: oil and potash take each other up by the saponification value (ISO 3657).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from ..domain import Recipe, Vessel
from ..words import mark, number, tr
from .constants import FULLEST_WHEN_BLENDED, FULLEST_WHEN_DILUTED, USUAL_MARGIN
from .filled import Filled, fill_in
from .recipe import lye_balance, mix_volume_l
from .spread import Range
from .telling import span
from .titration import NOT_IN_WATER, Share

CAUSES = ("poor_blend", "split", "short_potash", "lye_heavy", "cold", "unknown")
CAUSE_WORDS: Mapping[str, str] = {
    "poor_blend": mark("the blend was poor"),
    "split": mark("it has split"),
    "short_potash": mark("weak or short potash"),
    "lye_heavy": mark("more potash than the oil can take up"),
    "cold": mark("it was poured too cool"),
    "unknown": mark("not known"),
}
PLANS = ("none", "test", "blend", "warm", "oil", "potash", "give_up")

# Free alkali, % KOH by mass, that is commonly asked of soap at the most. Common practice; below it nothing is promised.
ALKALI_WANTED_PERCENT = 0.10
# Oil to spare that a usual recipe leaves, as a share of its oil: 4 to 10 %. A margin, not a fault.
SPARE_LOW, SPARE_HIGH = 1.0 - USUAL_MARGIN[1], 1.0 - USUAL_MARGIN[0]
SPARE_AIM = (SPARE_LOW + SPARE_HIGH) / 2.0
# Water to dissolve the potash of a correction, kg per kg of flakes: weaker than in the making, so that it goes into
# finished paste evenly and runs less hot (judgement; the usual lye has 1.55).
WATER_PER_FLAKES = (2.0, 3.0)
# A batch worked out from its recipe has lost some steam and paste on tools; one that was weighed sits in a bucket whose
# own weight must be taken off (both judgement, one sd, relative).
_RECKONED_REL_SD, _WEIGHED_REL_SD = 0.02, 0.01
# More oil to add than this share of what is in it: it was something else than the recipe (judgement).
_FAR_OUT = 0.5
MASS_KG = (0.1, 400.0)
_NINETY_PERCENT_SD = 1.645
_BLEND_BELOW_C = 75.0


class BadCorrection(ValueError):
    """Figures that cannot belong to this batch: one sentence naming the field and what is allowed."""


@dataclass(frozen=True, slots=True)
class Mass:
    """What stands in the bucket now, kg, with one sd."""

    kg: float
    sd_kg: float


@dataclass(frozen=True, slots=True)
class Correction:
    """What to do.

    plan        one of PLANS
    cause       the likely cause that it goes by
    whole_g     for "oil" and "potash": grams in all (potash as it comes out of the bag), 5, 50 and 95 %
    first_g     what goes in first: half of the likely sum, of potash never more than the low end of it
    water_g     for "potash": grams of water for the first lye, from and to
    fits        whether the oil still fits the bucket with its head-room; None where the litres are not known
    reasons     why, in sentences
    steps       what to do, in order
    give_up     when to give it up, and what then
    assumed     ids of what was guessed of the recipe
    """

    plan: str
    cause: str
    whole_g: Range | None
    first_g: float | None
    water_g: tuple[float, float] | None
    fits: bool | None
    reasons: tuple[str, ...]
    steps: tuple[str, ...]
    give_up: tuple[str, ...]
    assumed: tuple[str, ...]


def mass_now(recipe: Recipe, water_added_kg: float = 0.0, weighed_kg: float | None = None) -> Mass:
    """Mass of the batch: as weighed (the bucket taken off), else oil, potash and all the water together.

    Raises BadCorrection for a mass that cannot be.
    """
    filled = fill_in(recipe)
    put_in_kg = filled.mass_kg + water_added_kg
    if weighed_kg is None:
        return Mass(put_in_kg, math.hypot(_RECKONED_REL_SD * put_in_kg, filled.water_kg_sd, filled.koh_kg_sd))
    most_kg = min(MASS_KG[1], 10.0 * put_in_kg)
    if not MASS_KG[0] <= weighed_kg <= most_kg:
        raise BadCorrection(
            tr(
                "The mass of the batch is {mass:g} kg; between {low:g} and {high:.0f} kg is allowed for a recipe of "
                "{put_in:.1f} kg, so look at the unit, and take the bucket's own weight off.",
                mass=weighed_kg,
                low=MASS_KG[0],
                high=most_kg,
                put_in=put_in_kg,
            )
        )
    return Mass(weighed_kg, _WEIGHED_REL_SD * weighed_kg)


@dataclass(frozen=True, slots=True)
class _Case:
    """One batch with what was measured; the methods turn shares into grams."""

    recipe: Recipe
    filled: Filled
    mass: Mass
    part: float
    cause: str
    alkali: Share | None
    oil: Share | None
    temperature_c: float | None
    diluted: bool
    vessel: Vessel | None

    def grams(self, share: Share) -> tuple[float, float]:
        """Grams in the batch, and one sd."""
        grams = 10.0 * share.percent * self.mass.kg
        return grams, math.hypot(10.0 * share.sd * self.mass.kg, grams * self.mass.sd_kg / self.mass.kg)

    @property
    def oil_put_in_g(self) -> float:
        """Oil that went into what is still there."""
        return 1000.0 * self.filled.oil_kg * self.part


def correct(
    recipe: Recipe,
    mass: Mass,
    cause: str = "unknown",
    *,
    alkali: Share | None = None,
    oil: Share | None = None,
    water_added_kg: float = 0.0,
    temperature_c: float | None = None,
    vessel: Vessel | None = None,
) -> Correction:
    """What to do with a batch of ``recipe`` that is ``mass`` now, by its likely ``cause`` (one of CAUSES).

    ``alkali``: measured free alkali, % KOH; ``oil``: measured free oil, %; None where nobody measured it.
    ``water_added_kg``: water put in after the making (it is diluted then). Raises BadCorrection for figures that cannot
    be of this batch.
    """
    if cause not in CAUSES:
        raise BadCorrection(
            tr('"{cause}" is no cause; it may be one of: {causes}.', cause=cause, causes=", ".join(CAUSES))
        )
    filled = fill_in(recipe, vessel)
    part = min(1.0, mass.kg / (filled.mass_kg + water_added_kg))
    case = _Case(
        recipe, filled, mass, part, cause, alkali, oil, temperature_c, water_added_kg > 0.0, vessel
    )
    _check(case)
    if alkali is None:
        return _without_a_test(case)
    if cause == "split":
        return _made(
            case,
            "blend",
            [tr("A sample of a batch that has split says little of the whole: blend the layer in first, then test.")],
        )
    if alkali.low > ALKALI_WANTED_PERCENT:
        return _too_much_alkali(case, alkali)
    if alkali.high > ALKALI_WANTED_PERCENT:
        return _made(
            case,
            "test",
            [
                tr(
                    "Free alkali is {range} % as KOH: that does not tell whether it is above or below the {limit} % "
                    "that is commonly asked for. Test again with a larger sample or a finer burette, before anything "
                    "is added.",
                    range=percent_span(alkali),
                    limit=_percent(ALKALI_WANTED_PERCENT),
                )
            ],
        )
    return _potash_used_up(case, alkali)


# ---- the cases -----------------------------------------------------------------------------------------------------


def _without_a_test(case: _Case) -> Correction:
    if case.cause in ("poor_blend", "split"):
        return _made(
            case, "blend", [tr("Oil and potash are most likely both still there and have not met: that needs no "
                               "adding, it needs blending.")],
        )  # fmt: skip
    if case.cause == "cold":
        return _made(case, "warm", [tr("It started too cool to carry itself; what has not reacted is still there.")])
    reasons = {
        "short_potash": tr(
            "Where potash is short, more blending brings nothing, and how much is short only a test can tell: no "
            "potash is put in on a guess, for too much of it cannot be seen."
        ),
        "lye_heavy": tr(
            "How much potash is left only a titration tells; oil put in on a guess is too much or too little."
        ),
    }.get(case.cause, tr("The cause is not known, so nothing is put in before a test."))
    more = []
    if case.oil is not None:
        more.append(
            tr("Free oil alone does not say that potash is short: beside it potash may still wait to react.")
        )
    return _made(case, "test", [reasons, *more])


def _too_much_alkali(case: _Case, alkali: Share) -> Correction:
    left_g, left_sd = case.grams(alkali)
    sv = case.filled.sv_mean
    found = tr(
        "Free alkali is {range} % as KOH, in all {grams} of it; {limit} % at the most is commonly asked for.",
        range=percent_span(alkali),
        grams=span(*_ends(left_g, left_sd), "grams"),
        limit=_percent(ALKALI_WANTED_PERCENT),
    )
    net_g, net_sd = left_g, left_sd
    if case.oil is not None:
        oil_g, oil_sd = case.grams(case.oil)
        net_g -= oil_g * sv / 1000.0
        net_sd = math.hypot(net_sd, oil_sd * sv / 1000.0)
        # Less left over than the reading of alkali itself can be wrong, or less than nothing: the oil is there for it.
        if net_g <= _NINETY_PERCENT_SD * net_sd:
            both = tr(
                "Potash and the oil that takes it up are both there: they have not met, or not had the time. Put "
                "nothing in."
            )
            return _made(case, "warm" if case.cause == "cold" else "blend", [found, both])
    if case.cause == "short_potash" and case.oil is None:
        still = tr(
            "So its potash is not used up, whatever was too weak or too little: give it a day more, then test for free "
            "alkali again and for free oil too. Whether it is short of potash cannot be said before."
        )
        return _made(case, "test", [found, still])
    need_g = 1000.0 * net_g / sv
    need_sd = math.hypot(1000.0 * net_sd / sv, need_g * case.filled.sv_rel_sd)
    whole = _range(need_g, need_sd)
    doubt = _perhaps_unreacted(case, left_g - _NINETY_PERCENT_SD * left_sd)
    if doubt:
        only_then = tr(
            "Only if it is still there after that: {grams} of oil would take it up, half first.",
            grams=span(whole.low, whole.high, "grams"),
        )
        return _made(case, "warm" if case.cause == "cold" else "blend", [found, *doubt, only_then])
    if whole.likely > _FAR_OUT * case.oil_put_in_g:
        far = tr(
            "It would take {grams} of oil, against {oil:.0f} g that went in: this is not the recipe as it was entered. "
            "Find out what went in (caustic soda, another potash, a wrong weight) before anything is added.",
            grams=span(whole.low, whole.high, "grams"),
            oil=case.oil_put_in_g,
        )
        return _made(case, "give_up", [found, far])
    return _made(case, "oil", [found], whole=whole, first_g=whole.likely / 2.0)


def _perhaps_unreacted(case: _Case, least_g: float) -> list[str]:
    """Why the alkali is more likely unreacted than too much, where it is; then oil waits."""
    if case.oil is not None and not case.oil.is_found:
        return []
    if case.cause in ("poor_blend", "cold"):
        return [tr("By the likely cause it has not reacted to the end, so the oil for this potash is already there.")]
    if case.oil is not None:
        return []
    if "unweighed_koh" in case.filled.assumed or "unweighed_oil" in case.filled.assumed:
        return []
    balance = lye_balance(case.recipe)
    if least_g > 1.2 * balance.potash_to_spare_g.high * case.part and case.cause != "lye_heavy":
        return [
            tr(
                "By its recipe it could leave {grams:.0f} g of potash at the most once all has reacted: so either it "
                "has not reacted to the end, or something was weighed or poured otherwise than it was entered.",
                grams=balance.potash_to_spare_g.high * case.part,
            )
        ]
    return []


def _potash_used_up(case: _Case, alkali: Share) -> Correction:
    used_up = tr(
        "Free alkali is {range} % as KOH, within the {limit} % that is commonly asked for: what potash there was is "
        "used up where the sample was taken.",
        range=percent_span(alkali),
        limit=_percent(ALKALI_WANTED_PERCENT),
    )
    if case.oil is None:
        if case.cause in ("unknown", "lye_heavy"):
            return _made(case, "none", [used_up])
        unknown = tr(
            "More blending brings no more soap where the potash is used up. Whether oil is left, and how much, needs "
            "a test for free oil; without it no potash is put in."
        )
        return _made(case, "test", [used_up, unknown])
    oil_g, oil_sd = case.grams(case.oil)
    put_in_g = case.oil_put_in_g
    low, high = _ends(oil_g, oil_sd)
    found = tr(
        "Free oil is {grams}, that is {low:.0f} to {high:.0f} % of the oil that went in; 4 to 10 % to spare is the "
        "margin of a usual recipe.",
        grams=span(low, high, "grams"),
        low=100.0 * low / put_in_g,
        high=100.0 * high / put_in_g,
    )
    if low <= SPARE_HIGH * put_in_g:
        spare = (
            tr("It is oil to spare, not a fault. It may cloud or float.")
            if high <= SPARE_HIGH * put_in_g
            else tr("It may all be oil to spare: too little to put caustic into a finished batch for it.")
        )
        return _made(case, "none", [used_up, found, spare])
    strengths = case.filled.strength_points(40)
    weakest, strongest = min(strengths), max(strengths)
    have_g, have_sd = case.grams(alkali)

    def flakes_g(free_oil_g: float, spare: float, strength: float) -> float:
        koh_g = (free_oil_g - spare * put_in_g) * case.filled.sv_mean / 1000.0 - max(0.0, have_g)
        return koh_g / (case.filled.purity * strength)

    likely = flakes_g(oil_g, SPARE_AIM, 1.0)
    # What is aimed at (4 to 10 % to spare) and what the readings can be wrong are both in the range.
    sv_part = case.filled.sv_rel_sd * _NINETY_PERCENT_SD
    least = max(0.0, flakes_g(low, SPARE_HIGH, min(strongest, 1.0 / case.filled.purity)) * (1.0 - sv_part))
    most = flakes_g(high, SPARE_LOW, weakest) * (1.0 + sv_part) + _NINETY_PERCENT_SD * have_sd
    whole = Range(likely, (most - least) / (2.0 * _NINETY_PERCENT_SD), least, likely, most)
    first_g = min(likely / 2.0, least)
    if first_g < 1.0:
        return _made(
            case, "test", [used_up, found, tr("The range of potash begins at nothing: test again before any is added.")]
        )
    return _made(case, "potash", [used_up, found], whole=whole, first_g=first_g)


def _check(case: _Case) -> None:
    """Raise BadCorrection for more alkali or oil than ever went in. Only what was weighed can be held against it."""
    filled = case.filled
    if case.temperature_c is not None and not -30.0 <= case.temperature_c <= 125.0:
        raise BadCorrection(
            tr(
                "The temperature of the batch is {given:degC}; between {low:deg} and {high:degC} is allowed.",
                given=case.temperature_c,
                low=-30.0,
                high=125.0,
            )
        )
    if case.alkali is not None and "unweighed_koh" not in filled.assumed:
        most = 100.0 * filled.koh_kg * case.part / case.mass.kg
        if case.alkali.low > most:
            raise BadCorrection(
                tr(
                    "Free alkali of {percent:.1f} % cannot be: with all its potash unreacted this batch would hold "
                    "{most:.1f} %; look at the method (not in plain water), the strength of the acid and the mass.",
                    percent=case.alkali.percent,
                    most=most,
                )
            )
    if case.oil is not None and "unweighed_oil" not in filled.assumed:
        most = 100.0 * filled.oil_kg * case.part / case.mass.kg
        if case.oil.low > most:
            raise BadCorrection(
                tr(
                    "Free oil of {percent:.0f} % cannot be: with all its oil unreacted this batch would hold "
                    "{most:.0f} %; look at the back-titration and the mass.",
                    percent=case.oil.percent,
                    most=most,
                )
            )


# ---- the words -----------------------------------------------------------------------------------------------------


def _made(
    case: _Case, plan: str, reasons: list[str], *, whole: Range | None = None, first_g: float | None = None
) -> Correction:
    water_g = None if plan != "potash" or first_g is None else _water(first_g)
    fits = _fits(case, whole.high) if plan == "oil" and whole is not None else None
    makers: dict[str, Callable[..., list[str]]] = {
        "none": _steps_none,
        "test": _steps_test,
        "blend": _steps_blend,
        "warm": _steps_warm,
        "oil": _steps_oil,
        "potash": _steps_potash,
        "give_up": _steps_give_up,
    }
    steps = makers[plan](case, whole, first_g, water_g, fits)
    return Correction(
        plan, case.cause, whole, first_g, water_g, fits, tuple(reasons), tuple(steps), give_up_sentences(),
        # The bucket's litres say nothing here but whether the oil fits, which is then left open.
        tuple(assumed for assumed in case.filled.assumed if assumed != "unknown_bucket"),
    )  # fmt: skip


def _water(flakes_g: float) -> tuple[float, float]:
    return flakes_g * WATER_PER_FLAKES[0], flakes_g * WATER_PER_FLAKES[1]


def _steps_none(case: _Case, *_: object) -> list[str]:
    return [
        tr("Put nothing in."),
        tr(
            "One sample speaks for the place it was taken from, corners can hide lye: take three, from the middle, the "
            "edge and the bottom."
        ),
    ]


def _steps_test(case: _Case, *_: object) -> list[str]:
    return [
        tr("Put nothing in yet. Take a sample from three places, goggles and gloves on, and mix the three."),
        tr(
            "Free alkali: titrate in neutralised alcohol or by the barium chloride method (for potash soap the one of "
            "ISO 456). Alcohol burns: no flame. Barium chloride is poisonous: gloves, and it goes to the chemical "
            "waste."
        ),
        tr(NOT_IN_WATER),
        tr(
            "Free oil: boil a weighed sample with a measured excess of alcoholic potash, the same without a sample as "
            "the blank, and titrate both back with acid. A laboratory does both for a fee."
        ),
    ]


def _steps_blend(case: _Case, *_: object) -> list[str]:
    if case.diluted:
        return [
            tr("Goggles and gloves. Stir by hand or with a drill at low speed, into the corners, so that nothing "
               "splashes; again each hour, five or six times."),
            _tested_after_a_day(),
        ]  # fmt: skip
    return [
        *_cool_first(case),
        tr("Goggles, gloves, visor. Probe out, and the cable out of reach of the blade. Note it."),
        tr(
            "Soft or runny, below {75:degC}: blend 5 to 10 minutes, the head under the surface, until it is even and "
            "no oil shows; take a layer on the bottom up with it."
        ),
        tr(
            "Stiff as butter: a hand blender stalls in it. Cut it into pieces and work it through with a slow drill "
            "and a paddle; warm paste is easier than cold."
        ),
        tr("Probe back in right after, lid loosely on, and note the blend: the tool then watches for a second heat."),
        tr(
            "It is easier and surer today than tomorrow; what has not reacted keeps its heat, so it is not lost later "
            "either."
        ),
        _tested_after_a_day(),
    ]


def _steps_warm(case: _Case, *_: object) -> list[str]:
    return [
        *_cool_first(case),
        tr(
            "Keep it warm, at {30:deg} to {45:degC} if you can: a blanket or a box round it, a warm room. No flame, "
            "and no heater in the bucket or against it. The lid loosely on."
        ),
        tr(
            "Look after some hours, visor and gloves on. Oil on top or runny, and below {75:degC}: probe out, blend "
            "again, probe in. Firm and even: leave it."
        ),
        _tested_after_a_day(),
    ]


def _steps_oil(
    case: _Case, whole: Range | None, first_g: float | None, _water_g: object, fits: bool | None
) -> list[str]:
    assert whole is not None and first_g is not None
    lines = [
        *_cool_first(case),
        tr(
            "In all {whole} of the oil that it was made of takes it up. Half first: weigh {first:grams} of it, at room "
            "temperature or a little warmer.",
            whole=span(whole.low, whole.high, "grams"),
            first=first_g,
        ),
    ]
    if fits is False:
        lines.append(
            tr("With it the bucket would be fuller than it may be when it is worked: share it between two buckets "
               "first, when it is cold.")
        )  # fmt: skip
    lines.append(
        tr("Goggles, gloves. Stir it in at low speed, into the corners; diluted soap takes it up slowly, so stir on "
           "several times that day.")
        if case.diluted
        else tr("Goggles, gloves, visor, probe out. Blend it in below {75:degC}, the head under the surface; stiff "
                "paste is cut and worked with a slow drill. Probe back in, lid loosely on: it warms again.")
    )  # fmt: skip
    lines += [_tested_after_a_day(), _then_the_rest()]
    return lines


def _steps_potash(
    case: _Case, whole: Range | None, first_g: float | None, water_g: tuple[float, float] | None, _fits: object
) -> list[str]:
    assert whole is not None and first_g is not None and water_g is not None
    return [
        *_cool_first(case),
        tr(
            "In all {whole} of your potash, at {purity:.0f} % on its bag, would take the oil down to its usual margin. "
            "Half first, and never more than is surely missing: weigh {first:grams} of it, twice.",
            whole=span(whole.low, whole.high, "grams"),
            purity=100.0 * case.filled.purity,
            first=first_g,
        ),
        tr(
            "Goggles, gloves, visor. Take {water} of cold soft water first, then the potash into it in small portions, "
            "stirring. It becomes hot by itself. Wait until it is clear and cold.",
            water=span(*water_g, "grams"),
        ),
        tr("Stir the cold, clear lye in slowly at low speed, into the corners.")
        if case.diluted
        else tr(
            "Probe out. Pour the cold, clear lye over the paste slowly and work it in just until it is even, below "
            "{75:degC}; stiff paste is cut and worked with a slow drill. This is mixing, not more blending: that "
            "brings nothing where potash is short. Probe back in, lid loosely on."
        ),
        _tested_after_a_day(),
        _then_the_rest(),
    ]


def _steps_give_up(case: _Case, *_: object) -> list[str]:
    return [tr("Put nothing more in."), *_harmless()]


def _cool_first(case: _Case) -> list[str]:
    if case.temperature_c is not None and case.temperature_c >= _BLEND_BELOW_C:
        return [
            tr("It is at {now:degC}: above about {75:degC} it reacts by itself and spits. Wait, the lid loosely on, "
               "until it is cooler.", now=case.temperature_c)
        ]  # fmt: skip
    return []


def _tested_after_a_day() -> str:
    return tr("Wait a day, then test for free alkali again, from three places.")


def _then_the_rest() -> str:
    return tr("Only by that test the rest, by halves again, reckoned anew: not the other half unseen.")


def give_up_sentences() -> tuple[str, ...]:
    """When to give a batch up, and what to do with it then."""
    return (
        tr(
            "Give it up when two corrections have not brought it there, when nobody knows what went in (caustic soda, "
            "cleaner, the wrong bag), or when aluminium, zinc or anything foreign was in it."
        ),
        *_harmless(),
    )


def _harmless() -> list[str]:
    return [
        tr(
            "Leave it in its bucket, the lid loosely on until it is cold and works no more. Write on it: caustic, "
            "potassium hydroxide and soap, the date; keep it from children, animals and frost."
        ),
        tr(
            "Hand it in as caustic waste, by section 13 of the potash's safety data sheet and your local rules; ask "
            "your collection point before you carry it there. Not into a drain, a ditch, the soil or the compost; "
            "diluting does not neutralise it."
        ),
        tr(
            "No recipe for neutralising it with acid stands here: it heats, foams and spatters, and belongs to people "
            "equipped for it."
        ),
    ]


# ---- figures -------------------------------------------------------------------------------------------------------


def percent_span(share: Share) -> str:
    """ "0.28 to 0.36", or "less than 0.05" where nothing stands out: per cent, with as many figures as it is good for.
    """
    if not share.is_found:
        return tr("less than {high}", high=_percent(share.high))
    return tr("{low} to {high}", low=_percent(share.low), high=_percent(share.high))


def _percent(value: float) -> str:
    return number(value, 1 if value >= 10.0 else 2)


def _ends(grams: float, sd: float) -> tuple[float, float]:
    return max(0.0, grams - _NINETY_PERCENT_SD * sd), max(0.0, grams + _NINETY_PERCENT_SD * sd)


def _range(mean: float, sd: float) -> Range:
    low, high = _ends(mean, sd)
    return Range(mean, sd, low, mean, high)


def _fits(case: _Case, more_g: float) -> bool | None:
    litres = None if case.vessel is None else case.vessel.litres
    if litres is None:
        return None
    # Paste and diluted soap are near 1 kg/L, oil is 0.92.
    volume_l = max(case.mass.kg, mix_volume_l(case.filled) * case.part) + more_g / 920.0
    return volume_l <= litres * (FULLEST_WHEN_DILUTED if case.diluted else FULLEST_WHEN_BLENDED)

