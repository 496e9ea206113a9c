"""The minders of a watch: by batch, by bucket, and in the order in which a tick judges them.

A thousand buckets share one worker. A reading finds its minder by the name of its bucket, however many there are, and
what may ring at this tick is judged before what only costs time.
"""

from __future__ import annotations

from collections.abc import Iterator, MutableMapping, Sequence

from monitor.domain import PASTE_PROBES
from monitor.pipeline import Minder

# So near its limit a paste may be over it at this tick.
NEAR_LIMIT_K = 8.0
# A minute of the quickest rise of a batch is less; more is a rise worth a look, or a probe that lies.
QUICK_RISE_K = 3.0


class Minded(MutableMapping[str, Minder]):
    """Minders by the name of their batch, as a dictionary; and those of one bucket without going through all."""

    def __init__(self) -> None:
        self._by_batch: dict[str, Minder] = {}
        self._by_bucket: dict[str, tuple[Minder, ...]] = {}

    def __getitem__(self, batch: str) -> Minder:
        return self._by_batch[batch]

    def __setitem__(self, batch: str, minder: Minder) -> None:
        if batch in self._by_batch:
            self._leave_bucket(self._by_batch[batch])
        self._by_batch[batch] = minder
        bucket = minder.batch.bucket
        self._by_bucket[bucket] = (*self._by_bucket.get(bucket, ()), minder)

    def __delitem__(self, batch: str) -> None:
        self._leave_bucket(self._by_batch.pop(batch))

    def __iter__(self) -> Iterator[str]:
        return iter(self._by_batch)

    def __len__(self) -> int:
        return len(self._by_batch)

    def of_bucket(self, bucket: str) -> Sequence[Minder]:
        """Those that mind a batch in this bucket: one as a rule, none, or two where a batch was not ended."""
        return self._by_bucket.get(bucket, ())

    def _leave_bucket(self, gone: Minder) -> None:
        bucket = gone.batch.bucket
        left = tuple(minder for minder in self._by_bucket.get(bucket, ()) if minder is not gone)
        if left:
            self._by_bucket[bucket] = left
        else:
            self._by_bucket.pop(bucket, None)

    def in_order(self, tick_s: float) -> list[Minder]:
        """All of them, those first that may ring at this tick; among equals those that are judged in no time."""
        return sorted(self._by_batch.values(), key=lambda minder: (urgency(minder), minder.is_costly(tick_s)))


def urgency(minder: Minder) -> int:
    """How soon a bucket's turn comes at a tick; 0 is first.

    An alarm with a delay can be raised only where its criterion held at the tick before; one without (a faulty probe,
    silence) shows in the raw readings, or in their absence. So whatever rings is among the first four, but for a fault
    that is seen only in looking back; the rest costs its refit after those have been handed over.
    """
    states = list(minder.alarms.values())
    waiting = {state.kind for state in states if not state.stands and state.standing_since_s is not None}
    newest = [reading for reading in minder.unjudged() if reading.probe in PASTE_PROBES]
    hot_c = minder.place.too_hot_c - NEAR_LIMIT_K
    if "too_hot" in waiting or any((reading.temperature_c or 0.0) >= hot_c for reading in newest):
        return 0
    if waiting:
        return 1
    if not newest or any(reading.temperature_c is None for reading in minder.unjudged()) or minder.doubts_a_probe():
        return 2
    known = minder.latest_c()
    if any(
        reading.probe in known and abs((reading.temperature_c or 0.0) - known[reading.probe][1]) > QUICK_RISE_K
        for reading in newest
    ):
        return 3
    return 4 if any(state.stands for state in states) else 5
