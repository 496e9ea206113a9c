"""What earlier batches teach the next one: heat, loss and pace as they showed them become its priors.

* **Heat**: one constant of nature (and what the computed heat capacity is off by), so all batches of a journal teach
  it, within the published range. A batch whose free alkali was tested is known to have gone that far, and teaches more.
* **Loss**: of this bucket with this volume and this cover.
* **Pace**: how fast a good blend of this maker goes; where nobody is named, of all.

Only good batches teach (``Lesson.why_not``, ``lessons``), never fewer than ``LEAST`` of them, and none that is far from
the rest: so no failed batch becomes what is usual, and no single one moves anything. How they are put together:
``pooling``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from math import sqrt

from monitor.heat import priors
from monitor.heat.pooling import not_odd, shrunk
from monitor.heat.priors import History

# Fewer cannot show which of them is odd.
LEAST = 3
# Older ones than the newest so many say less of today's bucket, blender and potash. Judgement.
MOST = 60
# What batches of one shed differ by in truth, before they have shown it (guesses), and as how many that counts.
USUAL_HEAT_TAU, USUAL_LOSS_TAU, USUAL_PACE_TAU = 0.03, 0.15, 0.30
USUAL_COUNTS = 4.0
# Never surer than this of the next batch, however alike they were: recipes change, and the form of the model errs.
LEAST_HEAT_SD, LEAST_LOSS_SD, LEAST_PACE_SD = 0.03, 0.10, 0.25
# How far history may carry heat, loss and pace from their published centres, in the sd of those. Judgement: as far as
# seven batches in eight lie, so that no season, however odd, makes usual what the published values call rare. For the
# heat it is 49.4 to 64.6 kJ per mole, within the range that was published (priors: 48 to 70).
MOST_DRIFT_SD = 1.5


@dataclass(frozen=True, slots=True)
class Lesson:
    """What one ended batch taught; plain values, for the journal. All ``_ln`` are logarithms of factors on the priors.

    The numbers are the curve's own, with the batch's prior taken out; an sd of None says that it taught nothing of it.
    ``mol_sd``: how well its potash or oil was known. ``heat_per_completeness``: by how much the heat would have to be
    less had more of it reacted. ``why_not``: the id of the reason why it does not teach, "" where it does. ``known_s``:
    worked out again by what was known then, Unix seconds; 0 where it is that of the end.
    """

    batch: str
    bucket: str
    ended_s: float
    litres: float | None = None
    insulation: str = "bare"
    maker: str = ""
    why_not: str = ""
    heat_ln: float = 0.0
    heat_sd: float | None = None
    mol_sd: float = 0.0
    loss_ln: float = 0.0
    loss_sd: float | None = None
    pace_ln: float = 0.0
    pace_sd: float | None = None
    completeness: float = 0.0
    completeness_sd: float = 0.0
    heat_per_completeness: float = 0.0
    tested: float | None = None
    known_s: float = 0.0


def history_from(
    lessons: Iterable[Lesson], *, before_s: float, bucket: str, litres: float | None, insulation: str, maker: str = ""
) -> History:
    """The priors of a batch that begins at ``before_s``, Unix seconds; the published ones where nothing is known."""
    all_of_them = sorted((one for one in lessons if one.ended_s <= before_s), key=lambda one: (one.ended_s, one.batch))
    teach = [one for one in all_of_them if not one.why_not][-MOST:]
    this = (bucket, litres, insulation)
    in_this = [one for one in teach if litres is not None and (one.bucket, one.litres, one.insulation) == this]
    by_maker = [one for one in teach if one.maker == maker] if maker else teach
    wrap_ln, wrap_sd = priors.INSULATION_LN.get(insulation, (0.0, 0.0))
    pace_ln, pace_sd = priors.GOOD_RATE
    history = History(bucket=bucket, litres=litres, insulation=insulation)
    heat = _of(
        teach, lambda one: (one.heat_ln, one.heat_sd, one.mol_sd), 0.0,
        sqrt(priors.HEAT_SD_LN**2 + priors.CAPACITY_SD_LN**2), USUAL_HEAT_TAU, LEAST_HEAT_SD,
    )  # fmt: skip
    if heat is not None:
        history = replace(history, heat_ln=heat[0], heat_sd=heat[1], heat_batches=heat[2])
    loss = _of(
        in_this, lambda one: (one.loss_ln, one.loss_sd, 0.0), priors.LOSS_LN + wrap_ln,
        sqrt(priors.LOSS_SD_LN**2 + wrap_sd**2), USUAL_LOSS_TAU, LEAST_LOSS_SD,
    )  # fmt: skip
    if loss is not None:
        history = replace(history, loss_ln=loss[0], loss_sd=loss[1], loss_batches=loss[2])
    pace = _of(by_maker, lambda one: (one.pace_ln, one.pace_sd, 0.0), pace_ln, pace_sd, USUAL_PACE_TAU, LEAST_PACE_SD)
    if pace is not None:
        history = replace(history, pace_ln=pace[0], pace_sd=pace[1], pace_batches=pace[2])
    return history


def _of(  # noqa: PLR0917
    lessons: Sequence[Lesson],
    read: Callable[[Lesson], tuple[float, float | None, float]],
    prior_mean: float,
    prior_sd: float,
    usual_tau: float,
    least_sd: float,
) -> tuple[float, float, int] | None:
    """Centre, sd and number of batches behind it; None where too few have anything to say."""
    seen = [(value, sd**2 + more**2) for value, sd, more in map(read, lessons) if sd is not None]
    if len(seen) < LEAST:
        return None
    values, variances = [y for y, _ in seen], [v for _, v in seen]
    kept = [pair for pair, fits in zip(seen, not_odd(values, variances, usual_tau), strict=True) if fits]
    if len(kept) < LEAST:
        return None
    found = shrunk([y for y, _ in kept], [v for _, v in kept], prior_mean, prior_sd, usual_tau, USUAL_COUNTS)
    drift = MOST_DRIFT_SD * prior_sd
    mean = min(max(found.mean, prior_mean - drift), prior_mean + drift)
    return mean, max(found.next_sd, least_sd), len(kept)


def without_prior(mean: float, sd: float, prior_mean: float, prior_sd: float) -> tuple[float, float | None]:
    """What the data alone said, given what prior and data said together; None as the sd where that is next to nothing.

    Normal distributions: precisions subtract. Below a tenth of the prior's precision the difference is mostly noise.
    """
    if prior_sd <= 0.0 or sd <= 0.0:
        return mean, None
    precision = 1.0 / sd**2 - 1.0 / prior_sd**2
    if precision < 0.1 / prior_sd**2:
        return mean, None
    return (mean / sd**2 - prior_mean / prior_sd**2) / precision, sqrt(1.0 / precision)
