"""What a watch does for its journal at night: read it through, back it up, thin what is old. Judging goes on meanwhile.
By day it sees that the room is kept with which a watch begins on a full disk.

One worker with a connection of its own. Nothing it does holds up a commit, and nothing it fails at stops the watch: it
is told as trouble of the watch's own, which can wait for daylight unless the journal itself is damaged.
"""

from __future__ import annotations

import contextlib
import sqlite3
import threading
import time
from collections.abc import Callable, MutableMapping
from datetime import datetime, timedelta
from pathlib import Path

from monitor.journal.database import Journal, JournalError
from monitor.journal.reserve import keep_reserve
from monitor.journal.safekeeping import Stopped, reading
from monitor.journal.store import explained
from monitor.keeping import LAST_BACKUP, back_up, is_unplugged, note_backup
from monitor.settings import Settings
from monitor.thinning import thin
from monitor.words import DAY_DATE_TIME, DAY_TIME, tr, when

# What the last look at the journal found, in the journal itself.
LAST_CHECK = "keep/check"
# When readings were thinned last, and where the journal lies as it was before the first time.
LAST_THINNING, BEFORE_THINNING = "keep/thinning", "keep/before_thinning"
# The parts under which trouble is told, and under which each says how it is.
BACKUP, DAMAGED, HANGS = "backup", "damaged", "backup hangs"
# Nothing of it is urgent; a watch that has just begun has its journal to fold first. Shorter than an alarm needs to
# clear, so that one that stands is not told twice over a restart.
FIRST_LOOK_S = 120.0
LOOK_EVERY_S = 60.0
AGAIN_AFTER_S = 3600.0
STALE_AFTER_S = 3 * 86400.0
# After each 2 MB of a backup, so that a slow card has time for the readings: some 10 MB/s at the most.
_PAUSE_S = 0.2
# Steps of SQLite's machine between two looks whether to stop (some milliseconds).
_STEPS = 200_000
# A disk that takes longer for 2 MB, or a check that shows no sign, hangs.
HANGS_AFTER_S = 1800.0


