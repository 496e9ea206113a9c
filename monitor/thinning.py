"""Old raw readings make room: batch by batch, in small steps beside a watch that runs, and never before a backup.

Which readings stay is decided by ``monitor.sensing.thinning``. A batch that runs, or ended a short time ago, is not
touched, nor are the hours before it. What was done is noted in the journal, and goes along when a batch is exported.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from monitor.journal.database import BatchRecord, Journal, Refused
from monitor.journal.whole import PRELUDE_S
from monitor.keeping import LAST_BACKUP
from monitor.sensing.thinning import IDLE, IDLE_SLOT_S, Plan, Span, joined, kept, plan_for
from monitor.words import tr

# Readings that are removed in one commit, and the pause after it: a commit of the watch waits no longer than for one.
GROUP, PAUSE_S = 500, 0.05
DAY_S = 86400.0
# Where no batch is, so much is looked at in one go.
_IDLE_STEP_S = DAY_S
# A backup that is older than this is no backup of what will be removed.
BACKUP_IS_OLD_S = 7 * DAY_S
# Pours and blends: from here on the curve decides.
_DECISIVE = ("poured", "blended", "reblended")
# Up to when the readings between batches were thinned, in the journal.
_IDLE_DONE = "thinned_idle"


@dataclass(slots=True)
class Thinned:
    """What was done, or in a dry run what would be: readings looked at and removed, batches by name."""

    batches: list[str] = field(default_factory=list)
    looked_at: int = 0
    removed: int = 0


def must_be_backed_up(journal: Journal, now_s: float) -> None:
    """Refused where no backup of late is known, or where its file is not there."""
    last = journal.fact(LAST_BACKUP)
    fresh = isinstance(last, dict) and 0.0 <= now_s - float(last["at_s"]) <= BACKUP_IS_OLD_S
    if fresh and _is_there(str(last["path"])):
        return
    raise Refused(
        tr("Readings are removed only when a backup of the last days holds them: make one first (emberpail backup "
           "FOLDER), and keep it.")
    )  # fmt: skip


def _is_there(path: str) -> bool:
    try:
        return Path(path).is_file()
    except OSError:
        return False


def due_batches(journal: Journal, days: int, now_s: float) -> list[BatchRecord]:
    """Batches that ended so long ago and have not been thinned."""
    return [
        record
        for record in journal.batches()
        if record.ended_s is not None
        and max(record.ended_s, record.ended_noted_s or 0.0) < now_s - days * DAY_S
        and journal.thinned_note(record.batch.name) is None
    ]


def thin(
    journal: Journal,
    days: int,
    now_s: float,
    *,
    dry_run: bool = False,
    goes_on: Callable[[], bool] = lambda: True,
    pause_s: float = PAUSE_S,
) -> Thinned:
    """Thin what is older than ``days``. Stopped in the middle (``goes_on`` says no) the next run does the rest.

    Refused without a backup. A dry run changes nothing and needs none.
    """
    if not dry_run:
        must_be_backed_up(journal, now_s)
    done = Thinned()
    for record in due_batches(journal, days, now_s):
        if not goes_on():
            return done
        before = done.looked_at, done.removed
        if not _thin_batch(journal, record, days, now_s, done, dry_run, goes_on, pause_s):
            return done
        done.batches.append(record.batch.name)
        if not dry_run:
            looked_at, removed = done.looked_at - before[0], done.removed - before[1]
            journal.note_thinned(record.batch.name, now_s, looked_at - removed, looked_at)
    _thin_idle(journal, days, now_s, done, dry_run, goes_on, pause_s)
    return done


def _thin_batch(  # noqa: PLR0917
    journal: Journal, record: BatchRecord, days: int, now_s: float, done: Thinned, dry_run: bool,
    goes_on: Callable[[], bool], pause_s: float,
) -> bool:  # fmt: skip
    """Thin one batch; False where it was stopped in the middle."""
    batch = record.batch
    assert record.ended_s is not None
    young_s = [from_s for one, (from_s, _) in _spans(journal, batch.bucket) if not _is_old(one, days, now_s)]
    span = batch.started_s - PRELUDE_S, min([record.ended_s, *young_s])
    log = journal.log(batch.name)
    decisive = [batch.started_s] + [one.entry.at_s for one in log if one.entry.kind in _DECISIVE]
    noted = [at_s for one in log for at_s in (one.entry.at_s, one.entry.noted_at_s)]
    noted.append(record.ended_s)
    alarms = [event.at_s for event in journal.events(batch.name) if event.event == "alarm"]
    plan = plan_for(decisive, noted, alarms)
    return all(
        _thin_probe(journal, bucket, probe, span, plan, done, dry_run, goes_on, pause_s)
        for bucket, probe in journal.probes()
        if bucket == batch.bucket
    )


def _is_old(record: BatchRecord, days: int, now_s: float) -> bool:
    return record.ended_s is not None and record.ended_s < now_s - days * DAY_S


def _spans(journal: Journal, bucket: str) -> list[tuple[BatchRecord, Span]]:
    """The batches of a bucket with the time whose readings are theirs."""
    return [
        (one, (one.batch.started_s - PRELUDE_S, one.ended_s if one.ended_s is not None else 1e12))
        for one in journal.batches()
        if one.batch.bucket == bucket
    ]


def _thin_idle(  # noqa: PLR0917
    journal: Journal, days: int, now_s: float, done: Thinned, dry_run: bool, goes_on: Callable[[], bool], pause_s: float
) -> None:
    """Between batches a bucket stands there with nothing in it: of each half hour two readings stay."""
    until_s = (now_s - days * DAY_S) // IDLE_SLOT_S * IDLE_SLOT_S
    up_to = journal.fact(_IDLE_DONE, {})
    for bucket, probe in journal.probes():
        key = f"{bucket}/{probe}"
        first_s = journal.first_reading_s(bucket, probe)
        if first_s is None:
            continue
        from_s = max(float(up_to.get(key, 0.0)), first_s // IDLE_SLOT_S * IDLE_SLOT_S)
        taken = joined([span for _, span in _spans(journal, bucket)])
        for part in _parts(from_s, until_s, taken):
            if not _thin_probe(journal, bucket, probe, part, IDLE, done, dry_run, goes_on, pause_s):
                return
        if not dry_run and until_s > from_s:
            up_to = {**up_to, key: until_s}
            journal.set_fact(_IDLE_DONE, up_to)


def _parts(from_s: float, until_s: float, taken: tuple[Span, ...]) -> Iterator[Span]:
    """What of the time is not taken, in parts of a day."""
    at_s = from_s
    for begin_s, end_s in (*taken, (until_s, until_s)):
        while at_s < min(begin_s, until_s):
            step_s = min(at_s + _IDLE_STEP_S, begin_s, until_s)
            yield at_s, step_s
            at_s = step_s
        at_s = max(at_s, end_s)


def _thin_probe(  # noqa: PLR0917
    journal: Journal, bucket: str, probe: str, span: Span, plan: Plan, done: Thinned, dry_run: bool,
    goes_on: Callable[[], bool], pause_s: float,
) -> bool:  # fmt: skip
    rows = journal.raw_rows(bucket, probe, *span)
    stay = set(kept([row[1:] for row in rows], plan))
    gone = [row[0] for place, row in enumerate(rows) if place not in stay]
    done.looked_at += len(rows)
    if dry_run:
        done.removed += len(gone)
        return True
    for begin in range(0, len(gone), GROUP):
        if not goes_on():
            return False
        done.removed += journal.drop_readings(gone[begin : begin + GROUP])
        time.sleep(pause_s)
    return True
