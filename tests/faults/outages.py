"""Alarms by the thousand under random outages, kills and late replies: the real telling, outbox and postman.

The clock is handed in, the phones do as they are bid (``phones_at_will``). A kill drops the program's objects where
they stand: nothing is closed in order, what a thread had in hand is not recorded, and a phone may have got it.

What must hold:

- **None is lost**: each alarm that was raised is heard of by somebody: in a message about it, or in the summary of what
  was not told. What can wait and came and went while everybody slept is told to nobody, by the rules of quiet hours.
- **Doubles only after a lost reply**: a message reaches a phone by one route once more only after a reply that did not
  get through (late, lost, or cut off by a kill), and says the same reference.
- In the end nothing waits, and no one is told that all is well of what they never heard of.
"""

from __future__ import annotations

import random
import threading
from collections import Counter
from dataclasses import dataclass

from monitor.journal.database import GIVEN_UP
from monitor.judgement import alarms
from monitor.phone.postman import reference
from monitor.phone.routes import Outcome
from monitor.telling import record_of
from monitor.untold import PREFIX, Untold
from tests.alarmed import DAYLIGHT, NOW, WELL, AlarmedBucket
from tests.phones_at_will import ACCEPTS, AWAY, HANGS, LOSES_REPLY, REFUSES, PhonesAtWill, Rang
from tests.weeks_world import DAY, HOUR, MINUTE, PEOPLE, START_S, URLS, World

LATE = "answers late"
KINDS = ("too_hot", "cooled_early")


@dataclass
class LatePhones(PhonesAtWill):
    """As ``PhonesAtWill``, and one mode more: it takes the message at once, and says so when it is let go."""

    dying: bool = False  # the next that takes a message never learns that it did: the program is killed in between

    def __call__(self, url: str, title: str, body: str, *, urgency: str, at_s: float, **more: object) -> Outcome:
        mode = self.modes[url]
        if self.cut or not (mode == LATE or (self.dying and mode == ACCEPTS)):
            return super().__call__(url, title, body, urgency=urgency, at_s=at_s, **more)
        self.modes[url] = LOSES_REPLY  # it rings, and the sender does not know
        super().__call__(url, title, body, urgency=urgency, at_s=at_s, **more)
        self.modes[url] = mode
        man, me = self.postman, threading.current_thread()
        assert man is not None
        with man._change:
            event = self._stuck[me] = threading.Event()
            self._stuck_at[me] = url
            man._change.notify_all()
        event.wait()
        with man._change:
            del self._stuck[me], self._stuck_at[me]
        if self.dying or self.cut:
            return Outcome(False, True, "the program has been killed")
        return Outcome(True, False, "took it, and said so late")


