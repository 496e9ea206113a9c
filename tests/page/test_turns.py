"""What takes long waits its turn: whoever asks for it again and again holds up neither the first page nor a press."""

from __future__ import annotations

import asyncio
import json
import threading
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator, Sequence
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass, field, replace
from typing import Any

import httpx
import pytest
from anyio.to_thread import current_default_thread_limiter

from monitor.curve import BatchCurve
from monitor.languages import voice_for
from monitor.page.app import make_app
from monitor.page.compare_routes import compare_room
from monitor.page.guard import MOST_AT_ONCE, Guard
from monitor.page.links import ANSWER, LASTS_S, Link, address_for, token_of
from monitor.page.turns import AGAIN_S, COMMON, COMPARING, SLOW, TURNS, Busy, Turns, kind_of
from monitor.seasons.story import Story
from tests.page.test_compare import Seasons
from tests.page.test_links import ALARM, HERE, KEY, Deeds
from tests.page.views import BAD, GOOD, NOW_S, status

LONG = {kind: (most, 60.0) for kind, (most, _) in TURNS.items()}
SHORT = {kind: (most, 0.05) for kind, (most, _) in TURNS.items()}
ALL_WITHIN_S = 30.0


@dataclass
class Slow:
    """Whoever comes in stays until the door is opened."""

    inside: int = 0
    most: int = 0
    opened: threading.Event = field(default_factory=threading.Event)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    @contextmanager
    def work(self) -> Iterator[None]:
        with self._lock:
            self.inside += 1
            self.most = max(self.most, self.inside)
        assert self.opened.wait(60.0)
        try:
            yield
        finally:
            with self._lock:
                self.inside -= 1


class SlowSeasons(Seasons):
    """Batches whose curves take long to be read."""

    def __init__(self, slow: Slow) -> None:
        super().__init__()
        self.slow = slow

    def stories(self, names: Sequence[str]) -> list[Story]:
        with self.slow.work():
            return super().stories(names)


class SlowCourses:
    """Old batches' curves take long; that of a running one does not."""

    def __init__(self, slow: Slow) -> None:
        self.slow = slow

    def of_bucket(self, name: str, window: tuple[float, float] | None = None) -> BatchCurve | None:
        if window is None:
            return None
        with self.slow.work():
            return None

    def of_batch(self, name: str, window: tuple[float, float] | None = None) -> BatchCurve | None:
        with self.slow.work():
            return None


class Farm:
    """A page on which one alarm stands, and much that takes long."""

    def __init__(self, turns: dict[str, tuple[int, float]] = LONG, **more: Any) -> None:
        self.slow, self.deeds = Slow(), Deeds()
        self.app = make_app(
            lambda: status(replace(BAD, alarms=(ALARM,)), GOOD), deeds=self.deeds, now_s=lambda: NOW_S,  # type: ignore[arg-type]
            more=[compare_room(SlowSeasons(self.slow))], courses=SlowCourses(self.slow), turns=turns,
            picture=lambda curve, local_time, place: b"", **more,
        )  # fmt: skip
        link = Link(ANSWER, (ALARM.alarm_id,), "Ash", NOW_S + LASTS_S)
        self.address = address_for(link, token_of(link, KEY))

    @asynccontextmanager
    async def crowded(
        self, addresses: Sequence[str], inside: int
    ) -> AsyncIterator[tuple[httpx.AsyncClient, list[asyncio.Task[httpx.Response]]]]:
        """All of them are asked for at once, and so many have come in; at the end the door is opened."""
        async with httpx.AsyncClient(transport=httpx.ASGITransport(self.app), base_url="http://localhost") as client:
            asking = [asyncio.create_task(client.get(address)) for address in addresses]
            try:
                while self.slow.inside < inside:
                    await asyncio.sleep(0.01)
                yield client, asking
            finally:
                self.slow.opened.set()
                await asyncio.gather(*asking, return_exceptions=True)


def played(play: Callable[[], Awaitable[None]]) -> None:
    """In a loop of its own, as the page is served; given up where nothing moves any more."""

    async def in_time() -> None:
        async with asyncio.timeout(ALL_WITHIN_S):
            await play()

    asyncio.run(in_time())


