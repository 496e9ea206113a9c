"""What was overheard is known when the session brings it: counted, over a restart, and not for ever."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Mapping

from hypothesis import given
from hypothesis import strategies as st

from monitor.sources.heard import A_SHEET, FORGOTTEN_AFTER_S, ToComeAgain
from monitor.sources.line import Line, Origin

AT_S = 1773480000.0


def line(
    what: int, *, source: str = "broker", topic: str = "t", again: bool = False, caught_up: bool = False
) -> Line:
    origin = Origin("mqtt", source, topic)
    return Line(
        AT_S, b"%d" % what, origin, duplicate=again, delivery=f"7:{what}", ack=lambda: None, caught_up=caught_up
    )


class Kept:
    """Facts as the journal keeps them, through JSON."""

    def __init__(self) -> None:
        self.facts: dict[str, object] = {}
        self.wrote: list[int] = []

    def commit(self, to_come: ToComeAgain) -> None:
        changes = list(to_come.changes())
        self.wrote.append(len(changes))
        for key, contents in changes:
            if contents is None:
                self.facts.pop(key, None)
            else:
                self.facts[key] = json.loads(json.dumps(contents))
        to_come.kept()

    def of(self, prefix: str) -> Mapping[str, object]:
        return {key: value for key, value in self.facts.items() if key.startswith(prefix)}

    def restarted(self, *how: Callable[[], float]) -> ToComeAgain:
        found = ToComeAgain(*how)
        found.load(["broker", "other"], self.of)
        return found


@given(st.lists(st.integers(0, 5), max_size=200), st.data())
def test_each_counts_once_however_many_are_alike_and_whenever_it_is_killed(
    payloads: list[int], data: st.DataObject
) -> None:
    """Overheard, then brought by the session, with commits, and with kills that undo what was not committed."""
    kept, to_come = Kept(), ToComeAgain()
    for one in payloads:
        to_come.hear(line(one))
    kept.commit(to_come)
    waiting = list(payloads)
    while waiting:
        count = data.draw(st.integers(1, len(waiting)))
        assert all(to_come.brings(line(one)) for one in waiting[:count])
        if data.draw(st.booleans()):
            kept.commit(to_come)
            waiting = waiting[count:]
        else:
            to_come = kept.restarted()
    assert not any(to_come.brings(line(one)) for one in set(payloads) | {0})
    assert kept.facts == {}


def test_more_are_heard_after_a_restart() -> None:
    """The sheets of before are not written over."""
    kept, to_come = Kept(), ToComeAgain()
    for one in range(A_SHEET + 3):
        to_come.hear(line(one))
    kept.commit(to_come)
    to_come = kept.restarted()
    for one in range(5):
        to_come.hear(line(one))
    kept.commit(to_come)
    to_come = kept.restarted()
    wanted = Counter([*range(A_SHEET + 3), *range(5)])
    found = Counter({one: sum(to_come.brings(line(one)) for _ in range(3)) for one in wanted})
    assert found == wanted


def test_a_commit_writes_the_sheets_that_changed() -> None:
    """Thousands wait, ten come: one sheet or two."""
    kept, to_come = Kept(), ToComeAgain()
    for one in range(40 * A_SHEET):
        to_come.hear(line(one))
    kept.commit(to_come)
    for begin in range(0, 40 * A_SHEET, 10):
        for one in range(begin, begin + 10):
            assert to_come.brings(line(one))
        kept.commit(to_come)
    assert kept.wrote[0] == 40 and max(kept.wrote[1:]) <= 2 and kept.facts == {}


def test_another_source_or_topic_is_another_message() -> None:
    """Two nodes may send the same bytes, and so may two brokers."""
    to_come = ToComeAgain()
    to_come.hear(line(1))
    assert not to_come.brings(line(1, topic="other"))
    assert not to_come.brings(line(1, source="other"))
    assert to_come.brings(line(1))


def test_only_the_session_brings_it() -> None:
    """What came without a promise, or is overheard itself, is not acknowledged."""
    to_come = ToComeAgain()
    to_come.hear(line(1))
    assert not to_come.brings(Line(AT_S, b"1", Origin("mqtt", "broker", "t")))
    assert to_come.brings(line(1))


def test_what_never_comes_is_forgotten() -> None:
    """A queue that was full has thrown it away: a later message like it counts; one that is sent again says nothing."""
    now = [0.0]
    kept, to_come = Kept(), ToComeAgain(lambda: now[0])
    for one in (1, 2):
        to_come.hear(line(one))
    kept.commit(to_come)
    now[0] = FORGOTTEN_AFTER_S - 1.0
    assert not to_come.brings(line(9))
    assert to_come.brings(line(1))  # from then on it counts anew
    now[0] = 2 * FORGOTTEN_AFTER_S - 5.0
    assert not to_come.brings(line(9))
    now[0] = 3 * FORGOTTEN_AFTER_S
    assert not to_come.brings(line(9, again=True))
    assert to_come.brings(line(2))
    to_come.hear(line(3))
    now[0] = 5 * FORGOTTEN_AFTER_S
    assert not to_come.brings(line(9)) and not to_come.brings(line(3))
    kept.commit(to_come)
    assert kept.facts == {}


def test_what_has_not_come_when_the_session_has_caught_up_is_forgotten() -> None:
    """Its queue had no room for them: what is sent from then on counts, however much like them, and over a kill."""
    kept, to_come = Kept(), ToComeAgain()
    for _ in range(A_SHEET + 3):
        to_come.hear(line(1))
    to_come.hear(line(1, source="other"))
    kept.commit(to_come)
    assert all(to_come.brings(line(1)) for _ in range(10))
    assert not to_come.brings(line(1, caught_up=True))
    to_come = kept.restarted()  # killed before the commit: it comes once more
    assert not to_come.brings(line(1, caught_up=True)) and not to_come.brings(line(1))
    kept.commit(to_come)
    to_come = kept.restarted()
    assert not to_come.brings(line(1))
    assert to_come.brings(line(1, source="other")), "the queue of another broker is another queue"


def test_one_that_is_sent_again_says_nothing_of_the_queue() -> None:
    """It was on its way before."""
    to_come = ToComeAgain()
    to_come.hear(line(1))
    assert not to_come.brings(line(9, again=True, caught_up=True))
    assert to_come.brings(line(1))


def test_what_was_heard_and_lost_counts_when_it_comes() -> None:
    """Memory was full: the reading was given up, the broker still has the message."""
    kept, to_come = Kept(), ToComeAgain()
    first, second = to_come.hear(line(1)), to_come.hear(line(2))
    kept.commit(to_come)
    to_come.give_up("broker", first)
    to_come.give_up("broker", first)  # it came meanwhile, or was given up before
    assert not to_come.brings(line(1)) and to_come.brings(line(2))
    kept.commit(to_come)
    assert kept.facts == {} and first != second


def test_after_a_restart_the_time_begins_with_the_first_that_comes() -> None:
    """However long the watch was away: the session's queue is what comes first."""
    now = [0.0]
    kept, to_come = Kept(), ToComeAgain(lambda: now[0])
    to_come.hear(line(1))
    kept.commit(to_come)
    now[0] = 5.0  # a computer that was started anew counts from its start
    to_come = kept.restarted(lambda: now[0])
    assert not to_come.brings(line(9))
    now[0] += FORGOTTEN_AFTER_S - 1.0
    assert to_come.brings(line(1))


def test_a_session_that_was_lost_brings_nothing_more() -> None:
    """What comes in the new one counts, however much it is like what was overheard; so it is after a restart."""
    kept, to_come = Kept(), ToComeAgain()
    for one in range(A_SHEET + 3):
        to_come.hear(line(one))
    to_come.hear(line(1, source="other"))
    kept.commit(to_come)
    to_come.forget("broker")
    to_come.forget("a source that was never heard")
    kept.commit(to_come)
    for one in (to_come, kept.restarted()):
        assert not any(one.brings(line(number)) for number in range(A_SHEET + 3))
        assert one.brings(line(1, source="other"))
