"""Every word a person reads passes here: the catalogue, the units, and the face of numbers and dates.

    tr("{bucket} stands at {temperature_c:degC}.", bucket="shed-2", temperature_c=52.3)

The English text is its own id. Which language and which units are spoken is a ``Voice``; the rim makes one (from
``monitor.languages``) and lets it speak for the length of a ``with speaking(voice):``. Without one it is English and
metric, so that the core needs none. No file is read and no clock asked here.

Texts at module level are only marked (``mark``) and pass through ``tr`` where they are told. What a program reads
(JSON, event lines, the journal) is English and metric always.

Beside Python's own format specs a field may name a quantity, which is then told in the voice's units:

    spec     value in         metric        US customary
    degC     degrees Celsius  75 °C         167 °F
    deg      degrees Celsius  75            167             (in "75 to 80 °C" the first)
    dK       kelvin           12 K          22 °F           (a difference)
    dC       kelvin           12 °C         22 °F           (the same, as a grower says it: "12 °C an hour")
    kg       kilograms        4.20 kg       9 lb 4.2 oz
    grams    grams            145 g         5.1 oz
    litres   litres           25 L          6.6 US gal
    g_per_l  grams per litre  3.2 g/L       0.43 oz/US gal
    per_l    grams per litre  3.2           0.43            (in "3.2 to 4.0 g/L" the first)

A digit after it sets the decimals (``kg3``). A whole number in the field's own place stands for itself:
"Never blend above {75:degC}."
"""

from __future__ import annotations

import re
import string
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from .units import KG_PER_OZ, LITRES_PER_US_GALLON, fahrenheit

METRIC, US = "metric", "us"
UNIT_SYSTEMS = (METRIC, US)

# The forms in which a time is told: English ones here as strftime has them, other languages bring their own.
TIME, DAY_TIME, DAY_DATE_TIME, DATE = "time", "day_time", "day_date_time", "date"
_ENGLISH_FORMS = {TIME: "%H:%M", DAY_TIME: "%a %H:%M", DAY_DATE_TIME: "%a %d %b %H:%M", DATE: "%d %b %Y"}
# strftime follows the process's locale; English words must not.
_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def _same(text: str) -> str:
    return text


def _same_in(_context: str, text: str) -> str:
    return text


def _english_plural(one: str, many: str, n: int) -> str:
    return one if n == 1 else many


def _english_time(moment: datetime | date, form: str) -> str:
    pattern = _ENGLISH_FORMS[form].replace("%a", _DAYS[moment.weekday()]).replace("%b", _MONTHS[moment.month - 1])
    return moment.strftime(pattern)


@dataclass(frozen=True, slots=True)
class Voice:
    """A language and a system of units.

    language          tag as in the settings ("en", "es")
    units             "metric" or "us"
    translate         English text -> text; itself where the catalogue has none
    translate_in      the same for a word that means two things: context, English text -> text
    translate_many    English singular, plural, number -> text
    decimal_sign      between units and tenths
    tell_time         local datetime (or date), form (TIME, DAY_TIME, DAY_DATE_TIME, DATE) -> text
    """

    language: str = "en"
    units: str = METRIC
    translate: Callable[[str], str] = _same
    translate_in: Callable[[str, str], str] = _same_in
    translate_many: Callable[[str, str, int], str] = _english_plural
    decimal_sign: str = "."
    tell_time: Callable[[datetime | date, str], str] = _english_time


ENGLISH = Voice()
_VOICE: ContextVar[Voice] = ContextVar("voice", default=ENGLISH)


def voice() -> Voice:
    """The voice that speaks now."""
    return _VOICE.get()


@contextmanager
def speaking(chosen: Voice) -> Iterator[None]:
    """Let ``chosen`` speak in this thread (or task) until the end of the block."""
    token = _VOICE.set(chosen)
    try:
        yield
    finally:
        _VOICE.reset(token)


def speak(chosen: Voice) -> None:
    """Let ``chosen`` speak in this thread from now on: for the rim, which has a program's whole life to speak for."""
    _VOICE.set(chosen)


# ---- texts -------------------------------------------------------------------------------------------------------


def mark(text: str) -> str:
    """The text itself: marks it for the catalogue where it is written, to be told later by ``tr``."""
    return text


def tr(text: str, /, **values: object) -> str:
    """The text in the language spoken now, its fields filled in."""
    return _FILLER.vformat(_VOICE.get().translate(text), (), values)


def trc(context: str, text: str, /, **values: object) -> str:
    """The same for a text whose translation depends on a context ("a lid", "a circuit": both "open")."""
    return _FILLER.vformat(_VOICE.get().translate_in(context, text), (), values)


