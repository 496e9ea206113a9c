"""``plan``: what a grower reads before anything is weighed."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from monitor.sources.batch_file import read_batch_file
from tests.commands.conftest import SETTINGS, Shed

OIL = ("--oil", "rapeseed 3.6 L")


def test_the_usual_recipe_is_planned_as_common_practice_has_it(shed: Shed) -> None:
    """3.6 L of rapeseed oil ask for about 640 g of 90 % potash and 1 kg of water, and 16 to 17 L later.

    Common practice, as the issue's outside checks give it.
    """
    plan = shed.ok("plan", *OIL, "--purity", "90%", "--json").json
    assert plan["recipe"]["koh_kg"] == pytest.approx(0.64, abs=0.02)
    assert plan["recipe"]["water_kg"] == pytest.approx(1.0, abs=0.05)
    assert plan["lye_balance"]["word"] == "short of lye"
    assert 15.0 < plan["dilution"]["water_low_kg"] < plan["dilution"]["water_high_kg"] < 18.0


def test_the_cautions_stand_before_the_masses(shed: Shed) -> None:
    """All that the trade asks for, the right bag first; then what to weigh."""
    words = shed.ok("plan", *OIL, "--litres", "25L").words
    before, _, after = words.partition("Weigh, twice:")
    for must in ("potassium hydroxide, KOH", "Not caustic soda", "fertiliser", "High-erucic", "All the water first",
                 "loosely", "lift the far edge", "at most half full", "aluminium", "Never lift", "112", "no vinegar",
                 "sand", "Not for skin", "Goggles and gloves on dilution day", "safety data sheet"):  # fmt: skip
        assert must in before, must
    assert "potash: potassium hydroxide" in after and "oil to spare" in after
    # What was not said is said to have been taken, not passed over.
    assert "purity of the potash was not noted" in after and "Since when the bag is open is not known" in after
    assert "was not noted" not in shed.ok("plan", *OIL, "--purity", "90%").words


def test_no_line_is_wider_than_the_terminal(shed: Shed, monkeypatch: pytest.MonkeyPatch) -> None:
    """Eighty columns, or a phone's forty."""
    for columns in (80, 100, 40):
        monkeypatch.setenv("COLUMNS", str(columns))
        said = shed.ok("plan", *OIL, "--hardness", "15 dH", "--litres", "9L")
        assert max(map(len, said.out.splitlines())) <= max(columns, 47), columns


def test_json_holds_the_expected_curve_and_all_that_is_said(shed: Shed) -> None:
    """What a person reads a program can read, too; every band is ordered, and a box is warmer than a bare bucket."""
    plan = shed.ok("plan", *OIL, "--air", "8C", "--json").json
    expected = plan["expected"]
    for kind in ("bare", "blanket", "box"):
        low, high = expected[kind]["low_c"], expected[kind]["high_c"]
        assert len(low) == len(high) == len(expected["after_s"])
        assert all(a <= b for a, b in zip(low, high, strict=True))
    last = expected["after_s"].index(8 * 3600.0)
    assert expected["box"]["low_c"][last] > expected["bare"]["low_c"][last]
    assert plan["air_c"] == 8.0 and plan["cautions"] and plan["warnings"] and plan["says"]
    colder = shed.ok("plan", *OIL, "--air", "-5C", "--json").json
    assert colder["lye_temperature"]["high_c"] < plan["lye_temperature"]["high_c"]


def test_litres_come_from_the_bucket_s_settings(shed: Shed) -> None:
    """--bucket shed-2 has 25 litres in the settings."""
    assert "25 L bucket" in shed.ok("plan", *OIL, "--bucket", "shed-2").words
    assert "litres are not known" in shed.ok("plan", *OIL).words
    said = shed.ok("plan", *OIL, "--bucket", "shed-22")
    assert 'name no bucket "shed-22"' in said.complaint and 'Did you mean "shed-2"' in said.complaint


def test_scaling_keeps_the_balance(shed: Shed) -> None:
    """Half of everything is as short of lye as the whole."""
    whole, half = (shed.ok("plan", *OIL, "--scale", s, "--json").json for s in ("1", "0.5"))
    assert half["recipe"]["oils"][0]["kg"] == pytest.approx(whole["recipe"]["oils"][0]["kg"] / 2, abs=0.001)
    assert half["lye_balance"]["entered_ratio"] == pytest.approx(whole["lye_balance"]["entered_ratio"], abs=0.005)


