"""Whether errors and false alarms fall with the number of earlier batches: ``python -m tests.bench.learning``.

    python -m tests.bench.learning [--sheds 6] [--seed 41] [--history 9] [--asked 6] [--styles bucket]

Each shed has its own world (heat per mole and whatever else the simulator draws once, and tells nobody) and one cover;
the size of the bucket changes with the recipe, so heat and pace are learned by all and the loss seldom. Its season is
made batch after batch, each begun with what those before it taught; then the same further batches of that shed are
asked about with the history as it was after 0, 3, 6 ... batches, so that only the history differs. Minute readings go
straight into ``Estimator`` (tests/bench/direct.py). A good batch counts as falsely rung where a probability passes the
limit in the time allowed. Tune on seeds below 1000, report on others.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, replace

import numpy as np

from monitor.domain import Place
from monitor.heat.estimator import Estimator
from monitor.heat.learning import Lesson, history_from
from monitor.heat.lessons import lesson_of, why_not
from monitor.heat.priors import History
from tests.bench import direct
from tests.simulator import write

# (name of the probability, from and to which minute after blending, limit, kind of alarm)
RINGS = (
    ("final_below_085", 25, 40, 0.4, "not_taken"),
    ("cooled_early", 40, 60, 0.5, "cooled_early"),
    ("final_below_090", 30, 4320, 0.6, "incomplete"),
)
MINUTES = (25, 30, 40, 50, 60, 90, 180, 720, 4320)


@dataclass
class Answer:
    """One batch asked about once: the lesson, errors of completeness, and whether it would have rung."""

    lesson: Lesson
    error: dict[int, float]
    rung: set[str]


def ask(one: direct.Made, history: History | None) -> Answer:
    """The batch minute by minute, asked at MINUTES."""
    estimator = Estimator(one.batch, Place(), history)
    error, rung, estimate = {}, set(), None
    times = {minute: direct.asked_at_s(one, minute) for minute in MINUTES}
    for minute, _ in direct.fed(estimator, one, times):
        estimate = estimator.estimate(times[minute])
        error[minute] = estimate.final_completeness - one.told["final"]
        rung |= {
            kind for name, low, high, limit, kind in RINGS
            if low <= minute <= high and estimate.probabilities[name] >= limit
        }  # fmt: skip
    reason = why_not(one.batch, one.log, estimate, one.told["poured_at"], rung)
    return Answer(lesson_of(one.batch, estimator, one.told["planned_at"], reason), error, rung)


def shed(seed: int, number: int, count: int, style: str) -> list[direct.Made]:
    """``count`` batches of one shed: one world, one cover."""
    drawn = write.draw_batches(seed * 100 + number, count * 30, (style,))
    first = drawn[0]
    same = [one for one in drawn if one.world_seed == first.world_seed and not one.scenario.doings]
    fits = [one for one in same if one.scenario.insulation == first.scenario.insulation][:count]
    return [
        replace(made, batch=replace(made.batch, bucket="shed-2"))
        for made in direct.made_of(fits)
    ]  # fmt: skip


def main() -> None:
    """Simulate, learn, ask, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sheds", type=int, default=6)
    parser.add_argument("--seed", type=int, default=41)
    parser.add_argument("--history", type=int, default=9)
    parser.add_argument("--asked", type=int, default=6)
    parser.add_argument("--styles", nargs="*", default=["bucket"])
    args = parser.parse_args()
    styles = write.styles_of(tuple(args.styles))
    steps = range(0, args.history + 1, 3)
    errors: dict[int, list[float]] = {step: [] for step in steps}
    early: dict[int, list[float]] = {step: [] for step in steps}
    false: dict[int, list[bool]] = {step: [] for step in steps}
    taught: dict[int, list[int]] = {step: [] for step in steps}
    for number in range(args.sheds):
        batches = shed(args.seed, number, args.history + args.asked, styles[number % len(styles)])
        season, asked = batches[: -args.asked], batches[-args.asked :]
        lessons: list[Lesson] = []
        for done in range(len(season) + 1):
            if done in errors:
                taught[done].append(sum(not one.why_not for one in lessons))
                for one in asked:
                    answer = ask(one, _history(lessons, one))
                    errors[done].append(abs(answer.error[4320]))
                    early[done].append(abs(answer.error.get(60, answer.error[4320])))
                    if one.told["good"]:
                        false[done].append(bool(answer.rung))
            if done < len(season):
                lesson = ask(season[done], _history(lessons, season[done])).lesson
                lessons.append(replace(lesson, ended_s=float(done)))
        print(f"shed {number + 1}: {sum(not one.why_not for one in lessons)} of {len(lessons)} teach", flush=True)
    print("after  teaching  error at the end  error at 1 h  good ones falsely rung")
    for step in steps:
        rung = f"{sum(false[step])} of {len(false[step])}"
        teach, end, hour = np.mean(taught[step]), np.mean(errors[step]), np.mean(early[step])
        print(f"{step:5d}  {teach:8.1f}  {end:16.4f}  {hour:12.4f}  {rung}")


def _history(lessons: list[Lesson], one: direct.Made) -> History:
    vessel = one.batch.vessel
    return history_from(
        lessons, before_s=float("inf"), bucket="shed-2", litres=vessel.litres, insulation=vessel.insulation
    )


if __name__ == "__main__":
    main()
