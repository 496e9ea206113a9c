"""Whoever should not get in does not: wrong tries over a restart, the end of a session, a page closed to visitors."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from monitor.deeds import JournalDeeds
from monitor.journal.database import Journal, JournalError
from monitor.page.app import make_app
from monitor.page.door import COOKIE, HOST_ONLY, KNOWN_COOKIE, MOST_ENDED, SESSION_S, Door
from monitor.page.links import ANSWER, LASTS_S, Link, address_for, token_of
from monitor.page.tries import FORGIVEN_AFTER_S, FREE_TRIES, LONGEST_WAIT_S, MOST_WRONG_AN_HOUR, Tries
from monitor.page.view import StatusView
from tests.page.test_press import HERE, PASSPHRASE, T0
from tests.page.views import GOOD, status

KEY = b"k" * 32
OWNER, STRANGER = "192.0.2.7", "198.51.100.{}"


class Kept:
    """A memory that outlives the door; ``full`` refuses to keep."""

    def __init__(self) -> None:
        self.values: dict[str, str] = {}
        self.written, self.full = 0, False

    def recall(self, name: str) -> object:
        return json.loads(self.values.get(name, "null"))

    def keep(self, name: str, value: object) -> None:
        if self.full:
            raise JournalError("Journal: the disk is full.", again=True)
        self.values[name] = json.dumps(value)
        self.written += 1


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """The hash is slow on purpose; thousands of tries would take minutes here."""
    slow = hashlib.scrypt

    def quick(password: bytes, **how: Any) -> bytes:
        return slow(password, **{**how, "n": 2})

    monkeypatch.setattr(hashlib, "scrypt", quick)


def opened(memory: Kept | None = None) -> Door:
    """The door after a restart."""
    return Door(PASSPHRASE, KEY, memory)


def let_in(door: Door, client: str = OWNER, now_s: float = T0, known: str = "") -> str:
    """The cookie of a session."""
    entered = door.enter(PASSPHRASE, client, now_s, known)
    assert entered is not None
    return entered[1]


# ---- wrong tries -----------------------------------------------------------------------------------------------------


def test_a_restart_forgives_no_wrong_try() -> None:
    """Else whoever can make the watch restart could try for ever."""
    memory = Kept()
    for _ in range(FREE_TRIES):
        assert opened(memory).enter("wrong", OWNER, T0) is None
    assert opened(memory).wait_s(OWNER, T0) > 0.0
    assert opened(memory).enter(PASSPHRASE, OWNER, T0) is None
    assert opened(memory).wait_s(STRANGER.format(1), T0) == 0.0
    assert opened(memory).enter(PASSPHRASE, OWNER, T0 + LONGEST_WAIT_S) is not None
    assert opened(memory).wait_s(OWNER, T0 + LONGEST_WAIT_S) == 0.0


def test_of_a_thousand_tries_a_day_few_are_looked_at_and_fewer_written() -> None:
    """One address that tries every second for a day: about a hundred count. From many addresses sixty an hour do, and
    no more than that is written, some kilobytes each."""
    memory = Kept()
    door = opened(memory)
    counted = 0
    for after_s in range(0, 86400, 5):
        counted += door.wait_s(OWNER, T0 + after_s) == 0.0
        assert door.enter("x", OWNER, T0 + after_s) is None
    assert counted <= FREE_TRIES + 86400 / LONGEST_WAIT_S + 7
    assert memory.written == counted
    memory.written = 0
    many = opened(memory)
    for number in range(3000):  # an hour and a half, each time from another address
        many.enter("x", STRANGER.format(number % 250), T0 + 90_000.0 + 1.8 * number)
    assert memory.written <= 2 * MOST_WRONG_AN_HOUR
    assert len(memory.values["tries"]) < 8192


def test_a_stranger_who_never_stops_does_not_lock_the_owner_out() -> None:
    """A phone that was let in before, and this computer itself, do not wait for the wrong tries of others."""
    door = opened(Kept())
    known = door.known_cookie()
    now_s = T0
    for number in range(5 * MOST_WRONG_AN_HOUR):
        now_s += 30.0
        door.enter("x", STRANGER.format(number % 200), now_s)
    assert door.wait_s(OWNER, now_s) > 0.0  # any other phone has to wait
    assert door.enter(PASSPHRASE, OWNER, now_s) is None
    assert let_in(door, OWNER, now_s, known)
    assert let_in(door, "127.0.0.1", now_s)
    # And one day without tries opens the door to everybody.
    assert let_in(door, OWNER, now_s + FORGIVEN_AFTER_S)


def test_a_phone_that_was_let_in_before_gets_no_more_tries_than_others() -> None:
    """A stolen one must not be the way round the waiting; a made-up word for it counts as none."""
    door = opened()
    known = door.known_cookie()
    assert all(door.enter("x", STRANGER.format(number), T0, known) is None for number in range(200))
    assert door.wait_s(OWNER, T0, known) > 0.0 and door.wait_s(OWNER, T0) == 0.0
    for made_up in ("", ".", "a.b", known[:-1], known + "0", "é.é", "x" * 5000):
        for number in range(FREE_TRIES):
            assert door.enter("x", STRANGER.format(number), T0, made_up) is None
    assert door.wait_s(STRANGER.format(0), T0, "a.b") > 0.0


@pytest.mark.parametrize(
    "kept", [None, 5, [], {"by": 3, "all": "x"}, {"by": {"a": [1]}, "all": [None, "x", True]},
             {"by": {"a": ["x", 2], "b": [1e300, 1e300]}, "all": [1e300]}, {"all": [T0 + 1e9] * 5000}],
)  # fmt: skip
def test_what_was_kept_may_be_anything(kept: object) -> None:
    """A damaged or foreign value counts as nothing and locks nobody out."""
    tries = Tries(kept)
    assert tries.wait_s("a", T0) == 0.0 and tries.begin("a", T0)


def test_a_full_disk_does_not_shut_the_owner_out() -> None:
    """Nor does it give free tries while the watch runs."""
    memory = Kept()
    memory.full = True
    door = opened(memory)
    for _ in range(FREE_TRIES):
        door.enter("x", STRANGER.format(1), T0)
    assert door.wait_s(STRANGER.format(1), T0) > 0.0
    assert let_in(door)


# ---- the end of a session --------------------------------------------------------------------------------------------


def test_a_session_that_was_ended_stays_so_over_a_restart() -> None:
    """A copy of its cookie opens nothing; the other phone stays in."""
    memory = Kept()
    door = opened(memory)
    cookie, other = let_in(door), let_in(door)
    session = door.session(cookie, T0 + 5.0)
    assert session is not None
    door.end(session, T0 + 5.0)
    for later in (door, opened(memory)):
        assert later.session(cookie, T0 + 10.0) is None
        assert later.session(other, T0 + 10.0) is not None
    assert Door("another passphrase", KEY, memory).session(other, T0 + 10.0) is None


def test_ended_sessions_take_no_more_room_than_so_many() -> None:
    """Beyond it the doors of all phones are closed, rather than one of the closed ones opened."""
    memory = Kept()
    door = opened(memory)
    first = ""
    for number in range(MOST_ENDED + 1):
        cookie = let_in(door)
        first = first or cookie
        session = door.session(cookie, T0)
        assert session is not None, number
        door.end(session, T0)
    other = let_in(door, now_s=T0 - 60.0)
    for later in (door, opened(memory)):
        assert later.session(first, T0 + 1.0) is None and later.session(other, T0 + 1.0) is None
        assert later.session(let_in(later, now_s=T0 + 2.0), T0 + 3.0) is not None
    assert len(memory.values["ended"]) < 1000
    # What is over by itself is no longer kept.
    door.end(door.session(let_in(door, now_s=T0 + 5.0), T0 + 6.0), T0 + 6.0)  # type: ignore[arg-type]
    late_s = T0 + 2.0 * SESSION_S
    door.end(door.session(let_in(door, now_s=late_s), late_s), late_s)  # type: ignore[arg-type]
    assert len(json.loads(memory.values["ended"])["names"]) == 1


# ---- over HTTP, with a real journal ----------------------------------------------------------------------------------


class House:
    """A page and its journal, restarted at will."""

    def __init__(self, path: Path, *, open_to_read: bool = True, base_url: str = "http://localhost") -> None:
        self.path, self.open_to_read, self.base_url, self.now_s = path, open_to_read, base_url, T0
        with Journal(path):
            pass
        self.client = self.restart()

    def restart(self) -> TestClient:
        """A new watch on the same journal; the phone keeps its cookies."""
        self.deeds = JournalDeeds(lambda: Journal(self.path), lambda: self.now_s)
        present: StatusView = status(GOOD)
        app = make_app(lambda: present, deeds=self.deeds, passphrase=PASSPHRASE, now_s=lambda: self.now_s,
                       open_to_read=self.open_to_read)  # fmt: skip
        cookies = getattr(self, "client", None) and self.client.cookies
        self.client = TestClient(app, base_url=self.base_url, follow_redirects=False, cookies=cookies or None)
        return self.client

    def enter(self, passphrase: str = PASSPHRASE) -> int:
        return self.client.post("/enter", data={"passphrase": passphrase}, headers=HERE).status_code

    def token(self) -> str:
        page = self.client.get("/bucket/shed-2/steps").text
        return page.partition('name="token" value="')[2].partition('"')[0]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "journal.sqlite"


def test_closing_the_door_ends_a_copied_cookie(path: Path) -> None:
    """The cookie is forgotten on the phone and refused by the page, after a restart of the watch, too."""
    house = House(path)
    assert house.enter() == 303
    copied = house.client.cookies[COOKIE]
    assert house.client.post("/leave", data={"token": house.token()}, headers=HERE).status_code == 303
    assert COOKIE not in house.client.cookies and KNOWN_COOKIE in house.client.cookies
    for _ in range(2):
        house.client.cookies.set(COOKIE, copied, domain="localhost.local")
        house.client.cookies.set(COOKIE, copied)
        assert not house.token()
        house.deeds.close()
        house.restart()
    house.deeds.close()


def test_wrong_tries_over_http_outlive_a_restart(path: Path) -> None:
    """The stranger's address waits; what is kept in the journal holds nothing of what was typed."""
    house = House(path)
    assert [house.enter("wrong-guess-77") for _ in range(FREE_TRIES)] == [403] * FREE_TRIES
    house.deeds.close()
    house.restart()
    assert house.enter() == 429
    house.now_s += LONGEST_WAIT_S
    assert house.enter() == 303
    house.deeds.close()
    kept = [one.read_bytes() for one in path.parent.glob("journal.sqlite*")]
    assert kept and all(b"wrong-guess" not in one for one in kept)


