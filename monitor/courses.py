"""The course of one batch, read from the journal for a chart of it: the page's, and the picture that is sent on."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Mapping, Sequence

from monitor.curve import BatchCurve
from monitor.domain import AMBIENT, PASTE_PROBES, Event
from monitor.journal.database import AlarmRecord, Journal
from monitor.journal.rows import BatchRecord
from monitor.page.view import STALE_AFTER_S
from monitor.pipeline import Minder
from monitor.retelling import retold
from monitor.settings import Settings
from monitor.standing import KEPT_S, MINUTE_S, RECENT_S, marks_of
from monitor.words import tr

HOUR_S = 3600.0
# Slots of time that a curve is thinned to, two readings each: the past that is kept, the last minutes, and a part that
# somebody has zoomed into.
PAST_SLOTS, NEWEST_SLOTS, WINDOW_SLOTS = 430, 60, 490
HEAT_ROWS = 500
# A forecast is made anew every ten minutes; one that is older says nothing of the hours ahead.
FORECAST_IS_OLD_S = 30 * MINUTE_S
_FORECAST_STEPS = 48

Rows = Sequence[tuple[float, float, float]]
_Points = tuple[tuple[float, float], ...]


class Courses:
    """The curves of batches, for charts that are drawn again and again. Any thread may ask.

    ``bands`` and ``forecasts`` are by batch name, from the watch. Of three days only the newest minutes change, so the
    rest is kept for half an hour; hours that a node sends late are drawn by then.
    """

    def __init__(
        self,
        open_journal: Callable[[], Journal],
        settings: Settings,
        now_s: Callable[[], float],
        bands: Mapping[str, Rows],
        forecasts: Mapping[str, Rows],
    ) -> None:
        self._open_journal, self._settings, self._now_s = open_journal, settings, now_s
        self._bands, self._forecasts = bands, forecasts
        self._journal: Journal | None = None
        self._lock = threading.Lock()
        self._past: dict[tuple[str, str], tuple[float, float, _Points]] = {}
        self._heat: dict[str, list[tuple[float, float, float]]] = {}

    def of_bucket(self, name: str, window: tuple[float, float] | None = None) -> BatchCurve | None:
        """Of the batch that runs in the bucket; None where none does."""
        with self._lock:
            journal = self._opened()
            batch = journal.batch_in(name)
            kept = None if batch is None else journal.batch(batch.name)
            return None if kept is None else self._course(journal, kept, window)

    def of_batch(self, name: str, window: tuple[float, float] | None = None) -> BatchCurve | None:
        """Of a batch, running or ended; None when there is none of that name."""
        with self._lock:
            journal = self._opened()
            kept = journal.batch(name)
            return None if kept is None else self._course(journal, kept, window)

    def picture_for(self, bucket: str) -> bytes | None:
        """The picture of the curve in a bucket, in the voice that speaks; None where there is nothing to draw."""
        from monitor.papers.picture import curve_png

        curve = self.of_bucket(bucket)
        return None if curve is None else curve_png(curve, self._settings.local_time, self._settings.site.name)

    def _opened(self) -> Journal:
        if self._journal is None:
            self._journal = self._open_journal()
        return self._journal

    def _course(self, journal: Journal, kept: BatchRecord, window: tuple[float, float] | None) -> BatchCurve:
        batch, now_s = kept.batch, self._now_s()
        running = kept.ended_s is None
        from_s, to_s = batch.started_s - 10 * MINUTE_S, (now_s if kept.ended_s is None else kept.ended_s) + MINUTE_S

        def points(probe: str) -> _Points:
            if window is not None:
                start_s, end_s = max(from_s, window[0]), min(to_s, window[1])
                return tuple(journal.extremes(batch.bucket, probe, start_s, end_s, WINDOW_SLOTS))
            return self._points(journal, kept, probe, from_s, to_s, now_s)

        paste = tuple((probe, found) for probe in PASTE_PROBES if (found := points(probe)))
        alarms = journal.alarms(batch=batch.name)
        return BatchCurve(
            bucket=batch.bucket,
            batch=batch.name,
            at_s=now_s,
            running=running,
            paste=paste,
            air=points(AMBIENT),
            band=tuple(self._bands.get(batch.name, ())) if running else (),
            forecast=self._forecast(batch.name, paste, alarms, now_s) if running else (),
            heat=self._released(journal, batch.name),
            marks=_marks(journal, batch.name, alarms),
            too_hot_c=self._settings.place().too_hot_c,
        )

    def _points(  # noqa: PLR0917
        self, journal: Journal, kept: BatchRecord, probe: str, from_s: float, to_s: float, now_s: float
    ) -> _Points:
        key = (kept.batch.name, probe)
        made_s, past_to_s, past = self._past.get(key, (-KEPT_S, from_s, ()))
        if not 0.0 <= now_s - made_s < KEPT_S:
            # The last minutes are read each time: their readings may be screened out yet.
            past_to_s = max(from_s, to_s - RECENT_S)
            past = tuple(journal.extremes(kept.batch.bucket, probe, from_s, past_to_s, PAST_SLOTS))
            if len(self._past) >= 200:  # somebody leafs through years of batches
                self._past.clear()
            self._past[key] = now_s, past_to_s, past
        return past + tuple(journal.extremes(kept.batch.bucket, probe, past_to_s, to_s, NEWEST_SLOTS))

    def _released(self, journal: Journal, batch: str) -> tuple[tuple[float, float, float], ...]:
        """(time, heat released, its standard deviation), kJ; what was read once is kept, estimates do not change."""
        if batch not in self._heat and len(self._heat) >= 40:
            self._heat.clear()
        rows = self._heat.setdefault(batch, [])
        for estimate in journal.estimates(batch, rows[-1][0] if rows else 0.0):
            kj, sd = _figure(estimate, "heat_released_kj"), _figure(estimate, "heat_released_sd_kj")
            if kj is not None and sd is not None:
                rows.append((estimate.at_s, kj, sd))
        # The curve only rises, and slowly: leaving out rows loses no peak. The newest stays.
        stride = len(rows) // HEAT_ROWS + 1
        return tuple(rows[(len(rows) - 1) % stride :: stride])

    def _forecast(
        self, batch: str, paste: Sequence[tuple[str, _Points]], alarms: Sequence[AlarmRecord], now_s: float
    ) -> tuple[tuple[float, float, float], ...]:
        """What lies ahead of now, as long as the readings that it rests on still come and are believed."""
        rows = self._forecasts.get(batch, ())
        if not rows or not paste or now_s - rows[0][0] > FORECAST_IS_OLD_S:
            return ()
        faulty = any(alarm.kind in ("sensor_fault", "silent") and _stands(alarm) for alarm in alarms)
        if faulty or now_s - paste[0][1][-1][0] > STALE_AFTER_S:
            return ()
        return tuple(row for row in rows if row[0] >= now_s - MINUTE_S)


def _stands(alarm: AlarmRecord) -> bool:
    return alarm.state in ("unacknowledged", "acknowledged")


def _marks(journal: Journal, batch: str, alarms: Sequence[AlarmRecord]) -> tuple[tuple[float, str], ...]:
    """Deeds at the bucket, and when it alarmed."""
    rang = [
        (alarm.raised_at_s, tr("alarm: {what}", what=retold(alarm)[0].partition(":")[0]))
        for alarm in alarms
        if alarm.raised_at_s is not None
    ]
    return tuple(sorted([*marks_of(journal.entries(batch)), *rang], key=lambda mark: mark[0]))


def _figure(estimate: Event, name: str) -> float | None:
    value = estimate.values.get(name)
    return float(value) if isinstance(value, int | float) and math.isfinite(value) else None


def forecast_of(minder: Minder, tick_s: float) -> list[tuple[float, float, float]]:
    """(time, low, high) of the core from now on, 5 to 95 %, if nobody does anything; [] before the first estimate."""
    if minder.estimate is None:
        return []
    poured_at_s = minder.course().poured_at_s
    # As far as the band goes in the first hours, then half as far ahead as it is old: more would squeeze the curve.
    ahead_s = max(2 * HOUR_S, min(12 * HOUR_S, (tick_s - poured_at_s) / 2.0), poured_at_s + 6 * HOUR_S - tick_s)
    # The model runs to the planned dilution and not beyond.
    ahead_s = min(ahead_s, poured_at_s + minder.batch.planned_dilution_s - tick_s)
    if ahead_s <= 0.0:
        return []
    try:
        made_s = float(minder.estimator.forecast([0.0]).time_s[0])
    except ValueError:  # weights were put right, and the estimator that knows them has not spoken yet
        return []
    hours = [(tick_s - made_s + ahead_s * step / _FORECAST_STEPS) / HOUR_S for step in range(_FORECAST_STEPS + 1)]
    ahead = minder.estimator.forecast(hours)
    return [
        (float(at), float(low), float(high))
        for at, low, high in zip(ahead.time_s, ahead.low_c, ahead.high_c, strict=True)
    ]
