"""What is typed into "would it have rung?" and read out of it. Pure; a slip is one sentence beside its field."""

from __future__ import annotations

import re
from collections.abc import Mapping

from monitor.page.forms import IN, Hand, invitation
from monitor.page.parts import still_page
from monitor.page.parts import text_of as _text
from monitor.page.what_if_address import what_if_address
from monitor.page.what_if_view import SOONER, SURENESS, SURER, USUAL, Trial, TriedPerson
from monitor.words import US, mark, tr, voice

# A form of ours has at most twenty fields; whoever stands further down the list is rung as the settings say.
MOST_PEOPLE = 8
# As [place] altitude_m of the settings allows it.
_ALTITUDE_M = (-450.0, 6000.0)
_M_PER_FT = 0.3048  # exact, by definition (international foot of 1959)
_HOURS = re.compile(r"\s*(\d{1,2})[:.](\d\d)\s*(?:-|–|—|to|a)\s*(\d{1,2})[:.](\d\d)\s*")
_SURENESS_WORDS = {
    USUAL: mark("as usual"),
    SOONER: mark("sooner: at less certainty"),
    SURER: mark("later: only when more certain"),
}


def typed_of(trial: Trial) -> dict[str, str]:
    """The fields as they stand before anybody typed."""
    altitude = trial.altitude_m
    if altitude is not None and voice().units == US:
        altitude /= _M_PER_FT
    fields = {"altitude": "" if altitude is None else f"{altitude:.0f}", "sure": trial.sureness}
    for place, person in enumerate(trial.people[:MOST_PEOPLE]):
        fields[f"place-{place}"] = str(place + 1)
        fields[f"hours-{place}"] = f"{_clock(person.waking_from)}-{_clock(person.waking_to)}"
    return fields


def read_trial(fields: Mapping[str, str], present: Trial) -> tuple[Trial | None, dict[str, str]]:
    """What was typed as a trial; None and one sentence by field where something cannot be read."""
    wrong: dict[str, str] = {}
    altitude_m = _altitude_m(fields.get("altitude", "").strip(), wrong)
    sureness = fields.get("sure", USUAL)
    if sureness not in SURENESS:
        wrong["sure"] = tr("That is no way to ring; open the page anew.")
    placed: list[tuple[int, int, TriedPerson]] = []
    for number, person in enumerate(present.people):
        if number >= MOST_PEOPLE:
            placed.append((number + 1, number, person))
            continue
        place = fields.get(f"place-{number}", str(number + 1))
        hours = _hours(f"hours-{number}", fields.get(f"hours-{number}", ""), person, wrong)
        if place.isascii() and place.isdigit() and len(place) < 3:
            if int(place):
                placed.append((int(place), number, TriedPerson(person.name, *hours, person.knows_the_trade)))
        else:
            wrong[f"place-{number}"] = tr("That is no place in the order; open the page anew.")
    if wrong:
        return None, wrong
    # Of two in one place the one who stands first in the settings goes first.
    people = tuple(person for _, _, person in sorted(placed, key=lambda one: one[:2]))
    if typed_of(present).get("altitude") == fields.get("altitude", "").strip():
        altitude_m = present.altitude_m  # what was not touched is not rounded
    return Trial(altitude_m, people, sureness), {}


def _altitude_m(text: str, wrong: dict[str, str]) -> float | None:
    if not text:
        return None
    plain = re.fullmatch(r"([+-]?\d{1,5}(?:[.,]\d{1,3})?)\s*(m|ft)?", text)
    low, high = _ALTITUDE_M
    if plain is not None:
        feet = plain[2] == "ft" or (plain[2] is None and voice().units == US)
        metres = float(plain[1].replace(",", ".")) * (_M_PER_FT if feet else 1.0)
        if low <= metres <= high:
            return metres
    wrong["altitude"] = tr(
        '"{text}" is no height from {low:.0f} to {high:.0f} m: write for example 120 m, or 400 ft.',
        text=text[:20], low=low, high=high,
    )  # fmt: skip
    return None


def _hours(field: str, text: str, person: TriedPerson, wrong: dict[str, str]) -> tuple[int, int]:
    found = _HOURS.fullmatch(text)
    if found is not None:
        start, end = int(found[1]) * 60 + int(found[2]), int(found[3]) * 60 + int(found[4])
        if start != end and max(start, end) <= 24 * 60 and int(found[2]) < 60 and int(found[4]) < 60:
            return start, end
    wrong[field] = tr('"{text}" is not two times of day: write for example 07:00-22:00.', text=text.strip()[:20])
    return person.waking_from, person.waking_to


