"""What is kept of a batch beside its weights and its log: lots, who, yield, tests, remarks. Fields, ranges and words.

A value is kept as text in one form whatever the language: SI units with a decimal point, dates as 2026-11-25. Pure; the
journal keeps the values, and keeps the older ones when one is corrected.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import date

from ..words import DATE, mark, number, quantity, tr, when
from .amounts import MASS_KG, VOLUME_L, parse_amount, parse_mass_kg, parse_opened, parse_volume_l

MOST_TEXT = 500


class BadRecord(ValueError):
    """A value that cannot be kept: one sentence naming the field and what is allowed."""


@dataclass(frozen=True, slots=True)
class Field:
    """One field of the record.

    name     as typed in the command and kept in the journal
    words    what a person calls it, marked for the catalogue (told by ``field_words``)
    kind     "text", "date", "mass" (kg), "volume" (litres) or "percent"
    most     the highest value of a figure; the lowest is 0
    many     whether several stand beside each other (remarks), or the newest alone
    """

    name: str
    words: str
    kind: str = "text"
    most: float = 0.0
    many: bool = False


_ALL = (
    Field("number", mark("batch number")),
    Field("maker", mark("made by")),
    Field("place", mark("place")),
    Field("oil_lot", mark("lot of the oil")),
    Field("potash_lot", mark("lot of the potash")),
    Field("potash_opened", mark("potash bag opened"), "date"),
    Field("water", mark("water")),
    Field("yield_kg", mark("yield"), "mass", MASS_KG[1]),
    Field("yield_litres", mark("yield (volume)"), "volume", VOLUME_L[1]),
    Field("containers", mark("filled into")),
    Field("free_alkali_percent", mark("free alkali, as KOH"), "percent", 20.0),
    Field("free_oil_percent", mark("free oil"), "percent", 60.0),
    Field("tested_how", mark("how it was tested")),
    Field("remark", mark("remark"), many=True),
)
FIELDS: Mapping[str, Field] = {field.name: field for field in _ALL}


def field_named(name: str) -> Field:
    """The field of a typed name ("oil-lot" and "Oil lot" are oil_lot). BadRecord with all names for another."""
    plain = re.sub(r"[\s-]+", "_", name.strip().lower())
    field = FIELDS.get(plain)
    if field is None:
        known = ", ".join(FIELDS)
        raise BadRecord(tr('The record has no field "{name}"; it has {fields}.', name=_short(name), fields=known))
    return field


def field_words(name: str) -> str:
    """What a person calls a field; the name itself where it is none of ours (from a newer program's journal)."""
    return tr(FIELDS[name].words) if name in FIELDS else name


def read_field(name: str, text: str, today: date) -> str:
    """A typed value in the form in which it is kept; "" (or "-") takes the field back.

    ``today`` is the date at the place. Raises BadRecord or BadAmount with one sentence.
    """
    field = field_named(name)
    plain = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    if plain in ("", "-"):
        return ""
    return _READERS[field.kind](field, plain, today)


def read_yield(text: str) -> tuple[str, str]:
    """How much soap there was, as typed: the field it belongs to, by its unit, and the value kept there."""
    amount = parse_amount(text, tr(FIELDS["yield_kg"].words))
    name, value = ("yield_kg", amount.kg) if amount.kg is not None else ("yield_litres", amount.litres)
    return name, f"{value or 0.0:.6g}"


def those_that_stand(values: Iterable[str]) -> tuple[str, ...]:
    """Of a field of which many stand (remarks): what is left of the values in the order they were noted.

    An empty value takes back the last one that still stood.
    """
    standing: list[str] = []
    for value in values:
        if value:
            standing.append(value)
        elif standing:
            standing.pop()
    return tuple(standing)


def told_value(name: str, value: str) -> str:
    """A kept value as it is told, in the reader's language and units; as it stands where it cannot be read."""
    field = FIELDS.get(name)
    try:
        if field is None or field.kind == "text":
            return value
        if field.kind == "date":
            return when(date.fromisoformat(value), DATE)
        if field.kind == "percent":
            return tr("{percent} %", percent=number(float(value), 2 if float(value) < 1.0 else 1))
        return quantity(float(value), *{"mass": ("kg", 1), "volume": ("litres", 1)}[field.kind])
    except ValueError:
        return value


# ---- one reader for each kind --------------------------------------------------------------------------------------


def _text(field: Field, text: str, today: date) -> str:
    if len(text) > MOST_TEXT:
        raise BadRecord(
            tr(
                'For "{field}" the text is {n} characters long; {most} at the most are kept: shorten it.',
                field=tr(field.words), n=len(text), most=MOST_TEXT,
            )
        )  # fmt: skip
    return text


def _mass(field: Field, text: str, today: date) -> str:
    return _within(field, parse_mass_kg(text, tr(field.words)), "kg", text)


def _volume(field: Field, text: str, today: date) -> str:
    return _within(field, parse_volume_l(text, tr(field.words)), "L", text)


def _percent(field: Field, text: str, today: date) -> str:
    plain = text.removesuffix("%").strip().replace(",", ".")
    if not re.fullmatch(r"[+-]?(\d{1,6}\.?\d{0,6}|\.\d{1,6})", plain):
        raise BadRecord(
            tr(
                'For "{field}" "{text}" is not a percentage: write it like 0.05 %.',
                field=tr(field.words), text=_short(text),
            )
        )  # fmt: skip
    return _within(field, float(plain), "%", text)


def _within(field: Field, value: float, unit: str, text: str) -> str:
    if not 0.0 <= value <= field.most:
        raise BadRecord(
            tr(
                'For "{field}" "{text}" is {value:g} {unit}; between 0 and {most:g} {unit} is allowed, so look at the '
                "unit and the decimal point.",
                field=tr(field.words), text=_short(text), value=value, unit=unit, most=field.most,
            )
        )  # fmt: skip
    return f"{value:.6g}"


def _date(field: Field, text: str, today: date) -> str:
    return parse_opened(one_way_date(text, tr(field.words)), today).isoformat()


def one_way_date(text: str, field: str) -> str:
    """A date with full stops as 2026-11-25; what can be read in two ways is refused, all else is left as it is."""
    dotted = re.fullmatch(r"\s*(\d{1,2})\.\s?(\d{1,2})\.\s?(\d{4})\.?\s*", text)
    if dotted is not None:
        # With full stops the day stands first wherever dates are written so; with strokes it depends on the country.
        return f"{dotted[3]}-{dotted[2]}-{dotted[1]}"
    if re.fullmatch(r"\s*\d{1,4}\s?[/-]\s?\d{1,2}\s?[/-]\s?\d{1,4}\s*", text) and not re.match(r"\s*\d{4}-", text):
        raise BadRecord(
            tr(
                'For "{field}" "{text}" can be read in two ways, day or month first: write it like 2026-11-25 or '
                "25.11.2026.",
                field=field, text=_short(text),
            )
        )  # fmt: skip
    return text


def _short(text: str) -> str:
    plain = " ".join(text.split())
    return plain if len(plain) <= 60 else f"{plain[:60]}…"


_READERS: Mapping[str, Callable[[Field, str, date], str]] = {
    "text": _text,
    "date": _date,
    "mass": _mass,
    "volume": _volume,
    "percent": _percent,
}
