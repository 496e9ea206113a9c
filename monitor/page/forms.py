"""The buttons: plain forms that work without a script and with wet gloves, and the pages they stand on. Pure.

The cautions of a deed stand before its button. Without a passphrase in the settings there are no buttons, and one
sentence says how to get them; without a session there is one, which leads to the door.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from urllib.parse import urlencode

from monitor.page.kinds import BUTTONS, kind_words
from monitor.page.parts import HOLE, LocalTime, address_of, cautions_list, clock, name_of, still_page, with_markup
from monitor.page.parts import text_of as _text
from monitor.page.view import AlarmView, BucketView, StatusView, StepView
from monitor.words import US, tr, trc, voice

AGO_MINUTES = (5, 10, 20, 60)
QUIET_MINUTES = (15, 30, 60, 120, 240, 480)

OFF, OUT, IN = "off", "out", "in"


@dataclass(frozen=True, slots=True)
class Hand:
    """What the visitor may press: OFF (nobody may: no passphrase is set), OUT (after the door), IN with the token."""

    state: str = OFF
    token: str = ""


READ_ONLY = Hand()


def enter_page(back: str, *, wrong: bool = False, wait_s: float = 0.0) -> str:
    """The door: one field, one button."""
    said = ""
    if wait_s > 0.0:
        said = tr("Too many wrong tries. Wait {n} seconds, then try again.", n=int(wait_s) + 1)
    elif wrong:
        said = tr("That was not the passphrase.")
    told = f'<p class="banner alarm-now" role="alert">{_text(said)}</p>' if said else ""
    return still_page(
        tr("Passphrase"),
        f"<header><h1>{_text(tr('Who is there?'))}</h1></header>{told}"
        '<form class="panel door" method="post" action="/enter">'
        f'<input type="hidden" name="back" value="{_text(back)}">'
        f'<label for="passphrase">{_text(tr("The passphrase of this page"))}</label>'
        '<input id="passphrase" name="passphrase" type="password" autocomplete="current-password" required '
        'maxlength="200">'
        f'<button class="press" type="submit">{_text(tr("Let me in"))}</button></form>'
        f"<p>{_text(tr('It stays open on this phone for 30 days.'))}</p>"
        f'<a class="back" href="{_text(back)}">{_text(tr("back"))}</a>',
    )


def steps_page(bucket: BucketView, view: StatusView, local_time: LocalTime, hand: Hand) -> str:
    """The steps of the four days, the next one large; each is ticked by a button."""
    parts = [
        f"<header><h1>{_text(tr('Steps of {bucket}', bucket=bucket.name))}</h1><p>{_text(bucket.batch or '')}</p>"
        f"<p>{with_markup(tr('As of {time}. This page changes only when something is pressed.', time=HOLE), clock(view.at_s, view.at_s, local_time))}</p></header>",  # noqa: E501
        f'<a class="back" href="{address_of(bucket.name)}">&#8592; {_text(tr("to {bucket}", bucket=bucket.name))}</a>',
    ]
    parts += [
        f'<p class="banner alarm-{alarm.urgency}">{_text(alarm.short or alarm.says)}</p>' for alarm in bucket.alarms
    ]
    if bucket.batch is None:
        words = tr("No batch runs in {bucket}. Start one: emberpail start", bucket=bucket.name)
        return still_page(
            tr("Steps of {bucket}", bucket=bucket.name), "".join([*parts, f'<p class="panel">{_text(words)}</p>'])
        )
    parts.append(invitation(hand, address_of(bucket.name, "/steps")))
    day = ""
    rows = []
    for step in bucket.steps:
        if step.day != day:
            day = step.day
            rows.append(f'<li class="day">{_text(day)}</li>')
        rows.append(_step(step, bucket, view, local_time, hand))
    parts.append(f'<ol class="steps">{"".join(rows)}</ol>')
    if hand.state == IN:
        parts.append(_undo_panel(bucket, view, local_time, hand, "steps"))
        parts.append(_remark(bucket, hand))
        parts.append(_leave(hand))
    return still_page(tr("Steps of {bucket}", bucket=bucket.name), "".join(parts))


def _step(step: StepView, bucket: BucketView, view: StatusView, local_time: LocalTime, hand: Hand) -> str:
    text = f"<p>{_text(step.text)}</p>"
    pressed = _tick_form(step, bucket, hand) if hand.state == IN else ""
    count = ""
    if step.wanted > 1 and step.times:
        count = f' <small>{_text(tr("{n} of {wanted}", n=step.times, wanted=step.wanted))}</small>'
    due = ""
    if step.due_s is not None and step.done_at_s is None:
        due = f'<p class="due">{with_markup(tr("Due {time}", time=HOLE), clock(step.due_s, view.at_s, local_time))}</p>'
    title = f"{_text(step.title)}{count}"
    if step.is_next:
        return (
            f'<li class="step next-step" id="next"><p class="mark">{_text(tr("Next"))}</p><h2>{title}</h2>{due}{text}'
            f"{cautions_list(step.cautions)}{pressed}</li>"
        )
    done = ""
    if step.done_at_s is not None:
        done = (
            '<span class="tick" aria-hidden="true">&#10003;</span> '
            f"{with_markup(tr('done {time}', time=HOLE), clock(step.done_at_s, view.at_s, local_time))}"
        )
    state = "done-step" if step.done_at_s is not None else "open-step"
    return (
        f'<li class="step {state}"><details><summary><strong>{title}</strong> <span>{done}</span></summary>'
        f"{due}{text}{cautions_list(step.cautions)}{pressed}</details></li>"
    )


def _tick_form(step: StepView, bucket: BucketView, hand: Hand) -> str:
    field = ""
    if step.asks:
        us = voice().units == US
        name = f"{step.step_id}-{step.asks}"
        if step.asks == "temperature":
            label = tr("Temperature of the mix, {unit}", unit="°F" if us else "°C")
        else:
            label = tr("How much water, {unit}", unit="US gal" if us else tr("litres"))
        field = (
            f'<label for="{_text(name)}">{_text(label)}</label>'
            f'<input id="{_text(name)}" name="{_text(step.asks)}" type="text" inputmode="decimal" autocomplete="off" '
            'maxlength="20">'
        )
    now = _text(tr("Done now"))
    hidden = _hidden(bucket, hand, what="tick", step=step.step_id, back="steps")
    return (
        f'<form method="post" action="{address_of(bucket.name, "/do")}">{hidden}{field}'
        f'<button class="press" name="ago" value="0">{now}<span class="unseen">: {_text(step.title)}</span></button>'
        f"{_ago_buttons()}</form>"
    )


def _ago_buttons() -> str:
    buttons = "".join(
        f'<button class="small" name="ago" value="{minutes}">{_text(tr("{n} min ago", n=minutes))}</button>'
        for minutes in AGO_MINUTES
    )
    return f'<div class="ago" role="group" aria-label="{_text(tr("done earlier"))}">{buttons}</div>'


def note_something(bucket: BucketView, hand: Hand) -> str:
    """The usual log entries behind one disclosure, and taking back the last."""
    if bucket.batch is None:
        return ""
    if hand.state != IN:
        return invitation(hand, address_of(bucket.name))
    choices = "".join(
        f'<label><input type="radio" name="ago" value="{minutes}"{" checked" if not minutes else ""}>'
        f"{_text(tr('{n} min ago', n=minutes) if minutes else tr('now'))}</label>"
        for minutes in (0, *AGO_MINUTES)
    )
    buttons = "".join(
        f'<button class="press plain" name="kind" value="{kind}">{_text(kind_words(kind))}</button>' for kind in BUTTONS
    )
    steps = address_of(bucket.name, "/steps")
    figures = _text(tr("Write a remark, or note a step with its temperature or water"))
    return (
        f'<details class="panel kept" id="note"><summary>{_text(tr("Note something"))}</summary>'
        f"{cautions_list(bucket.handling)}"
        f'<form method="post" action="{address_of(bucket.name, "/do")}">{_hidden(bucket, hand, what="note", back="")}'
        f'<fieldset class="ago"><legend>{_text(tr("It was done"))}</legend>{choices}</fieldset>'
        f'<div class="grid">{buttons}</div></form>'
        f'<a class="button" href="{steps}#remark">{figures}</a></details>'
        f"{_undo_panel(bucket, None, None, hand, '')}"
    )


def alarm_buttons(alarm: AlarmView, bucket: BucketView, hand: Hand) -> str:
    """ "I have seen it" and "I am going", as long as nobody has said so."""
    if hand.state != IN or not alarm.alarm_id or alarm.going:
        return ""
    hidden = _hidden(bucket, hand, what="answer", back="", alarm=alarm.alarm_id)
    seen = "" if alarm.seen else _answer("acknowledged", tr("I have seen it"))
    return (
        f'<form class="grid" method="post" action="{address_of(bucket.name, "/do")}">{hidden}'
        f"{_answer('going', tr('I am going'))}{seen}</form>"
    )


def quiet_buttons(alarm: AlarmView, bucket: BucketView, hand: Hand) -> str:
    """Quiet for a while, no longer than the alarm's kind allows; or an end of it."""
    if hand.state != IN or not alarm.alarm_id or alarm.max_quiet_s <= 0.0:
        return ""
    hidden = _hidden(bucket, hand, what="quiet", back="", alarm=alarm.alarm_id)
    form = f'<form method="post" action="{address_of(bucket.name, "/do")}">{hidden}'
    if alarm.quiet_until_s is not None:
        again = _text(tr("Ring for it again"))
        return f'{form}<button class="press plain" name="minutes" value="0">{again}</button></form>'
    spans = [minutes for minutes in QUIET_MINUTES if minutes * 60.0 <= alarm.max_quiet_s]
    buttons = "".join(
        f'<button class="small" name="minutes" value="{minutes}">{_text(_span_words(minutes))}</button>'
        for minutes in spans
    )
    quiet = _text(tr("Keep it quiet for a while"))
    still = tr("It stands all the same, and rings again if it still stands then. If it gets worse, it rings at once.")
    return (
        f'<details class="kept" id="quiet-{name_of(alarm.alarm_id)}"><summary>{quiet}</summary>'
        f'<p>{_text(still)}</p>{form}<div class="ago" role="group" aria-label="{quiet}">{buttons}</div></form>'
        "</details>"
    )


