"""The page's batches out of a journal: read once where they are over, anew where something was noted; groups reckoned
apart."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from statistics import fmean

import pytest

from monitor import comparing_page
from monitor.comparing import stories_of
from monitor.comparing_page import JournalSeasons, NotHeld
from monitor.domain import Batch, Event, Reading
from monitor.exchange.carry import import_batches
from monitor.journal.database import Journal
from monitor.languages import voice_for
from monitor.page.turns import Busy
from monitor.seasons.story import FAILED, RANG, UNKNOWN, WENT_WELL
from monitor.settings import Settings, SiteSettings
from monitor.words import speaking
from tests.helpers_watch import batch_in
from tests.sources.conftest import wait_until

PAST = Path(__file__).parents[1] / "recordings" / "past-seasons.json"
NOW_S = 1795000000.0


@pytest.fixture
def year(tmp_path: Path) -> Iterator[tuple[Journal, JournalSeasons]]:
    """A journal with the invented year, and the page's view of it."""
    with Journal(tmp_path / "journal.sqlite") as journal:
        import_batches(journal, PAST, NOW_S)
        settings = Settings(site=SiteSettings(time_zone="UTC"), journal_path=journal.path)
        seasons = JournalSeasons(lambda: Journal(journal.path, read_only=True), settings)
        yield journal, seasons
        seasons.close()


def test_what_is_over_is_read_once(year: tuple[Journal, JournalSeasons], monkeypatch: pytest.MonkeyPatch) -> None:
    """Until something is noted of it: then that batch alone is read anew."""
    journal, seasons = year
    read: list[str] = []
    real = comparing_page.stories_of

    def counted(opened: Journal, records: list[object], local_time: object) -> object:
        read.extend(record.batch.name for record in records)  # type: ignore[attr-defined]
        return real(opened, records, local_time)  # type: ignore[arg-type]

    monkeypatch.setattr(comparing_page, "stories_of", counted)
    assert len(seasons.every_row()) == 12 and len(read) == 12
    seasons.every_row()
    assert len(read) == 12
    journal.add_detail("Quillmarsh A3", "potash_lot", "K-99", NOW_S)
    rows = seasons.every_row()
    assert read[12:] == ["Quillmarsh A3"]
    assert [row.story.potash_lot for row in rows if row.story.name == "Quillmarsh A3"] == ["K-99"]
    assert all(row.story.core == () for row in rows), "a thousand curves would fill a small computer"


def test_what_comes_late_is_read_anew(tmp_path: Path) -> None:
    """Asked between the end and the watch's verdict; then the verdict, and later a node's backlog, are in it."""
    batch = batch_in("shed-1")
    started_s, ended_s = batch.started_s, batch.started_s + 90000.0

    def read(minutes: range, level_c: float, bucket: str = "shed-1") -> list[Reading]:
        return [Reading(bucket, "core", started_s + 60.0 * m, ended_s, level_c) for m in minutes]

    with Journal(tmp_path / "journal.sqlite") as journal:
        journal.add_batch(batch)
        journal.add_readings(read(range(60), 55.0))
        journal.add_events([_estimate(batch)])
        seasons = JournalSeasons(lambda: Journal(journal.path, read_only=True), Settings())

        def told() -> list[tuple[str, float | None]]:
            (row,), (story,) = seasons.every_row(), seasons.stories([batch.name])
            assert story.state == row.story.state and max(level for _, level in story.core) == row.peak_c
            return [(row.story.state, row.peak_c)]

        journal.end_batch(batch.name, ended_s, ended_s, "filled")
        assert told() == [(UNKNOWN, 55.0)]
        said = {"completeness": 0.62, "completeness_sd": 0.06, "says": "It fell short."}
        journal.add_events([Event("verdict", ended_s, "shed-1", batch.name, said)])
        assert told() == [(FAILED, 55.0)]
        journal.add_readings(read(range(100, 200), 90.0))
        assert told() == [(FAILED, 90.0)]
        kept = seasons._rows[batch.name]
        journal.add_readings(read(range(2000, 2010), 99.0))  # of the next batch there
        journal.add_readings(read(range(70, 80), 99.0, "shed-2"))
        assert told() == [(FAILED, 90.0)] and seasons._rows[batch.name] is kept
        alarm = {"kind": "incomplete", "state": "raised", "alarm": "shed-1/x/incomplete/1"}
        said |= {"completeness": 0.95}
        journal.add_events([Event("alarm", ended_s, "shed-1", batch.name, alarm)])
        journal.add_events([Event("verdict", ended_s + 1.0, "shed-1", batch.name, said)])
        assert told() == [(RANG, 90.0)]
        seasons.close()


