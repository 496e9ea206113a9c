"""Lye balance, heat budget and lye: what must hold whatever the numbers are."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.domain import OilShare, Recipe, Vessel
from monitor.trade.constants import SAPONIFICATION_HEAT_KJ_MOL
from monitor.trade.dilution import dilution, potash_left, room, soap_lost_to_hardness_g
from monitor.trade.filled import fill_in
from monitor.trade.lye import lye_boiling_c, lye_c_for_mix, lye_kj_kg_k, lye_temperature, mixed_c
from monitor.trade.oils import OILS
from monitor.trade.recipe import (
    BadRecipe,
    check_recipe,
    heat_budget,
    lye_balance,
    plan_recipe,
    reacted_kj_k,
    scale_recipe,
    soap_kg,
    without_bad_numbers,
)
from monitor.trade.telling import ASSUMED_IN_WORDS, balance_sentences, recipe_warnings
from monitor.units import GLYCEROL_G_PER_MOL, KOH_G_PER_MOL

USUAL = Recipe((OilShare("rapeseed", 3.31),), 0.640, 0.90, 1.0)
HEAVY = Recipe((OilShare("rapeseed", 3.31),), 0.760, 0.90, 1.0)

names = st.sampled_from([oil.name for oil in OILS] + ["rapeseed", "zork oil"])
kilograms = st.floats(0.05, 50.0)
weighed = st.builds(
    Recipe,
    oils=st.lists(st.builds(OilShare, names, kilograms), min_size=1, max_size=4).map(tuple),
    koh_kg=st.floats(0.05, 20.0),
    koh_purity=st.floats(0.5, 1.0),
    water_kg=kilograms,
)
gappy = st.builds(
    Recipe,
    oils=st.lists(st.builds(OilShare, names, st.none() | kilograms), max_size=4).map(tuple),
    koh_kg=st.none() | st.floats(0.05, 20.0),
    koh_purity=st.none() | st.floats(0.5, 1.0),
    water_kg=st.none() | kilograms,
)
vessels = st.none() | st.builds(Vessel, litres=st.none() | st.floats(1.0, 200.0))


# --- the balance --------------------------------------------------------------------------------------------------


def test_words_of_the_balance() -> None:
    """The usual recipe is short of lye, one with a fifth more potash is lye-heavy, and the chances add up to one."""
    for recipe, word in ((USUAL, "short of lye"), (HEAVY, "lye-heavy")):
        balance = lye_balance(recipe)
        assert balance.word == word
        assert math.fsum(balance.probabilities.values()) == pytest.approx(1.0)


def test_high_erucic_oil_makes_the_usual_recipe_risky() -> None:
    """The same recipe with high-erucic rapeseed may be lye-heavy, and the plan says so."""
    recipe = Recipe((OilShare("high erucic rapeseed", 3.31),), 0.640, 0.90, 1.0)
    assert lye_balance(USUAL).probabilities["lye-heavy"] < 0.01
    assert lye_balance(recipe).probabilities["lye-heavy"] > 0.2
    assert any("lye-heavy" in line for line in recipe_warnings(recipe))


def test_the_bag_mostly_holds_less_than_it_says() -> None:
    """The likely ratio lies below the entered one, because true purity is skewed down, yet it may lie above."""
    balance = lye_balance(USUAL)
    assert balance.ratio < balance.entered_ratio < balance.ratio_high


def test_true_purity_runs_from_85_to_92_percent() -> None:
    """A bag that says 90 % holds 85 to 92 % KOH, 5 to 95 % (common practice), more often less than more."""
    points = sorted(0.90 * s for s in fill_in(USUAL).strength_points(1000))
    assert points[50] == pytest.approx(0.85, abs=0.004)
    assert points[950] == pytest.approx(0.92, abs=0.004)
    assert sum(point < 0.90 for point in points) > 600


def test_true_purity_never_passes_pure_potash() -> None:
    """However pure the bag says it is, it is never reckoned above 100 %."""
    assert max(fill_in(Recipe(USUAL.oils, 0.64, 1.0, 1.0)).strength_points(500)) <= 1.0


def test_unweighed_potash_gives_no_word() -> None:
    """Without the potash's mass nobody can say whether a recipe is lye-heavy, and the sentence says that."""
    balance = lye_balance(Recipe(USUAL.oils, None, 0.90, 1.0))
    assert balance.word == "not known"
    assert balance_sentences(balance) == (
        "Potash or oil was not weighed, so nobody can say whether it is short of lye or lye-heavy.",
    )


