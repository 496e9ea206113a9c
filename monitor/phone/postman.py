"""Takes what is due from the outbox, hands it over, and records what became of it.

Each (person, route) has its own lane: one thread that lives while there is something to hand over. A lane that hangs
holds up nobody else. A message in a lane is not taken up a second time; one that was handed over but could not be
recorded (disk full) is remembered here and recorded later, not sent again.

A person's routes are tried in their order. Where one fails, the next is given the message as well; what wakes does not
even wait for the failure, if its route has not taken it within a few seconds.
"""

from __future__ import annotations

import contextlib
import contextvars
import hashlib
import threading
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Protocol, TextIO

from monitor.domain import ALARM_KINDS
from monitor.phone import routes as phone_routes
from monitor.phone.pictures import PictureMaker, Pictures, as_file
from monitor.phone.routes import Outcome
from monitor.words import DAY_DATE_TIME, ENGLISH, Voice, speaking, tr, when

# A lane that has not answered for so long is given up as hung; its thread cannot be killed, but no longer counts.
HUNG_AFTER_S = 90.0
# So many hung threads a lane are borne before it waits for one of them to end: threads must not pile up.
MOST_HUNG = 3
# A waking message that its route has not taken by then goes by the next route, too: a service that could not even be
# connected to in this time (routes.CONNECT_TIMEOUT_S) is in trouble, and a double costs less than a lost minute.
JOIN_AFTER_S = phone_routes.CONNECT_TIMEOUT_S
# What can wait is tried twice by one route, because most failures are a moment without network.
_DAYLIGHT_TRIES = 2
# What was written outside somebody's waking hours was meant for them then; but not for any later hour of the night.
_NIGHT_WORDS_S = 3600.0
# A failure that came sooner than any time-out of ours was a refusal, perhaps of the picture.
_REFUSED_WITHIN_S = 8.0
# With more messages than this behind it in its lane, one goes without its picture: their words come first.
_MOST_BEHIND_A_PICTURE = 2
# From this age on a message says how old it is: a late alarm must not read as news.
LATE_AFTER_S = 300.0


class Letter(Protocol):
    """What the postman needs of a message in the outbox."""

    @property
    def message_id(self) -> str: ...
    @property
    def about(self) -> str: ...
    @property
    def what(self) -> str: ...
    @property
    def person(self) -> str: ...
    @property
    def route(self) -> str: ...
    @property
    def title(self) -> str: ...
    @property
    def body(self) -> str: ...
    @property
    def urgency(self) -> str: ...
    @property
    def created_s(self) -> float: ...


class LetterBox(Protocol):
    """What the postman needs of the journal."""

    def due_messages(self, now_s: float) -> Sequence[Any]: ...
    def message_sent(self, message_id: str, sent_s: float) -> object: ...
    def message_failed(self, message_id: str, error: str, retry: bool, now_s: float) -> Any: ...
    def give_up_expired(self, now_s: float) -> Sequence[Any]: ...
    def move_messages(self, person: str, from_route: str, to_route: str, now_s: float) -> int: ...
    def messages(self, about: str | None = None, open_only: bool = False) -> Sequence[Any]: ...
    def message(self, message_id: str) -> Any: ...
    def hand_on(self, message_id: str, to_route: str, now_s: float) -> object: ...
    def take_back(self, message_ids: Iterable[str]) -> int: ...
    def transaction(self) -> contextlib.AbstractContextManager[None]: ...


@dataclass(frozen=True, slots=True)
class Delivery:
    """What became of one message: ``ok`` the service took it, ``expired`` it was given up untold."""

    message_id: str
    person: str
    route: str
    ok: bool
    says: str
    expired: bool = False
    urgency: str = "daylight"


@dataclass(slots=True)
class _Lane:
    thread: threading.Thread | None = None
    began: float = 0.0  # monotonic, of the hand-over under way
    handling: Any = None
    left: set[str] = field(default_factory=set)  # message ids that its thread has taken up and not settled
    hung: list[threading.Thread] = field(default_factory=list)


def reference(about: str) -> str:
    """Four letters that are the same in every message about one alarm, so that a double can be seen to be one."""
    return hashlib.sha256(about.encode()).hexdigest()[:4]


def bucket_of(about: str) -> str:
    """The bucket of the alarm that a message is about (bucket/batch/kind/how-manieth); '' for another subject."""
    parts = about.split("/")
    alarm = len(parts) > 3 and parts[-2].partition(".")[0] in ALARM_KINDS
    return parts[0] if alarm else ""


def _telling(letter: Letter) -> tuple[str, str, str]:
    """What the messages of one telling by several routes have in common."""
    return letter.about, letter.what, letter.person


