"""Planning from any starting point, and the advice that is weighed from expected bands."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.domain import OilShare, Recipe, Vessel
from monitor.trade.constants import FULLEST_WHEN_BLENDED, FULLEST_WHEN_DILUTED
from monitor.trade.dilution import dilution, room
from monitor.trade.filled import NO_DOUBTS, Doubts, fill_in, purity_prior
from monitor.trade.oils import OILS
from monitor.trade.planning import (
    LEAST_MIX_C,
    ExpectedBand,
    Outlook,
    SizeOutlook,
    Terms,
    Way,
    blend_of,
    exact_recipe,
    litres_from_oil,
    oil_for_bucket,
    oil_for_litres,
    oil_for_potash,
    outlook,
    recipe_for_oil,
    recipe_for_potash,
    recommend,
    recommendation_sentences,
    regret,
    scale_to_grams,
    size_sentences,
)
from monitor.trade.recipe import BadRecipe, heat_budget, lye_balance, soap_kg
from monitor.units import GLYCEROL_G_PER_MOL, KOH_G_PER_MOL

names = st.sampled_from([oil.name for oil in OILS])


@st.composite
def blends(draw: st.DrawFn) -> tuple[tuple[str, float], ...]:
    """One to four oils and their shares, adding up to one."""
    chosen = draw(st.lists(names, min_size=1, max_size=4, unique=True))
    parts = [draw(st.floats(0.05, 1.0)) for _ in chosen]
    return tuple((name, part / math.fsum(parts)) for name, part in zip(chosen, parts, strict=True))


all_terms = st.builds(
    Terms,
    purity=st.floats(0.80, 0.95),
    lye_ratio=st.floats(0.85, 0.98),
    water_per_koh=st.floats(1.2, 2.0),
    strength=st.none() | st.floats(0.05, 0.30),
)


# --- starting points ----------------------------------------------------------------------------------------------


@given(blends(), st.floats(0.1, 100.0), all_terms)
@settings(max_examples=60, deadline=None)
def test_oil_to_litres_and_back(blend: tuple, oil_kg: float, terms: Terms) -> None:
    """The litres that so much oil gives ask for just that oil again."""
    assert oil_for_litres(blend, litres_from_oil(blend, oil_kg, terms), terms) == pytest.approx(oil_kg, rel=1e-9)


@given(blends(), st.floats(0.1, 100.0), all_terms)
@settings(max_examples=60, deadline=None)
def test_oil_to_potash_and_back(blend: tuple, oil_kg: float, terms: Terms) -> None:
    """The potash that so much oil needs asks for just that oil again."""
    koh_kg = exact_recipe(blend, oil_kg, terms).koh_kg
    assert koh_kg is not None
    assert oil_for_potash(blend, koh_kg, terms) == pytest.approx(oil_kg, rel=1e-9)


@given(blends(), st.floats(5.0, 120.0), all_terms, st.booleans())
@settings(max_examples=60, deadline=None)
def test_the_largest_batch_keeps_the_head_room_and_no_larger_one_does(
    blend: tuple, litres: float, terms: Terms, dilute_in_it: bool
) -> None:
    """It reaches the limit of blending or of diluting, and passes neither."""
    oil_kg = oil_for_bucket(blend, litres, terms, dilute_in_it=dilute_in_it)
    space = room(exact_recipe(blend, oil_kg, terms), Vessel(litres), terms.strength)
    assert space is not None
    shares = [space.when_blended / FULLEST_WHEN_BLENDED]
    if dilute_in_it:
        shares.append(space.when_diluted / FULLEST_WHEN_DILUTED)
    assert max(shares) == pytest.approx(1.0, rel=1e-9)


@given(blends(), st.floats(2.0, 100.0), all_terms, st.floats(0.1, 1.9))
@settings(max_examples=60, deadline=None)
def test_scaling_a_plan_scales_everything(blend: tuple, litres: float, terms: Terms, factor: float) -> None:
    """So many times the litres take that many times the oil, potash, water, soap and dilution water."""
    one = exact_recipe(blend, oil_for_litres(blend, litres, terms), terms)
    other = exact_recipe(blend, oil_for_litres(blend, factor * litres, terms), terms)
    assert other.koh_kg == pytest.approx(factor * (one.koh_kg or 0.0), rel=1e-9)
    assert other.water_kg == pytest.approx(factor * (one.water_kg or 0.0), rel=1e-9)
    for this, that in zip(one.oils, other.oils, strict=True):
        assert that.kg == pytest.approx(factor * (this.kg or 0.0), rel=1e-9)
    thin, thick = dilution(one, terms.strength), dilution(other, terms.strength)
    for field in ("water_low_kg", "water_high_kg", "litres", "soap_kg", "paste_kg"):
        assert getattr(thick, field) == pytest.approx(factor * getattr(thin, field), rel=1e-9, abs=1e-9), field


@given(blends(), st.floats(0.5, 50.0), all_terms)
@settings(max_examples=60, deadline=None)
def test_mass_is_conserved_through_paste_and_dilution(blend: tuple, oil_kg: float, terms: Terms) -> None:
    """Soap, glycerol, oil and potash left and all the water weigh what was put in, paste and diluted."""
    recipe = exact_recipe(blend, oil_kg, terms)
    filled, diluted = fill_in(recipe), dilution(recipe, terms.strength)
    mol = heat_budget(recipe).limiting_mol
    products = (
        soap_kg(filled, mol)
        + mol / 3.0 * GLYCEROL_G_PER_MOL / 1000.0
        + filled.oil_kg - mol * KOH_G_PER_MOL / filled.sv_mean
        + filled.pure_koh_kg - mol * KOH_G_PER_MOL / 1000.0
        + filled.total_water_kg
    )  # fmt: skip
    put_in = oil_kg + (recipe.koh_kg or 0.0) + (recipe.water_kg or 0.0)
    assert products == pytest.approx(put_in, rel=1e-9)
    assert diluted.paste_kg == pytest.approx(put_in, rel=1e-9)
    finished_kg = diluted.soap_kg / diluted.soap_share if terms.strength else None
    if finished_kg is not None:
        assert diluted.paste_kg + diluted.water_kg == pytest.approx(finished_kg, rel=1e-9)


@given(blends(), st.floats(0.5, 40.0), all_terms)
@settings(max_examples=40, deadline=None)
def test_what_is_weighed_out_is_never_stronger_than_meant(blend: tuple, oil_kg: float, terms: Terms) -> None:
    """Rounding to grams goes to the mild side, from oil and from potash."""
    from_oil = recipe_for_oil(blend, oil_kg, terms)
    from_potash = recipe_for_potash(blend, round(from_oil.koh_kg or 0.0, 3), terms)
    for recipe in (from_oil, from_potash):
        ratio = lye_balance(recipe).entered_ratio
        assert terms.lye_ratio * 0.97 < ratio <= terms.lye_ratio * (1 + 1e-9)


def test_proportions_of_weighed_oils() -> None:
    """Three to one by mass is 75 and 25 %; an oil without a mass has no proportion."""
    assert blend_of((OilShare("olive", 3.0), OilShare("palm", 1.0))) == (("olive", 0.75), ("palm", 0.25))
    with pytest.raises(BadRecipe, match="mass of each"):
        blend_of((OilShare("olive", None),))


def test_a_known_recipe_scaled_can_be_weighed() -> None:
    """Masses come out to a tenth of a gram, in the same proportion."""
    scaled = scale_to_grams(Recipe((OilShare("olive", 3.31),), 0.640, 0.90, 1.0), 1.0 / 3.0)
    assert (scaled.oils[0].kg, scaled.koh_kg, scaled.water_kg) == (1.1033, 0.2133, 0.3333)


@pytest.mark.parametrize("strength", [0.0, 0.5, -0.1, math.nan, 15.0])
def test_an_impossible_strength_is_refused(strength: float) -> None:
    """Between 2 and 40 % soap, in one sentence that says so."""
    with pytest.raises(BadRecipe, match="between 2 and 40 % is allowed"):
        dilution(Recipe((OilShare("olive", 3.31),), 0.640, 0.90, 1.0), strength)


def test_a_paste_that_is_weaker_than_wanted_is_refused() -> None:
    """With ten litres of first water nothing is left to dilute to 30 %."""
    with pytest.raises(BadRecipe, match="take less first water"):
        dilution(Recipe((OilShare("olive", 3.31),), 0.640, 0.90, 10.0), 0.30)


# --- the bag's age and the scale ----------------------------------------------------------------------------------


def test_a_bag_loses_with_its_age_and_is_known_less_well() -> None:
    """Mode and mean fall and the spread grows month by month; the upper end, the dangerous one, does not come down."""
    recipe = Recipe((OilShare("olive", 3.31),), 0.640, 0.90, 1.0)
    ages = [
        sorted(fill_in(recipe, doubts=Doubts(months)).strength_points(400)) for months in (0.0, 3.0, 6.0, 12.0, 24.0)
    ]
    means = [math.fsum(points) / len(points) for points in ages]
    assert means == sorted(means, reverse=True) and means[0] == pytest.approx(1.0, abs=0.005)
    lows, highs = [points[20] for points in ages], [points[380] for points in ages]
    assert lows == sorted(lows, reverse=True)
    assert [high - low for low, high in zip(lows, highs, strict=True)] == sorted(
        high - low for low, high in zip(lows, highs, strict=True)
    )
    assert min(highs) >= highs[0] - 0.002


def test_a_bag_of_unknown_age_is_reckoned_as_before() -> None:
    """Nobody said since when it is open: 85 to 92 % for 90 %, wider below than a new bag."""
    assert purity_prior(True) == purity_prior(True, None)
    assert purity_prior(True).shift == 0.0 and purity_prior(True).sd_below > purity_prior(True, 0.0).sd_below
    assert fill_in(Recipe(), doubts=NO_DOUBTS) == fill_in(Recipe())


def test_an_old_bag_makes_lye_heavy_less_likely_and_oil_to_spare_more() -> None:
    """What a balanced recipe is worth depends on the bag."""
    recipe = Recipe((OilShare("rapeseed", 3.31),), 0.690, 0.90, 1.07)
    new, old = lye_balance(recipe, Doubts(0.0)), lye_balance(recipe, Doubts(12.0))
    assert old.probabilities["lye-heavy"] < new.probabilities["lye-heavy"]
    assert old.oil_to_spare_g.mean > new.oil_to_spare_g.mean
    assert old.entered_ratio == new.entered_ratio


def test_a_coarse_scale_widens_the_balance() -> None:
    """A scale that may be 50 g wrong says less than one that may be 1 g wrong; the usual scale lies between."""
    recipe = Recipe((OilShare("rapeseed", 3.31),), 0.640, 0.90, 1.0)
    fine, usual, coarse = (
        lye_balance(recipe, doubts).ratio_sd for doubts in (Doubts(scale_error_kg=0.001), NO_DOUBTS, Doubts(0.0, 0.050))
    )
    assert fine < coarse and fill_in(recipe, doubts=Doubts(scale_error_kg=0.005)).koh_kg_sd == pytest.approx(0.0025)
    assert lye_balance(recipe, Doubts(scale_error_kg=0.001)).ratio_sd <= usual


# --- the advice ---------------------------------------------------------------------------------------------------


def band(*medians: float, spread: float = 8.0) -> ExpectedBand:
    """A band through medians at 0, 20, 40, 60, 120 and 180 minutes after blending."""
    times = (0.0, 1200.0, 2400.0, 3600.0, 7200.0, 10800.0)
    return ExpectedBand(times, tuple(m - spread for m in medians), tuple(medians), tuple(m + spread for m in medians))


COOL = band(40.0, 50.0, 58.0, 60.0, 50.0, 38.0)
GOOD = band(55.0, 82.0, 84.0, 80.0, 66.0, 46.0)
HOT = band(60.0, 98.0, 97.0, 92.0, 80.0, 70.0)


def test_the_outlook_is_read_from_the_band() -> None:
    """Half are above the median, 5 % above the high edge; every limit counts only in its own time."""
    seen = outlook(GOOD, 92.0)
    assert seen.too_hot == pytest.approx(0.05, abs=1e-6) and seen.peak_c == 84.0 and seen.peak_after_s == 2400.0
    assert outlook(GOOD, 84.0).too_hot == pytest.approx(0.5, abs=1e-6)
    assert outlook(band(0, 75.0, 75.0, 99, 99, 45.0), 200.0).taken == pytest.approx(0.5, abs=1e-6)
    assert outlook(band(0, 75.0, 75.0, 99, 99, 45.0), 200.0).carries == pytest.approx(0.5, abs=1e-6)
    assert outlook(band(99.0, 20.0, 20.0, 99.0, 20.0, 20.0), 200.0).taken == pytest.approx(0.0, abs=1e-6)


def test_a_band_without_width_is_certain() -> None:
    """Three equal figures say yes or no, and nothing divides by nothing."""
    flat = band(10, 80, 80, 80, 80, 80, spread=0.0)
    assert outlook(flat, 95.0) == Outlook(taken=1.0, too_hot=0.0, carries=1.0, peak_c=80.0, peak_after_s=1200.0)


def test_pour_warmer_when_a_cool_one_would_not_take() -> None:
    """The warmer of two mixes is advised, and the sentences say both chances."""
    bands = {Way(50.0, "bare"): COOL, Way(60.0, "bare"): GOOD}
    advice = recommend(bands, Way(50.0, "bare"), 95.0, roomy=True)
    assert advice.way == Way(60.0, "bare") and advice.pour == "warmer"
    text = " ".join(recommendation_sentences(advice))
    assert "pour warmer, at 60 °C instead of 50 °C" in text and "As aimed" in text and "Do not cover" in text


def test_cover_it_when_bare_would_not_take() -> None:
    """The cover that takes is advised at the same mix."""
    bands = {Way(55.0, "bare"): COOL, Way(55.0, "blanket"): GOOD, Way(55.0, "box"): HOT}
    advice = recommend(bands, Way(55.0, "bare"), 95.0, roomy=True)
    assert advice.way == Way(55.0, "blanket") and advice.pour == "as aimed"
    assert "Cover it with a blanket" in recommendation_sentences(advice)[0]


def test_do_not_cover_what_gets_too_hot() -> None:
    """A box that passes the limit is taken off the plan."""
    bands = {Way(55.0, "bare"): GOOD, Way(55.0, "blanket"): HOT, Way(55.0, "box"): HOT}
    advice = recommend(bands, Way(55.0, "box"), 95.0, roomy=True)
    assert advice.way == Way(55.0, "bare")
    assert advice.cover_after_peak and any("passed its peak" in line for line in recommendation_sentences(advice))


def test_pour_cooler_when_it_would_boil() -> None:
    """The cooler of two warm mixes, but never below 50 °C."""
    bands = {Way(50.0, "bare"): GOOD, Way(60.0, "bare"): HOT, Way(40.0, "bare"): GOOD}
    advice = recommend(bands, Way(60.0, "bare"), 95.0, roomy=True)
    assert advice.way == Way(50.0, "bare") and advice.pour == "cooler"


def test_a_mix_below_fifty_degrees_is_never_recommended() -> None:
    """Even where its band looks no worse: a batch that starts cool does not carry itself."""
    bands = {Way(40.0, "bare"): GOOD, Way(LEAST_MIX_C, "bare"): GOOD}
    assert recommend(bands, Way(40.0, "bare"), 95.0).way.mix_c == LEAST_MIX_C


def test_nothing_is_changed_for_a_trifle() -> None:
    """Another way that is hardly better is not worth a change."""
    better = band(55.0, 82.2, 84.0, 80.0, 66.0, 46.0)
    bands = {Way(55.0, "bare"): GOOD, Way(60.0, "bare"): better}
    assert recommend(bands, Way(55.0, "bare"), 95.0, roomy=True).way == Way(55.0, "bare")


def test_little_head_room_weighs_too_hot_twice() -> None:
    """The same chance of passing the limit is feared more in a full bucket, and more in one that nobody knows."""
    seen = Outlook(0.9, 0.3, 1.0, 90.0, 1800.0)
    assert regret(seen, roomy=True) < regret(seen, roomy=False) == regret(seen, roomy=None)
    bands = {
        Way(50.0, "bare"): band(50.0, 77.0, 78.0, 75.0, 60.0, 50.0),
        Way(60.0, "bare"): band(60, 92, 92, 90, 75, 60),
    }
    roomy, full = (recommend(bands, Way(60.0, "bare"), 95.0, roomy=answer) for answer in (True, False))
    assert full.way.mix_c <= roomy.way.mix_c and full.way.mix_c == 50.0
    assert any("larger bucket" in line for line in recommendation_sentences(full))


@given(st.lists(st.tuples(st.floats(-10, 110), st.floats(0, 40), st.floats(0, 40)), min_size=6, max_size=6))
@settings(max_examples=80, deadline=None)
def test_any_band_gives_chances_between_nothing_and_one(points: list[tuple[float, float, float]]) -> None:
    """Whatever the band, every chance is one, and hotter limits are passed less often."""
    times = (0.0, 1200.0, 2400.0, 3600.0, 7200.0, 10800.0)
    any_band = ExpectedBand(
        times, tuple(m - a for m, a, _ in points), tuple(m for m, _, _ in points), tuple(m + b for m, _, b in points)
    )
    seen = outlook(any_band, 95.0)
    assert all(0.0 <= chance <= 1.0 for chance in (seen.taken, seen.too_hot, seen.carries))
    assert outlook(any_band, 99.0).too_hot <= seen.too_hot
    for line in recommendation_sentences(recommend({Way(55.0, "bare"): any_band}, Way(55.0, "bare"), 95.0)):
        assert "nan" not in line and "safe" not in line.lower() and "100 %" not in line


def test_another_size_is_warned_of_with_numbers() -> None:
    """Smaller keeps less, larger runs hotter, nearly the same says nothing."""
    known = SizeOutlook(5.0, 2.5 * 3600, 85.0, 50.0)
    small = " ".join(size_sentences(known, SizeOutlook(1.0, 1.5 * 3600, 78.0, 33.0)))
    assert "keeps less heat" in small and "1.5 h instead of 2.5 h" in small and "78 °C instead of 85 °C" in small
    large = " ".join(size_sentences(known, SizeOutlook(20.0, 4.4 * 3600, 92.0, 66.0)))
    assert "runs hotter" in large and "4.4 h instead of 2.5 h" in large and "66 °C instead of 50 °C" in large
    assert size_sentences(known, SizeOutlook(5.3, 2.6 * 3600, 85.0, 51.0)) == ()
