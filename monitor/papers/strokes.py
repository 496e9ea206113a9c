"""The lines, areas and frames that a picture of a curve is drawn with; x, y and sizes in mm."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from monitor.curve import LocalTime, Points, Ranged, thinned_stretches, time_ticks
from monitor.papers.paper import Paper, line_mm

SMALL = 9.5  # size of the letters, points
LEFT = 16.0  # beside the frame for the figures
SKY, FOOT = 6.5, 7.0  # above the frame for the unit and the marks' numbers, below it for the times

# Red, green, blue; dash and gap in mm; thickness in mm.
STYLES: dict[str, tuple[tuple[int, int, int], tuple[float, float] | None, float]] = {
    "core": ((168, 64, 10), None, 0.7),
    "wall": ((107, 63, 160), (3.2, 1.2), 0.45),
    "top": ((122, 92, 0), (0.6, 0.9), 0.55),
    "bottom": ((0, 105, 92), (3.2, 0.8), 0.45),
    "air": ((26, 90, 138), (1.5, 1.0), 0.45),
    "limit": ((156, 20, 8), (2.4, 0.8), 0.4),
    "edge": ((120, 110, 100), (1.0, 0.8), 0.2),
    "heat": ((60, 60, 60), None, 0.6),
}
BAND, FORECAST, HEAT = (207, 227, 205), (246, 221, 200), (225, 225, 225)

Box = tuple[float, float, float, float]  # x, y, width, height
Scale = Callable[[float], float]


def scales(box: Box, span: tuple[float, float], levels: tuple[float, float]) -> tuple[Scale, Scale]:
    """Seconds to x and a level to y, within the frame that stands in the box."""
    x, y, width, height = box
    left, right = x + LEFT, x + width
    top, foot = y + SKY, y + height - FOOT

    def across(at_s: float) -> float:
        return left + (at_s - span[0]) / (span[1] - span[0]) * (right - left)

    def up(level: float) -> float:
        return top + (levels[1] - level) / (levels[1] - levels[0]) * (foot - top)

    return across, up


def frame(  # noqa: PLR0917
    paper: Paper,
    levels: Sequence[tuple[float, str]],
    unit: str,
    span: tuple[float, float],
    box: Box,
    across: Scale,
    local_time: LocalTime,
) -> None:
    """The axes: rules at (y, figure), the unit above them, the times below."""
    x, y, width, height = box
    left, right, foot = x + LEFT, x + width, y + height - FOOT
    half = line_mm(SMALL) / 2.0
    for at, words in levels:
        paper.rule(left, at, right, at, 0.15, 205)
        paper.lines(left - 1.5 - paper.wide(words, SMALL), at - half, [words], SMALL)
    paper.lines(x, y, [unit], SMALL, bold=True)
    for at_s, words in time_ticks(*span, local_time, most=6):
        here = across(at_s)
        paper.rule(here, foot, here, foot + 1.2, 0.3)
        wide = paper.wide(words, SMALL)
        paper.lines(min(max(here - wide / 2.0, left - 4.0), right - wide), foot + 1.6, [words], SMALL)
    paper.rule(left, y + SKY, left, foot, 0.3)
    paper.rule(left, foot, right, foot, 0.3)


def area(  # noqa: PLR0917
    paper: Paper, rows: Ranged, colour: tuple[int, int, int], across: Scale, up: Scale, dashed: bool = False
) -> None:
    """What lies between the two levels of the rows; ``dashed`` tells it from another by its edge as well."""
    if len(rows) > 1:
        edge = [(across(row[0]), up(row[2])) for row in rows] + [(across(row[0]), up(row[1])) for row in reversed(rows)]
        paper.pdf.set_fill_color(*colour)
        paper.pdf.polygon(edge, style="F")
        if dashed:
            stroke(paper, "edge", [*edge, edge[0]])


def line(paper: Paper, kind: str, points: Points, across: Scale, up: Scale) -> None:
    """A curve in its stretches; a reading that stands alone is a dot."""
    for stretch in thinned_stretches(points, 400):
        if len(stretch) == 1:
            paper.pdf.set_fill_color(*STYLES.get(kind, STYLES["core"])[0])
            paper.pdf.circle(across(stretch[0][0]), up(stretch[0][1]), 0.6, style="F")
        else:
            stroke(paper, kind, [(across(at_s), up(level)) for at_s, level in stretch])


def stroke(paper: Paper, kind: str, path: list[tuple[float, float]]) -> None:
    """A path in the style of its kind."""
    colour, dash, thick = STYLES.get(kind, STYLES["core"])
    paper.pdf.set_draw_color(*colour)
    paper.pdf.set_line_width(thick)
    if dash is not None:
        paper.pdf.set_dash_pattern(*dash)
    paper.pdf.polyline(path)
    paper.pdf.set_dash_pattern()


def marks(  # noqa: PLR0917
    paper: Paper,
    marks: Sequence[tuple[float, str]],
    span: tuple[float, float],
    box: Box,
    across: Scale,
    numbers: bool = True,
) -> None:
    """A line for each deed with its number; of several close together the later numbers step aside, then stay away."""
    _, y, _, height = box
    free_from = float("-inf")
    for place, (at_s, _) in enumerate(marks, 1):
        if not span[0] <= at_s <= span[1]:
            continue
        here = across(at_s)
        paper.pdf.set_dash_pattern(0.3, 0.9)
        paper.rule(here, y + SKY - 1.0, here, y + height - FOOT, 0.3, 110)
        paper.pdf.set_dash_pattern()
        wide = paper.wide(str(place), SMALL, bold=True)
        label = max(here - wide / 2.0, free_from)
        if numbers and label - here < 9.0:
            paper.lines(label, y + 0.8, [str(place)], SMALL, bold=True)
            free_from = label + wide + 1.4
