"""The soak's short form: the same program, world and counts, for some minutes of simulated time."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.faults.week_nodes import HOUR, MINUTE
from tests.faults.week_world import START_S, Plan, Week
from tests.sources.conftest import Broker, find_mosquitto

CYCLES = 3


@pytest.mark.slow
def test_a_watch_that_loses_its_wires_again_and_again_leaks_nothing_and_loses_no_reading(tmp_path: Path) -> None:
    """Each cycle restarts the broker, pulls the cable and lets visitors come and go: files and threads are as many
    after the last as after the first, every reading sent is in the journal once, and the alarm that was due rang."""
    (tmp_path / "broker").mkdir()
    broker = Broker(find_mosquitto(), tmp_path / "broker", "max_queued_messages 0").start()
    # Six buckets that all begin within two minutes; the second is one of those whose core is too hot after 50 minutes.
    week = Week(tmp_path, broker, Plan(buckets=6, speed=240.0, period_s=12 * HOUR, batch_s=11 * HOUR, apart_s=MINUTE))
    try:
        week.begin()
        rests = []
        for _ in range(CYCLES):
            week.restart_the_broker(0.3)
            week.pull_the_cable(0.3)
            rests.append(week.at_rest())
        week.run_to(START_S + 58 * MINUTE)
        week.run_until(lambda: week.rang_for("b1: may boil over"), 30.0, "the phone to ring")
        week.end()
        for probe in ("core", "ambient"):
            lost, more, _ = week.account(probe)
            assert (lost, more, week.kept(probe).total()) == (0, 0, week.ledger.sent.total())
        assert rests[-1].open_files <= rests[0].open_files, rests
        assert rests[-1].lasting <= rests[0].lasting, rests
        # Two people, a route each, and one picture: more of those at the quietest moment would be left over.
        assert rests[-1].threads - rests[-1].lasting.total() <= 3, rests
        assert week.raised()["Invented b1 0", "too_hot"] == 1
        assert week.ended_with == 0
        assert week.visitors.asked and week.visitors.news and not week.visitors.refused
    finally:
        week.close()
        broker.stop()
