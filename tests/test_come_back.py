"""The outbox comes back to the disk: what waits there and was seen, or is over, meanwhile must not ring first."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.journal.aside import Aside
from monitor.journal.database import JournalError
from monitor.pipeline import Act
from monitor.telling import Teller
from monitor.watch_parts import people_of
from tests.helpers_watch import NIGHT_S, Bench, batch_in, entry, settings_with
from tests.journal.test_aside import Failing


@pytest.mark.parametrize("seen", [True, False])
def test_a_ring_for_what_was_seen_meanwhile_is_taken_back_as_the_disk_takes_the_outbox_again(
    tmp_path: Path, seen: bool
) -> None:
    """And not at the next tick: until then the postman would hand it over."""
    bench = Bench(tmp_path, NIGHT_S - 10.0, settings_with("shed-1", people=[("Ash", "print://")]), journal_type=Failing)
    batch = batch_in("shed-1", NIGHT_S - 300.0, noted_at_s=bench.now_s)
    disk, aside = bench.journal, Aside()
    assert isinstance(disk, Failing)
    bench.watch._aside = aside
    bench.watch._teller = Teller(aside.beside(disk), bench.settings, people_of(bench.settings))
    bench.begin(batch, entry("poured", NIGHT_S - 300.0, bench.now_s, temperature_c=50.0))
    bench.until(NIGHT_S)
    bench.mark(batch, entry("blended", NIGHT_S))
    bench.steady("shed-1", NIGHT_S + 2.0, NIGHT_S + 300.0, lambda at_s: 96.0 + at_s % 7 / 10)
    bench.until(NIGHT_S + 310.0)
    [alarm] = [one for one in bench.desk.alarms(standing_only=True) if one.kind == "too_hot"]
    hands_over = aside.beside(bench.desk, copies_late=False)
    assert alarm.alarm_id in {one.about for one in hands_over.due_messages(bench.now_s)}
    disk.reads = disk.writes = False
    with pytest.raises(JournalError):
        bench.watch._teller.journal.set_fact("x", 1)
    assert aside.in_use and hands_over.due_messages(bench.now_s) == []
    if seen:
        bench.watch.minders[batch.name].act(Act(alarm.alarm_id, "acknowledged", bench.now_s, who="Ash"))
    disk.reads = disk.writes = True
    bench.watch._commit()
    assert not aside.in_use
    assert (alarm.alarm_id in {one.about for one in hands_over.due_messages(bench.now_s)}) is not seen
    bench.close()
