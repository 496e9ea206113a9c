"""What the system is told, and how a watch that was given up begins anew."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor import supervising
from monitor.clock import ArrivalClock
from monitor.commands.watch import _after_those_before
from monitor.journal.database import Journal
from monitor.running import Running
from monitor.service import OFTEN, Beginnings, Service
from monitor.settings import Settings
from tests.helpers_watch import StillSource
from tests.program import ROOT, watching


class System:
    """The other end of the notification socket, as systemd holds it (sd_notify(3))."""

    def __init__(self, address: str) -> None:
        self.address = address
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind("\0" + address[1:] if address.startswith("@") else address)
        self._socket.settimeout(0.2)
        self.told: list[str] = []

    def hear(self) -> list[str]:
        while True:
            try:
                self.told.append(self._socket.recv(4096).decode())
            except TimeoutError:
                return self.told

    def wait(self, words: str, seconds: float = 60.0) -> None:
        give_up = time.monotonic() + seconds
        while words not in self.hear():
            assert time.monotonic() < give_up, f"{words} was not told, only {self.told}"

    def close(self) -> None:
        self._socket.close()


@pytest.fixture(params=["path", "abstract"])
def system(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[System]:
    address = str(tmp_path / "notify") if request.param == "path" else f"@emberpail-test-{os.getpid()}"
    one = System(address)
    yield one
    one.close()


def test_the_words_of_the_protocol(system: System) -> None:
    """READY, WATCHDOG, STATUS and STOPPING, one assignment a datagram: sd_notify(3)."""
    service = Service({"NOTIFY_SOCKET": system.address})
    service.ready()
    service.alive()
    service.status("three buckets\nminded")
    service.stopping()
    assert system.hear() == ["READY=1", "WATCHDOG=1", "STATUS=three buckets minded", "STOPPING=1"]


def test_until_it_minds_it_asks_for_more_time_and_says_why(system: System) -> None:
    """EXTEND_TIMEOUT_USEC, sd_notify(3): in microseconds, from when it is told; more than the next look is away."""
    service = Service({"NOTIFY_SOCKET": system.address})
    service.alive()
    told, system.told[:] = system.hear()[:], []
    assert told[:2] == ["WATCHDOG=1", "EXTEND_TIMEOUT_USEC=120000000"]
    assert told[2].startswith("STATUS=") and "does not judge yet" in told[2]
    service.ready()
    service.alive()
    assert system.hear() == ["READY=1", "STATUS=It minds.", "WATCHDOG=1"]


def test_a_long_way_back_is_given_its_time_and_one_that_hangs_is_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While the batches are read back the system hears of it at every look, and one that hangs then is given up."""
    monkeypatch.setattr(supervising, "CHECK_EVERY_S", 0.5)
    monkeypatch.setattr(supervising, "HUNG_AFTER_S", 2.0)
    monkeypatch.setattr("monitor.watch.START_STEP_S", 0.5)
    system, gets_on, stop = System(str(tmp_path / "notify")), threading.Event(), threading.Event()
    gave_up: list[int] = []
    with Journal(tmp_path / "journal.sqlite") as journal:
        running = Running(
            Settings(), journal, ArrivalClock(), [], serve_page=False, say=lambda _: None,
            service=Service({"NOTIFY_SOCKET": system.address}), begin_anew=lambda: gave_up.append(1),
        )  # fmt: skip

        def read_back() -> None:
            until = time.monotonic() + 4.0
            while time.monotonic() < until:
                running.watch._turned_at = time.monotonic()  # as each tick that is folded does
                time.sleep(0.05)
            gets_on.set()
            stop.wait()

        monkeypatch.setattr(running.watch, "_open", read_back)
        minding = threading.Thread(target=running.run, args=(stop,))
        minding.start()
        try:
            while not gets_on.is_set():
                assert minding.is_alive() and not gave_up
                system.hear()
            assert system.told.count("EXTEND_TIMEOUT_USEC=120000000") >= 4 and "READY=1" not in system.told
            give_up = time.monotonic() + 30.0
            while not gave_up and time.monotonic() < give_up:
                system.hear()
            assert gave_up, "one that hangs on the way back is given up"
        finally:
            stop.set()
            minding.join(10.0)
            running.close()
            system.close()


def test_nobody_to_tell_is_no_trouble(tmp_path: Path) -> None:
    Service({}).ready()
    Service({"NOTIFY_SOCKET": str(tmp_path / "gone")}).alive()


