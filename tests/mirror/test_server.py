"""One write to a stand-in: what goes over the wire, and what each way of failing is called."""

from __future__ import annotations

import random
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.mirror.sending import Away, Refused
from monitor.mirror.server import MOST_FORSAKEN, Server
from tests.mirror.servers import TOKEN, StandIn, refusal, stand_in
from tests.sources.conftest import free_port


@pytest.fixture
def other() -> Iterator[StandIn]:
    with stand_in() as one:
        yield one


def server_at(url: str, **more: float) -> Server:
    return Server(url, TOKEN, "quillmarsh", "emberpail", **more)  # type: ignore[arg-type]


def test_a_list_is_one_request_of_the_version_2_interface(other: StandIn) -> None:
    """Path, org, bucket, token and lines as the reference of that interface has them."""
    server = server_at(other.url)
    server.write(["m a=1.0 1", 'm,t=ä b="x" 2'])
    server.write(["m a=2.0 3"])
    server.close()
    assert other.requests == [["m a=1.0 1", 'm,t=ä b="x" 2'], ["m a=2.0 3"]]
    head = other.heads[0]
    assert head["path"] == "/api/v2/write" and head["token"] == f"Token {TOKEN}"
    assert (head["org"], head["bucket"], head["precision"]) == (["quillmarsh"], ["emberpail"], ["ns"])


@pytest.mark.parametrize(
    ("status", "text", "kind", "words"),
    [
        (422, refusal("partial write: points beyond retention policy dropped=17"), Refused, "dropped=17"),
        (400, refusal("partial write: field type conflict dropped=1"), Refused, "field type conflict"),
        (413, "", Refused, "HTTP 413"),
        (422, refusal("beyond retention"), Refused, "beyond retention"),
        (401, refusal(f"unauthorized access with {TOKEN}"), Away, "refuses the token"),
        (403, "", Away, "refuses the token"),
        (404, refusal('bucket "emberpail" not found'), Away, "bucket"),
        (429, "", Away, "HTTP 429"),
        (500, refusal("no space left on device"), Away, "no space left"),
        (503, f"\x1b[31m<html>{TOKEN}\n" + "x" * 5000, Away, "HTTP 503"),
        (302, "", Away, "HTTP 302"),
        (400, f"[{TOKEN}", Refused, "[..."),
        (400, '["a list"]', Refused, "HTTP 400"),
    ],
)
def test_each_answer_has_its_words_and_none_the_token(
    other: StandIn, status: int, text: str, kind: type[Exception], words: str
) -> None:
    """What is about the points is a refusal; everything else may be over later. A server that repeats the token, or is
    no such server at all, is cut short."""
    other.answers = lambda lines: (status, text)
    server = server_at(other.url)
    with pytest.raises(kind) as caught:
        server.write(["m a=1.0 1"])
    server.close()
    said = str(caught.value)
    assert words in said and TOKEN not in said and len(said) < 250 and said.isprintable()
    dropped = {"dropped=17": 17, "field type conflict": 1}.get(words)
    assert getattr(caught.value, "dropped", None) == dropped


def test_a_busy_server_says_when_to_come_again(other: StandIn) -> None:
    """Retry-After in seconds; anything else there is left alone."""
    server = server_at(other.url)
    for asked, understood in (("17", 17.0), ("soon", None)):
        other.answers, other.more_headers = (lambda lines: (429, "")), {"Retry-After": asked}
        with pytest.raises(Away) as caught:
            server.write(["m a=1.0 1"])
        assert caught.value.again_s == understood
    server.close()


@pytest.mark.parametrize(
    ("url", "words"),
    [("http://127.0.0.1:{free}", "nothing answers there"), ("http://nobody.invalid:1", "its name is not known"),
     ("https://127.0.0.1:{other}", "no TLS")],
)  # fmt: skip
def test_a_server_that_is_not_there_is_away(other: StandIn, url: str, words: str) -> None:
    """Nobody listens, no such name, no TLS: in words, without addresses of objects."""
    server = server_at(url.format(free=free_port(), other=other.port))
    with pytest.raises(Away) as caught:
        server.write(["m a=1.0 1"])
    assert words in str(caught.value) and "object at" not in str(caught.value) and not caught.value.slow


def test_a_server_that_answers_nothing_is_left_in_time(other: StandIn) -> None:
    """And is tried again over a connection that works."""
    other.pause.clear()
    server = server_at(other.url, read_s=0.2)
    with pytest.raises(Away, match="does not answer in time") as caught:
        server.write(["m a=1.0 1"])
    assert caught.value.slow
    other.pause.set()
    server.write(["m a=2.0 2"])
    server.close()
    assert "m a=2.0 2" in other.took


def test_a_line_that_does_not_carry_a_list_is_slow() -> None:
    """Nobody takes what is sent: that is told apart from a server that is not there, for a shorter list may do."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        server = server_at(f"http://127.0.0.1:{listener.getsockname()[1]}", connect_s=0.3, read_s=5.0)
        with pytest.raises(Away) as caught:
            server.write([random.Random(1).randbytes(5_000_000).hex()])
        assert caught.value.slow


def test_a_server_that_dribbles_its_answer_holds_nobody() -> None:
    """A byte now and then keeps every socket content; the whole request has an end, and such requests never pile up."""
    stop, listener = threading.Event(), socket.create_server(("127.0.0.1", 0))

    def dribble() -> None:
        while not stop.is_set():
            try:
                connection, _ = listener.accept()
            except OSError:
                return
            threading.Thread(target=serve, args=(connection,), daemon=True).start()

    def serve(connection: socket.socket) -> None:
        with connection:
            connection.sendall(b"HTTP/1.1 204 No Content\r\nX-Slow: ")
            while not stop.wait(0.05):
                connection.sendall(b"x")

    threading.Thread(target=dribble, daemon=True).start()
    server = server_at(f"http://127.0.0.1:{listener.getsockname()[1]}", read_s=5.0, deadline_s=0.2)
    threads = threading.active_count()
    try:
        for _ in range(MOST_FORSAKEN + 4):
            with pytest.raises(Away, match="does not end its answers"):
                server.write(["m a=1.0 1"])
        assert len(server._forsaken) == MOST_FORSAKEN
        assert threading.active_count() <= threads + 2 * MOST_FORSAKEN + 2  # theirs and those of the server here
    finally:
        stop.set()
        listener.close()


def test_a_certificate_of_ones_own_is_trusted_by_its_file(other: StandIn, tmp_path: Path) -> None:
    """``ca_file`` is handed on: a file that is no certificate is refused before anything is sent."""
    (tmp_path / "ca.pem").write_text("no certificate")
    server = Server("https://127.0.0.1:1", TOKEN, "o", "b", tmp_path / "ca.pem")
    began = time.monotonic()
    with pytest.raises(Away):
        server.write(["m a=1.0 1"])
    assert time.monotonic() - began < 30.0 and other.requests == []
