"""Three recipes of the Quillmarsh allotments (invented), worked on paper and set beside the plan.

The arithmetic stands here as a reader would write it down, with the numbers in it and none of the program's. Where they
come from: middles of the Codex saponification ranges and densities (``oils.csv``), M(KOH) 56.105, M(glycerol) 92.094,
M(water) 18.015 (atomic weights), and the numbers of common practice that ``constants.py`` lists.

Tolerances: a gram or a decilitre, which is the rounding of the paper; nothing is hidden in them.
"""

from __future__ import annotations

import pytest

from monitor.domain import OilShare, Recipe, Vessel
from monitor.trade.amounts import parse_blend
from monitor.trade.dilution import dilution, room
from monitor.trade.lye import lye_temperature, mixed_c
from monitor.trade.planning import Terms, oil_for_litres, recipe_for_oil, recipe_for_potash
from monitor.trade.recipe import lye_balance, plan_recipe

G = 0.0011  # kg: a gram, and the rounding of the paper


def test_winter_soap_from_the_oil_on_the_shelf() -> None:
    """Quillmarsh winter soap: 4.20 kg of sunflower oil, 90 % flakes, a 25 L bucket."""
    # Potash. Sunflower needs 187 to 194 mg of KOH a gram; the middle is (187 + 194) / 2 = 190.5.
    need_g = 4.20 * 190.5  # = 800.1 g of pure KOH for all of the oil
    wanted_g = 0.93 * need_g  # 7 % of the oil is left to spare: 744.1 g
    flakes_g = wanted_g / 0.90  # 90 % on the bag: 826.8 g, weighed down to 826 g
    assert (round(need_g, 1), round(wanted_g, 1), int(flakes_g)) == (800.1, 744.1, 826)
    # First water: 1.55 times the flakes = 1280.3 g.
    water_kg = 1.55 * 0.826
    plan = plan_recipe([OilShare("sunflower", 4.20)], 0.90)
    assert plan.koh_kg == pytest.approx(0.826, abs=1e-9)
    assert plan.water_kg == pytest.approx(water_kg, abs=G)
    assert water_kg == pytest.approx(1.280, abs=G)

    # Lye balance. 826 g of flakes hold 0.90 x 826 = 743.4 g of KOH; over the need:
    balance = lye_balance(plan)
    assert balance.entered_ratio == pytest.approx(743.4 / 800.1, abs=1e-4)  # 0.929: 7 % short
    assert balance.entered_ratio_high == pytest.approx(743.4 / (4.20 * 187), abs=1e-4)  # 0.947 at the low end
    assert balance.entered_ratio_low == pytest.approx(743.4 / (4.20 * 194), abs=1e-4)  # 0.912 at the high end

    # Soap. 743.4 / 56.105 = 13.250 mol take up 743.4 / 0.1905 = 3902.4 g of oil and set free a third as many
    # mol of glycerol, 13.250 / 3 x 92.094 = 406.8 g; what is neither is soap: 3902.4 + 743.4 - 406.8 = 4239.0 g.
    soap_kg = 4.2390
    by_hand_g = 743.4 / 0.1905 + 743.4 - 743.4 / 56.105 / 3 * 92.094
    assert by_hand_g == pytest.approx(1000.0 * soap_kg, abs=0.1)
    # Dilution. The paste weighs 4.200 + 0.826 + 1.280 = 6.306 kg. At 15.9 % soap the whole weighs 4.239 / 0.159
    # = 26.66 kg, so 20.35 kg of water; at 15.2 % 27.89 kg, so 21.58 kg. At 1.02 kg a litre: 26.1 to 27.3 L.
    diluted = dilution(plan)
    assert diluted.soap_kg == pytest.approx(soap_kg, abs=G)
    assert diluted.paste_kg == pytest.approx(6.306, abs=G)
    assert diluted.water_low_kg == pytest.approx(20.35, abs=0.01)
    assert diluted.water_high_kg == pytest.approx(21.58, abs=0.01)
    assert (diluted.litres_low, diluted.litres_high) == (pytest.approx(26.1, abs=0.1), pytest.approx(27.3, abs=0.1))

    # Room. Oil 4.20 / (0.9195 x 0.9982) = 4.576 L. Lye 2.106 kg at 743.4 / 2106 = 35.3 %: between 1.288 (30 %)
    # and 1.396 (40 %) 1.345 kg/L, 1.566 L. Together 6.14 L, a quarter of 25 L; diluted 27.3 L: does not fit.
    space = room(plan, Vessel(25.0))
    assert space is not None
    assert space.when_blended == pytest.approx(6.14 / 25.0, abs=0.001)
    assert space.free_when_blended_l == pytest.approx(25.0 - 6.14, abs=0.02)
    assert space.blends_well and not space.dilutes_in_it


