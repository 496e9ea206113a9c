"""The address in a message: it answers one alarm for one person until it ends, and a GET never answers."""

from __future__ import annotations

import hashlib
import hmac
import re
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from starlette.testclient import TestClient

from monitor.page.app import make_app
from monitor.page.links import ANSWER, HEARD, LASTS_S, Link, address_for, link_in, token_of
from monitor.page.view import StatusView
from tests.page.views import BAD, GOOD, NOT_TAKEN, NOW_S, status

KEY = b"k" * 32
ALARM = replace(NOT_TAKEN, alarm_id="shed-3/Quillmarsh 13/not_taken/1", kind="not_taken")
HERE = {"origin": "http://localhost", "sec-fetch-site": "same-origin"}


class Deeds:
    """Writes down what it was asked to do."""

    def __init__(self) -> None:
        self.done: list[tuple[str, ...]] = []

    def key(self) -> bytes:
        return KEY

    def act(self, bucket: str, alarm_id: str, act: str, *, who: str = "", quiet_s: float = 0.0) -> None:
        self.done.append((bucket, alarm_id, act, who))

    def heard(self, person: str) -> None:
        self.done.append(("heard", person))


class Farm:
    """A page with one alarm on it, and the clock."""

    def __init__(self) -> None:
        self.deeds, self.now_s = Deeds(), NOW_S
        self.more: tuple[str, ...] = ()
        self.view: StatusView = status(replace(BAD, alarms=(ALARM,)), GOOD)
        app = make_app(lambda: self.view, deeds=self.deeds, now_s=lambda: self.now_s, knowing=("Ash",))  # type: ignore[arg-type]
        self.client = TestClient(app, base_url="http://localhost", follow_redirects=False)

    def address(self, purpose: str = ANSWER, person: str = "Ash", ends_s: float = NOW_S + LASTS_S) -> str:
        link = Link(purpose, (ALARM.alarm_id, *self.more), person, ends_s)
        return address_for(link, token_of(link, KEY))


@pytest.fixture
def farm() -> Farm:
    return Farm()


names = st.text(max_size=60)


@given(st.lists(names, max_size=4), names, st.integers(0, 2**40), st.binary(min_size=16, max_size=40))
def test_a_token_gives_back_what_was_signed(about: list[str], person: str, ends_s: int, key: bytes) -> None:
    """Whatever the names are."""
    link = Link(ANSWER, tuple(about), person, float(ends_s))
    token = token_of(link, key)
    assert re.fullmatch(r"[A-Za-z0-9_-]+\.[A-Za-z0-9_-]{22}", token)
    assert link_in(token, key) == link


@given(st.data())
def test_no_altered_token_passes(data: st.DataObject) -> None:
    """One sign other, cut off, or put behind: it is not ours."""
    token = token_of(Link(ANSWER, ("a/b/c/1",), "Ash", 1.0), KEY)
    at = data.draw(st.integers(0, len(token) - 1))
    sign = data.draw(st.sampled_from("ABCxyz019-_.").filter(lambda one: one != token[at]))
    altered = data.draw(st.sampled_from([token[:at] + sign + token[at + 1 :], token[:at], token + sign]))
    assert link_in(altered, KEY) is None


def test_another_key_and_another_use_of_the_key_do_not_pass() -> None:
    """The signature is of its own kind: nothing signed for the door is a link."""
    body = token_of(Link(ANSWER, ("a",), "b", 1.0), KEY).partition(".")[0]
    plain = hmac.new(KEY, body.encode(), hashlib.sha256).hexdigest()[:22]
    assert link_in(f"{body}.{plain}", KEY) is None
    assert link_in(token_of(Link(ANSWER, ("a",), "b", 1.0), b"x" * 32), KEY) is None


def test_a_get_shows_and_never_answers(farm: Farm) -> None:
    """Messengers fetch an address for its preview."""
    for method in ("GET", "HEAD", "GET"):
        answer = farm.client.request(method, farm.address())
        assert answer.status_code == 200
    assert "I am going" in answer.text and NOT_TAKEN.do in answer.text
    assert answer.text.index("Visor") < answer.text.index(NOT_TAKEN.do)
    assert farm.deeds.done == []


@pytest.mark.parametrize("act", ["going", "acknowledged"])
def test_a_press_answers_that_alarm_in_that_name(farm: Farm, act: str) -> None:
    """And leads back to the same address."""
    address = farm.address()
    answer = farm.client.post(address, data={"act": act}, headers=HERE)
    assert (answer.status_code, answer.headers["location"]) == (303, address)
    assert farm.deeds.done == [("shed-3", ALARM.alarm_id, act, "Ash")]


