"""Phones that do as a test bids: take a message, refuse it, hang, or take it and lose the reply."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field
from typing import Any

from monitor.phone.postman import Postman
from monitor.phone.routes import Outcome, label

ACCEPTS, REFUSES, AWAY, HANGS, LOSES_REPLY = "accepts", "refuses", "is away", "hangs", "loses its reply"
MODES = (ACCEPTS, REFUSES, AWAY, HANGS, LOSES_REPLY)
# A thread of ours that is not done by then has a fault of its own.
_PATIENCE_S = 10.0
REFUSED = "refused it"


@dataclass(frozen=True)
class Rang:
    """One message that reached a phone; ``known``: the sender learned that it did."""

    at_s: float
    person: str
    route: str
    letter: Any
    title: str
    body: str
    urgency: str
    known: bool

    @property
    def over(self) -> bool:
        """Whether it tells that all is well again."""
        return bool(self.letter.what.startswith("cleared"))


@dataclass
class PhonesAtWill:
    """The far end of every route, by URL. It is given its ``Postman``, to know which letter is in its hands."""

    modes: dict[str, str] = field(default_factory=dict)
    since_s: dict[str, float] = field(default_factory=dict)  # since when a route is as it is
    rang: list[Rang] = field(default_factory=list)
    postman: Postman | None = None
    cut: bool = False  # the program ends: nothing of what it still has in hand goes out
    person_of: dict[str, str] = field(default_factory=dict)
    _stuck: dict[threading.Thread, threading.Event] = field(default_factory=dict)
    _stuck_at: dict[threading.Thread, str] = field(default_factory=dict)

    def set(self, url: str, mode: str, now_s: float) -> None:
        """From now on the route does so; who hung at it gets no answer any more."""
        if self.modes.get(url) != mode:
            self.modes[url], self.since_s[url] = mode, now_s
            self.let_go(url)

    def let_go(self, url: str | None = None) -> None:
        """The connection of whoever hangs breaks."""
        for thread, event in list(self._stuck.items()):
            if url in (None, self._stuck_at[thread]):
                event.set()
                thread.join(_PATIENCE_S)
                assert not thread.is_alive(), "a hand-over that was let go does not end"

    def __call__(
        self, url: str, title: str, body: str, *, urgency: str, at_s: float, **_: object
    ) -> Outcome:
        """Hand one message over, as ``routes.send`` does."""
        assert self.postman is not None
        mode, me = AWAY if self.cut else self.modes[url], threading.current_thread()
        with self.postman._change:
            lane = self.postman._lanes[self.person_of[url], label(url)]
            assert lane.thread is me
            if mode in (ACCEPTS, LOSES_REPLY):
                self.rang.append(
                    Rang(at_s, self.person_of[url], url, lane.handling, title, body, urgency, mode == ACCEPTS)
                )
            if mode == HANGS:
                event = self._stuck[me] = threading.Event()
                self._stuck_at[me] = url
                self.postman._change.notify_all()
        if mode == HANGS:
            event.wait()
            with self.postman._change:
                del self._stuck[me], self._stuck_at[me]
        return {
            ACCEPTS: Outcome(True, False, "took it"), REFUSES: Outcome(False, False, REFUSED),
        }.get(mode, Outcome(False, True, "no answer"))  # fmt: skip

    def settle(self) -> None:
        """Wait until every hand-over has ended or hangs, so that nothing depends on how fast a thread is."""
        man = self.postman
        assert man is not None
        with man._change:
            done = man._change.wait_for(
                lambda: all(lane.thread is None or lane.thread in self._stuck for lane in man._lanes.values()),
                timeout=_PATIENCE_S,
            )
        assert done, "a hand-over neither ends nor hangs"
