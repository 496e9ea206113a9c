"""What happens when a button is pressed: the door, then the deed, then back to the page (POST, redirect, GET).

A form counts only when it came from a page of ours, within a session, with that session's token. A GET changes nothing.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from typing import TYPE_CHECKING, Protocol
from urllib.parse import parse_qs

from monitor.page.door import COOKIE, HOST_ONLY, KNOWN_COOKIE, SESSION_S, Door, Session, came_from_here
from monitor.page.forms import IN, OFF, OUT, Hand, enter_page
from monitor.page.parts import address_of, plain_page
from monitor.words import tr

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

log = logging.getLogger(__name__)

MOST_BODY = 8 * 1024
_MOST_FIELDS = 20
_KNOWN_S = 365 * 86400
# Only where forms are may a form be sent, and only to us.
FORM_POLICY = (
    "default-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'; object-src 'none'"
)


class Deeds(Protocol):
    """What the buttons do. Every method may be called from any thread; a refusal is a ValueError with one sentence."""

    def key(self) -> bytes:
        """The journal's own random key, for signing sessions."""

    def recall(self, name: str) -> object:
        """What the door kept under a name, None where nothing was."""

    def keep(self, name: str, value: object) -> None:
        """Keep something of the door's over a restart."""

    def tick(
        self, bucket: str, batch: str, step_id: str, *, ago_s: float, temperature: str, water: str
    ) -> None:
        """Note that a step was done."""

    def note(
        self, bucket: str, batch: str, kind: str, *, ago_s: float, temperature: str, water: str, text: str
    ) -> None:
        """Note one entry of the log."""

    def undo(self, bucket: str, batch: str, entry_id: str) -> None:
        """Take one entry back."""

    def move(self, bucket: str, batch: str, entry_id: str, to_bucket: str) -> None:
        """Put one entry to the batch in another bucket, where it belongs."""

    def act(self, bucket: str, alarm_id: str, act: str, *, who: str = "", quiet_s: float = 0.0) -> None:
        """Answer an alarm: "acknowledged", "going", "shelved" for ``quiet_s``, or "unshelved"."""

    def heard(self, person: str) -> None:
        """Somebody heard the drill."""


class Refusal(Exception):
    """A press that is not taken: status and one sentence."""

    def __init__(self, status: int, sentence: str) -> None:
        super().__init__(sentence)
        self.status, self.sentence = status, sentence


class Buttons:
    """The pressing part of the page. ``deeds`` None or no ``passphrase``: nothing can be pressed."""

    def __init__(
        self, deeds: Deeds | None, passphrase: str, now_s: Callable[[], float], pressed: Callable[[], None]
    ) -> None:
        self._deeds = deeds if passphrase.strip() else None
        self._passphrase, self._now_s, self._pressed = passphrase, now_s, pressed
        self._door: Door | None = None
        self._lock = threading.Lock()

    # ---- who is there ----

    def hand(self, request: Request) -> Hand:
        """What the visitor may press."""
        if self._deeds is None:
            return Hand(OFF)
        session = self._session(request)
        return Hand(OUT) if session is None else Hand(IN, session.token)

    def _session(self, request: Request) -> Session | None:
        cookie = _cookie(request, COOKIE)
        return self._opened().session(cookie, self._now_s()) if cookie else None

    def _opened(self) -> Door:
        """The door; its key is asked for when the first visitor comes, so that a full disk keeps no page from showing.

        Raises the ValueError of the deeds.
        """
        with self._lock:
            if self._door is None:
                if self._deeds is None:
                    raise Refusal(403, tr("Nothing can be changed from this page."))
                self._door = Door(self._passphrase, self._deeds.key(), self._deeds)
            return self._door

    # ---- the door ----

    def show_door(self, request: Request) -> Response:
        if self._deeds is None:
            raise Refusal(404, tr("There is nothing at this address."))
        return page(enter_page(_own_path(request.query_params.get("back", "/"))))

    def enter(self, request: Request, fields: dict[str, str]) -> Response:
        if self._deeds is None:
            raise Refusal(404, tr("There is nothing at this address."))
        back = _own_path(fields.get("back", "/"))
        client = request.client.host if request.client else ""
        door, now_s = self._opened(), self._now_s()
        known = _cookie(request, KNOWN_COOKIE)
        wait_s = door.wait_s(client, now_s, known)
        entered = None if wait_s > 0.0 else door.enter(fields.get("passphrase", ""), client, now_s, known)
        if entered is None:
            if wait_s <= 0.0:  # those that come too soon would fill the log
                log.warning("page: a wrong passphrase from %s", client)
            return page(
                enter_page(back, wrong=wait_s <= 0.0, wait_s=wait_s), status=429 if wait_s > 0.0 else 403
            )
        answer = see(back)
        _set_cookie(answer, request, COOKIE, entered[1], int(SESSION_S))
        _set_cookie(answer, request, KNOWN_COOKIE, door.known_cookie(), _KNOWN_S)
        return answer

    def leave(self, request: Request, fields: dict[str, str]) -> Response:
        self.allowed(request, fields)
        session = self._session(request)
        if session is not None:
            self._opened().end(session, self._now_s())
        answer = see("/")
        for name in (COOKIE, HOST_ONLY + COOKIE):
            answer.delete_cookie(name, path="/", httponly=True, samesite="strict", secure=name.startswith(HOST_ONLY))
        return answer

    # ---- the deeds ----

    def do(self, request: Request, fields: dict[str, str]) -> Response:
        """One press: note, tick, undo, move or answer; then back to where it was pressed."""
        deeds = self.allowed(request, fields)
        bucket, batch = request.path_params["name"], fields.get("batch", "")
        back = _back(bucket, fields)
        ago_s = _ago_s(fields.get("ago", "0"))
        temperature, water = fields.get("temperature", ""), fields.get("water", "")
        what = fields.get("what", "")
        try:
            if what == "tick":
                deeds.tick(
                    bucket, batch, fields.get("step", ""), ago_s=ago_s, temperature=temperature, water=water
                )
            elif what == "note":
                deeds.note(
                    bucket, batch, fields.get("kind", ""), ago_s=ago_s, temperature=temperature, water=water,
                    text=fields.get("text", ""),
                )  # fmt: skip
            elif what == "undo":
                deeds.undo(bucket, batch, fields.get("entry", ""))
            elif what == "move":
                deeds.move(bucket, batch, fields.get("entry", ""), fields.get("to", ""))
            elif what == "answer":
                deeds.act(bucket, fields.get("alarm", ""), fields.get("act", ""))
            elif what == "quiet":
                _quiet(deeds, bucket, fields)
            else:
                raise Refusal(400, tr("That button is not known here; open the page anew."))
        except ValueError as error:
            words = tr("Nothing was noted. {reason}", reason=str(error))
            return page(plain_page(tr("Not noted"), words, back, tr("back")), status=409)
        self._pressed()
        return see(back)

    def allowed(self, request: Request, fields: dict[str, str]) -> Deeds:
        """The deeds, for a form of a visitor's own session; Refusal for any other."""
        if self._deeds is None:
            raise Refusal(403, tr("Nothing can be changed from this page: no passphrase is set."))
        session = self._session(request)
        if session is None:
            raise Refusal(403, tr("The door has closed: give the passphrase again. Nothing was noted."))
        if not session.allows(fields.get("token", "")):
            raise Refusal(403, tr("That button is an old one: open the page anew. Nothing was noted."))
        return self._deeds


