"""Two pictures of a kept benchmark: completeness as called against as it was, and how the error falls with the hours.

    python -m tests.bench.judgement --seed 1000 --keep DIR
    python -m tests.bench.judgement_plot DIR tests/bench/judgement.svg

Reads only truth and events, as the scorer does. Plain SVG, written here, so that no plotting library is needed.
"""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from tests.bench.judgement import read_events

# Colours that are told apart without red and green.
GOOD, FAILED, GREY = "#0072b2", "#d55e00", "#999999"
HOURS = (0.33, 0.5, 0.67, 1.0, 1.5, 2.0, 3.0, 6.0, 12.0, 24.0, 48.0, 71.0)


@dataclass
class Axes:
    """A square panel whose data coordinates run from 0 to 1."""

    left: float
    title: str
    side: float = 300.0
    top: float = 40.0
    parts: list[str] = field(default_factory=list)

    def at(self, x: float, y: float) -> tuple[float, float]:
        return self.left + x * self.side, self.top + (1.0 - y) * self.side

    def line(self, points: list[tuple[float, float]], colour: str, dash: str = "") -> None:
        d = " ".join(f"{px:.1f},{py:.1f}" for px, py in (self.at(*p) for p in points))
        self.parts.append(f'<polyline points="{d}" fill="none" stroke="{colour}" stroke-dasharray="{dash}"/>')

    def dot(self, x: float, y: float, colour: str) -> None:
        px, py = self.at(x, y)
        self.parts.append(f'<circle cx="{px:.1f}" cy="{py:.1f}" r="3" fill="{colour}"/>')

    def text(self, x: float, y: float, words: str, anchor: str = "middle") -> None:
        px, py = self.at(x, y)
        self.parts.append(f'<text x="{px:.1f}" y="{py:.1f}" text-anchor="{anchor}">{words}</text>')

    def frame(
        self, x_words: str, y_words: str, ticks: list[tuple[float, str]], y_ticks: list[tuple[float, str]]
    ) -> None:
        self.line([(0, 0), (1, 0), (1, 1), (0, 1), (0, 0)], GREY)
        self.text(0.5, 1.04, self.title)
        self.text(0.5, -0.14, x_words)
        self.text(-0.02, 1.04, y_words, "start")
        for x, word in ticks:
            self.text(x, -0.06, word)
        for y, word in y_ticks:
            self.text(-0.02, y - 0.01, word, "end")


def picture(folder: Path) -> str:
    """The SVG for all batches kept in ``folder``."""
    rows = []
    for events in sorted(folder.glob("batch-*.emberpail.jsonl")):
        truth = json.loads(Path(str(events).replace(".emberpail.jsonl", ".truth.json")).read_text(encoding="utf-8"))
        rows.append((truth, read_events(events)))
    left = Axes(50.0, "at the end, with two sd")
    tenths = [(v / 5, f"{v / 5:.1f}") for v in range(6)]
    left.frame("completeness as it was", "called", tenths, tenths)
    left.line([(0, 0), (1, 1)], GREY, "4 3")
    for truth, told in rows:
        if told.verdict is None or told.verdict.get("completeness") is None:
            continue
        value, sd = float(told.verdict["completeness"]), float(told.verdict["completeness_sd"])  # type: ignore[arg-type]
        x, colour = min(truth["final"], 1.0), FAILED if truth["final"] < 0.85 else GOOD
        left.line([(x, max(value - 2 * sd, 0.0)), (x, min(value + 2 * sd, 1.05))], colour)
        left.dot(x, value, colour)
    right = Axes(420.0, "mean error by the age")
    scale = lambda hour: float(np.log(hour / HOURS[0]) / np.log(HOURS[-1] / HOURS[0]))  # noqa: E731
    right.frame(
        "hours after blending", "error", [(scale(h), f"{h:g}") for h in (0.33, 1.0, 3.0, 12.0, 71.0)],
        [(v / 4, f"{v / 10:.1f}") for v in range(5)],
    )  # fmt: skip
    for colour, wanted in ((GOOD, False), (FAILED, True)):
        points = []
        for hour in HOURS:
            errors = []
            for truth, told in rows:
                seen = [e for e in told.estimates if float(e["at"]) <= truth["blended_at"] + hour * 3600 + 60]  # type: ignore[arg-type]
                if (truth["final"] < 0.85) == wanted and not truth["reblended"] and seen:
                    errors.append(abs(float(seen[-1]["final_completeness"]) - truth["final"]))  # type: ignore[arg-type]
            if errors:
                points.append((scale(hour), min(float(np.mean(errors)) / 0.4, 1.0)))
        right.line(points, colour)
        for point in points:
            right.dot(*point, colour)
    body = "\n".join(left.parts + right.parts)
    key = (
        f'<text x="50" y="16" fill="{GOOD}">ended at 0.85 or more</text>'
        f'<text x="220" y="16" fill="{FAILED}">ended under 0.85</text>'
    )
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" width="750" height="400" font-family="sans-serif" font-size="12">\n'
        f'<rect width="750" height="400" fill="white"/>\n{key}\n{body}\n</svg>\n'
    )


def main() -> None:
    folder, out = Path(sys.argv[1]), Path(sys.argv[2])
    out.write_text(picture(folder), encoding="utf-8")


if __name__ == "__main__":
    main()
