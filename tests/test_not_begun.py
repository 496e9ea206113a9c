"""A watch that cannot begin rings past its journal: as a service, once an hour, everybody."""

from __future__ import annotations

import errno
import json
import os
import sqlite3
import time
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from monitor import service
from monitor.cli import main
from monitor.commands import CANNOT
from monitor.copying import HOLDER_FACT, folder_of, hold
from monitor.journal.database import Journal
from monitor.journal.reserve import keep_reserve, reserve_of
from monitor.not_begun import AGAIN_S, EVERY_S, ring_not_begun
from monitor.phone.routes import Rung
from monitor.running import Running
from monitor.watch import Watch
from tests.helpers_watch import NIGHT_S, Bench, batch_in, entry, pack, settings_with

AS_SERVICE = {"NOTIFY_SOCKET": "/run/none"}
SAYS = "Journal /var/j.sqlite: the disk is full."


def taken(ok: bool = True) -> list[Rung]:
    """What came of one person's routes."""
    return [Rung("Ash", "ntfy 1", ok, "Ash was told.", "ntfy")]


def test_everybody_is_told_once_an_hour(tmp_path: Path) -> None:
    """However often the system starts it again."""
    told: list[tuple[object, str]] = []
    settings = settings_with("shed-1", people=[("Ash", "a://1"), ("Wren", "b://1")])
    now_s = [1000.0]

    def ring() -> bool:
        return ring_not_begun(
            settings, SAYS, AS_SERVICE, tell=tell, wall=lambda: now_s[0], folder=tmp_path
        )

    def tell(addresses: object, _title: str, body: str) -> list[Rung]:
        told.append((addresses, body))
        return taken()

    assert [ring(), ring()] == [True, False]
    assert [addresses for addresses, _ in told] == [[("Ash", "a://1")], [("Wren", "b://1")]]
    assert all(SAYS in body and "Do not rely on being rung" in body for _, body in told)
    now_s[0] += EVERY_S
    assert ring()
    now_s[0] -= 2 * EVERY_S  # a clock that was set back must not silence it
    assert ring()


def test_where_the_time_cannot_be_kept_it_rings(tmp_path: Path) -> None:
    """Too often is better than not at all."""
    settings = settings_with("shed-1", people=[("Ash", "a://1")])
    for _ in range(2):
        assert ring_not_begun(settings, SAYS, AS_SERVICE, tell=lambda *_: taken(), folder=tmp_path / "none")


def test_what_no_route_took_is_tried_again_each_minute(tmp_path: Path) -> None:
    """After a power cut the router takes some minutes; whoever is killed while the routes are asked has told nobody."""
    settings = settings_with("shed-1", people=[("Ash", "a://1"), ("Wren", "b://1")])
    now_s, answers = [1000.0], list[bool]()

    def tell(addresses: list[tuple[str, str]], _title: str, _body: str) -> list[Rung]:
        if not answers:
            raise KeyboardInterrupt
        return taken(answers.pop(0))

    def tried_after(seconds: float, *given: bool) -> bool:
        now_s[0] += seconds
        answers[:] = given
        return ring_not_begun(
            settings, SAYS, AS_SERVICE, tell=tell, wall=lambda: now_s[0], folder=tmp_path
        )

    with pytest.raises(KeyboardInterrupt):
        tried_after(0.0)
    assert not tried_after(AGAIN_S - 1.0, False, False)
    assert tried_after(1.0, False, False)
    assert not tried_after(AGAIN_S - 1.0, False, False)
    assert tried_after(1.0, False, True), "one of them was told"
    assert not tried_after(AGAIN_S, False, True)
    assert not tried_after(EVERY_S - AGAIN_S - 1.0, False, True)
    assert tried_after(1.0, True, True)


