"""Out and in again gives the same, in every form; what cannot be taken in leaves nothing behind."""

from __future__ import annotations

import csv
import json
import sqlite3
import zipfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pandas
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.domain import Batch, Event, LogEntry, OilShare, Reading, Recipe, Vessel
from monitor.exchange.carry import FORMS, export_batches, import_batches
from monitor.exchange.rows import ExchangeError
from monitor.journal.database import Act, AlarmRecord, Journal, JournalError, Photo

T0 = 1_773_480_000.0
NOW_S = T0 + 10 * 86400.0
RECIPE = Recipe((OilShare("sunflower", 4.2), OilShare("rapeseed", None)), 0.85, 0.9, 1.3)
BATCH = Batch("Quillmarsh 12", "shed-2", T0, RECIPE, Vessel(25, "blanket"))
# What a spreadsheet or a careless reader trips over.
UGLY = [
    "=1+1", "+44", "-5", "@SUM(A1)", "'quoted'", "  =2", "＝1+1", 'say "so"', "a, b; c", "ñandú łódź 油",
    '=HYPERLINK("x")', "''", "\u2028",
]  # fmt: skip
# Any letter but lone surrogates and control characters, which the commands take out.
LETTERS = st.text(st.characters(exclude_categories=("Cs", "Cc")), min_size=1, max_size=40)


def fill(journal: Journal, batch: Batch = BATCH, text: str = "thin at first", *, end: bool = True) -> None:
    """A batch with something in every table."""
    name, bucket = batch.name, batch.bucket
    journal.add_batch(batch)
    poured = journal.add_entry(name, LogEntry("poured", T0, T0 + 1.25, 56.0), who=text)
    journal.add_entry(name, LogEntry("note", T0 + 60, T0 + 61, text=text))
    journal.undo_entry(poured.entry_id, T0 + 90)
    journal.add_detail(name, "remark", text, T0 + 5)
    journal.add_detail(name, "maker", "Ada", T0 + 6, text)
    journal.add_photo(Photo(name, f"/photos/{text[:20]}.jpg", "ab" * 32, text, T0 + 7, T0 + 8))
    journal.amend_batch(name, replace(RECIPE, koh_kg=0.86), batch.vessel, T0 + 9, text)
    alarm = f"{bucket}/{name}/not_taken/1"
    journal.add_act(Act(alarm, "going", T0 + 10, T0 + 10, text, None, name, bucket))
    journal.save_alarm(AlarmRecord(alarm, "not_taken", bucket, name, "normal", "now", 0.7, T0, T0 + 50, says=text))
    journal.add_events([Event("estimate", T0 + 600, bucket, name, {"completeness": 0.625, "completeness_sd": 0.05})])
    journal.add_readings(
        Reading(bucket, probe, T0 + 10.0 * i, T0 + 10.0 * i + 0.3, *((None, "open") if i == 7 else (20.1 + i, "ok")))
        for i in range(40)
        for probe in ("core", "ambient")
    )
    journal.mark_readings([(bucket, "core", T0 + 30.0, "spike")])
    if end:
        journal.end_batch(name, T0 + 5 * 86400.0, T0 + 5 * 86400.0, "filled")


def contents(path: Path, form: str) -> object:
    """What a file holds, comparable: its bytes, or for SQLite all its rows."""
    if form == "sqlite":
        with Journal(path) as journal:
            names = [record.batch.name for record in journal.batches()]
            return [list(journal.whole_rows(table, names)) for table in ("batches", "entries", "readings", "events")]
    if path.is_dir():
        return {file.name: file.read_bytes() for file in sorted(path.iterdir())}
    return path.read_bytes()


def out(folder: Path, form: str) -> Path:
    return folder / {"csv": "out.zip", "json": "out.json", "sqlite": "out.sqlite"}[form]


@pytest.fixture
def home(tmp_path: Path) -> Iterator[Journal]:
    with Journal(tmp_path / "home.sqlite") as journal:
        fill(journal)
        fill(journal, Batch("Quillmarsh 13", "shed-3", T0 + 100.0, RECIPE), "second")
        yield journal


