"""The running daemon: the one place that wires. Owns the clock, the threads and the shutdown.

    sources (a thread each) --lines--> worker --> minders --> journal --> postman (a thread) --> phones
                                          |                      '------> page (a thread)
                                          '--> recording

The worker alone touches the minders. It puts all that happens into one order (arrival), commits it in groups, and
gives back to the broker what is on the disk. After a restart it folds the journal through the same minders, so it
goes on where it was.
"""

from __future__ import annotations

import heapq
import queue
import threading
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from monitor.clock import ArrivalClock
from monitor.domain import Batch, Event, Reading
from monitor.journal.database import AlarmRecord, Change, Journal, JournalError
from monitor.judgement.events import event_line
from monitor.pipeline import PRELUDE_S, TICK_S, Act, Minder, first_tick_s
from monitor.sensing.senml import Decoder
from monitor.settings import Settings
from monitor.sources.line import Line, Source
from monitor.sources.recording import RecordingWriter
from monitor.telling import Teller
from monitor.watch_parts import probe_settings

# A commit costs a write of the card; a stock broker stops at 20 unacknowledged messages, so half of that forces one.
COMMIT_EVERY_S = 3.0
COMMIT_AT_UNACKNOWLEDGED = 10
# Lines stamped just before a tick may still be on their way to the worker when the minute is full.
TICK_GRACE_S = 0.2
# How soon an entry made by another command is taken up.
LOOK_EVERY_S = 1.0
MOST_WAITING_LINES = 200_000


