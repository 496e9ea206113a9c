"""Batch files: the design's example, what people write instead, what cannot be taken, and back."""

from __future__ import annotations

import math
import string
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.domain import INSULATIONS, LOG_KINDS, Batch, LogEntry, OilShare, Recipe, Vessel
from monitor.sources.batch_file import (
    BatchFileError,
    batch_file_text,
    parse_batch,
    read_batch_file,
    write_batch_file,
)

EXAMPLE = """\
[batch]
name = "Quillmarsh 12"
bucket = "shed-2"
started = 2026-03-14T08:10:00+00:00
[recipe]
oils = [{ name = "sunflower", kg = 4.20 }]
koh_kg = 0.850
koh_purity = 0.90
water_kg = 1.30
[vessel]
litres = 25
insulation = "bare"            # bare, blanket or box
[[event]]
at = 2026-03-14T08:10:00+00:00
kind = "poured"
temperature_c = 56             # optional: the mix as it was poured, by any thermometer
[[event]]
at = 2026-03-14T08:20:00+00:00
kind = "blended"
"""
STARTED_S = 1773475800.0  # date -u -d 2026-03-14T08:10 +%s


def with_line(old: str, new: str) -> str:
    assert old in EXAMPLE
    return EXAMPLE.replace(old, new)


def problems(text: str) -> str:
    with pytest.raises(BatchFileError) as error:
        parse_batch(text, "q.toml")
    return str(error.value)


def test_the_example_of_the_format_is_read_in_full() -> None:
    """Every value lands where it belongs, and nothing is odd about it."""
    read = parse_batch(EXAMPLE)
    assert read.batch == Batch(
        "Quillmarsh 12",
        "shed-2",
        STARTED_S,
        Recipe((OilShare("sunflower", 4.2),), 0.85, 0.9, 1.3),
        Vessel(25.0, "bare"),
    )
    assert [(entry.kind, entry.at_s, entry.noted_at_s, entry.temperature_c) for entry in read.log] == [
        ("poured", STARTED_S, STARTED_S, 56.0),
        ("blended", STARTED_S + 600, STARTED_S + 600, None),
    ]
    assert read.warnings == ()


def test_what_nobody_weighed_is_none_never_zero() -> None:
    """Every mass, the purity, the recipe and the vessel may be left out."""
    read = parse_batch('[batch]\nname="q"\nbucket="b"\nstarted=2026-03-14T08:10:00Z\n[recipe]\noils=[{name="olive"}]')
    assert read.batch.recipe == Recipe((OilShare("olive", None),), None, None, None)
    assert read.batch.vessel == Vessel(None, "bare")
    assert read.log == () and read.warnings == ()
    assert parse_batch('[batch]\nname="q"\nbucket="b"\nstarted=0\n').batch.recipe == Recipe()


@pytest.mark.parametrize(
    "started",
    [
        "2026-03-14T08:10:00Z", "2026-03-14T09:10:00+01:00", "2026-03-14 08:10:00", '"2026-03-14T08:10:00+00:00"',
        '"2026-03-14 08:10"', "1773475800", "1773475800.0",
    ],
)  # fmt: skip
def test_a_time_may_be_written_in_any_clear_way(started: str) -> None:
    """TOML date-time with or without offset (then UTC), ISO text, Unix seconds: all the same moment."""
    assert (
        parse_batch(with_line("started = 2026-03-14T08:10:00+00:00", f"started = {started}")).batch.started_s
        == STARTED_S
    )


def test_a_time_without_a_zone_is_taken_as_utc_and_told() -> None:
    """Nobody can see from the file which zone was meant."""
    read = parse_batch(with_line("08:20:00+00:00", "08:20:00"))
    assert read.log[1].at_s == STARTED_S + 600
    assert "line 18" in read.warnings[0] and "UTC" in read.warnings[0]


