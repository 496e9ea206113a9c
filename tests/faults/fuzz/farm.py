"""A page over a journal with running batches, driven in this process as uvicorn drives it, one connection at a time.

The bytes go into uvicorn's own protocol class, without a socket: what it makes of them reaches the real application.
Every connection finds the journal as it was at first.
"""

from __future__ import annotations

import asyncio
import atexit
import math
import shutil
import sqlite3
import tempfile
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from monitor.deeds import _DOOR_FACT
from monitor.domain import Batch, LogEntry, OilShare, Reading, Recipe, Vessel
from monitor.journal.database import AlarmRecord, Journal
from monitor.page.door import Door
from monitor.page.links import ANSWER, HEARD, LASTS_S, Link, token_of
from monitor.page.serving import Served, serve
from monitor.page_wiring import PageWiring
from monitor.settings import BucketSettings, PageSettings, Person, Settings
from monitor.toml_tables import Secret
from monitor.what_if_jobs import WhatIfJobs

T0 = 1_773_480_000.0
NOW_S = T0 + 3600.0
PASSPHRASE = "canary under the hazel"
ALARM_ID = "shed-2/Quillmarsh 12/too_hot/1"
RECIPE = Recipe((OilShare("sunflower", 4.2),), 0.85, 0.9, 1.3)
_BATCHES = (
    Batch("Quillmarsh 11", "shed-3", T0 - 9 * 86400.0, RECIPE, Vessel(25, "box")),
    Batch("Quillmarsh 12", "shed-2", T0, RECIPE, Vessel(25, "bare")),
    Batch("Quillmarsh 13", "barn 1/left <i>&", T0 + 600.0, RECIPE, Vessel(15, "blanket")),
)
# A connection that is not through by then never will be: nothing in the page waits so long for anything.
_PATIENCE_S = 60.0


@dataclass
class Answer:
    """One request as the application got it, and what it answered."""

    method: str
    path: str
    status: int = 0
    headers: list[tuple[bytes, bytes]] = field(default_factory=list)
    body: bytes = b""
    error: BaseException | None = None
    done: bool = False
    receiving: bool = False
    too_late: bool = False

    def header(self, name: bytes) -> bytes:
        """The header's value, b"" where there is none."""
        return next((value for one, value in self.headers if one == name), b"")


class _Wire(asyncio.Transport):
    """Stands where the socket would: takes what is written."""

    def __init__(self) -> None:
        super().__init__()
        self.written = b""
        self._closing = False

    def get_extra_info(self, name: str, default: Any = None) -> Any:
        return {"peername": ("127.0.0.1", 40000), "sockname": ("127.0.0.1", 8737)}.get(name, default)

    def write(self, data: bytes | bytearray | memoryview) -> None:
        self.written += bytes(data)

    def is_closing(self) -> bool:
        return self._closing

    def close(self) -> None:
        self._closing = True

    def pause_reading(self) -> None: ...

    def resume_reading(self) -> None: ...