@given(weighed)
@settings(max_examples=50, deadline=None)
def test_more_potash_is_never_less_lye_heavy(recipe: Recipe) -> None:
    """Adding potash can only raise the ratio and the chance of being lye-heavy."""
    more = Recipe(recipe.oils, (recipe.koh_kg or 0) * 1.1, recipe.koh_purity, recipe.water_kg)
    before, after = lye_balance(recipe), lye_balance(more)
    assert before.ratio < after.ratio
    assert before.probabilities["lye-heavy"] <= after.probabilities["lye-heavy"]


# --- the budget ---------------------------------------------------------------------------------------------------


@given(weighed, st.floats(0.05, 20.0))
@settings(max_examples=50, deadline=None)
def test_scaling_scales_everything(recipe: Recipe, factor: float) -> None:
    """A batch ``factor`` times as large has that many times the moles, heat, mass and water, at the same ratio."""
    one, other = heat_budget(recipe), heat_budget(scale_recipe(recipe, factor))
    for extensive in (
        "limiting_mol", "koh_mol", "ester_mol", "mass_kg", "water_kg", "heat_available_kj", "heat_likeliest_kj",
        "volume_l", "soap_kg",
    ):  # fmt: skip
        assert getattr(other, extensive) == pytest.approx(factor * getattr(one, extensive), rel=1e-9), extensive
    assert other.potash_left_g == pytest.approx(factor * one.potash_left_g, rel=1e-6, abs=1e-6)
    assert other.lye_ratio == pytest.approx(one.lye_ratio, rel=1e-12)
    contents = one.heat_capacity_start_kj_k - one.bucket_kj_k
    assert other.heat_capacity_start_kj_k - other.bucket_kj_k == pytest.approx(factor * contents, rel=1e-9)


@given(weighed)
@settings(max_examples=100, deadline=None)
def test_mass_is_conserved(recipe: Recipe) -> None:
    """Soap, glycerol, oil left, potash left and water weigh what was put in."""
    filled, budget = fill_in(recipe), heat_budget(recipe)
    reacted = budget.limiting_mol
    glycerol = reacted / 3.0 * GLYCEROL_G_PER_MOL / 1000.0
    oil_left = filled.oil_kg - reacted * KOH_G_PER_MOL / filled.sv_mean
    koh_left = filled.pure_koh_kg - reacted * KOH_G_PER_MOL / 1000.0
    together = soap_kg(filled, reacted) + glycerol + oil_left + koh_left + filled.total_water_kg
    assert together == pytest.approx(budget.mass_kg, rel=1e-9)
    assert min(oil_left, koh_left) == pytest.approx(0.0, abs=1e-9 * budget.mass_kg)
    put_in = math.fsum(share.kg or 0.0 for share in recipe.oils) + (recipe.koh_kg or 0.0) + (recipe.water_kg or 0.0)
    assert budget.mass_kg == pytest.approx(put_in, rel=1e-12)


