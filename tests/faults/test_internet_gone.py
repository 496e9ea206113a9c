"""The internet is gone for 72 hours: no phone can be reached from Saturday 3:00 to Tuesday 3:00.

The real watch, telling, reminders, drill, morning's word, outbox and postman; the clock is moved by hand, and the
phones do as they are bid.
"""

from __future__ import annotations

import gc
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.domain import Batch, LogEntry, Vessel
from monitor.journal.database import Journal
from monitor.phone.people import routes_of
from monitor.phone.postman import Postman
from monitor.untold import Untold
from monitor.watch_parts import people_of, sleeping_hours
from tests.faults.week_nodes import HOUR, MINUTE, Curve, pack
from tests.faults.week_world import RECIPE
from tests.helpers_watch import Bench, settings_with
from tests.phones_at_will import ACCEPTS, AWAY, PhonesAtWill

# Saturday 17 January 2026, 3:00 UTC, and Tuesday, 3:00.
GONE_S = 1768618800.0
BACK_S = GONE_S + 72 * HOUR
# Of two and a half days in which nothing can be told: some readings of a curve, and what waits to be told. The whole
# process of the tests is seen.
MOST_MORE_OBJECTS, MOST_GROWTH_BYTES = 6000, 8_000_000
ASH, BEN = "json://127.0.0.1/ash", "json://127.0.0.1/ben"


