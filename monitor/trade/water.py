"""Water: its hardness in every usual unit, the soap it takes, whether it will do, and how much rain water helps.

Two mol of soap are lost for each mol of calcium and magnesium, as scum. In the making it is little; where a little soap
meets much water, it is nearly all. No doses and no claims stand here: what is put into the water is the grower's, by
label and law.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from .. import units
from ..words import UNIT_SYSTEMS, mark, number, tr, voice
from .constants import DILUTE_KG_L, DILUTE_SOAP_SHARE_HIGH, DILUTE_SOAP_SHARE_LOW
from .dilution import soap_lost_to_hardness_g

# Unit as ``units.hardness_mmol_l`` knows it -> how it is written, and decimals.
HARDNESS_UNITS: Mapping[str, tuple[str, int]] = {
    "mg/L": (mark("mg/L CaCO3 (ppm)"), 0),
    "dH": (mark("German degrees (°dH)"), 1),
    "fH": (mark("French degrees (°fH)"), 1),
    "eH": (mark("English degrees (°e, Clark)"), 1),
    "gpg": (mark("grains per US gallon (gpg)"), 1),
    "mmol/L": (mark("mmol/L"), 2),
}

# USGS classes, mg/L as CaCO3: up to, and the word.
_CLASSES = (
    (60.0, mark("soft")),
    (120.0, mark("moderately hard")),
    (180.0, mark("hard")),
    (float("inf"), mark("very hard")),
)
SOFT_MG_L = 60.0
# What one may lose in the making without noticing (judgement).
TOLERABLE_SHARE = 0.02
# Soap in a litre of the usual finished liquid, g.
FINISHED_G_PER_L = (DILUTE_SOAP_SHARE_LOW + DILUTE_SOAP_SHARE_HIGH) / 2.0 * DILUTE_KG_L * 1000.0


def in_all_units(mmol_l: float) -> dict[str, float]:
    """The hardness in every unit of HARDNESS_UNITS."""
    return {unit: mmol_l / units.hardness_mmol_l(1.0, unit) for unit in HARDNESS_UNITS}


def class_word(mmol_l: float) -> str:
    """ "soft" to "very hard" by the USGS classes: 60, 120 and 180 mg/L as CaCO3. English; told through ``tr``."""
    mg_l = in_all_units(mmol_l)["mg/L"]
    # A hair above the limit is rounding of the conversion.
    return next(word for limit, word in _CLASSES if mg_l <= limit * (1.0 + 1e-9))


@dataclass(frozen=True, slots=True)
class SoapLoss:
    """Soap that so much water takes, and of how much: ``share`` never passes 1, for more than all cannot be lost."""

    litres: float
    lost_g: float
    soap_g: float

    @property
    def share(self) -> float:
        return min(1.0, self.lost_g / self.soap_g)

    def finished_litres(self, finished_g_per_l: float = FINISHED_G_PER_L) -> float:
        """The loss as litres of finished soap."""
        return self.lost_g / finished_g_per_l


def soap_loss(mmol_l: float, litres: float, soap_g: float) -> SoapLoss:
    """What ``litres`` of water take of ``soap_g`` of soap."""
    return SoapLoss(litres, soap_lost_to_hardness_g(litres, mmol_l), soap_g)


def tolerable_mmol_l(litres: float, soap_g: float, share: float) -> float:
    """The hardness at which ``litres`` take just ``share`` of ``soap_g``."""
    return share * soap_g / soap_lost_to_hardness_g(litres, 1.0)


def rain_share(mmol_l: float, wanted_mmol_l: float, rain_mmol_l: float = 0.0) -> float | None:
    """Share of rain water that brings the mixture down to ``wanted_mmol_l``; None where even rain alone is harder.

    Hardness of a mixture is the mean by volume.
    """
    if mmol_l <= wanted_mmol_l:
        return 0.0
    if rain_mmol_l > wanted_mmol_l:
        return None
    return (mmol_l - wanted_mmol_l) / (mmol_l - rain_mmol_l)


# --- words --------------------------------------------------------------------------------------------------------


def hardness_lines(mmol_l: float) -> tuple[str, ...]:
    """One line for each unit, those of the voice's country first."""
    order = list(HARDNESS_UNITS)
    if voice().units == UNIT_SYSTEMS[1]:
        order.sort(key=lambda unit: unit != "gpg")
    values = in_all_units(mmol_l)
    return tuple(
        tr("{value} {unit}", value=number(values[unit], HARDNESS_UNITS[unit][1]), unit=tr(HARDNESS_UNITS[unit][0]))
        for unit in order
    )


