"""Seven days with twenty buckets: ``python -m tests.faults.soak week [--days 7] [--buckets 20] [--speed 200]``.

The program runs in a process of its own, 200 times as fast: nodes on a broker and on a cable, batches begun and ended,
every day a broker that restarts and a cable that is pulled, phones, and pages that are open. Held in the end: every
reading sent is in the journal once; memory, threads and file handles have not grown; what was due rang. SIGTERM ends
it sooner, with what can be said by then.
"""

from __future__ import annotations

import argparse
import signal
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from statistics import median

from tests.faults.week_nodes import HOUR
from tests.faults.week_world import KINDS, START_S, Plan, Sample, Week
from tests.sources.conftest import Broker, find_mosquitto

DAY = 24 * HOUR
# What each kind of batch must ring for.
DUE = {"hot": "too_hot", "open": "sensor_fault", "not taken": "not_taken"}
MOST_GROWTH = 0.02


def soak(arguments: Sequence[str]) -> int:
    """Run the days, print the figures, return how many promises were broken."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=float, default=7.0)
    parser.add_argument("--buckets", type=int, default=20)
    parser.add_argument("--speed", type=float, default=200.0)
    args = parser.parse_args(list(arguments))
    with tempfile.TemporaryDirectory(prefix="soak-") as name:
        folder = Path(name)
        (folder / "broker").mkdir()
        broker = Broker(find_mosquitto(), folder / "broker", "max_queued_messages 0").start()
        week = Week(folder, broker, Plan(args.buckets, args.speed))
        try:
            return _days(week, args.days)
        finally:
            week.close()
            broker.stop()


def _days(week: Week, days: float) -> int:
    began = time.monotonic()
    enough = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: enough.set())
    hours: list[Sample] = []
    rests: list[Sample] = []
    week.begin()
    end_s = START_S + days * DAY
    next_hour_s, next_broker_s, next_cable_s, next_rest_s = (
        START_S + HOUR, START_S + 9 * HOUR, START_S + 15 * HOUR, START_S + 21 * HOUR
    )  # fmt: skip
    while week.now() < end_s and not enough.is_set():
        week.step()
        now_s = week.now()
        if now_s >= next_hour_s:
            hours.append(week.sample())
            next_hour_s += HOUR
        if now_s >= next_broker_s:
            week.restart_the_broker(1.0)
            next_broker_s += DAY
        if now_s >= next_cable_s:
            week.pull_the_cable(2.0)
            next_cable_s += DAY
        if now_s >= next_rest_s:
            rests.append(week.at_rest())
            next_rest_s += DAY
            print(_line(week, rests[-1], began), flush=True)
    hours.append(week.sample())
    lasted = (week.now() - START_S) / DAY
    print(f"{lasted:.2f} days of {week.plan.buckets} buckets in {time.monotonic() - began:.0f} s", flush=True)
    week.end()
    return _judge(week, hours, rests, lasted)


def _line(week: Week, rest: Sample, began: float) -> str:
    return (
        f"day {(rest.at_s - START_S) / DAY:4.1f} after {time.monotonic() - began:5.0f} s: "
        f"{rest.resident_kb / 1024:6.1f} MiB, {rest.files} files, {rest.threads} threads and {rest.pooled} of pools, "
        f"{rest.written_bytes / 1e6:.0f} MB written, {sum(week.ledger.sent.values())} packs sent, "
        f"{len(week.receiver.taken)} messages, page asked {week.visitors.asked} times, {week.visitors.news} news"
    )


def growth(hours: Sequence[Sample]) -> float:
    """By which part the memory has grown from the day after the warm-up to the last day.

    Warm is the program after one period of batches: from then on batches of every age are minded at any time.
    """
    warm_s = START_S + 56 * HOUR
    first = [one.resident_kb for one in hours if warm_s <= one.at_s < warm_s + DAY]
    last = [one.resident_kb for one in hours if one.at_s >= hours[-1].at_s - DAY]
    return median(last) / median(first) - 1.0


def _judge(week: Week, hours: Sequence[Sample], rests: Sequence[Sample], days: float) -> int:
    broken = []
    for probe in ("core", "ambient"):
        lost, more, placed = week.account(probe)
        print(
            f"{probe}: {week.ledger.sent.total()} readings sent, {week.kept(probe).total()} in the journal, {placed} "
            "of them at their arrival"
        )
        if lost or more:
            broken.append(f"{probe}: {lost} lost, {more} too many")
    raised = week.raised()
    by_kind = dict(Counter(kind for _, kind in raised.elements()))
    print(f"alarms raised: {by_kind}; messages: {len(week.receiver.taken)}")
    for event in week.desk.events():
        if event.event == "alarm" and event.values["kind"] == "watch_fault":
            print(f"  {(event.at_s - START_S) / DAY:.3f} d {event.values['state']}: {event.values['says']}")
    for name, kind in week.kinds.items():
        old_enough = (name, 25 * HOUR) in week.noted
        if kind in DUE and old_enough and not raised[name, DUE[kind]]:
            broken.append(f"{name} ({kind}): no {DUE[kind]}")
        wrong = {one for batch, one in raised if batch == name} & {"too_hot", "not_taken"} - {DUE.get(kind)}
        if wrong:
            broken.append(f"{name} ({kind}): {wrong} was not due")
    if week.ended_with != 0:
        broken.append(f"the program ended with {week.ended_with}")
    if week.visitors.refused:
        broken.append(f"{week.visitors.refused} pages were not served")
    print(f"files at rest: {[one.files for one in rests]}; threads: {[one.threads for one in rests]}")
    for what, found in (("files", [one.files for one in rests]), ("threads", [one.threads for one in rests])):
        if len(rests) > 1 and max(found[1:]) > found[0]:
            broken.append(f"{what} grow: {found}")
    if days >= 4.4:
        grown = growth(hours)
        print(f"memory after the warm-up: {grown:+.2%}; peak {max(one.resident_kb for one in hours) / 1024:.1f} MiB")
        if grown > MOST_GROWTH:
            broken.append(f"memory grew by {grown:.2%}")
    written = hours[-1].written_bytes / days
    print(f"written: {written / 1e6:.0f} MB a simulated day (commits come by real seconds: no figure for a card)")
    for one in broken:
        print(f"BROKEN: {one}")
    return len(broken)


assert set(DUE) < set(KINDS)
