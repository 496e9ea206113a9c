"""The status page: what it shows, what it refuses, and how it is served."""

from __future__ import annotations

import contextlib
import dataclasses
import json
import re
import socket
import threading
import time
from collections.abc import Callable, Iterator
from html.parser import HTMLParser
from urllib.parse import quote

import httpx
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from starlette.testclient import TestClient

from monitor.page.app import make_app, system_time
from monitor.page.guard import is_own_host, own_names
from monitor.page.markup import age_words, bucket_page, status_page
from monitor.page.press import FORM_POLICY
from monitor.page.serving import PageError, Served, open_port, serve, serving
from monitor.page.view import EMPTY, NOW, QUIET, STALE, BucketView, StatusView

from . import views

_utc = system_time


def _client(*buckets: BucketView, **fields: object) -> TestClient:
    present = views.status(*buckets, **fields)
    return TestClient(make_app(lambda: present), base_url="http://localhost", raise_server_exceptions=False)


class _Reader(HTMLParser):
    """Checks that every tag is closed in order, and collects words, attributes and addresses."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.words: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in ("meta", "link"):
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).replace("\u00a0", " ").split())


# ---- how a bucket stands ----


def test_a_bucket_without_a_fresh_reading_never_looks_well() -> None:
    """A batch whose newest reading is missing, old, or of no age at all is stale and not "No alarm"."""
    for age_s in (None, 301.0, float("nan"), float("inf")):
        assert dataclasses.replace(views.GOOD, temperature_age_s=age_s).standing == STALE
    assert dataclasses.replace(views.GOOD, temperature_c=None).standing == STALE
    assert dataclasses.replace(views.GOOD, probe_faults=("The core probe is open.",)).standing == STALE
    assert views.GOOD.standing == QUIET
    assert views.SPARE.standing == EMPTY


def test_an_alarm_outweighs_a_missing_reading() -> None:
    """A bucket that rings and has gone silent still says "Act now"."""
    assert dataclasses.replace(views.BAD, temperature_c=None).standing == NOW


def test_a_stale_bucket_says_so_and_promises_nothing() -> None:
    """An old figure is told with its age, and the sentence to sleep on is withheld."""
    text = _Reader(_client(views.LATE).get("/").text).text
    assert "No fresh reading" in text
    assert "Last reading 38 min ago: too old to go by." in text
    assert "Potash used up at the last reading: 70 to 88 %" in text
    assert "Sleep well." not in text


def test_the_worst_bucket_comes_first() -> None:
    """What needs a person stands above what does not, whatever the order of the settings."""
    html = _client(views.SPARE, views.GOOD, views.LATE, views.LATER, views.BAD).get("/").text
    order = re.findall(r"<h2>([a-z0-9-]+)<small>", html)
    assert order == ["shed-3", "barn-2", "barn-1", "shed-2", "spare"]
    assert "<title>(1) Act now - Emberpail</title>" in html


def test_an_alarm_shows_its_caution_before_the_deed() -> None:
    """What it is, then what to wear and mind, then what to do, then since when and who has seen it."""
    text = _Reader(_client(views.BAD).get("/").text).text
    parts = [views.NOT_TAKEN.says, *views.NOT_TAKEN.cautions, views.NOT_TAKEN.do, "since", "not seen by anyone yet"]
    assert [text.find(part) for part in parts] == sorted(text.find(part) for part in parts)
    assert all(part in text for part in parts)


def test_the_age_of_a_reading_always_shows() -> None:
    """Beside every temperature stands how old it is."""
    assert "71 °C falling · read 14 s ago" in _Reader(_client(views.GOOD).get("/").text).text
    assert "No paste temperature has come." in _Reader(_client(views.SPARE).get("/").text).text


def test_completeness_is_never_told_alone() -> None:
    """Beside potash used up stands that it does not say what is left; the word for harmless never stands there."""
    for path in ("/", "/bucket/shed-2"):
        text = _Reader(_client(views.GOOD).get(path).text).text
        assert "Potash used up: 86 to 97 % Not a measure of what is left. Potash left: 1 to 6 g in each litre" in text
        assert "paste burns until it has been diluted and tested" in text
        assert not re.search(r"\bsafe\b", text, re.I)


def test_without_a_phone_the_page_says_nobody_can_be_rung() -> None:
    """No phone route, trouble of the watch and a demo are each told above the buckets."""
    text = _Reader(_client(views.GOOD, no_phone=True, watch=("The disk is full.",), invented=True).get("/").text).text
    assert "Nobody can be rung: no phone route is set." in text
    assert "The watch itself: The disk is full." in text
    assert "invented" in text
    assert "Nobody can be rung" not in _Reader(_client(views.GOOD).get("/").text).text


def test_without_a_bucket_the_page_says_what_will_come() -> None:
    """A fresh watch shows a sentence, not an empty page."""
    assert "No bucket has been heard of yet." in _Reader(_client().get("/").text).text


def test_the_emergency_number_can_be_called_from_the_page() -> None:
    """The number of the settings is a link that a phone can dial."""
    tags = _Reader(_client(views.GOOD, emergency_number="+44 999").get("/").text).tags
    assert ("a", {"class": "call", "href": "tel:+44999"}) in tags


@pytest.mark.parametrize(
    ("age_s", "words"),
    [
        (None, "never"), (float("nan"), "never"), (-5, "just now"), (0, "just now"), (12, "12 s ago"),
        (119, "119 s ago"), (120, "2 min ago"), (3599, "59 min ago"), (7800, "2 h 10 min ago"), (300000, "3 days ago"),
    ],
)  # fmt: skip
def test_ages_in_words(age_s: float | None, words: str) -> None:
    """An age is told in the units that fit it."""
    assert age_words(age_s) == words


# ---- one bucket ----


def test_a_bucket_has_its_own_page() -> None:
    """Curve, figures, past alarms and log stand on the bucket's page."""
    reader = _Reader(_client(views.GOOD, views.BAD).get("/bucket/shed-2").text)
    for words in ("Curve", "88 °C at 08:34", "was silent for 21 minutes", "poured, mix at 56 °C", "noted"):
        assert words in reader.text
    assert any(tag == "polyline" and attrs["class"] == "paste" for tag, attrs in reader.tags)
    assert "shed-3" not in reader.text