def _clock(minute: int) -> str:
    return f"{minute // 60:02d}:{minute % 60:02d}"


# ---- the page --------------------------------------------------------------------------------------------------------


def form_page(  # noqa: PLR0917
    batch: str, present: Trial, hand: Hand, typed: Mapping[str, str] | None = None,
    wrong: Mapping[str, str] | None = None, refusal: str = "",
) -> str:  # fmt: skip
    """The settings as they are, to be changed for a trial; what was typed stays where something was wrong."""
    title = tr("Would it have rung?")
    how = tr(
        "The readings and the log of this batch go through the judgement once more: with the settings as they are now, "
        "and with what is changed here. Nobody is rung, and neither the journal nor the settings change. It takes a "
        "minute or two."
    )
    parts = [
        f"<header><h1>{_text(title)}</h1><p>{_text(batch)}</p></header>",
        f'<a class="back" href="{what_if_address(batch, "")}">&#8592; {_text(tr("to {batch}", batch=batch))}</a>',
        f"<p>{_text(how)}</p>",
    ]
    if refusal:
        parts.append(f'<p class="banner alarm-daylight" role="alert">{_text(refusal)}</p>')
    if hand.state == IN:
        parts.append(_form(batch, present, hand, typed or typed_of(present), wrong or {}))
    else:
        parts.append(invitation(hand, what_if_address(batch)))
    return still_page(title, "".join(parts))


def _form(batch: str, present: Trial, hand: Hand, typed: Mapping[str, str], wrong: Mapping[str, str]) -> str:
    unit = "ft" if voice().units == US else "m"
    altitude = _field(
        "altitude", tr("Height above the sea, {unit}", unit=unit), typed, wrong,
        tr("Water boils at less higher up, and so it is too hot sooner. Empty: as at the sea."),
    )  # fmt: skip
    sure = "".join(
        f'<label><input type="radio" name="sure" value="{one}"{" checked" if typed.get("sure") == one else ""}>'
        f"{_text(tr(_SURENESS_WORDS[one]))}</label>"
        for one in SURENESS
    )
    shown = present.people[:MOST_PEOPLE]
    people = "".join(_person(number, person, len(shown), typed, wrong) for number, person in enumerate(shown))
    only = tr("Only to see how near it was: there is no such setting.")
    return (
        f'<form method="post" action="{what_if_address(batch, "/would-ring/do")}">'
        f'<input type="hidden" name="token" value="{hand.token}">'
        f'<div class="panel">{altitude}</div>{people}'
        f'<fieldset class="panel ago"><legend>{_text(tr("It rings"))}</legend>{sure}'
        f"<p>{_text(only)}</p></fieldset>"
        f'<button class="press" type="submit">{_text(tr("Work it out"))}</button></form>'
    )


def _person(number: int, person: TriedPerson, count: int, typed: Mapping[str, str], wrong: Mapping[str, str]) -> str:
    chosen = typed.get(f"place-{number}", str(number + 1))
    options = [(str(place), tr("number {n}", n=place)) for place in range(1, count + 1)] + [("0", tr("not at all"))]
    choices = "".join(
        f'<option value="{value}"{" selected" if value == chosen else ""}>{_text(words)}</option>'
        for value, words in options
    )
    hours = _field(f"hours-{number}", tr("Waking hours of {person}", person=person.name), typed, wrong)
    label = tr("{person} is rung as", person=person.name)
    return (
        f'<div class="panel"><label for="place-{number}">{_text(label)}</label>'
        f'<select id="place-{number}" name="place-{number}">{choices}</select>'
        f"{_wrong(f'place-{number}', wrong)}{hours}</div>"
    )


def _field(name: str, label: str, typed: Mapping[str, str], wrong: Mapping[str, str], hint: str = "") -> str:
    told = [f"{name}-{kind}" for kind, there in (("hint", hint), ("wrong", wrong.get(name))) if there]
    described = f' aria-describedby="{" ".join(told)}"' if told else ""
    invalid = ' aria-invalid="true"' if name in wrong else ""
    note = f'<p id="{name}-hint">{_text(hint)}</p>' if hint else ""
    return (
        f'<label for="{name}">{_text(label)}</label>{_wrong(name, wrong)}'
        f'<input id="{name}" name="{name}" type="text" autocomplete="off" maxlength="30" '
        f'value="{_text(typed.get(name, ""))}"{described}{invalid}>{note}'
    )


def _wrong(name: str, wrong: Mapping[str, str]) -> str:
    return f'<p class="wrong" id="{name}-wrong">{_text(wrong[name])}</p>' if name in wrong else ""