def test_behind_tls_the_cookie_is_secure_and_for_this_host_only(path: Path) -> None:
    """By where the browser says the form stood; a header that anybody may send changes nothing."""
    house = House(path)
    plain = house.client.post("/enter", data={"passphrase": PASSPHRASE}, headers={**HERE, "x-forwarded-proto": "https"})
    assert "secure" not in plain.headers["set-cookie"].lower() and HOST_ONLY not in plain.headers["set-cookie"]
    house.client.cookies.clear()
    tls = {"origin": "https://localhost", "sec-fetch-site": "same-origin", "x-forwarded-proto": "http"}
    answer = house.client.post("/enter", data={"passphrase": PASSPHRASE}, headers=tls)
    assert answer.status_code == 303
    for cookie in answer.headers.get_list("set-cookie"):
        assert cookie.startswith(HOST_ONLY) and "; Secure" in cookie and "Path=/;" in cookie and "Domain" not in cookie
        assert "HttpOnly" in cookie and "samesite=strict" in cookie.lower()
    # A browser sends it back over TLS only; here the test's client does it by hand.
    sent = "; ".join(one.partition(";")[0] for one in answer.headers.get_list("set-cookie"))
    page = house.client.get("/bucket/shed-2/steps", headers={"cookie": sent}).text
    token = page.partition('name="token" value="')[2].partition('"')[0]
    assert token
    left = house.client.post("/leave", data={"token": token}, headers={**tls, "cookie": sent})
    assert left.status_code == 303
    assert 'name="token"' not in house.client.get("/bucket/shed-2/steps", headers={"cookie": sent}).text
    house.deeds.close()