def test_a_lye_heavy_recipe_is_refused_unless_somebody_says_why(shed: Shed) -> None:
    """Caustic soap however well it reacts: not by a slip."""
    heavy = ("--oil", "sunflower 4.2 kg", "--koh", "1.2 kg")
    assert "lye-heavy beyond doubt" in shed.refused("plan", *heavy)
    assert "lye-heavy beyond doubt" in shed.refused("plan", *heavy, "--anyway", "  ")
    assert "lye-heavy" in shed.ok("plan", *heavy, "--anyway", "for drains").words


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), "at least one oil"),
        (("--oil", ""), "cannot be read as an oil"),
        (("--oil", "sunflower -4 kg"), "below nothing"),
        (("--oil", "sunflower 9000 kg"), "between 0.001 and 200 kg"),
        (("--oil", "moonflower 4 kg"), 'No oil is called "moonflower"'),
        (("--oil", "beef tallow 3 L"), "weigh"),
        (("--oil", "sunflower 4.2"), "no unit"),
        ((*OIL, "--purity", "900 %"), "between 50 and 100 %"),
        ((*OIL, "--koh", "9000 kg"), "between"),
        ((*OIL, "--koh", "1 L"), "weigh it"),
        ((*OIL, "--water", "lots"), "the first water"),
        ((*OIL, "--litres", "0"), "the bucket"),
        ((*OIL, "--air", "900C"), "the air"),
        ((*OIL, "--mix", "warm"), "the mix"),
        ((*OIL, "--scale", "nan"), "from 0.01 to 100"),
        ((*OIL, "--scale", "100"), "between 0.001 and 200 kg"),
        ((*OIL, "--hardness", "hard"), "hardness"),
        ((*OIL, "--hardness", "-3 dH"), "hardness"),
        ((*OIL, "--opened", "2099-01"), "bag was opened"),
        ((*OIL, "--opened", "long ago"), "bag was opened"),
        ((*OIL, "--scale-error", "-5g"), "error of the scale"),
        ((*OIL, "--scale-error", "9 kg"), "between 1 and 500 g"),
        ((*OIL, "--strength", "90 %"), "between 2 and 40 %"),
        ((*OIL, "--make", "9000 L"), "between 0.001 and 250 L"),
        ((*OIL, "--make", "-20 L"), "below nothing"),
        ((*OIL, "--make", "20 kg"), "finished soap"),
        ((*OIL, "--have-koh", "9000 kg"), "between 0.001 and 200 kg"),
        (("--oil", "olive", "--have-koh", "640g", "--koh", "640g"), "do not go together"),
        ((*OIL, "--have-koh", "640g", "--make", "20L"), "one starting point"),
        ((*OIL, "--make", "20L", "--scale", "2"), "--scale does not go"),
        ((*OIL, "--fill-bucket"), "its size must be known"),
        ((*OIL, "--blend", "olive"), "not both"),
        (("--blend", "olive"), "do not say how much"),
        (("--blend", "olive 70%", "--make", "20L"), "adds up to 70 %"),
        (("--blend", "olive 70%, moon 30%", "--make", "20L"), 'No oil is called "moon"'),
        (("--blend", "olive -70%", "--make", "20L"), "up to 100 % is allowed"),
        (("--blend", "olive", "--make", "20L", "--koh", "1kg"), "--have-koh"),
        ((*OIL, "--save", "plan.txt", "--bucket", "shed-2"), "ends in .toml"),
        ((*OIL, "--save", "plan.toml"), "names its bucket"),
        ((*OIL, "--overwrite"), "--save"),
    ],
)
def test_what_cannot_be_gets_one_sentence(shed: Shed, arguments: tuple[str, ...], words: str) -> None:
    """Which figure, and what is allowed."""
    assert words in shed.refused("plan", *arguments)


# ---- other starting points ----