def test_a_watch_tells_the_system_that_it_minds_and_that_it_ends(tmp_path: Path) -> None:
    """The program itself, as the unit starts it; between the two it feeds the watchdog."""
    system = System(str(tmp_path / "notify"))
    try:
        with watching(tmp_path, "", {"NOTIFY_SOCKET": system.address}) as watch:
            system.wait("READY=1")
            system.wait("WATCHDOG=1")
            watch.send_signal(signal.SIGTERM)
            assert watch.wait(30.0) == 0
            system.wait("STOPPING=1")
    finally:
        system.close()
    assert system.told.index("READY=1") < system.told.index("STOPPING=1")


# ---- beginning anew --------------------------------------------------------------------------------------------------

HANGING = """
import sys
from pathlib import Path
sys.path.insert(0, {root!r})
from monitor import running, supervising
from monitor.sources import recording
supervising.CHECK_EVERY_S, supervising.HUNG_AFTER_S = 1.0, 6.0
first = Path({first!r})
def hang(self, deliver, stop):
    if not first.exists():
        first.write_text("hung")
        import time
        time.sleep(1000.0)  # nothing of it looks at stop: as a thread that hangs in a driver
    stop.wait()
recording.RecordingSource.run = hang
recording.RecordingSource.health = lambda self: __import__("tests.helpers_watch").helpers_watch.StillSource.health(self)
recording.RecordingSource.state, recording.RecordingSource.says = "connected", "connected."
recording.RecordingSource.faults = {{}}
from monitor.cli import main
if first.exists():
    # The second process: here the source turns round.
    from monitor.clock import ArrivalClock
    def turning(self):
        from dataclasses import replace
        from tests.helpers_watch import StillSource
        return replace(StillSource.health(self), progress_s=self._clock.now())
    recording.RecordingSource.health = turning
sys.exit(main(sys.argv[1:]))
"""


def test_a_worker_that_hangs_has_the_process_begin_anew_under_the_same_number(tmp_path: Path) -> None:
    """The real program, with a source whose thread hangs for good: it becomes a new one, which minds."""
    first, script = tmp_path / "first", tmp_path / "hanging.py"
    script.write_text(HANGING.format(root=str(ROOT), first=str(first)), encoding="utf-8")
    (tmp_path / "empty.rec").write_text("", encoding="utf-8")
    (tmp_path / "emberpail.toml").write_text(
        '[journal]\npath = "journal.sqlite"\n[[source]]\nname = "shed node"\nkind = "recording"\npath = "empty.rec"\n',
        encoding="utf-8",
    )
    system = System(str(tmp_path / "notify"))
    out = (tmp_path / "out").open("wb")
    watch = subprocess.Popen(
        [sys.executable, str(script), "watch", "--no-page", "--settings", str(tmp_path / "emberpail.toml")],
        cwd=ROOT, env={**os.environ, "NOTIFY_SOCKET": system.address}, stdout=out, stderr=out,
    )  # fmt: skip
    try:
        give_up = time.monotonic() + 60.0
        while system.hear().count("READY=1") < 2 and watch.poll() is None and time.monotonic() < give_up:
            pass
        said = (tmp_path / "out").read_text(encoding="utf-8")
        assert system.told.count("READY=1") == 2, said
        assert "shed node hangs" in said
        assert watch.poll() is None, "it is the same process, and it minds"
        kept = json.loads((tmp_path / "journal.sqlite.anew").read_text(encoding="utf-8"))
        assert [parts for _, parts in kept] == [["shed node"]]
        with Journal(tmp_path / "journal.sqlite", read_only=True) as journal:
            health = {one.part: one for one in journal.health()}
        assert "shed node hung" in health["watch"].says and health["watch"].ok
    finally:
        watch.kill()
        watch.wait()
        out.close()
        system.close()


