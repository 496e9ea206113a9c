"""The long form of the restore's kill test: killed before every single deed, and at random moments by the clock."""

from __future__ import annotations

import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.faults.test_restore_killed import SEED, Scene

RANDOM_KILLS = 200


def soak(arguments: list[str]) -> int:
    """``[RANDOM_KILLS]``; prints the figures and returns how many promises were broken."""
    kills = int(arguments[0]) if arguments else RANDOM_KILLS
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
