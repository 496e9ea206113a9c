"""The figures at /metrics: their text against its description and the library that reads it, and who is given them."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from prometheus_client.parser import text_string_to_metric_families
from starlette.testclient import TestClient

from monitor.domain import Event, Reading
from monitor.journal.database import AlarmRecord, Journal, Message
from monitor.page.metrics import Family, exposition
from monitor.page_wiring import PageWiring
from monitor.settings import PageSettings, Settings
from monitor.toml_tables import Secret
from tests.mirror.servers import mirror_at
from tests.page.test_press import BATCH, HERE, PASSPHRASE, T0

TOKEN = "a-token-of-the-tests"
BEARER = {"authorization": f"Bearer {TOKEN}"}


def test_the_documentation_writes_it_so() -> None:
    """Prometheus documentation, "Exposition formats", its own examples of a counter and of escaping."""
    counted = [({"method": "post", "code": "200"}, 1027.0), ({"method": "post", "code": "400"}, 3.0)]
    requests = Family("http_requests_total", "The total number of HTTP requests.", "counter", counted)
    labels = {"path": "C:\\DIR\\FILE.TXT", "error": 'Cannot find file:\n"FILE.TXT"'}
    says = "Escaping in label values:\na \\"
    odd = Family("msdos_file_access_time_seconds", says, "gauge", [(labels, 1.458255915e9)])
    assert exposition([requests, odd]) == (
        "# HELP http_requests_total The total number of HTTP requests.\n"
        "# TYPE http_requests_total counter\n"
        'http_requests_total{method="post",code="200"} 1027\n'
        'http_requests_total{method="post",code="400"} 3\n'
        "# HELP msdos_file_access_time_seconds Escaping in label values:\\na \\\\\n"
        "# TYPE msdos_file_access_time_seconds gauge\n"
        'msdos_file_access_time_seconds{path="C:\\\\DIR\\\\FILE.TXT",error="Cannot find file:\\n\\"FILE.TXT\\""} '
        "1458255915\n"
    )


@given(st.text(st.characters(exclude_categories=["Cs"])), st.floats(allow_nan=False, allow_infinity=False))
def test_the_library_reads_back_what_was_written(text: str, value: float) -> None:
    """Any name of a batch, and any figure to the last bit."""
    written = exposition([Family("emberpail_x", "What.", "gauge", [({"batch": text}, value)])])
    [family] = text_string_to_metric_families(written)
    [sample] = family.samples
    assert (family.type, sample.labels, sample.value) == ("gauge", {"batch": text}, value)


def test_what_is_no_number_is_left_out() -> None:
    """And a figure without any value is not named."""
    nothing = Family("emberpail_x", "What.", "gauge", [({}, float("nan")), ({}, float("inf"))])
    assert exposition([nothing, Family("emberpail_y", "What.", "gauge", [])]) == ""


class Page:
    """The page of a running watch over a journal with something of everything."""

    def __init__(self, folder: Path, *, open_to_read: bool = True, token: str = "") -> None:
        path = folder / "journal.sqlite"
        with Journal(path) as journal:
            journal.add_batch(BATCH)
            journal.add_readings(Reading("shed-2", "core", T0 + i, T0 + i, 60.0 + i) for i in range(3))
            journal.add_readings([Reading("shed-2", "ambient", T0, T0, None, "open")])
            journal.add_events([Event("estimate", T0 + 9, "shed-2", BATCH.name, {"completeness": 0.25})])
            journal.set_counter('wire "1"', "bad_crc", 7)
            journal.save_alarm(AlarmRecord(f"shed-2/{BATCH.name}/too_hot/1", "too_hot", "shed-2", BATCH.name,
                                           "unacknowledged", "now", raised_at_s=T0))  # fmt: skip
            journal.add_messages([Message("a", "raised", "Ash", "json", "T", "B", T0 - 60.0, "now")])
            journal.set_health("phone Ash json", False, "refused", T0)
            journal.set_fact("last_tick_s", T0 - 30.0)
            journal.settle_mirror({"readings": 1, "events": 0, "refused": 2})
        passphrase = Secret(PASSPHRASE)
        page = PageSettings(
            passphrase=passphrase, open_to_read=open_to_read, metrics_token=Secret(token) if token else None
        )
        settings = Settings(page=page, journal_path=path, mirror=mirror_at("http://127.0.0.1:1"))
        self.inside: dict[str, float] = {"queue_bytes": 300.0, "pending_readings": 5.0}
        self.wiring = PageWiring(settings, path, lambda: T0 + 10.0, {}, {}, inside=lambda: self.inside)
        self.app = self.wiring.app()

    def client(self) -> TestClient:
        return TestClient(self.app, base_url="http://localhost", follow_redirects=False)


@pytest.fixture
def pages() -> Iterator[list[Page]]:
    made: list[Page] = []
    yield made
    for page in made:
        page.wiring.stop()


def _values(text: str) -> dict[tuple[str, tuple[Any, ...]], float]:
    return {
        (sample.name.removeprefix("emberpail_"), tuple(value for _, value in sorted(sample.labels.items()))): one
        for family in text_string_to_metric_families(text)
        for sample in family.samples
        for one in [sample.value]
    }


def test_the_figures_are_those_of_the_journal_and_of_the_watch(tmp_path: Path, pages: list[Page]) -> None:
    """Readings, their age, faults, alarms, outbox, parts, queue, mirror."""
    pages.append(Page(tmp_path))
    answer = pages[0].client().get("/metrics")
    assert answer.headers["content-type"] == "text/plain; version=0.0.4; charset=utf-8"
    values = _values(answer.text)
    expected = {
        ("readings_total", ()): 4, ("faults_total", ("bad_crc", 'wire "1"')): 7,
        ("reading_age_seconds", ("shed-2", "core")): 8, ("reading_age_seconds", ("shed-2", "ambient")): 10,
        ("temperature_celsius", ("shed-2", "core")): 62, ("completeness_ratio", (BATCH.name, "shed-2")): 0.25,
        ("alarms_standing", ("now",)): 1, ("alarms_standing", ("daylight",)): 0,
        ("outbox_messages", ("waiting",)): 1, ("outbox_messages", ("failed",)): 0, ("outbox_oldest_seconds", ()): 70,
        ("part_ok", ("phone Ash json",)): 0, ("tick_age_seconds", ()): 40, ("queue_bytes", ()): 300,
        ("pending_readings", ()): 5, ("batches_running", ()): 1,
        ("mirror_behind_readings", ()): 3, ("mirror_lag_seconds", ()): 9, ("mirror_refused_total", ()): 2,
    }  # fmt: skip
    assert {key: values.get(key) for key in expected} == expected
    assert ("temperature_celsius", ("shed-2", "ambient")) not in values
    assert any(name == "alarm" and "too_hot" in labels for name, labels in values)
    assert any(name == "journal_bytes" for name, _ in values)


def test_the_journal_is_read_once_however_many_ask(tmp_path: Path, pages: list[Page]) -> None:
    """Within a second; and a mark that the watch knows is newer than the one that is kept."""
    pages.append(Page(tmp_path))
    pages[0].inside["mirrored"] = 4.0
    client = pages[0].client()
    first = client.get("/metrics").text
    assert _values(first)["mirror_behind_readings", ()] == 0 and _values(first)["mirror_lag_seconds", ()] == 0
    pages[0].inside["queue_bytes"] = 999.0
    assert client.get("/metrics").text == first


@pytest.mark.parametrize(
    ("open_to_read", "token", "nobody", "with_token", "with_passphrase"),
    [
        (True, "", 200, 200, 200), (True, TOKEN, 401, 200, 200), (False, "", 403, 403, 200),
        (False, TOKEN, 403, 200, 200),
    ],
)  # fmt: skip
def test_who_is_given_the_figures(  # noqa: PLR0917
    tmp_path: Path, pages: list[Page], open_to_read: bool, token: str, nobody: int, with_token: int,
    with_passphrase: int,
) -> None:  # fmt: skip
    """As the page; with a token only who shows it, or gave the passphrase. The token opens nothing else."""
    pages.append(Page(tmp_path, open_to_read=open_to_read, token=token))
    client = pages[0].client()
    assert client.get("/metrics").status_code == nobody
    for wrong in (TOKEN, f"Bearer {TOKEN}x", "Bearer", "Bearer ", f"Basic {TOKEN}", "Bearer \xe4"):
        assert client.get("/metrics", headers={"authorization": wrong.encode("latin-1")}).status_code == nobody
    assert client.get("/metrics", headers=BEARER).status_code == with_token
    assert client.post("/metrics", headers=BEARER).status_code in (403, 405)
    for elsewhere in ("/", "/status.json", "/phones", "/metrics/"):
        assert (client.get(elsewhere, headers=BEARER).status_code == 200) == (open_to_read and elsewhere != "/metrics/")
    assert client.post("/enter", data={"passphrase": PASSPHRASE}, headers=HERE).status_code == 303
    assert client.get("/metrics").status_code == with_passphrase


def test_without_a_journal_nothing_is_claimed(tmp_path: Path, pages: list[Page]) -> None:
    """The page says that it does not know, and the last good figures are not given out as the present."""
    pages.append(Page(tmp_path))
    for path in tmp_path.glob("journal.sqlite*"):
        path.unlink()
    client = TestClient(pages[0].app, base_url="http://localhost", raise_server_exceptions=False)
    assert client.get("/metrics").status_code == 503
