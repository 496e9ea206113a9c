"""Visitors without end, without haste or without manners: the page stays open to others, and the process keeps its
file handles for the journal, the wires and the phones.
"""

from __future__ import annotations

import contextlib
import os
import socket
import threading
import time
from collections.abc import Iterator

import anyio
import httpx
import pytest
from hypothesis import given
from hypothesis import strategies as st
from starlette.applications import Starlette
from starlette.responses import PlainTextResponse
from starlette.routing import Route

from monitor.page.app import make_app
from monitor.page.guard import MOST_AT_ONCE, Guard
from monitor.page.news import MOST_STREAMS, MOST_STREAMS_OF_ONE, News
from monitor.page.serving import Served, serving
from monitor.page.visitors import MOST_CONNECTIONS, MOST_FROM_ONE, Crowd, network_of
from tests.page.views import GOOD, status
from tests.sources.conftest import wait_until


@pytest.fixture
def page(monkeypatch: pytest.MonkeyPatch) -> Iterator[Served]:
    """A page whose patience is a second instead of half a minute."""
    monkeypatch.setattr("monitor.page.connections.REQUEST_WITHIN_S", 1.0)
    monkeypatch.setattr("monitor.page.connections.TAKEN_WITHIN_S", 1.0)
    monkeypatch.setattr("monitor.page.connections.LOOK_EVERY_S", 0.2)
    with serving(make_app(lambda: status(GOOD))) as one:
        yield one


def port_of(page: Served) -> int:
    return int(page.url.rsplit(":", 1)[1].strip("/"))


def connection(page: Served, source: str = "127.0.0.1") -> socket.socket:
    return socket.create_connection(("127.0.0.1", port_of(page)), 5.0, (source, 0))


def is_cut(sock: socket.socket) -> bool:
    """Whether the other end has closed it."""
    sock.setblocking(False)
    try:
        return sock.recv(65536) == b""
    except BlockingIOError:
        return False
    except OSError:
        return True


def asked(page: Served, source: str = "127.0.0.1") -> int:
    """The status of a visitor's request from an address of this computer."""
    with httpx.Client(transport=httpx.HTTPTransport(local_address=source), timeout=10.0) as client:
        return client.get(page.url).status_code


def open_handles() -> int:
    return len(os.listdir("/proc/self/fd"))


# ---- who gives way ---------------------------------------------------------------------------------------------------


@given(st.lists(st.tuples(st.integers(0, 5), st.booleans()), max_size=200))
def test_there_are_never_more_than_so_many(steps: list[tuple[int, bool]]) -> None:
    """However visitors come and go: neither of all nor of one are there more, and the counts stay true."""
    crowd: Crowd[int] = Crowd(10, 6)
    inside: dict[int, int] = {}
    for number, (visitor, comes) in enumerate(steps):
        if comes:
            out = crowd.enter(number, f"192.0.2.{visitor}")
            if out is None or out != number:
                inside[number] = visitor
            if out is not None:
                inside.pop(out, None)
        elif inside:
            gone = next(iter(inside))
            crowd.leave(gone)
            crowd.leave(gone)
            del inside[gone]
        assert len(crowd) == len(inside) <= 10
        assert all(list(inside.values()).count(one) <= 6 for one in range(6))


def test_when_all_are_taken_the_greediest_gives_way() -> None:
    """The newcomer gets in, the youngest connection of whoever holds most goes; the greedy one gets no further."""
    crowd: Crowd[int] = Crowd(10, 9)
    assert [crowd.enter(n, "192.0.2.1") for n in range(9)] == [None] * 9
    assert crowd.enter(9, "192.0.2.2") is None
    assert crowd.enter(10, "192.0.2.3") == 8
    assert crowd.enter(11, "192.0.2.1") == 11
    assert [crowd.enter(n, f"192.0.2.{n}") for n in range(20, 27)] == [7, 6, 5, 4, 3, 2, 1]
    # Everybody holds one: now the newcomer waits outside.
    assert crowd.enter(40, "192.0.2.40") == 40


def test_one_household_is_one_visitor() -> None:
    """An address of IPv4, mapped or not, and the /64 of IPv6; what is no address is one visitor, too."""
    assert network_of("::ffff:192.0.2.7") == network_of("192.0.2.7") == "192.0.2.7"
    assert network_of("2001:db8::1") == network_of("2001:db8::ffff:2") != network_of("2001:db8:0:1::1")
    assert network_of("testclient") == network_of("") == "unknown"


# ---- real connections ------------------------------------------------------------------------------------------------