def test_so_many_litres_are_planned_and_come_out(shed: Shed) -> None:
    """--make 20L gives 20 L: masses, water and strength hang together by mass balance."""
    plan = shed.ok(
        "plan", "--blend", "sunflower 70%, rapeseed 30%", "--make", "20L", "--strength", "15%", "--json"
    ).json
    assert plan["dilution"]["litres"] == pytest.approx(20.0, abs=0.05)
    assert plan["start"] == {"kind": "make", "wanted": 20.0}
    oils = [share["kg"] for share in plan["recipe"]["oils"]]
    assert oils[0] / sum(oils) == pytest.approx(0.7, abs=0.001)
    put_in = sum(oils) + plan["recipe"]["koh_kg"] + plan["recipe"]["water_kg"] + plan["dilution"]["water_kg"]
    assert plan["dilution"]["soap_kg"] / put_in == pytest.approx(0.15, abs=1e-6)


def test_a_bucket_is_filled_as_far_as_its_head_room_allows(shed: Shed) -> None:
    """Of 25 L the diluted soap takes nine tenths; diluted elsewhere, the paste takes half, and it says so."""
    full = shed.ok("plan", "--oil", "sunflower", "--fill-bucket", "--bucket", "shed-2", "--json").json
    assert full["room"]["when_diluted"] == pytest.approx(0.9, abs=0.002) and full["room"]["dilutes_in_it"]
    paste = shed.ok(
        "plan", "--oil", "sunflower", "--fill-bucket", "--litres", "25L", "--dilute-elsewhere", "--json"
    ).json
    assert paste["room"]["when_blended"] == pytest.approx(0.5, abs=0.002) and paste["room"]["blends_well"]
    words = shed.ok("plan", "--oil", "sunflower", "--fill-bucket", "--bucket", "shed-2").words
    assert "largest batch that leaves half of the bucket free" in words
    assert "Head-room for boiling and blending: 20" in words and "at least 12.5 L (half the bucket) is asked" in words


def test_the_potash_at_hand_is_used_up(shed: Shed) -> None:
    """All 640 g of it, with the oil it needs; the kitchen's rapeseed as common practice has it, 3.3 kg."""
    plan = shed.ok("plan", "--oil", "rapeseed", "--have-koh", "640g", "--purity", "90%", "--json").json
    assert plan["recipe"]["koh_kg"] == 0.64
    assert plan["recipe"]["oils"][0]["kg"] == pytest.approx(3.31, abs=0.02)


@pytest.mark.parametrize("target", [("--make", "12L"), ("--fill-bucket", "--litres", "20L"), ("--have-koh", "400g")])
def test_a_known_recipe_is_brought_to_another_size_and_keeps_its_balance(shed: Shed, target: tuple[str, ...]) -> None:
    """Oil, potash and water in proportion, whatever the starting point; the size is warned of with numbers."""
    known = ("--oil", "sunflower 4.2 kg", "--koh", "820 g", "--water", "1.4 kg")
    whole, other = (shed.ok("plan", *known, *more, "--json").json for more in ((), target))
    assert other["lye_balance"]["entered_ratio"] == pytest.approx(whole["lye_balance"]["entered_ratio"], abs=1e-3)
    ratio = other["recipe"]["koh_kg"] / 0.82
    assert other["recipe"]["water_kg"] / 1.4 == pytest.approx(ratio, abs=1e-3)
    assert other["original"]["recipe"]["koh_kg"] == pytest.approx(0.82)
    assert ("keeps less heat" in " ".join(other["says"])) == (ratio < 0.86)


def test_a_small_batch_keeps_less_heat_and_a_large_one_runs_hotter_in_numbers(shed: Shed) -> None:
    """Time constant and what is left after four hours rise with the size; both stand in the words."""
    sizes = {}
    for factor in ("0.25", "4"):
        said = shed.ok("plan", *OIL, "--scale", factor, "--air", "10C", "--json").json
        sizes[factor] = said["original"]
        assert any("time constant" in line for line in said["says"])
    for field in ("time_constant_s", "after_four_hours_c"):
        assert sizes["0.25"]["planned_size"][field] < sizes["0.25"]["size"][field] < sizes["4"]["planned_size"][field]
    assert sizes["0.25"]["planned_size"]["peak_c"] < sizes["4"]["planned_size"]["peak_c"]


