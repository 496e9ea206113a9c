"""The batches, running and past, to be found again. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from urllib.parse import quote

from monitor.page.household import BatchRow
from monitor.page.parts import LocalTime, still_page
from monitor.page.parts import text_of as _text
from monitor.words import DATE, tr, trn, when

# A page for a thumb; who looks for more names a word.
MOST_ROWS = 100


def batches_page(rows: Sequence[BatchRow], words: str, local_time: LocalTime) -> str:
    """The newest first, with one field to look for words in their records."""
    label = tr("Look for words in name, bucket, oils, record or log")
    parts = [
        f"<header><h1>{_text(tr('Batches'))}</h1></header>",
        f'<form class="panel" method="get" action="/batches" role="search"><label for="words">{_text(label)}</label>'
        f'<input id="words" name="words" type="text" maxlength="100" autocomplete="off" value="{_text(words)}">'
        f'<button class="press plain" type="submit">{_text(tr("Look"))}</button></form>',
    ]
    if rows:
        parts.append(f'<ul class="rows">{"".join(_row(row, local_time) for row in rows[:MOST_ROWS])}</ul>')
    none = tr("No batch fits.") if words.strip() else tr("There is no batch yet.")
    counted = trn("{n} batch.", "{n} batches.", len(rows)) if rows else none
    if len(rows) > MOST_ROWS:
        counted = tr("The newest {most} of {n} batches.", most=MOST_ROWS, n=len(rows))
    parts.append(f'<p role="status">{_text(counted)}</p>')
    return still_page(tr("Batches"), "".join(parts))


def _row(row: BatchRow, local_time: LocalTime) -> str:
    about = " · ".join(filter(None, (when(local_time(row.started_s), DATE), row.bucket, row.outcome, row.more)))
    return (
        f'<li><a href="/batch/{quote(row.name, safe="")}"><strong>{_text(row.name)}</strong>'
        f"<span>{_text(about)}</span></a></li>"
    )
