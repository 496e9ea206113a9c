"""The arrival clock: wall time when it was made, and from then on a clock that never steps back.

Small computers often have no clock that runs without power. They begin in the past and are told the time by the
network minutes or hours later. What is read until then is stamped by a clock that runs right but stands wrong, and is
moved as a whole once the right time is known (``correction_s``). Any other setting of the wall clock is not followed.
"""

from __future__ import annotations

import ctypes
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

# A wall clock before this has not been set: this program is younger.
CLOCK_IS_SET_S = datetime(2026, 1, 1, tzinfo=UTC).timestamp()
# A clock that stood wrong by less is left alone.
CORRECT_FROM_S = 60.0
# What a clock may still have to wait for before it counts as right.
PLAUSIBLE, SYNCHRONIZED = "plausible", "synchronized"

_SYNCHRONIZED_FILE = Path("/run/systemd/timesync/synchronized")
_TIME_ERROR = 5  # adjtimex(2): the clock is not synchronized


def since_boot_s() -> float:
    """Seconds since the computer started, those in which it slept included; nobody can set this clock."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


def this_boot() -> str:
    """An id of this start of the computer, "" where the system gives none (proc(5), random/boot_id)."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:
        return ""


def is_synchronized() -> bool:
    """Whether the system says that a time server has set its clock; False also where it cannot be told."""
    if _SYNCHRONIZED_FILE.exists():
        return True
    try:
        system = ctypes.CDLL(None, use_errno=True)
        # struct timex is at most 208 bytes (adjtimex(2)); all zero means: change nothing, only tell.
        return bool(0 <= system.adjtimex(ctypes.create_string_buffer(256)) < _TIME_ERROR)
    except (OSError, AttributeError):
        return False


@dataclass(frozen=True, slots=True)
class Kept:
    """What a watch leaves behind for the next one under the same start of the computer.

    boot      the id of that start
    ahead_s   arrival clock less ``since_boot_s``, so that the clock goes on where it was, whatever was set meanwhile
    from_s    arrival time at which the first watch since that start began
    waits     what the clock still waits for: "", ``PLAUSIBLE`` or ``SYNCHRONIZED``
    """

    boot: str
    ahead_s: float
    from_s: float
    waits: str

    @classmethod
    def read(cls, value: object) -> Kept | None:
        """Out of what ``as_dict`` gave; None where it is nothing of the kind."""
        if not isinstance(value, Mapping):
            return None
        boot, waits = value.get("boot"), value.get("waits")
        ahead_s, from_s = value.get("ahead_s"), value.get("from_s")
        if not (isinstance(boot, str) and isinstance(waits, str)):
            return None
        if not (isinstance(ahead_s, int | float) and isinstance(from_s, int | float)):
            return None
        return cls(boot, float(ahead_s), float(from_s), waits)

    def as_dict(self) -> dict[str, object]:
        """For the journal."""
        return {"boot": self.boot, "ahead_s": self.ahead_s, "from_s": self.from_s, "waits": self.waits}


