"""The settings to read, and the few that can be changed here without harm. Pure.

Language and units are this phone's own choice, kept on it. All else stands in emberpail.toml, which is checked as a
whole when the watch starts: a slip of the thumb here must not silence an alarm.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from monitor.page.forms import IN, Hand, invitation
from monitor.page.household import HouseholdView
from monitor.page.parts import HOLE, LocalTime, clock, still_page, with_markup
from monitor.page.parts import text_of as _text
from monitor.words import METRIC, US, mark, tr, voice

LANGUAGE_NAMES: Mapping[str, str] = {"en": "English", "es": "Español"}
UNIT_NAMES = {METRIC: mark("°C, kilograms, litres"), US: mark("°F, pounds, gallons")}


def settings_page(view: HouseholdView, local_time: LocalTime, hand: Hand, languages: Sequence[str]) -> str:
    """This phone, the reminders, then everything the file says."""
    parts = [
        f"<header><h1>{_text(tr('Settings'))}</h1></header>",
        _words_form(languages),
        _reminders(view, local_time, hand),
    ]
    told = tr("What stands below is changed in emberpail.toml; then start watch again.")
    parts.append(f"<p>{_text(told)}</p>")
    for title, rows in view.settings:
        lines = "".join(f'<tr><th scope="row">{_text(what)}</th><td>{_text(value)}</td></tr>' for what, value in rows)
        parts.append(f'<section class="panel"><h2>{_text(title)}</h2><table>{lines}</table></section>')
    return still_page(tr("Settings"), "".join(parts))


def _words_form(languages: Sequence[str]) -> str:
    now = voice()
    names = [(one, LANGUAGE_NAMES.get(one, one)) for one in languages]
    chosen = _radios("language", tr("Language"), names, now.language)
    units = _radios("units", tr("Units"), [(key, tr(words)) for key, words in UNIT_NAMES.items()], now.units)
    return (
        f'<form class="panel" method="post" action="/settings/words"><h2>{_text(tr("On this phone"))}</h2>'
        f'{chosen}{units}<button class="press plain" type="submit">{_text(tr("Use these"))}</button></form>'
    )


def _radios(name: str, legend: str, choices: Sequence[tuple[str, str]], now: str) -> str:
    items = "".join(
        f'<label><input type="radio" name="{name}" value="{_text(value)}"{" checked" if value == now else ""}>'
        f"{_text(words)}</label>"
        for value, words in choices
    )
    return f'<fieldset class="ago"><legend>{_text(legend)}</legend>{items}</fieldset>'


def _reminders(view: HouseholdView, local_time: LocalTime, hand: Hand) -> str:
    held = view.held_until_s is not None and view.held_until_s > view.at_s
    if held and view.held_until_s is not None:
        until = clock(view.held_until_s, view.at_s, local_time)
        says = with_markup(tr("Reminders of the steps are held back until {time}.", time=HOLE), until)
    else:
        says = _text(tr("Reminders of the steps come as they are set."))
    also = _text(tr("Alarms ring all the same."))
    if hand.state == IN:
        words = tr("Let reminders come again") if held else tr("No reminders until tomorrow noon")
        button = (
            f'<form method="post" action="/settings/do"><input type="hidden" name="token" value="{hand.token}">'
            f'<button class="press plain" name="hold" value="{0 if held else 1}">{_text(words)}</button></form>'
        )
    else:
        button = invitation(hand, "/settings")
    return f'<section class="panel"><h2>{_text(tr("Reminders"))}</h2><p>{says} {also}</p>{button}</section>'
