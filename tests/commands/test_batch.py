"""``start``, ``mark`` and ``end``."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from monitor.domain import LOG_KINDS
from tests.commands.conftest import RECIPE, Shed, assert_one_sentence

# ---- start ----


def test_a_batch_is_started_as_typed(shed: Shed) -> None:
    """Recipe as weighed; litres and insulation from the bucket's settings."""
    before_s = time.time()
    said = shed.start("Quillmarsh 12", "shed-2", "--at", "10 min ago", "--dilute-after", "48h")
    with shed.journal() as journal:
        batch = journal.running_batches()[0]
    assert (batch.name, batch.bucket) == ("Quillmarsh 12", "shed-2")
    assert batch.started_s == pytest.approx(before_s - 600.0, abs=5.0)
    assert batch.noted_at_s == pytest.approx(before_s, abs=5.0), "it counts from when it was noted"
    assert (batch.recipe.koh_kg, batch.recipe.koh_purity, batch.recipe.water_kg) == (0.85, 0.9, 1.3)
    assert batch.recipe.oils[0].kg == 4.2
    assert (batch.vessel.litres, batch.vessel.insulation) == (25.0, "blanket")
    assert batch.planned_dilution_s == 48 * 3600.0
    assert "25 L bucket" in said.words and "oil to spare" in said.words
    assert "poured --temperature 56C" in said.words


def test_the_cautions_stand_first(shed: Shed) -> None:
    """All of what the trade asks for at lye, pour and blend, each once, before a word of success."""
    words = shed.start().words
    before, _, after = words.partition("Quillmarsh 12 started in shed-2")
    for must in ("potassium hydroxide, KOH", "Not caustic soda", "purity as printed", "High-erucic",
                 "All the water first", "Never pour water onto solid potash", "small portions", "loosely",
                 "steam must get out",
                 "far edge", "Visor", "at most half full", "under the surface", "residual-current", "aluminium",
                 "hydrogen", "Never lift", "tray", "children", "clean water", "up to 30 minutes", "112",
                 "no vinegar", "not bring on vomiting", "sand", "drain", "Not for skin",
                 "safety data sheet"):  # fmt: skip
        assert must in before, must
    assert before.count("All the water first") == 1, "said once, or nobody reads it"
    assert "No phone is set" in after


def test_which_rapeseed_is_asked(shed: Shed) -> None:
    """High-erucic oil needs much less lye; the bottle tells."""
    recipe = ("--oil", "rapeseed 3.6 L", "--koh", "640g", "--purity", "90%", "--water", "1 kg")
    assert "Is it rapeseed for the kitchen?" in shed.ok("start", "R", "--bucket", "shed-2", *recipe).words
    assert "kitchen?" not in shed.start("S", "shed-3").words


def test_what_was_not_noted_is_told(shed: Shed) -> None:
    """A purity and a water that nobody gave are guessed, and named."""
    words = shed.ok("start", "A", "--bucket", "cellar", "--oil", "sunflower 4.2 kg", "--koh", "850 g").words
    assert "90 % is taken" in words and "water was not weighed" in words and "litres are not known" in words


def test_a_bucket_that_the_settings_do_not_name_is_a_likely_slip(shed: Shed) -> None:
    """It is started all the same, since a node may send that name."""
    said = shed.start("A", "shed-22")
    assert 'Did you mean "shed-2"?' in said.complaint


def test_json_carries_the_cautions(shed: Shed) -> None:
    """A program that starts a batch has them to show."""
    said = shed.start("A", "shed-2", "--json")
    assert said.json["batch"] == "A" and any("All the water first" in one for one in said.json["cautions"])


def test_lye_heavy_beyond_doubt_is_refused_and_the_reason_goes_into_the_log(shed: Shed) -> None:
    """Nothing is written on a refusal; with a reason the log holds it."""
    heavy = ("start", "A", "--bucket", "shed-2", "--oil", "sunflower 4.2 kg", "--koh", "1.2 kg", "--purity", "90%")
    assert "lye-heavy beyond doubt" in shed.refused(*heavy)
    with shed.journal() as journal:
        assert not journal.batches()
    shed.ok(*heavy, "--anyway", "for the drains")
    with shed.journal() as journal:
        assert [entry.text for entry in journal.entries("A")] == ["lye-heavy, gone on because: for the drains"]