# ---- nobody is held up -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("address", "kind"),
    [("/compare?b=B+{}&by=season", COMPARING), ("/batch/B{}/curve.json", SLOW), ("/batch/B{}/curve.png", SLOW),
     ("/bucket/shed-2/curve.json?from={}&to=9", SLOW)],
    ids=["compare", "curve-of-a-batch", "picture", "part-of-a-curve"],
)  # fmt: skip
def test_a_dozen_that_take_long_leave_the_first_page_and_a_press_alone(address: str, kind: str) -> None:
    """Each with another name, so that nothing that was kept helps: "I am going" is noted before one of them is done."""
    farm = Farm()

    async def play() -> None:
        most = TURNS[kind][0]
        async with farm.crowded([address.format(number) for number in range(12)], most) as (client, asking):
            assert "Act now" in (await client.get("/")).text
            assert (await client.get("/healthz")).status_code == 200
            assert (await client.get("/bucket/shed-2")).status_code == 200
            assert "I am going" in (await client.get(farm.address)).text
            answer = await client.post(farm.address, data={"act": "going"}, headers=HERE)
            assert answer.status_code == 303 and farm.deeds.done == [("shed-3", ALARM.alarm_id, "going", "Ash")]
            assert not any(one.done() for one in asking)
        assert {one.result().status_code for one in asking} <= {200, 404}, "each has had its turn in the end"
        assert farm.slow.most == most

    played(play)


def test_all_kinds_together_leave_threads_for_the_rest() -> None:
    """Where every turn of every kind is taken."""
    assert sum(most for most, _ in TURNS.values()) <= MOST_AT_ONCE - 2
    farm = Farm()
    addresses = [form.format(number) for form in ("/compare?b={}", "/batch/{}/curve.json") for number in range(9)]

    async def play() -> None:
        async with farm.crowded(addresses, TURNS[COMPARING][0] + TURNS[SLOW][0]) as (client, _):
            answer = await client.post(farm.address, data={"act": "going"}, headers=HERE)
            assert answer.status_code == 303 and (await client.get("/")).status_code == 200

    played(play)


@pytest.mark.parametrize(
    ("method", "path", "query", "kind"),
    [("GET", "/", "", None), ("GET", "/status.json", "", None), ("GET", "/healthz", "", None),
     ("GET", "/live", "", None), ("GET", "/a/abc", "", None), ("GET", "/heard/abc", "", None),
     ("GET", "/static/page.css", "", None), ("GET", "/enter", "back=/", None), ("HEAD", "/", "", None),
     ("POST", "/bucket/shed-2/do", "", None), ("POST", "/a/abc", "", None), ("POST", "/plan/keep", "", None),
     ("GET", "/bucket/shed-2", "", COMMON), ("GET", "/bucket/shed-2/steps", "", COMMON),
     ("GET", "/bucket/shed-2/log", "", COMMON), ("GET", "/bucket/shed-2/curve.json", "", COMMON),
     ("GET", "/metrics", "", COMMON), ("GET", "/bucket/shed-2/curve.json", "from=1&to=2", SLOW),
     ("GET", "/bucket/shed-2/curve.png", "", SLOW), ("GET", "/batch/B", "", SLOW),
     ("GET", "/batch/B/would-ring", "", SLOW), ("GET", "/batches", "words=x", SLOW), ("GET", "/plan", "", SLOW),
     ("GET", "/thought-of-by-nobody", "", SLOW), ("GET", "/compare", "", COMPARING),
     ("HEAD", "/compare", "", COMPARING)],
)  # fmt: skip
def test_what_waits_for_which_turn(method: str, path: str, query: str, kind: str | None) -> None:
    """What is new is slow until somebody says otherwise; a form never waits."""
    assert kind_of(method, path, query) == kind


# ---- what is told to who cannot wait ---------------------------------------------------------------------------------


def test_whoever_waits_too_long_is_told_and_comes_again_by_itself() -> None:
    """One sentence and the way back; programs are told when, in their own way. With the headers of any other page."""
    farm = Farm(SHORT)

    async def play() -> None:
        ten = ["/compare"] * 10
        async with farm.crowded([*ten, "/batch/a/curve.json", "/batch/b/curve.json"], 4) as (client, asking):
            told = [(await one) for one in asking[2:10]]
            assert [one.status_code for one in told] == [503] * 8
            one, headers = told[0].text, told[0].headers
            assert "this page asks again by itself in a few seconds." in one and 'href="/"' in one
            assert headers["retry-after"] == headers["refresh"] == str(AGAIN_S)
            assert headers["content-security-policy"].startswith("default-src 'self'")
            assert headers["cache-control"] == "no-store"
            for address in ("/batch/c/curve.json", "/batch/c/curve.png"):
                curve = await client.get(address)
                assert curve.status_code == 503 and "refresh" not in curve.headers
                error = "Much is being read here just now: ask again in a few seconds."
                assert json.loads(curve.text) == {"error": error}

    played(play)