@pytest.mark.parametrize(
    "headers", [{}, {"origin": "http://elsewhere.example"}, {"sec-fetch-site": "cross-site", "origin": "http://localhost"}]
)
def test_a_form_from_elsewhere_answers_nothing(farm: Farm, headers: dict[str, str]) -> None:
    """Even with the address known."""
    assert farm.client.post(farm.address(), data={"act": "going"}, headers=headers).status_code == 403
    assert farm.deeds.done == []


@pytest.mark.parametrize("act", ["shelved", "undo", ""])
def test_it_serves_a_single_purpose(farm: Farm, act: str) -> None:
    """Neither quiet nor anything else can be had by it."""
    assert farm.client.post(farm.address(), data={"act": act}, headers=HERE).status_code == 400
    assert farm.deeds.done == []


def test_it_ends(farm: Farm) -> None:
    """Up to its last second it answers, from then on it says that its time is over."""
    farm.now_s = NOW_S + LASTS_S - 1.0
    assert farm.client.get(farm.address()).status_code == 200
    farm.now_s += 1.0
    assert farm.client.get(farm.address()).status_code == 410
    assert farm.client.post(farm.address(), data={"act": "going"}, headers=HERE).status_code == 410
    assert farm.deeds.done == []


def test_what_is_over_has_no_button(farm: Farm) -> None:
    """And a late press writes nothing."""
    address = farm.address()
    farm.view = status(GOOD)
    assert "It is over" in farm.client.get(address).text
    assert farm.client.post(address, data={"act": "going"}, headers=HERE).status_code == 303
    assert farm.deeds.done == []


def test_somebody_who_does_not_know_the_trade_is_told_to_look_only(farm: Farm) -> None:
    """Not how to blend; and whom to call."""
    words = farm.client.get(farm.address(person="Neighbour")).text
    assert "Look only" in words and "Call Ash" in words and "I am going" in words
    assert NOT_TAKEN.do not in words
    farm = Farm()
    farm.view = status(replace(BAD, alarms=(replace(ALARM, short="Blend 5 min, in gloves."),)))
    assert "Blend" in farm.client.get(farm.address()).text
    assert "Blend" not in farm.client.get(farm.address(person="Neighbour")).text


def test_once_somebody_goes_the_button_is_gone(farm: Farm) -> None:
    """It says so instead."""
    farm.view = status(replace(BAD, alarms=(replace(ALARM, going=True, seen=True),)))
    words = farm.client.get(farm.address()).text
    assert "<button" not in words and "somebody is going" in words


def test_buckets_told_in_one_message_are_answered_by_one_press(farm: Farm) -> None:
    """A dead router silences several: going to one is going to all of them."""
    other = replace(ALARM, alarm_id="shed-9/Quillmarsh 19/silent/1")
    farm.more = (other.alarm_id, "shed-4/over/silent/1")
    farm.view = status(replace(BAD, alarms=(ALARM,)), replace(BAD, name="shed-9", alarms=(other,)))
    assert "shed-3, shed-9" in farm.client.get(farm.address()).text
    farm.client.post(farm.address(), data={"act": "going"}, headers=HERE)
    assert [(bucket, act) for bucket, _, act, _ in farm.deeds.done] == [("shed-3", "going"), ("shed-9", "going")]


def test_an_old_reading_is_not_shown_as_the_present(farm: Farm) -> None:
    """The big figure is left out; how old it is stands there."""
    farm.view = status(replace(BAD, alarms=(ALARM,), temperature_age_s=4000.0))
    words = farm.client.get(farm.address()).text
    assert "too old to go by" in words and "°C, read" not in words
    fresh = Farm()
    assert "°C, read" in fresh.client.get(fresh.address()).text


def test_a_drill_is_heard_by_a_press_only(farm: Farm) -> None:
    """Its address answers no alarm."""
    address = farm.address(HEARD)
    assert "nothing is wrong" in farm.client.get(address).text
    assert farm.deeds.done == []
    answer = farm.client.post(address, data={"act": "heard"}, headers=HERE)
    assert farm.deeds.done == [("heard", "Ash")]
    assert "Ash heard it" in farm.client.get(answer.headers["location"]).text


def test_without_deeds_there_is_nothing_there() -> None:
    """A page that only shows has no such addresses."""
    client = TestClient(make_app(lambda: status(BAD)), base_url="http://localhost")
    link = Link(ANSWER, (ALARM.alarm_id,), "Ash", NOW_S + 1e9)
    assert client.get(address_for(link, token_of(link, KEY))).status_code == 404
