"""Who is on call: from the weekdays, by hand, and at the hours where one turn ends and the next begins."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from monitor.judgement.on_call import OnCall, in_order, night_of, on_call_at, tonight_ends_s, turn_ends_s

NIGHTS = [("Wren", frozenset({0, 3})), ("Hazel", frozenset({1})), ("Ben", frozenset[int]())]
MON, TUE, THU = 0, 1, 3


def place(zone: str = "UTC") -> Callable[[float], datetime]:
    return lambda at_s: datetime.fromtimestamp(at_s, UTC).astimezone(ZoneInfo(zone))


def at(text: str, zone: str = "UTC") -> float:
    return datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(zone)).timestamp()


@pytest.mark.parametrize(
    ("local", "day"),
    [  # 2026-01-19 is a Monday
        ("2026-01-19T12:00", MON), ("2026-01-19T23:59", MON), ("2026-01-20T03:00", MON), ("2026-01-20T11:59", MON),
        ("2026-01-20T12:00", TUE), ("2026-01-22T18:00", THU),
    ],
)  # fmt: skip
def test_a_night_belongs_to_the_day_on_which_it_began(local: str, day: int) -> None:
    """Three on Tuesday morning is Monday's night; from noon on it is Tuesday's."""
    assert night_of(datetime.fromisoformat(local)) == day


def test_the_weekdays_say_who_is_first_and_the_order_of_the_others_stays() -> None:
    """Hazel has Tuesday's night, whatever stands before her in the settings; Sunday is nobody's."""
    found = on_call_at(None, NIGHTS, at("2026-01-21T02:00"), place())
    assert found == OnCall(("Hazel",), at("2026-01-21T12:00"))
    names = [name for name, _ in NIGHTS]
    assert in_order(names, found, str) == ["Hazel", "Wren", "Ben"]
    assert on_call_at(None, NIGHTS, at("2026-01-18T20:00"), place()) is None
    assert in_order(names, None, str) == names


def test_two_who_share_a_night_keep_their_order() -> None:
    """Both come before the others."""
    both = [("Ben", frozenset[int]()), ("Wren", frozenset({0})), ("Hazel", frozenset({0}))]
    found = on_call_at(None, both, at("2026-01-19T20:00"), place())
    assert in_order([name for name, _ in both], found, str) == ["Wren", "Hazel", "Ben"]


def test_what_was_set_by_hand_goes_before_the_weekdays_until_its_time() -> None:
    """Then the weekdays hold again, without anybody's doing."""
    kept = {"person": "Ben", "until_s": at("2026-01-19T22:00")}
    before = on_call_at(kept, NIGHTS, at("2026-01-19T21:59"), place())
    assert before == OnCall(("Ben",), at("2026-01-19T22:00"), by_hand=True)
    after = on_call_at(kept, NIGHTS, at("2026-01-19T22:00"), place())
    assert after is not None and after.people == ("Wren",) and not after.by_hand


@pytest.mark.parametrize("kept", [{"person": "Somebody gone", "until_s": 9e9}, {"person": "Ben"}, "Ben", 7, {}, []])
def test_what_cannot_be_read_counts_as_not_set(kept: object) -> None:
    """A name that the settings lost, or a journal of another time, must not leave the alarm without anybody."""
    assert on_call_at(kept, NIGHTS, at("2026-01-18T20:00"), place()) is None


@pytest.mark.parametrize(
    ("now", "until"),
    [
        ("2026-01-19T09:00", "2026-01-20T12:00"),  # in the morning "tonight" is the night to come
        ("2026-01-19T22:00", "2026-01-20T12:00"),
        ("2026-01-20T02:00", "2026-01-20T12:00"),  # at two it is the night that is
    ],
)
def test_tonight_ends_at_noon_after_the_night_that_is_meant(now: str, until: str) -> None:
    """By the clock of the place, in the night in which the clocks change too."""
    assert tonight_ends_s(at(now), place()) == at(until)
    assert turn_ends_s(at("2026-01-19T22:00"), place()) == at("2026-01-20T12:00")
    spring = at("2026-03-28T22:00", "Europe/Berlin")
    assert tonight_ends_s(spring, place("Europe/Berlin")) - spring == 13 * 3600.0
