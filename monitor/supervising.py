"""Who sees to it that every worker of the watch goes on: one that ended is started again, one that hangs is given up.

A thread of Python cannot be stopped from outside, so a hung one costs the whole process: it begins anew, and the
journal has all that it needs. Waiting for a cable, a broker or a phone service is no hanging: a worker shows by its
``age_s`` that it still turns round. The age of the data is another matter and has an alarm of its own.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, MutableMapping, Sequence
from dataclasses import dataclass, field

from monitor.words import tr

CHECK_EVERY_S = 5.0
# With a look every five seconds, a worker that hangs is noticed within 50 s.
HUNG_AFTER_S = 45.0
FIRST_WAIT_S = 1.0
LONGEST_WAIT_S = 30.0
# A worker that ran so long before it ended is started again at once.
STEADY_S = 600.0
# So many ends within an hour are trouble, though it runs again each time.
OFTEN = 3
OFTEN_WITHIN_S = 3600.0


@dataclass(slots=True)
class Work:
    """What one worker does.

    name    as people read it: "shed node", "page"
    body    does it until the event is set; None where somebody else's thread does it
    age_s   real seconds since it last turned round; 0 for what shows no sign
    over    whether an end now is as it should be (a recording that has been played)
    """

    name: str
    body: Callable[[threading.Event], None] | None
    age_s: Callable[[], float] = lambda: 0.0
    over: Callable[[], bool] = lambda: False


@dataclass(slots=True)
class _Worker:
    work: Work
    thread: threading.Thread | None = None
    began: float = 0.0  # monotonic
    wait_s: float = FIRST_WAIT_S
    again_at: float | None = None  # monotonic, while it is down
    ends: deque[float] = field(default_factory=deque)
    why: str = ""
    stop: threading.Event = field(default_factory=threading.Event)


class Supervisor:
    """Starts workers, looks at them every few seconds, starts again what ended.

    trouble   gets a sentence under "worker NAME" for what is down or ends often; it goes when that is over
    give_up   called with the names of workers that hang; it does not return in the running program
    alive     called at every look at which nothing hangs: feeds the watchdog of the system
    """

    def __init__(
        self,
        trouble: MutableMapping[str, str],
        give_up: Callable[[Sequence[str]], None],
        *,
        alive: Callable[[], None] = lambda: None,
        say: Callable[[str], None] = print,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._trouble, self._give_up, self._alive, self._say = trouble, give_up, alive, say
        self._monotonic = monotonic
        self._workers: list[_Worker] = []
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._looked_at = monotonic()
        self._spared_until = -1.0

    # ---- life ----

    def add(self, work: Work) -> None:
        """Take on a worker and start it."""
        worker = _Worker(work)
        if work.body is None:
            worker.began = self._monotonic()
        else:
            self._start(worker)
        self._workers.append(worker)

    def watch_over(self) -> None:
        """Look at the workers from now on, in a thread of its own."""
        self._looked_at = self._monotonic()
        self._thread = threading.Thread(target=self._run, name="supervisor", daemon=True)
        self._thread.start()

    @property
    def looks(self) -> bool:
        """Whether the supervisor itself is there and looks."""
        late_s = self._monotonic() - self._looked_at
        return self._thread is not None and self._thread.is_alive() and late_s < HUNG_AFTER_S

    def stop(self, names: Sequence[str] | None = None) -> None:
        """Tell these workers (None: all, and the supervisor) to end; they are not started again."""
        for worker in self._workers:
            if names is None or worker.work.name in names:
                worker.stop.set()
        if names is None:
            self._stop.set()

    def join(self, wait_s: float = 3.0, names: Sequence[str] | None = None) -> None:
        """Wait for the workers (None: for all) to end, together no longer than ``wait_s``."""
        until = self._monotonic() + wait_s
        for worker in self._workers:
            if worker.thread is not None and (names is None or worker.work.name in names):
                worker.thread.join(max(0.0, until - self._monotonic()))

    # ---- the look ----

    def look(self) -> None:
        """Once over all workers: start again what is due, give up when something hangs."""
        now = self._monotonic()
        # Stopped, asleep or starved: then nobody could turn round, and all get their time anew.
        if now - self._looked_at > 3.0 * CHECK_EVERY_S:
            self._spared_until = now + HUNG_AFTER_S
        self._looked_at = now
        hung = []
        for worker in self._workers:
            if self._is_down(worker, now):
                continue
            if now >= self._spared_until and min(worker.work.age_s(), now - worker.began) > HUNG_AFTER_S:
                hung.append(worker.work.name)
        if hung:
            self._give_up(hung)
        else:
            self._alive()

    def _run(self) -> None:
        while not self._stop.wait(CHECK_EVERY_S):
            try:
                self.look()
            except Exception as error:  # whoever looks after the others must not end by any of them
                self._trouble["worker supervisor"] = repr(error)

    def _is_down(self, worker: _Worker, now: float) -> bool:
        """See to a worker that has ended; whether it is down now."""
        part = f"worker {worker.work.name}"
        if worker.thread is None or worker.thread.is_alive():
            while worker.ends and now - worker.ends[0] > OFTEN_WITHIN_S:
                worker.ends.popleft()
            if len(worker.ends) < OFTEN:
                self._trouble.pop(part, None)
            return False
        if worker.work.over() or worker.stop.is_set():
            return True
        if worker.again_at is None:
            worker.ends.append(now)
            worker.wait_s = FIRST_WAIT_S if now - worker.began > STEADY_S else worker.wait_s
            worker.again_at = now + worker.wait_s
            worker.wait_s = min(2.0 * worker.wait_s, LONGEST_WAIT_S)
            self._say(tr("{name} has ended ({why}); it is started again.", name=worker.work.name, why=worker.why))
        if len(worker.ends) >= OFTEN:
            self._trouble[part] = tr(
                "{name} ends again and again ({why}); it is started anew each time.", name=worker.work.name,
                why=worker.why,
            )  # fmt: skip
        if now >= worker.again_at:
            self._start(worker)
        return True

    def _start(self, worker: _Worker) -> None:
        worker.again_at, worker.why = None, tr("without a word")
        worker.began = self._monotonic()
        worker.thread = threading.Thread(target=self._work, args=(worker,), name=worker.work.name, daemon=True)
        worker.thread.start()

    def _work(self, worker: _Worker) -> None:
        try:
            if worker.work.body is not None:
                worker.work.body(worker.stop)
        except Exception as error:
            worker.why = repr(error)
