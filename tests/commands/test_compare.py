"""``compare``: what it prints, what it writes, and how it says that something is missing."""

from __future__ import annotations

import csv
import re
import sys
from pathlib import Path

import pytest

from monitor.sensing.senml import Decoder
from monitor.sources.batch_file import read_batch_file
from monitor.sources.recording import read_recording

from .conftest import Shed

PAST = Path(__file__).parents[2] / "recordings" / "past-seasons.json"


@pytest.fixture
def year(shed: Shed) -> Shed:
    """The invented year of the allotments."""
    shed.ok("import", str(PAST))
    return shed


def test_every_batch_has_its_line_and_a_group_its_range(year: Shed) -> None:
    """Completeness with its range in each line, the difference with its own."""
    said = year.ok("compare", "--by", "season", "--of", "peak").words
    assert said.count("potash used up about") == said.count("Quillmarsh A") == 12
    assert not re.search(r"used up about \d+ %(?! \()", said)
    assert re.search(r"June to August against December to February \(4 and 5 batches\), peak: \d+ °C more, "
                     r"between [\d.]+ °C and \d+ °C\.", said)  # fmt: skip
    assert "holds 95 of 100" in said and "A range in brackets behind a batch's figure holds 90 of 100." in said
    assert "hint" in said and "March to May: 2 that can be counted" in said


def test_batches_are_chosen_by_name_and_by_filters(year: Shed) -> None:
    """As for ``batches``."""
    found = year.ok("compare", "Quillmarsh A3", "quillmarsh a1", "--json").json["batches"]
    assert [one["batch"] for one in found] == ["Quillmarsh A1", "Quillmarsh A3"], "the oldest first"
    found = year.ok("compare", "--oil", "olive", "--maker", "Ash", "--from", "2025-03", "--json").json["batches"]
    assert [one["batch"] for one in found] == ["Quillmarsh A9", "Quillmarsh A12"]
    assert year.say("compare", "--oil", "coconut").code == 1
    assert "There is no batch or bucket" in year.refused("compare", "Quillmarsh 99")


def test_for_programs_every_figure_comes_with_its_sd(year: Shed) -> None:
    """And the difference with low and high."""
    told = year.ok("compare", "--by", "insulation", "--of", "time-constant", "--json").json
    for one in told["batches"]:
        assert 0.5 < one["completeness"] < 1.0 and one["completeness_sd"] > 0.0
        assert one["cooling_time_constant_s"] > 0.0 and one["cooling_time_constant_sd_s"] > 0.0
        assert one["self_heating_sd_k"] > 0.0
    (one,) = told["difference"]["differences"]
    assert one["group"] == "under a blanket" and 0.0 < one["low"] < one["value"] < one["high"]


