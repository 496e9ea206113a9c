"""What the siren is told, for every mix of alarms."""

from __future__ import annotations

import json
from dataclasses import dataclass

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.siren.state import (
    DAYLIGHT,
    MOST_BYTES,
    NONE,
    NOW,
    SEEN,
    UNKNOWN,
    Siren,
    first_number,
    heartbeat,
    next_number,
    payload,
    pressed,
    siren_of,
)

NOW_S = 1_773_480_000.0


@dataclass(frozen=True)
class One:
    """An alarm as the journal has it."""

    alarm_id: str
    bucket: str
    state: str
    urgency: str
    raised_at_s: float | None
    shelved_until_s: float | None = None


alarms = st.lists(
    st.builds(
        One,
        alarm_id=st.text(min_size=1, max_size=30),
        bucket=st.text(max_size=40),
        state=st.sampled_from(["unacknowledged", "acknowledged", "returned_unacknowledged", "normal"]),
        urgency=st.sampled_from(["now", "daylight"]),
        raised_at_s=st.one_of(st.none(), st.floats(NOW_S - 1e5, NOW_S)),
        shelved_until_s=st.one_of(st.none(), st.floats(NOW_S - 1e4, NOW_S + 1e4)),
    ),
    max_size=40,
)


@given(alarms)
def test_it_sounds_exactly_while_something_that_wakes_was_not_seen(these: list[One]) -> None:
    """Not for what can wait, not for what somebody has seen or keeps quiet, not for what is over."""
    sounds = {
        one.alarm_id
        for one in these
        if one.state == "unacknowledged" and one.urgency == "now" and (one.shelved_until_s or 0.0) <= NOW_S
    }
    siren = siren_of(these, NOW_S)
    assert (siren.state == NOW) == bool(sounds)
    assert set(siren.rings) == sounds
    # Where the watch does not judge, nothing but what rings is known.
    assert siren_of(these, NOW_S, minded=False).state == (NOW if sounds else UNKNOWN)


@pytest.mark.parametrize(
    ("these", "state"),
    [
        ([], NONE),
        ([One("a", "shed-2", "unacknowledged", "daylight", 1.0)], DAYLIGHT),
        ([One("a", "shed-2", "acknowledged", "now", 1.0)], SEEN),
        ([One("a", "shed-2", "unacknowledged", "now", 1.0, NOW_S + 60.0)], SEEN),
        ([One("a", "shed-2", "unacknowledged", "now", 1.0, NOW_S - 1.0)], NOW),
        ([One("a", "shed-2", "normal", "now", 1.0)], NONE),
    ],
)
def test_the_words_of_the_state(these: list[One], state: str) -> None:
    """Each of them."""
    assert siren_of(these, NOW_S).state == state


@given(alarms, st.integers(0, 2**31 - 1))
def test_any_state_fits_a_small_node(these: list[One], number: int) -> None:
    """However many buckets there are and whatever they are called; what is left out is counted."""
    siren = siren_of(these, NOW_S)
    packed = payload(siren, number)
    values = json.loads(packed)
    assert len(packed) <= MOST_BYTES
    assert (values["n"], values["state"]) == (number, siren.state)
    shown = values.get("buckets", [])
    assert shown == list(siren.buckets[: len(shown)])
    assert len(shown) + values.get("more", 0) == len(siren.buckets)
    assert len(heartbeat(siren, number, NOW_S)) <= MOST_BYTES


def test_the_oldest_bucket_that_rings_comes_first() -> None:
    """A small display shows one name."""
    these = [One(f"{n}", f"shed-{n}", "unacknowledged", "now", NOW_S - n) for n in (2, 9, 4)]
    assert siren_of(these, NOW_S).buckets == ("shed-9", "shed-4", "shed-2")


@given(st.binary(max_size=400))
def test_no_noise_is_a_press(data: bytes) -> None:
    """And none of it raises."""
    assert pressed(data) is None or b'"n"' in data


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b'{"n":7}', (7, "acknowledged")),
        (b'{"n":7,"act":"seen"}', (7, "acknowledged")),
        (b'{"n":7,"act":"going"}', (7, "going")),
        (b'{"n":7,"act":"shelved"}', None),
        (b'{"n":"7"}', None),
        (b'{"n":true}', None),
        (b'{"n":7.0}', None),
        (b"[7]", None),
        (b"", None),
        (b'{"n":7,"x":"' + b"x" * 300 + b'"}', None),
    ],
)
def test_what_counts_as_a_press(data: bytes, said: tuple[int, str] | None) -> None:
    """A number, and nothing else than seen or going."""
    assert pressed(data) == said


def test_numbers_go_on_and_turn_round() -> None:
    """They stay within what a microcontroller's signed integer holds."""
    assert next_number(2**31 - 1) == 0 and next_number(5) == 6
    assert 0 <= first_number(NOW_S) < 2**31
    assert payload(Siren(NONE), 3) == b'{"v":1,"n":3,"state":"none"}'
