"""The chart library: out of the installed package, to the byte the published one, or not at all."""

from __future__ import annotations

import gzip
import hashlib
import logging
import subprocess
import sys
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from monitor.page import charts, vendor
from monitor.page.app import make_app

from . import views


def _client() -> TestClient:
    return TestClient(make_app(lambda: views.status(views.GOOD)), base_url="http://localhost")


def test_the_installed_files_are_the_published_ones() -> None:
    """The sums of uPlot 1.6.31 hold for what is installed, and both files are served as they are."""
    found = vendor.library()
    assert found is not None
    for name, (_, sha256) in vendor.SHA256.items():
        assert hashlib.sha256(found.plain[name]).hexdigest() == sha256
        assert gzip.decompress(found.zipped[name]) == found.plain[name]
        answer = _client().get(found.address(name))
        assert hashlib.sha256(answer.content).hexdigest() == sha256
        assert "immutable" in answer.headers["cache-control"]
        assert answer.headers["content-security-policy"].startswith("default-src 'self'")
    assert b"uPlot" in found.plain["uplot.js"][:500]


def test_the_library_is_small_on_the_wire_and_plain_for_who_cannot_unpack() -> None:
    """Under 25 kB compressed; without gzip the same bytes come plain."""
    found = vendor.library()
    assert found is not None
    total = sum(len(data) for data in found.zipped.values())
    print(f"uPlot compressed: {total} bytes")
    assert total < 25_000
    plain = _client().get(found.address("uplot.js"), headers={"accept-encoding": "identity"})
    assert "content-encoding" not in plain.headers
    assert plain.content == found.plain["uplot.js"]
    # Another edition's address is answered, but not to be kept for a year.
    assert _client().get("/static/vendor/uplot.js?v=old").headers["cache-control"] == "no-cache"
    assert _client().get("/static/vendor/nothing.js").status_code == 404


@pytest.mark.parametrize("spoil", ["uplot.iife.min.js", "uplot.min.css", None])
def test_another_file_is_not_served(
    spoil: str | None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """One changed byte, or no file: one line in the log, no address, and the page keeps its own drawing."""
    folder = vendor._folder()
    assert folder is not None
    for file, _ in vendor.SHA256.values():
        data = (folder / file).read_bytes()
        if spoil is not None:
            (tmp_path / file).write_bytes(data + b" " if file == spoil else data)
    with caplog.at_level(logging.WARNING):
        assert vendor.library(tmp_path) is None
    assert len(caplog.records) == 1
    monkeypatch.setattr(charts, "library", lambda: None)
    page = _client().get("/bucket/shed-2").text
    assert "<polyline" in page
    assert "/static/vendor/" not in page
    assert _client().get("/static/vendor/uplot.js").status_code == 404


def test_the_package_itself_is_never_run() -> None:
    """Its files are found by name; none of its code is imported."""
    code = (
        "import sys; from monitor.page.vendor import library; "
        "sys.exit(library() is None or any(name.partition('.')[0] == 'youplot' for name in sys.modules))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
