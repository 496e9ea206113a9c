"""Numbers and findings as the maker's words; what is not known stays unsaid or is named as unknown. Pure.

Every phrase comes from `Facts`, which turns away whatever is missing, not finite or of the wrong kind, so that no
"None" and no "nan" ever reaches a screen.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from numbers import Real

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


def whole(value: float) -> str:
    """A whole number without the minus sign of a rounded -0.4."""
    return f"{round(value) + 0:d}"


def degrees(temperature_c: float) -> str:
    """'52 °C'."""
    return f"{whole(temperature_c)} °C"


def duration(minutes: float) -> str:
    """'25 min', '3 h', '2 days': as exact as a person says it."""
    minutes = max(0.0, minutes)
    if minutes < 100:
        return f"{whole(minutes)} min"
    if minutes < 36 * 60:
        return f"{whole(minutes / 60)} h"
    return f"{whole(minutes / 1440)} days"


def percent_with_range(fraction: object, sd: object) -> str:
    """'about 62 % (52 to 72)', the range holding 90 %; '' when either is missing: never a share without its range."""
    middle, spread = finite(fraction), finite(sd)
    if middle is None or spread is None:
        return ""
    half = max(0.01, _NINETY_PERCENT_SD * abs(spread))
    middle = min(1.0, max(0.0, middle))
    low, high = max(0.0, middle - half), min(1.0, middle + half)
    if high - low > 0.6:
        return f"somewhere between {whole(low * 100)} and {whole(high * 100)} %"
    return f"about {whole(middle * 100)} % ({whole(low * 100)} to {whole(high * 100)})"


def after_what(facts: Facts) -> str:
    """'25 min after blending', or after the pour when no blend is known, or ''."""
    since_blend = facts.number("minutes_since_blend")
    if since_blend is not None:
        return f"{duration(since_blend)} after blending"
    since_pour = facts.number("minutes_since_pour")
    if since_pour is None:
        hours = facts.number("hours_since_pour")
        since_pour = None if hours is None else hours * 60
    return "" if since_pour is None else f"{duration(since_pour)} after the pour"


def heat_now(facts: Facts) -> str:
    """'52 °C and falling 6 °C an hour', or that the temperature is not known."""
    temperature_c = facts.number("temperature_c")
    if temperature_c is None:
        return "its temperature is not known"
    if facts.flag("temperature_reckoned") is True:
        return f"no probe reads the paste, by reckoning about {degrees(temperature_c)}"
    direction = {"rising": " and rising", "falling": " and falling", "steady": " and steady"}.get(
        facts.text("direction"), ""
    )
    rate = facts.number("rate_k_per_h")
    if direction in (" and rising", " and falling") and rate is not None and abs(rate) >= 1:
        per_minute = abs(rate) / 60
        fast = f"{per_minute:.0f} °C a minute" if per_minute >= 1 else f"{whole(abs(rate))} °C an hour"
        direction = f"{direction} {fast}"
    return degrees(temperature_c) + direction


def heat_short(facts: Facts) -> str:
    """As `heat_now` without the rate, for a lock screen; '' when not known."""
    temperature_c = facts.number("temperature_c")
    if temperature_c is None:
        return ""
    if facts.flag("temperature_reckoned") is True:
        return f"no reading, by reckoning {degrees(temperature_c)}"
    direction = facts.text("direction")
    return degrees(temperature_c) + (f" and {direction}" if direction in ("rising", "falling", "steady") else "")


def good_now(facts: Facts, otherwise: str = "") -> str:
    """'a good one stands at 75 to 88', or ``otherwise`` when no band is known."""
    band = _good_band(facts)
    return otherwise if band is None else f"a good one stands at {whole(band[0])} to {whole(band[1])} now"


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
        return "The degrees alone would fit a good one; the course of the heat likely does not."
    return "The degrees alone would fit a good one; the course of the heat leaves doubt."


def cover_and_lid(facts: Facts) -> str:
    """'Last noted: bare, lid on.'"""
    cover = {"bare": "no cover", "blanket": "under a blanket", "box": "in its box", "covered": "covered"}.get(
        facts.text("cover"), facts.text("cover")
    )
    lid = {"on": "lid on", "off": "lid off"}.get(facts.text("lid"), "")
    noted = ", ".join(word for word in (cover, lid) if word)
    return f"Last noted: {noted}." if noted else "Cover and lid: nothing noted."


_CAUSES = {
    "poor_blend": "the blend was poor (a split looks much the same from the heat)",
    "split": "it has split (a poor blend looks much the same from the heat)",
    "short_potash": "weak or short potash",
    "cold": "it was poured too cool",
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
        return "The heat alone does not show the cause."
    probability = facts.number("cause_probability")
    likely = "Perhaps" if probability is not None and probability < 0.5 else "Likely"
    return f"{likely}, not surely: {_CAUSES[cause]}."


def short_of_potash(facts: Facts) -> bool:
    """Whether weak or short potash is the likely cause: that is never answered with another blend."""
    return cause_id(facts) == "short_potash"


def blending_in_doubt(facts: Facts) -> str:
    """That the heat does not tell whether another blend would help, where it does not; then the look decides."""
    if facts.flag("reblend_helps") is not False:
        return ""
    return (
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
    grams = f"up to {high:.1f}" if low < 0.05 else f"{low:.1f} to {high:.1f}"
    return f"Potash left: {grams} g in each litre after dilution, more if the potash was stronger than entered."


def may_wait(facts: Facts, urgency: str) -> str:
    """Whether it may wait till morning, as far as anybody has said."""
    wait = facts.flag("can_wait_until_morning")
    if wait is None:
        return "It may wait until morning." if urgency != "now" else ""
    return "It may wait until morning." if wait else "It should not wait until morning."


def clip(text: str, most: int) -> str:
    """The text, cut to ``most`` characters with an ellipsis when it is longer."""
    return text if len(text) <= most else text[: max(0, most - 1)].rstrip() + "…"


def sentences(*parts: str) -> str:
    """Join what is not empty with blanks."""
    return " ".join(part for part in parts if part)


_GUESSED = {
    "no_ambient": "no probe in the air, so the air's temperature is guessed",
    "pour_temperature": "the temperature at the pour was not noted",
    "blend_time": "the time of the blend was not noted",
    "unweighed_koh": "the potash was not weighed",
    "koh_kg": "the potash was not weighed",
    "koh_purity": "the potash's purity was not given",
    "unknown_purity": "the potash's purity was not given",
    "pour_time": "the time of the pour was not noted",
    "vessel": "the bucket's size was not given",
    "unknown_bucket": "the bucket's size was not given",
    "unweighed_oil": "the oil was not weighed",
    "unweighed_oils": "the oil was not weighed",
    "oil_kg": "the oil was not weighed",
    "unweighed_water": "the water was not weighed",
    "water_kg": "the water was not weighed",
    "unknown_oil": "the oil is not in the table",
    "litres": "the bucket's size was not given",
}


def guessed(assumed: tuple[str, ...]) -> str:
    """'Less certain: the potash was not weighed; ...', naming each guess; '' when nothing was guessed."""
    words = [_GUESSED.get(name, name.replace("_", " ").strip()) for name in assumed if name.strip()]
    named = list(dict.fromkeys(words))
    return f"Less certain, because: {'; '.join(named)}." if named else ""


_PROBE_PROBLEMS = {
    "open": "has no contact (cable, plug or junction)",
    "short-gnd": "is shorted (wet plug or bare wire)",
    "short-vcc": "is shorted (wet plug or bare wire)",
    "short": "is shorted (wet plug or bare wire)",
    "lost": "is lost: nothing usable comes from it",
    "never-in": "has read only air since the blend: it is not in the paste yet",
    "stuck": "shows one and the same value while the batch moves",
    "noise": "jumps about and cannot be believed",
    "noisy": "jumps about and cannot be believed",
    "out-of-paste": "reads the air: it has come out of the paste",
    "reads-air": "reads the air: it has come out of the paste",
    "air": "reads the air: it has come out of the paste",
    "out-of-range": "gives values that no bucket can have",
    "range": "gives values that no bucket can have",
    "rate": "gives jumps that no bucket can make",
    "spike": "gives jumps that no bucket can make",
    "power-on": "sends the value of a sensor that has just started",
    "polarity": "falls as the batch warms: its wires are likely swapped",
    "reversed": "falls as the batch warms: its wires are likely swapped",
    "silent": "sends nothing",
    "ok": "reads well",
}


def probe_problem(problem: str) -> str:
    """What is wrong with a probe, in words: 'has no contact (cable, plug or junction)'."""
    known = _PROBE_PROBLEMS.get(problem) or _PROBE_PROBLEMS.get(problem.replace("_", "-"))
    if known:
        return known
    words = problem.replace("_", " ").replace("-", " ").strip()
    return f"cannot be believed ({words})" if words else "cannot be believed"