def test_connections_without_end_leave_room_for_others_and_for_the_watch(page: Served) -> None:
    """600 from five addresses that say nothing: 300 are held at the most, another visitor is answered at once, and
    those that stay silent are cut."""
    before = open_handles()
    held: list[socket.socket] = []
    for number in range(600):
        with contextlib.suppress(OSError):
            held.append(connection(page, f"127.0.0.{number % 5 + 10}"))
        if number % 50 == 49:
            assert asked(page) == 200
            # Ours are in this process, too: each end of a connection is a handle.
            assert open_handles() - before - len(held) <= MOST_CONNECTIONS + 70
    assert asked(page) == 200
    wait_until(lambda: all(map(is_cut, held)), 20.0, what="every silent connection to be cut")
    for one in held:
        one.close()
    wait_until(lambda: open_handles() <= before + 5, 5.0, what="every handle to be given back")


def test_one_address_holds_no_more_than_its_share(page: Served) -> None:
    """Beyond it its connections are cut at once; the page of somebody else opens."""
    held = [connection(page, "127.0.0.9") for _ in range(MOST_FROM_ONE + 30)]
    wait_until(lambda: sum(map(is_cut, held)) >= 30, 5.0, what="the 30 too many to be cut")
    assert asked(page) == 200
    for one in held:
        one.close()


@pytest.mark.parametrize(
    "opening",
    [b"", b"GET / HTTP/1.1\r\nHost: localhost\r\n",
     b"POST /enter HTTP/1.1\r\nHost: localhost\r\norigin: http://localhost\r\nsec-fetch-site: same-origin\r\n"
     b"content-type: application/x-www-form-urlencoded\r\ncontent-length: 5000\r\n\r\npassphrase="],
)  # fmt: skip
def test_a_letter_at_a_time_is_cut(page: Served, opening: bytes) -> None:
    """Nothing, a head or a body that drips: it counts from when the request began, not from the last letter."""
    sock = connection(page)
    sock.sendall(opening)
    began, cut = time.monotonic(), False
    while not cut and time.monotonic() - began < 10.0:
        with contextlib.suppress(OSError):
            sock.sendall(b"x")
        time.sleep(0.1)
        cut = is_cut(sock)
    assert cut
    sock.close()


