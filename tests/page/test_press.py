"""The page's buttons through its own door, with a real journal behind: nothing changes without passphrase and form."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Iterator, MutableMapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from monitor.deeds import JournalDeeds
from monitor.domain import Batch, OilShare, Recipe, Vessel
from monitor.journal.database import AlarmRecord, Journal
from monitor.page.app import make_app
from monitor.page.door import SESSION_S, Door, came_from_here
from monitor.page.tries import FREE_TRIES
from monitor.settings import BucketSettings, Settings
from monitor.standing import page_record, page_view
from monitor.trade.steps import STEPS

T0 = 1_773_480_000.0
PASSPHRASE = "hazel under oak"
BATCH = Batch("Quillmarsh 12", "shed-2", T0, Recipe((OilShare("sunflower", 4.2),), 0.85, 0.9, 1.3), Vessel(25, "bare"))
HERE = {"origin": "http://localhost", "sec-fetch-site": "same-origin"}
DO = "/bucket/shed-2/do"


@dataclass
class Phone:
    """A phone in the shed, and the clock on its wall."""

    path: Path
    passphrase: str = PASSPHRASE
    now_s: float = T0 + 60.0
    client: TestClient = field(init=False)

    def __post_init__(self) -> None:
        settings = Settings(buckets=(BucketSettings("shed-2", 25.0),))
        self.deeds = JournalDeeds(lambda: Journal(self.path), lambda: self.now_s)
        app = make_app(
            page_view(lambda: Journal(self.path, read_only=True), settings, lambda: self.now_s, {}),
            deeds=self.deeds, passphrase=self.passphrase, now_s=lambda: self.now_s,
            record=page_record(lambda: Journal(self.path, read_only=True), settings, lambda: self.now_s),
        )  # fmt: skip
        self.client = TestClient(app, base_url="http://localhost", raise_server_exceptions=False)

    def enter(self, passphrase: str = PASSPHRASE) -> int:
        answer = self.client.post("/enter", data={"passphrase": passphrase, "back": "/"}, headers=HERE,
                                  follow_redirects=False)  # fmt: skip
        return answer.status_code

    def token(self) -> str:
        found = re.search(r'name="token" value="([0-9a-f]+)"', self.client.get("/bucket/shed-2/steps").text)
        return found[1] if found else ""

    def press(self, headers: dict[str, str] | None = None, **fields: str) -> int:
        data = {"token": self.token(), "batch": BATCH.name, **fields}
        answer = self.client.post(DO, data=data, headers=HERE if headers is None else headers, follow_redirects=False)
        return answer.status_code

    def log(self) -> list[tuple[str, float, float | None]]:
        with Journal(self.path) as journal:
            return [(entry.kind, entry.at_s, entry.temperature_c) for entry in journal.entries(BATCH.name)]


@pytest.fixture
def phone(tmp_path: Path) -> Iterator[Phone]:
    with Journal(tmp_path / "journal.sqlite") as journal:
        journal.add_batch(BATCH)
    one = Phone(tmp_path / "journal.sqlite")
    yield one
    one.deeds.close()


def test_every_step_can_be_ticked_in_order_and_becomes_a_log_entry(phone: Phone) -> None:
    """From the gear to the filled can, each press of the large button is an entry with its time."""
    assert phone.enter() == 303
    minutes = {"taken": 100, "evening": 300, "day-one": 1440, "day-three": 4320}
    for step in STEPS:
        phone.now_s = max(phone.now_s + 120.0, T0 + 60.0 * minutes.get(step.step_id, 0))
        for _ in range({"water": 2, "stir": 6}.get(step.step_id, 1)):
            page = phone.client.get("/bucket/shed-2/steps").text
            large = page.partition('id="next"')[2].partition('<li class="step ')[0]
            assert step.told_title().replace("'", "&#x27;") in large
            assert large.index('class="cautions"') < large.index("Done now")
            figure = {"temperature": {"temperature": "56"}, "water": {"water": "8"}}.get(step.asks, {})
            assert phone.press(what="tick", step=step.step_id, ago="0", back="steps", **figure) == 303
            phone.now_s += 61.0
    assert 'id="next"' not in phone.client.get("/bucket/shed-2/steps").text
    kinds = [kind for kind, _, _ in phone.log()]
    assert kinds.count("stirred") == 6 and kinds.count("note") == 4
    assert ("poured", 56.0) in [(kind, temperature_c) for kind, _, temperature_c in phone.log()]


def test_a_deed_noted_late_has_the_time_it_happened(phone: Phone) -> None:
    """Twenty minutes ago is twenty minutes ago; and a wet glove that presses twice notes once."""
    phone.enter()
    assert phone.press(what="note", kind="blended", ago="20", back="") == 303
    assert phone.press(what="note", kind="blended", ago="20", back="") == 303
    assert phone.log() == [("blended", T0 + 60.0 - 1200.0, None)]


def test_the_last_entry_can_be_taken_back(phone: Phone) -> None:
    """What it said stays in the journal, marked."""
    phone.enter()
    phone.press(what="note", kind="lid-off", ago="0", back="")
    with Journal(phone.path) as journal:
        entry_id = journal.entries(BATCH.name)[0].entry_id
    assert phone.press(what="undo", entry=entry_id, back="") == 303
    assert phone.log() == []
    with Journal(phone.path) as journal:
        assert len(journal.log(BATCH.name)) == 1


def test_an_alarm_is_answered_from_the_page(phone: Phone) -> None:
    """ "I am going" reaches the journal as the command's does."""
    alarm_id = "shed-2/Quillmarsh 12/not_taken/1"
    with Journal(phone.path) as journal:
        journal.save_alarm(
            AlarmRecord(alarm_id, "not_taken", "shed-2", BATCH.name, "unacknowledged", "now", raised_at_s=T0)
        )
    phone.enter()
    assert "I am going" in phone.client.get("/bucket/shed-2").text
    assert phone.press(what="answer", alarm=alarm_id, act="going") == 303
    with Journal(phone.path) as journal:
        assert [(act.alarm_id, act.act) for act in journal.acts()] == [(alarm_id, "going")]


