"""``demo``: an invented winter night at the Quillmarsh allotments, four buckets, in little more than a minute."""

from __future__ import annotations

import argparse
import contextlib
import signal
import sys
import tempfile
import threading
from collections import deque
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from monitor.commands import YES
from monitor.commands.common import CommandError, now_s, parser_for, say
from monitor.domain import LogEntry
from monitor.settings import BucketSettings, PageSettings, Person, Settings, SiteSettings
from monitor.toml_tables import Secret
from monitor.words import TIME, tr, when

SPEED = 600.0
BUCKETS = ("night-shed-1", "night-shed-2", "night-shed-3", "night-shed-4")
_MINUTE_S = 60.0
# The clock waits for the judging: on a slow computer the night takes longer, but nothing in it comes late.
_AHEAD_S = 5 * _MINUTE_S


def add(parsers: Any) -> None:
    """Describe the command."""
    parser = parser_for(
        parsers, "demo", tr("an invented winter night with four buckets, in little more than a minute"),
        "emberpail demo --no-page", settings=False,
        description=tr(
            "Replay an invented winter night with four buckets at about 600 times real time: one good, one that has "
            "not taken, one that cools early, one whose probe comes loose. Ends by itself; Ctrl-C ends it sooner."
        ),
    )  # fmt: skip
    parser.add_argument("--speed", type=float, default=SPEED, metavar="TIMES", help=tr("how many times real time"))
    parser.add_argument("--no-page", action="store_true", help=tr("do not serve the page"))
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Play the night through the real daemon; everything it writes is in a folder that is removed at the end."""
    recordings = Path(__file__).resolve().parents[2] / "recordings"
    if not all((recordings / f"{name}.rec").is_file() for name in BUCKETS):
        raise CommandError(tr("The demo's recordings come with a checkout only: run ./emberpail demo there."))
    if not 1.0 <= args.speed <= 5000.0:
        raise CommandError(tr("The demo runs between 1 and 5000 times real time: give --speed 600."))
    with tempfile.TemporaryDirectory(prefix="emberpail-demo-") as folder:
        _play(recordings, Path(folder), args.speed, not args.no_page)
    return YES


@dataclass(slots=True)
class _Grower:
    """The invented grower: enters batches and log entries when their time has come, and reads what is said."""

    settings: Settings
    journal: Any
    end_s: float
    stop: threading.Event
    waiting: deque[tuple[float, str, LogEntry]]
    said: set[str] = field(default_factory=set)

    def on_tick(self, watch: Any, tick_s: float) -> None:
        """Called after every judged minute."""
        if tick_s >= self.end_s:
            self.stop.set()
        self._answer(watch, tick_s)
        while self.waiting and self.waiting[0][0] <= tick_s + _MINUTE_S:
            _, batch, entry = self.waiting.popleft()
            self.journal.add_entry(batch, entry, who="the grower")
            self._print(tick_s, batch, tr("noted {kind}", kind=entry.kind))

    def _answer(self, watch: Any, tick_s: float) -> None:
        """Five minutes after an alarm the grower has read it and says so, which ends its ringing."""
        from monitor.journal.database import Act

        for minder in watch.minders.values():
            for state, _ in minder.told():
                if state.state == "unacknowledged" and tick_s - (state.raised_at_s or tick_s) >= 5 * _MINUTE_S:
                    if state.urgency == "daylight" and tick_s < self.end_s - 3 * _MINUTE_S:
                        continue  # it waits for daylight, and so does the answer
                    key = f"seen/{state.alarm_id}"
                    if key not in self.said:
                        # Half a minute on: the clock runs ahead of the judging, and this belongs before the next tick.
                        at_s = tick_s + _MINUTE_S / 2
                        self.journal.add_act(
                            Act(state.alarm_id, "acknowledged", at_s, at_s, "Ash", None, state.batch, state.bucket)
                        )
                        seen = tr('"I have seen it" ({bucket}, {kind})', bucket=state.bucket, kind=state.kind)
                        self._once(key, tick_s, "Ash", seen)

    def _once(self, key: str, at_s: float, who: str, words: str) -> None:
        if key not in self.said:
            self.said.add(key)
            self._print(at_s, who, words)

    def _print(self, at_s: float, who: str, words: str) -> None:
        say(f"{who}: {words}", f"{when(self.settings.local_time(at_s), TIME)}  ")


def _take_in_last_year(journal: Any, recordings: Path) -> None:
    """A year of batches that are over, for the page under Compare; without the file the demo goes without."""
    from monitor.exchange.carry import import_batches

    past = recordings / "past-seasons.json"
    if past.exists():
        import_batches(journal, past, now_s())


def _play(recordings: Path, folder: Path, speed: float, serve_page: bool) -> None:
    from monitor.clock import ArrivalClock
    from monitor.commands.status import in_words
    from monitor.journal.database import Journal
    from monitor.running import Running
    from monitor.sources.batch_file import read_batch_file
    from monitor.sources.recording import RecordingSource, last_arrival_s
    from monitor.standing import status_view

    paths = [recordings / f"{name}.rec" for name in BUCKETS]
    batches = [read_batch_file(path.with_suffix(".toml")) for path in paths]
    settings = Settings(
        site=SiteSettings(name=tr("the Quillmarsh allotments (invented)"), time_zone="UTC"),
        buckets=tuple(BucketSettings(one.batch.bucket, one.batch.vessel.litres) for one in batches),
        people=(Person("Ash", (Secret("print://"),)), Person("Wren", (Secret("print://next-door"),), reminders=False)),
        page=PageSettings(),
        journal_path=folder / "journal.sqlite",
    )
    log = [(entry.noted_at_s, one.batch.name, entry) for one in batches for entry in one.log]
    with Journal(settings.journal_path) as journal:
        _take_in_last_year(journal, recordings)
        for one in batches:
            journal.add_batch(one.batch)
        probing = RecordingSource(paths, clock=ArrivalClock(), name="recording")
        first_s, last_s = probing.first_arrival_s() or 0.0, min(last_arrival_s(path) or 0.0 for path in paths)
        clock = ArrivalClock(speed=speed, start_s=first_s - _MINUTE_S, ahead_s=_AHEAD_S)
        source = RecordingSource(paths, clock=clock, name="recording", speed=speed)
        stop = threading.Event()
        grower = _Grower(
            settings, journal, last_s - _MINUTE_S, stop, deque(sorted(log, key=lambda item: item[0]))
        )
        running = Running(
            settings, journal, clock, [source], serve_page=serve_page, page_port=0, invented=True,
            on_tick=grower.on_tick, say=say,
        )  # fmt: skip
        night_h, minutes = (last_s - first_s) / 3600.0, (last_s - first_s) / speed / 60.0
        say(
            tr(
                "An invented night at the Quillmarsh allotments: four buckets, {night_h:.0f} hours in about "
                "{minutes:.1f} minutes. The boxes are what the phone would show; Ctrl-C ends it.",
                night_h=night_h, minutes=minutes,
            )
        )  # fmt: skip
        if serve_page:
            say(tr("Under Compare the page lays a year of earlier batches over each other; they are invented, too."))
        with contextlib.suppress(ValueError):  # not in the main thread: a test stops it otherwise
            signal.signal(signal.SIGTERM, lambda *_: stop.set())
        try:
            running.run(stop)
            running.deliver_now()
        except KeyboardInterrupt:
            print(tr("Ended early."), file=sys.stderr)
        finally:
            stop.set()
            print(f"\n{tr('How it stands at the end of the night:')}\n", flush=True)
            with contextlib.suppress(Exception):
                at_s = journal.fact("last_tick_s", clock.now())  # the clock has run ahead of the last reading
                print(in_words(status_view(journal, settings, at_s, with_curves=False), settings))
            for minder in running.watch.minders.values():
                say(tr("Verdict: {words}", words=minder.last_word(clock.now()).values["says"]))
            running.close()
    say(tr("Everything in this demo was invented. A real start: emberpail check, then emberpail plan --help."))
