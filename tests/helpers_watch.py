"""A watch in the test's own process, driven by hand: no time passes but what the test lets pass.

``Bench`` holds a real journal, a real recording and the real ``Watch``; only the arrival clock is moved by the test.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from monitor.clock import ArrivalClock
from monitor.domain import Batch, LogEntry, OilShare, Recipe, Vessel
from monitor.journal.database import Act, Journal, JournalError
from monitor.own_trouble import OwnTrouble
from monitor.replay import Replay, replay_recording
from monitor.settings import BucketSettings, Person, Settings, SiteSettings
from monitor.sources.batch_file import write_batch_file
from monitor.sources.health import SourceHealth
from monitor.sources.line import Line, Origin
from monitor.sources.recording import read_recording
from monitor.telling import Teller
from monitor.toml_tables import Secret
from monitor.watch import TICK_GRACE_S, Watch
from monitor.watch_parts import people_of, probe_settings

RECORDINGS = Path(__file__).parents[1] / "recordings"
NIGHTS = ("night-shed-1", "night-shed-2", "night-shed-3", "night-shed-4")
# Saturday 17 January 2026, 18:00 UTC: when the invented night begins.
NIGHT_S = 1768672800.0

RECIPE = Recipe((OilShare("rapeseed", 3.31),), koh_kg=0.64, koh_purity=0.90, water_kg=1.0)


def batch_in(bucket: str, started_s: float = NIGHT_S, **more: Any) -> Batch:
    """A batch of the usual recipe."""
    return Batch(f"Invented {bucket}", bucket, started_s, RECIPE, Vessel(20.0, "bare"), **more)


def entry(kind: str, at_s: float, noted_at_s: float | None = None, **more: Any) -> LogEntry:
    """A log entry, noted when it happened unless said otherwise."""
    return LogEntry(kind, at_s, at_s if noted_at_s is None else noted_at_s, **more)


def pack(bucket: str, value_c: float | str, time_s: float | None = None, probe: str = "core") -> bytes:
    """One SenML pack with one record; a text is the probe's word for why it cannot measure."""
    record: dict[str, object] = {"n": f"{bucket}/{probe}"}
    record |= {"vs": value_c} if isinstance(value_c, str) else {"u": "Cel", "v": value_c}
    if time_s is not None:
        record["bt"] = time_s
    return json.dumps([record], separators=(",", ":")).encode()


class StillSource:
    """A source without a thread of its own: the test delivers. It stands for a serial port or a broker."""

    def __init__(self, name: str = "wire") -> None:
        self.name = name
        self.state, self.says = "connected", "connected."
        self.faults: dict[str, int] = {}

    def run(self, deliver: Callable[[Line], None], stop: Any) -> None:
        stop.wait()

    def health(self) -> SourceHealth:
        return SourceHealth(self.state, self.says, 0.0, 0, self.faults, None, 0.0)


class Breaking(Journal):
    """A journal whose disk can refuse: while ``full`` no transaction is kept."""

    full = False

    def transaction(self) -> Any:
        if self.full:
            raise JournalError("Journal: the disk is full; free some space and it goes on by itself.", again=True)
        return super().transaction()