def trn(one: str, many: str, n: int, /, **values: object) -> str:
    """Singular or plural by ``n``, which the text may show as {n}."""
    return _FILLER.vformat(_VOICE.get().translate_many(one, many, n), (), {"n": n, **values})


def number(value: float, digits: int = 0) -> str:
    """A number with so many decimals and the language's decimal sign."""
    return localised(f"{value:.{digits}f}")


def localised(figures: str) -> str:
    """Figures formatted the English way, with the decimal sign of the language spoken now."""
    sign = _VOICE.get().decimal_sign
    return figures if sign == "." else figures.replace(",", "\0").replace(".", sign).replace("\0", ".")


def when(moment: datetime | date, form: str = DAY_TIME) -> str:
    """A local time in words, in one of the forms TIME, DAY_TIME, DAY_DATE_TIME, DATE."""
    return _VOICE.get().tell_time(moment, form)


def several(parts: Sequence[str]) -> str:
    """ "a", "a and b", "a, b and c"."""
    if len(parts) < 2:
        return "".join(parts)
    return tr("{all_but_last} and {last}", all_but_last=", ".join(parts[:-1]), last=parts[-1])


# ---- quantities --------------------------------------------------------------------------------------------------


def quantity(value: float, kind: str, digits: int | None = None) -> str:
    """``value`` with its unit; ``kind`` is one of the specs above. KeyError for another."""
    metric, customary = _QUANTITIES[kind]
    return localised((customary if _VOICE.get().units == US else metric)(value, digits))


def _with(unit: str, usual_digits: int, factor: float = 1.0) -> Callable[[float, int | None], str]:
    def told(value: float, digits: int | None) -> str:
        figures = f"{value * factor:.{usual_digits if digits is None else digits}f}"
        return f"{_unsigned_zero(figures)} {unit}".rstrip()

    return told


def _unsigned_zero(figures: str) -> str:
    return figures[1:] if figures.startswith("-") and not figures.strip("-0.") else figures


def _degrees_f(unit: str) -> Callable[[float, int | None], str]:
    def told(celsius: float, digits: int | None) -> str:
        return f"{_unsigned_zero(f'{fahrenheit(celsius):.{digits or 0}f}')} {unit}".rstrip()

    return told


def _pounds(kg: float, _digits: int | None) -> str:
    tenths_oz = round(abs(kg) / KG_PER_OZ * 10.0)
    pounds, rest = divmod(tenths_oz, 160)
    sign = "-" if kg < 0 and tenths_oz else ""
    return f"{sign}{pounds} lb {rest / 10:.1f} oz" if pounds else f"{sign}{rest / 10:.1f} oz"


_OZ_PER_G = 0.001 / KG_PER_OZ
_US_GAL_PER_L = 1.0 / LITRES_PER_US_GALLON

_QUANTITIES: Mapping[str, tuple[Callable[[float, int | None], str], Callable[[float, int | None], str]]] = {
    "degC": (_with("°C", 0), _degrees_f("°F")),
    "deg": (_with("", 0), _degrees_f("")),
    "dK": (_with("K", 0), _with("°F", 0, 1.8)),
    "dC": (_with("°C", 0), _with("°F", 0, 1.8)),
    "kg": (_with("kg", 2), _pounds),
    "grams": (_with("g", 0), lambda grams, digits: _with("oz", 1, _OZ_PER_G)(grams, None)),
    "litres": (_with("L", 0), lambda litres, digits: _with("US gal", 1, _US_GAL_PER_L)(litres, None)),
    "g_per_l": (_with("g/L", 1), lambda grams, digits: _with("oz/US gal", 2, _OZ_PER_G / _US_GAL_PER_L)(grams, None)),
    "per_l": (_with("", 1), lambda grams, digits: _with("", 2, _OZ_PER_G / _US_GAL_PER_L)(grams, None)),
}
_QUANTITY = re.compile(f"({'|'.join(_QUANTITIES)})(\\d?)")


class _Filler(string.Formatter):
    """Fills fields by name; a whole number in the field's place stands for itself."""

    def get_value(self, key: int | str, args: Sequence[Any], kwargs: Mapping[str, Any]) -> Any:
        return float(key) if isinstance(key, int) else kwargs[key]

    def format_field(self, value: Any, format_spec: str) -> str:
        found = _QUANTITY.fullmatch(format_spec)
        if found and isinstance(value, int | float):
            return quantity(value, found[1], int(found[2]) if found[2] else None)
        told = str(super().format_field(value, format_spec))
        # A name or a text keeps its points; only figures take the language's sign.
        return localised(told) if isinstance(value, float) else told


_FILLER = _Filler()