def test_an_unknown_bucket_is_told_in_a_sentence() -> None:
    """A name that is no bucket's gives a plain page with status 404."""
    answer = _client(views.GOOD).get("/bucket/<nowhere>")
    assert answer.status_code == 404
    assert "There is no bucket <nowhere> here." in _Reader(answer.text).text


@given(st.text(min_size=1, max_size=30))
@settings(max_examples=60, deadline=None)
def test_names_from_the_wire_stay_words(name: str) -> None:
    """Whatever a node calls its bucket, it stays text: no tag of its own, and the page stays whole."""
    bucket = dataclasses.replace(views.GOOD, name=name, batch=name, log=(), marks=((views.POURED_S, name),))
    present = views.status(bucket, watch=(name,))
    for html in (status_page(present, _utc), bucket_page(bucket, present, _utc)):
        known = {"style", "script"} & {tag for tag, attrs in _Reader(html).tags if "src" not in attrs}
        assert known == set()


@pytest.mark.parametrize("name", ["<script>alert(1)</script>", "a/b", 'x"y', "ü & ö", "..", "50%", "a?b#c"])
def test_a_link_leads_to_the_bucket_whatever_its_name(name: str) -> None:
    """The link on the first page opens that bucket's page, also for names with signs that addresses reserve."""
    client = _client(dataclasses.replace(views.GOOD, name=name))
    html = client.get("/").text
    assert "<script>alert" not in html
    if name != "..":  # a browser takes ".." for the folder above, so no settings file admits it
        assert client.get(f"/bucket/{quote(name, safe='')}").status_code == 200


# ---- what goes out ----


def test_every_answer_carries_the_security_headers() -> None:
    """Pages, files, errors and refusals all forbid inline script, framing and outside requests."""
    client = _client(views.GOOD)
    for path in ("/", "/bucket/shed-2", "/status.json", "/healthz", "/static/page.css", "/nothing", "/bucket/none"):
        headers = client.get(path).headers
        assert headers["content-security-policy"].startswith("default-src 'self'")
        assert "unsafe" not in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "same-origin"
    # Pages with forms on them say it in a policy of their own.
    assert FORM_POLICY.startswith("default-src 'self';") and not any(w in FORM_POLICY for w in ("unsafe", "*", "data:"))
    assert client.get("/", headers={"host": "evil.example"}).headers["x-frame-options"] == "DENY"
    assert client.get("/").headers["cache-control"] == "no-store"


