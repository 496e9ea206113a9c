"""The label of a can: what is in it, from which batch, and its cautions, which are never cut."""

from __future__ import annotations

import re
from dataclasses import dataclass

from monitor.papers.letters import Face
from monitor.papers.paper import (
    LEAST_MODULE_MM,
    QUIET_ZONE,
    SHEETS_MM,
    Paper,
    PaperError,
    code_matrix,
    code_text,
    line_mm,
)
from monitor.papers.view import SheetView
from monitor.trade.cautions import SHORT_CAUTIONS, SHORT_DEFERS, with_emergency_number
from monitor.trade.oils import told_name
from monitor.words import DATE, mark, tr, when

SIZE_MM = (90.0, 60.0)
_EDGE = 3.0
_GAP = 4.0  # between labels on a sheet
_SHEET_EDGE = 8.0  # what most printers leave white
_LEAST_MM, _MOST_MM = (50.0, 40.0), (190.0, 270.0)
# Letters are made smaller until all fits; the lowest is what can still be read in the hand (reasoning).
_SIZES = (10.0, 9.0, 8.5, 8.0, 7.5, 7.0, 6.6, 6.2, 5.8, 5.4, 5.0)
_CODE_MM = 17.0
_MM_PER_UNIT = {"mm": 1.0, "cm": 10.0, "in": 25.4}

# Common practice; selling and giving away: see cautions.py.
_NOT_TESTED = mark("Free alkali: not tested. Treat it as caustic. Not for skin until tested.")
_GEAR = mark("Goggles and gloves to handle it.")
_CHILDREN = mark("Out of reach of children and animals. Never into a drink bottle.")
_FROST = mark("Keep it from frost.")
_LAW = mark("Selling it or giving it away falls under the law on cosmetics or on detergents.")
_TESTED = mark("Free alkali, as KOH: {value} (tested, noted {day}). Whether it may touch skin this label does not say.")


@dataclass(frozen=True, slots=True)
class Printed:
    """A finished paper: the PDF, and a sentence for each letter that could not be printed as it stands."""

    pdf: bytes
    warnings: tuple[str, ...] = ()


def read_size(text: str) -> tuple[float, float]:
    """ "100x70mm", "10 x 7 cm" or "4x3in" as width and height in mm. PaperError with one sentence."""
    found = re.fullmatch(r"\s*(\d{1,4}(?:[.,]\d+)?)\s*[x×]\s*(\d{1,4}(?:[.,]\d+)?)\s*(mm|cm|in)?\s*", text.lower())
    if found is None:
        raise PaperError(tr('"{text}" is no size of a label: write it like 100x70mm or 4x3in.', text=text[:60]))
    unit = _MM_PER_UNIT[found[3] or "mm"]
    width, height = (float(figure.replace(",", ".")) * unit for figure in (found[1], found[2]))
    if not (_LEAST_MM[0] <= width <= _MOST_MM[0] and _LEAST_MM[1] <= height <= _MOST_MM[1]):
        raise PaperError(
            tr(
                "A label of {width:.0f} x {height:.0f} mm cannot be printed: from {low_w:.0f} x {low_h:.0f} to "
                "{high_w:.0f} x {high_h:.0f} mm is allowed.",
                width=width, height=height, low_w=_LEAST_MM[0], low_h=_LEAST_MM[1], high_w=_MOST_MM[0],
                high_h=_MOST_MM[1],
            )
        )  # fmt: skip
    return width, height


def label_cautions(view: SheetView) -> tuple[str, ...]:
    """Every caution that a can carries, the one on free alkali first."""
    if view.free_alkali:
        day = when(view.tested_on, DATE) if view.tested_on else tr("on a day not noted")
        first = tr(_TESTED, value=view.free_alkali, day=day)
    else:
        first = tr(_NOT_TESTED)
    first_aid = with_emergency_number(SHORT_CAUTIONS["first_aid"], view.emergency_number)
    return first, tr(_GEAR), tr(_CHILDREN), first_aid, tr(_FROST), tr(_LAW), tr(SHORT_DEFERS)


def contents(view: SheetView) -> str:
    """Oils, potash and water, the heaviest first; what was not weighed is told as that."""
    recipe = view.recipe
    parts = [(told_name(share.name), share.kg) for share in recipe.oils]
    parts += [(tr("potash (KOH)"), recipe.koh_kg), (tr("water"), view.water_kg)]
    weighed = sorted((part for part in parts if part[1] is not None), key=lambda part: -(part[1] or 0.0))
    names = ", ".join(name for name, _ in weighed)
    unweighed = ", ".join(name for name, kg in parts if kg is None)
    if not weighed:
        return tr("Made from (not weighed): {names}", names=unweighed)
    if unweighed:
        return tr("Made from, the most first: {names}; not weighed: {others}", names=names, others=unweighed)
    return tr("Made from, the most first: {names}", names=names)