def test_csv_parquet_and_report(year: Shed) -> None:
    """The same batches in each; the report loads nothing from anywhere and runs nothing."""
    import pandas as pd

    said = year.ok("compare", "--by", "season", "--csv", "y.csv", "--parquet", "y.parquet", "--report", "y.html")
    assert said.words.count("Written:") == 5
    with open("y.csv", encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    batches, curves = pd.read_parquet("y.parquet"), pd.read_parquet("y-curves.parquet")
    assert [row["batch"] for row in rows] == list(batches["batch"]) and len(rows) == 12
    for row, done in zip(rows, batches["completeness"], strict=True):
        assert float(row["completeness"]) == pytest.approx(done)
    assert str(batches["started"].dtype).endswith("UTC]") and curves["value"].notna().all()
    assert set(curves["quantity"]) == {"core_c", "air_c", "rise_k", "heat_kj_kg", "completeness"}
    assert set(curves.loc[curves["sd"].isna(), "quantity"]) == {"core_c", "air_c", "rise_k"}
    html = Path("y.html").read_text(encoding="utf-8")
    assert html.count('<svg class="chart over"') == 8 and html.count("<tr><th scope=\"row\">") >= 12
    assert "<script" not in html and not re.search(r'(src|href)="(?!/batch/)', html) and "url(" not in html
    assert "behind a batch&#x27;s figure holds 90 of 100" in html
    assert "✗ failed" in html and "against December to February" in html


def test_the_notebooks_function_gives_the_same(year: Shed) -> None:
    """By name or all."""
    from monitor.notebook import frames

    batches, curves = frames(year.journal_path)
    assert len(batches) == 12 and batches["season"].value_counts()["December to February"] == 5
    some, _ = frames(year.journal_path, ["Quillmarsh A3"])
    assert list(some["batch"]) == ["Quillmarsh A3"]
    core = curves[(curves["batch"] == "Quillmarsh A3") & (curves["quantity"] == "core_c")]
    assert core["value"].max() == pytest.approx(float(some["peak_c"].iloc[0]))


def test_without_the_library_the_figures_are_there_all_the_same(year: Shed, monkeypatch: pytest.MonkeyPatch) -> None:
    """One sentence beside them says what to run; CSV needs no library, Parquet does and is refused."""
    for name in [*sys.modules, "statsmodels", "pandas", "pyarrow"]:
        if name.split(".")[0] in ("statsmodels", "pandas", "pyarrow"):
            monkeypatch.setitem(sys.modules, name, None)  # type: ignore[arg-type]
    said = year.ok("compare", "--by", "season", "--csv", "y.csv", "--report", "y.html")
    assert said.words.count("Quillmarsh A") >= 12 and "./emberpail add seasons" in said.complaint
    assert Path("y.csv").exists() and Path("y.html").exists()
    assert "./emberpail add seasons" in year.refused("compare", "--parquet", "y.parquet")
    assert not Path("y.parquet").exists()


def test_what_cannot_be_written_is_said(year: Shed) -> None:
    """And nothing half is left."""
    assert "cannot be written" in year.refused("compare", "--csv", "nowhere/y.csv")
    assert not list(Path().glob("**/*.part"))


def test_a_running_batch_is_marked_and_does_not_count(year: Shed) -> None:
    """Its figures are those of now."""
    year.start("Quillmarsh 30")
    year.feed("shed-2", 71.0, 60.0)
    year.estimate("Quillmarsh 30", "shed-2", cooling_time_constant_s=14000.0, cooling_time_constant_sd_s=2000.0)
    said = year.ok("compare", "Quillmarsh 30").words
    assert "… still running" in said and "potash used up about 62 % (52 to 72) so far" in said
    assert "93 %" not in said, "what is expected by the dilution has not happened"
    (one,) = year.ok("compare", "Quillmarsh 30", "--json", "--csv", "y.csv").json["batches"]
    assert (one["completeness"], one["completeness_at"], one["state"]) == (0.62, "now", "running")
    with open("y.csv", encoding="utf-8", newline="") as file:
        (row,) = csv.DictReader(file)
    assert (float(row["completeness"]), row["completeness_at"]) == (0.62, "now")
    (over,) = year.ok("compare", "Quillmarsh A2", "--json").json["batches"]
    assert over["completeness_at"] == "dilution"
    counts = [group["batches"] for group in year.ok("compare", "--by", "season", "--json").json["difference"]["groups"]]
    assert sum(counts) == 12


def test_anew_a_running_batch_is_told_as_far_as_it_has_come(shed: Shed) -> None:
    """Judged once more it has no last word yet: neither its completeness nor its state is that of the end."""
    entered, decoder = read_batch_file(PAST.with_name("night-shed-1.toml")), Decoder()
    with shed.journal() as journal, journal.transaction():
        journal.add_batch(entered.batch)
        until_s = entered.batch.started_s + 25 * 60.0
        for entry in (one for one in entered.log if one.noted_at_s <= until_s):
            journal.add_entry(entered.batch.name, entry)
        for line in read_recording(PAST.with_name("night-shed-1.rec")):
            if line.note is None and line.arrival_s <= until_s:
                found = decoder.decode(line.data, line.arrival_s, default_bucket=entered.batch.bucket).readings
                journal.add_readings(found)
    (one,) = shed.ok("compare", entered.batch.name, "--anew", "--json").json["batches"]
    assert one["state"] == "running" and one["completeness_at"] == "now" and one["completeness"] < 0.85


def test_recordings_are_compared_as_they_are_and_as_stored_readings(shed: Shed) -> None:
    """Through the same judgement as a replay; no journal is needed. The same lines as a batch of a journal that came
    without estimates are judged alike. Two hours of it will do here."""
    whole, path = PAST.with_name("night-shed-2.rec"), shed.folder / "night.rec"
    path.write_bytes(b"".join(whole.read_bytes().splitlines(keepends=True)[:400]))
    path.with_suffix(".toml").write_bytes(whole.with_suffix(".toml").read_bytes())
    (one,) = shed.ok("compare", str(path), "--json").json["batches"]
    assert one["batch"] == "Quillmarsh 22" and one["state"] == "failed" and one["completeness"] < 0.6
    assert "There is no batch yet" in shed.refused("compare")
    assert "There is no recording" in shed.refused("compare", "not-there.rec")

    entered, decoder = read_batch_file(path.with_suffix(".toml")), Decoder()
    with shed.journal() as journal, journal.transaction():
        journal.add_batch(entered.batch)
        for entry in entered.log:
            journal.add_entry(entered.batch.name, entry)
        for line in (line for line in read_recording(path) if line.note is None):
            last_s = line.arrival_s
            journal.add_readings(decoder.decode(line.data, last_s, default_bucket=entered.batch.bucket).readings)
        journal.end_batch(entered.batch.name, last_s, last_s, "filled")
    (stored,) = shed.ok("compare", "Quillmarsh 22", "--json").json["batches"]
    for figure in ("completeness", "completeness_sd", "self_heating_k", "cooling_time_constant_s"):
        assert stored[figure] == pytest.approx(one[figure], rel=0.02), figure
    assert stored["state"] == "failed" and stored["alarms"] == one["alarms"] and "not_taken" in one["alarms"]


def test_what_if_it_had_a_blanket_in_january(year: Shed) -> None:
    """The air is that of the batches of that month; what is expected and what was read stand side by side; covered it
    keeps its heat, and the cautions stand with it."""
    said = year.ok("compare", "Quillmarsh A2", "--as-if", "blanket", "--in", "jan").words
    assert "under a blanket, poured at 43 °C in air of 3 °C" in said and "mean of 2 batches of yours" in said
    assert re.search(r"8 h so: \d+ °C \(\d+ to \d+\) · as made: \d+ °C \(\d+ to \d+\) · read: \d+ °C", said)
    assert "Never lift or carry a hot bucket" in said
    told = year.ok("compare", "Quillmarsh A2", "--as-if", "blanket", "--in", "1", "--json").json
    made, tried = told["as_made"], told["as_if"]
    place = made["after_blend_s"].index(8 * 3600.0)
    assert made["insulation"] == "bare" and tried["air_from_batches"] == 2
    assert tried["median_c"][place] > made["median_c"][place] + 5.0
    for way in (made, tried):
        rows = list(zip(way["low_c"], way["median_c"], way["high_c"], strict=True))
        assert rows and all(low <= mid <= high for low, mid, high in rows)


_AS_IF = ("compare", "Quillmarsh A2", "--as-if", "blanket", "--air", "15C", "--mix", "55C")


def test_what_if_goes_by_what_the_own_batches_taught(year: Shed) -> None:
    """It runs hotter here than is published, and says on what that rests; not where learning is off."""
    published = year.ok(*_AS_IF, "--json").json["as_if"]
    said = year.ok(*_AS_IF).words
    assert published["learned_from"] is None and "your own earlier batches" not in said
    assert re.search(r"Expected peak \d+ °C \(\d+ to \d+\)", said)
    year.teach("shed-2", 25.0, "blanket")
    learned = year.ok(*_AS_IF, "--json").json["as_if"]
    assert learned["learned_from"] == {"heat": 8, "loss": 8, "pace": 0}
    assert learned["chance_too_hot"] > published["chance_too_hot"] + 0.05
    assert learned["peak_c"][1] > published["peak_c"][1] + 2.0
    assert "Based on 8 of your own earlier batches, 8 of them in shed-2." in year.ok(*_AS_IF).words
    year.settings.write_text(year.settings.read_text() + "[learning]\nenabled = false\n", encoding="utf-8")
    assert year.ok(*_AS_IF, "--json").json["as_if"] == published


def test_the_peak_of_what_if_has_its_range(year: Shed) -> None:
    """Whenever each batch has it: so not below the highest of the times that are shown."""
    way = year.ok(*_AS_IF, "--json").json["as_if"]
    low, middle, high = way["peak_c"]
    assert low < middle < high
    assert (low, middle, high) >= (max(way["low_c"]), max(way["median_c"]), max(way["high_c"]))


def test_what_if_of_a_batch_that_was_not_weighed_is_refused(shed: Shed) -> None:
    """Nothing is made up in its recipe's place."""
    shed.ok("start", "Unweighed", "--bucket", "shed-2", "--oil", "rapeseed 3.6 L", "--unweighed")
    shed.ok("mark", "shed-2", "poured", "--temperature", "50C")
    assert "was weighed" in shed.refused("compare", "Unweighed", "--as-if", "box", "--air", "2C")


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (("--as-if", "blanket"), "Name one batch"), (("A2", "--in", "jan"), "goes with --as-if"),
        (("Quillmarsh A2", "--as-if", "box", "--in", "nov"), "No batch of yours was begun in November"),
        (("Quillmarsh A2", "--as-if", "box", "--in", "brumaire"), "is no month"),
        (("Quillmarsh A2", "--as-if", "box", "--in", "1", "--air", "2C"), "not both"),
        (("Quillmarsh A2", "--as-if", "box", "--air", "warm"), "cannot be read"),
        (("Quillmarsh A2", "--as-if", "box", "--csv", "y.csv"), "does not go with --as-if"),
        (("--hours", "soon"), "no number of hours"),
    ],
)  # fmt: skip
def test_a_slip_of_what_if_is_told_in_one_sentence(year: Shed, options: tuple[str, ...], told: str) -> None:
    """With what to write instead."""
    options = tuple("Quillmarsh A2" if one == "A2" else one for one in options)
    said = year.say("compare", *options)
    assert said.code == 2 and told in said.complaint and said.out == "", said