class Farm:
    """The page and its journal. ``cookie`` is a session's, ``token`` belongs into its forms."""

    def __init__(self) -> None:
        import uvicorn

        self.folder = Path(tempfile.mkdtemp(prefix="emberpail-fuzz-"))
        atexit.register(self.end)
        self.path = self.folder / "journal.sqlite"
        with Journal(self.path) as journal:
            _fill(journal)
        self.settings = Settings(
            buckets=(BucketSettings("shed-2", 25.0), BucketSettings("spare")), people=(Person("Ash"), Person("Wren")),
            page=PageSettings(passphrase=Secret(PASSPHRASE), address="http://shed.example:8737"),
            journal_path=self.path,
        )  # fmt: skip
        self.loop = asyncio.new_event_loop()
        self._config = uvicorn.Config(
            self, log_config=None, access_log=False, server_header=False, lifespan="off", ws="none",
            http="h11", h11_max_incomplete_event_size=16 * 1024,
        )  # fmt: skip
        self.answers: list[Answer] = []
        self._served: Served | None = None
        self._wiring: PageWiring | None = None
        self.open_anew()
        assert self._wiring is not None
        key = self._wiring._deeds.key()
        session = Door(PASSPHRASE, key).enter(PASSPHRASE, "127.0.0.1", NOW_S)
        assert session is not None
        self.token, self.cookie = session[0].token, session[1]
        ends_s = NOW_S + LASTS_S
        self.alarm_link = token_of(Link(ANSWER, (ALARM_ID,), "Ash", ends_s), key)
        self.heard_link = token_of(Link(HEARD, (), "Wren", ends_s), key)
        self._pristine = sqlite3.connect(":memory:", check_same_thread=False)
        with closing(sqlite3.connect(self.path)) as there:
            there.backup(self._pristine)
        self._watcher = sqlite3.connect(self.path, check_same_thread=False)
        self._version = self._data_version()

    # ---- the application ----

    def open_anew(self) -> None:
        """The application anew: it keeps nothing of what was asked and tried before."""
        if self._wiring is not None:
            self._wiring.stop()
        self._wiring = PageWiring(self.settings, self.path, lambda: NOW_S, {}, {})
        _without_reckoning(self._wiring._what_if)
        self._app = self._wiring.app()

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        """The application, with what it is asked and what it answers noted in ``answers``."""
        answer = Answer(scope["method"], scope["path"])
        self.answers.append(answer)

        async def receiving() -> Any:
            answer.receiving = True
            message = await receive()
            answer.receiving = False
            return message

        async def sending(message: Any) -> None:
            if message["type"] == "http.response.start":
                answer.status, answer.headers = message["status"], list(message["headers"])
            else:
                answer.body += message.get("body", b"")
            try:
                await send(message)
            except Exception:
                # uvicorn has refused what came after the head (a chunk without its length), answered 400 and closed;
                # that its application cannot answer any more is no fault of the application's.
                answer.too_late = True
                raise

        try:
            await self._app(scope, receiving, sending)
        except BaseException as error:
            answer.error = error
            raise
        finally:
            answer.done = True

    # ---- one connection ----

    def filled(self, data: bytes) -> bytes:
        """The input with what only this farm knows in the place of its names in braces."""
        for name, value in (
            (b"{COOKIE}", self.cookie), (b"{TOKEN}", self.token), (b"{ALARM}", self.alarm_link),
            (b"{HEARD}", self.heard_link),
        ):  # fmt: skip
            data = data.replace(name, value.encode())
        return data

    def connect(self, data: bytes) -> tuple[list[Answer], bytes]:
        """Send bytes over one connection, then hang up: the requests there were, answered, and what came back."""
        self.answers = []
        written = self.loop.run_until_complete(self._connect(data))
        if any(answer.path.rstrip("/") == "/enter" and answer.method == "POST" for answer in self.answers):
            self.open_anew()  # wrong tries are remembered, and the next input is to find a door that nobody tried
        return self.answers, written

    async def _connect(self, data: bytes) -> bytes:
        from h11 import LocalProtocolError
        from uvicorn.protocols.http.h11_impl import H11Protocol
        from uvicorn.server import ServerState

        state, wire = ServerState(), _Wire()
        protocol = H11Protocol(self._config, state, {}, _loop=self.loop)
        protocol.connection_made(wire)
        middle = len(data) // 2
        for piece in (data[:middle], data[middle:]):
            if piece and not wire.is_closing():
                try:
                    protocol.data_received(piece)
                except LocalProtocolError:
                    # uvicorn stumbles over its own answer to a request that broke off; the event loop then closes this
                    # connection and no other, as here.
                    wire.close()
                await asyncio.sleep(0)
        deadline_s = self.loop.time() + _PATIENCE_S
        while state.tasks and not self._only_waits():
            await asyncio.wait(set(state.tasks), timeout=0.01)
            assert self.loop.time() < deadline_s, "the page hangs"
        protocol.connection_lost(None)
        while state.tasks:
            await asyncio.wait(set(state.tasks), timeout=0.01)
            assert self.loop.time() < deadline_s, "the page hangs after its visitor has gone"
        return wire.written

    def _only_waits(self) -> bool:
        """Whether all that goes on waits for more from us, or is the stream of news, which has no end."""
        return all(
            answer.done or answer.receiving or (answer.path == "/live" and answer.status) for answer in self.answers
        )

    # ---- what changed ----

    def changed(self) -> set[str]:
        """The tables of the journal into which anything was written since the last call, and "plans" for a file beside
        it; puts all back as it was. What the door keeps of wrong tries, before any session, is "door".
        """
        version = self._data_version()
        plans = list(self.folder.glob("plans/*"))
        if version == self._version and not plans:
            return set()
        before, after = _rows(self._pristine), _rows(self._watcher)
        tables = {table if table != "facts" else _fact(key) for table, key in before ^ after}
        tables |= {"plans"} if plans else set()
        self._pristine.backup(self._watcher)
        for plan in plans:
            plan.unlink()
        self._version = self._data_version()
        self.open_anew()  # what the page keeps for a moment is not to be seen by the next input
        return tables

    def _data_version(self) -> int:
        return int(self._watcher.execute("PRAGMA data_version").fetchone()[0])

    # ---- a real socket ----

    @property
    def port(self) -> int:
        """Where uvicorn serves the same application on a real socket."""
        if self._served is None:
            self._served = serve(self, "127.0.0.1", 0)
        return self._served.port

    def end(self) -> None:
        """End all that was begun."""
        if self._served is not None:
            self._served.stop()
        if self._wiring is not None:
            self._wiring.stop()
        self._watcher.close()
        self._pristine.close()
        for task in asyncio.all_tasks(self.loop):  # whoever looked out for news
            task.cancel()
        self.loop.run_until_complete(asyncio.sleep(0))
        self.loop.close()
        shutil.rmtree(self.folder, ignore_errors=True)


