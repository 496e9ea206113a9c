"""No alarm is lost under outage, kill and late reply, and a long outage is summed up when it is over.

What must hold stands in ``outages``; ``python -m tests.faults.soak alarms`` does ten thousand.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from monitor.journal.database import Message
from monitor.judgement.escalation import CLEARED
from monitor.phone.postman import reference
from monitor.trade import reminders
from monitor.untold import PREFIX
from tests.alarmed import DAYLIGHT, NOW, WELL
from tests.faults.outages import Outages
from tests.phones_at_will import ACCEPTS, AWAY, HANGS, Rang
from tests.weeks_world import HOUR, MINUTE, PEOPLE, URLS


@pytest.mark.slow
def test_three_hundred_alarms_are_all_heard_of() -> None:
    """By one seed: outages of single routes and of all, kills in the middle of a hand-over, replies that come late."""
    # Outages of hours here; of days in the soak.
    world = Outages(seed=4, outage_hours=(1.0, 3.0))
    try:
        world.live(300)
        print(world.figures())
        assert not world.broken, "\n".join([world.figures(), *world.broken[:20]])
        # What never came about would have been no trial.
        assert world.kills > 5 and world.outages and world.late and world.doubles, world.figures()
    finally:
        world.close()


@pytest.fixture
def world() -> Iterator[Outages]:
    """Three buckets, at eight in the morning of a Saturday; nothing happens by itself."""
    one = Outages(seed=1, buckets=3)
    one.now_s += 8 * HOUR
    one.minded_since_s = one.changed_s = one.now_s
    yield one
    one.close()


def test_after_three_days_without_any_route_nothing_is_lost(world: Outages) -> None:
    """What still stands rings at once; what came and went is summed up, each once, and stale reminders are one line."""
    for number, url in enumerate(URLS):
        world.set_route(url, HANGS if number % 2 else AWAY)
    began_s = world.now_s
    for number in range(3):
        world.journal.add_messages([
            Message(
                f"{reminders.PREFIX}b/stir-{number}", "reminder", "Ada", PEOPLE[0].labels[0], f"shed-2: stir {number}",
                "Stir.", began_s + number, expires_s=began_s + HOUR,
            )
        ])  # fmt: skip
    _stands(world, "shed-1", "too_hot", NOW, hours=2)
    world.find("shed-2", "too_hot", NOW)
    world.pass_time(10 * MINUTE)
    _stands(world, "shed-3", "cooled_early", DAYLIGHT, hours=5)
    world.kill()
    world.pass_time(began_s + 72 * HOUR - world.now_s)
    assert not world.phones.rang, "nothing got out"
    assert len(world.journal.messages(open_only=True)) <= 40, "of what stands only the newest waits"

    world.keep_alarms()
    back_s = world.now_s
    for url in URLS:
        world.set_route(url, ACCEPTS)
    world.pass_time(10 * MINUTE)
    ringing = [one for one in world.phones.rang if one.letter.about == world.state("shed-2", "too_hot").alarm_id]
    for person in PEOPLE:
        # By each of a person's routes that had been given it while none worked, and no more.
        mine = [one for one in ringing if one.person == person.name]
        assert mine and mine[0].at_s - back_s <= 6 * MINUTE
        assert len({one.letter.message_id for one in mine}) == len(mine) <= len(person.routes) + 1
    summaries = [one for one in world.phones.rang if one.letter.about.startswith(PREFIX)]
    assert {one.person for one in summaries} >= {"Ada"}
    lines = _lines(summaries, "Ada")
    assert len([line for line in lines if "shed-1: may boil over; over since" in line]) == 1
    assert len([line for line in lines if "shed-3: " in line and "over since" in line]) == 1
    assert len([line for line in lines if "3 reminders, the last" in line]) == 1
    assert len(lines) == 3 and "shed-2" not in "".join(line for line in lines if "reminders" not in line)
    assert all(reference(one.letter.about) in one.body and "phone service" in one.body for one in summaries)
    assert not [one for one in world.phones.rang if one.letter.what.startswith(CLEARED)], "old good news"

    rung = len(world.phones.rang)
    world.kill()
    world.find("shed-2", "too_hot", WELL)
    world.pass_time(3 * HOUR)
    after = world.phones.rang[rung:]
    late_sleeper = [one for one in after if one.letter.about.startswith(PREFIX)]
    assert {one.person for one in late_sleeper} <= {"Ben"}, "summed up once"
    assert len([one for one in summaries + late_sleeper if one.person == "Ben"]) == 1
    assert not world.broken and not world.journal.messages(open_only=True)


def _stands(world: Outages, bucket: str, kind: str, found: str, *, hours: float) -> None:
    world.find(bucket, kind, found)
    world.pass_time(hours * HOUR)
    assert world.state(bucket, kind).stands
    world.find(bucket, kind, WELL)
    world.pass_time(HOUR)
    assert not world.state(bucket, kind).stands
    world.keep_alarms()


def _lines(summaries: list[Rang], person: str) -> list[str]:
    return [line for one in summaries if one.person == person for line in one.body.splitlines() if line[:2] == "- "]