NAMES = ["Quillmarsh 12", "Quillmarsh 13"]


@pytest.mark.parametrize("form", FORMS)
def test_out_in_and_out_again_is_the_same(home: Journal, tmp_path: Path, form: str) -> None:
    """Through an empty journal nothing is lost and nothing comes in; taken in twice it is there once."""
    first = out(tmp_path, form)
    export_batches(home, NAMES, first, form)
    with Journal(tmp_path / "other.sqlite") as other:
        assert import_batches(other, first, NOW_S).added == NAMES
        assert import_batches(other, first, NOW_S).known == NAMES
        second = first.with_name(f"again{first.suffix}")
        export_batches(other, NAMES, second, form)
        assert other.details("Quillmarsh 12")["maker"].value == "Ada"
        assert other.recipe_now("Quillmarsh 12")[0].koh_kg == 0.86
        assert len(list(other.readings("shed-2"))) == 80
        assert other.latest("shed-2")["core"].reading.temperature_c == pytest.approx(59.1)
    assert contents(first, form) == contents(second, form)


@pytest.mark.parametrize("form", FORMS)
@settings(max_examples=25, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(text=st.one_of(st.sampled_from(UGLY), LETTERS))
def test_any_text_survives(tmp_path_factory: pytest.TempPathFactory, form: str, text: str) -> None:
    """Formulas, quotes, commas and foreign letters come back as they were."""
    folder = tmp_path_factory.mktemp("any")
    with Journal(folder / "home.sqlite") as journal, Journal(folder / "other.sqlite") as other:
        fill(journal, text=text)
        export_batches(journal, [BATCH.name], out(folder, form), form)
        import_batches(other, out(folder, form), NOW_S)
        assert [logged.who for logged in other.log(BATCH.name)] == [text, ""]
        assert other.entries(BATCH.name)[0].text == text
        assert other.photos(BATCH.name) == journal.photos(BATCH.name)


def test_no_cell_of_a_table_is_a_formula(home: Journal, tmp_path: Path) -> None:
    """Whatever somebody wrote as a remark, a spreadsheet carries nothing out."""
    fill(home, Batch("=cmd()", "shed-9", T0, RECIPE), "=1+1")
    export_batches(home, ["=cmd()"], tmp_path / "tables", "csv")
    for file in (tmp_path / "tables").iterdir():
        with file.open(encoding="utf-8", newline="") as lines:
            for cells in csv.reader(lines):
                for cell in cells:
                    assert not cell.startswith(("=", "+", "@")) or cell.lstrip("+-").replace(".", "").isdigit()


def test_other_programs_read_what_is_written(home: Journal, tmp_path: Path) -> None:
    """Second witnesses: pandas reads the CSV, Python's json the JSON, plain sqlite3 the SQLite file."""
    for form in FORMS:
        export_batches(home, NAMES, out(tmp_path, form), form)
    with zipfile.ZipFile(out(tmp_path, "csv")) as archive, archive.open("readings.csv") as file:
        frame = pandas.read_csv(file)
    assert len(frame) == 160 and frame["temperature_c"].max() == pytest.approx(59.1)
    assert next(iter(frame["time_utc"])).endswith("Z")
    document = json.loads(out(tmp_path, "json").read_text(encoding="utf-8"))
    assert [row["name"] for row in document["batches"]] == NAMES and len(document["readings"]) == 160
    plain = sqlite3.connect(out(tmp_path, "sqlite"))
    assert plain.execute("SELECT count(*) FROM readings").fetchone() == (160,)
    assert plain.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert plain.execute("SELECT count(*) FROM outbox").fetchone() == (0,)
    plain.close()


def test_json_that_another_program_wrote_anew_is_read_too(home: Journal, tmp_path: Path) -> None:
    """Layout does not matter, only what it says."""
    export_batches(home, NAMES, out(tmp_path, "json"), "json")
    anew = tmp_path / "anew.json"
    document = json.loads(out(tmp_path, "json").read_text(encoding="utf-8"))
    anew.write_text(json.dumps(document, indent=3), encoding="utf-8")
    with Journal(tmp_path / "other.sqlite") as other:
        assert import_batches(other, anew, NOW_S).added == NAMES


def test_one_of_the_same_name_that_differs_is_refused_or_renamed(home: Journal, tmp_path: Path) -> None:
    """Refused, nothing is taken in, the other batch neither; renamed, it stands beside the first, whole."""
    export_batches(home, NAMES, out(tmp_path, "json"), "json")
    with Journal(tmp_path / "other.sqlite") as other:
        fill(other, text="another story")
        with pytest.raises(ExchangeError, match="differs"):
            import_batches(other, out(tmp_path, "json"), NOW_S)
        assert [record.batch.name for record in other.batches()] == ["Quillmarsh 12"]
        taken = import_batches(other, out(tmp_path, "json"), NOW_S, rename="-2")
        assert taken.added == ["Quillmarsh 12-2", "Quillmarsh 13"]
        assert [entry.text for entry in other.entries("Quillmarsh 12-2")] == ["thin at first"]
        assert [entry.text for entry in other.entries("Quillmarsh 12")] == ["another story"]
        assert other.events("Quillmarsh 12-2")[0].batch == "Quillmarsh 12-2"


def test_a_running_batch_comes_only_into_a_free_bucket(tmp_path: Path) -> None:
    """Two batches in one bucket is one too many; into a free one it comes, and a watch learns of it."""
    with Journal(tmp_path / "home.sqlite") as home, Journal(tmp_path / "other.sqlite") as other:
        fill(home, end=False)
        export_batches(home, [BATCH.name], out(tmp_path, "csv"), "csv")
        other.add_batch(Batch("In the way", "shed-2", T0, RECIPE))
        with pytest.raises(ExchangeError, match='In the way'):
            import_batches(other, out(tmp_path, "csv"), NOW_S)
        other.end_batch("In the way", T0 + 9.0, T0 + 9.0)
        import_batches(other, out(tmp_path, "csv"), NOW_S)
        assert other.batch_in("shed-2") == home.batch_in("shed-2")
        assert other.changes_since(0)[0][-1].what == "batch-started"


def test_an_old_batch_taken_in_leaves_the_order_of_arrival_of_a_running_one(tmp_path: Path) -> None:
    """A watch that starts again rebuilds the running batch from the readings by their arrival: all are found."""
    with Journal(tmp_path / "home.sqlite") as old, Journal(tmp_path / "shed.sqlite") as shed:
        fill(old, Batch("Quillmarsh 1", "shed-9", T0, RECIPE))
        export_batches(old, ["Quillmarsh 1"], out(tmp_path, "json"), "json")
        later_s = T0 + 86400.0
        shed.add_batch(Batch("Quillmarsh 2", "shed-2", later_s, RECIPE))
        shed.add_readings(
            Reading("shed-2", probe, later_s + 10.0 * i, later_s + 10.0 * i + 0.5, 60.0)
            for i in range(100)
            for probe in ("core", "ambient")
        )
        before = list(shed.readings("shed-2", from_arrival_s=later_s)), shed.last_arrival_s()
        import_batches(shed, out(tmp_path, "json"), NOW_S)
        assert (list(shed.readings("shed-2", from_arrival_s=later_s)), shed.last_arrival_s()) == before
        arrivals = [reading.arrival_s for reading in shed.readings()]
        assert arrivals == sorted(arrivals) and len(arrivals) == 280
        assert shed.latest("shed-2")["core"].reading.time_s == later_s + 990.0
        assert shed.latest("shed-9")["core"].reading.time_s == T0 + 390.0


def test_another_reading_at_the_same_time_is_refused_and_not_passed_over(tmp_path: Path) -> None:
    """Two buckets of one name in two sheds: nothing is mixed, nothing lost in silence."""
    with Journal(tmp_path / "home.sqlite") as home, Journal(tmp_path / "shed.sqlite") as shed:
        fill(home)
        export_batches(home, [BATCH.name], out(tmp_path, "json"), "json")
        shed.add_readings([Reading("shed-2", "core", T0 + 100.0, T0 + 100.5, 99.0)])
        with pytest.raises(JournalError, match="another reading"):
            import_batches(shed, out(tmp_path, "json"), NOW_S)
        assert shed.batches() == [] and len(list(shed.readings())) == 1


def test_what_is_there_is_not_overwritten_and_no_half_remains(home: Journal, tmp_path: Path) -> None:
    """Without force the old file stays; after a failure there is no .part."""
    target = out(tmp_path, "json")
    target.write_text("mine", encoding="utf-8")
    with pytest.raises(ExchangeError, match="is there already"):
        export_batches(home, NAMES, target, "json")
    assert target.read_text(encoding="utf-8") == "mine"
    export_batches(home, NAMES, target, "json", force=True)
    with pytest.raises(ExchangeError, match="cannot be written"):
        export_batches(home, NAMES, tmp_path / "no such folder" / "x.json", "json")
    assert not [path for path in tmp_path.iterdir() if ".part" in path.name]


def damaged(text: str, kind: str) -> str:
    """The JSON document with one thing wrong in it."""
    return {
        "cut": text[: len(text) // 2],
        "no json": text.replace('{"name":"Quillmarsh 13"', '{"name":Quillmarsh', 1),
        "future": text.replace(f'"started_s":{T0 + 100.0}', '"started_s":9999999999.0', 1),
        "kind": text.replace('"kind":"poured"', '"kind":"exploded"', 1),
        "number": text.replace('"temperature_c":56.0', '"temperature_c":"hot"', 1),
        "recipe": text.replace('\\"koh_kg\\":0.85', '\\"koh_kg\\":\\"much\\"', 1),
        "newer": text.replace('"version":1', '"version":2', 1),
        "column": text.replace('"bucket":"shed-3",', "", 1),
        "long": text.replace('"thin at first"', f'"{"x" * 20_000}"', 1),
        "nothing": "",
        "other": '{"format":"something else"}',
    }[kind]


@pytest.mark.parametrize(
    ("kind", "says"),
    [
        ("cut", "ends in the middle|no row of JSON"), ("no json", "line 4"), ("future", "lies in the future"),
        ("kind", "exploded"), ("number", "is not a number"), ("recipe", "no recipe"), ("newer", "newer Emberpail"),
        ("column", "has no bucket"), ("long", "too long"), ("nothing", "not JSON"), ("other", "no export of Emberpail"),
    ],
)  # fmt: skip
def test_a_damaged_file_gets_one_sentence_and_nothing_is_taken_in(
    home: Journal, tmp_path: Path, kind: str, says: str
) -> None:
    """The sentence names the file and the line, as far as there is one."""
    export_batches(home, NAMES, out(tmp_path, "json"), "json")
    text = out(tmp_path, "json").read_text(encoding="utf-8")
    bad = tmp_path / "bad.json"
    bad.write_text(damaged(text, kind), encoding="utf-8")
    assert bad.read_text(encoding="utf-8") != text
    with Journal(tmp_path / "other.sqlite") as other:
        with pytest.raises(ExchangeError, match=says) as refused:
            import_batches(other, bad, NOW_S)
        assert "bad.json" in str(refused.value) and "\n" not in str(refused.value)
        assert other.batches() == [] and list(other.readings()) == []


def test_files_that_are_no_export_are_refused(tmp_path: Path) -> None:
    """A missing file, an empty folder, a torn zip, a foreign database."""
    (tmp_path / "empty").mkdir()
    (tmp_path / "torn.zip").write_bytes(b"PK\x03\x04torn")
    foreign = sqlite3.connect(tmp_path / "foreign.sqlite")
    foreign.execute("CREATE TABLE songs (name TEXT)")
    foreign.commit()
    foreign.close()
    with Journal(tmp_path / "other.sqlite") as other:
        for name in ("missing.json", "empty", "torn.zip", "foreign.sqlite"):
            with pytest.raises((ExchangeError, JournalError)):
                import_batches(other, tmp_path / name, NOW_S)
