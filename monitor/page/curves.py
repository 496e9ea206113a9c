"""A batch's course as JSON for the page's script: columns of whole numbers and figures, gaps as null, never NaN.

    {"bucket", "batch", "at_s", "running", "from_s", "too_hot_c", "zone": [[from_s, ahead_of_utc_s], ...],
     "probes": [{"probe", "times", "temperature_c"}, ...], "air": {...},
     "band": {"times", "low_c", "high_c"}, "forecast": {...}, "heat": {"times", "kj", "low_kj", "high_kj"},
     "events": [{"at_s", "words"}, ...]}

``times`` are seconds after ``from_s``. Temperatures are degrees Celsius whatever the page speaks; the words of the
events are those of the page. With ``?from=&to=`` (Unix seconds) only probes and air come, as fine as that part allows.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from monitor.curve import BatchCurve, LocalTime, Points, Ranged, finite, finite_rows, stretches, thinned, zone_changes
from monitor.page.view import BucketView, RecordView

# Two points a slot: about a thousand for each curve.
SLOTS = 490


def of_bucket(bucket: BucketView, at_s: float) -> BatchCurve:
    """What the view of a bucket alone has to draw."""
    return BatchCurve(
        bucket.name, bucket.batch or "", at_s, True, (("core", bucket.curve),) if bucket.curve else (),
        air=bucket.ambient, band=bucket.band, marks=bucket.marks, too_hot_c=bucket.too_hot_c,
    )  # fmt: skip


def of_record(record: RecordView) -> BatchCurve:
    """The same of a batch's record."""
    return BatchCurve(
        record.bucket, record.name, record.at_s, record.running, (("core", record.curve),) if record.curve else (),
        air=record.ambient, marks=record.marks, too_hot_c=record.too_hot_c,
    )  # fmt: skip


def curve_values(curve: BatchCurve, local_time: LocalTime) -> dict[str, Any]:
    """All of it."""
    lines = [finite(points) for points in (*(points for _, points in curve.paste), curve.air)]
    bands = [finite_rows(rows) for rows in (curve.band, curve.forecast, curve.heat)]
    every: list[Any] = [rows for rows in (*lines, *bands) if rows]
    from_s = float(math.floor(min((rows[0][0] for rows in every), default=curve.at_s)))
    to_s = max((rows[-1][0] for rows in every), default=curve.at_s)
    band, forecast, heat = bands
    return {
        "bucket": curve.bucket,
        "batch": curve.batch,
        "at_s": round(curve.at_s, 1),
        "running": curve.running,
        "from_s": from_s,
        "too_hot_c": curve.too_hot_c,
        "zone": zone_changes(from_s, to_s, local_time),
        **_lines(curve, from_s),
        "band": _ranged(band, from_s),
        "forecast": _ranged(forecast, from_s),
        "heat": {
            "times": _times(heat, from_s),
            "kj": [round(kj, 1) for _, kj, _ in heat],
            "low_kj": [round(max(0.0, kj - 2 * sd), 1) for _, kj, sd in heat],
            "high_kj": [round(kj + 2 * sd, 1) for _, kj, sd in heat],
        },
        "events": [{"at_s": round(at_s, 1), "words": words} for at_s, words in curve.marks if math.isfinite(at_s)],
    }


def window_values(curve: BatchCurve, from_s: float) -> dict[str, Any]:
    """Probes and air alone: a part that somebody has zoomed into."""
    return {"from_s": from_s, **_lines(curve, from_s)}


def window_of(asked: tuple[str | None, str | None]) -> tuple[float, float] | None:
    """``?from=&to=`` as two times; None when they are not there or make no sense."""
    try:
        from_s, to_s = float(asked[0] or "nan"), float(asked[1] or "nan")
    except ValueError:
        return None
    return (math.floor(from_s), to_s) if math.isfinite(from_s) and math.isfinite(to_s) and to_s > from_s else None


def _lines(curve: BatchCurve, from_s: float) -> dict[str, Any]:
    probes = [{"probe": probe, **_line(points, from_s)} for probe, points in curve.paste]
    return {"probes": probes, "air": _line(curve.air, from_s)}


def _line(points: Points, from_s: float) -> dict[str, list[float | None]]:
    """One curve; between two stretches a null, so that no line bridges the hours in which nothing came."""
    points = finite(points)
    times: list[float | None] = []
    levels: list[float | None] = []
    for whole in stretches(points):
        if times:
            times.append(round(whole[0][0] - from_s) - 1)
            levels.append(None)
        for time_s, level in thinned(whole, max(5, SLOTS * len(whole) // len(points))):
            times.append(round(time_s - from_s))
            levels.append(round(level, 2))
    return {"times": times, "temperature_c": levels}


def _ranged(rows: Ranged, from_s: float) -> dict[str, list[float]]:
    return {
        "times": _times(rows, from_s),
        "low_c": [round(low, 1) for _, low, _ in rows],
        "high_c": [round(high, 1) for _, _, high in rows],
    }


def _times(rows: Sequence[tuple[float, float, float]], from_s: float) -> list[float]:
    return [round(row[0] - from_s) for row in rows]