@given(gappy, vessels)
@settings(max_examples=100, deadline=None)
def test_a_budget_never_raises_and_is_always_finite(recipe: Recipe, vessel: Vessel | None) -> None:
    """Whatever is missing from a checked recipe, the budget is finite and positive and names what was guessed."""
    mended, _ = without_bad_numbers(recipe)
    check_recipe(mended)
    budget = heat_budget(mended, vessel)
    for name in budget.__dataclass_fields__:
        value = getattr(budget, name)
        if isinstance(value, float):
            assert math.isfinite(value) and value >= 0.0, name
    assert budget.limiting_mol > 0 and budget.heat_capacity_start_kj_k > 0 and budget.limiting_mol_sd > 0
    assert budget.limiting in {"koh", "oil", "unsure"}
    assert ("unweighed_koh" in budget.assumed) == (mended.koh_kg is None)
    assert ("unknown_purity" in budget.assumed) == (mended.koh_purity is None)
    assert ("unweighed_water" in budget.assumed) == (mended.water_kg is None)
    assert ("unweighed_oil" in budget.assumed) == (not mended.oils or any(s.kg is None for s in mended.oils))
    assert set(budget.assumed) <= set(ASSUMED_IN_WORDS)
    lye_balance(mended)
    lye_temperature(mended)
    dilution(mended)
    potash_left(mended, 0.9, 0.05)
    recipe_warnings(mended)


def test_a_guess_is_near_the_truth_and_less_certain() -> None:
    """What nobody weighed is guessed within 10 % of the usual recipe's, and its uncertainty grows."""
    known = heat_budget(USUAL)
    for recipe in (
        Recipe(USUAL.oils, None, 0.90, 1.0),
        Recipe(USUAL.oils, 0.640, None, 1.0),
        Recipe((OilShare("rapeseed", None),), 0.640, 0.90, 1.0),
        Recipe(USUAL.oils, 0.640, 0.90, None),
        Recipe((OilShare("zork", 3.31),), 0.640, 0.90, 1.0),
    ):
        guessed = heat_budget(recipe)
        assert guessed.limiting_mol == pytest.approx(known.limiting_mol, rel=0.1)
        assert guessed.heat_capacity_start_kj_k == pytest.approx(known.heat_capacity_start_kj_k, rel=0.1)
        wider = (guessed.limiting_mol_sd, guessed.heat_capacity_rel_sd, guessed.lye_ratio_sd)
        assert any(
            g > 1.2 * k
            for g, k in zip(wider, (known.limiting_mol_sd, known.heat_capacity_rel_sd, known.lye_ratio_sd), strict=True)
        )
        assert guessed.assumed


def test_a_missing_second_oil_takes_what_the_potash_leaves() -> None:
    """Of two oils with one unweighed, the other's mass follows from the potash by the usual ratio."""
    recipe = Recipe((OilShare("rapeseed", 2.0), OilShare("sunflower", None)), 0.640, 0.90, 1.0)
    filled = fill_in(recipe)
    assert filled.koh_mol / filled.ester_mol == pytest.approx(0.93)
    assert filled.oils[1].kg == pytest.approx(1.29, abs=0.03)


def test_limiting_side() -> None:
    """Short of lye the potash limits, lye-heavy the oil does, and near the balance it is unsure."""
    assert heat_budget(USUAL).limiting == "koh"
    assert heat_budget(HEAVY).limiting == "oil"
    assert heat_budget(Recipe(USUAL.oils, 0.690, 0.90, 1.0)).limiting == "unsure"


def test_completeness_is_of_the_recipe_as_entered() -> None:
    """A bag weaker than entered does not change what is promised: it shows in ``reachable``, below 1."""
    budget = heat_budget(USUAL)
    assert budget.limiting_mol == pytest.approx(0.640 * 0.90 * 1000 / KOH_G_PER_MOL)
    assert 0.95 < budget.reachable < 1.0
    assert budget.limiting_mol_sd / budget.limiting_mol < 0.01


def test_the_sd_of_the_heat_holds_the_constant() -> None:
    """The heat's relative sd is at least that of the heat of saponification."""
    budget = heat_budget(USUAL)
    heat = SAPONIFICATION_HEAT_KJ_MOL
    assert budget.heat_available_sd_kj / budget.heat_available_kj >= heat.sd / heat.mean
    assert heat.low < heat.likeliest < heat.mean < heat.high


def test_reacting_raises_the_heat_capacity() -> None:
    """A reacted batch holds more heat per kelvin than it did at the pour, and nothing reacted equals the start."""
    budget, filled = heat_budget(USUAL), fill_in(USUAL)
    assert budget.heat_capacity_end_kj_k > budget.heat_capacity_start_kj_k
    assert reacted_kj_k(filled, 0.0) + budget.bucket_kj_k == pytest.approx(budget.heat_capacity_start_kj_k)


