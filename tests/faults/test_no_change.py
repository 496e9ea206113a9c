"""Every address of the page by every method, as nobody, with a session only, with a foreign token, from foreign pages:
nothing may change. What counts is the journal and the folder beside it, not only the answer.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import pytest
from starlette.testclient import TestClient

from monitor.domain import LogEntry
from monitor.journal.database import AlarmRecord, Journal
from monitor.page.door import COOKIE
from monitor.page.links import ANSWER, HEARD, LASTS_S, Link, address_for, token_of
from monitor.page_wiring import PageWiring
from monitor.settings import BucketSettings, PageSettings, Person, Settings
from monitor.toml_tables import Secret
from tests.page.test_press import BATCH, HERE, PASSPHRASE, T0

ALARM_ID = "shed-2/Quillmarsh 12/too_hot/1"
METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "PROPFIND")
FORM = "application/x-www-form-urlencoded"
BUCKET = "/bucket/shed-2/do"

# Address -> forms that change something when they come from somebody who may.
DEEDS: dict[str, list[dict[str, str]]] = {
    BUCKET: [
        {"what": "note", "kind": "lid-off", "ago": "0"},
        {"what": "tick", "step": "gear", "ago": "0"},
        {"what": "undo", "entry": "0"},
        {"what": "move", "entry": "1", "to": "shed-3"},
        {"what": "answer", "alarm": ALARM_ID, "act": "going"},
        {"what": "quiet", "alarm": ALARM_ID, "minutes": "15"},
    ],
    "/phones/do": [{"what": "on-call", "person": "Ash"}, {"what": "ring", "person": "Ash"}],
    "/settings/do": [{"hold": "1"}],
    "/plan/keep": [{"name": "a-plan-of-mine", "oils": "sunflower 4.2 kg", "purity": "90", "bucket": "shed-2"}],
    "/batch/Quillmarsh 12/would-ring/do": [{"altitude": "300", "place-0": "1", "hours-0": "07:00-22:00"}],
    "/leave": [{}],
}


class Page:
    """The whole page of a running watch over a real journal, without its socket."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.path = folder / "journal.sqlite"
        self.rung: list[str] = []
        self.jobs: list[str] = []
        with Journal(self.path) as journal:
            journal.add_batch(BATCH)
            other = type(BATCH)("Quillmarsh 13", "shed-3", T0, BATCH.recipe, BATCH.vessel)
            journal.add_batch(other)
            for kind in ("poured", "lid-on"):
                journal.add_entry(BATCH.name, LogEntry(kind, T0, T0))
            self.entries = [entry.entry_id for entry in journal.entries(BATCH.name)]
            journal.save_alarm(
                AlarmRecord(ALARM_ID, "too_hot", "shed-2", BATCH.name, "unacknowledged", "now", raised_at_s=T0,
                            message_id="too_hot", says="Hot.", do="Look.")
            )  # fmt: skip
        caught: list[Any] = []

        def serve(app: Any, host: str, port: int) -> Any:
            caught.append(app)
            return type("Served", (), {"url": "http://localhost/", "host": "0.0.0.0", "port": 8737,
                                       "stop": lambda self: None})()  # fmt: skip

        def ring(routes: list[tuple[str, str]], **_: Any) -> list[Any]:
            self.rung += [person for person, _ in routes]
            return []

        monkeypatch.setattr("monitor.page.serving.serve", serve)
        monkeypatch.setattr("monitor.household.ring", ring)
        settings = Settings(
            buckets=(BucketSettings("shed-2", 25.0), BucketSettings("shed-3", 25.0)),
            people=(Person("Ash", (Secret("print://"),)),),
            page=PageSettings(passphrase=Secret(PASSPHRASE)), journal_path=self.path,
        )  # fmt: skip
        self.wiring = PageWiring(settings, self.path, lambda: T0 + 60.0, {}, {})
        monkeypatch.setattr(self.wiring._what_if, "start", lambda name, trial: self.jobs.append(name) or "1")
        self.wiring.start(0, lambda words: None)
        self.app = caught[0]

    def client(self) -> TestClient:
        return TestClient(self.app, base_url="http://localhost", follow_redirects=False, raise_server_exceptions=False)

    def entered(self) -> tuple[TestClient, str]:
        """Somebody who gave the passphrase, and the token of their forms."""
        client = self.client()
        assert client.post("/enter", data={"passphrase": PASSPHRASE}, headers=HERE).status_code == 303
        token = client.get("/bucket/shed-2/steps").text.partition('name="token" value="')[2].partition('"')[0]
        assert token
        return client, token

    def routes(self) -> list[Any]:
        inner: Any = self.app
        while not hasattr(inner, "routes"):
            inner = inner._app if hasattr(inner, "_app") else inner.app
        return list(inner.routes)

    def addresses(self) -> list[str]:
        """Every address there is, filled in."""
        found = []
        for route in self.routes():
            kind = "Quillmarsh 12" if route.path.startswith("/batch/") else "shed-2"
            if "{token}" in route.path:
                purpose = ANSWER if route.path.startswith("/a/") else HEARD
                link = Link(purpose, (ALARM_ID,), "Ash", T0 + LASTS_S)
                found.append(address_for(link, token_of(link, self.wiring._deeds.key())))
            elif route.path == "/static":
                found.append("/static/page.css")
            else:
                found.append(route.path.replace("{name:path}", kind).replace("{name}", "x"))
        return found

    def state(self) -> tuple[Any, ...]:
        """All that a press could change."""
        with sqlite3.connect(f"file:{self.path}?mode=ro", uri=True) as db:
            dump = tuple(db.iterdump())
        db.close()
        files = sorted(one.name for one in self.path.parent.rglob("*") if "journal.sqlite" not in one.name)
        return dump, files, tuple(self.rung), tuple(self.jobs)

    def forms(self, address: str) -> list[dict[str, str]]:
        """What is sent to an address: its own deeds where it has some, and all of the bucket's elsewhere."""
        found = DEEDS.get(address, [{"what": "note", "kind": "poured", "act": "going", "hold": "1"}])
        chosen = [form | ({"entry": self.entries[int(form["entry"])]} if "entry" in form else {}) for form in found]
        return [{"batch": BATCH.name, **form} for form in chosen]


