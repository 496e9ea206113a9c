"""Numbers and findings as the maker's words; what is not known stays unsaid or is named as unknown. Pure.

Every phrase comes from `Facts`, which turns away whatever is missing, not finite or of the wrong kind, so that no
"None" and no "nan" ever reaches a screen.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from numbers import Real

from monitor.words import US as US_UNITS
from monitor.words import mark, quantity, tr, trc, trn, voice

# A normal distribution holds 90 % within 1.645 standard deviations (any table of it): the "5 to 95 %" of the design.
_NINETY_PERCENT_SD = 1.645

# Above this the paste reacts by itself and spits when blended or stirred. Common practice.
BLEND_LIMIT_C = 75.0
# From here on a rising paste may stand above that limit by the time somebody reads the message and is there.
_NEARLY_TOO_HOT_C = 60.0
# A batch above this has its own alarm, so no good one is said to stand there (design, alarm kinds).
_GOOD_AT_MOST_C = 95.0


class Facts:
    """The facts of a condition, read one by one; None for what is missing or makes no sense."""

    def __init__(self, values: Mapping[str, object]) -> None:
        self._values = values

    def number(self, name: str) -> float | None:
        """A finite number, else None."""
        return finite(self._values.get(name))

    def text(self, name: str) -> str:
        """A text without line breaks, else ''."""
        value = self._values.get(name)
        return " ".join(value.split()) if isinstance(value, str) else ""

    def flag(self, name: str) -> bool | None:
        """True or False, else None."""
        value = self._values.get(name)
        return value if isinstance(value, bool) else None

    def pair(self, name: str) -> tuple[float, float] | None:
        """Two finite numbers, lower first, else None."""
        value = self._values.get(name)
        if not isinstance(value, (tuple, list)) or len(value) != 2:
            return None
        low, high = finite(value[0]), finite(value[1])
        return None if low is None or high is None else (min(low, high), max(low, high))


def finite(value: object) -> float | None:
    """The value as a float when it is a finite number, else None."""
    if isinstance(value, bool) or not isinstance(value, Real):
        return None
    number = float(value)
    return number if math.isfinite(number) else None


def degrees(temperature_c: float) -> str:
    """'52 °C', in the units spoken."""
    return quantity(temperature_c, "degC")


def duration(minutes: float) -> str:
    """'25 min', '3 h', '2 days': as exact as a person says it."""
    minutes = max(0.0, minutes)
    if minutes < 100:
        return tr("{n} min", n=round(minutes))
    if minutes < 36 * 60:
        return tr("{n} h", n=round(minutes / 60))
    return trn("{n} day", "{n} days", round(minutes / 1440))


def percent_with_range(fraction: object, sd: object) -> str:
    """'about 62 % (52 to 72)', the range holding 90 %; '' when either is missing: never a share without its range."""
    middle, spread = finite(fraction), finite(sd)
    if middle is None or spread is None:
        return ""
    half = max(0.01, _NINETY_PERCENT_SD * abs(spread))
    middle = min(1.0, max(0.0, middle))
    low, high = max(0.0, middle - half), min(1.0, middle + half)
    if high - low > 0.6:
        return tr("somewhere between {low:.0f} and {high:.0f} %", low=low * 100, high=high * 100)
    return tr("about {middle:.0f} % ({low:.0f} to {high:.0f})", middle=middle * 100, low=low * 100, high=high * 100)


def after_what(facts: Facts) -> str:
    """'25 min after blending', or after the pour when no blend is known, or ''."""
    since_blend = facts.number("minutes_since_blend")
    if since_blend is not None:
        return tr("{time} after blending", time=duration(since_blend))
    since_pour = facts.number("minutes_since_pour")
    if since_pour is None:
        hours = facts.number("hours_since_pour")
        since_pour = None if hours is None else hours * 60
    return "" if since_pour is None else tr("{time} after the pour", time=duration(since_pour))


def heat_now(facts: Facts) -> str:
    """'52 °C and falling 6 °C an hour', or that the temperature is not known."""
    temperature_c = facts.number("temperature_c")
    if temperature_c is None:
        return tr("its temperature is not known")
    if facts.flag("temperature_reckoned") is True:
        return tr("no probe reads the paste, by reckoning about {temperature_c:degC}", temperature_c=temperature_c)
    rate = facts.number("rate_k_per_h")
    fast = _FAST.get(facts.text("direction"))
    if fast is None or rate is None or abs(rate) < 1:
        return heat_and_direction(facts, temperature_c)
    per_minute, per_hour = abs(rate) / 60, abs(rate)
    if per_minute >= 1:
        return tr(fast[0], temperature_c=temperature_c, rate=per_minute)
    return tr(fast[1], temperature_c=temperature_c, rate=per_hour)


_FAST = {
    "rising": (
        mark("{temperature_c:degC} and rising {rate:dC} a minute"),
        mark("{temperature_c:degC} and rising {rate:dC} an hour"),
    ),
    "falling": (
        mark("{temperature_c:degC} and falling {rate:dC} a minute"),
        mark("{temperature_c:degC} and falling {rate:dC} an hour"),
    ),
}
_MOVING = {
    "rising": mark("{temperature_c:degC} and rising"),
    "falling": mark("{temperature_c:degC} and falling"),
    "steady": mark("{temperature_c:degC} and steady"),
}


def heat_and_direction(facts: Facts, temperature_c: float) -> str:
    """'52 °C and falling', or the degrees alone where the direction is not known."""
    moving = _MOVING.get(facts.text("direction"))
    return degrees(temperature_c) if moving is None else tr(moving, temperature_c=temperature_c)


def heat_short(facts: Facts) -> str:
    """As `heat_now` without the rate, for a lock screen; '' when not known."""
    temperature_c = facts.number("temperature_c")
    if temperature_c is None:
        return ""
    if facts.flag("temperature_reckoned") is True:
        return tr("no reading, by reckoning {temperature_c:degC}", temperature_c=temperature_c)
    return heat_and_direction(facts, temperature_c)


def good_now(facts: Facts, otherwise: str = "") -> str:
    """'a good one stands at 75 to 88', or ``otherwise`` when no band is known."""
    band = _good_band(facts)
    if band is None:
        return otherwise
    return tr("a good one stands at {low:deg} to {high:deg} now", low=band[0], high=band[1])


def _good_band(facts: Facts) -> tuple[float, float] | None:
    low, high = facts.number("good_low_c"), facts.number("good_high_c")
    if low is None or high is None:
        return None
    return min(low, high, _GOOD_AT_MOST_C), min(max(low, high), _GOOD_AT_MOST_C)


def fits_a_good_one(facts: Facts, probability: float) -> str:
    """Where the degrees alone would fit a good batch: that it is the course of the heat that speaks against it."""
    band, temperature_c = _good_band(facts), facts.number("temperature_c")
    if facts.flag("temperature_reckoned") is True:
        return ""
    if band is None or temperature_c is None or not round(band[0]) <= round(temperature_c) <= round(band[1]):
        return ""
    if probability >= 0.5:
        return tr("The degrees alone would fit a good one; the course of the heat likely does not.")
    return tr("The degrees alone would fit a good one; the course of the heat leaves doubt.")


def cover_and_lid(facts: Facts) -> str:
    """'Last noted: bare, lid on.'"""
    cover = {
        "bare": trc("cover as last noted", "no cover"),
        "blanket": trc("cover as last noted", "under a blanket"),
        "box": trc("cover as last noted", "in its box"),
        "covered": trc("cover as last noted", "covered"),
    }.get(facts.text("cover"), facts.text("cover"))
    lid = {"on": tr("lid on"), "off": tr("lid off")}.get(facts.text("lid"), "")
    noted = ", ".join(word for word in (cover, lid) if word)
    return tr("Last noted: {noted}.", noted=noted) if noted else tr("Cover and lid: nothing noted.")


_CAUSES = {
    "poor_blend": mark("the blend was poor (a split looks much the same from the heat)"),
    "split": mark("it has split (a poor blend looks much the same from the heat)"),
    "short_potash": mark("weak or short potash"),
    "cold": mark("it was poured too cool"),
}
_CAUSE_ALIASES = {"separated": "split", "weak_potash": "short_potash", "weak": "short_potash", "poured_cold": "cold"}


def cause_id(facts: Facts) -> str:
    """One of poor_blend, split, short_potash, cold, or 'unknown'."""
    cause = facts.text("cause")
    cause = _CAUSE_ALIASES.get(cause, cause)
    return cause if cause in _CAUSES else "unknown"


def likely_cause(facts: Facts) -> str:
    """The cause as likely, never as sure."""
    cause = cause_id(facts)
    if cause == "unknown":
        return tr("The heat alone does not show the cause.")
    probability = facts.number("cause_probability")
    if probability is not None and probability < 0.5:
        return tr("Perhaps, not surely: {cause}.", cause=tr(_CAUSES[cause]))
    return tr("Likely, not surely: {cause}.", cause=tr(_CAUSES[cause]))


def short_of_potash(facts: Facts) -> bool:
    """Whether weak or short potash is the likely cause: that is never answered with another blend."""
    return cause_id(facts) == "short_potash"


def blending_in_doubt(facts: Facts) -> str:
    """That the heat does not tell whether another blend would help, where it does not; then the look decides."""
    if facts.flag("reblend_helps") is not False:
        return ""
    return tr(
        "The heat does not tell whether blending again would help, and where potash is short it does not: go by the "
        "look."
    )


def too_hot_to_blend(facts: Facts) -> bool:
    """Whether any part of the paste stands above what may be blended, as it would be printed."""
    known = (facts.number("temperature_c"), facts.number("hottest_c"))
    return any(round(value) > BLEND_LIMIT_C - 1 for value in known if value is not None)


def soon_too_hot_to_blend(facts: Facts) -> bool:
    """Whether it may stand above that by the time somebody is there, or nobody knows how warm it is."""
    known = [value for value in (facts.number("temperature_c"), facts.number("hottest_c")) if value is not None]
    unread = facts.flag("temperature_reckoned") is True
    return not known or unread or (max(known) >= _NEARLY_TOO_HOT_C and facts.text("direction") != "falling")


def potash_left(facts: Facts) -> str:
    """'Potash left ...' as a range, apart from completeness; '' when not known."""
    left = facts.pair("potash_left_g_l")
    if left is None or left[1] < 0:
        return ""
    low, high = max(0.0, left[0]), left[1]
    if voice().units == US_UNITS:
        if low < 0.05:
            return tr(
                "Potash left: up to {high:g_per_l} after dilution, more if the potash was stronger than entered.",
                high=high,
            )
        return tr(
            "Potash left: {low:per_l} to {high:g_per_l} after dilution, more if the potash was stronger than "
            "entered.",
            low=low, high=high,
        )  # fmt: skip
    if low < 0.05:
        return tr(
            "Potash left: up to {high:.1f} g in each litre after dilution, more if the potash was stronger than "
            "entered.",
            high=high,
        )
    return tr(
        "Potash left: {low:.1f} to {high:.1f} g in each litre after dilution, more if the potash was stronger than "
        "entered.",
        low=low, high=high,
    )  # fmt: skip


def may_wait(facts: Facts, urgency: str) -> str:
    """Whether it may wait till morning, as far as anybody has said."""
    wait = facts.flag("can_wait_until_morning")
    if wait is None:
        return tr("It may wait until morning.") if urgency != "now" else ""
    return tr("It may wait until morning.") if wait else tr("It should not wait until morning.")


def clip(text: str, most: int) -> str:
    """The text, cut to ``most`` characters with an ellipsis when it is longer."""
    return text if len(text) <= most else text[: max(0, most - 1)].rstrip() + "…"


def sentences(*parts: str) -> str:
    """Join what is not empty with blanks."""
    return " ".join(part for part in parts if part)


_GUESSED = {
    "no_ambient": mark("no probe in the air, so the air's temperature is guessed"),
    "pour_temperature": mark("the temperature at the pour was not noted"),
    "blend_time": mark("the time of the blend was not noted"),
    "unweighed_koh": mark("the potash was not weighed"),
    "koh_kg": mark("the potash was not weighed"),
    "koh_purity": mark("the potash's purity was not given"),
    "unknown_purity": mark("the potash's purity was not given"),
    "pour_time": mark("the time of the pour was not noted"),
    "vessel": mark("the bucket's size was not given"),
    "unknown_bucket": mark("the bucket's size was not given"),
    "unweighed_oil": mark("the oil was not weighed"),
    "unweighed_oils": mark("the oil was not weighed"),
    "oil_kg": mark("the oil was not weighed"),
    "unweighed_water": mark("the water was not weighed"),
    "water_kg": mark("the water was not weighed"),
    "unknown_oil": mark("the oil is not in the table"),
    "litres": mark("the bucket's size was not given"),
}


def guessed(assumed: tuple[str, ...]) -> str:
    """'Less certain: the potash was not weighed; ...', naming each guess; '' when nothing was guessed."""
    words = [
        tr(_GUESSED[name]) if name in _GUESSED else name.replace("_", " ").strip() for name in assumed if name.strip()
    ]
    named = list(dict.fromkeys(words))
    return tr("Less certain, because: {reasons}.", reasons="; ".join(named)) if named else ""


_PROBE_PROBLEMS = {
    "open": mark("has no contact (cable, plug or junction)"),
    "short-gnd": mark("is shorted (wet plug or bare wire)"),
    "short-vcc": mark("is shorted (wet plug or bare wire)"),
    "short": mark("is shorted (wet plug or bare wire)"),
    "lost": mark("is lost: nothing usable comes from it"),
    "never-in": mark("has read only air since the blend: it is not in the paste yet"),
    "stuck": mark("shows one and the same value while the batch moves"),
    "noise": mark("jumps about and cannot be believed"),
    "noisy": mark("jumps about and cannot be believed"),
    "out-of-paste": mark("reads the air: it has come out of the paste"),
    "reads-air": mark("reads the air: it has come out of the paste"),
    "air": mark("reads the air: it has come out of the paste"),
    "out-of-range": mark("gives values that no bucket can have"),
    "range": mark("gives values that no bucket can have"),
    "rate": mark("gives jumps that no bucket can make"),
    "spike": mark("gives jumps that no bucket can make"),
    "power-on": mark("sends the value of a sensor that has just started"),
    "polarity": mark("falls as the batch warms: its wires are likely swapped"),
    "reversed": mark("falls as the batch warms: its wires are likely swapped"),
    "silent": mark("sends nothing"),
    "ok": mark("reads well"),
}


def probe_problem(problem: str) -> str:
    """What is wrong with a probe, in words: 'has no contact (cable, plug or junction)'."""
    known = _PROBE_PROBLEMS.get(problem) or _PROBE_PROBLEMS.get(problem.replace("_", "-"))
    if known:
        return tr(known)
    words = problem.replace("_", " ").replace("-", " ").strip()
    return tr("cannot be believed ({why})", why=words) if words else tr("cannot be believed")
