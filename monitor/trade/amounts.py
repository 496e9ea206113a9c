"""Amounts as people type them: "4.2 kg", "9 lb 4 oz", "3,6 L", "85 %", "133 °F"; the rest gets one clear sentence."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, timedelta

from .. import units
from ..domain import OilShare
from ..words import DATE, mark, tr, when
from .constants import DILUTE_SOAP_SHARE
from .oils import find_oil, kg_from_litres


class BadAmount(ValueError):
    """An amount that cannot be read, or cannot be: one sentence saying what is wrong and how to mend it."""


_KG = {
    "kg": 1.0, "kilo": 1.0, "kilos": 1.0, "kilogram": 1.0, "kilograms": 1.0, "kilogramme": 1.0, "kilogrammes": 1.0,
    "g": 0.001, "gr": 0.001, "gram": 0.001, "grams": 0.001, "gramme": 0.001, "grammes": 0.001,
    "lb": units.KG_PER_LB, "lbs": units.KG_PER_LB, "pound": units.KG_PER_LB, "pounds": units.KG_PER_LB,
    "oz": units.KG_PER_OZ, "ounce": units.KG_PER_OZ, "ounces": units.KG_PER_OZ,
}  # fmt: skip
_LITRES = {
    "l": 1.0, "litre": 1.0, "litres": 1.0, "liter": 1.0, "liters": 1.0, "dl": 0.1, "cl": 0.01,
    "ml": 0.001, "millilitre": 0.001, "millilitres": 0.001, "milliliter": 0.001, "milliliters": 0.001,
    "us gal": units.LITRES_PER_US_GALLON, "us gallon": units.LITRES_PER_US_GALLON,
    "us gallons": units.LITRES_PER_US_GALLON, "gal us": units.LITRES_PER_US_GALLON,
    "imp gal": units.LITRES_PER_IMPERIAL_GALLON, "uk gal": units.LITRES_PER_IMPERIAL_GALLON,
    "imperial gallon": units.LITRES_PER_IMPERIAL_GALLON, "imperial gallons": units.LITRES_PER_IMPERIAL_GALLON,
}  # fmt: skip
# Names that mean two things; each with what to write instead.
_GALLON = mark('a gallon is 3.79 L in the US and 4.55 L in Britain: write "US gal" or "imp gal", or litres')
_FLUID_OUNCE = mark("a fluid ounce is a volume and differs by country: write ml")
_PINT = mark("a pint differs by country: write ml")
_CUP = mark("a cup is no measure for this: weigh it, or write ml")
_SPOON = mark("a spoon is no measure for this: weigh it")
_TWO_MEANINGS = {
    "gal": _GALLON, "gallon": _GALLON, "gallons": _GALLON, "fl oz": _FLUID_OUNCE, "floz": _FLUID_OUNCE,
    "pint": _PINT, "pints": _PINT, "cup": _CUP, "cups": _CUP, "tsp": _SPOON, "tbsp": _SPOON,
    "t": mark("a tonne does not fit a bucket: write kg"),
    "mg": mark("that is finer than any kitchen scale: write g"),
}  # fmt: skip

_PART = re.compile(r"\s*(?P<number>[+\-\u2212]?[\d.,'\u00a0\u202f]+)\s*(?P<unit>[A-Za-z]+(?:[ .][A-Za-z]+)*)?\.?\s*")
MASS_KG = (0.001, 200.0)
VOLUME_L = (0.001, 250.0)
TEMPERATURE_C = (-30.0, 125.0)


@dataclass(frozen=True, slots=True)
class Amount:
    """A mass in kg or a volume in litres; the other is None."""

    kg: float | None = None
    litres: float | None = None


def _line(text: str) -> str:
    """What was typed, on one line, as it stands in a sentence."""
    return " ".join(text.split())


def _number(text: str, field: str) -> float:
    """A number with a decimal point or comma. "1,500" could be either of two things and is refused."""
    plain = text.strip().replace("\u2212", "-").replace("\u00a0", "").replace("\u202f", "").replace("'", "")
    if re.fullmatch(r"[+-]?[1-9]\d{0,2},\d{3}", plain):
        whole = plain.replace(",", "")
        raise BadAmount(
            tr(
                'For {field} "{typed}" may mean {whole} or {decimal}: write one of these without a comma.',
                field=field,
                typed=_line(text),
                whole=whole,
                decimal=plain.replace(",", "."),
            )
        )
    if re.fullmatch(r"[+-]?\d{1,3}(,\d{3})+\.\d+", plain) or re.fullmatch(r"[+-]?\d{1,3}(,\d{3}){2,}", plain):
        plain = plain.replace(",", "")
    plain = plain.replace(",", ".")
    if not re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)", plain):
        raise BadAmount(
            tr('For {field} "{typed}" is not a number: write it like 4.2 or 4,2.', field=field, typed=_line(text))
        )
    return float(plain)


def _parts(text: str, field: str, example: str) -> list[tuple[float, str]]:
    """The (number, unit) pairs of "9 lb 4 oz"; the unit is lower case, "" when missing."""
    found: list[tuple[float, str]] = []
    position = 0
    if not text.strip():
        raise BadAmount(
            tr("{What} is empty: write it like {example}.", What=field[:1].upper() + field[1:], example=example)
        )
    while position < len(text):
        match = _PART.match(text, position)
        if match is None:
            raise BadAmount(
                tr(
                    '"{typed}" cannot be read as {field}: write it like {example}.',
                    typed=_line(text),
                    field=field,
                    example=example,
                )
            )
        unit = re.sub(r"[ .]+", " ", match["unit"] or "").lower()
        found.append((_number(match["number"], field), unit))
        position = match.end()
    return found


def _in_range(value: float, allowed: tuple[float, float], unit: str, field: str, text: str) -> float:
    low, high = allowed
    if value < 0:
        raise _below_nothing(field, text)
    # Amounts come from products such as 200 * 1.0; a hair over the limit is the limit.
    if not low <= value <= high * (1 + 1e-12):
        raise BadAmount(
            tr(
                'For {field} "{typed}" is {value:g} {unit}; between {low:g} and {high:g} {unit} is allowed, so look at '
                "the unit and the decimal point.",
                field=field,
                typed=_line(text),
                value=value,
                low=low,
                high=high,
                unit=unit,
            )
        )
    return value


def _below_nothing(field: str, text: str) -> BadAmount:
    return BadAmount(
        tr('For {field} "{typed}" is below nothing: write the amount without a minus.', field=field, typed=_line(text))
    )


def parse_amount(text: str, field: str = "", default_unit: str | None = None) -> Amount:
    """A typed mass or volume. ``default_unit`` is for a bare number; without it the unit must be written.

    ``field`` says what it is of, in the language spoken ("the potash"). Raises BadAmount, with one sentence.
    """
    field = field or tr("the amount")
    example = tr("4.2 kg, 640 g, 9 lb 4 oz or 3.6 L")
    total_kg = total_l = 0.0
    kinds: set[str] = set()
    parts = _parts(text, field, example)
    for value, written in parts:
        unit = written or (default_unit or "").lower()
        if value < 0:
            raise _below_nothing(field, text)
        if not unit:
            raise BadAmount(
                tr(
                    'For {field} "{typed}" has no unit: write it like {example}.',
                    field=field,
                    typed=_line(text),
                    example=example,
                )
            )
        if unit in _KG:
            kinds.add("mass")
            total_kg += value * _KG[unit]
        elif unit in _LITRES:
            kinds.add("volume")
            total_l += value * _LITRES[unit]
        elif unit in _TWO_MEANINGS:
            raise BadAmount(
                tr(
                    'For {field} "{typed}" is not clear: {why}.',
                    field=field,
                    typed=_line(text),
                    why=tr(_TWO_MEANINGS[unit]),
                )
            )
        else:
            raise BadAmount(
                tr('For {field} the unit "{unit}" is not known: write kg, g, lb, oz, L or ml.', field=field, unit=unit)
            )
    if len(kinds) > 1:
        raise BadAmount(
            tr('For {field} "{typed}" mixes a mass and a volume: write one of them.', field=field, typed=_line(text))
        )
    if "mass" in kinds:
        return Amount(kg=_in_range(total_kg, MASS_KG, "kg", field, text))
    return Amount(litres=_in_range(total_l, VOLUME_L, "L", field, text))


def parse_mass_kg(text: str, field: str = "", default_unit: str | None = None) -> float:
    """A typed mass in kg. A volume is refused: only an oil's volume can be turned into a mass."""
    field = field or tr("the mass")
    amount = parse_amount(text, field, default_unit)
    if amount.kg is None:
        raise BadAmount(
            tr('For {field} "{typed}" is a volume: weigh it and write kg, g, lb or oz.', field=field, typed=_line(text))
        )
    return amount.kg


