"""The status page: a small web application.

``make_app`` knows no journal: it asks a function for the present ``StatusView`` and lays it out, and hands what is
pressed to ``deeds`` (see ``press``), which needs a passphrase. It answers only under names that cannot be an
attacker's (see ``is_own_host``), loads nothing from outside, and lets the browser run only its own script and style
files.
"""

from __future__ import annotations

import dataclasses
import logging
import math
import threading
import time
from collections.abc import Callable, Iterable, Mapping
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

from monitor.page.charts import Charts, Courses, NotKnownError, Picture
from monitor.page.forms import IN, steps_page
from monitor.page.gate import Gate
from monitor.page.guard import Guard, own_names
from monitor.page.household import Household
from monitor.page.household_routes import household_routes
from monitor.page.link_page import Links
from monitor.page.log_routes import Room
from monitor.page.markup import bucket_page, record_page, status_page
from monitor.page.metrics import shows
from monitor.page.news import News
from monitor.page.parts import LocalTime, plain_page
from monitor.page.press import Buttons, Deeds, Refusal, fields_of
from monitor.page.press import page as page_with_forms
from monitor.page.turns import TURNS, Busy, Turns, busy
from monitor.page.view import BucketView, RecordView, StatusView
from monitor.words import ENGLISH, Voice, tr, voice

log = logging.getLogger(__name__)

# Many phones asking at once must not each make the watch read its journal.
_SHARED_FOR_S = 0.5


def system_time(unix_s: float) -> datetime:
    """A time on this computer's own clock face."""
    return datetime.fromtimestamp(unix_s, UTC).astimezone()


