"""The journal's schema, as numbered steps. A step and the record of it are one transaction.

A step that has been released is never edited: a change is a new step at the end. ``PRAGMA user_version`` holds the
number of the last step, so that an older program can refuse a newer file before it touches it.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

# Marks the file as ours ("EMBP"), so that another program's database is never migrated by mistake.
APPLICATION_ID = 0x454D4250


@dataclass(frozen=True, slots=True)
class Migration:
    """One step of the schema: its number (counted from 1, without gaps), what it is for, and its statements."""

    number: int
    name: str
    statements: tuple[str, ...]


MIGRATIONS: tuple[Migration, ...] = (
    Migration(
        1,
        "batches, log, acts, readings, events, alarms, outbox, facts",
        (
            """CREATE TABLE batches (
                 name TEXT PRIMARY KEY, bucket TEXT NOT NULL, started_s REAL NOT NULL, noted_at_s REAL,
                 recipe TEXT NOT NULL, vessel TEXT NOT NULL, planned_dilution_s REAL NOT NULL,
                 ended_s REAL, ended_noted_s REAL, outcome TEXT NOT NULL DEFAULT '')""",
            # One running batch a bucket, held by the database itself, because several processes may start one.
            "CREATE UNIQUE INDEX one_running_batch ON batches (bucket) WHERE ended_s IS NULL",
            """CREATE TABLE entries (
                 entry_id TEXT PRIMARY KEY, batch TEXT NOT NULL REFERENCES batches (name), kind TEXT NOT NULL,
                 at_s REAL NOT NULL, noted_at_s REAL NOT NULL, temperature_c REAL, kg REAL,
                 text TEXT NOT NULL DEFAULT '', who TEXT NOT NULL DEFAULT '', undone_at_s REAL)""",
            "CREATE INDEX entries_of_batch ON entries (batch, noted_at_s)",
            """CREATE TABLE acts (
                 act_id TEXT PRIMARY KEY, batch TEXT NOT NULL, bucket TEXT NOT NULL, alarm TEXT NOT NULL,
                 act TEXT NOT NULL, until_s REAL, who TEXT NOT NULL DEFAULT '',
                 at_s REAL NOT NULL, noted_at_s REAL NOT NULL)""",
            "CREATE INDEX acts_of_batch ON acts (batch)",
            # AUTOINCREMENT: a serial number that was once handed out is never used again.
            """CREATE TABLE changes (
                 seq INTEGER PRIMARY KEY AUTOINCREMENT, what TEXT NOT NULL, id TEXT NOT NULL, UNIQUE (what, id))""",
            """CREATE TABLE probes (
                 id INTEGER PRIMARY KEY, bucket TEXT NOT NULL, probe TEXT NOT NULL, latest INTEGER NOT NULL DEFAULT 0,
                 UNIQUE (bucket, probe))""",
            # REAL keeps the very float that was decoded (an equal answer after a restart needs it), and SQLite
            # stores a whole number in it as a short integer. state NULL means "ok"; NULLs and 0 cost no bytes.
            """CREATE TABLE readings (
                 id INTEGER PRIMARY KEY, probe INTEGER NOT NULL REFERENCES probes (id), time_s REAL NOT NULL,
                 arrival_s REAL NOT NULL, temperature_c REAL, state TEXT, retimed INTEGER NOT NULL DEFAULT 0,
                 reason TEXT, UNIQUE (probe, time_s))""",
            """CREATE TABLE events (
                 id INTEGER PRIMARY KEY, bucket TEXT NOT NULL, batch TEXT NOT NULL, event TEXT NOT NULL,
                 at_s REAL NOT NULL, key TEXT NOT NULL, line TEXT NOT NULL,
                 UNIQUE (batch, bucket, event, at_s, key))""",
            """CREATE TABLE alarms (
                 alarm_id TEXT PRIMARY KEY, kind TEXT NOT NULL, batch TEXT NOT NULL, bucket TEXT NOT NULL,
                 state TEXT NOT NULL, urgency TEXT NOT NULL, probability REAL, raised_at_s REAL, cleared_at_s REAL,
                 acknowledged_at_s REAL, acknowledged_by TEXT NOT NULL DEFAULT '', shelved_until_s REAL,
                 message_id TEXT NOT NULL DEFAULT '', says TEXT NOT NULL DEFAULT '', "do" TEXT NOT NULL DEFAULT '',
                 facts TEXT NOT NULL DEFAULT '{}')""",
            "CREATE INDEX standing_alarms ON alarms (raised_at_s) WHERE state <> 'normal'",
            """CREATE TABLE outbox (
                 message_id TEXT PRIMARY KEY, about TEXT NOT NULL, what TEXT NOT NULL, created_s REAL NOT NULL,
                 not_before_s REAL NOT NULL, expires_s REAL NOT NULL, person TEXT NOT NULL, route TEXT NOT NULL,
                 title TEXT NOT NULL, body TEXT NOT NULL, urgency TEXT NOT NULL, state TEXT NOT NULL,
                 attempts INTEGER NOT NULL DEFAULT 0, last_error TEXT NOT NULL DEFAULT '', next_try_s REAL NOT NULL,
                 sent_s REAL)""",
            "CREATE INDEX still_to_tell ON outbox (next_try_s) WHERE state IN ('waiting', 'failed')",
            "CREATE INDEX told_about ON outbox (about)",
            "CREATE TABLE facts (key TEXT PRIMARY KEY, value TEXT NOT NULL)",
            "CREATE TABLE counters (source TEXT NOT NULL, what TEXT NOT NULL, total INTEGER NOT NULL, "
            "PRIMARY KEY (source, what))",
            "CREATE TABLE health (part TEXT PRIMARY KEY, ok INTEGER NOT NULL, says TEXT NOT NULL, at_s REAL NOT NULL)",
        ),
    ),
    Migration(
        2,
        "record of a batch: details, photographs, corrected recipes",
        (
            # Only ever added to: a correction is a new row, and the newest row of a field is what stands.
            """CREATE TABLE details (
                 detail_id TEXT PRIMARY KEY, batch TEXT NOT NULL REFERENCES batches (name), field TEXT NOT NULL,
                 value TEXT NOT NULL, noted_at_s REAL NOT NULL, who TEXT NOT NULL DEFAULT '')""",
            "CREATE INDEX details_of_batch ON details (batch, field, noted_at_s)",
            """CREATE TABLE photos (
                 photo_id TEXT PRIMARY KEY, batch TEXT NOT NULL REFERENCES batches (name), path TEXT NOT NULL,
                 sha256 TEXT NOT NULL, caption TEXT NOT NULL DEFAULT '', at_s REAL NOT NULL, noted_at_s REAL NOT NULL,
                 who TEXT NOT NULL DEFAULT '', undone_at_s REAL)""",
            "CREATE INDEX photos_of_batch ON photos (batch)",
            """CREATE TABLE amendments (
                 amendment_id TEXT PRIMARY KEY, batch TEXT NOT NULL REFERENCES batches (name), recipe TEXT NOT NULL,
                 vessel TEXT NOT NULL, noted_at_s REAL NOT NULL, who TEXT NOT NULL DEFAULT '')""",
            "CREATE INDEX amendments_of_batch ON amendments (batch, noted_at_s)",
        ),
    ),
    Migration(
        3,
        "readings found by their minute: what comes in together lies together in the index",
        (
            # With the probe first, each commit wrote a page or two of the index for every probe: most of the card's
            # wear. The times of all probes go on together, so the newest minutes are a few pages at its end.
            """CREATE TABLE readings_by_minute (
                 id INTEGER PRIMARY KEY, probe INTEGER NOT NULL REFERENCES probes (id), time_s REAL NOT NULL,
                 arrival_s REAL NOT NULL, temperature_c REAL, state TEXT, retimed INTEGER NOT NULL DEFAULT 0,
                 reason TEXT, minute INTEGER GENERATED ALWAYS AS (CAST(time_s / 60 AS INTEGER)) VIRTUAL,
                 UNIQUE (minute, probe, time_s))""",
            "INSERT INTO readings_by_minute (id, probe, time_s, arrival_s, temperature_c, state, retimed, reason) "
            "SELECT id, probe, time_s, arrival_s, temperature_c, state, retimed, reason FROM readings ORDER BY id",
            "DROP TABLE readings",
            "ALTER TABLE readings_by_minute RENAME TO readings",
        ),
    ),
    Migration(
        4,
        "alarms found by their batch: a page does not go through those of all years",
        ("CREATE INDEX alarms_of_batch ON alarms (batch)",),
    ),
    Migration(
        5,
        "what was told, by alarm: a message does not write anew all that was told",
        (
            """INSERT INTO facts (key, value)
                 SELECT 'told/' || json_extract(one, '$.alarm_id'), json_group_array(json(one))
                 FROM (SELECT each.value AS one FROM facts, json_each(facts.value) AS each
                       WHERE facts.key = 'told' ORDER BY each.key)
                 GROUP BY json_extract(one, '$.alarm_id')""",
            "DELETE FROM facts WHERE key = 'told'",
        ),
    ),
)

NEWEST = MIGRATIONS[-1].number


def version_of(db: sqlite3.Connection) -> int:
    """The number of the last step that the file has had; 0 for an empty file."""
    return int(db.execute("PRAGMA user_version").fetchone()[0])


def is_foreign(db: sqlite3.Connection) -> bool:
    """Whether the file holds some other program's tables: it has tables and does not carry our mark.

    The tables first: tables and mark come in one transaction, and another process may be making both this moment.
    """
    if not db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
        return False
    return bool(db.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID)


def migrate(db: sqlite3.Connection, applied_by: str, steps: tuple[Migration, ...] = MIGRATIONS) -> list[int]:
    """Bring ``db`` to the last of ``steps``; return the numbers of the steps that were done now.

    Each step and its record are one transaction. The version is read again inside it, because another process may
    have opened the same new file a moment before.
    """
    done = []
    for step in steps:
        if version_of(db) >= step.number:
            continue
        db.execute("BEGIN IMMEDIATE")
        try:
            if version_of(db) < step.number:
                db.execute(
                    "CREATE TABLE IF NOT EXISTS migrations "
                    "(number INTEGER PRIMARY KEY, name TEXT NOT NULL, applied_by TEXT NOT NULL)"
                )
                for statement in step.statements:
                    db.execute(statement)
                db.execute("INSERT INTO migrations VALUES (?, ?, ?)", (step.number, step.name, applied_by))
                db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                db.execute(f"PRAGMA user_version = {step.number}")
                done.append(step.number)
            db.execute("COMMIT")
        except BaseException:
            if db.in_transaction:
                db.execute("ROLLBACK")
            raise
    return done
