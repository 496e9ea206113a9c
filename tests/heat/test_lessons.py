"""Which batches teach, and what the next one begins with: only good ones, and each prior where it belongs."""

from __future__ import annotations

from dataclasses import replace
from math import log
from typing import Any

import pytest

from monitor.domain import Estimate, LogEntry, Place, Vessel
from monitor.heat import model as m
from monitor.heat import priors
from monitor.heat.estimator import Estimator
from monitor.heat.lessons import lesson_of, why_not
from monitor.heat.priors import History

from .batches import POUR_S, batch, curve, run

HOUR_S = 3600.0
GOOD = Estimate(
    POUR_S + 70 * HOUR_S, 0.97, 0.02, 0.97, 0.02, 45.0, 2.0, 900.0, 50.0, 0.1, 0.1, 11000.0, 800.0, 12.0, 0.5, 12.0,
    84.0, POUR_S + HOUR_S, causes={"good": 0.9, "poor_blend": 0.1},
)  # fmt: skip
LOG = (LogEntry("poured", POUR_S, POUR_S, 50.0), LogEntry("blended", POUR_S + 600.0, POUR_S + 600.0))


def reason(**other: Any) -> str:
    """Why a good batch that is otherwise in one thing does not teach."""
    usual: dict[str, Any] = {"log": LOG, "estimate": GOOD, "raised": (), "outcome": "filled"}
    one = usual | other
    return why_not(batch(), one["log"], one["estimate"], POUR_S, one["raised"], one["outcome"])


@pytest.mark.parametrize(
    ("why", "other"),
    [
        ("", {}),
        ("", {"raised": ("too_hot", "watch_fault")}),
        ("not_judged", {"estimate": None}),
        ("unweighed", {"estimate": replace(GOOD, assumed=("unweighed_koh",))}),
        ("bad_end", {"outcome": "discarded"}),
        ("bad_end", {"outcome": "held"}),
        ("failed", {"raised": ("cooled_early",)}),
        ("failed", {"raised": ("silent", "incomplete")}),
        ("probe", {"raised": ("sensor_fault",)}),
        ("probe", {"raised": ("silent",)}),
        ("mended", {"log": (*LOG, LogEntry("reblended", POUR_S + HOUR_S, POUR_S + HOUR_S))}),
        ("mended", {"log": (*LOG, LogEntry("poured", POUR_S + HOUR_S, POUR_S + HOUR_S))}),
        ("short", {"estimate": replace(GOOD, at_s=POUR_S + 5 * HOUR_S)}),
        ("unsure", {"estimate": replace(GOOD, causes={"good": 0.5, "short_potash": 0.5})}),
        ("unsure", {"estimate": replace(GOOD, final_completeness=0.88)}),
    ],
)
def test_only_a_good_batch_that_was_well_watched_teaches(why: str, other: dict[str, Any]) -> None:
    """Each reason by itself is enough; a good batch that was hot teaches."""
    assert why == reason(**other)


@pytest.fixture(scope="module")
def taught() -> Estimator:
    """A good batch, twelve hours on."""
    return run(curve(), [HOUR_S, 12 * HOUR_S], until_s=12 * HOUR_S)[0]


def test_a_good_curve_teaches_heat_loss_and_pace(taught: Estimator) -> None:
    """Loss and pace narrower than their priors; with a reason, or where the cover was changed, that is not taught."""
    lesson = lesson_of(batch(), taught, POUR_S + 12 * HOUR_S, "")
    assert lesson.why_not == "" and lesson.heat_sd is not None
    for sd, prior_sd in ((lesson.loss_sd, priors.LOSS_SD_LN), (lesson.pace_sd, priors.GOOD_RATE[1])):
        assert sd is not None and sd < prior_sd
    refused = lesson_of(batch(), taught, POUR_S + 12 * HOUR_S, "failed")
    assert (refused.why_not, refused.heat_sd, refused.loss_sd, refused.pace_sd) == ("failed", None, None, None)
    taught.note(LogEntry("covered", POUR_S + 2 * HOUR_S, POUR_S + 2 * HOUR_S))
    covered = lesson_of(batch(), taught, POUR_S + 12 * HOUR_S, "")
    assert (covered.loss_sd, covered.pace_sd) == (None, lesson.pace_sd)


def test_what_was_learned_becomes_the_priors_where_it_belongs() -> None:
    """The heat everywhere, the pace of good blends alone, the loss only where size and cover are those it is of."""
    mine = batch()
    size = mine.vessel.litres
    history = History(
        heat_ln=0.07, heat_sd=0.05, loss_ln=-0.5, loss_sd=0.15, pace_ln=log(3e-3), pace_sd=0.3,
        heat_batches=5, loss_batches=5, pace_batches=5, bucket=mine.bucket, litres=size, insulation="bare",
    )  # fmt: skip

    def begun(vessel: Vessel, known: History | None) -> Any:
        estimator = Estimator(replace(mine, vessel=vessel), Place(), known)
        for entry in LOG:
            estimator.note(entry)
        return estimator._layout_now()

    mine_now = begun(Vessel(size, "bare"), history)
    assert set(mine_now.centre[:, m.HEAT]) == {0.07}
    assert set(mine_now.centre[:, m.LOSS]) == {-0.5} and set(mine_now.sd[:, m.LOSS]) == {0.15}
    paces = {one.name: pace for one, pace in zip(priors.COMPONENTS, mine_now.centre[:, m.RATE], strict=True)}
    assert paces["good"] == log(3e-3) and paces["split"] == begun(Vessel(size, "bare"), None).centre[-4, m.RATE]
    for other in (Vessel(2.0 * (size or 1.0), "bare"), Vessel(size, "blanket")):
        assert (begun(other, history).centre[:, m.LOSS] == begun(other, None).centre[:, m.LOSS]).all()
