"""The whole log of a running batch, each entry with a way to put right that it was noted at the wrong bucket. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.page.forms import IN, Hand, invitation
from monitor.page.parts import HOLE, LocalTime, address_of, clock, name_of, still_page, with_markup
from monitor.page.parts import text_of as _text
from monitor.page.view import LogLine
from monitor.words import tr, trc


@dataclass(frozen=True, slots=True)
class LogRow:
    """One entry. ``struck_at_s`` when it was taken back; ``moved_from`` and ``moved_to`` are buckets.

    ``put_back`` is (bucket, batch, entry): what to move here again where it was moved away from here.
    """

    line: LogLine
    who: str = ""
    struck_at_s: float | None = None
    moved_from: str = ""
    moved_to: str = ""
    put_back: tuple[str, str, str] | None = None


@dataclass(frozen=True, slots=True)
class LogView:
    """The log of the batch that runs in ``bucket`` (``batch`` "" where none does), and those that run in ``others``:
    (bucket, batch).
    """

    bucket: str
    batch: str
    at_s: float
    rows: tuple[LogRow, ...] = ()
    others: tuple[tuple[str, str], ...] = ()


def log_page(view: LogView, local_time: LocalTime, hand: Hand) -> str:
    """Every entry, the newest first, also those that were taken back."""
    title = tr("Log of {bucket}", bucket=view.bucket)
    parts = [
        f"<header><h1>{_text(title)}</h1><p>{_text(view.batch)}</p></header>",
        f'<a class="back" href="{address_of(view.bucket)}">&#8592; {_text(tr("to {bucket}", bucket=view.bucket))}</a>',
    ]
    if not view.batch:
        none = tr("No batch runs in {bucket}. Start one: emberpail start", bucket=view.bucket)
        return still_page(title, "".join([*parts, f'<p class="panel">{_text(none)}</p>']))
    parts.append(f"<p>{_text(_how(view))}</p>")
    parts.append(invitation(hand, address_of(view.bucket, "/log")))
    if view.rows:
        rows = "".join(_row(row, view, local_time, hand) for row in reversed(view.rows))
        parts.append(f'<ol class="entries">{rows}</ol>')
    else:
        parts.append(f'<p class="panel">{_text(tr("Nothing has been noted yet."))}</p>')
    return still_page(title, "".join(parts))


def _how(view: LogView) -> str:
    if view.others:
        return tr(
            "An entry noted at the wrong bucket can be moved. It keeps the time when it was done; here it stays, "
            "struck out, and it can be moved back."
        )
    return tr("No other bucket has a running batch to which an entry could belong.")


def _row(row: LogRow, view: LogView, local_time: LocalTime, hand: Hand) -> str:
    words, noted = _text(row.line.words), []
    if row.who:
        noted.append(_text(tr("noted by {who}", who=row.who)))
    if row.line.noted_at_s:
        noted.append(_timed(tr("noted {time}", time=HOLE), row.line.noted_at_s, view, local_time))
    if row.moved_from:
        noted.append(_text(tr("moved from {bucket}", bucket=row.moved_from)))
    if row.struck_at_s is not None:
        words = f"<s>{words}</s>"
        struck = tr("moved to {bucket} {time}", bucket=row.moved_to, time=HOLE) if row.moved_to else tr(
            "taken back {time}", time=HOLE
        )  # fmt: skip
        noted.append(_timed(struck, row.struck_at_s, view, local_time))
    about = f"<small>{' · '.join(noted)}</small>" if noted else ""
    at = clock(row.line.at_s, view.at_s, local_time)
    pressed = _buttons(row, view, hand) if hand.state == IN else ""
    return f'<li class="panel" id="{name_of(row.line.entry_id)}"><p>{at} {words} {about}</p>{pressed}</li>'


def _timed(words: str, at_s: float, view: LogView, local_time: LocalTime) -> str:
    return with_markup(words, clock(at_s, view.at_s, local_time))


def _buttons(row: LogRow, view: LogView, hand: Hand) -> str:
    if row.struck_at_s is not None:
        if row.put_back is None:
            return ""
        bucket, batch, entry = row.put_back
        hidden = _hidden(hand, batch, what="move", entry=entry, to=view.bucket, back="there")
        words = _text(tr("It was {bucket} after all: put it back", bucket=view.bucket))
        return (
            f'<form method="post" action="{address_of(bucket, "/do")}">{hidden}'
            f'<button class="press plain" type="submit">{words}</button></form>'
        )
    do, entry = address_of(view.bucket, "/do"), row.line.entry_id
    undo = (
        f'<form method="post" action="{do}">{_hidden(hand, view.batch, what="undo", entry=entry, back="log")}'
        f'<button class="press plain" type="submit">{_text(trc("button", "Take it back"))}</button></form>'
    )
    if not view.others:
        return _behind(row, trc("button", "Take it back"), undo)
    choices = "".join(
        f'<button class="press plain" name="to" value="{_text(bucket)}">'
        f"{_text(tr('It was {bucket} ({batch})', bucket=bucket, batch=batch))}</button>"
        for bucket, batch in view.others
    )
    move = (
        f'<form method="post" action="{do}">{_hidden(hand, view.batch, what="move", entry=entry, back="log")}'
        f"{choices}</form>"
    )
    return _behind(row, tr("It belongs to another bucket"), move) + _behind(row, tr("It did not happen"), undo)


def _behind(row: LogRow, words: str, form: str) -> str:
    told = f'<span class="unseen">: {_text(row.line.words)}</span>'
    return f'<details class="folded"><summary>{_text(words)}{told}</summary>{form}</details>'


def _hidden(hand: Hand, batch: str, **more: str) -> str:
    fields = {"token": hand.token, "batch": batch, **more}
    return "".join(f'<input type="hidden" name="{name}" value="{_text(value)}">' for name, value in fields.items())