def _rows(journal: sqlite3.Connection) -> set[tuple[str, str]]:
    """Every row, as its table and all that is in it."""
    tables = [name for (name,) in journal.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
    return {(table, repr(row)) for table in tables for row in journal.execute(f'SELECT * FROM "{table}"')}


def _fact(row: str) -> str:
    return "door" if row.startswith(f"('{_DOOR_FACT}") else "facts"


def _without_reckoning(jobs: WhatIfJobs) -> None:
    """Whether it would have rung takes minutes to reckon and is no matter of bytes: here it is through at once."""

    def work(number: str, *_: object) -> None:
        jobs._set(number, trouble="Not worked out here.")
        with jobs._lock:
            jobs._running = None

    jobs._work = work  # type: ignore[method-assign]


def _fill(journal: Journal) -> None:
    for batch in _BATCHES:
        journal.add_batch(batch)
    journal.end_batch("Quillmarsh 11", T0 - 4 * 86400.0, T0 - 4 * 86400.0, "filled")
    for name, at_s in (("Quillmarsh 12", T0), ("Quillmarsh 13", T0 + 600.0)):
        journal.add_entry(name, LogEntry("poured", at_s, at_s, 56.0))
        journal.add_entry(name, LogEntry("blended", at_s + 300.0, at_s + 300.0))
    for k in range(40):
        at_s = T0 + 90.0 * k
        core_c = 56.0 + 35.0 * (1.0 - math.exp(-k / 12.0))
        journal.add_readings(
            [Reading("shed-2", "core", at_s, at_s, core_c), Reading("shed-2", "ambient", at_s, at_s, 8.0)]
        )
    journal.save_alarm(
        AlarmRecord(
            alarm_id=ALARM_ID, kind="too_hot", bucket="shed-2", batch="Quillmarsh 12", state="unacknowledged",
            urgency="now", probability=0.99, raised_at_s=T0 + 1800.0, message_id="too_hot", says="Hot.", do="Look.",
        )
    )  # fmt: skip
