"""A list on its way: what is refused is found and passed over, and nothing else is."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from hypothesis import given
from hypothesis import strategies as st

from monitor.mirror.sending import MOST_REQUESTS, Away, Refused, Sent, send

GOOD = "good 1"


class Other:
    """A server that refuses a list with one of ``bad`` in it, and writes the others of it all the same or not."""

    def __init__(self, bad: set[str], *, partly: bool = False, away_after: int | None = None) -> None:
        self.bad, self.partly, self.away_after = bad, partly, away_after
        self.took: list[str] = []
        self.requests = 0

    def write(self, lines: Sequence[str]) -> None:
        self.requests += 1
        if self.away_after is not None and self.requests > self.away_after:
            raise Away("nothing answers there")
        wrong = [line for line in lines if line in self.bad]
        if not wrong or self.partly:
            self.took += [line for line in lines if line not in self.bad]
        if wrong:
            raise Refused(f"cannot take {wrong[0]}")

    def send(self, lines: Sequence[str], good: Callable[[], str] = lambda: GOOD) -> Sent:
        return send(lines, self.write, good)


def test_a_list_with_nothing_wrong_is_one_request() -> None:
    """And an empty one is none."""
    other = Other(set())
    assert other.send([]).done == 0 and other.requests == 0
    assert other.send(["a", "b"]) == Sent(2) and other.requests == 1


@given(st.lists(st.integers(0, 400), unique=True), st.sets(st.integers(0, 400), max_size=8), st.booleans())
def test_the_bad_ones_are_found_and_the_rest_is_taken(numbers: list[int], bad: set[int], partly: bool) -> None:
    """Wherever they stand, and whether or not the server takes a part of a list that it refuses."""
    lines = [str(n) for n in numbers]
    other = Other({str(n) for n in bad}, partly=partly)
    sent = other.send(lines)
    assert (sent.done, sent.away) == (len(lines), None)
    assert [line for line, _ in sent.refused] == [line for line in lines if line in other.bad]
    assert set(other.took) - {GOOD} == set(lines) - other.bad
    assert all(line in why for line, why in sent.refused)


def test_a_server_that_refuses_everything_is_away_and_nothing_is_passed_over() -> None:
    """Another program answers there, or it is set up wrongly: that is not the points' fault."""
    other = Other({"a", "b", GOOD})
    sent = other.send(["a", "b"])
    assert sent.done == 0 and sent.refused == [] and "no point at all" in str(sent.away)


def test_one_point_alone_that_is_refused_is_passed_over_only_beside_a_good_one() -> None:
    """The point to try with is asked for when nothing else has been taken yet."""
    other = Other({"a"})
    assert [line for line, _ in other.send(["a"]).refused] == ["a"] and other.took == [GOOD]
    assert Other({"b"}).send(["a", "b"]).done == 2


def test_a_server_that_goes_away_in_the_middle_leaves_what_is_settled() -> None:
    """The next turn begins there."""
    lines = [str(n) for n in range(8)]
    sent = Other({"7"}, away_after=4).send(lines)
    assert sent.done == 6 and str(sent.away) == "nothing answers there"


@given(st.integers(0, 500), st.integers(0, 500))
def test_points_older_than_the_server_keeps_any_cost_it_few_requests(begin: int, many: int) -> None:
    """It says of each list how many it left out: where that is all of it, it is not asked of each."""
    lines = [str(n) for n in range(1000)]
    old = set(lines[begin : begin + many])
    took: set[str] = set()
    requests = [0]

    def write(part: Sequence[str]) -> None:
        requests[0] += 1
        took.update(set(part) - old)
        dropped = sum(line in old for line in part)
        if dropped:
            raise Refused(f"partial write: points beyond retention policy dropped={dropped}", dropped)

    sent = send(lines, write, lambda: GOOD)
    assert sent.done == 1000 and [line for line, _ in sent.refused] == lines[begin : begin + many]
    assert took - {GOOD} == set(lines) - old and requests[0] < 50


def test_a_list_that_is_bad_throughout_is_left_in_time() -> None:
    """So many requests a turn and no more; what is settled by then is counted."""
    lines = [str(n) for n in range(2000)]
    other = Other(set(lines))
    sent = other.send(lines)
    assert other.requests <= MOST_REQUESTS + 1 and sent.away is None
    assert len(sent.refused) == sent.done > 50
