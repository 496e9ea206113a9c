"""What one ended batch taught, from the draws of its last fit, and whether it may teach at all.

A curve that looks short of heat may come from a failed batch, or from a shed whose true heat per mole, or loss, lies
beside what is published. The curve cannot say which, and if only those that looked good taught, a shed would never
learn that it is the priors which err. A test of the free alkali can say: it decides for a batch that is only doubted.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from math import sqrt

import numpy as np

from monitor.domain import Batch, Estimate, LogEntry
from monitor.heat import model as m
from monitor.heat.estimator import Estimator
from monitor.heat.learning import Lesson, without_prior

# A batch that was good says so clearly: the weight of the good hypothesis (a judgement: better than its share of all
# batches, 0.53 in the priors), and where it ends at the least: below that "incomplete" rings.
LEAST_GOOD, LEAST_FINAL = 0.60, 0.90
# Loss and end of the reaction show in hours, not minutes. Judgement: in six a bare bucket has lost most of its warmth.
LEAST_HOURS = 6.0
_BAD_ENDS = ("held", "discarded")
# Titration, sampling and the corners of a bucket, as completeness; a judgement.
TESTED_SD = 0.015
_MATTERS_NOT = ("too_hot", "watch_fault")
_OF_PROBES = ("sensor_fault", "silent")
_OF_COMPLETENESS = ("not_taken", "cooled_early", "incomplete")
# Reasons that say no more than that the curve, by the priors, looked short of heat.
DOUBTS = ("doubted", "unsure")


def why_not(  # noqa: PLR0917
    batch: Batch, log: Sequence[LogEntry], estimate: Estimate | None, poured_at_s: float, raised: Collection[str],
    outcome: str = "",
) -> str:  # fmt: skip
    """The id of the first reason why a batch does not teach, "" where it does; ``raised``: kinds of its alarms."""
    if estimate is None:
        return "not_judged"
    if any(one.startswith("unweighed") for one in estimate.assumed):
        return "unweighed"
    if outcome in _BAD_ENDS:
        return "bad_end"
    if any(kind not in (*_MATTERS_NOT, *_OF_PROBES, *_OF_COMPLETENESS) for kind in raised):
        return "failed"
    if any(kind in _OF_PROBES for kind in raised):
        return "probe"
    if any(entry.kind == "reblended" for entry in log) or sum(entry.kind == "poured" for entry in log) > 1:
        return "mended"
    if estimate.at_s - poured_at_s < LEAST_HOURS * 3600.0:
        return "short"
    if any(kind in _OF_COMPLETENESS for kind in raised):
        return "doubted"
    if estimate.causes.get("good", 0.0) < LEAST_GOOD or estimate.final_completeness < LEAST_FINAL:
        return "unsure"
    return ""


def lesson_of(batch: Batch, estimator: Estimator, ended_s: float, reason: str, maker: str = "") -> Lesson:
    """The lesson of ``batch``, ended at ``ended_s``; ``reason`` as of ``why_not``.

    One that is doubted keeps its numbers, as they would be had it been good, for a test that comes later.
    """
    vessel = batch.vessel
    nothing = Lesson(batch.name, batch.bucket, ended_s, vessel.litres, vessel.insulation, maker, reason or "unsure")
    seen = estimator.if_good
    if reason not in ("", *DOUBTS) or seen is None or seen.x.shape[1] < 3:
        return nothing

    def of(row: int) -> tuple[float, float | None]:
        mean, sd = float(seen.x[row].mean()), float(seen.x[row].std())
        return without_prior(mean, sd, float(seen.centre[row]), float(seen.sd[row]))

    heat, loss, pace = of(m.HEAT), of(m.LOSS), of(m.RATE)
    completeness, sd = float(seen.final.mean()), float(seen.final.std())
    slope = 0.0
    if sd > 1e-4 and heat[1] is not None:
        slope = float(np.cov(seen.x[m.HEAT], seen.final)[0, 1]) / float(np.var(seen.final, ddof=1))
        # The prior was taken out of the heat's variance, which only grew by it: the slope's share must stay within it.
        slope = float(np.clip(slope, -0.95 * heat[1] / sd, 0.95 * heat[1] / sd))
    return Lesson(
        batch.name, batch.bucket, ended_s, vessel.litres, vessel.insulation, maker, reason,
        heat[0], heat[1], seen.mol_sd,
        loss[0], loss[1] if vessel.litres is not None and not estimator.cover_changes else None,
        pace[0], pace[1], completeness, sd, slope,
    )  # fmt: skip


def with_test(lesson: Lesson, tested: float) -> Lesson:
    """The lesson of a batch whose completeness is known by a test of its free alkali: the heat is what goes with it.

    A doubted batch teaches once its test says that it went far enough, and one that looked good does not once it says
    that it did not.
    """
    lesson = replace(lesson, tested=tested)
    if tested < LEAST_FINAL:
        return replace(lesson, why_not="tested_short") if lesson.why_not in ("", *DOUBTS) else lesson
    if lesson.why_not in DOUBTS and any(sd is not None for sd in (lesson.heat_sd, lesson.loss_sd, lesson.pace_sd)):
        lesson = replace(lesson, why_not="")
    if lesson.heat_sd is None or lesson.completeness_sd <= 0.0:
        return lesson
    known_sd = sqrt(TESTED_SD**2 + lesson.mol_sd**2)
    gain = lesson.completeness_sd**2 / (lesson.completeness_sd**2 + known_sd**2)
    slope = lesson.heat_per_completeness
    heat_ln = lesson.heat_ln + slope * gain * (tested - lesson.completeness)
    heat_var = lesson.heat_sd**2 - slope**2 * lesson.completeness_sd**2 * gain
    return replace(lesson, heat_ln=heat_ln, heat_sd=sqrt(max(heat_var, 1e-6)))