def test_an_unweighed_batch_is_minded_only_on_purpose(shed: Shed) -> None:
    """Forgotten options are asked for; --unweighed says that nobody weighed."""
    refusal = shed.refused("start", "A", "--bucket", "shed-2", "--oil", "sunflower 4 kg")
    assert "the potash" in refusal and "the oil" not in refusal and "--unweighed" in refusal
    assert "nobody can say whether it is short of lye" in shed.ok(
        "start", "A", "--bucket", "shed-2", "--oil", "sunflower 4 kg", "--unweighed"
    ).words


def test_a_batch_that_is_poured_already_is_started_so(shed: Shed) -> None:
    """--poured notes the pour at the time of --at."""
    said = shed.start("A", "shed-2", "--at", "20 min ago", "--poured", "133F")
    with shed.journal() as journal:
        (entry,) = journal.entries("A")
    assert entry.kind == "poured" and entry.temperature_c == pytest.approx(56.1, abs=0.1)
    assert entry.noted_at_s - entry.at_s == pytest.approx(1200.0, abs=5.0)
    assert "mark shed-2 blended" in said.words


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), "a name and its bucket"),
        (("A",), "a name and its bucket"),
        (("", "--bucket", "shed-2"), "a name and its bucket"),
        (("A", "--bucket", ""), "a name and its bucket"),
        (("A" * 100, "--bucket", "shed-2"), "100 characters"),
        (("A", "--bucket", "shed 2"), "over the wire"),
        (("A", "--bucket", "shed/2"), "over the wire"),
        (("A", "--bucket", "schuppen-ä"), "over the wire"),
        (("A", "--bucket", "shed-2", "--at", "today 23:59:59"), "no time"),
        (("A", "--bucket", "shed-2", "--at", "3000-01-01 10:00"), "future"),
        (("A", "--bucket", "shed-2", "--at", "2 weeks ago"), "no time"),
        (("A", "--bucket", "shed-2", "--dilute-after", "2 h"), "one to ten days"),
        (("A", "--bucket", "shed-2", "--poured", "300C"), "the mix"),
        (("A", "--bucket", "shed-2", "--from", "x.toml"), "leave out NAME, --bucket"),
        (("--from", "x.toml"), "There is no batch file"),
        (("--from", "."), "folder"),
    ],
)
def test_what_cannot_start_gets_one_sentence(shed: Shed, arguments: tuple[str, ...], words: str) -> None:
    """And nothing is started."""
    recipe = () if "--from" in arguments else RECIPE
    assert words in shed.refused("start", *arguments, *recipe)
    with shed.journal() as journal:
        assert not journal.batches()


def test_a_bucket_holds_one_batch(shed: Shed) -> None:
    """The second is refused, with what to do; so is a name that was used before."""
    shed.start("A", "shed-2")
    assert "already has a running batch" in shed.refused("start", "B", "--bucket", "shed-2", *RECIPE)
    assert "choose another name" in shed.refused("start", "A", "--bucket", "shed-3", *RECIPE)


def _batch_file(folder: Path, started: datetime, **changes: str) -> Path:
    text = f"""
[batch]
name = "From file"
bucket = "shed-3"
started = {started.isoformat()}
[recipe]
oils = [{{ name = "sunflower", kg = 4.20 }}]
koh_kg = {changes.get("koh_kg", "0.850")}
koh_purity = 0.90
water_kg = 1.30
[[event]]
at = {started.isoformat()}
kind = "poured"
temperature_c = 56
"""
    path = folder / "batch.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_batch_file_is_taken_whole_and_counts_from_now(shed: Shed) -> None:
    """What stands in it was not known before it was read."""
    path = _batch_file(shed.folder, datetime.now(UTC).replace(microsecond=0) - timedelta(minutes=30))
    shed.ok("start", "--from", str(path))
    with shed.journal() as journal:
        batch, (entry,) = journal.running_batches()[0], journal.entries("From file")
    assert batch.noted_at_s == pytest.approx(time.time(), abs=5.0) == pytest.approx(entry.noted_at_s, abs=5.0)
    assert entry.temperature_c == 56.0


