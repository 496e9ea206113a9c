"""Out of a journal and into an empty one: the same bytes again, for each form, whatever is in the texts."""

from __future__ import annotations

import csv
import json
import sqlite3
import tempfile
from pathlib import Path

import pandas
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.domain import Batch, Event, LogEntry, OilShare, Reading, Recipe, Vessel
from monitor.exchange.moving import export, import_from
from monitor.exchange.tables import ExchangeError
from monitor.journal.database import AlarmRecord, Journal

START_S, NOW_S = 1.767e9, 1.768e9
PATHS = [("csv", "folder"), ("csv", "packed.zip"), ("json", "one.json"), ("sqlite", "one.sqlite")]
_TEXT = st.one_of(
    st.sampled_from(["=1+1", "'=x", "-2", "@a", " +b", 'say "so", then\r\nthis', "naïve 桶", "＝1", "\tx", ""]),
    st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=20),
)
_MASS = st.none() | st.floats(0.0, 9000.0)


def _fill(journal: Journal, names: list[str], text: str, mass: float | None, shown_c: list[float | None]) -> None:
    for i, name in enumerate(names):
        bucket = f"shed-{i}"
        recipe = Recipe((OilShare(text, mass), OilShare("rape", 3.6)), mass, 0.9, None)
        journal.add_batch(Batch(name, bucket, START_S + i, recipe, Vessel(mass, "box"), 259200.0, START_S + 5))
        entry = journal.add_entry(name, LogEntry("note", START_S + 9, START_S + 10.5, None, mass, text), text)
        journal.undo_entry(entry.entry_id, START_S + 20)
        journal.add_detail(name, "remark", text, START_S + 3, "Ada")
        journal.amend_batch(name, Recipe(), Vessel(), START_S + 30)
        values = {"completeness": mass, "causes": {"good": 1.0}, "assumed": [text]}
        journal.add_events([Event("estimate", START_S + 60, bucket, name, values)])
        journal.add_events([Event("alarm", START_S + 90, bucket, name, {"alarm": f"{bucket}/{name}/x/1"})])
        journal.save_alarm(
            AlarmRecord(f"{bucket}/{name}/x/1", "too_hot", bucket, name, "normal", says=text, facts={"t": mass})
        )
    journal.add_readings(
        Reading(f"shed-{b}", "core", START_S + 9.1 * k, START_S + 9.1 * k + 1, value, "ok" if value is not None else "open")
        for k, value in enumerate(shown_c)
        for b in range(len(names))
    )
    journal.end_batch(names[0], START_S + 50, START_S + 51, text)


def _bytes(path: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in path.iterdir()} if path.is_dir() else {"": path.read_bytes()}


@pytest.mark.parametrize(("form", "name"), PATHS)
@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    names=st.lists(_TEXT.filter(bool), min_size=1, max_size=3, unique=True),
    text=_TEXT,
    mass=_MASS,
    shown_c=st.lists(st.none() | st.floats(-40.0, 120.0), max_size=12),
)
def test_export_import_export_gives_the_same_bytes(
    form: str, name: str, names: list[str], text: str, mass: float | None, shown_c: list[float | None]
) -> None:
    """Nothing is lost or altered on the way, and a second import leaves everything alone."""
    with tempfile.TemporaryDirectory() as room:
        first, second = Path(room) / "first" / name, Path(room) / "second" / name
        first.parent.mkdir()
        second.parent.mkdir()
        with Journal(Path(room) / "a.sqlite") as journal:
            _fill(journal, names, text, mass, shown_c)
            export(journal, journal.batches(), form, first, now_s=NOW_S)
        with Journal(Path(room) / "b.sqlite") as journal:
            assert len(import_from(first, journal, now_s=NOW_S).added) == len(names)
            assert len(import_from(first, journal, now_s=NOW_S).alike) == len(names)
            export(journal, journal.batches(), form, second, now_s=NOW_S)
        assert _bytes(first) == _bytes(second)
        assert [p.name for p in first.parent.iterdir()] == [name], "no half-written file remains"


@pytest.fixture
def filled(tmp_path: Path) -> Journal:
    journal = Journal(tmp_path / "journal.sqlite")
    _fill(journal, ["=1+1", "two"], "a,b", 4.2, [50.0, None, 52.5])
    return journal


