"""A batch's curve as a picture to send on: one PNG that tells all by itself, small enough for any messenger.

It is drawn as a page of PDF, as all papers are, and turned into dots. Lines differ by dash and thickness as well as by
colour; the numbers on the curve are told beside it.
"""

from __future__ import annotations

import io
import threading
from collections.abc import Sequence

from monitor.curve import (
    BatchCurve,
    LocalTime,
    Ranged,
    finite,
    finite_rows,
    heat_ticks,
    level_ticks,
    rounded_range,
    stretches,
)
from monitor.papers import strokes
from monitor.papers.letters import Face
from monitor.papers.paper import Paper, line_mm
from monitor.words import DATE, DAY_DATE_TIME, DAY_TIME, TIME, number, quantity, tr, when

WIDTH_PX, HEIGHT_PX = 1000, 700
_MM_PER_PX = 0.254  # at 100 dots per inch: letters of 11 points are 15 px high
_DPI = 100.0
_COLOURS = 160  # fewer would make one of two colours that few dots have
_TITLE, _LETTERS = 15.0, 10.5
_EDGE, _BETWEEN, _LEGEND = 5.0, 5.0, 62.0

# PDFium may be used by one thread at a time (its documentation; pypdfium2 says the same).
_PDFIUM = threading.Lock()


def curve_png(curve: BatchCurve, local_time: LocalTime, place: str = "", face: Face | None = None) -> bytes:
    """The picture, 1000 by 700 px and under 100 kB, in the language and units of the voice that speaks.

    With no reading at all it says so. ``face`` is the font, None for the one at hand.
    """
    moment = local_time(curve.at_s)
    paper = Paper(WIDTH_PX * _MM_PER_PX, HEIGHT_PX * _MM_PER_PX, moment, curve.batch or curve.bucket, face)
    y = _heading(paper, curve, local_time, place)
    lines = [(probe, finite(points)) for probe, points in curve.paste]
    lines = [("air", finite(curve.air)), *((probe, points) for probe, points in lines if points)]
    if len(lines) == 1:
        paper.paragraph(_EDGE, y, paper.width - 2 * _EDGE, tr("No reading to draw yet."), _LETTERS)
        return _png(paper)
    drawn_width = paper.width - 2 * _EDGE - _LEGEND
    room = paper.height - y - _EDGE
    heat = finite_rows(curve.heat)
    has_heat = len(heat) >= 2
    band, forecast = finite_rows(curve.band), finite_rows(curve.forecast)
    every = [points for _, points in lines] + [[(row[0], row[1]) for row in rows] for rows in (band, forecast) if rows]
    span = min(rows[0][0] for rows in every if rows), max(rows[-1][0] for rows in every if rows)
    if has_heat:
        span = min(span[0], heat[0][0]), max(span[1], heat[-1][0])
    span = span[0], max(span[1], span[0] + 600.0)
    upper = (_EDGE, y, drawn_width, room * 0.66 - _BETWEEN if has_heat else room)
    limit_shows = _temperatures(paper, curve, lines, (band, forecast), span, upper, local_time)
    if has_heat:
        _heat(paper, heat, curve, span, (_EDGE, y + room * 0.66, drawn_width, room * 0.34), local_time)
    _legend(paper, curve, lines, limit_shows, has_heat, local_time, (_EDGE + drawn_width + 4.0, y, _LEGEND - 4.0, room))
    return _png(paper)


def _heading(paper: Paper, curve: BatchCurve, local_time: LocalTime, place: str) -> float:
    """Bucket, batch and place; below it the day, the newest reading and the highest. Returns where it ends."""
    width = paper.width - 2 * _EDGE
    title = " · ".join(part for part in (curve.bucket, curve.batch, place) if part)
    y = paper.lines(_EDGE, _EDGE, [paper.cut(title, width, _TITLE, bold=True)], _TITLE, bold=True)
    core = finite(curve.core)
    if not core:
        return y + 1.5
    peak = max(core, key=lambda point: point[1])
    says = [when(local_time(core[0][0]), DATE)]
    if curve.running:
        # Who is sent the picture sees it later: a reading without its time would pass for the present.
        says.append(tr("{time}: {level:degC}", time=when(local_time(core[-1][0]), DAY_DATE_TIME), level=core[-1][1]))
    says.append(tr("highest {level:degC}, {time}", level=peak[1], time=when(local_time(peak[0]), DAY_TIME)))
    return paper.lines(_EDGE, y, [paper.cut(" · ".join(says), width, _LETTERS)], _LETTERS) + 1.5


# ---- the two drawings ----------------------------------------------------------------------------------------------