class Postman:
    """Delivers what the outbox holds. ``routes`` maps (person, label) to the URL, in the order of the settings;
    ``clock`` gives Unix seconds.

    Call ``deliver_due`` every second or so from one thread. ``sender`` has the signature of ``routes.send``.
    """

    def __init__(
        self,
        journal: LetterBox,
        routes: Mapping[tuple[str, str], str],
        clock: Callable[[], float],
        *,
        sender: Callable[..., Outcome] = phone_routes.send,
        stream: TextIO | None = None,
        hung_after_s: float = HUNG_AFTER_S,
        voices: Mapping[str, Voice] | None = None,
        asleep: Callable[[str, float], bool] = lambda person, at_s: False,
        picture: PictureMaker | None = None,
        takes_picture: Callable[[str], bool] = phone_routes.takes_picture,
        monotonic: Callable[[], float] = time.monotonic,
        ready: Callable[[], bool] = lambda: True,
        local_time: Callable[[float], datetime] = datetime.fromtimestamp,
    ) -> None:
        """``voices`` holds by a person's name the voice that their messages speak; English without. ``asleep`` says
        whether a time lies outside a person's waking hours: what can wait is not handed over then. ``picture`` makes
        the picture of a bucket, for the routes whose service takes one (``takes_picture``, by URL). ``ready`` is asked
        before each hand-over, and may wait: where it says no, the message stays due. ``local_time`` gives a Unix time
        on the clock of the place; without it that of this computer.
        """
        self._journal = journal
        self._routes = dict(routes)
        self._names = phone_routes.names_of(self._routes)
        self._clock = clock
        self._sender = sender
        self._stream = stream
        self._hung_after_s = hung_after_s
        self._voices = voices or {}
        self._asleep = asleep
        self._pictures = None if picture is None else Pictures(picture)
        self._takes_picture = takes_picture
        self._monotonic, self._ready, self._local_time = monotonic, ready, local_time
        self._due_since: dict[str, float] = {}  # waking messages, by id, on the monotonic clock
        self._joined: set[str] = set()  # those of them that the next route has been given, too
        self._change = threading.Condition()
        self._lanes: dict[tuple[str, str], _Lane] = {}
        self._in_hand: set[str] = set()
        self._finished: list[Delivery] = []
        self._unrecorded: dict[str, Callable[[], object]] = {}

    def adopt(self, now_s: float) -> int:
        """Once at start: hand what waits for routes that the settings no longer have to the same person's first
        route; return how many messages were moved."""
        moved = 0
        gone = {(letter.person, letter.route) for letter in self._journal.messages(open_only=True)} - set(self._routes)
        for person, route in sorted(gone):
            first = next((name for who, name in self._routes if who == person), None)
            if first is not None:
                moved += self._journal.move_messages(person, route, first, now_s)
        return moved

    def deliver_due(self, now_s: float, wait_s: float = 1.0) -> list[Delivery]:
        """One round: record what could not be recorded, give up what expired, start what is due.

        Waits at most ``wait_s`` for answers, and returns what has been settled since the last round; a slow route's
        answer comes with a later round. Raises the journal's own error when the outbox cannot be read.
        """
        self._record_late()
        self._free_hung_lanes(now_s)
        gave_up = [
            Delivery(
                letter.message_id, letter.person, letter.route, False,
                tr("{person} was not told in time: {title}.", person=letter.person, title=letter.title),
                expired=True, urgency=letter.urgency,
            )
            for letter in self._journal.give_up_expired(now_s)
        ]  # fmt: skip
        due: dict[tuple[str, str], list[Any]] = {}
        waiting = [letter for letter in self._journal.due_messages(now_s) if not self._must_wait(letter, now_s)]
        waiting += self._let_next_join(waiting, now_s)
        with self._change:
            # What can wait goes by one route at a time, or two that are both due would both tell it.
            under_way = {_telling(letter) for letter in waiting if letter.message_id in self._in_hand}
            for letter in waiting:
                if letter.message_id in self._in_hand or letter.message_id in self._unrecorded:
                    continue
                if letter.urgency != "now" and _telling(letter) in under_way:
                    continue
                under_way.add(_telling(letter))
                due.setdefault((letter.person, letter.route), []).append(letter)
        for key, letters in due.items():
            self._start(key, letters, now_s)
        with self._change:
            self._change.wait_for(lambda: not self._in_hand, timeout=wait_s)
            settled, self._finished = self._finished, []
        return gave_up + settled

    @property
    def hung(self) -> list[tuple[str, str]]:
        """(person, route label) of the lanes that have hung, for the health of the phone."""
        return [key for key, lane in self._lanes.items() if any(thread.is_alive() for thread in lane.hung)]

    def name_of(self, person: str, route: str) -> str:
        """What the route of that label is called where somebody may read it."""
        return self._names.get((person, route)) or phone_routes.without_labels(route)

    def close(self, wait_s: float = 3.0) -> None:
        """Let hand-overs under way end within ``wait_s`` and record what can be recorded."""
        with self._change:
            self._change.wait_for(lambda: not self._in_hand, timeout=wait_s)
        self._record_late()

    # ---- inside ----

    def _must_wait(self, letter: Any, now_s: float) -> bool:
        """Whether it can wait and its person sleeps: a try that failed by day is not made up for at night."""
        if letter.urgency == "now" or not self._asleep(letter.person, now_s):
            return False
        meant_for_now = now_s - letter.created_s <= _NIGHT_WORDS_S and self._asleep(letter.person, letter.created_s)
        return not meant_for_now

    def _let_next_join(self, due: Sequence[Any], now_s: float) -> list[Any]:
        """Give waking messages that hang at their route, or wait behind one that hangs, to the next; return the new."""
        moment, joined = self._monotonic(), []
        wakes = {letter.message_id: letter for letter in due if letter.urgency == "now"}
        self._due_since = {message_id: self._due_since.get(message_id, moment) for message_id in wakes}
        self._joined &= set(wakes)
        for message_id, since in self._due_since.items():
            following = self._route_after(wakes[message_id])
            if following is not None and message_id not in self._joined and moment - since >= JOIN_AFTER_S:
                added = self._journal.hand_on(message_id, following, now_s)
                self._joined.add(message_id)
                joined += [] if added is None else [added]
        return joined

    def _route_after(self, letter: Any) -> str | None:
        """The route of the same person that follows the letter's; the first where the settings lack that one."""
        theirs = [route for person, route in self._routes if person == letter.person]
        place = theirs.index(letter.route) + 1 if letter.route in theirs else 0
        return theirs[place] if place < len(theirs) else None

    def _start(self, key: tuple[str, str], letters: list[Any], now_s: float) -> None:
        url = self._routes.get(key)
        if url is None:
            for letter in letters:
                name = self.name_of(*key)
                says = tr("{person}, {route}: the settings no longer have this route.", person=key[0], route=name)
                self._settle(letter, Outcome(False, False, says), now_s)
            return
        with self._change:
            lane = self._lanes.setdefault(key, _Lane())
            lane.hung = [thread for thread in lane.hung if thread.is_alive()]
            if lane.thread is not None or len(lane.hung) >= MOST_HUNG:
                return  # still at the last ones; these stay due
            lane.left = {letter.message_id for letter in letters}
            self._in_hand |= lane.left
            # What it says of the hand-over is for whoever runs this: in the voice that speaks here.
            lane.thread = threading.Thread(
                target=contextvars.copy_context().run, args=(self._run, lane, url, letters), daemon=True,
                name=f"phone {self.name_of(*key)}",
            )  # fmt: skip
            lane.began, lane.handling = self._monotonic(), letters[0]
            lane.thread.start()

    def _run(self, lane: _Lane, url: str, letters: list[Any]) -> None:
        me = threading.current_thread()
        for place, letter in enumerate(letters, 1):
            with self._change:
                if lane.thread is not me:  # the lane was taken from us as hung: the rest is for the next
                    return
                lane.began, lane.handling = self._monotonic(), letter
            if not self._may_still_go(letter):
                with self._change:
                    if lane.thread is me:
                        lane.left.discard(letter.message_id)
                        self._in_hand.discard(letter.message_id)
                continue
            outcome = self._hand_over(url, letter, behind=len(letters) - place)
            with self._change:
                given_up = lane.thread is not me
                if not given_up:
                    lane.left.discard(letter.message_id)
            if not given_up or outcome.ok:  # a failure after we were given up has been recorded already
                self._settle(letter, outcome, self._clock())
        with self._change:
            if lane.thread is me:
                lane.thread, lane.handling = None, None
            self._change.notify_all()

    def _may_still_go(self, letter: Any) -> bool:
        """Whether it is still wanted. It may have been answered, or night have come, while it waited in its lane."""
        if not self._ready():
            return False
        try:
            kept = self._journal.message(letter.message_id)
        except Exception:  # better once too often than not at all
            return True
        return (kept is None or kept.state in ("waiting", "failed")) and not self._must_wait(letter, self._clock())

    def _hand_over(self, url: str, letter: Any, behind: int) -> Outcome:
        now_s = self._clock()
        lines = [letter.body]
        if now_s - letter.created_s > LATE_AFTER_S:
            then = self._local_time(letter.created_s)
            with speaking(self._voices.get(letter.person, ENGLISH)):
                age = _age(now_s - letter.created_s)
                lines.insert(
                    0, tr("Late: this was written {then}, {age} ago.", then=when(then, DAY_DATE_TIME), age=age)
                )
        if letter.about:
            lines.append(f"[{reference(letter.about)}]")
        body = "\n".join(lines)
        png = self._picture_for(url, letter, now_s) if behind <= _MOST_BEHIND_A_PICTURE else None
        if png is None:
            return self._send(url, letter, body, now_s)
        began = self._monotonic()
        with as_file(png) as path:
            outcome = self._send(url, letter, body, now_s, **({} if path is None else {"attach": path}))
        if outcome.ok or path is None or self._monotonic() - began >= _REFUSED_WITHIN_S:
            return outcome  # after a time-out it may have arrived: the next try is the outbox's, without the picture
        return self._send(url, letter, body, now_s)

    def _send(self, url: str, letter: Any, body: str, now_s: float, **more: Any) -> Outcome:
        try:
            return self._sender(
                url, letter.title, body, name=self.name_of(letter.person, letter.route), urgency=letter.urgency,
                stream=self._stream, at_s=now_s, **more,
            )  # fmt: skip
        except Exception as error:
            name = self.name_of(letter.person, letter.route)
            return Outcome(False, True, tr("{route} failed ({error}).", route=name, error=type(error).__name__))

    def _picture_for(self, url: str, letter: Any, now_s: float) -> bytes | None:
        """The picture for an alarm's first try by a route that takes one."""
        bucket = bucket_of(letter.about)
        if self._pictures is None or letter.attempts or not bucket or not self._takes_picture(url):
            return None
        return self._pictures.of(bucket, now_s)

    def _settle(self, letter: Any, outcome: Outcome, now_s: float) -> None:
        """Record an outcome, or remember it for later when the journal cannot be written."""

        def record() -> object:
            with self._journal.transaction():
                return self._record(letter, outcome, now_s)

        kept = True
        try:
            record()
        except Exception:  # whatever is wrong with the journal, the message must not go out a second time
            kept = False
        with self._change:
            if not kept and (outcome.ok or letter.message_id not in self._unrecorded):
                self._unrecorded[letter.message_id] = record
            self._in_hand.discard(letter.message_id)
            self._finished.append(
                Delivery(
                    letter.message_id, letter.person, letter.route, outcome.ok, outcome.says, urgency=letter.urgency
                )
            )
            self._change.notify_all()

    def _record(self, letter: Any, outcome: Outcome, now_s: float) -> object:
        """Keep what became of it, and see to the person's other routes; in the caller's transaction."""
        others = [] if letter.urgency == "now" else [
            other for other in self._journal.messages(letter.about)
            if _telling(other) == _telling(letter) and other.route != letter.route
        ]  # fmt: skip
        if outcome.ok:
            # What can wait has been told now: neither a route that failed before need tell it again when it is back,
            # nor one that was given it since.
            self._journal.take_back(
                other.message_id for other in others if other.state == "failed" or other.next_try_s > other.created_s
            )
            return self._journal.message_sent(letter.message_id, now_s)
        if any(other.state == "sent" for other in others):
            return self._journal.take_back([letter.message_id])
        tried_enough = letter.urgency == "now" or letter.attempts + 1 >= _DAYLIGHT_TRIES
        following = self._route_after(letter) if tried_enough or not outcome.retry else None
        if following is not None:
            self._journal.hand_on(letter.message_id, following, now_s)
        return self._journal.message_failed(letter.message_id, outcome.says, outcome.retry, now_s)

    def _record_late(self) -> None:
        with self._change:
            waiting = list(self._unrecorded.items())
        for message_id, record in waiting:
            try:
                record()
            except Exception:
                return  # still not to be written; the next round tries again
            with self._change:
                if self._unrecorded.get(message_id) is record:
                    del self._unrecorded[message_id]

    def _free_hung_lanes(self, now_s: float) -> None:
        with self._change:
            for lane in self._lanes.values():
                if lane.thread is None or self._monotonic() - lane.began < self._hung_after_s:
                    continue
                lane.hung.append(lane.thread)
                lane.thread = None
                self._in_hand -= lane.left
                letter = lane.handling
                says = tr(
                    "{route}: no answer within {s:.0f} s; it may have arrived all the same.",
                    route=self.name_of(letter.person, letter.route),
                    s=self._hung_after_s,
                )
                self._settle(letter, Outcome(False, True, says), now_s)


def _age(seconds: float) -> str:
    minutes = round(seconds / 60.0)
    if minutes < 120:
        return tr("{n} min", n=minutes)
    return tr("{hours} h {minutes} min", hours=minutes // 60, minutes=minutes % 60)
