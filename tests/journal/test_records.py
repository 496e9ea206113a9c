"""Details, photographs and corrected recipes: nothing is overwritten, and what was written twice is there once."""

from __future__ import annotations

import contextlib
import json
import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.domain import Batch, LogEntry, OilShare, Recipe, Vessel
from monitor.journal.database import Journal, Photo, Refused
from monitor.journal.migrations import MIGRATIONS, NEWEST, migrate, version_of

T0 = 1_773_480_000.0
# A journal as each schema that was released has left it.
SCHEMAS = Path(__file__).parent / "schemas"
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


def test_records_have_the_ids_that_earlier_releases_gave_them(kept: Journal) -> None:
    """Another id would take in twice what an export brings back."""
    detail = kept.add_detail(NAME, "maker", "Ada", T0, "Ben")
    kept.amend_batch(NAME, BATCH.recipe, BATCH.vessel, T0 + 5.0, "Ben")
    assert detail.detail_id == "a3b17e1b3c5f"
    assert [one.amendment_id for one in kept.amendments(NAME)] == ["8a487f42e2e2"]


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


def test_taking_one_photograph_off_leaves_the_others_and_the_first_time_stands(kept: Journal) -> None:
    """Twice is once, and what was taken off stays taken off since then."""
    one = kept.add_photo(PHOTO)
    other = kept.add_photo(replace(PHOTO, caption="the other side", at_s=T0 - 5.0))
    gone = kept.add_photo(replace(PHOTO, caption="blurred", at_s=T0 + 50.0))
    assert kept.photos(NAME) == [other, one, gone], "in the order in which they were taken"
    kept.undo_photo(gone.photo_id, T0 + 60.0)
    kept.undo_photo(one.photo_id, T0 + 70.0)
    kept.undo_photo(one.photo_id, T0 + 80.0)
    assert kept.photos(NAME) == [other]
    found = {photo.photo_id: photo.undone_at_s for photo in kept.photos(NAME, with_undone=True)}
    assert found == {one.photo_id: T0 + 70.0, other.photo_id: None, gone.photo_id: T0 + 60.0}


def test_a_photograph_has_the_id_that_the_first_release_gave_it(kept: Journal) -> None:
    """Or the same note, repeated after an update, would be there twice. One that has an id keeps it."""
    assert kept.add_photo(PHOTO).photo_id == "bbdb9885b449"
    assert kept.amend_batch(NAME, BATCH.recipe, BATCH.vessel, T0).amendment_id == "6792e891f10e"
    assert kept.add_photo(replace(PHOTO, photo_id="mine", caption="x")).photo_id == "mine"


def test_the_recipe_now_is_the_last_correction_and_the_batch_row_is_untouched(kept: Journal) -> None:
    """What was entered at the start can always be read again."""
    assert kept.recipe_now(NAME) == (BATCH.recipe, BATCH.vessel)
    first, second = replace(BATCH.recipe, koh_kg=0.86), replace(BATCH.recipe, koh_kg=0.87)
    kept.amend_batch(NAME, first, BATCH.vessel, T0 + 5.0)
    kept.amend_batch(NAME, second, Vessel(30, "box"), T0 + 6.0, "Ada")
    assert kept.recipe_now(NAME) == (second, Vessel(30, "box"))
    third = replace(BATCH.recipe, koh_kg=0.88)
    kept.amend_batch(NAME, third, Vessel(31, "box"), T0 + 7.0)
    assert kept.recipe_now(NAME) == (third, Vessel(31, "box"))
    assert [amendment.recipe for amendment in kept.amendments(NAME)] == [first, second, third]
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