@pytest.mark.parametrize(
    ("started", "changes", "words"),
    [
        (timedelta(hours=1), {}, "future"),
        (timedelta(days=-30), {}, "more than a week ago"),
        (timedelta(hours=-1), {"koh_kg": "850"}, "decimal point"),
        (timedelta(hours=-1), {"koh_kg": "1.2"}, "lye-heavy beyond doubt"),
        (timedelta(hours=-1), {"koh_kg": '"a lot"'}, "number"),
        (timedelta(hours=-1), {"koh_kg": "[["}, "not TOML"),
    ],
)
def test_a_batch_file_that_cannot_start_gets_its_sentence(
    shed: Shed, started: timedelta, changes: dict[str, str], words: str
) -> None:
    """The same limits as on the command line."""
    path = _batch_file(shed.folder, datetime.now(UTC).replace(microsecond=0) + started, **changes)
    said = shed.say("start", "--from", str(path))
    assert said.code == 2 and (words in said.complaint or "between" in said.complaint), said.complaint
    assert_one_sentence(said.err)


def test_a_batch_file_that_is_no_text_gets_one_sentence(shed: Shed) -> None:
    """Latin-1, as an old editor saves it."""
    path = shed.folder / "latin.toml"
    path.write_bytes(b'[batch]\nname = "Gr\xfcn"\n')
    assert "UTF-8" in shed.refused("start", "--from", str(path))


# ---- start, asking ----


def test_at_a_terminal_start_asks_for_what_is_missing(shed: Shed, typing: Callable[..., Any]) -> None:
    """Cautions first, then name, bucket, oils, potash, purity, water, mix; a wrong answer is asked again."""
    typing("Quillmarsh 13", "shed 3", "shed-3", "sunflower 4.2 kg", "", "1 lb 14 oz", "", "1.3 L", "warm", "56")
    said = shed.ok("start")
    assert said.out.startswith("! Read the bag")
    assert "over the wire" in said.complaint and "cannot be read: write it like 56" in said.complaint
    with shed.journal() as journal:
        batch, (entry,) = journal.batch_in("shed-3"), journal.entries("Quillmarsh 13")
    assert batch is not None and batch.recipe.koh_kg == pytest.approx(0.8505, abs=0.0001)
    assert batch.recipe.koh_purity is None and batch.recipe.water_kg == 1.3
    assert (entry.kind, entry.temperature_c) == ("poured", 56.0)


def test_a_bucket_that_is_taken_is_told_before_the_other_questions(shed: Shed, typing: Callable[..., Any]) -> None:
    """And the question asked again."""
    shed.start("A", "shed-2")
    typing("B", "shed-2", "shed-3", "sunflower 4.2 kg", "", "850 g", "", "", "")
    said = shed.ok("start")
    assert "A runs in shed-2" in said.complaint and "B started in shed-3" in said.words


def test_only_what_is_missing_is_asked(shed: Shed, typing: Callable[..., Any]) -> None:
    """What stands on the command line is not asked for again; all given, nothing is."""
    typing("850 g", "")
    typed = ("--oil", "sunflower 4.2 kg", "--purity", "90%", "--water", "1 kg")
    said = shed.ok("start", "A", "--bucket", "shed-2", *typed)
    assert said.err.count(":") >= 2 and "Oil and how much" not in said.err and "Name" not in said.err
    typing()
    shed.ok("start", "B", "--bucket", "shed-3", *RECIPE)


def test_interrupted_answers_start_nothing(shed: Shed, typing: Callable[..., Any]) -> None:
    """Half a recipe is no batch."""
    typing("Quillmarsh 13", "shed-3", "sunflower 4.2 kg")
    said = shed.say("start")
    assert said.code == 2 and "nothing was written" in said.complaint
    with shed.journal() as journal:
        assert not journal.batches()


# ---- mark ----