def test_other_programs_read_the_same(filled: Journal, tmp_path: Path) -> None:
    """Second witnesses: Python's csv, pandas, json and sqlite3 find the journal's readings; no cell is a formula."""
    for form, name in PATHS:
        export(filled, filled.batches(), form, tmp_path / name, now_s=NOW_S)
    with open(tmp_path / "folder" / "readings.csv", encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    kept = [kept.reading for kept in filled.kept_readings()]
    assert sorted(float(row["time_s"]) for row in rows) == sorted(r.time_s for r in kept)
    assert {row["batch"] for row in rows} == {"'=1+1", "two"}
    table = pandas.read_csv(tmp_path / "folder" / "readings.csv")
    assert table["temperature_c"].sum() == pytest.approx(2 * 102.5) and table["temperature_c"].isna().sum() == 2
    assert (pandas.to_datetime(table["time_utc"]).astype("int64") / 1e9).max() == pytest.approx(START_S + 18.2, abs=1e3)
    document = json.loads((tmp_path / "one.json").read_text(encoding="utf-8"))
    assert sum(row[0] == "readings" for row in document["rows"]) == len(kept)
    with sqlite3.connect(tmp_path / "one.sqlite") as db:
        assert db.execute("SELECT count(*) FROM readings").fetchone() == (len(kept),)
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    db.close()


def test_what_cannot_be_taken_leaves_nothing_behind(filled: Journal, tmp_path: Path) -> None:
    """A cut file, a newer version, a time to come and a differing batch are refused; the journal stays empty."""
    good = tmp_path / "good.json"
    export(filled, filled.batches(), "json", good, now_s=NOW_S)
    text = good.read_text(encoding="utf-8")
    with Journal(tmp_path / "other.sqlite") as journal:
        for broken, says in (
            (text[: len(text) // 2], "line"),
            (text.replace('"version":1', '"version":2'), "version 2"),
            (text.replace("52.5", "NaN"), "not JSON"),
        ):
            bad = tmp_path / "bad.json"
            bad.write_text(broken, encoding="utf-8")
            with pytest.raises(ExchangeError, match=says):
                import_from(bad, journal, now_s=NOW_S)
        with pytest.raises(ExchangeError, match="future"):
            import_from(good, journal, now_s=START_S - 1000.0)
        assert journal.batches() == [] and list(journal.kept_readings()) == []
        import_from(good, journal, now_s=NOW_S)
        journal.add_detail("=1+1", "remark", "changed", START_S + 4)
        with pytest.raises(ExchangeError, match="another batch"):
            import_from(good, journal, now_s=NOW_S)
        assert import_from(good, journal, now_s=NOW_S, rename="-b").renamed == {"=1+1": "=1+1-b"}


def test_nothing_is_overwritten_unasked(filled: Journal, tmp_path: Path) -> None:
    """What stands there stays, also the journal itself with force."""
    there = tmp_path / "there.json"
    there.write_text("mine", encoding="utf-8")
    with pytest.raises(ExchangeError, match="there already"):
        export(filled, filled.batches(), "json", there, now_s=NOW_S)
    assert there.read_text(encoding="utf-8") == "mine"
    with pytest.raises(ExchangeError, match="journal itself"):
        export(filled, filled.batches(), "sqlite", filled.path, now_s=NOW_S, force=True)


def test_old_readings_go_before_newer_ones(filled: Journal, tmp_path: Path) -> None:
    """After an import the newest reading is still the last, and asking from an arrival on finds what it should."""
    export(filled, filled.batches(), "csv", tmp_path / "x", now_s=NOW_S)
    with Journal(tmp_path / "other.sqlite") as journal:
        journal.add_readings([Reading("far", "core", START_S + 1e5, START_S + 1e5, 20.0)])
        import_from(tmp_path / "x", journal, now_s=NOW_S)
        assert journal.last_arrival_s() == START_S + 1e5
        assert [r.bucket for r in journal.readings(from_arrival_s=START_S + 9e4)] == ["far"]
        assert journal.latest("far")["core"].reading.temperature_c == 20.0
