"""A watch that cannot open its journal rings past it: as a service, once an hour, everybody."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from monitor.cli import main
from monitor.not_begun import EVERY_S, ring_not_begun
from tests.helpers_watch import settings_with

AS_SERVICE = {"NOTIFY_SOCKET": "/run/none"}
SAYS = "Journal /var/j.sqlite: the disk is full."


def test_everybody_is_told_once_an_hour(tmp_path: Path) -> None:
    """However often the system starts it again."""
    told: list[tuple[object, str]] = []
    settings = settings_with("shed-1", people=[("Ash", "a://1"), ("Wren", "b://1")])
    now_s = [1000.0]

    def ring() -> bool:
        return ring_not_begun(
            settings, SAYS, AS_SERVICE, tell=lambda addresses, title, body: told.append((addresses, body)),
            wall=lambda: now_s[0], folder=tmp_path,
        )  # fmt: skip

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
        assert ring_not_begun(settings, SAYS, AS_SERVICE, tell=lambda *_: None, folder=tmp_path / "none")


@pytest.mark.parametrize("as_service", [True, False])
def test_watch_on_a_full_disk_ends_with_a_sentence_and_rings_as_a_service(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], as_service: bool
) -> None:
    """By hand the sentence is enough. Either way it fails, so that the system starts it again."""
    rung: list[str] = []
    usual = ring_not_begun.__kwdefaults__ or {}
    here = {"tell": lambda _to, _title, body: rung.append(body), "folder": tmp_path}
    monkeypatch.setattr(ring_not_begun, "__kwdefaults__", {**usual, **here})
    monkeypatch.setenv("NOTIFY_SOCKET", "/run/none" if as_service else "")
    (tmp_path / "emberpail.toml").write_text(
        '[journal]\npath = "on/j.sqlite"\n[[person]]\nname = "Ash"\nroutes = ["print://"]\n'
    )
    monkeypatch.setattr(Path, "mkdir", _refuse)
    assert main(["watch", "--no-page", "--settings", str(tmp_path / "emberpail.toml")]) != 0
    assert "its folder cannot be made" in capsys.readouterr().err
    assert len(rung) == int(as_service)


def _refuse(*_: object, **__: object) -> None:
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def test_the_unit_s_own_folder_outlives_the_restarts(tmp_path: Path) -> None:
    """systemd names it in the environment (systemd.exec(5), RuntimeDirectory)."""
    settings = settings_with("shed-1", people=[("Ash", "a://1")])
    environ = {**AS_SERVICE, "RUNTIME_DIRECTORY": f"{tmp_path}:/elsewhere"}
    told = [ring_not_begun(settings, SAYS, environ, tell=lambda *_: None, wall=lambda: 1000.0) for _ in range(3)]
    assert told == [True, False, False] and len(list(tmp_path.iterdir())) == 1