@pytest.mark.parametrize("kind", LOG_KINDS)
def test_every_kind_of_entry_can_be_noted_with_its_cautions(shed: Shed, kind: str) -> None:
    """Whoever notes a deed stands at the bucket: what belongs to it is said there."""
    shed.start()
    words = shed.ok("mark", "shed-2", kind).words
    assert shed.log("Quillmarsh 12") == [kind]
    assert "emberpail mark shed-2 --undo" in words
    assert ("oggles" in words or "isor" in words) == (kind != "note")


def test_an_earlier_time_is_noted_as_such(shed: Shed) -> None:
    """When it happened and when it was noted are two things."""
    shed.start("A", "shed-2", "--at", "3 h ago")
    more = ("--temperature", "133F", "--who", "Ash", "--text", "steamy\nhot")
    shed.ok("mark", "A", "poured", "--at", "an hour ago", *more)
    with shed.journal() as journal:
        (logged,) = journal.log("A")
    assert logged.entry.noted_at_s - logged.entry.at_s == pytest.approx(3600.0, abs=2.0)
    assert logged.entry.temperature_c == pytest.approx(56.1, abs=0.1)
    assert (logged.who, logged.entry.text) == ("Ash", "steamy hot")


def test_undo_takes_back_the_last_entry_or_the_last_of_a_kind(shed: Shed) -> None:
    """What was taken back stays in the journal as such."""
    shed.start()
    for kind in ("poured", "blended", "looked"):
        shed.ok("mark", "shed-2", kind)
    assert "Taken back: looked" in shed.ok("mark", "shed-2", "--undo").words
    assert shed.ok("mark", "shed-2", "poured", "--undo", "--json").json["kind"] == "poured"
    assert shed.log("Quillmarsh 12") == ["blended"]
    assert "no poured to take back" in shed.refused("mark", "shed-2", "poured", "--undo")
    shed.ok("mark", "shed-2", "--undo")
    assert "nothing to take back" in shed.refused("mark", "shed-2", "--undo")
    with shed.journal() as journal:
        assert len(journal.log("Quillmarsh 12")) == 3


def test_the_next_step_is_asked_for(shed: Shed) -> None:
    """Probe back in after a blend; the temperature of a pour; how much water."""
    shed.start()
    assert "probe-in" in shed.ok("mark", "shed-2", "blended").words
    assert "thermometer" in shed.ok("mark", "shed-2", "poured").words
    assert "--mass" in shed.ok("mark", "shed-2", "water-added").words
    assert "How much?" not in shed.ok("mark", "shed-2", "water-added", "--mass", "8 L").words


def test_a_kind_is_taken_as_people_type_it(shed: Shed) -> None:
    """Blanks, underscores and capitals do not matter; a slip is answered with what may have been meant."""
    shed.start()
    shed.ok("mark", "shed-2", "Lid off")
    shed.ok("mark", "shed-2", "water_added", "--mass", "8kg")
    assert shed.log("Quillmarsh 12") == ["lid-off", "water-added"]
    assert 'Did you mean "blended"?' in shed.refused("mark", "shed-2", "blendet")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("shed-2",), "Say what was done"),
        (("shed-2", ""), "is no log entry"),
        (("shed-9", "blended"), "No batch runs in"),
        (("", "blended"), "No batch runs in"),
        (("shed-2", "blended", "--at", "2027-09-09 10:00"), "future"),
        (("shed-2", "blended", "--at", "3 days ago"), "more than a day before"),
        (("shed-2", "blended", "--at", ""), "no time"),
        (("shed-2", "poured", "--temperature", "500C"), "125"),
        (("shed-2", "poured", "--temperature", "-500C"), "-30"),
        (("shed-2", "water-added", "--mass", "-8kg"), "below nothing"),
        (("shed-2", "blended", "--mass", "8kg"), "water-added"),
        (("shed-2", "note", "--text", "x" * 900), "900 characters"),
        (("shed-2", "note", "--who", "x" * 90), "90 characters"),
    ],
)
def test_what_cannot_be_noted_gets_one_sentence(shed: Shed, arguments: tuple[str, ...], words: str) -> None:
    """And nothing is noted."""
    shed.start()
    assert words in shed.refused("mark", *arguments)
    assert shed.log("Quillmarsh 12") == []


