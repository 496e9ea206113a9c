"""A watch with its phones on a disk that fails: ``python -m tests.faults.disk_world`` is run under the shim.

Reads one JSON object a line (a fault), and answers each with one (what came of it). Every fault has a process of its
own, forked from this one, so that nothing of one is left in the next. Time is cranked by hand: a real ``Running``, its
watch and its postman, are turned once a simulated second; only the hands that give a message to a phone are threads.

The story: a batch is poured at 18:00 and heats well; two minutes later the core goes to 97 °C and stays there, so that
``too_hot`` is due some minutes on. Lines come by a serial port and, acknowledged, by a broker.
"""

from __future__ import annotations

import json
import os
import shutil
import sys
import tempfile
import traceback
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from monitor.clock import ArrivalClock
from monitor.domain import Reading
from monitor.journal.database import Journal, JournalError
from monitor.phone.routes import Outcome, label
from monitor.running import Running
from monitor.sources.line import Line, Origin
from monitor.sources.recording import Recording
from tests.faults.disk_shim import CONTROL, PREFIX, Shim
from tests.helpers_watch import NIGHT_S, StillSource, batch_in, entry, pack, settings_with

MINUTE_S = 60.0
ROUTES = {"phone://ash": "Ash", "phone://wren": "Wren"}
# From the pour, seconds: when the shim is armed, when the sticky fault is lifted, and when all must be in order again.
ARMED_S, LIFTED_S, OVER_S = 30, 360, 450
LINE_EVERY_S = 10


@dataclass
class Phones:
    """They take everything and write down when, what and by which letter."""

    now: Any
    running: Running | None = None
    rang: list[dict[str, Any]] = field(default_factory=list)

    def __call__(self, url: str, title: str, body: str, **_: object) -> Outcome:
        assert self.running is not None
        man = self.running._postman
        with man._change:
            letter = man._lanes[ROUTES[url], label(url)].handling
        self.rang.append({
            "at_s": self.now() - NIGHT_S, "message_id": letter.message_id, "about": letter.about, "body": body,
        })  # fmt: skip
        return Outcome(True, False, "took it")