def test_the_bucket_counts_by_its_litres_and_by_how_full_it_is() -> None:
    """A larger bucket adds more heat capacity; a full bucket of 22 litres adds 1.5 kJ/K."""
    assert heat_budget(USUAL, Vessel(40)).bucket_kj_k > heat_budget(USUAL, Vessel(10)).bucket_kj_k
    full = scale_recipe(USUAL, 22.0 / heat_budget(USUAL).volume_l)
    assert heat_budget(full, Vessel(22)).bucket_kj_k == pytest.approx(1.5)


# --- bad recipes --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("recipe", "field"),
    [
        (Recipe((OilShare("olive", 0.0),)), "olive"),
        (Recipe((OilShare("olive", -1.0),)), "olive"),
        (Recipe((OilShare("olive", 9000.0),)), "olive"),
        (Recipe(koh_kg=640.0), "koh_kg"),
        (Recipe(koh_kg=-0.1), "koh_kg"),
        (Recipe(koh_kg=math.nan), "koh_kg"),
        (Recipe(koh_kg=True), "koh_kg"),
        (Recipe(koh_kg="0.64"), "koh_kg"),  # type: ignore[arg-type]
        (Recipe(koh_purity=90.0), "koh_purity"),
        (Recipe(koh_purity=0.0), "koh_purity"),
        (Recipe(water_kg=math.inf), "water_kg"),
        (Recipe((OilShare("olive", 3.0),), 30.0, 0.9, 1.0), "decimal point"),
    ],
)
def test_a_recipe_that_cannot_be_is_refused(recipe: Recipe, field: str) -> None:
    """Zero, negative, absurd and non-numbers are refused in one sentence that names field and range."""
    with pytest.raises(BadRecipe) as refused:
        check_recipe(recipe)
    sentence = str(refused.value)
    assert field in sentence and "between" in sentence and "\n" not in sentence
    mended, sentences = without_bad_numbers(recipe)
    check_recipe(mended)
    heat_budget(mended)
    assert sentences


def test_a_good_recipe_loses_nothing() -> None:
    """Mending a recipe that can be leaves it as it is, and says nothing."""
    assert without_bad_numbers(USUAL) == (USUAL, ())


@pytest.mark.parametrize("factor", [0.0, -1.0, math.nan, math.inf, 1e9])
def test_a_bad_factor_is_refused(factor: float) -> None:
    """A recipe is not scaled by nothing, by less than nothing or beyond any bucket."""
    with pytest.raises(BadRecipe):
        scale_recipe(USUAL, factor)


@given(
    st.lists(
        st.builds(OilShare, st.sampled_from([oil.name for oil in OILS]), st.floats(0.5, 20)), min_size=1, max_size=4
    )
)
@settings(max_examples=50, deadline=None)
def test_a_planned_recipe_meets_its_target(oils: list[OilShare]) -> None:
    """A plan has the ratio that was asked for, never above it, to a gram of potash."""
    planned = plan_recipe(oils, purity=0.88, lye_ratio_target=0.95)
    balance = lye_balance(planned)
    assert balance.entered_ratio <= 0.95 + 1e-9
    assert balance.entered_ratio == pytest.approx(0.95, rel=0.011)


@pytest.mark.parametrize(
    "arguments",
    [
        {"oils": []},
        {"oils": [OilShare("olive", None)]},
        {"oils": [OilShare("olive", 3.0)], "purity": 9.0},
        {"oils": [OilShare("olive", 3.0)], "lye_ratio_target": 1.2},
        {"oils": [OilShare("olive", 3.0)], "water_per_koh": 0.2},
    ],
)
def test_a_bad_plan_is_refused(arguments: dict) -> None:
    """No oil, no mass, an impossible purity, a lye-heavy aim and too little water to dissolve in are refused."""
    with pytest.raises(BadRecipe):
        plan_recipe(**arguments)