def test_what_is_read_for_somebody_else_is_told_the_same_way() -> None:
    """Where a reader says Busy itself."""

    class BusySeasons(Seasons):
        def choices(self) -> list[Any]:
            raise Busy

    async def play() -> None:
        app = make_app(lambda: status(GOOD), more=[compare_room(BusySeasons())], speaks=voice_for("es"))
        async with httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url="http://localhost") as client:
            answer = await client.get("/compare")
            assert answer.status_code == 503 and answer.headers["refresh"] == str(AGAIN_S)
            assert '<html lang="es"' in answer.text

    played(play)


# ---- turns are given back --------------------------------------------------------------------------------------------

SCOPE = {"type": "http", "method": "GET", "path": "/compare", "query_string": b"", "headers": []}


async def _nothing() -> dict[str, Any]:
    return {"type": "http.request", "body": b"", "more_body": False}


async def _asked(app: Any, send: Callable[[Any], Awaitable[None]] | None = None) -> int:
    """The status of the answer."""
    found = []

    async def take(message: Any) -> None:
        found.append(message)

    await app(SCOPE, _nothing, send or take)
    return int(found[0]["status"]) if found else 0


async def _plain(scope: Any, receive: Any, send: Any) -> None:
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await send({"type": "http.response.body", "body": b""})


def test_a_visitor_who_takes_the_answer_slowly_holds_no_turn() -> None:
    """It is worked out: the next one may come in while the first letters are on their way."""

    async def play() -> None:
        app, taken = Turns(_plain, {COMPARING: (1, 0.05)}), asyncio.Event()

        async def slowly(message: Any) -> None:
            await taken.wait()

        slow = asyncio.create_task(_asked(app, slowly))
        await asyncio.sleep(0)
        assert await _asked(app) == 200 and not slow.done()
        taken.set()
        await slow

    played(play)


def test_an_answer_that_fails_gives_its_turn_back() -> None:
    """And one that is broken off, too; and never twice."""

    async def play() -> None:
        fails, stays, inside = [True], asyncio.Event(), [0]

        async def app(scope: Any, receive: Any, send: Any) -> None:
            inside[0] += 1
            if fails[0]:
                raise RuntimeError
            await stays.wait()
            await _plain(scope, receive, send)

        turns = Turns(app, {COMPARING: (1, 0.05)})
        for _ in range(3):
            with pytest.raises(RuntimeError):
                await _asked(turns)
        fails[0] = False
        broken_off = asyncio.create_task(_asked(turns))
        await asyncio.sleep(0)
        assert await _asked(turns) == 503
        broken_off.cancel()
        with pytest.raises(asyncio.CancelledError):
            await broken_off
        inside[0] = 0
        two = [asyncio.create_task(_asked(turns)) for _ in range(2)]
        await asyncio.sleep(0)
        assert inside == [1]
        stays.set()
        assert await asyncio.gather(*two) == [200, 200]

    played(play)


def test_a_page_that_is_served_again_has_all_its_turns_and_few_threads() -> None:
    """The watch serves the same page in a new loop when the first has ended, in the middle of whatever it was."""
    begun: list[int] = []

    async def app(scope: Any, receive: Any, send: Any) -> None:
        begun.append(int(current_default_thread_limiter().total_tokens))
        await asyncio.sleep(3600.0 if len(begun) <= 2 else 0.001)
        await _plain(scope, receive, send)

    page = Guard(Turns(app, {COMPARING: (2, 0.2)}))
    scope = {**SCOPE, "headers": [(b"host", b"localhost")]}

    async def take(message: Any) -> None:
        answers.append(message.get("status", 0))

    async def ends_in_the_middle() -> None:
        asking = [asyncio.create_task(page(scope, _nothing, take)) for _ in range(3)]
        await asking[2]

    async def again() -> None:
        await asyncio.gather(*(page(scope, _nothing, take) for _ in range(5)))

    answers: list[int] = []
    asyncio.run(ends_in_the_middle())
    assert answers[0] == 503
    answers.clear()
    asyncio.run(again())
    assert answers.count(200) == 5 and begun == [MOST_AT_ONCE] * 7