def make_app(
    view: Callable[[], StatusView],
    *,
    local_time: LocalTime = system_time,
    names: Iterable[str] = (),
    deeds: Deeds | None = None,
    passphrase: str = "",
    record: Callable[[str], RecordView | None] | None = None,
    speaks: Voice = ENGLISH,
    now_s: Callable[[], float] = time.time,
    stamp: Callable[[], object] | None = None,
    knowing: Iterable[str] = (),
    household: Household | None = None,
    voices: Mapping[tuple[str, str], Voice] | None = None,
    courses: Courses | None = None,
    picture: Picture | None = None,
    more: Iterable[Room] = (),
    open_to_read: bool = True,
    metrics_token: str = "",
    turns: Mapping[str, tuple[int, float]] = TURNS,
) -> Guard:
    """The application. ``view`` is called from worker threads, seldom more than twice a second; ``names`` are
    further host names to answer to, beside this computer's own.

    ``deeds`` is what the buttons do; without it, or without ``passphrase``, there are none. ``record`` gives a batch by
    its name, None for an unknown one. ``now_s`` is for sessions and wrong tries only. ``stamp`` changes whenever there
    is news (see ``News``); without it the pages ask now and then. ``knowing`` are those who know the trade (see
    ``Links``); ``household`` is behind the pages of phones, settings and past batches; ``voices`` are those that a
    phone may choose, by (language, units). ``courses`` knows more of a batch's curve than the view does, and
    ``picture`` makes a PNG of one (see ``Charts``). ``more`` are further parts of the page, with routes of their own.
    Unless it is ``open_to_read`` only those see anything who gave the passphrase (see ``Gate``); ``metrics_token`` then
    opens the figures of ``metrics_room`` alone. ``turns`` keeps what takes long from
    holding up the rest (see there).
    """
    from starlette.applications import Starlette
    from starlette.concurrency import run_in_threadpool
    from starlette.exceptions import HTTPException
    from starlette.middleware.gzip import GZipMiddleware
    from starlette.requests import Request
    from starlette.responses import HTMLResponse, JSONResponse, Response
    from starlette.routing import Mount, Route
    from starlette.staticfiles import StaticFiles

    shared = _Shared(view)
    buttons = Buttons(deeds, passphrase, now_s, shared.forget)
    links = Links(deeds, shared.get, now_s, shared.forget, knowing=tuple(knowing), local_time=local_time)
    news = News(stamp or (lambda: None))
    charts = Charts(shared.get, record, courses, picture, local_time, now_s, stamp)

    # Plain functions, not coroutines: Starlette runs them in worker threads, so a slow journal stalls nobody else.
    def status(request: Request) -> Response:
        return HTMLResponse(shared.drawn(lambda present: status_page(present, local_time)))

    def bucket(request: Request) -> Response:
        name = request.path_params["name"]
        present = shared.get()
        for candidate in present.buckets:
            if candidate.name == name:
                return with_hand(partial(bucket_page, draw=charts.panel), candidate, present, request)
        return no_such_bucket(name)

    def steps(request: Request) -> Response:
        name = request.path_params["name"]
        present = shared.get()
        for candidate in present.buckets:
            if candidate.name == name:
                return with_hand(steps_page, candidate, present, request)
        return no_such_bucket(name)

    def with_hand(draw: Callable[..., str], one: BucketView, present: StatusView, request: Request) -> Response:
        hand = buttons.hand(request)
        html = draw(one, present, local_time, hand)
        return page_with_forms(html) if hand.state == IN else HTMLResponse(html)

    def no_such_bucket(name: str) -> Response:
        words = tr("There is no bucket {name} here.", name=name)
        return HTMLResponse(plain_page(tr("No such bucket"), words), status_code=404)

    def batch(request: Request) -> Response:
        name = request.path_params["name"]
        found = charts.record(name)
        if found is None:
            words = tr("There is no batch {name} here.", name=name)
            return HTMLResponse(plain_page(tr("No such batch"), words), status_code=404)
        return HTMLResponse(record_page(found, local_time, charts.panel))

    # Coroutines, because a body has to be read; what touches the journal or takes long goes to a worker thread.
    async def do(request: Request) -> Response:
        return await run_in_threadpool(buttons.do, request, await fields_of(request))

    async def enter(request: Request) -> Response:
        if request.method in ("GET", "HEAD"):
            return buttons.show_door(request)
        return await run_in_threadpool(buttons.enter, request, await fields_of(request))

    async def leave(request: Request) -> Response:
        return await run_in_threadpool(buttons.leave, request, await fields_of(request))

    async def by_link(request: Request) -> Response:
        if request.method in ("GET", "HEAD"):
            return await run_in_threadpool(links.show, request)
        return await run_in_threadpool(links.press, request, await fields_of(request))

    async def live(request: Request) -> Response:
        return news.answer(request.client.host if request.client else "")

    def status_json(request: Request) -> Response:
        try:
            return JSONResponse(status_values(shared.get()))
        except NotKnownError as error:
            return JSONResponse({"error": str(error)}, status_code=503)

    def healthz(request: Request) -> Response:
        try:
            present = shared.get()
        except NotKnownError as error:
            return JSONResponse({"ok": False, "at_s": None, "trouble": [str(error)]}, status_code=503)
        return JSONResponse(
            {"ok": not present.watch, "at_s": present.at_s, "trouble": list(present.watch)},
            status_code=503 if present.watch else 200,
        )

    def broken(request: Request, error: Exception) -> Response:
        log.error("the page could not be made: %r", error.__cause__ or error)
        words = tr("The watch cannot tell how the buckets stand just now. Do not take this as quiet: look at them.")
        return HTMLResponse(plain_page(tr("Not known"), words), status_code=503)

    def refused(request: Request, error: Exception) -> Response:
        code = error.status_code if isinstance(error, HTTPException) else 500
        words = {
            404: tr("There is nothing at this address."),
            405: tr("Nothing can be changed at this address."),
        }
        return HTMLResponse(plain_page(tr("Not here"), words.get(code, tr("That did not work."))), status_code=code)

    def come_again(request: Request, error: Exception) -> Response:
        return busy(request.url.path)

    def not_taken(request: Request, error: Exception) -> Response:
        assert isinstance(error, Refusal)
        return HTMLResponse(plain_page(tr("Not noted"), error.sentence), status_code=error.status)

    voices = voices or {}
    languages = list(dict.fromkeys([speaks.language, *(language for language, _ in voices)]))
    rooms = [] if household is None else household_routes(household, buttons, local_time, languages, shared.forget)
    inner = Starlette(
        routes=[
            *rooms,
            *(route for room in more for route in room(buttons, local_time, shared.forget)),
            Route("/", status),
            Route("/status.json", status_json),
            Route("/healthz", healthz),
            Route("/live", live),
            Route("/enter", enter, methods=["GET", "POST"]),
            Route("/a/{token}", by_link, methods=["GET", "POST"]),
            Route("/heard/{token}", by_link, methods=["GET", "POST"]),
            Route("/leave", leave, methods=["POST"]),
            Route("/bucket/{name:path}/do", do, methods=["POST"]),
            Route("/bucket/{name:path}/steps", steps),
            *charts.routes(),
            Route("/bucket/{name:path}", bucket),
            Route("/batch/{name:path}", batch),
            Mount("/static", StaticFiles(directory=Path(__file__).parent / "static")),
        ],
        exception_handlers={
            NotKnownError: broken, Busy: come_again, Refusal: not_taken, HTTPException: refused, Exception: broken,
        },
    )  # fmt: skip
    # Outside everything, so that an error page carries the headers too.
    known = frozenset(name.lower().rstrip(".") for name in (*own_names(), *names))
    in_turn = Turns(inner, turns)
    rooms_and_gate = in_turn if open_to_read else Gate(
        in_turn, lambda request: shows(request, metrics_token) or buttons.hand(request).state == IN
    )
    # Text shrinks to a fifth; an old phone at the end of the yard is glad of it. A stream is left as it is.
    return Guard(GZipMiddleware(rooms_and_gate, minimum_size=1000), known, speaks, news.close, voices=voices)


