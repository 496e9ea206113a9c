"""What a batch stood under, by what was entered and by its log."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from monitor.comparing import stories_of
from monitor.domain import Vessel
from monitor.journal.database import Journal
from monitor.seasons.cover import BARE, COVERED_LATER, UNCOVERED_LATER, cover_from
from monitor.seasons.drivers import DRIVERS
from monitor.seasons.groups import group_of
from monitor.seasons.table import row_of
from tests.helpers_watch import batch_in, entry

from .made import story

MINUTE_S, HOUR_S = 60.0, 3600.0
ON, OFF = True, False


@pytest.mark.parametrize(
    ("entered", "noted", "cover"),
    [
        (BARE, (), BARE), ("box", (), "box"),
        (BARE, ((15 * MINUTE_S, ON),), "blanket"),  # wrapped once it was blended
        (BARE, ((-5 * MINUTE_S, ON),), "blanket"),  # wrapped between pour and blend
        (BARE, ((3 * HOUR_S, ON),), COVERED_LATER),  # as it falls
        (BARE, ((9 * HOUR_S, ON),), BARE),  # its heat had been made
        (BARE, ((HOUR_S, ON), (HOUR_S + 5 * MINUTE_S, OFF)), BARE),  # a slip that was put right
        ("blanket", ((40 * MINUTE_S, OFF),), UNCOVERED_LATER),  # too hot
        ("blanket", ((-20 * MINUTE_S, OFF), (10 * MINUTE_S, ON)), "blanket"),  # off for the blending
        ("box", ((HOUR_S, OFF), (1.5 * HOUR_S, ON)), "box"),  # looked at
        ("blanket", ((8 * HOUR_S, OFF),), "blanket"),
        ("blanket", ((-HOUR_S, OFF),), BARE),
    ],
)  # fmt: skip
def test_the_cover_of_the_hours_in_which_the_heat_is_made(
    entered: str, noted: tuple[tuple[float, bool], ...], cover: str
) -> None:
    """Whatever the order in which it was noted."""
    found = cover_from(entered, [(1000.0 + at_s, on) for at_s, on in reversed(noted)], 1000.0)
    assert found == cover


def test_a_bucket_wrapped_after_its_blend_is_in_the_group_of_the_blanket() -> None:
    """Entered bare, as it stood at the pour; the group and the driver both go by the log."""
    bare = story(1)
    assert bare.blended_s is not None
    wrapped = story(1, covers=((bare.blended_s + 15 * MINUTE_S, ON),))
    later = story(1, covers=((bare.blended_s + 3 * HOUR_S, ON),))
    taken_off = story(1, vessel=Vessel(25.0, "blanket"), covers=((bare.blended_s + 2 * HOUR_S, OFF),))
    groups = [group_of(one, "insulation") for one in (bare, wrapped, later, taken_off)]
    assert groups == ["bare", "under a blanket", "covered later", "uncovered later"]
    assert [DRIVERS["cover"][0](row_of(one)) for one in (bare, wrapped, later, taken_off)] == [0.0, 1.0, 0.5, 0.5]


def test_the_journals_log_says_it(tmp_path: Path) -> None:
    """Entered bare, covered 15 minutes after the blend."""
    batch = batch_in("shed-1")
    with Journal(tmp_path / "journal.sqlite") as journal, journal.transaction():
        journal.add_batch(batch)
        for kind, after_s in (("poured", 0.0), ("blended", 600.0), ("covered", 1500.0)):
            journal.add_entry(batch.name, entry(kind, batch.started_s + after_s))
        (found,) = stories_of(journal, journal.batches(), lambda at_s: datetime.fromtimestamp(at_s, UTC))
    assert found.vessel.insulation == "bare" and found.cover == "blanket"