def parse_water_kg(text: str, field: str = "", default_unit: str | None = None) -> float:
    """Typed water in kg; a litre of it is taken as a kilogram."""
    amount = parse_amount(text, field or tr("the water"), default_unit)
    return amount.kg if amount.kg is not None else amount.litres or 0.0


def parse_volume_l(text: str, field: str = "", default_unit: str | None = None) -> float:
    """A typed volume in litres. A mass is refused."""
    field = field or tr("the volume")
    amount = parse_amount(text, field, default_unit)
    if amount.litres is None:
        raise BadAmount(tr('For {field} "{typed}" is a mass: write litres.', field=field, typed=_line(text)))
    return amount.litres


def parse_purity(text: str) -> float:
    """Potash purity as a mass fraction, from "85 %" or "0.85"; a bare number above 1 is per cent. 50 to 100 %."""
    plain = _line(text)
    percent = plain.endswith("%")
    value = _number(plain.rstrip("% \t"), tr("the purity of the potash"))
    # A bare 1 is a fraction; 1 % pure potash does not exist, so nothing is lost.
    fraction = value / 100.0 if percent or value > 1.0 else value
    if not 0.50 <= fraction <= 1.0:
        raise BadAmount(
            tr(
                'For the purity of the potash "{typed}" is {percent:g} %; between 50 and 100 % is allowed: write what '
                "is printed on the bag, like 90 %.",
                typed=plain,
                percent=fraction * 100,
            )
        )
    return fraction