class Housekeeping:
    """One worker. ``now_s`` is the watch's clock, ``trouble`` its sentences by part."""

    def __init__(
        self,
        settings: Settings,
        journal: Path,
        now_s: Callable[[], float],
        trouble: MutableMapping[str, str],
        *,
        monotonic: Callable[[], float] = time.monotonic,
        pause_s: float = _PAUSE_S,
    ) -> None:
        self._settings, self._keep, self._path = settings, settings.keep, journal
        self._now_s, self._trouble, self._monotonic, self._pause_s = now_s, trouble, monotonic, pause_s
        self._stop = threading.Event()
        self._sign_at = monotonic()
        self._done_s: dict[str, float] = {}  # when each job was last done, in case the journal cannot keep it
        self._again_s: dict[str, float] = {}  # not before then, where it failed

    # ---- life ----

    def run(self, stop: threading.Event) -> None:
        """Look every minute whether something is due, until ``stop``."""
        self._stop = stop
        self._sign()
        wait_s = FIRST_LOOK_S
        while not stop.wait(wait_s):
            self._sign()
            with contextlib.suppress(Stopped):
                self.look()
            wait_s = LOOK_EVERY_S

    def age_s(self) -> float:
        """Always 0: the watch does not begin anew for a stick that hangs, it tells of it."""
        if self._monotonic() - self._sign_at > HANGS_AFTER_S:
            self._trouble[HANGS] = tr(
                "the nightly look at the journal, or its backup, hangs: look at the disk or stick that it goes to."
            )
        return 0.0

    def _sign(self) -> None:
        self._sign_at = self._monotonic()
        self._trouble.pop(HANGS, None)

    def look(self) -> None:
        """Do what is due now. Raises Stopped."""
        keep_reserve(self._path)
        now_s = self._now_s()
        night_s = last_night_s(self._settings, now_s)
        if self._is_due(LAST_CHECK, night_s, now_s):
            self._do(LAST_CHECK, self._check)
        elif (last := self._fact(LAST_CHECK)) is not None and last.get("ok") is False:
            self._trouble[DAMAGED] = str(last.get("says"))  # found by the watch before this one
        if self._keep.backup_to is None:
            self._forget_backups()
        elif DAMAGED not in self._trouble:
            if self._is_due(LAST_BACKUP, night_s, now_s):
                self._do(LAST_BACKUP, self._back_up)
            self._mind_age(now_s)
            thins = self._keep.raw_days is not None and BACKUP not in self._trouble
            if thins and self._is_due(LAST_THINNING, night_s, now_s):
                self._do(LAST_THINNING, self._thin)

    def _is_due(self, job: str, night_s: float, now_s: float) -> bool:
        if now_s < self._again_s.get(job, 0.0):
            return False
        return max(self._done_s.get(job, 0.0), _time_of(self._fact(job))) < night_s

    def _do(self, job: str, deed: Callable[[], None]) -> None:
        """Do it; a failure is told and tried again in an hour, whatever it is: the worker goes on."""
        part = DAMAGED if job == LAST_CHECK else BACKUP
        try:
            deed()
            self._done_s[job] = self._now_s()
            self._again_s.pop(job, None)
        except Stopped:
            raise
        except Exception as error:
            says = str(error) if isinstance(error, JournalError) else tr("it failed as nobody foresaw: {error!r}.",
                                                                         error=error)  # fmt: skip
            self._again_s[job] = self._now_s() + AGAIN_AFTER_S
            # What could not be looked at is not damaged for that; the journal's own trouble is told by the watch.
            if part == BACKUP:
                self._trouble[part] = says
            self._say(part, False, says)

    # ---- the check ----

    def _check(self) -> None:
        began = self._monotonic()
        found = self._damage()
        took_s = self._monotonic() - began
        if found:
            self._trouble[DAMAGED] = found
        else:
            self._trouble.pop(DAMAGED, None)
        values = {"at_s": self._now_s(), "ok": not found, "says": found, "took_s": took_s}
        self._note(LAST_CHECK, values)
        self._say(DAMAGED, not found, found or tr("the journal was read through and is sound."))

    def _damage(self) -> str:
        """What is wrong with the journal, in a sentence; "" where nothing is."""
        try:
            with reading(self._path) as db:
                db.set_progress_handler(self._stops, _STEPS)
                found = str(db.execute("PRAGMA quick_check(1)").fetchone()[0])
        except sqlite3.Error as error:
            if self._stop.is_set():
                raise Stopped from None
            told = explained(error, self._path)
            if told.again:
                raise told from error
            return str(told)
        if found == "ok":
            return ""
        return tr("Journal {path}: the file is damaged ({where}); restore the last backup.", path=self._path,
                  where=" ".join(found.split())[:80])  # fmt: skip

    def _stops(self) -> bool:
        self._sign()
        return self._stop.is_set()

    # ---- the backup ----

    def _back_up(self) -> None:
        folder, now_s = self._keep.backup_to, self._now_s()
        assert folder is not None
        self._must_be_plugged_in(folder)
        kept = back_up(
            self._path, folder, self._settings.local_time(now_s), keep=self._keep.backups, progress=self._goes_on,
            pause_s=self._pause_s,
        )  # fmt: skip
        self._trouble.pop(BACKUP, None)
        with Journal(self._path, there_already=True) as journal:
            note_backup(journal, kept, now_s)
        says = tr("the journal was backed up to {path}.", path=kept.path)
        if kept.same_disk:
            says = tr("the journal was backed up to {path}, on the same disk, and is lost with it.", path=kept.path)
        self._say(BACKUP, True, says)

    def _thin(self) -> None:
        """Before the first time everything is put away once more, under a name that no rotation removes."""
        folder, days, now_s = self._keep.backup_to, self._keep.raw_days, self._now_s()
        assert folder is not None and days is not None
        with Journal(self._path, there_already=True) as journal:
            if thin(journal, days, now_s, dry_run=True, goes_on=self._still_goes_on).removed:
                if journal.fact(BEFORE_THINNING) is None:
                    self._must_be_plugged_in(folder)
                    at = self._settings.local_time(now_s)
                    name = f"{self._path.stem}-before-thinning-{at:%Y-%m-%d-%H%M%S}.sqlite"
                    back_up(self._path, folder / name, at, progress=self._goes_on, pause_s=self._pause_s)
                    journal.set_fact(BEFORE_THINNING, {"at_s": now_s, "path": str((folder / name).absolute())})
                thin(journal, days, now_s, goes_on=self._still_goes_on)
            if self._stop.is_set():
                raise Stopped
        self._note(LAST_THINNING, {"at_s": self._now_s()})

    def _still_goes_on(self) -> bool:
        return not self._stops()

    def _must_be_plugged_in(self, folder: Path) -> None:
        if is_unplugged(self._path, folder, self._fact(LAST_BACKUP)):
            raise JournalError(
                tr("The disk or stick of {path} is not there: plug it in; the backup is tried again every hour.",
                   path=folder),
                again=True,
            )  # fmt: skip

    def _goes_on(self, _done: int, _all: int) -> bool:
        return not self._stops()

    def _forget_backups(self) -> None:
        """They are not asked for any more: what went wrong with the last one is no trouble."""
        with contextlib.suppress(JournalError), Journal(self._path, read_only=True) as journal:
            wrong = any(one.part == BACKUP and not one.ok for one in journal.health())
            if wrong:
                self._say(BACKUP, True, tr("no nightly backups are asked for."))

    def _mind_age(self, now_s: float) -> None:
        """A last good backup that is too old is told, whatever the reason."""
        last_s = _time_of(self._fact(LAST_BACKUP))
        if last_s and now_s - last_s > STALE_AFTER_S and BACKUP not in self._trouble:
            self._trouble[BACKUP] = tr(
                "the last good backup is {days:.0f} days old: look at {path}.", days=(now_s - last_s) / 86400.0,
                path=self._keep.backup_to,
            )  # fmt: skip

    # ---- what the journal knows of it ----

    def _fact(self, key: str) -> dict[str, object] | None:
        """What is kept under ``key``; None where nothing is, or where the journal cannot be read now."""
        with contextlib.suppress(JournalError), Journal(self._path, read_only=True) as journal:
            kept = journal.fact(key)
            return kept if isinstance(kept, dict) else None
        return None

    def _note(self, key: str, value: object) -> None:
        with contextlib.suppress(JournalError), Journal(self._path, there_already=True) as journal:
            journal.set_fact(key, value)

    def _say(self, part: str, ok: bool, says: str) -> None:
        with contextlib.suppress(JournalError), Journal(self._path, there_already=True) as journal:
            journal.set_health(part, ok, says, self._now_s())


