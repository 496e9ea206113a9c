"""Batches side by side on the phone: what to lay over each other, the curves, their figures, and groups. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from urllib.parse import quote

from monitor.page.compare_view import MOST_CURVES, Asked, Choice
from monitor.page.overlay_chart import key_html, overlay_svg, zero_words
from monitor.page.parts import still_page
from monitor.page.parts import text_of as _text
from monitor.page.plan_page import plan_address
from monitor.seasons.curves import ALIGNED, AS, AS_WORDS, HOURS, Overlay
from monitor.seasons.differences import MEASURES, Compared, Group
from monitor.seasons.groups import BY, BY_WORDS
from monitor.seasons.sentences import mean_words, sentences
from monitor.seasons.table import Row, range_note
from monitor.words import tr, trn

# A list for a thumb; older batches are found by the command.
_MOST_CHOICES = 40


def compare_page(  # noqa: PLR0917
    asked: Asked,
    choices: Sequence[Choice],
    laid: Overlay,
    rows: Sequence[Row],
    found: Compared | None,
    refusal: str = "",
    counted: int | None = None,
) -> str:
    """The page. What was chosen stays chosen, in a form that is folded away above what is shown. ``counted`` is of how
    many batches the groups are, the newest; None for all."""
    title = tr("Compare batches")
    parts = [f"<header><h1>{_text(title)}</h1></header>"]
    if not choices:
        parts.append(f'<p class="panel">{_text(tr("There is no batch yet."))}</p>')
        return still_page(title, "".join(parts))
    parts.append(_form(asked, choices))
    if refusal:
        parts.append(f'<p class="banner alarm-daylight" role="status">{_text(refusal)}</p>')
    note = _newest(counted, len(choices))
    parts += [curves_html(laid), "" if found is None else groups_html(found, note=note), rows_html(rows)]
    return still_page(title, "".join(parts))


def curves_html(laid: Overlay, heading: str = "h2") -> str:
    """The drawing with its key, and why a batch is not on it."""
    title = tr("{what}, from {zero} on", what=tr(AS_WORDS[laid.shown_as]), zero=zero_words(laid.aligned))
    svg = overlay_svg(laid)
    out = "".join(f"<p>{_text(sentence)}</p>" for sentence in laid.left_out)
    if any(curve.ranged for curve in laid.curves):
        note = tr(
            "A shaded range holds 90 of 100; it is drawn for up to four batches. Each point is what was known then."
        )
        out += f"<p>{_text(note)}</p>"
    nothing = "" if svg else f"<p>{_text(tr('There is nothing to draw.'))}</p>"
    return (
        f'<section class="panel drawing"><{heading}>{_text(_capital(title))}</{heading}>{svg}{key_html(laid)}'
        f"{nothing}{out}</section>"
    )


def rows_html(rows: Iterable[Row], heading: str = "h2") -> str:
    """The figures, a panel for each batch: a table of many columns does not fit a phone."""
    rows = list(rows)
    note = range_note(rows)
    panels = "".join(
        f'<section class="panel"><{heading}>{number} <a class="tall" href="/batch/{quote(row.story.name, safe="")}">'
        f"{_text(row.story.name)}</a></{heading}><table>{_cells(row)}</table>{_again(row)}</section>"
        for number, row in enumerate(rows, 1)
    )
    return panels + (f"<p>{_text(note)}</p>" if note else "")


def _again(row: Row) -> str:
    """The way to "what if": the plan shows the same recipe bare, under a blanket and in a box, in whatever air."""
    if row.story.mass_kg is None:
        return ""
    words = tr("This recipe under another cover, in other air")
    return f'<a class="button" href="{plan_address(row.story.name)}">{_text(words)}</a>'


def _cells(row: Row) -> str:
    return "".join(f'<tr><th scope="row">{_text(what)}</th><td>{_text(value)}</td></tr>' for what, value in row.cells())


def _newest(counted: int | None, of: int) -> str:
    """That not all batches are in the groups; "" where they are."""
    if counted is None or counted >= of:
        return ""
    return tr("These are the newest {counted} of {all} batches; the command emberpail compare --by takes all of them.",
              counted=counted, all=of)  # fmt: skip


def groups_html(found: Compared, heading: str = "h2", note: str = "") -> str:
    """The groups with their means, and the sentences on how they differ, ``note`` before these."""
    title = tr("By {by}: {measure}", by=tr(BY_WORDS[found.by]), measure=tr(MEASURES[found.measure][1]))
    rows = "".join(
        f'<tr><th scope="row">{_text(group.name)}</th>'
        f"<td>{_text(_counted(group, found.measure))}</td></tr>"
        for group in found.groups
    )
    says = "".join(f"<p>{_text(sentence)}</p>" for sentence in filter(None, (note, *sentences(found))))
    return f'<section class="panel"><{heading}>{_text(title)}</{heading}><table>{rows}</table>{says}</section>'


def _counted(group: Group, measure: str) -> str:
    batches = trn("{n} batch", "{n} batches", group.count)
    return " · ".join(filter(None, (batches, mean_words(group, measure))))


def _form(asked: Asked, choices: Sequence[Choice]) -> str:
    boxes = "".join(
        f'<li><label><input type="checkbox" name="b" value="{_text(one.name)}"'
        f"{' checked' if one.name in asked.names else ''}>"
        f"<span>{_text(one.name)}<small>{_text(one.more)}</small></span></label></li>"
        for one in choices[:_MOST_CHOICES]
    )
    ask_as = _select("as", tr("Curves of"), [(one, tr(AS_WORDS[one])) for one in AS], asked.shown_as)
    ask_zero = _select("zero", tr("Hours from"), [(one, zero_words(one)) for one in ALIGNED], asked.zero)
    ask_hours = _select(
        "hours", tr("For"),
        [(str(one), trn("{n} hour", "{n} hours", one) if one else tr("all of it")) for one in HOURS], str(asked.hours),
    )  # fmt: skip
    ask_by = _select(
        "by", tr("Hold groups of all batches against each other, by"),
        [("", tr("no groups")), *((one, tr(BY_WORDS[one])) for one in BY)], asked.by,
    )  # fmt: skip
    measures = [(one, tr(words)) for one, (_, words, _) in MEASURES.items()]
    ask_of = _select("of", tr("and look at their"), measures, asked.of)
    slow = tr("Groups take up to half a minute to be reckoned on a small computer.")
    which = tr("Which batches ({most} at the most)", most=MOST_CURVES)
    return (
        f'<details class="panel folded" id="choose"><summary>{_text(tr("Choose batches, curves and groups"))}</summary>'
        f'<form method="get" action="/compare">{ask_as}{ask_zero}{ask_hours}{ask_by}{ask_of}<p>{_text(slow)}</p>'
        f"<h2>{_text(which)}</h2>"
        f'<ul class="choices">{boxes}</ul>'
        f'<button class="press" type="submit">{_text(tr("Show"))}</button></form></details>'
    )


def _select(name: str, label: str, options: Sequence[tuple[str, str]], chosen: str) -> str:
    inner = "".join(
        f'<option value="{_text(value)}"{" selected" if value == chosen else ""}>{_text(words)}</option>'
        for value, words in options
    )
    return f'<label for="{name}">{_text(label)}</label><select id="{name}" name="{name}">{inner}</select>'


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