async def fields_of(request: Request) -> dict[str, str]:
    """The fields of a form that one of our pages sent; Refusal for anything else. Reads no more than MOST_BODY."""
    if not came_from_here(request.headers):
        raise Refusal(403, tr("That did not come from a page of this watch. Nothing was noted."))
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/x-www-form-urlencoded":
        raise Refusal(415, tr("That is no form of this page."))
    from starlette.requests import ClientDisconnect

    body = b""
    try:
        async for part in request.stream():
            body += part
            if len(body) > MOST_BODY:
                raise Refusal(413, tr("That is longer than any form of this page."))
    except ClientDisconnect:  # a phone that lost the network: nobody is there to be told, and nothing is wrong here
        raise Refusal(400, tr("That is no form of this page.")) from None
    try:
        found = parse_qs(
            body.decode("ascii"), keep_blank_values=True, max_num_fields=_MOST_FIELDS, errors="strict"
        )
    except ValueError:
        raise Refusal(400, tr("That is no form of this page.")) from None
    return {name: values[-1] for name, values in found.items()}


def _over_tls(request: Request) -> bool:
    """Whether the browser came over TLS, through a proxy that ends it. The browser's own word for where the form stood
    (Origin, which ``fields_of`` has checked) is believed, a proxy's header is not: whoever lies here fools nobody but
    themselves.
    """
    return request.url.scheme == "https" or request.headers.get("origin", "").startswith("https://")


def _cookie(request: Request, name: str) -> str:
    return request.cookies.get(HOST_ONLY + name) or request.cookies.get(name, "")


def _set_cookie(answer: Response, request: Request, name: str, value: str, lasts_s: int) -> None:
    secure = _over_tls(request)
    answer.set_cookie(
        HOST_ONLY + name if secure else name, value, max_age=lasts_s, path="/", httponly=True, samesite="strict",
        secure=secure,
    )  # fmt: skip


def page(html: str, status: int = 200) -> Response:
    """A page with forms on it."""
    from starlette.responses import HTMLResponse

    return HTMLResponse(html, status_code=status, headers={"content-security-policy": FORM_POLICY})


def _back(bucket: str, fields: dict[str, str]) -> str:
    """Where the button stood: at the bucket, its steps or its log, or at the log of the bucket an entry goes to."""
    where = fields.get("back", "")
    if where == "there":
        return address_of(fields.get("to", ""), "/log")
    return address_of(bucket, {"steps": "/steps#next", "log": "/log"}.get(where, ""))


def _quiet(deeds: Deeds, bucket: str, fields: dict[str, str]) -> None:
    """Keep an alarm quiet for so many minutes; none end the quiet."""
    quiet_s = _ago_s(fields.get("minutes", "0"))
    alarm = fields.get("alarm", "")
    if quiet_s > 0.0:
        deeds.act(bucket, alarm, "shelved", quiet_s=quiet_s)
    else:
        deeds.act(bucket, alarm, "unshelved")


def see(address: str) -> Response:
    """See other (303): the browser shows the page, and a reload presses nothing again."""
    from starlette.responses import RedirectResponse

    return RedirectResponse(address, status_code=303)


def _own_path(text: str) -> str:
    """A path on this page; "/" for anything that could lead elsewhere."""
    plain = text.startswith("/") and not text.startswith("//") and "\\" not in text and text.isprintable()
    return text if plain and len(text) < 400 else "/"


def _ago_s(text: str) -> float:
    if not text.isascii() or not text.isdigit() or len(text) > 4:
        raise Refusal(400, tr("That button is not known here; open the page anew."))
    return 60.0 * int(text)
