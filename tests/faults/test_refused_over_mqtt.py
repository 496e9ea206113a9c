"""A disk that takes nothing in for an hour, behind a real broker that sends no more than twenty unacknowledged.

The batch is judged on all the same, nobody is told that it is silent, and when the disk is mended every reading is in
the journal once, at the time at which it came.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from monitor.domain import Reading
from monitor.journal.database import JournalError
from monitor.sources.mqtt import IN_FLIGHT_WINDOW
from tests.faults.good_batch import BUCKET, FROM_S, POURED_S, batch, log, shots
from tests.faults.sensor_rows import pack_of
from tests.faults.wires import MqttWire, Sent, Shed
from tests.sources.conftest import Broker, find_mosquitto, wait_until

pytestmark = pytest.mark.broker

MINUTE_S = 60.0
REFUSED_MIN = (40.0, 100.0)
HOURS = 2.0


class _Story:
    """The good batch on a wire, and a journal that refuses for an hour of it. ``stamp``: of each pack, 0 for none."""

    def __init__(self, folder: Path, broker: Broker, stamp: float | None) -> None:
        began_s = POURED_S + FROM_S - 60.0
        self.shed = Shed(folder, lambda hand: MqttWire(broker, hand), began_s, [(batch(), log())])
        self.stamp, self.refuses = stamp, False
        self.ages_s: list[float] = []  # of what was judged last, at each message that came while the disk refused
        journal = self.shed.bench.journal
        real = journal.transaction

        def transaction() -> Any:
            if self.refuses:
                raise JournalError("Journal: the disk is full.", again=True)
            return real()

        journal.transaction = transaction  # type: ignore[method-assign]

    def play(self) -> None:
        self.shed.play(self._sent(), POURED_S + HOURS * 60.0 * MINUTE_S + 70.0)

    def _sent(self) -> Iterator[Sent]:
        for shot in shots(HOURS, "core", "ambient"):
            refused = REFUSED_MIN[0] * MINUTE_S <= shot.since_s < REFUSED_MIN[1] * MINUTE_S
            yield shot.at_s + 0.5, self._refuse if refused else self._mend
            yield shot.at_s + 1.0, pack_of(shot, stamp=self.stamp)
            if refused:
                yield shot.at_s + 2.0, self._look

    def _refuse(self, _wire: MqttWire) -> None:
        self.refuses = True

    def _mend(self, wire: MqttWire) -> None:
        if self.refuses:
            self.refuses = False
            count = wire.delivered + len(self.ages_s) - IN_FLIGHT_WINDOW
            wait_until(lambda: self._is_drained(wire, count), 20.0, what="what the session held back")

    def _is_drained(self, wire: MqttWire, count: int) -> bool:
        """The watch works on meanwhile; every message that came while the disk refused has come by the session, too."""
        bench = self.shed.bench
        bench.until(bench.now_s + 0.02)
        return wire.delivered == count and wire.source.unacknowledged == 0

    def _look(self, wire: MqttWire) -> None:
        """The source has a moment to see that its window is full, as it does between two messages of a node."""
        if wire.source.unacknowledged >= IN_FLIGHT_WINDOW:
            wire.running.wait_says("judged as they come")
        newest_s, _ = self.shed.bench.watch.minders[batch().name].latest_c()["core"]
        self.ages_s.append(wire.source._clock.now() - newest_s)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    (tmp_path / "broker").mkdir()
    one = Broker(find_mosquitto(), tmp_path / "broker").start()
    yield one
    one.stop()


@pytest.mark.parametrize("stamp", [None, 0.0], ids=["with-times", "without-times"])
def test_an_hour_without_a_disk_is_judged_and_kept(broker: Broker, tmp_path: Path, stamp: float | None) -> None:
    """By the age of what was judged, the alarms, and the journal in the end."""
    story = _Story(tmp_path, broker, stamp)
    try:
        story.play()
        assert len(story.ages_s) == 120 and max(story.ages_s) < 100.0
        assert {str(event.values["kind"]) for event in story.shed.alarms()} <= {"watch_fault"}
        sent = shots(HOURS, "core", "ambient")
        for probe in ("core", "ambient"):
            kept = [one for one in story.shed.bench.desk.readings(BUCKET) if one.probe == probe]
            assert Counter(one.temperature_c for one in kept) == Counter(shot.c(probe) for shot in sent)
            off_s = [one.time_s - shot.at_s for one, shot in zip(sorted(kept, key=_time), sent, strict=True)]
            assert min(off_s) >= -0.01 and max(off_s) < 25.0  # nearer to its own message than to the next
        assert story.shed.bench.desk.counters().get(("wire", "sent_again"), 0) == 0
    finally:
        story.shed.end()


def _time(reading: Reading) -> float:
    return reading.time_s
