"""Many recordings through today's judgement: one row each, whatever is wrong with one, however many work at it."""

from __future__ import annotations

import csv
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from monitor import reanalysis
from monitor.domain import Place
from monitor.reanalysis import DAMAGED, DONE, ReanalysisError, Rules, Work, judge, reanalyse, recordings_in
from monitor.replay import replay_recording
from tests.commands.conftest import Shed
from tests.helpers_watch import RECORDINGS

RULES = Rules(Place())


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three nights, cut after their first hours, and what goes wrong on a disk."""
    path = tmp_path_factory.mktemp("season")
    (path / "winter").mkdir()
    for number, (name, lines) in enumerate((("night-shed-1", 300), ("night-shed-2", 700), ("night-shed-4", 250))):
        target = path / ("winter" if number else ".") / f"{name}.rec"
        with (RECORDINGS / f"{name}.rec").open("rb") as file:
            target.write_bytes(b"".join(file.readline() for _ in range(lines)))
        shutil.copy(RECORDINGS / f"{name}.toml", target.with_suffix(".toml"))
    (path / "no-toml.rec").write_bytes((path / "night-shed-1.rec").read_bytes()[:3000])
    (path / "no-toml.toml").write_text("[batch\nname = 3", encoding="utf-8")
    (path / "rubbish.rec").write_bytes(bytes(range(256)) * 40)
    (path / "rubbish.toml").write_bytes(b"\xff\xfe\x00")
    return path


@pytest.fixture(scope="module")
def alone(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> list[reanalysis.Row]:
    """The rows of one worker, without Dask."""
    kept = tmp_path_factory.mktemp("alone") / "rows"
    return list(reanalyse(recordings_in(folder), RULES, kept, folder=folder).rows)


def test_a_row_says_what_a_replay_says(folder: Path, alone: list[reanalysis.Row]) -> None:
    """The figures of the replay itself; the range is that of 90 %."""
    row = next(one for one in alone if one.recording == "winter/night-shed-2.rec")
    verdict = replay_recording(folder / row.recording).verdict.values
    assert (row.state, row.bucket, row.completeness) == (DONE, "shed-2", verdict["completeness"])
    assert row.peak_c == verdict["peak_c"] and row.says == verdict["says"]
    assert row.completeness_low is not None and row.completeness_high is not None
    assert 0.0 <= row.completeness_low < verdict["completeness"] < row.completeness_high <= 1.0
    assert "not_taken" in row.alarms.split()
    assert 690 < row.lines <= 700 and row.readings > 0


def test_damage_is_a_row_and_stops_nothing(alone: list[reanalysis.Row]) -> None:
    """Each recording has one row; what is wrong with it stands there in words, without the path of a machine."""
    assert [one.recording for one in alone] == [
        "night-shed-1.rec", "no-toml.rec", "rubbish.rec", "winter/night-shed-2.rec", "winter/night-shed-4.rec",
    ]  # fmt: skip
    damaged = {one.recording: one for one in alone if one.state == DAMAGED}
    assert set(damaged) == {"no-toml.rec", "rubbish.rec"}
    assert damaged["no-toml.rec"].says.startswith("no-toml.toml")
    assert all(one.completeness is None and "/" not in one.says for one in damaged.values())


def test_what_nobody_foresaw_is_a_row_too(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A fault of the program in one recording is told with its kind."""
    def broken(*_: Any, **__: Any) -> None:
        raise ZeroDivisionError("by nothing")

    monkeypatch.setattr(reanalysis, "replay_recording", broken)
    row = judge(Work("x.rec", str(folder / "x.rec")), RULES)
    assert (row.state, row.says) == (DAMAGED, "ZeroDivisionError: by nothing")


def test_a_stopped_run_goes_on_and_judges_anew_what_changed(folder: Path, tmp_path: Path) -> None:
    """A torn line is done again; so is a recording whose batch file, or the rules, are others now."""
    season = tmp_path / "season"
    shutil.copytree(folder, season)
    kept = tmp_path / "rows"
    recordings = [season / "winter/night-shed-4.rec", season / "rubbish.rec"]
    first = reanalyse(recordings, RULES, kept, folder=season)
    assert first.kept == 0
    lines = kept.read_text(encoding="utf-8").splitlines()
    kept.write_text(f"{lines[0]}\n{lines[1][:40]}\n", encoding="utf-8")
    again = reanalyse(recordings, RULES, kept, folder=season)
    assert (again.kept, again.rows) == (1, first.rows)
    assert reanalyse(recordings, RULES, kept, folder=season).kept == 2
    (season / "rubbish.toml").write_text("", encoding="utf-8")
    assert reanalyse(recordings, RULES, kept, folder=season).kept == 1
    assert reanalyse(recordings[1:], Rules(Place(95.0)), kept, folder=season).kept == 0


def test_a_name_that_is_not_utf8_is_a_row_like_any_other(tmp_path: Path, shed: Shed) -> None:
    """From a disk of another computer: kept as it is for a run that goes on, and told with a sign in the table."""
    names = [b"a.rec", b"b\xe9ta.rec", b"c.rec"]
    folder = tmp_path / "old"
    folder.mkdir()
    for name in names:
        (folder / os.fsdecode(name)).write_bytes(b"x")
    kept = tmp_path / "rows"
    rows = reanalyse(recordings_in(folder), RULES, kept, folder=folder).rows
    assert [os.fsencode(row.recording) for row in rows] == names
    again = reanalyse(recordings_in(folder), RULES, kept, folder=folder)
    assert again.kept == 3 and again.rows == rows, "a run that was stopped goes on"
    assert shed.say("reanalyse", str(folder), "--out", "table.csv").code == 1
    with open("table.csv", encoding="utf-8", newline="") as file:
        assert [row["recording"] for row in csv.DictReader(file)] == ["a.rec", "b\ufffdta.rec", "c.rec"]


