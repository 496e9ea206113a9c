"""Speed of a replay: 72 h, two probes, one line each ten seconds. ``python -m tests.bench.replay_speed``

The curve is that of recordings/quillmarsh-12 (invented), drawn finer by straight lines and a little seeded noise.
"""

from __future__ import annotations

import json
import tempfile
import time
from pathlib import Path

import numpy as np

from monitor.replay import replay_recording
from monitor.sensing.senml import Decoder
from monitor.sources.recording import read_recording

_HERE = Path(__file__).parents[2] / "recordings"


def write_fine(folder: Path, every_s: float = 10.0) -> Path:
    """A recording of 72 h at ``every_s`` with core and ambient, and its batch file beside it."""
    decoder, series = Decoder(), {}
    for line in read_recording(_HERE / "quillmarsh-12.rec"):
        for reading in decoder.decode(line.data, line.arrival_s).readings:
            if reading.temperature_c is not None:
                series.setdefault(reading.probe, []).append((reading.time_s, reading.temperature_c))
    core, air = np.array(sorted(series["core"])), np.array(sorted(series["ambient"]))
    times = np.arange(core[0, 0], core[0, 0] + 72 * 3600.0, every_s)
    noise = np.random.default_rng(1).normal(0.0, 0.06, (2, times.size))
    shown = np.interp(times, *core.T) + noise[0], np.interp(times, *air.T) + noise[1]
    path = folder / "fine.rec"
    with path.open("w", encoding="ascii") as file:
        for time_s, core_c, air_c in zip(times, *np.round(shown, 3), strict=True):
            pack = [
                {"bn": "shed-2/", "bt": float(time_s), "bu": "Cel", "n": "core", "v": float(core_c)},
                {"n": "ambient", "v": float(air_c)},
            ]
            file.write(f"{time_s + 0.3:.3f}\t{json.dumps(pack)}\n")
    path.with_suffix(".toml").write_bytes((_HERE / "quillmarsh-12.toml").read_bytes())
    return path


def main() -> None:
    """Write, replay, print."""
    with tempfile.TemporaryDirectory() as folder:
        path = write_fine(Path(folder))
        began, began_cpu = time.perf_counter(), time.process_time()
        replay = replay_recording(path)
        wall_s, cpu_s = time.perf_counter() - began, time.process_time() - began_cpu
    print(f"{replay.lines} lines, {replay.readings} readings, 72 h: {wall_s:.1f} s wall, {cpu_s:.1f} s processor")


if __name__ == "__main__":
    main()