@dataclass
class Bench:
    """One watch after the other on one journal, at a time that the test sets."""

    folder: Path
    now_s: float = NIGHT_S
    settings: Settings = field(default_factory=Settings)
    sources: Sequence[Any] = field(default_factory=list)
    journal_type: type[Journal] = Journal
    minds_itself: bool = False  # whether it has an alarm for its own trouble
    said: list[str] = field(default_factory=list)
    acked: list[bytes] = field(default_factory=list)
    watch: Watch = None  # type: ignore[assignment]
    journal: Journal = None  # type: ignore[assignment]

    def __post_init__(self) -> None:
        self.record, self.events_file = self.folder / "kept.rec", self.folder / "events.jsonl"
        self.desk = Journal(self.folder / "journal.sqlite")  # what the commands write through
        self.start()

    # ---- life ----

    def start(self) -> Watch:
        """A new watch, as after a restart of the computer."""
        self.journal = self.journal_type(self.folder / "journal.sqlite")
        began_s = self.now_s
        self.clock = ArrivalClock(
            start_s=began_s, monotonic=lambda: self.now_s - began_s, wall=lambda: self.now_s
        )
        self.watch = Watch(
            self.settings,
            self.journal,
            self.clock,
            self.sources,
            teller=Teller(self.journal, self.settings, people_of(self.settings)),
            own=OwnTrouble(self.journal) if self.minds_itself else None,
            record=self.record,
            events_file=self.events_file,
            say=self.said.append,
        )
        self.watch._open()
        return self.watch

    def stop(self) -> None:
        """End it in order."""
        self.watch._close()
        self.journal.close()

    def kill(self) -> None:
        """End it as kill -9 does: what is not committed is gone."""
        self.journal.close()
        if self.watch._recorder is not None:
            self.watch._recorder.close()

    def close(self) -> None:
        with suppress(Exception):
            self.stop()
        self.desk.close()

    # ---- time ----

    def until(self, to_s: float) -> None:
        """Let time pass, with every tick and every look at its usual moment."""
        while (tick_s := self.watch._next_tick_s + TICK_GRACE_S) <= to_s:
            self.now_s = max(self.now_s, tick_s)
            self._turn()
        self.now_s = max(self.now_s, to_s)
        self._turn()

    def _turn(self) -> None:
        """As many rounds of the worker as are due now; none that would wait."""
        while not self.watch._lines.empty() or self.watch._wait_s() <= 0.0 or self.watch._commit_is_due():
            before = self.watch._commit_due_s
            self.watch.step()
            if "journal" in self.watch.trouble and self.watch._lines.empty() and self.watch._commit_due_s >= before:
                return  # the disk refuses: the next round tries again

    # ---- what comes in ----

    def line(
        self, at_s: float, data: bytes, origin: Origin | None = None, *, ack: bool = False, retained: bool = False
    ) -> None:
        """A line arrives at that time."""
        self.until(at_s)
        acknowledge = (lambda: self.acked.append(data)) if ack else None
        self.watch.deliver(Line(self.clock.now(), data, origin or Origin("serial", "wire"), retained, ack=acknowledge))
        self._turn()

    def steady(
        self, bucket: str, from_s: float, to_s: float, curve: Callable[[float], float], every_s: float = 20.0
    ) -> None:
        """Readings of a curve (°C by Unix time) from a node with a right clock."""
        at_s = from_s
        while at_s < to_s:
            self.line(at_s + 0.4, pack(bucket, curve(at_s), at_s))
            at_s += every_s

    def begin(self, batch: Batch, *entries: LogEntry) -> None:
        """Somebody starts a batch, as ``emberpail start`` does."""
        self.desk.add_batch(batch)
        for one in entries:
            self.desk.add_entry(batch.name, one)

    def mark(self, batch: Batch, one: LogEntry) -> LogEntry:
        return self.desk.add_entry(batch.name, one)

    def act(self, batch: Batch, alarm_id: str, act: str, until_s: float | None = None) -> None:
        self.desk.add_act(
            Act(alarm_id, act, self.now_s, self.now_s, "Ash", until_s, batch=batch.name, bucket=batch.bucket)
        )

    # ---- what went out ----

    def events(self, bucket: str | None = None, *, verdict: bool = False) -> list[str]:
        """The lines of the events file of a bucket; without the verdict unless it is asked for."""
        lines = self.events_file.read_text(encoding="utf-8").splitlines() if self.events_file.exists() else []
        return [one for one in lines if fits(one, bucket, verdict)]

    def alarms(self, bucket: str | None = None) -> list[tuple[str, str]]:
        """(kind, state) of the alarm events so far."""
        found = [json.loads(one) for one in self.events(bucket)]
        return [(one["kind"], one["state"]) for one in found if one["event"] == "alarm"]

    def replayed(self, batch: Batch, *, verdict: bool = False) -> list[str]:
        """What a replay of the recording says, with the log as the journal holds it."""
        record = self.desk.batch(batch.name)
        assert record is not None
        path = self.folder / f"{batch.bucket}.toml"
        write_batch_file(path, record.batch, self.desk.entries(batch.name))
        out = self.folder / f"{batch.bucket}.jsonl"
        replay(self.record, path, out, self.settings)
        return [one for one in out.read_text(encoding="utf-8").splitlines() if fits(one, batch.bucket, verdict)]


def replay(recording: Path, batch_file: Path, events_file: Path, settings: Settings | None = None) -> Replay:
    """Replay as the command does."""
    settings = settings or Settings()
    return replay_recording(
        recording, batch_file, events_file, place=settings.place(), probe_settings=probe_settings(settings),
        emergency_number=settings.site.emergency_number,
    )  # fmt: skip


def fits(line: str, bucket: str | None, verdict: bool) -> bool:
    event = json.loads(line)
    return (bucket is None or event["bucket"] == bucket) and (verdict or event["event"] != "verdict")


def recorded_lines(*names: str) -> Iterator[tuple[float, bytes, Origin, bool]]:
    """The lines of several recordings of the night in one order of arrival, each from a source of its own."""
    lines: list[tuple[float, bytes, Origin, bool]] = []
    for name in names:
        for one in read_recording(RECORDINGS / f"{name}.rec"):
            if one.note is None:
                lines.append((one.arrival_s, one.data, Origin("serial", name), one.retained))
    return iter(sorted(lines, key=lambda line: line[0]))


def settings_with(
    *buckets: str, people: Iterable[tuple[str, str]] = (), number: str = "112", **more: Any
) -> Settings:
    """Settings with these buckets and these (person, route)."""
    return Settings(
        site=SiteSettings(name="Quillmarsh allotments (invented)", emergency_number=number, time_zone="UTC"),
        buckets=tuple(BucketSettings(name, 20.0) for name in buckets),
        people=tuple(Person(name, (Secret(route),)) for name, route in people),
        **more,
    )