def parse_strength(text: str) -> float:
    """Strength of the finished soap as a mass fraction, from "15 %" or "0.15"; a bare number above 1 is per cent."""
    plain = _line(text)
    value = _number(plain.rstrip("% \t"), tr("the strength of the finished soap"))
    fraction = value / 100.0 if plain.endswith("%") or value > 1.0 else value
    low, high = DILUTE_SOAP_SHARE
    if not low <= fraction <= high:
        raise BadAmount(
            tr(
                'For the strength of the finished soap "{typed}" is {percent:g} %; between {low:g} and {high:g} % is '
                "allowed: write it like 15 %.",
                typed=plain,
                percent=fraction * 100,
                low=low * 100,
                high=high * 100,
            )
        )
    return fraction


# A bag that has been open longer than this is a slip of the pen, or nothing to make soap with.
_OLDEST_BAG_YEARS = 20
_SPANS = {"day": 1.0, "week": 7.0, "month": 30.44, "year": 365.25}
_UNOPENED = frozenset({"today", "now", "new", "unopened", "sealed", "not open", "not opened", "not yet"})


def parse_opened(text: str, today: date) -> date:
    """Since when the bag is open: "2026-05", "2026-05-14", "3 months ago", "today" (also "new", "unopened").

    A month without a day means its first. Raises BadAmount, also for a day in the future.
    """
    plain = _line(text).lower().rstrip(".")
    if plain in _UNOPENED | {tr("today"), tr("new")}:
        return today
    span = re.fullmatch(r"(?P<n>\d+(?:[.,]\d+)?|an?|one)\s*(?P<unit>day|week|month|year)s?(?:\s+ago)?", plain)
    iso = re.fullmatch(r"(?P<year>\d{4})-(?P<month>\d{1,2})(?:-(?P<day>\d{1,2}))?", plain)
    if span is not None:
        count = 1.0 if span["n"] in {"a", "an", "one"} else float(span["n"].replace(",", "."))
        days = count * _SPANS[span["unit"]]
        opened = None if days > 400.0 * _OLDEST_BAG_YEARS else today - timedelta(days=round(days))
    elif iso is not None:
        try:
            opened = date(int(iso["year"]), int(iso["month"]), int(iso["day"] or 1))
        except ValueError:
            opened = None
    else:
        opened = None
    if opened is None:
        raise BadAmount(
            tr(
                'For the day the bag was opened "{typed}" cannot be read: write it like 2026-05 or 2026-05-14, or 3 '
                "months ago.",
                typed=_line(text),
            )
        )
    oldest = date(today.year - _OLDEST_BAG_YEARS, 1, 1)
    if not oldest <= opened <= today:
        raise BadAmount(
            tr(
                'For the day the bag was opened "{typed}" is out of range; {oldest} to today, {today}, is allowed.',
                typed=_line(text),
                oldest=when(oldest, DATE),
                today=when(today, DATE),
            )
        )
    return opened


