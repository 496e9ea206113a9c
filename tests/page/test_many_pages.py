"""Fifty pages open at once change nothing of what the watch says, nor when: an alarm comes at the same tick."""

from __future__ import annotations

import threading
from pathlib import Path

import httpx

from tests.browser.night import Shed, evening
from tests.helpers_watch import NIGHT_S, recorded_lines
from tests.helpers_watch import NIGHTS as BUCKETS
from tests.sources.conftest import wait_until

BEFORE_S = NIGHT_S + 1800.0  # two blends have not taken, and no tick has said so yet
AFTER_S = NIGHT_S + 2700.0
PAGES = 50


def play_on(shed: Shed) -> list[tuple[float, str, str, str]]:
    """Go on from where the evening stands until the alarms have come; what went into the outbox."""
    for at_s, data, origin, retained in recorded_lines(*BUCKETS):
        if BEFORE_S < at_s <= AFTER_S:
            shed.line(at_s, data, origin, retained=retained)
    shed.until(AFTER_S)
    shed.watch._commit()
    return [(one.created_s, one.person, one.title, one.urgency) for one in shed.desk.messages()]


def test_fifty_open_pages_delay_no_alarm(tmp_path: Path) -> None:
    """Each hears the stream, and asks for the whole page at every news."""
    (tmp_path / "alone").mkdir()
    (tmp_path / "many").mkdir()
    with evening(tmp_path / "alone", BEFORE_S, only_the_night=True) as shed:
        before = len(shed.desk.messages())
        alone = play_on(shed)
    assert len(alone) > before
    told, stop = [0] * PAGES, threading.Event()

    def page(number: int, address: str) -> None:
        with httpx.Client(timeout=20.0) as client, client.stream("GET", f"{address}/live") as stream:
            for line in stream.iter_lines():
                if stop.is_set():
                    return
                if line.startswith("event:"):
                    assert client.get(f"{address}/").status_code == 200
                    told[number] += 1

    with evening(tmp_path / "many", BEFORE_S, only_the_night=True) as shed:
        address = shed.serve()
        threads = [threading.Thread(target=page, args=(number, address), daemon=True) for number in range(PAGES)]
        for thread in threads:
            thread.start()
        wait_until(lambda: all(told), 60.0, what=f"every page to be told once; told: {told}")
        many = play_on(shed)
        stop.set()
        shed.stop_serving()
        for thread in threads:
            thread.join(10.0)
    assert many == alone
