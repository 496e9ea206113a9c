"""Whose group may write a file, by lookups of the test's own."""

from __future__ import annotations

import os
from types import SimpleNamespace

import pytest

from monitor.file_group import writing_group

USERS = {1000: ("ada", 1000), 1001: ("ben", 1001), 1002: ("cem", 100), 1003: ("eve", 1001)}
GROUPS = {1000: ("ada", []), 1001: ("ben", []), 100: ("users", []), 50: ("cem", ["ada", "cem"]), 51: ("ada", ["ada"])}


def _user(number: int) -> SimpleNamespace:
    name, first = USERS[number]
    return SimpleNamespace(pw_name=name, pw_gid=first)


def _group(number: int) -> SimpleNamespace:
    name, members = GROUPS[number]
    return SimpleNamespace(gr_name=name, gr_mem=members)


def _writing(mode: int, user: int, group: int) -> str:
    state = os.stat_result((0o100000 | mode, 0, 0, 1, user, group, 0, 0, 0, 0))
    return writing_group(state, user_of=_user, group_of=_group, users=lambda: map(_user, USERS))


@pytest.mark.parametrize("mode", [0o620, 0o660, 0o664])
def test_a_private_group_is_nobody_else(mode: int) -> None:
    """As Debian makes one for each user: their name, no other member; that they stand in it themselves is no matter."""
    assert _writing(mode, 1000, 1000) == ""
    assert _writing(mode, 1000, 51) == ""


@pytest.mark.parametrize(
    ("user", "group", "name"),
    [
        (1002, 100, "users"),  # of many
        (1000, 1001, "ben"),  # somebody else's own
        (1002, 50, "cem"),  # called as its owner, with a member more
        (1001, 1001, "ben"),  # called as its owner, but another's first group
        (1000, 4711, "4711"),  # of which the system knows nothing
        (4711, 1000, "ada"),  # an owner of whom it knows nothing
    ],
)
def test_any_other_group_is_named(user: int, group: int, name: str) -> None:
    assert _writing(0o664, user, group) == name


@pytest.mark.parametrize("mode", [0o600, 0o644, 0o400, 0o602])
def test_a_group_that_cannot_write_is_not_asked_for(mode: int) -> None:
    """Everybody else's writing is not its matter."""
    assert _writing(mode, 4711, 4711) == ""


def test_the_system_s_own_lookups_fit() -> None:
    """Of whoever runs this; a number that nobody has is no error."""
    mine = os.stat_result((0o100660, 0, 0, 1, os.getuid(), os.getgid(), 0, 0, 0, 0))
    assert isinstance(writing_group(mine), str)
    assert writing_group(os.stat_result((0o100660, 0, 0, 1, 3_999_999_999, 3_999_999_999, 0, 0, 0, 0))) == "3999999999"
