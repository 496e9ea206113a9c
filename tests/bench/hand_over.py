"""How soon an alarm is with the phone's service: ``python -m tests.bench.hand_over [--buckets 200] [--minutes 6]``.

The whole program but for the page, by the clock of the day: 200 buckets in one watch, a reading of each every ten
seconds that is handed in as a source does. Thirty of them go too hot in one minute, and a few more in each minute after
it. Who is rung first has three routes: one that takes a message at once, one that answers after eight seconds, one that
never answers. The second and the third join where an alarm is not answered, while new alarms come.

Counted from the nominal time of the tick that raised the alarm (a whole minute) to its first message at the service.
"""

from __future__ import annotations

import argparse
import tempfile
import threading
import time
from collections.abc import Callable
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

_EVERY_S = 10.0
_MORE_A_MINUTE = 5


def main() -> None:
    """Run, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--buckets", type=int, default=200)
    parser.add_argument("--burst", type=int, default=30)
    parser.add_argument("--minutes", type=int, default=6)
    parser.add_argument("--order", default="ok,took/8,hang", help="the routes, first to last")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="hand-over-") as folder, receiving() as receiver:
        routes = tuple(Secret(receiver.url(f"{path}/{n}")) for n, path in enumerate(args.order.split(",")))
        settings = Settings(
            site=SiteSettings(time_zone="UTC"), people=(Person("Ash", routes), Person("Ben", routes[:1])),
            reminders=ReminderSettings(enabled=False),
        )  # fmt: skip
        journal = Journal(Path(folder) / "journal.sqlite")
        clock, stop, ticks = ArrivalClock(), threading.Event(), []
        now_s = clock.now()
        for number in range(args.buckets):
            batch = batch_in(f"shed-{number}", now_s - 1500.0, noted_at_s=now_s)
            journal.add_batch(batch)
            journal.add_entry(batch.name, LogEntry("poured", now_s - 1500.0, now_s, 50.0))
            journal.add_entry(batch.name, LogEntry("blended", now_s - 1080.0, now_s))
        running = Running(
            settings, journal, clock, [StillSource()], serve_page=False, say=lambda words: None,
            on_tick=lambda watch, tick_s: ticks.append(clock.now() - tick_s),
        )  # fmt: skip
        feeder = threading.Thread(target=_feed, args=(running.watch.deliver, clock, stop, args), daemon=True)
        feeder.start()
        watching = threading.Thread(target=running.run, args=(stop,), daemon=True)
        watching.start()
        time.sleep(60.0 * args.minutes + 15.0)
        stop.set()
        watching.join(30)
        running.close()
        offset_s = clock.now() - time.monotonic()
        raised = {
            str(event.values["alarm"]): event.at_s for event in journal.events()
            if event.event == "alarm" and event.values["state"] == "raised" and event.values["kind"] == "too_hot"
        }  # fmt: skip
        journal.close()
        print(f"{args.buckets} buckets, {len(raised)} alarms, routes {args.order}; seconds from the tick")
        _say("a tick's work, alarms committed and told", ticks)
        for path in dict.fromkeys(one["path"] for one in receiver.taken):
            first = _first(receiver.taken, path, raised, offset_s)
            _say(f"first message of an alarm at {path}", first)
        anywhere = _first(receiver.taken, None, raised, offset_s)
        _say("first message of an alarm anywhere", anywhere)
        print(f"alarms without any message: {len(raised) - len(anywhere)}")


def _feed(
    deliver: Callable[[Line], None], clock: ArrivalClock, stop: threading.Event, args: argparse.Namespace
) -> None:
    began_s, number = clock.now(), 0
    while not stop.wait(_EVERY_S / args.buckets):
        now_s, bucket = clock.now(), number % args.buckets
        hot_from_min = 1 if bucket < args.burst else 2 + (bucket - args.burst) // _MORE_A_MINUTE
        core_c = 97.0 if now_s - began_s >= 60.0 * hot_from_min else 72.0
        wiggle_c = (number // args.buckets) % 5 / 16
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


def _say(what: str, seconds: list[float]) -> None:
    if seconds:
        p50, p99 = np.quantile(seconds, [0.5, 0.99])
        print(f"  {what}: n {len(seconds)}, p50 {p50:.2f}, p99 {p99:.2f}, max {max(seconds):.2f}")


if __name__ == "__main__":
    main()