@pytest.fixture
def page(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Page]:
    (tmp_path / "farm").mkdir()
    one = Page(tmp_path / "farm", monkeypatch)
    yield one
    one.wiring.stop()


def _sent(
    client: TestClient, method: str, address: str, fields: dict[str, str], headers: dict[str, str], *,
    kind: str = FORM,
) -> int:  # fmt: skip
    body = urlencode(fields)
    if method in ("GET", "HEAD"):
        return client.request(method, address, params=fields, headers=headers).status_code
    return client.request(
        method, address, content=body, headers={"content-type": kind, **headers}
    ).status_code


class Intruders:
    """Those who may not, each with all that they could have got hold of."""

    def __init__(self, page: Page) -> None:
        self.nobody = page.client()
        self.insider, self.token = page.entered()
        _, self.foreign_token = page.entered()
        self.forged = page.client()
        self.forged.cookies.set(COOKIE, "1e99.name." + "0" * 64)

    def ways(self) -> Iterator[tuple[str, TestClient, dict[str, str], dict[str, str], str]]:
        """(what is wrong, who, further fields, headers, content type)"""
        tok = {"token": self.token}
        foreign = {"origin": "http://evil.example", "sec-fetch-site": "same-origin"}
        yield "no session", self.nobody, {}, HERE, FORM
        yield "a token, no session", self.nobody, tok, HERE, FORM
        yield "a forged cookie", self.forged, tok, HERE, FORM
        yield "no token", self.insider, {}, HERE, FORM
        yield "another's token", self.insider, {"token": self.foreign_token}, HERE, FORM
        yield "a cut token", self.insider, {"token": self.token[:-1]}, HERE, FORM
        yield "a foreign origin", self.insider, tok, foreign, FORM
        yield "cross-site", self.insider, tok, {**HERE, "sec-fetch-site": "cross-site"}, FORM
        yield "same-site", self.insider, tok, {**HERE, "sec-fetch-site": "same-site"}, FORM
        yield "typed in", self.insider, tok, {**HERE, "sec-fetch-site": "none"}, FORM
        yield "no word from where", self.insider, tok, {}, FORM
        yield "an origin of null", self.insider, tok, {"origin": "null"}, FORM
        yield "another port", self.insider, tok, {"origin": "http://localhost:81"}, FORM
        yield "text/plain", self.insider, tok, HERE, "text/plain"
        yield "JSON", self.insider, tok, HERE, "application/json"
        yield "multipart", self.insider, tok, HERE, "multipart/form-data; boundary=x"
        yield "a foreign host", self.insider, tok, {**HERE, "host": "evil.example"}, FORM


def test_every_address_that_takes_a_form_is_tried_here(page: Page) -> None:
    """Who adds one adds to DEEDS what it does."""
    takes = {route.path for route in page.routes() if "POST" in (getattr(route, "methods", None) or ())}
    known = {address.replace("Quillmarsh 12", "{name:path}").replace("shed-2", "{name:path}") for address in DEEDS}
    assert takes == known | {"/enter", "/settings/words", "/a/{token}", "/heard/{token}"}