def _span_words(minutes: int) -> str:
    return tr("{n} min", n=minutes) if minutes < 60 else tr("{n} h", n=minutes // 60)


def _answer(act: str, words: str) -> str:
    return f'<button class="press" name="act" value="{act}">{_text(words)}</button>'


def _remark(bucket: BucketView, hand: Hand) -> str:
    hidden = _hidden(bucket, hand, what="note", kind="note", ago="0", back="steps")
    return (
        f'<form class="panel" id="remark" method="post" action="{address_of(bucket.name, "/do")}">{hidden}'
        f'<label for="text">{_text(tr("A remark in your own words"))}</label>'
        '<input id="text" name="text" type="text" maxlength="500" autocomplete="off" required>'
        f'<button class="press plain" type="submit">{_text(tr("Note it"))}</button></form>'
    )


def _undo_panel(
    bucket: BucketView, view: StatusView | None, local_time: LocalTime | None, hand: Hand, back: str
) -> str:
    last = bucket.last_entry
    if last is None or not last.entry_id:
        return ""
    when = "" if view is None or local_time is None else f", {clock(last.at_s, view.at_s, local_time)}"
    hidden = _hidden(bucket, hand, what="undo", entry=last.entry_id, back=back)
    return (
        f'<form class="panel undo" method="post" action="{address_of(bucket.name, "/do")}">{hidden}'
        f"<p>{_text(tr('Noted last: {entry}', entry=last.words))}{when}</p>"
        f'<button class="press plain" type="submit">{_text(trc("button", "Take it back"))}</button></form>'
    )


def _leave(hand: Hand) -> str:
    return (
        f'<form class="leave" method="post" action="/leave"><input type="hidden" name="token" value="{hand.token}">'
        f'<button class="small" type="submit">{_text(tr("Close the door on this phone"))}</button></form>'
    )


def invitation(hand: Hand, back: str) -> str:
    """The way through the door, or why there is none; nothing for whoever is inside."""
    if hand.state == OUT:
        words = _text(tr("Let me note things here"))
        return f'<a class="button" href="/enter?{_text(urlencode({"back": back}))}">{words}</a>'
    if hand.state == OFF:
        words = tr(
            "This page only shows: to note things and answer alarms here, set passphrase in [page] of emberpail.toml "
            "and start watch again."
        )
        return f'<p class="panel">{_text(words)}</p>'
    return ""


def _hidden(bucket: BucketView, hand: Hand, **more: str) -> str:
    fields: Iterable[tuple[str, str]] = {"token": hand.token, "batch": bucket.batch or "", **more}.items()
    return "".join(f'<input type="hidden" name="{name}" value="{_text(value)}">' for name, value in fields)
