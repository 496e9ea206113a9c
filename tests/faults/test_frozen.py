"""Each worker of the watch frozen in turn: it is noticed, by name, the watchdog is fed no more, and the process goes.

Only the times are shortened; that the real ones come to less than 60 s is reckoned in tests/test_supervising.py.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from monitor import supervising
from monitor.beating import Beating
from monitor.clock import ArrivalClock
from monitor.journal.database import Journal
from monitor.page.serving import Served
from monitor.running import Running
from monitor.service import Service
from monitor.settings import HeartbeatSettings, PageSettings, Settings, SirenSettings
from monitor.siren import siren
from monitor.sources import mqtt
from monitor.sources.mqtt import MqttSource
from monitor.toml_tables import Secret
from monitor.watch import Watch
from tests.sources.conftest import Broker, broker, free_port, new_broker, wait_until

__all__ = ["broker", "new_broker"]
pytestmark = pytest.mark.broker
PARTS = ["shed", "page", "phone", "siren", "heartbeat", "judging"]


class Fed(Service):
    """Counts how often the watchdog was fed."""

    def __init__(self) -> None:
        super().__init__({})
        self.times = 0

    def alive(self) -> None:
        self.times += 1


class Ice:
    """What a frozen worker runs into, and stays in until the test is over."""

    def __init__(self) -> None:
        self.cold, self.over, self.caught = threading.Event(), threading.Event(), threading.Event()

    def pass_through(self) -> None:
        if self.cold.is_set():
            self.caught.set()
            self.over.wait(120.0)


def freezing(part: str, ice: Ice, monkeypatch: pytest.MonkeyPatch) -> None:
    """Have this worker pass through the ice at every turn."""

    def wrapped(owner: Any, name: str) -> None:
        usual: Callable[..., Any] = getattr(owner, name)

        def through(*arguments: Any, **more: Any) -> Any:
            ice.pass_through()
            return usual(*arguments, **more)

        monkeypatch.setattr(owner, name, through)

    if part == "shed":
        wrapped(mqtt._Connection, "_turn")
    elif part == "phone":
        wrapped(Running, "deliver_now")
    elif part == "siren":
        wrapped(siren._Connection, "turn")
    elif part == "judging":
        wrapped(Watch, "_take_lines")
    elif part == "heartbeat":
        wrapped(Beating, "turn")
    else:
        import uvicorn

        usual = uvicorn.Server.on_tick

        async def through(self: Any, counter: int) -> bool:
            ice.pass_through()  # on purpose without await: it is the loop itself that hangs
            return await usual(self, counter)

        monkeypatch.setattr(uvicorn.Server, "on_tick", through)


@pytest.fixture
def ice() -> Iterator[Ice]:
    one = Ice()
    yield one
    one.over.set()


@pytest.mark.parametrize("part", PARTS)
def test_a_frozen_worker_is_noticed_and_the_process_given_up(
    part: str, ice: Ice, broker: Broker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(supervising, "CHECK_EVERY_S", 0.5)
    monkeypatch.setattr(supervising, "HUNG_AFTER_S", 6.0)
    freezing(part, ice, monkeypatch)
    clock, fed, went = ArrivalClock(), Fed(), list[str]()
    settings = Settings(
        page=PageSettings(port=free_port()),
        siren=SirenSettings("bedside", "127.0.0.1", broker.port),
        heartbeat=HeartbeatSettings(Secret("http://127.0.0.1:9/beat")),
    )
    with Journal(tmp_path / "journal.sqlite") as journal:
        one = Running(
            settings, journal, clock, [MqttSource("127.0.0.1", broker.port, clock=clock, name="shed")],
            say=lambda words: None, service=fed, begin_anew=lambda: went.append("anew"),
        )  # fmt: skip
        stop = threading.Event()
        thread = threading.Thread(target=one.run, args=(stop,), daemon=True)
        thread.start()
        try:
            wait_until(lambda: fed.times > 2, 30.0, what="a watchdog that is fed")
            assert not went and isinstance(one._page._served, Served)
            ice.cold.set()
            wait_until(ice.caught.is_set, 30.0, what=f"{part} to freeze")
            wait_until(lambda: went, 40.0, what=f"{part} to be noticed")
            assert one.beginnings.last().startswith(f"{part} hung"), one.beginnings.last()
            fed_by_then = fed.times
            time.sleep(2.0)
            assert fed.times == fed_by_then, "the watchdog is fed although something hangs"
        finally:
            ice.over.set()
            stop.set()
            thread.join(20.0)
            one.close()