# ---- the door ------------------------------------------------------------------------------------------------------


def test_without_a_passphrase_there_are_no_buttons_and_nothing_is_taken(tmp_path: Path) -> None:
    """The page then says how to switch them on."""
    with Journal(tmp_path / "journal.sqlite") as journal:
        journal.add_batch(BATCH)
    phone = Phone(tmp_path / "journal.sqlite", passphrase="")
    page = phone.client.get("/bucket/shed-2/steps").text
    assert "<form" not in page and "set passphrase in [page]" in page
    assert phone.client.post(DO, data={"what": "note", "kind": "poured"}, headers=HERE).status_code == 403
    assert phone.log() == []


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example", "sec-fetch-site": "cross-site"},
        {"origin": "http://localhost", "sec-fetch-site": "cross-site"},
        {"origin": "http://localhost:99"},
        {"origin": "null"},
        {},
    ],
)
def test_a_form_from_elsewhere_changes_nothing(phone: Phone, headers: dict[str, str]) -> None:
    """Whoever is let in may still look at foreign pages; those cannot press for them."""
    phone.enter()
    token = phone.token()
    assert token
    assert phone.press(headers=headers, token=token, what="note", kind="poured", ago="0") == 403
    assert phone.log() == []


def test_a_press_needs_the_session_and_its_own_token(phone: Phone) -> None:
    """Neither a token without the cookie nor the cookie without the token will do; no GET changes anything."""
    assert phone.press(what="note", kind="poured", ago="0") == 403
    phone.enter()
    assert phone.press(token="0" * 64, what="note", kind="poured", ago="0") == 403
    token = phone.token()
    phone.client.cookies.clear()
    assert phone.press(token=token, what="note", kind="poured", ago="0") == 403
    assert phone.client.get(DO, params={"what": "note", "kind": "poured", "token": token}).status_code in (404, 405)
    assert phone.log() == []


def test_the_cookie_is_kept_from_scripts_and_other_sites_and_ends(phone: Phone) -> None:
    """HttpOnly, SameSite=Strict, thirty days; after that the passphrase is asked for again."""
    answer = phone.client.post("/enter", data={"passphrase": PASSPHRASE}, headers=HERE, follow_redirects=False)
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie and "samesite=strict" in cookie and PASSPHRASE not in cookie
    assert phone.token()
    phone.now_s += SESSION_S + 1.0
    assert not phone.token()


def test_wrong_tries_wait_longer_and_longer(phone: Phone) -> None:
    """After a few free tries even the right passphrase has to wait; then it opens."""
    assert [phone.enter("wrong") for _ in range(FREE_TRIES)] == [403] * FREE_TRIES
    assert phone.enter() == 429
    phone.now_s += 16.0
    assert phone.enter("wrong again") == 403
    assert phone.enter() == 429
    phone.now_s += 31.0
    assert phone.enter() == 303


