"""Bytes at the page's port, in-process through uvicorn's protocol and the whole application, a share at a socket.

An input is what comes over one connection, any number of requests. ``{COOKIE}``, ``{TOKEN}``, ``{ALARM}`` and
``{HEARD}`` in it stand for a session's cookie, its form token and the addresses that two messages carry.
"""

from __future__ import annotations

import gzip
import json
import random
import re
import socket
from collections.abc import Sequence
from functools import cache
from html.parser import HTMLParser
from urllib.parse import urlencode, urlsplit
from zlib import crc32

from monitor.page.guard import _HEADERS
from tests.faults.fuzz.farm import PASSPHRASE, Answer, Farm
from tests.faults.fuzz.target import Target

SOCKET_ONE_IN = 128

# Every element that the pages are made of; another one in an answer came out of a request.
ELEMENTS = frozenset(
    b"!doctype a article b body button circle details div fieldset footer form h1 h2 h3 h4 head header html "
    b"input label legend li line link main meta nav noscript ol option p path polygon polyline progress rect s script "
    b"section select small span strong style summary svg table tbody td text textarea th thead time title tr ul".split()
)
_TAG = re.compile(rb"<(?!/)([^\s>/]*)")
_SCRIPT = re.compile(rb'<script(?: src="/static/[a-z_/.0-9-]+"| defer| type="[a-z/]+")*></script>')


def one(data: bytes) -> None:
    """No answer fails, shows what it should not, or changes anything that its sender may not."""
    page = farm()
    raw = page.filled(data)
    answers, written = page.connect(raw)
    assert not written or written.startswith((b"HTTP/1.1 ", b"HTTP/1.0 ")), written[:40]
    assert not re.match(rb"HTTP/1\.[01] 500", written), written[:200]
    for answer in answers:
        check(answer)
    # Whoever tries the passphrase leaves a try behind, or nobody would be slowed down.
    changed = page.changed() - {"door"}
    if changed:
        posted = any(answer.method == "POST" and answer.status == 303 for answer in answers)
        assert posted, f"{sorted(changed)} written without a form that was taken"
        vouched = b"{COOKIE}" in data or b"{ALARM}" in data or b"{HEARD}" in data
        assert vouched, f"{sorted(changed)} written for somebody without a session"
    if crc32(data) % SOCKET_ONE_IN == 0:
        at_a_socket(page, raw)


def check(answer: Answer) -> None:
    """What every answer of the application keeps."""
    where = f"{answer.method} {answer.path!r}"
    if answer.error is not None and not answer.too_late:
        raise AssertionError(f"{where} ended in an exception") from answer.error
    if not answer.status:
        return  # the visitor had gone before there was an answer
    # Nobody watches over this journal, and that is what /healthz says with 503; nothing else may fail.
    assert answer.status < 500 or (answer.status == 503 and answer.path == "/healthz"), f"{where}: {answer.status}"
    names = [name for name, _ in answer.headers]
    for name in (*_HEADERS, "cache-control"):
        assert names.count(name.encode()) == 1, f"{where}: {names.count(name.encode())} headers {name}"
    for name, value in answer.headers:
        assert not re.search(rb"[\r\n\0]", name + value), f"{where}: {name!r} {value!r}"
    assert b"unsafe" not in answer.header(b"content-security-policy")
    location = answer.header(b"location")
    # A host is the same in capital letters, and the visitor's own is sent back as it came.
    assert not location or re.match(rb"(?i)/(?![/\\])|http://(127\.0\.0\.1|localhost)(:\d+)?(/|$)", location), location
    cookie = answer.header(b"set-cookie").lower()
    assert not cookie or (b"httponly" in cookie and b"samesite=" in cookie), cookie
    body = answer.body
    if answer.header(b"content-encoding") == b"gzip" and body:
        body = gzip.decompress(body)
    assert PASSPHRASE.encode() not in body and b"Traceback" not in body, where
    kind = answer.header(b"content-type")
    if kind.startswith(b"text/html"):
        check_html(body, where)
    elif kind.startswith(b"application/json") and body:
        json.loads(body, parse_constant=_no_constant)


def check_html(body: bytes, where: str) -> None:
    """Only elements of ours, no script but our files, no attribute that runs one."""
    strange = {tag.lower() for tag in _TAG.findall(body)} - ELEMENTS
    assert not strange, f"{where}: elements that are not ours: {sorted(strange)[:3]}"
    lower = body.lower()
    assert lower.count(b"<script") == len(_SCRIPT.findall(body)), f"{where}: a script that is not one of ours"
    if re.search(rb"\son[a-z]+\s*=|javascript:", lower):
        look = _Attributes()
        look.feed(body.decode("utf-8"))
        assert not look.wrong, f"{where}: {look.wrong}"


class _Attributes(HTMLParser):
    """Looks for attributes that run a script."""

    wrong = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        for name, value in attrs:
            runs = name in ("href", "src", "action") and (value or "").strip().lower().startswith("javascript:")
            if name.startswith("on") or runs:
                self.wrong = f"<{tag} {name}={value!r}>"


def _no_constant(word: str) -> None:
    raise AssertionError(f"{word} in an answer")