def test_an_entry_noted_later_keeps_both_times_and_one_noted_before_is_mended() -> None:
    """What is noted late may not be known earlier; nothing can be noted before it happened."""
    late = parse_batch(with_line('kind = "blended"', 'kind = "blended"\nnoted_at = 2026-03-14T09:20:00Z')).log[1]
    assert (late.at_s, late.noted_at_s) == (STARTED_S + 600, STARTED_S + 4200)
    early = parse_batch(with_line('kind = "blended"', 'kind = "blended"\nnoted_at = 2026-03-14T08:00:00Z'))
    assert early.log[1].noted_at_s == early.log[1].at_s == STARTED_S + 600
    assert "noted before it happened" in early.warnings[0]


def test_the_log_stands_in_the_order_it_was_noted() -> None:
    """That is the order in which the tool may know it."""
    read = parse_batch(with_line('kind = "poured"', 'kind = "poured"\nnoted_at = 2026-03-14T11:00:00Z'))
    assert [entry.kind for entry in read.log] == ["blended", "poured"]


def test_purity_in_per_cent_is_understood() -> None:
    """The bag says 90 %."""
    read = parse_batch(with_line("koh_purity = 0.90", "koh_purity = 90"))
    assert read.batch.recipe.koh_purity == 0.9
    assert "per cent" in read.warnings[0]


def test_a_planned_dilution_of_its_own() -> None:
    """In hours; 72 unless told otherwise."""
    read = parse_batch(with_line('bucket = "shed-2"', 'bucket = "shed-2"\nplanned_dilution_h = 48'))
    assert read.batch.planned_dilution_s == 48 * 3600.0
    assert parse_batch(EXAMPLE).batch.planned_dilution_s == 72 * 3600.0


def test_unknown_keys_and_kinds_are_kept_going_and_told() -> None:
    """A file of a later version can be read; a slip in a name does not pass silently."""
    read = parse_batch(
        with_line('kind = "blended"', 'kind = "Danced_round"\ntext = "twice"\nmood = "good"')
        .replace("litres = 25", "litre = 25")
        .replace("[vessel]", "[weather]\nwind = 3\n[vessel]")
    )
    assert (read.log[1].kind, read.log[1].text) == ("note", "Danced_round: twice")
    told = "\n".join(read.warnings)
    assert "mood" in told and "did you mean litres?" in told and "weather" in told and '"Danced_round"' in told


def test_kinds_are_read_with_any_spelling_of_the_hyphen() -> None:
    """lid_off, Lid Off and lid-off are one."""
    for spelling in ("lid_off", "Lid Off", "lid-off"):
        assert parse_batch(with_line("blended", spelling)).log[1].kind == "lid-off"


def test_a_file_without_a_bucket_says_so_and_takes_the_one_it_is_given() -> None:
    """Without it no reading can be told to belong to the batch."""
    text = with_line('bucket = "shed-2"\n', "")
    assert "names no bucket" in problems(text)
    read = parse_batch(text, default_bucket="shed-9")
    assert read.batch.bucket == "shed-9" and "shed-9" in read.warnings[0]


def test_without_a_start_the_pour_is_the_start() -> None:
    """And the warning says so; without either there is nothing to go by."""
    read = parse_batch(with_line("started = 2026-03-14T08:10:00+00:00\n", ""))
    assert read.batch.started_s == STARTED_S and "first entry" in read.warnings[0]
    assert "has no start" in problems('[batch]\nname="q"\nbucket="b"')