# What the first release wrote into a new file. Were step 1 ever edited, the files in the field would differ from it.
FIRST_SCHEMA = """
CREATE TABLE batches ( name TEXT PRIMARY KEY, bucket TEXT NOT NULL, started_s REAL NOT NULL, noted_at_s REAL,
    recipe TEXT NOT NULL, vessel TEXT NOT NULL, planned_dilution_s REAL NOT NULL, ended_s REAL, ended_noted_s
    REAL, outcome TEXT NOT NULL DEFAULT '');
CREATE UNIQUE INDEX one_running_batch ON batches (bucket) WHERE ended_s IS NULL;
CREATE TABLE entries ( entry_id TEXT PRIMARY KEY, batch TEXT NOT NULL REFERENCES batches (name), kind TEXT NOT
    NULL, at_s REAL NOT NULL, noted_at_s REAL NOT NULL, temperature_c REAL, kg REAL, text TEXT NOT NULL DEFAULT
    '', who TEXT NOT NULL DEFAULT '', undone_at_s REAL);
CREATE INDEX entries_of_batch ON entries (batch, noted_at_s);
CREATE TABLE acts ( act_id TEXT PRIMARY KEY, batch TEXT NOT NULL, bucket TEXT NOT NULL, alarm TEXT NOT NULL,
    act TEXT NOT NULL, until_s REAL, who TEXT NOT NULL DEFAULT '', at_s REAL NOT NULL, noted_at_s REAL NOT NULL);
CREATE INDEX acts_of_batch ON acts (batch);
CREATE TABLE changes ( seq INTEGER PRIMARY KEY AUTOINCREMENT, what TEXT NOT NULL, id TEXT NOT NULL, UNIQUE
    (what, id));
CREATE TABLE probes ( id INTEGER PRIMARY KEY, bucket TEXT NOT NULL, probe TEXT NOT NULL, latest INTEGER NOT
    NULL DEFAULT 0, UNIQUE (bucket, probe));
CREATE TABLE readings ( id INTEGER PRIMARY KEY, probe INTEGER NOT NULL REFERENCES probes (id), time_s REAL NOT
    NULL, arrival_s REAL NOT NULL, temperature_c REAL, state TEXT, retimed INTEGER NOT NULL DEFAULT 0, reason
    TEXT, UNIQUE (probe, time_s));
CREATE TABLE events ( id INTEGER PRIMARY KEY, bucket TEXT NOT NULL, batch TEXT NOT NULL, event TEXT NOT NULL,
    at_s REAL NOT NULL, key TEXT NOT NULL, line TEXT NOT NULL, UNIQUE (batch, bucket, event, at_s, key));
CREATE TABLE alarms ( alarm_id TEXT PRIMARY KEY, kind TEXT NOT NULL, batch TEXT NOT NULL, bucket TEXT NOT
    NULL, state TEXT NOT NULL, urgency TEXT NOT NULL, probability REAL, raised_at_s REAL, cleared_at_s REAL,
    acknowledged_at_s REAL, acknowledged_by TEXT NOT NULL DEFAULT '', shelved_until_s REAL, message_id TEXT NOT
    NULL DEFAULT '', says TEXT NOT NULL DEFAULT '', "do" TEXT NOT NULL DEFAULT '', facts TEXT NOT NULL DEFAULT
    '{}');
CREATE INDEX standing_alarms ON alarms (raised_at_s) WHERE state <> 'normal';
CREATE TABLE outbox ( message_id TEXT PRIMARY KEY, about TEXT NOT NULL, what TEXT NOT NULL, created_s REAL NOT
    NULL, not_before_s REAL NOT NULL, expires_s REAL NOT NULL, person TEXT NOT NULL, route TEXT NOT NULL, title
    TEXT NOT NULL, body TEXT NOT NULL, urgency TEXT NOT NULL, state TEXT NOT NULL, attempts INTEGER NOT NULL
    DEFAULT 0, last_error TEXT NOT NULL DEFAULT '', next_try_s REAL NOT NULL, sent_s REAL);
CREATE INDEX still_to_tell ON outbox (next_try_s) WHERE state IN ('waiting', 'failed');
CREATE INDEX told_about ON outbox (about);
CREATE TABLE facts (key TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE TABLE counters (source TEXT NOT NULL, what TEXT NOT NULL, total INTEGER NOT NULL, PRIMARY KEY (source,
    what));
CREATE TABLE health (part TEXT PRIMARY KEY, ok INTEGER NOT NULL, says TEXT NOT NULL, at_s REAL NOT NULL);
CREATE TABLE migrations (number INTEGER PRIMARY KEY, name TEXT NOT NULL, applied_by TEXT NOT NULL);
INSERT INTO migrations VALUES (1, 'batches, log, acts, readings, events, alarms, outbox, facts', '0.1.0');
PRAGMA application_id = 1162691152;
PRAGMA user_version = 1;
"""
IN_IT = """
INSERT INTO batches VALUES ('Quillmarsh 12', 'shed-2', 1773480000.0, NULL,
    '{"oils":[{"name":"sunflower","kg":4.2}],"koh_kg":0.85,"koh_purity":0.9,"water_kg":1.3}',
    '{"litres":25,"insulation":"bare"}', 259200.0, NULL, NULL, '');
INSERT INTO batches VALUES ('Quillmarsh 11', 'shed-2', 1773000000.0, 1773000010.0,
    '{"oils":[],"koh_kg":null,"koh_purity":null,"water_kg":null}', '{"litres":null,"insulation":"box"}', 259200.0,
    1773400000.0, 1773400001.0, 'held');
INSERT INTO entries VALUES ('e1', 'Quillmarsh 12', 'poured', 1773480000.0, 1773480000.0, 56.0, NULL, '', '', NULL);
INSERT INTO entries VALUES ('e2', 'Quillmarsh 12', 'looked', 1773480060.0, 1773480060.0, NULL, NULL, 'steamy', 'Ash',
    1773480090.0);
INSERT INTO acts VALUES ('a1', 'Quillmarsh 12', 'shed-2', 'x/1', 'going', NULL, 'Ash', 1773480100.0, 1773480100.0);
INSERT INTO changes (what, id) VALUES ('batch-started', 'Quillmarsh 12');
INSERT INTO probes VALUES (1, 'shed-2', 'core', 1);
INSERT INTO readings VALUES (1, 1, 1773480000.25, 1773480001.5, 56.125, NULL, 0, NULL);
INSERT INTO alarms (alarm_id, kind, batch, bucket, state, urgency) VALUES ('x/1', 'not_taken', 'Quillmarsh 12',
    'shed-2', 'unacknowledged', 'now');
INSERT INTO facts VALUES ('last_tick_s', '1773480060.0');
"""


