"""Restores killed before every single deed and at random moments by the clock; simulated batches that are thinned."""

from __future__ import annotations

import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from monitor.journal.database import Journal
from monitor.sensing.senml import Decoder
from monitor.sources.batch_file import read_batch_file
from monitor.sources.recording import read_recording
from monitor.thinning import thin
from tests.faults.test_restore_killed import SEED, Scene
from tests.simulator.write import write_set
from tests.test_thinning import DAY_S, difference, judged, keep_backup

RANDOM_KILLS = 200
BATCHES = 24


def soak(arguments: list[str]) -> int:
    """``[RANDOM_KILLS [BATCHES]]``; prints the figures and returns how many promises were broken."""
    kills = int(arguments[0]) if arguments else RANDOM_KILLS
    count = int(arguments[1]) if len(arguments) > 1 else BATCHES
    return _restores(kills) + _thinned(count)


def _thinned(count: int) -> int:
    """Batches of both simulators, with faults, judged before and after thinning."""
    broken, looked_at, removed = 0, 0, 0
    with tempfile.TemporaryDirectory(prefix="emberpail-") as folder:
        for path in write_set(Path(folder), SEED, count, styles=("bucket", "column")):
            recorded = read_batch_file(path.with_suffix(".toml"))
            one, ends_s = recorded.batch, 0.0
            with Journal(path.with_suffix(".sqlite")) as journal:
                journal.add_batch(one)
                for entry in recorded.log:
                    journal.add_entry(one.name, entry)
                decoder = Decoder()
                for line in read_recording(path):
                    if line.note is None:
                        heard = decoder.decode(line.data, line.arrival_s).readings
                        journal.add_readings(each for each in heard if each.bucket == one.bucket)
                        ends_s = max(ends_s, line.arrival_s + 1.0)
                journal.end_batch(one.name, ends_s, ends_s, "filled")
                before = judged(journal, one.name)
                later_s = ends_s + 40 * DAY_S
                keep_backup(journal, Path(folder) / "stick", later_s)
                done = thin(journal, 30, later_s, pause_s=0.0)
                looked_at, removed = looked_at + done.looked_at, removed + done.removed
                differs = difference(before, judged(journal, one.name))
                if differs:
                    broken += 1
                    print(f"BROKEN {path.name}: {differs}")
    print(f"{count} simulated batches: {removed} of {looked_at} readings removed, {broken} judged otherwise")
    return broken


def _restores(kills: int) -> int:
    broken = 0
    for damaged in (False, True):
        with tempfile.TemporaryDirectory(prefix="emberpail-") as folder:
            scene = Scene(Path(folder), damaged=damaged)
            _, deeds = scene.restored(0)
            for kill_at in range(1, deeds + 1):
                broken += _broke(scene, kill_at, f"before deed {kill_at} of {deeds}")
            chance = random.Random(SEED)
            began = time.monotonic()
            scene.restored(0)
            whole_s = time.monotonic() - began
            died = 0
            for number in range(kills // 2):
                after_s = chance.uniform(0.0, whole_s)
                died += _killed_after(scene, after_s)
                broken += _check(scene, f"random kill {number} after {after_s:.3f} s")
            what = "damaged" if damaged else "sound"
            print(f"restore over a {what} journal: {deeds} kills by deed, {died} by the clock, {broken} broken so far")
    return broken


def _broke(scene: Scene, kill_at: int, where: str) -> int:
    scene.restored(kill_at)
    return _check(scene, where)


def _killed_after(scene: Scene, after_s: float) -> int:
    journal = scene._set()
    victim = subprocess.Popen(
        [sys.executable, "-m", "tests.faults.restore_victim", str(scene.backup), str(journal), "0"],
        stdout=subprocess.DEVNULL,
    )
    time.sleep(after_s)
    victim.kill()
    return int(victim.wait() == -9)


def _check(scene: Scene, where: str) -> int:
    try:
        scene.check(where)
    except Exception as error:  # told, and the next one is tried
        print(f"BROKEN {where}: {error!r}")
        return 1
    return 0
