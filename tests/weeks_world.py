"""Quillmarsh for weeks on end, in seconds: the real telling, journal and postman, with phones and troubles at will.

Nothing here waits for real time. Ticks come every minute while something is going on, and seldom otherwise; the postman
has its rounds at the moments at which something can be due.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from monitor.journal.database import Journal
from monitor.judgement.alarms import ACKNOWLEDGED, UNACKNOWLEDGED, AlarmState
from monitor.judgement.escalation import AlarmView, Told
from monitor.phone.people import Person, routes_of
from monitor.phone.postman import Postman
from monitor.settings import Settings, SiteSettings, WakingHours
from monitor.telling import Teller
from monitor.watch_parts import sleeping_hours
from tests.alarmed import NOW, WELL, AlarmedBucket
from tests.phones_at_will import ACCEPTS, PhonesAtWill

MINUTE, HOUR, DAY = 60.0, 3600.0, 86400.0
# Saturday 17 January 2026, 0:00 UTC.
START_S = 1768608000.0
BUCKETS = ("shed-1", "shed-2", "shed-3", "shed-4")
KINDS = ("too_hot", "cooled_early", "silent")
PEOPLE = (
    Person("Ada", ("a://1", "a://2"), WakingHours(7 * 60, 22 * 60)),
    Person("Ben", ("b://1",), WakingHours(9 * 60, 21 * 60), knows_the_trade=False),
    Person("Cem", ("c://1", "c://2", "c://3"), WakingHours(6 * 60, 23 * 60)),
)
URLS = tuple(url for person in PEOPLE for url in person.routes)
# Within a minute the postman looks every second; at these something can have become due: at once, the next route after
# a refusal or two, the second try after ten seconds, a route that hung for ten, and the third try.
_ROUNDS_S = (0.0, 1.0, 2.0, 11.0, 12.0, 13.0, 42.0)
_FAST_FOR_S = 40 * MINUTE


@dataclass
class Slot:
    """One kind of alarm of one bucket, with since when it has gone on as it is without a break."""

    bucket: str
    kind: str
    open_since_s: float | None = None  # it rings: nobody has seen it, nobody wants quiet, and somebody minds
    round_since_s: float | None = None  # the same, and no new round began either


class World:
    """Buckets, people, phones and the program between them."""

    def __init__(self) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="weeks-"))
        self.settings = Settings(site=SiteSettings(time_zone="UTC"))
        self.asleep = sleeping_hours(self.settings, PEOPLE)
        self.now_s, self.moment = START_S, 0.0
        self.phones = PhonesAtWill(person_of={url: person.name for person in PEOPLE for url in person.routes})
        for url in URLS:
            self.phones.set(url, ACCEPTS, self.now_s)
        self.buckets = {name: AlarmedBucket(name, KINDS) for name in BUCKETS}
        self.slots = [Slot(bucket, kind) for bucket in BUCKETS for kind in KINDS]
        self.after_tick: Callable[[], None] = lambda: None
        self.after_round: Callable[[], None] = lambda: None
        self.changed_s = self.now_s  # when somebody last did something, or something happened
        self.minded_since_s = self.now_s
        self.order_since_s = self.now_s
        self._told_of: dict[str, list[Told]] = {}
        self._indexed = 0
        self._start()

    def _start(self) -> None:
        self.journal = Journal(self.folder / "journal.sqlite")
        # The disk is not what is tried here, and flushing it would take most of the time.
        self.journal._db.execute("PRAGMA synchronous = OFF")
        self.teller = Teller(self.journal, self.settings, PEOPLE, link=_link)
        self.postman = self.phones.postman = Postman(
            self.journal, routes_of(PEOPLE), lambda: self.now_s, sender=self.phones, asleep=self.asleep,
            monotonic=lambda: self.moment,
        )  # fmt: skip
        self.postman.adopt(self.now_s)

    def stop(self) -> None:
        """As kill -9 does, but that no thread of ours is left behind."""
        self.phones.cut = True
        self.phones.let_go()
        self.phones.cut = False
        self.journal.close()

    def close(self) -> None:
        self.stop()
        shutil.rmtree(self.folder)

    # ---- what happens ----------------------------------------------------------------------------------------------

    def restart(self, off_s: float) -> None:
        """The program ends and is started again later; what the alarms are is folded from the journal by the watch."""
        self.stop()
        self.now_s += off_s
        self._start()
        self._unwatched()

    def jump(self, ahead_s: float) -> None:
        """The computer slept: the time of day has gone on, nothing else has."""
        self.now_s += ahead_s
        self._unwatched()

    def _unwatched(self) -> None:
        self.minded_since_s = self.changed_s = self.now_s
        for slot in self.slots:
            slot.open_since_s = slot.round_since_s = None

    def set_route(self, url: str, mode: str) -> None:
        """The route is so from now on, and whoever hung at it goes on."""
        self.phones.set(url, mode, self.now_s)
        self.phones.settle()
        self.after_round()

    def state(self, bucket: str, kind: str) -> AlarmState:
        return self.buckets[bucket].states[kind]

    def answered(self, bucket: str, kind: str, after: AlarmState) -> None:
        """Somebody did something about an alarm: the watch tells at once what follows from it."""
        self.buckets[bucket].states[kind] = after
        self.changed_s = self.now_s
        self._tell()

    def find(self, bucket: str, kind: str, found: str) -> None:
        self.buckets[bucket].found[kind] = found
        self.changed_s = self.now_s

    # ---- time ------------------------------------------------------------------------------------------------------

    def pass_time(self, span_s: float) -> None:
        """Let time pass, with every tick and every round of the postman at which something can be due."""
        until_s = self.now_s + span_s
        while self.now_s < until_s:
            began_s, began = self.now_s, self.moment
            next_s = (self.now_s // MINUTE + 1) * MINUTE
            if not self._is_lively():
                step_s = 5 * MINUTE if self._wakes_somebody() else 30 * MINUTE
                next_s = (self.now_s // step_s + 1) * step_s
            # After four tries by the outbox's waits the next is at a tick.
            young = any(message.attempts < 4 for message in self.journal.messages(open_only=True))
            for after_s in _ROUNDS_S[1:] if young else ():
                self.now_s, self.moment = began_s + after_s, began + after_s
                self._round()
            self.now_s, self.moment = next_s, began + next_s - began_s
            for bucket in self.buckets.values():
                bucket.tick(self.now_s)
            self._tell()
            self.after_tick()

    def _tell(self) -> None:
        through = dict.fromkeys(BUCKETS, "node")
        self.teller.tell(self.buckets.values(), self.now_s, through)  # type: ignore[arg-type]
        self._keep_since()
        self._round()

    def _round(self) -> None:
        self.postman.deliver_due(self.now_s, wait_s=0.0)
        self.phones.settle()
        self.after_round()

    def _is_lively(self) -> bool:
        if self.now_s - self.changed_s < _FAST_FOR_S:
            return True
        return any(
            (bucket.found[kind] != WELL) != state.stands
            for bucket in self.buckets.values() for kind, state in bucket.states.items()
        )  # fmt: skip

    def _wakes_somebody(self) -> bool:
        states = (state for bucket in self.buckets.values() for state in bucket.states.values())
        return any(wakes(state) and rings(state, self.now_s) for state in states)

    def _keep_since(self) -> None:
        for slot in self.slots:
            state = self.state(slot.bucket, slot.kind)
            if not (rings(state, self.now_s) and state.state == UNACKNOWLEDGED):
                slot.open_since_s = slot.round_since_s = None
                continue
            slot.open_since_s = self.now_s if slot.open_since_s is None else slot.open_since_s
            began_s = state.worsened_at_s or state.raised_at_s or 0.0
            slot.round_since_s = began_s if began_s >= slot.open_since_s else None
            if began_s == self.now_s:
                self.changed_s = self.now_s

    # ---- what was told ---------------------------------------------------------------------------------------------

    def told(self) -> list[Told]:
        return self.teller._load()

    def told_of(self, alarm_id: str) -> list[Told]:
        """What was told of an alarm, alone or with others, in order."""
        told = self.told()
        for one in told[self._indexed :]:
            for each in {one.alarm_id, *one.covers}:
                self._told_of.setdefault(each, []).append(one)
        self._indexed = len(told)
        return self._told_of.get(alarm_id, [])

    def group_of(self, about: str) -> frozenset[str]:
        """The alarms that a message about this one may have been about."""
        return frozenset({about}.union(*(one.covers for one in self.told_of(about) if one.alarm_id == about)))

    def states_of(self, ids: frozenset[str]) -> list[AlarmState]:
        """Those of the alarms that are still what they were."""
        states = (state for bucket in self.buckets.values() for state in bucket.states.values())
        return [state for state in states if state.alarm_id in ids]


def rings(state: AlarmState, now_s: float) -> bool:
    """Whether somebody is to be rung for this alarm at this time: the rule, said once more and otherwise."""
    if not state.stands or state.is_shelved(now_s):
        return False
    if state.state == UNACKNOWLEDGED:
        return True
    went_s = state.going_at_s
    return state.state == ACKNOWLEDGED and went_s is not None and state.answered_at_s is None and (
        now_s >= went_s + 30 * MINUTE
    )


def wakes(state: AlarmState) -> bool:
    return state.urgency == NOW


def _link(view: AlarmView, person: str, now_s: float) -> str:
    return f"http://shed.local/{person}"