@dataclass(slots=True)
class _Pending:
    """What waits for the next commit."""

    readings: list[Reading] = field(default_factory=list)
    marks: list[tuple[str, str, float, str | None]] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    acks: list[Callable[[], None]] = field(default_factory=list)


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
        record: Path | None = None,
        events_file: Path | None = None,
        say: Callable[[str], None] = print,
        on_tick: Callable[[Watch, float], None] | None = None,
    ) -> None:
        self.settings, self.journal, self.clock, self.sources = settings, journal, clock, sources
        self.minders: dict[str, Minder] = {}  # by batch name
        self.say = say
        self.trouble: dict[str, str] = {}  # what is wrong with the daemon itself, by part
        self._teller = teller
        self._record_path, self._events_path = record, events_file
        self._recorder: RecordingWriter | None = None
        self._on_tick = on_tick
        self._decoder = Decoder(probe_settings=probe_settings(settings))
        self._lines: queue.Queue[Line] = queue.Queue(MOST_WAITING_LINES)
        self._held: list[Line] = []
        self._pending = _Pending()
        self._faults: Counter[tuple[str, str]] = Counter()
        self._heard_through: dict[str, str] = {}  # bucket -> source
        self._seq = 0
        self._last_s = 0.0  # nothing is stamped earlier than this any more
        self._next_tick_s = first_tick_s(clock.now())
        self._commit_due_s = clock.now()
        self._look_due_s = clock.now()
        self._began_s = clock.now()
        self._threads: list[threading.Thread] = []

    # ---- life ------------------------------------------------------------------------------------------------------

    def run(self, stop: threading.Event) -> None:
        """Work until ``stop`` is set; then commit what is there and let the sources go."""
        self._open()
        for source in self.sources:
            thread = threading.Thread(target=source.run, args=(self._deliver, stop), name=source.name, daemon=True)
            thread.start()
            self._threads.append(thread)
        try:
            while not stop.is_set():
                self.step(stop)
        finally:
            self._close()

    def step(self, stop: threading.Event | None = None) -> None:
        """One round of the worker: take lines in, look for entries, tick when a minute is full, commit when due."""
        self._take_lines(self._wait_s())
        now_s = self.clock.now()
        if now_s >= self._look_due_s:
            self._take_changes()
            self._look_due_s = self.clock.now() + LOOK_EVERY_S * self.clock.speed
        while self.clock.now() >= self._next_tick_s + TICK_GRACE_S * self.clock.speed:
            if stop is not None and stop.is_set():
                return
            self._drain_before(self._next_tick_s)
            self._tick(self._next_tick_s)
            self._next_tick_s += TICK_S
            held, self._held = self._held, []
            for line in held:
                self._take_line(line)
        if self._commit_is_due():
            self._commit()

    def _open(self) -> None:
        now_s = self._began_s = self._last_s = self.clock.now()
        self._seq = self.journal.last_change()
        if self._record_path is not None:
            self._recorder = RecordingWriter(self._record_path, started_s=now_s)
        for batch in self.journal.running_batches():
            self._resume(batch, now_s)
        self._next_tick_s = first_tick_s(now_s)
        self._tell(now_s)

    def _close(self) -> None:
        self._take_lines(0.0)
        self._commit()
        if self._recorder is not None:
            self._recorder.close()
        for thread in self._threads:
            thread.join(timeout=3.0)

    # ---- lines -----------------------------------------------------------------------------------------------------

    def _deliver(self, line: Line) -> None:
        """Called by the source threads. A full queue makes the source wait, which its other end can bear."""
        self._lines.put(line)

    def _wait_s(self) -> float:
        now_s = self.clock.now()
        due_s = min(
            self._next_tick_s + TICK_GRACE_S * self.clock.speed,
            self._look_due_s,
            self._commit_due_s if self._pending.readings or self._pending.acks else now_s + 3600.0,
        )
        return max(0.0, min(1.0, (due_s - now_s) / self.clock.speed))

    def _take_lines(self, wait_s: float) -> None:
        """Take what waits, at most a few thousand, so that a flood cannot hold up a tick."""
        try:
            line = self._lines.get(timeout=wait_s) if wait_s > 0 else self._lines.get_nowait()
            for _ in range(5000):
                if line.arrival_s < self._next_tick_s:
                    self._take_line(line)
                else:
                    self._held.append(line)
                if self._unacknowledged_full():
                    return
                line = self._lines.get_nowait()
        except queue.Empty:
            return

    def _drain_before(self, tick_s: float) -> None:
        self._take_lines(0.0)
        early = [line for line in self._held if line.arrival_s < tick_s]
        self._held = [line for line in self._held if line.arrival_s >= tick_s]
        for line in early:
            self._take_line(line)

    def _take_line(self, line: Line) -> None:
        # One order for everything: a line that was held up on its way counts from when it got here.
        arrival_s = max(line.arrival_s, self._last_s)
        self._last_s = arrival_s
        if self._recorder is not None:
            self._recorder.write(arrival_s, line)
        decoded = self._decoder.decode(line.data, arrival_s, retained=line.retained)
        for fault in decoded.faults:
            self._faults[(line.origin.name, fault)] += 1
        for reading in decoded.readings:
            self._pending.readings.append(reading)
            self._heard_through[reading.bucket] = line.origin.name
            for minder in self.minders.values():
                if minder.batch.bucket == reading.bucket:
                    minder.take(reading)
        if line.ack is not None:
            self._pending.acks.append(line.ack)

    def _unacknowledged_full(self) -> bool:
        return len(self._pending.acks) >= COMMIT_AT_UNACKNOWLEDGED

    def _commit_is_due(self) -> bool:
        if not self._pending.readings and not self._pending.acks:
            return False
        return self._unacknowledged_full() or self.clock.now() >= self._commit_due_s

    # ---- what people entered ---------------------------------------------------------------------------------------

    def _take_changes(self) -> None:
        """Take up what other commands wrote. What was noted before the last tick counts from now on."""
        try:
            changes, self._seq = self.journal.changes_since(self._seq)
        except JournalError as error:
            self.trouble["journal"] = str(error)
            return
        if not changes:
            return
        now_s = max(self.clock.now(), self._last_s)
        for change in changes:
            self._take_change(change, now_s)
        self._tell(now_s)

    def _take_change(self, change: Change, now_s: float) -> None:
        last_tick_s = self._next_tick_s - TICK_S
        if change.what == "batch-started" and change.batch is not None and change.batch.ended_s is None:
            batch = change.batch.batch
            if batch.known_from_s <= last_tick_s:
                self.journal.renote_batch(batch.name, now_s)
            record = self.journal.batch(batch.name)
            self._resume(batch if record is None else record.batch, now_s)
        elif change.what == "batch-ended" and change.batch is not None:
            self._end(change.batch.batch.name, now_s)
        elif change.what == "entry-added" and change.entry is not None:
            minder = self.minders.get(change.entry.batch)
            entry = change.entry.entry
            if entry.noted_at_s <= last_tick_s:
                self.journal.renote(entry.entry_id, now_s)
            if minder is not None and change.entry.undone_at_s is None:
                minder.note(entry)
        elif change.what == "entry-undone" and change.entry is not None:
            minder = self.minders.get(change.entry.batch)
            self.journal.renote_undo(change.entry.entry.entry_id, now_s)
            if minder is not None:
                minder.undo(change.entry.entry.entry_id)
        elif change.what == "act" and change.act is not None:
            minder = self.minders.get(change.act.batch)
            act = change.act
            if minder is not None:
                if act.noted_at_s <= last_tick_s:
                    self.journal.renote_act(act.act_id, now_s)
                self._act(minder, Act(act.alarm_id, act.act, act.noted_at_s, act.until_s, act.who))
                self._save_alarms(minder)

    def _act(self, minder: Minder, act: Act) -> None:
        try:
            minder.act(act)
        except ValueError as error:  # a time of quiet out of bounds; the command has said so already
            self.say(str(error))

    def _end(self, name: str, now_s: float) -> None:
        minder = self.minders.pop(name, None)
        if minder is None:
            return
        events = minder.close(now_s)
        with self.journal.transaction():
            new = self.journal.add_events(events)
            self._save_alarms(minder)
        self._print_events(new)

    # ---- going on after a restart ----------------------------------------------------------------------------------

    def _resume(self, batch: Batch, now_s: float) -> None:
        """Fold what the journal knows of a batch through a new minder, ticks and all, up to now."""
        key = f"minded_from/{batch.name}"
        minded_from_s = self.journal.fact(key)
        if minded_from_s is None:
            minded_from_s = max(batch.known_from_s, self._began_s)
            self.journal.set_fact(key, minded_from_s)
        minder = Minder(
            batch,
            minded_from_s=minded_from_s,
            place=self.settings.place(),
            emergency_number=self.settings.site.emergency_number,
        )
        self.minders[batch.name] = minder
        events: list[Event] = []
        for _, _, deed in heapq.merge(
            self._stored_deeds(minder), self._stored_ticks(minder, now_s, events), self._stored_readings(minder),
            key=lambda item: item[:2],
        ):  # fmt: skip
            deed()
        with self.journal.transaction():
            self.journal.mark_readings(_marks(minder))
            new = self.journal.add_events(events)
            self._save_alarms(minder)
        self._print_events(new)

    def _stored_readings(self, minder: Minder) -> Iterable[tuple[float, int, Callable[[], object]]]:
        batch = minder.batch
        for reading in self.journal.readings(batch.bucket, from_arrival_s=batch.started_s - PRELUDE_S):
            yield reading.arrival_s, 2, partial(minder.take, reading)

    def _stored_ticks(
        self, minder: Minder, now_s: float, events: list[Event]
    ) -> Iterable[tuple[float, int, Callable[[], object]]]:
        def tick(at_s: float) -> None:
            events.extend(minder.tick(at_s))

        tick_s = first_tick_s(minder.minded_from_s)
        while tick_s <= now_s:
            yield tick_s, 1, partial(tick, tick_s)
            tick_s += TICK_S

    def _stored_deeds(self, minder: Minder) -> Iterable[tuple[float, int, Callable[[], object]]]:
        name = minder.batch.name
        deeds: list[tuple[float, int, Callable[[], object]]] = []
        for logged in self.journal.log(name):
            entry = logged.entry
            deeds.append((entry.noted_at_s, 0, partial(minder.note, entry)))
            if logged.undone_at_s is not None:
                undone_s = max(logged.undone_at_s, entry.noted_at_s)
                deeds.append((undone_s, 0, partial(minder.undo, entry.entry_id)))
        for kept in self.journal.acts(name):
            act = Act(kept.alarm_id, kept.act, kept.noted_at_s, kept.until_s, kept.who)
            # An act on an alarm raised at the tick of the same moment comes after that tick.
            deeds.append((kept.noted_at_s, 3, partial(self._act, minder, act)))
        return sorted(deeds, key=lambda item: item[:2])

    # ---- ticks and commits -----------------------------------------------------------------------------------------

    def _tick(self, tick_s: float) -> None:
        self._take_changes()
        self._last_s = max(self._last_s, tick_s)
        step_s = self.clock.step_s()
        if step_s and self._recorder is not None:
            self._recorder.note({"at": self.clock.now(), "clock_step_s": step_s})
        events = [event for minder in self.minders.values() for event in minder.tick(tick_s)]
        self._commit(events, tick_s)
        self._tell(tick_s)
        if self._on_tick is not None:
            self._on_tick(self, tick_s)

    def _commit(self, events: Sequence[Event] = (), tick_s: float | None = None) -> None:
        """Write what waits in one transaction; only then give it back to the broker and tell of it.

        When the disk refuses, nothing is acknowledged (the broker will send it again) and all of it waits in memory
        for the next try; judging goes on.
        """
        pending = self._pending
        pending.events += events
        for minder in self.minders.values():
            pending.marks += _marks(minder)
        self._commit_due_s = self.clock.now() + COMMIT_EVERY_S * self.clock.speed
        try:
            with self.journal.transaction():
                self.journal.add_readings(pending.readings)
                self.journal.mark_readings(pending.marks)
                new = self.journal.add_events(pending.events)
                if tick_s is not None:
                    self._save_state(tick_s)
        except JournalError as error:
            self.trouble["journal"] = str(error)
            return
        self.trouble.pop("journal", None)
        if self._recorder is not None:
            self._recorder.flush()
        self._pending = _Pending()
        for ack in pending.acks:
            ack()
        self._print_events(new)

    def _save_state(self, tick_s: float) -> None:
        self.journal.set_fact("last_tick_s", tick_s)
        for (source, what), total in self._faults.items():
            self.journal.set_counter(source, what, total)
        for heard in self.sources:
            health = heard.health()
            self.journal.set_health(heard.name, health.state == "connected", health.says, tick_s)
        for minder in self.minders.values():
            self._save_alarms(minder)

    def _tell(self, now_s: float) -> None:
        try:
            self._teller.tell(self.minders.values(), now_s, self._heard_through)
        except JournalError as error:
            self.trouble["journal"] = str(error)

    def _save_alarms(self, minder: Minder) -> None:
        for record in alarm_records(minder):
            self.journal.save_alarm(record)

    def _print_events(self, events: Sequence[Event]) -> None:
        if self._events_path is None or not events:
            return
        with self._events_path.open("a", encoding="utf-8") as file:
            file.writelines(event_line(event) + "\n" for event in events)


def alarm_records(minder: Minder) -> list[AlarmRecord]:
    """The present state of every alarm of a batch that was ever raised, for the journal."""
    return [
        AlarmRecord(
            alarm_id=state.alarm_id,
            kind=state.kind,
            bucket=state.bucket,
            batch=state.batch,
            state=state.state,
            urgency=state.urgency,
            raised_at_s=state.raised_at_s,
            cleared_at_s=state.cleared_at_s,
            acknowledged_at_s=state.acknowledged_at_s,
            acknowledged_by=state.acknowledged_by,
            shelved_until_s=state.shelved_until_s,
            probability=told.probability,
            message_id=told.message.message_id,
            says=told.message.says,
            do=told.message.do,
            facts=told.facts,
        )
        for state, told in minder.told()
    ]


def _marks(minder: Minder) -> list[tuple[str, str, float, str | None]]:
    return [
        (judged.reading.bucket, judged.reading.probe, judged.reading.time_s, judged.reason)
        for judged in minder.drain_judged()
    ]
