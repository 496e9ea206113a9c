"""How far the copy is, and what is sent once more."""

from __future__ import annotations

import random

from monitor.mirror.marks import EVENTS, OVERLAP_S, READINGS, Marks


def test_what_is_kept_is_where_the_mark_stood_two_minutes_ago() -> None:
    """A server may lose what it took since."""
    marks = Marks(10, 1)
    for n in range(30):
        marks.head = {READINGS: 100 + n, EVENTS: n}
        marks.note(n * 10.0)
    assert marks.sure() == {READINGS: 100 + 29 - OVERLAP_S / 10, EVENTS: 29 - OVERLAP_S / 10}
    assert Marks(10, 1).sure() == {READINGS: 10, EVENTS: 1}


def test_what_was_taken_shortly_before_the_server_went_away_is_in_doubt_until_it_is_sent_again() -> None:
    """And the mark that is kept stays before it so long; going away again makes it no less."""
    marks = Marks()
    for n in range(100):
        marks.head = {READINGS: n, EVENTS: 0}
        marks.note(n * 10.0)
    marks.went_away()
    assert marks.doubts == {READINGS: (87, 99)} and marks.sure()[READINGS] == 87
    marks.again_done(READINGS, 90)
    marks.head[READINGS] = 120
    marks.note(2000.0)
    marks.note(3000.0)
    assert marks.sure()[READINGS] == 90
    marks.went_away()
    assert marks.doubts == {READINGS: (90, 120)}
    marks.again_done(READINGS, 120)
    marks.note(4000.0)
    marks.note(5000.0)
    assert marks.doubts == {} and marks.sure()[READINGS] == 120


def test_a_reading_that_changed_sets_everything_back_to_before_it() -> None:
    """The head, and what is kept."""
    marks = Marks(50, 7)
    marks.note(0.0)
    marks.head[READINGS] = 60
    marks.note(200.0)
    marks.back_to(40)
    assert (marks.head, marks.sure()) == ({READINGS: 39, EVENTS: 7}, {READINGS: 39, EVENTS: 7})
    marks.back_to(70)
    assert marks.head[READINGS] == 39


def test_whatever_happens_nothing_is_taken_for_sure_that_the_server_may_lack() -> None:
    """A server that loses, each time it goes away, what it took in the last 100 s; a seed's thousand turns."""
    chance, marks, now_s = random.Random(7), Marks(), 0.0
    there: dict[int, float] = {}  # number -> when the server took it last
    newest = 0
    for _ in range(1000):
        now_s += chance.choice([1.0, 10.0, 60.0, 300.0])
        newest += chance.randrange(20)
        if chance.random() < 0.3:
            there = {n: at for n, at in there.items() if at <= now_s - 100.0}
            marks.went_away()
        else:
            there |= dict.fromkeys(range(marks.head[READINGS] + 1, newest + 1), now_s)
            marks.head[READINGS] = newest
            while READINGS in marks.doubts:
                after, upto = marks.doubts[READINGS]
                upto = min(upto, after + 50)
                there |= dict.fromkeys(range(after + 1, upto + 1), now_s)
                marks.again_done(READINGS, upto)
            marks.note(now_s)
            assert set(range(1, newest + 1)) == set(there)
        assert set(range(1, marks.sure()[READINGS] + 1)) <= set(there)