def test_chosen_batches_come_the_oldest_first(year: tuple[Journal, JournalSeasons]) -> None:
    """With their curves; a name that there is not is passed over."""
    _, seasons = year
    found = seasons.stories(["Quillmarsh A9", "nobody", "Quillmarsh A2"])
    assert [story.name for story in found] == ["Quillmarsh A2", "Quillmarsh A9"]
    assert all(len(story.core) > 100 and story.heat and story.done for story in found)
    assert seasons.choices()[0].name == "Quillmarsh A12", "the newest first"


def test_groups_are_reckoned_apart_and_come_back_the_same(year: tuple[Journal, JournalSeasons]) -> None:
    """In another process, in the words of who asks."""
    _, seasons = year
    with speaking(voice_for("es")):
        rows = seasons.every_row()
        apart = seasons.held(rows, "season", "peak")
    (one,) = apart.differences
    assert (one.group, one.base, one.counts) == ("de junio a agosto", "de diciembre a febrero", (4, 5))
    summer, winter = ([row.peak_c for row in rows if row.story.month in months] for months in ((6, 7, 8), (12, 1, 2)))
    # The mixed model weighs the sheds, so it is near the plain difference of means and not the same.
    assert one.estimated.low < one.estimated.value < one.estimated.high
    assert one.estimated.value == pytest.approx(fmean(summer) - fmean(winter), abs=2.0)  # type: ignore[arg-type]


def test_one_at_a_time(year: tuple[Journal, JournalSeasons]) -> None:
    """A second one that asks meanwhile is told so, and does not load the computer twice."""
    _, seasons = year
    seasons._one_at_a_time.acquire()
    with pytest.raises(NotHeld, match="just now"):
        seasons.held([], "season", "peak")


def test_nobody_waits_for_ever_behind_another(year: tuple[Journal, JournalSeasons]) -> None:
    """Who has waited a while is told so: the thread that waits is one of few."""
    journal, _ = year
    seasons = JournalSeasons(lambda: Journal(journal.path, read_only=True), Settings(), wait_s=0.01)
    with seasons._reading():
        for ask in (seasons.choices, seasons.every_row, lambda: seasons.stories(["Quillmarsh A9"])):
            with pytest.raises(Busy):
                ask()
    assert len(seasons.choices()) == 12
    seasons.close()


