"""``record`` and ``batches``: shown, added to, corrected with the old value kept, found again."""

from __future__ import annotations

import re

import pytest

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


def test_an_oil_that_nobody_had_noted_is_added(made: Shed) -> None:
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


# ---- batches -------------------------------------------------------------------------------------------------------


@pytest.fixture
def three(shed: Shed) -> Shed:
    shed.start("Quillmarsh 1", "shed-2")
    shed.ok("record", "Quillmarsh 1", "maker", "Ada")
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
