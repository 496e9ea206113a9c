"""The other end of the mirror: a real server (Debian's ``victoria-metrics``), and a stand-in that does as it is bid."""

from __future__ import annotations

import contextlib
import gzip
import json
import ssl
import subprocess
import threading
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

import httpx

from monitor.settings import MirrorSettings
from monitor.toml_tables import Secret
from tests.sources.conftest import free_port, wait_until

TOKEN = "a-token-of-the-tests"


class RealServer:
    """A server that takes the version 2 write interface, on a free port; it can be killed and started again."""

    def __init__(self, program: str, folder: Path, port: int = 0, *more: str) -> None:
        self.program, self.folder, self.port, self.more = program, folder, port or free_port(), more
        self.process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def start(self, *more: str) -> None:
        self.process = subprocess.Popen(
            [self.program, f"-storageDataPath={self.folder}", f"-httpListenAddr=127.0.0.1:{self.port}",
             "-retentionPeriod=100y", "-search.latencyOffset=0s", "-search.disableCache",
             # InfluxDB keeps one point for one measurement, tags and time; this server needs to be told so.
             "-dedup.minScrapeInterval=1ms", *self.more, *more],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        wait_until(self.answers, 30.0, what="the server")

    def answers(self) -> bool:
        try:
            return httpx.get(f"{self.url}/health", timeout=2.0).status_code == 200
        except httpx.HTTPError:
            return False

    def flush(self) -> None:
        """What was written can be read now."""
        httpx.get(f"{self.url}/internal/force_flush", timeout=30.0)

    def kill(self) -> None:
        """As a power cut would."""
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None

    def stop(self) -> None:
        if self.process is not None:
            self.process.terminate()
            try:
                self.process.wait(10.0)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()
            self.process = None

    def series(self, match: str) -> list[tuple[dict[str, str], list[tuple[int, float]]]]:
        """Every series of this selector: labels, and its (time in ms, value) in the order of time, doubles included."""
        self.flush()
        answer = httpx.get(f"{self.url}/api/v1/export", params={"match[]": match}, timeout=60.0)
        rows = [json.loads(line) for line in answer.text.splitlines()]
        return [(row["metric"], list(zip(row["timestamps"], row["values"], strict=True))) for row in rows]

    def points(self, match: str) -> list[tuple[int, float]]:
        """All points of all series of this selector."""
        return [point for _, points in self.series(match) for point in points]


class StandIn:
    """A server of our own: ``answers(lines)`` gives (status, text) for each request; ``took`` holds what was taken.

    With ``certificate`` it speaks TLS: ``NAME.pem`` and ``NAME.key`` beside it.
    """

    def __init__(
        self, answers: Callable[[list[str]], tuple[int, str]] | None = None, certificate: Path | None = None
    ) -> None:
        self.answers = answers or (lambda lines: (204, ""))
        self.took: list[str] = []
        self.requests: list[list[str]] = []
        self.heads: list[dict[str, Any]] = []
        self.pause = threading.Event()
        self.pause.set()
        self.more_headers: dict[str, str] = {}
        outer = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_POST(self) -> None:
                sent = self.rfile.read(int(self.headers["Content-Length"]))
                body = (gzip.decompress(sent) if self.headers["Content-Encoding"] == "gzip" else sent).decode()
                lines = body.split("\n")
                query = parse_qs(urlsplit(self.path).query)
                outer.heads.append({"path": urlsplit(self.path).path, "token": self.headers["Authorization"], **query})
                outer.requests.append(lines)
                outer.pause.wait(60.0)
                status, text = outer.answers(lines)
                if status == 204:
                    outer.took += lines
                with contextlib.suppress(OSError):
                    self.send_response(status)
                    for name, value in outer.more_headers.items():
                        self.send_header(name, value)
                    data = text.encode()
                    if status != 204:
                        self.send_header("Content-Length", str(len(data)))
                    self.end_headers()
                    if status != 204:
                        self.wfile.write(data)

            def log_message(self, *args: object) -> None:
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self._scheme = "http" if certificate is None else "https"
        if certificate is not None:
            context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            context.load_cert_chain(certificate, certificate.with_suffix(".key"))
            self._server.socket = context.wrap_socket(self._server.socket, server_side=True)
        self.port = self._server.server_address[1]
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True)
        self._thread.start()

    @property
    def url(self) -> str:
        return f"{self._scheme}://127.0.0.1:{self.port}"

    def close(self) -> None:
        self.pause.set()
        self._server.shutdown()
        self._server.server_close()


@contextlib.contextmanager
def stand_in(
    answers: Callable[[list[str]], tuple[int, str]] | None = None, certificate: Path | None = None
) -> Iterator[StandIn]:
    """A stand-in that is closed in the end."""
    one = StandIn(answers, certificate)
    try:
        yield one
    finally:
        one.close()


def mirror_at(url: str, **more: Any) -> MirrorSettings:
    """The settings of a mirror there."""
    return MirrorSettings(url, Secret(TOKEN), "quillmarsh", "emberpail", **more)


def refusal(words: str) -> str:
    """How InfluxDB 2 says that it refuses (its API reference, "Error")."""
    return json.dumps({"code": "invalid", "message": words})