def test_used_oil_is_an_oil_with_a_warning(shed: Shed) -> None:
    """A wide range, and it thickens before it has reacted."""
    used = shed.ok("plan", "--oil", "used cooking oil 3 kg", "--json").json
    fresh = shed.ok("plan", "--oil", "sunflower 3 kg", "--json").json
    assert used["lye_balance"]["ratio_sd"] > 1.3 * fresh["lye_balance"]["ratio_sd"]
    assert any("thickens before it has reacted" in line for line in used["warnings"])


def test_the_bag_s_age_and_the_scale_s_error_change_what_is_known(shed: Shed) -> None:
    """An old bag lowers the likely balance, a coarse scale widens it; the weights stay by the bag."""
    usual = shed.ok("plan", *OIL, "--json").json
    old = shed.ok("plan", *OIL, "--opened", "2 years ago", "--json").json
    coarse = shed.ok("plan", *OIL, "--scale-error", "50g", "--json").json
    assert old["recipe"] == usual["recipe"] == coarse["recipe"]
    assert old["lye_balance"]["ratio"] < usual["lye_balance"]["ratio"] - 0.02
    assert old["lye_balance"]["ratio_sd"] > usual["lye_balance"]["ratio_sd"]
    assert coarse["lye_balance"]["ratio_sd"] > usual["lye_balance"]["ratio_sd"]
    assert old["doubts"]["bag_open_months"] == pytest.approx(24.0, abs=0.2)
    assert any("open for 24 months" in line for line in old["says"])


@pytest.mark.parametrize(
    "start", [("--make", "20L"), ("--have-koh", "900g"), ("--fill-bucket", "--litres", "40L"), ("--scale", "2")]
)
def test_lye_heavy_is_refused_from_every_starting_point(shed: Shed, start: tuple[str, ...]) -> None:
    """A known recipe that leaves potash does so at every size."""
    heavy = ("--oil", "sunflower 4.2 kg", "--koh", "1.2 kg")
    assert "lye-heavy beyond doubt" in shed.refused("plan", *heavy, *start)
    shed.ok("plan", *heavy, *start, "--anyway", "for drains")


def test_what_is_advised_follows_from_the_air_the_mix_and_the_bucket(shed: Shed) -> None:
    """Aimed too cool: pour warmer. In a box on a warm day: do not cover. The reasons are chances."""
    cool = shed.ok("plan", *OIL, "--litres", "25L", "--mix", "30C", "--air", "0C", "--json").json["recommendation"]
    assert cool["pour"] == "warmer" and cool["mix_c"] >= 50.0
    assert cool["as_aimed"]["taken"] < cool["outlook"]["taken"]
    box = shed.ok(
        "plan", *OIL, "--litres", "25L", "--insulation", "box", "--mix", "65C", "--air", "30C", "--json"
    ).json["recommendation"]  # fmt: skip
    assert box["insulation"] == "bare" and box["outlook"]["too_hot"] < box["as_aimed"]["too_hot"]
    unstated = shed.ok("plan", *OIL, "--litres", "25L", "--air", "15C", "--json").json
    assert unstated["mix_c"] == unstated["recommendation"]["mix_c"] and unstated["recommendation"]["pour"] == "as aimed"
    words = shed.ok("plan", *OIL, "--mix", "30C").words
    assert "pour warmer" in words and "Aim at a mix of 50 °C or more" in words


# ---- the batch file ----


def test_a_plan_is_saved_and_started_from(shed: Shed) -> None:
    """What --save writes, start --from reads: the same recipe and vessel."""
    plan = shed.ok(
        "plan", *OIL, "--bucket", "shed-2", "--opened", "2026-01", "--save", "Quillmarsh-7.toml", "--json"
    ).json
    read = read_batch_file(shed.folder / "Quillmarsh-7.toml")
    assert read.warnings == () and read.batch.name == "Quillmarsh-7" and read.batch.bucket == "shed-2"
    assert read.batch.recipe.koh_kg == plan["recipe"]["koh_kg"] and read.batch.vessel.litres == 25
    assert plan["saved"] == "Quillmarsh-7.toml" and "2026-01-01" in read.log[0].text
    assert "Quillmarsh-7 started in shed-2" in shed.ok("start", "--from", "Quillmarsh-7.toml").words


