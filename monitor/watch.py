"""The running daemon: the one place that wires. Owns the clock, the threads and the shutdown.

    sources (a thread each) --lines--> worker --> minders --> journal --> postman (a thread) --> phones
                                          |                      '------> page (a thread)
                                          '--> recording

The worker alone touches the minders. It puts all that happens into one order (arrival), commits it in groups, and
gives back to the broker what is on the disk. After a restart it folds the journal through the same minders, so it
goes on where it was.
"""

from __future__ import annotations

import contextlib
import heapq
import queue
import threading
import time
from collections import Counter, deque
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass, field, replace
from functools import partial
from itertools import count, takewhile
from pathlib import Path
from typing import NamedTuple

from monitor.clock import PLAUSIBLE, ArrivalClock
from monitor.domain import Batch, Condition, Event, LogEntry, Reading
from monitor.events_file import EventsFile
from monitor.heat.priors import History
from monitor.journal.aside import Aside
from monitor.journal.database import AlarmRecord, Change, Journal, JournalError
from monitor.journal.state import BEGUN_WITH, READS_BACK_KEY, TAUGHT
from monitor.judgement.alarms import AlarmState
from monitor.judgement.events import event_line
from monitor.learned import (
    begun_with,
    history_for,
    history_of_values,
    history_values,
    lesson_from,
    maker_of,
    outcome_of,
)
from monitor.left_standing import NEVER_WAS, ended_with_their_batch, go_on_with
from monitor.minded import Minded
from monitor.node_supply import NodeAlarms, silence_wakes, supplies_of
from monitor.own_trouble import DISK_PARTS, OwnTrouble
from monitor.pipeline import TICK_S, Act, Amendment, Minder, first_tick_s
from monitor.replay import BATCH_ENDED, WATCH_STARTED, act_note, amendment_note
from monitor.replay_learned import history_note
from monitor.resetting import CLOCK_SET_RIGHT
from monitor.sensing.division import NOBODY_MINDS, nobody_minds_words
from monitor.sensing.floods import TOO_MANY, too_many_words
from monitor.sensing.senml import Decoder
from monitor.sensing.strangers import STRANGE_BUCKET, KnownBuckets, strange_bucket_words
from monitor.settings import Settings
from monitor.sources.again import SentAgain
from monitor.sources.heard import ToComeAgain, content_of
from monitor.sources.line import Line, Source
from monitor.sources.recording import RecordingWriter
from monitor.sources.waiting import LineQueue
from monitor.stored import (
    AFTER_TICK,
    BEFORE_TICK,
    FORGET_WATCHED_S,
    WATCHED_KEY,
    Deed,
    Timed,
    fold,
    stored_deeds,
    stored_readings,
    stored_ticks,
)
from monitor.telling import Teller, record_of
from monitor.tellings import move_tellings
from monitor.watch_parts import CLOCK_KEY, probe_settings
from monitor.words import DAY_TIME, ENGLISH, speaking, tr, when

# A commit costs a write of the card, and what has not been committed is the loss at a power cut (journal/README.md). A
# stock broker stops at 20 unacknowledged messages, so half of that forces one.
COMMIT_EVERY_S = 10.0
COMMIT_AT_UNACKNOWLEDGED = 10
# How soon a commit that the disk refused is tried again.
RETRY_EVERY_S = 3.0
# What a disk that refuses may make us hold, in readings of some 240 bytes: three days of twenty buckets with two probes
# each ten seconds. Beyond that the oldest are given up, for memory that runs out ends the judging, too.
MOST_PENDING = 1_100_000
# Far more than all brokers together may have sent unacknowledged: what is older is of connections that are over.
_MOST_ACKS = 16_384
_MOST_PROMISED = 500_000  # readings; they count among those that wait
# Lines stamped just before a tick may still be on their way to the worker when the minute is full.
TICK_GRACE_S = 0.2
# What arrives at once is kept apart by this; a recording and the arrival clock know no smaller step.
_BURST_STEP_S = 0.001
# A tick of many buckets that takes longer than this tells of its alarms before it is through, real seconds.
EARLY_AFTER_S = 0.5
# At the start one step may take long without a sign: the first of a year's readings out of the journal, the first
# commit of all that was judged on the way, on a slow card; and so where the clock is set right, which goes the same way
# and before it writes the times of all readings anew. Hung is only what takes longer still, real seconds.
START_STEP_S = 900.0
# How often it says that it reads back what was kept, while it does: real seconds.
_SAYS_SO_EVERY_S = 30.0
# How soon an entry made by another command is taken up.
LOOK_EVERY_S = 1.0
# The network sets a clock within minutes of a start; a power cut may take the router down for longer.
CLOCK_TROUBLE_AFTER_S = 900.0
# Half an hour of a hundred nodes. Beyond it the sources wait, and what they read from waits with them.
MOST_WAITING_BYTES = 32 * 1024 * 1024
# A wall clock that is off by more is another clock, and what was noted by it is told apart by that.
_OTHER_CLOCK_S = 120.0


class _Heard(NamedTuple):
    """The readings of an overheard line, counted from the first that waited, and what it is known by."""

    first: int
    end: int
    source: str
    content: str


