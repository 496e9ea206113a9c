"""Wrong passphrases, counted by who tries and all together, and how long each then has to wait. Pure.

What is counted can be written down and taken up again after a restart. It is small whatever happens: a try that comes
before its time is not even counted, so an hour holds no more than some sixty that change anything.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Mapping

# Tries that cost nothing; after them each wrong one doubles the wait. Chosen so that a wet thumb is not punished, and
# that a list of a thousand words takes weeks.
FREE_TRIES = 5
FIRST_WAIT_S = 15.0
LONGEST_WAIT_S = 900.0
# A wrong try is forgiven after so long without another.
FORGIVEN_AFTER_S = 3600.0
# However many addresses they come from: so many wrong tries in an hour, then everybody waits who never was let in.
MOST_WRONG_AN_HOUR = 60
_MOST_REMEMBERED = 1000
_MOST_WRITTEN = 100


class Tries:
    """Counts. ``who`` is an address, or a phone that was let in before; ``trusted`` are those whom the tries of others
    do not concern.
    """

    def __init__(self, kept: object = None) -> None:
        """``kept`` is what ``written`` gave before a restart; anything else counts as nothing."""
        self._lock = threading.Lock()
        self._by_who: OrderedDict[str, tuple[int, float]] = OrderedDict()
        self._all: list[float] = []
        if isinstance(kept, Mapping):
            self._take_up(kept)

    def _take_up(self, kept: Mapping[str, object]) -> None:
        by_who, all_s = kept.get("by"), kept.get("all")
        if isinstance(by_who, Mapping):
            for who, pair in list(by_who.items())[:_MOST_WRITTEN]:
                if isinstance(pair, list) and len(pair) == 2 and all(map(_is_number, pair)):
                    self._by_who[str(who)] = max(0, min(int(pair[0]), 1000)), float(pair[1])
        if isinstance(all_s, list):
            self._all = [float(at_s) for at_s in all_s if _is_number(at_s)][-MOST_WRONG_AN_HOUR:]

    def written(self, now_s: float) -> dict[str, object]:
        """What is to be kept over a restart: some kilobytes at the most, and nothing that is forgiven."""
        with self._lock:
            fresh = {
                who: [count, round(last_s, 1)]
                for who, (count, last_s) in self._by_who.items()
                if 0.0 <= now_s - last_s < FORGIVEN_AFTER_S
            }
            newest = dict(list(fresh.items())[-_MOST_WRITTEN:])
            return {"by": newest, "all": [round(at_s, 1) for at_s in self._all[-MOST_WRONG_AN_HOUR:]]}

    def wait_s(self, who: str, now_s: float, *, trusted: bool = False) -> float:
        """How long this one has to wait before the next try, 0 when it may come now."""
        with self._lock:
            return self._wait_s(who, now_s, trusted)

    def _wait_s(self, who: str, now_s: float, trusted: bool) -> float:
        # A clock set back must not lock anybody out, so what lies ahead is dropped.
        self._all = [at_s for at_s in self._all if 0.0 <= now_s - at_s < FORGIVEN_AFTER_S]
        everybody_s = 0.0
        if not trusted and len(self._all) >= MOST_WRONG_AN_HOUR:
            everybody_s = self._all[0] + FORGIVEN_AFTER_S - now_s
        count, last_s = self._by_who.get(who, (0, now_s))
        if not 0.0 <= now_s - last_s < FORGIVEN_AFTER_S:
            count = 0
            self._by_who.pop(who, None)
        own_s = 0.0
        if count >= FREE_TRIES:
            # The exponent is bounded because a float's is.
            doubled_s = FIRST_WAIT_S * 2.0 ** min(count - FREE_TRIES, 20)
            own_s = last_s + min(LONGEST_WAIT_S, doubled_s) - now_s
        return max(0.0, own_s, min(LONGEST_WAIT_S, everybody_s))

    def begin(self, who: str, now_s: float, *, trusted: bool = False) -> bool:
        """Count a try as wrong until it proves right; False when it comes before its time."""
        with self._lock:
            if self._wait_s(who, now_s, trusted) > 0.0:
                return False
            count, _ = self._by_who.pop(who, (0, now_s))
            self._by_who[who] = count + 1, now_s
            # Those whom the others' tries do not concern do not hold up the others either.
            if not trusted:
                self._all.append(now_s)
            while len(self._by_who) > _MOST_REMEMBERED:
                self._by_who.popitem(last=False)
            return True

    def forgive(self, who: str, *, trusted: bool = False) -> bool:
        """It proved right. Whether anything but this one try was counted against them."""
        with self._lock:
            count, _ = self._by_who.pop(who, (0, 0.0))
            if self._all and not trusted:
                self._all.pop()
            return count > 1


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e12