def label_pdf(
    view: SheetView,
    size: tuple[float, float] = SIZE_MM,
    sheet: str = "",
    copies: int = 1,
    face: Face | None = None,
) -> Printed:
    """A label of ``size`` (mm) on a page of its own; with ``sheet`` ("A4", "letter") ``copies`` of it on such pages.

    Cautions are printed whole or not at all: PaperError where the label is too small for them.
    """
    title = tr("Label of batch {number}", number=view.number)
    if not sheet:
        paper = Paper(*size, view.printed, title, face)
        _draw(paper, view, 0.0, 0.0, size)
        return Printed(paper.bytes(), paper.letters.warnings())
    paper = Paper(*SHEETS_MM[sheet], view.printed, title, face)
    across, down = (
        int((whole - 2 * _SHEET_EDGE + _GAP) // (part + _GAP))
        for whole, part in zip(SHEETS_MM[sheet], size, strict=True)
    )
    if across < 1 or down < 1:
        raise PaperError(
            tr("A label of {width:.0f} x {height:.0f} mm does not fit on a sheet of {sheet}.", width=size[0],
               height=size[1], sheet=sheet)
        )  # fmt: skip
    left = (paper.width - across * size[0] - (across - 1) * _GAP) / 2.0
    for copy in range(copies):
        place = copy % (across * down)
        if copy and place == 0:
            paper.pdf.add_page()
        x = left + place % across * (size[0] + _GAP)
        y = _SHEET_EDGE + place // across * (size[1] + _GAP)
        _draw(paper, view, x, y, size)
    return Printed(paper.bytes(), paper.letters.warnings())


def _draw(paper: Paper, view: SheetView, x: float, y: float, size: tuple[float, float]) -> None:
    width, height = size[0] - 2 * _EDGE, size[1] - 2 * _EDGE
    matrix = code_matrix(code_text(view.name, view.number, view.started, view.address))
    code = max(_CODE_MM, LEAST_MODULE_MM * (len(matrix) + 2 * QUIET_ZONE))
    if code > min(width / 2.0, height * 0.7):
        raise PaperError(_too_small(size))
    paper.box(x + 0.15, y + 0.15, size[0] - 0.3, size[1] - 0.3)
    for letters in _SIZES:
        if _set(paper, view, (x + _EDGE, y + _EDGE, width, height), code, letters, dry=True):
            break
    else:
        raise PaperError(_too_small(size))
    # Into the corner: the quiet zone may lie on the label's own white edge.
    paper.code(x + size[0] - code - 0.8, y + 0.8, code, matrix)
    _set(paper, view, (x + _EDGE, y + _EDGE, width, height), code, letters, dry=False)


def _too_small(size: tuple[float, float]) -> str:
    return tr(
        "A label of {width:.0f} x {height:.0f} mm is too small for its cautions and its code: take a larger one, like "
        "--size 100x70mm.",
        width=size[0], height=size[1],
    )  # fmt: skip


def _facts(view: SheetView) -> list[str]:
    filled = when(view.filled_on, DATE) if view.filled_on else "____________"
    lines = [
        tr("Batch {number}", number=view.number),
        tr("Made on {day}", day=when(view.started, DATE)),
        tr("Filled on {day}", day=filled),
        view.strength or tr("Strength: ____________"),
        tr("Volume: ____________"),
    ]
    made = ", ".join(part for part in (view.maker, view.place) if part)
    return [*lines, tr("By: {maker}", maker=made)] if made else lines


def _set(
    paper: Paper, view: SheetView, room: tuple[float, float, float, float], code: float, letters: float, *, dry: bool
) -> bool:
    """Set the words at one size; whether they fit. What is told may be cut, the cautions may not."""
    left, top, width, height = room
    narrow = width - code + _EDGE - 2.0
    title = tr("Liquid potash soap")
    y = top
    blocks: list[tuple[float, list[str], float, bool]] = []  # y, lines, size, bold
    title_size = min(letters + 4.0, 12.0)
    while paper.wide(title, title_size, True) > narrow and title_size > letters:
        title_size -= 0.5
    blocks.append((y, paper.at_most(title, narrow, title_size, 2, True), title_size, True))
    y += line_mm(title_size) * len(blocks[-1][1]) + 0.4
    for place, fact in enumerate(_facts(view)):
        free = narrow if y < top + code - _EDGE + 1.0 else width
        lines = paper.at_most(fact, free, letters, 2, place == 0)
        blocks.append((y, lines, letters, place == 0))
        y += line_mm(letters) * len(lines)
    free = narrow if y < top + code - _EDGE + 1.0 else width
    lines = paper.at_most(contents(view), free, letters, 3)
    blocks.append((y, lines, letters, False))
    y = max(y + line_mm(letters) * len(lines), top + code - _EDGE + 1.0) + 0.6
    line_y = y
    y += 0.6
    cautions = label_cautions(view)
    first = paper.wrapped(cautions[0], width, letters, True)
    blocks.append((y, first, letters, True))
    y += line_mm(letters) * len(first)
    rest = paper.wrapped(" ".join(cautions[1:]), width, letters)
    blocks.append((y, rest, letters, False))
    y += line_mm(letters) * len(rest)
    if y > top + height:
        return False
    if not dry:
        for block_y, block, size, bold in blocks:
            paper.lines(left, block_y, block, size, bold)
        paper.rule(left, line_y, left + width, line_y)
    return True