def test_spring_soap_from_the_litres_wanted() -> None:
    """Quillmarsh spring soap: 70 % sunflower, 30 % rapeseed, 85 % flakes, 20 L with 15 % soap."""
    # 20 L at 1.02 kg/L weigh 20.4 kg; 15 % of it is soap: 3.060 kg. A kilogram of the oils needs 0.7 x 190.5 +
    # 0.3 x 187.5 = 189.6 g of KOH; 93 % of it is 176.3 g, 3.1428 mol. It takes up 930 g of the oil and frees
    # 3.1428 / 3 x 92.094 = 96.5 g of glycerol: soap 930 + 176.3 - 96.5 = 1009.8 g.
    soap_per_kg = (930.0 + 176.328 - 96.48) / 1000.0
    oil_kg = 3.060 / soap_per_kg  # 3.0302 kg
    blend, terms = parse_blend("sunflower 70 %, rapeseed 30 %"), Terms(purity=0.85, strength=0.15)
    assert oil_for_litres(blend, 20.0, terms) == pytest.approx(oil_kg, abs=G)
    assert oil_kg == pytest.approx(3.0302, abs=G)
    # Sunflower 0.7 x 3.0302 = 2.121 kg, rapeseed 0.3 x 3.0302 = 0.909 kg. Potash: (2.121 x 190.5 + 0.909 x
    # 187.5) x 0.93 / 0.85 = 574.5 x 0.93 / 0.85 = 628.6 g, weighed 628 g. First water 1.55 x 628 = 973 g.
    plan = recipe_for_oil(blend, oil_kg, terms)
    assert [share.kg for share in plan.oils] == [pytest.approx(2.121, abs=G), pytest.approx(0.909, abs=G)]
    assert plan.koh_kg == pytest.approx(0.628, abs=G)
    assert plan.water_kg == pytest.approx(0.973, abs=G)
    # Water to dilute: 20.4 - (2.121 + 0.909 + 0.628 + 0.973) = 15.77 kg, less a little, for the grams rounded
    # down.
    diluted = dilution(plan, 0.15)
    assert diluted.water_low_kg == diluted.water_high_kg == pytest.approx(15.77, abs=0.03)
    assert diluted.litres == pytest.approx(20.0, abs=0.03)
    assert lye_balance(plan).entered_ratio == pytest.approx(628 * 0.85 / 574.5, abs=1e-3)  # 0.929


def test_autumn_soap_from_the_potash_at_hand() -> None:
    """Quillmarsh autumn soap: high-erucic rapeseed, and the last 640 g of 90 % flakes."""
    # 0.90 x 640 = 576 g of KOH are to be 93 % of the need: need 576 / 0.93 = 619.4 g. High-erucic rapeseed
    # needs (168 + 181) / 2 = 174.5 g a kg: 619.4 / 174.5 = 3.549 kg of oil; up to the gram 3.550 kg. Water 1.55
    # x 640 = 992 g.
    plan = recipe_for_potash(parse_blend("high-erucic rapeseed"), 0.640)
    assert plan.oils[0].kg == pytest.approx(619.355 / 174.5, abs=G)
    assert pytest.approx(3.550, abs=G) == 619.355 / 174.5
    assert (plan.koh_kg, plan.water_kg) == (0.640, pytest.approx(0.992, abs=G))
    # The kitchen's oil would need 187.5: with this potash only 619.4 / 187.5 = 3.303 kg.
    kitchen = recipe_for_potash(parse_blend("canola"), 0.640)
    assert kitchen.oils[0].kg == pytest.approx(3.303, abs=G)
    # Taken for the kitchen's, 3.303 kg of the high-erucic oil get 576 / (3.303 x 174.5) = 0.9994 of their need:
    # balanced on paper, and with a good bag over it.
    mistaken = lye_balance(Recipe((OilShare("rapeseed oil, high erucic", 3.303),), 0.640, 0.90, 0.992))
    assert mistaken.entered_ratio == pytest.approx(0.9994, abs=0.0005)
    assert mistaken.probabilities["lye-heavy"] > 0.2

    # The lye. 576 / 56.105 = 10.267 mol of KOH in 992 + 64 = 1056 g, 58.62 mol, of water: 5.71 to one. The
    # table has 47.5 kJ/mol at 5 and 49.0 at 6: 48.56. That is 498.6 kJ. The flakes' own 64 g of water, 3.553
    # mol, have given off 42.97 each in the bag: 152.7 kJ. Left 345.9 kJ. 1.632 kg of lye at 35.3 %, 2.945
    # kJ/(kg K): 4.806 kJ/K, so 72.0 K.
    lye = lye_temperature(plan, 20.0)
    assert lye.likely_c == pytest.approx(20.0 + 345.9 / 4.806, abs=0.1)
    assert pytest.approx(92.0, abs=0.1) == 20.0 + 345.9 / 4.806
    # Into 3.55 kg of oil at 20 °C (2.0 kJ/(kg K), 7.10 kJ/K): (4.806 x 92 + 7.10 x 20) / 11.906 = 49.1 °C.
    assert mixed_c(plan, 92.0, 20.0) == pytest.approx((4.806 * 92.0 + 7.10 * 20.0) / 11.906, abs=0.1)
    assert mixed_c(plan, 92.0, 20.0) == pytest.approx(49.1, abs=0.1)
