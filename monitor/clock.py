"""The arrival clock: wall time when it was made, and from then on a clock that never steps."""

from __future__ import annotations

import time
from collections.abc import Callable


class ArrivalClock:
    """Unix seconds that only go forward: what orders readings, ticks and log entries.

    ``not_before_s`` is the latest time the journal knows, so that a computer which starts without a set clock does
    not write into its own past. ``speed`` lets the demo run a night in a minute. ``step_s()`` tells by how much the
    wall clock has been set since, which is written down and never followed.
    """

    def __init__(
        self,
        not_before_s: float = 0.0,
        *,
        speed: float = 1.0,
        start_s: float | None = None,
        ahead_s: float | None = None,
        wall: Callable[[], float] = time.time,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self.speed = speed
        self._wall, self._monotonic = wall, monotonic
        self._began = monotonic()
        self._wall_offset_s = 0.0
        wall_s = wall()
        self._start_s = start_s if start_s is not None else max(wall_s, not_before_s)
        self._ahead_s, self._reached_s = ahead_s, self._start_s
        self.behind_s = max(0.0, not_before_s - wall_s) if start_s is None else 0.0

    def now(self) -> float:
        """The arrival clock's time, Unix seconds, to the millisecond (as a recording keeps it)."""
        running_s = self._start_s + self.speed * (self._monotonic() - self._began)
        return round(running_s if self._ahead_s is None else min(running_s, self._reached_s + self._ahead_s), 3)

    def reached(self, at_s: float) -> None:
        """The worker has got to ``at_s``. With ``ahead_s`` the clock runs no further than that ahead of it, so that a
        night in a minute does not outrun a slow computer."""
        self._reached_s = max(self._reached_s, at_s)

    def step_s(self) -> float:
        """How far the wall clock was set (or drifted) since the last call, seconds; 0 within two seconds."""
        if self.speed != 1.0:
            return 0.0
        offset_s = self._wall() - self.now() - self._wall_offset_s
        if abs(offset_s) < 2.0:
            return 0.0
        self._wall_offset_s += offset_s
        return round(offset_s, 3)
