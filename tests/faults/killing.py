"""kill -9 at seeded random moments under load, with a ledger of what was sent.

A real mosquitto, a node on a pseudo-terminal and a phone's service stand round the real program. Each life of it ends
by SIGKILL; what it left behind is looked at in a copy, so that the next life does the mending itself.

What must hold (``Killing.broken`` gathers what does not):

- every message that the broker took (its PUBACK to the sender) is in the journal in the end, once;
- a reading of the cable that was once seen in the journal stays there, once; so does every one that was sent while the
  program listened and more than its commit interval before its end (that is the loss window). A line on the cable
  while nobody listens is in nobody's hands: it is not counted;
- nothing is in the journal that was not sent;
- after each kill the file is sound (``PRAGMA integrity_check`` and the foreign keys, ``Journal.check``);
- each alarm's raising is one event and one alarm of the journal, the events file has it once, and it has been handed
  over to the phone, or is in the summary of what was not told; within one life no message is handed over twice, and
  none again of which the journal says "sent".
"""

from __future__ import annotations

import contextlib
import json
import os
import random
import shutil
import signal
import threading
import time
from collections import Counter
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from monitor.domain import LogEntry
from monitor.journal.database import Journal, JournalError
from monitor.phone.postman import reference
from monitor.untold import PREFIX as UNTOLD
from monitor.watch import COMMIT_EVERY_S
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
[reminders]
enabled = false
morning_at = ""
[drill]
day = ""
[page]
port = {page}
[[source]]
kind = "serial"
name = "cable"
port = "{port}"
[[source]]
kind = "mqtt"
name = "broker"
host = "127.0.0.1"
port = {broker}
client_id = "kill"
[[person]]
name = "Ash"
routes = ["{route}"]
waking_hours = ["00:00", "23:59"]
"""
# Three minutes pass in a second: alarms come, ring again and are over within some lives.
SPEED = 180.0
EVERY_S = 0.03
# Of the cable shed-1, a good blend; of the broker shed-2 and shed-3, too hot, the one without times and the other with.
SERIAL, UNSTAMPED, STAMPED = "shed-1", "shed-2", "shed-3"
BUCKETS = (SERIAL, UNSTAMPED, STAMPED)
# So many kills, and all batches end and new ones begin.
GENERATION = 5
# Its name has the letters of its arguments, and each has its own place in a log of the lives.
_WATCH = ("watch", "--record", "kept.rec", "--events", "events.jsonl", "--settings", "emberpail.toml")


def coded(bucket: str, number: int, core_c: float, time_s: float | None = None) -> bytes:
    """A pack whose air temperature is its number: no two are alike, whatever their time."""
    base: dict[str, object] = {} if time_s is None else {"bt": time_s}
    records = [
        base | {"n": f"{bucket}/core", "u": "Cel", "v": core_c},
        {"n": f"{bucket}/ambient", "u": "Cel", "v": _code(number)},
    ]
    return json.dumps(records, separators=(",", ":")).encode()


def _code(number: int) -> float:
    return round(5.0 + number / 10000.0, 4)


class Load:
    """A node on the cable and one behind the broker, sending all the time. ``taken`` holds by bucket the codes of
    what the broker acknowledged, ``sent`` those of all that was sent, ``sent_at`` when (monotonic) the cable's were.
    """

    def __init__(self, node: Node, broker_port: int) -> None:
        self.sent: dict[str, set[float]] = {bucket: set() for bucket in BUCKETS}
        self.taken: dict[str, set[float]] = {UNSTAMPED: set(), STAMPED: set()}
        self.sent_at: list[tuple[float, float]] = []
        self._node = node
        os.set_blocking(node.master, False)
        self._under_way: list[tuple[paho.MQTTMessageInfo, str, float]] = []
        self._client = paho.Client(CallbackAPIVersion.VERSION2, client_id="node", clean_session=False)
        self._client.max_queued_messages_set(0)
        self._client.connect("127.0.0.1", broker_port)
        self._client.loop_start()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _note_taken(self) -> bool:
        """Move what the broker has acknowledged into the ledger; whether nothing is under way any more."""
        left = []
        for told, bucket, code in self._under_way:
            if told.is_published():
                self.taken[bucket].add(code)
            else:
                left.append((told, bucket, code))
        self._under_way = left
        return not left

    def _run(self) -> None:
        number = 0
        while not self._stop.wait(EVERY_S):
            number += 1
            for bucket, at_s in ((UNSTAMPED, None), (STAMPED, round(time.time(), 3))):
                self.sent[bucket].add(_code(number))
                told = self._client.publish(
                    "emberpail/shed/readings", coded(bucket, number, 96.0 + number % 7 / 16, at_s), qos=1
                )
                self._under_way.append((told, bucket, _code(number)))
            self._note_taken()
            line = coded(SERIAL, number, 70.0 + number % 5 / 16) + b"\n"
            self.sent[SERIAL].add(_code(number))
            self.sent_at.append((time.monotonic(), _code(number)))
            with contextlib.suppress(BlockingIOError):  # nobody reads, and the cable is full
                os.write(self._node.master, line)  # perhaps a part of it: a cut line

    def end(self) -> None:
        """Stop sending, and wait until the broker has taken all."""
        self._stop.set()
        self._thread.join(10)
        wait_until(self._note_taken, 30, what="the broker to take the last messages")
        self._client.disconnect()
        self._client.loop_stop()

    def let_go(self) -> None:
        """Stop sending, whatever is under way."""
        self._stop.set()
        self._client.loop_stop()


@dataclass
class Left:
    """What a journal holds, as far as it is counted here."""

    codes: dict[str, Counter[float]] = field(default_factory=dict)
    raised: Counter[str] = field(default_factory=Counter)  # events, by alarm id
    alarms: set[str] = field(default_factory=set)
    cleared: set[str] = field(default_factory=set)
    events: Counter[str] = field(default_factory=Counter)
    messages: dict[str, tuple[str, str, str]] = field(default_factory=dict)  # id -> about, text, state
    raised_at_s: dict[str, float] = field(default_factory=dict)
    tick_s: float = 0.0


class Killing:
    """The program's surroundings, and one life after the other."""

    def __init__(self, folder: Path, mosquitto: str, seed: int) -> None:
        self.folder, self.random, self.seed = folder, random.Random(seed), seed
        self.broken: list[str] = []
        self.kills = self.born = self.cold = self.early = self.cut = self.heard = self.doubles = 0
        self.seen: set[float] = set()  # codes of the cable that were once in the journal
        (folder / "broker").mkdir()
        self.broker = Broker(mosquitto, folder / "broker", "max_queued_messages 0").start()
        self.node = Node(folder / "usb-node")
        self.node.plug_in()
        self.receiver = Receiver()
        path = folder / "emberpail.toml"
        path.write_text(
            SETTINGS.format(
                page=free_port(), port=self.node.link, broker=self.broker.port, route=self.receiver.url("took/0.1")
            )
        )
        path.chmod(0o600)
        with Journal(folder / "journal.sqlite") as journal:
            self._begin(journal, time.time())
        self.womb = Womb(SPEED, folder)
        self.life: Life | None = None
        self._be_known_to_the_broker()
        self.load = Load(self.node, self.broker.port)
        self.last = self._look()

    def _be_known_to_the_broker(self) -> None:
        """What a broker takes before anybody has subscribed it keeps for nobody."""
        life = self.start()
        path = self.folder / "broker" / "mosquitto.log"
        wait_until(lambda: "as kill" in path.read_text(errors="replace"), 60, what=f"the first life; {life.said()}")
        time.sleep(0.5)  # its SUBSCRIBE follows at once
        assert life.end(signal.SIGTERM) == 0, life.said()

    # ---- lives -----------------------------------------------------------------------------------------------------

    def start(self, *, cold: bool = False) -> Life:
        """Begin a life; ``cold``: as a grower starts it, with all its loading."""
        log = self.folder / f"life-{self.born:04d}.log"
        self.born += 1
        self.cold += cold
        self.life = Life.cold(log, self.folder, *_WATCH) if cold else self.womb.bear(log, *_WATCH)
        return self.life

    def minding(self, life: Life) -> None:
        """Wait until it says that it minds."""
        wait_until(lambda: "Minding" in life.said(), 60, what=f"the watch to start; it said {life.said()[-2000:]}")

    def kill_once(self, *, cold: bool = False, long: bool = False) -> None:
        """One life, and its end at a random moment: a third of them while it starts, some while a message is with the
        phone's service; ``long``: well past a commit that only the time brings.
        """
        life = self.start(cold=cold)
        if not long and self.random.random() < 0.3:
            self.early += 1
            time.sleep(self.random.uniform(0.0, 0.9 if cold else 0.25))
        else:
            self.minding(life)
            if self.kills and self.kills % GENERATION == 0:
                self._new_batches()
            began = time.monotonic()
            if not long and self.random.random() < 0.25:
                self._wait_for_a_ring(0.8)
                time.sleep(self.random.uniform(0.0, 0.12))
            else:
                time.sleep(COMMIT_EVERY_S + 2.0 if long else self.random.expovariate(1 / 0.35))
            if long:
                self._keeps_its_window(began + 0.5, time.monotonic() - COMMIT_EVERY_S - 0.5)
        if life.end(signal.SIGKILL) != -signal.SIGKILL:
            self._breaks(f"it had ended before it was killed; it said {life.said()[-2000:]}")
        self.kills += 1
        if "Traceback" in life.said():
            self._breaks(f"a traceback: {life.said()[-2000:]}")
        self.look()

    def _wait_for_a_ring(self, patience_s: float) -> None:
        rung, until = len(self.receiver.taken), time.monotonic() + patience_s
        while len(self.receiver.taken) == rung and time.monotonic() < until:
            time.sleep(0.005)

    def _keeps_its_window(self, from_s: float, to_s: float) -> None:
        """What came over the cable while it listened, and longer ago than the loss window, is on the disk."""
        due = {code for at_s, code in self.load.sent_at if from_s <= at_s <= to_s}
        with Journal(self.folder / "journal.sqlite", read_only=True) as journal:
            kept = set(codes_in(journal)[SERIAL])
        if not due or due - kept:
            self._breaks(f"of {len(due)} lines of the cable past the loss window {len(due - kept)} are not kept")

    def _new_batches(self) -> None:
        """Somebody ends all batches and begins new ones, while the watch runs."""
        with Journal(self.folder / "journal.sqlite") as journal:
            now_s = max(journal.last_arrival_s() or 0.0, journal.fact("last_tick_s") or 0.0, time.time())
            for batch in journal.running_batches():
                journal.end_batch(batch.name, now_s, now_s, "filled")
            self._begin(journal, now_s)

    def _begin(self, journal: Journal, now_s: float) -> None:
        for bucket in BUCKETS:
            batch = batch_in(bucket, now_s - 1500.0, noted_at_s=now_s)
            batch = replace(batch, name=f"{batch.name} {self.kills}")
            journal.add_batch(batch)
            journal.add_entry(batch.name, LogEntry("poured", now_s - 1500.0, now_s, 50.0))
            journal.add_entry(batch.name, LogEntry("blended", now_s - 1080.0, now_s))

    # ---- looks -----------------------------------------------------------------------------------------------------

    def look(self) -> None:
        """After a kill: what is there, and what came of it since the last look."""
        before, rung_before = self.last, self.heard
        try:
            now = self._look()
        except (JournalError, OSError) as error:
            self._breaks(f"the journal is not sound: {error}")
            return
        self.last = now
        for bucket in BUCKETS:
            doubled = [code for code, times in now.codes[bucket].items() if times > 1]
            foreign = set(now.codes[bucket]) - self.load.sent[bucket]
            if doubled or foreign:
                self._breaks(f"{bucket}: twice in the journal: {doubled[:5]}, never sent: {sorted(foreign)[:5]}")
        lost = self.seen - set(now.codes[SERIAL])
        self.seen |= set(now.codes[SERIAL])
        if lost:
            self._breaks(f"of the cable, once in the journal and now not: {sorted(lost)[:5]}")
        gone = set(before.raised) - set(now.raised) | (before.alarms - now.alarms) | (
            set(before.messages) - set(now.messages)
        )  # fmt: skip
        if gone:
            self._breaks(f"alarms or messages that were in the journal and are not: {sorted(gone)[:5]}")
        if any(times > 1 for times in now.raised.values()) or set(now.raised) - now.alarms:
            extra = now.raised - Counter(now.alarms)
            self._breaks(f"events of alarms that came twice, or alarms without a state: {extra}")
        rung = self.receiver.taken[rung_before:]
        self.heard = rung_before + len(rung)
        self._phones(before, now, rung)

    def _phones(self, before: Left, now: Left, rung: list[dict[str, Any]]) -> None:
        """Of the messages with one text no more came in this life than were open at its start or written in it."""
        open_ones = Counter(
            text for message_id, (_, text, _) in now.messages.items()
            if before.messages.get(message_id, ("", "", "waiting"))[2] != "sent"
        )  # fmt: skip
        sent_now = Counter(
            text for message_id, (_, text, state) in now.messages.items()
            if state == "sent" and before.messages.get(message_id, ("", "", ""))[2] != "sent"
        )  # fmt: skip
        came = Counter(told_text(one["title"], one["message"]) for one in rung)
        if came - open_ones:
            self._breaks(f"handed over twice within a life, or again after it was sent: {came - open_ones}")
        if sent_now - came:
            self._breaks(f"said to be sent, and the phone has not got it: {sent_now - came}")
        self.cut += (came - sent_now).total()

    def _look(self) -> Left:
        copy = self.folder / "copy"
        shutil.rmtree(copy, ignore_errors=True)
        copy.mkdir()
        for name in ("journal.sqlite", "journal.sqlite-wal"):
            if (self.folder / name).exists():
                shutil.copy(self.folder / name, copy / name)
        with Journal(copy / "journal.sqlite") as journal:
            journal.check()
            left = Left(codes_in(journal), tick_s=journal.fact("last_tick_s") or 0.0)
            left.alarms = {alarm.alarm_id for alarm in journal.alarms()}
            for (line,) in journal._rows("SELECT line FROM events"):
                left.events[line] += 1
            for event in journal.events():
                if event.event == "alarm":
                    alarm_id = str(event.values["alarm"])
                    if event.values["state"] == "raised":
                        left.raised[alarm_id] += 1
                        left.raised_at_s[alarm_id] = event.at_s
                    else:
                        left.cleared.add(alarm_id)
            for one in journal.messages():
                left.messages[one.message_id] = (
                    one.about, told_text(one.title, f"{one.body}\n[{reference(one.about)}]"), one.state
                )  # fmt: skip
        return left

    # ---- in the end ------------------------------------------------------------------------------------------------

    def finish(self) -> None:
        """A last life that is not killed: it takes in all that waits, tells all that is due, and is ended in order."""
        self.load.end()
        life = self.start()
        self.minding(life)
        due = {bucket: set(codes) for bucket, codes in self.load.taken.items()}

        def missing() -> dict[str, set[float]]:
            with Journal(self.folder / "journal.sqlite", read_only=True) as journal:
                kept = codes_in(journal)
            return {bucket: codes - set(kept[bucket]) for bucket, codes in due.items() if codes - set(kept[bucket])}

        until = time.monotonic() + 60.0
        while (lost := missing()) and time.monotonic() < until:
            time.sleep(0.1)
        if lost:
            self._breaks(f"the broker took, and the journal has not: { {b: len(c) for b, c in lost.items()} }")
        time.sleep(3.0)  # nine minutes of its clock: whatever is due is written
        until = time.monotonic() + 40.0
        while self._waits_for_long() and time.monotonic() < until:
            time.sleep(0.2)
        if life.end(signal.SIGTERM) != 0 or "Nothing is minded now" not in life.said():
            self._breaks(f"it does not end in order; it said {life.said()[-2000:]}")
        self.look()
        self._alarms_reached_the_phone()
        self._events_file()

    def _waits_for_long(self) -> bool:
        """Whether a message is still to be handed over that was written some minutes (of the fast clock) ago."""
        with Journal(self.folder / "journal.sqlite", read_only=True) as journal:
            tick_s = journal.fact("last_tick_s") or 0.0
            return any(one.created_s < tick_s - 300.0 for one in journal.messages(open_only=True))

    def _alarms_reached_the_phone(self) -> None:
        rung = {one["message"].rstrip()[-5:-1] for one in self.receiver.taken}
        states: dict[str, set[str]] = {}
        titles: dict[str, str] = {}
        for about, text, state in self.last.messages.values():
            states.setdefault(about, set()).add(state)
            titles.setdefault(about, text.partition("\n")[0])
        # What came and went unheard and came again is in the summary of what was not told, by its title.
        summaries = {reference(about) for about in states if about.startswith(UNTOLD)}
        summed_up = [one["message"] for one in self.receiver.taken if one["message"].rstrip()[-5:-1] in summaries]
        for alarm_id in self.last.raised:
            # What another alarm of the batch says already rings nobody, but for too hot; and what was not told when its
            # batch was ended is not told any more.
            must = "/too_hot/" in alarm_id or alarm_id in states
            just_now = self.last.raised_at_s[alarm_id] > self.last.tick_s - 300.0
            waits = states.get(alarm_id, set()) & {"waiting", "failed"}  # on a slow machine: it is not lost
            told = reference(alarm_id) in rung or states.get(alarm_id) == {"superseded"}
            # What a summary has said is marked when the next one is looked for; until then it is given up.
            if states.get(alarm_id, set()) & {"summed_up", "given_up"}:
                told = told or any(f" {titles[alarm_id]}" in text for text in summed_up)
            if must and not just_now and not waits and not told:
                self._breaks(f"{alarm_id} was raised, and the phone never heard of it")
        if not any("/too_hot/" in alarm_id and reference(alarm_id) in rung for alarm_id in self.last.raised):
            self._breaks("no alarm reached the phone: nothing was tried here")
        known = {reference(alarm_id) for alarm_id in self.last.raised}
        if strange := rung - known - summaries:
            self._breaks(f"the phone heard of alarms that the journal does not know: {strange}")

    def _events_file(self) -> None:
        lines = Counter((self.folder / "events.jsonl").read_text().splitlines())
        raised = [json.loads(line) for line in lines if '"state":"raised"' in line]
        in_file = Counter(one["alarm"] for one in raised)
        if in_file != self.last.raised:
            self._breaks(f"the events file and the journal differ: {in_file} and {self.last.raised}")
        twice = [line for line, times in lines.items() if times > 1]
        if twice:
            self._breaks(f"{len(twice)} lines of the events file stand there twice, such as {twice[0][:200]}")

    def close(self) -> None:
        """Let everything go."""
        self.load.let_go()
        if self.life is not None:
            with contextlib.suppress(ProcessLookupError):
                os.kill(self.life.pid, signal.SIGKILL)
        self.womb.close()
        self.receiver.close()
        self.node.unplug()
        self.broker.stop()

    def figures(self) -> str:
        """What was done and found, in a few lines."""
        taken = {bucket: len(codes) for bucket, codes in self.load.taken.items()}
        kinds = ", ".join(sorted({alarm_id.split("/")[-2] for alarm_id in self.last.raised}))
        return (
            f"seed {self.seed}: {self.kills} kills ({self.cold} of the program as started cold, {self.early} during "
            f"start-up); the broker took {sum(taken.values())} messages, of the cable {len(self.seen)} lines are kept; "
            f"{len(self.last.raised)} alarms ({kinds}), {len(self.receiver.taken)} messages on the phone, "
            f"{self.cut} hand-overs cut by the kill; broken: {len(self.broken)}"
        )

    def _breaks(self, what: str) -> None:
        self.broken.append(f"after kill {self.kills}: {what}")


def codes_in(journal: Journal) -> dict[str, Counter[float]]:
    """How often each code stands in a journal, by bucket."""
    found: dict[str, Counter[float]] = {bucket: Counter() for bucket in BUCKETS}
    rows = journal._rows(
        "SELECT p.bucket, r.temperature_c FROM readings r JOIN probes p ON p.id = r.probe WHERE p.probe = 'ambient'"
    )
    for bucket, value in rows:
        found.setdefault(bucket, Counter())[round(value, 4)] += 1
    return found


def told_text(title: str, body: str) -> str:
    """What a message says, without how late it came."""
    return f"{title}\n" + "\n".join(line for line in body.splitlines() if line and not line.startswith("Late:"))
