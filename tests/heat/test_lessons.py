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
from monitor.heat.learning import Lesson
from monitor.heat.lessons import LEAST_FINAL, lesson_of, why_not, with_test
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
        ("failed", {"raised": ("separated",)}),
        ("failed", {"raised": ("separated", "silent", "incomplete")}),
        ("doubted", {"raised": ("not_taken",)}),
        ("doubted", {"raised": ("cooled_early", "too_hot")}),
        ("doubted", {"raised": ("incomplete",), "estimate": replace(GOOD, final_completeness=0.8)}),
        ("probe", {"raised": ("silent", "incomplete")}),
        ("short", {"raised": ("incomplete",), "estimate": replace(GOOD, at_s=POUR_S + 5 * HOUR_S)}),
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
    doubted = lesson_of(batch(), taught, POUR_S + 12 * HOUR_S, "doubted")
    assert doubted == replace(lesson, why_not="doubted")
    refused = lesson_of(batch(), taught, POUR_S + 12 * HOUR_S, "failed")
    assert (refused.why_not, refused.heat_sd, refused.loss_sd, refused.pace_sd) == ("failed", None, None, None)
    taught.note(LogEntry("covered", POUR_S + 2 * HOUR_S, POUR_S + 2 * HOUR_S))
    covered = lesson_of(batch(), taught, POUR_S + 12 * HOUR_S, "")
    assert (covered.loss_sd, covered.pace_sd) == (None, lesson.pace_sd)


SAID = Lesson(
    "Quillmarsh 4", "shed-2", 1000.0, 25.0, "bare", heat_ln=-0.1, heat_sd=0.06, mol_sd=0.02, loss_ln=-0.35, loss_sd=0.1,
    pace_ln=log(3.0e-3), pace_sd=0.2, completeness=0.95, completeness_sd=0.04, heat_per_completeness=-1.0,
)  # fmt: skip


@pytest.mark.parametrize(
    ("looked", "tested", "why"),
    [
        ("", 0.97, ""), ("unsure", 0.97, ""), ("doubted", 0.97, ""), ("doubted", LEAST_FINAL, ""),
        ("", 0.89, "tested_short"), ("unsure", 0.89, "tested_short"), ("doubted", 0.89, "tested_short"),
        ("failed", 0.97, "failed"), ("probe", 0.97, "probe"), ("mended", 0.97, "mended"), ("bad_end", 0.97, "bad_end"),
    ],
)  # fmt: skip
def test_a_test_of_the_free_alkali_decides_where_the_curve_was_only_doubted(
    looked: str, tested: float, why: str
) -> None:
    """Far enough by its test it teaches, however short of heat it looked; nothing else is overruled."""
    after = with_test(replace(SAID, why_not=looked), tested)
    assert (after.why_not, after.tested) == (why, tested)


def test_a_doubted_batch_of_which_nothing_could_be_read_teaches_nothing() -> None:
    """A test does not make numbers where there are none."""
    empty = replace(SAID, why_not="doubted", heat_sd=None, loss_sd=None, pace_sd=None)
    assert with_test(empty, 0.97).why_not == "doubted"
    assert with_test(replace(empty, pace_sd=0.2), 0.97).why_not == ""


def test_a_test_pins_the_heat_down() -> None:
    """With its completeness known to be lower, the same curve tells of more heat, and tells it more surely."""
    after = with_test(SAID, 0.91)
    assert after.heat_ln > SAID.heat_ln
    assert after.heat_sd is not None and SAID.heat_sd is not None and after.heat_sd < SAID.heat_sd


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
