"""The comparison as one file that stands by itself: to keep, to send on, to print. Pure.

The style sheet of the page is put into it, so it looks the same without the watch; it loads nothing and runs nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from importlib.resources import files

from monitor.page.compare_page import curves_html, groups_html
from monitor.page.parts import text_of as _text
from monitor.seasons.curves import AS, Overlay, overlay
from monitor.seasons.differences import Compared
from monitor.seasons.groups import BY_WORDS, group_of
from monitor.seasons.story import Story
from monitor.seasons.table import Row, range_note
from monitor.words import tr, voice

# So many curves can be told apart in one drawing; more batches get further drawings.
_TOGETHER = 8
# On paper a table of all figures fits beside each other; on a screen it may be wider than a phone.
_OWN = """
main { max-width: 60rem; }
.figures { overflow-x: auto; }
.figures table { font-size: 0.8rem; }
.figures th, .figures td { padding-inline-end: 0.6rem; }
.figures th, .figures td { overflow-wrap: normal; }
.figures thead th { font-weight: 700; color: var(--text); }
.drawings { display: grid; grid-template-columns: repeat(auto-fit, minmax(min(20rem, 100%), 1fr)); gap: 0 1rem; }
@media print {
  .drawings { grid-template-columns: 1fr 1fr; }
  .drawing .chart { width: 100%; }
  .figures table { font-size: 7.5pt; }
}
"""


def report_html(
    stories: Sequence[Story],
    rows: Sequence[Row],
    found: Sequence[Compared],
    *,
    zero: str,
    hours: float,
    by: str | None,
    place: str,
    made: str,
) -> str:
    """The whole file. ``made`` says when, in words; ``found`` are the groups held against each other."""
    title = tr("Batches side by side")
    css = files("monitor.page").joinpath("static", "page.css").read_text(encoding="utf-8")
    drawings = "".join(curves_html(laid) for laid in _overlays(stories, zero, hours))
    groups = "".join(groups_html(one) for one in found)
    limits = tr(
        "Potash used up says how far the reaction went. It does not say that nothing caustic is left: paste burns "
        "until it has been diluted and tested."
    )
    known = tr("Heat and potash used up are drawn as they were known at each time, each with the range of 90 of 100.")
    return (
        f'<!doctype html>\n<html lang="{_text(voice().language)}">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="color-scheme" content="light dark">\n'
        f"<title>{_text(title)}</title>\n<style>\n{css}{_OWN}</style>\n</head>\n<body>\n<main>\n"
        f"<header><h1>{_text(title)}</h1><p>{_text(' · '.join(filter(None, (place, made))))}</p></header>\n"
        f"{groups}{_figures(rows, by)}"
        f'<div class="drawings">{drawings}</div>\n'
        f"<footer><p>{_text(known)}</p><p>{_text(limits)}</p></footer>\n</main>\n</body>\n</html>\n"
    )


def _overlays(stories: Sequence[Story], zero: str, hours: float) -> list[Overlay]:
    parts = [stories[place : place + _TOGETHER] for place in range(0, len(stories), _TOGETHER)]
    return [
        overlay(part, shown_as, zero, hours=hours, first=place * _TOGETHER)
        for shown_as in AS
        for place, part in enumerate(parts)
    ]


def _figures(rows: Sequence[Row], by: str | None) -> str:
    """All figures in one table, numbered as the curves are."""
    if not rows:
        return ""
    heads = [tr("batch"), *([tr(BY_WORDS[by])] if by else []), *(what for what, _ in rows[0].cells())]
    head = "".join(f'<th scope="col">{_text(words)}</th>' for words in heads)
    body = "".join(
        f'<tr><th scope="row">{number} {_text(row.story.name)}</th>'
        + "".join(
            f"<td>{_text(value)}</td>"
            for value in (*([group_of(row.story, by) or "–"] if by else []), *(value for _, value in row.cells()))
        )
        + "</tr>"
        for number, row in enumerate(rows, 1)
    )
    title, note = _text(tr("Figures")), range_note(rows)
    return (
        f'<section class="panel figures"><h2>{title}</h2><table><thead><tr>{head}</tr></thead>'
        f"<tbody>{body}</tbody></table>{f'<p>{_text(note)}</p>' if note else ''}</section>"
    )