def test_a_watch_that_ends_does_not_wait_for_figures(
    year: tuple[Journal, JournalSeasons], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of hundreds of batches they take a minute: after the one that is being read it is over."""
    _, seasons = year
    real, ends, read = comparing_page.stories_of, threading.Thread(target=seasons.close), []

    def slowly(*asked: object) -> object:
        read.append(asked)
        if len(read) == 1:
            ends.start()
            wait_until(seasons._closing.is_set, 10.0, what="the end to be asked for")
        return real(*asked)  # type: ignore[arg-type]

    monkeypatch.setattr(comparing_page, "stories_of", slowly)
    with pytest.raises(Busy):
        seasons.every_row()
    ends.join(10.0)
    assert not ends.is_alive() and len(read) == 1


def _killed(*_: object) -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def _forever(*_: object) -> None:
    time.sleep(60.0)


@pytest.mark.parametrize("work", [_killed, _forever])
def test_a_process_that_dies_or_hangs_is_told(
    year: tuple[Journal, JournalSeasons], monkeypatch: pytest.MonkeyPatch, work: object
) -> None:
    """As the kernel does where memory runs out; nothing is left behind, and the next one may ask."""
    _, seasons = year
    monkeypatch.setattr(comparing_page, "_work", work)
    monkeypatch.setattr(comparing_page, "_AT_MOST_S", 0.2 if work is _forever else 30.0)
    with pytest.raises(NotHeld, match="lacks time or memory"):
        seasons.held([], "season", "peak")
    assert not seasons._one_at_a_time.locked()
    assert multiprocessing.active_children() == []


def test_an_ended_batch_is_not_known_until_its_verdict_is_in(tmp_path: Path) -> None:
    """What was expected of it last is no finding: neither "went well" nor "failed" is said by it."""
    batch = batch_in("shed-1")
    with Journal(tmp_path / "journal.sqlite") as journal:
        journal.add_batch(batch)
        journal.add_events([_estimate(batch)])
        journal.end_batch(batch.name, batch.started_s + 90000.0, batch.started_s + 90000.0, "filled")
        (record,) = journal.batches()
        (story,) = stories_of(journal, [record], Settings().local_time)
        assert (story.state, story.completeness, story.completeness_at) == (UNKNOWN, None, None)
        said = {"completeness": 0.95, "completeness_sd": 0.04}
        journal.add_events([Event("verdict", 0.0, "shed-1", batch.name, said)])
        (story,) = stories_of(journal, [record], Settings().local_time)
        assert (story.state, story.completeness) == (WENT_WELL, (0.95, 0.04))


def test_a_test_of_its_free_alkali_decides_how_a_batch_went(tmp_path: Path) -> None:
    """Where it can be reckoned with: of soap diluted with nobody knows how much it says nothing."""
    batch = batch_in("shed-1")
    ended_s = batch.started_s + 4 * 86400.0
    with Journal(tmp_path / "journal.sqlite") as journal:
        journal.add_batch(batch)
        journal.end_batch(batch.name, ended_s, ended_s, "filled")
        (record,) = journal.batches()

        def tell(completeness: float, percent: str, at_s: float) -> tuple[str, bool, bool]:
            said = {"completeness": completeness, "completeness_sd": 0.04}
            journal.add_events([Event("verdict", at_s, "shed-1", batch.name, said)])
            journal.add_detail(batch.name, "free_alkali_percent", percent, at_s)
            (story,) = stories_of(journal, [record], Settings().local_time)
            return story.state, story.tested is not None, story.tested_at_most

        assert tell(0.95, "3.2", ended_s - 900.0) == (FAILED, True, False)
        assert tell(0.80, "0.05", ended_s - 800.0) == (WENT_WELL, True, False)
        assert tell(0.80, "0.05", ended_s + 900.0) == (FAILED, False, False)
        assert tell(0.95, "3.2", ended_s + 1000.0) == (FAILED, True, True), "water only thins it"


def _estimate(batch: Batch) -> Event:
    values = {"completeness": 0.3, "completeness_sd": 0.1, "final_completeness": 0.95, "final_completeness_sd": 0.05}
    return Event("estimate", batch.started_s + 3600.0, batch.bucket, batch.name, values)


def test_a_watch_that_ends_does_not_wait_for_groups(
    year: tuple[Journal, JournalSeasons], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Their process is ended with it."""
    _, seasons = year
    monkeypatch.setattr(comparing_page, "_work", _forever)
    ends = threading.Timer(0.1, seasons.close)
    ends.start()
    began_s = time.monotonic()
    with pytest.raises(NotHeld):
        seasons.held([], "season", "peak")
    assert time.monotonic() - began_s < 30.0 and multiprocessing.active_children() == []