def keeping_notes(journal: Journal, settings: Settings, now_s: float) -> list[str]:
    """When the journal was read through and backed up last: for the page and ``status``; what is amiss is trouble."""
    notes = []
    checked, backed = journal.fact(LAST_CHECK), journal.fact(LAST_BACKUP)
    if isinstance(checked, dict) and checked.get("ok"):
        notes.append(
            tr("The journal was read through {time} and is sound.", time=_when(settings, checked, now_s))
        )
    if isinstance(backed, dict):
        told = tr("The last backup was made {time}: {path}.", time=_when(settings, backed, now_s),
                  path=backed.get("path", ""))  # fmt: skip
        notes.append(told)
    elif settings.keep.backup_to is not None:
        notes.append(tr("No backup has been made yet."))
    return notes


def _when(settings: Settings, fact: dict[str, object], now_s: float) -> str:
    at = settings.local_time(_time_of(fact))
    return when(at, DAY_TIME if 0.0 <= now_s - _time_of(fact) < 6 * 86400.0 else DAY_DATE_TIME)


def last_night_s(settings: Settings, now_s: float) -> float:
    """When the nightly hour was last, Unix seconds; through changes of the clock by the place's own."""
    now = settings.local_time(now_s)
    hour, minute = divmod(settings.keep.backup_minute, 60)
    for days in (0, 1, 2):
        day = (now - timedelta(days=days)).date()
        # By the rules of the zone where it is named, else by the offset of now: an hour matters little here.
        at_s = datetime(day.year, day.month, day.day, hour, minute, tzinfo=now.tzinfo).timestamp()
        if at_s <= now_s:
            return at_s
    return now_s - 86400.0


def _time_of(fact: dict[str, object] | None) -> float:
    at_s = None if fact is None else fact.get("at_s")
    return float(at_s) if isinstance(at_s, int | float) else 0.0