# --- lye, dilution, potash left -----------------------------------------------------------------------------------


def test_the_mix_lies_between_lye_and_oil_and_turns_round() -> None:
    """The mix is between its two temperatures, and the lye for a wanted mix gives that mix."""
    assert 20.0 < mixed_c(USUAL, 90.0, 20.0) < 90.0
    assert mixed_c(USUAL, lye_c_for_mix(USUAL, 50.0, 20.0), 20.0) == pytest.approx(50.0)


@given(st.floats(0.0, 0.6), st.floats(0.0, 0.6))
@settings(deadline=None)
def test_stronger_lye_holds_less_heat_and_boils_hotter(one: float, other: float) -> None:
    """Heat capacity falls and boiling point rises with strength, all the way."""
    weak, strong = sorted((one, other))
    assert lye_kj_kg_k(weak) >= lye_kj_kg_k(strong) > 2.0
    assert lye_boiling_c(weak) <= lye_boiling_c(strong)


def test_lye_may_boil_at_altitude_or_with_little_water() -> None:
    """With little water, or high up, fresh potash can boil the lye; with a great deal of water it cannot."""
    assert lye_temperature(USUAL, 20.0).may_boil
    assert not lye_temperature(Recipe(USUAL.oils, 0.640, 0.90, 5.0), 20.0).may_boil
    tight = lye_temperature(Recipe(USUAL.oils, 0.640, 0.90, 0.4))
    assert not tight.dissolves and tight.high_c > lye_temperature(USUAL).high_c
    assert lye_temperature(USUAL, 20.0, 90.0).boiling_c == pytest.approx(lye_temperature(USUAL).boiling_c - 10.0)


def test_potash_left_falls_with_completeness_and_is_wide() -> None:
    """Less soap leaves more potash; even at a completeness of 1 some may be left, for the bag's truth is not known."""
    left = [potash_left(USUAL, c, 0.03).grams_per_litre for c in (0.6, 0.8, 0.9, 1.0)]
    assert [entry.mean for entry in left] == sorted((entry.mean for entry in left), reverse=True)
    assert left[3].high > 0.5
    assert left[2].likely > 1.0
    assert left[0].low > 5.0


def test_a_lye_heavy_batch_keeps_potash_at_completeness_one() -> None:
    """When all the oil is soap a lye-heavy recipe still holds its surplus, and the low end says so too."""
    left = potash_left(HEAVY, 1.0, 0.0)
    assert left.grams.low > 10.0
    assert left.grams.likely == pytest.approx(lye_balance(HEAVY).potash_to_spare_g.likely, rel=0.15)


def test_potash_left_goes_by_the_litres_it_is_diluted_to() -> None:
    """Twice the water, half the potash per litre; without litres the usual dilution counts."""
    thick, thin = potash_left(USUAL, 0.8, 0.02, 10.0), potash_left(USUAL, 0.8, 0.02, 20.0)
    assert thick.grams_per_litre.mean == pytest.approx(2 * thin.grams_per_litre.mean)
    assert potash_left(USUAL, 0.8, 0.02).litres == pytest.approx(dilution(USUAL).litres)


def test_room_in_the_bucket() -> None:
    """The usual batch blends and dilutes in 25 litres, not in 8; an unknown bucket gives no answer."""
    large, small = room(USUAL, Vessel(25)), room(USUAL, Vessel(8))
    assert large is not None and large.blends_well and large.dilutes_in_it
    assert small is not None and not small.blends_well and not small.dilutes_in_it
    assert room(USUAL, Vessel(None)) is None


def test_hard_water_takes_soap_in_proportion() -> None:
    """Twice the water or twice the hardness uses up twice the soap."""
    assert soap_lost_to_hardness_g(20, 2.0) == pytest.approx(2 * soap_lost_to_hardness_g(10, 2.0))
    assert soap_lost_to_hardness_g(20, 2.0) == pytest.approx(2 * soap_lost_to_hardness_g(20, 1.0))