@pytest.mark.parametrize(
    ("old", "new", "line", "word"),
    [
        ("koh_kg = 0.850", 'koh_kg = "lots"', 7, "is not a number; write for example koh_kg = 0.850"),
        ("koh_kg = 0.850", "koh_kg = -1", 7, "out of range"),
        ("koh_kg = 0.850", "koh_kg = nan", 7, "out of range"),
        ("koh_kg = 0.850", "koh_kg = true", 7, "is not a number"),
        ("koh_purity = 0.90", "koh_purity = 0.01", 8, "hardly any potash"),
        ('{ name = "sunflower", kg = 4.20 }', "{ kg = 4.20 }", 6, "an oil has no name"),
        ('[{ name = "sunflower", kg = 4.20 }]', "7", 6, "not a list of tables"),
        ('insulation = "bare"', 'insulation = "wool"', 12, '"bare", "blanket", "box"'),
        ("litres = 25", "litres = 0", 11, "holds nothing"),
        ("at = 2026-03-14T08:20:00+00:00", "at = 08:20:00", 18, "is not a time"),
        ("at = 2026-03-14T08:20:00+00:00", 'at = "this morning"', 18, "is not a time"),
        ("at = 2026-03-14T08:20:00+00:00\n", "", 17, "has no time"),
        ("started = 2026-03-14T08:10:00+00:00", "started = 1773475800000", 4, "is not a time"),
        ("litres = 25", "litres 25", 11, "is not TOML"),
    ],
)
def test_each_mistake_is_one_sentence_with_its_line(old: str, new: str, line: int, word: str) -> None:
    """What is wrong, where, and how to mend it."""
    says = problems(with_line(old, new))
    assert says.startswith(f"q.toml, line {line}: ") and word in says and "\n" not in says


def test_all_mistakes_are_told_at_once_in_the_order_of_the_file() -> None:
    """A file is mended once."""
    says = problems(with_line("litres = 25", "litres = 0").replace("koh_kg = 0.850", "koh_kg = -1")).splitlines()
    assert [sentence.split(":")[0] for sentence in says] == ["q.toml, line 7", "q.toml, line 11"]


def test_files_that_cannot_be_read_are_one_sentence(tmp_path: Path) -> None:
    """Missing, a folder, no text, no batch in it."""
    latin = tmp_path / "latin.toml"
    latin.write_bytes(b'[batch]\nname = "K\xf6nig"\n')
    for path, word in ((tmp_path / "none.toml", "There is no batch file"), (tmp_path, "is a folder"),
                       (latin, "line 2: this is not UTF-8")):  # fmt: skip
        with pytest.raises(BatchFileError, match=word):
            read_batch_file(path)
    assert "there is no [batch] table" in problems("")
    bom = tmp_path / "bom.toml"
    bom.write_text(EXAMPLE, encoding="utf-8-sig")
    assert read_batch_file(bom).batch.name == "Quillmarsh 12"


# ---- writing back --------------------------------------------------------------------------------------------------

names = st.text(string.ascii_letters + string.digits + "äß-_.\"\\'#[] ", min_size=1, max_size=20).map(
    lambda text: " ".join(text.split()) or "q"
)
masses = st.none() | st.floats(0.0, 100.0)
times = st.one_of(st.integers(0, 4 * 10**9).map(float), st.floats(0.0, 4e9))


@st.composite
def entries(draw: st.DrawFn) -> LogEntry:
    at_s = draw(times)
    return LogEntry(
        draw(st.sampled_from(LOG_KINDS)), at_s, max(at_s, draw(times)), draw(st.none() | st.floats(-60.0, 300.0)),
        draw(masses), draw(st.just("") | names),
    )  # fmt: skip


@given(
    st.builds(
        Batch, names, names, times,
        st.builds(Recipe, st.lists(st.builds(OilShare, names, masses), max_size=3).map(tuple), masses,
                  st.none() | st.floats(0.05, 1.0), masses),
        st.builds(Vessel, st.none() | st.floats(0.1, 1000.0), st.sampled_from(INSULATIONS)),
        st.integers(1, 24 * 365).map(lambda hours: hours * 3600.0), st.none() | times,
    ),
    st.lists(entries(), max_size=4),
)  # fmt: skip
def test_what_is_written_reads_back_the_same(batch: Batch, log: list[LogEntry]) -> None:
    """Exactly: times to the last bit, so that a replay of an exported batch gives the same events."""
    read = parse_batch(batch_file_text(batch, log))
    assert read.batch == batch and read.warnings == ()
    ordered = sorted(log, key=lambda entry: (entry.noted_at_s, entry.at_s))
    assert list(read.log) == ordered