def _temperatures(  # noqa: PLR0917
    paper: Paper,
    curve: BatchCurve,
    lines: Sequence[tuple[str, list[tuple[float, float]]]],
    areas: tuple[Ranged, Ranged],
    span: tuple[float, float],
    box: strokes.Box,
    local_time: LocalTime,
) -> bool:
    """Band, forecast, air and paste; returns whether the limit is in the picture."""
    levels = [level for _, points in lines for _, level in points]
    levels += [level for rows in areas for row in rows for level in row[1:]]
    low, high = rounded_range(min(levels), max(levels), curve.too_hot_c)
    across, up = strokes.scales(box, span, (low, high))
    for rows, colour, dashed in zip(areas, (strokes.BAND, strokes.FORECAST), (False, True), strict=True):
        strokes.area(paper, rows, colour, across, up, dashed)
    unit, ticks = level_ticks(low, high)
    strokes.frame(paper, [(up(level), words) for level, words in ticks], unit, span, box, across, local_time)
    shows = curve.too_hot_c is not None and low <= curve.too_hot_c <= high
    if curve.too_hot_c is not None and shows:
        strokes.stroke(paper, "limit", [(across(span[0]), up(curve.too_hot_c)), (across(span[1]), up(curve.too_hot_c))])
    # The one to go by lies on top.
    for probe, points in (lines[0], *reversed(lines[1:])):
        strokes.line(paper, probe, points, across, up)
    strokes.marks(paper, curve.marks, span, box, across)
    end_s, end_c = lines[1][1][-1]
    paper.pdf.set_fill_color(*strokes.STYLES.get(lines[1][0], strokes.STYLES["core"])[0])
    paper.pdf.circle(across(end_s), up(end_c), 1.1, style="F")
    return shows


def _heat(  # noqa: PLR0917
    paper: Paper, heat: Ranged, curve: BatchCurve, span: tuple[float, float], box: strokes.Box, local_time: LocalTime
) -> None:
    """The heat released in the range of twice its standard deviation."""
    rows = [(at_s, max(0.0, kj - 2 * sd), kj + 2 * sd) for at_s, kj, sd in heat]
    line = [(at_s, kj) for at_s, kj, _ in heat]
    ticks = heat_ticks(max(row[2] for row in rows))
    across, up = strokes.scales(box, span, (min(0.0, *(kj for _, kj in line)), ticks[-1]))
    for whole in stretches(line):
        strokes.area(paper, [row for row in rows if whole[0][0] <= row[0] <= whole[-1][0]], strokes.HEAT, across, up)
    digits = 0 if ticks[1] >= 1.0 else 1
    figures = [(up(tick), number(tick, digits)) for tick in ticks]
    strokes.frame(paper, figures, f"kJ, {tr('heat released')}", span, box, across, local_time)
    strokes.line(paper, "heat", line, across, up)
    strokes.marks(paper, curve.marks, span, box, across, numbers=False)


# ---- beside them ---------------------------------------------------------------------------------------------------


def _legend(  # noqa: PLR0917
    paper: Paper,
    curve: BatchCurve,
    lines: Sequence[tuple[str, list[tuple[float, float]]]],
    limit_shows: bool,
    has_heat: bool,
    local_time: LocalTime,
    box: strokes.Box,
) -> None:
    x, y, width, height = box
    step = line_mm(strokes.SMALL)
    end = y + height

    def row(words: str, kind: str = "", colour: tuple[int, int, int] | None = None) -> None:
        nonlocal y
        told = paper.at_most(words, width - 13.0, strokes.SMALL, 3)
        if colour is not None:
            paper.pdf.set_fill_color(*colour)
            paper.pdf.rect(x, y + 0.3 * step, 10.0, 0.6 * step, style="F")
        else:
            strokes.stroke(paper, kind, [(x, y + 0.55 * step), (x + 10.0, y + 0.55 * step)])
        y = paper.lines(x + 13.0, y, told, strokes.SMALL) + 0.8

    several = len(lines) > 2
    for probe, _ in lines[1:]:
        row(tr("paste, {probe}", probe=probe) if several else tr("paste"), probe if probe in strokes.STYLES else "core")
    if lines[0][1]:
        row(tr("air"), "air")
    if curve.band:
        row(tr("a good batch today"), colour=strokes.BAND)
    if curve.forecast:
        row(tr("forecast for this batch, if nothing is done"), colour=strokes.FORECAST)
    if limit_shows and curve.too_hot_c is not None:
        row(tr("too hot: {limit}", limit=quantity(curve.too_hot_c, "degC")), "limit")
    if has_heat:
        row(tr("heat released"), "heat")
        row(tr("how sure that is"), colour=strokes.HEAT)
    y += 2.0
    days = {local_time(at_s).date() for at_s, _ in curve.marks}
    form = DAY_TIME if len(days) > 1 else TIME
    for place, (at_s, words) in enumerate(curve.marks, 1):
        told = paper.at_most(f"{when(local_time(at_s), form)} {words}", width - 7.0, strokes.SMALL, 2)
        left = len(curve.marks) - place
        if y + len(told) * step > end - (step if left else 0.0):
            paper.lines(x, y, [tr("and {n} more", n=left + 1)], strokes.SMALL)
            return
        paper.lines(x, y, [str(place)], strokes.SMALL, bold=True)
        y = paper.lines(x + 7.0, y, told, strokes.SMALL) + 0.4


def _png(paper: Paper) -> bytes:
    import pypdfium2

    with _PDFIUM:
        document = pypdfium2.PdfDocument(paper.bytes())
        try:
            picture = document[0].render(scale=_DPI / 72.0).to_pil()
        finally:
            document.close()
    # A rounded tenth of a point must not make it a pixel wider.
    picture = picture.convert("RGB").crop((0, 0, WIDTH_PX, HEIGHT_PX)).quantize(_COLOURS)
    out = io.BytesIO()
    picture.save(out, format="PNG", optimize=True)
    return out.getvalue()
