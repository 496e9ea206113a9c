"""Amounts as people type them: "4.2 kg", "9 lb 4 oz", "3,6 L", "85 %", "133 °F"; the rest gets one clear sentence."""

from __future__ import annotations

import re
from dataclasses import dataclass

from .. import units
from ..domain import OilShare
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
_TWO_MEANINGS = {
    "gal": 'a gallon is 3.79 L in the US and 4.55 L in Britain: write "US gal" or "imp gal", or litres',
    "gallon": 'a gallon is 3.79 L in the US and 4.55 L in Britain: write "US gal" or "imp gal", or litres',
    "gallons": 'a gallon is 3.79 L in the US and 4.55 L in Britain: write "US gal" or "imp gal", or litres',
    "fl oz": "a fluid ounce is a volume and differs by country: write ml",
    "floz": "a fluid ounce is a volume and differs by country: write ml",
    "pint": "a pint differs by country: write ml",
    "pints": "a pint differs by country: write ml",
    "cup": "a cup is no measure for this: weigh it, or write ml",
    "cups": "a cup is no measure for this: weigh it, or write ml",
    "tsp": "a spoon is no measure for this: weigh it",
    "tbsp": "a spoon is no measure for this: weigh it",
    "t": "a tonne does not fit a bucket: write kg",
    "mg": "that is finer than any kitchen scale: write g",
}

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
            f'For {field} "{_line(text)}" may mean {whole} or {plain.replace(",", ".")}: write one of these without '
            "a comma."
        )
    if re.fullmatch(r"[+-]?\d{1,3}(,\d{3})+\.\d+", plain) or re.fullmatch(r"[+-]?\d{1,3}(,\d{3}){2,}", plain):
        plain = plain.replace(",", "")
    plain = plain.replace(",", ".")
    if not re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)", plain):
        raise BadAmount(f'For {field} "{_line(text)}" is not a number: write it like 4.2 or 4,2.')
    return float(plain)


def _parts(text: str, field: str, example: str) -> list[tuple[float, str]]:
    """The (number, unit) pairs of "9 lb 4 oz"; the unit is lower case, "" when missing."""
    found: list[tuple[float, str]] = []
    position = 0
    if not text.strip():
        raise BadAmount(f"{field[:1].upper()}{field[1:]} is empty: write it like {example}.")
    while position < len(text):
        match = _PART.match(text, position)
        if match is None:
            raise BadAmount(f'"{_line(text)}" cannot be read as {field}: write it like {example}.')
        unit = re.sub(r"[ .]+", " ", match["unit"] or "").lower()
        found.append((_number(match["number"], field), unit))
        position = match.end()
    return found


def _in_range(value: float, allowed: tuple[float, float], unit: str, field: str, text: str) -> float:
    low, high = allowed
    if value < 0:
        raise BadAmount(f'For {field} "{_line(text)}" is below nothing: write the amount without a minus.')
    # Amounts come from products such as 200 * 1.0; a hair over the limit is the limit.
    if not low <= value <= high * (1 + 1e-12):
        raise BadAmount(
            f'For {field} "{_line(text)}" is {value:g} {unit}; between {low:g} and {high:g} {unit} is allowed, '
            "so look at the unit and the decimal point."
        )
    return value


def parse_amount(text: str, field: str = "the amount", default_unit: str | None = None) -> Amount:
    """A typed mass or volume. ``default_unit`` is for a bare number; without it the unit must be written.

    Raises BadAmount, with one sentence.
    """
    example = "4.2 kg, 640 g, 9 lb 4 oz or 3.6 L"
    total_kg = total_l = 0.0
    kinds: set[str] = set()
    parts = _parts(text, field, example)
    for value, written in parts:
        unit = written or (default_unit or "").lower()
        if value < 0:
            raise BadAmount(f'For {field} "{_line(text)}" is below nothing: write the amount without a minus.')
        if not unit:
            raise BadAmount(f'For {field} "{_line(text)}" has no unit: write it like {example}.')
        if unit in _KG:
            kinds.add("mass")
            total_kg += value * _KG[unit]
        elif unit in _LITRES:
            kinds.add("volume")
            total_l += value * _LITRES[unit]
        elif unit in _TWO_MEANINGS:
            raise BadAmount(f'For {field} "{_line(text)}" is not clear: {_TWO_MEANINGS[unit]}.')
        else:
            raise BadAmount(f'For {field} the unit "{unit}" is not known: write kg, g, lb, oz, L or ml.')
    if len(kinds) > 1:
        raise BadAmount(f'For {field} "{_line(text)}" mixes a mass and a volume: write one of them.')
    if "mass" in kinds:
        return Amount(kg=_in_range(total_kg, MASS_KG, "kg", field, text))
    return Amount(litres=_in_range(total_l, VOLUME_L, "L", field, text))


