"""The program of the soak in a process of its own: ``python -m tests.faults.week_program SETTINGS SPEED START_S``.

It is ``emberpail watch`` but for its clock, which runs ``SPEED`` times as fast, and stands still where the judging does
not keep up. The clock's time stands in the file ``now`` beside the journal, for the nodes outside; after each judged
minute a line of JSON tells the minute and the threads that live.
"""

from __future__ import annotations

import json
import mmap
import signal
import struct
import sys
import threading
import time
from pathlib import Path
from typing import Any

from monitor.clock import ArrivalClock
from monitor.journal.database import Journal
from monitor.running import Running
from monitor.settings import load_settings
from monitor.watch_parts import sources_of

# The clock stands still so far ahead of the judging. A minute is judged up to a minute after it is full (at this speed;
# the watch leaves lines some time to arrive), so less would stand still for ever.
AHEAD_S = 130.0
_TOLD_EVERY_S = 0.005


class Patient:
    """Monotonic seconds that wait for who is slow; what was waited is not made up for, so that nothing comes in leaps.

    ``limit`` is how far they run.
    """

    def __init__(self, limit: float) -> None:
        self._lock = threading.Lock()
        self._last, self._value, self.limit = time.monotonic(), 0.0, limit

    def __call__(self) -> float:
        with self._lock:
            now = time.monotonic()
            self._value = max(self._value, min(self._value + now - self._last, self.limit))
            self._last = now
            return self._value


def main(settings_file: str, speed: str, start_s: str) -> None:
    """Run until SIGTERM."""
    settings = load_settings(Path(settings_file))
    stop = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: stop.set())
    patient = Patient(3600.0 / float(speed))  # it takes its time to open
    clock = ArrivalClock(speed=float(speed), start_s=float(start_s), monotonic=patient)
    threading.Thread(target=_tell_time, args=(settings.journal_path.with_name("now"), clock), daemon=True).start()
    with Journal(settings.journal_path) as journal:
        journal.claim_watch()

        def tell(_watch: Any, tick_s: float) -> None:
            patient.limit = (tick_s + AHEAD_S - float(start_s)) / float(speed)
            names = [thread.name for thread in threading.enumerate()]
            print(json.dumps({"tick": tick_s, "threads": names}), flush=True)

        running = Running(
            settings, journal, clock, sources_of(settings, clock), record=settings.journal_path.with_name("kept.rec"),
            events_file=settings.journal_path.with_name("events.jsonl"), page_port=None, on_tick=tell,
            say=lambda words: print(words, file=sys.stderr, flush=True),
        )  # fmt: skip
        try:
            running.run(stop)
        finally:
            stop.set()
            running.close()


def _tell_time(path: Path, clock: ArrivalClock) -> None:
    with path.open("r+b") as file, mmap.mmap(file.fileno(), 8) as page:
        while True:
            struct.pack_into("d", page, 0, clock.now())
            time.sleep(_TOLD_EVERY_S)


if __name__ == "__main__":
    main(*sys.argv[1:])
