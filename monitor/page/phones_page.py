"""Who is rung, by which way, and whether that way works; the code that opens the page on a phone. Pure."""

from __future__ import annotations

from monitor.page.address import code_svg
from monitor.page.forms import IN, Hand, invitation
from monitor.page.household import HouseholdView, PersonView, RouteView
from monitor.page.parts import LocalTime, clock, still_page
from monitor.page.parts import text_of as _text
from monitor.words import tr


def phones_page(view: HouseholdView, local_time: LocalTime, hand: Hand) -> str:
    """Everybody in the order of ringing, then how to get the page on a phone."""
    parts = [f"<header><h1>{_text(tr('Phones'))}</h1></header>", invitation(hand, "/phones")]
    if view.on_call:
        parts.append(f"<p><strong>{_text(view.on_call)}</strong></p>")
        if hand.state == IN:
            parts.append(_form(hand, "on-call", "", tr("Leave it to the settings")))
    if not view.people:
        words = tr("Nobody is in the settings to be rung: whatever happens to a batch shows on this page only.")
        parts.append(f'<p class="panel"><strong>{_text(words)}</strong></p>')
    parts += [_person(person, view, local_time, hand) for person in view.people]
    parts.append(_on_the_phone(view))
    return still_page(tr("Phones"), "".join(parts))


def _person(person: PersonView, view: HouseholdView, local_time: LocalTime, hand: Hand) -> str:
    first = f"<small>{_text(tr('is rung first'))}</small>" if person.first else ""
    routes = "".join(f"<li>{_route(route, view, local_time)}</li>" for route in person.routes)
    notes = "".join(f"<p>{_text(note)}</p>" for note in person.notes)
    none = "" if routes else f"<p><strong>{_text(tr('No way to ring is set.'))}</strong></p>"
    name, buttons = person.name, ""
    if hand.state == IN:
        if person.routes:
            buttons += _form(hand, "ring", name, tr("Test the phone of {name}", name=name))
        if not person.first:
            buttons += _form(hand, "on-call", name, tr("Ring {name} first tonight", name=name))
    return (
        f'<section class="panel"><h2>{_text(person.name)} {first}</h2>{notes}{none}<ul class="log">{routes}</ul>'
        f"{buttons}</section>"
    )


def _route(route: RouteView, view: HouseholdView, local_time: LocalTime) -> str:
    name = f"<strong>{_text(route.name)}</strong>"
    if route.ok is None or route.at_s is None:
        return f"{name}: {_text(tr('nothing has been sent by it yet; test it.'))}"
    at = clock(route.at_s, view.at_s, local_time)
    if route.ok:
        return f"{name}: {_text(tr('taken')).strip()} {at}"
    return f"{name}: <strong>{_text(tr('failed'))}</strong> {at}. {_text(route.says)}"


def _form(hand: Hand, what: str, person: str, words: str) -> str:
    return (
        f'<form method="post" action="/phones/do"><input type="hidden" name="token" value="{hand.token}">'
        f'<input type="hidden" name="what" value="{what}"><input type="hidden" name="person" value="{_text(person)}">'
        f'<button class="press plain" type="submit">{_text(words)}</button></form>'
    )


def _on_the_phone(view: HouseholdView) -> str:
    title = _text(tr("This page on a phone"))
    if view.address is None:
        words = tr(
            'No phone can open this page yet: it listens on this computer only. Set host = "0.0.0.0" under [page] of '
            "emberpail.toml and start watch again."
        )
        return f'<section class="panel"><h2>{title}</h2><p>{_text(words)}</p></section>'
    words = tr("On the farm's own network, point the phone's camera at this, or type the address.")
    away = tr("Away from that network the page cannot be reached; alarms ring the phone all the same.")
    return (
        f'<section class="panel"><h2>{title}</h2><p>{_text(words)}</p>{code_svg(view.address)}'
        f"<p><strong>{_text(view.address)}</strong></p><p>{_text(away)}</p></section>"
    )


def rung_page(person: str, rung: tuple[tuple[bool, str], ...]) -> str:
    """What became of a test."""
    rows = "".join(f"<li>{'&#10003;' if ok else '<strong>!</strong>'} {_text(says)}</li>" for ok, says in rung)
    title = tr("Test of {name}", name=person)
    return still_page(
        title,
        f'<header><h1>{_text(title)}</h1></header><ul class="panel log">{rows}</ul>'
        f'<a class="back" href="/phones">{_text(tr("back"))}</a>',
    )