def months_between(earlier: date, later: date) -> float:
    """Months from one day to another."""
    return (later - earlier).days / _SPANS["month"]


def parse_temperature_c(text: str, field: str = "") -> float:
    """A typed temperature in °C: "56", "56 °C" or "133 F". Between -30 and 125 °C, a little above boiling lye."""
    field = field or tr("the temperature")
    match = re.fullmatch(r"\s*([+\-\u2212]?\s?[\d.,]+)\s*(?:°|º|deg(?:rees)?)?\s*([A-Za-z]*)\s*", text)
    if match is None:
        raise BadAmount(
            tr('For {field} "{typed}" cannot be read: write it like 56 °C or 133 F.', field=field, typed=_line(text))
        )
    value = _number(match[1].replace(" ", ""), field)
    scale = match[2].lower()
    if scale in {"f", "fahrenheit"}:
        value = units.celsius_from_fahrenheit(value)
    elif scale not in {"", "c", "celsius"}:
        raise BadAmount(
            tr(
                'For {field} "{typed}" has the unit "{unit}": write °C or F.',
                field=field,
                typed=_line(text),
                unit=match[2],
            )
        )
    if not TEMPERATURE_C[0] <= value <= TEMPERATURE_C[1]:
        raise BadAmount(
            tr(
                'For {field} "{typed}" is {value:degC}; between {low:deg} and {high:degC} is allowed (for Fahrenheit '
                "write F).",
                field=field,
                typed=_line(text),
                value=value,
                low=TEMPERATURE_C[0],
                high=TEMPERATURE_C[1],
            )
        )
    return value


_HARDNESS = {
    "dh": "dH", "gh": "dH", "fh": "fH", "f": "fH", "th": "fH", "eh": "eH", "e": "eH", "clark": "eH", "gpg": "gpg",
    "grain": "gpg", "grains": "gpg", "mg/l": "mg/L", "ppm": "mg/L", "mmol/l": "mmol/L", "mmol": "mmol/L",
}  # fmt: skip
MOST_HARDNESS_MMOL_L = 20.0


def parse_hardness_mmol_l(text: str, field: str = "") -> float:
    """Typed water hardness as mmol/L: "15 °dH", "27 fH", "270 mg/L" (as CaCO3), "2.7 mmol/L", "16 gpg", "19 Clark"."""
    field = field or tr("the hardness of the water")
    match = re.fullmatch(r"\s*([+\-\u2212]?[\d.,]+)\s*([^\d\s].*?)\s*", text)
    written = re.sub(r"°|º|degrees?|(?:as )?caco3|per us gallon|/us gal", "", match[2].lower()).strip() if match else ""
    unit = _HARDNESS.get(written.strip(" ()"))
    if match is None or unit is None:
        raise BadAmount(
            tr(
                'For {field} "{typed}" cannot be read: write it like 15 dH, 27 fH, 270 mg/L, 16 gpg or 2.7 mmol/L.',
                field=field,
                typed=_line(text),
            )
        )
    value = units.hardness_mmol_l(_number(match[1], field), unit)
    if value < 0:
        raise _below_nothing(field, text)
    if value > MOST_HARDNESS_MMOL_L:
        raise BadAmount(
            tr(
                'For {field} "{typed}" is more than any tap water: 0 to 110 dH (20 mmol/L) is allowed.',
                field=field,
                typed=_line(text),
            )
        )
    return value


