"""``python -m tests.faults.soak disk [STEP]``: every call of the disk in turn, each error, once and until it is mended.

STEP 10 takes each tenth call. Two processes share the work.
"""

from __future__ import annotations

import errno
import tempfile
import threading
from pathlib import Path
from queue import Empty, SimpleQueue

from tests.faults.disk_promises import broken, story
from tests.faults.disk_shim import KINDS
from tests.faults.test_disk import ERRORS

WORKERS = 2


def soak(arguments: list[str]) -> int:
    """Print what broke and the counts; return how many runs broke a promise."""
    step = int(arguments[0]) if arguments else 1
    faults: SimpleQueue[tuple[int, int, bool]] = SimpleQueue()
    counts: dict[str, int] = {"runs": 0, "broken": 0, **dict.fromkeys(KINDS.values(), 0)}
    lock = threading.Lock()

    def work(folder: Path) -> None:
        with story(folder) as tell:
            sound = tell()
            while True:
                try:
                    n, error, sticky = faults.get_nowait()
                except Empty:
                    return
                try:
                    found = tell(n, error, sticky=sticky, halves=n % 2 == 0)
                    wrong = broken(found, sound, sticky=sticky)
                    kind = KINDS[found["first"]]
                except AssertionError as crash:
                    wrong, kind = [str(crash)], "none"
                with lock:
                    counts["runs"] += 1
                    counts[kind] += 1
                    counts["broken"] += bool(wrong)
                    for one in wrong:
                        lasting = "until mended" if sticky else "once"
                        print(f"call {n}, {errno.errorcode[error]}, {lasting}: {one}", flush=True)

    with tempfile.TemporaryDirectory() as base:
        first = Path(base) / "first"
        first.mkdir()
        with story(first) as tell:
            calls = int(tell()["counted"])
        print(f"{calls} calls of the disk while it may fail", flush=True)
        for n in range(1, calls + 1, step):
            for error in ERRORS:
                for sticky in (False, True):
                    faults.put((n, error, sticky))
        threads = []
        for number in range(WORKERS):
            folder = Path(base) / str(number)
            folder.mkdir()
            threads.append(threading.Thread(target=work, args=(folder,)))
            threads[-1].start()
        for thread in threads:
            thread.join()
    print(", ".join(f"{what} {count}" for what, count in counts.items()), flush=True)
    return counts["broken"]
