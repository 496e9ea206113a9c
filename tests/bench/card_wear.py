"""What a day of watching writes to the card: ``python -m tests.bench.card_wear [--probes 12] [--every 5] [--hours 6]``

The real watch, journal and telling on a clock cranked by hand, two probes a bucket and a batch in each. Bytes are the
kernel's own count of what this process has given to the disk (``/proc/self/io``, write_bytes: whole pages of 4096
bytes, the file system's own journal not among them), so the folder must lie on a real disk, not in memory.
``--mqtt`` lets all lines wait for their acknowledgement as a broker's do; ``--record`` adds a recording.
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
from pathlib import Path

import numpy as np

from monitor.sensing.senml import Decoder
from monitor.sources.line import Origin
from monitor.sources.recording import read_recording
from tests.helpers_watch import NIGHT_S, RECORDINGS, Bench, StillSource, batch_in, entry, settings_with

DAY_S = 86400.0


def written_bytes() -> int:
    """What this process has had the disk write so far."""
    for line in Path("/proc/self/io").read_text(encoding="ascii").splitlines():
        if line.startswith("write_bytes:"):
            return int(line.split()[1])
    raise RuntimeError("this kernel does not count what a process writes")


def good_night() -> tuple[list[float], list[float], list[float]]:
    """Seconds from the pour, core and air of the good batch of the recorded night."""
    at_s, core_c, air_c = [], [], []
    decoder = Decoder()
    for line in read_recording(RECORDINGS / "night-shed-1.rec"):
        readings = {one.probe: one for one in decoder.decode(line.data, line.arrival_s).readings}
        core, air = readings.get("core"), readings.get("ambient")
        if core is not None and air is not None and core.temperature_c is not None and air.temperature_c is not None:
            at_s.append(core.time_s - NIGHT_S)
            core_c.append(core.temperature_c)
            air_c.append(air.temperature_c)
    return at_s, core_c, air_c


def lines_of(second: int, buckets: int, night: tuple[list[float], list[float], list[float]]) -> list[bytes]:
    """A pack of two probes for each bucket, to the sixteenth of a degree that a usual converter gives."""
    at_s, core_c, air_c = night
    core, air = float(np.interp(second, at_s, core_c)), float(np.interp(second, at_s, air_c))
    packs = []
    for bucket in range(buckets):
        packs.append(json.dumps([
            {"bn": f"b{bucket}/", "bt": NIGHT_S + second, "bu": "Cel", "n": "core", "v": round(16 * core) / 16},
            {"n": "ambient", "v": round(16 * air + second % 2) / 16},
        ], separators=(",", ":")).encode())  # fmt: skip
    return packs


def _parts(data: bytes) -> list[bytes]:
    base, other = json.loads(data)
    common = {key: base.pop(key) for key in ("bn", "bt", "bu")}
    return [json.dumps([{**common, **one}], separators=(",", ":")).encode() for one in (base, other)]


def measure(
    folder: Path, probes: int, every_s: int, hours: float, *, mqtt: bool, record: bool, apart: bool
) -> dict[str, float]:
    """Megabytes a day, commits a day and bytes a commit, from the second hour on."""
    buckets = probes // 2
    names = [f"b{bucket}" for bucket in range(buckets)]
    bench = Bench(folder, NIGHT_S, settings_with(*names, people=[("Ash", "print://")]), [StillSource()])
    if not record:
        bench.watch._recorder, bench.watch._record_path = None, None
    for name in names:
        batch = batch_in(name, NIGHT_S)
        bench.begin(batch, entry("poured", NIGHT_S, temperature_c=46.0), entry("blended", NIGHT_S + 600.0))
        bench.mark(batch, entry("probe-in", NIGHT_S + 780.0))
    commits, night = 0, good_night()
    commit = bench.watch._commit

    def counted(*arguments: object) -> None:
        nonlocal commits
        commits += 1
        commit(*arguments)  # type: ignore[arg-type]

    bench.watch._commit = counted  # type: ignore[method-assign]
    origin = Origin("mqtt", "wire", "emberpail/n/readings") if mqtt else Origin("serial", "wire")
    from_s, began, before = min(3600, int(hours * 1800)), 0, 0
    for second in range(0, int(hours * 3600), every_s):
        if not before and second >= from_s:
            began, before, commits = second, written_bytes(), 0
        for data in lines_of(second, buckets, night):
            for part in _parts(data) if apart else [data]:
                bench.line(NIGHT_S + second + 0.3, part, origin, ack=mqtt)
    span_s = hours * 3600 - began
    given = written_bytes() - before
    alarms = bench.desk.alarms()
    bench.close()
    size = (folder / "journal.sqlite").stat().st_size
    return {
        "MB a day": given / 1e6 * DAY_S / span_s, "commits a day": commits * DAY_S / span_s,
        "kB a commit": given / 1e3 / commits, "MB of journal": size / 1e6, "alarms": len(alarms),
    }  # fmt: skip


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--probes", type=int, default=12)
    parser.add_argument("--every", type=int, default=5)
    parser.add_argument("--hours", type=float, default=6.0)
    parser.add_argument("--mqtt", action="store_true")
    parser.add_argument("--record", action="store_true")
    parser.add_argument("--apart", action="store_true", help="a message of its own for each probe")
    parser.add_argument("--folder", type=Path, help="on the disk to be measured")
    args = parser.parse_args()
    began = time.monotonic()
    with tempfile.TemporaryDirectory(dir=args.folder) as folder:
        found = measure(
            Path(folder), args.probes, args.every, args.hours, mqtt=args.mqtt, record=args.record,
            apart=args.apart,
        )  # fmt: skip
    for what, figure in found.items():
        print(f"{args.probes} probes at {args.every} s, {what:<14} {figure:10.1f}")
    print(f"took {time.monotonic() - began:.0f} s")


if __name__ == "__main__":
    main()
