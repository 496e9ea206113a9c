"""One heartbeat has an end as a whole, whatever the other end does with it."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress

import pytest

from monitor.phone.heartbeat import beat
from monitor.phone.routes import Outcome
from tests.phone.receiver import receiving
from tests.sources.conftest import wait_until

# Three of these is the end of the whole call.
TIMEOUT_S = 0.5
WHOLE_S = 3 * TIMEOUT_S


class Server:
    """Whatever answers at a port: a body is called for each connection."""

    def __init__(self, body: Callable[[socket.socket, int], None]) -> None:
        self._body, self.asked = body, 0
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        with suppress(OSError):
            while True:
                one, _ = self._listener.accept()
                self.asked += 1
                threading.Thread(target=self._one, args=(one,), daemon=True).start()

    def _one(self, one: socket.socket) -> None:
        with suppress(OSError), one:
            self._body(one, self.port)

    def close(self) -> None:
        with suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()


@pytest.fixture
def server() -> Iterator[Callable[[Callable[[socket.socket, int], None]], Server]]:
    made: list[Server] = []

    def make(body: Callable[[socket.socket, int], None]) -> Server:
        made.append(Server(body))
        return made[-1]

    yield make
    for one in made:
        one.close()


def beats(url: str) -> tuple[Outcome, float]:
    """What came of it, and the seconds it took; the test fails where it does not come back."""
    came: list[Outcome] = []
    thread = threading.Thread(target=lambda: came.append(beat(url, timeout_s=TIMEOUT_S)), daemon=True)
    began = time.monotonic()
    thread.start()
    thread.join(WHOLE_S + 6.0)
    assert came, "it goes on and on"
    return came[0], time.monotonic() - began


def drips(one: socket.socket, first: bytes, gap_s: float = 0.2) -> None:
    one.sendall(first)
    for _ in range(200):
        one.sendall(b"a")
        time.sleep(gap_s)


@pytest.mark.parametrize(
    "first", [b"", b"HTTP/1.1 200 OK\r\nX: ", b"HTTP/1.1 200 OK\r\nContent-Length: 900\r\n\r\n"],
    ids=["status", "header", "body"],
)  # fmt: skip
def test_an_answer_that_comes_a_letter_at_a_time_has_an_end(
    server: Callable[..., Server], first: bytes
) -> None:
    def body(one: socket.socket, _port: int) -> None:
        one.recv(4096)
        drips(one, first)

    outcome, took_s = beats(f"http://127.0.0.1:{server(body).port}/x")
    assert (outcome.ok, outcome.retry) == (False, True) and "no answer within" in outcome.says
    assert WHOLE_S - 0.2 <= took_s < WHOLE_S + 5.0


def test_tls_that_is_never_agreed_upon_has_an_end(server: Callable[..., Server]) -> None:
    """The head of a long TLS record, and then a letter at a time."""

    def body(one: socket.socket, _port: int) -> None:
        one.recv(4096)
        drips(one, b"\x16\x03\x03\x3f\x00\x02")

    outcome, took_s = beats(f"https://127.0.0.1:{server(body).port}/x")
    assert not outcome.ok and outcome.retry and took_s < WHOLE_S + 5.0


def test_redirects_have_one_end_together(server: Callable[..., Server]) -> None:
    """Each of them in time, all of them not."""

    def body(one: socket.socket, port: int) -> None:
        one.recv(4096)
        time.sleep(0.4)
        one.sendall(b"HTTP/1.1 302 Found\r\nContent-Length: 0\r\nConnection: close\r\n"
                    b"Location: http://127.0.0.1:%d/%f\r\n\r\n" % (port, time.monotonic()))  # fmt: skip

    where = server(body)
    outcome, took_s = beats(f"http://127.0.0.1:{where.port}/x")
    assert "no answer within" in outcome.says and took_s < WHOLE_S + 2.0 and 1 < where.asked < 7


def test_dead_addresses_have_one_end_together(monkeypatch: pytest.MonkeyPatch) -> None:
    """A name with many of them: the first that lives is taken, where the time is enough."""
    full = socket.socket()
    full.bind(("127.0.0.1", 0))
    full.listen(0)
    filling = [socket.socket() for _ in range(3)]
    for one in filling:
        one.setblocking(False)
        one.connect_ex(full.getsockname())
    usual = socket.getaddrinfo
    dead = (socket.AF_INET, socket.SOCK_STREAM, 6, "", full.getsockname())
    try:
        with receiving() as service:
            alive = (socket.AF_INET, socket.SOCK_STREAM, 6, "", ("127.0.0.1", service.port))
            names = {"many.invalid": [dead] * 9, "one.invalid": [dead, alive]}
            monkeypatch.setattr(
                socket, "getaddrinfo", lambda host, *more, **how: names.get(host) or usual(host, *more, **how)
            )
            outcome, took_s = beats("http://many.invalid/ok")
            assert "no answer within" in outcome.says and took_s < WHOLE_S + 2.5
            assert beats("http://one.invalid/ok")[0].ok
    finally:
        for one in (*filling, full):
            one.close()


def test_what_is_well_or_refused_is_said_as_before(server: Callable[..., Server]) -> None:
    """And nothing is left open."""
    with receiving() as service:
        before = threading.active_count()
        outcome, took_s = beats(f"http://127.0.0.1:{service.port}/ok")
        assert outcome.ok and took_s < 5.0
        wait_until(lambda: threading.active_count() <= before + 1, what="the call's own threads to end")
    for status, retry in ((404, False), (503, True)):

        def body(one: socket.socket, _port: int, status: int = status) -> None:
            one.recv(4096)
            one.sendall(b"HTTP/1.1 %d No\r\nContent-Length: 0\r\n\r\n" % status)

        outcome, _ = beats(f"http://127.0.0.1:{server(body).port}/x")
        assert (outcome.ok, outcome.retry) == (False, retry) and f"HTTP {status}" in outcome.says
    for url, word in (("http://127.0.0.1:9/x", "could not be reached"), ("ftp://127.0.0.1/x", "must begin"),
                      ("http://[::1/x", "cannot be read")):  # fmt: skip
        assert word in beats(url)[0].says


def test_a_redirect_to_anything_but_the_web_is_not_followed(server: Callable[..., Server]) -> None:
    def body(one: socket.socket, _port: int) -> None:
        one.recv(4096)
        one.sendall(b"HTTP/1.1 302 Found\r\nContent-Length: 0\r\nLocation: ftp://127.0.0.1:9/x\r\n\r\n")

    outcome, _ = beats(f"http://127.0.0.1:{server(body).port}/x")
    assert not outcome.ok
