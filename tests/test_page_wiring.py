"""The page of a running watch over a real socket: the address that a message carries answers in the journal."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from monitor.journal.database import AlarmRecord, Journal
from monitor.judgement.escalation import AlarmView
from monitor.page_wiring import PageWiring
from monitor.settings import BucketSettings, PageSettings, Person, Settings
from tests.page.test_press import BATCH, T0

ALARM_ID = "shed-2/Quillmarsh 12/too_hot/1"
PUBLIC = "http://shed.example:8737"


def alarm_view(**more: object) -> AlarmView:
    values = {
        "alarm_id": ALARM_ID, "kind": "too_hot", "bucket": "shed-2", "batch": BATCH.name, "urgency": "now",
        "state": "unacknowledged", "raised_at_s": T0 + 10.0, "buckets": ("shed-2",), **more,
    }  # fmt: skip
    return AlarmView(**values)  # type: ignore[arg-type]


@pytest.fixture
def page(tmp_path: Path) -> Iterator[PageWiring]:
    path = tmp_path / "journal.sqlite"
    with Journal(path) as journal:
        journal.add_batch(BATCH)
        journal.save_alarm(
            AlarmRecord(
                alarm_id=ALARM_ID, kind="too_hot", bucket="shed-2", batch=BATCH.name, state="unacknowledged",
                urgency="now", probability=0.99, raised_at_s=T0 + 10.0, message_id="too_hot", says="Hot.", do="Look.",
            )
        )  # fmt: skip
    settings = Settings(
        buckets=(BucketSettings("shed-2", 25.0),), people=(Person("Ash"),),
        page=PageSettings(address=PUBLIC, names=("shed.example",)), journal_path=path,
    )  # fmt: skip
    one = PageWiring(settings, path, lambda: T0 + 60.0, {}, {})
    one.start(0, lambda words: None)
    yield one
    one.stop()


def test_the_address_in_a_message_answers_that_alarm(page: PageWiring) -> None:
    """Without any passphrase in the settings, through a real connection, in the name of whom it was sent to."""
    link = page.link_of(alarm_view(), "Ash", T0 + 60.0)
    assert link is not None and link.startswith(f"{PUBLIC}/a/")
    here = f"{page._served.url.rstrip('/')}{link.removeprefix(PUBLIC)}"
    assert "I am going" in httpx.get(here).text
    origin = {"origin": page._served.url.rstrip("/"), "sec-fetch-site": "same-origin"}
    assert httpx.post(here, data={"act": "going"}, headers=origin).status_code == 303
    with Journal(page._path) as journal:
        assert [(act.act, act.who) for act in journal.acts(BATCH.name)] == [("going", "Ash")]


def test_the_watchs_own_trouble_has_no_such_address(page: PageWiring) -> None:
    """It stands at no bucket: the page would call it over."""
    assert page.link_of(alarm_view(bucket="", batch=""), "Ash", T0) is None


def test_a_node_that_runs_down_is_answered_where_its_batch_is_shown(page: PageWiring) -> None:
    """Of no batch, but at the bucket of one; at a bucket without a batch the page has nowhere to show it."""
    about = "shed-2//watch_fault/1"
    with Journal(page._path) as journal:
        journal.save_alarm(
            AlarmRecord(
                alarm_id=about, kind="watch_fault", bucket="shed-2", batch="", state="unacknowledged", urgency="now",
                probability=1.0, raised_at_s=T0 + 20.0, message_id="watch_fault.supply_dying", says="Empty.",
                do="Charge.",
            )
        )  # fmt: skip
    assert page.link_of(alarm_view(alarm_id="shed-9//watch_fault/1", bucket="shed-9", batch=""), "Ash", T0) is None
    link = page.link_of(alarm_view(alarm_id=about, batch=""), "Ash", T0 + 60.0)
    assert link is not None
    here = f"{page._served.url.rstrip('/')}{link.removeprefix(PUBLIC)}"
    assert "Empty." in httpx.get(here).text
    origin = {"origin": page._served.url.rstrip("/"), "sec-fetch-site": "same-origin"}
    assert httpx.post(here, data={"act": "going"}, headers=origin).status_code == 303
    with Journal(page._path) as journal:
        assert [(act.alarm_id, act.act) for act in journal.acts("")] == [(about, "going")]


def test_a_page_that_no_phone_can_open_gives_no_address(tmp_path: Path) -> None:
    """Neither before it is served, nor when it listens on this computer only."""
    path = tmp_path / "journal.sqlite"
    with Journal(path):
        pass
    page = PageWiring(Settings(journal_path=path), path, lambda: T0, {}, {})
    assert page.link_of(alarm_view(), "Ash", T0) is None
    page.start(0, lambda words: None)
    try:
        assert page.link_of(alarm_view(), "Ash", T0) is None
        assert page.drill_link("Ash", T0) is None
    finally:
        page.stop()


def test_opening_an_address_does_not_wait_for_whoever_writes(page: PageWiring) -> None:
    """The key is asked for once: while somebody holds the journal the page of the alarm still opens."""
    link = page.link_of(alarm_view(), "Ash", T0 + 60.0)
    assert link is not None
    here = f"{page._served.url.rstrip('/')}{link.removeprefix(PUBLIC)}"
    with Journal(page._path) as other, other.transaction():
        other.set_fact("held", 1)
        assert "I am going" in httpx.get(here, timeout=2.0).text