def test_the_page_loads_nothing_from_outside_and_has_nothing_inline() -> None:
    """Every address in the page is our own, and no style or handler stands in a tag: the policy would drop it."""
    for path in ("/", "/bucket/shed-2"):
        for tag, attrs in _Reader(_client(views.GOOD, views.BAD).get(path).text).tags:
            assert not [name for name in attrs if name == "style" or name.startswith("on")]
            assert tag != "style"
            for name in ("src", "href"):
                address = attrs.get(name)
                assert address is None or address.startswith(("/", "#", "tel:"))
                assert address is None or not address.startswith("//")


def test_the_first_view_is_light() -> None:
    """Page, style and script of ten buckets stay below 100 kB, as a weak network in a shed needs."""
    client = _client(*(dataclasses.replace(views.BAD, name=f"shed-{number}") for number in range(10)))
    sizes = [len(client.get(path).content) for path in ("/", "/static/page.css", "/static/live.js", "/static/icon.svg")]
    assert sum(sizes) < 100_000
    assert len(_client(views.GOOD).get("/bucket/shed-2").content) < 40_000


def test_the_page_changes_nothing() -> None:
    """Every method that could change something is refused at every address."""
    client = _client(views.GOOD)
    for path in ("/", "/status.json", "/bucket/shed-2", "/healthz", "/static/page.css"):
        for method in ("POST", "PUT", "PATCH", "DELETE"):
            assert client.request(method, path).status_code == 405


def test_files_outside_the_static_folder_are_out_of_reach() -> None:
    """No way up leads out of the folder."""
    client = _client(views.GOOD)
    for path in (
        "/static/../app.py",
        "/static/%2e%2e/app.py",
        "/static/..%2fapp.py",
        "/static//etc/passwd",
        "/static/",
    ):
        assert client.get(path).status_code == 404


@pytest.mark.parametrize(
    ("host", "own"),
    [
        ("localhost", True), ("localhost:8737", True), ("LOCALHOST", True), ("pail.localhost", True),
        ("127.0.0.1:8737", True), ("[::1]:8737", True), ("192.168.1.20:8737", True), ("10.0.0.5", True),
        ("[fe80::1%eth0]:80", True), ("100.100.1.2", True), ("shed.local:8737", True), ("shed.local.", True),
        ("evil.example", False), ("localhost.evil.example", False), ("192.168.1.20.evil.example", False),
        ("93.184.216.34", False), ("shed.local.evil.example", False), ("", False), ("xlocalhost", False),
    ],
)  # fmt: skip
def test_only_own_names_are_answered(host: str, own: bool) -> None:
    """Localhost, local addresses and known names are answered; a name somebody pointed here is not."""
    assert is_own_host(host, frozenset({"shed.local"})) is own


def test_the_page_answers_to_this_computer_s_own_name() -> None:
    """A phone in the local network may ask for the computer by its name without a line in the settings."""
    client = _client(views.GOOD)
    for name in own_names():
        assert client.get("/", headers={"Host": name}).status_code == 200
    assert client.get("/", headers={"Host": "elsewhere.example"}).status_code >= 400


def test_a_foreign_host_is_turned_away() -> None:
    """A request under a foreign name gets no data."""
    answer = _client(views.GOOD).get("/status.json", headers={"host": "rebound.example"})
    assert answer.status_code == 421
    assert "shed-2" not in answer.text


# ---- for programs ----


def test_status_for_programs() -> None:
    """/status.json holds each bucket's standing and no curves; a figure that is no number is null."""
    odd = dataclasses.replace(views.LATE, temperature_c=float("nan"))
    values = json.loads(_client(views.GOOD, odd).get("/status.json").text)
    good, late = values["buckets"]
    assert (good["standing"], good["stale"], late["standing"]) == ("quiet", False, "stale")
    assert late["temperature_c"] is None
    assert "curve" not in good
    assert values["at_s"] == views.NOW_S


def test_health_is_bad_when_the_watch_is_in_trouble() -> None:
    """/healthz answers 200 in health and 503 with the sentences in trouble."""
    assert _client(views.GOOD).get("/healthz").json() == {"ok": True, "at_s": views.NOW_S, "trouble": []}
    answer = _client(views.GOOD, watch=("The disk is full.",)).get("/healthz")
    assert answer.status_code == 503
    assert answer.json()["trouble"] == ["The disk is full."]