class _Shared:
    """The view, asked for at most once in a short while however many ask; one for each voice that asks."""

    def __init__(self, view: Callable[[], StatusView]) -> None:
        self._view = view
        self._lock = threading.Lock()
        self._present: dict[tuple[str, str], tuple[float, StatusView]] = {}
        self._drawn: dict[tuple[str, str], tuple[StatusView, str]] = {}

    def forget(self) -> None:
        """Something was pressed: the next one to ask sees it."""
        with self._lock:
            self._present.clear()

    def get(self) -> StatusView:
        speaks = voice().language, voice().units
        with self._lock:
            asked_s, present = self._present.get(speaks, (-math.inf, None))
            if present is None or time.monotonic() - asked_s > _SHARED_FOR_S:
                # Forget first: when the view fails, the last good one must not be shown as the present.
                self._present.pop(speaks, None)
                try:
                    present = self._view()
                except Exception as error:
                    raise NotKnownError("The watch cannot tell how the buckets stand just now.") from error
                self._present[speaks] = time.monotonic(), present
            return present

    def drawn(self, draw: Callable[[StatusView], str]) -> str:
        """The page of all buckets, drawn once for one view: at each news every open phone asks for it."""
        speaks, present = (voice().language, voice().units), self.get()
        kept = self._drawn.get(speaks)
        if kept is None or kept[0] is not present:
            kept = self._drawn[speaks] = present, draw(present)
        return kept[1]


def status_values(view: StatusView) -> dict[str, Any]:
    """The view for programs: all but curves and logs, with each bucket's ``standing``; unknown is null."""
    values: dict[str, Any] = _plain(dataclasses.asdict(view))
    for shown, bucket in zip(values["buckets"], view.buckets, strict=True):
        for long in ("curve", "ambient", "band", "marks", "log", "steps", "last_entry", "handling"):
            del shown[long]
        shown["standing"] = bucket.standing
        shown["stale"] = bucket.is_stale
    return values


def _plain(value: Any) -> Any:
    """JSON has no NaN: a figure that is not one becomes null."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    return value
