"""The trade's numbers and what each rests on, in one place.

Every number says beside it where it comes from: a named source, "computed" from such values, "common practice"
for a fact of the trade without a source, or "from memory" for a value that nobody on the project has seen in print.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Prior:
    """What is believed of a constant before any curve is seen: likeliest value, range, mean and one sd."""

    likeliest: float
    low: float
    high: float
    mean: float
    sd: float


# Heat of saponification, kJ per mol of KOH used up. No calorimetry of an oil with potash was found: 55 rests on a Hess
# cycle over ethyl acetate (NIST WebBook and NBS 1982 formation enthalpies: 53.7, 55 or 64.4 by what state the alcohol
# ends in) and on the heat of neutralising a weak acid (about 55 to 56). It is bounded by 48 and 70.
# The range reaches further up than down, because dilution of the strong lye, the mixing of the glycerol and the
# forming of soap phases can only add. So the mean is that of a PERT (beta) distribution over the three numbers,
# (48 + 4*55 + 70)/6 = 56.3; its sd would be 4.0 and is taken as 5.0, since neither bound is a hard one.
SAPONIFICATION_HEAT_KJ_MOL = Prior(likeliest=55.0, low=48.0, high=70.0, mean=(48.0 + 4 * 55.0 + 70.0) / 6.0, sd=5.0)

# --- heat capacities, kJ/(kg K) -----------------------------------------------------------------------------------
OIL_KJ_KG_K = 2.0  # 1.9-2.2 between 20 and 80 °C; from memory
SOAP_KJ_KG_K = 2.1  # dry potassium soap, 1.9-2.5; estimate from fatty acids, from memory, low confidence
GLYCEROL_KJ_KG_K = 2.4  # 2.4-2.6; handbook, from memory
WATER_KJ_KG_K = 4.19  # 4.18-4.22 between 20 and 100 °C; consistent with IAPWS-95, seen

# Lye by mass fraction of KOH. Perry's Chemical Engineers' Handbook, specific heats of aqueous solutions at 19 °C
# (0.975, 0.93, 0.814, 0.75 cal/(g K) at 0.5, 1.64, 4.76, 9.09 mol %; from memory); 35 % extrapolated from it, 2.8-3.1.
LYE_KJ_KG_K = ((0.0, WATER_KJ_KG_K), (0.015, 4.08), (0.049, 3.89), (0.135, 3.41), (0.237, 3.14), (0.35, 2.95))

# A 20 to 25 litre plastic bucket warmed all through, kJ/K: some 0.7 kg of polyethylene at about 2.1 kJ/(kg K). Memory.
BUCKET_KJ_K = 1.5
BUCKET_LITRES = 22.0

# One sd, relative, of the whole batch's heat capacity worked out by mixing (computed: range 2.1-2.8 kJ/(kg K)
# over all recipes, each constituent within some 5 %).
HEAT_CAPACITY_REL_SD = 0.05

# --- potash and lye -----------------------------------------------------------------------------------------------
# Integral heat of solution, kJ per mol KOH, by mol of water per mol of KOH; +/- 3. NBS 1982 and Parker 1965 recalled:
# from memory, low confidence, except the last.
SOLUTION_HEAT_KJ_MOL = ((3.0, 41.0), (5.0, 47.5), (6.0, 49.0), (10.0, 53.0), (20.0, 55.0), (1000.0, 57.61))
# At infinite dilution, 25 °C: CRC Handbook, "Enthalpy of solution of electrolytes", after Parker, NSRDS-NBS 2
# (1965); seen.
SOLUTION_HEAT_INFINITE_KJ_MOL = 57.61
MONOHYDRATE_SOLUTION_HEAT_KJ_MOL = 14.64
# The likely range about the table above at lye strength: 45 to 52 where the table says 49.
SOLUTION_HEAT_LOW_SHARE, SOLUTION_HEAT_HIGH_SHARE = 45.0 / 49.0, 52.0 / 49.0

# Boiling point of lye by mass fraction, °C, +/- 4; makers' handbooks, from memory.
LYE_BOILING_C = ((0.30, 113.0), (0.40, 125.0), (0.45, 132.0), (0.50, 143.0))
# Density of lye at 20 °C, kg/L; CRC and Perry density tables, from memory.
LYE_KG_L = ((0.0, 0.998), (0.10, 1.090), (0.20, 1.186), (0.30, 1.288), (0.40, 1.396), (0.45, 1.452), (0.50, 1.511))
# Saturated at 20 °C: 112 g KOH per 100 g water (encyclopaedia entry, seen).
LYE_SATURATED_SHARE = 112.0 / 212.0

# What a bag that says 90 % really holds: mostly less, since an opened bag draws water and carbon dioxide. About
# 0.85 to 0.92 (common practice), taken as 5 to 95 %: a split normal about the printed figure, wide below, narrow above.
PURITY_SD_BELOW, PURITY_SD_ABOVE = 0.028, 0.013
# When no purity was noted: flakes are sold as 85 to 92 % (encyclopaedia entry and one supplier's sheet, seen).
PURITY_USUAL = 0.90
PURITY_UNKNOWN_SD_BELOW, PURITY_UNKNOWN_SD_ABOVE = 0.033, 0.025

# The same where it is known since when the bag is open (common practice and reasoning; nobody's measurement). A bag
# opened today holds what was printed, within what a maker allows: sd 1.2 points below, 1.3 above. Open, it draws water
# and carbon dioxide: some 0.4 points a month folded over and clipped (0.1 to 1 by air and clip), at the most 8, where
# flakes have become a crust that nobody would weigh. How much is uncertain by six tenths of itself. The upper end stays
# where it was, for a bag kept well shut loses nothing, and stronger potash than reckoned is the dangerous side.
BAG_FRESH_SD_BELOW = 0.012
BAG_LOSS_PER_MONTH, BAG_LOSS_MOST, BAG_LOSS_REL_SD = 0.004, 0.08, 0.6

# A kitchen scale: one sd of 0.3 % and 1 g. Common practice. A scale error that somebody names is taken as two sd.
SCALE_REL_SD, SCALE_SD_KG = 0.003, 0.001

# --- the usual recipe, for what nobody weighed (common practice) ----------------------------------------------------
USUAL_LYE_RATIO, USUAL_LYE_RATIO_SD = 0.93, 0.05
USUAL_WATER_PER_KOH, USUAL_WATER_REL_SD = 1.55, 0.25  # kg water per kg of flakes
USUAL_OIL_KG_PER_BUCKET_LITRE, USUAL_OIL_REL_SD = 0.14, 0.45
UNWEIGHED_SHARE_REL_SD = 0.35  # of the part of the oil that has to be guessed when the potash tells nothing
UNKNOWN_PURITY_REL_SD = 0.03

# Ratio of lye to need: below, oil is left to spare; above 1, potash is left. 4 to 10 % short is the usual margin.
BALANCED_FROM, BALANCED_TO = 0.98, 1.00
USUAL_MARGIN = (0.90, 0.96)

# Soap in the finished dilution, mass fraction: the common practice of 16 to 17 L of water to 3.31 kg of rapeseed oil,
# 0.64 kg of 90 % flakes and 1 kg of water. Density of the finished liquid about 1.02 kg/L (from memory).
DILUTE_SOAP_SHARE_LOW, DILUTE_SOAP_SHARE_HIGH = 0.152, 0.159
DILUTE_KG_L = 1.02
# How strong the finished liquid may be planned: below, it is hardly soap; above, it stays a jelly. Common practice.
DILUTE_SOAP_SHARE = (0.02, 0.40)

# Head-room (common practice): at most half full when blended, for foam, splashes and boiling; nine tenths when diluted.
FULLEST_WHEN_BLENDED, FULLEST_WHEN_DILUTED = 0.5, 0.9

# Oils swell by about 0.00068 g/mL for every kelvin (from memory); relative densities are against water at 20 °C.
OIL_EXPANSION_KG_L_K = 0.00068
WATER_20C_KG_L = 0.9982