def test_a_passphrase_changed_ends_every_session() -> None:
    """And a cookie that was touched is none."""
    door = Door(PASSPHRASE, b"k" * 32)
    entered = door.enter(PASSPHRASE, "192.0.2.7", T0)
    assert entered is not None
    _, cookie = entered
    assert door.session(cookie, T0 + 5.0) is not None
    assert Door("another oak", b"k" * 32).session(cookie, T0 + 5.0) is None
    ends, name, signature = cookie.split(".")
    assert door.session(f"{int(ends) + 9}.{name}.{signature}", T0 + 5.0) is None
    assert door.session(cookie[:-1], T0 + 5.0) is None


@pytest.mark.parametrize("back", ["//evil.example/", "https://evil.example/", "/\\evil.example", "javascript:alert(1)"])
def test_the_door_leads_nowhere_else(phone: Phone, back: str) -> None:
    """After the passphrase one lands on a page of ours, whatever the link said."""
    answer = phone.client.post(
        "/enter", data={"passphrase": PASSPHRASE, "back": back}, headers=HERE, follow_redirects=False
    )
    assert answer.headers["location"] == "/"


def test_only_our_own_page_counts_as_here() -> None:
    """By Origin or by Fetch Metadata; what says neither is not taken."""
    assert came_from_here({"origin": "http://shed.local:8737", "host": "shed.local:8737"})
    assert came_from_here({"sec-fetch-site": "same-origin", "host": "x"})
    assert not came_from_here({"host": "x"})


@pytest.mark.parametrize(
    "fields",
    [
        {"what": "note", "kind": "exploded", "ago": "0"},
        {"what": "note", "kind": "note", "ago": "0", "text": ""},
        {"what": "note", "kind": "note", "ago": "0", "text": "x" * 501},
        {"what": "note", "kind": "poured", "ago": "9999"},
        {"what": "note", "kind": "poured", "ago": "-5"},
        {"what": "tick", "step": "pour", "ago": "0", "temperature": "900 C"},
        {"what": "tick", "step": "nothing", "ago": "0"},
        {"what": "undo", "entry": "none"},
        {"what": "answer", "alarm": "none", "act": "going"},
        {"what": "dance"},
        {"what": "note", "kind": "poured", "ago": "0", "batch": "Quillmarsh 11"},
    ],
)
def test_what_cannot_be_noted_is_told_and_nothing_is_kept(phone: Phone, fields: dict[str, str]) -> None:
    """One sentence and the way back, no fault of the program."""
    phone.enter()
    assert phone.press(**fields) in (400, 409)
    assert phone.log() == []


def test_a_long_body_is_cut_off(phone: Phone) -> None:
    """No form of ours is that long."""
    phone.enter()
    assert phone.press(what="note", kind="note", ago="0", text="x" * 20_000) == 413


def test_the_record_of_a_batch_can_be_opened_by_its_name(phone: Phone) -> None:
    """Where the code on the label leads: also for a batch that has ended, and with what was corrected."""
    with Journal(phone.path) as journal:
        journal.add_detail(BATCH.name, "potash_lot", "K-17 <b>", T0)
        journal.end_batch(BATCH.name, T0 + 50.0, T0 + 50.0, "filled")
    page = phone.client.get("/batch/Quillmarsh%2012")
    assert page.status_code == 200 and "K-17 &lt;b&gt;" in page.text and "4.20 kg" in page.text
    assert phone.client.get("/batch/nobody's").status_code == 404


def test_a_phone_that_hangs_up_within_a_form_is_no_fault_of_the_page(phone: Phone) -> None:
    """It lost the network in the middle of its press: nothing is noted, and no error either."""
    app = phone.client.app
    sent: list[MutableMapping[str, Any]] = []
    parts = iter([{"type": "http.request", "body": b"what=no", "more_body": True}, {"type": "http.disconnect"}])

    async def receive() -> MutableMapping[str, Any]:
        return next(parts)

    async def send(message: MutableMapping[str, Any]) -> None:
        sent.append(message)

    headers = {"host": "localhost", "content-type": "application/x-www-form-urlencoded", **HERE}
    scope = {
        "type": "http", "method": "POST", "path": DO, "raw_path": DO.encode(), "query_string": b"", "root_path": "",
        "scheme": "http", "http_version": "1.1", "client": ("127.0.0.1", 1), "server": ("localhost", 80),
        "headers": [(name.encode(), value.encode()) for name, value in headers.items()],
    }  # fmt: skip
    asyncio.run(app(scope, receive, send))  # type: ignore[arg-type]
    assert sent[0]["status"] == 400 and phone.log() == []