def test_who_may_changes_something_by_each_of_these_forms(page: Page) -> None:
    """Else the test below would show nothing: each form, sent as its page would, leaves its mark."""
    for address, forms in DEEDS.items():
        for form, filled in zip(forms, page.forms(address), strict=True):
            before = page.state()
            client, token = page.entered()
            status = _sent(client, "POST", address, {**filled, "token": token}, HERE)
            assert status in (200, 303), (address, form, status)
            assert page.state() != before, (address, form)
    for address in page.addresses():
        if address.startswith(("/a/", "/heard/")):
            before = page.state()
            assert page.client().post(address, data={"act": "acknowledged"}, headers=HERE).status_code == 303
            assert page.state() != before, address


def test_nobody_else_changes_anything_by_any_address_and_method(page: Page) -> None:
    """Addresses x methods x ways of being wrong; the journal is the same to the last row."""
    intruders = Intruders(page)
    addresses = page.addresses()
    assert len(addresses) > 20 and set(DEEDS) <= set(addresses) | {"/batch/Quillmarsh 12/would-ring/do"}
    before, sent = page.state(), 0
    for address in addresses:
        signed = address.startswith(("/a/", "/heard/"))
        for wrong, client, more, headers, kind in intruders.ways():
            if address == "/enter" or "curve.png" in address:
                continue  # the door is for strangers; a picture is slow to draw, and only read
            if (signed or address == "/settings/words") and wrong in _SIGNED_MAY:
                continue
            for form in page.forms(address):
                fields = {**form, **more, "language": "es", "units": "us"}
                status = _sent(client, "POST", address, fields, headers, kind=kind)
                sent += 1
                assert status in (400, 403, 404, 405, 415, 421), (address, wrong, form, status)
        for method in METHODS:
            if method == "POST" or address == "/live" or "curve.png" in address:
                continue
            for client in (intruders.nobody, intruders.insider):
                fields = {**page.forms(address)[0], "token": intruders.token}
                status = _sent(client, method, address, fields, HERE)
                sent += 1
                assert status in (200, 303, 404, 405, 503), (address, method, status)
        assert page.state() == before, address
    assert sent > 900


# Whoever holds the signed address needs neither session nor token; words are one's own affair and change no journal.
_SIGNED_MAY = (
    "no session", "a token, no session", "a forged cookie", "no token", "another's token", "a cut token",
)  # fmt: skip


STRANGE = ("<script>alert(1)</script>" * 100, "\x00\x1b[2J\r\n" * 300 + "９" * 300, "1e308", "../../x")


def test_fields_without_measure_break_nothing_and_come_back_harmless(page: Page) -> None:
    """Whoever is in may type anything into any field: a sentence comes back, no fault, and no markup of theirs."""
    client, token = page.entered()
    sent = 0
    for address in DEEDS:
        if address == "/leave":
            continue
        for form in page.forms(address):
            for field in [*form, *(("text", "temperature", "water") if form.get("what") in ("note", "tick") else ())]:
                for strange in STRANGE:
                    answer = client.post(address, data={**form, "token": token, field: strange}, headers=HERE)
                    sent += 1
                    assert answer.status_code < 500, (address, field, strange[:20])
                    assert "<script>alert" not in answer.text and "\x1b" not in answer.text
    assert sent > 150
    # What was taken in is shown as harmlessly, and every file stayed in its folder.
    for address in ("/", "/bucket/shed-2", "/bucket/shed-2/log", "/batch/Quillmarsh 12", "/phones", "/plan"):
        assert "<script>alert" not in client.get(address).text, address
    kept = list(page.path.parent.parent.rglob("*.toml"))
    assert kept and all(one.parent == page.path.parent / "plans" for one in kept)


def test_the_door_changes_nothing_but_its_own_count(page: Page) -> None:
    """A wrong passphrase is counted; from a foreign page it is not even looked at."""
    before = page.state()
    client = page.client()
    for headers in ({}, {"origin": "http://evil.example"}, {**HERE, "sec-fetch-site": "cross-site"}):
        assert client.post("/enter", data={"passphrase": PASSPHRASE}, headers=headers).status_code == 403
    plain = {**HERE, "content-type": "text/plain"}
    assert client.post("/enter", content="passphrase=x", headers=plain).status_code == 415
    assert client.post("/enter", data={"passphrase": "x" * 9000}, headers=HERE).status_code == 413
    assert client.post("/enter", data={f"f{n}": "x" for n in range(30)}, headers=HERE).status_code == 400
    assert page.state() == before and not client.cookies
    client.post("/enter", data={"passphrase": "wrong"}, headers=HERE)
    changed = set(page.state()[0]) ^ set(before[0])
    assert changed and all("page_" in line for line in changed)
