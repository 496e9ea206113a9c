"""Invented buckets of the invented Quillmarsh allotments, for the tests of the page."""

from __future__ import annotations

import math

from monitor.page.view import AlarmView, BucketView, LogLine, StatusView

POURED_S = 1773480000.0
NOW_S = POURED_S + 6 * 3600.0


def curve(step_s: float = 10.0, gap: tuple[float, float] | None = None) -> tuple[tuple[float, float], ...]:
    """A plausible curve of six hours; ``gap`` (seconds after the pour) is left out."""
    points = []
    for number in range(int(6 * 3600 / step_s) + 1):
        after_s = number * step_s
        if gap is None or not gap[0] < after_s < gap[1]:
            level = 8.0 + 90.0 * (1.25 * math.exp(-after_s / 18000.0) - 0.65 * math.exp(-after_s / 700.0))
            points.append((POURED_S + after_s, level))
    return tuple(points)


GOOD = BucketView(
    "shed-2",
    "Quillmarsh 12",
    "ageing",
    71.4,
    14.0,
    "falling",
    "86 to 97 %",
    "1 to 6 g in each litre after dilution",
    outlook="Nothing needed before morning.",
    next_action="Cut it when it is firm.",
    cautions=("Goggles and gloves.",),
    numbers=(("Peak", "88 °C at 08:34"),),
    log=(LogLine(POURED_S, "poured, mix at 56 °C"), LogLine(POURED_S + 600, "blended", POURED_S + 4000)),
    curve=curve(),
    ambient=((POURED_S, 7.0), (NOW_S, 9.0)),
    band=((POURED_S + 600, 60.0, 80.0), (NOW_S, 30.0, 45.0)),
    marks=((POURED_S, "poured"), (POURED_S + 600, "blended")),
    too_hot_c=95.0,
    past_alarms=(AlarmView("shed-2 was silent for 21 minutes.", "", POURED_S + 9000, "daylight", "over"),),
)
NOT_TAKEN = AlarmView(
    "shed-3 has not taken: 52 °C and falling, 25 min after blending.",
    "Oil on top or runny: probe out, blend 5 minutes.",
    NOW_S - 300,
    "now",
    "not seen by anyone yet",
    ("Visor, long sleeves, gloves.", "Bucket at most half full."),
)
BAD = BucketView("shed-3", "Quillmarsh 13", "ageing", 52.2, 4.0, "falling", "20 to 34 %", alarms=(NOT_TAKEN,))
LATE = BucketView("barn-1", "Quillmarsh 11", "ageing", 64.0, 2300.0, "falling", "70 to 88 %", outlook="Sleep well.")
LATER = BucketView(
    "barn-2",
    "Quillmarsh 10",
    "ageing",
    31.0,
    20.0,
    alarms=(AlarmView("barn-2 will not go far enough.", "Weigh the bag.", NOW_S - 40000, "daylight", "seen"),),
)
SPARE = BucketView("spare")


def status(*buckets: BucketView, **fields: object) -> StatusView:
    """A status of these buckets at NOW_S."""
    return StatusView(NOW_S, "Quillmarsh allotments", buckets, **fields)  # type: ignore[arg-type]
