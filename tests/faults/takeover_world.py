"""Two machines, one broker, one folder of copies: the one is killed under load, the other takes over, and so on.

A real mosquitto, a node behind it that numbers its packs, and a phone's service stand round two real programs with a
folder of their own each. Minutes pass in a third of a second. What must hold in the end (``Machines.broken``):

- every message that the broker took (its PUBACK to the sender) is in the journal of the machine that minds, once;
- nothing is in it that was not sent;
- every alarm was raised once, whichever machine raised it; and what the phones heard is in that journal: so many
  hand-overs more than messages as there were deaths at the most, each the very message that was in hand.
"""

from __future__ import annotations

import contextlib
import os
import random
import signal
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from monitor.domain import LogEntry
from monitor.journal.database import Journal
from monitor.phone.postman import reference
from tests.faults.killing import BUCKETS, SPEED, STAMPED, UNSTAMPED, Load, codes_in, told_text
from tests.faults.lives import Life, Womb
from tests.helpers_watch import batch_in
from tests.phone.receiver import Receiver
from tests.sources.conftest import Broker, Node, free_port, wait_until

SETTINGS = """
[place]
name = "Quillmarsh allotments (invented)"
time_zone = "UTC"
language = "en"
units = "metric"
[journal]
path = "journal.sqlite"
[watch.minds]
north = ["shed-*"]
south = ["s-*"]
[keep]
copy_to = "{copies}"
[reminders]
enabled = false
morning_at = ""
[drill]
day = ""
[heartbeat]
topic = "emberpail/watch"
[page]
port = {page}
[[source]]
kind = "mqtt"
name = "broker"
host = "127.0.0.1"
port = {broker}
[[person]]
name = "Ash"
routes = ["{route}"]
waking_hours = ["00:00", "23:59"]
"""
# Nothing new in the journal for so long: it is not coming any more.
_PATIENCE_S = 30.0
_SAME = ("--settings", "emberpail.toml", "--name", "north")