def test_a_file_that_is_there_is_not_overwritten_without_saying(shed: Shed) -> None:
    """It stays byte for byte; with --overwrite it is replaced, and that is said."""
    file = shed.folder / "mine.toml"
    file.write_text("# mine\n", encoding="utf-8")
    save = ("--bucket", "shed-2", "--save", "mine.toml")
    assert "is there already and stays as it is" in shed.refused("plan", *OIL, *save)
    assert file.read_text(encoding="utf-8") == "# mine\n"
    assert "has been replaced" in shed.ok("plan", *OIL, *save, "--overwrite").complaint
    assert read_batch_file(file).batch.name == "mine"


def test_a_refused_plan_leaves_no_file(shed: Shed) -> None:
    """Nothing half-written: neither for a lye-heavy recipe nor for one that cannot be."""
    save = ("--bucket", "shed-2", "--save", "new.toml")
    shed.refused("plan", "--oil", "sunflower 4.2 kg", "--koh", "1.2 kg", *save)
    shed.refused("plan", "--oil", "sunflower 4.2 kg", "--strength", "90%", *save)
    assert not list(shed.folder.glob("new*"))


# ---- units ----


def test_us_units_in_and_out(shed: Shed) -> None:
    """[place] units = "us": pounds and ounces, US gallons and °F are told, and what is told is taken again."""
    metric = shed.ok("plan", *OIL, "--litres", "25L", "--json").json
    shed.settings.write_text(SETTINGS.replace("[place]", '[place]\nunits = "us"'), encoding="utf-8")
    words = shed.ok("plan", *OIL, "--litres", "25L", "--hardness", "16 gpg", "--mix", "55C").words
    for told in ("7 lb 4.2 oz", "6.6 US gal", "131 °F", "oz of the 7 lb", "Past 203 °F"):
        assert told in words, told
    text = " ".join(words.partition("Weigh, twice:")[2].split())
    for unit in ("kg", " °C", " L ", " g "):
        assert unit not in text, unit
    oil = words.partition("Weigh, twice: ")[2].partition(" rapeseed oil")[0]
    again = shed.ok("plan", "--oil", f"rapeseed {oil}", "--litres", "6.6 US gal", "--mix", "131F", "--json").json
    assert again["recipe"]["oils"][0]["kg"] == pytest.approx(metric["recipe"]["oils"][0]["kg"], abs=0.002)
    assert again["vessel"]["litres"] == pytest.approx(25.0, abs=0.1) and again["mix_c"] == pytest.approx(55.0)


# ---- asking ----


def test_at_a_terminal_it_asks_one_thing_at_a_time(shed: Shed, typing: Callable[..., Any]) -> None:
    """Oils, the bag, potash, purity, its age, water, mix; pounds and ounces are taken; Enter works out the rest."""
    typing("9 lb 4 oz sunflower", "", "yes", "", "90 %", "", "", "52 C")
    said = shed.ok("plan", "--json")
    plan = said.json
    assert plan["recipe"]["oils"][0]["kg"] == pytest.approx(4.196, abs=0.002)
    assert plan["recipe"]["koh_kg"] > 0.5 and plan["recipe"]["koh_purity"] == 0.9 and plan["mix_c"] == 52.0
    questions = ("Oil and how much", "Another oil", "Does the bag say", "Potash", "Purity", "Since when", "First water",
                 "Temperature of the mix")  # fmt: skip
    places = [said.err.index(question) for question in questions]
    assert places == sorted(places)


def test_a_wrong_answer_is_explained_and_asked_again(shed: Shed, typing: Callable[..., Any]) -> None:
    """The sentence of the error, then the same question."""
    typing("moonflower 4 kg", "sunflower 4.2 kg", "coconut 300 g", "", "perhaps", "KOH", "9000 kg", "850 g", "900 %",
           "90 %", "2099-01", "today", "1.3 L", "warm", "55")  # fmt: skip
    said = shed.ok("plan", "--json")
    for told in ('No oil is called "moonflower"', "between 50 and 100 %", "Answer yes or no", "to today"):
        assert told in said.complaint, told
    assert said.err.count("Purity as printed") == 2 and said.err.count("Potash (KOH") == 2
    assert len(said.json["recipe"]["oils"]) == 2 and said.json["recipe"]["koh_kg"] == 0.85
    assert said.json["doubts"]["bag_open_months"] == pytest.approx(0.0, abs=0.05)