def curve_c(at_s: float) -> float:
    """The core, by seconds from the pour."""
    return 40.0 + at_s / 10.0 if at_s < 120 else 97.0 + (at_s // 5 % 3) / 10.0


class World:
    """One telling of the story in a folder of its own."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.now_s = folder, NIGHT_S
        self.settings = settings_with("shed-1", people=[(name, url) for url, name in ROUTES.items()])
        with Journal(folder / "journal.sqlite") as desk:
            batch = batch_in("shed-1", NIGHT_S - 60.0)
            desk.add_batch(batch)
            desk.add_entry(batch.name, entry("poured", NIGHT_S))
            desk.add_entry(batch.name, entry("blended", NIGHT_S))
        self.journal = Journal(folder / "journal.sqlite")
        self.clock = ArrivalClock(
            start_s=NIGHT_S, monotonic=lambda: self.now_s - NIGHT_S, wall=lambda: self.now_s
        )
        self.sources = [StillSource("wire"), StillSource("broker")]
        self.phones = Phones(self.clock.now)
        self.said: list[str] = []
        self.running = self.phones.running = Running(
            self.settings, self.journal, self.clock, self.sources, record=folder / "kept.rec",
            events_file=folder / "events.jsonl", serve_page=False, say=self.said.append,
        )  # fmt: skip
        self.running._postman._sender = self.phones
        self.watch = self.running.watch
        self.sent: list[bytes] = []
        self.readings: list[Reading] = []
        self.acked: dict[float, int] = {}
        self.unkept: list[float] = []  # acknowledged, and not in the journal at that moment
        self.running._supervisor.watch_over()
        self.watch._open()
        self.other = Journal(folder / "journal.sqlite", read_only=True)  # what another process finds

    def second(self) -> None:
        """One second goes by."""
        self.now_s += 1.0
        age = int(self.now_s - NIGHT_S)
        if age % LINE_EVERY_S == 0:
            self._line(age)
        watch = self.watch
        for _ in range(1000):
            if watch._lines.empty() and watch._wait_s() > 0.0 and not watch._commit_is_due():
                break
            watch.step()
        for _ in range(2):
            try:
                self.running.deliver_now()
                break
            except JournalError:
                continue

    def _line(self, age: int) -> None:
        at_s = NIGHT_S + age
        wired = (age // LINE_EVERY_S) % 2 == 0
        probe = "core" if wired else "wall"
        data = pack("shed-1", curve_c(age) - (0.0 if wired else 4.0), at_s, probe)
        self.sent.append(data)
        origin = Origin("serial", "wire") if wired else Origin("mqtt", "broker", "emberpail/n/readings")
        self.watch.deliver(Line(self.clock.now(), data, origin, ack=None if wired else lambda: self._acked(at_s)))

    def _acked(self, at_s: float) -> None:
        self.acked[at_s] = self.acked.get(at_s, 0) + 1
        there = self.other._row("SELECT 1 FROM readings WHERE time_s = ?", (at_s,))
        if there is None:
            self.unkept.append(at_s)

    def facts(self) -> dict[str, Any]:
        """What is left when it is over."""
        self.watch._close()
        self.running.close()
        self.journal.close()
        self.other.close()
        with Journal(self.folder / "journal.sqlite") as after:
            sound = after.check()
            kept = [(one.probe, one.time_s, one.temperature_c) for one in after.readings("shed-1")]
            outbox = after.messages()
            events = [(e.event, e.at_s, e.values.get("kind"), e.values.get("state")) for e in after.events()]
            alarms = [(one.alarm_id, one.state) for one in after.alarms()]
        recording = Recording(self.folder / "kept.rec")
        recorded = [line.data for line in recording if line.note is None]
        printed = (self.folder / "events.jsonl").read_text(encoding="utf-8").splitlines()
        return {
            "sound": sound, "kept": kept, "sent": [one.decode() for one in self.sent], "alarms": alarms,
            "outbox": [(one.message_id, one.state) for one in outbox], "events": events, "printed": len(printed),
            "recorded": [one.decode() for one in recorded], "recording_faults": recording.faults,
            "acked": sorted(self.acked.items()), "unkept": self.unkept, "rang": self.phones.rang,
            "trouble": dict(self.watch.trouble), "said": self.said,
            "raised": [at_s - NIGHT_S for _, at_s, kind, state in events if (kind, state) == ("too_hot", "raised")],
        }  # fmt: skip


def tell(fault: dict[str, Any], shim: Shim, folder: Path) -> dict[str, Any]:
    """The story once, with this fault: n (0: none), errno, sticky, halves."""
    shim.clear()
    shim["no_sync"] = 1
    world = World(folder)
    struck_s = None
    for age in range(1, OVER_S + 1):
        if age == ARMED_S:
            shim.arm(fault["n"], fault["errno"], sticky=fault["sticky"], halves=fault.get("halves", False))
        if age == LIFTED_S:
            counted = shim["counted"]
            shim.lift()
        world.second()
        if struck_s is None and shim["failed"]:
            struck_s = age
    facts = world.facts()
    return {**facts, "counted": counted, "struck_s": struck_s, "failed": shim["failed"], "first": shim["first"]}


def main() -> None:
    """Serve faults until the input ends."""
    shim = Shim(os.environ[CONTROL])
    base = Path(os.environ[PREFIX]).parent
    for line in sys.stdin:
        reader, writer = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(reader)
            try:
                folder = Path(tempfile.mkdtemp(prefix=Path(os.environ[PREFIX]).name, dir=base))
                answer = tell(json.loads(line), shim, folder)
                shutil.rmtree(folder)
            except BaseException:
                answer = {"crashed": traceback.format_exc()}
            with os.fdopen(writer, "w") as out:
                json.dump(answer, out)
            os._exit(0)
        os.close(writer)
        with os.fdopen(reader) as answered:
            text = answered.read()
        os.waitpid(child, 0)
        print(text or json.dumps({"crashed": "the process died without a word"}), flush=True)


if __name__ == "__main__":
    main()