@dataclass(slots=True)
class _Pending:
    """What waits for the next commit."""

    lines: list[tuple[float, Line]] = field(default_factory=list)  # not in the recording yet
    readings: list[Reading] = field(default_factory=list)
    # Those of lines that wait to be acknowledged. They are not given up: a broker sends no more while it waits, so they
    # are few, and one that is sent an acknowledgement for them has nothing of them any more.
    promised: list[Reading] = field(default_factory=list)
    given_up: int = 0  # how many stood before ``readings``
    heard: deque[_Heard] = field(default_factory=deque)  # where among those are the overheard ones
    # Of these the session has brought so many by now (source, content): what they hold is promised with them.
    brought: Counter[tuple[str, str]] = field(default_factory=Counter)
    marks: list[tuple[str, str, float, str | None]] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    alarms: list[AlarmRecord] = field(default_factory=list)
    facts: dict[str, object] = field(default_factory=dict)
    tick_s: float | None = None  # the newest tick that is not kept yet
    renotes: list[Callable[[], object]] = field(default_factory=list)  # those that the disk refused
    acks: list[Callable[[], None]] = field(default_factory=list)
    forgets: bool = False  # what was remembered of a session that is lost

    def count(self) -> int:
        """How many readings wait."""
        return len(self.readings) + len(self.promised)

    def in_order(self) -> Iterator[Reading]:
        """All of them, as they arrived."""
        return heapq.merge(self.readings, self.promised, key=lambda reading: reading.arrival_s)

    def give_up(self, most: int) -> tuple[int, list[_Heard]]:
        """Keep no more than ``most`` readings: the oldest go, overheard lines as a whole. How many, and those lines.

        Of what is promised only what no broker waits for any more: one that forgets its sessions sends ever more.
        """
        first = self.given_up
        until = first + min(max(0, self.count() - most), len(self.readings))
        lines: list[_Heard] = []
        kept: list[Reading] = []
        while self.heard and self.heard[0].first < until:
            line = self.heard.popleft()
            until = max(until, line.end)
            if self.brought[line.source, line.content] > 0:
                self.brought[line.source, line.content] -= 1
                kept += self.readings[line.first - first : line.end - first]
            else:
                lines.append(line)
        del self.readings[: until - first]
        self.given_up = until
        if kept:
            self.promised = sorted([*self.promised, *kept], key=lambda reading: reading.arrival_s)
        broken = max(0, len(self.promised) - _MOST_PROMISED)
        del self.promised[:broken]
        return until - first - len(kept) + broken, lines