class ArrivalClock:
    """Unix seconds that only go forward: what orders readings, ticks and log entries.

    ``not_before_s`` is the latest time the journal knows, so that a computer which starts without a set clock does
    not write into its own past; ``kept`` what the last watch left. ``speed`` lets the demo run a night in a minute.
    ``step_s()`` tells by how much the wall clock has been set since, which is written down; ``correction_s()`` by how
    much to go forward because the time has become known.
    """

    def __init__(
        self,
        not_before_s: float = 0.0,
        *,
        speed: float = 1.0,
        start_s: float | None = None,
        ahead_s: float | None = None,
        wall: Callable[[], float] = time.time,
        monotonic: Callable[[], float] = since_boot_s,
        kept: Kept | None = None,
        boot: str = "",
        synchronized: Callable[[], bool] = lambda: True,
    ) -> None:
        self.speed = speed
        self._wall, self._monotonic, self._boot, self._synchronized = wall, monotonic, boot, synchronized
        self._began = monotonic()
        self._wall_offset_s = 0.0
        wall_s = wall()
        goes_on = kept is not None and bool(boot) and kept.boot == boot and start_s is None
        if start_s is not None:
            self._start_s, self.waits = start_s, ""
        elif kept is not None and goes_on:
            self._start_s, self.waits = max(kept.ahead_s + self._began, not_before_s), kept.waits
        else:
            # After the last row, so that what comes now can be told from it.
            self._start_s = wall_s if wall_s > not_before_s else not_before_s + 0.001
            behind = wall_s < not_before_s or wall_s < CLOCK_IS_SET_S
            self.waits = PLAUSIBLE if behind else "" if synchronized() else SYNCHRONIZED
        self.from_s = kept.from_s if kept is not None and goes_on else self._start_s
        # By how much it was found to be ahead once the time was known; the next watch of this start finds it so again.
        known = goes_on and not self.waits and synchronized()
        self._fast_s = max(0.0, self._start_s - wall_s) if known else 0.0
        self._ahead_s, self._reached_s = ahead_s, self._start_s
        self.behind_s = max(0.0, not_before_s - wall_s) if start_s is None and not goes_on else 0.0

    def now(self) -> float:
        """The arrival clock's time, Unix seconds, to the millisecond (as a recording keeps it)."""
        running_s = self._start_s + self.speed * (self._monotonic() - self._began)
        return round(running_s if self._ahead_s is None else min(running_s, self._reached_s + self._ahead_s), 3)

    def reached(self, at_s: float) -> None:
        """The worker has got to ``at_s``. With ``ahead_s`` the clock runs no further than that ahead of it, so that a
        night in a minute does not outrun a slow computer."""
        self._reached_s = max(self._reached_s, at_s)

    def wall_ahead_s(self) -> float:
        """By how much the wall clock is ahead of this one; 0 within two seconds, and in a demo."""
        ahead_s = 0.0 if self.speed != 1.0 else self._wall() - self.now()
        return 0.0 if abs(ahead_s) < 2.0 else ahead_s

    def step_s(self) -> float:
        """How far the wall clock was set (or drifted) since the last call, seconds; 0 within two seconds."""
        if self.speed != 1.0:
            return 0.0
        offset_s = self._wall() - self.now() - self._wall_offset_s
        if abs(offset_s) < 2.0:
            return 0.0
        self._wall_offset_s += offset_s
        return round(offset_s, 3)

    def correction_s(self) -> float:
        """By how much all that was stamped since ``from_s`` has to move forward, now that the time is known; mostly 0.

        The time is known when the wall clock has been set from a past that cannot be to a time that can, or when it
        was unsure at the start and the system now calls it synchronized. Once only: later settings are not followed.
        Never back: what would have to move back stays as it is.
        """
        if not self.waits or self.speed != 1.0:
            return 0.0
        wall_s, now_s = self._wall(), self.now()
        known = self._synchronized()
        if not known and (self.waits == SYNCHRONIZED or wall_s < max(CLOCK_IS_SET_S, now_s + CORRECT_FROM_S)):
            return 0.0
        if wall_s - now_s >= CORRECT_FROM_S:
            return round(wall_s - now_s, 3)
        if known:
            self.waits, self._fast_s = "", max(0.0, now_s - wall_s)
        return 0.0

    def fast_s(self) -> float:
        """By how much this clock was found to be ahead of the time when that became known, seconds; mostly 0. It stays
        so (it never goes back), but for a wall clock that is set to it since.
        """
        is_so = self._fast_s >= CORRECT_FROM_S and self.now() - self._wall() >= CORRECT_FROM_S
        return self._fast_s if is_so else 0.0

    def set_right(self, shift_s: float) -> None:
        """Go forward by ``shift_s``; the time is known now."""
        self._start_s += shift_s
        self._reached_s += shift_s
        self.from_s += shift_s
        self._wall_offset_s = self._wall() - self.now()  # not a step to be told of once more
        self.waits = ""

    def kept(self) -> Kept:
        """What to leave for the next watch."""
        return Kept(self._boot, self._start_s - self._began, self.from_s, self.waits)


def arrival_clock(not_before_s: float, kept: object) -> ArrivalClock:
    """The clock of a watch that starts now; ``kept`` is what the journal holds of the last one's."""
    return ArrivalClock(not_before_s, kept=Kept.read(kept), boot=this_boot(), synchronized=is_synchronized)
