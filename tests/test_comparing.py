"""Batches out of a journal as they are compared: what of the log, the readings and the estimates a story takes."""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

import pytest

from monitor.comparing import _first_hours_fine, stories_of
from monitor.domain import Event, LogEntry, Reading
from monitor.heat.priors import History
from monitor.journal.database import Journal
from monitor.journal.state import BEGUN_WITH
from monitor.learned import history_values
from monitor.seasons.curves import BLENDED, POURED, TEMPERATURE, overlay
from monitor.seasons.frames import batch_records
from monitor.seasons.story import Story
from monitor.seasons.table import row_of
from tests.helpers_watch import NIGHT_S, batch_in, entry

HOUR_S = 3600.0


def told_by(
    folder: Path, log: Iterable[LogEntry], levels: Iterable[tuple[float, float]] = (), events: Iterable[Event] = ()
) -> Story:
    """The one batch of a journal with this log, core readings (seconds after the start, °C) and events."""
    batch = batch_in("shed-1")
    with Journal(folder / "journal.sqlite") as journal:
        with journal.transaction():
            journal.add_batch(batch)
            for one in log:
                journal.add_entry(batch.name, one)
            journal.add_readings(Reading("shed-1", "core", NIGHT_S + s, NIGHT_S + s, level) for s, level in levels)
            journal.add_events(list(events))
            journal.end_batch(batch.name, NIGHT_S + 96 * HOUR_S, NIGHT_S + 96 * HOUR_S, "filled")
        (story,) = stories_of(journal, journal.batches(), lambda at_s: datetime.fromtimestamp(at_s, UTC))
    return story


def level_c(hours: float) -> float:
    """Up to 88 °C within forty minutes, then down with a time constant of four hours."""
    return 48.0 + 60.0 * hours if hours < 2 / 3 else 10.0 + 78.0 * math.exp((2 / 3 - hours) / 4.0)


MINUTELY = [(60.0 * minute, level_c(minute / 60.0)) for minute in range(96 * 60)]


def test_a_second_blending_is_not_the_first(tmp_path: Path) -> None:
    """The first was not noted: the peak is that of the paste all the same, and no curve is counted from the second."""
    story = told_by(tmp_path, [entry("poured", NIGHT_S), entry("reblended", NIGHT_S + 4 * HOUR_S)], MINUTELY)
    assert story.blended_s is None
    row = row_of(story)
    assert row.peak_c == pytest.approx(88.0, abs=0.1) and not row.at_least and row.blend_after_s is None
    laid = overlay([story], TEMPERATURE, BLENDED)
    assert laid.curves == () and "nobody noted when it was blended" in laid.left_out[0]


def estimate(after_s: float, **values: object) -> Event:
    """As the watch writes it."""
    usual = {"completeness": 0.5, "completeness_sd": 0.05, "heat_released_kj": after_s, "heat_released_sd_kj": 1.0}
    return Event("estimate", NIGHT_S + after_s, "shed-1", "Invented shed-1", {**usual, **values})


@pytest.mark.parametrize(
    ("fact", "event", "learned"),
    [
        (None, None, 0), (History(heat_batches=5, pace_batches=3), None, 5),
        (None, {"heat": 2, "loss": 0, "pace": 4}, 4),  # out of another journal: the events alone came along
    ],
)  # fmt: skip
def test_a_story_says_on_how_many_earlier_batches_it_rests(
    tmp_path: Path, fact: History | None, event: dict[str, int] | None, learned: int
) -> None:
    """As the batch was begun with, whatever was learned later; in the table, the CSV and the frames."""
    path = tmp_path / "journal.sqlite"
    if fact is not None:
        with Journal(path) as journal, journal.transaction():
            journal.set_fact(BEGUN_WITH + "Invented shed-1", history_values(fact))
    story = told_by(tmp_path, [], events=[estimate(600.0, **({} if event is None else {"learned_from": event}))])
    assert story.learned_from == learned
    (record,) = batch_records([story])
    assert record["learned_from"] == learned
    assert dict(row_of(story).cells())["learned from earlier"] == (f"{learned} batches" if learned else "–")


def test_the_first_hours_are_drawn_as_they_were_read(tmp_path: Path) -> None:
    """Of a batch of four days, too: a curve of its first hours is not a handful of points."""
    story = told_by(tmp_path, [entry("poured", NIGHT_S), entry("blended", NIGHT_S + 600.0)], MINUTELY)
    assert sum(NIGHT_S <= at_s < NIGHT_S + 12 * HOUR_S for at_s, _ in story.core) == 12 * 60
    assert len(story.core) < 4000, "the later days are thinned"
    assert max(b - a for (a, _), (b, _) in pairwise(story.core)) <= 600.0, "nothing looks like a gap"
    assert story.core[-1][0] == NIGHT_S + MINUTELY[-1][0]
    (curve,) = overlay([story], TEMPERATURE, POURED, hours=12).curves
    assert sum(0.0 <= row[0] <= 2 * HOUR_S for row in curve.rows) >= 40
    assert max(row[2] for row in curve.rows) == pytest.approx(88.0)
    row = row_of(story)
    assert row.peak_after_s == 2400.0 and not row.at_least and not row.warm_at_least


def test_a_recording_keeps_its_first_hours_as_well() -> None:
    """Its readings are all at hand, and thinned alike."""
    points = [(NIGHT_S + after_s, level) for after_s, level in MINUTELY]
    kept = _first_hours_fine(points, NIGHT_S + 12 * HOUR_S)
    assert kept[: 12 * 60] == tuple(points[: 12 * 60]) and kept[-1] == points[-1] and len(kept) < 4000
    assert _first_hours_fine([], NIGHT_S) == ()


def test_every_estimate_of_the_first_hours_stays_and_the_last(tmp_path: Path) -> None:
    """Six an hour for four days."""
    made = [estimate(600.0 * n) for n in range(1, 96 * 6 + 1)]
    heat = told_by(tmp_path, [entry("poured", NIGHT_S)], events=made).heat
    assert [at_s - NIGHT_S for at_s, _, _ in heat[:73]] == [600.0 * n for n in range(1, 74)]
    assert heat[-1][0] == NIGHT_S + 96 * HOUR_S and 150 < len(heat) <= 200
    assert heat == tuple(sorted(set(heat))), "each once"


@pytest.mark.parametrize("count", [0, 1, 72, 73, 74, 200])
def test_few_estimates_all_stay(tmp_path: Path, count: int) -> None:
    """Up to as many as are kept."""
    made = [estimate(600.0 * n) for n in range(1, count + 1)]
    assert len(told_by(tmp_path, [], events=made).heat) == count