def test_when_the_state_cannot_be_told_the_page_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    """A view that fails gives 503 everywhere, never the last good figures and never what went wrong inside."""
    monkeypatch.setattr("monitor.page.app._SHARED_FOR_S", 0.0)
    broken = threading.Event()

    def view() -> StatusView:
        if broken.is_set():
            raise RuntimeError("secret inside")
        return views.status(views.GOOD)

    client = TestClient(make_app(view), base_url="http://localhost", raise_server_exceptions=False)
    assert client.get("/").status_code == 200
    broken.set()
    for path in ("/", "/status.json", "/healthz", "/bucket/shed-2"):
        answer = client.get(path)
        assert answer.status_code == 503
        assert "secret inside" not in answer.text
        assert "71" not in answer.text
        assert answer.headers["x-content-type-options"] == "nosniff"
    assert "Do not take this as quiet" in client.get("/").text
    broken.clear()
    assert client.get("/").status_code == 200


# ---- serving ----


@pytest.fixture
def served() -> Iterator[Served]:
    with serving(make_app(lambda: views.status(views.GOOD))) as page:
        yield page


def test_a_served_page_answers_and_stops(served: Served) -> None:
    """The page is served from a thread beside the caller, and its port is free again after stop."""
    assert "Quillmarsh 12" in httpx.get(served.url).text
    assert served.alive
    began_s = time.monotonic()
    served.stop()
    assert time.monotonic() - began_s < 4.0
    assert not served.alive
    open_port("127.0.0.1", served.port).close()


def test_a_view_that_hangs_does_not_hold_up_the_end() -> None:
    """Stop returns within seconds although a request still waits for the journal."""
    let_go = threading.Event()

    def view() -> StatusView:
        let_go.wait(20)
        return views.status()

    page = serve(make_app(view))
    try:
        asking = threading.Thread(target=lambda: _ask_quietly(page.url), daemon=True)
        asking.start()
        time.sleep(0.3)
        began_s = time.monotonic()
        page.stop()
        assert time.monotonic() - began_s < 6.0
    finally:
        let_go.set()


def _ask_quietly(url: str) -> None:
    with contextlib.suppress(httpx.HTTPError):
        httpx.get(url, timeout=10)


def test_a_taken_port_is_told_in_one_sentence(served: Served) -> None:
    """Two pages on one port: the second says which port, and what to do."""
    with pytest.raises(PageError, match=rf"port {served.port} is taken .* set another port in \[page\]") as caught:
        serve(make_app(views.status), "127.0.0.1", served.port)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("host", ["no-such-host.invalid", "203.0.113.7"])
def test_an_address_that_is_not_ours_is_told_in_one_sentence(host: str) -> None:
    """A host that this computer does not have is named, with the setting to mend."""
    with pytest.raises(PageError, match=rf"cannot be served at {host}: .*host in \[page\]"):
        open_port(host, 0)


def test_a_client_that_dawdles_delays_nobody(served: Served) -> None:
    """Fifty half-sent requests leave the page quick for others."""
    idle = [socket.create_connection(("127.0.0.1", served.port)) for _ in range(50)]
    try:
        for connection in idle:
            connection.sendall(b"GET / HTTP/1.1\r\nHost: loc")
        began_s = time.monotonic()
        assert httpx.get(served.url).status_code == 200
        assert time.monotonic() - began_s < 3.0
    finally:
        for connection in idle:
            connection.close()


def test_many_askers_share_one_reading_of_the_journal() -> None:
    """However many ask at once, the view is made once in half a second."""
    asked = []

    def view() -> StatusView:
        asked.append(1)
        return views.status(views.GOOD)

    client = TestClient(make_app(view), base_url="http://localhost")
    began_s = time.monotonic()
    for _ in range(20):
        client.get("/healthz")
    assert len(asked) <= 1 + (time.monotonic() - began_s) / 0.5


def test_clock_times_are_those_of_the_place() -> None:
    """The page shows the local time that it was given, with the day where it is not today's."""
    local: Callable[[float], object] = system_time
    html = status_page(views.status(views.LATER), local)  # type: ignore[arg-type]
    shown = system_time(views.NOW_S - 40000)
    today = system_time(views.NOW_S).date()
    assert (f"{shown:%H:%M}" if shown.date() == today else f"{shown:%a %d %b %H:%M}") in html
