"""A local HTTP receiver in the place of a phone service: it takes, refuses, hangs, drips, or answers late."""

from __future__ import annotations

import contextlib
import http.server
import json
import socket
import threading
import time
from collections.abc import Iterator
from typing import Any


class _Server(http.server.ThreadingHTTPServer):
    # Of many that call at once on a busy machine a queue of five, the usual one, turns some away.
    request_queue_size = 128


class Receiver:
    """What a path begins with says how it answers: /ok, /status/NNN, /hang, /late/SECONDS, /drip,
    /took/SECONDS (takes it at once and says so later).
    """

    def __init__(self) -> None:
        self.taken: list[dict[str, Any]] = []
        self.tries: list[str] = []
        self.open = threading.Event()  # set at the end, so that nothing hangs longer than its test
        receiver = self

        class Handler(http.server.BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
                receiver.tries.append(self.path)
                kind, _, rest = self.path.strip("/").partition("/")
                status = int(rest.split("/")[0]) if kind == "status" else 200
                if kind == "hang":
                    receiver.open.wait(30)
                if kind == "late":
                    receiver.open.wait(float(rest.split("/")[0]))
                if status < 300 and kind != "hang":
                    receiver.taken.append({"path": self.path, "at": time.monotonic(), **json.loads(body or b"{}")})
                if kind == "took":
                    receiver.open.wait(float(rest.split("/")[0]))
                with contextlib.suppress(OSError):
                    self.send_response(status)
                    if kind == "drip":
                        self.send_header("Content-Length", "1000")
                        self.end_headers()
                        while not receiver.open.wait(0.1):
                            self.wfile.write(b".")
                            self.wfile.flush()
                    self.end_headers()

            do_GET = do_POST

            def log_message(self, *_: object) -> None:
                pass

        self._server = _Server(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self.port = self._server.server_port
        threading.Thread(target=self._server.serve_forever, args=(0.05,), daemon=True).start()

    def url(self, path: str) -> str:
        """An Apprise URL for this path."""
        return f"json://127.0.0.1:{self.port}/{path}"

    def close(self) -> None:
        """Let go of everyone who hangs, and stop."""
        self.open.set()
        self._server.shutdown()
        self._server.server_close()


@contextlib.contextmanager
def receiving() -> Iterator[Receiver]:
    """A receiver for the length of a block."""
    receiver = Receiver()
    try:
        yield receiver
    finally:
        receiver.close()


def free_port() -> int:
    """A port of this machine at which nobody listens."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
