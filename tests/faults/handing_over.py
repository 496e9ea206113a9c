"""Two hundred buckets in one watch, of which many go too hot at once, and phones of which one is slow and one is dead.

The whole program but for the page, by the clock of the day; a reading of each bucket every ten seconds is handed in as
a source does. Some of them go too hot in one minute, and a few more in each minute after it. Who is rung first has
three routes: one that takes a message at once, one that answers after eight seconds, one that never answers. The second
and the third join where an alarm is not answered, while new alarms come.

Counted from the nominal time of the tick that raised the alarm (a whole minute) to its first message at the service.
"""

from __future__ import annotations

import random
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from monitor.clock import ArrivalClock
from monitor.domain import LogEntry
from monitor.journal.database import Journal
from monitor.phone.postman import reference
from monitor.running import Running
from monitor.settings import Person, ReminderSettings, Settings, SiteSettings
from monitor.sources.line import Line, Origin
from monitor.toml_tables import Secret
from tests.helpers_watch import StillSource, batch_in, pack
from tests.phone.receiver import receiving

# The promise: 99 in 100 alarms are with the phone's service this soon after the tick.
MOST_P99_S = 5.0
ROUTES = "ok,took/8,hang"
_EVERY_S = 10.0
_MORE_A_MINUTE = 5


@dataclass(frozen=True, slots=True)
class HandedOver:
    """Seconds from the tick: of each tick's work, and of each alarm's first message by route and at any of them."""

    alarms: int
    ticks_s: list[float]
    by_route_s: dict[str, list[float]]
    anywhere_s: list[float]

    @property
    def untold(self) -> int:
        """Alarms of which no phone got any message."""
        return self.alarms - len(self.anywhere_s)


def handed_over(
    folder: Path, *, buckets: int, burst: int, minutes: int, routes: str = ROUTES, seed: int = 1, enough: int = 0
) -> HandedOver:
    """Let it run for so many minutes of the clock, or until a phone has got ``enough`` messages; which buckets go too
    hot is drawn by ``seed``.
    """
    order = random.Random(seed).sample(range(buckets), buckets)
    with receiving() as receiver:
        secrets = tuple(Secret(receiver.url(f"{path}/{n}")) for n, path in enumerate(routes.split(",")))
        settings = Settings(
            site=SiteSettings(time_zone="UTC"), people=(Person("Ash", secrets), Person("Ben", secrets[:1])),
            reminders=ReminderSettings(enabled=False),
        )  # fmt: skip
        journal = Journal(folder / "journal.sqlite")
        clock, stop, ticks = ArrivalClock(), threading.Event(), []
        now_s = clock.now()
        for number in range(buckets):
            batch = batch_in(f"shed-{number}", now_s - 1500.0, noted_at_s=now_s)
            journal.add_batch(batch)
            journal.add_entry(batch.name, LogEntry("poured", now_s - 1500.0, now_s, 50.0))
            journal.add_entry(batch.name, LogEntry("blended", now_s - 1080.0, now_s))
        running = Running(
            settings, journal, clock, [StillSource()], serve_page=False, say=lambda words: None,
            on_tick=lambda watch, tick_s: ticks.append(clock.now() - tick_s),
        )  # fmt: skip
        rank = {bucket: place for place, bucket in enumerate(order)}
        feeder = threading.Thread(target=_feed, args=(running.watch.deliver, clock, stop, rank, burst), daemon=True)
        watching = threading.Thread(target=running.run, args=(stop,), daemon=True)
        feeder.start()
        watching.start()
        until = time.monotonic() + 60.0 * minutes + 15.0
        while time.monotonic() < until and not (enough and len(receiver.taken) >= enough):
            time.sleep(0.5)
        stop.set()
        watching.join(30)
        running.close()
        offset_s = clock.now() - time.monotonic()
        raised = {
            str(event.values["alarm"]): event.at_s for event in journal.events()
            if event.event == "alarm" and event.values["state"] == "raised" and event.values["kind"] == "too_hot"
        }  # fmt: skip
        journal.close()
        paths = dict.fromkeys(str(one["path"]) for one in receiver.taken)
        by_route = {path: _first(receiver.taken, path, raised, offset_s) for path in paths}
        return HandedOver(len(raised), ticks, by_route, _first(receiver.taken, None, raised, offset_s))


def said(what: str, seconds: list[float]) -> str:
    """A line of figures."""
    if not seconds:
        return f"  {what}: none"
    p50, p99 = np.quantile(seconds, [0.5, 0.99])
    return f"  {what}: n {len(seconds)}, p50 {p50:.2f}, p99 {p99:.2f}, max {max(seconds):.2f}"


def p99_s(found: HandedOver) -> float:
    """The figure of the promise; infinite where not even one alarm was told."""
    return float(np.quantile(found.anywhere_s, 0.99)) if found.anywhere_s else float("inf")


def _feed(
    deliver: Callable[[Line], None], clock: ArrivalClock, stop: threading.Event, rank: dict[int, int], burst: int
) -> None:
    began_s, number, buckets = clock.now(), 0, len(rank)
    while not stop.wait(_EVERY_S / buckets):
        now_s, bucket = clock.now(), number % buckets
        place = rank[bucket]
        hot_from_min = 1 if place < burst else 2 + (place - burst) // _MORE_A_MINUTE
        core_c = 97.0 if now_s - began_s >= 60.0 * hot_from_min else 72.0
        wiggle_c = (number // buckets) % 5 / 16
        deliver(Line(now_s, pack(f"shed-{bucket}", core_c + wiggle_c), Origin("serial", "wire")))
        number += 1


def _first(taken: list[dict[str, object]], path: str | None, raised: dict[str, float], offset_s: float) -> list[float]:
    """By alarm: when its first message came, after its tick, s."""
    found = []
    for alarm_id, at_s in raised.items():
        mine = [
            float(str(one["at"])) + offset_s for one in taken
            if path in (None, one["path"]) and str(one["message"]).rstrip().endswith(f"[{reference(alarm_id)}]")
        ]  # fmt: skip
        found += [min(mine) - at_s] if mine else []
    return found