def oil_share(name: str, amount: str, temperature_c: float = 20.0) -> OilShare:
    """An oil from its name and a typed mass or volume; a volume is weighed by the oil's density at ``temperature_c``.

    Raises UnknownOil, OilVolume (a solid fat by volume) or BadAmount, each with one sentence.
    """
    oil = find_oil(name)
    parsed = parse_amount(amount, tr('the oil "{name}"', name=name.strip()))
    if parsed.kg is not None:
        return OilShare(oil.name, parsed.kg)
    return OilShare(oil.name, kg_from_litres(oil, parsed.litres or 0.0, temperature_c))


def parse_oil(text: str, temperature_c: float = 20.0) -> OilShare:
    """One oil as typed in one go: "rapeseed 3.6 L", "4.2 kg sunflower oil", "olive: 2 lb 3 oz"."""
    amount_first = re.fullmatch(
        r"\s*(?P<amount>(?:[+\-\u2212]?[\d.,]+\s*[A-Za-z]+\s+)+?)(?:of\s+)?(?P<name>[^\d]+?)\s*", text
    )
    name_first = re.fullmatch(r"\s*(?P<name>[A-Za-z][^\d:=]*?)\s*[:=,]?\s*(?P<amount>[+\-\u2212]?\s?[.,]?\d.*)", text)
    match = name_first or amount_first
    if match is None:
        raise BadAmount(
            tr('"{typed}" cannot be read as an oil and its amount: write it like rapeseed 3.6 L.', typed=_line(text))
        )
    return oil_share(match["name"], match["amount"], temperature_c)


def parse_blend(text: str) -> tuple[tuple[str, float], ...]:
    """Proportions of oils by mass: "sunflower 70 %, rapeseed 30 %"; one oil without a figure is the whole.

    Names as in the oils' table, shares that add up to 1. Raises BadAmount or UnknownOil.
    """
    shares: dict[str, float] = {}
    number, name = r"(?P<share>[+\-\u2212]?\s?[\d.,]*\d)\s*%", r"(?P<name>[^%\d]*[^%\d\s:=,;+\-\u2212])"
    name_first = rf"\s*{name}\s*[:=,]?\s*{number}"
    share_first = rf"\s*{number}\s*(?:of\s+)?{name}"
    pattern = re.compile(name_first if re.match(r"\s*[^\d\s+\-\u2212]", text) else share_first)
    position = 0
    if "%" not in text and not re.search(r"\d", text) and text.strip():
        return ((find_oil(text).name, 1.0),)
    while text[position:].strip(" ,;+&."):
        match = pattern.match(text, position)
        if match is None:
            raise BadAmount(
                tr(
                    '"{typed}" cannot be read as proportions of oils: write it like sunflower 70 %, rapeseed 30 %.',
                    typed=_line(text),
                )
            )
        typed = re.sub(r"^(?:[\s,;+&]|and\s)+|[\s,;+&]+$|\sand\s*$", "", match["name"])
        field = tr('the share of the oil "{name}"', name=typed)
        share = _number(match["share"].replace(" ", ""), field)
        if not 0.0 < share <= 100.0:
            raise BadAmount(
                tr(
                    'In the proportions "{typed}" {field} is {share:g} %; more than 0 and up to 100 % is allowed.',
                    field=field,
                    typed=_line(text),
                    share=share,
                )
            )
        oil = find_oil(typed)
        shares[oil.name] = shares.get(oil.name, 0.0) + share
        position = match.end()
    total = sum(shares.values())
    # 33.3 % three times is the whole, too.
    if abs(total - 100.0) > 0.5:
        raise BadAmount(
            tr(
                'For the proportions of the oils "{typed}" adds up to {total:g} %; 100 % is wanted.',
                typed=_line(text),
                total=total,
            )
        )
    return tuple((oil_name, share / total) for oil_name, share in shares.items())
