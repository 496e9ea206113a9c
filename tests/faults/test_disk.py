"""A disk that fails: each write or sync in turn, once or until it is mended. The phones ring all the same."""

from __future__ import annotations

import errno
import random
from collections.abc import Iterator
from typing import Any

import pytest

from tests.faults.disk_promises import Teller, broken, story

ERRORS = (errno.EIO, errno.ENOSPC, errno.EROFS)
# In CI a spread of the calls; all of them: python -m tests.faults.soak disk.
SPREAD = 5


@pytest.fixture(scope="module")
def tell(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Teller]:
    with story(tmp_path_factory.mktemp("disk")) as teller:
        yield teller


@pytest.fixture(scope="module")
def sound(tell: Teller) -> dict[str, Any]:
    """The story on a disk without a fault."""
    return tell()


def test_on_a_sound_disk_all_of_it_holds(sound: dict[str, Any]) -> None:
    """What the faults are held against: the alarm rings, and nothing rings for the disk."""
    assert broken(sound, sound, sticky=False) == []
    assert sound["failed"] == 0 and sound["counted"] > 100
    assert {one["about"].split("/")[2] for one in sound["rang"]} == {"too_hot"}


@pytest.mark.parametrize("sticky", [False, True], ids=["once", "until-mended"])
@pytest.mark.parametrize("error", ERRORS, ids=errno.errorcode.get)
def test_a_call_that_fails_keeps_no_alarm_from_the_phone(
    tell: Teller, sound: dict[str, Any], error: int, sticky: bool
) -> None:
    """And what was read meanwhile is kept once, acknowledged once and recorded whole, when the disk is well again."""
    chance = random.Random(error + sticky)
    width = sound["counted"] / SPREAD
    for part in range(SPREAD):
        n = 1 + int(width * (part + chance.random()))
        found = tell(n, error, sticky=sticky, halves=part % 2 == 0)
        assert found["failed"] >= 1, f"call {n} of {sound['counted']} never came"
        assert broken(found, sound, sticky=sticky) == [], f"call {n}, a {found['first']}"