def test_without_a_batch_it_says_so(shed: Shed) -> None:
    """Start one first."""
    assert "start one first" in shed.refused("mark", "shed-2", "blended")


# ---- end ----


@pytest.mark.parametrize(
    ("outcome", "must"), [("filled", "Not for skin"), ("held", "small portions"), ("discarded", "sand")]
)
def test_an_end_frees_the_bucket_and_says_what_is_left_to_mind(shed: Shed, outcome: str, must: str) -> None:
    """What goes on is caustic still, or not for skin yet."""
    shed.start()
    words = shed.ok("end", "shed-2", "--outcome", outcome).words
    assert outcome in words and must in words and "no longer minded" in words
    shed.start("Quillmarsh 13", "shed-2")


def test_an_end_before_the_start_is_refused(shed: Shed) -> None:
    """Check the time or the bucket."""
    shed.start("A", "shed-2", "--at", "10 min ago")
    assert "cannot have ended before" in shed.refused("end", "shed-2", "--at", "an hour ago")
    assert shed.ok("end", "A", "--json").json["outcome"] == "filled"
    assert "No batch runs" in shed.refused("end", "A")


# ---- what goes into the record on the way ----


def test_lots_maker_and_number_are_noted_at_the_start(shed: Shed) -> None:
    """They are details of the record; the number is the name unless another is given."""
    more = ("--maker", "Ash", "--oil-lot", "S 7", "--potash-lot", "K-17", "--opened", "2 months", "--number", "26-12")
    said = shed.start("A", "shed-2", *more, "--json")
    with shed.journal() as journal:
        kept = {field: detail.value for field, detail in journal.details("A").items()}
    assert kept == said.json["details"]
    opened = kept.pop("potash_opened")
    assert kept == {"maker": "Ash", "oil_lot": "S 7", "potash_lot": "K-17", "number": "26-12"}
    assert 50 <= (datetime.now(UTC).date() - datetime.fromisoformat(opened).date()).days <= 70


@pytest.mark.parametrize(
    ("option", "typed", "words"),
    [
        ("--opened", "2999-01-01", "is out of range"),
        ("--opened", "03/04/2026", "in two ways"),
        ("--maker", "x" * 501, "501 characters"),
        ("--potash-lot", "x" * 900, "900 characters"),
    ],
)
def test_a_detail_that_cannot_be_starts_nothing(shed: Shed, option: str, typed: str, words: str) -> None:
    """Half a start is none."""
    assert words in shed.refused("start", "A", "--bucket", "shed-2", *RECIPE, option, typed)
    with shed.journal() as journal:
        assert not journal.batches()


def test_an_old_bag_is_reckoned_with_when_lye_heaviness_is_judged(shed: Shed) -> None:
    """Potash that would be too much from a new bag may be right from one that has drawn water for years."""
    heavy = ("start", "A", "--bucket", "shed-2", "--oil", "sunflower 4.2 kg", "--koh", "970 g", "--purity", "90%")
    assert "lye-heavy beyond doubt" in shed.refused(*heavy, "--opened", "today")
    shed.ok(*heavy, "--opened", "2 years")


@pytest.mark.parametrize(
    ("typed", "field", "kept"), [("24L", "yield_litres", "24"), ("55 lb", "yield_kg", "24.9476")]
)
def test_the_yield_is_noted_with_the_end(shed: Shed, typed: str, field: str, kept: str) -> None:
    """By its unit it is a volume or a mass."""
    shed.start("A", "shed-2")
    assert "noted" in shed.ok("end", "shed-2", "--yield", typed).words
    with shed.journal() as journal:
        assert {name: detail.value for name, detail in journal.details("A").items()} == {field: kept}


