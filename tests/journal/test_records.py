"""Details, photographs and corrected recipes: nothing is overwritten, and what was written twice is there once."""

from __future__ import annotations

import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.domain import Batch, LogEntry, OilShare, Recipe, Vessel
from monitor.journal.database import Journal, Photo, Refused
from monitor.journal.migrations import MIGRATIONS, NEWEST, migrate, version_of

T0 = 1_773_480_000.0
BATCH = Batch(
    "Quillmarsh 12", "shed-2", T0, Recipe((OilShare("sunflower", 4.2),), 0.85, 0.9, 1.3), Vessel(25, "bare"),
)  # fmt: skip
NAME = BATCH.name
PHOTO = Photo(NAME, "/photos/cut.jpg", "ab" * 32, "cut on day three", T0 + 10.0, T0 + 20.0)


@pytest.fixture
def kept(journal: Journal) -> Journal:
    journal.add_batch(BATCH)
    return journal


def test_a_corrected_detail_stands_and_the_old_value_stays(kept: Journal) -> None:
    """The value written last is what stands, even when the clock was set back between the two."""
    kept.add_detail(NAME, "potash_lot", "K-17", T0 + 100.0, "Ada")
    kept.add_detail(NAME, "potash_lot", "K-71", T0 + 50.0, "Ben")
    standing = kept.details(NAME)["potash_lot"]
    assert (standing.value, standing.who) == ("K-71", "Ben")
    assert [detail.value for detail in kept.detail_history(NAME)] == ["K-17", "K-71"]


def test_an_empty_value_takes_a_field_back(kept: Journal) -> None:
    """What was taken back stands no longer, and is still in the history."""
    kept.add_detail(NAME, "maker", "Ada", T0)
    kept.add_detail(NAME, "maker", "", T0 + 1.0)
    assert kept.details(NAME) == {}
    assert len(kept.detail_history(NAME)) == 2


def test_every_write_can_be_repeated(kept: Journal) -> None:
    """After a commit that seemed to fail, writing the same again leaves one row and one change."""
    for _ in range(2):
        kept.add_detail(NAME, "maker", "Ada", T0)
        kept.add_photo(PHOTO)
        kept.amend_batch(NAME, replace(BATCH.recipe, koh_kg=0.86), BATCH.vessel, T0 + 5.0)
    assert len(kept.detail_history(NAME)) == len(kept.photos(NAME)) == len(kept.amendments(NAME)) == 1
    assert [change.what for change in kept.changes_since(0)[0]] == ["batch-started", "batch-amended"]


def test_a_photograph_can_be_taken_off_and_its_row_stays(kept: Journal) -> None:
    """The file is not ours to delete, and what was noted is never lost."""
    photo = kept.add_photo(PHOTO)
    kept.undo_photo(photo.photo_id, T0 + 99.0)
    assert kept.photos(NAME) == []
    assert kept.photos(NAME, with_undone=True) == [replace(photo, undone_at_s=T0 + 99.0)]


def test_the_recipe_now_is_the_last_correction_and_the_batch_row_is_untouched(kept: Journal) -> None:
    """What was entered at the start can always be read again."""
    assert kept.recipe_now(NAME) == (BATCH.recipe, BATCH.vessel)
    first, second = replace(BATCH.recipe, koh_kg=0.86), replace(BATCH.recipe, koh_kg=0.87)
    kept.amend_batch(NAME, first, BATCH.vessel, T0 + 5.0)
    kept.amend_batch(NAME, second, Vessel(30, "box"), T0 + 6.0, "Ada")
    assert kept.recipe_now(NAME) == (second, Vessel(30, "box"))
    assert [amendment.recipe for amendment in kept.amendments(NAME)] == [first, second]
    record = kept.batch(NAME)
    assert record is not None and record.batch == BATCH
    assert kept.changes_since(0)[0][-1].amendment == kept.amendments(NAME)[-1]


def test_an_amendment_taken_up_later_is_moved_to_when_it_counted(kept: Journal) -> None:
    """A rebuild must see it when the first run did; never earlier."""
    amendment = kept.amend_batch(NAME, replace(BATCH.recipe, koh_kg=0.86), BATCH.vessel, T0 + 5.0)
    kept.renote_amendment(amendment.amendment_id, T0 + 60.0)
    kept.renote_amendment(amendment.amendment_id, T0 + 30.0)
    assert kept.amendments(NAME)[0].noted_at_s == T0 + 60.0


def test_what_belongs_to_no_batch_is_refused(journal: Journal) -> None:
    """One sentence, and nothing is kept."""
    for write in (
        lambda: journal.add_detail("nobody's", "maker", "Ada", T0),
        lambda: journal.add_photo(replace(PHOTO, batch="nobody's")),
        lambda: journal.amend_batch("nobody's", BATCH.recipe, BATCH.vessel, T0),
        lambda: journal.recipe_now("nobody's"),
    ):
        with pytest.raises(Refused, match='no batch "nobody\'s"'):
            write()


def test_a_journal_of_the_first_schema_is_brought_up_and_keeps_everything(tmp_path: Path) -> None:
    """A file as the first release wrote it opens, holds what it held, and takes details."""
    path = tmp_path / "old.sqlite"
    old = sqlite3.connect(path, isolation_level=None)
    migrate(old, "0.1.0", MIGRATIONS[:1])
    assert version_of(old) == 1
    recipe = '{"oils":[{"name":"sunflower","kg":4.2}],"koh_kg":0.85,"koh_purity":0.9,"water_kg":1.3}'
    old.execute(
        "INSERT INTO batches VALUES (?, 'shed-2', ?, NULL, ?, '{\"litres\":25,\"insulation\":\"bare\"}', 259200.0, "
        "NULL, NULL, '')",
        (NAME, T0, recipe),
    )
    old.execute("INSERT INTO entries VALUES ('e1', ?, 'poured', ?, ?, 56.0, NULL, '', '', NULL)", (NAME, T0, T0))
    old.close()
    with Journal(path) as journal:
        assert version_of(journal._db) == NEWEST
        assert journal.running_batches() == [BATCH]
        assert journal.entries(NAME) == [LogEntry("poured", T0, T0, 56.0, entry_id="e1")]
        journal.add_detail(NAME, "maker", "Ada", T0)
        assert journal.details(NAME)["maker"].value == "Ada"


def test_two_connections_write_the_record_of_one_batch(kept: Journal) -> None:
    """A command and the page may both be at it; neither loses what it wrote."""
    with Journal(kept.path) as other:
        for number in range(20):
            (kept, other)[number % 2].add_detail(NAME, "remark", f"remark {number}", T0 + number)
    assert len(kept.detail_history(NAME)) == 20