def _rows(path: Path) -> dict[str, list[object]]:
    with contextlib.closing(sqlite3.connect(path)) as db:
        tables = [row[0] for row in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        return {table: _whole(db, table) for table in tables}


def _whole(db: sqlite3.Connection, table: str) -> list[object]:
    """What was put into a table: columns that are reckoned from others hold nothing of their own."""
    reckoned = 2  # PRAGMA table_xinfo, "hidden"
    columns = [row[1] for row in db.execute(f"PRAGMA table_xinfo({table})") if row[6] != reckoned]
    named = ", ".join(f'"{column}"' for column in columns)
    return db.execute(f"SELECT {named} FROM {table} ORDER BY rowid").fetchall()


def test_a_journal_of_the_first_schema_is_brought_up_and_keeps_everything(tmp_path: Path) -> None:
    """A file as the first release wrote it opens, holds row by row what it held, and takes details."""
    path = tmp_path / "old.sqlite"
    with contextlib.closing(sqlite3.connect(path)) as old:
        old.executescript(FIRST_SCHEMA + IN_IT)
    before = _rows(path)
    with Journal(path) as journal:
        assert version_of(journal._db) == NEWEST
        assert journal.running_batches() == [BATCH]
        assert journal.entries(NAME) == [LogEntry("poured", T0, T0, 56.0, entry_id="e1")]
        journal.check()
    after = _rows(path)
    assert {table: after[table] for table in before if table != "migrations"} == {
        table: rows for table, rows in before.items() if table != "migrations"
    }
    assert after["migrations"][: len(before["migrations"])] == before["migrations"]
    with Journal(path) as journal:
        journal.add_detail(NAME, "maker", "Ada", T0)
        assert journal.details(NAME)["maker"].value == "Ada"


def test_step_one_still_writes_what_the_first_release_wrote(tmp_path: Path) -> None:
    """A step that was released is never edited."""
    schemas = []
    for name in ("first", "now"):
        with contextlib.closing(sqlite3.connect(tmp_path / name, isolation_level=None)) as db:
            db.executescript(FIRST_SCHEMA) if name == "first" else migrate(db, "0.1.0", MIGRATIONS[:1])
            rows = db.execute("SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL ORDER BY name").fetchall()
            plain = [(table, "".join(sql.split())) for table, sql in rows]
            schemas.append((plain, version_of(db), db.execute("PRAGMA application_id").fetchone()))
    assert schemas[0] == schemas[1]


@pytest.mark.parametrize("stored", sorted(SCHEMAS.glob("schema-*.sqlite")), ids=lambda path: path.stem)
def test_the_steps_still_write_what_each_release_wrote(stored: Path, tmp_path: Path) -> None:
    """Column by column: a file made anew has the very tables of one that was stored then."""
    schemas = []
    for path in (stored, tmp_path / "now.sqlite"):
        with contextlib.closing(sqlite3.connect(f"file:{path}?mode=rwc&immutable={int(path == stored)}", uri=True,
                                                isolation_level=None)) as db:  # fmt: skip
            if path != stored:
                migrate(db, "test", MIGRATIONS[: schemas[0][1]])
            rows = db.execute("SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL ORDER BY name").fetchall()
            schemas.append(([(table, "".join(sql.split())) for table, sql in rows], version_of(db)))
    assert schemas[0] == schemas[1]


def test_what_was_told_in_one_piece_is_kept_by_alarm_in_its_order(tmp_path: Path) -> None:
    """The fifth step: nobody is told anew, and the piece itself is gone."""
    path = tmp_path / "journal.sqlite"
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as db:
        migrate(db, "test", MIGRATIONS[:4])
        told = [{"alarm_id": alarm_id, "at": at} for alarm_id, at in (("a", 1), ("b", 2), ("a", 3))]
        db.execute("INSERT INTO facts VALUES ('told', ?)", (json.dumps(told),))
        db.execute("INSERT INTO facts VALUES ('other', ?)", (json.dumps([{"alarm_id": "c"}]),))
    with Journal(path) as journal:
        assert journal.facts_of("told") == {"told/a": [told[0], told[2]], "told/b": [told[1]]}
        assert journal.fact("other") == [{"alarm_id": "c"}]


def test_two_connections_write_the_record_of_one_batch(kept: Journal) -> None:
    """A command and the page may both be at it; neither loses what it wrote."""
    with Journal(kept.path) as other:
        for number in range(20):
            (kept, other)[number % 2].add_detail(NAME, "remark", f"remark {number}", T0 + number)
    assert len(kept.detail_history(NAME)) == 20