@pytest.fixture(scope="module")
def fleet() -> Iterator[Any]:
    """Two workers behind a scheduler, as on other machines."""
    from distributed import LocalCluster

    with LocalCluster(n_workers=2, threads_per_worker=1, processes=False, dashboard_address="127.0.0.1:0") as cluster:
        yield cluster


def test_the_rows_do_not_depend_on_who_made_them(
    folder: Path, alone: list[reanalysis.Row], fleet: Any, tmp_path: Path
) -> None:
    """One worker, two processes, or a scheduler that carries the files to others: the same to the last bit."""
    recordings = [path for path in recordings_in(folder) if path.stem != "night-shed-2"]  # the longest
    those = [row for row in alone if "night-shed-2" not in row.recording]
    two = reanalyse(recordings, RULES, tmp_path / "two", folder=folder, workers=2)
    carried = reanalyse(recordings, RULES, tmp_path / "carried", folder=folder, scheduler=fleet.scheduler_address)
    assert list(two.rows) == those
    assert list(carried.rows) == those and sum(row.state == DONE for row in those) == 2


def test_another_program_on_a_worker_is_refused(
    folder: Path, fleet: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Rows of two programs never stand in one table."""
    monkeypatch.setattr(reanalysis, "_judge_there", _other_program)
    with pytest.raises(ReanalysisError, match="another Emberpail"):
        reanalyse([folder / "rubbish.rec"], RULES, tmp_path / "rows", scheduler=fleet.scheduler_address)


def _other_program(work: Work, rules: Rules) -> tuple[reanalysis.Row, str]:
    return judge(work, rules), "another"


def test_a_recording_that_ends_its_workers_is_a_row() -> None:
    """Dask gives it up after three workers; the others' rows come all the same."""
    dead = SimpleNamespace(status="error", exception=MemoryError)
    row = reanalysis._taken_in(dead, Work("huge.rec", "huge.rec"))
    assert (row.state, row.says) == (DAMAGED, "no worker finished it (MemoryError)")


@pytest.mark.parametrize("ending", ["csv", "parquet"])
def test_the_command_writes_the_table(folder: Path, shed: Shed, ending: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Exit code 1 where a recording could not be judged; nothing but the table is left."""
    monkeypatch.setattr(reanalysis, "judge", _quick)
    out = shed.folder / f"results.{ending}"
    said = shed.say("reanalyse", str(folder), "--out", str(out))
    assert said.code == 1 and "2 could not be judged" in said.words
    if ending == "csv":
        with out.open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
    else:
        import pyarrow.parquet

        rows = pyarrow.parquet.read_table(out).to_pylist()
    assert [(row["recording"], row["state"]) for row in rows] == [
        ("night-shed-1.rec", DONE), ("no-toml.rec", DAMAGED), ("rubbish.rec", DAMAGED),
        ("winter/night-shed-2.rec", DONE), ("winter/night-shed-4.rec", DONE),
    ]  # fmt: skip
    assert float(rows[0]["completeness"]) == 0.5
    assert rows[0]["says"] == ("'=1+1" if ending == "csv" else "=1+1")  # no formula to a spreadsheet
    assert sorted(path.name for path in shed.folder.glob("results*")) == [out.name]


def _quick(work: Work, _: Rules) -> reanalysis.Row:
    bad = work.name in ("rubbish.rec", "no-toml.rec")
    return reanalysis.Row(work.name, DAMAGED if bad else DONE, says="=1+1", completeness=None if bad else 0.5)


def test_what_cannot_be_done_is_one_sentence(folder: Path, shed: Shed) -> None:
    """Each with what is to be mended."""
    out = str(shed.folder / "results.csv")
    assert "no folder" in shed.refused("reanalyse", str(folder / "nowhere"), "--out", out)
    assert ".csv or .parquet" in shed.refused("reanalyse", str(folder), "--out", "results.ods")
    assert "1 to 256" in shed.refused("reanalyse", str(folder), "--out", out, "--workers", "0")
    (shed.folder / "empty").mkdir()
    assert "no recording" in shed.refused("reanalyse", str(shed.folder / "empty"), "--out", out)


def test_whatever_judges_is_part_of_the_program() -> None:
    """Rows of a run before are taken only from the same text of every module that a replay goes through."""
    asked = "import sys, monitor.replay; print(*(name for name in sys.modules if name.startswith('monitor.')))"
    said = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, check=True).stdout
    parts = {name.split(".")[1] for name in said.split()}
    assert "heat" in parts
    assert parts - {one.removesuffix(".py") for one in reanalysis._JUDGING} == {"journal"}  # no replay opens it


def test_a_torn_row_is_json_or_nothing(tmp_path: Path) -> None:
    """Whatever a kill leaves of the file of rows, it is read without a word of complaint."""
    whole = json.dumps(["mark", {"recording": "a.rec", "state": DONE}])
    kept = tmp_path / "rows"
    for cut in range(len(whole)):
        kept.write_text(whole[:cut], encoding="utf-8")
        assert reanalysis._read_kept(kept) == {}
    kept.write_text(whole, encoding="utf-8")
    assert set(reanalysis._read_kept(kept)) == {"a.rec"}
