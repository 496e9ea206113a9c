"""``record`` and ``batches``: shown, added to, corrected with the old value kept, found again."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from monitor.trade.oils import find_oil
from tests.commands.conftest import Shed

NAME = "Quillmarsh 12"


@pytest.fixture
def made(shed: Shed) -> Shed:
    """A batch that runs."""
    shed.start(NAME)
    shed.ok("mark", "shed-2", "poured", "--temperature", "56C")
    return shed


def test_what_is_noted_is_shown_and_a_correction_keeps_the_old_value(made: Shed) -> None:
    """The newest stands; the older one stands under what was corrected."""
    made.ok("record", NAME, "potash-lot", "K-17", "--who", "Ada")
    said = made.ok("record", "shed-2", "potash lot", "K-71").words
    assert "potash is K-71 now; it was K-17" in said
    shown = made.ok("record", NAME).words
    assert "lot of the potash: K-71" in shown
    assert "before: K-17, until it was corrected" in shown
    assert "free alkali: not tested" in shown
    made.ok("record", NAME, "potash-lot", "-")
    assert "lot of the potash: K-71" not in made.ok("record", NAME).words


def test_remarks_stand_beside_each_other(made: Shed) -> None:
    """One remark does not take the place of another."""
    for text in ("thin at first", "bucket moved to the north wall"):
        made.ok("record", NAME, "remark", text)
    shown = made.ok("record", NAME).words
    assert "thin at first" in shown and "north wall" in shown and "was: thin" not in shown


@pytest.mark.parametrize(
    ("field", "value", "now", "before"),
    [
        ("koh", "860g", "0.860 kg", "0.850 kg"),
        ("water", "1.4 kg", "first water: 1.400 kg", "1.300 kg"),
        ("purity", "88%", "88 %", "90 %"),
        ("oil", "sunflower 4.3 kg", "4.300 kg", "4.200 kg"),
        ("litres", "30L", "30 L", "25 L"),
        ("insulation", "box", "box", "blanket"),
    ],
)  # fmt: skip
def test_a_weight_is_corrected_and_the_old_one_is_told(
    made: Shed, field: str, value: str, now: str, before: str
) -> None:
    """It counts from now on; the batch as entered is still there."""
    said = made.ok("record", NAME, field, value).words
    assert "It counts from now on" in said and before in said.partition("it was ")[2]
    shown = made.ok("record", NAME).words
    assert now in shown
    if field in ("koh", "water", "purity", "oil"):
        assert f"before: {before}, until it was corrected" in shown or before in shown.partition("before: ")[2]
    with made.journal() as journal:
        record = journal.batch(NAME)
        assert record is not None and record.batch.recipe.koh_kg == 0.85
        assert len(journal.amendments(NAME)) == 1


def test_an_oil_that_nobody_had_noted_is_added_by_writing_all(made: Shed) -> None:
    """All the oils are written then, so that no slip of a name adds one."""
    assert "No \"coconut oil\" stands in this recipe" in made.refused("record", NAME, "oil", "coconut 200 g")
    made.ok("record", NAME, "oil", "sunflower 4.2 kg; coconut 200 g")
    with made.journal() as journal:
        assert [round(oil.kg or 0.0, 3) for oil in journal.recipe_now(NAME)[0].oils] == [4.2, 0.2]


def test_which_water_is_a_detail_and_how_much_a_weight(made: Shed) -> None:
    """An amount corrects the recipe; words say what water it was."""
    made.ok("record", NAME, "water", "rain barrel, north side")
    with made.journal() as journal:
        assert journal.amendments(NAME) == []
        assert journal.details(NAME)["water"].value == "rain barrel, north side"


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("yield-kg", "-3 kg"), "below nothing"),
        (("yield-kg", "9000 kg"), "200 kg is allowed"),
        (("free-alkali-percent", "900 %"), "between 0 and 20 % is allowed"),
        (("potash-opened", "2999-01"), "is allowed"),
        (("colour", "green"), 'no field "colour"'),
        (("koh", "-1 kg"), "below nothing"),
        (("koh", "2 kg"), "lye-heavy beyond doubt"),
        (("purity", "900 %"), "between 50 and 100 %"),
        (("oil", "unicorn 3 kg"), "unicorn"),
        (("oil", "coconut 3 L"), "coconut"),
        (("insulation", "wool"), "bare, blanket, box"),
        (("photo", "nowhere.jpg"), "cannot be read"),
        (("photo", "."), "is a folder"),
        (("maker",), "Say what to note"),
    ],
)
def test_what_cannot_be_gets_one_sentence_and_nothing_is_kept(
    made: Shed, arguments: tuple[str, ...], says: str
) -> None:
    """The field and the allowed range are named."""
    assert says in made.refused("record", NAME, *arguments)
    with made.journal() as journal:
        assert not journal.detail_history(NAME) and not journal.amendments(NAME) and not journal.photos(NAME)


def test_a_lye_heavy_correction_is_kept_with_its_reason(made: Shed) -> None:
    """Weights are what the scale showed; the reason is in the record."""
    made.ok("record", NAME, "koh", "1.2 kg", "--anyway", "the scale was in pounds")
    assert "the scale was in pounds" in made.ok("record", NAME).words


def test_a_photograph_is_known_by_its_hash_and_copied_on_wish(made: Shed) -> None:
    """Without a wish the file is left where it lies; with one a copy stands beside the journal."""
    picture = made.folder / "cut.JPG"
    picture.write_bytes(b"not really a picture")
    made.ok("record", NAME, "photo", "cut.JPG", "--caption", "cut on day three")
    with made.journal() as journal:
        (photo,) = journal.photos(NAME)
    assert photo.path == str(picture.absolute()) and photo.caption == "cut on day three"
    made.ok("record", NAME, "photo", "cut.JPG", "--keep-copy")
    (copy,) = made.folder.glob(f"*/{photo.sha256}.jpg")
    assert copy.read_bytes() == picture.read_bytes()
    with made.journal() as journal:
        assert len(journal.photos(NAME)) == 1  # the same photograph is there once
    assert "cut on day three" in made.ok("record", NAME).words


def test_the_record_shows_log_and_what_was_taken_back(made: Shed) -> None:
    """An entry that was taken back is still in the record, and says so."""
    made.ok("mark", "shed-2", "lid-off")
    made.ok("mark", "shed-2", "--undo")
    shown = made.ok("record", NAME).words
    assert "poured, 56 °C" in shown and re.search("TAKEN BACK [^:]+:[0-9]+: lid-off", shown)


def test_how_far_it_went_stands_with_its_range_and_never_alone(made: Shed) -> None:
    """Beside the share stands that only a test tells what potash is left."""
    made.estimate(NAME, "shed-2")
    shown = made.ok("record", NAME).words
    assert "By the dilution: about 93 % (88 to 98)" in shown and "only a test for free alkali tells" in shown
    assert "Not for skin until it has been tested" in shown


def test_an_ended_batch_keeps_its_record(made: Shed) -> None:
    """It is found by its name, and by its bucket until the next one; a correction no longer counts for the watch."""
    made.ok("end", "shed-2")
    assert "It counts from now on" not in made.ok("record", NAME, "koh", "860g").words
    assert "filled" in made.ok("record", "shed-2").words


def test_json_holds_history_and_si_units(made: Shed) -> None:
    """For programs: what stands, and all that stood."""
    made.ok("record", NAME, "yield-litres", "6 US gal")
    made.ok("record", NAME, "yield-litres", "24 L")
    values = made.ok("record", NAME, "--json").json
    assert values["details"] == {"yield_litres": "24"}
    assert [one["value"] for one in values["history"]] == ["22.7125", "24"]
    assert values["recipe_now"]["koh_kg"] == 0.85 and values["cautions"]


@pytest.mark.parametrize(
    ("typed", "kept"),
    [
        ("only rapeseed 4.2 kg", [("rapeseed oil, low erucic", 4.2)]),
        ("sunflower 3 kg; coconut 1 kg", [("sunflower oil", 3.0), ("coconut oil", 1.0)]),
    ],
)
def test_the_oils_are_put_right_as_a_whole(made: Shed, typed: str, kept: list[tuple[str, float]]) -> None:
    """Another oil instead, or a second one: both are said in so many words."""
    made.ok("record", NAME, "oil", typed)
    with made.journal() as journal:
        oils = journal.recipe_now(NAME)[0].oils
    assert [(find_oil(oil.name).name, oil.kg) for oil in oils] == [(find_oil(name).name, kg) for name, kg in kept]


@pytest.mark.parametrize("typed", [("potash-lot", "K-17"), ("remark", "thin"), ("koh", "860g"), ("yield", "24 L")])
def test_the_same_again_is_written_once(made: Shed, typed: tuple[str, str]) -> None:
    """A command given twice, as after a lost connection, leaves one row and says that it stands so."""
    made.ok("record", NAME, *typed)
    assert "stands so already" in made.ok("record", NAME, *typed).words
    with made.journal() as journal:
        assert len(journal.detail_history(NAME)) + len(journal.amendments(NAME)) == 1


def test_a_remark_taken_back_leaves_the_one_before(made: Shed) -> None:
    """The last one goes; it is still shown, as taken back."""
    made.ok("record", NAME, "remark", "thin at first")
    made.ok("record", NAME, "remark", "of another bucket")
    made.ok("record", NAME, "remark", "-")
    assert made.ok("record", NAME, "--json").json["remarks"] == ["thin at first"]
    assert "TAKEN BACK: of another bucket" in made.ok("record", NAME).words


def test_a_lye_heavy_slip_is_told_what_to_look_at(made: Shed) -> None:
    """What is in the bucket cannot be weighed less: the sentence asks for scale and decimal point instead."""
    said = made.refused("record", NAME, "koh", "1.2 kg")
    assert "decimal point; nothing was changed" in said and "--anyway" in said and "less potash" not in said


def test_the_age_of_the_bag_counts_when_a_weight_is_put_right(made: Shed) -> None:
    """Potash from a bag that has drawn water for years is weaker than it says."""
    assert "lye-heavy beyond doubt" in made.refused("record", NAME, "koh", "970 g")
    made.ok("record", NAME, "potash-opened", "2 years")
    made.ok("record", NAME, "koh", "970 g")


def test_a_photograph_is_taken_off_again_and_its_file_stays(made: Shed) -> None:
    """By its path or its name."""
    (made.folder / "cut.jpg").write_bytes(b"x")
    made.ok("record", NAME, "photo", "cut.jpg")
    assert "stays where it is" in made.ok("record", NAME, "photo", "cut.jpg", "--undo").words
    assert "has no photograph" in made.refused("record", NAME, "photo", "cut.jpg", "--undo")
    assert (made.folder / "cut.jpg").exists() and "cut.jpg" not in made.ok("record", NAME).words


def test_an_empty_photograph_and_a_copy_that_cannot_be_are_refused(made: Shed) -> None:
    """Nothing is noted, and no half copy is left."""
    (made.folder / "empty.jpg").touch()
    assert "is empty" in made.refused("record", NAME, "photo", "empty.jpg")
    (made.folder / "cut.jpg").write_bytes(b"x")
    (made.folder / "photos").write_text("a file where the folder should be")
    assert "cannot be copied" in made.refused("record", NAME, "photo", "cut.jpg", "--keep-copy")
    with made.journal() as journal:
        assert not journal.photos(NAME)


def test_a_photograph_whose_file_went_away_says_so(made: Shed) -> None:
    """Unless a copy is kept."""
    for name in ("cut", "tray"):
        (made.folder / f"{name}.jpg").write_text(name)
    made.ok("record", NAME, "photo", "cut.jpg")
    made.ok("record", NAME, "photo", "tray.jpg", "--keep-copy")
    for name in ("cut", "tray"):
        (made.folder / f"{name}.jpg").unlink()
    shown = made.ok("record", NAME).words
    assert "cut.jpg (the file is no longer there)" in shown
    assert "a copy is kept" in shown and "tray.jpg (the file" not in shown


@pytest.mark.parametrize(
    "arguments", [("maker", "Ada", "--caption", "x"), ("koh", "860g", "--keep-copy"), ("maker", "Ada", "--anyway", "x")]
)
def test_an_option_that_would_be_passed_over_is_refused(made: Shed, arguments: tuple[str, ...]) -> None:
    """It is most likely a slip."""
    assert "goes with" in made.refused("record", NAME, *arguments)


def test_the_record_speaks_us_units_and_its_json_metric(made: Shed) -> None:
    """As the place has it; a program reads SI."""
    made.settings.write_text(made.settings.read_text().replace("[journal]", 'units = "us"\n[journal]', 1))
    made.ok("record", NAME, "yield", "6 US gal")
    shown = made.ok("record", NAME).words
    assert "sunflower oil 9 lb 4.2 oz" in shown and "6.0 US gal" in shown and " kg" not in shown
    assert made.ok("record", NAME, "--json").json["details"]["yield_litres"] == "22.7125"


def test_a_batch_is_found_by_its_number_and_without_its_capitals(made: Shed) -> None:
    """Whatever stands on the can."""
    made.ok("record", NAME, "number", "26-12")
    assert "26-12" in made.ok("record", "26-12").words
    assert NAME in made.ok("record", "quillmarsh 12").words


def test_two_processes_write_the_record_of_one_batch(made: Shed) -> None:
    """None loses what the other wrote, and what both wrote is there once."""
    writer = "import sys; from monitor.cli import main; sys.exit(max(main(sys.argv[1:4] + [t]) for t in sys.argv[4:]))"
    texts = [[*(f"{who} {number}" for number in range(6)), "seen by both"] for who in ("Ada", "Ben")]
    processes = [
        subprocess.Popen([sys.executable, "-c", writer, "record", NAME, "containers", *mine], cwd=made.folder,
                         stdout=subprocess.DEVNULL, env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])})
        for mine in texts
    ]  # fmt: skip
    assert [process.wait(60) for process in processes] == [0, 0]
    with made.journal() as journal:
        kept = [detail.value for detail in journal.detail_history(NAME)]
        assert {text for mine in texts for text in mine} == set(kept)
        assert journal.details(NAME)["containers"].value == "seen by both"
        assert len(kept) in (13, 14), "14 where another value stood between the two"


# ---- batches -------------------------------------------------------------------------------------------------------


@pytest.fixture
def three(shed: Shed) -> Shed:
    shed.start("Quillmarsh 1", "shed-2")
    shed.ok("record", "Quillmarsh 1", "maker", "Ada")
    shed.ok("record", "Quillmarsh 1", "potash-lot", "K-71")
    shed.ok("end", "shed-2")
    shed.start("Quillmarsh 2", "shed-2")
    shed.ok("record", "Quillmarsh 2", "remark", "blended with the slow drill")
    shed.ok("end", "shed-2", "--outcome", "held")
    shed.start("Quillmarsh 3", "shed-3")
    return shed


@pytest.mark.parametrize(
    ("arguments", "names"),
    [
        ((), ["Quillmarsh 3", "Quillmarsh 2", "Quillmarsh 1"]),
        (("ADA",), ["Quillmarsh 1"]),
        (("slow", "drill"), ["Quillmarsh 2"]),
        (("sunflower", "shed-3"), ["Quillmarsh 3"]),
        (("--outcome", "held"), ["Quillmarsh 2"]),
        (("--outcome", "running"), ["Quillmarsh 3"]),
        (("--oil", "sunflower seed oil"), ["Quillmarsh 3", "Quillmarsh 2", "Quillmarsh 1"]),
        (("--maker", "ad"), ["Quillmarsh 1"]),
        (("--lot", "k-7", "--outcome", "filled"), ["Quillmarsh 1"]),
        (("--from", "today"), ["Quillmarsh 3", "Quillmarsh 2", "Quillmarsh 1"]),
    ],
)
def test_batches_are_found_by_what_stands_in_their_record(
    three: Shed, arguments: tuple[str, ...], names: list[str]
) -> None:
    """Newest first; every word must be found somewhere."""
    assert [one["batch"] for one in three.ok("batches", *arguments, "--json").json] == names


def test_none_that_fits_is_told_so(three: Shed) -> None:
    """The answer is no: exit code 1 and a sentence."""
    said = three.say("batches", "coconut")
    assert (said.code, said.words) == (1, "No batch fits.")
    assert three.say("batches", "--to", "2020-01").code in (1, 2)


def test_a_batch_nobody_knows_is_named_with_what_there_is(three: Shed) -> None:
    """The sentence names the newest and the way to all of them."""
    assert "the newest are Quillmarsh 3, Quillmarsh 2" in three.refused("record", "Quillmash 9")


@pytest.mark.parametrize("columns", ["30", "60"])
def test_a_narrow_terminal_is_kept_to(three: Shed, monkeypatch: pytest.MonkeyPatch, columns: str) -> None:
    """One batch may take two lines there; no line runs over."""
    monkeypatch.setenv("COLUMNS", columns)
    for said in (three.ok("batches"), three.ok("record", "Quillmarsh 1")):
        assert max(map(len, said.out.splitlines())) <= int(columns)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--from", "03/04/2026"), "in two ways"),
        (("--from", "soon"), "is no day of the last years"),
        (("--to", "2999-01-01"), "is no day of the last years"),
        (("--from", "2026-05", "--to", "2026-04"), "lies before --from"),
    ],
)
def test_days_that_cannot_be_get_one_sentence(three: Shed, arguments: tuple[str, ...], words: str) -> None:
    """With the way to write them."""
    assert words in three.refused("batches", *arguments)


def test_a_noted_test_stands_among_the_checks(made: Shed) -> None:
    """Whether free alkali was tested for is the check that matters most before any use."""
    assert "Test for free alkali: not noted" in made.ok("record", NAME).words
    made.ok("mark", "shed-2", "tested")
    assert "Test for free alkali: not noted" not in made.ok("record", NAME).words
