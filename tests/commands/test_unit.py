"""The unit file: systemd itself reads it, finds nothing wrong with it, and judges what it leaves open."""

from __future__ import annotations

import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.cli import main
from monitor.commands.unit import unit_text
from monitor.settings import KeepSettings, MqttSource, SerialSource, Settings

needs_systemd = pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="needs systemd-analyze on the PATH")

# What is asked of it; systemd-analyze counts in tenths.
MOST_EXPOSED = 3.0
PLACES = ["shed", "a shed with blanks", 'one "quoted" % and $HOME', "caffè"]


def settings_in(folder: Path, kind: str) -> Settings:
    source = SerialSource("node") if kind == "serial" else MqttSource("shed")
    return Settings(file=folder / "emberpail.toml", sources=(source,), journal_path=folder / "data" / "journal.sqlite")


def analyze(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(["systemd-analyze", *words], capture_output=True, text=True, timeout=60, check=False)


@needs_systemd
@pytest.mark.parametrize("kind", ["serial", "mqtt"])
def test_systemd_finds_no_fault_in_it_and_little_that_is_open(tmp_path: Path, kind: str) -> None:
    """systemd-analyze verify, and security offline, of the unit as printed; the bare unit is far worse."""
    path = tmp_path / "emberpail.service"
    text = unit_text(settings_in(tmp_path, kind), user="daemon", python=sys.executable)
    path.write_text(text, encoding="utf-8")
    found = analyze("verify", str(path))
    assert (found.returncode, found.stderr.strip()) == (0, "")
    judged = analyze("security", "--offline=true", f"--threshold={MOST_EXPOSED * 10:.0f}", str(path))
    assert judged.returncode == 0, judged.stdout[-400:]
    bare = "\n".join(line for line in text.splitlines() if not line.startswith(("Protect", "Private", "System", "Res")))
    path.write_text(bare, encoding="utf-8")
    assert analyze("security", "--offline=true", f"--threshold={MOST_EXPOSED * 10:.0f}", str(path)).returncode != 0


@needs_systemd
@pytest.mark.parametrize("place", PLACES)
def test_any_folder_name_comes_through(tmp_path: Path, place: str) -> None:
    """A folder with blanks or signs that mean something to systemd stays that folder: seen in how it reads the line."""
    folder = tmp_path / place
    folder.mkdir()
    path = tmp_path / "emberpail.service"
    # A quote in the program's own path is the one thing that systemd takes from nobody.
    program = tmp_path / f"{place} program".replace('"', "") / "python"
    program.parent.mkdir()
    program.symlink_to(sys.executable)
    text = unit_text(settings_in(folder, "mqtt"), user="daemon", python=str(program))
    path.write_text(text, encoding="utf-8")
    found = analyze("verify", str(path))
    # It looks for the program, and says so where it does not find it.
    assert (found.returncode, found.stderr.strip()) == (0, "")
    path.write_text(text.replace("/python", "/nopython", 1), encoding="utf-8")
    assert analyze("verify", str(path)).returncode != 0


def test_it_is_started_again_for_ever_and_may_write_only_beside_its_journal(tmp_path: Path) -> None:
    lines = unit_text(settings_in(tmp_path, "mqtt"), user="wren", python="/opt/shed/bin/python").splitlines()
    assert {"Restart=always", "StartLimitIntervalSec=0", "Type=notify", "NotifyAccess=main", "User=wren"} <= set(lines)
    assert [line for line in lines if line.startswith("ReadWritePaths=")] == [f"ReadWritePaths=-{tmp_path}/data"]
    assert f"ExecStart=/opt/shed/bin/python -m monitor watch --settings {tmp_path}/emberpail.toml" in lines
    assert {"RuntimeDirectoryPreserve=yes", "StateDirectory=emberpail"} <= set(lines)
    # StartLimitIntervalSec belongs under [Unit]; under [Service] it would be passed over.
    assert lines.index("StartLimitIntervalSec=0") < lines.index("[Service]") < lines.index("Restart=always")


def test_the_serial_port_is_let_through_only_where_there_is_one(tmp_path: Path) -> None:
    serial = unit_text(settings_in(tmp_path, "serial"), user="wren", python="/opt/python")
    mqtt = unit_text(settings_in(tmp_path, "mqtt"), user="wren", python="/opt/python")
    assert "DeviceAllow=char-ttyUSB rw" in serial and "SupplementaryGroups=dialout" in serial
    assert "PrivateDevices" not in serial
    assert "PrivateDevices=yes" in mqtt and "DeviceAllow" not in mqtt


def test_the_command_prints_the_unit_and_tells_apart_how_to_install_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "emberpail.toml").write_text('[journal]\npath = "shed.sqlite"\n', encoding="utf-8")
    assert main(["unit", "--user", "wren", "--record", "night.rec"]) == 0
    out, how = capsys.readouterr()
    assert out.startswith("# ") and out.endswith("WantedBy=multi-user.target\n")
    assert f"--record {tmp_path}/night.rec" in out
    assert "systemctl enable --now emberpail" in how and "systemctl enable" not in out


def test_a_program_where_systemd_starts_none_is_told_of(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "emberpail.toml").write_text("", encoding="utf-8")
    monkeypatch.setattr(sys, "executable", '/opt/the "new" shed/python')
    assert main(["unit"]) == 2
    told = capsys.readouterr()
    assert "quotation" in told.err and not told.out


def test_without_settings_it_says_what_to_do_first(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    assert main(["unit"]) == 2
    assert "emberpail.toml" in capsys.readouterr().err


def test_a_folder_that_is_gone_is_left_to_the_watch_which_can_ring(tmp_path: Path) -> None:
    """Without the dash systemd fails to set up the folders and the program never runs (systemd.exec(5))."""
    record = tmp_path / "gone" / "night.rec"
    text = unit_text(settings_in(tmp_path, "mqtt"), user="wren", python="/opt/python", record=record)
    paths = [line.partition("=")[2] for line in text.splitlines() if line.startswith("ReadWritePaths=")]
    assert len(paths) == 2 and all(path.startswith("-/") for path in paths)


@needs_systemd
def test_the_nightly_backup_may_write_and_a_missing_stick_keeps_nothing_from_starting(tmp_path: Path) -> None:
    """The folder of the backups is let through; with the dash systemd passes over one that is not there."""
    settings = replace(settings_in(tmp_path, "mqtt"), keep=KeepSettings(backup_to=Path("/media/a stick/emberpail")))
    text = unit_text(settings, user="wren", python="/opt/python")
    assert 'ReadWritePaths="-/media/a stick/emberpail"' in text.splitlines()
    path = tmp_path / "emberpail.service"
    path.write_text(unit_text(settings, user="daemon", python=sys.executable), encoding="utf-8")
    found = analyze("verify", str(path))
    assert (found.returncode, found.stderr.strip()) == (0, "")
