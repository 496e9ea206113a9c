"""``would-ring``: what is typed on the command line."""

from __future__ import annotations

import pytest

from monitor.commands.common import CommandError
from monitor.commands.would_ring import _in_order, _with_hours
from monitor.page.what_if_view import TriedPerson

PEOPLE = (TriedPerson("Ash", 420, 1320), TriedPerson("Ben, next door", 480, 1260))


@pytest.mark.parametrize("typed", ["Ash 06:00-23:30", "ash 06:00 - 23:30", " Ash  6.00 -23.30 "])
def test_hours_for_one_person_however_they_are_spaced(typed: str) -> None:
    """The other keeps theirs."""
    ash, ben = _with_hours(typed, PEOPLE)
    assert (ash.waking_from, ash.waking_to) == (360, 1410)
    assert ben == PEOPLE[1]


def test_hours_for_all() -> None:
    """Without a name."""
    assert {(one.waking_from, one.waking_to) for one in _with_hours("06:00 - 23:00", PEOPLE)} == {(360, 1380)}


def test_a_name_with_a_comma_is_known_by_what_stands_before_it() -> None:
    """In an order and with hours."""
    assert [one.name for one in _in_order("Ben, Ash", PEOPLE)] == ["Ben, next door", "Ash"]
    assert _with_hours("Ben 08:00-20:00", PEOPLE)[1].waking_to == 1200


@pytest.mark.parametrize("typed", ["Ash", "Ash late", "06:00", "Cy 06:00-22:00", "Ash 25:00-22:00"])
def test_what_cannot_be_read_is_said(typed: str) -> None:
    """In one sentence."""
    with pytest.raises(CommandError):
        _with_hours(typed, PEOPLE)