def test_a_batch_file_is_written_whole_or_not_at_all(tmp_path: Path) -> None:
    """Beside the old one first; a folder that is not there is one sentence."""
    path = tmp_path / "q.toml"
    read = parse_batch(EXAMPLE)
    write_batch_file(path, read.batch, read.log)
    assert read_batch_file(path) == read
    assert [one.name for one in tmp_path.iterdir()] == ["q.toml"]
    assert "+00:00" in path.read_text() and tomllib.loads(path.read_text())["event"][0]["kind"] == "poured"
    with pytest.raises(BatchFileError, match="cannot be written"):
        write_batch_file(tmp_path / "none" / "q.toml", read.batch)


# ---- whatever stands in it -----------------------------------------------------------------------------------------

KEYS = ("batch", "recipe", "vessel", "event", "oils", "name", "bucket", "started", "noted_at", "planned_dilution_h",
        "koh_kg", "koh_purity", "water_kg", "litres", "insulation", "at", "kind", "temperature_c", "kg",
        "text")  # fmt: skip
VALUES = st.sampled_from([
    "0", "-1", "1e400", "nan", "inf", "true", '""', '"x"', '"\\u0000\\n"', "0001-01-01T00:00:00+23:59", "[]", "{}",
    "9999-12-31T23:59:59-23:59", "2026-03-14", "08:10:00", "[[[]]]", "[{}, 1]", '["a", "b"]', "[{ kg = 1 }]", '"0,85"',
    "99999999999999999999999999", '"2026-03-14T08:10:00Z"', "1773475800", '"nan"', "{ name = 3 }",
])  # fmt: skip
lines = st.one_of(
    st.tuples(st.sampled_from(KEYS), VALUES).map(lambda pair: f"{pair[0]} = {pair[1]}"),
    st.sampled_from(KEYS).map(lambda key: f"[{key}]"),
    st.sampled_from(KEYS).map(lambda key: f"[[{key}]]"),
    st.text(max_size=10),
)


@given(st.lists(lines, max_size=14).map("\n".join) | st.lists(st.sampled_from(EXAMPLE.splitlines())).map("\n".join))
def test_whatever_stands_in_the_file_gives_a_batch_or_sentences(text: str) -> None:
    """Never a traceback; what is taken is finite and in range."""
    try:
        read = parse_batch(text)
    except BatchFileError as error:
        assert error.problems and all(sentence.strip() for sentence in error.problems)
        return
    assert math.isfinite(read.batch.started_s) and read.batch.started_s >= 0.0
    for entry in read.log:
        assert entry.kind in LOG_KINDS and 0.0 <= entry.at_s <= entry.noted_at_s


@given(st.sampled_from(KEYS), VALUES)
def test_any_value_in_any_place_gives_a_batch_or_sentences(key: str, value: str) -> None:
    """The example with one value replaced."""
    text = "\n".join(f"{key} = {value}" if line.split(" = ")[0] == key else line for line in EXAMPLE.splitlines())
    try:
        parse_batch(text)
    except BatchFileError as error:
        assert error.problems


def test_deeply_nested_brackets_are_no_traceback() -> None:
    """A file made to break readers."""
    assert "nested" in problems("a = " + "[" * 100_000) or "not TOML" in problems("a = " + "[" * 100_000)


@given(st.binary(max_size=200))
def test_any_bytes_give_a_batch_or_sentences(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    """A picture called NAME.toml."""
    path = tmp_path_factory.mktemp("bytes") / "q.toml"
    path.write_bytes(data)
    with pytest.raises(BatchFileError):
        read_batch_file(path)


def test_whole_numbers_beyond_a_double_are_sentences() -> None:
    """As a time and as a mass; and thousands of digits are no TOML."""
    told = problems(EXAMPLE.replace("0.850", "9" * 400).replace("2026-03-14T08:10:00+00:00", "9" * 320, 1))
    assert "koh_kg" in told and "out of range" in told and "started" in told
    assert "not TOML" in problems("[recipe]\nkoh_kg = " + "9" * 5000)
