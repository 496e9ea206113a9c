"""The languages that the tool speaks: catalogues (``es.po``) and the locale data behind numbers and dates.

``voice_for("es", "us")`` makes the ``Voice`` that ``monitor.words`` speaks with. A catalogue is read as it was written,
so there is nothing to compile; English needs none of it. Babel's locale data (Unicode CLDR) gives decimal sign, days
and months. ``python -m monitor.languages`` brings the catalogues up to date with the program.
"""

from __future__ import annotations

import gettext
import io
from collections.abc import Mapping
from datetime import date, datetime
from functools import lru_cache
from pathlib import Path

from monitor.words import DATE, DAY_DATE_TIME, DAY_TIME, ENGLISH, METRIC, TIME, UNIT_SYSTEMS, Voice

FOLDER = Path(__file__).parent
LANGUAGES = ("en", *sorted(path.stem for path in FOLDER.glob("*.po")))

# Where the settings name no language: as everywhere, the first of these that is set.
LANGUAGE_VARIABLES = ("EMBERPAIL_LANGUAGE", "LC_ALL", "LC_MESSAGES", "LANG")

_PATTERNS = {TIME: "HH:mm", DAY_TIME: "EEE HH:mm", DAY_DATE_TIME: "EEE d MMM HH:mm", DATE: "d MMM y"}


class UnknownLanguage(ValueError):
    """A language that there is no catalogue of; the sentence names those that there are."""


def voice_for(language: str = "en", units: str = METRIC) -> Voice:
    """The voice of a language and a system of units ("metric", "us"). Raises UnknownLanguage."""
    if language not in LANGUAGES:
        known = ", ".join(LANGUAGES)
        raise UnknownLanguage(f'The language "{language}" is not known; there are {known}.')
    if units not in UNIT_SYSTEMS:
        raise UnknownLanguage(f'The units "{units}" are not known; there are {", ".join(UNIT_SYSTEMS)}.')
    return Voice(units=units) if language == ENGLISH.language else _foreign(language, units)


def language_of(environ: Mapping[str, str]) -> str:
    """The language that the environment asks for, as far as there is a catalogue of it; else English."""
    for variable in LANGUAGE_VARIABLES:
        asked = environ.get(variable, "").strip()
        if asked:
            tag = asked.replace("-", "_").partition(".")[0].partition("_")[0].lower()
            return tag if tag in LANGUAGES else ENGLISH.language
    return ENGLISH.language


@lru_cache(maxsize=8)
def _foreign(language: str, units: str) -> Voice:
    from babel import Locale
    from babel.dates import format_datetime
    from babel.numbers import get_decimal_symbol

    locale = Locale.parse(language)
    words = catalogue(language)

    def tell_time(moment: datetime | date, form: str) -> str:
        return str(format_datetime(moment, _PATTERNS[form], locale=locale, tzinfo=getattr(moment, "tzinfo", None)))

    return Voice(
        language=language,
        units=units,
        translate=words.gettext,
        translate_in=words.pgettext,
        translate_many=words.ngettext,
        decimal_sign=get_decimal_symbol(locale),
        tell_time=tell_time,
    )


def catalogue(language: str) -> gettext.GNUTranslations:
    """The translations of a language, from its catalogue as written."""
    from babel.messages.mofile import write_mo
    from babel.messages.pofile import read_po

    with (FOLDER / f"{language}.po").open("rb") as file:
        written = read_po(file, locale=language)
    compiled = io.BytesIO()
    write_mo(compiled, written)
    compiled.seek(0)
    return gettext.GNUTranslations(compiled)
