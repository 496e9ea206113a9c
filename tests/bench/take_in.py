"""What taking in one reading costs: parse, screen, store in a batch. ``python -m tests.bench.take_in``

The estimator is left out: it runs on the ticks, not on every reading. Two records a line, one line each ten seconds,
committed in groups of 50 lines, as a watch with a few buckets would.
"""

from __future__ import annotations

import json
import tempfile
import time
from pathlib import Path

from monitor.journal.database import Journal
from monitor.sensing.screening import ProbeScreen
from monitor.sensing.senml import Decoder

LINES = 8640  # a day at ten seconds
GROUP = 50
START_S = 1768672800.0


def measure(lines: int = LINES) -> dict[str, float]:
    """Microseconds per reading, by part and in all."""
    packs = [
        json.dumps(
            [
                {"bn": "shed-2/", "bt": START_S + 10 * i, "bu": "Cel", "n": "core", "v": 80 - i * 0.003},
                {"n": "ambient", "v": 8.0 + 0.0625 * (i % 5)},
            ]
        ).encode()
        for i in range(lines)
    ]
    decoder, screens = Decoder(), {"core": ProbeScreen("core"), "ambient": ProbeScreen("ambient")}
    spent = {"parse": 0.0, "screen": 0.0, "store": 0.0}
    waiting = []
    with tempfile.TemporaryDirectory() as folder, Journal(Path(folder) / "journal.sqlite") as journal:
        for i, pack in enumerate(packs):
            arrival_s = START_S + 10 * i + 0.2
            began = time.perf_counter()
            decoded = decoder.decode(pack, arrival_s)
            parsed = time.perf_counter()
            for reading in decoded.readings:
                screens[reading.probe].take(reading)
            if i % 6 == 5:  # a tick each minute
                for screen in screens.values():
                    screen.settle(arrival_s)
            screened = time.perf_counter()
            waiting += decoded.readings
            if i % GROUP == GROUP - 1:
                journal.add_readings(waiting)
                waiting.clear()
            stored = time.perf_counter()
            spent["parse"] += parsed - began
            spent["screen"] += screened - parsed
            spent["store"] += stored - screened
    readings = 2 * lines
    figures = {part: 1e6 * seconds / readings for part, seconds in spent.items()}
    return {**figures, "all": sum(figures.values())}


if __name__ == "__main__":
    for part, microseconds in measure().items():
        print(f"{part:>8}  {microseconds:6.1f} µs a reading")
