"""What the siren must not be talked into: a press before the broker is known, and a "stopped" that nobody meant."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from monitor import bedside
from monitor.clock import ArrivalClock
from monitor.journal.database import Journal
from monitor.running import Running
from monitor.settings import Settings, SirenSettings
from monitor.siren import siren
from tests.siren.test_siren import HOT, Node, started, with_button
from tests.sources.conftest import Broker, wait_until

pytestmark = pytest.mark.broker
__all__ = ["started"]


def test_no_press_counts_while_a_fresh_connection_is_still_being_tried(
    broker: Broker, started: Callable[[Any], Any]
) -> None:
    """On an open broker anybody can throw the siren's teller out, and press while it comes back."""
    watch, node = started(with_button(broker)), started(Node(broker))
    watch.alarms = [HOT]
    number = node.wait("now")["n"]
    wait_until(lambda: len(watch.said) == 1, what="the connection")
    thief = paho.Client(CallbackAPIVersion.VERSION2, client_id="emberpail-siren")
    thief.connect("127.0.0.1", broker.port)
    thief.loop_start()
    wait_until(lambda: watch.cut_off[-1], what="the teller to be thrown out")
    thief.disconnect()
    thief.loop_stop()
    until = time.monotonic() + 10.0
    while watch.cut_off[-1] and time.monotonic() < until:
        node.press({"n": number})
        time.sleep(0.01)
    assert "lets anyone write" in watch.said[-1]
    assert watch.answers == []


def test_an_open_broker_that_is_slow_is_still_found_out(
    broker: Broker, started: Callable[[Any], Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The stranger's press comes only after the wait for it is over."""
    monkeypatch.setattr(siren, "_STRANGER_S", -1.0)
    watch, node = started(with_button(broker)), started(Node(broker))
    wait_until(lambda: any("lets anyone write" in one for one in watch.said), what="the warning")
    watch.alarms = [HOT]
    node.press({"n": node.wait("now")["n"]})
    time.sleep(1.0)
    assert watch.answers == []


def _running(journal: Journal, broker: Broker) -> Running:
    settings = Settings(siren=SirenSettings("bedside", "127.0.0.1", broker.port), journal_path=journal.path)
    return Running(settings, journal, ArrivalClock(), [], serve_page=False, say=lambda words: None)


def test_a_watch_that_breaks_off_does_not_say_stopped(
    broker: Broker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, started: Callable[[Any], Any]
) -> None:
    """A node stays still for "stopped": only a stop on purpose may say it."""
    node = started(Node(broker))
    with Journal(tmp_path / "journal.sqlite") as journal:
        running = _running(journal, broker)

        def breaks_off(stop: threading.Event) -> None:
            running._ticked_at = time.monotonic()  # it has judged
            node.wait("none")
            raise RuntimeError("broken off")

        monkeypatch.setattr(running.watch, "run", breaks_off)
        with pytest.raises(RuntimeError, match="broken off"):
            running.run(threading.Event())
        running.close()
    node.wait("unknown")
    time.sleep(0.5)
    assert "stopped" not in [values["state"] for values in node.of(siren.TOPIC)]


def test_no_heart_beats_while_the_journal_cannot_be_written(broker: Broker, tmp_path: Path) -> None:
    """What is judged then reaches neither the journal nor the siren, which would hear that all is still."""
    with Journal(tmp_path / "journal.sqlite") as journal:
        running = _running(journal, broker)
        assert running.tick_age_s() is None
        running._on_tick(running.watch, 0.0)
        assert running.tick_age_s() == pytest.approx(0.0, abs=5.0)
        running.watch.trouble["journal"] = "the disk is full."
        assert running.tick_age_s() is None
        running.close()


def test_the_bed_is_told_again_after_an_end_that_nobody_foresaw(
    new_broker: Callable[..., Broker], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, started: Callable[[Any], Any]
) -> None:
    """Here the sentence of trouble itself cannot be printed, as when the terminal is gone."""
    monkeypatch.setattr(bedside, "_AGAIN_S", 0.2)
    broker, trouble, stop = new_broker(), dict[str, str](), threading.Event()

    def gone(sentence: str) -> None:
        raise OSError("no terminal")

    with Journal(tmp_path / "journal.sqlite"):
        one = bedside.Bedside(
            SirenSettings("bedside", "127.0.0.1", broker.port), tmp_path / "journal.sqlite", lambda: 1.0, lambda: 1.0,
            gone,
        )  # fmt: skip
        thread = threading.Thread(target=one.tell, args=(trouble, stop), daemon=True)
        thread.start()
        try:
            wait_until(lambda: "no terminal" in trouble.get("siren", ""), what="the trouble")
            broker.start()
            started(Node(broker)).wait("none", 20.0)
            assert trouble == {}
        finally:
            stop.set()
            thread.join(10.0)
