"""The plan of the bench: a form that asks, then cautions, what to weigh, what to expect, a button to keep it. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape
from urllib.parse import quote, urlencode

from monitor.page.forms import IN, Hand, invitation
from monitor.page.parts import address_of, cautions_list, still_page
from monitor.page.parts import text_of as _text
from monitor.page.plan import AIR, BUCKET, FIELDS, LITRES, NAME, OILS, OPENED, PURITY, SIZE, Known, PlanView, Worked
from monitor.trade.cautions import short_cautions_for
from monitor.trade.steps import STEPS
from monitor.words import tr, trc


def plan_address(name: str = "") -> str:
    """The address of the plan of a known recipe, or of an empty form."""
    return f"/plan/{quote(name, safe='')}" if name else "/plan"


def plan_page(view: PlanView, hand: Hand) -> str:
    """What came of it first, where there is something; the form, filled as it was, below."""
    title = tr("Plan: {name}", name=view.name) if view.name else tr("Plan a batch")
    back, back_words = (plan_address(), tr("another recipe")) if view.name else ("/", tr("all buckets"))
    parts = [
        f"<header><h1>{_text(title)}</h1></header>",
        f'<a class="back" href="{back}">&#8592; {_text(back_words)}</a>',
        _faults(view),
    ]
    if view.worked is not None:
        parts += [*_worked(view.worked), _checklist(view), _keep(view, hand)]
    else:
        parts.append(_known(view.known))
    parts.append(_form(view))
    if view.worked is None:
        parts.append(_checklist(view))
    return still_page(title, "".join(parts))


def checklist_page(emergency_number: str) -> str:
    """The steps of the four days to read, each with its cautions before it; a running batch has its own to tick."""
    rows, day = [], ""
    for step in STEPS:
        if step.told_day() != day:
            day = step.told_day()
            rows.append(f'<li class="day">{_text(day)}</li>')
        rows.append(
            f'<li class="step"><details class="folded"><summary><strong>{_text(step.told_title())}</strong></summary>'
            f"{cautions_list(short_cautions_for(step.deed, emergency_number))}<p>{_text(step.told_text())}</p>"
            "</details></li>"
        )
    about = tr("To read beforehand. Once a batch is started its bucket has this list to tick, with times.")
    return still_page(
        tr("The making, step by step"),
        f"<header><h1>{_text(tr('The making, step by step'))}</h1><p>{_text(about)}</p></header>"
        f'<a class="back" href="/plan">&#8592; {_text(tr("Plan a batch"))}</a>'
        f'<ol class="steps">{"".join(rows)}</ol>',
    )


# ---- what came of it -----------------------------------------------------------------------------------------------


def _faults(view: PlanView) -> str:
    if not view.faults:
        return ""
    whole = view.faults.get("", "")
    told = whole or tr("Something in the form below cannot be used: what it is stands beside it.")
    return f'<p class="banner alarm-daylight" role="alert">{_text(told)}</p>'


def _worked(worked: Worked) -> list[str]:
    amounts = "".join(
        f'<tr><td class="mass">{_text(mass)}</td><th scope="row">{_text(what)}</th></tr>'
        for mass, what in worked.amounts
    )
    heading, *rows = worked.table
    head = "".join(f'<th scope="col">{_text(cell)}</th>' for cell in heading)
    body = "".join(
        f'<tr><th scope="row">{_text(first)}</th>{"".join(f"<td>{_text(cell)}</td>" for cell in cells)}</tr>'
        for first, *cells in rows
    )
    warnings = _list(worked.warnings)
    return [
        f'<section class="panel"><h2>{_text(tr("Before anything else"))}</h2>{cautions_list(worked.cautions)}'
        f'<details class="folded"><summary>{_text(tr("The cautions in full"))}</summary>{_list(worked.in_full)}'
        "</details></section>",
        f'<section class="panel mind"><h2>{_text(tr("Mind this"))}</h2>{warnings}</section>'
        if worked.warnings
        else "",
        f'<section class="panel"><h2>{_text(tr("Weigh, twice"))}</h2><table class="weigh">{amounts}</table></section>',
        f'<section class="panel"><h2>{_text(tr("What it will be"))}</h2>{_list(worked.says)}</section>',
        f'<section class="panel"><h2>{_text(tr("What to expect"))}</h2>{_list(worked.advice)}'
        f'<p>{_text(worked.table_title)}</p><table class="expected"><thead><tr>{head}</tr></thead>'
        f"<tbody>{body}</tbody></table><p>{_text(worked.table_note)}</p></section>",
    ]


def _list(sentences: Iterable[str]) -> str:
    return f'<ul>{"".join(f"<li>{_text(sentence)}</li>" for sentence in sentences)}</ul>'


def _checklist(view: PlanView) -> str:
    links = [f'<a class="button" href="/checklist">{_text(tr("The making, step by step"))}</a>']
    if view.running:
        words = tr("Steps of {bucket}", bucket=view.running)
        links.insert(0, f'<a class="button" href="{address_of(view.running, "/steps")}">{_text(words)}</a>')
    return "".join(links)


def _keep(view: PlanView, hand: Hand) -> str:
    if view.kept_as:
        # Where files lie on this computer is for those who may press.
        begin = (
            tr("This plan is kept. To begin it: emberpail start --from {file}", file=view.kept_as)
            if hand.state == IN
            else tr("This plan is kept.")
        )
        return f'<p class="panel" role="status">{_text(begin)}</p>'
    if hand.state != IN:
        asked = urlencode({name: view.typed[name] for name in FIELDS if view.typed.get(name)})
        return invitation(hand, f"{plan_address(view.name)}?{asked}")
    hidden = "".join(
        f'<input type="hidden" name="{name}" value="{_typed(view.typed.get(name, ""))}">' for name in FIELDS
    )
    fault, described = _fault(view, NAME)
    return (
        f'<form class="panel" id="keep" method="post" action="/plan/keep">'
        f'<input type="hidden" name="token" value="{hand.token}">'
        f'<input type="hidden" name="recipe" value="{_typed(view.name)}">{hidden}'
        f'<label for="name">{_text(tr("Keep it under this name"))}</label>{fault}'
        f'<input id="name" name="{NAME}" type="text" maxlength="60" autocomplete="off" required{described} '
        f'value="{_typed(view.typed.get(NAME, ""))}">'
        f'<button class="press" type="submit">{_text(tr("Keep this plan"))}</button></form>'
    )


# ---- what is asked -------------------------------------------------------------------------------------------------


def _known(known: Iterable[Known]) -> str:
    rows = "".join(
        f'<li><a href="{plan_address(one.name)}"><strong>{_text(one.name)}</strong><span>{_text(one.what)}</span></a>'
        "</li>"
        for one in known
    )
    if not rows:
        return ""
    summary = _text(tr("From a recipe that is known"))
    return f'<details class="panel folded"><summary>{summary}</summary><ul class="rows">{rows}</ul></details>'


def _form(view: PlanView) -> str:
    again = view.worked is not None
    title = _text(tr("Change it") if again else tr("What shall it be?"))
    fields = [
        _area(view, OILS, tr("Oils as weighed, one a line: sunflower 4.2 kg. Or their shares: sunflower 70 %")),
        _line(view, PURITY, tr("Purity of the potash (KOH) as printed on this bag"), "90 %"),
        _line(view, OPENED, tr("Since when the bag is open, if known"), "2026-05"),
        _line(
            view, SIZE,
            tr("How much: 20 L of finished soap, or 640 g of potash at hand, or bucket to fill it; empty: as weighed"),
            "20 L",
        ),
        _buckets(view),
        _line(view, LITRES, tr("Size of the bucket to the brim, if it is another"), "25 L"),
        _line(view, AIR, tr("How warm it is where it will stand, if known"), "18 °C"),
    ]  # fmt: skip
    return (
        f'<form class="panel" id="ask" method="get" action="{plan_address(view.name)}"><h2>{title}</h2>'
        f'{"".join(fields)}<button class="press" type="submit">{_text(tr("Work it out"))}</button></form>'
    )


def _line(view: PlanView, name: str, label: str, example: str) -> str:
    fault, described = _fault(view, name)
    return (
        f'<label for="{name}">{_text(label)}</label>{fault}'
        f'<input id="{name}" name="{name}" type="text" maxlength="60" autocomplete="off" '
        f'placeholder="{_text(example)}"{described} value="{_typed(view.typed.get(name, ""))}">'
    )


def _area(view: PlanView, name: str, label: str) -> str:
    fault, described = _fault(view, name)
    # A line feed right after the opening tag is not part of the text: what was typed may begin with one.
    return (
        f'<label for="{name}">{_text(label)}</label>{fault}'
        f'<textarea id="{name}" name="{name}" rows="3" maxlength="600" autocomplete="off"{described}>\n'
        f"{_typed(view.typed.get(name, ''))}</textarea>"
    )


def _buckets(view: PlanView) -> str:
    chosen = view.typed.get(BUCKET, "")
    choices = [("", trc("bucket", "not chosen yet")), *((name, f"{name}, {what}" if what else name)
               for name, what in view.buckets)]  # fmt: skip
    if chosen and chosen not in dict(view.buckets):
        choices.append((chosen, chosen))
    options = "".join(
        f'<option value="{_typed(name)}"{" selected" if name == chosen else ""}>{_text(words)}</option>'
        for name, words in choices
    )
    fault, described = _fault(view, BUCKET)
    return (
        f'<label for="{BUCKET}">{_text(tr("Bucket"))}</label>{fault}'
        f'<select id="{BUCKET}" name="{BUCKET}"{described}>{options}</select>'
    )


def _fault(view: PlanView, name: str) -> tuple[str, str]:
    """The sentence beside a field, and what ties it to the field for a reader that speaks."""
    words = view.faults.get(name, "")
    if not words:
        return "", ""
    said = f'<p class="wrong" id="wrong-{name}">{_text(words)}</p>'
    return said, f' aria-invalid="true" aria-describedby="wrong-{name}"'


def _typed(text: str) -> str:
    """What was typed, as the value of a field: not a character of it changes but those that nobody can see."""
    shown = "".join(sign if sign.isprintable() or sign == "\n" else "\ufffd" for sign in text)
    return escape(shown, quote=True).replace("\n", "&#10;")