def test_beginning_anew_again_and_again_waits_longer_and_is_told(tmp_path: Path) -> None:
    now_s = [1_773_480_000.0]
    waits = []
    for n in range(1, 12):
        one = Beginnings(tmp_path / "anew", wall=lambda: now_s[0])  # each process reads the file afresh
        assert bool(one.trouble()) == (n > OFTEN)
        one.note(["page"])
        waits.append(Beginnings(tmp_path / "anew", wall=lambda: now_s[0]).wait_s())
        now_s[0] += 10.0
    assert waits[0] == 0.0 and waits == sorted(waits) and waits[-1] == 60.0
    assert "page" in Beginnings(tmp_path / "anew", wall=lambda: now_s[0]).trouble()
    now_s[0] += 3700.0
    quiet = Beginnings(tmp_path / "anew", wall=lambda: now_s[0])
    assert (quiet.trouble(), quiet.last(), quiet.wait_s()) == ("", "", 0.0)


def test_a_disk_that_hangs_does_not_keep_it_from_beginning_anew(tmp_path: Path) -> None:
    """A pipe that nobody reads takes a writer as a hung disk does. The process of the moment knows it all the same."""
    os.mkfifo(tmp_path / "pipe")
    one = Beginnings(tmp_path / "anew")
    one.path = tmp_path / "pipe"
    noting = threading.Thread(target=one.note, args=(["judging"],), daemon=True)
    noting.start()
    noting.join(10.0)
    assert not noting.is_alive() and "judging" in one.last()
    os.close(os.open(one.path, os.O_RDONLY | os.O_NONBLOCK))  # let the writer go


@pytest.mark.parametrize("content", ["", "{", "null", '[{"at": "x"}, 3, {"parts": []}]', '[{"at": 1e999}]'])
def test_a_damaged_note_of_beginnings_is_no_trouble(tmp_path: Path, content: str) -> None:
    (tmp_path / "anew").write_text(content, encoding="utf-8")
    one = Beginnings(tmp_path / "anew", wall=lambda: 1_773_480_000.0)
    assert one.trouble() == "" and one.wait_s() == 0.0
    one.note(["page"])
    assert "page" in Beginnings(tmp_path / "anew", wall=lambda: 1_773_480_001.0).last()


def test_judging_that_fails_has_the_watch_begin_anew(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever it was: a watch that minds may end only when it is told to."""
    began: list[bool] = []
    said: list[str] = []
    with Journal(tmp_path / "journal.sqlite") as journal:
        running = Running(
            Settings(), journal, ArrivalClock(), [StillSource()], serve_page=False, say=said.append,
            begin_anew=lambda: began.append(True),
        )  # fmt: skip
        monkeypatch.setattr(running.watch, "step", lambda stop: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            running.run(threading.Event())
        running.close()
    assert began and "ZeroDivisionError" in " ".join(said)
    assert "judging" in Beginnings(tmp_path / "journal.sqlite.anew").last()


@pytest.mark.parametrize("rings", [True, False])
def test_while_it_waits_before_it_goes_on_the_watchdog_is_fed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *, rings: bool
) -> None:
    """The process has the number of the one before, so its watchdog runs on; ringing takes its time, too."""
    monkeypatch.setattr("monitor.commands.watch._SIGN_EVERY_S", 0.2)
    monkeypatch.setattr("monitor.commands.watch._RINGING_S", 4.0)
    monkeypatch.setattr("monitor.not_begun.ring_not_begun", lambda *_, **__: time.sleep(10.0))
    system = System(str(tmp_path / "notify"))
    beginnings = Beginnings(tmp_path / "anew")
    for _ in range(OFTEN if rings else OFTEN - 1):
        beginnings.note(["page"])
    began = time.monotonic()
    service = Service({"NOTIFY_SOCKET": system.address})
    waiting = threading.Thread(target=_after_those_before, args=(Settings(), beginnings, threading.Event(), service))
    waiting.start()
    while waiting.is_alive():  # few datagrams find room in the socket
        system.hear()
    took_s = time.monotonic() - began
    assert 3.5 < took_s < 9.0 if rings else 0.5 < took_s < 3.0
    told = system.hear()
    system.close()
    assert told.count("WATCHDOG=1") >= (12 if rings else 4), told
    assert any("waits a moment" in one for one in told)
    assert "reads back" in told[-1], "what comes next is begun with a fresh sign"


def test_who_stops_it_does_not_wait_for_that(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    beginnings, stop = Beginnings(tmp_path / "anew"), threading.Event()
    for _ in range(2):
        beginnings.note(["page"])
    monkeypatch.setattr("monitor.service._FIRST_WAIT_S", 60.0)
    stop.set()
    began = time.monotonic()
    _after_those_before(Settings(), beginnings, stop, Service({}))
    assert time.monotonic() - began < 5.0