OPEN_ADDRESSES = ("/enter", "/static/page.css")


def test_closed_to_visitors_every_page_asks_for_the_passphrase(path: Path) -> None:
    """With open_to_read off a visitor sees the door, the style of the pages and signed addresses, nothing else."""
    house = House(path, open_to_read=False)
    inner = house.client.app._app.app._app._app  # type: ignore[attr-defined]
    addresses = [route.path for route in inner.routes if hasattr(route, "methods")]
    assert {"/", "/status.json", "/healthz", "/live", "/bucket/{name:path}"} <= set(addresses)
    for address in addresses:
        if address == "/enter" or "{token}" in address:
            continue
        asked = address.replace("{name:path}", "shed-2").replace("{name}", "uPlot.iife.min.js")
        if asked.startswith("/static/"):
            continue
        answer = house.client.get(asked)
        assert answer.status_code in (303, 403), asked
        assert "shed-2" not in answer.text and "71" not in answer.text
        if answer.status_code == 303:
            assert answer.headers["location"].startswith("/enter?back=")
        assert house.client.post(asked, data={"x": "1"}, headers=HERE).status_code == 403
    for trick in ("/static/../status.json", "/a/../status.json", "//status.json", "/status.json/", "/enter/../",
                  "/static/%2e%2e/status.json", "/Status.json", "/heard/x/../../status.json"):  # fmt: skip
        assert "shed-2" not in house.client.get(trick).text, trick
    assert [house.client.get(one).status_code for one in OPEN_ADDRESSES] == [200, 200]
    link = Link(ANSWER, ("gone",), "Ash", T0 + LASTS_S)
    assert house.client.get(address_for(link, token_of(link, house.deeds.key()))).status_code == 200
    assert house.client.get(address_for(link, token_of(link, b"x" * 32))).status_code == 404
    assert house.enter() == 303
    assert "shed-2" in house.client.get("/").text and house.client.get("/status.json").status_code == 200
    assert house.client.get("/healthz").status_code == 200
    house.client.post("/leave", data={"token": house.token()}, headers=HERE)
    assert house.client.get("/").headers["location"] == "/enter?back=%2F"
    house.deeds.close()