def at_a_socket(page: Farm, raw: bytes) -> None:
    """The same bytes at the real server; it answers the next visitor as before."""
    _said(page.port, raw, wait_s=0.2)
    page.answers = []
    again = _said(page.port, b"GET /checklist HTTP/1.1\r\nHost: localhost\r\n\r\n", wait_s=60.0)
    assert again.startswith(b"HTTP/1.1 200"), again[:200]
    page.changed()  # the sender was checked in-process; here only that it is put back


def _said(port: int, raw: bytes, wait_s: float) -> bytes:
    """Send, wait for the first of the answer, and hang up."""
    with socket.create_connection(("127.0.0.1", port), timeout=30.0) as line:
        try:
            line.sendall(raw)
            line.settimeout(wait_s)
            said = line.recv(4096)
        except OSError:  # it waits for more, or hung up while we still sent
            return b""
    assert not said or said.startswith((b"HTTP/1.1 ", b"HTTP/1.0 ")), said[:40]
    assert not re.match(rb"HTTP/1\.[01] 500", said), said[:200]
    return said


@cache
def farm() -> Farm:
    return Farm()


# ---- what it begins with --------------------------------------------------------------------------------------------

_PLACES = (
    "/", "/status.json", "/healthz", "/live", "/enter", "/enter?back=%2Fbucket%2Fshed-2", "/batches",
    "/batches?words=sunflower", "/phones", "/settings", "/plan", "/plan/Quillmarsh%2011", "/checklist", "/a/{ALARM}",
    "/heard/{HEARD}", "/heard/{HEARD}?heard", "/bucket/shed-2", "/bucket/shed-2/steps", "/bucket/shed-2/log",
    "/bucket/shed-2/curve.json", "/bucket/shed-2/curve.json?from=1773480000&to=1773483600",
    "/bucket/barn%201%2Fleft%20%3Ci%3E%26", "/bucket/spare", "/batch/Quillmarsh%2012", "/batch/Quillmarsh%2011",
    "/batch/Quillmarsh%2012/would-ring", "/batch/Quillmarsh%2012/would-ring?of=abc",
    "/batch/Quillmarsh%2012/curve.json",
    "/bucket/shed-2/curve.png", "/static/page.css", "/static/vendor/uPlot.iife.min.js", "/static/../app.py", "//x",
    "/bucket/nowhere%00", "/plan?oils=sunflower+4.2+kg&purity=90&litres=25+L&air=8&bucket=shed-2",
)  # fmt: skip
_WITH = "GET {place} HTTP/1.1\r\nHost: localhost\r\n{more}\r\n"
_POST = (
    "POST {place} HTTP/1.1\r\nHost: localhost\r\nOrigin: http://localhost\r\nSec-Fetch-Site: same-origin\r\n"
    "Cookie: emberpail={{COOKIE}}\r\nContent-Type: application/x-www-form-urlencoded\r\n"
    "Content-Length: {length}\r\n\r\n{body}"
)


