"""The batch sheet: all that is kept of a batch on one page, whatever there is of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from monitor.papers.curve import draw_curve, legend
from monitor.papers.label import Printed
from monitor.papers.letters import Face
from monitor.papers.paper import SHEETS_MM, Paper, code_matrix, code_text, line_mm, usual_sheet
from monitor.papers.view import Line, SheetView
from monitor.trade.amend import AMENDABLE, told_recipe
from monitor.trade.cautions import short_cautions_for
from monitor.words import DATE, DAY_TIME, TIME, tr, trc, when

_EDGE = 12.0
_BETWEEN = 6.0
_LETTERS = 7.5
_CODE_MM = 24.0
_CURVE_MM = 62.0
_MOST_FACTS_MM = 78.0
_MOST_LINES = 5  # of one remark or one sentence


@dataclass(slots=True)
class _Part:
    """A heading with what stands under it; ``dropped`` counts what had to stay away."""

    title: str
    items: list[str] = field(default_factory=list)
    dropped: int = 0

    def lines(self, paper: Paper, width: float) -> list[tuple[str, bool]]:
        """(line, whether it is a heading), wrapped."""
        if not self.items and not self.dropped:
            return []
        told = [(line, False) for item in self.items for line in paper.at_most(item, width, _LETTERS, _MOST_LINES)]
        if self.dropped:
            told += [
                (line, False)
                for line in paper.wrapped(tr("... and {n} more, see the record", n=self.dropped), width, _LETTERS)
            ]
        return [(self.title, True), *told]


def sheet_pdf(view: SheetView, sheet: str = "", face: Face | None = None) -> Printed:
    """One page, A4 or US letter. What does not fit is counted: "... and 12 more, see the record"."""
    title = tr("Batch sheet {number}", number=view.number)
    paper = Paper(*SHEETS_MM[sheet or usual_sheet()], view.printed, title, face)
    width = paper.width - 2 * _EDGE
    y = _head(paper, view, title, width)
    y = _cautions(paper, view, y, width)
    y = _columns(paper, _facts(view), y, width, _MOST_FACTS_MM)
    y = paper.lines(_EDGE, y + 1.0, [tr("Curve")], 9.0, True)
    draw_curve(paper, view, _EDGE, y, width, _CURVE_MM if view.paste or view.air else 6.0)
    if view.paste or view.air:
        y = paper.paragraph(_EDGE, y + _CURVE_MM - 4.5, width * 0.8, legend(view), 7.0, most=2)
    else:
        y += 7.0
    _columns(paper, _course(view), y + 1.0, width, paper.height - _EDGE - 4.0 - y - 1.0)
    printed = tr("Printed {day} {time}. The record in the journal is what counts; this sheet is a copy.",
                 day=when(view.printed, DATE), time=when(view.printed, TIME))  # fmt: skip
    paper.lines(_EDGE, paper.height - _EDGE, [paper.cut(printed, width, 7.0)], 7.0)
    return Printed(paper.bytes(), paper.letters.warnings())


def _head(paper: Paper, view: SheetView, title: str, width: float) -> float:
    matrix = code_matrix(code_text(view.name, view.number, view.started, view.address))
    paper.code(paper.width - _EDGE - _CODE_MM + 2.0, _EDGE - 4.0, _CODE_MM, matrix)
    room = width - _CODE_MM
    y = paper.lines(_EDGE, _EDGE, paper.at_most(title, room, 15.0, 1, True), 15.0, True)
    named = tr("{batch} in {bucket}", batch=view.name, bucket=view.bucket)
    where = ", ".join(part for part in (named, view.maker, view.place) if part)
    y = paper.lines(_EDGE, y, paper.at_most(where, room, 9.0, 1), 9.0)
    made = tr("Started {day} {time}; {outcome}", day=when(view.started, DATE), time=when(view.started, TIME),
              outcome=view.outcome)  # fmt: skip
    y = paper.lines(_EDGE, y, paper.at_most(made, room, 9.0, 1), 9.0)
    if view.address:
        page = code_text(view.name, view.number, view.started, view.address)
        y = paper.lines(_EDGE, y, paper.at_most(page, room, 7.0, 1), 7.0)
    return max(y, _EDGE + _CODE_MM - 5.0) + 1.0


def _cautions(paper: Paper, view: SheetView, y: float, width: float) -> float:
    """In a frame, whole."""
    told = " ".join(
        dict.fromkeys(
            (*short_cautions_for("dilute", view.emergency_number), *short_cautions_for("test", view.emergency_number))
        )
    )
    lines = paper.wrapped(told, width - 4.0, 7.5)
    height = line_mm(7.5) * len(lines) + 2.0
    paper.box(_EDGE, y, width, height)
    paper.lines(_EDGE + 2.0, y + 1.0, lines, 7.5)
    return y + height + 1.0


def _facts(view: SheetView) -> list[_Part]:
    recipe = told_recipe(view.recipe, view.vessel)
    weighed = [_pair(tr(words), recipe[name]) for name, words in AMENDABLE.items()]
    alkali = view.free_alkali or tr("not tested")
    result = [
        _pair(tr("yield"), view.amount or tr("not noted")),
        _pair(tr("free alkali, as KOH"), alkali),
    ]
    if view.strength:
        result.append(view.strength)
    if view.peak:
        result.append(view.peak)
    result += [*view.verdict]
    if view.potash_left:
        result.append(view.potash_left)
    return [
        _Part(tr("As weighed"), weighed + list(view.corrections)),
        _Part(tr("Lye balance"), list(view.balance)),
        _Part(tr("Noted"), [_pair(name, value) for name, value in view.facts]),
        _Part(tr("Checks"), [_pair(name, value) for name, value in view.checks]),
        _Part(tr("What came of it"), result),
    ]


def _course(view: SheetView) -> list[_Part]:
    return [
        _Part(tr("Log"), _numbered(view.log) or [tr("nothing noted")]),
        _Part(tr("Alarms"), [_line(line) for line in view.alarms] or [trc("alarms", "none")]),
        _Part(tr("Remarks"), [_line(line) for line in view.remarks]),
        _Part(tr("Photographs"), list(view.photos)),
    ]


def _numbered(lines: Sequence[Line]) -> list[str]:
    return [f"{place}  {_line(line)}" for place, line in enumerate(lines, 1)]


def _pair(name: str, value: str) -> str:
    return tr("{name}: {value}", name=name, value=value)


def _line(line: Line) -> str:
    return f"{when(line.at, DAY_TIME)}  {line.text}" if line.at is not None else line.text


def _columns(paper: Paper, parts: list[_Part], y: float, width: float, most_mm: float) -> float:
    """The parts in two columns no higher than that; returns where they end. The longest part gives way first."""
    column = (width - _BETWEEN) / 2.0
    step = line_mm(_LETTERS)
    capacity = max(4, int(most_mm // step))
    while True:
        left, right = _split([part.lines(paper, column) for part in parts])
        if max(len(left), len(right)) <= capacity:
            break
        longest = max(parts, key=lambda part: len(part.lines(paper, column)) if len(part.items) > 1 else 0)
        if len(longest.items) <= 1:
            break
        longest.items.pop()
        longest.dropped += 1
    for place, lines in enumerate((left, right)):
        at = y
        for text, heading in lines[:capacity]:
            at = paper.lines(_EDGE + place * (column + _BETWEEN), at, [text], _LETTERS, heading)
    return y + step * min(capacity, max(len(left), len(right)))


def _split(parts: list[list[tuple[str, bool]]]) -> tuple[list[tuple[str, bool]], list[tuple[str, bool]]]:
    """Into two columns as even as can be, no heading left alone at a foot."""
    every = [line for lines in parts for line in lines]
    middle = (len(every) + 1) // 2
    while 0 < middle < len(every) and every[middle - 1][1]:
        middle += 1
    return every[:middle], every[middle:]
