"""The panel with a batch's curve: the drawings, their legend, what the numbers on them mean, and the picture's address.

The drawings are whole without a script. With one, and the chart library, static/curve.js puts a chart to zoom into in
their place; what it says is handed to it here, so that every word passes through the catalogue.
"""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from html import escape

from monitor.curve import BatchCurve, LocalTime
from monitor.page.chart import chart_svg, heat_svg
from monitor.page.parts import text_of
from monitor.page.vendor import Library
from monitor.words import DAY_TIME, TIME, US, tr, trc, voice, when

_LINE = '<svg viewBox="0 0 28 12" aria-hidden="true"><line class="{}" x1="0" x2="28" y1="6" y2="6"/></svg>'
_AREA = '<svg viewBox="0 0 28 12" aria-hidden="true"><rect class="{}" width="28" height="12"/></svg>'
_MONDAY = datetime(2024, 1, 1)


def drawing(
    curve: BatchCurve, local_time: LocalTime, *, base: str = "", library: Library | None = None, picture: bool = False
) -> str:
    """The panel. ``base`` is the address below which curve.json and curve.png are; without it there is neither."""
    title = text_of(tr("Curve"))
    svg = chart_svg(
        curve.core, ambient=curve.air, band=curve.band, marks=curve.marks, too_hot_c=curve.too_hot_c,
        local_time=local_time, others=curve.paste[1:], forecast=curve.forecast,
    )  # fmt: skip
    if not svg:
        none = text_of(tr("No reading to draw yet."))
        return f'<section class="panel"><h3>{title}</h3><p>{none}</p></section>'
    marks = [(at_s, words) for at_s, words in curve.marks if curve.heat]
    heat = heat_svg(curve.heat, marks=marks, local_time=local_time, span=[curve.core, curve.air, _times_of(curve)])
    parts = [f'<section class="panel drawing"><h3>{title}</h3>']
    if library is not None and base:
        parts.append(_place_for_the_chart(curve, base, library))
    parts.append(f'<div class="drawn">{svg}')
    if heat:
        parts.append(f"<h4>{text_of(tr('Heat released'))}</h4>{heat}")
    parts.append(f"</div>{_key(curve, svg, bool(heat))}{_done(curve, local_time)}")
    if picture and base:
        words = text_of(tr("Picture to send on"))
        parts.append(f'<p><a class="button" href="{escape(base, quote=True)}/curve.png">{words}</a></p>')
    return "".join([*parts, "</section>"])


def _times_of(curve: BatchCurve) -> list[tuple[float, float]]:
    """What else the time axis of the temperatures covers."""
    ends = [row for rows in (curve.band, curve.forecast) if rows for row in (rows[0], rows[-1])]
    ends += [(points[place][0], 0.0, 0.0) for _, points in curve.paste for place in (0, -1)]
    return [(row[0], 0.0) for row in ends]


def _key(curve: BatchCurve, svg: str, heat: bool) -> str:
    several = len(curve.paste) > 1
    rows = [
        (_LINE.format("paste" if place == 0 else escape(probe)), tr("paste, {probe}", probe=probe))
        for place, (probe, _) in enumerate(curve.paste)
    ]
    if not several:
        rows = [(_LINE.format("paste"), tr("paste"))]
    if curve.air:
        rows.append((_LINE.format("air"), tr("air")))
    if curve.band:
        rows.append((_AREA.format("band"), tr("a good batch today")))
    if curve.forecast:
        rows.append((_AREA.format("forecast"), tr("forecast for this batch, if nothing is done")))
    if 'class="limit"' in svg:
        rows.append((_LINE.format("limit"), tr("too hot")))
    if heat:
        rows += [(_LINE.format("heat"), tr("heat released")), (_AREA.format("heat-range"), tr("how sure that is"))]
    return f'<ul class="key">{"".join(f"<li>{sample}{text_of(words)}</li>" for sample, words in rows)}</ul>'


def _done(curve: BatchCurve, local_time: LocalTime) -> str:
    """What the numbers on the curve mean; with the day where the batch has lasted longer than one."""
    days = {local_time(at_s).date() for at_s, _ in curve.marks}
    form = DAY_TIME if len(days) > 1 else TIME
    marks = "".join(
        f"<li>{text_of(words)}, {text_of(when(local_time(at_s), form))}</li>" for at_s, words in curve.marks
    )
    return f'<ol class="marks">{marks}</ol>' if marks else ""


def _place_for_the_chart(curve: BatchCurve, base: str, library: Library) -> str:
    """An empty box that the script fills, with all that it needs to know."""
    us = voice().units == US
    words = {
        "h3": tr("3 h"), "h24": tr("24 h"), "all": trc("part of the curve", "all"),
        # What a screen reader says holds the words that stand on the button.
        "last3": tr("last 3 h"), "last24": tr("last 24 h"), "first3": tr("first 3 h"), "first24": tr("first 24 h"),
        "whole": tr("all of it"), "title": tr("Heat released"), "earlier": tr("earlier"),
        "later": tr("later"), "paste": tr("paste"), "air": tr("air"), "heat": tr("heat released"),
        "forecast": tr("forecast [low] to [high]"), "nothing": tr("no reading"),
        "drawn": tr("Tap for figures; drag or pinch to zoom; two taps for all."),
        "days": [when(_MONDAY + timedelta(days=day), DAY_TIME).partition(" ")[0] for day in range(7)],
        "decimal": voice().decimal_sign,
    }  # fmt: skip
    data = {
        "json": f"{base}/curve.json",
        "js": library.address("uplot.js"),
        "css": library.address("uplot.css"),
        "running": "yes" if curve.running else "no",
        "unit": "°F" if us else "°C",
        "words": json.dumps(words, ensure_ascii=False),
    }
    attributes = "".join(f' data-{name}="{escape(value, quote=True)}"' for name, value in data.items())
    return f'<div id="curve" class="curve"{attributes} hidden></div>'