class _Forms(HTMLParser):
    """The forms of a page: where each goes, and its fields with one value each."""

    def __init__(self) -> None:
        super().__init__()
        self.forms: list[tuple[str, str, dict[str, str]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        if tag == "form":
            self.forms.append((given.get("method", "get").lower(), given.get("action", ""), {}))
        elif tag in ("input", "button", "select", "textarea") and self.forms and "name" in given:
            fields = self.forms[-1][2]
            if tag == "button" and given["name"] in fields:
                self.forms.append((*self.forms[-1][:2], {**fields}))
                fields = self.forms[-1][2]
            fields[given["name"]] = given.get("value", "") or "5"


def _posts(page: Farm) -> dict[str, bytes]:
    """What the pages' own forms send, each kind once."""
    found: dict[str, bytes] = {}
    for place in _PLACES:
        raw = _WITH.format(place=place, more="Cookie: emberpail={COOKIE}\r\n").encode()
        answers, _ = page.connect(page.filled(raw))
        for answer in answers:
            if not answer.header(b"content-type").startswith(b"text/html"):
                continue
            look = _Forms()
            look.feed(answer.body.decode())
            for method, action, fields in look.forms:
                if method != "post":
                    continue
                to = action or urlsplit(place).path
                kind = f"{to} {sorted(fields)} {fields.get('what')} {fields.get('act')}"
                body = urlencode({name: "{TOKEN}" if name == "token" else value for name, value in fields.items()})
                body = body.replace("%7BTOKEN%7D", "{TOKEN}")
                found.setdefault(kind, _POST.format(place=to, length=_length(body), body=body).encode())
    return found


def _length(body: str) -> int:
    return len(body.replace("{TOKEN}", "0" * 64))


def seeds() -> Sequence[bytes]:
    """Every address with and without a session, all forms of all pages, and connections that go wrong."""
    page = farm()
    plain = [_WITH.format(place=place, more="").encode() for place in _PLACES]
    inside = [
        _WITH.format(place=place, more="Cookie: emberpail={COOKIE}; emberpail-words=es.us\r\n").encode()
        for place in _PLACES
    ]
    typed = [
        _post("/enter", {"passphrase": "wrong", "back": "//elsewhere.example/<script>"}),
        _post("/plan/keep", {"token": "{TOKEN}", "recipe": "", "oils": "sunflower 4.2 kg", "purity": "90 %",
                             "litres": "25 L", "air": "8", "bucket": "shed-2", "name": "Quillmarsh 99"}),
        _post("/bucket/shed-2/do", {"token": "{TOKEN}", "batch": "Quillmarsh 12", "what": "note", "kind": "note",
                                    "text": "<script>alert(1)</script>", "ago": "5"}),
    ]  # fmt: skip
    odd = [
        plain[0] + plain[1],
        b"HEAD / HTTP/1.0\r\nHost: localhost\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: elsewhere.example\r\n\r\n",
        b"GET / HTTP/1.1\r\n\r\n",
        b"OPTIONS * HTTP/1.1\r\nHost: localhost\r\n\r\n",
        b"PUT /bucket/shed-2 HTTP/1.1\r\nHost: [::1]:8737\r\nTransfer-Encoding: chunked\r\n\r\n3\r\nabc\r\n0\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: localhost\r\nUpgrade: websocket\r\nConnection: upgrade\r\n\r\n",
        b"GET /static/page.css HTTP/1.1\r\nHost: localhost\r\nRange: bytes=0-10,5-7\r\nIf-None-Match: *\r\n\r\n",
        b"POST /enter HTTP/1.1\r\nHost: localhost\r\nSec-Fetch-Site: same-origin\r\nContent-Length: 900\r\n"
        b"Content-Type: application/x-www-form-urlencoded\r\n\r\npassphrase=cut",
        b"GET / HTTP/1.1\r\nHost: localhost\r\nAccept-Encoding: gzip\r\nCookie: emberpail=a.b.c\r\n\r\n",
        b"\x16\x03\x01\x02\x00\x01\x00",
        b"GET /" + b"a" * 3000 + b" HTTP/1.1\r\nHost: localhost\r\n\r\n",
    ]
    outside = [re.sub(rb"Cookie: [^\r]*\r\n", b"", one) for one in typed]
    return [*plain, *inside, *typed, *outside, *_posts(page).values(), *odd]


def _post(place: str, fields: dict[str, str]) -> bytes:
    body = urlencode(fields).replace("%7BTOKEN%7D", "{TOKEN}")
    return _POST.format(place=place, length=_length(body), body=body).encode()


def _lengths_mended(data: bytes, _rng: random.Random) -> bytes:
    """The length that stands in the head is that of the body, so that the form is read at all."""
    head, blank, body = data.partition(b"\r\n\r\n")
    length = len(body.replace(b"{TOKEN}", b"0" * 64))
    return re.sub(rb"(?i)(content-length: )[^\r\n]*", rb"\g<1>%d" % length, head, count=1) + blank + body


WORDS = (
    *(place.encode() for place in _PLACES), b"GET ", b"POST ", b"HEAD ", b"DELETE ", b" HTTP/1.1", b" HTTP/1.0",
    b"\r\n", b"\r\n\r\n", b"Host: localhost\r\n", b"Host: [::1]\r\n", b"Host: \xff\r\n",
    b"Cookie: emberpail={COOKIE}\r\n", b"Cookie: emberpail-words=es.us\r\n", b"Cookie: ", b"Origin: null\r\n",
    b"Origin: http://localhost\r\n", b"Sec-Fetch-Site: same-origin\r\n",
    b"Content-Type: application/x-www-form-urlencoded\r\n", b"Content-Length: 5\r\n",
    b"Transfer-Encoding: chunked\r\n", b"Accept-Encoding: gzip\r\n", b"Range: bytes=0-\r\n",
    b"Expect: 100-continue\r\n", b"If-Modified-Since: x\r\n", b"&", b"=", b"?", b"%", b"%00",
    b"%0d%0aSet-Cookie:x=1", b"%ff", b"%c3%a9", b"%2f", b"/..", b"%2e%2e%2f", b"{TOKEN}", b"{COOKIE}", b"{ALARM}",
    b"{HEARD}", b"%3Cscript%3Ealert(1)%3C/script%3E", b"%22%20onload%3Dalert(1)%20x%3D%22", b"'%22%3E%3Cfz%3E",
    b"<fz>", b"javascript:alert(1)", b"what=", b"tick", b"note", b"undo", b"move", b"answer", b"quiet",
    b"act=going", b"minutes=60", b"batch=Quillmarsh+12", b"step=poured", b"kind=", b"ago=5", b"temperature=",
    b"water=", b"text=", b"entry=", b"to=shed-3", b"back=", b"alarm=", b"oils=", b"purity=", b"size=", b"litres=",
    b"air=", b"opened=", b"bucket=", b"name=", b"words=", b"from=", b"to=", b"of=", b"person=Ash", b"language=es",
    b"units=us", b"hold=1", b"1e999", b"nan", b"-1", b"9" * 400, b"\xc2\xb2", b"%E2%82%82", b"%F0%9D%9F%99",
)  # fmt: skip

TARGET = Target("http", one, seeds, WORDS, longest=4000, mend=_lengths_mended)