class Outages(World):
    """Many buckets, and what befalls the phones and the program; all by one seed."""

    def __init__(self, seed: int, buckets: int = 40, outage_hours: tuple[float, ...] = (1.0, 8.0, 24.0, 72.0)) -> None:
        self._outage_hours = outage_hours
        self.random, self.seed = random.Random(seed), seed
        self.kills = self.late = self.outages = 0
        super().__init__()
        self.slots = []
        self.buckets = {f"shed-{n}": AlarmedBucket(f"shed-{n}", KINDS) for n in range(1, buckets + 1)}
        # By bucket and kind: when what goes on there ends or begins.
        self._turn_s = {
            (bucket, kind): self.now_s + self.random.expovariate(1 / (2 * HOUR))
            for bucket in self.buckets for kind in KINDS
        }  # fmt: skip
        self._change_s = {url: self.now_s + self.random.expovariate(1 / (6 * HOUR)) for url in URLS}
        self._outage_s = self.now_s + self.random.uniform(1.0, 8.0) * HOUR
        self._back_s = 0.0
        self._kill_s = self.now_s + self.random.expovariate(1 / HOUR)
        self.raised: dict[str, tuple[str, float]] = {}  # alarm id -> urgency, when
        self.must: set[str] = set()  # those that somebody must hear of
        self.broken: list[str] = []
        self._looked_at = 0
        self.heard: set[str] = set()
        self._lost_replies: Counter[tuple[str, str]] = Counter()
        self._came: Counter[tuple[str, str]] = Counter()
        self.doubles = 0

    def _start(self) -> None:
        if not isinstance(self.phones, LatePhones):
            was = self.phones
            self.phones = LatePhones(dict(was.modes), dict(was.since_s), person_of=was.person_of)
        super()._start()
        self.untold = Untold(self.journal, self.settings, PEOPLE)
        self.teller.on_given_up = self.untold.look_again

    def kill(self) -> None:
        """Drop everything where it stands; half of the times just after a phone took a message."""
        self.kills += 1
        self.journal.close()  # whatever a thread still wants to write comes too late
        self.stop()
        self.phones.dying = False  # type: ignore[attr-defined]
        self._start()
        self._unwatched()

    def keep_alarms(self) -> None:
        """Their present states into the journal, as the watch does at each tick."""
        for bucket in self.buckets.values():
            for state, told in bucket.told():
                self.journal.save_alarm(record_of(state, told.message, told.probability, told.facts))

    def _round(self) -> None:
        for delivery in self.postman.deliver_due(self.now_s, wait_s=0.0):
            self.untold.after(delivery, self.now_s)
        self.phones.settle()
        self.look_at_rings()

    # ---- what befalls ----------------------------------------------------------------------------------------------

    def live(self, alarms_wanted: int) -> None:
        """Let it all go on until so many alarms were raised; then let all be well for some days."""
        while len(self.raised) < alarms_wanted:
            self._befall()
            self.pass_time(MINUTE)
            self._note_raised()
        for url in URLS:
            self.set_route(url, ACCEPTS)
        for bucket in self.buckets.values():
            bucket.found = dict.fromkeys(bucket.found, WELL)
        self.changed_s = self.now_s
        self.pass_time(3 * DAY)
        self.look_at_the_end()

    def _befall(self) -> None:
        for (bucket, kind), turn_s in self._turn_s.items():
            if self.now_s < turn_s:
                continue
            found = self.buckets[bucket].found
            if found[kind] == WELL:
                found[kind] = self.random.choice((NOW, NOW, DAYLIGHT))
                stays_s = self.random.choice((10 * MINUTE, 10 * MINUTE, HOUR, HOUR, 6 * HOUR))
                if self.random.random() < 0.02:
                    stays_s = self.random.uniform(1.0, 4.0) * DAY
            else:
                found[kind] = WELL
                stays_s = self.random.expovariate(1 / (90 * MINUTE))
            self._turn_s[bucket, kind] = self.now_s + stays_s
            self.changed_s = self.now_s
        self._phones_change()
        if self.now_s >= self._kill_s:
            self._kill_s = self.now_s + self.random.expovariate(1 / HOUR)
            if self.random.random() < 0.5:
                self.phones.dying = True  # type: ignore[attr-defined]
                self._round()
            self.kill()
        if self.random.random() < 0.2:
            self._somebody_answers()

    def _phones_change(self) -> None:
        if self.now_s >= self._outage_s:
            self.outages += 1
            self._back_s = self.now_s + self.random.choice(self._outage_hours) * HOUR
            self._outage_s = self._back_s + self.random.expovariate(1 / (1.5 * DAY))
            for url in URLS:
                self.set_route(url, self.random.choice((AWAY, AWAY, HANGS)))
                self._change_s[url] = self._back_s + self.random.expovariate(1 / (3 * HOUR))
            return
        for url in URLS:
            if self.now_s >= self._change_s[url] or (self._back_s and self.now_s >= self._back_s):
                well = self.phones.modes[url] == ACCEPTS and not self._back_s
                mode = self.random.choice((REFUSES, AWAY, HANGS, LOSES_REPLY, LATE)) if well else ACCEPTS
                self.late += mode == LATE
                self.set_route(url, mode)
                mean_s = 6 * HOUR if mode == ACCEPTS else 2 * HOUR
                self._change_s[url] = self.now_s + self.random.expovariate(1 / mean_s)
        if self._back_s and self.now_s >= self._back_s:
            self._back_s = 0.0

    def _somebody_answers(self) -> None:
        """Only who heard of an alarm answers it."""
        for bucket in self.buckets.values():
            for kind, state in bucket.states.items():
                if state.stands and state.alarm_id in self.heard and self.random.random() < 0.3:
                    bucket.states[kind] = alarms.acknowledge(state, self.now_s, by="Ada")[0]
        self._tell()

    # ---- what must hold --------------------------------------------------------------------------------------------

    def _note_raised(self) -> None:
        # What can wait goes to the first who knows the trade, in that person's waking hours.
        reader = next(person.name for person in PEOPLE if person.knows_the_trade)
        awake = not self.asleep(reader, self.now_s) and not self.asleep(reader, self.now_s - 5 * MINUTE)
        for bucket in self.buckets.values():
            for state in bucket.states.values():
                if not state.count:
                    continue
                self.raised.setdefault(state.alarm_id, (state.urgency, self.now_s))
                if state.stands and (state.urgency == NOW or awake):
                    self.must.add(state.alarm_id)

    def look_at_rings(self) -> None:
        """Who heard of what; and no double without a lost reply."""
        rang = self.phones.rang
        for one in rang[self._looked_at :]:
            about = one.letter.about
            self._came[one.letter.message_id, one.route] += 1
            again = self._came[one.letter.message_id, one.route] - 1
            key = (one.letter.message_id, one.route)
            self.doubles += again > 0
            if again > self._lost_replies[key]:
                self.broken.append(f"a double without a lost reply: {one}")
            self._lost_replies[key] += not one.known
            if reference(about) not in one.body:
                self.broken.append(f"without its reference: {one}")
            if about.startswith(PREFIX):
                self._read_summary(one)
            else:
                self.heard |= self.group_of(about)
        self._looked_at = len(rang)

    def _read_summary(self, one: Rang) -> None:
        """An alarm in a summary is known by its first title; one of "and 5 more" by that there are so many."""
        lines = [line for line in one.body.splitlines() if line.startswith("- ")]
        more = any(" more" in line for line in lines)
        for message in self.journal.messages():
            about = message.about
            if message.state in GIVEN_UP and message.person == one.person and about in self.raised:
                first = next(each for each in self.journal.messages(about) if each.person == one.person)
                if more or any(f" {first.title}" in line for line in lines):
                    self.heard.add(about)

    def look_at_the_end(self) -> None:
        """All is well, and has been for days."""
        self._note_raised()
        lost = sorted(self.must - self.heard)
        if lost:
            self.broken.append(f"{len(lost)} alarms of which nobody heard, such as {lost[:5]}")
        waiting = self.journal.messages(open_only=True)
        if waiting:
            self.broken.append(f"{len(waiting)} messages wait for ever, such as {waiting[0]}")
        if self.journal._rows("PRAGMA integrity_check") != [("ok",)]:
            self.broken.append("the journal is not sound")

    def figures(self) -> str:
        """What happened, in a few lines."""
        summaries = sum(one.letter.about.startswith(PREFIX) for one in self.phones.rang)
        return (
            f"seed {self.seed}: {len(self.raised)} alarms in {(self.now_s - START_S) / DAY:.0f} days, "
            f"{len(self.must)} of them to be told; {self.kills} kills, {self.outages} outages of all routes, "
            f"{self.late} times late replies; {len(self.phones.rang)} messages on phones, {self.doubles} doubles, "
            f"{summaries} summaries; lost {len(self.must - self.heard)}, broken {len(self.broken)}"
        )