def test_a_connection_that_asks_again_and_again_is_not_cut(page: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    """An open page asks every few seconds for hours: that is no slow request."""
    monkeypatch.setattr("monitor.page.news.AT_LATEST_S", 2.0)
    with httpx.Client() as client:
        for _ in range(12):
            assert client.get(page.url).status_code == 200
            time.sleep(0.25)
        stream_s = time.monotonic()
        with client.stream("GET", f"{page.url}live", timeout=10.0) as stream:
            for line in stream.iter_lines():
                if line.startswith("event:"):
                    break
        assert time.monotonic() - stream_s > 1.5  # longer than the patience of this test's page


def test_an_answer_that_nobody_takes_is_cut(monkeypatch: pytest.MonkeyPatch) -> None:
    """Somebody asks for a long answer and reads none of it."""
    monkeypatch.setattr("monitor.page.connections.TAKEN_WITHIN_S", 1.0)
    monkeypatch.setattr("monitor.page.connections.LOOK_EVERY_S", 0.2)
    with serving(PlainTextResponse("x" * 30_000_000)) as page:
        before = open_handles()
        sock = socket.socket()
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        sock.connect(("127.0.0.1", port_of(page)))
        sock.sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n")
        wait_until(lambda: open_handles() == before + 2, 5.0, what="the server's end of it")
        wait_until(lambda: open_handles() == before + 1, 10.0, what="the connection to be cut")
        sock.close()


@pytest.mark.parametrize(
    "nonsense",
    [b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03", b"GET " + b"/" * 40_000 + b" HTTP/1.1\r\nHost: localhost\r\n\r\n",
     b"GET / HTTP/1.1\r\nHost: localhost\r\n" + b"x-a: " + b"y" * 40_000 + b"\r\n\r\n",
     b"GET / HTTP/1.1\r\nHost: localhost\r\n" + b"a: b\r\n" * 20_000 + b"\r\n",
     b"POST /enter HTTP/1.1\r\nHost: localhost\r\ncontent-length: 5\r\ncontent-length: 6\r\n\r\nhello",
     b"POST /enter HTTP/1.1\r\nHost: localhost\r\ntransfer-encoding: chunked\r\n\r\nffffffffffffffffffff\r\n",
     b"GET / HTTP/1.1\r\nHost: localhost\r\nHost: evil.example\r\n\r\n", b"\r\n" * 30_000],
)  # fmt: skip
def test_nonsense_is_answered_with_no_more_than_a_refusal(
    page: Served, nonsense: bytes, capfd: pytest.CaptureFixture[str]
) -> None:
    """A head over 16 kB, TLS to a plain port, two lengths, a chunk of no end: refused or cut, and not logged."""
    sock = connection(page)
    with contextlib.suppress(OSError):
        sock.sendall(nonsense)
    sock.settimeout(10.0)
    answer = b""
    with contextlib.suppress(OSError):
        while part := sock.recv(65536):
            answer += part
    assert answer == b"" or answer.split(b" ", 2)[1] in (b"400", b"421", b"403", b"431")
    sock.close()
    assert asked(page) == 200
    said = capfd.readouterr()
    assert said.out == said.err == ""


@pytest.mark.parametrize("length", [b"transfer-encoding: chunked", b"content-length: 5000"])
@pytest.mark.parametrize(
    "where",
    [(b"localhost", b"http://localhost"), (b"localhost", b"http://evil.example"), (b"evil.example", b"http://x")],
)
def test_a_form_that_breaks_off_is_not_logged(
    page: Served, length: bytes, where: tuple[bytes, bytes], caplog: pytest.LogCaptureFixture,
    capfd: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    """Somebody who does so all day must not fill the log, read by us or not."""
    host, origin = where
    for end in (b"", b"zz\r\n"):
        sock = connection(page)
        sock.sendall(
            b"POST /enter HTTP/1.1\r\nHost: " + host + b"\r\norigin: " + origin + b"\r\n" + length
            + b"\r\ncontent-type: application/x-www-form-urlencoded\r\n\r\n5\r\npassp\r\n" + end
        )  # fmt: skip
        time.sleep(0.2)
        sock.close()
    time.sleep(0.3)
    assert asked(page) == 200
    said = capfd.readouterr()
    assert said.out == said.err == "" and not caplog.records


def test_a_body_without_end_is_not_kept(page: Served) -> None:
    """100 MB to an address that takes none: the answer comes at once, and memory does not grow with it."""

    def resident_kb() -> int:
        with open("/proc/self/statm", encoding="ascii") as file:
            return int(file.read().split()[1]) * 4

    before = resident_kb()
    sock = connection(page)
    sock.sendall(b"POST /status.json HTTP/1.1\r\nHost: localhost\r\ncontent-length: 100000000\r\n\r\n")
    sent, block = 0, b"y" * 65536
    with contextlib.suppress(OSError):
        while sent < 100_000_000:
            sent += sock.send(block)
    assert asked(page) == 200
    assert resident_kb() - before < 30_000
    sock.close()


# ---- event streams ---------------------------------------------------------------------------------------------------


def test_one_address_gets_so_many_event_streams() -> None:
    """Two hundred of one visitor are not two hundred streams: the rest asks now and then, and others get theirs."""
    async def play() -> None:
        news = News(lambda: None)
        streams = []

        async def taken(client: str) -> bool:
            answer = news.answer(client)
            if answer.status_code != 200:
                return False
            stream = aiter(answer.body_iterator)  # type: ignore[attr-defined]
            await anext(stream)
            streams.append(stream)
            return True

        assert sum([await taken("192.0.2.1") for _ in range(200)]) == MOST_STREAMS_OF_ONE
        assert await taken("192.0.2.2")
        others = [await taken(f"192.0.2.{3 + n // 50}") for n in range(200)]
        assert sum(others) == MOST_STREAMS - MOST_STREAMS_OF_ONE - 1
        for stream in streams:
            await stream.aclose()
        assert await taken("192.0.2.1") and news._open == 1 and news._of_one == {"192.0.2.1": 1}
        news.close()

    anyio.run(play)


# ---- drawing ---------------------------------------------------------------------------------------------------------


def test_many_that_ask_at_once_are_drawn_a_few_at_a_time() -> None:
    """The judging runs in the same process: a hundred pages asked for together must not be a hundred threads."""
    at_once, most, lock = [0], [0], threading.Lock()

    def draw(request: object) -> PlainTextResponse:
        with lock:
            at_once[0] += 1
            most[0] = max(most[0], at_once[0])
        time.sleep(0.02)
        with lock:
            at_once[0] -= 1
        return PlainTextResponse("drawn")

    with serving(Guard(Starlette(routes=[Route("/", draw)]))) as page:
        threads = [threading.Thread(target=asked, args=(page,)) for _ in range(40)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(20.0)
    assert 1 < most[0] <= MOST_AT_ONCE