class Watch:
    """Minds every running batch of a journal until stopped."""

    def __init__(
        self,
        settings: Settings,
        journal: Journal,
        clock: ArrivalClock,
        sources: Sequence[Source],
        *,
        teller: Teller,
        own: OwnTrouble | None = None,
        aside: Aside | None = None,
        record: Path | None = None,
        events_file: Path | None = None,
        say: Callable[[str], None] = print,
        on_tick: Callable[[Watch, float], None] | None = None,
        on_open: Callable[[], None] = lambda: None,
        let_sources_go: Callable[[], None] = lambda: None,
        release: Callable[[Sequence[Callable[[], None]]], None] | None = None,
        on_told: Callable[[], None] = lambda: None,
    ) -> None:
        """``on_open`` is called once the minding begins, ``let_sources_go`` before the last lines are taken in.

        ``release`` takes the acknowledgements of what has been committed, where something else is to come first.
        ``on_told`` is called when messages have been put into the outbox.
        """
        self.settings, self.journal, self.clock, self.sources = settings, journal, clock, sources
        self._on_open, self._let_sources_go, self._release = on_open, let_sources_go, release
        self._on_told = on_told
        self.minders = Minded()
        self.say = say
        self.trouble: dict[str, str] = {}  # what is wrong with the daemon itself, by part
        self._teller = teller
        self.own = own
        self._aside = aside or Aside()
        self._record_path, self._events = record, None if events_file is None else EventsFile(events_file)
        self._recorder: RecordingWriter | None = None
        self._on_tick = on_tick
        self._buckets = KnownBuckets((bucket.name for bucket in settings.buckets), division=settings.division)
        self._decoder = Decoder(probe_settings(settings), self._buckets.takes, self._buckets.is_strange)
        self.nodes = NodeAlarms(journal, supplies_of(settings), settings.site.emergency_number)
        # By source: the bucket of a node that sends its probes' names bare.
        self._bucket_of = {source.name: source.bucket for source in settings.sources}
        self._named = {bucket.name for bucket in settings.buckets}
        self._lines = LineQueue(MOST_WAITING_BYTES)
        self._held: list[Line] = []
        self._pending = _Pending()
        self._again, self._heard = SentAgain(), ToComeAgain()
        self._faults: Counter[tuple[str, str]] = Counter()  # by source and kind, since this watch began
        self._faults_before: dict[tuple[str, str], int] = {}
        self._heard_through: dict[str, str] = {}  # bucket -> source
        self._seq = 0
        self._deeds: list[tuple[float, int, int, Deed]] = []  # a heap by time: what people entered, until it counts
        self._numbers = count()
        self._watched: list[list[float]] = []
        self._last_s = 0.0  # nothing is stamped earlier than this any more
        self._last_line_s = 0.0  # nor a line as early as this
        self._next_tick_s = first_tick_s(clock.now())
        self._commit_due_s = clock.now()
        self._disk_refuses = False  # the last commit
        self._disk_due_s = clock.now()
        self._disk_was_bad = False
        self._look_due_s = clock.now()
        self._began_s = clock.now()
        self._grace_s = min(TICK_GRACE_S * clock.speed, TICK_S)
        self._turned_at = time.monotonic()
        self._long_way = True  # it goes back over what was kept: one step may take long
        self._reads_back_s: float | None = None  # since when it reads back what was kept, None when it does not
        self._says_so_at = 0.0  # monotonic: when it is to say so again
        self._saved: dict[object, object] = {}  # rows as the journal holds them: counters, alarms

    # ---- life ------------------------------------------------------------------------------------------------------

    def run(self, stop: threading.Event) -> None:
        """Work until ``stop`` is set; then let the sources go and commit what is there."""
        self._open()
        self._turned_at, self._long_way = time.monotonic(), False
        self._on_open()
        try:
            while not stop.is_set():
                self.step(stop)
        finally:
            self._close()

    @property
    def age_s(self) -> float:
        """How long ago the worker last turned round, real seconds: it hangs when this goes on growing. Begun anew it
        would have to go the same long way once more, so at the start, and where the clock is set right, it only grows
        after ``START_STEP_S``.
        """
        allowed_s = START_STEP_S if self._long_way else 0.0  # asked first: at its end it turns round, and then is over
        return max(0.0, time.monotonic() - self._turned_at - allowed_s)

    def waiting(self) -> dict[str, float]:
        """What has come and is not kept yet: bytes of lines, and readings for the next commit."""
        return {"queue_bytes": self._lines.qsize(), "pending_readings": self._pending.count()}

    def step(self, stop: threading.Event | None = None) -> None:
        """One round of the worker: take lines in, look for entries, tick when a minute is full, commit when due."""
        self._turned_at = time.monotonic()
        self._take_lines(self._wait_s())
        now_s = self.clock.now()
        if now_s >= self._look_due_s:
            self._take_changes()
            self._look_due_s = self.clock.now() + LOOK_EVERY_S * self.clock.speed
        while self.clock.now() >= self._next_tick_s + self._grace_s:
            if stop is not None and stop.is_set():
                return
            self._drain()
            tick_s = self._next_tick_s
            self._tick(tick_s)
            if self._next_tick_s == tick_s:  # or the clock has been set right, and the next one is another already
                self.clock.reached(tick_s)
                self._next_tick_s += TICK_S
            self._take_held()
        if self._commit_is_due():
            self._commit()
        self._mind_disk()

    def _open(self) -> None:
        now_s = self._began_s = self._last_s = self.clock.now()
        self.clock.reached(now_s)
        self._next_tick_s = first_tick_s(now_s)
        self._seq = self.journal.last_change()
        self._faults_before = self.journal.counters()
        if self.own is not None:
            self.own.load()
        self.nodes.load()
        self._again.load([one.name for one in self.sources], self.journal.fact)
        self._heard.load([one.name for one in self.sources], self.journal.facts_of)
        kept = self.journal.fact(WATCHED_KEY, [])
        self._watched = [one for one in kept if one[1] > now_s - FORGET_WATCHED_S]
        last_tick_s = self._watched[-1][1] if self._watched else None
        self._watched.append([now_s, now_s])
        if self._record_path is not None:
            self._recorder = RecordingWriter(self._record_path, buckets=self._bucket_of)
            self._recorder.note({"at": now_s, "note": WATCH_STARTED, "last_tick": last_tick_s})
        self._pending.facts |= {WATCHED_KEY: self._watched, CLOCK_KEY: self.clock.kept().as_dict()}
        try:
            self.journal.count_from(now_s)
        except JournalError as error:
            self._refused(error)
        for known in self.journal.batches():
            self._buckets.know(known.batch.bucket)
        self._buckets.met_before(bucket for bucket, _ in self.journal.probes())
        self._buckets.met_before(self.nodes.supplies.known(now_s))
        self._reads_back_s = now_s
        self._resume(self.journal.running_batches(), now_s)
        for minder in self.minders.values():
            # What the fold did not find again goes on as it stood, or it would stand for ever.
            self._pending.alarms += go_on_with(self.journal, minder, last_tick_s or 0.0, now_s)
        self._pending.alarms += ended_with_their_batch(self.journal)
        for record in self.journal.batches():
            if last_tick_s is not None and (record.ended_noted_s or 0.0) > last_tick_s:
                self._end_late(record.batch, last_tick_s, now_s)
        self._reads_back_s = None
        if self._events is not None:
            self._events.find_missing(
                lambda since_s: [event_line(event) for event in self.journal.events(since_s=since_s)]
            )
        self._commit()
        self._tell(now_s)

    def _close(self) -> None:
        self._let_sources_go()
        for _ in range(1000):
            self._take_lines(0.0)
            held, self._held = self._held, []
            for line in held:  # they count after the tick that is not to come any more, and are kept all the same
                self._take_line(line)
            self._commit()
            if self._lines.empty() or "journal" in self.trouble:
                break
        if self._recorder is not None:
            self._recorder.close()

    # ---- lines -----------------------------------------------------------------------------------------------------

    def deliver(self, line: Line) -> None:
        """Called by the source threads. A full queue makes the source wait, which its other end can bear."""
        self._lines.put(line)

    def _wait_s(self) -> float:
        now_s = self.clock.now()
        due_s = min(
            self._next_tick_s + self._grace_s,
            self._look_due_s,
            self._commit_due_s if self._waits_for_commit() else now_s + 3600.0,
        )
        return max(0.0, min(1.0, (due_s - now_s) / self.clock.speed))

    def _take_lines(self, wait_s: float) -> None:
        """Take what waits, at most a few thousand, so that a flood cannot hold up a tick."""
        try:
            for number in range(5000):
                line = self._lines.get(timeout=wait_s) if wait_s > 0 and not number else self._lines.get_nowait()
                if self._arrival_s(line) < self._next_tick_s:
                    self._take_line(line)
                else:
                    self._held.append(line)
                if self._unacknowledged_full():
                    return
        except queue.Empty:
            return

    def _drain(self) -> None:
        self._take_lines(0.0)
        self._take_held()

    def _take_held(self) -> None:
        """Take the held lines that arrived before the coming tick; the others wait, however late that tick is."""
        held, self._held = self._held, []
        for line in held:
            if self._arrival_s(line) < self._next_tick_s:
                self._take_line(line)
            else:
                self._held.append(line)

    def _arrival_s(self, line: Line) -> float:
        """From when a line counts, in one order for everything: not before what was stamped last, and each of a burst a
        millisecond after the one before, or of two without times of their own only the first would be kept.
        """
        return max(line.arrival_s, self._last_s, round(self._last_line_s + _BURST_STEP_S, 3))

    def _take_line(self, line: Line) -> None:
        if line.new_session:
            self._again.forget(line.origin.name)
            self._heard.forget(line.origin.name)
            # A kill before the commit would bring back what was forgotten.
            self._commit_due_s, self._pending.forgets = self.clock.now(), True
            if not line.data:  # that was all: nothing has come
                return
        if self._again.knows(line) or self._brings_what_was_heard(line):
            # It was taken before; only that it was has not reached the broker.
            if line.ack is not None:
                self._pending.acks.append(line.ack)
            return
        self._last_s = self._last_line_s = arrival_s = self._arrival_s(line)
        if self._recorder is not None:
            self._pending.lines.append((arrival_s, line))
        bucket = self._bucket_of.get(line.origin.name)
        self._buckets.others = self._buckets.nobodys = 0
        decoded = self._decoder.decode(line.data, arrival_s, retained=line.retained, default_bucket=bucket)
        for fault in (*decoded.faults, *decoded.unfit):
            if fault == TOO_MANY:
                self._count_once(line.origin.name, TOO_MANY, too_many_words)
            else:
                self._faults[(line.origin.name, fault)] += 1
        if self._buckets.nobodys:
            self._count_once(line.origin.name, NOBODY_MINDS, nobody_minds_words)
        if decoded.strange > self._buckets.others:
            self._count_once(line.origin.name, STRANGE_BUCKET, strange_bucket_words)
        for supply in decoded.supplies:
            self.nodes.supplies.take(supply, arrival_s)
        pending = self._pending
        first = pending.given_up + len(pending.readings)
        for reading in decoded.readings:
            (pending.readings if line.ack is None else pending.promised).append(reading)
            self._heard_through[reading.bucket] = line.origin.name
            if self._named and reading.bucket not in self._named:
                self._faults[(line.origin.name, "other_bucket")] += 1
            for minder in self.minders.of_bucket(reading.bucket):
                minder.take(reading)
        if self._disk_refuses:  # each new connection brings it once more
            self._again.remember(line)
        else:
            self._again.take(line, decoded.readings)
        if line.overheard:
            content = self._heard.hear(line)
            if decoded.readings:
                pending.heard.append(_Heard(first, first + len(decoded.readings), line.origin.name, content))
        if line.ack is not None:
            pending.acks.append(line.ack)

    def _brings_what_was_heard(self, line: Line) -> bool:
        if not self._heard.brings(line):
            return False
        if self._pending.heard:
            self._pending.brought[line.origin.name, content_of(line.origin.topic, line.data)] += 1
        self._again.remember(line)
        return True

    def _count_once(self, source: str, what: str, words: Callable[[str], str]) -> None:
        """Readings of more buckets than anybody has, of ones that fell between the watches, or too many of one probe:
        said at the first."""
        self._faults[(source, what)] += 1
        if self._faults[(source, what)] == 1:
            self.say(words(source))

    def _unacknowledged_full(self) -> bool:
        return len(self._pending.acks) >= COMMIT_AT_UNACKNOWLEDGED and not self._disk_refuses

    def _waits_for_commit(self) -> bool:
        pending = self._pending
        return bool(pending.count() or pending.acks or pending.forgets or not self._disk_is_well())

    def _disk_is_well(self) -> bool:
        recorded = self._recorder is None or self._recorder.trouble is None
        return recorded and not self._disk_refuses and "events" not in self.trouble

    def _commit_is_due(self) -> bool:
        if not self._waits_for_commit():
            return False
        return self._unacknowledged_full() or self.clock.now() >= self._commit_due_s

    # ---- what people entered ---------------------------------------------------------------------------------------

    def _take_changes(self) -> None:
        """Take up what other commands wrote. What was noted before the last tick counts from now on."""
        now_s = max(self.clock.now(), self._last_s)
        try:
            changes, seq = self.journal.changes_since(self._seq)
            for change in changes:
                self._plan(change, now_s)
            self._seq = seq
            done = self._do_deeds()
        except JournalError as error:  # it is all tried again at the next look; twice does no harm
            self.trouble["journal"] = str(error)
            return
        if done:
            self._commit()
            self._tell(now_s)

    def _plan(self, change: Change, now_s: float) -> None:
        """Put a change among the deeds, at the time from which it counts; the journal learns that time, too."""
        if change.entry is not None:
            entry, batch, key = change.entry.entry, change.entry.batch, change.entry.entry.entry_id
            if change.what == "entry-added":
                right = self._by_our_clock(entry, now_s)
                minder = self.minders.get(batch)
                if minder is not None and minder.knows(key):  # the batch was begun with it
                    if right is entry:
                        return
                    minder.undo(key)
                entry = right
            if change.what == "entry-undone":
                at_s = self._counts_from(max(change.entry.undone_at_s or now_s, entry.noted_at_s), now_s)
                self._renote(self.journal.renote_undo, key, at_s)
                self._put(at_s, BEFORE_TICK, partial(self._undo, batch, key))
                return
            at_s = self._counts_from(entry.noted_at_s, now_s)
            self._renote(self.journal.renote, key, at_s)
            entry = replace(entry, noted_at_s=max(at_s, entry.noted_at_s))
            self._put(at_s, BEFORE_TICK, partial(self._note, batch, entry))
        elif change.act is not None:
            act = change.act
            at_s = self._counts_from(act.noted_at_s, now_s)
            self._renote(self.journal.renote_act, act.act_id, at_s)
            did = Act(act.alarm_id, act.act, max(at_s, act.noted_at_s), act.until_s, act.who)
            self._put(at_s, AFTER_TICK, partial(self._act, act.batch, did))
        elif change.amendment is not None:
            amended = change.amendment
            at_s = self._counts_from(amended.noted_at_s, now_s)
            self._renote(self.journal.renote_amendment, amended.amendment_id, at_s)
            corrected = Amendment(amended.recipe, amended.vessel)
            self._put(at_s, AFTER_TICK, partial(self._amend, amended.batch, corrected, at_s))
        elif change.batch is not None:
            name = change.batch.batch.name
            if change.what == "batch-ended":
                at_s = self._counts_from(change.batch.ended_noted_s or now_s, now_s)
                self._renote(self.journal.renote_end, name, at_s)
                self._put(at_s, AFTER_TICK, partial(self._end, name, at_s))
            elif change.batch.ended_s is None and name not in self.minders:
                # One that was begun while this watch began is minded already, and from its own time.
                at_s = self._counts_from(change.batch.batch.known_from_s, now_s)
                self._renote(self.journal.renote_batch, name, at_s)
                self._put(at_s, BEFORE_TICK, partial(self._begin, name, at_s))

    def _by_our_clock(self, entry: LogEntry, now_s: float) -> LogEntry:
        """A command notes by the computer's clock, which may since have been set away from ours."""
        ahead_s = self.clock.wall_ahead_s()
        if abs(ahead_s) < _OTHER_CLOCK_S or abs(entry.noted_at_s - ahead_s - now_s) > _OTHER_CLOCK_S / 2:
            return entry
        # To the millisecond, as every time here: what is left of years taken away must not part it from a reading.
        at_s, noted_at_s = (round(one - ahead_s, 3) for one in (entry.at_s, entry.noted_at_s))
        self.journal.correct_clock_of_entry(entry.entry_id, at_s, noted_at_s)
        return replace(entry, at_s=at_s, noted_at_s=noted_at_s)

    def _renote(self, write: Callable[[str, float], object], key: str, at_s: float) -> None:
        """What was entered counts whether or not the disk takes the time from which it does: that goes on waiting."""
        try:
            write(key, at_s)
        except JournalError as error:
            self._refused(error)
            self._pending.renotes.append(partial(write, key, at_s))

    def _counts_from(self, noted_s: float, now_s: float) -> float:
        """From when a thing counts: when it was noted, or now where the tick after that is over already."""
        # A time ahead of ours is that of a wall clock which has been set since we began: waiting for it helps nobody.
        ahead = noted_s > now_s + TICK_S
        return now_s if noted_s <= self._next_tick_s - TICK_S or ahead else noted_s

    def _put(self, at_s: float, order: int, deed: Deed) -> None:
        heapq.heappush(self._deeds, (at_s, order, next(self._numbers), deed))

    def _do_deeds(self) -> bool:
        """Do what counts before the coming tick; what was noted later waits, however late that tick is."""
        done = False
        while self._deeds and self._deeds[0][:2] <= (self._next_tick_s, BEFORE_TICK):
            self._deeds[0][3]()
            heapq.heappop(self._deeds)
            done = True
        return done

    def _begin(self, name: str, at_s: float) -> None:
        record = self.journal.batch(name)
        if record is not None and record.ended_s is None:
            self._resume([record.batch], at_s)

    def _note(self, batch: str, entry: LogEntry) -> None:
        if batch in self.minders:
            self.minders[batch].note(entry)

    def _undo(self, batch: str, entry_id: str) -> None:
        if batch in self.minders:
            self.minders[batch].undo(entry_id)

    def _act(self, batch: str, act: Act) -> None:
        try:
            if self.own is not None and act.alarm_id == self.own.state.alarm_id:
                self.own.act(act.act, act.at_s, act.who, act.until_s)
                return
            if self.nodes.act(act.alarm_id, act.act, act.at_s, act.who, act.until_s):
                return
        except ValueError as error:
            self.say(str(error))
            return
        minder = self.minders.get(batch)
        if minder is not None:
            self._do_act(minder, act)
            self._pending.alarms += alarm_records(minder)
            if self._recorder is not None:
                self._record_lines()
                self._recorder.note(act_note(batch, act))
                self._last_s = max(self._last_s, act.at_s)  # a recording never goes back behind a note

    def _amend(self, batch: str, amendment: Amendment, at_s: float) -> None:
        minder = self.minders.get(batch)
        if minder is None:
            return
        minder.amend(amendment)
        if self._recorder is not None:
            self._record_lines()
            at_s = max(at_s, self._last_s)
            self._recorder.note(amendment_note(batch, amendment, at_s))
            self._last_s = at_s  # a recording never goes back behind a note

    def _do_act(self, minder: Minder, act: Act) -> None:
        wrong = minder.try_act(act)
        if wrong:
            self.say(wrong)

    def _end(self, name: str, at_s: float) -> None:
        minder = self.minders.pop(name, None)
        if minder is None:
            return
        at_s = max(at_s, self._last_s)
        self._learn(minder, at_s)
        self._pending.events += minder.close(at_s)
        self._pending.marks += _marks(minder)
        self._pending.alarms += alarm_records(minder)
        if self._recorder is not None:
            self._record_lines()
            self._recorder.note({"at": at_s, "note": BATCH_ENDED, "batch": name})
        self._last_s = at_s  # a recording never goes back behind a note

    def _learn(self, minder: Minder, at_s: float) -> None:
        """Keep what an ended batch taught. Without it the batch is ended all the same."""
        name = minder.batch.name
        try:
            lesson = lesson_from(minder, at_s, outcome_of(self.journal.batch(name)), maker_of(self.journal, name))
        except Exception as error:  # a fault of ours here must not keep a batch from its end
            self.say(tr("{batch} taught nothing, for a fault of ours: {error!r}.", batch=name, error=error))
            return
        self._pending.facts[TAUGHT + name] = asdict(lesson)

    def _history(self, batch: Batch, *, begins: bool) -> History | None:
        """What earlier batches taught, as of the moment when ``batch`` was first minded; it never changes after."""
        if not begins:
            kept = self._pending.facts.get(BEGUN_WITH + batch.name)
            return begun_with(self.journal, batch.name) if kept is None else history_of_values(kept)
        history = history_for(self.journal, batch, self._pending.facts) if self.settings.learning else None
        if history is not None:
            self._pending.facts[BEGUN_WITH + batch.name] = history_values(history)
        return history

    def _end_late(self, batch: Batch, last_tick_s: float, now_s: float) -> None:
        """It was ended while nobody watched: its last word is still to be said."""
        minded = self.journal.fact(f"minded_from/{batch.name}") is not None
        if minded and all(event.event != "verdict" for event in self.journal.events(batch.name)):
            self._resume([batch], now_s)
            self._pending.alarms += go_on_with(self.journal, self.minders[batch.name], last_tick_s, now_s)
            self._end(batch.name, now_s)

    # ---- going on after a restart ----------------------------------------------------------------------------------

    def _resume(self, batches: Sequence[Batch], at_s: float) -> None:
        """Fold what is known of these batches through new minders, ticks and all, up to the tick that comes next; of
        what people entered, what counts by ``at_s``; what counts later is still to be planned, or is among the deeds.
        """
        minders = [self._begun(batch) for batch in batches]
        events: list[Event] = []
        streams: list[Iterable[Timed]] = []
        for minder in minders:
            deeds = stored_deeds(self.journal, minder, self._watched, self._do_act)
            streams.append(takewhile(lambda deed: deed[0] <= at_s, deeds))
            tick = partial(self._tick_again, minder, events=events)
            streams.append(stored_ticks(minder, self._watched, self._next_tick_s, tick))
        fold(*streams, stored_readings(self.journal, minders, self._pending.in_order()))
        # What was judged by a clock that stood wrong has been told with the times it had.
        said_until_s = {batch.name: self.journal.fact(f"said_until/{batch.name}", 0.0) for batch in batches}
        self._pending.events += [event for event in events if event.at_s > said_until_s[event.batch]]
        for minder in minders:
            self.minders[minder.batch.name] = minder
            self._pending.marks += _marks(minder)
            self._pending.alarms += alarm_records(minder)

    def _tick_again(self, minder: Minder, tick_s: float, events: list[Event]) -> None:
        """A tick of the way back; every now and then it says that it is on it, for the page has no newer tick."""
        if self._reads_back_s is not None and time.monotonic() >= self._says_so_at:
            with contextlib.suppress(JournalError):  # that it is not seen keeps it from nothing
                self.journal.set_fact(READS_BACK_KEY, [self._reads_back_s, self.clock.now()])
            self._says_so_at = time.monotonic() + _SAYS_SO_EVERY_S
        self._tick_minder(minder, tick_s, events)

    def _begun(self, batch: Batch) -> Minder:
        """A minder of the batch that knows no reading yet."""
        self._buckets.know(batch.bucket)
        key = f"minded_from/{batch.name}"
        minded_from_s = self.journal.fact(key)
        begins = minded_from_s is None or minded_from_s > self._last_s
        history = self._history(batch, begins=begins and key not in self._pending.facts)
        if minded_from_s is None or minded_from_s > self._last_s:
            minded_from_s = max(batch.known_from_s, self._began_s)
            self._pending.facts[key] = minded_from_s
        minder = Minder(
            batch,
            minded_from_s=minded_from_s,
            place=self.settings.place(),
            history=history,
            emergency_number=self.settings.site.emergency_number,
        )
        if history is not None and self._recorder is not None:
            self._record_lines()
            self._last_s = max(minded_from_s, self._last_s)  # a recording never goes back behind a note
            self._recorder.note(history_note(batch.name, history, self._last_s))
        return minder

    # ---- ticks and commits -----------------------------------------------------------------------------------------

    def _tick(self, tick_s: float) -> None:
        self._take_changes()
        self._last_s = max(self._last_s, tick_s)
        step_s = self.clock.step_s()
        if step_s and self._recorder is not None:
            self._record_lines()
            self._recorder.note({"at": self._last_s, "clock_step_s": step_s})
        self._mind_clock(tick_s)
        events = self._judge(tick_s)
        if self.own is not None:
            with speaking(ENGLISH):  # like every event, whoever speaks
                events += self.own.step(self._troubles(), tick_s)
        events += self.nodes.step(tick_s, silence_wakes(self.minders.values()))
        self._watched[-1][1] = tick_s
        self._commit(events, tick_s)
        self._tell(tick_s)
        if self._on_tick is not None:
            self._on_tick(self, tick_s)
        shift_s = self.clock.correction_s()
        if shift_s and "journal" not in self.trouble:
            self._turned_at, self._long_way = time.monotonic(), True
            try:
                self._set_clock_right(shift_s)
                self._commit()
            finally:
                self._turned_at, self._long_way = time.monotonic(), False

    def _judge(self, tick_s: float) -> list[Event]:
        """The tick of every bucket, those first that may ring; returns the events that are still to be committed.
        With many buckets an alarm does not wait for the last of them: it is committed and told on the way.
        """
        events: list[Event] = []
        judged: set[str] = set()
        told_at, rings = time.monotonic(), False
        for minder in self.minders.in_order(tick_s):
            raised_before = len(events)
            self._tick_minder(minder, tick_s, events)
            judged.add(minder.batch.name)
            if any(event.event == "alarm" for event in events[raised_before:]):
                self._pending.alarms += alarm_records(minder)
                rings = True
            if not rings or time.monotonic() - told_at < EARLY_AFTER_S:
                continue
            # As if all had been judged: after a kill here the buckets that are left have this tick at the restart.
            self._watched[-1][1] = tick_s
            self._pending.facts |= {"last_tick_s": tick_s, WATCHED_KEY: self._watched}
            self._commit(events)
            events = []
            self._tell(tick_s, judged)
            told_at, rings = time.monotonic(), False
        return events

    # ---- a clock that stood wrong at the start ---------------------------------------------------------------------

    def _mind_clock(self, tick_s: float) -> None:
        """A clock that is behind what the journal holds is soon set by the network; after a while somebody must. One
        that was ahead cannot be taken back, and somebody is to know.
        """
        if self.clock.waits == PLAUSIBLE and tick_s - self.clock.from_s > CLOCK_TROUBLE_AFTER_S:
            self.trouble["clock"] = tr(
                "this computer's clock has not been set since it started, so times may be hours behind: connect it to "
                "the network or set its clock."
            )
        else:
            self.trouble.pop("clock", None)
        fast_s = self.clock.fast_s()
        if fast_s and "clock_ahead" not in self.trouble:
            self.trouble["clock_ahead"] = tr(
                "the watch's clock is {minutes:.0f} min ahead of the time, for this computer's own stood so at its "
                "start: waking hours and the morning's summary come as much too early.", minutes=fast_s / 60.0,
            )  # fmt: skip
            self.say(self.trouble["clock_ahead"])
        elif not fast_s:
            self.trouble.pop("clock_ahead", None)

    def _set_clock_right(self, shift_s: float) -> None:
        """The time is known at last: all since the start of the computer moves to it, and is judged anew from there.

        What was told stays told.
        """
        from_s, at_s = self.clock.from_s, self._last_s
        watched = [[_moved(one, from_s, shift_s) for one in span] for span in self._watched]
        try:
            with self.journal.transaction():
                self.journal.retime(from_s, shift_s)
                facts: dict[str, object] = {WATCHED_KEY: watched, "last_tick_s": watched[-1][1]}
                move_tellings(self.journal, lambda at_s: _moved(at_s, from_s, shift_s))
                kept = self.clock.kept()
                facts[CLOCK_KEY] = replace(
                    kept, ahead_s=kept.ahead_s + shift_s, from_s=from_s + shift_s, waits=""
                ).as_dict()
                for minder in self.minders.values():
                    name = minder.batch.name
                    facts[f"minded_from/{name}"] = _moved(
                        self.journal.fact(f"minded_from/{name}", from_s), from_s, shift_s
                    )
                    facts[f"said_until/{name}"] = at_s + shift_s
                for key, value in facts.items():
                    self.journal.set_fact(key, value)
        except JournalError as error:  # tried again at the next tick
            self.trouble["journal"] = str(error)
            return
        self._watched = watched
        if self._recorder is not None:
            self._record_lines()
            self._recorder.note({"at": at_s, "note": CLOCK_SET_RIGHT, "from": from_s, "shift": shift_s})
        self.clock.set_right(shift_s)
        self.trouble.pop("clock", None)
        self.say(tr("The clock has been set: everything since {then} moves on by {hours:.1f} h.",
                    then=when(self.settings.local_time(from_s), DAY_TIME), hours=shift_s / 3600.0))  # fmt: skip
        self._last_s = at_s + shift_s
        self._next_tick_s = first_tick_s(self.clock.now())
        self._commit_due_s = self._look_due_s = self.clock.now()
        self._deeds = [(at + shift_s, order, number, deed) for at, order, number, deed in self._deeds]
        self._held = [replace(line, arrival_s=line.arrival_s + shift_s) for line in self._held]
        self._saved.clear()
        self.nodes.supplies.move(lambda time_s: _moved(time_s, from_s, shift_s))
        self._teller.forget()
        records = [record for name in self.minders if (record := self.journal.batch(name)) is not None]
        taken_over = {name: minder.taken_over for name, minder in self.minders.items()}
        self._reads_back_s = self._last_s
        self._resume([record.batch for record in records], self._last_s)
        self._reads_back_s = None
        for record in records:
            minder, stood = self.minders[record.batch.name], taken_over[record.batch.name]
            self._end_what_never_was(record.batch.name, from_s, stood)
            self._pending.alarms += go_on_with(self.journal, minder, watched[-1][1], self._last_s, from_s, stood)

    def _end_what_never_was(self, batch: str, from_s: float, stood: Collection[str] = ()) -> None:
        """An alarm that only the wrong time had raised stands no more; the clock stood wrong from ``from_s`` on. Those
        of ``stood`` were raised by an earlier judging, and are not found again for another reason.
        """
        known = {state.alarm_id for state, _ in self.minders[batch].told()} | set(stood)
        self._pending.alarms += [
            replace(record, state="normal", cleared_at_s=self._last_s, facts={**record.facts, NEVER_WAS: True})
            for record in self.journal.alarms(standing_only=True, batch=batch)
            if record.alarm_id not in known and (record.raised_at_s or 0.0) >= from_s
        ]

    def _troubles(self) -> dict[str, str]:
        """A sentence for each part of the daemon that is out of order now."""
        troubles = dict(self.trouble)
        if self._recorder is not None and self._recorder.trouble is not None:
            troubles["recording"] = self._recorder.trouble
        for source in self.sources:
            health = source.health()
            if health.state == "trouble":
                troubles[f"source {source.name}"] = health.says
        return troubles

    def _tick_minder(self, minder: Minder, tick_s: float, events: list[Event]) -> None:
        self._turned_at = time.monotonic()  # many buckets, or a long way back after a restart, are no hanging
        part = f"judging {minder.batch.bucket}"
        try:
            events += minder.tick(tick_s)
            self.trouble.pop(part, None)
        except Exception as error:  # a fault of ours in one bucket must not leave the others unminded
            if part not in self.trouble:
                self.say(
                    tr("{part} failed in a way nobody foresaw; it is tried every minute: {error!r}.", part=part,
                       error=error)
                )  # fmt: skip
            self.trouble[part] = repr(error)
        finally:
            self._pending.marks += _marks(minder)  # here, for a commit must not go through a thousand buckets

    def _record_lines(self) -> None:
        lines, self._pending.lines = self._pending.lines, []
        if self._recorder is not None:
            for arrival_s, line in lines:
                self._recorder.write(arrival_s, line)

    def _commit(self, events: Sequence[Event] = (), tick_s: float | None = None) -> None:
        """Write what waits in one transaction; only then give it back to the broker and tell of it.

        When the disk refuses, nothing is acknowledged (the broker will send it again) and all of it waits in memory
        for the next try; judging goes on.
        """
        pending = self._pending
        pending.events += events
        pending.tick_s = pending.tick_s if tick_s is None else tick_s
        saved: dict[object, object] = {}
        # Just before the commit, so that what a kill -9 tears away is missing in both and not in one of them.
        self._record_lines()
        try:
            with self.journal.transaction():
                for renote in pending.renotes:
                    renote()
                self.journal.add_readings(pending.in_order())
                self.journal.mark_readings(pending.marks)
                new = self.journal.add_events(pending.events)
                for record in pending.alarms:
                    self.journal.save_alarm(record)
                for key, value in pending.facts.items():
                    self.journal.set_fact(key, value)
                for key, value in self._again.changes():
                    self.journal.set_fact(key, value)
                for key, contents in self._heard.changes():
                    if contents is None:
                        self.journal.forget_fact(key)
                    else:
                        self.journal.set_fact(key, contents)
                if pending.tick_s is not None:
                    saved = self._save_state(pending.tick_s)
        except JournalError as error:
            self._refused(error)
            return
        self._saved |= {record.alarm_id: record for record in pending.alarms} | saved
        self._print_events(new)
        if self._recorder is not None:
            self._recorder.flush()
        self._pending = _Pending()
        self._again.kept()
        self._heard.kept()
        if self._release is not None:
            self._release(pending.acks)
        else:
            for ack in pending.acks:
                ack()
        try:
            self._come_back()
        except JournalError as error:
            self._refused(error)
            return
        self.trouble.pop("journal", None)
        self._disk_refuses = False
        again_s = COMMIT_EVERY_S if self._disk_is_well() else RETRY_EVERY_S
        self._commit_due_s = self.clock.now() + again_s * self.clock.speed

    def _come_back(self) -> None:
        """The outbox is the disk's again. What could not be read of it while it refused may hold a ring for what has
        been seen or is over since: that is taken back before anybody else gets at it, and not at the coming tick.
        """
        with self._aside.lock:
            if self._aside.in_use:
                self._aside.come_back(self.journal)
                self._teller.take_back(self.minders.values(), self.clock.now(), *self._told_beside())

    def _told_beside(self) -> tuple[
        dict[str, str], tuple[AlarmState, Condition] | None, list[tuple[AlarmState, Condition]]
    ]:  # fmt: skip
        """What the teller has to know beside the minders: through which source each bucket is heard, the watch's own
        trouble, and the nodes'.
        """
        own = None if self.own is None else (self.own.state, self.own.condition)
        return self._heard_through, own, self.nodes.told()

    def _refused(self, error: JournalError) -> None:
        self.trouble["journal"], self._disk_refuses = str(error), True
        self._commit_due_s = self.clock.now() + RETRY_EVERY_S * self.clock.speed
        pending = self._pending
        given_up, overheard = pending.give_up(MOST_PENDING)
        if given_up:
            self._faults[("journal", "not_kept")] += given_up
        for one in overheard:  # the broker still has them: they count when the session brings them
            self._heard.give_up(one.source, one.content)
        del pending.marks[:-MOST_PENDING]
        del pending.acks[:-_MOST_ACKS]

    def _save_state(self, tick_s: float) -> dict[object, object]:
        """What has changed since it was last kept, and nothing else: each row is a page of the card. Returns that."""
        self.journal.set_fact("last_tick_s", tick_s)
        self.journal.set_fact(WATCHED_KEY, self._watched)
        changed: dict[object, object] = {}
        for key, total in self._totals().items():
            if self._saved.get(key) != total:
                changed[key] = total
                self.journal.set_counter(*key, total)
        for heard in self.sources:
            health = heard.health()
            self.journal.set_health(heard.name, health.state == "connected", health.says, tick_s)
        for record in (record for minder in self.minders.values() for record in alarm_records(minder)):
            if self._saved.get(record.alarm_id) != record:
                changed[record.alarm_id] = record
                self.journal.save_alarm(record)
        if self.own is not None:
            self.own.save()
        return changed | self.nodes.save(tick_s, self._saved)

    def _totals(self) -> Counter[tuple[str, str]]:
        """What has been counted of each source: by the decoder, by the source itself, and by the watches before."""
        totals = self._faults + Counter(self._faults_before)
        for source in self.sources:
            totals.update({(source.name, what): times for what, times in source.health().faults.items()})
        return totals

    def _tell(self, now_s: float, only: Collection[str] | None = None) -> None:
        """Tell what is due; ``only`` of these batches, while a tick still goes on."""
        for _ in range(2):  # where the disk refuses the first time, the messages go aside and the second succeeds
            try:
                sources, own, nodes = self._told_beside()
                told = self._teller.tell(self.minders.values(), now_s, sources, own, only, nodes)
                if told:
                    self._on_told()
                if only is None:
                    self._remind(now_s)
                return
            except JournalError as error:
                self._refused(error)

    def _mind_disk(self) -> None:
        """A disk that refuses is told of within seconds: what is read meanwhile is in memory only."""
        now_s = self.clock.now()
        if self.own is None or now_s < self._disk_due_s:
            return
        self._disk_due_s = now_s + RETRY_EVERY_S * self.clock.speed
        troubles = self._troubles()
        if DISK_PARTS.isdisjoint(troubles) and not self._disk_was_bad:
            return
        self._disk_was_bad = not DISK_PARTS.isdisjoint(troubles)
        at_s = max(self._last_s, min(now_s, self._next_tick_s))
        was = self.own.state
        with speaking(ENGLISH):
            events = self.own.step(troubles, at_s)
        if events or self.own.state.worsened_at_s != was.worsened_at_s:
            self._commit(events)
            self._tell(at_s)

    def _remind(self, now_s: float) -> None:
        try:
            self._teller.remind(self.minders.values(), now_s)
            self.trouble.pop("reminders", None)
        except JournalError:
            raise
        except Exception as error:  # a fault of ours in a reminder must not keep an alarm from being told
            self.trouble["reminders"] = tr("reminders failed in a way nobody foresaw: {error!r}.", error=error)

    def _print_events(self, events: Sequence[Event]) -> None:
        if self._events is None:
            return
        reason = self._events.append(event_line(event) for event in events)
        if reason is None:
            self.trouble.pop("events", None)
        else:  # they are in the journal, and are written when there is room again
            self.trouble["events"] = tr(
                "{path} cannot be written ({reason}): make room on the disk.", path=self._events.path, reason=reason
            )


def alarm_records(minder: Minder) -> list[AlarmRecord]:
    """The present state of every alarm of a batch that was ever raised, for the journal."""
    return [record_of(state, told.message, told.probability, told.facts) for state, told in minder.told()]


def _moved(at_s: float, from_s: float, shift_s: float) -> float:
    return at_s + shift_s if at_s >= from_s else at_s


def _marks(minder: Minder) -> list[tuple[str, str, float, str | None]]:
    return [
        (judged.reading.bucket, judged.reading.probe, judged.reading.time_s, judged.reason)
        for judged in minder.drain_judged()
    ]
