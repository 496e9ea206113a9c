"""What a plan leads one to expect: the bands of a good batch, what is advised, and what another size does to it."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import TYPE_CHECKING

from monitor.commands.plan_typed import Plan
from monitor.commands.taught import Taught
from monitor.domain import AMBIENT, INSULATIONS, Batch, LogEntry, Place, Reading, Recipe, Vessel
from monitor.trade.dilution import Room, room
from monitor.trade.filled import fill_in
from monitor.trade.planning import (
    LEAST_MIX_C,
    MOST_MIX_C,
    ExpectedBand,
    Recommendation,
    SizeOutlook,
    Way,
    recommend,
)
from monitor.trade.recipe import heat_budget

if TYPE_CHECKING:  # its libraries are heavy
    from monitor.heat.priors import History

PUBLISHED = Taught()
# When the curve is worth looking at, hours after blending: the deciding moment, the peak, bedtime, next morning.
SHOWN_H = (1 / 3, 1.0, 2.0, 4.0, 8.0, 12.0, 24.0)
# Finer, for what is weighed of it: minutes after blending.
_WEIGHED_MIN = (0.0, 10.0, 15.0, 20.0, 25.0, 30.0, 40.0, 50.0, 60.0, 80.0, 100.0, 120.0, 150.0, 180.0, 240.0, 480.0)
# How long it is blended, s for each kg, between 3 and 20 minutes: about ten minutes for the usual batch of 5 kg.
_BLEND_S_KG, _BLEND_S = 120.0, (180.0, 1200.0)
# A bucket of which nobody knows the litres, for each kg of mix: 22 litres for the usual batch.
_BUCKET_L_KG = 22.0 / 5.0


# ---- what is worked out --------------------------------------------------------------------------------------------


@dataclasses.dataclass(frozen=True, slots=True)
class Told:
    """What both people and programs are told."""

    space: Room | None
    shown: dict[str, ExpectedBand]
    advice: Recommendation
    sizes: tuple[SizeOutlook, SizeOutlook] | None
    history: History | None = None

    @staticmethod
    def of(plan: Plan, taught: Taught = PUBLISHED) -> tuple[Plan, Told]:
        """Work all of it out, with what earlier batches taught. The plan comes back with the mix recommended, where
        nobody stated one."""
        space = room(plan.recipe, plan.vessel, plan.strength)
        weighed_s = [60.0 * minute for minute in _WEIGHED_MIN]
        mixes = sorted({plan.mix_c, *(float(c) for c in range(int(LEAST_MIX_C), int(MOST_MIX_C) + 1, 5))})
        bands = {
            Way(mix_c, kind): expected_band(plan, kind, weighed_s, taught, mix_c=mix_c)
            for mix_c in mixes
            for kind in INSULATIONS
        }
        roomy = None if space is None else space.blends_well
        too_hot_c = plan.settings.place().too_hot_c
        advice = recommend(bands, Way(plan.mix_c, plan.vessel.insulation), too_hot_c, roomy=roomy)
        if not plan.mix_stated:
            plan = dataclasses.replace(plan, mix_c=advice.way.mix_c)
            advice = recommend(bands, Way(plan.mix_c, plan.vessel.insulation), too_hot_c, roomy=roomy)
        shown = {kind: expected_band(plan, kind, [3600.0 * h for h in SHOWN_H], taught) for kind in INSULATIONS}
        sizes = None
        if plan.original is not None:
            sizes = (_size(plan, plan.original, weighed_s, taught), _size(plan, plan.recipe, weighed_s, taught))
        # Of the covers the one that the bucket has been under most often is told.
        known = [taught.history(plan.bucket, Vessel(plan.vessel.litres, kind)) for kind in INSULATIONS]
        history = max((one for one in known if one is not None), key=lambda one: one.loss_batches, default=None)
        return plan, Told(space, shown, advice, sizes, history)


def blend_s(recipe: Recipe) -> float:
    """How long a batch of this mass is taken to be blended, s."""
    return min(max(_BLEND_S_KG * fill_in(recipe).mass_kg, _BLEND_S[0]), _BLEND_S[1])


def expected_band(
    plan: Plan,
    insulation: str,
    after_blend_s: Sequence[float],
    taught: Taught = PUBLISHED,
    *,
    mix_c: float | None = None,
    recipe: Recipe | None = None,
    litres: float | None = None,
) -> ExpectedBand:
    """Where a good batch's core stands (5, 50, 95 %) at so many seconds after blending, in still air."""
    vessel = Vessel(litres or plan.vessel.litres, insulation)
    mix_c = plan.mix_c if mix_c is None else mix_c
    history = taught.history(plan.bucket, vessel)
    return good_band(recipe or plan.recipe, vessel, plan.settings.place(), plan.air_c, mix_c, after_blend_s, history)


def good_band(  # noqa: PLR0917
    recipe: Recipe, vessel: Vessel, place: Place, air_c: float, mix_c: float, after_blend_s: Sequence[float],
    history: History | None = None,
) -> ExpectedBand:
    """The same of any recipe and vessel, poured at ``mix_c`` in air of ``air_c``; ``history`` is what earlier batches
    taught of the like, None for the published values alone."""
    from monitor.heat.estimator import Estimator

    blended_s = blend_s(recipe)
    last_s = max(after_blend_s) + blended_s + 3600.0
    batch = Batch("plan", "plan", 0.0, recipe, vessel, planned_dilution_s=last_s)
    estimator = Estimator(batch, place, history)
    estimator.note(LogEntry("poured", 0.0, 0.0, temperature_c=mix_c))
    estimator.note(LogEntry("blended", blended_s, blended_s))
    for minute in range(0, 60):
        estimator.update(Reading("plan", AMBIENT, 60.0 * minute, 60.0 * minute, air_c))
    band = estimator.band([blended_s + after_s for after_s in after_blend_s])
    low, mid, high = (tuple(float(c) for c in edge) for edge in (band.low_c, band.median_c, band.high_c))
    return ExpectedBand(tuple(after_blend_s), low, mid, high, estimator.good_peak())


def _size(plan: Plan, recipe: Recipe, after_blend_s: Sequence[float], taught: Taught) -> SizeOutlook:
    """How a batch of this size keeps its heat, bare, in a bucket in proportion to it."""
    from monitor.heat.balance import bucket_area_m2, loss_coefficient_w_k

    mass_kg = fill_in(recipe).mass_kg
    planned_kg = fill_in(plan.recipe).mass_kg
    litres = (plan.vessel.litres or _BUCKET_L_KG * planned_kg) * mass_kg / planned_kg
    budget = heat_budget(recipe, Vessel(litres))
    warm_k = 40.0  # a paste on its way down
    loss_w_k = float(loss_coefficient_w_k(bucket_area_m2(litres, budget.volume_l), warm_k))
    band = expected_band(plan, "bare", after_blend_s, taught, recipe=recipe, litres=litres)
    return SizeOutlook(
        mass_kg, 1000.0 * budget.heat_capacity_end_kj_k / loss_w_k, band.peak()[0], band.median_at(4 * 3600.0)
    )
