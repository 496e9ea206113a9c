"""The making step by step on paper: a box to tick for each step, the cautions of each deed above it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime

from monitor.papers.label import Printed
from monitor.papers.letters import Face
from monitor.papers.paper import SHEETS_MM, Paper, line_mm, usual_sheet
from monitor.trade.cautions import CAUTIONS, DEFERS, caution, short_cautions_for
from monitor.trade.steps import STIRRINGS, Step, StepState
from monitor.words import DATE, DAY_TIME, tr, when

_EDGE = 14.0
_FOOT = 10.0
# Read at arm's length, some 60 cm, with goggles on: reasoning.
_TITLE, _TEXT, _CAUTION = 13.0, 11.5, 10.5
_BOX_MM = 6.0
_LINE_MM = 9.0


def checklist_pdf(
    states: Sequence[StepState],
    printed: datetime,
    emergency_number: str = "",
    *,
    batch: str = "",
    local_time: Callable[[float], datetime] | None = None,
    sheet: str = "",
    face: Face | None = None,
) -> Printed:
    """The checklist on as many pages as it takes, all cautions in full at the end.

    ``batch`` names whose it is ("" for an empty list); steps that are noted are ticked, with their time where
    ``local_time`` is given.
    """
    return _List(states, printed, emergency_number, batch, local_time, sheet, face).made()


class _List:
    def __init__(  # noqa: PLR0917
        self,
        states: Sequence[StepState],
        printed: datetime,
        emergency_number: str,
        batch: str,
        local_time: Callable[[float], datetime] | None,
        sheet: str,
        face: Face | None,
    ) -> None:
        self._states, self._number, self._batch, self._local_time = states, emergency_number, batch, local_time
        self._printed = printed
        self._title = tr("The making, step by step")
        self._paper = Paper(*SHEETS_MM[sheet or usual_sheet()], printed, self._title, face)
        self._width = self._paper.width - 2 * _EDGE
        self._page = 0
        self._y = self._head()

    def made(self) -> Printed:
        day, deed = "", ""
        for state in self._states:
            step = state.step
            cautions = self._cautions(step) if step.deed != deed else []
            heading = step.told_day()[:1].upper() + step.told_day()[1:] if step.day != day else ""
            if self._y + self._height(state, cautions, heading) > self._paper.height - _EDGE - _FOOT:
                self._turn()
                # On a new page the cautions stand again: nobody turns back with wet gloves.
                cautions = self._cautions(step)
            day, deed = step.day, step.deed
            if heading:
                self._y = self._paper.lines(_EDGE, self._y + 1.0, [heading], 15.0, True)
            self._draw_cautions(cautions)
            self._draw_step(state)
        self._draw_all_cautions()
        return Printed(self._paper.bytes(), self._paper.letters.warnings())

    # ---- pages ----

    def _head(self) -> float:
        paper = self._paper
        self._page += 1
        whose = self._batch or tr("batch ____________________   bucket ____________")
        y = paper.lines(_EDGE, _EDGE - 4.0, [paper.cut(self._title, self._width, 17.0, True)], 17.0, True)
        y = paper.lines(_EDGE, y, [paper.cut(whose, self._width, _TEXT)], _TEXT)
        foot = tr("page {page}; printed {day}", page=self._page, day=when(self._printed, DATE))
        paper.lines(_EDGE, paper.height - _EDGE, [foot], 8.0)
        return y + 2.0

    def _turn(self) -> None:
        self._paper.pdf.add_page()
        self._y = self._head()

    # ---- one step ----

    def _cautions(self, step: Step) -> list[str]:
        told = " ".join(short_cautions_for(step.deed, self._number))
        return self._paper.wrapped(told, self._width - 6.0, _CAUTION, True)

    def _height(self, state: StepState, cautions: list[str], heading: str) -> float:
        text = self._paper.wrapped(state.step.told_text(), self._width - _BOX_MM - 4.0, _TEXT)
        return (
            (line_mm(15.0) + 1.0 if heading else 0.0)
            + (line_mm(_CAUTION) * len(cautions) + 5.0 if cautions else 0.0)
            + line_mm(_TITLE) + line_mm(_TEXT) * len(text) + _LINE_MM + 3.0
        )  # fmt: skip

    def _draw_cautions(self, cautions: list[str]) -> None:
        if not cautions:
            return
        height = line_mm(_CAUTION) * len(cautions) + 3.0
        self._paper.box(_EDGE, self._y, self._width, height, 0.6)
        self._paper.lines(_EDGE + 3.0, self._y + 1.5, cautions, _CAUTION, True)
        self._y += height + 2.0

    def _draw_step(self, state: StepState) -> None:
        paper, step = self._paper, state.step
        paper.box(_EDGE, self._y + 0.5, _BOX_MM, _BOX_MM, 0.5)
        done = state.done_at_s is not None
        if done:
            paper.rule(_EDGE, self._y + 0.5, _EDGE + _BOX_MM, self._y + 0.5 + _BOX_MM, 0.6)
            paper.rule(_EDGE, self._y + 0.5 + _BOX_MM, _EDGE + _BOX_MM, self._y + 0.5, 0.6)
        left = _EDGE + _BOX_MM + 4.0
        y = paper.lines(left, self._y, [paper.cut(step.told_title(), self._width - 10.0, _TITLE, True)], _TITLE, True)
        y = paper.paragraph(left, y, self._width - _BOX_MM - 4.0, step.told_text(), _TEXT)
        paper.lines(left, y + 3.0, [paper.cut(self._blank(state), self._width - 10.0, _TEXT)], _TEXT)
        self._y = y + _LINE_MM + 3.0

    def _blank(self, state: StepState) -> str:
        step = state.step
        if state.done_at_s is not None and self._local_time is not None:
            return tr("noted {time}", time=when(self._local_time(state.done_at_s), DAY_TIME))
        if step.step_id == "stir":
            return tr("at") + " ____:____ " * STIRRINGS
        if step.asks == "water":
            return tr("at ____:____   water ________   at ____:____   water ________")
        return tr("at ____:____   temperature ________   by ____________")

    # ---- the whole of it ----

    def _draw_all_cautions(self) -> None:
        """In full, once: the short ones above are reminders of these."""
        self._turn()
        self._y = self._paper.lines(_EDGE, self._y, [tr("Read this before you begin")], 15.0, True) + 1.0
        for text in (*(caution(key, self._number) for key in CAUTIONS), tr(DEFERS)):
            lines = self._paper.wrapped(text, self._width - 5.0, _CAUTION)
            if self._y + line_mm(_CAUTION) * len(lines) > self._paper.height - _EDGE - _FOOT:
                self._turn()
            self._paper.lines(_EDGE, self._y, ["!"], _CAUTION, True)
            self._y = self._paper.lines(_EDGE + 5.0, self._y, lines, _CAUTION) + 1.8