def class_sentence(mmol_l: float) -> str:
    """How hard that is, in a word."""
    return tr("That is {word} water (USGS classes).", word=tr(class_word(mmol_l)))


def making_sentences(loss: SoapLoss, mmol_l: float, tolerable: float, rain_mmol_l: float = 0.0) -> tuple[str, ...]:
    """What the water takes in the dilution, whether it will do, and how much rain water to mix in."""
    first = tr(
        "Making: {litres:litres1} of it for the dilution take {lost:grams} of the {soap:kg1} of soap as scum, "
        "{percent:.1f} %.",
        litres=loss.litres, lost=loss.lost_g, soap=loss.soap_g / 1000.0, percent=100.0 * loss.share,
    )  # fmt: skip
    share = rain_share(mmol_l, tolerable_mmol_l(loss.litres, loss.soap_g, tolerable), rain_mmol_l)
    return first, _will_do(share, tr("for the making"), 100.0 * tolerable)


def spraying_sentences(
    mmol_l: float, *, put_in_g: float | None, tolerable: float, rain_mmol_l: float = 0.0,
    finished_g_per_l: float = FINISHED_G_PER_L,
) -> tuple[str, ...]:  # fmt: skip
    """What 100 litres of it take, as g and as finished soap. ``put_in_g``: the soap that the grower puts into them."""
    loss = soap_loss(mmol_l, 100.0, put_in_g or 1.0)
    lines = [
        tr(
            "Spraying: {100:litres} of it take {lost:grams} of soap, all that is in {finished:litres1} of finished "
            "soap, before any is left to work.",
            lost=loss.lost_g, finished=loss.finished_litres(finished_g_per_l),
        )
    ]  # fmt: skip
    if put_in_g is not None:
        lines.append(
            tr(
                "Of the {soap:grams} that you put into {100:litres} that is {percent:.0f} %.",
                soap=put_in_g, percent=100.0 * loss.share,
            )
        )  # fmt: skip
        if loss.share >= 1.0:
            lines.append(tr("It takes all of it: only scum and no soap would be left."))
        share = rain_share(mmol_l, tolerable_mmol_l(100.0, put_in_g, tolerable), rain_mmol_l)
        lines.append(_will_do(share, tr("for spraying"), 100.0 * tolerable))
    else:
        soft = units.hardness_mmol_l(SOFT_MG_L, "mg/L")
        share = rain_share(mmol_l, soft, rain_mmol_l)
        if share == 0.0:
            lines.append(tr("It is soft: it will do for spraying."))
        elif share is None:
            lines.append(tr("Your rain water is not soft itself: mixing it in does not help enough."))
        else:
            lines.append(
                tr(
                    "It will not do well for spraying: mix in at least {percent:.0f} % rain water, then it is soft "
                    "({limit:.0f} mg/L CaCO3).",
                    percent=_up(100.0 * share), limit=SOFT_MG_L,
                )
            )  # fmt: skip
    return tuple(lines)


def _will_do(share: float | None, what: str, tolerable_percent: float) -> str:
    if share == 0.0:
        return tr(
            "It will do {what}: not more than {percent:g} % of the soap is lost.", what=what, percent=tolerable_percent
        )
    if share is None:
        return tr(
            "It will not do {what}, and your rain water is too hard itself to lose not more than {percent:g} %.",
            what=what, percent=tolerable_percent,
        )  # fmt: skip
    return tr(
        "It will not do {what} as it is: mix in at least {rain:.0f} % rain water to lose not more than {percent:g} %.",
        what=what, rain=_up(100.0 * share), percent=tolerable_percent,
    )  # fmt: skip


def _up(percent: float) -> float:
    """Rounded up: a little more rain water does no harm, a little less does not reach the aim."""
    whole = float(int(percent))
    return whole if percent - whole < 1e-9 else whole + 1.0


def clarity_test() -> tuple[str, ...]:
    """The test with a few drops of soap, for whoever has no figure."""
    return (
        tr(
            "The clarity test: half fill a clear jar with the water, lukewarm. Add five drops of finished soap, close "
            "it, shake it for half a minute, let it stand five minutes."
        ),
        tr("Clear, with a foam that stays: soft enough. Clear below, and the foam falls: use more rain water."),
        tr("Milky, flakes or a grey rim, no foam: hard. The scum that you see is soap that is lost."),
        tr(
            "Then try half and half with rain water, then one part to three: take the first mixture that stays clear. "
            "Mark the jar, and drink from it no more."
        ),
    )