class Shed:
    """Two buckets, two people, and no internet."""

    def __init__(self, folder: Path) -> None:
        settings = settings_with("shed-1", "shed-2", people=[("Ash", ASH), ("Ben", BEN)])
        self.bench = Bench(folder, GONE_S, settings)
        people = people_of(settings)
        self.phones = PhonesAtWill(person_of={ASH: "Ash", BEN: "Ben"})
        self.journal = Journal(folder / "journal.sqlite")
        for journal in (self.journal, self.bench.journal, self.bench.desk):
            journal._db.execute("PRAGMA synchronous = OFF")  # the disk is not what is tried here
        self.phones.postman = self.postman = Postman(
            self.journal, routes_of(people), lambda: self.bench.now_s, sender=self.phones,
            asleep=sleeping_hours(settings, people), monotonic=lambda: self.bench.now_s,
        )  # fmt: skip
        self.untold = Untold(self.journal, settings, people)
        self.curve = Curve()
        self.batches: list[tuple[Batch, str]] = []  # and which curve
        self.quiet: tuple[float, float] = (0.0, 0.0)  # when shed-1 sends nothing
        self.sent: Counter[tuple[str, float]] = Counter()
        self.reach(AWAY)

    def reach(self, mode: str) -> None:
        """All phones are so from now on."""
        for url in (ASH, BEN):
            self.phones.set(url, mode, self.bench.now_s)
        self.phones.settle()

    def pour(self, bucket: str, kind: str) -> None:
        """A batch begins, blended and with its probe in."""
        now_s = self.bench.now_s
        batch = Batch(f"Invented {bucket}", bucket, now_s, RECIPE, Vessel(25.0, "bare"), 60 * HOUR)
        self.bench.begin(
            batch,
            LogEntry("poured", now_s, now_s, temperature_c=46.0),
            LogEntry("blended", now_s + 10 * MINUTE, now_s + 10 * MINUTE),
            LogEntry("probe-in", now_s + 13 * MINUTE, now_s + 13 * MINUTE),
        )
        self.batches.append((batch, kind))

    def until(self, to_s: float) -> None:
        """Time passes: each minute is judged, told and handed over; a reading comes every minute at first, later
        every five."""
        while self.bench.now_s < to_s:
            self.bench.until(self.bench.now_s + MINUTE)
            now_s = self.bench.now_s
            for batch, kind in self.batches:
                age_s = now_s - batch.started_s
                silent = batch.bucket == "shed-1" and self.quiet[0] <= now_s < self.quiet[1]
                if not silent and (age_s < 3 * HOUR or int(age_s // MINUTE) % 5 == 0):
                    line = pack(batch.bucket, now_s, self.curve.core(kind, age_s), self.curve.at("ambient", age_s))
                    self.bench.line(now_s, line)
                    self.sent[batch.bucket, now_s] += 1
            for delivery in self.postman.deliver_due(now_s, wait_s=0.0):
                self.untold.after(delivery, now_s)
            self.phones.settle()

    def kept(self) -> Counter[tuple[str, float]]:
        """How often each reading of the core stands in the journal."""
        return Counter(
            (bucket, one.time_s) for bucket in ("shed-1", "shed-2")
            for one in self.bench.journal.readings(bucket) if one.probe == "core"
        )  # fmt: skip

    def close(self) -> None:
        self.phones.let_go()
        self.journal.close()
        self.bench.close()


@pytest.fixture
def shed(tmp_path: Path) -> Iterator[Shed]:
    one = Shed(tmp_path)
    yield one
    one.close()


@pytest.mark.slow
def test_what_came_and_went_while_no_phone_could_be_reached_is_told_in_one_message(shed: Shed) -> None:
    """Saturday morning a batch is too hot for an hour, on Sunday its node is silent for two, and reminders and a drill
    are due; Tuesday at 2:00 another batch is poured, which is too hot when the internet comes back at 3:00."""
    shed.until(GONE_S + 5 * HOUR)
    shed.pour("shed-1", "hot")
    shed.quiet = (GONE_S + 33 * HOUR, GONE_S + 35 * HOUR)
    shed.until(GONE_S + 11 * HOUR)
    before = _memory()
    shed.until(BACK_S - HOUR)
    objects, resident = (now - then for now, then in zip(_memory(), before, strict=True))
    assert objects < MOST_MORE_OBJECTS, f"{objects} more objects after days without a phone"
    assert resident < MOST_GROWTH_BYTES, f"{resident} bytes more after days without a phone"
    shed.pour("shed-2", "hot")
    shed.until(BACK_S)
    assert not shed.phones.rang
    desk = shed.bench.desk
    over = [one for one in desk.alarms() if one.cleared_at_s is not None and one.bucket == "shed-1"]
    assert {one.kind for one in over} >= {"too_hot", "silent"}

    shed.reach(ACCEPTS)
    shed.until(BACK_S + 4.5 * HOUR)
    rang = shed.phones.rang
    shed.bench.until(shed.bench.now_s + 30.0)  # the next commit
    assert shed.kept() == shed.sent, "every reading in the journal once"

    # What stands and wakes rings both at once, as it is now; it had been rung for in vain, so its next turn may be due.
    first = {person: next(one for one in rang if one.person == person) for person in ("Ash", "Ben")}
    for one in first.values():
        assert one.letter.about == "shed-2/Invented shed-2/too_hot/1" and one.urgency == "now"
        assert one.at_s <= BACK_S + 5 * MINUTE
    # Nobody is rung at night for what is over; that shed-2 is well again is for those who have just been rung for it.
    night = [one for one in rang if one.at_s < BACK_S + 4 * HOUR - MINUTE]
    assert {one.letter.about for one in night} == {"shed-2/Invented shed-2/too_hot/1"}

    for person in ("Ash", "Ben"):
        told = [one for one in rang if one.person == person and one.letter.about.startswith("untold/")]
        assert len(told) == 1, [one.body for one in told]
        body = told[0].body
        assert told[0].urgency == "daylight"
        lines = [line for line in body.splitlines() if line.startswith("- ")]
        assert lines[0].startswith("- Sat 08:") and "shed-1" in lines[0] and "over since Sat 10:" in lines[0]
        assert "reminders" in lines[-1]
        silent = [place for place, line in enumerate(lines) if line.startswith("- Sun 12:") and "over since" in line]
        assert person == "Ben" or silent == [len(lines) - 2], "in order"
    # Nothing of it comes a second time by itself, and the drill of Sunday evening rings nobody on Tuesday.
    told_of = {one.letter.about for one in rang}
    assert not told_of & {alarm.alarm_id for alarm in over}
    assert not any(about.startswith("drill") for about in told_of)


def _memory() -> tuple[int, int]:
    """(objects that Python minds, resident bytes) of this process."""
    gc.collect()
    return len(gc.get_objects()), int(Path("/proc/self/statm").read_text().split()[1]) * 4096