@pytest.mark.parametrize(
    ("typed", "words"), [("9000 kg", "200 kg is allowed"), ("-3 L", "below nothing"), ("24", "no unit"), ("x", "yield")]
)
def test_a_yield_that_cannot_be_ends_nothing(shed: Shed, typed: str, words: str) -> None:
    """The batch runs on, and its record is as it was."""
    shed.start("A", "shed-2")
    assert words in shed.refused("end", "shed-2", f"--yield={typed}")
    with shed.journal() as journal:
        assert journal.batch_in("shed-2") is not None and not journal.detail_history("A")


def test_at_a_terminal_the_end_asks_for_the_yield(shed: Shed, typing: Callable[..., Any]) -> None:
    """Enter alone says that nobody measured it; a batch that was not filled is not asked."""
    shed.start("A", "shed-2")
    typing("24", "24 L")
    assert "no unit" in shed.ok("end", "shed-2").complaint
    shed.start("B", "shed-2")
    typing("")
    shed.ok("end", "shed-2")
    shed.start("C", "shed-2")
    typing()
    shed.ok("end", "shed-2", "--outcome", "held")
    with shed.journal() as journal:
        assert [len(journal.detail_history(name)) for name in "ABC"] == [1, 0, 0]


def test_an_end_left_in_the_middle_of_the_question_ends_nothing(shed: Shed, typing: Callable[..., Any]) -> None:
    """Whatever is half entered is not kept."""
    shed.start("A", "shed-2")
    typing()
    assert "nothing was written" in shed.say("end", "shed-2").complaint
    with shed.journal() as journal:
        assert journal.batch_in("shed-2") is not None


# ---- an entry at the wrong bucket ----


def test_an_entry_at_the_wrong_bucket_is_moved(shed: Shed) -> None:
    """It stays in the first log as taken back; in the other it has its time, figures, text and maker."""
    shed.start("A", "shed-2", "--at", "3 h ago")
    shed.start("B", "shed-3", "--at", "3 h ago")
    more = ("--temperature", "56C", "--who", "Ash", "--text", "steamy")
    shed.ok("mark", "shed-2", "poured", "--at", "an hour ago", *more)
    shed.ok("mark", "shed-2", "looked")
    said = shed.ok("mark", "shed-2", "poured", "--move-to", "shed-3").words
    assert "poured" in said and "is now of B in shed-3, no longer of A" in said
    with shed.journal() as journal:
        (moved,) = journal.log("B")
        poured, looked = journal.log("A")
    assert poured.undone_at_s is not None and looked.undone_at_s is None
    assert (moved.who, moved.entry.text, moved.entry.temperature_c) == ("Ash", "steamy", 56.0)
    assert moved.entry.at_s == poured.entry.at_s
    assert moved.entry.noted_at_s == poured.undone_at_s, "that it was in this bucket nobody knew before"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("shed-2", "--move-to", "shed-2"), "is where it stands"),
        (("shed-2", "--move-to", "shed-9"), "No batch runs in"),
        (("shed-3", "--move-to", "shed-2"), "nothing to take back"),
        (("shed-2", "blended", "--move-to", "shed-3"), "no blended to take back"),
        (("shed-2", "--move-to", "shed-3", "--undo"), "leave out --undo"),
        (("shed-2", "--move-to", "shed-3", "--text", "x"), "leave out --text"),
    ],
)
def test_a_move_that_cannot_be_leaves_both_logs_as_they_were(
    shed: Shed, arguments: tuple[str, ...], words: str
) -> None:
    """Taken back and noted, or neither."""
    shed.start("A", "shed-2")
    shed.start("B", "shed-3")
    shed.ok("mark", "shed-2", "poured")
    assert words in shed.refused("mark", *arguments)
    assert (shed.log("A"), shed.log("B")) == (["poured"], [])


def test_start_mark_and_end_speak_the_places_units(shed: Shed) -> None:
    """US units in the place's settings; what a program reads stays metric."""
    shed.settings.write_text(shed.settings.read_text().replace("[journal]", 'units = "us"\n[journal]', 1))
    assert "oz of oil to spare" in shed.start("A", "shed-2").words
    assert "past 167 to 176 °F" in shed.ok("mark", "shed-2", "blended").words
    assert "6.3 US gal" in shed.ok("end", "shed-2", "--yield", "24L").words
