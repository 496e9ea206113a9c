"""``on-call``: set, shown, ended; and that it reaches the one who rings."""

from __future__ import annotations

import time
from collections.abc import Callable

import pytest

from monitor.duty import LONGEST_S, ON_CALL_KEY, OnCallError, on_call_now, set_on_call
from monitor.settings import load_settings
from tests.commands.conftest import Shed

PEOPLE = """
[[person]]
name = "Ada"
routes = ["print://ada"]
[[person]]
name = "Ben"
routes = ["print://ben"]
[[person]]
name = "Cem"
"""


@pytest.fixture
def manned(shed: Shed) -> Shed:
    shed.add_settings(PEOPLE)
    return shed


def test_without_a_name_it_shows_the_order_and_makes_no_journal(manned: Shed) -> None:
    """Nobody is set: the order of the settings, without who cannot be rung."""
    words = manned.ok("on-call").words
    assert "Nobody is set on call" in words and "It rings in this order: Ada, Ben." in words
    assert not manned.journal_path.exists()


def test_a_person_is_set_until_noon_and_taken_back(manned: Shed) -> None:
    """Written as asked, readable by whoever rings, and gone again."""
    words = manned.ok("on-call", "ben").words
    assert "On call: Ben, until" in words and "12:00" in words and "order: Ben, Ada." in words
    settings = load_settings(manned.settings)
    with manned.journal() as journal:
        kept = journal.fact(ON_CALL_KEY)
        assert kept["person"] == "Ben" and 0 < kept["until_s"] - time.time() <= 36 * 3600.0
        found = on_call_now(journal, settings.people, time.time(), settings.local_time)
        assert found is not None and found.people == ("Ben",) and found.by_hand
    said = manned.ok("on-call", "--json").json
    assert (said["on_call"], said["by_hand"], said["order"]) == (["Ben"], True, ["Ben", "Ada"])
    assert "Nobody is set on call" in manned.ok("on-call", "--end").words


@pytest.mark.parametrize("until", ["12 h", "90 min", "00:00"])
def test_until_takes_a_time_of_day_or_a_length_of_time(manned: Shed, until: str) -> None:
    """The coming midnight is always less than a day away."""
    manned.ok("on-call", "Ada", "--until", until)
    with manned.journal() as journal:
        ahead_s = journal.fact(ON_CALL_KEY)["until_s"] - time.time()
    expected = {"12 h": 43200.0, "90 min": 5400.0}.get(until)
    assert ahead_s == pytest.approx(expected, abs=20.0) if expected else 0 < ahead_s <= 86400.0


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("Benn",), 'Did you mean "Ben"?'),
        (("Ben", "--until", "when the cows come"), "is no time to come"),
        (("Ben", "--until", "2020-01-01 08:00"), "is over; give a later one"),
        (("Ben", "--until", "400 h"), "14 days at a time"),
        (("--until", "08:00"), "Say who is on call"),
        (("Ben", "--end"), "give no name"),
    ],
)
def test_what_cannot_be_is_refused_in_one_sentence(
    manned: Shed, arguments: tuple[str, ...], says: str
) -> None:
    """Nothing is written then."""
    assert says in manned.refused("on-call", *arguments)
    with manned.journal() as journal:
        assert journal.fact(ON_CALL_KEY) is None


def test_the_weekdays_of_the_settings_are_read(shed: Shed, refused_settings: Callable[[str], str]) -> None:
    """Short or whole, in any case; another word is told as no day."""
    shed.add_settings('[[person]]\nname = "Ada"\nroutes = ["print://a"]\non_call = ["Mon", "thursday"]\n')
    assert load_settings(shed.settings).people[0].on_call == (0, 3)
    assert '"someday" is no day of the week' in refused_settings('on_call = ["someday"]')


@pytest.fixture
def refused_settings(shed: Shed) -> Callable[[str], str]:
    def refused(line: str) -> str:
        shed.add_settings(f'[[person]]\nname = "Eve"\nroutes = ["print://e"]\n{line}\n')
        return shed.refused("on-call")

    return refused


def test_a_button_s_call_is_checked_as_the_command_s(manned: Shed) -> None:
    """The page calls the same function."""
    with manned.journal() as journal:
        for until_s in (999.0, 1000.0, 1001.0 + LONGEST_S):
            with pytest.raises(OnCallError):
                set_on_call(journal, "Ada", until_s, 1000.0)
        assert journal.fact(ON_CALL_KEY) is None