class Machines:
    """The two machines, and who of them minds."""

    def __init__(self, folder: Path, mosquitto: str, seed: int) -> None:
        self.random, self.seed, self.folder = random.Random(seed), seed, folder
        self.broken: list[str] = []
        self.deaths = self.born = 0
        for name in ("broker", "copies", "one", "two"):
            (folder / name).mkdir()
        self.broker = Broker(mosquitto, folder / "broker", "max_queued_messages 0").start()
        self.receiver = Receiver()
        for name in ("one", "two"):
            path = folder / name / "emberpail.toml"
            path.write_text(
                SETTINGS.format(
                    copies=folder / "copies", page=free_port(), broker=self.broker.port,
                    route=self.receiver.url("took/0.05"),
                )
            )  # fmt: skip
            path.chmod(0o600)
        self.wombs = {name: Womb(SPEED, folder / name) for name in ("one", "two")}
        self.mind = "one"
        with Journal(self.journal) as journal:
            self._begin(journal)
        self.node = Node(folder / "usb-node")  # the load sends on a cable, too, and nobody reads it here
        self.node.plug_in()
        self.life = self.start()
        self.minding()
        wait_until(lambda: "emberpail-north" in self.broker.log(), what="the broker to know the watch")
        time.sleep(0.5)  # its SUBSCRIBE follows at once
        self.load = Load(self.node, self.broker.port)

    @property
    def journal(self) -> Path:
        """The journal of the machine that minds."""
        return self.folder / self.mind / "journal-north.sqlite"

    def _begin(self, journal: Journal) -> None:
        now_s = time.time()
        for bucket in (UNSTAMPED, STAMPED):
            batch = replace(batch_in(bucket, now_s - 1500.0, noted_at_s=now_s), name=f"Invented {bucket}")
            journal.add_batch(batch)
            journal.add_entry(batch.name, LogEntry("poured", now_s - 1500.0, now_s, 50.0))
            journal.add_entry(batch.name, LogEntry("blended", now_s - 1080.0, now_s))

    # ---- lives -----------------------------------------------------------------------------------------------------

    def start(self) -> Life:
        """The watch of the machine that minds."""
        self.born += 1
        self.life = self.wombs[self.mind].bear(
            self.folder / f"life-{self.born:03d}.log", "watch", "--events", "events.jsonl", *_SAME
        )
        return self.life

    def minding(self) -> None:
        """Wait until it says that it minds."""
        life = self.life
        wait_until(lambda: "Minding" in life.said(), 60, what=f"the watch to start; it said {life.said()[-2000:]}")

    def take_over(self) -> None:
        """The other machine becomes the watch."""
        self.mind = "two" if self.mind == "one" else "one"
        self.born += 1
        done = self.wombs[self.mind].bear(self.folder / f"life-{self.born:03d}.log", "takeover", *_SAME)
        if done.wait(60) != 0:
            self.broken.append(f"death {self.deaths}: takeover failed: {done.said()[-2000:]}")
        self.start()

    def let_mind(self, least_s: float = 0.8, mean_s: float = 0.8, *, to_a_ring: bool = False) -> None:
        """Until its copy is whole, and some time longer; ``to_a_ring``: to a moment at which a phone is rung."""
        self.minding()
        copies = self.folder / "copies" / "journal-north"
        generation = max(copies.glob("holder-*.json")).stem.split("-")[1]
        wait_until(lambda: any(copies.glob(f"ready-{generation}-*")), 30, what="the copy to be whole")
        if not to_a_ring:
            time.sleep(least_s + self.random.expovariate(1 / mean_s))
            return
        rung, until = len(self.receiver.taken), time.monotonic() + 4.0
        while len(self.receiver.taken) == rung and time.monotonic() < until:
            time.sleep(0.005)
        time.sleep(self.random.uniform(0.0, 0.12))

    def die(self) -> None:
        """kill -9, whatever it is doing."""
        if self.life.end(signal.SIGKILL) != -signal.SIGKILL:
            self.broken.append(f"it had ended before it was killed: {self.life.said()[-2000:]}")
        self.deaths += 1
        if "Traceback" in self.life.said():
            self.broken.append(f"a traceback: {self.life.said()[-2000:]}")

    # ---- in the end ------------------------------------------------------------------------------------------------

    def finish(self) -> None:
        """All that was taken by the broker is waited for; then the watch is ended in order and everything counted."""
        self.minding()
        self.load.end()
        due = {bucket: set(codes) for bucket, codes in self.load.taken.items()}
        lost, until = self._missing(due), time.monotonic() + _PATIENCE_S
        while lost and time.monotonic() < until:
            time.sleep(0.1)
            before, lost = lost, self._missing(due)
            if lost != before:  # a busy machine takes its time, and goes on
                until = time.monotonic() + _PATIENCE_S
        if lost:
            self.broken.append(f"the broker took, and the journal has not: { {b: len(c) for b, c in lost.items()} }")
        time.sleep(1.0)
        if self.life.end(signal.SIGTERM) != 0:
            self.broken.append(f"it does not end in order: {self.life.said()[-2000:]}")
        self._count()

    def _missing(self, due: dict[str, set[float]]) -> dict[str, set[float]]:
        with Journal(self.journal, read_only=True) as journal:
            kept = codes_in(journal)
        return {bucket: codes - set(kept[bucket]) for bucket, codes in due.items() if codes - set(kept[bucket])}

    def _count(self) -> None:
        with Journal(self.journal) as journal:
            journal.check()
            kept = codes_in(journal)
            raised = Counter(
                str(event.values["alarm"]) for event in journal.events()
                if event.event == "alarm" and event.values["state"] == "raised"
            )  # fmt: skip
            texts = Counter(told_text(one.title, f"{one.body}\n[{reference(one.about)}]") for one in journal.messages())
        for bucket in BUCKETS:
            doubled = [code for code, times in kept[bucket].items() if times > 1]
            foreign = set(kept[bucket]) - self.load.sent[bucket]
            if doubled or foreign:
                self.broken.append(f"{bucket}: twice in the journal: {doubled[:5]}, never sent: {sorted(foreign)[:5]}")
        if not raised or any(times > 1 for times in raised.values()):
            self.broken.append(f"alarms that were raised: {raised}")
        came = Counter(told_text(one["title"], one["message"]) for one in self.receiver.taken)
        unknown = set(came) - set(texts)
        if unknown:
            self.broken.append(f"rung, and the journal knows nothing of it: {sorted(unknown)[:3]}")
        self.doubles = (came - texts).total()
        if self.doubles > self.deaths or not came:
            self.broken.append(f"{self.doubles} hand-overs too many after {self.deaths} deaths: {came - texts}")
        self.rung, self.alarms = came.total(), len(raised)

    def figures(self) -> str:
        """What was done and found, in a line."""
        taken = sum(len(codes) for codes in self.load.taken.values())
        return (
            f"seed {self.seed}: {self.deaths} deaths and take-overs under load; the broker took {taken} messages; "
            f"{self.alarms} alarms, {self.rung} messages on the phone, {self.doubles} of them heard twice because the "
            f"death cut the hand-over; broken: {len(self.broken)}"
        )

    def close(self) -> None:
        """Let everything go."""
        if hasattr(self, "load"):
            self.load.let_go()
        with contextlib.suppress(ProcessLookupError):
            os.kill(self.life.pid, signal.SIGKILL)
        for womb in self.wombs.values():
            womb.close()
        self.receiver.close()
        self.node.unplug()
        self.broker.stop()


@contextlib.contextmanager
def two_machines(folder: Path, mosquitto: str, seed: int) -> Iterator[Machines]:
    """Two machines for the length of a block."""
    machines = Machines(folder, mosquitto, seed)
    try:
        yield machines
    finally:
        machines.close()