@pytest.mark.parametrize(
    ("answer", "oil"), [("kitchen", "rapeseed oil, low erucic (canola)"), ("high", "rapeseed oil, high erucic"),
                        ("", "rapeseed oil, low erucic (canola)")],
)  # fmt: skip
def test_it_asks_which_rapeseed(shed: Shed, typing: Callable[..., Any], answer: str, oil: str) -> None:
    """A bare rapeseed is asked about; Enter takes the kitchen's, and the warning stays."""
    typing("rapeseed 3.6 L", answer, "", "yes", "", "90 %", "", "", "")
    said = shed.ok("plan", "--json")
    assert "Which rapeseed" in said.err and said.json["recipe"]["oils"][0]["name"] == oil
    assert any("Is it rapeseed for the kitchen?" in line for line in said.json["warnings"]) == ("low" in oil)
    if "high" in oil:
        assert said.json["recipe"]["koh_kg"] < 0.61


@pytest.mark.parametrize("answer", ["no", "caustic soda", "NaOH", "potassium carbonate", "fertiliser"])
def test_what_is_not_koh_stops_with_one_sentence(shed: Shed, typing: Callable[..., Any], answer: str) -> None:
    """The same mass of caustic soda is some 40 % too much alkali: nothing more is asked and nothing planned."""
    typing("sunflower 4.2 kg", "", answer)
    said = shed.say("plan")
    assert said.code == 2 and said.out == ""
    assert "Stop here" in said.complaint and "40 % too much" in said.complaint and "Potash (KOH" not in said.err


@pytest.mark.parametrize(
    ("start", "kind"), [("20 L", "make"), ("640 g", "have-koh"), ("bucket", "fill-bucket")]
)  # fmt: skip
def test_at_a_terminal_it_starts_from_litres_potash_or_bucket_too(
    shed: Shed, typing: Callable[..., Any], start: str, kind: str
) -> None:
    """Enter in place of a weighed oil asks for the proportions and for the starting point."""
    typing("", "sunflower 70 %, rapeseed 30 %", "kitchen", start, "yes", "90 %", "", "", "")
    plan = shed.ok("plan", "--bucket", "shed-2", "--json").json
    assert plan["start"]["kind"] == kind and len(plan["recipe"]["oils"]) == 2


def test_when_the_answers_end_nothing_is_done(shed: Shed, typing: Callable[..., Any]) -> None:
    """Ctrl-D in the middle."""
    typing("sunflower 4.2 kg")
    said = shed.say("plan")
    assert said.code == 2 and "The input ended" in said.complaint and said.out == ""


def test_endless_nonsense_is_not_asked_for_for_ever(shed: Shed, typing: Callable[..., Any]) -> None:
    """A program that answers nonsense gets an end."""
    typing(*["x" * 5000] * 50)
    said = shed.say("plan")
    assert said.code == 2 and "nothing was written" in said.complaint


def test_it_goes_by_what_the_own_batches_taught(shed: Shed) -> None:
    """Expected is what batches did here; where one is to be made counts, and a journal that cannot be read is no reason
    not to plan."""
    asked = ("plan", "--oil", "sunflower 4.2 kg", "--purity", "90%", "--air", "8C", "--mix", "55C")
    there = (*asked, "--bucket", "shed-2")
    published = shed.ok(*there, "--json").json
    assert published["expected"]["learned_from"] is None
    shed.teach("shed-2", 25.0, "blanket")
    learned = shed.ok(*there, "--json").json
    assert learned["expected"]["learned_from"] == {"heat": 8, "loss": 8, "pace": 0}

    def warmer(told: dict, cover: str) -> float:
        return told["expected"][cover]["median_c"][4] - published["expected"][cover]["median_c"][4]

    assert warmer(learned, "blanket") > 2.0 * max(0.5, warmer(learned, "bare"))
    elsewhere = shed.ok(*asked, "--litres", "25L", "--json").json
    assert elsewhere["expected"]["learned_from"] == {"heat": 8, "loss": 0, "pace": 0}
    assert "Based on 8 of your own earlier batches, 8 of them in shed-2." in shed.ok(*there).words
    shed.journal_path.write_bytes(b"no journal at all")
    said = shed.say(*there)
    assert said.code == 0 and "cannot be read" in said.complaint and "Based on" not in said.words