def parse_mass_kg(text: str, field: str = "the mass", default_unit: str | None = None) -> float:
    """A typed mass in kg. A volume is refused: only an oil's volume can be turned into a mass."""
    amount = parse_amount(text, field, default_unit)
    if amount.kg is None:
        raise BadAmount(f'For {field} "{_line(text)}" is a volume: weigh it and write kg, g, lb or oz.')
    return amount.kg


def parse_water_kg(text: str, field: str = "the water", default_unit: str | None = None) -> float:
    """Typed water in kg; a litre of it is taken as a kilogram."""
    amount = parse_amount(text, field, default_unit)
    return amount.kg if amount.kg is not None else amount.litres or 0.0


def parse_volume_l(text: str, field: str = "the volume", default_unit: str | None = None) -> float:
    """A typed volume in litres. A mass is refused."""
    amount = parse_amount(text, field, default_unit)
    if amount.litres is None:
        raise BadAmount(f'For {field} "{_line(text)}" is a mass: write litres.')
    return amount.litres


def parse_purity(text: str) -> float:
    """Potash purity as a mass fraction, from "85 %" or "0.85"; a bare number above 1 is per cent. 50 to 100 %."""
    plain = _line(text)
    percent = plain.endswith("%")
    value = _number(plain.rstrip("% \t"), "the purity of the potash")
    # A bare 1 is a fraction; 1 % pure potash does not exist, so nothing is lost.
    fraction = value / 100.0 if percent or value > 1.0 else value
    if not 0.50 <= fraction <= 1.0:
        raise BadAmount(
            f'For the purity of the potash "{plain}" is {fraction * 100:g} %; between 50 and 100 % is allowed: '
            "write what is printed on the bag, like 90 %."
        )
    return fraction


def parse_temperature_c(text: str, field: str = "the temperature") -> float:
    """A typed temperature in °C: "56", "56 °C" or "133 F". Between -30 and 125 °C, a little above boiling lye."""
    match = re.fullmatch(r"\s*([+\-\u2212]?\s?[\d.,]+)\s*(?:°|º|deg(?:rees)?)?\s*([A-Za-z]*)\s*", text)
    if match is None:
        raise BadAmount(f'For {field} "{_line(text)}" cannot be read: write it like 56 °C or 133 F.')
    value = _number(match[1].replace(" ", ""), field)
    scale = match[2].lower()
    if scale in {"f", "fahrenheit"}:
        value = units.celsius_from_fahrenheit(value)
    elif scale not in {"", "c", "celsius"}:
        raise BadAmount(f'For {field} "{_line(text)}" has the unit "{match[2]}": write °C or F.')
    if not TEMPERATURE_C[0] <= value <= TEMPERATURE_C[1]:
        raise BadAmount(
            f'For {field} "{_line(text)}" is {value:.0f} °C; between {TEMPERATURE_C[0]:g} and {TEMPERATURE_C[1]:g} '
            "°C is "
            "allowed (for Fahrenheit write F)."
        )
    return value


_HARDNESS = {
    "dh": "dH", "°dh": "dH", "fh": "fH", "°fh": "fH", "°f": "fH", "eh": "eH", "°eh": "eH", "clark": "eH", "gpg": "gpg",
    "mg/l": "mg/L", "ppm": "mg/L", "mmol/l": "mmol/L",
}  # fmt: skip


def parse_hardness_mmol_l(text: str) -> float:
    """Typed water hardness as mmol/L: "15 °dH", "27 fH", "270 mg/L" (as CaCO3), "2.7 mmol/L", "16 gpg"."""
    match = re.fullmatch(r"\s*([\d.,]+)\s*(\S+)\s*", text)
    unit = _HARDNESS.get(match[2].lower()) if match else None
    if match is None or unit is None:
        raise BadAmount(
            f'For the hardness of the water "{_line(text)}" cannot be read: write it like 15 dH, 27 fH, 270 mg/L, '
            "16 gpg or 2.7 mmol/L."
        )
    value = units.hardness_mmol_l(_number(match[1], "the hardness of the water"), unit)
    if value > 20.0:
        raise BadAmount(
            f'For the hardness of the water "{_line(text)}" is more than any tap water: up to 110 dH is allowed.'
        )
    return value


def oil_share(name: str, amount: str, temperature_c: float = 20.0) -> OilShare:
    """An oil from its name and a typed mass or volume; a volume is weighed by the oil's density at ``temperature_c``.

    Raises UnknownOil, OilVolume (a solid fat by volume) or BadAmount, each with one sentence.
    """
    oil = find_oil(name)
    parsed = parse_amount(amount, f'the oil "{name.strip()}"')
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
        raise BadAmount(f'"{_line(text)}" cannot be read as an oil and its amount: write it like rapeseed 3.6 L.')
    return oil_share(match["name"], match["amount"], temperature_c)