@pytest.fixture
def rung(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What the phones were told past the journal, by a watch with settings of its own that the system starts."""
    said: list[str] = []
    usual = ring_not_begun.__kwdefaults__ or {}
    here = {"tell": lambda _to, _title, body: said.append(body) or taken(), "folder": tmp_path}
    monkeypatch.setattr(ring_not_begun, "__kwdefaults__", {**usual, **here})
    monkeypatch.setenv("NOTIFY_SOCKET", "/run/none")
    (tmp_path / "emberpail.toml").write_text(
        '[journal]\npath = "journal.sqlite"\n[[person]]\nname = "Ash"\nroutes = ["print://"]\n'
    )
    return said


def watch_in(folder: Path, *more: str) -> int:
    return main(["watch", "--no-page", "--settings", str(folder / "emberpail.toml"), *more])


def test_a_damaged_page_anywhere_rings_or_lets_it_begin(
    tmp_path: Path, rung: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A power cut that leaves one page unreadable is often found only while the batches are read back."""
    night = Bench(tmp_path, NIGHT_S, settings_with("shed-1"))
    night.begin(batch_in("shed-1", NIGHT_S - 300.0, noted_at_s=NIGHT_S),
                entry("poured", NIGHT_S - 300.0, NIGHT_S, temperature_c=44.0))  # fmt: skip
    for n in range(300):
        night.line(NIGHT_S + 5 * n + 5, pack("shed-1", 50.0 + n / 50, NIGHT_S + 5 * n))
    night.stop()
    night.desk.close()
    path = tmp_path / "journal.sqlite"
    db = sqlite3.connect(path)
    size = db.execute("PRAGMA page_size").fetchone()[0]
    db.close()
    whole = path.read_bytes()
    monkeypatch.setattr(Watch, "step", lambda _self, stop: stop.set())  # one that begins is stopped at once
    failed, opened = 0, []
    plain = Running.__init__
    monkeypatch.setattr(Running, "__init__", lambda self, *args, **more: opened.append(1) or plain(self, *args, **more))
    for page in range(1, len(whole) // size, 3):
        rung.clear()
        for stamp in tmp_path.glob("emberpail-not-begun*"):
            stamp.unlink()
        path.write_bytes(whole[: page * size] + b"\xff" * size + whole[(page + 1) * size :])
        before = len(opened)
        code = watch_in(tmp_path)
        assert len(rung) == int(code != 0), f"page {page}"
        assert all("restore" in says for says in rung)
        failed += code != 0 and len(opened) > before
        for ending in ("-wal", "-shm"):
            (tmp_path / f"journal.sqlite{ending}").unlink(missing_ok=True)
    assert failed >= 2, "the damage was always found at the opening, so the later start was not tried"


def test_whatever_keeps_it_from_minding_rings_and_says_what_it_was(
    tmp_path: Path, rung: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A fault of ours before the minding, or a file of events that cannot be written."""
    monkeypatch.setattr(Watch, "_open", lambda self: 1 / 0)
    assert watch_in(tmp_path) != 0
    assert len(rung) == 1 and "ZeroDivisionError" in rung[0]
    rung.clear()
    next(tmp_path.glob("emberpail-not-begun*")).unlink()
    assert watch_in(tmp_path, "--events", str(tmp_path / "none" / "events.jsonl")) != 0
    assert len(rung) == 1 and "cannot be written" in rung[0]


def copied_to(tmp_path: Path) -> Path:
    """The folder of the copy, which nobody holds yet."""
    with (tmp_path / "emberpail.toml").open("a", encoding="utf-8") as settings:
        settings.write('[keep]\ncopy_to = "copies"\n')
    folder = folder_of(tmp_path / "copies", tmp_path / "journal.sqlite")
    folder.mkdir(parents=True)
    return folder


def test_one_that_another_machine_has_taken_over_rings_nobody(tmp_path: Path, rung: list[str]) -> None:
    """The other one minds, and rings."""
    folder = copied_to(tmp_path)
    with Journal(tmp_path / "journal.sqlite") as journal:
        journal.set_fact(HOLDER_FACT, hold(folder, 1, NIGHT_S).as_fact())
    hold(folder, 2, NIGHT_S)
    assert watch_in(tmp_path) != 0
    assert rung == []


def test_one_whose_copy_s_folder_was_always_another_journal_s_rings(
    tmp_path: Path, rung: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    """That other one may be dead for long, and then nobody minds what this one was to. Once an hour."""
    hold(copied_to(tmp_path), 1, NIGHT_S)
    assert [watch_in(tmp_path) != 0 for _ in range(2)] == [True, True]
    assert len(rung) == 1 and "the copy of another journal" in rung[0] and "Do not rely on being rung" in rung[0]
    assert "takeover" in capsys.readouterr().err


@pytest.mark.parametrize("known", [True, False])
def test_one_that_finds_so_later_rings_though_it_was_started_by_hand(
    tmp_path: Path, rung: list[str], monkeypatch: pytest.MonkeyPatch, known: bool
) -> None:
    """The folder was out of reach at the start. One that once held the copy rings nobody then either."""
    monkeypatch.setenv("NOTIFY_SOCKET", "")
    folder = copied_to(tmp_path)
    if known:
        with Journal(tmp_path / "journal.sqlite") as journal:
            journal.set_fact(HOLDER_FACT, hold(folder, 1, NIGHT_S).as_fact())
    away = folder.parent.with_name("away")
    folder.parent.rename(away)

    def back(self: Watch) -> None:
        hold(away / folder.name, 2, NIGHT_S)
        away.rename(folder.parent)

    opened = Watch._open
    monkeypatch.setattr(Watch, "_open", lambda self: (opened(self), back(self))[0])
    assert watch_in(tmp_path) != 0
    assert len(rung) == int(not known)


@pytest.mark.parametrize("as_service", [True, False])
def test_one_that_begins_anew_again_and_again_rings_though_it_never_comes_to_a_tick(
    tmp_path: Path, rung: list[str], monkeypatch: pytest.MonkeyPatch, as_service: bool
) -> None:
    """Started by hand, too: it minded, and whoever started it sleeps."""
    monkeypatch.setenv("NOTIFY_SOCKET", "/run/none" if as_service else "")
    monkeypatch.setattr(service, "_FIRST_WAIT_S", 0.0)
    anew: list[int] = []
    monkeypatch.setattr(service, "begin_anew", lambda: anew.append(len(rung)))
    monkeypatch.setattr(Watch, "step", lambda _self, _stop: 1 / 0)
    for _ in range(service.OFTEN + 2):
        watch_in(tmp_path)
    assert anew == [0, 0, 0, 1, 1], "at the start after the third, and once an hour"
    assert "begun anew 3 times" in rung[0] and "judging" in rung[0]
    kept = json.loads((tmp_path / "journal.sqlite.anew").read_text(encoding="utf-8"))
    (tmp_path / "journal.sqlite.anew").write_text(json.dumps([[at_s - 3600.0, parts] for at_s, parts in kept]))
    next(tmp_path.glob("emberpail-not-begun*")).unlink()
    watch_in(tmp_path)
    assert len(rung) == 1, "an hour later it is over"


def test_on_a_full_disk_it_begins_by_the_room_that_was_kept(
    tmp_path: Path, rung: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without that room nothing can be opened, and nobody minds until somebody has made some."""
    reserve = reserve_of(tmp_path / "journal.sqlite")
    with Journal(tmp_path / "journal.sqlite"):
        pass
    keep_reserve(tmp_path / "journal.sqlite")
    plain = sqlite3.connect

    class Full(sqlite3.Connection):
        def execute(self, sql: str, *values: Any) -> Any:
            if reserve.exists() or not began:
                error = sqlite3.OperationalError("disk I/O error")
                error.sqlite_errorname = "SQLITE_IOERR_SHMSIZE"
                raise error
            return super().execute(sql, *values)

    began = [True]
    monkeypatch.setattr(sqlite3, "connect", lambda *args, **more: plain(*args, **{**more, "factory": Full}))
    monkeypatch.setattr("monitor.journal.store.os.statvfs", lambda _: SimpleNamespace(f_bavail=0, f_frsize=1))
    monkeypatch.setattr(Watch, "step", lambda _self, stop: stop.set())
    assert watch_in(tmp_path) == 0
    assert rung == [] and not reserve.exists()
    began.clear()
    assert watch_in(tmp_path) != 0
    assert len(rung) == 1 and "the disk is full" in rung[0]


def test_routes_that_hang_do_not_keep_it_from_beginning(
    tmp_path: Path, rung: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The ringing of one that has begun anew again and again holds up the buckets no longer than it must."""
    now_s = time.time()
    (tmp_path / "journal.sqlite.anew").write_text(json.dumps([[now_s - n, ["page"]] for n in (3.0, 2.0, 1.0)]))
    monkeypatch.setattr("monitor.commands.watch._RINGING_S", 0.1)
    monkeypatch.setattr(service, "_FIRST_WAIT_S", 0.0)
    hanging = {"tell": lambda _to, _title, body: (rung.append(body), time.sleep(20.0), taken())[-1]}
    monkeypatch.setattr(ring_not_begun, "__kwdefaults__", {**(ring_not_begun.__kwdefaults__ or {}), **hanging})
    monkeypatch.setattr(Watch, "step", lambda _self, stop: stop.set())
    began = time.monotonic()
    assert watch_in(tmp_path) == 0
    assert len(rung) == 1 and time.monotonic() - began < 15.0


@pytest.mark.parametrize("as_service", [True, False])
def test_watch_on_a_full_disk_ends_with_a_sentence_and_rings_as_a_service(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], as_service: bool
) -> None:
    """By hand the sentence is enough. Either way it fails, so that the system starts it again."""
    rung: list[str] = []
    usual = ring_not_begun.__kwdefaults__ or {}
    here = {"tell": lambda _to, _title, body: rung.append(body) or taken(), "folder": tmp_path}
    monkeypatch.setattr(ring_not_begun, "__kwdefaults__", {**usual, **here})
    monkeypatch.setenv("NOTIFY_SOCKET", "/run/none" if as_service else "")
    (tmp_path / "emberpail.toml").write_text(
        '[journal]\npath = "on/j.sqlite"\n[[person]]\nname = "Ash"\nroutes = ["print://"]\n'
    )
    monkeypatch.setattr(Path, "mkdir", _refuse)
    assert main(["watch", "--no-page", "--settings", str(tmp_path / "emberpail.toml")]) != 0
    assert "its folder cannot be made" in capsys.readouterr().err
    assert len(rung) == int(as_service)


def test_a_journal_whose_disk_is_away_is_not_begun_anew(
    tmp_path: Path, rung: list[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """After a power cut the disk comes late, or never. A new journal at the empty mount point holds no batch: nothing
    would be minded, and all would seem well. It rings, and begins once the disk is there.
    """
    disk, state = tmp_path / "disk", tmp_path / "state"
    (tmp_path / "emberpail.toml").write_text(
        '[journal]\npath = "disk/journal.sqlite"\n[[person]]\nname = "Ash"\nroutes = ["print://"]\n'
    )
    monkeypatch.setattr(Running, "run", lambda self, stop: None)
    assert watch_in(tmp_path) == 0, "without a folder of its own it remembers nothing"
    state.mkdir()
    monkeypatch.setenv("STATE_DIRECTORY", f"{state}:/elsewhere")
    for _ in range(2):
        assert watch_in(tmp_path) == 0
    (mark,) = state.iterdir()
    assert mark.read_text() == f"{disk}/journal.sqlite\n" and rung == []
    disk.rename(tmp_path / "away")
    disk.mkdir()
    capsys.readouterr()
    for _ in range(2):
        assert watch_in(tmp_path) == CANNOT
    assert list(disk.iterdir()) == [] and len(rung) == 1
    assert "is its disk plugged in?" in rung[0] and f"remove {mark}" in rung[0]
    assert "is its disk plugged in?" in capsys.readouterr().err
    disk.rmdir()
    (tmp_path / "away").rename(disk)
    assert watch_in(tmp_path) == 0
    (disk / "journal.sqlite").unlink()
    mark.unlink()
    assert watch_in(tmp_path) == 0 and mark.exists(), "a new one, as was said"


def _refuse(*_: object, **__: object) -> None:
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def test_the_unit_s_own_folder_outlives_the_restarts(tmp_path: Path) -> None:
    """systemd names it in the environment (systemd.exec(5), RuntimeDirectory)."""
    settings = settings_with("shed-1", people=[("Ash", "a://1")])
    environ = {**AS_SERVICE, "RUNTIME_DIRECTORY": f"{tmp_path}:/elsewhere"}
    told = [ring_not_begun(settings, SAYS, environ, tell=lambda *_: taken(), wall=lambda: 1000.0) for _ in range(3)]
    assert told == [True, False, False] and len(list(tmp_path.iterdir())) == 1
