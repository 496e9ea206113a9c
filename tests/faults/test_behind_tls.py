"""The page behind a proxy that ends TLS on the same computer, as the README advises: it can be entered and pressed."""

from __future__ import annotations

import contextlib
import socket
import ssl
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from monitor.deeds import JournalDeeds
from monitor.journal.database import Journal
from monitor.page.app import make_app
from monitor.page.door import COOKIE, HOST_ONLY
from monitor.page.serving import serving
from monitor.settings import BucketSettings, Settings
from monitor.standing import page_view
from tests.page.test_press import BATCH, PASSPHRASE, T0


def pump(source: socket.socket, target: socket.socket) -> None:
    """Hand on what comes until one end closes."""
    with contextlib.suppress(OSError):
        while part := source.recv(65536):
            target.sendall(part)
    with contextlib.suppress(OSError):
        target.shutdown(socket.SHUT_WR)


class Proxy:
    """Ends TLS and hands the bytes on as they are, the Host header too."""

    def __init__(self, folder: Path, to_port: int) -> None:
        subprocess.run(
            ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=localhost",
             "-addext", "subjectAltName=DNS:localhost", "-keyout", "key.pem", "-out", "cert.pem"],
            cwd=folder, check=True, capture_output=True,
        )  # fmt: skip
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(folder / "cert.pem", folder / "key.pem")
        self.trusted = ssl.create_default_context(cafile=str(folder / "cert.pem"))
        self.server = context.wrap_socket(socket.create_server(("127.0.0.1", 0)), server_side=True)
        self.port, self._to_port = self.server.getsockname()[1], to_port
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        while True:
            try:
                visitor, _ = self.server.accept()
            except ssl.SSLError:
                continue
            except OSError:
                return
            inner = socket.create_connection(("127.0.0.1", self._to_port))
            for ends in ((visitor, inner), (inner, visitor)):
                threading.Thread(target=pump, args=ends, daemon=True).start()

    def close(self) -> None:
        self.server.close()


@pytest.fixture
def proxy(tmp_path: Path) -> Iterator[Proxy]:
    path = tmp_path / "journal.sqlite"
    with Journal(path) as journal:
        journal.add_batch(BATCH)
    deeds = JournalDeeds(lambda: Journal(path), lambda: T0 + 60.0)
    settings = Settings(buckets=(BucketSettings("shed-2", 25.0),))
    view = page_view(lambda: Journal(path, read_only=True), settings, lambda: T0 + 60.0, {})
    app = make_app(view, deeds=deeds, passphrase=PASSPHRASE, now_s=lambda: T0 + 60.0, open_to_read=False)
    with serving(app) as page:
        one = Proxy(tmp_path, int(page.url.rsplit(":", 1)[1].strip("/")))
        yield one
        one.close()
    deeds.close()


def test_it_is_entered_and_pressed_through_tls(proxy: Proxy, tmp_path: Path) -> None:
    """The cookies go over TLS only; a form of another site, or of the same name without TLS, changes nothing."""
    base = f"https://localhost:{proxy.port}"
    with httpx.Client(base_url=base, verify=proxy.trusted, trust_env=False) as browser:
        assert browser.get("/").headers["location"] == "/enter?back=%2F"
        here = {"origin": base, "sec-fetch-site": "same-origin"}
        assert browser.post("/enter", data={"passphrase": PASSPHRASE}, headers=here).status_code == 303
        kept = {cookie.name: cookie for cookie in browser.cookies.jar}
        assert HOST_ONLY + COOKIE in kept and all(cookie.secure for cookie in kept.values())
        page = browser.get("/bucket/shed-2/steps").text
        token = page.partition('name="token" value="')[2].partition('"')[0]
        form = {"token": token, "batch": BATCH.name, "what": "note", "kind": "lid-off", "ago": "0"}
        for foreign in ("https://evil.example", f"https://localhost:{proxy.port + 1}", "null"):
            answer = browser.post("/bucket/shed-2/do", data=form, headers={"origin": foreign})
            assert answer.status_code == 403
        assert browser.post("/bucket/shed-2/do", data=form, headers=here).status_code == 303
    with Journal(tmp_path / "journal.sqlite") as journal:
        assert [one.kind for one in journal.entries(BATCH.name)] == ["lid-off"]
